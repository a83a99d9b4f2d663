"""What an accepted reading must look like: reason codes of held rows, and the schema built from the trial."""

from __future__ import annotations

import datetime as dt
from enum import StrEnum
from typing import TYPE_CHECKING, Any, Self

import numpy as np
import pandas as pd
import pandera.pandas as pa

from schemas.variables import variables_for
from schemas.vocabulary import Sign

if TYPE_CHECKING:
    from collections.abc import Mapping

    from schemas.protocol import Protocol
    from schemas.variables import Variable


class HoldReason(StrEnum):
    """Why a row is held: the code that programs may rely on, with its meaning.

    The order is the one in which the reasons of a row are told.
    """

    meaning: str

    def __new__(cls, code: str, meaning: str) -> Self:
        """A member is its code; the meaning rides along."""
        member = str.__new__(cls, code)
        member._value_ = code
        member.meaning = meaning
        return member

    TOO_FEW_CELLS = "too-few-cells", "the row has fewer cells than the header"
    TOO_MANY_CELLS = "too-many-cells", "the row has more cells than the header"
    OPEN_QUOTE = "open-quote", "a quotation mark swallowed the rows that follow"
    UNPRINTABLE = "unprintable-character", "a cell holds a character that cannot be shown"
    ABOVE_HEADER = "above-the-header", "the row stands above the header"
    SECOND_HEADER = "below-a-second-header", "the row stands under the header of another table"
    WORKED_OUT = "worked-out-row", "a total or mean of other rows stands where a reading belongs"
    UNCLEAR_COLUMN = "unclear-column", "the header of a column may mean one thing or another"
    SPREADSHEET_ERROR = "spreadsheet-error", "a spreadsheet's error stands where a value belongs"
    FORMULA = "formula-without-result", "the cell holds a formula that was never worked out"
    NO_TANK = "no-tank", "the tank is missing"
    UNKNOWN_TANK = "unknown-tank", "the tank is not one of the trial"
    NO_SITE = "no-site", "the site that measured a check sample is missing"
    UNKNOWN_SITE = "unknown-site", "the site is not one of the trial"
    NO_DATE = "no-date", "the date is missing"
    NOT_A_DATE = "not-a-date", "the cell does not hold a date that can be read"
    AMBIGUOUS_DATE = "ambiguous-date", "day and month can be swapped"
    SHORT_YEAR = "two-digit-year", "the year has two digits"
    DAY_NUMBER = "day-number", "a plain number stands where a date belongs"
    IMPOSSIBLE_DATE = "impossible-date", "the calendar or the clock has no such moment"
    NOT_A_TIME = "not-a-time", "the cell does not hold a time of day that can be read"
    TWO_TIMES = "two-times", "two times are given for one reading"
    BEFORE_START = "before-the-start", "the reading is older than the trial"
    IN_THE_FUTURE = "in-the-future", "the reading is dated after the day of intake"
    DAY_NOT_OVER = "day-not-over", "the day was not over when the logger's values were taken in"
    NO_VARIABLE = "no-variable", "the variable is missing"
    UNKNOWN_VARIABLE = "unknown-variable", "the variable is not one that the trial knows"
    OTHER_VARIABLE = "other-variable", "the check sample is for another variable"
    NO_KIND = "no-kind", "the kind of event is missing"
    UNKNOWN_KIND = "unknown-kind", "the kind of event is not one that is known"
    NO_VALUE = "no-value", "nothing was measured in the row"
    NO_AMOUNT = "no-amount", "the event means nothing without an amount"
    NOT_A_NUMBER = "not-a-number", "the value is not a number"
    NOT_WHOLE = "not-a-whole-number", "a part of an animal is counted"
    AMBIGUOUS_NUMBER = "ambiguous-number", "point or comma can divide thousands or decimals"
    THOUSANDS = "thousands-separator", "the value has a thousands separator"
    DATE_AS_VALUE = "date-as-value", "a date stands where a value belongs"
    ZERO = "zero", "a kit cannot show 0: the value is below its limit"
    LIMIT_UNKNOWN = "limit-unknown", "not detected, by a kit whose limit the protocol does not give"
    NO_UNIT = "no-unit", "the unit is missing"
    UNIT_REFUSED = "unit-not-accepted", "the variable or event is not taken in that unit"
    TWO_UNITS = "two-units", "two units are named for one value"
    OUT_OF_BOUNDS = "out-of-bounds", "the value is not possible"
    UNLIKELY = "unlikely", "the value is possible but outside what is usual"
    NOT_A_REPLICATE = "not-a-replicate", "the number of the test is not 1, 2, 3 ..."
    CONFLICT_IN_FILE = "conflict-in-file", "two rows give different values for one reading or event"
    CONFLICT_IN_REGISTER = (
        "conflict-with-register",
        "the register holds another value for this reading or event",
    )
    PERHAPS_THE_SAME = (
        "perhaps-the-same-test",
        "equal to another of that day, and without a time for each nobody knows whether it is the same",
    )


TEXTS = ("tank", "utc_offset", "variable", "sign", "kit", "by", "note", "raw_value", "raw_unit")
"""Columns of a reading that are text; all but tank and variable may be empty."""

IDENTITY = ("tank", "taken_at", "variable", "replicate")
"""What makes two rows one reading."""


def empty_readings() -> pd.DataFrame:
    """No readings, with every column typed as it would be with some."""
    texts = {name: pd.Series([], dtype=str) for name in TEXTS}
    columns = {
        "sheet": pd.Series([], dtype=str),
        "row": np.array([], dtype=np.int64),
        "tank": texts["tank"],
        "taken_at": np.array([], dtype="datetime64[us]"),
        "utc_offset": texts["utc_offset"],
        "variable": texts["variable"],
        "value": np.array([], dtype=np.float64),
        "sign": texts["sign"],
        "replicate": np.array([], dtype=np.int64),
    }
    return pd.DataFrame(
        columns | {name: texts[name] for name in ("kit", "by", "note", "raw_value", "raw_unit")}
    )


def empty_check_readings() -> pd.DataFrame:
    """No readings of check samples, typed as with some: as readings, with site and sample in place of the tank."""
    frame = empty_readings()
    frame.insert(list(frame.columns).index("tank"), "site", frame["tank"])
    return frame.rename(columns={"tank": "sample"})


def readings_schema(
    protocol: Protocol, latest: dt.date, *, draft: bool = False, of_checks: bool = False
) -> pa.DataFrameSchema:
    """The schema of a trial's readings: its tanks, variables, bounds and days.

    Each check is named by the :class:`HoldReason` of a row that fails it. Validate lazily, and count the
    distinct ``index`` of a failed check: a check across columns reports one line a column.

    Parameters
    ----------
    protocol : Protocol
        The registered protocol.
    latest : date
        The last day that a reading may be taken on, the day of intake.
    draft : bool
        For rows under review: what could not be read may be missing, and text may be categorical.
    of_checks : bool
        For readings of check samples, whose ids stand in the place of tanks, and which may be older than the trial.
    """
    variables = variables_for(protocol)
    things = (protocol.check_samples or ()) if of_checks else protocol.tanks
    earliest = pa.Check.ge(pd.Timestamp(protocol.schedule.start), error=HoldReason.BEFORE_START.value)
    text: Any = None if draft else str
    columns = {
        "tank": pa.Column(text, _one_of([thing.id for thing in things], HoldReason.UNKNOWN_TANK)),
        "taken_at": pa.Column(
            "datetime64[us]",
            [
                *([] if of_checks else [earliest]),
                pa.Check.lt(
                    pd.Timestamp(latest) + dt.timedelta(days=1), error=HoldReason.IN_THE_FUTURE.value
                ),
            ],
            nullable=draft,
        ),
        "variable": pa.Column(text, _one_of(list(variables), HoldReason.UNKNOWN_VARIABLE), nullable=draft),
        "value": pa.Column(float, nullable=draft),
        "sign": pa.Column(text, pa.Check.isin([sign.value for sign in Sign])),
        "replicate": pa.Column(np.int64, pa.Check.ge(1, error=HoldReason.NOT_A_REPLICATE.value)),
    }
    if not draft:
        columns |= {name: pa.Column(text) for name in TEXTS if name not in columns}
    return pa.DataFrameSchema(columns, checks=_within_bounds(variables))


def _one_of(allowed: list[str], reason: HoldReason) -> pa.Check:
    return pa.Check.isin(allowed, error=reason.value)


def _within_bounds(variables: Mapping[str, Variable]) -> pa.Check:
    """Hard bounds of each variable, over the frame; a value that is missing passes here."""
    lowest = {name: variable.hard[0] for name, variable in variables.items()}
    highest = {name: variable.hard[1] for name, variable in variables.items()}

    def within(frame: pd.DataFrame) -> pd.Series:
        low = frame["variable"].map(lowest).astype(float)
        high = frame["variable"].map(highest).astype(float)
        return ~((frame["value"] < low) | (frame["value"] > high))

    return pa.Check(within, error=HoldReason.OUT_OF_BOUNDS.value)
