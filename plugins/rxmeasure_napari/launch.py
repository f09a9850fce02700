"""A ready window for films: what ``rxmeasure open`` starts."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import napari

    from rxmeasure_napari.dock import ReviewDock

#: Width and height that fit a small screen.
WINDOW_PX = (1280, 720)


def open_window(paths: Sequence[Path], *, invert: bool = False) -> int:
    """Open the window with these films and run it until it is closed.

    Returns
    -------
    int
        Exit status for the shell.
    """
    import napari

    ready_window(paths, invert=invert)
    napari.run()
    return 0


def ready_window(
    paths: Sequence[Path], *, invert: bool = False, show: bool = True
) -> tuple[napari.Viewer, ReviewDock]:
    """Make a window with the review's dock; the films open one after the other."""
    import napari

    from rxmeasure_napari.dock import ReviewDock
    from rxmeasure_napari.preferences import read_preferences

    viewer = napari.Viewer(title="rxmeasure", show=show)
    _, dock = viewer.window.add_plugin_dock_widget("rxmeasure", "Root-canal review")
    assert isinstance(dock, ReviewDock)
    window = dock.window()
    if not read_preferences().show_layer_lists:
        _fold_layer_lists(window)
    screen = window.screen().availableGeometry()
    window.resize(min(WINDOW_PX[0], screen.width()), min(WINDOW_PX[1], screen.height()))
    for path in paths:
        dock.desk.open_path(Path(path), inverted=invert)
    return viewer, dock


def _fold_layer_lists(window: object) -> None:
    """Hide napari's layer list and controls; the Window menu brings them back."""
    from qtpy.QtWidgets import QDockWidget

    for dock in window.findChildren(QDockWidget):  # type: ignore[attr-defined]
        if dock.objectName() in ("layer list", "layer controls"):
            dock.hide()
