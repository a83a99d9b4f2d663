"""The error rate shared among comparisons: all of the primary endpoints are one family, any other endpoint is its own."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from analysis.multiplicity import adjust
from schemas.vocabulary import EndpointRole, Multiplicity

if TYPE_CHECKING:
    from analysis.records import EndpointResult


def share_error_rate(results: list[EndpointResult], rule: Multiplicity) -> list[EndpointResult]:
    """Adjusted p: all comparisons of all primary endpoints are one family, any other endpoint is its own.

    Dunnett's rule holds within an endpoint, and primary endpoints share by Bonferroni; endpoints whose
    comparisons have no t (counts) go by Holm then.
    """
    primaries = [result for result in results if result.role is EndpointRole.PRIMARY]
    if rule is Multiplicity.DUNNETT:
        return [_dunnett_shared(result, len(primaries)) for result in results]
    family = iter(adjust([c.p for result in primaries for c in result.contrasts], rule))
    adjusted = []
    for result in results:
        if result.role is EndpointRole.PRIMARY:
            values = [next(family) for _ in result.contrasts]
        else:
            values = adjust([c.p for c in result.contrasts], rule)
        contrasts = tuple(replace(c, p_adjusted=p) for c, p in zip(result.contrasts, values, strict=True))
        adjusted.append(replace(result, contrasts=contrasts))
    return [replace(result, notes=(*result.notes, *_disagreements(result, rule))) for result in adjusted]


def _dunnett_shared(result: EndpointResult, primaries: int) -> EndpointResult:
    share = primaries if result.role is EndpointRole.PRIMARY else 1
    given = [contrast.p_adjusted for contrast in result.contrasts]
    if all(p is None for p in given):
        given = adjust([contrast.p for contrast in result.contrasts], Multiplicity.HOLM)
    contrasts = tuple(
        replace(c, p_adjusted=None if p is None else min(1.0, share * p))
        for c, p in zip(result.contrasts, given, strict=True)
    )
    shared = replace(result, contrasts=contrasts)
    return replace(shared, notes=(*shared.notes, *_disagreements(shared, Multiplicity.DUNNETT)))


def _disagreements(result: EndpointResult, rule: Multiplicity) -> list[str]:
    """Comparisons whose own interval excludes "no difference" while the shared error rate does not."""
    return [
        f"{c.test} against {c.reference}: p is below {result.alpha:g} alone but not after the error rate is shared "
        f"({rule}), so the interval is not proof of a difference."
        for c in result.contrasts
        if c.p is not None and c.p_adjusted is not None and c.p < result.alpha <= c.p_adjusted
    ]
