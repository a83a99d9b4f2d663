"""Variables that nobody reads: worked out from husbandry events, from readings, or from both.

A protocol names them as secondary or safety endpoints. They are neither sampled nor taken in; a variable of the
protocol's own that bears the same name is read as ever and comes first.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from types import MappingProxyType
from typing import TYPE_CHECKING

from schemas.plain_words import listed
from schemas.variable import Variable
from schemas.vocabulary import Summary

if TYPE_CHECKING:
    from collections.abc import Mapping

OPEN = 1e9
"""A bound where none is known: nothing worked out is held for its size."""


@dataclass(frozen=True)
class DerivedVariable(Variable):
    """A variable that is worked out of the tanks' events and readings.

    Parameters
    ----------
    computed : str
        How, in one or two sentences.
    reads : tuple of str
        The variables whose readings it rests on.
    happenings : bool
        Whether it rests on events.
    of_carbon : bool
        Whether it tells what carbon an arm was given, and so which arm it is.
    summaries : tuple of Summary
        How it becomes one number a tank: rates as a mean over the days of the phase, happenings as a count.
    ratio : bool
        Whether it is above 0 in every tank that is looked after, so that ratios mean something.
    by_volume : bool
        Whether it needs the tank's ``volume_L``.
    """

    computed: str = ""
    reads: tuple[str, ...] = ()
    happenings: bool = True
    of_carbon: bool = False
    summaries: tuple[Summary, ...] = (Summary.MEAN,)
    ratio: bool = False
    by_volume: bool = False

    @property
    def can_be_zero_or_below(self) -> bool:
        """Whether a tank's number may well be 0 or negative."""
        return not self.ratio

    @property
    def from_what(self) -> str:
        """What it is worked out from, for a sentence."""
        read = f"readings of {listed(self.reads, 'and')}" if self.reads else ""
        return " and ".join(filter(None, ("events" if self.happenings else "", read)))


def _derived(
    id_: str, title: str, unit: str, form: str, computed: str, source: str, **more: object
) -> DerivedVariable:
    return DerivedVariable(
        id=id_,
        title=title,
        unit=unit,
        units={},
        hard=(-OPEN, OPEN) if more.pop("may_be_negative", False) else (0.0, OPEN),
        soft=None,
        resolution=1.0 if unit == "1" else None,
        zero_is_censored=False,
        form=form,
        source=source,
        computed=computed,
        **more,  # type: ignore[arg-type]
    )


_COUNTED = (Summary.COUNT,)
_FEED = (
    "feed holds 45 % protein and 1.2 % phosphorus (common practice, no source), 16 % of protein is nitrogen, and all of "
    "it counts as come into the water, so that what skimmer, algae and animals keep is removed as well"
)
_BALANCE = (
    "From the first to the last sampling day of the phase: what was there, and what feed brought in, less what water "
    "changes took out and what is left, by litre and day. A change takes the water as it stood between two readings, its "
    "new water holds none, and what happens on a sampling day comes after the reading"
)

DERIVED: Mapping[str, DerivedVariable] = MappingProxyType(
    {
        one.id: one
        for one in (
            _derived(
                "carbon-given",
                "Carbon given",
                "mg/L/d",
                "carbon (C) by litre of the tank and day",
                "What dissolves, from the doses and their strength, days without one as 0; of a polymer what was worn off "
                "between two weighings (weighed, plus added, less weighed next), spread evenly over their days",
                "carbon in each source: its formula, IUPAC standard atomic weights",
                of_carbon=True,
                by_volume=True,
            ),
            _derived(
                "feed-given",
                "Feed given",
                "g/d",
                "feed as it was weighed",
                "Grams of all feed over the days of the phase",
                "a sum",
                ratio=True,
            ),
            _derived(
                "water-changed",
                "Water changed",
                "%/d",
                "of the tank's volume_L",
                "Litres of all water changes as a share of the tank's volume, over the days of the phase",
                "a sum",
                ratio=True,
                by_volume=True,
            ),
            _derived(
                "nitrate-removed",
                "Nitrate removed",
                "mg/L/d",
                "nitrate ion (NO3), by mass balance",
                _BALANCE,
                _FEED,
                reads=("nitrate",),
                may_be_negative=True,
                by_volume=True,
            ),
            _derived(
                "phosphate-removed",
                "Phosphate removed",
                "mg/L/d",
                "phosphate ion (PO4), by mass balance",
                _BALANCE,
                _FEED,
                reads=("phosphate",),
                may_be_negative=True,
                by_volume=True,
            ),
            _derived(
                "nitrate-per-carbon",
                "Nitrate removed by gram of carbon",
                "mg/g",
                "nitrate ion (NO3) removed over carbon (C) given, of the same days",
                "nitrate-removed over carbon-given, both over the days from the first to the last sampling day",
                _FEED,
                reads=("nitrate",),
                of_carbon=True,
                may_be_negative=True,
                by_volume=True,
            ),
            _derived(
                "phosphate-per-carbon",
                "Phosphate removed by gram of carbon",
                "mg/g",
                "phosphate ion (PO4) removed over carbon (C) given, of the same days",
                "phosphate-removed over carbon-given, both over the days from the first to the last sampling day",
                _FEED,
                reads=("phosphate",),
                of_carbon=True,
                may_be_negative=True,
                by_volume=True,
            ),
            _derived(
                "nitrate-per-phosphate",
                "Nitrate by phosphate",
                "mg/mg",
                "slope of nitrate ion (NO3) on phosphate ion (PO4)",
                "Least-squares slope of nitrate on phosphate over the days of the phase on which both were measured, three or "
                "more, those with a reading beyond a kit's limit left out",
                "least squares; errors of the phosphate kit make it flatter than it is",
                reads=("nitrate", "phosphate"),
                happenings=False,
                may_be_negative=True,
            ),
            _derived(
                "losses",
                "Animals lost",
                "1",
                "",
                "Animals of all losses; a tank that was followed and lost none counts as 0",
                "a sum",
                summaries=_COUNTED,
            ),
            _derived(
                "faults",
                "Equipment faults",
                "1",
                "",
                "Faults of equipment; a tank that was followed and had none counts as 0",
                "a sum",
                summaries=_COUNTED,
            ),
            _derived(
                "stall-days",
                "Stall days",
                "1",
                "days",
                "Days on which phosphate was at its limit and nitrate did not fall for two weeks or more, from the end of the "
                "baseline on, in any tank, dosed or not",
                "two weeks, and what counts as the limit: common practice, no source",
                reads=("nitrate", "phosphate"),
                happenings=False,
                summaries=_COUNTED,
            ),
        )
    }
)
"""The derived variables by id."""


def derived_named(text: str) -> DerivedVariable | None:
    """The derived variable of that id or title, however spaced; None where none is called so."""
    return _BY_NAME.get(_folded(text))


def never_read(variable: DerivedVariable) -> str:
    """Why a reading of it is not taken, with what to send instead; a sentence without its end."""
    return f"{variable.id} is not read but worked out from {variable.from_what}: send those, and leave it out"


def _folded(text: str) -> str:
    return re.sub(r"[\s_\-]+", " ", text).strip().casefold()


_BY_NAME = {_folded(name): one for one in DERIVED.values() for name in (one.id, one.title)}
