"""``rxmeasure open``: films in the window, which is a part of its own and may be missing."""

from __future__ import annotations

import ctypes
import os
import sys
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, cast

import click

from rxmeasure.cli.options import FILE, invert_option, json_option
from rxmeasure.cli.output import emit
from rxmeasure.errors import ImageReadError, WindowMissingError

if TYPE_CHECKING:
    from importlib.metadata import EntryPoint

    #: ``open_window(paths, *, invert) -> exit status``
    OpenWindow = Callable[..., int]

#: Entry-point group in which a window registers its ``open_window``.
GROUP = "rxmeasure.window"
INSTALL = "Install the window: pip install 'rxmeasure[napari]'"

#: Library that Qt needs on Linux -> Debian package that holds it.
LIBRARIES = {
    "libEGL.so.1": "libegl1",
    "libGL.so.1": "libgl1",
    "libdbus-1.so.3": "libdbus-1-3",
    "libfontconfig.so.1": "libfontconfig1",
    "libglib-2.0.so.0": "libglib2.0-0",
}
#: The same for a window on an X display.
X_LIBRARIES = {
    "libxcb-cursor.so.0": "libxcb-cursor0",
    "libxcb-icccm.so.4": "libxcb-icccm4",
    "libxcb-image.so.0": "libxcb-image0",
    "libxcb-keysyms.so.1": "libxcb-keysyms1",
    "libxcb-render-util.so.0": "libxcb-render-util0",
    "libxcb-shape.so.0": "libxcb-shape0",
    "libxkbcommon-x11.so.0": "libxkbcommon-x11-0",
}


@click.command()
@click.argument("images", type=FILE, nargs=-1, required=True, metavar="IMAGE...")
@invert_option
@json_option
def open(images: tuple[Path, ...], invert: bool, as_json: bool) -> int:
    """Open films in the window and review them there.

    Needs the window: pip install 'rxmeasure[napari]'. Ends when the window is
    closed.
    """
    for image in images:
        _check_exists(image)
    window = _installed_window()
    if sys.platform == "linux":
        _check_screen()
    status = _loaded(window)(images, invert=invert)
    emit("open", {"files": [str(i) for i in images], "status": status}, [], as_json=as_json)
    return status


def _check_exists(image: Path) -> None:
    if not image.exists():
        raise ImageReadError(
            found=f"nothing at the path {image}.",
            needed="the path of an existing radiograph.",
            next_step="Check the name and the folder.",
        )


def _installed_window() -> EntryPoint:
    from importlib.metadata import entry_points

    for window in entry_points(group=GROUP):
        return window
    raise WindowMissingError(
        found="an installation without the window.",
        needed="the window's packages beside the command.",
        next_step=f"{INSTALL}. All other verbs work without it.",
    )


def _loaded(window: EntryPoint) -> OpenWindow:
    try:
        return cast("OpenWindow", window.load())
    except ImportError as error:
        raise WindowMissingError(
            found=f"a window that cannot be loaded ({error}).",
            needed="all packages of the window.",
            next_step=f"{INSTALL}. All other verbs work without it.",
        ) from error


def _check_screen() -> None:
    """Refuse where Qt would abort the process: no display, or libraries missing."""
    wayland, display = os.environ.get("WAYLAND_DISPLAY"), os.environ.get("DISPLAY")
    platform = os.environ.get("QT_QPA_PLATFORM") or ("wayland" if wayland else "xcb")
    if platform.startswith("xcb") and not display:
        raise _no_display("a session without a screen: DISPLAY is not set.")
    if platform.startswith("wayland") and not wayland:
        raise _no_display("a session without a screen: WAYLAND_DISPLAY is not set.")
    if not platform.startswith("xcb"):
        _check_libraries(LIBRARIES)
        return
    _check_libraries(LIBRARIES | X_LIBRARIES)
    if not _display_answers():
        raise _no_display(f"no answer from the display {display}.")


def _no_display(found: str) -> WindowMissingError:
    return WindowMissingError(
        found=found,
        needed="a screen to show the window on.",
        next_step="Run it in a desktop session; over SSH, switch X forwarding on (ssh -X).",
    )


def _check_libraries(packages: dict[str, str]) -> None:
    missing = [library for library in packages if not _loads(library)]
    if missing:
        names = " ".join(packages[library] for library in missing)
        raise WindowMissingError(
            found=f"a system without {', '.join(missing)}.",
            needed="the system libraries that the window is drawn with.",
            next_step=f"On Debian or Ubuntu: sudo apt-get install {names}. Elsewhere install the "
            "packages that hold these libraries.",
        )


def _loads(library: str) -> bool:
    try:
        ctypes.CDLL(library)
    except OSError:
        return False
    return True


def _display_answers() -> bool:
    """Connect to the X display that DISPLAY names, and part again."""
    xcb = ctypes.CDLL("libxcb.so.1")
    xcb.xcb_connect.restype = ctypes.c_void_p
    connection = ctypes.c_void_p(xcb.xcb_connect(None, None))
    failed: int = xcb.xcb_connection_has_error(connection)
    xcb.xcb_disconnect(connection)
    return failed == 0
