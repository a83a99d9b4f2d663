"""Drafts against the trial: the schema says which fail, and here is why and what would be right."""

from __future__ import annotations

import difflib
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pandera.pandas as pa

from schemas.errors import UnitError
from schemas.readings import HoldReason, readings_schema
from trials.intake.names import key

if TYPE_CHECKING:
    import datetime as dt
    from collections.abc import Callable

    import pandas as pd
    from numpy.typing import NDArray

    from trials.intake.holds import Holds
    from trials.intake.names import VariableNames
    from trials.intake.values import Understanding


def review(drafts: pd.DataFrame, by: Understanding, today: dt.date) -> NDArray[np.bool_]:
    """Holds what the schema of the trial refuses.

    Parameters
    ----------
    drafts : DataFrame
        As :func:`trials.intake.drafts.drafts_of` makes them, numbered from 0.
    by : Understanding
        Trial and names; reasons are added to its holds.
    today : date
        The last day that a reading may be taken on.

    Returns
    -------
    array of bool
        Drafts that are whole and pass.
    """
    fit = (drafts["value"].notna() & drafts["taken_at"].notna()).to_numpy(copy=True)
    sentence = _Sentences(by, today)
    try:
        readings_schema(by.protocol, today, draft=True).validate(drafts, lazy=True)
    except pa.errors.SchemaErrors as refused:
        # A check across columns reports one line a column, so each pair of check and index is taken once.
        failures = refused.failure_cases[["check", "index"]].drop_duplicates()
        for check, index in failures.itertuples(index=False):
            fit[index] = False
            reason, text = sentence.of(HoldReason(check), drafts.loc[index])
            by.holds.add(drafts.at[index, "line"], reason, text)
    return fit


def outside_usual(drafts: pd.DataFrame, names: VariableNames) -> list[tuple[str, NDArray[np.int64]]]:
    """Measured values outside the usual range: for each variable a phrase with the range, and the lines."""
    found = []
    measured, value = (drafts["sign"] == "").to_numpy(), drafts["value"].to_numpy()
    for code, variable_id in enumerate(drafts["variable"].cat.categories):
        named = names.find(variable_id)
        if named is None or named.variable.soft is None:
            continue
        low, high = named.variable.soft
        outside = ((value < low) | (value > high)) & measured & (drafts["variable"].cat.codes == code).to_numpy()
        if outside.any():
            phrase = f"{variable_id} outside the usual {low:g} to {high:g} {named.variable.unit}"
            found.append((phrase, drafts["line"].to_numpy()[outside]))
    return found


@dataclass
class _Sentences:
    """The sentence for each draft that the schema refuses."""

    by: Understanding
    today: dt.date

    def of(self, reason: HoldReason, draft: pd.Series[Any]) -> tuple[HoldReason, str]:
        """Reason and sentence; a missing name has a reason of its own."""
        tell: dict[HoldReason, Callable[[Any], tuple[HoldReason, str]]] = {
            HoldReason.UNKNOWN_TANK: self._tank,
            HoldReason.BEFORE_START: self._before,
            HoldReason.IN_THE_FUTURE: self._future,
            HoldReason.UNKNOWN_VARIABLE: self._variable,
            HoldReason.OUT_OF_BOUNDS: self._bounds,
            HoldReason.NOT_A_REPLICATE: self._replicate,
        }
        return tell[reason](draft)

    def _tank(self, draft: pd.Series[Any]) -> tuple[HoldReason, str]:
        tanks = [tank.id for tank in self.by.protocol.tanks]
        text = str(draft["tank"])
        if not text:
            return HoldReason.NO_TANK, f'The tank is missing: write one of the trial, such as "{tanks[0]}".'
        alike = [tank for tank in tanks if key(tank).replace(" ", "") == key(text).replace(" ", "")]
        close = alike or difflib.get_close_matches(text.casefold(), tanks, n=3, cutoff=0.6)
        if alike:
            remedy = f'write "{alike[0]}", exactly so'
        elif close:
            remedy = f"the nearest are {_quoted(sorted(close))}"
        else:
            remedy = f"they are {_quoted(tanks) if len(tanks) <= 6 else _quoted(tanks[:3]) + ' and so on'}"
        return HoldReason.UNKNOWN_TANK, f'"{text}" is not a tank of this trial; {remedy}.'

    def _before(self, draft: pd.Series[Any]) -> tuple[HoldReason, str]:
        start = self.by.protocol.schedule.start
        text = f"{draft['taken_at']:%Y-%m-%d} is before the trial starts ({start}): look at the date, or take the row out."
        return HoldReason.BEFORE_START, text

    def _future(self, draft: pd.Series[Any]) -> tuple[HoldReason, str]:
        text = f"{draft['taken_at']:%Y-%m-%d} is in the future (today is {self.today}): look at day, month and year."
        return HoldReason.IN_THE_FUTURE, text

    def _variable(self, draft: pd.Series[Any]) -> tuple[HoldReason, str]:
        text = str(draft["variable"])
        if not text:
            return HoldReason.NO_VARIABLE, 'The variable is missing: write what was measured, such as "nitrate".'
        near = self.by.names.near(text)
        guess = f'; did you mean "{near}"?' if near else ": use a name of the protocol or of the catalogue, such as nitrate."
        return HoldReason.UNKNOWN_VARIABLE, f'"{text}" is not a variable of this trial{guess}'

    def _bounds(self, draft: pd.Series[Any]) -> tuple[HoldReason, str]:
        named = self.by.names.find(str(draft["variable"]))
        if named is None:
            raise KeyError(draft["variable"])
        variable = named.variable
        low, high = variable.hard
        written = f"{draft['raw_value']} {draft['raw_unit']}".strip()
        same = f"{draft['sign']}{draft['value']:.6g} {variable.unit}"
        read = f" ({same})" if same.replace(" ", "") != written.replace(" ", "") else ""
        text = (
            f"{draft['where']}{variable.title} of {written}{read} is not possible: "
            f"{low:g} to {high:g} {variable.unit} is. {self._remedy(draft)}"
        )
        return HoldReason.OUT_OF_BOUNDS, text

    def _remedy(self, draft: pd.Series[Any]) -> str:
        """Units in which the same number would be usual, else where to look."""
        named = self.by.names.find(str(draft["variable"]))
        if named is None:
            raise KeyError(draft["variable"])
        variable = named.variable
        low, high = variable.soft or variable.hard
        try:
            number = named.conversion(str(draft["raw_unit"])).from_canonical(draft["value"])
        except UnitError:
            number = np.nan
        fitting: dict[float, str] = {}
        for unit, known in variable.units.items():
            value = known.to_canonical(number)
            if low < value <= high:
                fitting.setdefault(round(value, 9), unit)
        if not fitting:
            return f"Look at the number and the unit; accepted: {named.accepted}."
        choices = " or ".join(f"{unit} (that is {value:.4g} {variable.unit})" for value, unit in list(fitting.items())[:2])
        return f"If the kit shows {choices}, write that unit; else look at the number."

    def _replicate(self, draft: pd.Series[Any]) -> tuple[HoldReason, str]:
        text = f'"{draft["raw_replicate"]}" is not the number of a test: write 1, 2 or 3, or leave it empty for a single test.'
        return HoldReason.NOT_A_REPLICATE, text


def _quoted(items: list[str]) -> str:
    return ", ".join(f'"{item}"' for item in items)
