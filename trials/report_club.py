"""What a club needs on one page: asked, found, how sure, not shown, what next; plain words, no p-value."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from analysis.limitations import cannot_say
from analysis.numerals import count, number, plain
from analysis.wording import (
    VERDICT_MEANS,
    arm_title,
    contrast_sentence,
    first_primary,
    measure,
    sentence,
    turned_by_censoring,
)
from schemas.plain_words import listed
from schemas.vocabulary import ArmRole, DesignKind, EndpointRole, Scale, Variance, Verdict
from trials.report_results import pair

if TYPE_CHECKING:
    from collections.abc import Iterator

    from analysis.records import Contrast, EndpointResult
    from schemas.protocol import Protocol
    from trials.report_material import ReportMaterial

MOST_CONTRASTS = 4
"""Comparisons told one by one; a page holds no more."""
_GATHERED = {
    DesignKind.PARALLEL: "",
    DesignKind.BLOCKS: " in {blocks}, every arm in each",
    DesignKind.INCOMPLETE_BLOCKS: " in {blocks} smaller than the number of arms",
    DesignKind.CROSSOVER: ", each going through several arms in turn",
    DesignKind.BEFORE_AFTER: ", before and after the change",
}


@dataclass(frozen=True)
class ClubWords:
    """The sentences of the club's page, part by part."""

    asked: tuple[str, ...]
    found: tuple[str, ...]
    also: tuple[str, ...]
    sure: tuple[str, ...]
    not_shown: tuple[str, ...]
    next_steps: tuple[str, ...]


def club_words(m: ReportMaterial) -> ClubWords:
    """Write the page from the first primary endpoint; the others are named with their reading."""
    endpoint = first_primary(m.analysis)
    if endpoint is None:
        nothing = ("The protocol registers no endpoint, so there is nothing to answer.",)
        return ClubWords(tuple(_asked(m)), nothing, (), (), (), ())
    return ClubWords(
        asked=tuple(_asked(m)),
        found=tuple(_found(m, endpoint)),
        also=tuple(_also(m, endpoint)),
        sure=tuple(_sure(m, endpoint)),
        not_shown=tuple(
            cannot_say(m.analysis, m.protocol, m.allocation, registered_on=m.registered_at.date())
        ),
        next_steps=tuple(next_steps(endpoint, m.protocol)),
    )


def _asked(m: ReportMaterial) -> Iterator[str]:
    protocol = m.protocol
    if protocol.trial.question:
        yield plain(protocol.trial.question, 600)
    arms = listed([arm_title(protocol, arm.id) for arm in protocol.arms], last="and")
    blocks = {tank.block for tank in protocol.tanks if tank.block}
    how = _GATHERED[protocol.design.kind].format(blocks=count(len(blocks), "block"))
    chance = (
        "Chance decided which tank had what"
        if m.allocation.random
        else "Chance did not decide which tank had what"
    )
    days = (protocol.last_day - protocol.schedule.start).days + 1
    yield (
        f"We compared {arms} in {count(len(protocol.tanks), 'tank')}{how}, for {days / 7:.0f} weeks. {chance}, and what "
        "would be compared was written down and sealed before."
    )


def _found(m: ReportMaterial, endpoint: EndpointResult) -> Iterator[str]:
    yield from turned_by_censoring(endpoint, m.protocol)
    for contrast in endpoint.contrasts[:MOST_CONTRASTS]:
        yield contrast_sentence(endpoint, contrast, m.protocol)
    more = len(endpoint.contrasts) - MOST_CONTRASTS
    if more > 0:
        yield f"{sentence(count(more, 'more comparison'))} {'stands' if more == 1 else 'stand'} in the full record."


def _also(m: ReportMaterial, first: EndpointResult) -> Iterator[str]:
    """The other endpoints, each in one line of readings."""
    for endpoint in m.analysis.endpoints:
        if endpoint is first:
            continue
        read = [
            f"{pair(m.protocol, contrast)}: {contrast.verdict or 'not told'}"
            for contrast in endpoint.contrasts[:MOST_CONTRASTS]
        ]
        kind = "" if endpoint.role is EndpointRole.PRIMARY else ", a question for the next trial"
        yield f"Also looked at{kind}: {plain(endpoint.title, 80)}. {'; '.join(read)}."


def _sure(m: ReportMaterial, endpoint: EndpointResult) -> Iterator[str]:
    missing = len(endpoint.tanks) - endpoint.n_tanks
    rests = (
        f"This rests on {count(endpoint.n_tanks, 'tank')} and {count(m.analysis.readings.total, 'reading')}"
    )
    yield (
        f"{rests}; {count(missing, 'tank')} could not be counted."
        if missing
        else f"{rests}; no tank is missing."
    )
    for contrast in endpoint.contrasts[:MOST_CONTRASTS]:
        if contrast.randomisation:
            test, reference = (arm_title(m.protocol, arm) for arm in (contrast.test, contrast.reference))
            yield (
                f"{test} against {reference}: had both done the same, another draw would have shown a difference as "
                f"large as ours {_how_often(contrast.randomisation.p)}."
            )
    for verdict in dict.fromkeys(contrast.verdict for contrast in endpoint.contrasts):
        if verdict is not None:
            yield f"“{sentence(verdict)}” means: {VERDICT_MEANS[verdict][0].lower()}{VERDICT_MEANS[verdict][1:]}"


def _how_often(p: float) -> str:
    """How often chance does as much, as a person would count it."""
    if p < 0.001:
        return "less than once in 1,000 draws"
    return f"about once in {round(1 / p):,} draws" if p <= 0.3 else f"in {number(p * 100, 0)} of 100 draws"


def next_steps(endpoint: EndpointResult, protocol: Protocol) -> list[str]:
    """What follows from each reading, and last what always does.

    The size that would settle an open comparison is that at which half the interval equals the worthwhile difference,
    if tanks differ from each other as these did.
    """
    said = [_step(contrast, endpoint, protocol) for contrast in endpoint.contrasts[:MOST_CONTRASTS]]
    safety = [rule.action for rule in protocol.stop_rules]
    if safety:
        said.append(
            "Whatever is used: keep testing and keep the stop rules; they were written for the animals."
        )
    said.append("One trial is one trial: if others repeat it, the results can be put together.")
    return list(dict.fromkeys(said))


def _step(contrast: Contrast, endpoint: EndpointResult, protocol: Protocol) -> str:
    names = pair(protocol, contrast)
    about = measure(endpoint, protocol).rstrip(",")
    better = contrast.favours or contrast.test
    match contrast.verdict:
        case Verdict.WORTHWHILE:
            other = contrast.reference if better == contrast.test else contrast.test
            titles = arm_title(protocol, better), arm_title(protocol, other)
            if protocol.arm(better).role is ArmRole.CONTROL:
                return f"For {about}, do not take up {titles[1]}: the difference was for the worse, by a margin that matters."
            return (
                f"For {about}, what {titles[0]} gains over {titles[1]} is worth having in tanks like these; see whether "
                "it lasts."
            )
        case Verdict.TOO_SMALL | Verdict.NONE_WORTHWHILE:
            return f"{names}: for {about} it makes no odds that matter, so go by cost, work and safety."
        case None:
            return f"{names}: agree on the difference that would matter before the next trial."
        case _:
            return f"{names}: still open.{_settled_by(contrast, endpoint)}"


def _settled_by(contrast: Contrast, endpoint: EndpointResult) -> str:
    needed = tanks_to_settle(contrast, endpoint)
    if needed is None:
        return ""
    what = "block" if endpoint.n_blocks and endpoint.variance is Variance.OWN else "tank"
    return (
        f" About {count(needed, what)} instead of {contrast.n} would settle it; “fairtank plan” works it out."
    )


def tanks_to_settle(contrast: Contrast, endpoint: EndpointResult) -> int | None:
    """Blocks (or tanks) at which half the interval would equal the worthwhile difference; None where unknown.

    The half-width shrinks with the root of the number; what t adds in small trials is left out.
    """
    low, high, margin = contrast.low, contrast.high, endpoint.worthwhile
    if low is None or high is None or margin is None or not contrast.n:
        return None
    if endpoint.scale is Scale.RATIO:
        if min(low, margin) <= 0:
            return None
        half, distance = math.log(high / low) / 2, abs(math.log(margin))
    else:
        half, distance = (high - low) / 2, abs(margin)
    if distance == 0 or half <= distance:
        return None
    return math.ceil(contrast.n * (half / distance) ** 2 * (1 - 1e-12))
