"""The set-up script finds a Python, or says what is missing and stops."""

from __future__ import annotations

import os
import shutil
import subprocess
from pathlib import Path

import pytest

SET_UP = Path(__file__).resolve().parents[2] / ".tools" / "set-up.sh"
BASH = shutil.which("bash") or "bash"

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


@pytest.mark.parametrize("script", ["review-samples", "run-tests", "set-up.sh", "../.ci/run"])
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
