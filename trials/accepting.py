"""Held rows accepted as they are: found among those that wait, and read again without the question."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from schemas.errors import UsageError
from schemas.plain_words import nearest, quoted
from schemas.vocabulary import RowOutcome
from trials.intake.batch import take_in
from trials.register.accepting import ACCEPTABLE
from trials.register.bodies import AsTheyAre, IntakeBody
from trials.register.held import reference
from trials.register.kept import ALL
from trials.register.records import SourceFile

if TYPE_CHECKING:
    import datetime as dt
    from collections.abc import Container, Sequence

    import pandas as pd

    from trials.register.records import Entry, HeldRow, IntakeBatch, SealedTrial
    from trials.register.store import Register

_MOST_NAMED = 3


@dataclass(frozen=True)
class Accepted:
    """Rows of one file that were accepted as they are: their entry, and what came of them."""

    entry: Entry
    batch: IntakeBatch


def label(row: HeldRow) -> str:
    """How a held row is named on the command line: ``FILE:ROW``, or ``FILE:SHEET:ROW`` in a workbook."""
    return ":".join(filter(None, (row.file, row.sheet, str(row.row))))


def acceptable(row: HeldRow) -> bool:
    """Whether a row waits only because its value is unlikely."""
    return {reason.code for reason in row.reasons} <= ACCEPTABLE


def chosen(waiting: Sequence[HeldRow], named: Sequence[str]) -> list[HeldRow]:
    """The waiting rows that are named, by label, by entry and row, or all unlikely ones of a file by its name.

    Raises
    ------
    UsageError
        A name is none of a row that waits, or the row waits for a reason that a person's word does not settle.
    """
    found: dict[str, HeldRow] = {}
    for name in named:
        rows = [row for row in waiting if name in (label(row), reference(row))]
        # The same row may wait of several files of one name: the last that was sent is meant.
        rows = rows[-1:] or [row for row in waiting if name == row.file and acceptable(row)]
        if not rows:
            raise UsageError(_not_waiting(waiting, name))
        for row in rows:
            if not acceptable(row):
                others = " ".join(reason.text for reason in row.reasons if reason.code not in ACCEPTABLE)
                raise UsageError(
                    f"{label(row)} cannot be accepted as it is, only mended, because more than an unlikely value is in "
                    f"the way: {others}"
                )
            found[reference(row)] = row
    return list(found.values())


def accept(
    record: Register,
    sealed: SealedTrial,
    rows: Sequence[HeldRow],
    *,
    by: str,
    why: str,
    at: dt.datetime,
    today: dt.date,
) -> list[Accepted]:
    """Record rows as accepted: one entry for each file that they came in.

    Parameters
    ----------
    record : Register
        The open register.
    sealed : SealedTrial
        The trial, with the protocol in force.
    rows : sequence of HeldRow
        Waiting rows, as :func:`chosen` gives them.
    by, why : str
        Who accepts them, and the reason.
    at, today : datetime, date
        Now, and the last day that a reading may be of.

    Raises
    ------
    UsageError
        Since it was held, something else has come into a row's way, such as another value in the register.
    RegisterError
        Data entry is closed, or somebody else took readings in meanwhile.
    """
    by_entry: dict[int, list[HeldRow]] = {}
    for row in rows:
        by_entry.setdefault(row.entry, []).append(row)
    files = {
        entry.number: IntakeBody.of(entry).file
        for entry in record.entries(sealed.id)
        if entry.number in by_entry
    }
    made = []
    for number, members in by_entry.items():
        file = SourceFile(files[number].name, record.file(files[number].digest))
        batch = _read_again(record, sealed, file, members, today)
        said = AsTheyAre(held_by=number, by=by, why=why)
        made.append(Accepted(record.record_acceptance(sealed.id, batch, said, at), batch))
    return made


def _read_again(
    record: Register, sealed: SealedTrial, file: SourceFile, members: Sequence[HeldRow], today: dt.date
) -> IntakeBatch:
    """The file as it was sent, read again; of it the rows that are accepted, and what they bring."""
    wanted = {(row.sheet, row.row) for row in members}
    seen, beside = record.seen(sealed.id), record.seen_beside(sealed.id)
    batch = take_in(file, sealed.protocol, seen, today, beside, as_they_are=wanted)
    frames: dict[str, Any] = {
        name: _of_rows(getattr(batch, name), wanted) for name in ("rows", *(kept.name for kept in ALL))
    }
    batch = replace(batch, **frames, remarks=())
    for row in batch.held():
        raise UsageError(
            f"{label(row)} cannot be accepted any more as it is: {' '.join(reason.text for reason in row.reasons)}"
        )
    if not batch.count(RowOutcome.ACCEPTED) + batch.count(RowOutcome.REPEATED):
        raise UsageError(f"{label(members[0])} is not a row of {file.name} any more; take the file in again.")
    return batch


def _of_rows(frame: pd.DataFrame, wanted: Container[tuple[str, int]]) -> pd.DataFrame:
    ours = [key in wanted for key in zip(frame["sheet"], frame["row"].tolist(), strict=True)]
    return frame[np.array(ours, dtype=bool)].reset_index(drop=True)


def _not_waiting(waiting: Sequence[HeldRow], name: str) -> str:
    if not waiting:
        return f"No row waits, so {quoted(name)} cannot be accepted."
    labels = [label(row) for row in waiting]
    if any(row.file == name for row in waiting):
        return f"No row of {name} waits for being unlikely alone; the others have to be mended."
    close = nearest(name, labels)
    shown = ", ".join(labels[:_MOST_NAMED]) + (" and others" if len(labels) > _MOST_NAMED else "")
    return f"No row {quoted(name)} waits; " + (f"did you mean {close}?" if close else f"there wait {shown}.")
