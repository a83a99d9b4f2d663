"""The bounds of stop rules as lines across a figure, and the words for those that lie off its axis."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from plotnine import geom_hline

from analysis.numerals import quantity
from analysis.plots.theme import SOFT
from schemas.plain_words import listed

if TYPE_CHECKING:
    from schemas.protocol import Protocol


def stop_lines(bounds: list[float]) -> list[Any]:
    """A dashed line at each bound."""
    return [geom_hline(yintercept=bound, linetype="dashed", color=SOFT, size=0.4) for bound in bounds]


def stop_rules(protocol: Protocol, variable: str) -> list[tuple[str, float, int]]:
    """Side, bound and readings in a row of each stop rule of a variable."""
    return [
        (side, bound, rule.consecutive)
        for rule in protocol.stop_rules
        if rule.variable == variable
        for side, bound in (("below", rule.below), ("above", rule.above))
        if bound is not None
    ]


def rules_in_words(rules: list[tuple[str, float, int]], shown: list[float], unit: str) -> list[str]:
    """The stop rules, and which of them the drawing leaves out."""
    unit = "" if unit == "1" else f" {unit}"
    by_place: dict[bool, list[str]] = {}
    for side, bound, times in rules:
        often = f", {times} times in a row" if times > 1 else ""
        by_place.setdefault(bound in shown, []).append(f"{side} {quantity(bound)}{unit}{often}")
    said = []
    if True in by_place:
        said.append(f"Dashed: stop rule, {listed(by_place[True])}.")
    if False in by_place:
        said.append(f"Stop rule off the axis: {listed(by_place[False])}.")
    return said
