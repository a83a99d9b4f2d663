"""The way in: a file becomes a batch in which every row is accepted, held or repeated."""

from __future__ import annotations

from itertools import chain
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from schemas.errors import IntakeError
from schemas.readings import empty_readings
from schemas.variables import variables_for
from schemas.vocabulary import RowOutcome
from trials.intake.columns import text_array
from trials.intake.drafts import drafts_of, stacked, value_cells
from trials.intake.headers import NEEDED, ColumnNames, layout_of
from trials.intake.holds import Holds
from trials.intake.names import VariableNames
from trials.intake.numerals import decimal_sign
from trials.intake.odd_rows import without_repeated_headers
from trials.intake.readers import load, read_tables
from trials.intake.recognise import Place, recognise
from trials.intake.remarks import on_partly_known, on_readings, on_tables, on_units
from trials.intake.review import review
from trials.intake.unlikely import hold_unlikely, outside_usual
from trials.intake.unmeasured import without_unmeasured
from trials.intake.values import Understanding
from trials.register.records import IntakeBatch

if TYPE_CHECKING:
    import datetime as dt
    from collections.abc import Container, Sequence

    from numpy.typing import NDArray

    from schemas.protocol import Protocol
    from trials.intake.headers import Layout
    from trials.intake.tables import RawTable
    from trials.register.records import SourceFile

_OUTCOMES = (RowOutcome.ACCEPTED.value, RowOutcome.HELD.value, RowOutcome.REPEATED.value)


def read_file(path: Path | str, protocol: Protocol, seen: pd.DataFrame, today: dt.date) -> IntakeBatch:
    """What becomes of a file of readings; nothing is stored.

    Parameters
    ----------
    path : Path or str
        A CSV file or an XLSX workbook, long or wide.
    protocol : Protocol
        The registered protocol of the trial.
    seen : DataFrame
        Accepted readings of the trial, to recognise what is in already; may be empty.
    today : date
        The day of intake; readings dated later are held.

    Raises
    ------
    IntakeError
        The file cannot be read at all, or its columns are not those of readings.
    """
    return take_in(load(Path(path)), protocol, seen, today)


def take_in(
    file: SourceFile,
    protocol: Protocol,
    seen: pd.DataFrame,
    today: dt.date,
    *,
    as_they_are: Container[tuple[str, int]] = frozenset(),
) -> IntakeBatch:
    """As :func:`read_file`, for a file that is in memory.

    ``as_they_are`` are rows, by sheet and number, whose values a person accepts although they are not usual.
    """
    names = VariableNames(variables_for(protocol))
    tables, how = read_tables(file, ColumnNames(names))
    readable, columns = _readable(file, tables, names)
    by = Understanding(protocol, names, _decimal(readable), Holds())
    place = _place(readable)
    drafts = _drafts(readable, by)
    fit = review(drafts, by, today)
    known, group = recognise(drafts, fit, seen, place, by)
    asked = fit & ~known
    if as_they_are:
        accepted_as_is = [place.key(line) in as_they_are for line in range(len(place))]
        asked &= ~np.array(accepted_as_is, dtype=bool)[drafts["line"].to_numpy()]
    hold_unlikely(drafts, asked, seen, by)
    lines, held = drafts["line"].to_numpy(), by.holds.lines(len(place))
    new = ~held[lines] & ~known
    new[new] = _first_of_each(group[new])
    accepted = drafts if new.all() else drafts[new]
    gives, gives_nothing = np.zeros_like(held), np.zeros_like(held)
    gives[lines[new]] = True
    gives_nothing[lines[~new]] = True
    remarks = (
        *how,
        *on_tables([table for table, _ in readable], by.decimal),
        *columns,
        *on_units(accepted, by),
        *on_readings(accepted, outside_usual(accepted, names), place),
        *on_partly_known(int((~held & gives & gives_nothing).sum())),
    )
    rows = _rows(readable, place, by.holds, np.where(held, 1, np.where(gives, 0, 2)))
    return IntakeBatch(file, rows, _as_readings(accepted, place), remarks)


def _readable(
    file: SourceFile, tables: Sequence[RawTable], names: VariableNames
) -> tuple[list[tuple[RawTable, Layout]], list[str]]:
    """The tables that hold readings, each with what its columns are, and remarks."""
    readable, remarks = [], []
    for table in tables:
        layout = layout_of(table, names, f'{file.name}, sheet "{table.sheet}",' if table.sheet else file.name)
        if layout is None:
            remarks.append(f'Sheet "{table.sheet}" does not hold readings and was left alone.')
        else:
            sheet = f'Sheet "{table.sheet}": ' if table.sheet else ""
            rows, again = without_repeated_headers(table)
            rows, unmeasured = without_unmeasured(rows, layout)
            readable.append((rows, layout))
            told = (*table.remarks, *again, *unmeasured, *layout.remarks)
            remarks += [sheet + remark for remark in told]
    if not readable:
        raise IntakeError(
            f"{file.name} has no sheet of readings: one of the first rows of a sheet must name {NEEDED}"
        )
    return readable, remarks


def _decimal(readable: Sequence[tuple[RawTable, Layout]]) -> str:
    cells = [cell for table, layout in readable for cell in value_cells(table, layout)]
    return decimal_sign(cells, readable[0][0].separator)


def _place(readable: Sequence[tuple[RawTable, Layout]]) -> Place:
    return Place(
        sheets=tuple(table.sheet for table, _ in readable),
        sheet_of=np.repeat(np.arange(len(readable)), [len(table) for table, _ in readable]),
        numbers=np.concatenate([table.numbers for table, _ in readable]),
    )


def _drafts(readable: Sequence[tuple[RawTable, Layout]], by: Understanding) -> pd.DataFrame:
    firsts = np.cumsum([0, *(len(table) for table, _ in readable[:-1])]).tolist()
    return stacked(
        [drafts_of(table, layout, first, by) for (table, layout), first in zip(readable, firsts, strict=True)]
    )


def _first_of_each(group: NDArray[np.int64]) -> NDArray[np.bool_]:
    """The first of the drafts that are one reading: the others repeat it."""
    return ~pd.Series(group).duplicated().to_numpy()


def _rows(
    readable: Sequence[tuple[RawTable, Layout]], place: Place, holds: Holds, outcome: NDArray[np.int64]
) -> pd.DataFrame:
    """One line a row of the file; ``outcome`` by its place among the names of outcomes."""
    reasons = holds.as_json(len(place))
    cells = list(chain.from_iterable(table.cells_as_json() for table, _ in readable))
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


def _as_readings(accepted: pd.DataFrame, place: Place) -> pd.DataFrame:
    """The readings of a batch, with text as text."""
    lines = accepted["line"].to_numpy()
    columns: dict[str, Any] = {
        "sheet": text_array(place.sheets, place.sheet_of[lines]),
        "row": place.numbers[lines],
    }
    for name in empty_readings().columns[2:]:
        column = accepted[name]
        is_text = isinstance(column.dtype, pd.CategoricalDtype)
        columns[name] = column.cat.categories.array.take(column.cat.codes) if is_text else column.to_numpy()
    return pd.DataFrame(columns, copy=False)
