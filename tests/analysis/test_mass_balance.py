"""Balances by arm are means of the tanks' own; what is beyond control, and by gram of carbon; slopes inside tanks."""

import numpy as np
import pytest

from analysis.mass_balance import GROWTH, mass_balance
from analysis.removal import removed_in

# Falls of nitrate over the 21 days from the first reading of the assessment to the last, mg/L.
FALLS = {"c1": 0.0, "c2": 2.1, "l1": 6.3, "p1": 8.4}


@pytest.fixture(scope="module")
def told(story):
    """Four tanks fed alike, each with its own steady fall; ethanol in one and a polymer in another."""
    events, readings = [], []
    for tank, fall in FALLS.items():
        events += [(tank, number, "feed", 0.5, "g") for number in range(63)]
        events += [(tank, 30, "water-change", 10.0, "L")]
        for week, number in enumerate(range(28, 56, 7)):
            readings.append((tank, number, "nitrate", 20.0 - fall * week / 3))
            readings.append((tank, number, "phosphate", 0.2 - fall * week / 3 / 7.0))
    events += [("l1", number, "dose", 0.6, "mL") for number in range(14, 56)]
    events += [("p1", 14, "polymer-weighed", 50.0, "g"), ("p1", 56, "polymer-weighed", 42.0, "g")]
    return story(events, readings)


@pytest.fixture(scope="module")
def found(told):
    return mass_balance(told)


def of(found, arm, variable="nitrate"):
    """The balance of an arm."""
    return next(one for one in found.balances if (one.arm, one.variable) == (arm, variable))


def test_an_arm_is_the_mean_of_its_tanks(told, found):
    tanks = [
        removed_in(told.tanks[t, 1], told.tanks[t, 1].phases["assessment"], "nitrate") for t in ("c1", "c2")
    ]
    rates = [one.balance.removed / 200 / 21 for one in tanks]
    control = of(found, "control")
    assert (control.tanks, control.known) == (2, 2)
    assert (control.removed, control.sd) == (
        pytest.approx(np.mean(rates)),
        pytest.approx(np.std(rates, ddof=1)),
    )
    assert control.removed == pytest.approx(control.fed - control.changed + control.fell)
    assert (control.beyond_control, control.per_gram, control.carbon) == (None, None, None)


@pytest.mark.parametrize("arm", ["liquid", "polymer"])
def test_a_dosed_arm_is_held_against_the_control_and_by_gram_of_its_carbon(found, arm):
    mine, control = of(found, arm), of(found, "control")
    assert mine.beyond_control == pytest.approx(mine.removed - control.removed)
    assert mine.per_gram == pytest.approx(1000 * mine.removed / mine.carbon)
    assert mine.beyond_per_gram == pytest.approx(1000 * mine.beyond_control / mine.carbon)


def test_a_substance_and_a_gram_worked_by_hand(found):
    """Fed alike, changed nearly alike: of polymer, 8.4 mg/L more than c1 in 21 days, 8 g of C4H6O2 in 42 days and 200 L."""
    carbon = 1000 * 8 * 48.044 / 86.090 / 42 / 200
    polymer = of(found, "polymer")
    assert polymer.carbon == pytest.approx(carbon, rel=1e-5)
    # The change of day 30, 10 of 200 L, took water that had fallen by 2/21 of the whole fall.
    beyond = (8.4 - 1.05) * (1 + 0.05 * 2 / 21) / 21
    assert polymer.beyond_control == pytest.approx(beyond, rel=1e-9)
    assert polymer.beyond_per_gram == pytest.approx(1000 * beyond / carbon, rel=1e-5)


def test_one_slope_for_all_tanks_of_an_arm_is_that_of_least_squares_with_a_level_for_each(found):
    slopes = {one.arm: one for one in found.slopes}
    assert {arm: one.slope for arm, one in slopes.items()} == pytest.approx(dict.fromkeys(slopes, 7.0))
    assert slopes["control"].tanks == 1  # the phosphate of c1 never changed
    assert slopes["liquid"].days == 4


def test_growth_alone_is_between_bacteria_and_plankton():
    """10 and 16 atoms of N by one of P (Goldman et al. 1987 have 9 for bacteria; Redfield 16): x 62.004 / 94.970."""
    assert pytest.approx((10 * 62.004 / 94.970, 16 * 62.004 / 94.970), rel=1e-4) == GROWTH


def test_without_recorded_feed_there_is_a_slope_and_no_balance(story):
    bare = mass_balance(
        story((), [("l1", n, v, 9.0 - n / 50) for n in range(28, 56, 7) for v in ("nitrate", "phosphate")])
    )
    assert bare.balances == ()
    assert {one.arm: one.tanks for one in bare.slopes} == {"control": 0, "liquid": 1, "polymer": 0}
    assert mass_balance(story([("c1", 3, "feed", 1.0, "g")])) is None
