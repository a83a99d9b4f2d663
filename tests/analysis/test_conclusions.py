"""Reading an interval, two one-sided tests, standardised effects."""

import math

import numpy as np
import pytest

from analysis.conclusions import equivalence, favours, margin, standardised, verdict
from analysis.linear_model import t_fit
from schemas.vocabulary import Better, Scale, Verdict


@pytest.mark.parametrize(
    ("low", "high", "expected"),
    [
        (0.4, 0.9, Verdict.WORTHWHILE),
        (-0.9, -0.4, Verdict.WORTHWHILE),
        (0.1, 0.39, Verdict.TOO_SMALL),
        (-0.39, -0.1, Verdict.TOO_SMALL),
        (0.1, 0.4, Verdict.UNSETTLED_SIZE),
        (-0.9, -0.3, Verdict.UNSETTLED_SIZE),
        (-0.39, 0.39, Verdict.NONE_WORTHWHILE),
        (0.0, 0.3, Verdict.NONE_WORTHWHILE),
        (-0.4, 0.1, Verdict.UNSETTLED),
        (-0.1, 0.5, Verdict.UNSETTLED),
        (None, 0.5, None),
    ],
)
def test_verdicts(low, high, expected):
    assert verdict(low, high, 0.4) is expected


def test_margin_is_a_distance_on_the_working_scale():
    assert margin(0.8, Scale.RATIO) == pytest.approx(math.log(1.25))
    assert margin(1.25, Scale.RATIO) == pytest.approx(math.log(1.25))
    assert margin(-2.0, Scale.DIFFERENCE) == 2.0
    assert margin(None, Scale.RATIO) is None


@pytest.mark.parametrize(
    ("estimate", "better", "arm"),
    [
        (-1.0, Better.LOWER, "t"),
        (1.0, Better.LOWER, "c"),
        (1.0, Better.HIGHER, "t"),
        (0.0, Better.LOWER, None),
    ],
)
def test_favours(estimate, better, arm):
    assert favours(estimate, "t", "c", better) == arm


def test_two_one_sided_tests_of_a_published_case():
    """Lakens (2017), Soc. Psychol. Personal. Sci. 8:355: means 5.25 and 5.22, sd 0.95 and 0.83, n 95 and 89.

    Published t(182) = -2.69, p = 0.004 for a raw bound of 0.384; Welch's degrees of freedom are 181.13.
    """
    v1, v2 = 0.95**2 / 95, 0.83**2 / 89
    df = (v1 + v2) ** 2 / (v1**2 / 94 + v2**2 / 88)
    fit = t_fit(5.25 - 5.22, math.sqrt(v1 + v2), df, 0.95, 0.892, "d", 184)
    tests = equivalence(fit, 0.384)
    assert tests.p == tests.p_upper == pytest.approx(0.0038390, abs=5e-8)
    assert tests.p_lower < 0.001


def test_standardised_effect_with_exact_interval():
    """Cumming and Finch (2001), Educ. Psychol. Meas. 61:532: a d with its interval covers at its level.

    Checked by its definition: at each limit, the observed t has probability 0.025 of being passed.
    """
    fit = t_fit(1.58, 0.3889587, 9, 0.95, 1.2299955, "d_z", 10)
    effect = standardised(fit, 0.95)
    rng = np.random.default_rng(7)
    for limit, above in ((effect.low, True), (effect.high, False)):
        draws = rng.normal(limit, 1, size=(200_000, 10))
        t = draws.mean(axis=1) / (draws.std(axis=1, ddof=1) / math.sqrt(10))
        share = (t >= fit.t).mean() if above else (t <= fit.t).mean()
        assert share == pytest.approx(0.025, abs=0.0015)
    assert effect.value == pytest.approx(1.58 / 1.2299955)
