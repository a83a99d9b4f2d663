"""A safe copy of the register."""

from __future__ import annotations

from pathlib import Path  # noqa: TC003 - typer reads the annotation at run time
from typing import Annotated

import typer

from trials.cli.options import DEFAULT_REGISTER, NEEDS_A_PERSON, JsonOption, RegisterOption


def backup(
    target: Annotated[Path, typer.Argument(metavar="FILE", help="The copy, a file that is not there yet.")],
    *,
    location: RegisterOption = DEFAULT_REGISTER,
    as_json: JsonOption = False,
) -> None:
    """Copy the whole register into a new file, also while others write to it, and check the copy.

    The copy is a register itself: name it with --register, or put it in the place of one that was lost.
    """
    from trials.cli import display
    from trials.register.backup import back_up
    from trials.register.store import Register

    with Register.open(location) as record:
        copy = back_up(record, target)
    if as_json:
        display.json_document(
            display.findings_document(copy.findings)
            | {"copy": str(target), "entries": copy.entries, "head": copy.head}
        )
    else:
        count = "1 entry" if copy.entries == 1 else f"{copy.entries} entries"
        display.findings(
            copy.findings, f"{target} is a whole copy with {count}. Head of its chain: {copy.head}"
        )
    if copy.findings:
        raise typer.Exit(NEEDS_A_PERSON)
