"""The set-up finds what it needs from the system, or says what is missing and stops."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from display import NoDisplayError, own_display

from rxmeasure.cli.open import LIBRARIES, X_LIBRARIES, _display_answers

SET_UP = Path(__file__).resolve().parents[2] / ".tools" / "set-up.sh"
BASH = shutil.which("bash") or "bash"

on_linux = pytest.mark.skipif(sys.platform != "linux", reason="elsewhere the desktop is used")
pytestmark = pytest.mark.skipif(os.name != "posix", reason="the scripts are for bash")


def _bash(code: str, **environment: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [BASH, "-c", f'set -euo pipefail\n. "{SET_UP}"\n{code}'],
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
        env={**os.environ, **environment},
    )


@pytest.mark.parametrize(
    "script", ["review-samples", "open-window", "run-tests", "set-up.sh", "../.ci/run"]
)
def test_scripts_are_sound_bash(script: str) -> None:
    path = SET_UP.parent / script
    assert subprocess.run([BASH, "-n", str(path)], timeout=60, check=False).returncode == 0


def test_finds_a_python_that_is_new_enough() -> None:
    done = _bash("find_python; \"$PYTHON\" -c 'import sys; print(sys.version_info >= (3, 11))'")
    assert done.stdout.strip() == "True", done.stderr


def test_stops_without_a_python() -> None:
    done = _bash("is_new_enough() { return 1; }; find_python; echo went on")
    assert done.returncode == 1
    assert done.stdout == ""
    assert "No Python of 3.11 or newer" in done.stderr


def test_names_the_missing_package_where_it_may_not_install_it() -> None:
    done = _bash(
        "has_venv() { return 1; }; on_debian_as_root() { return 1; }; find_python; echo went on"
    )
    assert done.returncode == 1
    assert done.stdout == ""
    assert "python3." in done.stderr
    assert "-venv" in done.stderr


def test_installs_the_missing_package_as_root_on_debian(tmp_path: Path) -> None:
    done = _bash(
        'has_venv() { [ -e "$MARK" ]; }; on_debian_as_root() { return 0; }; '
        'apt_install() { echo "$*"; touch "$MARK"; }; find_python',
        MARK=str(tmp_path / "installed"),
    )
    assert done.returncode == 0, done.stderr
    assert done.stdout.strip().endswith("-venv")


#: Stands in for an environment's Python: notes what pip is asked, and is of the right version.
PYTHON_STAND_IN = """#!/bin/sh
if [ "$1" = -m ] && [ "$3" = install ]; then echo "$*" >>"$CALLS"; fi
"""


def test_an_environment_is_set_up_once_and_again_when_the_project_changes(tmp_path: Path) -> None:
    (tmp_path / "pyproject.toml").write_text("one", encoding="utf-8")
    python = tmp_path / "env" / "bin" / "python"
    python.parent.mkdir(parents=True)
    python.write_text(PYTHON_STAND_IN, encoding="utf-8")
    python.chmod(0o755)
    code = f"""
    cd "{tmp_path}"
    make_environment env -e .
    make_environment env -e .
    echo two >pyproject.toml
    make_environment env -e .
    make_environment env -e '.[dev]'
    """
    done = _bash(code, CALLS=str(tmp_path / "calls"))
    assert done.returncode == 0, done.stderr
    calls = (tmp_path / "calls").read_text(encoding="utf-8").splitlines()
    assert [call.split("-e ")[1] for call in calls] == [".", ".", ".[dev]"]


def test_packages_for_the_window_are_those_that_the_command_names() -> None:
    done = _bash("printf '%s\\n' $WINDOW_NEEDS")
    needs = dict(entry.split("=") for entry in done.stdout.split())
    assert needs == {package: library for library, package in (LIBRARIES | X_LIBRARIES).items()}


#: A system without two packages, by the list of the package manager or by trying.
LACKS_TWO = {
    "dpkg": 'is_installed() { [ "$1" != xvfb ] && [ "$1" != libgl1 ]; }; has_dpkg() { true; }; ',
    "trying": "has_dpkg() { return 1; }; loads() { [ $1 != libGL.so.1 ] && [ $1 != NoX ]; }; ",
}
AS_ROOT = 'on_debian_as_root() { true; }; apt_install() { echo "$*"; }; has_font() { true; }; '
NOT_ROOT = "on_debian_as_root() { return 1; }; has_font() { true; }; "


@pytest.mark.parametrize("way", LACKS_TWO)
def test_installs_what_the_window_lacks_as_root_on_debian(way: str) -> None:
    done = _bash(AS_ROOT + LACKS_TWO[way] + "need_for_window xvfb=NoX")
    assert done.returncode == 0, done.stderr
    assert done.stdout.split() == ["xvfb", "libgl1"]


@pytest.mark.parametrize("way", LACKS_TWO)
def test_names_what_the_window_lacks_where_it_may_not_install_it(way: str) -> None:
    done = _bash(NOT_ROOT + LACKS_TWO[way] + "need_for_window xvfb=NoX; echo went on")
    assert done.returncode == 1
    assert done.stdout == ""
    assert "sudo apt-get install xvfb libgl1)" in done.stderr


def test_installs_nothing_for_the_window_where_all_is_there() -> None:
    done = _bash(
        "is_installed() { true; }; loads() { true; }; "
        "apt_install() { return 1; }; has_font() { true; }; need_for_window; echo went on"
    )
    assert done.stdout.strip() == "went on", done.stderr


def test_a_font_is_installed_only_where_there_is_none() -> None:
    done = _bash(
        "is_installed() { true; }; loads() { true; }; " + AS_ROOT + "need_for_window; "
        "has_font() { return 1; }; need_for_window"
    )
    assert done.stdout.split() == ["fonts-dejavu-core"], done.stderr


@pytest.mark.parametrize("way", LACKS_TWO)
def test_what_tests_can_do_without_is_installed_or_told(way: str) -> None:
    wanted = "want xvfb=NoX dpkg=bash; echo went on"
    done = _bash(AS_ROOT + LACKS_TWO[way] + wanted)
    assert done.stdout.split("\n")[:2] == ["xvfb", "went on"], done.stderr
    done = _bash(NOT_ROOT + LACKS_TWO[way] + wanted)
    assert (done.returncode, done.stdout.strip()) == (0, "went on")
    assert done.stderr.strip().endswith("will be skipped: xvfb")


@pytest.mark.skipif(shutil.which("dpkg-query") is None, reason="asks the package manager")
def test_an_installed_package_is_known_from_one_that_is_not() -> None:
    done = _bash("is_installed dpkg && echo yes; is_installed no-such-package-here || echo no")
    assert done.stdout.split() == ["yes", "no"], done.stderr


@on_linux
def test_a_display_that_does_not_start_is_told(tmp_path: Path, monkeypatch) -> None:
    monkeypatch.delenv("RXMEASURE_DISPLAY", raising=False)
    monkeypatch.setenv("PATH", str(tmp_path))
    with pytest.raises(NoDisplayError, match="not installed"), own_display():
        pytest.fail("a window would open without a display")
    server = tmp_path / "Xvfb"
    server.write_text("#!/bin/sh\necho no memory >&2\nexit 1\n", encoding="utf-8")
    server.chmod(0o755)
    with pytest.raises(NoDisplayError, match="no memory"), own_display():
        pytest.fail("a window would open without a display")


@on_linux
def test_a_display_is_the_process_s_own_and_ends_with_it(monkeypatch) -> None:
    monkeypatch.delenv("RXMEASURE_DISPLAY", raising=False)
    monkeypatch.delenv("DISPLAY", raising=False)
    with own_display():
        first = os.environ["DISPLAY"]
        with own_display():
            second = os.environ["DISPLAY"]
            assert second != first
            assert _display_answers()
        assert os.environ["DISPLAY"] == first
    assert "DISPLAY" not in os.environ
    monkeypatch.setenv("DISPLAY", first)
    assert not _display_answers()
