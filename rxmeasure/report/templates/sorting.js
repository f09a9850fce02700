"use strict";
// A click on a column's name sorts the table by it; a second click turns the order.
function value(row, column) {
  return row.cells[column].dataset.sort;
}
function compare(a, b) {
  const numbers = [Number(a), Number(b)];
  return numbers.some(Number.isNaN) ? a.localeCompare(b, "en", { numeric: true }) : numbers[0] - numbers[1];
}
function sortBy(head) {
  const table = head.closest("table");
  const down = head.getAttribute("aria-sort") === "ascending";
  const rows = Array.from(table.tBodies[0].rows);
  rows.sort((a, b) => {
    const [x, y] = [value(a, head.cellIndex), value(b, head.cellIndex)];
    // What is missing stands last in either order.
    if (x === "" || y === "") return (x === "") - (y === "");
    return down ? compare(y, x) : compare(x, y);
  });
  for (const other of head.parentElement.cells) other.setAttribute("aria-sort", "none");
  head.setAttribute("aria-sort", down ? "descending" : "ascending");
  table.tBodies[0].append(...rows);
}
for (const button of document.querySelectorAll("th > button")) {
  button.addEventListener("click", () => sortBy(button.parentElement));
}
