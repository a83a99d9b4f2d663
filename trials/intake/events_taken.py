"""The events of a file: read, compared with what is in, and told of in sentences."""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any

import pandas as pd

from schemas.events import EVENTS, amount_in_words, empty_events
from trials.intake.columns import quoted
from trials.intake.events_recognise import recognise_events

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from trials.intake.events_columns import EventLayout
    from trials.intake.events_drafts import EventDraft, EventReader
    from trials.intake.recognise import Place
    from trials.intake.tables import RawTable

EventTables = list[tuple["RawTable", "EventLayout"]]


@dataclass(frozen=True)
class EventsTaken:
    """What became of the rows of events of a file.

    Parameters
    ----------
    events : DataFrame
        The new ones, with the columns of an :class:`~trials.register.records.IntakeBatch`'s events.
    given, repeated : list of int
        The lines that give a new event, and those whose event is in already; all others are held.
    remarks : tuple of str
        What was understood.
    """

    events: pd.DataFrame
    given: list[int]
    repeated: list[int]
    remarks: tuple[str, ...]


def amount_cells(tables: EventTables) -> list[Any]:
    """The distinct cells of the columns that hold amounts."""
    return [
        cell
        for table, layout in tables
        if "amount" in layout.roles
        for cell in table.columns[layout.roles["amount"]].cells
    ]


def take_in_events(
    tables: EventTables,
    first_line: int,
    place: Place,
    reader: EventReader,
    seen: pd.DataFrame,
) -> EventsTaken:
    """Read the events of a file.

    Parameters
    ----------
    tables : list of RawTable and EventLayout
        The tables of events of the file, which follow one another in its lines.
    first_line : int
        Position of the first row among all rows of the file.
    place : Place
        Sheet and row of every line.
    reader : EventReader
        Knows the trial and the decimal sign of the file; reasons are added to its holds.
    seen : DataFrame
        Events of the trial as they were taken in.
    """
    drafts: list[EventDraft] = []
    line = first_line
    for table, layout in tables:
        drafts += reader.drafts_of(table, layout, line)
        line += len(table)
    new, repeated = recognise_events(drafts, seen, place, reader.holds)
    return EventsTaken(
        _as_events(new, place),
        [draft.line for draft in new],
        repeated,
        tuple(_remarks(reader, {draft.line for draft in new}, place)),
    )


def _as_events(new: Sequence[EventDraft], place: Place) -> pd.DataFrame:
    empty = empty_events()
    rows = [
        asdict(draft)
        | {"sheet": place.sheets[place.sheet_of[draft.line]], "row": int(place.numbers[draft.line])}
        for draft in new
    ]
    return pd.DataFrame(rows, columns=list(empty.columns)).astype(dict(empty.dtypes))


def _remarks(reader: EventReader, taken: set[int], place: Place) -> Iterator[str]:
    for text, kind in reader.called.items():
        yield f"{quoted(text)} was taken as {kind}."
    for (text, kind), lines in reader.likened.items():
        yield f"{quoted(text)} was taken as {kind}, which it is spelt like: {place.of(lines)}."
    for (kind, raw_unit, unit, factor), count in reader.converted.items():
        by = "the tank's volume in the protocol" if math.isnan(factor) else f"{factor:.10g}"
        yield f"{_counted(count)} of {kind} in {raw_unit}: multiplied by {by} to give {unit}."
    if reader.unread:
        yield f"{_counted(reader.unread)} of a kind that has no amount came with one, which is kept as it was written."
    for (kind, unit), lines in reader.unusual.items():
        shown = [line for line in lines if line in taken]
        if shown:
            low, high = EVENTS[kind].soft[unit]
            yield (
                f"{_counted(len(shown))} of {kind} outside the usual {amount_in_words(low, '')} to "
                f"{amount_in_words(high, unit)} taken and worth a look: {place.of(shown)}."
            )


def _counted(count: int) -> str:
    return f"{count:,} event{'' if count == 1 else 's'}"
