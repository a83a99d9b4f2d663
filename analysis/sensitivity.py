"""The registered contrasts analysed in other defensible ways: shown beside, never a menu to choose from."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from analysis.censored_contrasts import censored_contrast
from analysis.cluster_robust import robust_contrast
from analysis.mixed_model import RandomBlocks
from analysis.question import WHOLE_MODEL
from analysis.records import Sensitivity
from schemas.errors import AnalysisError
from schemas.plain_words import listed
from schemas.vocabulary import DesignKind, Variance

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping

    from analysis.question import Question
    from analysis.records import EndpointResult, Fit
    from schemas.allocation import Allocation


def sensitivities(question: Question, pairs: list[tuple[int, int]]) -> Iterator[Sensitivity]:
    """Every way that fits the design and the data, in a fixed order."""
    if not question.kept:
        return
    if question.design not in WHOLE_MODEL:
        other = Variance.POOLED if question.variance is Variance.OWN else Variance.OWN
        yield _again(
            f"{other}-variance", question, pairs, lambda t, r: question.fit(question.data, other, t, r)
        )
    if question.design in WHOLE_MODEL:
        yield _again(
            "cluster-robust",
            question,
            pairs,
            lambda t, r: robust_contrast(question.data, t, r, question.level),
        )
    if _ragged(question):
        mixed = _mixed(question)
        if mixed is not None:
            yield _again("mixed-model", question, pairs, lambda t, r: mixed.contrast(t, r, question.level))
    if any(tank.y_lowest != tank.y_highest for tank in question.kept):
        own = question.variance is Variance.OWN
        yield _again(
            "censored-likelihood",
            question,
            pairs,
            lambda t, r: censored_contrast(question.low, question.high, t, r, question.level, own=own).fit,
        )


def _again(
    name: str, question: Question, pairs: list[tuple[int, int]], fit: Callable[[int, int], Fit | None]
) -> Sensitivity:
    return Sensitivity(name, tuple(question.contrast(fit(*pair), *pair) for pair in pairs))


def _ragged(question: Question) -> bool:
    """Blocks that lack an arm (a tank of a crossover, a period): there their totals know something of the arms."""
    if question.design in WHOLE_MODEL:
        return True
    if question.design is not DesignKind.BLOCKS:
        return False
    cells = set(zip(question.data.block.tolist(), question.data.arm.tolist(), strict=True))
    return len(cells) < len(set(question.data.block.tolist())) * len(question.data.arms)


def _mixed(question: Question) -> RandomBlocks | None:
    try:
        return RandomBlocks(question.data)
    except AnalysisError:
        return None  # too few tanks to tell the variances apart: the model says nothing beside the registered one


def allocation_as_treated(allocation: Allocation, treated_as: Mapping[str, str]) -> Allocation | None:
    """The allocation with the arm that each tank was in fact treated as; None where all were treated as allocated.

    Chance did not decide it, so it is not random, and no randomisation test goes with it.

    Parameters
    ----------
    treated_as : mapping of str to str
        Arm by tank, for the tanks of which a deviation says so.

    Raises
    ------
    AnalysisError
        A tank that was not allocated, or a crossover, where a tank has no one arm.
    """
    strangers = sorted(treated_as.keys() - {a.tank for a in allocation.assignments})
    if strangers:
        raise AnalysisError(
            f"no arm was allocated to {listed(strangers)}, so there is none to treat otherwise."
        )
    if treated_as and any(a.period is not None for a in allocation.assignments):
        raise AnalysisError(
            "a crossover gives each tank its arms in turn; it cannot be analysed as treated here."
        )
    arms = [treated_as.get(a.tank, a.arm) for a in allocation.assignments]
    if arms == [a.arm for a in allocation.assignments]:
        return None
    assignments = tuple(replace(a, arm=arm) for a, arm in zip(allocation.assignments, arms, strict=True))
    return replace(allocation, assignments=assignments, random=False, drawn=False)


def with_kit_corrected(result: EndpointResult, corrected: EndpointResult) -> EndpointResult:
    """The registered result with the same analysis of readings as corrections of their kits have them beside it."""
    beside = Sensitivity("kit-corrected", corrected.contrasts)
    return replace(result, sensitivity=(*result.sensitivity, beside))


def with_as_treated(result: EndpointResult, treated: EndpointResult) -> EndpointResult:
    """The registered result with the same analysis of the tanks as they were treated beside it."""
    beside = Sensitivity("as-treated", treated.contrasts)
    return replace(result, sensitivity=(*result.sensitivity, beside))
