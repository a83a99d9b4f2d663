"""What the columns of a table are: one reading a row (long), or one column a variable (wide)."""

from __future__ import annotations

import difflib
import re
from dataclasses import dataclass
from typing import TYPE_CHECKING

from schemas.errors import IntakeError, UnitError
from schemas.units import normalise_unit
from trials.intake.columns import quoted
from trials.intake.names import key
from trials.intake.tables import MAX_COLUMNS

if TYPE_CHECKING:
    from collections.abc import Sequence

    from trials.intake.names import Named, VariableNames
    from trials.intake.tables import RawTable

ROLES = ("tank", "taken_at", "variable", "value", "unit", "replicate", "kit", "by", "note")
LONG = ("tank", "taken_at", "variable", "value")
WIDE = ("tank", "taken_at")
_LONG_ONLY = frozenset({"variable", "value", "unit"})
NEEDED = (
    "the columns tank, taken_at, variable, value and unit, for one reading a row, or the columns tank, taken_at and "
    'others such as "nitrate [mg/L]", for one column a variable.'
)
_ROLE_OF = {key(role): role for role in ROLES}
_ALSO = {
    "date": "taken_at",
    "date time": "taken_at",
    "datetime": "taken_at",
    "parameter": "variable",
    "units": "unit",
    "comment": "note",
    "comments": "note",
    "notes": "note",
}
"""Other usual headings. They are reported when they are understood, and give way to the name itself."""

_BRACKETED = re.compile(r"(?P<name>.+?)\s*(?:\[(?P<square>[^\[\]]*)\]|\((?P<round>[^()]*)\))\s*")
_BREAK = re.compile(r"[\s_,:]+")
_LONGEST_NAME = 200
_MOST_NAMED = 20
_EVENT_COLUMNS = frozenset({"kind", "amount"})


@dataclass(frozen=True)
class ValueColumn:
    """A column of a wide table: its place, its header, the variable and the unit text in the header."""

    place: int
    header: str
    named: Named
    unit: str


@dataclass(frozen=True)
class Layout:
    """What each column of a table is.

    Parameters
    ----------
    roles : dict of str to int
        Place of each column that is not a variable, by its role.
    variables : tuple of ValueColumn
        Of a wide table; empty in a long one.
    remarks : tuple of str
        What was understood under another name, and what was left alone.
    """

    roles: dict[str, int]
    variables: tuple[ValueColumn, ...]
    remarks: tuple[str, ...]


def known_columns(header: Sequence[str], names: VariableNames) -> int:
    """How many of the headers are known, as a role or as a variable of a wide table."""
    if len(header) > MAX_COLUMNS:
        return 0
    return sum(
        key(text) in _ROLE_OF or key(text) in _ALSO or _value_column(0, text, names) is not None
        for text in header
    )


def layout_of(table: RawTable, names: VariableNames, where: str) -> Layout | None:
    """The columns of a table; None for a table that is plainly not one of readings.

    Raises
    ------
    IntakeError
        It is meant as a table of readings, but columns are missing or named twice.
    """
    roles = _roles(table, where)
    values = () if {"variable", "value"} <= roles.keys() else _values(table, names, roles, where)
    if {key(text) for text in table.header} >= _EVENT_COLUMNS and "value" not in roles and not values:
        if not table.sheet:
            raise IntakeError(
                f"{where} holds events (kind, amount); this version takes in readings only, "
                "so keep the file for later."
            )
        return None
    needed = WIDE if values else LONG
    missing = [role for role in needed if role not in roles]
    if missing:
        # A list of tanks gives their volume too, and is no table of readings for that.
        measured = any(column.named.variable.id != "volume" for column in values)
        if table.sheet and not measured and len(roles.keys() & set(LONG)) < 2:
            return None
        raise IntakeError(_incomplete(table, missing, where))
    remarks = [*_renamed(table, roles), *_left_alone(table, roles, values, names)]
    return Layout(roles, values, tuple(remarks))


def _roles(table: RawTable, where: str) -> dict[str, int]:
    roles: dict[str, int] = {}
    for known in (_ROLE_OF, _ALSO):
        found: dict[str, int] = {}
        for place, text in enumerate(table.header):
            role = known.get(key(text))
            if role is None or role in roles:
                continue
            if role in found:
                raise IntakeError(f'{where} has two columns for "{role}"; keep one, or rename the other.')
            found[role] = place
        roles |= found
    return roles


def _values(
    table: RawTable, names: VariableNames, roles: dict[str, int], where: str
) -> tuple[ValueColumn, ...]:
    taken = set(roles.values())
    columns = [
        column
        for place, text in enumerate(table.header)
        if place not in taken and (column := _value_column(place, text, names)) is not None
    ]
    headers: dict[str, str] = {}
    for column in columns:
        variable = column.named.variable.id
        if variable in headers:
            raise IntakeError(
                f'{where} has two columns for {variable}: "{headers[variable]}" and "{column.header}"; keep one. '
                "A second test of the same water goes into a row of its own, with 2 in a column replicate."
            )
        headers[variable] = column.header
    return tuple(columns)


def _value_column(place: int, header: str, names: VariableNames) -> ValueColumn | None:
    """``nitrate [mg/L]``, ``NO3-N (mg/L)``, ``nitrate mg/L`` or ``pH``; None for anything else."""
    text = header.strip()
    if len(text) > _LONGEST_NAME:
        return None
    bracketed = _BRACKETED.fullmatch(text)
    if bracketed:
        named = names.find(bracketed["name"])
        unit = bracketed["square"] if bracketed["square"] is not None else bracketed["round"]
        return ValueColumn(place, text, named, unit.strip()) if named else None
    named = names.find(text)
    if named:
        return ValueColumn(place, text, named, "")
    for gap in reversed(list(_BREAK.finditer(text))):
        named, unit = names.find(text[: gap.start()]), text[gap.end() :]
        if named and _is_unit(named, unit):
            return ValueColumn(place, text, named, unit)
    return None


def _is_unit(named: Named, text: str) -> bool:
    """Without brackets only a unit known for the variable is taken for one: "temp note" is a note."""
    if normalise_unit(text) in named.variable.refused:
        return True
    try:
        named.conversion(text)
    except UnitError:
        return False
    return bool(text)


def _renamed(table: RawTable, roles: dict[str, int]) -> list[str]:
    return [
        f'Column "{table.names[place]}" was taken as {role}.'
        for role, place in roles.items()
        if key(table.header[place]) != key(role)
    ]


def _left_alone(
    table: RawTable, roles: dict[str, int], values: Sequence[ValueColumn], names: VariableNames
) -> list[str]:
    used = {place for role, place in roles.items() if not values or role not in _LONG_ONLY}
    used |= {column.place for column in values}
    remarks = []
    for place, name in enumerate(table.names):
        if place not in used:
            near = names.near(re.split(r"[\[(]", name)[0]) if values else None
            guess = (
                f" (did you mean {near}?)"
                if near and all(c.named.variable.id != near for c in values)
                else ""
            )
            remarks.append(f"Column {quoted(name)} is not one that is known and was left alone{guess}.")
    return remarks


def _incomplete(table: RawTable, missing: Sequence[str], where: str) -> str:
    found = ", ".join(quoted(name) for name in table.names[:_MOST_NAMED])
    found += " and others" if len(table.names) > _MOST_NAMED else ""
    guesses = []
    for role in missing:
        close = difflib.get_close_matches(key(role), [key(name) for name in table.names], n=1, cutoff=0.6)
        if close and close[0] not in _ROLE_OF:
            guesses.append(f' Rename {quoted(close[0])} if it is meant as "{role}".')
    return (
        f"{where} lacks {' and '.join(f'the column {role}' for role in missing)}. "
        f"It needs {NEEDED} Found: {found}.{''.join(guesses)}"
    )
