"""The files of a pack taken in once more: whether the same rows are accepted, held and repeated, and give the same."""

from __future__ import annotations

import datetime as dt
from typing import TYPE_CHECKING

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
    try:
        before = {kept: _before(contents, taken, kept, line.number) for kept in ALL}
        beside = Beside(before[EVENTS], before[CHECKS])
        again = prepare(take_in(file, protocol, before[READINGS], today, beside))
    except IntakeError:
        return False
    brought = {kept.name: body.stored(kept.name) for kept in ALL}
    return again.digests["rows"] == body.rows_digest and all(
        again.digests[name] == stored.digest if stored else not again.kept[name][0]
        for name, stored in brought.items()
    )


def _before(contents: Contents, taken: Mapping[Kept, pd.DataFrame], kept: Kept, entry: int) -> pd.DataFrame:
    """What had been taken in before an entry, as the register hands it out."""
    frame = taken[kept]
    earlier = frame[frame["entry"] < entry]
    names = {line.number: line.content["file"]["name"] for line in contents.own if line.kind == Kind.INTAKE}
    named = as_from_register(earlier).assign(file=[names[number] for number in earlier["entry"]])
    return named.sort_values([*kept.order, kept.key], ignore_index=True)
