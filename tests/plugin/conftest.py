"""Windows of the tests show on a display of their own, one for each process of pytest.

Nothing is skipped where it cannot start: the run stops. ``RXMEASURE_DISPLAY=keep`` lets
one watch on the own screen.
"""

from __future__ import annotations

import os
import tempfile
from collections.abc import Iterator
from contextlib import ExitStack
from pathlib import Path

import pytest
from display import NoDisplayError, clean_desktop, own_display

# Test modules may import napari, which reads its settings then: so this comes first.
_surroundings = ExitStack()
_folder = _surroundings.enter_context(tempfile.TemporaryDirectory(prefix="rxmeasure-window-"))
_surroundings.enter_context(clean_desktop(Path(_folder)))
os.environ["NAPARI_STRICT_QT"] = "1"


def pytest_unconfigure() -> None:
    _surroundings.close()


@pytest.fixture(scope="session", autouse=True)
def display() -> Iterator[None]:
    """The display of this process, before the first Qt application is made."""
    try:
        with own_display():
            yield
    except NoDisplayError as error:
        if "PYTEST_XDIST_WORKER" in os.environ:
            pytest.fail(str(error), pytrace=False)  # a worker that exits is told as a crash
        pytest.exit(str(error), returncode=pytest.ExitCode.USAGE_ERROR)
