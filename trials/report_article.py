"""An article's parts, ready to paste: methods, results, table, captions, and what must not be claimed."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from analysis.limitations import cannot_say
from analysis.numerals import count, day_words, number, p_value, plain, quantity
from analysis.wording import (
    arm_title,
    error_words,
    estimate_words,
    first_primary,
    interval_words,
    margin_words,
    measure,
    sentence,
)
from schemas.plain_words import listed
from schemas.vocabulary import ArmRole, Baseline, DesignKind, EndpointRole, Multiplicity, Scale, Verdict
from trials import report_results
from trials.report_kits import kits_sentences, kits_table
from trials.report_results import pair

if TYPE_CHECKING:
    from collections.abc import Iterator

    from analysis.records import Contrast, EndpointResult
    from trials.report_material import ReportMaterial
    from trials.report_tables import Table

_DESIGNS = {
    DesignKind.PARALLEL: "a trial of parallel arms",
    DesignKind.BLOCKS: "a trial in complete blocks",
    DesignKind.INCOMPLETE_BLOCKS: "a trial in incomplete blocks",
    DesignKind.CROSSOVER: "a crossover trial",
    DesignKind.BEFORE_AFTER: "a comparison before and after, with a control",
}
_SHARED = {
    Multiplicity.NONE: "No adjustment was made for several comparisons.",
    Multiplicity.HOLM: "P values were adjusted over the comparisons of all primary endpoints after Holm.",
    Multiplicity.DUNNETT: "P values of the comparisons with the control were adjusted after Dunnett.",
    Multiplicity.FIXED_ORDER: "Comparisons were tested in the registered order, each only if all before it stood.",
}
_NOT_CLAIMED = {
    Verdict.UNSETTLED: "that {pair} do not differ in {about}: the interval reaches from no difference to one that matters",
    Verdict.UNSETTLED_SIZE: "that the difference in {about} of {pair} is large enough to matter, or that it is too small",
    Verdict.NONE_WORTHWHILE: "that {pair} are equal in {about}: only that no difference that matters is left",
    Verdict.TOO_SMALL: "that the difference in {about} of {pair} matters because it is statistically significant",
    Verdict.WORTHWHILE: "that the difference in {about} of {pair} is exactly the estimate: it is anywhere in the interval",
}


@dataclass(frozen=True)
class Supplement:
    """Supplementary material: how the kits measured."""

    table: Table
    sentences: tuple[str, ...]


@dataclass(frozen=True)
class Article:
    """Paragraphs and tables of an article on one trial."""

    methods: tuple[str, ...]
    results: tuple[str, ...]
    tables: tuple[Table, ...]
    availability: str
    not_claimed: tuple[str, ...]
    supplement: Supplement | None = None


def article(m: ReportMaterial) -> Article:
    """Write the parts; primary endpoints in full, the others marked exploratory."""
    return Article(
        methods=(" ".join(_trial(m)), " ".join(_analysis(m))),
        results=tuple(_results(m)),
        tables=tuple(
            shown
            for endpoint in m.analysis.endpoints
            for shown in (
                report_results.means(endpoint, m.protocol),
                report_results.results(endpoint, m.protocol),
            )
        ),
        availability=_availability(m),
        not_claimed=tuple(must_not_be_claimed(m)),
        supplement=_supplement(m),
    )


def _supplement(m: ReportMaterial) -> Supplement | None:
    if m.kits is None or m.kits.empty:
        return None
    return Supplement(kits_table(m.kits, m.protocol), tuple(kits_sentences(m.kits, m.protocol)))


def _trial(m: ReportMaterial) -> Iterator[str]:
    protocol = m.protocol
    yield (
        f"We registered {_DESIGNS[protocol.design.kind]} on {day_words(m.registered_at.date())}, under a digest (SHA-256) of "
        f"the protocol that begins with {(m.sealed_digest or m.digest)[:16]}. The unit of the experiment was the tank."
    )
    arms = [_arm(m, arm.id) for arm in protocol.arms]
    blocks = {tank.block for tank in protocol.tanks if tank.block}
    where = f" in {count(len(blocks), 'block')}" if blocks else ""
    yield f"{sentence(count(len(protocol.tanks), 'tank'))}{where} had {listed(arms, last='or')}."
    if m.allocation.drawn:
        yield (
            "Tanks were shared out by ranking the SHA-256 of the protocol's digest, a seed, the block and the tank; "
            + (
                f"the seed was drawn after registration ({plain(protocol.design.seed_from, 200)})."
                if protocol.design.seed_from
                else "the seed was written in the protocol."
            )
        )
    elif m.allocation.random:
        yield f"Tanks were shared out at random elsewhere: {plain(m.allocation.how, 200)}."
    else:
        yield f"Chance did not decide which tank had which arm: {plain(m.allocation.how, 200)}. The study is observational."
    phases = [f"{phase.id} ({count(phase.days, 'day')})" for phase in protocol.schedule.phases]
    periods = f", in each of {protocol.n_periods} periods" if protocol.n_periods > 1 else ""
    yield f"From {day_words(protocol.schedule.start)} it went through {listed(phases, last='and')}{periods}."
    if any("protocol was amended" in line for line in m.deviations):
        yield "The protocol was amended after registration; the amendments are listed with the data."


def _arm(m: ReportMaterial, arm: str) -> str:
    known = m.protocol.arm(arm)
    dose = ""
    if known.carbon:
        parts = [plain(known.carbon.source, 80), plain(known.carbon.full_dose or "", 80)]
        dose = f" ({', '.join(filter(None, parts))})"
    return f"{arm_title(m.protocol, arm)}{dose}{', the control' if known.role is ArmRole.CONTROL else ''}"


def _analysis(m: ReportMaterial) -> Iterator[str]:
    protocol = m.protocol
    primary = [e for e in m.analysis.endpoints if e.role is EndpointRole.PRIMARY]
    for endpoint in primary:
        logs = ", analysed as logarithms" if endpoint.scale is Scale.RATIO else ""
        baseline = {
            Baseline.NONE: "",
            Baseline.CHANGE: ", less its baseline",
            Baseline.ADJUST: ", with its baseline as a covariate",
        }[endpoint.baseline]
        worth = (
            f" A difference was called worthwhile from {margin_words(endpoint)}."
            if endpoint.worthwhile
            else ""
        )
        yield (
            f"The primary endpoint was {measure(endpoint, protocol).rstrip(',')} of each tank over the {endpoint.phase} "
            f"phase{logs}{baseline}; the error of a comparison came from {error_words(endpoint)}.{worth}"
        )
    yield f"Alpha was {quantity(protocol.analysis.alpha)}. {_SHARED[protocol.analysis.multiplicity]}"
    yield (
        "Repeated readings of a day were averaged first; readings below a kit's limit were taken as intervals from the "
        "lowest possible value to the limit, entered at their middle, with the range of estimates that they allow. "
        "Conclusions were read off intervals against the worthwhile difference."
    )
    if any(c.randomisation for e in primary for c in e.contrasts):
        yield "Beside each comparison stands a randomisation test over the allocations that could have been drawn."
    yield (
        f"Analyses were run by fairtank {m.fairtank} with "
        + ", ".join(f"{name} {version}" for name, version in m.environment.items())
        + "."
    )


def _results(m: ReportMaterial) -> Iterator[str]:
    first = first_primary(m.analysis)
    for endpoint in m.analysis.endpoints:
        if endpoint is first:
            missing = [tank for tank in endpoint.tanks if tank.y is None]
            left_out = f"; {_left_out(endpoint)}" if missing else ""
            yield (
                f"{endpoint.n_tanks} of {count(len(endpoint.tanks), 'tank')} could be analysed for "
                f"{plain(endpoint.title, 80)}{left_out}. {' '.join(_told(m, endpoint, c) for c in endpoint.contrasts)}"
            )
        else:
            kind = "" if endpoint.role is EndpointRole.PRIMARY else "Exploratory: "
            told = " ".join(_told(m, endpoint, c) for c in endpoint.contrasts)
            yield f"{kind}{plain(endpoint.title, 80)} ({count(endpoint.n_tanks, 'tank')}). {told}"


def _left_out(endpoint: EndpointResult) -> str:
    reasons: dict[str, int] = {}
    for tank in endpoint.tanks:
        if tank.y is None:
            reasons[tank.why_missing] = reasons.get(tank.why_missing, 0) + 1
    return listed([f"{n} had {why}" for why, n in reasons.items()], last="and")


def _told(m: ReportMaterial, endpoint: EndpointResult, contrast: Contrast) -> str:
    """One comparison with estimate, interval, n and p: a sentence for a paper."""
    names = pair(m.protocol, contrast)
    if contrast.estimate is None:
        return f"{names} could not be compared."
    level = quantity((1 - endpoint.alpha) * 100)
    allowed = interval_words(endpoint, contrast)
    interval = f" ({level} % interval {allowed}" if allowed else " (no interval"
    redrawn = contrast.randomisation
    drawn = f", {_p(redrawn.p)} by randomisation" if redrawn else ""
    adjusted = f", adjusted {_p(contrast.p_adjusted)}" if contrast.p_adjusted is not None else ""
    p = f", {_p(contrast.p)}" if contrast.p is not None else ""
    ratio = f", ratio {number(contrast.estimate, 2)}" if endpoint.scale is Scale.RATIO else ""
    return (
        f"{names}: {estimate_words(endpoint, contrast)}{interval}{ratio}; n = {contrast.n}{p}{adjusted}{drawn}); "
        f"reading: {contrast.verdict or 'none registered'}."
    )


def _p(p: float | None) -> str:
    shown = p_value(p)
    return f"p {shown}" if shown[0] in "<>" else f"p = {shown}"


def _availability(m: ReportMaterial) -> str:
    licence = f" under {plain(m.protocol.trial.licence, 100)}" if m.protocol.trial.licence else ""
    return (
        f"Protocol, allocation, readings and results are in the trial's register{licence}; accepted readings have the "
        f"SHA-256 {m.analysis.data_digest}, the protocol {m.digest}, and the head of the register's chain was {m.head} when "
        "this was written."
    )


def must_not_be_claimed(m: ReportMaterial) -> Iterator[str]:
    """What readers could take from the numbers and these do not bear, each as a whole sentence."""
    first = first_primary(m.analysis)
    for endpoint in m.analysis.endpoints:
        if endpoint.role is not EndpointRole.PRIMARY and endpoint is not first:
            continue
        for contrast in endpoint.contrasts:
            if contrast.verdict is not None:
                claim = _NOT_CLAIMED[contrast.verdict].format(
                    pair=pair(m.protocol, contrast), about=measure(endpoint, m.protocol).rstrip(",")
                )
                yield f"Do not claim {claim}."
    if not m.allocation.random:
        yield "Do not claim that the treatment caused the difference: chance did not share out the tanks."
    if m.invented:
        yield "Do not claim anything of real aquaria: this trial is invented."
    yield from cannot_say(m.analysis, m.protocol, m.allocation, registered_on=m.registered_at.date())
