"""What a tester writes down: steps, limits and the sizes of the errors asked for."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.observation import (
    NITRATE_CARD,
    NITRATE_PHOTOMETER,
    PHOSPHATE_PHOTOMETER,
    KitErrors,
    draw_bias,
    observe,
)

EXACT = KitErrors(step=0.01, limit=0.02, bias_sd=0.0)

CASES = {
    "on a step": (EXACT, 0.07, 0.07, ""),
    "rounded": (EXACT, 0.0749, 0.07, ""),
    "at the limit": (EXACT, 0.02, 0.02, ""),
    "rounds to the limit from below": (EXACT, 0.0199, 0.02, "<"),
    "nothing there": (EXACT, 0.0, 0.02, "<"),
    "nearest field of a card": (KitErrors(1, 1, card=(1, 2, 5, 10, 25, 50)), 18.0, 25.0, ""),
    "below a card": (KitErrors(1, 1, card=(1, 2, 5, 10, 25, 50)), 0.4, 1.0, "<"),
    "above a card": (KitErrors(1, 1, card=(1, 2, 5, 10, 25, 50)), 70.0, 50.0, ">"),
}


@pytest.mark.parametrize("case", CASES)
def test_steps_and_limits(case):
    kit, true, value, sign = CASES[case]
    seen = observe(np.array([true]), kit, np.random.default_rng(0))
    assert seen.value[0] == pytest.approx(value, abs=1e-12)
    assert (bool(seen.below[0]), bool(seen.above[0])) == (sign == "<", sign == ">")


def test_nitrite_adds_to_a_nitrate_reading():
    kit = KitErrors(step=0.1, limit=0.5, nitrite_factor=10.0)
    assert observe(np.array([5.0]), kit, np.random.default_rng(0), nitrite=0.05).value[0] == pytest.approx(
        5.5
    )


def test_errors_have_the_sizes_asked_for():
    kit = KitErrors(step=1e-9, limit=1e-9, relative_sd=0.12)
    seen = observe(np.full(200_000, 20.0), kit, np.random.default_rng(1)).value
    assert np.log(seen / 20).std() == pytest.approx(0.12, rel=0.01)
    kit = KitErrors(step=1e-9, limit=1e-9, fixed_sd=0.01, share_sd=0.05)
    seen = observe(np.full(200_000, 0.5), kit, np.random.default_rng(2)).value
    assert seen.std() == pytest.approx(0.035, rel=0.01)
    bias = draw_bias(NITRATE_PHOTOMETER, np.random.default_rng(3), (200_000,))
    assert np.log(bias).std() == pytest.approx(0.08, rel=0.01)


def test_bias_is_the_testers_own():
    seen = observe(
        np.full((4, 2), 10.0), KitErrors(0.1, 0.5), np.random.default_rng(4), bias=np.array([1.0, 1.2])
    )
    assert seen.value == pytest.approx(np.tile([10.0, 12.0], (4, 1)))


@given(true=st.floats(0.0, 200.0), seed=st.integers(0, 1000))
@pytest.mark.parametrize("kit", [NITRATE_PHOTOMETER, NITRATE_CARD, PHOSPHATE_PHOTOMETER])
def test_a_reading_is_within_what_the_kit_can_show(kit, true, seed):
    seen = observe(np.array([true]), kit, np.random.default_rng(seed))
    assert kit.limit <= seen.value[0] <= kit.highest
    assert not (seen.below[0] and seen.above[0])
    if kit.card:
        assert seen.value[0] in kit.card
    else:
        assert seen.value[0] / kit.step == pytest.approx(round(seen.value[0] / kit.step), abs=1e-6)
