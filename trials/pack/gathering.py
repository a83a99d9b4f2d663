"""Out of the register: all that a pack of a trial holds, with persons as codes unless they agreed to be named."""

from __future__ import annotations

import json
from collections import Counter
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import pandas as pd

from analysis.document import document
from schemas.errors import PackError
from trials import __version__
from trials.environment import environment
from trials.pack import layout
from trials.pack.chain_lines import lines_of, names_in
from trials.pack.contents import Contents
from trials.pack.licences import refuse_unlicensed
from trials.pack.own_words import OwnWords
from trials.pack.persons import folded
from trials.pack.recomputing import recompute
from trials.register.amending import corrected, corrected_events, corrections, event_corrections
from trials.register.bodies import AllocationBody, AmendmentBody, IntakeBody, SealBody
from trials.register.chain import Kind
from trials.register.kept import CHECKS, EVENTS, READINGS

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping, Sequence
    from typing import Any

    from analysis.records import Analysis
    from trials.pack.persons import Persons
    from trials.pack.tables import Table
    from trials.register.kept import Kept
    from trials.register.records import Entry
    from trials.register.store import Register


@dataclass(frozen=True)
class _Taken:
    """What the trial holds of one kind: as taken in, in force, and as taken in where a correction was made."""

    taken_in: pd.DataFrame
    in_force: pd.DataFrame
    superseded: pd.DataFrame


def gather(record: Register, trial: str, persons: Persons, *, texts: bool) -> tuple[Contents, Analysis]:
    """Gather what a pack holds, with the registered analysis of it.

    Parameters
    ----------
    record : Register
        Holds the trial.
    trial : str
        Its id.
    persons : Persons
        Who agreed to be named; it meets here all who stand in the record.
    texts : bool
        Whether free texts, names of files and files as sent are to be in the pack.

    Raises
    ------
    PackError
        The protocol names no licence for data, the register is damaged, texts name people without consent, or
        somebody wrote to the register in the meantime.
    AnalysisError
        Nothing is allocated, or nothing is there to analyse.
    """
    sealed = record.find(trial)
    refuse_unlicensed(sealed.protocol)
    damage = record.check()
    if damage:
        raise PackError(f"The register does not hold, so nothing is published from it: {damage[0].text}")
    head = record.head()
    entries = record.entries()
    own = [entry for entry in entries if entry.trial == trial]
    tables = _tables(record, trial, own)
    _meet(persons, own, tables)
    if texts:
        persons.refuse_unasked()
    protocols, sources = _protocols(record, own)
    if texts:
        sources |= _files(record, own)
    rows = record.rows(trial)
    contents = Contents(
        protocols=protocols,
        sources=dict(sorted(sources.items())),
        lines=tuple(lines_of(entries, trial, whole=texts, code=persons.shown)),
        frames={},
        results={},
        texts=texts,
        lead_named=bool(persons.consent.get(folded(sealed.protocol.trial.lead or ""))),
        fairtank=__version__,
        environment=environment(),
    )
    sheets = _Sheets(rows, texts=texts)
    shown = [
        (layout.READINGS, tables[READINGS].in_force),
        (layout.SUPERSEDED, tables[READINGS].superseded),
        (layout.EVENTS, tables[EVENTS].in_force),
        (layout.SUPERSEDED_EVENTS, tables[EVENTS].superseded),
        (layout.CHECKS, tables[CHECKS].in_force),
    ]
    frames = {table.name: _shown(table, frame, persons, sheets, texts=texts) for table, frame in shown}
    frames[layout.ROWS.name] = _rows(rows, contents, sheets)
    frames[layout.HELD.name] = _held(record, trial, sheets, texts=texts)
    frames[layout.PERSONS.name] = _persons(persons)
    gathered = replace(contents, frames=frames)
    if record.head() != head:
        raise PackError("Somebody wrote to the register while the pack was being made; make it again.")
    analysis = recompute(gathered)
    return replace(gathered, results=document(analysis)), analysis


def _tables(record: Register, trial: str, own: Sequence[Entry]) -> dict[Kept, _Taken]:
    """Readings, events and readings of check samples, each row with the number of its entry."""
    readings, beside = record.seen(trial), record.seen_beside(trial)
    made, made_of_events = corrections(own), event_corrections(own)
    return {
        READINGS: _taken(_placed(readings, own, READINGS), corrected, made, READINGS),
        EVENTS: _taken(_placed(beside.events, own, EVENTS), corrected_events, made_of_events, EVENTS),
        CHECKS: _taken(_placed(beside.checks, own, CHECKS), corrected, {}, CHECKS),
    }


def _taken(
    taken_in: pd.DataFrame,
    correct: Callable[[pd.DataFrame, Mapping[int, Any]], pd.DataFrame],
    made: Mapping[int, Any],
    kept: Kept,
) -> _Taken:
    concerned = taken_in[kept.key].isin(list(made))
    return _Taken(taken_in, correct(taken_in, made), taken_in[concerned].reset_index(drop=True))


def _placed(frame: pd.DataFrame, own: Sequence[Entry], kept: Kept) -> pd.DataFrame:
    """The frame with the entry that each row came under, which its number tells."""
    firsts, entries = [0], [0]
    for entry in own:
        stored = IntakeBody.of(entry).stored(kept.name) if entry.kind == Kind.INTAKE else None
        if stored:
            firsts += [stored.first]
            entries += [entry.number]
    places = pd.Series(firsts).searchsorted(frame[kept.key], side="right") - 1
    return frame.assign(entry=pd.Series(entries).to_numpy()[places])


def _meet(persons: Persons, own: Sequence[Entry], tables: dict[Kept, _Taken]) -> None:
    """Meet persons in the order in which the register did."""
    by_entry = {
        kept: dict(tuple(taken.taken_in.sort_values(kept.key)[["entry", "by"]].groupby("entry")))
        for kept, taken in tables.items()
    }
    for entry in own:
        for found in by_entry.values():
            if entry.number in found:
                persons.meet(found[entry.number]["by"].unique())
        persons.meet(names_in(json.loads(entry.body)))


def _protocols(
    record: Register, own: Sequence[Entry]
) -> tuple[tuple[tuple[str, bytes], ...], dict[str, bytes]]:
    """Canonical protocols with their digests, in order; the files they came from, by path."""
    protocols, sources = [], {}
    for entry in own:
        if entry.kind == Kind.SEAL:
            body: SealBody | AmendmentBody = SealBody.of(entry)
            stem = "protocol/sealed"
        elif entry.kind == Kind.AMENDMENT:
            body = AmendmentBody.of(entry)
            stem = f"protocol/amended-{entry.number}"
        else:
            continue
        protocols.append((body.protocol, record.file(body.protocol)))
        sources[f"{stem}.toml"] = record.file(body.source.digest)
        if body.tanks:
            sources[f"{stem}-tanks.csv"] = record.file(body.tanks.digest)
    return tuple(protocols), sources


def _files(record: Register, own: Sequence[Entry]) -> dict[str, bytes]:
    found = {}
    for entry in own:
        if entry.kind == Kind.INTAKE:
            file = IntakeBody.of(entry).file
        elif entry.kind == Kind.ALLOCATION and (recorded := AllocationBody.of(entry).file):
            file = recorded
        else:
            continue
        found[layout.file_path(entry.number, file.name)] = record.file(file.digest)
    return found


class _Sheets:
    """Names of sheets, as numbers within their file where texts are left out: people name sheets after people."""

    def __init__(self, rows: pd.DataFrame, *, texts: bool) -> None:
        self._texts = texts
        self._numbers: dict[tuple[int, str], str] = {}
        counts: Counter[int] = Counter()
        for entry, sheet in rows[["entry", "sheet"]].drop_duplicates().itertuples(index=False):
            counts[entry] += 1
            self._numbers[entry, sheet] = str(counts[entry]) if sheet else ""

    def shown(self, entry: int, sheet: str) -> str:
        return sheet if self._texts else self._numbers[entry, sheet]

    def column(self, frame: pd.DataFrame) -> list[str]:
        return [
            self.shown(*place) for place in zip(frame["entry"].tolist(), frame["sheet"].tolist(), strict=True)
        ]


def _shown(
    table: Table, frame: pd.DataFrame, persons: Persons, sheets: _Sheets, *, texts: bool
) -> pd.DataFrame:
    by = {name: persons.shown(name) for name in frame["by"].unique()}
    shown = frame.assign(by=[by[name] for name in frame["by"]], sheet=sheets.column(frame))
    return (shown if texts else shown.assign(note=""))[table.names].reset_index(drop=True)


def _rows(rows: pd.DataFrame, contents: Contents, sheets: _Sheets) -> pd.DataFrame:
    shown = rows.assign(sheet=sheets.column(rows))
    if not contents.texts:
        words = OwnWords(contents.models.values())
        codes = {text: _codes(text) for text in rows["reasons"].unique()}
        shown = shown.assign(
            cells=[words.cells(cells) for cells in rows["cells"]],
            reasons=[codes[reasons] for reasons in rows["reasons"]],
        )
    return shown[layout.ROWS.names]


def _persons(persons: Persons) -> pd.DataFrame:
    frame = pd.DataFrame(persons.table(), columns=layout.PERSONS.names)
    return frame.astype({"person": "str", "named": bool})


def _codes(reasons: str) -> str:
    return json.dumps([{"code": reason["code"]} for reason in json.loads(reasons)])


def _held(record: Register, trial: str, sheets: _Sheets, *, texts: bool) -> pd.DataFrame:
    lines = list(_held_lines(record, trial, sheets, texts=texts))
    whole = dict.fromkeys(("entry", "row", "number"), "int64")
    return pd.DataFrame(lines, columns=layout.HELD.names).astype(
        dict.fromkeys(layout.HELD.names, "str") | whole
    )


def _held_lines(
    record: Register, trial: str, sheets: _Sheets, *, texts: bool
) -> Iterator[tuple[int | str, ...]]:
    for row in record.held(trial):
        sheet = sheets.shown(row.entry, row.sheet)
        for number, reason in enumerate(row.reasons, 1):
            yield row.entry, sheet, row.row, number, reason.code, reason.text if texts else ""
