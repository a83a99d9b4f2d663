"""The way in: a file becomes a batch in which every row is accepted, held or repeated."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import chain
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from schemas.errors import IntakeError
from schemas.variables import variables_for
from schemas.vocabulary import RowOutcome
from trials.intake.columns import text_array
from trials.intake.drafts import value_cells
from trials.intake.events_columns import event_layout_of, is_header_of_events
from trials.intake.events_drafts import EventReader
from trials.intake.events_taken import amount_cells, take_in_events
from trials.intake.forms import form_of, form_remarks, refuse_unfit_form
from trials.intake.headers import NEEDED, ColumnNames, layout_of
from trials.intake.holds import Holds
from trials.intake.names import VariableNames
from trials.intake.numerals import decimal_sign
from trials.intake.odd_rows import with_units_below, without_repeated_headers
from trials.intake.readers import load, read_tables
from trials.intake.readings_taken import take_in_readings
from trials.intake.recognise import Place
from trials.intake.remarks import on_partly_known, on_tables
from trials.intake.unmeasured import without_unmeasured
from trials.intake.values import Understanding
from trials.intake.workbook import is_workbook
from trials.register.records import Beside, IntakeBatch

if TYPE_CHECKING:
    import datetime as dt
    from collections.abc import Container, Sequence

    from numpy.typing import NDArray

    from schemas.protocol import Protocol
    from trials.intake.events_columns import EventLayout
    from trials.intake.headers import Layout
    from trials.intake.tables import RawTable
    from trials.register.records import SourceFile

_OUTCOMES = (RowOutcome.ACCEPTED.value, RowOutcome.HELD.value, RowOutcome.REPEATED.value)


@dataclass(frozen=True)
class _Tables:
    """The tables of a file that are taken in, each with what its columns are, and what was understood of them."""

    readings: list[tuple[RawTable, Layout]]
    events: list[tuple[RawTable, EventLayout]]
    remarks: list[str]

    @property
    def all(self) -> list[RawTable]:
        """In the order of the lines: readings first."""
        return [table for table, _ in (*self.readings, *self.events)]


def read_file(
    path: Path | str, protocol: Protocol, seen: pd.DataFrame, today: dt.date, beside: Beside | None = None
) -> IntakeBatch:
    """What becomes of a file of readings, of events, or of both; nothing is stored.

    Parameters
    ----------
    path : Path or str
        A CSV file or an XLSX workbook: readings long or wide, events one a row.
    protocol : Protocol
        The registered protocol of the trial.
    seen : DataFrame
        Accepted readings of the trial, to recognise what is in already; may be empty.
    today : date
        The day of intake; readings and events dated later are held.
    beside : Beside, optional
        Events and readings of check samples that are in already.

    Raises
    ------
    IntakeError
        The file cannot be read at all, is a recording sheet of another trial, or its columns are neither those of
        readings nor those of events.
    """
    return take_in(load(Path(path)), protocol, seen, today, beside)


def take_in(
    file: SourceFile,
    protocol: Protocol,
    seen: pd.DataFrame,
    today: dt.date,
    beside: Beside | None = None,
    *,
    as_they_are: Container[tuple[str, int]] = frozenset(),
) -> IntakeBatch:
    """As :func:`read_file`, for a file that is in memory.

    ``as_they_are`` are rows, by sheet and number, whose values a person accepts although they are not usual.
    """
    beside = beside or Beside()
    names = VariableNames(variables_for(protocol))
    tables, how = read_tables(file, ColumnNames(names))
    form = form_of(file) if is_workbook(file.content) else None
    if form:
        refuse_unfit_form(form, protocol, file.name)
        how = [*how, *form_remarks(form, protocol)]
    known = _tables(file, tables, names)
    by = Understanding(
        protocol, names, _decimal(known), Holds(), form.site if form else "", as_they_are=as_they_are
    )
    place = _place(known.all)
    taken = take_in_readings(known.readings, by, place, seen, beside.checks, today)
    first_event = sum(len(table) for table, _ in known.readings)
    reader = EventReader(protocol, by.decimal, today, by.holds)
    happened = take_in_events(known.events, first_event, place, reader, beside.events)
    gives = taken.gives.copy()
    gives[happened.given] = True
    held = by.holds.lines(len(place))
    remarks = (
        *how,
        *on_tables(known.all, by.decimal),
        *known.remarks,
        *taken.remarks,
        *happened.remarks,
        *on_partly_known(int((~held & taken.gives & taken.gives_nothing).sum())),
    )
    rows = _rows(known.all, place, by.holds, np.where(held, 1, np.where(gives, 0, 2)))
    return IntakeBatch(file, rows, taken.readings, remarks, happened.events, taken.checks)


def _tables(file: SourceFile, tables: Sequence[RawTable], names: VariableNames) -> _Tables:
    """The tables that hold readings or events, each with what its columns are, and remarks."""
    found = _Tables([], [], [])
    for table in tables:
        where = f'{file.name}, sheet "{table.sheet}",' if table.sheet else file.name
        rows, again = without_repeated_headers(table)
        if is_header_of_events(table.header):
            happened = event_layout_of(table, where)
            found.events.append((rows, happened))
            told = [*table.remarks, *again, *happened.remarks]
        else:
            layout = layout_of(table, names, where)
            if layout is None:
                found.remarks.append(f'Sheet "{table.sheet}" does not hold readings and was left alone.')
                continue
            rows, layout, units = with_units_below(rows, layout)
            rows, unmeasured = without_unmeasured(rows, layout)
            found.readings.append((rows, layout))
            told = [*table.remarks, *again, *units, *unmeasured, *layout.remarks]
        sheet = f'Sheet "{table.sheet}": ' if table.sheet else ""
        found.remarks.extend(sheet + remark for remark in told)
    if not found.all:
        raise IntakeError(
            f"{file.name} has no sheet of readings or events: one of the first rows of a sheet must name {NEEDED}"
        )
    return found


def _decimal(known: _Tables) -> str:
    cells = [cell for table, layout in known.readings for cell in value_cells(table, layout)]
    return decimal_sign([*cells, *amount_cells(known.events)], known.all[0].separator)


def _place(tables: Sequence[RawTable]) -> Place:
    return Place(
        sheets=tuple(table.sheet for table in tables),
        sheet_of=np.repeat(np.arange(len(tables)), [len(table) for table in tables]),
        numbers=np.concatenate([table.numbers for table in tables]),
    )


def _rows(tables: Sequence[RawTable], place: Place, holds: Holds, outcome: NDArray[np.int64]) -> pd.DataFrame:
    """One line a row of the file; ``outcome`` by its place among the names of outcomes."""
    reasons = holds.as_json(len(place))
    cells = list(chain.from_iterable(table.cells_as_json() for table in tables))
    return pd.DataFrame(
        {
            "sheet": text_array(place.sheets, place.sheet_of),
            "row": place.numbers,
            "outcome": text_array(_OUTCOMES, outcome),
            "cells": pd.Series(cells, dtype=str),
            "reasons": text_array(reasons.cells, reasons.codes),
        },
        copy=False,
    )
