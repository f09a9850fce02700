"""Real films without a scale: two filled teeth, and films with none.

From the data sets DenPAR (Rasnayaka et al. 2025, Scientific Data 12:1615,
doi:10.1038/s41597-025-05906-9; CC BY 4.0), cut out of a figure, and bitewings (MIT).
"""

from __future__ import annotations

from pathlib import Path

import pytest

from rxmeasure.proposals import propose
from rxmeasure.reading import read_radiograph

#: Apical end of the fill, (row, col), read off by hand within 3 px.
FILL_ENDS = ((159.0, 314.0), (124.0, 413.0))
CROPS = "radiographs/denpar_figure_crops/"


def _film(shared_folder: Path, name: str) -> Path:
    path = shared_folder / name
    if not path.is_file():
        pytest.skip("the film is not in the folder of shared films")
    return path


def test_both_fills_and_their_ends(shared_folder: Path) -> None:
    radiograph = read_radiograph(_film(shared_folder, CROPS + "denpar_fig3_row2_image.png"))
    found = propose(radiograph).canals
    assert len(found) == len(FILL_ENDS)
    for row, col in FILL_ENDS:
        off = [
            ((p.fill_end_px[0] - row) ** 2 + (p.fill_end_px[1] - col) ** 2) ** 0.5 for p in found
        ]
        assert min(off) < 5.0


@pytest.mark.parametrize(
    "name",
    [
        CROPS + "denpar_fig3_row1_image.png",
        CROPS + "denpar_fig3_row3_image.png",
        CROPS + "denpar_fig2_975_image.png",
        "radiographs/bitewing_mit/bitewing.png",
    ],
)
def test_no_fill_on_unfilled_teeth(shared_folder: Path, name: str) -> None:
    assert propose(read_radiograph(_film(shared_folder, name))).canals == ()
