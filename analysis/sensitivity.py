"""The registered contrasts analysed in other defensible ways: shown beside, never a menu to choose from."""

from __future__ import annotations

from typing import TYPE_CHECKING

from analysis.censored_contrasts import censored_contrast
from analysis.cluster_robust import robust_contrast
from analysis.mixed_model import RandomBlocks
from analysis.question import WHOLE_MODEL
from analysis.records import Sensitivity
from schemas.errors import AnalysisError
from schemas.vocabulary import DesignKind, Variance

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from analysis.question import Question
    from analysis.records import Fit


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
