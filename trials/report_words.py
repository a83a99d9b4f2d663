"""The report's sentences about how the trial was done, analysed and kept."""

from __future__ import annotations

from typing import TYPE_CHECKING

from analysis.numerals import count, day_words, number, p_value, plain, quantity
from analysis.wording import error_words, measure, sentence, turned_by_censoring
from schemas.vocabulary import Baseline, DesignKind, EndpointRole, Multiplicity, Scale, Variance

if TYPE_CHECKING:
    import datetime as dt

    from analysis.records import Analysis, EndpointResult
    from schemas.allocation import Allocation
    from schemas.protocol import Protocol

_DESIGNS = {
    DesignKind.PARALLEL: "parallel arms",
    DesignKind.BLOCKS: "complete blocks",
    DesignKind.INCOMPLETE_BLOCKS: "incomplete blocks",
    DesignKind.CROSSOVER: "a crossover",
    DesignKind.BEFORE_AFTER: "before and after, with a control",
}
_SHARING = {
    Multiplicity.NONE: "no adjustment for several comparisons",
    Multiplicity.HOLM: "Holm's adjustment over the comparisons of all primary endpoints",
    Multiplicity.DUNNETT: "Dunnett's adjustment over the comparisons with the control",
    Multiplicity.FIXED_ORDER: "comparisons tested in the registered order, each only if all before it stood",
}


def moment(at: dt.datetime) -> str:
    """Write a moment with its time zone: ``2 March 2026, 18:30 UTC``."""
    return f"{day_words(at.date())}, {at:%H:%M}{f' {at:%Z}' if at.tzinfo else ''}"


def sharing(protocol: Protocol, allocation: Allocation, allocated_at: dt.datetime | None) -> list[str]:
    """Say how the tanks were shared out over the arms, and how anyone can do it again."""
    when = f" on {moment(allocated_at)}" if allocated_at else ""
    if not allocation.random:
        return [
            (
                f"Chance did not decide which tank had which arm: {plain(allocation.how, 400)}. This trial is "
                f"observational. The allocation was recorded{when}, and no randomisation test is made."
            )
        ]
    if not allocation.drawn:
        return [f"The allocation was drawn elsewhere and recorded{when}: {plain(allocation.how, 400)}."]
    origin = (
        f"The seed came after the seal, from {plain(protocol.design.seed_from, 400)}"
        if protocol.design.seed_from
        else "The seed was written in the protocol by the trial's lead"
    )
    within = "within its block" if protocol.design.kind is not DesignKind.PARALLEL else "among all tanks"
    return [
        f"The allocation was drawn here{when}. {origin}: “{plain(allocation.seed or '', 200)}”.",
        (
            f"To draw it again, take for each tank the SHA-256 of the text “digest|seed|block|tank” (block empty where "
            f"there is none), rank the tanks {within} by it, smallest first, and give them the arms in the protocol's "
            "order, starting again after the last. The command “fairtank allocate --check” does so."
        ),
    ]


def reading_facts(analysis: Analysis, held: int) -> list[tuple[str, str]]:
    """Count where the readings went, as terms and figures."""
    counted = analysis.readings
    facts = [("Accepted readings", f"{counted.total:,}")]
    facts += [(f"in the {phase} phase", f"{n:,}") for phase, n in counted.by_phase.items()]
    facts += [
        ("after the end", f"{counted.after_the_end:,}"),
        ("on another day than due", f"{counted.off_due_day:,}"),
        ("repeated within a day, averaged first", f"{counted.duplicates:,}"),
        ("beyond a kit's limit", f"{counted.censored:,}"),
        ("Rows still held", f"{held:,}"),
    ]
    if counted.first_day and counted.last_day:
        facts.append(
            ("First and last day", f"{day_words(counted.first_day)} to {day_words(counted.last_day)}")
        )
    return facts


def registered(protocol: Protocol, digest: str, registered_at: dt.datetime) -> str:
    """Say when and under which digest the protocol was sealed, and what it fixed."""
    error = {
        Variance.OWN: "the error of a comparison is its own",
        Variance.POOLED: "the error of a comparison is the model's, common to all arms",
    }[protocol.variance]
    return (
        f"The protocol was sealed on {moment(registered_at)}, under a digest that begins with {digest[:16]}. It fixed the design "
        f"({_DESIGNS[protocol.design.kind]}, {count(len(protocol.tanks), 'tank')}), the endpoints below, an alpha of "
        f"{quantity(protocol.analysis.alpha)} with {_SHARING[protocol.analysis.multiplicity]}, and that {error}."
    )


def tests_of_all_arms(endpoint: EndpointResult) -> list[str]:
    """Say what the tests that all arms are alike showed; they stand beside the comparisons, not before them."""
    said = []
    omnibus, ranks, sphere = endpoint.omnibus, endpoint.ranks.omnibus, endpoint.sphericity
    if omnibus and omnibus.f is not None:
        said.append(
            f"All arms alike, by the linear model: F({quantity(omnibus.df1)}, {quantity(omnibus.df2)}) = "
            f"{number(omnibus.f, 2)}, {_p(omnibus.p, endpoint)}."
        )
    if ranks:
        w = f", Kendall's W = {number(ranks.w, 2)}" if ranks.w is not None else ""
        said.append(
            f"All arms alike, by ranks ({ranks.name.replace('-', ' ')}): {number(ranks.statistic, 2)} on "
            f"{count(ranks.df, 'degree')} of freedom, {_p(ranks.p, endpoint)}{w}."
        )
    if sphere:
        said.append(
            f"Sphericity: Mauchly's W = {number(sphere.w, 2)}, {_p(sphere.p, endpoint)}; the F test corrected after "
            f"Greenhouse and Geisser (epsilon {number(sphere.gg, 2)}) gives {_p(sphere.p_gg, endpoint)}, after Huynh "
            f"and Feldt (epsilon {number(sphere.hf, 2)}) {_p(sphere.p_hf, endpoint)}."
        )
    return said


def censoring(endpoint: EndpointResult, protocol: Protocol) -> str:
    """Say whether the conclusion turns on readings beyond a kit's limit."""
    readings = sum(tank.censored for tank in endpoint.tanks)
    if not readings:
        return "No reading behind these numbers lies beyond a kit's limit."
    turned = turned_by_censoring(endpoint, protocol)
    if turned:
        return turned[0].removeprefix("First of all: ")
    return (
        f"{count(readings, 'reading')} behind these numbers {'lies' if readings == 1 else 'lie'} beyond a kit's limit; "
        "whatever they really were, no conclusion changes."
    )


def methods(endpoint: EndpointResult, protocol: Protocol) -> str:
    """Say how an endpoint was analysed."""
    logs = " Logarithms were analysed, and the results are ratios." if endpoint.scale is Scale.RATIO else ""
    baseline = {
        Baseline.NONE: "",
        Baseline.CHANGE: " The baseline was subtracted.",
        Baseline.ADJUST: " The baseline was a covariate.",
    }[endpoint.baseline]
    return (
        f"{sentence(plain(endpoint.title, 80))}: {measure(endpoint, protocol).rstrip(',')} of each tank over the "
        f"{endpoint.phase} phase.{logs}{baseline} The error of each comparison comes from {error_words(endpoint)}."
    )


def general_methods(analysis: Analysis) -> list[str]:
    """Say what holds for every endpoint."""
    said = [
        (
            "The tank is the unit: repeated readings of a day are averaged first, and a tank's days then become one number "
            "before any comparison. Days of other phases are not assessed."
        ),
        (
            "A reading below a kit's limit is taken as lying anywhere between the lowest possible value and the limit: the "
            "middle enters the estimate, both ends enter its range. A reading above a limit enters at the limit."
        ),
        "The conclusion of each comparison is read off its interval against the worthwhile difference, never off p alone.",
    ]
    if any(contrast.randomisation for e in analysis.endpoints for contrast in e.contrasts):
        said.append(
            "The randomisation test draws the allocation again as it was drawn, compares the result with the one "
            "seen, and gives its interval by inversion; it needs no assumption on how the numbers are distributed."
        )
    if any(e.role is not EndpointRole.PRIMARY for e in analysis.endpoints):
        said.append("Endpoints that are not primary are exploratory.")
    return said


def _p(p: float | None, endpoint: EndpointResult) -> str:
    """Write a p-value with its sign: ``p = 0.03``, ``p < 0.001``."""
    shown = p_value(p, endpoint.alpha)
    return f"p {shown}" if shown[0] in "<>" else f"p = {shown}"
