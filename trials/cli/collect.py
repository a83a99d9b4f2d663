"""During the trial: take readings in."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from schemas.errors import IntakeError, UsageError
from trials.cli.options import (
    DEFAULT_REGISTER,
    NEEDS_A_PERSON,
    DryRunOption,
    JsonOption,
    RegisterOption,
    now,
    today,
)

if TYPE_CHECKING:
    from trials.register.records import IntakeBatch
    from trials.register.store import Register


def intake(
    what: Annotated[
        list[str],
        typer.Argument(
            metavar="[TRIAL] FILE...",
            help="The trial's id (may be left out when the register holds one), then CSV or XLSX files.",
        ),
    ],
    *,
    location: RegisterOption = DEFAULT_REGISTER,
    dry_run: DryRunOption = False,
    as_json: JsonOption = False,
) -> None:
    """Validate and store readings: every row ends as accepted, held or repeated."""
    from trials.cli import display
    from trials.intake.several import read_files
    from trials.register.store import Register

    with Register.open(location) as record:
        trial, files = _trial_and_files(record, what)
        sealed = record.find(trial)
        # All are read before any is stored: if one cannot be read, none is.
        shown = display.progress(files, "Reading", quiet=as_json)
        batches = list(read_files(shown, sealed.protocol, record.seen(sealed.id), today()))
        if not dry_run:
            record.record_intake(sealed.id, batches, now())
    held = sum(batch.count("held") for batch in batches)
    if as_json:
        display.json_document(_document(batches) | {"trial": sealed.id, "dry_run": dry_run})
    else:
        display.intake(batches, dry_run=dry_run)
    if held:
        raise typer.Exit(NEEDS_A_PERSON)


def _trial_and_files(record: Register, what: list[str]) -> tuple[str | None, list[Path]]:
    """The first word is the trial if the register knows it, or if it is no file while others follow."""
    known = {sealed.id for sealed in record.trials()}
    first, *others = what
    named = first in known or (others and not Path(first).exists())
    files = others if named else what
    if not files:
        raise UsageError(f"{first} is a trial; name the files to take in after it.")
    for name in files:
        if not Path(name).exists():
            raise IntakeError(f"{name} is not there; check the name and the folder.")
    return (first if named else None), [Path(name) for name in files]


def _document(batches: list[IntakeBatch]) -> dict[str, Any]:
    from dataclasses import asdict

    counts = {name: sum(batch.count(name) for batch in batches) for name in ("accepted", "held", "repeated")}
    held_rows = [
        {"file": row.file, "sheet": row.sheet, "row": row.row, "reasons": [asdict(r) for r in row.reasons]}
        for batch in batches
        for row in batch.held()
    ]
    return {
        "rows": sum(len(batch.rows) for batch in batches),
        **counts,
        "readings": sum(len(batch.readings) for batch in batches),
        "held_rows": held_rows,
        "files": [
            {
                "file": batch.file.name,
                "digest": batch.file.digest,
                "rows": len(batch.rows),
                **{name: batch.count(name) for name in counts},
                "readings": len(batch.readings),
                "remarks": list(batch.remarks),
            }
            for batch in batches
        ],
    }
