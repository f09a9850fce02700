"""The core needs neither napari nor Qt: said in the contract, the metadata and by running it."""

from __future__ import annotations

import importlib.util
import os
import re
import shutil
import subprocess
import sys
import tomllib
from importlib import metadata
from pathlib import Path

import pytest

CHECKOUT = Path(__file__).resolve().parents[2]
GUI = (
    "napari", "npe2", "qtpy", "PyQt5", "PyQt6", "PySide2", "PySide6", "pyqtgraph", "magicgui",
    "superqt",
)  # fmt: skip
GUI_DISTRIBUTIONS = (*GUI, "PySide6-Essentials", "pytest-qt")
#: Extras of the window; all others belong to the core.
WINDOW_EXTRAS = ("napari", "window-test", "dev")

IMPORT_ALL_WITHOUT_GUI = f"""
import importlib, pkgutil, sys

class Blocked:
    def find_spec(self, name, path=None, target=None):
        if name.partition(".")[0] in {GUI!r}:
            raise ImportError(f"the core asked for {{name}}")

sys.meta_path.insert(0, Blocked())
import rxmeasure
names = [m.name for m in pkgutil.walk_packages(rxmeasure.__path__, "rxmeasure.")]
for name in names:
    # Alembic runs this script with its own context.
    if name != "rxmeasure.store.migrations.env":
        importlib.import_module(name)
print(len(names))
"""


def _contracts(folder: Path) -> subprocess.CompletedProcess[str]:
    linter = Path(sys.executable).with_name("lint-imports")
    if not linter.exists():
        pytest.skip("import-linter is not installed in this environment")
    return subprocess.run(
        [str(linter), "--no-cache"],
        cwd=folder,
        env={**os.environ, "PYTHONPATH": os.pathsep.join([str(folder), str(folder / "plugins")])},
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )


@pytest.fixture
def checkout_copy(tmp_path: Path) -> Path:
    ignored = shutil.ignore_patterns("__pycache__")
    for package in ("rxmeasure", "plugins/rxmeasure_napari"):
        shutil.copytree(CHECKOUT / package, tmp_path / package, ignore=ignored)
    shutil.copy(CHECKOUT / "pyproject.toml", tmp_path)
    return tmp_path


def test_contracts_hold(checkout_copy: Path) -> None:
    done = _contracts(checkout_copy)
    assert done.returncode == 0, done.stdout


@pytest.mark.parametrize(
    ("module", "line", "contract"),
    [
        ("rxmeasure/geometry.py", "import qtpy", "neither a GUI toolkit nor napari"),
        ("rxmeasure/cli/info.py", "from napari import layers", "neither a GUI toolkit nor napari"),
        (
            "rxmeasure/tracing/frame.py",
            "import rxmeasure.phantom.truth",
            "never sees the phantom",
        ),
        (
            "plugins/rxmeasure_napari/review_state.py",
            "from qtpy import QtCore",
            "state, layers and files need no Qt",
        ),
    ],
)
def test_a_planted_import_breaks_its_contract(
    checkout_copy: Path, module: str, line: str, contract: str
) -> None:
    path = checkout_copy / module
    path.write_text(path.read_text(encoding="utf-8") + f"\n{line}\n", encoding="utf-8")
    done = _contracts(checkout_copy)
    assert done.returncode == 1, done.stdout
    broken = [text for text in done.stdout.splitlines() if text.endswith("BROKEN")]
    assert [text for text in broken if contract in text] != []


def test_every_core_module_imports_with_the_gui_blocked() -> None:
    done = subprocess.run(
        [sys.executable, "-c", IMPORT_ALL_WITHOUT_GUI],
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    modules = [p for p in (CHECKOUT / "rxmeasure").rglob("*.py") if p.name != "__init__.py"]
    assert int(done.stdout) >= len(modules)


def _distribution(requirement: str) -> str:
    return re.split(r"[\s\[;<>=!~]", requirement, maxsplit=1)[0].lower()


def _extra(requirement: str) -> str:
    found = re.search(r"extra == ['\"]([\w-]+)", requirement)
    return found[1] if found else ""


def test_what_is_installed_brings_no_gui() -> None:
    """Neither the base nor the extras of the core ask for napari or Qt."""
    requirements = metadata.requires("rxmeasure") or []
    asked = {_distribution(r) for r in requirements if _extra(r) not in WINDOW_EXTRAS}
    asked |= {
        _distribution(r)
        for r in tomllib.loads((CHECKOUT / "pyproject.toml").read_text(encoding="utf-8"))[
            "project"
        ]["dependencies"]
    }
    assert "numpy" in asked
    assert asked.isdisjoint({name.lower() for name in GUI_DISTRIBUTIONS})


@pytest.mark.skipif(
    "RXMEASURE_CORE_ONLY" not in os.environ,
    reason="only in the environment that holds the core alone",
)
def test_environment_of_the_core_holds_no_gui() -> None:
    assert [name for name in GUI if importlib.util.find_spec(name) is not None] == []
    import rxmeasure

    assert not Path(rxmeasure.__file__).is_relative_to(CHECKOUT / "rxmeasure")
