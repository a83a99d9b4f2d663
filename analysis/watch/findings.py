"""One thing that watching a trial found: where, since when, how urgent, and what to do about it."""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import datetime as dt
    from collections.abc import Iterable


class Severity(StrEnum):
    """How soon a person is needed, the most urgent first."""

    NOW = "now"
    SOON = "soon"
    INFORMATION = "information"


class Kind(StrEnum):
    """What a finding is about, animals before data."""

    SULFIDE = "sulfide"
    LOSS = "loss"
    STOP_RULE = "stop rule"
    LEVEL = "level"
    FALL = "fall"
    STALL = "stall"
    FAULT = "fault"
    LOGGER = "logger"
    ALLOCATION = "allocation"
    CARBON = "carbon"
    KIT = "kit"
    SILENT = "silent"
    LATE = "late"
    MISSING = "missing"
    COMPLETENESS = "completeness"
    HELD = "held"
    LEFT = "left"


ABOUT_ANIMALS = frozenset(
    {Kind.SULFIDE, Kind.LOSS, Kind.STOP_RULE, Kind.LEVEL, Kind.FALL, Kind.STALL, Kind.FAULT, Kind.LOGGER}
)
"""Kinds that send somebody to a tank."""

_URGENCY = {severity: place for place, severity in enumerate(Severity)}
_ORDER = {kind: place for place, kind in enumerate(Kind)}


@dataclass(frozen=True)
class Finding:
    """Something a person should know.

    Parameters
    ----------
    kind : Kind
    severity : Severity
    sentence : str
        What was found, in plain words, with the numbers it rests on.
    to_do : str
        What to do at the tank; empty where nothing is to be done.
    to_record : str
        What the lead does with the register, which people at the tanks do not have; empty where nothing is.
    site, tank : str or None
        Where; None for the whole trial, and for a site as a whole.
    since : date or None
        The first day that it holds for.
    """

    kind: Kind
    severity: Severity
    sentence: str
    to_do: str = ""
    to_record: str = ""
    site: str | None = field(default=None, kw_only=True)
    tank: str | None = field(default=None, kw_only=True)
    since: dt.date | None = field(default=None, kw_only=True)

    @property
    def needs_a_person(self) -> bool:
        """Whether anybody has to do anything."""
        return self.severity is not Severity.INFORMATION


def in_order(findings: Iterable[Finding]) -> tuple[Finding, ...]:
    """Site by site, the site with the most urgent finding first; in a site the most urgent first."""
    found = list(findings)
    most_urgent: dict[str | None, int] = {}
    for one in found:
        most_urgent[one.site] = min(_URGENCY[one.severity], most_urgent.get(one.site, len(_URGENCY)))
    return tuple(
        sorted(
            found,
            key=lambda one: (
                most_urgent[one.site],
                one.site or "",
                _URGENCY[one.severity],
                _ORDER[one.kind],
                one.tank or "",
                one.since.toordinal() if one.since else 0,
            ),
        )
    )
