"""The files of a pack taken in once more: whether the same rows are accepted, held and repeated, and give the same."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np

from schemas.errors import IntakeError
from trials.intake.batch import take_in
from trials.pack import layout
from trials.pack.reading import as_from_register, protocol_digest
from trials.register.bodies import IntakeBody
from trials.register.chain import Kind
from trials.register.kept import ALL, CHECKS, EVENTS, READINGS
from trials.register.recording import prepare
from trials.register.records import Beside, Finding, SourceFile

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    import pandas as pd

    from schemas.protocol import Protocol
    from trials.pack.chain_lines import ChainLine
    from trials.pack.contents import Contents
    from trials.register.kept import Kept

_DAY = dt.timedelta(days=1)


def intake_findings(contents: Contents, taken: Mapping[Kept, pd.DataFrame]) -> Iterator[Finding]:
    """Take every file in again, in order, each knowing what came before it.

    The day of intake, after which readings are in the future, was that of the register's clock; the entry has it in
    UTC, so that the days beside it are tried too.
    """
    protocol = contents.sealed
    for line in contents.own:
        if line.kind == Kind.AMENDMENT:
            protocol = contents.models[protocol_digest(line)]
        if line.kind != Kind.INTAKE or line.body is None:
            continue
        body = IntakeBody.model_validate_json(line.body)
        path = layout.file_path(line.number, body.file.name)
        if path not in contents.sources:
            continue  # said of the file
        file = SourceFile(body.file.name, contents.sources[path])
        day = line.moment.date()
        if not any(_same(contents, line, file, protocol, taken, day + shift * _DAY) for shift in (0, 1, -1)):
            yield Finding(
                "intake",
                path,
                f"{path}, taken in again, does not become what entry {line.number} says; it was taken in by fairtank "
                f"{contents.fairtank} or one before it.",
            )


def _same(
    contents: Contents,
    line: ChainLine,
    file: SourceFile,
    protocol: Protocol,
    taken: Mapping[Kept, pd.DataFrame],
    today: dt.date,
) -> bool:
    body = IntakeBody.model_validate_json(line.body or "")
    seen, events, checks = (
        _before(contents, taken, kept, line.number) for kept in (READINGS, EVENTS, CHECKS)
    )
    accepted = _rows_of(contents, line.number) if body.as_they_are else frozenset()
    try:
        batch = take_in(file, protocol, seen, today, Beside(events, checks), as_they_are=accepted)
    except IntakeError:
        return False
    if accepted:
        frames: dict[str, Any] = {
            name: _only(getattr(batch, name), accepted) for name in ("rows", *(kept.name for kept in ALL))
        }
        batch = replace(batch, **frames)
    again = prepare(batch)
    return again.digests["rows"] == body.rows_digest and all(
        again.digests[kept.name] == stored.digest
        if (stored := body.stored(kept.name))
        else not again.kept[kept.name][0]
        for kept in ALL
    )


def _rows_of(contents: Contents, entry: int) -> frozenset[tuple[str, int]]:
    """The rows of an entry, by sheet and number: those of a file that a person accepted as they are."""
    rows = contents.frames["rows"]
    ours = rows[rows["entry"] == entry]
    return frozenset(zip(ours["sheet"], ours["row"].tolist(), strict=True))


def _only(frame: pd.DataFrame, rows: frozenset[tuple[str, int]]) -> pd.DataFrame:
    ours = [place in rows for place in zip(frame["sheet"], frame["row"].tolist(), strict=True)]
    return frame[np.array(ours, dtype=bool)].reset_index(drop=True)


def _before(contents: Contents, taken: Mapping[Kept, pd.DataFrame], kept: Kept, entry: int) -> pd.DataFrame:
    """What had been taken in before an entry, as the register hands it out."""
    frame = taken[kept]
    earlier = frame[frame["entry"] < entry]
    names = {line.number: line.content["file"]["name"] for line in contents.own if line.kind == Kind.INTAKE}
    named = as_from_register(earlier).assign(file=[names[number] for number in earlier["entry"]])
    return named.sort_values([*kept.order, kept.key], ignore_index=True)
