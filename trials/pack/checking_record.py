"""Whether readings, events, rows and files of a pack are those that its entries speak of."""

from __future__ import annotations

import hashlib
import json
import math
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from schemas.variables import variables_for
from schemas.vocabulary import RowOutcome
from trials import allocation
from trials.allocation.baseline import baseline_means
from trials.pack import layout
from trials.pack.bodies_shown import stand_in
from trials.pack.chain_lines import names_in
from trials.pack.persons import folded
from trials.pack.reading import allocation_of
from trials.pack.taking_in_again import intake_findings
from trials.register.amending import corrected, corrected_events
from trials.register.bodies import CorrectionBody, EventCorrectionBody
from trials.register.chain import Kind
from trials.register.digests import canonical_lines, data_digest, lines_digest, values
from trials.register.frames import ROW_COLUMNS
from trials.register.kept import ALL, CHECKS, EVENTS, READINGS
from trials.register.records import Finding

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping

    from trials.pack.chain_lines import ChainLine
    from trials.pack.contents import Contents
    from trials.pack.tables import Table
    from trials.register.kept import Kept

_TABLE_OF = {READINGS: layout.READINGS, EVENTS: layout.EVENTS, CHECKS: layout.CHECKS}
_SUPERSEDED_OF = {READINGS: layout.SUPERSEDED, EVENTS: layout.SUPERSEDED_EVENTS}


def record_findings(contents: Contents, say: Callable[[str], None]) -> Iterator[Finding]:
    """Find what does not hold between the entries and the tables of a pack."""
    unfit = list(_unfit(contents))
    yield from unfit
    if unfit:
        return
    yield from _allocation(contents)
    taken = {kept: taken_in(contents, kept) for kept in ALL}
    yield from _corrected(contents, taken)
    digest = data_digest(contents.frames["readings"])
    if contents.results.get("data_digest") != digest:
        yield Finding(
            "readings",
            layout.READINGS.path,
            f"The readings have the digest {digest}, and {layout.RESULTS} speaks of readings with another.",
        )
    by_entry = {layout.ROWS: _by_entry(contents.frames["rows"])}
    by_entry |= {_TABLE_OF[kept]: _by_entry(frame) for kept, frame in taken.items()}
    for line in contents.own:
        if line.kind == Kind.INTAKE:
            found = {table: frames.get(line.number, frames[0]) for table, frames in by_entry.items()}
            yield from _intake(line, found)
    yield from _held(contents)
    yield from _persons(contents)
    yield from _sources(contents)
    if contents.texts:
        say("Taking every file in again")
        yield from intake_findings(contents, taken)


def taken_in(contents: Contents, kept: Kept) -> pd.DataFrame:
    """All of one kind as taken in, by number: what is in force unless a correction was made, and what was before."""
    frame = contents.frames[_TABLE_OF[kept].name]
    if kept in _SUPERSEDED_OF:
        before = contents.frames[_SUPERSEDED_OF[kept].name]
        frame = pd.concat([frame[~frame[kept.key].isin(before[kept.key])], before], ignore_index=True)
    return frame.sort_values(kept.key, ignore_index=True)


def _unfit(contents: Contents) -> Iterator[Finding]:
    """What no register would hold: names that the protocol lacks, numbers that are none, numbers twice."""
    protocols = contents.models.values()
    tanks = {tank.id for protocol in protocols for tank in protocol.tanks}
    variables = {name for protocol in protocols for name in variables_for(protocol)}
    entries = {line.number for line in contents.own if line.kind == Kind.INTAKE}
    for table in (layout.READINGS, layout.SUPERSEDED, layout.EVENTS, layout.SUPERSEDED_EVENTS, layout.CHECKS):
        frame = contents.frames[table.name]
        allowed: dict[str, Any] = {
            "entry": entries,
            "tank": tanks,
            "variable": variables,
            "sign": {"", "<", ">"},
        }
        for column, known in allowed.items():
            if column in frame:
                yield from _odd(table, frame, column, ~frame[column].isin(known))
        number = "value" if "value" in frame else "amount"
        gap = frame[number].isna() & (number == "value")
        yield from _odd(table, frame, number, gap | np.isinf(frame[number]))
        moment = "taken_at" if "taken_at" in frame else "at"
        yield from _odd(table, frame, moment, frame[moment].isna())
        yield from _odd(table, frame, table.key[0], frame.duplicated(list(table.key)))
        if "replicate" in frame:
            yield from _odd(table, frame, "replicate", frame["replicate"] < 1)


def _odd(table: Table, frame: pd.DataFrame, column: str, odd: pd.Series[bool]) -> Iterator[Finding]:
    for place in np.flatnonzero(odd.to_numpy())[:3]:
        yield Finding(
            "form",
            table.path,
            f'{table.path}, row {place + 2}: "{str(frame[column].iloc[place])[:60]}" cannot be the {column} here.',
        )


def _allocation(contents: Contents) -> Iterator[Finding]:
    """The draw again, from the sealed protocol and the seed; under a balance rule from the baselines of the readings."""
    shared = allocation_of(contents)
    for finding in allocation.check(shared, contents.sealed, contents.sealed_digest):
        yield Finding("allocation", layout.ALLOCATION.path, f"{layout.ALLOCATION.path}: {finding.text}")
    if shared.balance_values:
        yield from _baselines(contents, dict(shared.balance_values))


def _baselines(contents: Contents, said: Mapping[str, float]) -> Iterator[Finding]:
    drawn = next(line.number for line in contents.own if line.kind == Kind.ALLOCATION)
    before = taken_in(contents, READINGS)
    made = _corrections(contents, drawn)
    means = baseline_means(
        contents.sealed, corrected(before[before["entry"] < drawn].reset_index(drop=True), made)
    )
    for tank, value in said.items():
        if not math.isclose(means.get(tank, math.nan), value, rel_tol=1e-9):
            yield Finding(
                "allocation",
                layout.ALLOCATION.path,
                f"Tank {tank} was drawn with a baseline of {value:g}, which the readings taken in before do not give.",
            )


def _corrections(contents: Contents, before: float = math.inf) -> dict[int, CorrectionBody]:
    lines = [line for line in contents.own if line.kind == Kind.CORRECTION and line.number < before]
    return {body.reading: body for body in (stand_in(line, CorrectionBody) for line in lines)}


def _corrected(contents: Contents, taken: Mapping[Kept, pd.DataFrame]) -> Iterator[Finding]:
    """Whether corrections make what is in force of what was taken in."""
    events = {
        body.event: body
        for line in contents.own
        if line.kind == Kind.EVENT_CORRECTION
        for body in [stand_in(line, EventCorrectionBody)]
    }
    made = _corrections(contents)
    must = {READINGS: corrected(taken[READINGS], made), EVENTS: corrected_events(taken[EVENTS], events)}
    for kept, numbers in ((READINGS, set(made)), (EVENTS, set(events))):
        table = _TABLE_OF[kept]
        now = contents.frames[table.name].sort_values(kept.key, ignore_index=True)
        right = must[kept].sort_values(kept.key, ignore_index=True).astype(now.dtypes.to_dict())
        if numbers != set(contents.frames[_SUPERSEDED_OF[kept].name][kept.key]) or not now.equals(right):
            yield Finding(
                kept.name,
                table.path,
                f"{table.path} is not what the corrections make of the {kept.title} that were taken in.",
            )


def _by_entry(frame: pd.DataFrame) -> dict[int, pd.DataFrame]:
    """The rows of each entry; under 0, which is no entry, none."""
    grouped: dict[Any, pd.DataFrame] = dict(tuple(frame.groupby("entry")))
    return {0: frame.iloc[:0]} | grouped


def _intake(line: ChainLine, found: Mapping[Table, pd.DataFrame]) -> Iterator[Finding]:
    """Whether rows, readings and events of a file are as many, and have the digests, as its entry says."""
    body = line.content
    rows = found[layout.ROWS].sort_values(["sheet", "row"], kind="stable")
    counts = [
        int((rows["outcome"] == outcome).sum())
        for outcome in (RowOutcome.ACCEPTED, RowOutcome.HELD, RowOutcome.REPEATED)
    ]
    if [len(rows), *counts] != [body.get(name) for name in ("rows", "accepted", "held", "repeated")]:
        yield _unlike(layout.ROWS, line, "are not as many as its entry says")
    elif "rows_digest" in body and _digest(rows, ROW_COLUMNS) != body["rows_digest"]:
        yield _unlike(layout.ROWS, line, "are not those that were taken in")
    for kept in ALL:
        frame = found[_TABLE_OF[kept]]
        said = body.get(kept.name)
        if kept is READINGS:
            said = {"count": said, "first": body.get("first_reading"), "digest": body.get("readings_digest")}
        said = said or {"count": 0}
        first = said.get("first") or 0
        numbers = list(range(first, first + (said.get("count") or 0)))
        if frame[kept.key].tolist() != numbers:
            yield _unlike(_TABLE_OF[kept], line, "do not have the numbers that its entry says")
        elif numbers and said.get("digest") and _digest(frame, kept.columns) != said["digest"]:
            yield _unlike(_TABLE_OF[kept], line, "are not those that were taken in")


def _digest(frame: pd.DataFrame, names: tuple[str, ...]) -> str:
    if frame.empty:
        return lines_digest([])
    columns = [values(frame[name]) for name in names]
    # An event without an amount is hashed as having none.
    columns = [[None if value != value else value for value in column] for column in columns]  # noqa: PLR0124
    return lines_digest(canonical_lines(columns))


def _unlike(table: Table, line: ChainLine, how: str) -> Finding:
    return Finding("rows", table.path, f"{table.path}: the rows of entry {line.number} {how}.")


def _held(contents: Contents) -> Iterator[Finding]:
    """Whether each held row that waits is a row that was held, for these reasons."""
    rows = contents.frames["rows"]
    held = rows[rows["outcome"] == RowOutcome.HELD.value]
    reasons = {
        (entry, sheet, row): _codes(text)
        for entry, sheet, row, text in held[["entry", "sheet", "row", "reasons"]].itertuples(index=False)
    }
    waiting: dict[tuple[int, str, int], list[str]] = {}
    for entry, sheet, row, code in contents.frames["held"][["entry", "sheet", "row", "code"]].itertuples(
        index=False
    ):
        waiting.setdefault((entry, sheet, row), []).append(code)
    for entry, _, row in (place for place, codes in reasons.items() if codes is None):
        yield Finding(
            "rows",
            layout.ROWS.path,
            f"{layout.ROWS.path}: the reasons of row {row} of entry {entry} cannot be read.",
        )
    for place, codes in waiting.items():
        if reasons.get(place) != codes:
            yield Finding(
                "rows",
                layout.HELD.path,
                f"{layout.HELD.path}: row {place[2]} of entry {place[0]} was not held for these reasons.",
            )


def _codes(reasons: str) -> list[str] | None:
    """The codes of the reasons of a row; None where they are not in their form."""
    try:
        return [str(reason["code"]) for reason in json.loads(reasons)]
    except (KeyError, TypeError, ValueError):
        return None


def _persons(contents: Contents) -> Iterator[Finding]:
    """Whether the table of persons lists those who stand in the pack, codes in their order."""
    people = contents.frames["persons"]
    tables = ("readings", "superseded", "events", "superseded_events", "check_readings")
    there = {name for table in tables for name in contents.frames[table]["by"]}
    there |= {name for line in contents.own for name in names_in(line.content)}
    listed = [
        name if named else f"P{number}"
        for number, (name, named) in enumerate(people[["person", "named"]].itertuples(index=False), 1)
    ]
    if people["person"].tolist() != listed or {folded(name) for name in there if name} != set(
        map(folded, listed)
    ):
        yield Finding(
            "persons",
            layout.PERSONS.path,
            f"{layout.PERSONS.path} does not list those who stand in the pack, in order.",
        )


def _sources(contents: Contents) -> Iterator[Finding]:
    """Whether files as sent have the digests that their entries say, and the protocol's own are there."""
    for line in contents.own:
        for path, file in _files_of(contents, line):
            held = contents.sources.get(path)
            if held is None:
                yield Finding("file", path, f"{path} is missing.")
            elif hashlib.sha256(held).hexdigest() != file["digest"]:
                yield Finding(
                    "file", path, f"{path} is not the file of entry {line.number}: its SHA-256 is another."
                )


def _files_of(contents: Contents, line: ChainLine) -> Iterator[tuple[str, dict[str, Any]]]:
    body = line.content
    if line.kind in {Kind.SEAL, Kind.AMENDMENT}:
        stem = "protocol/sealed" if line.kind == Kind.SEAL else f"protocol/amended-{line.number}"
        yield f"{stem}.toml", body["source"]
        if body.get("tanks"):
            yield f"{stem}-tanks.csv", body["tanks"]
    elif contents.texts and body.get("file"):
        yield layout.file_path(line.number, body["file"]["name"]), body["file"]
