"""Drafts against the trial: the schema says which fail, and here is why and what would be right."""

from __future__ import annotations

import difflib
from dataclasses import dataclass
from functools import cache, lru_cache
from typing import TYPE_CHECKING

import pandera.pandas as pa

from schemas.derived_variables import derived_named, never_read
from schemas.readings import HoldReason, readings_schema
from trials.intake.columns import quoted
from trials.intake.names import key, with_unit
from trials.intake.numerals import spreadsheet_finding
from trials.intake.unlikely import as_written, where_to_look

if TYPE_CHECKING:
    import datetime as dt
    from collections.abc import Callable, Sequence

    import numpy as np
    import pandas as pd
    from numpy.typing import NDArray

    from schemas.protocol import Protocol
    from trials.intake.holds import Finding
    from trials.intake.values import Understanding

_REASON_OF = {reason.value: reason for reason in HoldReason}


def review(
    drafts: pd.DataFrame, by: Understanding, today: dt.date, *, of_checks: bool = False
) -> NDArray[np.bool_]:
    """Holds what the schema of the trial refuses.

    Parameters
    ----------
    drafts : DataFrame
        As :func:`trials.intake.drafts.drafts_of` makes them, numbered from 0.
    by : Understanding
        Trial and names; reasons are added to its holds.
    today : date
        The last day that a reading may be taken on.
    of_checks : bool
        Whether the drafts are of check samples.

    Returns
    -------
    array of bool
        Drafts that are whole and pass.
    """
    fit = (drafts["value"].notna() & drafts["taken_at"].notna()).to_numpy(copy=True)
    try:
        readings_schema(by.protocol, today, draft=True, of_checks=of_checks).validate(drafts, lazy=True)
    except pa.errors.SchemaErrors as refused:
        # A check across columns reports one line a column, so each pair of check and index is taken once.
        failures = refused.failure_cases[["check", "index"]].drop_duplicates()
        told = _Sentences(by, today)
        for check, found in failures.groupby("check"):
            failed = drafts.iloc[found["index"].to_numpy(dtype=int)]
            fit[failed.index] = False
            columns, sentence = told.by_reason()[_REASON_OF[str(check)]]
            sentences = cache(sentence)
            for line, *values in zip(*(failed[name].tolist() for name in ("line", *columns)), strict=True):
                by.holds.add(line, *sentences(*values))
    return fit


@dataclass(frozen=True)
class _Sentences:
    """Reason and sentence for what the schema refuses; a name that is missing has a reason of its own."""

    by: Understanding
    today: dt.date

    def by_reason(self) -> dict[HoldReason, tuple[list[str], Callable[..., Finding]]]:
        """The columns that a sentence is made of, and what makes it."""
        return {
            HoldReason.UNKNOWN_TANK: (["tank"], self._tank),
            HoldReason.BEFORE_START: (["taken_at"], self._before),
            HoldReason.IN_THE_FUTURE: (["taken_at"], self._future),
            HoldReason.UNKNOWN_VARIABLE: (["variable"], self._variable),
            HoldReason.OUT_OF_BOUNDS: (
                ["where", "variable", "sign", "value", "raw_value", "raw_unit"],
                self._bounds,
            ),
            HoldReason.NOT_A_REPLICATE: (["raw_replicate"], self._replicate),
        }

    def _tank(self, text: str) -> Finding:
        return unknown_tank(text, self.by.protocol)

    def _before(self, at: pd.Timestamp) -> Finding:
        return before_the_start(at, self.by.protocol)

    def _future(self, at: pd.Timestamp) -> Finding:
        return in_the_future(at, self.today)

    def _variable(self, text: str) -> Finding:
        if not text:
            return (
                HoldReason.NO_VARIABLE,
                'The variable is missing: write what was measured, such as "nitrate".',
            )
        derived = derived_named(text)
        if derived:
            return HoldReason.UNKNOWN_VARIABLE, f"{never_read(derived)}."
        near = self.by.names.near(text)
        remedy = f'did you mean "{near}"?' if near else f"it knows {', '.join(self.by.names.ids)}."
        return HoldReason.UNKNOWN_VARIABLE, f"{quoted(text)} is not a variable of this trial; {remedy}"

    def _bounds(
        self, where: str, variable_id: str, sign: str, value: float, raw_value: str, raw_unit: str
    ) -> Finding:
        variable = self.by.names.of(variable_id)
        low, high = variable.hard
        written = as_written(variable, sign, value, raw_value, raw_unit)
        text = (
            f"{where}{variable.title} of {written} is not possible: {with_unit(f'{low:g} to {high:g}', variable)} is. "
            f"{where_to_look(variable, value, raw_unit, self.by)}"
        )
        return HoldReason.OUT_OF_BOUNDS, text

    def _replicate(self, text: str) -> Finding:
        return (
            HoldReason.NOT_A_REPLICATE,
            f"{quoted(text)} is not the number of a test: write 1, 2 or 3, or leave it empty for a single test.",
        )


def unknown_tank(text: str, protocol: Protocol) -> Finding:
    """Why a text is no tank of the trial, and which may be meant."""
    tanks = [tank.id for tank in protocol.tanks]
    if not text:
        return (
            HoldReason.NO_TANK,
            f"The tank is missing: write one of the trial, such as {quoted(tanks[0])}.",
        )
    left_over = spreadsheet_finding(text)
    if left_over:
        return left_over
    wanted = _folded(text)
    alike = [tank for tank in tanks if _folded(tank) == wanted]
    by_fold = {tank.casefold(): tank for tank in tanks}
    near = difflib.get_close_matches(text.casefold(), by_fold, n=3, cutoff=0.6)
    close = sorted(by_fold[name] for name in near)
    if alike:
        remedy = f"write {quoted(alike[0])}, exactly so."
    elif close:
        remedy = f"did you mean {_listed(close)}?"
    else:
        remedy = f"its tanks are {_listed(tanks[:6], more=len(tanks) > 6)}."
    return HoldReason.UNKNOWN_TANK, f"{quoted(text)} is not a tank of this trial; {remedy}"


def before_the_start(at: dt.datetime, protocol: Protocol) -> Finding:
    """Why a day before the trial is not taken."""
    start = protocol.schedule.start
    text = f"{at:%Y-%m-%d} is before the trial starts ({start}): look at the date, or take the row out."
    return HoldReason.BEFORE_START, text


def in_the_future(at: dt.datetime, today: dt.date) -> Finding:
    """Why a day after that of intake is not taken."""
    text = f"{at:%Y-%m-%d} is in the future (today is {today}): look at day, month and year."
    return HoldReason.IN_THE_FUTURE, text


@lru_cache(maxsize=1 << 12)
def _folded(name: str) -> str:
    return key(name).replace(" ", "")


def _listed(items: Sequence[str], *, more: bool = False) -> str:
    names = [quoted(item) for item in items]
    if more:
        return f"{', '.join(names)} and others"
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} or {names[-1]}"
