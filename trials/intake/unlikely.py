"""Values that are possible but not usual: held for a person to mend, or to accept as they are with a reason.

The soft bounds of a variable say what is usual. A value outside them is held, and so is one that is far finer than any
device of the trade shows while another unit would make it usual. Once a person has accepted such a value of a tank, others of that
tank that lie hardly further out are taken with a remark: nobody is asked the same question every week.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from schemas.readings import HoldReason
from schemas.units import normalise_unit
from schemas.vocabulary import Sign
from trials.intake.columns import cut
from trials.intake.names import with_unit

if TYPE_CHECKING:
    import pandas as pd
    from numpy.typing import NDArray

    from schemas.variables import Variable
    from trials.intake.names import VariableNames
    from trials.intake.values import Understanding

_TOO_FINE = 0.01
"""A kit value below this part of the smallest step that usual devices show was hardly read off one."""

_FURTHER = 2.0
"""How much further outside than an accepted value of its tank a value may lie without a question."""


def hold_unlikely(
    drafts: pd.DataFrame, asked: NDArray[np.bool_], seen: pd.DataFrame, by: Understanding
) -> None:
    """Holds the drafts that are outside what is usual.

    Parameters
    ----------
    drafts : DataFrame
        As reviewed; those that are not asked about are left alone.
    asked : array of bool
        Drafts that are whole, possible, not in the register yet, and not of a row that a person accepts as it is.
    seen : DataFrame
        Accepted readings of the trial.
    by : Understanding
        Trial and units; reasons are added to its holds.
    """
    outside = _outside(drafts, by.names)
    too_fine = _too_fine(drafts, by.names)
    suspects = np.flatnonzero(asked & ((outside != 0) | too_fine))
    if not len(suspects):
        return
    furthest = _furthest_accepted(seen, by.names)
    columns = ("line", "where", "tank", "variable", "sign", "value", "raw_value", "raw_unit")
    rows = zip(*(drafts[name].iloc[suspects].tolist() for name in columns), strict=True)
    for position, (line, where, tank, variable_id, sign, value, *raw) in zip(suspects, rows, strict=True):
        variable = by.names.of(variable_id)
        accepted = furthest.get((tank, variable_id, int(np.sign(outside[position]))), 0.0)
        if too_fine[position]:
            fitting = fitting_units(variable, value, raw[1], by)
            if not fitting:
                continue
        elif abs(outside[position]) <= _FURTHER * accepted:
            continue
        text = (
            f"{where}{variable.title} of {as_written(variable, sign, value, *raw)} is unusual{_usual(variable, fine=bool(too_fine[position]))}. "
            f"{where_to_look(variable, value, raw[1], by)} If it is right as it stands, accept it with "
            f"`fairtank held --accept` and the reason.{_meets_stop_rule(variable_id, value, by)}"
        )
        by.holds.add(line, HoldReason.UNLIKELY, text)


def outside_usual(drafts: pd.DataFrame, names: VariableNames) -> list[tuple[str, NDArray[np.int64]]]:
    """Values outside the usual range: for each variable a phrase with the range, and the lines."""
    found = []
    outside, lines = _outside(drafts, names) != 0, drafts["line"].to_numpy()
    codes = drafts["variable"].cat.codes.to_numpy()
    for code in np.unique(codes[outside]).tolist():
        variable = names.of(drafts["variable"].cat.categories[code])
        if variable.soft:
            low, high = variable.soft
            phrase = f"{variable.id} outside the usual {with_unit(f'{low:g} to {high:g}', variable)}"
            found.append((phrase, lines[outside & (codes == code)]))
    return found


def fitting_units(variable: Variable, value: float, raw_unit: str, by: Understanding) -> list[str]:
    """Up to two other units in which the same number would be usual, each with what it would be."""
    used = by.conversions.get((variable.id, raw_unit))
    number = used.from_canonical(value) if used else float("nan")
    low, high = variable.soft or variable.hard
    least = (variable.resolution or 0.0) / 2 if variable.zero_is_censored else low
    fitting: dict[float, str] = {}
    for unit, known in variable.units.items():
        converted = known.to_canonical(number)
        if least <= converted <= high and converted > low:
            fitting.setdefault(round(converted, 9), unit)
    return [f"{unit} (that is {value:.4g} {variable.unit})" for value, unit in list(fitting.items())[:2]]


def where_to_look(variable: Variable, value: float, raw_unit: str, by: Understanding) -> str:
    """Units in which the same number would be usual, else where to look."""
    choices = fitting_units(variable, value, raw_unit, by)
    if not choices:
        return "Look at the number and at the unit."
    return f"If the kit shows {' or '.join(choices)}, write that unit; else look at the number."


def as_written(variable: Variable, sign: str, value: float, raw_value: str, raw_unit: str) -> str:
    """A value as it was written, with what it was read as where its unit is another one."""
    converted = raw_unit and normalise_unit(raw_unit) != normalise_unit(variable.unit)
    read = f" ({with_unit(f'{sign}{value:.6g}', variable)})" if converted else ""
    return f"{cut(raw_value)} {raw_unit}".strip() + read


def _outside(frame: pd.DataFrame, names: VariableNames) -> NDArray[np.float64]:
    """How far each value lies below (negative) or above its usual range; 0 inside.

    A limit counts where the truth beyond it is outside for certain.
    """
    variable = frame["variable"].astype("category")
    bounds = [_soft(name, names) for name in variable.cat.categories]
    bounds.append((-np.inf, np.inf))  # of rows without a variable, whose code is -1
    codes = variable.cat.codes.to_numpy()
    low, high = (np.array([pair[side] for pair in bounds])[codes] for side in (0, 1))
    value = frame["value"].to_numpy(dtype=float)
    found = np.zeros(len(frame))
    places = np.flatnonzero((value < low) | (value > high))
    if len(places):
        sign = frame["sign"].iloc[places].to_numpy(dtype=object)
        out = np.where(value[places] < low[places], value[places] - low[places], value[places] - high[places])
        found[places] = np.where(sign == np.where(out < 0, Sign.ABOVE.value, Sign.BELOW.value), 0.0, out)
    return found


def _soft(name: str, names: VariableNames) -> tuple[float, float]:
    found = names.find(name)
    return found.variable.soft if found and found.variable.soft else (-np.inf, np.inf)


def _too_fine(drafts: pd.DataFrame, names: VariableNames) -> NDArray[np.bool_]:
    known = [names.find(name) for name in drafts["variable"].cat.categories]
    finest = [
        _TOO_FINE * found.variable.resolution
        if found and found.variable.zero_is_censored and found.variable.resolution
        else 0.0
        for found in known
    ]
    least = np.array([*finest, 0.0])[drafts["variable"].cat.codes.to_numpy()]
    value = drafts["value"].to_numpy()
    return (value > 0) & (value < least) & (drafts["sign"] == Sign.MEASURED.value).to_numpy()


def _furthest_accepted(seen: pd.DataFrame, names: VariableNames) -> dict[tuple[str, str, int], float]:
    """How far outside the usual range each tank has accepted values, by tank, variable and side."""
    if seen.empty:
        return {}
    outside = _outside(seen, names)
    found: dict[tuple[str, str, int], float] = {}
    places = np.flatnonzero(outside)
    for tank, variable, out in zip(
        seen["tank"].iloc[places], seen["variable"].iloc[places], outside[places].tolist(), strict=True
    ):
        side = tank, variable, int(np.sign(out))
        found[side] = max(abs(out), found.get(side, 0.0))
    return found


def _usual(variable: Variable, *, fine: bool) -> str:
    if fine:
        return f": usual kits show steps of {with_unit(f'{variable.resolution:g}', variable)}"
    low, high = variable.soft or variable.hard
    return f": {with_unit(f'{low:g} to {high:g}', variable)} is usual"


def _meets_stop_rule(variable_id: str, value: float, by: Understanding) -> str:
    for rule in by.protocol.stop_rules:
        if rule.variable == variable_id and (
            (rule.above is not None and value > rule.above) or (rule.below is not None and value < rule.below)
        ):
            return f" Animals first: should it be true, it counts for the stop rule ({rule.action})."
    return ""
