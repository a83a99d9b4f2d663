"""Rows that wait for a person: listed, written out to be mended, or accepted as they are."""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path  # noqa: TC003 - typer reads the annotation at run time
from typing import TYPE_CHECKING, Annotated, Any

import typer

from schemas.errors import UsageError
from trials.cli.options import (
    DEFAULT_REGISTER,
    NEEDS_A_PERSON,
    JsonOption,
    RegisterOption,
    TrialArgument,
    now,
    today,
)

if TYPE_CHECKING:
    from collections.abc import Sequence

    from trials.accepting import Accepted
    from trials.register.records import HeldRow

_RATHER_PERSON = "--by says who accepts a row; to sort the rows, write --group {by} in place of --by {by}."


class Grouping(StrEnum):
    """What held rows are sorted by."""

    REASON = "reason"
    TANK = "tank"
    PERSON = "person"
    FILE = "file"


def held(
    trial: TrialArgument = None,
    *,
    group: Annotated[
        Grouping, typer.Option("--group", help="What the rows are sorted by.")
    ] = Grouping.REASON,
    write: Annotated[
        Path | None,
        typer.Option("--write", metavar="FILE", help="Write them to a new XLSX, to mend and take in again."),
    ] = None,
    accept: Annotated[
        list[str] | None,
        typer.Option(
            "--accept",
            metavar="FILE[:SHEET]:ROW",
            help="Take a row as it is, whose value is unlikely but right; with the file's name alone, all such rows of "
            "it. May be given again.",
        ),
    ] = None,
    why: Annotated[str, typer.Option("--why", help="With --accept: the reason. Always needed.")] = "",
    by: Annotated[str, typer.Option("--by", help="With --accept: who says so. Always needed.")] = "",
    location: RegisterOption = DEFAULT_REGISTER,
    as_json: JsonOption = False,
) -> None:
    """List the rows that wait for a person, by reason, tank, person or file; write them out, or accept unlikely ones."""
    from trials.accepting import accept as accepted_in
    from trials.accepting import chosen
    from trials.cli import display
    from trials.held_rows import grouped, write_held
    from trials.register.store import Register

    _refuse_mixture(accept or [], why.strip(), by.strip(), write)
    with Register.open(location) as record:
        sealed = record.find(trial)
        rows = record.held(sealed.id)
        made: list[Accepted] = []
        if accept:
            made = accepted_in(
                record, sealed, chosen(rows, accept), by=by.strip(), why=why.strip(), at=now(), today=today()
            )
            rows = record.held(sealed.id)
    if write is not None and rows:
        write_held(write, rows)
    groups = grouped(rows)
    if as_json:
        display.json_document(_document(sealed.id, rows, groups) | {"accepted": _accepted_document(made)})
    elif made:
        _show_accepted(made, len(rows))
    else:
        _show(rows, groups[group], write)
    if rows:
        raise typer.Exit(NEEDS_A_PERSON)


def _refuse_mixture(accept: list[str], why: str, by: str, write: Path | None) -> None:
    if write is not None and write.suffix.lower() != ".xlsx":
        raise UsageError(f"--write makes a workbook; give it a name that ends in .xlsx in place of {write}.")
    if not accept and (why or by):
        sorts = by in {known.value for known in Grouping}
        raise UsageError(_RATHER_PERSON.format(by=by) if sorts else "--why and --by belong to --accept.")
    if accept and write is not None:
        raise UsageError("--accept and --write are two things; do one at a time.")
    missing = [name for name, text in (("--why", why), ("--by", by)) if accept and not text]
    if missing:
        raise UsageError(f"--accept needs {' and '.join(missing)} too.")


def _document(trial: str, rows: Sequence[HeldRow], groups: dict[str, dict[str, list[int]]]) -> dict[str, Any]:
    from dataclasses import asdict

    from trials.accepting import acceptable, label
    from trials.held_rows import person_of, tank_of
    from trials.register.held import reference

    return {
        "trial": trial,
        "held": len(rows),
        **{
            f"by_{name}": {key: len(places) for key, places in found.items()}
            for name, found in groups.items()
        },
        "rows": [
            {
                "held_as": reference(row),
                "name": label(row),
                "acceptable": acceptable(row),
                "file": row.file,
                "sheet": row.sheet,
                "row": row.row,
                "tank": tank_of(row),
                "person": person_of(row),
                "taken_in_at": row.taken_in_at,
                "reasons": [asdict(reason) for reason in row.reasons],
                "cells": row.cells,
            }
            for row in rows
        ],
    }


def _accepted_document(made: Sequence[Accepted]) -> list[dict[str, Any]]:
    return [
        {
            "entry": accepted.entry.number,
            "file": accepted.batch.file.name,
            "rows": len(accepted.batch.rows),
            "readings": len(accepted.batch.readings),
        }
        for accepted in made
    ]


def _show_accepted(made: Sequence[Accepted], waiting: int) -> None:
    from schemas.plain_words import counted
    from trials.cli import display

    for accepted in made:
        rows, readings = len(accepted.batch.rows), len(accepted.batch.readings)
        display.out(
            f"{accepted.batch.file.name}: {counted(rows, 'row')} accepted as {'it is' if rows == 1 else 'they are'}, "
            f"{counted(readings, 'new reading')}, entry {accepted.entry.number}."
        )
    display.out(
        "No row waits any more." if not waiting else f"{counted(waiting, 'row')} still to be seen to."
    )


def _show(rows: Sequence[HeldRow], groups: dict[str, list[int]], written: Path | None) -> None:
    from trials.accepting import acceptable, label
    from trials.cli import display

    if not rows:
        display.out("No row waits." + (f" {written} was not written." if written else ""))
        return
    for name, places in groups.items():
        display.out(f"{name}: {len(places)}")
        for place in places[: display.MOST_HELD_SHOWN]:
            row = rows[place]
            where = f"{row.file}, row {row.row}" + (f" of sheet {row.sheet}" if row.sheet else "")
            display.out(f"  {where}: {' '.join(reason.text for reason in row.reasons)}")
        if len(places) > display.MOST_HELD_SHOWN:
            display.out(f"  and {len(places) - display.MOST_HELD_SHOWN} more; --json lists them all.")
    display.out(f"{len(rows)} rows wait.")
    unlikely = next((row for row in rows if acceptable(row)), None)
    if unlikely:
        display.out(
            "An unlikely value that is right: fairtank held --accept "
            f'"{label(unlikely)}" --why "the reason" --by "who says so".'
        )
    if written:
        display.out(
            f"Written to {written}: mend the cells, leave the first two columns alone, and take it in with "
            f"fairtank intake {written}."
        )
