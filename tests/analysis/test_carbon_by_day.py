"""Carbon of a tank from its events: by the formula of its source, and unknown where no record tells."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.carbon_by_day import carbon_in, dose_days

# Ethanol C2H6O holds 24.022/46.069 of carbon and weighs 0.78924 g/mL (OIML R 22, from memory); a bottle of 40 % by volume.
ETHANOL_CARBON = 0.40 * 0.78924 * 24.022 / 46.069
# Poly-3-hydroxybutyrate, C4H6O2: 48.044/86.090.
PHB_CARBON = 48.044 / 86.090


def given_in(story, tank, events, phase="assessment"):
    """Carbon of a tank in a phase."""
    followed = story(events).tanks[tank, 1]
    return carbon_in(followed, followed.phases[phase])


def test_doses_are_summed_over_the_days_of_the_phase_and_by_their_strength(story):
    events = [("l1", number, "dose", 0.6, "mL") for number in range(20, 60, 2)]
    found = given_in(story, "l1", events)
    assert found.days == 28
    assert found.grams == pytest.approx(14 * 0.6 * ETHANOL_CARBON, rel=1e-5)
    assert found.per_litre(200.0) == pytest.approx(1000 * 14 * 0.6 * ETHANOL_CARBON / 200 / 28, rel=1e-5)
    followed = story(events).tanks["l1", 1]
    assert dose_days(followed, followed.phases["assessment"]) == 14


def test_pellets_worn_off_between_weighings_are_spread_over_their_days(story):
    events = [
        ("p1", 20, "polymer-weighed", 100.0, "g"),
        ("p1", 20, "polymer-added", 10.0, "g"),
        ("p1", 30, "polymer-weighed", 90.0, "g"),  # 20 g in 10 days
        ("p1", 55, "polymer-weighed", 65.0, "g"),  # 25 g in 25 days
    ]
    found = given_in(
        story, "p1", events
    )  # days 28 to 55: two of the first pair, 25 of the second, one of none
    assert found.days == 27
    assert found.grams == pytest.approx((2 * 2.0 + 25 * 1.0) * PHB_CARBON, rel=1e-5)
    ramp = given_in(story, "p1", events, "ramp")
    assert (ramp.days, ramp.grams) == (8, pytest.approx(8 * 2.0 * PHB_CARBON, rel=1e-5))


def test_pellets_taken_out_and_put_in_when_a_reactor_is_cleaned_are_not_worn_off(story):
    events = [
        ("p1", 28, "polymer-weighed", 100.0, "g"),
        ("p1", 40, "polymer-weighed", 94.0, "g"),
        ("p1", 40, "polymer-weighed", 80.0, "g"),  # 14 g of crumbs thrown away
        ("p1", 52, "polymer-weighed", 74.0, "g"),
    ]
    assert given_in(story, "p1", events).grams == pytest.approx(12 * PHB_CARBON, rel=1e-5)


UNKNOWN = {
    "no dose": ("l1", [("l1", 20, "dose", 1.0, "mL"), ("l1", 60, "feed", 1.0, "g")], "no dose is recorded"),
    "weighed liquid": ("l1", [("l1", 30, "dose", 1.0, "g")], "doses of ethanol 40 % are recorded in g"),
    "weighed once": (
        "p1",
        [("p1", 30, "polymer-weighed", 9.0, "g")],
        "the pellets were not weighed before and after",
    ),
    "by volume": (
        "p1",
        [
            ("p1", 30, "polymer-weighed", 9.0, "g"),
            ("p1", 31, "polymer-added", 9.0, "mL"),
            ("p1", 40, "polymer-weighed", 9.0, "g"),
        ],
        "pellets were added by volume",
    ),
    "wet": (
        "p1",
        [("p1", 30, "polymer-weighed", 9.0, "g"), ("p1", 40, "polymer-weighed", 9.5, "g")],
        "the pellets weigh more than was put in",
    ),
    "dosed control": (
        "c1",
        [("c1", 30, "dose", 1.0, "mL")],
        "carbon is recorded, and its arm has no carbon source",
    ),
}


@pytest.mark.parametrize(("tank", "events", "why"), UNKNOWN.values(), ids=UNKNOWN)
def test_what_no_record_tells_is_not_taken_as_nothing(story, tank, events, why):
    found = given_in(story, tank, events)
    assert found.grams is None
    assert found.per_litre(200.0) is None
    assert found.why_not.startswith(why)


def test_a_control_and_the_days_before_dosing_were_given_none(story):
    events = [("l1", 30, "dose", 1.0, "mL"), ("c1", 30, "dose", 0.0, "mL")]
    assert given_in(story, "c1", events).grams == 0.0
    assert given_in(story, "l1", events, "baseline").grams == 0.0


def test_a_tank_treated_as_another_arm_was_given_that_arms_carbon(story):
    events = [("c1", 30, "dose", 1.0, "mL")]
    followed = story(events, treated_as={"c1": "liquid"}).tanks["c1", 1]
    assert carbon_in(followed, followed.phases["assessment"]).grams == pytest.approx(ETHANOL_CARBON, rel=1e-5)


@settings(max_examples=40, deadline=None)
@given(
    worn=st.lists(st.floats(0.0, 5.0), min_size=28, max_size=28),
    added=st.dictionaries(st.integers(0, 27), st.floats(0.0, 50.0), max_size=5),
    weighed=st.sets(st.integers(1, 27), max_size=4),
)
def test_all_carbon_worn_off_is_found_again_whenever_pellets_are_weighed(story, worn, added, weighed):
    """Mass is conserved: whatever wears off and is added, weighings of the first and last day tell the whole of it."""
    events, standing = [], 100.0
    for number, loss in enumerate([*worn, 0.0]):
        if number in {0, 28, *weighed}:
            events.append(("p1", 28 + number, "polymer-weighed", standing, "g"))
        if number in added:
            events.append(("p1", 28 + number, "polymer-added", added[number], "g"))
        standing += added.get(number, 0.0) - loss
    found = given_in(story, "p1", events)
    assert found.days == 28
    assert found.grams == pytest.approx(sum(worn) * PHB_CARBON, rel=1e-5, abs=1e-9)


@settings(max_examples=40, deadline=None)
@given(doses=st.lists(st.tuples(st.integers(28, 55), st.floats(0.0, 50.0)), min_size=1, max_size=30))
def test_all_carbon_dosed_is_found_again(story, doses):
    found = given_in(story, "l1", [("l1", number, "dose", amount, "mL") for number, amount in doses])
    assert found.grams == pytest.approx(
        sum(amount for _, amount in doses) * ETHANOL_CARBON, rel=1e-5, abs=1e-12
    )
