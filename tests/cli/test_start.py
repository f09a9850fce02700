"""The command starts at once: heavy packages are imported by the verb that needs them."""

from __future__ import annotations

import subprocess
import sys

import click
import pytest

from rxmeasure.cli.exit_codes import MEANINGS
from rxmeasure.cli.main import VERBS, main

HEAVY = (
    "numpy",
    "scipy",
    "pydicom",
    "skimage",
    "PIL",
    "matplotlib",
    "jsonschema",
    "cattrs",
    "onnxruntime",
    "sqlalchemy",
    "alembic",
)


@pytest.mark.parametrize("arguments", [[], *([verb] for verb in VERBS)], ids=lambda a: " ".join(a))
def test_help_imports_nothing_heavy(arguments: list[str]) -> None:
    code = (
        "import sys\n"
        "from rxmeasure.cli.main import main\n"
        f"assert main({[*arguments, '--help']!r}, standalone_mode=False) == 0\n"
        f"print([m for m in {HEAVY!r} if m in sys.modules], file=sys.stderr)\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, timeout=60, check=True
    )
    assert done.stderr.strip() == "[]"


def test_list_of_verbs_and_exit_statuses(run) -> None:
    result = run("--help")
    assert result.code == 0
    for verb in VERBS:
        assert f"  {verb} " in result.stdout
    for code, meaning in MEANINGS.items():
        assert f"  {code} " in result.stdout
        assert meaning in result.stdout


@pytest.mark.parametrize("verb", VERBS)
def test_every_verb_of_the_list_is_there_under_its_name(verb: str) -> None:
    command = main.get_command(click.Context(main), verb)
    assert command is not None
    assert command.name == verb


def _leaves(group: click.Group, path: tuple[str, ...] = ()) -> list[tuple[str, ...]]:
    found = []
    for name in group.list_commands(click.Context(group)):
        command = group.get_command(click.Context(group), name)
        if isinstance(command, click.Group):
            found += _leaves(command, (*path, name))
        else:
            found.append((*path, name))
    return found


@pytest.mark.parametrize("path", _leaves(main), ids=" ".join)
def test_every_verb_speaks_json_and_explains_every_option(path: tuple[str, ...], run) -> None:
    command: click.Command | None = main
    for name in path:
        assert isinstance(command, click.Group)
        command = command.get_command(click.Context(command), name)
    assert command is not None
    options = [p for p in command.params if isinstance(p, click.Option)]
    assert "--json" in [o for option in options for o in option.opts]
    assert [o.opts for o in options if not o.help] == []
    assert command.help
    result = run(*path, "--help")
    assert result.code == 0
    assert "\\" not in result.stdout


def test_version(run) -> None:
    from rxmeasure import __version__

    assert __version__ in run("--version").stdout


def test_nothing_asked_shows_the_help(run) -> None:
    result = run()
    assert result.code == 2
    assert "Verbs:" in result.stderr
    assert result.stdout == ""
