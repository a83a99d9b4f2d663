"""Levels at which keepers hold or stop a dose, whatever the protocol's stop rules say.

All levels are common practice, no source: a vet, or whoever is licensed to, decides. A level that a stop rule of the
protocol watches in the same direction is left to that rule.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from analysis.numerals import quantity
from analysis.watch.day_values import dates_in_words
from analysis.watch.findings import Finding, Kind, Severity
from analysis.watch.stop_rules import State, past_threshold, standing
from schemas.protocol import StopRule

if TYPE_CHECKING:
    from collections.abc import Iterator

    from analysis.watch.day_values import DayValues
    from analysis.watch.watched import Watched


@dataclass(frozen=True)
class Level:
    """A level of a variable that asks for something.

    Parameters
    ----------
    severity : Severity
    rule : StopRule
        The variable and its threshold; one test is enough.
    to_do : str
    dosed : bool
        Whether it is only looked at where carbon is given.
    """

    severity: Severity
    rule: StopRule
    to_do: str
    dosed: bool = False


_NITRITE = "It adds to what many nitrate kits show: nitrate read with it may be too high."
_STOP = (
    "Stop the carbon, aerate, change water, and look at the animals at once; call a vet, or whoever is licensed to, if "
    "any look ill. The tank stays in the trial."
)


def _level(severity: Severity, to_do: str, *, dosed: bool = False, **rule: float | str) -> Level:
    return Level(severity, StopRule.model_validate({"action": to_do, **rule}), to_do, dosed)


LEVELS = (
    _level(Severity.NOW, f"{_STOP} {_NITRITE}", variable="nitrite", above=2.0),
    _level(
        Severity.SOON,
        f"Do not raise the dose, and test again within two days. {_NITRITE}",
        variable="nitrite",
        above=0.2,
    ),
    _level(Severity.NOW, _STOP, variable="oxygen", below=4.5),
    _level(
        Severity.SOON,
        "Aerate, and measure again before the lights come on; no carbon in the evening.",
        variable="oxygen",
        below=5.5,
    ),
    _level(Severity.NOW, _STOP, variable="oxygen-saturation", below=70.0),
    _level(
        Severity.SOON,
        "Aerate, and measure again before the lights come on; no carbon in the evening.",
        variable="oxygen-saturation",
        below=80.0,
    ),
    _level(
        Severity.SOON,
        "Feed less, do not raise the dose, and test again within two days; at a high pH more of it is poisonous.",
        variable="ammonia",
        above=0.1,
    ),
    _level(
        Severity.SOON,
        "Do not raise the dose or halve it, and test again within two days. A reactor with pellets, where there is one, "
        "can make hydrogen sulfide when nitrate runs out: look at it, never lean in to smell.",
        variable="nitrate",
        below=1.0,
        dosed=True,
    ),
    _level(
        Severity.SOON,
        "Do not raise the dose or halve it, feed as usual, and test again within two days.",
        variable="phosphate",
        below=0.03,
        dosed=True,
    ),
)
"""The most urgent level of a variable and direction comes first, and only the first that holds is said."""


def level_findings(watched: Watched) -> Iterator[Finding]:
    """Every tank whose last test of a variable is past a level for sure."""
    for tank in watched.in_trial:
        said: set[tuple[str, bool]] = set()
        for level in LEVELS:
            key = (level.rule.variable, level.rule.below is not None)
            values = watched.days(level.rule.variable, tank.id)
            if not len(values) or key in said or (level.dosed and watched.dosed_since(tank.id) is None):
                continue
            sure, _ = past_threshold(level.rule, values)
            if not sure[-1]:
                continue
            said.add(key)
            if level.severity is Severity.NOW or not _ruled(watched, level.rule, tank.id, values):
                yield _finding(watched, level, tank.id, values)


def _ruled(watched: Watched, level: StopRule, tank: str, values: DayValues) -> bool:
    """Whether a stop rule of the same variable and direction speaks of this tank already."""
    del tank
    return any(
        standing(rule, values).state in {State.MET, State.UNDECIDED, State.NEAR}
        for rule in watched.protocol.stop_rules
        if rule.variable == level.variable and (rule.below is None) == (level.below is None)
    )


def _finding(watched: Watched, level: Level, tank: str, values: DayValues) -> Finding:
    rule, last = level.rule, len(values) - 1
    unit = watched.variables[rule.variable].unit
    side, threshold = ("below", rule.below) if rule.below is not None else ("above", rule.above)
    day = values.date(last)
    while_dosed = " while carbon is dosed" if level.dosed else ""
    words = (
        f"Tank {tank}: {rule.variable} is {side} {quantity(threshold)} {unit}{while_dosed}: "
        f"{dates_in_words(values, range(max(0, last - 1), last + 1), unit)} (a level of common practice)."
    )
    done = watched.acted_since(tank, day)
    severity = Severity.SOON if done else level.severity
    return Finding(
        Kind.LEVEL, severity, words + done, level.to_do, site=watched.site_of[tank], tank=tank, since=day
    )
