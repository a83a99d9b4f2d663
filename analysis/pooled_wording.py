"""What pooled trials say in plain words: sizes, intervals, what is settled, and what the next trial should be."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from analysis.next_trial import MOST, SETTLED
from analysis.numerals import count, number, places_apart, places_for, plain, quantity
from schemas.plain_words import listed
from schemas.vocabulary import Better, Scale, Summary, Verdict

if TYPE_CHECKING:
    from collections.abc import Sequence

    from analysis.pooled_records import NextTrial, Pooled, PooledFit, PooledQuestion

_TIMES_FROM = 2.0
"""From this ratio on, "2.4 times as high" reads better than "140 % higher"."""

_MEANS = {
    Verdict.WORTHWHILE: "every size that the trials together allow is large enough to matter",
    Verdict.TOO_SMALL: "there is an effect, and it is too small to matter",
    Verdict.UNSETTLED_SIZE: "there is an effect, and whether it is large enough to matter is open",
    Verdict.NONE_WORTHWHILE: "if there is an effect at all, it is too small to matter",
    Verdict.UNSETTLED: "the trials together fit no difference as well as one that matters, which is not the same as "
    "finding none",
}


def reported(question: PooledQuestion, value: float) -> float:
    """A working-scale number on the reported scale: the ratio, or the difference itself."""
    if question.scale is not Scale.RATIO:
        return value
    return math.exp(value) if value < 700 else math.inf


def size_words(question: PooledQuestion, value: float, places: int | None = None) -> str:
    """A difference (working scale) as a size with its direction: ``38 % lower``, ``1.2 mg/L higher``.

    Examples
    --------
    >>> from analysis.pooled_records import PooledQuestion
    >>> from schemas.vocabulary import EndpointRole
    >>> asked = PooledQuestion(
    ...     "q", "", EndpointRole.PRIMARY, "nitrate", Summary.MEAN, "assessment", Scale.RATIO, "1", Better.LOWER,
    ...     "solid carbon", "control"
    ... )
    >>> size_words(asked, math.log(0.62)), size_words(asked, math.log(3))
    ('38 % lower', '3 times as high')
    """
    shown = reported(question, value)
    down, up = ("sooner", "later") if question.summary is Summary.DAYS_TO_TARGET else ("lower", "higher")
    way = up if value > 0 else down
    if question.scale is Scale.RATIO:
        if shown >= _TIMES_FROM:
            return f"{quantity(shown, 2 if shown < 10 else 3)} times as high"
        size = round(abs(shown - 1) * 100, 9)  # 0.9 is 10 % lower, not 9.999...
        text = number(size, places_for(size) if places is None else places)
        return f"{text} % {way}" if value else "the same"
    text = quantity(abs(shown)) if places is None else number(abs(shown), places)
    unit = "" if question.unit == "1" else f" {plain(question.unit, 30)}"
    return f"{text}{unit} {way}" if value else "the same"


def interval_words(question: PooledQuestion, low: float, high: float, margins: Sequence[float] = ()) -> str:
    """An interval as sizes: ``12 % lower to 3 % higher``, its digits kept apart from what it is read against."""
    ends, marks = [low, high], [0.0, *margins, *(-margin for margin in margins)]
    if question.scale is Scale.RATIO:
        ends, marks = ([(reported(question, value) - 1) * 100 for value in row] for row in (ends, marks))
    ends = [end for end in ends if math.isfinite(end)]
    width = abs(ends[-1] - ends[0]) / 2 if len(ends) == 2 else 1.0
    places = places_apart(ends, marks, places_for(width))
    return f"{size_words(question, low, places)} to {size_words(question, high, places)}"


def comparison(question: PooledQuestion) -> str:
    """The two sides: ``solid carbon against control``."""
    return f"{plain(question.test, 60)} against {plain(question.reference, 60)}"


def answer(pooled: Pooled) -> str:
    """What the trials of one question say together, in one or two sentences."""
    question = pooled.question
    k = len(pooled.trials)
    lead = f"{plain(question.title, 120)}, {comparison(question)}"
    size = f"{size_words(question, pooled.main.estimate)}, interval {_interval(pooled, pooled.reader)}"
    if k == 1:
        return f"{lead}: one trial alone ({pooled.trials[0].trial}), not pooled: {size}{_reading(pooled)}."
    tanks = sum(trial.tanks for trial in pooled.trials)
    return f"{lead}: {count(k, 'trial')}, {count(tanks, 'tank')}: {size}{_reading(pooled)}."


def prediction_words(pooled: Pooled) -> str:
    """Where a further trial's true effect is expected; empty where nothing is pooled."""
    if pooled.prediction is None:
        return ""
    low, high = pooled.prediction.low, pooled.prediction.high
    level = quantity(100 * (1 - pooled.alpha))
    return (
        f"The true effect of a further trial of the same kind is expected from {interval_words(pooled.question, low, high)} "
        f"({level} % prediction interval)."
    )


def settled_words(pooled: Sequence[Pooled]) -> tuple[list[str], list[str]]:
    """What the body of evidence settles and what it does not, one line a question."""
    settled: list[str] = []
    unsettled: list[str] = []
    for one in pooled:
        name = f"{plain(one.question.title, 120)}, {comparison(one.question)}"
        if one.verdict is None:
            unsettled.append(f"{name}: no trial registered a worthwhile difference, so its weight is open.")
            continue
        line = f"{name}: {one.verdict}; {_MEANS[one.verdict]}"
        if one.verdict in SETTLED:
            settled.append(f"{line}{' (one trial alone)' if len(one.trials) == 1 else ''}.")
        else:
            unsettled.append(f"{line}.")
    return settled, unsettled


def next_trial_words(pooled: Pooled) -> list[str]:
    """What the next trial of a question should be, in sentences."""
    plan = pooled.next_trial
    if plan is None:
        return ["No trial tells how much tanks differ, so no size can be worked out for the next one."]
    return [sentence for sentence in _next(pooled, plan) if sentence]


def _next(pooled: Pooled, plan: NextTrial) -> list[str]:
    noun = "block" if plan.blocked else "tank"
    each = "" if plan.blocked else " an arm"
    wished = f"{100 * plan.wished:g} %"
    why = "what is left is whether it holds elsewhere" if plan.settled else "the question is open"
    start = (
        f"Next: {why}. Plan with the pooled estimate ({size_words(pooled.question, plan.effect)}), the sd of the trials "
        f"({quantity(plan.sd)}) and an effect that may differ by {quantity(plan.effect_sd)} (sd) from place to place."
    )
    said = [start]
    if plan.for_estimate is not None:
        said.append(
            f"{count(plan.for_estimate, noun)}{each} find the pooled estimate with a power of {wished}."
        )
    else:
        said.append(f"Not even {MOST} {noun}s{each} find the pooled estimate with a power of {wished}.")
    if plan.on_average is not None:
        said.append(
            f"{count(plan.on_average, noun)}{each} have that power on average over what a further trial may truly find."
        )
    else:
        said.append(
            f"No size up to {MOST} has that power on average: only {100 * plan.right_way:.0f} % of further trials would "
            "truly differ in the direction of the estimate."
        )
    if plan.for_least is not None:
        said.append(
            f"{count(plan.for_least, noun)}{each} find even the least effect of the prediction interval."
        )
    if not plan.settled and pooled.margins and len(pooled.trials) > 1:
        said.append(_settling(plan, noun, each))
    return said


def _settling(plan: NextTrial, noun: str, each: str) -> str:
    if plan.settling is not None:
        return f"One more trial of {count(plan.settling, noun)}{each} would settle it, were the estimate to stay."
    if plan.settling_trials is not None:
        return (
            f"One more trial of up to {MOST} {noun}s{each} would not settle it; about {plan.settling_trials} more like those "
            "so far would, were the estimate to stay."
        )
    return "More trials of this kind would hardly settle it, were the estimate to stay: it lies too near to the margin."


def _reading(pooled: Pooled) -> str:
    return f"; {pooled.verdict}" if pooled.verdict else "; no worthwhile difference registered"


def _interval(pooled: Pooled, fit: PooledFit) -> str:
    return interval_words(pooled.question, fit.low, fit.high, pooled.margins)


def margin_words(pooled: Pooled) -> str:
    """The worthwhile differences of the trials in the better direction; empty where there is none."""
    sign = -1 if pooled.question.better is Better.LOWER else 1
    said = [size_words(pooled.question, sign * margin) for margin in pooled.margins]
    return listed(said, "and") if said else ""
