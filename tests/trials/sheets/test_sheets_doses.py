"""What each tank is given, worked out for its water."""

import pytest

from analysis.masking import mask_of
from trials.sheets.doses import masked_arms, tank_doses


def test_doses_are_those_of_the_tank(trial, share):
    """35.8 g / 100 L is 71.6 g in 200 L, 0.43 mL / 100 L 0.86 mL; by hand."""
    protocol = trial()
    control, polymer, liquid = tank_doses(protocol, protocol.tanks[:3], share(protocol))
    assert control.line == "q01-a (200 L): Water changes alone. No carbon is dosed."
    assert polymer.full == "71.6 g in the reactor"
    assert liquid.full == "0.86 mL a day"
    assert liquid.line == (
        "q01-c (200 L): Ethanol. ethanol 40 % vol, full dose 0.43 mL / 100 L / d. For this tank: 0.86 mL a day at full dose. "
        "Nothing before 16 March 2026."
    )


def test_the_ramp_begins_with_a_third_on_its_first_day(trial, share):
    """A third of 71.6 g is 23.9 g; the ramp is from 16 March, the 15th day, to 12 April."""
    protocol = trial()
    polymer = tank_doses(protocol, protocol.tanks[:3], share(protocol))[1]
    assert polymer.steps[0] == ("16 March 2026", "23.9 g in the reactor")
    assert polymer.steps[-1] == ("13 April 2026", "71.6 g in the reactor")
    assert len(polymer.steps) == 5


@pytest.mark.parametrize(
    ("dose", "volume", "full", "given"),
    [
        ("35.8 g / 100 L", None, "", "phb, full dose 35.8 g / 100 L"),
        ("a handful", 200, "", "phb, full dose a handful"),
        ("70 g", None, "70 g in the reactor", "phb, full dose 70 g"),
        (None, 200, "", "phb: the dose is the lead's to say"),
    ],
)
def test_what_cannot_be_worked_out_is_said_in_the_protocol_s_words(trial, share, dose, volume, full, given):
    arms = [arm.model_dump(exclude_none=True) for arm in trial().arms]
    arms[1]["carbon"] = {"source": "phb"} | ({"full_dose": dose} if dose else {})
    tanks = [{"id": f"q01-{letter}", "site": "q01", "block": "q01", "volume_L": volume} for letter in "abc"]
    protocol = trial(arms=arms, tanks=tanks)
    found = tank_doses(protocol, protocol.tanks, share(protocol))[1]
    assert (found.full, found.given) == (full, given)
    assert bool(found.steps) is bool(full)


def test_masked_arms_are_letters_alone(trial, share):
    protocol = trial()
    mask = mask_of(protocol, "ab" * 32)
    lines = [dose.line for dose in masked_arms(protocol.tanks[:3], share(protocol), mask)]
    assert sorted(line[-2] for line in lines) == ["A", "B", "C"]
    assert [line[:10] for line in lines] == ["q01-a: arm", "q01-b: arm", "q01-c: arm"]


def test_a_crossover_gives_each_period_its_arm(trial):
    from schemas.allocation import Allocation, Assignment

    base = trial()
    protocol = trial(
        design={"kind": "crossover", "periods": 2, "washout_days": 7, "seed": "1"},
        schedule=base.schedule.model_dump() | {"phases": [{"id": "assessment", "days": 14}]},
    )
    shared = Allocation(
        tuple(
            Assignment("q01-a", arm, "q01", "q01", period)
            for period, arm in enumerate(("liquid", "control"), 1)
        ),
        drawn=False,
        random=True,
        how="by hand",
    )
    first, second = tank_doses(protocol, protocol.tanks[:1], shared)
    assert first.line.startswith("q01-a (200 L), 2 March 2026 to 15 March 2026: Ethanol.")
    assert second.line.startswith("q01-a (200 L), 23 March 2026 to 5 April 2026: Water changes alone.")
