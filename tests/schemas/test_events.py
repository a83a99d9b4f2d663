"""What an event is: kinds by the names that people use, and amounts in their canonical units."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from schemas.errors import UnitError
from schemas.event_units import GRAMS, LITRES, MILLILITRES, normalise_event_unit
from schemas.events import (
    EVENTS,
    EventKind,
    amount_in_words,
    empty_events,
    kind_like,
    kind_named,
    kind_near,
)

NAMED = {
    "water change": EventKind.WATER_CHANGE,
    "Water-Change": EventKind.WATER_CHANGE,
    "  water_change ": EventKind.WATER_CHANGE,
    "WC": EventKind.WATER_CHANGE,
    "Dosing": EventKind.DOSE,
    "vodka": EventKind.DOSE,
    "Pellets added": EventKind.POLYMER_ADDED,
    "pellets weighed": EventKind.POLYMER_WEIGHED,
    "Fed": EventKind.FEED,
    "died": EventKind.LOSS,
    "Power cut": EventKind.FAULT,
    "skimmer cleaned": EventKind.CLEAN,
    "new fish": EventKind.LIVESTOCK,
    "medicine": EventKind.MEDICATION,
    "misc": EventKind.OTHER,
}
NOBODYS = ["", "treatment", "pellets", "polymer", "top up", "feet", "water"]
"""Words that may mean one of two things, or none."""


@pytest.mark.parametrize(("text", "kind"), NAMED.items())
def test_a_kind_is_known_by_the_names_that_people_use(text, kind):
    assert kind_named(text) is kind


@pytest.mark.parametrize("text", NOBODYS)
def test_a_word_that_may_mean_two_things_is_not_taken_for_one(text):
    assert kind_named(text) is None
    assert kind_like(text) is None


def test_no_name_means_two_kinds():
    for kind, form in EVENTS.items():
        assert {kind_named(name) for name in (*form.names, form.title, kind.value)} == {kind}


@pytest.mark.parametrize(
    ("text", "kind"),
    [
        ("water chnage", EventKind.WATER_CHANGE),
        ("feeed", EventKind.FEED),
        ("medicaton", EventKind.MEDICATION),
        ("livestok", EventKind.LIVESTOCK),
    ],
)
def test_a_slip_of_the_finger_is_like_one_kind(text, kind):
    assert kind_named(text) is None
    assert kind_like(text) is kind


def test_a_word_that_comes_near_is_asked_for_and_not_taken():
    assert kind_like("water changing") is None
    assert kind_near("water changing") is EventKind.WATER_CHANGE
    assert kind_near("xyzzy") is None


# Factors by definition: the pound of 1959 is 453.59237 g and 16 ounces; a US gallon is 231 cubic inches of 2.54 cm and 128
# US fluid ounces (NIST Handbook 44, appendix C); an imperial gallon is 4.54609 L and 160 fluid ounces (Weights and Measures
# Act 1985); from memory.
CONVERTED = [
    ("dose", 0.3, "mL", 0.3, "mL"),
    ("dose", 0.3, "ml", 0.3, "mL"),
    ("dose", 1, "litre", 1000, "mL"),
    ("dose", 1, "US fl oz", 231 * 2.54**3 / 128, "mL"),
    ("dose", 1, "imp fl oz", 4546.09 / 160, "mL"),
    ("dose", 250, "mg", 0.25, "g"),
    ("polymer-added", 2, "oz", 2 * 453.59237 / 16, "g"),
    ("polymer-added", 1, "lb", 453.59237, "g"),
    ("polymer-added", 0.5, "L", 500, "mL"),
    ("polymer-weighed", 0.12, "kg", 120, "g"),
    ("feed", 1.5, "grams", 1.5, "g"),
    ("water-change", 20, "L", 20, "L"),
    ("water-change", 5, "US gal", 5 * 231 * 2.54**3 / 1000, "L"),
    ("water-change", 5, "imperial gallons", 22.73045, "L"),
    ("water-change", 0.02, "m3", 20, "L"),
    ("water-change", 10, "%", 18, "L"),
    ("loss", 2, "", 2, "1"),
    ("loss", 2, "fish", 2, "1"),
    ("livestock", 3, "corals", 3, "1"),
]


@pytest.mark.parametrize(("kind", "amount", "unit", "canonical", "canonical_unit"), CONVERTED)
def test_amounts_are_converted_exactly(kind, amount, unit, canonical, canonical_unit):
    value, given_unit = EVENTS[EventKind(kind)].to_canonical(amount, unit, 180.0)
    assert value == pytest.approx(canonical, rel=1e-12)
    assert given_unit == canonical_unit


REFUSED = [
    ("dose", "", "the amount of a dose has no unit: write uL, mL"),
    ("dose", "drops", 'a dose is not counted in "drops": write'),
    ("dose", "oz", '"oz" can be a weight or a measure of liquid: write'),
    ("dose", "fl oz", '"fl oz" can be read two ways'),
    ("dose", "%", 'a dose is not counted in "%"'),
    ("feed", "mL", 'a feed is not counted in "mL": write mg, g, kg, oz or lb'),
    ("feed", "2", 'a feed is not counted in "2"'),
    ("water-change", "gallons", '"gallons" can be read two ways, for a gallon is another one'),
    ("water-change", "%", "a share in % needs the tank's volume_L"),
    ("loss", "g", 'a loss is not counted in "g": leave the unit empty, since animals are counted'),
]


@pytest.mark.parametrize(("kind", "unit", "sentence"), REFUSED)
def test_a_unit_that_is_none_of_the_kind_is_refused_with_those_that_are(kind, unit, sentence):
    with pytest.raises(UnitError) as refusal:
        EVENTS[EventKind(kind)].to_canonical(1.0, unit)
    assert sentence in str(refusal.value)


def test_kinds_without_an_amount_need_none():
    without = {kind for kind, form in EVENTS.items() if not form.needs_amount}
    assert without == {EventKind.FAULT, EventKind.CLEAN, EventKind.MEDICATION, EventKind.OTHER}


def test_bounds_are_given_for_every_canonical_unit_and_the_usual_lies_in_the_possible():
    for form in EVENTS.values():
        canonical = {unit for unit, _ in form.units.values()}
        assert canonical == form.hard.keys() == form.soft.keys()
        for unit in canonical:
            assert form.hard[unit][0] <= form.soft[unit][0] < form.soft[unit][1] <= form.hard[unit][1]


def test_units_of_one_kind_stand_in_one_ratio_whatever_the_kind():
    """A litre is a thousand millilitres in every table."""
    assert MILLILITRES["L"] / MILLILITRES["mL"] == LITRES["L"] / LITRES["mL"] == 1000
    assert GRAMS["lb"] / GRAMS["oz"] == 16
    assert LITRES["US gal"] * 1000 / MILLILITRES["US fl oz"] == pytest.approx(128)
    assert LITRES["imp gal"] * 1000 / MILLILITRES["imp fl oz"] == pytest.approx(160)


@given(st.text())
def test_any_text_is_a_unit_or_is_only_tidied(text):
    normal = normalise_event_unit(text)
    assert normalise_event_unit(normal) == normal


@given(st.text())
def test_any_text_names_one_kind_or_none(text):
    assert kind_named(text) is None or kind_named(text) in EventKind
    assert kind_like(text) is None or kind_like(text) in EventKind


def test_an_amount_is_told_with_its_unit():
    assert [amount_in_words(*pair) for pair in ((0.3, "mL"), (2.0, "1"), (float("nan"), ""), (1e6, "L"))] == [
        "0.3 mL",
        "2",
        "",
        "1000000 L",
    ]


def test_no_events_are_typed():
    frame = empty_events()
    assert len(frame) == 0
    assert (str(frame["at"].dtype), str(frame["amount"].dtype)) == ("datetime64[us]", "float64")
