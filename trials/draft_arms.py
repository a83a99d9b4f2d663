"""The arms of a drafted protocol, with doses of equal carbon and how they come about."""

from __future__ import annotations

from typing import TYPE_CHECKING

from analysis.tank_parameters import TankParameters
from analysis.water.carbon import Product, product
from analysis.water.doses import Basis, Dose, carbon_of, equal_dose, per_litre
from analysis.water.husbandry import PELLET_LIFE, ramp_table, standing_for
from schemas.errors import WaterError
from trials.draft_wishes import LITRES
from trials.toml_text import toml_comment, toml_string

if TYPE_CHECKING:
    from trials.draft_wishes import Wishes


def arms_text(wishes: Wishes) -> str:
    """The arms: a control, and polymer and liquid at equal carbon, with the reckoning beside each dose."""
    parts = [
        "\n".join(
            [
                toml_comment(
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
        toml_comment(
            f"Equal carbon: {wishes.carbon:g} mg C per litre and day in {LITRES:g} L is {wishes.carbon * LITRES:g} mg C. "
            f"{what.source.title} is {100 * share:.2f} % carbon by its formula, so {1000 * worn.amount:.1f} mg must be worn "
            f"off each day. Bacteria wear off about {100 * rate:g} % a day once they have settled (assumed; six to nine "
            f"months of life are common practice): {worn.amount:.4f} g x {PELLET_LIFE:.0f} d = "
            f"{standing_for(worn.amount):.1f} g must stand in the reactor, written as {full}, which gives {given:.3f} mg C "
            "per litre and day. Weigh dry pellets, at the start and at the end; a beaker of them is half air."
        ),
        toml_comment(_ramp_words(full) + " Top up what is worn off every six weeks (common practice)."),
        *(toml_comment(f"Caution: {text}") for text in what.source.cautions),
        "[[arms]]",
        'id = "polymer"',
        'role = "test"',
        'title = "Polymer pellets in a fluidised reactor"',
        f"carbon = {{ source = {toml_string(wishes.polymer)}, full_dose = {toml_string(str(full))} }}",
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
        toml_comment(
            f"Equal carbon: {each} (by formula and strength), so {wishes.carbon:g} mg C per litre and day in {LITRES:g} L is "
            f"{wishes.carbon * LITRES:g} mg C = {exact.amount:.4f} {exact.unit} a day, written as {full}, which gives "
            f"{given:.3f} mg C per litre and day. Equal carbon is not equal oxygen demand: burning it takes "
            f"{what.source.oxygen_per_carbon:.2f} g of oxygen per g of carbon."
        ),
        toml_comment(
            _ramp_words(full)
            + " Give it in the morning, split or dripped; never double up after a missed day."
        ),
        *(toml_comment(f"Caution: {text}") for text in what.source.cautions),
        "[[arms]]",
        'id = "liquid"',
        'role = "test"',
        f"title = {toml_string(f'{what.source.title}, dosed each day')}",
        f"carbon = {{ source = {toml_string(wishes.liquid)}, full_dose = {toml_string(str(full))} }}",
    ]
    return "\n".join(lines)


def _ramp_words(full: Dose) -> str:
    steps = ", ".join(f"day {step.day}: {step.dose.amount:.3g}" for step in ramp_table(full))
    return (
        f"Ramp, in {full.unit} for {LITRES:g} L: {steps}. A third of the full dose, raised to full over four weeks, lets "
        "bacteria and animals follow (common practice, no source)."
    )


def _rounded(amount: float) -> float:
    """Three significant digits: what a syringe or a kitchen balance can tell."""
    return float(f"{amount:.3g}")
