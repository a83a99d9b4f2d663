"""What the columns of a table of events are, and whether a table is one."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from schemas.errors import IntakeError
from trials.intake.columns import quoted
from trials.intake.names import key

if TYPE_CHECKING:
    from collections.abc import Sequence

    from trials.intake.tables import RawTable

ROLES = ("tank", "site", "at", "kind", "amount", "unit", "by", "note")
"""The site, which the tank tells, is known so that a column of that name is not taken for a mistake."""
NEEDED = ("tank", "at", "kind")
"""A list of faults and cleanings needs no amounts."""
_ROLE_OF = {key(role): role for role in ROLES}
_ALSO = {
    "taken at": "at",
    "date": "at",
    "day": "at",
    "when": "at",
    "date time": "at",
    "datetime": "at",
    "event": "kind",
    "event kind": "kind",
    "kind of event": "kind",
    "what happened": "kind",
    "quantity": "amount",
    "how much": "amount",
    "units": "unit",
    "person": "by",
    "who": "by",
    "comment": "note",
    "comments": "note",
    "notes": "note",
    "remarks": "note",
}
"""Other usual headings. They are reported when they are understood, and give way to the name itself."""

_OF_READINGS = frozenset({"variable", "value"})


@dataclass(frozen=True)
class EventLayout:
    """The place of each column by its role, and what was understood under another name or left alone."""

    roles: dict[str, int]
    remarks: tuple[str, ...]


def known_event_columns(header: Sequence[str]) -> int:
    """How many of the headers are columns of events; 0 where the table cannot be one."""
    return len(_found(header)) if is_header_of_events(header) else 0


def is_header_of_events(header: Sequence[str]) -> bool:
    """Whether a header is that of events: it has a kind with an amount, or a kind with tank and day."""
    found = _found(header).keys()
    names_readings = _OF_READINGS & {key(text) for text in header}
    return not names_readings and "kind" in found and ("amount" in found or {"tank", "at"} <= found)


def event_role_of(text: str) -> str | None:
    """The role in a table of events that a header names."""
    folded = key(text)
    return _ROLE_OF.get(folded) or _ALSO.get(folded)


def event_layout_of(table: RawTable, where: str) -> EventLayout:
    """The columns of a table of events.

    Raises
    ------
    IntakeError
        A column is missing, or one is there twice.
    """
    roles = _roles(table, where)
    missing = [role for role in NEEDED if role not in roles]
    if missing:
        raise IntakeError(
            f"{where} holds events and lacks {' and '.join(f'the column {role}' for role in missing)}; it needs tank, at, "
            "kind, amount and unit, and may have by and note."
        )
    renamed = [
        f'Column "{table.names[place]}" was taken as {role}.'
        for role, place in roles.items()
        if key(table.header[place]) != key(role)
    ]
    alone = [
        f"Column {quoted(name)} is not one of events and was left alone."
        for place, name in enumerate(table.names)
        if place not in roles.values()
    ]
    return EventLayout(roles, (*renamed, *alone))


def _found(header: Sequence[str]) -> dict[str, int]:
    """The first place of each role, by its own name or else by another."""
    found: dict[str, int] = {}
    for known in (_ROLE_OF, _ALSO):
        for place, text in enumerate(header):
            role = known.get(key(text))
            if role is not None:
                found.setdefault(role, place)
    return found


def _roles(table: RawTable, where: str) -> dict[str, int]:
    roles = _found(table.header)
    for role, place in roles.items():
        known = _ROLE_OF if key(table.header[place]) in _ROLE_OF else _ALSO
        again = [
            text for other, text in enumerate(table.header) if other != place and known.get(key(text)) == role
        ]
        if again:
            raise IntakeError(f'{where} has two columns for "{role}"; keep one, or rename the other.')
    return roles
