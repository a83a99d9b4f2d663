"""A protocol as somebody wrote it, read tolerantly: rules see what is well typed and pass over the rest."""

from __future__ import annotations

import datetime as dt
import math
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Any

from pydantic import ValidationError

from schemas.derived_variables import DERIVED
from schemas.protocol import CustomVariable
from schemas.variables import catalogue, from_custom
from schemas.vocabulary import DesignKind

if TYPE_CHECKING:
    from collections.abc import Mapping
    from enum import StrEnum

    from schemas.variables import Variable

Row = dict[str, Any]
CENTURY = 36500


def text(table: Mapping[str, Any], key: str) -> str | None:
    """The text under a key; whole numbers are the text they show; None where it is neither."""
    value = table.get(key)
    if isinstance(value, int) and not isinstance(value, bool):
        return str(value)
    return value if isinstance(value, str) and value.strip() else None


def number(table: Mapping[str, Any], key: str) -> float | None:
    """The finite number under a key; None where there is none."""
    value = table.get(key)
    if isinstance(value, bool) or not isinstance(value, (int, float)) or not math.isfinite(value):
        return None
    return float(value)


def whole(table: Mapping[str, Any], key: str) -> int | None:
    """The whole number under a key; None where there is none."""
    value = number(table, key)
    return int(value) if value is not None and value.is_integer() else None


def days(table: Mapping[str, Any], key: str) -> int | None:
    """The whole number of days under a key, of a century at most; None where there is none."""
    value = whole(table, key)
    return value if value is not None and 0 < value <= CENTURY else None


def day(table: Mapping[str, Any], key: str) -> dt.date | None:
    """The date under a key, with or without quotes; None where there is none, or where it has a time of day."""
    value = table.get(key)
    if isinstance(value, str):
        try:
            return dt.date.fromisoformat(value)
        except ValueError:
            return None
    return value if isinstance(value, dt.date) and not isinstance(value, dt.datetime) else None


def word(table: Mapping[str, Any], key: str, words: type[StrEnum], default: str | None = None) -> str | None:
    """The word of a closed list under a key, or the default where the key is absent; None if not of the list."""
    value = table.get(key, default)
    return value if isinstance(value, str) and value in set(words) else None


@dataclass(frozen=True)
class Draft:
    """The raw mapping with the questions that rules ask of it."""

    raw: Mapping[str, Any]

    def table(self, name: str) -> Row:
        """A table; empty where it is not there or not a table."""
        value = self.raw.get(name)
        return value if isinstance(value, dict) else {}

    def rows(self, name: str, table: Mapping[str, Any] | None = None) -> list[tuple[int, Row]]:
        """The tables of a list with their positions; other items of the list are passed over."""
        value = (self.raw if table is None else table).get(name)
        items = value if isinstance(value, list) else []
        return [(position, item) for position, item in enumerate(items) if isinstance(item, dict)]

    def is_list(self, name: str) -> bool:
        """Whether the key holds a list whose items are all tables, so that counting them means something."""
        value = self.raw.get(name)
        return isinstance(value, list) and all(isinstance(item, dict) for item in value)

    def are_named(self, rows: object) -> bool:
        """Whether all items of a list have an id, so that a name not among them stands for nothing."""
        return isinstance(rows, list) and all(
            isinstance(row, dict) and isinstance(row.get("id"), str) for row in rows
        )

    @cached_property
    def arm_ids(self) -> list[str]:
        """The ids of the arms, as written."""
        return [arm["id"] for _, arm in self.rows("arms") if isinstance(arm.get("id"), str)]

    @property
    def kind(self) -> str | None:
        """The kind of design; None where it is not one of the list."""
        return word(self.table("design"), "kind", DesignKind)

    @cached_property
    def blocks(self) -> dict[str, list[int]]:
        """The positions of the tanks of each block that is named."""
        blocks: dict[str, list[int]] = {}
        for position, tank in self.rows("tanks"):
            block = text(tank, "block")
            if block is not None:
                blocks.setdefault(block, []).append(position)
        return blocks

    @cached_property
    def blockless(self) -> list[int]:
        """The positions of the tanks that do not name a block."""
        return [position for position, tank in self.rows("tanks") if "block" not in tank]

    @cached_property
    def phases(self) -> list[tuple[int, Row]]:
        """The phases with their positions."""
        return self.rows("phases", self.table("schedule"))

    @cached_property
    def phase_ids(self) -> list[str]:
        """The ids of the phases, as written."""
        return [phase["id"] for _, phase in self.phases if isinstance(phase.get("id"), str)]

    @cached_property
    def windows(self) -> dict[str, tuple[int, int]]:
        """First day and the day after the last of each phase, from 0; empty where a length is not known."""
        windows: dict[str, tuple[int, int]] = {}
        first = 0
        for _, phase in self.phases:
            length = days(phase, "days")
            if length is None or not isinstance(phase.get("id"), str):
                return {}
            windows.setdefault(phase["id"], (first, first + length))
            first += length
        return windows

    @cached_property
    def every_days(self) -> dict[str, int]:
        """The days between samplings, by variable."""
        sampling = self.rows("sampling", self.table("schedule"))
        pairs = ((text(row, "variable"), days(row, "every_days")) for _, row in sampling)
        return {variable: every for variable, every in pairs if variable and every}

    def sampled_days(self, variable: str, phase: str) -> int:
        """How many sampling days of a variable fall into a phase; 0 where either is not known."""
        if phase not in self.windows or variable not in self.every_days:
            return 0
        (first, after), every = self.windows[phase], self.every_days[variable]
        return len(range(-(-first // every) * every, after, every))

    @cached_property
    def variables(self) -> dict[str, Variable | None]:
        """The variables that may be named; None for one of the protocol's own that is not well formed."""
        own: dict[str, Variable | None] = {}
        for _, row in self.rows("variables"):
            name = row.get("id")
            if not isinstance(name, str):
                continue
            try:
                own[name] = from_custom(CustomVariable.model_validate(row))
            except ValidationError:
                own[name] = None
        return own | dict(catalogue())

    @cached_property
    def endpoint_variables(self) -> dict[str, Variable | None]:
        """The variables that an endpoint may be of: those that are worked out as well."""
        return dict(DERIVED) | self.variables
