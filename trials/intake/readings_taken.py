"""The readings of a file: drafted, reviewed, compared with what is in, and told of in sentences."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from schemas.readings import empty_check_readings, empty_readings
from trials.intake.check_samples import are_checks, review_checks, seen_checks
from trials.intake.columns import text_array
from trials.intake.drafts import drafts_of, stacked
from trials.intake.recognise import recognise
from trials.intake.remarks import on_checks, on_readings, on_units
from trials.intake.review import review
from trials.intake.unlikely import hold_unlikely, outside_usual

if TYPE_CHECKING:
    import datetime as dt
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from trials.intake.headers import Layout
    from trials.intake.recognise import Place
    from trials.intake.tables import RawTable
    from trials.intake.values import Understanding


@dataclass(frozen=True)
class ReadingsTaken:
    """What became of the readings of a file.

    Parameters
    ----------
    readings, checks : DataFrame
        The new ones, of tanks and of check samples, with the columns of an intake batch.
    gives, gives_nothing : array of bool
        By line, whether it gives a new reading, and whether it has one that is in already or is held; in a wide table
        a line may do both.
    remarks : tuple of str
        What was understood.
    """

    readings: pd.DataFrame
    checks: pd.DataFrame
    gives: NDArray[np.bool_]
    gives_nothing: NDArray[np.bool_]
    remarks: tuple[str, ...]


def take_in_readings(
    tables: Sequence[tuple[RawTable, Layout]],
    by: Understanding,
    place: Place,
    seen: pd.DataFrame,
    checks_seen: pd.DataFrame,
    today: dt.date,
) -> ReadingsTaken:
    """Read the readings of tanks and of check samples, which go their ways once they are read.

    Parameters
    ----------
    tables : sequence of RawTable and Layout
        The tables of readings of the file, which come first in its lines.
    by : Understanding
        Trial, names and decimal sign; reasons are added to its holds.
    place : Place
        Sheet and row of every line.
    seen, checks_seen : DataFrame
        Readings of tanks and of check samples that the trial has taken in already.
    today : date
        The last day that a reading may be taken on.
    """
    gives, gives_nothing = np.zeros(len(place), dtype=bool), np.zeros(len(place), dtype=bool)
    if not tables:
        return ReadingsTaken(empty_readings(), empty_check_readings(), gives, gives_nothing, ())
    drafts = _drafts(tables, by)
    of_checks = are_checks(drafts, by.protocol)
    checks = drafts[of_checks].reset_index(drop=True)
    if of_checks.any():
        drafts = drafts[~of_checks].reset_index(drop=True)
    fit = review(drafts, by, today)
    known, group = recognise(drafts, fit, seen, place, by)
    hold_unlikely(drafts, fit & ~known & ~_as_they_are(drafts, place, by), seen, by)
    known_checks, group_checks = np.zeros(0, dtype=bool), np.zeros(0, dtype=np.int64)
    if len(checks):
        checks, fit = review_checks(checks, by, today)
        known_checks, group_checks = recognise(checks, fit, seen_checks(checks_seen), place, by)
    held = by.holds.lines(len(place))
    accepted = _new(drafts, known, group, held, gives, gives_nothing)
    accepted_checks = _new(checks, known_checks, group_checks, held, gives, gives_nothing)
    remarks = (
        *on_units(accepted, by),
        *on_readings(accepted, outside_usual(accepted, by.names), place),
        *on_checks(len(accepted_checks)),
    )
    return ReadingsTaken(
        _as_readings(accepted, place, empty_readings()),
        _as_readings(accepted_checks, place, empty_check_readings()),
        gives,
        gives_nothing,
        remarks,
    )


def _as_they_are(drafts: pd.DataFrame, place: Place, by: Understanding) -> NDArray[np.bool_]:
    """Drafts of rows whose values a person accepts although they are not usual."""
    if not by.as_they_are:
        return np.zeros(len(drafts), dtype=bool)
    accepted = [place.key(line) in by.as_they_are for line in drafts["line"].tolist()]
    return np.array(accepted, dtype=bool)


def _new(
    drafts: pd.DataFrame,
    known: NDArray[np.bool_],
    group: NDArray[np.int64],
    held: NDArray[np.bool_],
    gives: NDArray[np.bool_],
    gives_nothing: NDArray[np.bool_],
) -> pd.DataFrame:
    """The drafts that are new, the first of each; what each line gives is noted."""
    lines = drafts["line"].to_numpy()
    new = ~held[lines] & ~known
    new[new] = _first_of_each(group[new])
    gives[lines[new]] = True
    gives_nothing[lines[~new]] = True
    return drafts if new.all() else drafts[new]


def _drafts(readable: Sequence[tuple[RawTable, Layout]], by: Understanding) -> pd.DataFrame:
    firsts = np.cumsum([0, *(len(table) for table, _ in readable[:-1])]).tolist()
    return stacked(
        [drafts_of(table, layout, first, by) for (table, layout), first in zip(readable, firsts, strict=True)]
    )


def _first_of_each(group: NDArray[np.int64]) -> NDArray[np.bool_]:
    """The first of the drafts that are one reading: the others repeat it."""
    return ~pd.Series(group).duplicated().to_numpy()


def _as_readings(accepted: pd.DataFrame, place: Place, empty: pd.DataFrame) -> pd.DataFrame:
    """The readings of a batch, with text as text, in the columns of an empty one."""
    if accepted.empty:
        return empty
    lines = accepted["line"].to_numpy()
    columns: dict[str, Any] = {
        "sheet": text_array(place.sheets, place.sheet_of[lines]),
        "row": place.numbers[lines],
    }
    for name in empty.columns[2:]:
        column = accepted[name]
        is_text = isinstance(column.dtype, pd.CategoricalDtype)
        columns[name] = column.cat.categories.array.take(column.cat.codes) if is_text else column.to_numpy()
    return pd.DataFrame(columns, copy=False)
