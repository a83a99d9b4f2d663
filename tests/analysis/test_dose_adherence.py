"""Carbon given against carbon planned: the ramp is in the plan, days without a dose are counted, unequal arms are said."""

import pytest

from analysis.dose_adherence import dose_adherence

FED = [(tank, 62, "feed", 1.0, "g") for tank in ("c1", "c2", "l1", "p1")]
# 0.3 mL / 100 L / d of ethanol 40 % by volume: 0.78924 g/mL (OIML R 22, from memory), carbon 24.022 / 46.069.
LIQUID_FULL = 1000 * 0.3 * 0.40 * 0.78924 * 24.022 / 46.069 / 100


def as_planned(number):
    """mL for 200 L on a day of the trial: a third of the full dose on day 14, in a straight line to all of it on day 28."""
    return 0.6 * min(1.0, 1 / 3 + 2 / 3 * (number - 14) / 14)


def doses(tank="l1", *, share=1.0, skip=()):
    """A dose each day from the end of the baseline to the washout."""
    return [(tank, n, "dose", share * as_planned(n), "mL") for n in range(14, 56) if n not in skip]


def pellets(worn):
    """A reactor that loses so many grams in the 42 days of dosing."""
    return [("p1", 14, "polymer-weighed", 50.0, "g"), ("p1", 56, "polymer-weighed", 50.0 - worn, "g")]


def by_arm(found):
    """The arms by id."""
    return {arm.arm: arm for arm in found.arms}


def test_a_dose_kept_to_the_plan_is_all_of_it_ramp_included(story):
    found = dose_adherence(story([*doses(), *FED]))
    (tank,) = (tank for tank in found.tanks if tank.tank == "l1")
    assert (tank.days, tank.days_without) == (42, 0)
    assert tank.share == pytest.approx(1.0, rel=1e-9)
    ramp = sum(min(1.0, 1 / 3 + 2 / 3 * n / 14) for n in range(42)) / 42
    assert tank.planned == pytest.approx(LIQUID_FULL * ramp, rel=1e-5)
    assert by_arm(found)["control"].carbon == 0.0


@pytest.mark.parametrize(("share", "skip", "said"), [(0.7, (), "70 %"), (1.0, (), None), (1.3, (), "130 %")])
def test_an_arm_a_fifth_off_its_plan_is_said(story, share, skip, said):
    found = dose_adherence(story([*doses(share=share, skip=skip), *FED]))
    assert by_arm(found)["liquid"].share == pytest.approx(share)
    notes = [note for note in found.notes if note.startswith("liquid was given")]
    assert notes == ([f"liquid was given {said} of the carbon that was planned."] if said else [])


def test_days_without_a_dose_are_counted_a_nought_among_them(story):
    events = [*doses(skip=(20, 30, 31)), ("l1", 31, "dose", 0.0, "mL"), *FED]
    found = by_arm(dose_adherence(story(events)))["liquid"]
    assert found.days_without == 3
    assert found.share < 1


def test_carbon_of_a_polymer_is_the_mass_it_lost(story):
    """21 g of C4H6O2 (48.044 / 86.090 of carbon) in 42 days and 200 L; planned is 50 g wearing at 0.35 % a day at most."""
    found = dose_adherence(story([*pellets(21.0), ("p1", 20, "polymer-added", 0.0, "g"), *FED]))
    polymer = by_arm(found)["polymer"]
    assert polymer.carbon == pytest.approx(1000 * 21 * 48.044 / 86.090 / 42 / 200, rel=1e-5)
    assert (polymer.added, polymer.worn) == (0.0, pytest.approx(21.0))
    assert 0 < polymer.planned < 1000 * 50 * 0.0035 * 48.044 / 86.090 / 200
    assert found.notes[0].startswith("Planned of a polymer is what the pellets registered would wear off")


@pytest.mark.parametrize(("worn", "apart"), [(9.0, True), (6.0, False)])
def test_arms_more_than_a_fifth_apart_are_said(story, worn, apart):
    """0.6 mL a day at full come to about 3.7 g of carbon over ramp and phase; 6 g of polymer hold 3.3 g, and 9 g hold 5.0."""
    liquid = by_arm(dose_adherence(story([*doses(), *FED])))["liquid"].carbon
    found = dose_adherence(story([*doses(), *pellets(worn), *FED]))
    polymer = by_arm(found)["polymer"].carbon
    assert (max(liquid, polymer) > 1.2 * min(liquid, polymer)) is apart
    said = [note for note in found.notes if note.startswith("The arms were not given the same carbon")]
    assert bool(said) is apart


def test_tanks_of_which_nothing_can_be_told_are_named_with_the_reason(story):
    found = dose_adherence(story([*doses(), *FED]))
    assert found.notes[-1] == (
        "Carbon given cannot be told of 1 tank (p1): the pellets were not weighed before and after."
    )
    assert by_arm(found)["polymer"].known == 0


def test_without_carbon_or_events_there_is_nothing_to_hold_to(story):
    bare = [{"id": arm, "role": "test", "title": arm} for arm in ("control", "liquid", "polymer")]
    assert dose_adherence(story()) is None
    assert dose_adherence(story(FED, plan={"arms": bare})) is None
