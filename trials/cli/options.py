"""Options shared by the commands, the clock, and how a trial is named on the command line."""

from __future__ import annotations

import datetime as dt
from pathlib import Path
from typing import Annotated, Any

import typer

NEEDS_A_PERSON = 3
"""Exit status of a command that did its work but found something a person must look at."""


def _show_version(wanted: bool) -> None:
    if wanted:
        from trials import __version__
        from trials.cli.display import out

        out(f"fairtank {__version__}")
        raise typer.Exit


RegisterOption = Annotated[
    str,
    typer.Option(
        "--register",
        envvar="FAIRTANK_REGISTER",
        metavar="PATH",
        help="The register: one file that holds the whole record, or postgresql://USER@HOST/DATABASE.",
    ),
]
JsonOption = Annotated[bool, typer.Option("--json", help="Print one JSON document and nothing else.")]
DryRunOption = Annotated[bool, typer.Option("--dry-run", help="Check and show, but store nothing.")]
KeepOption = Annotated[
    Path | None,
    typer.Option(
        "--keep",
        metavar="FOLDER",
        help="Where the files of loggers are kept as they came; default beside the register, REGISTER.streams.",
    ),
]
TrialArgument = Annotated[
    str | None,
    typer.Argument(metavar="[TRIAL]", help="The trial's id; may be left out when the register holds one."),
]
VersionOption = Annotated[
    bool, typer.Option("--version", callback=_show_version, is_eager=True, help="Show the version and stop.")
]


def number(text: str | float) -> float:
    """A number typed on the command line, with a decimal point or comma."""
    from analysis.water.carbon import decimal

    return decimal(text.strip()) if isinstance(text, str) else float(text)


def percent(text: str | float) -> float:
    """A share typed in per cent, with or without the sign."""
    return number(text.strip().removesuffix("%").strip() if isinstance(text, str) else text) / 100


def number_option(name: str, text: str) -> Any:
    """An option that takes a number."""
    return typer.Option(name, parser=number, metavar="NUMBER", help=text)


DEFAULT_REGISTER = "fairtank.db"


def now() -> dt.datetime:
    """The clock of this machine, in UTC: the only place where the commands read it."""
    return dt.datetime.now(dt.UTC)


def today() -> dt.date:
    """Today's date where this machine stands; readings after it are in the future."""
    return dt.datetime.now().astimezone().date()
