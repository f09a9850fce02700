"""A command group whose verbs are imported when they are called, and its error handling."""

from __future__ import annotations

import importlib
import io
import json
import sys
from collections.abc import Mapping, Sequence
from pathlib import PurePath
from typing import Any

import click

from rxmeasure.cli import exit_codes
from rxmeasure.errors import RxMeasureError


class VerbGroup(click.Group):
    """Group of lazily imported verbs.

    Parameters
    ----------
    verbs : mapping of str to (str, str, str)
        Verb -> (module, name of the command in it, line for the list of verbs).
    """

    def __init__(self, *args: Any, verbs: Mapping[str, tuple[str, str, str]], **more: Any) -> None:
        super().__init__(*args, **more)
        self.verbs = dict(verbs)

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Verbs in the order of the work."""
        return list(self.verbs)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """Import a verb."""
        if cmd_name not in self.verbs:
            return None
        module, name, _ = self.verbs[cmd_name]
        command = getattr(importlib.import_module(module), name)
        assert isinstance(command, click.Command)
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """List the verbs without importing them."""
        with formatter.section("Verbs"):
            formatter.write_dl([(verb, line) for verb, (_, _, line) in self.verbs.items()])

    def format_epilog(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """List the exit statuses."""
        with formatter.section("Exit status"):
            formatter.write_dl([(str(c), text) for c, text in exit_codes.MEANINGS.items()])

    def main(  # type: ignore[override]
        self,
        args: Sequence[str] | None = None,
        prog_name: str | None = None,
        complete_var: str | None = None,
        standalone_mode: bool = True,
        **more: Any,
    ) -> int:
        """Run a verb; every refusal becomes a message on stderr and an exit status."""
        arguments = list(sys.argv[1:] if args is None else args)
        for stream in (sys.stdout, sys.stderr):
            if isinstance(stream, io.TextIOWrapper):
                # A terminal that lacks a sign must not stop the work; words carry the meaning.
                stream.reconfigure(errors="replace")
        as_json = "--json" in arguments
        code = exit_codes.OK
        try:
            code = (
                super().main(
                    arguments, prog_name or "rxmeasure", complete_var, standalone_mode=False, **more
                )
                or exit_codes.OK
            )
        except RxMeasureError as error:
            tell_refusal(error, as_json=as_json)
            code = error.exit_code
        except click.exceptions.NoArgsIsHelpError as error:
            click.echo(error.format_message(), err=True)
            code = exit_codes.USAGE
        except click.ClickException as error:
            _tell_usage(error, as_json=as_json)
            code = exit_codes.USAGE
        except click.Abort:
            click.echo("Stopped. Files that were already written are whole.", err=True)
            code = exit_codes.STOPPED
        if standalone_mode:
            sys.exit(code)
        return code


def refusal_record(error: RxMeasureError, file: PurePath | None = None) -> dict[str, Any]:
    """A refusal as a JSON object."""
    return {
        "file": None if file is None else str(file),
        "type": type(error).__name__,
        "exit_code": error.exit_code,
        "found": error.found,
        "needed": error.needed,
        "next_step": error.next_step,
        "overridable": error.overridable,
    }


def tell_refusal(error: RxMeasureError, *, as_json: bool, file: PurePath | None = None) -> None:
    """Write a refusal to stderr."""
    record = refusal_record(error, file)
    if as_json:
        click.echo(json.dumps({"error": record}), err=True)
        return
    from rxmeasure.report.numbers import clean

    click.echo(f"Refused{'' if file is None else f': {clean(str(file))}'}", err=True)
    for label, key in (("Found", "found"), ("Needed", "needed"), ("Next", "next_step")):
        click.echo(f"  {label + ':':<8}{clean(record[key])}", err=True)


def _tell_usage(error: click.ClickException, *, as_json: bool) -> None:
    if not as_json:
        error.show()
        return
    ctx = getattr(error, "ctx", None)
    command = ctx.command_path if ctx is not None else "rxmeasure"
    record = {
        "file": None,
        "type": "UsageError",
        "exit_code": exit_codes.USAGE,
        "found": error.format_message(),
        "needed": "a command as its help shows it.",
        "next_step": f"See {command} --help.",
        "overridable": False,
    }
    click.echo(json.dumps({"error": record}), err=True)
