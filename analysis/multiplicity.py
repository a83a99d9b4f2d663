"""Adjusted p-values for comparisons that share one error rate."""

from __future__ import annotations

from typing import TYPE_CHECKING

from schemas.vocabulary import Multiplicity

if TYPE_CHECKING:
    from collections.abc import Sequence


def holm(p: Sequence[float]) -> list[float]:
    """Holm's step-down adjusted p-values, in the order given (Holm 1979, Scand. J. Statist. 6:65).

    Examples
    --------
    >>> holm([0.01, 0.04, 0.03])
    [0.03, 0.06, 0.06]
    """
    order = sorted(range(len(p)), key=p.__getitem__)
    adjusted = [0.0] * len(p)
    largest = 0.0
    for rank, index in enumerate(order):
        largest = max(largest, min(1.0, (len(p) - rank) * p[index]))
        adjusted[index] = largest
    return adjusted


def fixed_order(p: Sequence[float]) -> list[float]:
    """Adjusted p-values of a fixed sequence: each comparison stands only if all before it do.

    Examples
    --------
    >>> fixed_order([0.01, 0.20, 0.03])
    [0.01, 0.2, 0.2]
    """
    adjusted: list[float] = []
    for value in p:
        adjusted.append(max([value, *adjusted[-1:]]))
    return adjusted


def adjust(p: Sequence[float | None], rule: Multiplicity) -> list[float | None]:
    """Adjusted p-values by the registered rule; comparisons without a p count and stay without."""
    if rule is Multiplicity.NONE:
        return list(p)
    given = [1.0 if value is None else value for value in p]
    adjusted = holm(given) if rule is Multiplicity.HOLM else fixed_order(given)
    return [None if value is None else new for value, new in zip(p, adjusted, strict=True)]
