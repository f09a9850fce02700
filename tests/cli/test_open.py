"""``rxmeasure open`` calls the window that is installed, or says why there is none."""

from __future__ import annotations

import json
import sys
from collections.abc import Callable
from importlib.metadata import entry_points
from pathlib import Path

import pytest
from display import own_display

from rxmeasure.cli import open as open_verb
from rxmeasure.errors import WindowMissingError

on_linux = pytest.mark.skipif(sys.platform != "linux", reason="Qt aborts on Linux only")

#: A window that notes what it is asked to open. Its exit status is told apart from others.
NOTES = """
import json, pathlib
def open_window(paths, *, invert=False):
    asked = {"paths": [str(p) for p in paths], "invert": invert}
    pathlib.Path(__file__).with_name("asked.json").write_text(json.dumps(asked))
    return 42
"""


@pytest.fixture
def installed(tmp_path: Path, monkeypatch) -> Callable[[str | None], Path]:
    """Stands before the installed distribution, with this window or none; its folder."""

    def install(window: str | None) -> Path:
        folder = tmp_path / "site"
        metadata = folder / "rxmeasure-0.dist-info"
        metadata.mkdir(parents=True)
        (metadata / "METADATA").write_text(
            "Metadata-Version: 2.1\nName: rxmeasure\nVersion: 0\n", encoding="utf-8"
        )
        if window is not None:
            (folder / "window_of_the_test.py").write_text(window, encoding="utf-8")
            (metadata / "entry_points.txt").write_text(
                "[rxmeasure.window]\ntest = window_of_the_test:open_window\n", encoding="utf-8"
            )
        monkeypatch.setenv("PYTHONPATH", str(folder))
        return folder

    return install


@pytest.fixture
def screenless(monkeypatch) -> None:
    for name in ("DISPLAY", "WAYLAND_DISPLAY", "QT_QPA_PLATFORM"):
        monkeypatch.delenv(name, raising=False)


@pytest.fixture
def offscreen(monkeypatch) -> None:
    monkeypatch.setenv("QT_QPA_PLATFORM", "offscreen")


@pytest.fixture
def film(sample_copy) -> Path:
    return sample_copy() / "adequate_premolar.png"


def _asked(folder: Path) -> object:
    path = folder / "asked.json"
    return json.loads(path.read_text(encoding="utf-8")) if path.exists() else None


@pytest.mark.usefixtures("offscreen")
def test_films_and_switch_reach_the_window_and_its_status_is_returned(
    run_outside, installed, film: Path
) -> None:
    folder = installed(NOTES)
    result = run_outside("open", film, film, "--invert", "--json")
    assert _asked(folder) == {"paths": [str(film)] * 2, "invert": True}
    assert result.code == 42
    assert result.document["files"] == [str(film)] * 2
    assert result.document["status"] == 42


def _refused(result, code: int, kind: str) -> str:
    assert result.code == code, (result.stdout, result.stderr)
    assert result.stdout == ""
    assert result.error["type"] == kind
    return f"{result.error['found']} {result.error['next_step']}"


@pytest.mark.usefixtures("offscreen")
def test_without_a_window_it_says_what_to_install(run_outside, installed, film: Path) -> None:
    installed(None)
    text = _refused(run_outside("open", film, "--json"), 11, "WindowMissingError")
    assert "pip install 'rxmeasure[napari]'" in text


@pytest.mark.usefixtures("offscreen")
def test_a_window_that_lacks_a_package_is_told(run_outside, installed, film: Path) -> None:
    installed("import a_package_that_is_not_there")
    text = _refused(run_outside("open", film, "--json"), 11, "WindowMissingError")
    assert "a_package_that_is_not_there" in text
    assert "pip install 'rxmeasure[napari]'" in text


@pytest.mark.usefixtures("offscreen")
def test_a_path_that_is_none_is_refused_before_the_window_opens(
    run_outside, installed, film: Path
) -> None:
    folder = installed(NOTES)
    missing = film.with_name("missing.png")
    text = _refused(run_outside("open", film, missing, "--json"), 3, "ImageReadError")
    assert str(missing) in text
    assert _asked(folder) is None


@on_linux
@pytest.mark.usefixtures("screenless")
@pytest.mark.parametrize(
    ("environment", "word"),
    [
        ({}, "DISPLAY is not set"),
        ({"DISPLAY": ":6553"}, "no answer from the display :6553"),
        ({"DISPLAY": ":6553", "QT_QPA_PLATFORM": "wayland"}, "WAYLAND_DISPLAY is not set"),
    ],
)
def test_without_a_screen_it_is_refused_before_the_window_opens(
    run_outside, installed, film: Path, monkeypatch, environment: dict[str, str], word: str
) -> None:
    folder = installed(NOTES)
    for name, value in environment.items():
        monkeypatch.setenv(name, value)
    assert word in _refused(run_outside("open", film, "--json"), 11, "WindowMissingError")
    assert _asked(folder) is None


@on_linux
@pytest.mark.usefixtures("screenless")
def test_with_a_screen_it_opens(run_outside, installed, film: Path) -> None:
    folder = installed(NOTES)
    with own_display():
        result = run_outside("open", film)
    assert result.code == 42, result.stderr
    assert _asked(folder) == {"paths": [str(film)], "invert": False}


@on_linux
def test_missing_system_libraries_are_named_with_their_packages() -> None:
    needs = {"libc.so.6": "libc6", "libnone.so.1": "libnone1", "libnone.so.2": "libnone2"}
    with pytest.raises(WindowMissingError) as refused:
        open_verb._check_libraries(needs)
    assert "libnone.so.1, libnone.so.2" in refused.value.found
    assert "apt-get install libnone1 libnone2." in refused.value.next_step


def test_the_window_of_this_project_is_installed_under_its_name() -> None:
    (window,) = entry_points(group=open_verb.GROUP)
    assert window.value == "rxmeasure_napari.launch:open_window"
    assert callable(window.load())
