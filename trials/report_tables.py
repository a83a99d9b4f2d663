"""The report's tables and lists: records in, rows of text out, numbers rounded here and nowhere before."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from analysis.numerals import (
    ABSENT,
    count,
    day_words,
    listed,
    number,
    p_value,
    places_apart,
    places_for,
    plain,
    quantity,
)
from analysis.wording import (
    arm_title,
    margin_words,
    margins,
    number_unit,
    variable_title,
)
from schemas.variables import variables_for
from schemas.vocabulary import Baseline, EndpointRole, Scale

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from analysis.records import Analysis, Contrast, EndpointResult, RankContrast
    from schemas.allocation import Allocation
    from schemas.protocol import Protocol
    from trials.register.records import HeldRow

MOST_ROWS = 150
"""Rows of a table on the page; longer ones say how many they leave to the files beside it."""

SENSITIVITY_WORDS = {
    "own-variance": "each comparison's own error",
    "pooled-variance": "the model's common error",
    "cluster-robust": "cluster-robust error (CR2)",
    "mixed-model": "mixed model (Kenward and Roger)",
    "censored-likelihood": "likelihood of the intervals that censored readings allow",
    "imputation": "missing tanks filled in many times over",
    "ar1": "serial correlation of the first order",
}


@dataclass(frozen=True)
class Table:
    """A table as it is shown: the first column heads its row; ``numbers`` are columns set as figures."""

    caption: str
    head: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    numbers: frozenset[int] = frozenset()
    left_out: int = 0

    @property
    def spans(self) -> tuple[int, ...]:
        """Rows that each row's heading stands for: 0 where the heading of the row above goes on."""
        starts = [i for i, row in enumerate(self.rows) if i == 0 or row[0] != self.rows[i - 1][0]]
        ends = [*starts[1:], len(self.rows)]
        lengths = dict(
            zip(starts, (end - start for start, end in zip(starts, ends, strict=True)), strict=True)
        )
        return tuple(lengths.get(i, 0) for i in range(len(self.rows)))


def table(
    caption: str, head: Sequence[str], rows: Iterable[Sequence[str]], numbers: Iterable[int] = ()
) -> Table:
    """Make a table of at most :data:`MOST_ROWS` rows and count those left out."""
    whole = [tuple(row) for row in rows]
    return Table(
        caption,
        tuple(head),
        tuple(whole[:MOST_ROWS]),
        frozenset(numbers),
        max(len(whole) - MOST_ROWS, 0),
    )


def flow(endpoint: EndpointResult, protocol: Protocol) -> Table:
    """Count the tanks of each arm: allocated, followed, analysed; and sampling days."""
    rows: list[tuple[str, ...]] = [
        (
            arm_title(protocol, arm.arm),
            f"{arm.allocated:,}",
            f"{arm.followed:,}",
            f"{arm.analysed:,}",
            f"{arm.days:,} of {arm.days_due:,}" if arm.days_due else f"{arm.days:,}",
        )
        for arm in endpoint.flow
    ]
    sums = [
        sum(getattr(arm, name) for arm in endpoint.flow) for name in ("allocated", "followed", "analysed")
    ]
    days, due = sum(arm.days for arm in endpoint.flow), sum(arm.days_due for arm in endpoint.flow)
    rows.append(("All arms", *(f"{n:,}" for n in sums), f"{days:,} of {due:,}" if due else f"{days:,}"))
    return table(
        f"Tanks and sampling days for {plain(endpoint.title, 80)}, {endpoint.phase} phase",
        ("Arm", "Allocated", "With a reading", "Analysed", "Sampling days kept"),
        rows,
        range(1, 5),
    )


def missing(analysis: Analysis, protocol: Protocol) -> Table:
    """List every tank without a number, with the reason, endpoint by endpoint."""
    rows = [
        (
            tank.tank,
            tank.block or ABSENT,
            arm_title(protocol, tank.arm),
            plain(endpoint.title, 80),
            tank.why_missing,
        )
        for endpoint in analysis.endpoints
        for tank in endpoint.tanks
        if tank.y is None
    ]
    return table("Tanks that could not be analysed", ("Tank", "Block", "Arm", "Endpoint", "Why"), rows)


def held(rows: Sequence[HeldRow]) -> Table:
    """List the rows that still wait for a person."""
    return table(
        "Rows still held, not analysed",
        ("File", "Sheet", "Row", "Why"),
        [
            (
                plain(row.file, 80),
                plain(row.sheet, 40) or ABSENT,
                str(row.row),
                " ".join(plain(r.text, 400) for r in row.reasons),
            )
            for row in rows
        ],
        [2],
    )


def arms(protocol: Protocol) -> Table:
    """Show what each arm was."""
    return table(
        "Arms",
        ("Arm", "Role", "Carbon source", "Full dose"),
        [
            (
                plain(arm.title),
                str(arm.role),
                plain(arm.carbon.source) if arm.carbon else "none",
                plain(arm.carbon.full_dose or "") or ABSENT if arm.carbon else ABSENT,
            )
            for arm in protocol.arms
        ],
    )


def phases(protocol: Protocol) -> Table:
    """Show the phases with their days."""
    return table(
        "Phases" + (f", repeated in each of {protocol.n_periods} periods" if protocol.n_periods > 1 else ""),
        ("Phase", "First day", "Days"),
        [
            (phase.id, day_words(protocol.phase_days[phase.id][0]), f"{phase.days:,}")
            for phase in protocol.schedule.phases
        ],
        [2],
    )


def sampling(protocol: Protocol) -> Table:
    """Show how often each variable was to be measured."""
    return table(
        "Sampling",
        ("Variable", "Every"),
        [
            (variable_title(protocol, s.variable).capitalize(), count(s.every_days, "day"))
            for s in protocol.schedule.sampling
        ],
    )


def endpoints(analysis: Analysis, protocol: Protocol) -> Table:
    """Show what was registered to be compared."""
    words = {
        Baseline.NONE: "not used",
        Baseline.CHANGE: "subtracted",
        Baseline.ADJUST: "allowed for",
    }
    return table(
        "Endpoints as registered",
        ("Endpoint", "Role", "Number of a tank", "Phase", "Baseline", "Compared as", "Better", "Worthwhile"),
        [
            (
                plain(e.title),
                str(e.role) + ("" if e.role is EndpointRole.PRIMARY else ", exploratory"),
                f"{e.summary} of {variable_title(protocol, e.variable)}",
                e.phase,
                words[e.baseline],
                str(e.scale),
                str(e.better),
                margin_words(e) or "none",
            )
            for e in analysis.endpoints
        ],
    )


def stop_rules(protocol: Protocol) -> Table:
    """Show when a treatment was to be changed for the animals' sake."""
    rows = []
    for rule in protocol.stop_rules:
        unit = plain(variables_for(protocol)[rule.variable].unit, 30)
        bounds = [
            f"{word} {quantity(bound)} {unit if unit != '1' else ''}".strip()
            for word, bound in (("below", rule.below), ("above", rule.above))
            if bound is not None
        ]
        rows.append(
            (
                variable_title(protocol, rule.variable).capitalize(),
                listed(bounds, "or"),
                count(rule.consecutive, "reading") + (" in a row" if rule.consecutive > 1 else ""),
                plain(rule.action, 300),
            )
        )
    return table("Stop rules as registered", ("Variable", "When", "For", "Then"), rows)


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


def shared_out(allocation: Allocation, protocol: Protocol) -> Table:
    """Show which tank had which arm: by block, or by arm where there are no blocks; by tank in a crossover."""
    caption = "Which tank had which arm"
    names = [arm_title(protocol, arm.id, 60) for arm in protocol.arms]
    if protocol.n_periods > 1:
        rows = [
            (tank, *(arm_title(protocol, arm, 60) for arm in sequence))
            for tank, sequence in allocation.sequence_of().items()
        ]
        return table(caption, ("Tank", *(f"Period {i}" for i in range(1, protocol.n_periods + 1))), rows)
    blocks = dict.fromkeys(assignment.block for assignment in allocation.assignments)
    held = {(block, arm.id): [] for block in blocks for arm in protocol.arms}  # type: dict[tuple[str | None, str], list[str]]
    for assignment in allocation.assignments:
        held[assignment.block, assignment.arm].append(assignment.tank)
    if len(blocks) > 1:
        rows = [
            (b or ABSENT, *(", ".join(held[b, arm.id]) or ABSENT for arm in protocol.arms)) for b in blocks
        ]
        return table(caption, ("Block", *names), rows)
    (block,) = blocks or (None,)
    rows = [
        (name, ", ".join(held[block, arm.id]) or ABSENT)
        for name, arm in zip(names, protocol.arms, strict=True)
    ]
    return table(caption, ("Arm", "Tanks"), rows)


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
