"""The text of a drafted protocol: section by section, each proposal with its reason in a comment."""

from __future__ import annotations

import datetime as dt
import json
import textwrap
from dataclasses import dataclass
from typing import TYPE_CHECKING

from analysis.tank_parameters import TankParameters
from analysis.water.carbon import Product, product
from analysis.water.doses import Basis, Dose, carbon_of, equal_dose, per_litre
from analysis.water.husbandry import PELLET_LIFE, RAMP_DAYS, ramp_table, standing_for
from schemas.errors import WaterError
from schemas.vocabulary import DesignKind
from trials.cautions import cautions

if TYPE_CHECKING:
    from collections.abc import Sequence

LITRES = 100.0
"""Doses are written for so much water."""
BASELINE_DAYS = 28
_WIDTH = 112


@dataclass(frozen=True)
class TypedTank:
    """A tank as somebody types it: ``id``, ``id,block`` or ``id,block,litres``."""

    id: str
    block: str = ""
    volume: str = ""


@dataclass(frozen=True)
class Wishes:
    """What a draft is made from.

    Parameters
    ----------
    id, title, question, lead : str
        ``question`` and ``lead`` may be empty.
    start : datetime.date
        First day of the baseline.
    design : str
        ``blocks`` or ``parallel``.
    polymer, liquid : str
        Sources as ``analysis.water.carbon.product`` reads them; empty leaves the arm out.
    carbon : float
        mg C per litre and day of both, at full dose.
    blocks : int
        Placeholder blocks (tanks an arm in parallel arms) where no tanks are given.
    tanks : tuple of TypedTank
        Typed tanks.
    tanks_file : bytes or None
        A tanks file, byte for byte, in place of typed ones.
    weeks : int
        Assessed.
    worthwhile, effect, sd : float
        Ratio worth having, ratio assumed, and standard deviation of logarithms assumed.
    nitrate_limit, phosphate_limit : float
        Lowest readings of the kits, mg/L.
    seed_from : str
        Public source of the seed; empty names a bag at an open meeting.
    """

    id: str
    title: str
    start: dt.date
    question: str = ""
    lead: str = ""
    design: str = "blocks"
    polymer: str = "phb"
    liquid: str = "ethanol 40 %"
    carbon: float = 0.7
    blocks: int = 12
    tanks: tuple[TypedTank, ...] = ()
    tanks_file: bytes | None = None
    weeks: int = 12
    worthwhile: float = 0.80
    effect: float = 0.60
    sd: float = 0.35
    nitrate_limit: float = 0.5
    phosphate_limit: float = 0.02
    seed_from: str = ""


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
        _arms(wishes),
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
        _comment(
            "A draft of a protocol. Read it, change what your club would do otherwise, and register it only when all who "
            "take part agree: from then on it is sealed. Text behind # is for people and changes nothing."
        ),
        _comment(
            "Limits, doses and times here are common practice among keepers and have no source unless one is named; "
            "local codes, a vet and other licensed people stand above them."
        ),
        "#\n# Cautions",
        *(_comment(f"- {text}", "  ") for text in cautions(doses=True)),
    ]
    return "\n".join(said) + '\n\nformat = 1\ntanks = "tanks.csv" # one row a tank: id, block, volume_L'


def _trial(wishes: Wishes) -> str:
    lines = ["[trial]", f"id = {_text(wishes.id)}", f"title = {_text(wishes.title)}"]
    sources = " or ".join(name for name in (wishes.polymer, wishes.liquid) if name)
    question = wishes.question or (
        f"In a stocked marine tank with nitrate to spare, does {sources} at {wishes.carbon:g} mg of carbon per litre and "
        f"day bring nitrate to {wishes.worthwhile:g} of that under water changes alone, or lower?"
    )
    lines.append(f"question = {_text(question)}")
    if wishes.lead:
        lines.append(f"lead = {_text(wishes.lead)}")
    return "\n".join([*lines, 'licence = "CC-BY-4.0" # under which the data may be used'])


def _arms(wishes: Wishes) -> str:
    parts = [
        "\n".join(
            [
                _comment(
                    "Without a control, a season, a new bag of salt or a slow summer of feeding looks like an effect. All "
                    "arms keep the same feed, water changes, skimmer and phosphate remover; the control runs an empty reactor."
                ),
                '[[arms]]\nid = "control"\nrole = "control"\ntitle = "Water changes alone"',
            ]
        )
    ]
    if wishes.polymer:
        parts.append(_polymer_arm(wishes, _source(wishes.polymer, solid=True)))
    if wishes.liquid:
        parts.append(_liquid_arm(wishes, _source(wishes.liquid, solid=False)))
    return "\n\n".join(parts)


def _source(text: str, *, solid: bool) -> Product:
    found = product(text)
    if not found.source.dosed:
        raise WaterError(found.source.cautions[0])
    if found.source.solid != solid:
        raise WaterError(
            f"{found.label} {'dissolves' if solid else 'is a polymer'} and cannot be the "
            f"{'polymer' if solid else 'liquid'} of this trial; give it as the {'liquid' if solid else 'polymer'}."
        )
    return found


def _dose_of(what: Product, carbon: float) -> Dose:
    """What of a source is to be given, or worn off, in a day in :data:`LITRES` litres."""
    asked = Dose(carbon * LITRES / 1000, "g C", LITRES, daily=True)
    return equal_dose(asked, what, what, Basis.CARBON)


def _polymer_arm(wishes: Wishes, what: Product) -> str:
    worn = _dose_of(what, wishes.carbon)
    full = Dose(_rounded(standing_for(worn.amount)), "g", LITRES)
    rate = float(TankParameters.pellet_rate)
    given = per_litre(carbon_of(full, what), full) * rate
    share = what.source.carbon_share
    lines = [
        _comment(
            f"Equal carbon: {wishes.carbon:g} mg C per litre and day in {LITRES:g} L is {wishes.carbon * LITRES:g} mg C. "
            f"{what.source.title} is {100 * share:.2f} % carbon by its formula, so {1000 * worn.amount:.1f} mg must be worn "
            f"off each day. Bacteria wear off about {100 * rate:g} % a day once they have settled (assumed; six to nine "
            f"months of life are common practice): {worn.amount:.4f} g x {PELLET_LIFE:.0f} d = "
            f"{standing_for(worn.amount):.1f} g must stand in the reactor, written as {full}, which gives {given:.3f} mg C "
            "per litre and day. Weigh dry pellets, at the start and at the end; a beaker of them is half air."
        ),
        _comment(_ramp_words(full) + " Top up what is worn off every six weeks (common practice)."),
        *(_comment(f"Caution: {text}") for text in what.source.cautions),
        "[[arms]]",
        'id = "polymer"',
        'role = "test"',
        'title = "Polymer pellets in a fluidised reactor"',
        f"carbon = {{ source = {_text(wishes.polymer)}, full_dose = {_text(str(full))} }}",
    ]
    return "\n".join(lines)


def _liquid_arm(wishes: Wishes, what: Product) -> str:
    exact = _dose_of(what, wishes.carbon)
    full = Dose(_rounded(exact.amount), exact.unit, LITRES, daily=True)
    given = per_litre(carbon_of(full, what), full)
    each = (
        f"1 mL of {what.label} holds {1000 * what.carbon_per_ml:.1f} mg C"
        if what.carbon_per_ml is not None
        else f"1 g of {what.label} holds {1000 * what.source.carbon_share:.1f} mg C"
    )
    lines = [
        _comment(
            f"Equal carbon: {each} (by formula and strength), so {wishes.carbon:g} mg C per litre and day in {LITRES:g} L is "
            f"{wishes.carbon * LITRES:g} mg C = {exact.amount:.4f} {exact.unit} a day, written as {full}, which gives "
            f"{given:.3f} mg C per litre and day. Equal carbon is not equal oxygen demand: burning it takes "
            f"{what.source.oxygen_per_carbon:.2f} g of oxygen per g of carbon."
        ),
        _comment(
            _ramp_words(full)
            + " Give it in the morning, split or dripped; never double up after a missed day."
        ),
        *(_comment(f"Caution: {text}") for text in what.source.cautions),
        "[[arms]]",
        'id = "liquid"',
        'role = "test"',
        f"title = {_text(f'{what.source.title}, dosed each day')}",
        f"carbon = {{ source = {_text(wishes.liquid)}, full_dose = {_text(str(full))} }}",
    ]
    return "\n".join(lines)


def _ramp_words(full: Dose) -> str:
    steps = ", ".join(f"day {step.day}: {step.dose.amount:.3g}" for step in ramp_table(full))
    return (
        f"Ramp, in {full.unit} for {LITRES:g} L: {steps}. A third of the full dose, raised to full over four weeks, lets "
        "bacteria and animals follow (common practice, no source)."
    )


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
            f"kind = {_text(wishes.design)}",
            _comment(why),
            _comment(
                "The seed is public and comes after the seal, so that nobody can shop for a draw; drawing it at the end of "
                "the baseline, nobody measures the baseline knowing which tank will be treated."
            ),
            f"seed_from = {_text(source)}",
        ]
    )


def _schedule(wishes: Wishes) -> str:
    return "\n".join(
        [
            "[schedule]",
            f"start = {wishes.start.isoformat()}",
            "phases = [",
            _comment(
                "Baseline of four weeks: five readings tell where a tank stands better than one, and a tank taken in because "
                "it read high falls back by itself.",
                "    ",
            ),
            f'    {{ id = "baseline", days = {BASELINE_DAYS} }},',
            _comment(
                "Ramp of four weeks: the dose rises from a third to full, and bacteria take three to four weeks to settle on "
                "a polymer (common practice, no source), so these weeks are not assessed.",
                "    ",
            ),
            f'    {{ id = "ramp", days = {RAMP_DAYS} }},',
            f'    {{ id = "assessment", days = {7 * wishes.weeks} }},',
            "]",
            _comment(
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
            _comment(
                "The lowest reading that each kit can show, from its leaflet: less is written with <, never as 0. Name every "
                "kit in use; one tank keeps to one kit throughout."
            ),
            *(
                f'[[kits]]\nid = "{name}"\nvariable = "{variable}"\nlimit = {_number(limit)}\nunit = "mg/L"'
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
                f"worthwhile = {_number(worthwhile)}",
            ]
        )

    return "\n\n".join(
        [
            _comment(
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
            _comment(
                "own: each comparison by the tanks that it compares, since dosed tanks vary more than untouched ones."
            ),
            'variance = "own"',
            _comment(
                "holm: the comparisons share the error rate, so that more of them do not find more by chance."
            ),
            'multiplicity = "holm"',
            f"contrasts = {json.dumps(pairs)}",
        ]
    )


def _planning(wishes: Wishes) -> str:
    return "\n".join(
        [
            _comment(
                "Assumed, never evidence: `fairtank plan` works out from them what the trial could show. effect is the ratio "
                "of nitrate to the control's; sd is that between tanks of one block, of the logarithm, after the baseline is "
                "taken into account. Better ones come from your own earlier readings."
            ),
            f"[planning]\neffect = {_number(wishes.effect)}\nsd = {_number(wishes.sd)}",
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
            _comment(
                "Animals come before data. Whoever meets a rule acts at once and writes it down; a rescue is always allowed and "
                "never counts against the tank. A vet, or whoever is licensed to, decides about sick animals. Stop the carbon, too, "
                "on a smell of rotten eggs (leave, ventilate, never lean in), on cloudy water, or on an animal's death that nobody "
                "can explain."
            ),
            *(
                f'{_comment(why)}\n[[stop_rules]]\nvariable = "{variable}"\n{bound}\nconsecutive = {times}\n'
                f"action = {_text(action)}"
                for variable, bound, times, action, why in rules
            ),
        ]
    )


def _rounded(amount: float) -> float:
    """Three significant digits: what a syringe or a kitchen balance can tell."""
    return float(f"{amount:.3g}")


def _number(value: float) -> str:
    """A number as TOML has it."""
    return repr(float(value))


def _text(text: str) -> str:
    """A text as TOML has it: JSON's escapes are TOML's, but for DEL."""
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007F")


def _comment(text: str, hanging: str = "") -> str:
    """A comment on as many lines as it needs; ``hanging`` indents what follows a dash, or all of it in a list."""
    lead = hanging if hanging and not text.startswith("- ") else ""
    follow = hanging if text.startswith("- ") else ""
    return textwrap.fill(
        text,
        _WIDTH,
        initial_indent=f"{lead}# ",
        subsequent_indent=f"{lead}# {follow}",
        break_long_words=False,
    )
