"""The report's tables of results: records in, rows of text out, numbers rounded here and nowhere before."""

from __future__ import annotations

from typing import TYPE_CHECKING

from analysis.numerals import ABSENT, number, p_value, places_apart, places_for, plain, quantity
from analysis.wording import arm_title, margins, number_unit
from schemas.vocabulary import Scale
from trials.report_tables import Table, table

if TYPE_CHECKING:
    from analysis.records import Contrast, EndpointResult, RankContrast
    from schemas.protocol import Protocol

SENSITIVITY_WORDS = {
    "own-variance": "each comparison's own error",
    "pooled-variance": "the model's common error",
    "cluster-robust": "cluster-robust error (CR2)",
    "mixed-model": "mixed model (Kenward and Roger)",
    "censored-likelihood": "likelihood of the intervals that censored readings allow",
    "imputation": "missing tanks filled in many times over",
    "ar1": "serial correlation of the first order",
    "as-treated": "as treated, whatever was allocated",
    "kit-corrected": "readings as corrections of their kits have them",
    "changes-of-systems": "each system's own change",
}


def results(endpoint: EndpointResult, protocol: Protocol) -> Table:
    """Show each comparison with its interval, reading and p-values."""
    level = quantity((1 - endpoint.alpha) * 100)
    kind = "Ratio" if endpoint.scale is Scale.RATIO else "Difference"
    unit = number_unit(endpoint, protocol) if endpoint.scale is Scale.DIFFERENCE else ""
    head = (
        "Comparison",
        "n",
        f"{kind}{', ' if unit else ''}{unit}",
        f"{level} % interval",
        "Conclusion",
        "p",
        "p adjusted",
        "p by randomisation",
    )
    places = _places(endpoint)
    rows = []
    for contrast in endpoint.contrasts:
        estimate, interval = _estimate(endpoint, contrast, places)
        drawn = contrast.randomisation.p if contrast.randomisation else None
        rows.append(
            (
                pair(protocol, contrast),
                f"{contrast.n:,}",
                estimate,
                interval,
                str(contrast.verdict or "none"),
                p_value(contrast.p, endpoint.alpha),
                p_value(contrast.p_adjusted, endpoint.alpha),
                p_value(drawn, endpoint.alpha),
            )
        )
    return table(f"{plain(endpoint.title, 80)}: comparisons", head, rows, (1, 2, 3, 5, 6, 7))


def means(endpoint: EndpointResult, protocol: Protocol) -> Table:
    """Show the tanks' numbers by arm."""
    unit = number_unit(endpoint, protocol)
    ratio = endpoint.scale is Scale.RATIO
    adjusted = any(arm.adjusted_mean is not None for arm in endpoint.arms)
    head = (
        ["Arm", "Tanks", "Mean", "SD"]
        + ["Geometric mean"] * ratio
        + ["Mean at the average baseline"] * adjusted
    )
    places = max(
        (places_for(arm.sd or arm.mean, 2 if arm.sd else 3) for arm in endpoint.arms if arm.n), default=0
    )
    rows = []
    for arm in endpoint.arms:
        row = [arm_title(protocol, arm.arm), f"{arm.n:,}", number(arm.mean, places), number(arm.sd, places)]
        row += [number(arm.geometric_mean, places)] * ratio + [number(arm.adjusted_mean, places)] * adjusted
        rows.append(row)
    caption = f"{plain(endpoint.title, 80)}: numbers of the tanks by arm{', ' if unit else ''}{unit}"
    return table(caption, head, rows, range(1, len(head)))


def randomisation(endpoint: EndpointResult, protocol: Protocol) -> Table:
    """Show the randomisation test, the standardised effect and the equivalence test of each comparison."""
    rows = []
    for contrast in endpoint.contrasts:
        test, effect, same = contrast.randomisation, contrast.effect_size, contrast.equivalence
        draws = allowed = least = ABSENT
        if test:
            draws = f"{test.draws:,} {'(all)' if test.method == 'exact' else 'at random'}"
            least = p_value(test.smallest_p, endpoint.alpha)
            allowed = _limits(endpoint, test.low, test.high, _places(endpoint))
        size = (
            f"{number(effect.value, 2)} ({number(effect.low, 2)} to {number(effect.high, 2)})"
            if effect
            else ABSENT
        )
        rows.append(
            (
                pair(protocol, contrast),
                draws,
                least,
                allowed,
                size,
                p_value(same.p if same else None, endpoint.alpha),
            )
        )
    names = sorted({c.effect_size.name for c in endpoint.contrasts if c.effect_size})
    named = f"Standardised effect ({', '.join(names)})" if names else "Standardised effect"
    return table(
        f"{plain(endpoint.title, 80)}: randomisation test, standardised effect, equivalence",
        (
            "Comparison",
            "Allocations compared",
            "Least p possible",
            "Interval by randomisation",
            named,
            "p of equivalence",
        ),
        rows,
        range(1, 6),
    )


def sensitivity(endpoint: EndpointResult, protocol: Protocol) -> Table:
    """Show the same comparisons analysed in other ways, the registered one first."""
    registered = SENSITIVITY_WORDS.get(f"{endpoint.variance}-variance", str(endpoint.variance))
    places = _places(endpoint)
    rows = []
    for contrast in endpoint.contrasts:
        named = pair(protocol, contrast)
        ways = [(f"as registered: {registered}", contrast)]
        ways += [
            (SENSITIVITY_WORDS.get(way.name, way.name.replace("-", " ")), other)
            for way in endpoint.sensitivity
            for other in way.contrasts
            if _same(contrast, other)
        ]
        for name, other in ways:
            estimate, interval = _estimate(endpoint, other, places)
            p = p_value(other.p, endpoint.alpha)
            rows.append((named, name, f"{other.n:,}", estimate, interval, p, str(other.verdict or ABSENT)))
        for rank in endpoint.ranks.contrasts:
            if _same(contrast, rank):
                level = f", {quantity(rank.level * 100)} % interval" if rank.level else ""
                name = f"{rank.name.replace('-', ' ')}{level}"
                interval = _limits(endpoint, rank.low, rank.high, places)
                p = p_value(rank.p, endpoint.alpha)
                rows.append((named, name, f"{rank.n:,}", number(rank.estimate, places), interval, p, ABSENT))
    return table(
        f"{plain(endpoint.title, 80)}: the same comparisons in other ways",
        ("Comparison", "Analysis", "n", "Estimate", "Interval", "p", "Conclusion"),
        rows,
        (2, 3, 4, 5),
    )


def censoring(endpoint: EndpointResult, protocol: Protocol) -> Table:
    """Show how far the readings beyond a kit's limit could move each estimate."""
    rows = []
    for contrast in endpoint.contrasts:
        found = contrast.censoring
        if found is None or not found.n_censored:
            continue
        places = _places(endpoint)
        readings = [str(verdict or "none") for verdict in found.verdicts]
        rows.append(
            (
                pair(protocol, contrast),
                f"{found.n_censored:,}",
                number(found.lowest, places),
                number(found.highest, places),
                *readings,
            )
        )
    return table(
        f"{plain(endpoint.title, 80)}: estimates at the extremes that readings beyond a kit's limit allow",
        (
            "Comparison",
            "Such readings",
            "Lowest",
            "Highest",
            "Conclusion at the lowest",
            "Conclusion at the highest",
        ),
        rows,
        (1, 2, 3),
    )


def pair(protocol: Protocol, contrast: Contrast) -> str:
    """Name a comparison by the titles of its arms."""
    return f"{arm_title(protocol, contrast.test, 60)} v {arm_title(protocol, contrast.reference, 60)}"


def _same(contrast: Contrast, other: Contrast | RankContrast) -> bool:
    return (contrast.test, contrast.reference) == (other.test, other.reference)


def _estimate(endpoint: EndpointResult, contrast: Contrast, places: int) -> tuple[str, str]:
    return number(contrast.estimate, places), _limits(endpoint, contrast.low, contrast.high, places)


def _limits(endpoint: EndpointResult, low: float | None, high: float | None, places: int) -> str:
    """Write an interval; a side without a bound says so."""
    if low is None and high is None:
        return ABSENT
    floor = "0" if endpoint.scale is Scale.RATIO else "no bound"
    return f"{floor if low is None else number(low, places)} to {'no bound' if high is None else number(high, places)}"


def _places(endpoint: EndpointResult) -> int:
    """Decimal places for all of an endpoint's comparisons: enough for each, and apart from what it is read against."""
    marks = (1.0 if endpoint.scale is Scale.RATIO else 0.0, *(margins(endpoint) or ()))
    places = 0
    for c in endpoint.contrasts:
        limits = [limit for limit in (c.low, c.high) if limit is not None] or [c.estimate or 0.0]
        width = abs(limits[-1] - limits[0]) / 2 if len(limits) == 2 else limits[0]
        places = max(places, places_apart(limits, marks, places_for(width)))
    return places
