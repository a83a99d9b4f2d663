"""The text of a drafted protocol: section by section, each proposal with its reason in a comment."""

from __future__ import annotations

import datetime as dt
import json
from typing import TYPE_CHECKING

from analysis.water.husbandry import RAMP_DAYS
from schemas.vocabulary import DesignKind
from trials.cautions import cautions
from trials.draft_arms import arms_text
from trials.draft_wishes import BASELINE_DAYS
from trials.toml_text import toml_comment, toml_number, toml_string

if TYPE_CHECKING:
    from collections.abc import Sequence

    from trials.draft_wishes import Wishes


def protocol_text(wishes: Wishes, arms: Sequence[str]) -> str:
    """The whole file; ``arms`` are the ids in their order.

    Raises
    ------
    WaterError
        A source that is not known, is never dosed, or is in the wrong arm.
    """
    sections = (
        _head(),
        _trial(wishes),
        arms_text(wishes),
        _design(wishes),
        _schedule(wishes),
        _kits(wishes),
        _endpoints(wishes),
        _analysis(arms),
        _planning(wishes),
        _stop_rules(),
    )
    return "\n\n".join(section.strip("\n") for section in sections) + "\n"


def _head() -> str:
    said = [
        toml_comment(
            "A draft of a protocol. Read it, change what your club would do otherwise, and register it only when all who "
            "take part agree: from then on it is sealed. Text behind # is for people and changes nothing."
        ),
        toml_comment(
            "Limits, doses and times here are common practice among keepers and have no source unless one is named; "
            "local codes, a vet and other licensed people stand above them."
        ),
        "#\n# Cautions",
        *(toml_comment(f"- {text}", "  ") for text in cautions(doses=True)),
    ]
    return "\n".join(said) + '\n\nformat = 1\ntanks = "tanks.csv" # one row a tank: id, block, volume_L'


def _trial(wishes: Wishes) -> str:
    lines = ["[trial]", f"id = {toml_string(wishes.id)}", f"title = {toml_string(wishes.title)}"]
    sources = " or ".join(name for name in (wishes.polymer, wishes.liquid) if name)
    question = wishes.question or (
        f"In a stocked marine tank with nitrate to spare, does {sources} at {wishes.carbon:g} mg of carbon per litre and "
        f"day bring nitrate to {wishes.worthwhile:g} of that under water changes alone, or lower?"
    )
    lines.append(f"question = {toml_string(question)}")
    if wishes.lead:
        lines.append(f"lead = {toml_string(wishes.lead)}")
    return "\n".join([*lines, 'licence = "CC-BY-4.0" # under which the data may be used'])


def _design(wishes: Wishes) -> str:
    meeting = wishes.start + dt.timedelta(days=BASELINE_DAYS - 2)
    source = wishes.seed_from or (
        f"the six numbers drawn from a bag at an open meeting on {meeting.day} {meeting:%B %Y}, in the order drawn"
    )
    why = (
        "Tanks of one block are alike in what moves nitrate (keeper, volume, animals, nitrate now); each block holds every "
        "arm, so that arms are compared between like tanks. All water that is mixed is one tank."
        if wishes.design == DesignKind.BLOCKS
        else "Tanks take their arm whatever they are like: simple, and less sharp than blocks of like tanks. All water that "
        "is mixed is one tank."
    )
    return "\n".join(
        [
            "[design]",
            f"kind = {toml_string(wishes.design)}",
            toml_comment(why),
            toml_comment(
                "The seed is public and comes after the seal, so that nobody can shop for a draw; drawing it at the end of "
                "the baseline, nobody measures the baseline knowing which tank will be treated."
            ),
            f"seed_from = {toml_string(source)}",
        ]
    )


def _schedule(wishes: Wishes) -> str:
    return "\n".join(
        [
            "[schedule]",
            f"start = {wishes.start.isoformat()}",
            "phases = [",
            toml_comment(
                "Baseline of four weeks: five readings tell where a tank stands better than one, and a tank taken in because "
                "it read high falls back by itself.",
                "    ",
            ),
            f'    {{ id = "baseline", days = {BASELINE_DAYS} }},',
            toml_comment(
                "Ramp of four weeks: the dose rises from a third to full, and bacteria take three to four weeks to settle on "
                "a polymer (common practice, no source), so these weeks are not assessed.",
                "    ",
            ),
            f'    {{ id = "ramp", days = {RAMP_DAYS} }},',
            f'    {{ id = "assessment", days = {7 * wishes.weeks} }},',
            "]",
            toml_comment(
                "Weekly: more often helps little, since one week's water leans on the last; keep the weekday and the hour, "
                "before feeding and dosing. Oxygen is read with a meter before the lights come on, when it is lowest."
            ),
            "sampling = [",
            '    { variable = "nitrate", every_days = 7 },',
            '    { variable = "phosphate", every_days = 7 }, # if it runs out, nitrate stalls whatever is dosed',
            '    { variable = "nitrite", every_days = 7 }, # kits for nitrate can count it many times over',
            '    { variable = "oxygen", every_days = 7 },',
            "]",
        ]
    )


def _kits(wishes: Wishes) -> str:
    kits = (
        ("nitrate-kit", "nitrate", wishes.nitrate_limit),
        ("phosphate-kit", "phosphate", wishes.phosphate_limit),
        ("nitrite-kit", "nitrite", 0.02),
    )
    return "\n\n".join(
        [
            toml_comment(
                "The lowest reading that each kit can show, from its leaflet: less is written with <, never as 0. Name every "
                "kit in use; one tank keeps to one kit throughout."
            ),
            *(
                f'[[kits]]\nid = "{name}"\nvariable = "{variable}"\nlimit = {toml_number(limit)}\nunit = "mg/L"'
                for name, variable, limit in kits
            ),
        ]
    )


def _endpoints(wishes: Wishes) -> str:
    def mean(variable: str, role: str, worthwhile: float) -> str:
        return "\n".join(
            [
                f'[[endpoints]]\nid = "{variable}-mean"\nrole = "{role}"',
                f'title = "Mean {variable} at full dose"\nvariable = "{variable}"\nsummary = "mean"',
                'phase = "assessment"\nbaseline = "adjust" # tanks that began low are not credited to their arm',
                'scale = "ratio"\nbetter = "lower"',
                f"worthwhile = {toml_number(worthwhile)}",
            ]
        )

    return "\n\n".join(
        [
            toml_comment(
                "One primary endpoint, so that nobody picks the best of many afterwards. worthwhile is the ratio that would "
                "be worth the price and the work; agree on it before there are readings."
            ),
            mean("nitrate", "primary", wishes.worthwhile),
            mean("phosphate", "secondary", wishes.worthwhile),
            (
                '[[endpoints]]\nid = "nitrite-mean"\nrole = "safety"\ntitle = "Mean nitrite at full dose"\n'
                'variable = "nitrite"\nsummary = "mean"\nphase = "assessment"\nscale = "difference"\nbetter = "lower"\n'
                "worthwhile = 0.1 # half of what holds the dose, below"
            ),
        ]
    )


def _analysis(arms: Sequence[str]) -> str:
    pairs = [[test, "control"] for test in arms[1:]] + ([["polymer", "liquid"]] if len(arms) > 2 else [])
    return "\n".join(
        [
            "[analysis]",
            "alpha = 0.05",
            toml_comment(
                "own: each comparison by the tanks that it compares, since dosed tanks vary more than untouched ones."
            ),
            'variance = "own"',
            toml_comment(
                "holm: the comparisons share the error rate, so that more of them do not find more by chance."
            ),
            'multiplicity = "holm"',
            f"contrasts = {json.dumps(pairs)}",
        ]
    )


def _planning(wishes: Wishes) -> str:
    return "\n".join(
        [
            toml_comment(
                "Assumed, never evidence: `fairtank plan` works out from them what the trial could show. effect is the ratio "
                "of nitrate to the control's; sd is that between tanks of one block, of the logarithm, after the baseline is "
                "taken into account. Better ones come from your own earlier readings."
            ),
            f"[planning]\neffect = {toml_number(wishes.effect)}\nsd = {toml_number(wishes.sd)}",
            toml_comment(
                "Take the # away and put your own figures, in one currency, and `fairtank plan --search` finds the cheapest "
                "trial that is likely to show the effect:"
            ),
            "# cost_kit_test = 0.80       # of one test",
            "# cost_tank_week = 3.00      # of keeping a tank for a week",
            "# cost_hour = 12.00          # of an hour of somebody's time",
            "# minutes_per_sampling = 20  # of that time, for one tank on one sampling day",
        ]
    )


def _stop_rules() -> str:
    rules = (
        (
            "phosphate",
            "below = 0.03",
            2,
            "halve the carbon dose, feed as usual, test again within two days",
            "Corals pale and nitrate stalls when phosphate runs out (common practice, no source).",
        ),
        (
            "nitrate",
            "below = 1.0",
            2,
            "halve the carbon dose, check the flow of the reactor, test again within two days",
            "A reactor whose nitrate runs out can make hydrogen sulfide, which kills (common practice, no source).",
        ),
        (
            "nitrite",
            "above = 0.2",
            1,
            "do not raise the dose, test again within two days; above 2 mg/L stop the carbon and change water",
            "Nitrite rises where denitrification stops half-way (common practice, no source).",
        ),
        (
            "oxygen",
            "below = 4.5",
            1,
            "stop the carbon, add air, change water, and ask a vet if animals gasp; the tank stays in the analysis",
            "Bacteria take the oxygen that fish need, most of all at night (common practice, no source).",
        ),
    )
    return "\n\n".join(
        [
            toml_comment(
                "Animals come before data. Whoever meets a rule acts at once and writes it down; a rescue is always allowed and "
                "never counts against the tank. A vet, or whoever is licensed to, decides about sick animals. Stop the carbon, too, "
                "on a smell of rotten eggs (leave, ventilate, never lean in), on cloudy water, or on an animal's death that nobody "
                "can explain."
            ),
            *(
                f'{toml_comment(why)}\n[[stop_rules]]\nvariable = "{variable}"\n{bound}\nconsecutive = {times}\n'
                f"action = {toml_string(action)}"
                for variable, bound, times, action, why in rules
            ),
        ]
    )
