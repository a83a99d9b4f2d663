"""Looking back: all that the register knows of a reading, an event or a tank."""

from __future__ import annotations

from typing import Annotated

import typer

from schemas.errors import UsageError
from trials.cli.options import DEFAULT_REGISTER, JsonOption, RegisterOption, TrialArgument


def history(
    trial: TrialArgument = None,
    *,
    reading: Annotated[int | None, typer.Option("--reading", help="A reading's number.")] = None,
    event: Annotated[int | None, typer.Option("--event", help="An event's number.")] = None,
    tank: Annotated[
        str | None,
        typer.Option("--tank", help="A tank: its arm, its readings and events with their numbers."),
    ] = None,
    location: RegisterOption = DEFAULT_REGISTER,
    as_json: JsonOption = False,
) -> None:
    """Show all that the register knows of one reading, event or tank, as it came."""
    from dataclasses import asdict

    from trials.cli import display
    from trials.register.store import Register

    if sum(named is not None for named in (reading, event, tank)) != 1:
        raise UsageError(
            "name a reading (--reading NUMBER), an event (--event NUMBER) or a tank (--tank ID)."
        )
    with Register.open(location) as record:
        sealed = record.find(trial)
        lines = record.history(sealed.id, reading=reading, event=event, tank=tank)
    if as_json:
        display.json_document({"trial": sealed.id, "history": [asdict(line) for line in lines]})
        return
    if not lines:
        display.out(f"The register knows nothing of {tank} yet but that it is in the protocol.")
    for line in lines:
        number = f"reading {line.reading}: " if line.reading is not None else ""
        number += f"event {line.event}: " if line.event is not None else ""
        display.out(f"{line.at[:16].replace('T', ' ')}  {line.kind}, entry {line.entry}: {number}{line.text}")
        if line.why:
            display.out(f"    by {line.by}: {line.why}")
        elif line.by:
            display.out(f"    read by {line.by}")
