"""What `fairtank plan` shows: the plan by formula, what was simulated, what was searched; and all of it as JSON."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from trials.cli import display

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from analysis.search import Found
    from analysis.simulation import ContrastOutlook, Simulated
    from schemas.protocol import Endpoint, Protocol
    from trials.planning import Chances, PlannedEndpoint
    from trials.planning_sizes import Sizes
    from trials.planning_trials import PlannedOutlook

MOST_DESIGNS_SHOWN = 12
NEAR = 0.3
"""Below the wished power, from where on designs are shown."""


@dataclass(frozen=True)
class Simulation:
    """What was simulated of the first primary endpoint, and why what was not is missing."""

    endpoint: str
    seed: int
    most: int
    error: float
    plain: PlannedOutlook | None
    tanks: PlannedOutlook | None
    missing: tuple[str, ...]


@dataclass(frozen=True)
class Search:
    """Designs tried, cheapest first, and what to make of them."""

    found: Sequence[Found]
    recommendation: Sequence[str]
    unit: str


def planned(
    trial: Protocol,
    planned: Sequence[PlannedEndpoint],
    needed: Mapping[str, Sizes | None],
    warnings: Sequence[str],
    wanted: float,
    width: float | None,
) -> None:
    """The three lines, the table of every endpoint, the sizes needed, what was assumed, and the warnings."""
    from trials import planning_words as words
    from trials.planning_sizes import sizes_words

    for line in words.headline(trial, planned, wanted):
        display.out(line)
    for one in planned:
        display.out()
        display.out(f"{one.endpoint.id} ({one.endpoint.role}), {words.assumption_words(one)}:")
        display.table(
            ("comparison", "effect", "power", "for worthwhile", "half width", "smallest p"),
            words.contrast_rows(one),
        )
        if one.endpoint.id in needed:
            found = needed[one.endpoint.id]
            for line in words.reading_lines(one) + (
                sizes_words(one.endpoint, found, wanted, width) if found else []
            ):
                display.out(f"  {line}")
    display.out()
    display.out("Assumed, never evidence:")
    for note in words.notes(trial, planned):
        display.out(f"  {note}")
    if warnings:
        display.out()
        display.out("Worth a thought before the first reading:")
        for warning in warnings:
            display.out(f"  {warning}")
    display.out()


def simulation(endpoint: Endpoint, simulated: Simulation) -> None:
    """Power, false positives and readings by simulation, and what the tanks of the model go through."""
    from trials.planning_words import effect_words, shown_half_width, stopping_words, trials_words, with_error

    for title, outlook in (
        ("a plain effect", simulated.plain),
        ("tanks of the model with the arms' doses", simulated.tanks),
    ):
        if outlook is None:
            continue
        display.out(
            f"{simulated.endpoint} by simulation, {trials_words(outlook)} on {title}, seed {simulated.seed}:"
        )
        averaged = outlook.assurance or (None,) * len(outlook.contrasts)
        display.table(
            (
                "comparison",
                "effect",
                "power",
                *["assurance"] * bool(outlook.assurance),
                "alone",
                "false positive",
                "half width",
            ),
            [
                (
                    f"{one.test} - {one.reference}",
                    effect_words(endpoint, _on_scale(endpoint, one.effect)).rsplit(" ", 1)[1],
                    with_error(one.power),
                    *(with_error(average) for average in [averaged_power] if average is not None),
                    with_error(one.power_alone),
                    with_error(one.false_positive),
                    shown_half_width(endpoint, one.half_width),
                )
                for one, averaged_power in zip(outlook.contrasts, averaged, strict=True)
            ],
        )
        if simulated.error:
            display.out(f"  {stopping_words(outlook, simulated.most, simulated.error)}")
        for one in outlook.contrasts:
            if one.verdicts:
                chances = "; ".join(f"{name} {with_error(chance)}" for name, chance in one.verdicts.items())
                display.out(f"  {one.test} - {one.reference} would read: {chances}.")
        display.out()
    if any(outlook is not None and outlook.assurance for outlook in (simulated.plain, simulated.tanks)):
        display.out("  Assurance: power averaged over how unsure the assumptions are, never evidence.")
    if simulated.tanks is not None and simulated.tanks.outlook is not None:
        arms = simulated.tanks.outlook.arms
        harms = list(arms[0].harms)
        display.out("Expected of each tank of the model, from the first dose to the end:")
        display.table(
            ("arm", *harms),
            [
                (arm.arm, *(with_error(arm.harms[name], share=name == "stop rule met") for name in harms))
                for arm in arms
            ],
        )
        display.out(
            "  Stop rule met: share of tanks; unused carbon in mg C/L; each with its Monte Carlo error."
        )
    for sentence in simulated.missing:
        display.out(f"  {sentence}")
    display.out()


def _on_scale(endpoint: Endpoint, effect: float) -> float:
    from trials.planning import shown

    return shown(endpoint, effect)


def search(endpoint: Endpoint, searched: Search, wanted: float) -> None:
    """The recommendation, and the designs that show more than every cheaper one."""
    from analysis.numerals import quantity
    from trials.planning_words import percent as per_cent
    from trials.planning_words import width_words

    for line in searched.recommendation:
        display.out(line)
    front: list[Found] = []
    for one in searched.found:
        # Of a design that costs more and shows less nothing is to be learnt.
        if not front or one.power.value > front[-1].power.value:
            front.append(one)
    near = [one for one in front if one.power.value >= wanted - NEAR] or front
    display.out("Designs that show more than every cheaper one:")
    several = len({one.size.each for one in searched.found}) > 1
    kits = len({one.size.kit for one in searched.found}) > 1
    display.table(
        (
            searched.unit,
            *["tanks each"] * several,
            "weeks",
            "every",
            "readings a day",
            *["kit"] * kits,
            "tanks",
            "readings",
            "hours",
            "cost",
            "power",
            "half width",
        ),
        [
            (
                str(one.size.blocks),
                *[str(one.size.each)] * several,
                str(one.size.weeks),
                f"{one.size.every_days} d",
                str(one.size.duplicates),
                *[one.size.kit] * kits,
                str(one.cost.tanks),
                str(one.cost.readings),
                quantity(one.cost.hours),
                quantity(one.cost.total, 4),
                per_cent(one.power.value),
                width_words(endpoint, one.half_width),
            )
            for one in near[:MOST_DESIGNS_SHOWN]
        ],
    )
    display.out(f"  {len(searched.found)} designs were tried; --json lists them all.")
    display.out()


def document(
    trial: Protocol,
    planned: Sequence[PlannedEndpoint],
    needed: Mapping[str, Sizes | None],
    warnings: Sequence[str],
    wanted: float,
    simulated: Simulation | None,
    searched: Search | None,
) -> dict[str, Any]:
    """Everything as JSON data; what does not exist is null."""
    from dataclasses import asdict

    from trials import planning_words as words

    document: dict[str, Any] = {
        "trial": trial.trial.id,
        "answer": list(words.headline(trial, planned, wanted)),
        "wanted_power": wanted,
        "alpha": trial.analysis.alpha,
        "endpoints": [
            {
                "id": one.endpoint.id,
                "role": one.endpoint.role,
                "scale": one.endpoint.scale,
                "sd": one.assumed.sd,
                "effect_given": one.assumed.effect_given,
                "sd_given": one.assumed.sd_given,
                "sizes": asdict(found) if (found := needed.get(one.endpoint.id)) else None,
                "contrasts": [
                    {
                        "test": contrast.test,
                        "reference": contrast.reference,
                        "effect": contrast.effect,
                        "power": contrast.power,
                        "half_width": contrast.half_width,
                        "smallest_p": contrast.smallest_p,
                        "power_alone": contrast.power_alone,
                        "power_worthwhile": contrast.power_worthwhile,
                        "detectable": contrast.detectable,
                        "df": contrast.df,
                        "if_effect": _chances_document(contrast.if_effect),
                        "if_none": _chances_document(contrast.if_none),
                        "why_not": contrast.why_not or None,
                    }
                    for contrast in one.contrasts
                ],
            }
            for one in planned
        ],
        "notes": words.notes(trial, planned),
        "warnings": list(warnings),
    }
    if simulated is not None:
        document["simulation"] = {
            "endpoint": simulated.endpoint,
            "seed": simulated.seed,
            "error": simulated.error or None,
            "plain": _outlook_document(simulated.plain),
            "tank_model": _outlook_document(simulated.tanks),
            "notes": list(simulated.missing),
        }
    if searched is not None:
        document["search"] = {
            "recommendation": list(searched.recommendation),
            "designs": [_design_document(one) for one in searched.found],
        }
    return document


def _chances_document(chances: Chances | None) -> dict[str, Any] | None:
    if chances is None:
        return None
    return {
        "readings": {str(name): chance for name, chance in chances.readings.items()},
        "equivalence": chances.equivalence,
        "noninferiority": chances.noninferiority,
    }


def _outlook_document(outlook: PlannedOutlook | None) -> dict[str, Any] | None:
    if outlook is None:
        return None
    averaged = outlook.assurance or (None,) * len(outlook.contrasts)
    return {
        "trials": max(outlook.counts),
        "contrasts": [
            _contrast_document(one) | {"trials": number, "assurance": _number(average)}
            for one, number, average in zip(outlook.contrasts, outlook.counts, averaged, strict=True)
        ],
        "arms": [
            {"arm": arm.arm} | {name.replace(" ", "_"): _number(value) for name, value in arm.harms.items()}
            for arm in (outlook.outlook.arms if outlook.outlook else ())
        ],
    }


def _contrast_document(one: ContrastOutlook) -> dict[str, Any]:
    return {
        "test": one.test,
        "reference": one.reference,
        "effect_working": _finite(one.effect),
        **{
            name: _number(getattr(one, name))
            for name in ("power", "power_alone", "false_positive", "half_width", "bias", "unanswered")
        },
        "readings": {str(name): _number(chance) for name, chance in one.verdicts.items()},
    }


def _design_document(one: Found) -> dict[str, Any]:
    from dataclasses import asdict

    return {
        **asdict(one.size),
        **asdict(one.cost),
        # After the cost, whose weeks are those of the whole trial.
        "weeks": one.size.weeks,
        "weeks_in_all": one.cost.weeks,
        "power": _number(one.power),
        "half_width": _finite(one.half_width),
        "detectable": one.detectable,
    }


def _number(value: Simulated | None) -> dict[str, float | None] | None:
    return None if value is None else {"value": _finite(value.value), "se": _finite(value.se)}


def _finite(value: float) -> float | None:
    return value if math.isfinite(value) else None
