"""Stop rules held against the days of each tank: met, over again, one test away, or not to be told.

A rule asks for so many tests in a row on one side of a threshold. A reading below a kit's limit is an interval:
``<0.03`` meets ``below = 0.05``, does not settle ``below = 0.02``, and never meets ``above``.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING

import numpy as np

from analysis.numerals import count, day_words, plain, quantity
from analysis.watch.day_values import dates_in_words
from analysis.watch.findings import Finding, Kind, Severity
from schemas.plain_words import listed

if TYPE_CHECKING:
    import datetime as dt
    from collections.abc import Iterator

    from numpy.typing import NDArray

    from analysis.watch.day_values import DayValues
    from analysis.watch.watched import Watched
    from schemas.protocol import StopRule

    Flags = NDArray[np.bool_]
    Ints = NDArray[np.int64]

_CLOSE = 1e-9
"""A limit converted to another unit and back is the same limit."""


class State(StrEnum):
    """How a rule stands in a tank."""

    MET = "met"
    UNDECIDED = "undecided"
    NEAR = "near"
    OVER = "over"
    CLEAR = "clear"


@dataclass(frozen=True)
class Standing:
    """How a rule stands in a tank after its last test.

    Parameters
    ----------
    state : State
        ``near`` where some tests in a row are past the threshold, but fewer than the rule asks for.
    since : date or None
        The day of the test that met the rule, or with which it was over; of the first test in question otherwise.
    met_on : date or None
        When the rule was last met, also if it is over.
    run, sure : int
        Tests in a row, up to the last, that are past the threshold or may be; and that are for sure.
    """

    state: State
    since: dt.date | None = None
    met_on: dt.date | None = None
    run: int = 0
    sure: int = 0


def past_threshold(rule: StopRule, values: DayValues) -> tuple[Flags, Flags]:
    """For each day, whether the value is past the threshold for sure, and whether it may be."""
    if rule.below is not None:
        edge = rule.below * (1 + _CLOSE)
        sure = (values.high < rule.below) | (values.below & (values.high <= edge))
        return sure, sure | (values.low < rule.below)
    above = rule.above if rule.above is not None else np.inf
    sure = (values.low > above) | (values.above & (values.low >= above * (1 - _CLOSE)))
    return sure, sure | (values.high > above * (1 + _CLOSE))


def standing(rule: StopRule, values: DayValues) -> Standing:
    """How a rule stands after the last of these days.

    Examples
    --------
    A rule that asks for two tests in a row is met by the second, and over with the first test that is not past the
    threshold.
    """
    if not len(values):
        return Standing(State.CLEAR)
    sure, may = past_threshold(rule, values)
    surely, perhaps = _runs(sure), _runs(may)
    asked = rule.consecutive
    last = len(values) - 1
    met = np.flatnonzero(surely == asked)
    met_on = values.date(int(met[-1])) if len(met) else None
    run, certain = int(perhaps[last]), int(surely[last])
    if certain >= asked:
        return Standing(State.MET, values.date(last - certain + asked), met_on, run, certain)
    if run:
        state = State.UNDECIDED if run >= asked else State.NEAR
        return Standing(state, values.date(last - run + 1), met_on, run, certain)
    if met_on is not None:
        ended = int(np.flatnonzero(~may[int(met[-1]) :])[0]) + int(met[-1])
        return Standing(State.OVER, values.date(ended), met_on)
    return Standing(State.CLEAR)


def _runs(flags: Flags) -> Ints:
    """For each place, how many places in a row up to it hold."""
    places = np.arange(1, len(flags) + 1)
    return places - np.maximum.accumulate(np.where(flags, 0, places))


def threshold_in_words(rule: StopRule, unit: str) -> str:
    """``below 0.03 mg/L``."""
    side, level = ("below", rule.below) if rule.below is not None else ("above", rule.above)
    return f"{side} {quantity(level)} {unit}".removesuffix(" 1").removesuffix(" pH")


def stop_rule_findings(watched: Watched) -> Iterator[Finding]:
    """Every rule in every tank of the trial that is met, may be met, is one test away, or is over again."""
    met: dict[str, dict[str, None]] = {}
    for rule in watched.protocol.stop_rules:
        for tank in watched.in_trial:
            values = watched.days(rule.variable, tank.id)
            stands = standing(rule, values)
            found = _finding(watched, rule, tank.id, values, stands)
            if found:
                yield found
            arm = watched.arm(tank.id)
            if stands.state is State.MET and arm is not None:
                met.setdefault(arm.id, {})[tank.id] = None
    for tanks in met.values():
        if len(tanks) > 1:
            yield _several(tuple(tanks))


def _several(tanks: tuple[str, ...]) -> Finding:
    """Several tanks of one arm, which is not named: the treatment itself may be what harms."""
    return Finding(
        Kind.STOP_RULE,
        Severity.SOON,
        f"Stop rules are met in {count(len(tanks), 'tank')} of one arm: {listed(tanks, 'and')}.",
        "The lead, with whoever answers for the animals, decides whether all tanks of that arm hold their dose; all sites are "
        "told. Animals come before data.",
    )


def _finding(
    watched: Watched, rule: StopRule, tank: str, values: DayValues, stands: Standing
) -> Finding | None:
    if stands.state is State.CLEAR or stands.since is None:
        return None
    severity, words, todo = _SAID[stands.state](watched, rule, tank, values, stands)
    record = f'fairtank amend --tank {tank} --rescue "what was done" --at {watched.today} --why ... --by ...'
    return Finding(
        Kind.STOP_RULE,
        severity,
        words,
        todo,
        f"Then record it: {record}" if severity is Severity.NOW else "",
        site=watched.site_of[tank],
        tank=tank,
        since=stands.since,
    )


def _met(
    watched: Watched, rule: StopRule, tank: str, values: DayValues, stands: Standing
) -> tuple[Severity, str, str]:
    since = stands.since or watched.today
    words = (
        f"Tank {tank}: {_past(watched, rule, 'was')} at {_last_tests(watched, rule, values, stands.sure)}. The stop rule "
        f"({_asked(rule)}) has been met since {day_words(since)}."
    )
    done = watched.acted_since(tank, since)
    if done:
        return Severity.SOON, words + done, f"Test again within two days. The rule says: {_action(rule)}"
    return Severity.NOW, words, f"{_action(rule)} Tell the lead what was done."


def _undecided(
    watched: Watched, rule: StopRule, tank: str, values: DayValues, stands: Standing
) -> tuple[Severity, str, str]:
    words = (
        f"Tank {tank}: {_past(watched, rule, 'may have been')} at {_last_tests(watched, rule, values, stands.run)}, which "
        f"the kit cannot tell. If it was, the stop rule ({_asked(rule)}) is met."
    )
    return Severity.SOON, words, f"Test again with a kit that can tell. If it is so: {_action(rule)}"


def _near(
    watched: Watched, rule: StopRule, tank: str, values: DayValues, stands: Standing
) -> tuple[Severity, str, str]:
    verb = "was" if stands.sure == stands.run else "may have been"
    words = (
        f"Tank {tank}: {_past(watched, rule, verb)} at {_last_tests(watched, rule, values, stands.run)}. The stop rule "
        f"({_asked(rule)}) is not met yet."
    )
    return (
        Severity.INFORMATION,
        words,
        f"Test again within two days. If the rule is then met: {_action(rule)}",
    )


def _over(
    watched: Watched, rule: StopRule, tank: str, values: DayValues, stands: Standing
) -> tuple[Severity, str, str]:
    unit = watched.variables[rule.variable].unit
    met, over = (day_words(day) if day else "" for day in (stands.met_on, stands.since))
    words = (
        f"Tank {tank}: the stop rule on {_past(watched, rule)} was last met on {met} and is over since the test of {over}; "
        f"now {dates_in_words(values, [len(values) - 1], unit)}."
    )
    return Severity.INFORMATION, words, ""


_SAID = {State.MET: _met, State.UNDECIDED: _undecided, State.NEAR: _near, State.OVER: _over}


def _past(watched: Watched, rule: StopRule, verb: str = "") -> str:
    """``phosphate was below 0.03 mg/L``."""
    limit = threshold_in_words(rule, watched.variables[rule.variable].unit)
    return " ".join(word for word in (rule.variable, verb, limit) if word)


def _last_tests(watched: Watched, rule: StopRule, values: DayValues, number: int) -> str:
    """The last tests of a run with their values, three of them at most."""
    last = len(values)
    shown = dates_in_words(values, range(last - min(number, 3), last), watched.variables[rule.variable].unit)
    between = ", most recently" if number > 3 else ":"
    return f"the last {count(number, 'test') if number > 1 else 'test'}{between} {shown}"


def _asked(rule: StopRule) -> str:
    return "one test is enough" if rule.consecutive == 1 else f"{rule.consecutive} tests in a row"


def _action(rule: StopRule) -> str:
    words = plain(rule.action)
    text = words[:1].upper() + words[1:]
    return text if text.endswith((".", "!", "?")) else f"{text}."
