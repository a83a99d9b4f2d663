"""Husbandry events: what may happen to a tank, how people call it, and what its amount is counted in.

An event is given, added, changed, lost or found; it is not a reading, and no statistics are made of it before it is
summed by tank and day. Bounds are common practice, no source: hard ones are what no tank of a club or farm can take,
soft ones what is worth a second look. An amount of 0 says that nothing was given, which is worth knowing too.
"""

from __future__ import annotations

import difflib
import re
from dataclasses import dataclass
from enum import StrEnum
from types import MappingProxyType
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from schemas.errors import UnitError
from schemas.event_units import COUNT, GRAMS, LITRES, MILLILITRES, PERCENT, normalise_event_unit, unit_error
from schemas.plain_words import nearest

if TYPE_CHECKING:
    from collections.abc import Mapping

Range = tuple[float, float]

_LIKE = 0.85


class EventKind(StrEnum):
    """What happened."""

    DOSE = "dose"
    POLYMER_ADDED = "polymer-added"
    POLYMER_WEIGHED = "polymer-weighed"
    FEED = "feed"
    WATER_CHANGE = "water-change"
    LOSS = "loss"
    FAULT = "fault"
    CLEAN = "clean"
    LIVESTOCK = "livestock"
    MEDICATION = "medication"
    OTHER = "other"


@dataclass(frozen=True)
class EventForm:
    """What an event of a kind looks like.

    Parameters
    ----------
    kind : EventKind
        The kind.
    title : str
        In plain words, for people.
    noun : str
        As it stands in a sentence, after "a".
    names : tuple of str
        What people write for it in the column ``kind``, beside the kind itself.
    units : mapping of str to (str, float)
        For each accepted unit the canonical unit and the factor to it; empty where no amount is kept as a number.
    hard, soft : mapping of str to (float, float)
        Bounds by canonical unit: impossible outside, and worth a look outside.
    whole : bool
        Whether only whole numbers make sense, as of animals.
    """

    kind: EventKind
    title: str
    noun: str
    names: tuple[str, ...]
    units: Mapping[str, tuple[str, float]]
    hard: Mapping[str, Range]
    soft: Mapping[str, Range]
    whole: bool = False

    @property
    def needs_amount(self) -> bool:
        """Whether the kind means nothing without an amount; else an amount is kept as it was written."""
        return bool(self.units)

    @property
    def takes_percent(self) -> bool:
        """Whether the amount may be a share of the tank's volume."""
        return self.kind is EventKind.WATER_CHANGE

    @property
    def accepted(self) -> tuple[str, ...]:
        """The units that are taken."""
        return (*self.units, *([PERCENT] if self.takes_percent else []))

    def to_canonical(self, amount: float, unit: str, volume: float | None = None) -> tuple[float, str]:
        """An amount in the canonical unit of the kind, and that unit.

        Parameters
        ----------
        amount : float
            As written.
        unit : str
            As written; counted kinds need none.
        volume : float, optional
            Litres that the tank holds, for a share in per cent.

        Raises
        ------
        UnitError
            The kind is not counted in that unit, or a share is given of a volume that is not known.
        """
        normal = normalise_event_unit(unit)
        if normal == PERCENT and self.takes_percent:
            if volume is None:
                raise UnitError(
                    "a share in % needs the tank's volume_L, which the protocol does not give: write the litres."
                )
            return amount / 100 * volume, "L"
        if normal not in self.units:
            raise unit_error(unit, self.noun, self.accepted)
        canonical, factor = self.units[normal]
        return amount * factor, canonical


def _units(**by_canonical: Mapping[str, float]) -> dict[str, tuple[str, float]]:
    names = {"count": "1"}
    return {
        unit: (names.get(canonical, canonical), factor)
        for canonical, factors in by_canonical.items()
        for unit, factor in factors.items()
    }


_FORMS = (
    EventForm(
        EventKind.DOSE,
        "Liquid carbon given",
        "dose",
        (
            *("dosing", "dosed", "dosage", "carbon dose", "carbon dosed", "liquid carbon", "carbon source"),
            *("ethanol", "vodka", "vinegar", "acetate"),
        ),
        # An ounce of a liquid may be a weight or a measure, so it is taken only where it says which.
        _units(mL=MILLILITRES, g={unit: factor for unit, factor in GRAMS.items() if unit != "oz"}),
        {"mL": (0, 10_000), "g": (0, 10_000)},
        {"mL": (0, 200), "g": (0, 100)},
    ),
    EventForm(
        EventKind.POLYMER_ADDED,
        "Polymer pellets added to the reactor",
        "polymer addition",
        (
            *("pellets added", "added pellets", "added polymer", "pellets topped up", "pellet top up"),
            *("polymer top up", "reactor filled", "reactor topped up"),
        ),
        _units(g=GRAMS, mL=MILLILITRES),
        {"g": (0, 100_000), "mL": (0, 100_000)},
        {"g": (0, 2_000), "mL": (0, 3_000)},
    ),
    EventForm(
        EventKind.POLYMER_WEIGHED,
        "Polymer pellets in the reactor, weighed",
        "weighing of the polymer",
        ("pellets weighed", "weighed pellets", "weighed polymer", "pellet weight", "polymer weight"),
        _units(g=GRAMS),
        {"g": (0, 200_000)},
        {"g": (0, 5_000)},
    ),
    EventForm(
        EventKind.FEED,
        "Feed given",
        "feed",
        ("feeding", "fed", "food", "fish food", "feed given"),
        _units(g=GRAMS),
        {"g": (0, 50_000)},
        {"g": (0, 100)},
    ),
    EventForm(
        EventKind.WATER_CHANGE,
        "Water changed",
        "water change",
        ("wc", "pwc", "water changed", "waterchange", "partial water change", "change of water"),
        _units(L=LITRES),
        {"L": (0, 1_000_000)},
        {"L": (0, 2_000)},
    ),
    EventForm(
        EventKind.LOSS,
        "Animals lost",
        "loss",
        (
            *(
                "losses",
                "lost",
                "animal lost",
                "animals lost",
                "fish lost",
                "death",
                "deaths",
                "died",
                "dead",
            ),
            *("fish died", "dead fish", "mortality"),
        ),
        _units(count=COUNT),
        {"1": (0, 10_000)},
        {"1": (0, 5)},
        whole=True,
    ),
    EventForm(
        EventKind.FAULT,
        "Fault of equipment",
        "fault",
        (
            *("equipment fault", "failure", "equipment failure", "pump failure", "breakdown", "defect"),
            *("power cut", "power failure", "outage"),
        ),
        {},
        {},
        {},
    ),
    EventForm(
        EventKind.CLEAN,
        "Reactor or skimmer cleaned",
        "cleaning",
        ("cleaned", "cleaning", "reactor cleaned", "skimmer cleaned", "cleaned reactor", "cleaned skimmer"),
        {},
        {},
        {},
    ),
    EventForm(
        EventKind.LIVESTOCK,
        "Animals added",
        "addition of livestock",
        (
            *(
                "livestock added",
                "animals added",
                "animal added",
                "fish added",
                "coral added",
                "corals added",
            ),
            *("added fish", "new fish", "stocking", "stocked"),
        ),
        _units(count=COUNT),
        {"1": (0, 10_000)},
        {"1": (0, 30)},
        whole=True,
    ),
    EventForm(
        EventKind.MEDICATION,
        "Medication given",
        "medication",
        ("medicine", "medicated", "medicine given", "medication given"),
        {},
        {},
        {},
    ),
    EventForm(
        EventKind.OTHER,
        "Something else",
        "note",
        ("misc", "miscellaneous", "note", "remark", "observation", "others"),
        {},
        {},
        {},
    ),
)

EVENTS: Mapping[EventKind, EventForm] = MappingProxyType({form.kind: form for form in _FORMS})
"""What an event of each kind looks like."""

TEXTS = ("tank", "utc_offset", "kind", "unit", "by", "note", "raw_amount", "raw_unit")
"""Columns of an event that are text; all but tank and kind may be empty."""


def _folded(text: str) -> str:
    """Case, spaces, hyphens and underscores do not tell kinds apart."""
    return re.sub(r"[\s_\-]+", " ", text).strip().casefold()


_KIND_OF = {
    _folded(name): form.kind for form in _FORMS for name in (*form.names, form.title, form.kind.value)
}


def kind_named(text: str) -> EventKind | None:
    """The kind that is called so; None where nobody does.

    Examples
    --------
    >>> kind_named("Water change"), kind_named("WC"), kind_named("treatment")
    (<EventKind.WATER_CHANGE: 'water-change'>, <EventKind.WATER_CHANGE: 'water-change'>, None)
    """
    return _KIND_OF.get(_folded(text))


def kind_like(text: str) -> EventKind | None:
    """The kind whose name is spelt most like a text; None where none is, or where names of two kinds are."""
    close = difflib.get_close_matches(_folded(text), _KIND_OF, n=3, cutoff=_LIKE)
    kinds = {_KIND_OF[name] for name in close}
    return kinds.pop() if len(kinds) == 1 else None


def kind_near(text: str) -> EventKind | None:
    """The kind that may be meant, to be asked and not to be taken; None where no name comes near."""
    close = nearest(_folded(text), list(_KIND_OF), cutoff=0.7)
    return _KIND_OF[close] if close else None


def kinds_in_words() -> str:
    """All kinds, for a sentence."""
    return ", ".join(EventKind)


def amount_in_words(amount: float, unit: str) -> str:
    """An amount with its unit, for people; empty where there is none.

    Examples
    --------
    >>> amount_in_words(5.0, "mL"), amount_in_words(2.0, "1"), amount_in_words(float("nan"), "")
    ('5 mL', '2', '')
    """
    if amount != amount:  # noqa: PLR0124 - what a missing number is known by
        return ""
    return f"{amount:.10g}" if unit in ("", "1") else f"{amount:.10g} {unit}"


def empty_events() -> pd.DataFrame:
    """No events, with every column typed as it would be with some."""
    columns = {
        name: pd.Series([], dtype=str)
        for name in ("sheet", "row", "tank", "at", "utc_offset", "kind", "amount", *TEXTS[3:])
    }
    columns["row"] = pd.Series([], dtype=np.int64)
    columns["at"] = pd.Series([], dtype="datetime64[us]")
    columns["amount"] = pd.Series([], dtype=np.float64)
    return pd.DataFrame(columns)
