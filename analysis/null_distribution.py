"""What a comparison would have come to under every draw that could have been, as a histogram.

The law is that of the randomisation test itself, so that the bars at or beyond the observed value add up to its p;
where the draws are too many to list, they are counted by meeting in the middle and never enumerated.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from analysis.question import WHOLE_MODEL, question_of
from analysis.randomisation import redraw_law
from schemas.vocabulary import DesignKind, Summary

if TYPE_CHECKING:
    from analysis.records import Analysis, EndpointResult
    from analysis.redraws import Law
    from schemas.allocation import Allocation
    from schemas.protocol import Protocol

BARS = 20
"""Bars on either side of no difference, about."""


@dataclass(frozen=True)
class NullDistribution:
    """Shares of the draws by the estimate that they would have given, on the reported scale.

    Parameters
    ----------
    test, reference : str
    edges : tuple of float
        One more than there are bars, in rising order.
    share : tuple of float
        Of all draws, one a bar; together 1. Estimates of exactly no difference count half to either middle bar.
    beyond : tuple of bool
        Bars at least as far from no difference as the observed value, on either side. Where the observed value lies
        too near to no difference to have an edge of its own, the two middle bars count as well.
    observed, p : float
        The estimate of the real draw, and the test's p.
    draws : int
    exact : bool
    """

    test: str
    reference: str
    edges: tuple[float, ...]
    share: tuple[float, ...]
    beyond: tuple[bool, ...]
    observed: float
    p: float
    draws: int
    exact: bool


def null_distributions(
    protocol: Protocol, allocation: Allocation, analysis: Analysis, result: EndpointResult
) -> tuple[NullDistribution, ...]:
    """One for each comparison of an endpoint that has a randomisation test; none for counts and before-after."""
    if (
        not allocation.random
        or result.summary is Summary.COUNT
        or protocol.design.kind is DesignKind.BEFORE_AFTER
    ):
        return ()
    endpoint = next(e for e in protocol.endpoints if e.id == result.id)
    question = question_of(
        protocol, endpoint, allocation, list(result.tanks), f"{analysis.protocol_digest}|{result.id}"
    )
    found = []
    for contrast in result.contrasts:
        if contrast.randomisation is None:
            continue
        test, reference = (question.data.arms.index(arm) for arm in (contrast.test, contrast.reference))
        law = redraw_law(
            question.data,
            test,
            reference,
            question.draw_seed(test, reference),
            whole_model=question.design in WHOLE_MODEL,
            admissible=question.admissible(test, reference),
        )
        if law is None or law.reach == 0:
            continue
        edges, share, beyond = histogram(law)
        found.append(
            NullDistribution(
                contrast.test,
                contrast.reference,
                tuple(_reported(question.reported(edge)) for edge in edges),
                share,
                beyond,
                _reported(question.reported(law.observed(0.0))),
                contrast.randomisation.p,
                law.draws,
                law.exact,
            )
        )
    return tuple(found)


def histogram(law: Law) -> tuple[tuple[float, ...], tuple[float, ...], tuple[bool, ...]]:
    """Edges, shares and which bars are at or beyond the observed value, on the working scale.

    An edge lies at the observed value, unless it is nearer to no difference than most of a bar.
    """
    usual = law.reach / BARS
    at = abs(law.observed(0.0))
    own_edge = at >= 0.75 * usual
    width = at / max(1, round(at / usual)) if own_edge else usual
    steps = np.arange(math.floor(law.reach / width * (1 + 1e-9)) + 2, dtype=np.float64)
    above, below = law.beyond(np.asarray(width * steps, dtype=np.float64))
    nothing = above[0] + below[0] - 1
    sides = [-np.diff(side - (nothing / 2) * (steps == 0)) for side in (below, above)]
    share = np.concatenate([sides[0][::-1], sides[1]])
    edges = width * np.arange(-len(sides[0]), len(sides[1]) + 1)
    inner = np.minimum(np.abs(edges[:-1]), np.abs(edges[1:]))
    far = inner >= at * (1 - 1e-9) if own_edge else inner >= 0
    return tuple(edges.tolist()), tuple(share.tolist()), tuple(far.tolist())


def _reported(value: float | None) -> float:
    return math.inf if value is None else value
