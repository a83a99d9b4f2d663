"""What the columns of a table are: one reading a row (long), or one column a variable (wide)."""

from __future__ import annotations

import difflib
import re
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

from schemas.derived_variables import derived_named, never_read
from schemas.errors import IntakeError, UnitError
from schemas.plain_words import listed
from schemas.units import normalise_unit
from trials.intake.columns import quoted
from trials.intake.events_columns import event_role_of, known_event_columns
from trials.intake.likeness import alike
from trials.intake.names import key
from trials.intake.tables import MAX_COLUMNS

if TYPE_CHECKING:
    from collections.abc import Sequence

    from trials.intake.names import Named, VariableNames
    from trials.intake.tables import RawTable

ROLES = ("tank", "site", "taken_at", "time", "variable", "value", "unit", "replicate", "kit", "by", "note")
LONG = ("tank", "taken_at", "variable", "value")
WIDE = ("tank", "taken_at")
_LONG_ONLY = frozenset({"variable", "value", "unit"})
NEEDED = (
    "the columns tank, taken_at, variable, value and unit, for one reading a row, or the columns tank, taken_at and "
    'others such as "nitrate [mg/L]", for one column a variable.'
)
_ROLE_OF = {key(role): role for role in ROLES}
_ALSO = {
    "aquarium": "tank",
    "tank id": "tank",
    "tank no": "tank",
    "tank number": "tank",
    "date": "taken_at",
    "date taken": "taken_at",
    "date time": "taken_at",
    "date and time": "taken_at",
    "datetime": "taken_at",
    "sample date": "taken_at",
    "sampling date": "taken_at",
    "sampling day": "taken_at",
    "taken": "taken_at",
    "timestamp": "taken_at",
    "time of day": "time",
    "time taken": "time",
    "analyte": "variable",
    "parameter": "variable",
    "concentration": "value",
    "measurement": "value",
    "reading": "value",
    "result": "value",
    "units": "unit",
    "duplicate": "replicate",
    "repeat": "replicate",
    "test no": "replicate",
    "test kit": "kit",
    "measured by": "by",
    "read by": "by",
    "tested by": "by",
    "tester": "by",
    "comment": "note",
    "comments": "note",
    "notes": "note",
    "observations": "note",
    "remark": "note",
    "remarks": "note",
}
"""Other usual headings. They are reported when they are understood, and give way to the name itself."""

_CARRIED = frozenset({"tank", "site", "taken_at", "time", "variable", "unit", "kit", "by", "note"})
"""What a cell that is merged over rows says of each of them."""
_CARRIED_OF_EVENTS = frozenset({"at", "kind"})

_BRACKETED = re.compile(r"(?P<name>.+?)\s*(?:\[(?P<square>[^\[\]]*)\]|\((?P<round>[^()]*)\))\s*")
_BREAK = re.compile(r"[\s_,:]+")
_LIKE = ", which it is spelt like"
_LONGEST_NAME = 200
_MOST_NAMED = 20
_FOR_THE_EYE = frozenset({"phase"})
"""Columns of recording sheets that say nothing which the protocol does not."""


@dataclass(frozen=True)
class ValueColumn:
    """A column of a wide table: its place, its header, the variable and the unit text in the header.

    ``kit`` is the place of a column that says which kit showed the values, such as "nitrate kit".
    """

    place: int
    header: str
    named: Named
    unit: str
    kit: int | None = None


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
    unclear : dict of int to str
        Place of each column whose header may mean one thing or another, with the sentence that says so.
    """

    roles: dict[str, int]
    variables: tuple[ValueColumn, ...]
    remarks: tuple[str, ...]
    unclear: dict[int, str] = field(default_factory=dict)


@dataclass(frozen=True)
class ColumnNames:
    """What the columns of a table of readings or events are called, for those who look for its header."""

    names: VariableNames

    def known(self, header: Sequence[str]) -> int:
        """How many of the headers are known: as a role or a variable of a wide table, or as columns of events."""
        if len(header) > MAX_COLUMNS:
            return 0
        return known_event_columns(header) or sum(
            role_of(text) is not None or _value_column(0, text, self.names) is not None for text in header
        )

    def carried_down(self, text: str) -> bool:
        """Whether a cell under this header that is merged over rows holds for each of them."""
        return role_of(text) in _CARRIED or event_role_of(text) in _CARRIED_OF_EVENTS


def role_of(text: str) -> str | None:
    """The role that a header names, under its own name or another usual one."""
    folded = key(text)
    return _ROLE_OF.get(folded) or _ALSO.get(folded)


def layout_of(table: RawTable, names: VariableNames, where: str) -> Layout | None:
    """The columns of a table; None for a table that is plainly not one of readings.

    Raises
    ------
    IntakeError
        It is meant as a table of readings, but columns are missing or named twice.
    """
    roles = _roles(table, where)
    values = () if {"variable", "value"} <= roles.keys() else _values(table, names, roles, where)
    values = _with_kits(table, values, roles)
    guessed = _by_likeness(table, names, roles, values, where)
    roles, values = roles | guessed.roles, (*values, *guessed.variables)
    if "taken_at" not in roles and "time" in roles:
        roles["taken_at"] = roles.pop("time")
    needed = WIDE if values else LONG
    missing = [role for role in needed if role not in roles]
    if missing:
        # A list of tanks gives their volume too, and is no table of readings for that.
        measured = any(column.named.variable.id != "volume" for column in values)
        if table.sheet and not measured and len(roles.keys() & set(LONG)) < 2:
            return None
        if not roles:
            raise IntakeError(_headless(table, where))
        raise IntakeError(_incomplete(table, missing, where))
    named = {role: place for role, place in roles.items() if not values or role not in _LONG_ONLY}
    remarks = [*_renamed(table, named, guessed), *_left_alone(table, roles, values, names, guessed.unclear)]
    return Layout(roles, values, tuple(remarks), guessed.unclear)


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


def _with_kits(
    table: RawTable, values: Sequence[ValueColumn], roles: dict[str, int]
) -> tuple[ValueColumn, ...]:
    """The columns, each with the one that names its kits: "nitrate kit" beside "nitrate [mg/L]"."""
    free = {key(text): place for place, text in enumerate(table.header) if place not in roles.values()}
    return tuple(
        replace(column, kit=next((free[name] for name in _kit_names(column) if name in free), None))
        for column in values
    )


def _kit_names(column: ValueColumn) -> tuple[str, ...]:
    known = (column.named.text, column.named.variable.id, column.named.variable.title)
    return tuple(dict.fromkeys(f"{key(name)} kit" for name in known))


def _value_column(place: int, header: str, names: VariableNames) -> ValueColumn | None:
    """``nitrate [mg/L]``, ``NO3-N (mg/L)``, ``nitrate mg/L`` or ``pH``; None for anything else."""
    text = header.strip()
    if len(text) > _LONGEST_NAME:
        return None
    bracketed = _bracketed(text)
    if bracketed:
        named, unit = names.find(bracketed[0]), bracketed[1]
        if named and not unit.casefold().startswith("as "):
            return ValueColumn(place, text, named, unit)
    named = names.find(text)
    if named:
        return ValueColumn(place, text, named, "")
    for gap in reversed(list(_BREAK.finditer(text))):
        named, unit = names.find(text[: gap.start()]), text[gap.end() :]
        if named and is_unit(named, unit):
            return ValueColumn(place, text, named, unit)
    return None


def _bracketed(text: str) -> tuple[str, str] | None:
    """Name and unit of ``nitrate [mg/L]`` or ``nitrate (mg/L)``; None where no brackets end the text."""
    found = _BRACKETED.fullmatch(text)
    if not found:
        return None
    return found["name"], (found["square"] if found["square"] is not None else found["round"]).strip()


def _by_likeness(
    table: RawTable, names: VariableNames, roles: dict[str, int], values: Sequence[ValueColumn], where: str
) -> Layout:
    """Columns whose header is spelt like a known one: used where one thing alone is meant, and always reported."""
    used = {*roles.values(), *_places(values)}
    is_long = {"variable", "value"} <= roles.keys()
    found: dict[str, int] = {}
    columns: list[ValueColumn] = []
    unclear: dict[int, str] = {}
    for place, text in enumerate(table.header):
        if place in used or not text.strip() or len(text) > _LONGEST_NAME:
            continue
        meant = [role for role in alike(key(text), _ROLE_OF | _ALSO) if role not in roles]
        named, unit = ([], "") if is_long or meant else _alike_variables(text, names)
        if len(meant) == 1:
            if meant[0] in found:
                raise IntakeError(
                    f'{where} has two columns that may be meant as "{meant[0]}": '
                    f"{quoted(table.names[found[meant[0]]])} and {quoted(table.names[place])}; rename the one that is."
                )
            found[meant[0]] = place
        elif len(meant) + len(named) > 1:
            choices = listed([*meant, *(_form(one) for one in named)])
            unclear[place] = (
                f"Column {quoted(table.names[place])} may be {choices}: write the header out in full."
            )
        elif named and all(named[0].variable.id != c.named.variable.id for c in (*values, *columns)):
            columns.append(ValueColumn(place, text.strip(), named[0], unit))
    return Layout(found, tuple(columns), (), unclear)


def _places(values: Sequence[ValueColumn]) -> list[int]:
    """The places of the columns and of those that name their kits."""
    return [place for column in values for place in (column.place, column.kit) if place is not None]


def _alike_variables(header: str, names: VariableNames) -> tuple[list[Named], str]:
    """The variables that a header may be meant for, and the unit in it."""
    text = header.strip()
    bracketed = _bracketed(text)
    if bracketed:
        return names.alike(bracketed[0]), bracketed[1]
    for gap in reversed(list(_BREAK.finditer(text))):
        named, unit = names.alike(text[: gap.start()]), text[gap.end() :]
        if named and all(is_unit(one, unit) for one in named):
            return named, unit
    return names.alike(text), ""


def _form(named: Named) -> str:
    return named.variable.id + (f" as {named.counted_as}" if named.counted_as else "")


def is_unit(named: Named, text: str) -> bool:
    """Without brackets only a unit known for the variable is taken for one: "temp note" is a note."""
    if normalise_unit(text) in named.variable.refused:
        return True
    try:
        named.conversion(text)
    except UnitError:
        return False
    return bool(text)


def _renamed(table: RawTable, roles: dict[str, int], guessed: Layout) -> list[str]:
    remarks = [
        f'Column "{table.names[place]}" was taken as {role}{_LIKE if role in guessed.roles else ""}.'
        for role, place in roles.items()
        if key(table.header[place]) != key(role)
    ]
    return remarks + [
        f'Column "{table.names[column.place]}" was taken as {_form(column.named)}{_LIKE}.'
        for column in guessed.variables
    ]


def _left_alone(
    table: RawTable,
    roles: dict[str, int],
    values: Sequence[ValueColumn],
    names: VariableNames,
    unclear: dict[int, str],
) -> list[str]:
    used = {place for role, place in roles.items() if not values or role not in _LONG_ONLY}
    used |= {*_places(values), *unclear}
    remarks = []
    for place, name in enumerate(table.names):
        if place not in used and key(name) not in _FOR_THE_EYE:
            derived = derived_named(re.split(r"[\[(]", name)[0])
            if derived:
                remarks.append(f"Column {quoted(name)} was left alone: {never_read(derived)}.")
                continue
            near = names.near(re.split(r"[\[(]", name)[0]) if values else None
            guess = (
                f" (did you mean {near}?)"
                if near and all(c.named.variable.id != near for c in values)
                else ""
            )
            remarks.append(f"Column {quoted(name)} is not one that is known and was left alone{guess}.")
    return remarks


def _headless(table: RawTable, where: str) -> str:
    shown = ", ".join(quoted(name) for name in table.names[:_MOST_NAMED])
    return (
        f"{where} has no header: none of its first rows names {NEEDED} The first row says {shown}; "
        "put the names of the columns above it."
    )


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
