"""What must be known of a pooled result before it is used, in sentences."""

from __future__ import annotations

from typing import TYPE_CHECKING

from analysis.numerals import count, number, p_value, quantity
from analysis.pooled_wording import interval_words, margin_words, size_words
from analysis.trial_modifiers import FEWEST_FOR_SMALL_STUDY
from schemas.plain_words import listed

if TYPE_CHECKING:
    from collections.abc import Iterator

    from analysis.pooled_records import Pooled, PooledFit

FEW = 5
"""Trials below which the variance between them is hardly known."""
_LARGE_DF = 30


def notes_of(pooled: Pooled) -> tuple[str, ...]:
    """The notes of one question, what turns the reading first."""
    said = [*_turns(pooled), *_few(pooled), *_margins(pooled), *_variances(pooled)]
    if len(pooled.trials) > 1:
        said += [*_prediction(pooled), *_small_study(pooled), *_modifiers(pooled)]
    said += _sources(pooled)
    return tuple(said)


def _few(pooled: Pooled) -> Iterator[str]:
    k = len(pooled.trials)
    if k == 1:
        yield "Only one trial answers this question: it is shown as it stands, and nothing is pooled."
    elif k < FEW:
        yield (
            f"With {k} trials the variance between trials is hardly known: read the interval as the least doubt there "
            "is, and tau2 and I2 with their own intervals."
        )
    elif k < FEWEST_FOR_SMALL_STUDY:
        yield f"{k} trials are few to judge how much trials differ; see the interval of tau2."


def _turns(pooled: Pooled) -> Iterator[str]:
    """What would change the reading: the choice of interval, of method, or one trial."""
    if pooled.reader.name != pooled.main.name:
        yield (
            "The trials agree so closely that Hartung and Knapp's interval is narrower than the fixed effect's, which "
            "happens by chance where trials are few: the reading is taken from the interval with their factor kept at 1 "
            f"or more ({_interval(pooled, pooled.reader)}), not from theirs ({_interval(pooled, pooled.main)})."
        )
    if pooled.verdict is None:
        return
    for fit in pooled.beside:
        if (
            fit.name == "paule-mandel-hartung-knapp"
            and pooled.reader.name == pooled.main.name
            and fit.verdict != pooled.verdict
        ):
            yield f"By Paule and Mandel's variance between trials the reading would be “{fit.verdict}”."
        if (
            fit.name == "variances-of-t"
            and pooled.reader.name == pooled.main.name
            and fit.verdict != pooled.verdict
        ):
            yield (
                "With each trial's variance made larger for its few degrees of freedom the reading would be "
                f"“{fit.verdict}”."
            )
    turning: dict[str, list[str]] = {}
    for left in pooled.leave_one_out if len(pooled.trials) > 2 else ():
        if left.verdict != pooled.verdict:
            turning.setdefault(str(left.verdict), []).append(left.name)
    for verdict, names in turning.items():
        rests = "that trial" if len(names) == 1 else "each of them"
        yield f"Without {listed(names)} the reading would be “{verdict}”: it rests on {rests}."


def _margins(pooled: Pooled) -> Iterator[str]:
    without = [trial.trial for trial in pooled.trials if trial.margin is None]
    if len(pooled.margins) > 1:
        yield (
            f"The trials registered different worthwhile differences ({margin_words(pooled)}): the reading is the strictest, "
            "what holds against every one of them."
        )
    if without and pooled.margins:
        yield f"No worthwhile difference was registered by {listed(without, 'and')}; the others' is used."


def _variances(pooled: Pooled) -> Iterator[str]:
    dfs = [trial.df for trial in pooled.trials if trial.df is not None]
    if len(pooled.trials) == 1 or not dfs or min(dfs) >= _LARGE_DF:
        return
    text = (
        "Each trial weighs by the square of its own standard error, taken as known though estimated on few degrees of "
        f"freedom ({number(min(dfs), 0)} in the smallest); the pooled interval is too sure by that much."
    )
    larger = next((fit for fit in pooled.beside if fit.name == "variances-of-t"), None)
    if larger is not None:
        text += f" With the variance of each trial's t law it is {_interval(pooled, larger)}."
    yield text


def _prediction(pooled: Pooled) -> Iterator[str]:
    found = pooled.prediction
    if found is None:
        return
    excludes = pooled.reader.low > 0 or pooled.reader.high < 0
    if excludes and found.low <= 0 <= found.high:
        yield (
            "The mean effect differs from none, and a further trial may still truly find none or the opposite: its "
            f"prediction interval is {interval_words(pooled.question, found.low, found.high)}."
        )
    if len(pooled.trials) == 2:
        yield "A prediction from two trials says little: it has one degree of freedom."


def _small_study(pooled: Pooled) -> Iterator[str]:
    found = pooled.small_study
    k = len(pooled.trials)
    if found is not None:
        yield (
            f"Effect against standard error: z = {number(found.z, 2)}, p {p_value(found.p)}. A slope may come from "
            "small trials that stayed unpublished, or from small trials that truly differ."
        )
    elif k < FEWEST_FOR_SMALL_STUDY:
        yield (
            f"Whether small trials find larger effects is not tested: below {FEWEST_FOR_SMALL_STUDY} trials a funnel cannot "
            f"be told from chance, and there are {k}. Ask who else did such a trial and did not show it."
        )


def _modifiers(pooled: Pooled) -> Iterator[str]:
    if pooled.modifiers:
        few = min(slope.k for slope in pooled.modifiers)
        yield (
            "Slopes on what differs between trials are exploratory: trials were not drawn to differ in it, "
            f"{count(few, 'trial')} are {'too few to tell one reason from another' if few < 10 else 'few for more than one'}, "
            "and no slope is evidence of a cause."
        )


def _sources(pooled: Pooled) -> Iterator[str]:
    published = [trial.trial for trial in pooled.trials if trial.published]
    if published:
        were = "is" if len(published) == 1 else "are"
        yield (
            f"{listed(published, 'and')} {were} from a publication: its readings were not seen, and what it left out or "
            "chose to print cannot be checked."
        )
    for trial in pooled.trials:
        for remark in trial.remarks:
            yield f"{trial.trial}: {remark}"


def _interval(pooled: Pooled, fit: PooledFit) -> str:
    return interval_words(pooled.question, fit.low, fit.high, pooled.margins)


def summary_of(pooled: Pooled) -> str:
    """Heterogeneity in one line; empty where nothing is pooled."""
    found = pooled.heterogeneity
    if found is None:
        return ""
    return (
        f"Between trials: tau2 {quantity(found.tau2)} ({quantity(found.tau2_low)} to {quantity(found.tau2_high)}), "
        f"I2 {number(100 * found.i2, 0)} % ({number(100 * found.i2_low, 0)} to {number(100 * found.i2_high, 0)} %), "
        f"Q {quantity(found.q)} on {found.df}, p {p_value(found.p)}; the trials lie between "
        f"{size_words(pooled.question, min(t.estimate for t in pooled.trials))} and "
        f"{size_words(pooled.question, max(t.estimate for t in pooled.trials))}."
    )
