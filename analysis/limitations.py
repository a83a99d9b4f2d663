"""What a trial cannot say, each limitation in one plain sentence that its records call for."""

from __future__ import annotations

from typing import TYPE_CHECKING

from analysis.numerals import count, p_value, plain, quantity
from analysis.wording import arm_title, surer_alone
from schemas.plain_words import listed
from schemas.vocabulary import EndpointRole

if TYPE_CHECKING:
    import datetime as dt
    from collections.abc import Sequence

    from analysis.records import Analysis, Contrast, EndpointResult
    from schemas.allocation import Allocation
    from schemas.protocol import Protocol


def cannot_say(
    analysis: Analysis,
    protocol: Protocol,
    allocation: Allocation,
    *,
    registered_on: dt.date | None = None,
) -> list[str]:
    """Tell the limitations of a trial, gravest first; there is always one.

    Parameters
    ----------
    analysis, protocol, allocation
        The registered analysis, what was registered, and how tanks were shared out.
    registered_on
        The day of registration; None leaves out whether it came too late.
    """
    primary = [e for e in analysis.endpoints if e.role is EndpointRole.PRIMARY]
    others = [e for e in analysis.endpoints if e.role is not EndpointRole.PRIMARY]
    found = [*_of_the_allocation(protocol, allocation), *_of_the_date(analysis, protocol, registered_on)]
    for endpoint in primary:
        found += _of_few_tanks(endpoint, protocol)
        found += _of_missing_tanks(endpoint, protocol)
        found += _of_many_comparisons(endpoint, protocol)
    if others:
        titles = listed([plain(endpoint.title, 80) for endpoint in others], last="and")
        found.append(
            f"Exploratory, since only the primary endpoints share the registered error rate: {titles}. "
            "What is seen there is a question for the next trial, not an answer of this one."
        )
    found.append(
        "The result holds for these tanks, in these weeks, at these doses and in these hands; "
        "it does not say what happens in other tanks, over a longer time or at another dose."
    )
    return found


def _of_the_allocation(protocol: Protocol, allocation: Allocation) -> list[str]:
    if not allocation.random:
        return [
            (
                "This is observational: chance did not decide which tank got what, so any difference may have been "
                "there before, or come from whatever decided it. It cannot say what the treatment caused."
            )
        ]
    if not allocation.drawn:
        return [
            (
                "The tanks were shared out elsewhere and recorded here, so this report can show the result "
                "but not that the draw was fair."
            )
        ]
    if protocol.design.seed is not None:
        return [
            "The lead chose the seed of the draw, so readers have to trust that no other draw was tried first."
        ]
    return []


def _of_the_date(analysis: Analysis, protocol: Protocol, registered_on: dt.date | None) -> list[str]:
    if registered_on is None or registered_on <= protocol.schedule.start:
        return []
    late = count((registered_on - protocol.schedule.start).days, "day")
    seen = ""
    if analysis.readings.first_day is not None and analysis.readings.first_day < registered_on:
        seen = " Readings had been taken by then"
        seen += ", so it cannot be shown that the endpoints were chosen before anybody had seen them."
    return [f"The protocol was registered {late} after the first day of the trial.{seen}"]


def _of_few_tanks(endpoint: EndpointResult, protocol: Protocol) -> list[str]:
    short = [c for c in endpoint.contrasts if c.randomisation and c.randomisation.smallest_p > endpoint.alpha]
    if not short:
        return []
    least = min(c.randomisation.smallest_p for c in short if c.randomisation)
    sentence = (
        f"So few tanks can be shared out in so few ways that the randomisation test of {plain(endpoint.title, 80)} could "
        f"never give a p below {p_value(least, endpoint.alpha)}, whatever the readings had been, and "
        f"{quantity(endpoint.alpha)} was registered: there the conclusion leans on the model's assumptions "
        f"({_pairs(short, protocol)})."
    )
    return [sentence]


def _of_missing_tanks(endpoint: EndpointResult, protocol: Protocol) -> list[str]:
    by_arm = {flow.arm: flow.allocated - flow.analysed for flow in endpoint.flow}
    missing = sum(by_arm.values())
    if not missing:
        return []
    where = listed([f"{n} of {arm_title(protocol, arm)}" for arm, n in by_arm.items() if n], last="and")
    one = missing == 1
    sentence = (
        f"{count(missing, 'tank')} {'has' if one else 'have'} no number for {plain(endpoint.title, 80)} ({where}). The "
        f"registered analysis puts nothing in {'its' if one else 'their'} place; if {'it is' if one else 'they are'} "
        f"missing because of how {'it' if one else 'they'} fared, the answer is off by an unknown amount."
    )
    return [sentence]


def _of_many_comparisons(endpoint: EndpointResult, protocol: Protocol) -> list[str]:
    alone = [c for c in endpoint.contrasts if surer_alone(endpoint, c)]
    if not alone:
        return []
    one = len(alone) == 1
    sentence = (
        f"Taken alone, {_pairs(alone, protocol)} would pass the registered error rate for {plain(endpoint.title, 80)}; "
        f"allowing for all comparisons registered ({endpoint.multiplicity}) {'it does' if one else 'they do'} not. "
        "The intervals shown are those of single comparisons."
    )
    return [sentence]


def _pairs(contrasts: Sequence[Contrast], protocol: Protocol) -> str:
    named = [f"{arm_title(protocol, c.test)} v {arm_title(protocol, c.reference)}" for c in contrasts]
    return listed(named, last="and")
