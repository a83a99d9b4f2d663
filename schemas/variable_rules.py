"""Rules on the protocol's own variables, its kits and its stop rules."""

from __future__ import annotations

from itertools import pairwise
from typing import TYPE_CHECKING, Any

from schemas.errors import UnitError
from schemas.plain_words import quoted
from schemas.protocol_draft import number, text
from schemas.protocol_names import duplicates, unknown_variable
from schemas.protocol_places import Fault, Path
from schemas.units import to_canonical
from schemas.variables import catalogue

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from schemas.protocol_draft import Draft, Row


def variable_faults(draft: Draft) -> list[Fault]:
    """Faults of variables, kits and stop rules that are seen only across keys."""
    return [
        *duplicates(draft.rows("variables"), ("variables",), "id", "variable"),
        *_own(draft),
        *duplicates(draft.rows("kits"), ("kits",), "id", "kit"),
        *_kits(draft),
        *_stop_rules(draft),
    ]


def _own(draft: Draft) -> Iterator[Fault]:
    for position, row in draft.rows("variables"):
        path = ("variables", position)
        name = row.get("id")
        if isinstance(name, str) and name in catalogue():
            yield Fault(
                (*path, "id"),
                f"{quoted(name)} is built in, in {catalogue()[name].unit}",
                "leave this table out, or give the variable another id",
            )
        hard, soft = _pair(row, "hard"), _pair(row, "soft")
        for key, bounds in (("hard", hard), ("soft", soft)):
            if bounds and not bounds[0] < bounds[1]:
                yield Fault(
                    (*path, key),
                    f"the first bound ({bounds[0]:g}) is not below the second ({bounds[1]:g})",
                    "write the lowest and then the highest value",
                )
        if hard and soft and hard[0] < hard[1] and soft[0] < soft[1] and _outside(soft, hard):
            yield Fault(
                (*path, "soft"),
                f"{soft[0]:g} to {soft[1]:g} reaches outside the hard bounds, {hard[0]:g} to {hard[1]:g}",
                "soft bounds lie within the hard ones",
            )


def _outside(soft: tuple[float, float], hard: tuple[float, float]) -> bool:
    return soft[0] < hard[0] or soft[1] > hard[1]


def _pair(row: Row, key: str) -> tuple[float, float] | None:
    value = row.get(key)
    if not isinstance(value, list) or len(value) != 2:
        return None
    low, high = (number({key: item}, key) for item in value)
    return None if low is None or high is None else (low, high)


def _kits(draft: Draft) -> Iterator[Fault]:
    for position, row in draft.rows("kits"):
        path = ("kits", position)
        yield from _card(row, (*path, "steps"))
        name = text(row, "variable")
        if name is None:
            continue
        fault = unknown_variable((*path, "variable"), name, draft)
        if fault:
            yield fault
        variable, limit = draft.variables.get(name), number(row, "limit")
        if variable is None or limit is None:
            continue
        unit = text(row, "unit") or variable.unit
        try:
            lowest = to_canonical(limit, unit, variable)
        except UnitError as error:
            yield Fault((*path, "unit"), *_split(str(error)))
            continue
        if limit > 0 and not variable.hard[0] <= lowest < variable.hard[1]:
            yield Fault(
                (*path, "limit"),
                f"{limit:g} {unit} lies outside what {name} can be "
                f"({variable.hard[0]:g} to {variable.hard[1]:g} {variable.unit})",
                "write the lowest reading that the kit can show",
            )


def _card(row: Mapping[str, Any], path: Path) -> Iterator[Fault]:
    """The steps of a colour card go up, and there are at least two of them."""
    steps = row.get("steps")
    if not isinstance(steps, list) or not all(isinstance(step, int | float) for step in steps):
        return
    if len(steps) < 2 or any(low >= high for low, high in pairwise(steps)):
        yield Fault(
            path,
            "is not a row of two or more values that go up",
            "write the values on the card from the lowest to the highest, e.g. steps = [1, 2, 5, 10, 25, 50]",
        )


def _split(sentence: str) -> tuple[str, str]:
    """A unit's sentence as found and remedy."""
    found, _, remedy = sentence.removesuffix(".").rpartition("; ")
    return found, remedy


def _stop_rules(draft: Draft) -> Iterator[Fault]:
    for position, row in draft.rows("stop_rules"):
        path = ("stop_rules", position)
        if {"below", "above"} <= row.keys():
            yield Fault((*path, "above"), "stands beside below", "write two rules, one for each direction")
        if not {"below", "above"} & row.keys():
            yield Fault(path, "has no threshold", "write below or above with a number, e.g. below = 0.01")
        name = text(row, "variable")
        if name is None:
            continue
        fault = unknown_variable((*path, "variable"), name, draft)
        if fault:
            yield fault
        variable = draft.variables.get(name)
        if variable is None:
            continue
        below, above = number(row, "below"), number(row, "above")
        bounds = f"{name} lies between {variable.hard[0]:g} and {variable.hard[1]:g} {variable.unit}"
        if below is not None and not variable.hard[0] < below <= variable.hard[1]:
            yield Fault(
                (*path, "below"), f"{below:g} can never tell anything, for {bounds}", "check the unit"
            )
        if above is not None and not variable.hard[0] <= above < variable.hard[1]:
            yield Fault(
                (*path, "above"), f"{above:g} can never tell anything, for {bounds}", "check the unit"
            )
