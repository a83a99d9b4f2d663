"""How large a trial of the same make would have to be: for the power wished for, and for an interval so narrow."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from analysis.power import half_width, power, smallest
from schemas.errors import AnalysisError, UsageError
from schemas.plain_words import counted
from schemas.vocabulary import DesignKind, Scale, Summary
from trials.planning import assumptions, bar_of, layout_of, precision_of

if TYPE_CHECKING:
    from collections.abc import Callable

    from analysis.power import Bar
    from analysis.precision import Precision
    from schemas.protocol import Endpoint, Protocol

MOST = 2_000
"""Blocks or tanks beyond which no trial is looked for."""
_UNIT = {
    DesignKind.PARALLEL: "tank an arm",
    DesignKind.BLOCKS: "block",
    DesignKind.INCOMPLETE_BLOCKS: "block",
    DesignKind.CROSSOVER: "tank",
}


@dataclass(frozen=True)
class Sizes:
    """The smallest trials of the design, made of the present blocks in turn, in which every comparison does it.

    Parameters
    ----------
    unit : str
        What is counted: "block", "tank an arm" or "tank".
    present : int
        Of the protocol; of uneven parallel arms the smallest.
    for_power : int or None
        For the wished power of every comparison under the assumed effect; None where none up to 2,000 does.
    for_width : int or None
        For an expected half interval no wider than wished for; None where none was wished for, or none does.
    """

    unit: str
    present: int
    for_power: int | None
    for_width: int | None


def sizes(
    protocol: Protocol,
    endpoint: Endpoint,
    *,
    wanted: float,
    width: float | None = None,
    correlation: float | None = None,
) -> Sizes | None:
    """How many blocks or tanks an endpoint needs; None for a before-after series and where nothing is assumed.

    Parameters
    ----------
    wanted : float
        Power of every comparison, at the first step of sharing the error rate.
    width : float, optional
        Half the interval: a factor above 1 on the ratio scale, else in the endpoint's unit.
    correlation : float, optional
        As for :func:`trials.planning.plan`.

    Raises
    ------
    UsageError
        A width that no interval can have.
    """
    half = None if width is None else _working_width(endpoint, width)
    kind = protocol.design.kind
    if kind is DesignKind.BEFORE_AFTER or endpoint.summary is Summary.COUNT:
        return None
    assumed = assumptions(protocol, endpoint, correlation)
    if assumed.sd is None:
        return None
    layout = layout_of(protocol)

    def everywhere(number: int, holds: Callable[[Precision, Bar], bool]) -> bool:
        larger = layout.cycled(number)
        try:
            known = [precision_of(protocol, endpoint, larger, assumed, pair) for pair in protocol.contrasts]
        except AnalysisError:
            return False  # too few to judge any error by
        return all(holds(one, bar_of(protocol, endpoint, larger, one)) for one in known)

    def powerful(number: int) -> bool:
        return everywhere(
            number,
            lambda known, over: (
                power(assumed.effect or 0.0, known, over.alpha, critical=over.critical) >= wanted
            ),
        )

    def narrow(number: int) -> bool:
        return everywhere(
            number, lambda known, _: half_width(known, protocol.analysis.alpha) <= (half or 0.0)
        )

    counts = layout.counts()
    return Sizes(
        _UNIT[kind],
        len(counts) if layout.blocked else int(counts.min()),
        smallest(powerful, start=2, most=MOST) if assumed.effect else None,
        None if half is None else smallest(narrow, start=2, most=MOST),
    )


def sizes_words(endpoint: Endpoint, found: Sizes, wanted: float, width: float | None) -> list[str]:
    """The sizes as sentences."""
    said = [_line(found, found.for_power, f"a power of {100 * wanted:.0f} % for every comparison")]
    if width is not None:
        reach = f"a factor of {width:g}" if endpoint.scale is Scale.RATIO else f"{width:g}"
        said.append(
            _line(found, found.for_width, f"intervals that reach no further than {reach} to either side")
        )
    return said


def _line(found: Sizes, number: int | None, aim: str) -> str:
    have = _number(found, found.present)
    if number is None:
        return f"No trial of this make with up to {MOST:,} {_plural(found)} has {aim}; this one has {have}."
    return f"For {aim} it takes {_number(found, number)} of the same make; this protocol has {have}."


def _number(found: Sizes, number: int) -> str:
    first, _, rest = found.unit.partition(" ")
    return f"{counted(number, first)}{' ' + rest if rest else ''}"


def _plural(found: Sizes) -> str:
    first, _, rest = found.unit.partition(" ")
    return f"{first}s{' ' + rest if rest else ''}"


def _working_width(endpoint: Endpoint, width: float) -> float:
    if endpoint.scale is Scale.RATIO:
        if width <= 1:
            raise UsageError(
                f"--half-width {width:g}: {endpoint.id} is a ratio, so its interval reaches a factor to either side; "
                "give one above 1, such as 1.25."
            )
        return math.log(width)
    if width <= 0:
        raise UsageError(
            f"--half-width {width:g} is no width; give one above 0, in the unit of {endpoint.id}."
        )
    return width
