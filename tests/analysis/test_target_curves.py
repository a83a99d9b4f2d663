"""Curves as they are drawn: from the records alone, against a published product-limit curve and by hand."""

from types import SimpleNamespace

import pytest

from analysis.records import ArmFlow
from analysis.target_curves import target_curves

# Remission in weeks under 6-mercaptopurine, censored times with False (Freireich et al. 1963, Blood 21:699).
REMISSION = [
    *((6, True),) * 3, (6, False), (7, True), (9, False), (10, True), (10, False), (11, False), (13, True), (16, True),
    (17, False), (19, False), (20, False), (22, True), (23, True), (25, False), (32, False), (32, False), (34, False),
    (35, False),
]  # fmt: skip
# Kalbfleisch and Prentice (2002), table 1.2; from memory.
SURVIVAL = {6: 0.857, 7: 0.807, 10: 0.753, 13: 0.690, 16: 0.627, 22: 0.538, 23: 0.448}


def result_of(times, arm="test"):
    """What the endpoint's record would hold of tanks with these days: (day, reached, day before)."""
    tanks = tuple(
        SimpleNamespace(
            tank=f"t{i}",
            arm=arm,
            y=1.0,
            value=float(day),
            lowest=float(after),
            highest=float(day) if reached else None,
        )
        for i, (day, reached, after) in enumerate(times)
    )
    return SimpleNamespace(
        tanks=tanks, flow=(ArmFlow(arm, len(tanks), len(tanks), len(tanks), 0, 0),), alpha=0.05
    )


def test_steps_are_the_published_curve_with_its_band_around():
    (curve,) = target_curves(result_of([(day, reached, day - 1) for day, reached in REMISSION]))
    assert (curve.n, curve.reached, curve.end, curve.median) == (21, 9, 35.0, 23.0)
    found = {int(step.first): step.share for step in curve.steps}
    assert found == pytest.approx(SURVIVAL | {0: 1.0}, abs=5e-4)
    assert curve.steps[0].low is None
    assert all(step.low < step.share < step.high for step in curve.steps[1:])
    # Limits on the log-log scale at 10 weeks: 0.503 to 0.889 (R's survival package; from memory).
    ten = next(step for step in curve.steps if step.first == 10)
    assert (ten.low, ten.high) == pytest.approx((0.503, 0.889), abs=1e-3)


def test_falls_lie_between_the_days_and_add_up_to_those_that_got_there():
    (curve,) = target_curves(result_of([(7, True, 0), (14, True, 7), (14, True, 7), (28, False, 28)]))
    assert [(fall.first, fall.last) for fall in curve.falls] == [(0.0, 7.0), (7.0, 14.0)]
    assert [fall.before - fall.after for fall in curve.falls] == pytest.approx([0.25, 0.5])
    assert curve.falls[-1].after == pytest.approx(0.25)


def test_a_reading_that_could_be_at_target_widens_the_fall():
    (curve,) = target_curves(result_of([(21, True, 7), (28, False, 28)]))
    assert [(fall.first, fall.last) for fall in curve.falls] == [(7.0, 21.0)]


def test_an_arm_that_nobody_reached_stays_level_and_one_without_tanks_is_left_out():
    never = result_of([(28, False, 28), (21, False, 21)])
    (curve,) = target_curves(never)
    assert [step.share for step in curve.steps] == [1.0]
    assert (curve.falls, curve.median) == ((), None)
    gone = SimpleNamespace(
        tanks=tuple(SimpleNamespace(**vars(tank) | {"y": None}) for tank in never.tanks),
        flow=never.flow,
        alpha=0.05,
    )
    assert target_curves(gone) == ()
