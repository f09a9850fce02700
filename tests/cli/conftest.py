from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from rxmeasure.cli.main import main

#: Options of a review of the sample film of an adequate fill, by clicks instead of its marks file.
SAMPLE = "adequate_premolar.png"


@dataclass(frozen=True, slots=True, kw_only=True)
class Run:
    code: int
    stdout: str
    stderr: str

    @property
    def document(self) -> Any:
        return json.loads(self.stdout)

    @property
    def error(self) -> Any:
        """The one refusal on stderr, of a run with --json."""
        return json.loads(self.stderr)["error"]


@pytest.fixture
def run() -> Callable[..., Run]:
    """The command in this process."""

    def call(*arguments: str | Path) -> Run:
        result = CliRunner().invoke(main, [str(a) for a in arguments], prog_name="rxmeasure")
        if result.exception is not None and not isinstance(result.exception, SystemExit):
            raise result.exception
        return Run(code=result.exit_code, stdout=result.stdout, stderr=result.stderr)

    return call


@pytest.fixture
def run_outside() -> Callable[..., Run]:
    """The command as a process of its own."""

    def call(*arguments: str | Path, limit_file_bytes: int | None = None, **more: Any) -> Run:
        def limit() -> None:
            import resource

            if limit_file_bytes is not None:
                resource.setrlimit(resource.RLIMIT_FSIZE, (limit_file_bytes,) * 2)

        done = subprocess.run(
            [sys.executable, "-m", "rxmeasure.cli.main", *map(str, arguments)],
            capture_output=True,
            encoding="utf-8",
            env={**os.environ, "PYTHONIOENCODING": "utf-8"},
            timeout=60,
            check=False,
            preexec_fn=limit,
            **more,
        )
        return Run(code=done.returncode, stdout=done.stdout, stderr=done.stderr)

    return call


@pytest.fixture
def sample_copy(tmp_path: Path, sample_images: Path) -> Callable[..., Path]:
    """Copies of sample films with their marks in a folder of their own."""

    def copy(*names: str, folder: str = "films", marks: bool = True) -> Path:
        target = tmp_path / folder
        target.mkdir(exist_ok=True)
        for name in names or (SAMPLE,):
            source = sample_images / name
            (target / name).write_bytes(source.read_bytes())
            if marks:
                sidecar = source.with_suffix(".marks.toml")
                (target / sidecar.name).write_bytes(sidecar.read_bytes())
        return target

    return copy


def listing(folder: Path) -> dict[str, bytes]:
    """Every file of a folder with its content."""
    return {
        str(p.relative_to(folder)): p.read_bytes() for p in sorted(folder.rglob("*")) if p.is_file()
    }


@pytest.fixture
def contents() -> Callable[[Path], dict[str, bytes]]:
    return listing


def options_of(points: Sequence[Sequence[float]], name: str) -> list[str]:
    return [word for r, c in points for word in (name, f"{r},{c}")]
