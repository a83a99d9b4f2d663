"""A plan in plain words: whether the trial is worth starting, in three lines, and what stands behind them."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from analysis.numerals import quantity
from schemas.plain_words import listed
from schemas.vocabulary import EndpointRole, Multiplicity, Scale

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from analysis.simulation import Simulated
    from schemas.protocol import Endpoint, Protocol
    from schemas.vocabulary import Verdict
    from trials.planning import PlannedContrast, PlannedEndpoint
    from trials.planning_trials import PlannedOutlook

DOUBTFUL = 0.5
"""Power below which a trial is rather not worth starting: our own line, a toss of a coin."""


def headline(protocol: Protocol, planned: Sequence[PlannedEndpoint], wanted: float) -> tuple[str, str, str]:
    """Three lines: the power, what the interval could tell, and the smallest p, of the weakest primary comparison."""
    endpoint, contrast = weakest(planned)
    pair = f"{contrast.test} against {contrast.reference}"
    low = min(planned_contrast.smallest_p for _, planned_contrast in _primary(planned))
    alpha = protocol.analysis.alpha
    reach = (
        f"Redrawing the labels can give a p as small as {quantity(contrast.smallest_p)} for {pair}, "
        f"{'within' if contrast.smallest_p <= alpha else 'never within'} alpha = {alpha:g}"
        + (
            "."
            if contrast.smallest_p <= alpha
            else ", whatever is measured: more tanks or blocks are needed."
        )
    )
    if contrast.power is None or contrast.effect is None:
        return (
            f"Worth starting: cannot be said for {endpoint.endpoint.id}: {contrast.why_not or 'no effect is known'}.",
            "No interval width can be worked out either; write effect and sd under [planning], from earlier readings.",
            reach,
        )
    return (
        _worth(endpoint, contrast, wanted, few=low > alpha),
        _width(endpoint, contrast, wanted, alpha),
        reach,
    )


def weakest(planned: Sequence[PlannedEndpoint]) -> tuple[PlannedEndpoint, PlannedContrast]:
    """The primary comparison with the least power; one whose power is unknown only where all are."""
    return min(_primary(planned), key=lambda one: math.inf if one[1].power is None else one[1].power)


def verdict(chance: float, wanted: float) -> str:
    """One word on a power."""
    return "yes" if chance >= wanted else "doubtful" if chance >= DOUBTFUL else "no"


def effect_words(endpoint: Endpoint, effect: float) -> str:
    """An effect in words, on the endpoint's scale."""
    return f"a {'ratio' if endpoint.scale is Scale.RATIO else 'difference'} of {quantity(effect)}"


def width_words(endpoint: Endpoint, half: float | None) -> str:
    """Half an interval: a factor on the ratio scale, else an amount."""
    if half is None:
        return "none"
    return f"factor {quantity(math.exp(half))}" if endpoint.scale is Scale.RATIO else quantity(half)


def contrast_rows(planned: PlannedEndpoint) -> list[tuple[str, ...]]:
    """The table of an endpoint: comparison, effect, power, power for the worthwhile difference, width, smallest p."""
    return [
        (
            f"{one.test} - {one.reference}",
            "none" if one.effect is None else quantity(one.effect),
            percent(one.power),
            percent(one.power_worthwhile),
            width_words(planned.endpoint, one.half_width),
            quantity(one.smallest_p),
        )
        for one in planned.contrasts
    ]


def reading_lines(planned: PlannedEndpoint) -> list[str]:
    """How often each reading comes out, with the effect assumed and with none; comparisons planned alike together."""
    alike: dict[str, list[str]] = {}
    for one in planned.contrasts:
        if one.if_effect and one.if_none and one.effect is not None:
            chances = (
                f"with {effect_words(planned.endpoint, one.effect)}: {_chances(one.if_effect.readings)}. "
                f"With no difference at all: {_chances(one.if_none.readings)}."
            )
            alike.setdefault(chances, []).append(f"{one.test} - {one.reference}")
    return [f"{listed(pairs, 'and')} would read, {chances}" for chances, pairs in alike.items()]


def _chances(readings: Mapping[Verdict, float]) -> str:
    likely = sorted(readings.items(), key=lambda one: -one[1])
    return "; ".join(f"{name} {percent(chance)}" for name, chance in likely if chance >= 0.005)


def percent(share: float | None) -> str:
    """A probability as per cent; never quite none or all."""
    if share is None:
        return "none"
    if 0 < share < 0.005 or 0.995 < share < 1:
        return "< 1 %" if share < 0.5 else "> 99 %"
    return f"{100 * share:.0f} %"


def notes(protocol: Protocol, planned: Sequence[PlannedEndpoint]) -> list[str]:
    """What was assumed and how to read the power."""
    said = [note for one in planned for note in one.assumed.notes]
    said += dict.fromkeys(
        f"{one.endpoint.id}, {contrast.test} against {contrast.reference}: {contrast.why_not.rstrip('.')}."
        for one in planned
        for contrast in one.contrasts
        if contrast.why_not and one.assumed.sd is not None
    )
    sharing = protocol.analysis.multiplicity
    if sharing is Multiplicity.HOLM and sum(1 for _ in _primary(planned)) > 1:
        said.append(
            "Power is that of Holm's first step, the hardest to pass; where other comparisons stand too it is higher."
        )
    if sharing is Multiplicity.FIXED_ORDER and sum(1 for _ in _primary(planned)) > 1:
        said.append("Power of a comparison in a fixed order supposes that all before it stand.")
    said.append("Each comparison is judged as if its own two arms differed by the effect.")
    return said


def _primary(planned: Sequence[PlannedEndpoint]) -> list[tuple[PlannedEndpoint, PlannedContrast]]:
    ones = [one for one in planned if one.endpoint.role is EndpointRole.PRIMARY] or list(planned)
    return [(one, contrast) for one in ones for contrast in one.contrasts]


def _worth(planned: PlannedEndpoint, contrast: PlannedContrast, wanted: float, *, few: bool) -> str:
    chance = contrast.power or 0.0
    word = verdict(chance, wanted)
    if few and word == "yes":
        word = "doubtful"
    if contrast.df is None:
        return f"Worth starting: no: {contrast.why_not}"
    assumed = "" if planned.assumed.effect_given and planned.assumed.sd_given else ", on assumed figures"
    return (
        f"Worth starting: {word}{assumed}. If {planned.endpoint.id} truly differs by "
        f"{effect_words(planned.endpoint, contrast.effect or 0.0)}, {percent(chance)} of such trials find it "
        f"({contrast.test} against {contrast.reference}, the weakest primary comparison)."
    )


def _width(planned: PlannedEndpoint, contrast: PlannedContrast, wanted: float, alpha: float) -> str:
    endpoint = planned.endpoint
    if contrast.half_width is None or contrast.detectable is None:
        return "Its interval would have no width that could be judged: there are no degrees of freedom."
    reach = width_words(endpoint, contrast.half_width)
    smallest = (
        f"a ratio of {quantity(math.exp(-contrast.detectable))} (or {quantity(math.exp(contrast.detectable))})"
        if endpoint.scale is Scale.RATIO
        else f"a difference of {quantity(contrast.detectable)}"
    )
    line = (
        f"The {100 * (1 - alpha):g} % interval should reach {'a ' if endpoint.scale is Scale.RATIO else ''}{reach} to "
        f"either side; the smallest effect found with {percent(wanted)} power is {smallest}"
    )
    if contrast.power_worthwhile is None:
        return f"{line}; no worthwhile difference is registered."
    return f"{line}, and the worthwhile difference ({quantity(endpoint.worthwhile)}) would be found in {percent(contrast.power_worthwhile)}."


def assumption_words(planned: PlannedEndpoint) -> str:
    """Effect and standard deviation with their standing."""
    assumed = planned.assumed
    sd = (
        "sd unknown"
        if assumed.sd is None
        else f"sd {quantity(assumed.sd)}"
        + (" on logarithms" if planned.endpoint.scale is Scale.RATIO else "")
        + (" (from the protocol)" if assumed.sd_given else " (assumed here)")
    )
    effect = "effect from the protocol" if assumed.effect_given else "effect assumed here"
    return f"{effect}, {sd}"


def with_error(value: Simulated | None, *, share: bool = True) -> str:
    """A simulated number with its Monte Carlo error; shares in per cent."""
    if value is None or not math.isfinite(value.value):
        return "none"
    if share:
        return f"{100 * value.value:.1f} ± {100 * value.se:.1f} %"
    return f"{quantity(value.value)} ± {quantity(value.se, 1)}"


def trials_words(outlook: PlannedOutlook) -> str:
    """How many trials were drawn, from the comparison with the fewest to that with the most."""
    few, many = min(outlook.counts), max(outlook.counts)
    return f"{many:,} trials" if few == many else f"{few:,} to {many:,} trials"


def stopping_words(outlook: PlannedOutlook, most: int, error: float) -> str:
    """Whether the wished Monte Carlo error was reached, and after how many trials."""
    if max(outlook.errors) <= error:
        return (
            f"{trials_words(outlook)} of at most {most:,} were enough: the Monte Carlo error of every power is within "
            f"{100 * error:g} %."
        )
    return (
        f"All {most:,} trials leave a Monte Carlo error of {100 * max(outlook.errors):.1f} %, above the {100 * error:g} % "
        "wished for; draw more with --trials."
    )


def shown_half_width(endpoint: Endpoint, half: Simulated) -> str:
    """A simulated half width, as a factor on the ratio scale."""
    return width_words(endpoint, half.value if math.isfinite(half.value) else None)
