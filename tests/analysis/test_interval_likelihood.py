"""Interval likelihood: published non-detects, least squares without censoring, and a slow second way."""

import numpy as np
import pytest
from scipy import optimize, special, stats

from analysis.interval_likelihood import _likelihood, censored_contrast, normal_sample
from analysis.linear_model import LinearModel, TankData
from analysis.own_error import own_error

INF = np.inf
ARMS = ("control", "polymer", "liquid")

PUBLISHED = {
    # US EPA (2009) Unified Guidance, example 15-1, manganese in five wells; from memory.
    "manganese": (
        "<5 12.1 16.9 21.6 <2 <5 7.7 53.6 9.5 45.9 <5 5.3 12.6 106.3 34.5 6.3 11.9 10 <2 77.2 17.9 22.7 3.3 8.4 <2",
        2.215905,
        1.356291,
    ),
    # Data of Helsel and Cohn (1988) Water Resour. Res. 24:1997, appendix B; the two numbers are computed only.
    "three limits": ("<1 <1 <1 <1 <1 <1 <10 <10 <10 3 7 9 12 15 20 27 33 50", 0.816770, 2.222066),
}


def logs(text):
    """Lowest and highest logarithms of readings such as ``<5``."""
    high = np.log([float(word.strip("<")) for word in text.split()])
    return np.where([word.startswith("<") for word in text.split()], -INF, high), high


def tanks(low, high, arm, block=None, x=None):
    """The two sides of a trial; without blocks the arms are parallel."""
    low, high = np.asarray(low, dtype=float), np.asarray(high, dtype=float)
    codes = np.zeros(len(low), dtype=int) if block is None else np.asarray(block)
    data = TankData(low, np.asarray(arm), codes, ARMS, x, block is not None)
    return data, data.with_y(high)


def blocks_of_three(seed, blocks=8, x=False):
    rng = np.random.default_rng(seed)
    arm, block = np.tile([0, 1, 2], blocks), np.repeat(np.arange(blocks), 3)
    y = 3 + rng.normal(size=3 * blocks) + rng.normal(size=blocks)[block] - 0.7 * (arm == 1)
    return y, arm, block, rng.normal(size=3 * blocks) if x else None


@pytest.mark.parametrize("case", PUBLISHED)
def test_one_sample(case):
    text, mean, sd = PUBLISHED[case]
    low, high = logs(text)
    sample = normal_sample(low, high)
    assert sample.mean == pytest.approx(mean, abs=1e-6)
    assert sample.sd == pytest.approx(sd, abs=1e-6)
    assert (sample.n, sample.n_censored) == (len(low), text.count("<"))


@pytest.mark.parametrize("own", [True, False])
@pytest.mark.parametrize("x", [True, False])
def test_without_censoring_it_is_least_squares_in_blocks(own, x):
    y, arm, block, baseline = blocks_of_three(3, x=x)
    low, high = tanks(y, y, arm, block, baseline)
    got = censored_contrast(low, high, 1, 0, 0.9, own=own)
    wanted = own_error(low, 1, 0, 0.9) if own else LinearModel(low).contrast(1, 0, 0.9)
    assert (got.n_censored, got.silent, got.why_not) == (0, 0, "")
    for name in ("estimate", "se", "df", "low", "high", "t", "p", "n"):
        assert getattr(got.fit, name) == pytest.approx(getattr(wanted, name), rel=1e-9), name


@pytest.mark.parametrize(("own", "x"), [(True, False), (False, False), (False, True)])
def test_without_censoring_it_is_least_squares_in_parallel_arms(own, x):
    y, arm, _, baseline = blocks_of_three(4, x=x)
    low, high = tanks(y[:-1], y[:-1], arm[:-1], None, baseline[:-1] if x else None)
    got = censored_contrast(low, high, 2, 0, 0.95, own=own).fit
    wanted = own_error(low, 2, 0, 0.95) if own else LinearModel(low).contrast(2, 0, 0.95)
    for name in ("estimate", "se", "df", "low", "high", "p"):
        assert getattr(got, name) == pytest.approx(getattr(wanted, name), rel=1e-9), name


def naive_log_likelihood(parameters, low, high, columns):
    """Straight from the definition."""
    z = [(end - columns @ parameters[:-1]) / np.exp(parameters[-1]) for end in (low, high)]
    exact = low == high
    share = special.ndtr(z[1][~exact]) - special.ndtr(z[0][~exact])
    density = np.log(np.sqrt(2 * np.pi)) + z[0][exact] ** 2 / 2 + parameters[-1]
    return np.log(np.maximum(share, 1e-300)).sum() - density.sum()


def naive_maximum(low, high, columns):
    found = optimize.minimize(
        lambda at: -naive_log_likelihood(at, low, high, columns),
        np.zeros(columns.shape[1] + 1),
        method="Nelder-Mead",
        options={"xatol": 1e-10, "fatol": 1e-13, "maxiter": 50_000, "maxfev": 50_000, "adaptive": True},
    )
    return found.x, -found.fun


@pytest.mark.parametrize("seed", range(2))
def test_slow_second_way_with_limits_and_card_steps(seed):
    rng = np.random.default_rng(seed)
    arm = np.repeat([0, 1], 7)
    y = rng.normal(size=14) - 0.8 * arm
    low, high = y.copy(), y.copy()
    steps = np.arange(14) % 3 == 0
    low[steps], high[steps] = np.floor(y[steps]), np.floor(y[steps]) + 1
    below = y < -1
    low[below], high[below] = -INF, -1.0
    fit = censored_contrast(*tanks(low, high, arm), 1, 0, 0.95, own=False).fit
    columns = np.column_stack([arm, np.ones(14)]).astype(float)
    best, peak = naive_maximum(low, high, columns)
    assert fit.estimate == pytest.approx(best[0], abs=1e-6)
    assert fit.standardiser == pytest.approx(np.exp(best[-1]) * np.sqrt(14 / 12), abs=1e-6)
    for limit in (fit.low, fit.high):
        _, at = naive_maximum(low - limit * arm, high - limit * arm, np.ones((14, 1)))
        t = np.sqrt(12 * np.expm1(2 * (peak - at) / 14))
        assert t == pytest.approx(stats.t.ppf(0.975, 12), abs=1e-5)


def test_derivatives():
    rng = np.random.default_rng(5)
    columns = np.column_stack([np.ones(9), rng.normal(size=9)])
    low = np.array([-INF, -INF, 0.1, 0.2, -1.0, 0.5, -3.0, 6.0, -7.0])
    high = np.array([0.3, -2.0, INF, 0.2, 0.4, 0.5, INF, 7.0, -6.0])
    exact, at = low == high, np.array([0.2, -0.4, 1.3])
    value, gradient, hessian = _likelihood(at, low, high, columns, exact)
    theta = np.append(at[:2] / at[2], -np.log(at[2]))
    assert value == pytest.approx(naive_log_likelihood(theta, low, high, columns), rel=1e-7)
    for i in range(3):
        step = np.eye(3)[i] * 1e-5
        up, down = (_likelihood(at + side * step, low, high, columns, exact) for side in (1, -1))
        assert gradient[i] == pytest.approx((up[0] - down[0]) / 2e-5, rel=1e-6, abs=1e-6)
        assert hessian[i] == pytest.approx((up[1] - down[1]) / 2e-5, rel=1e-5, abs=1e-5)
    assert np.linalg.eigvalsh(hessian).max() < 0


@pytest.mark.parametrize("width", [1e-3, 1e-5, 1e-7, 1e-9, 1e-12])
def test_narrow_intervals_are_nearly_exact_numbers(width):
    y, arm, block, _ = blocks_of_three(6)
    exact = censored_contrast(*tanks(y, y, arm, block), 1, 0, 0.95, own=False).fit
    near = censored_contrast(*tanks(y - width, y + width, arm, block), 1, 0, 0.95, own=False).fit
    assert near.estimate == pytest.approx(exact.estimate, abs=max(1e-9, width**2))
    assert near.low == pytest.approx(exact.low, abs=max(1e-8, 10 * width**2))


def test_a_block_beyond_its_limit_says_nothing():
    y, arm, block, _ = blocks_of_three(7)
    low = y.copy()
    low[:3] = -INF
    low[4] = -INF
    with_it = censored_contrast(*tanks(low, y, arm, block), 1, 0, 0.95, own=False)
    without = censored_contrast(*tanks(low[3:], y[3:], arm[3:], block[3:]), 1, 0, 0.95, own=False)
    assert (with_it.silent, without.silent) == (3, 0)
    assert with_it.n_censored == 3
    assert with_it.fit.estimate == pytest.approx(without.fit.estimate, rel=1e-9)
    assert with_it.fit.high == pytest.approx(without.fit.high, rel=1e-7)
    assert with_it.fit.df == without.fit.df


def test_another_arm_beyond_its_limit_does_no_harm():
    y, arm, block, _ = blocks_of_three(8)
    low = np.where(arm == 2, -INF, y)
    got = censored_contrast(*tanks(low, y, arm, block), 1, 0, 0.95, own=False)
    mine = arm != 2
    wanted = LinearModel(tanks(y[mine], y[mine], arm[mine], block[mine])[0]).contrast(1, 0, 0.95)
    assert got.silent == 8
    assert (got.fit.estimate, got.fit.low, got.fit.df) == pytest.approx(
        (wanted.estimate, wanted.low, wanted.df), rel=1e-9
    )


Y = np.array([1.0, 2.0, 1.5, 2.6, 1.2, 1.9, 1.1, 2.2])
PAIR = np.tile([0, 1], 4)
BY_TWO = np.repeat(np.arange(4), 2)
NOT_ESTIMABLE = {
    "an arm below its limit": (np.where(PAIR == 1, -INF, Y), Y, PAIR, BY_TWO, "every tank of polymer"),
    "an arm above its limit": (Y, np.where(PAIR == 0, INF, Y), PAIR, BY_TWO, "every tank of control"),
    "arms in different blocks": (Y, Y, np.repeat([0, 1], 4), np.repeat([0, 1], 4), "do not meet"),
    "one pair": (Y[:2], Y[:2], PAIR[:2], BY_TWO[:2], "too few tanks"),
    "no arm to compare with": (Y, Y, np.repeat([1, 2], 4), BY_TWO, "no tanks of"),
    "steps wider than the differences": (np.floor(Y), np.floor(Y) + 2, PAIR, BY_TWO, "all numbers agree"),
    "no spread at all": (np.ones(8), np.ones(8), PAIR, BY_TWO, "all numbers agree"),
    "sides alone": (
        np.where(Y > 1.7, 1.8, -INF),
        np.where(Y > 1.7, INF, 1.8),
        PAIR[::-1] * 0 + [0, 0, 1, 1, 0, 1, 0, 1],
        None,
        "known from below",
    ),
    "parallel, an arm below its limit": (
        np.where(PAIR == 1, -INF, Y),
        Y,
        PAIR,
        None,
        "every tank of polymer",
    ),
    "parallel, no spread": (
        np.where(PAIR == 1, 1, Y),
        np.where(PAIR == 1, 3, Y),
        PAIR,
        None,
        "all numbers agree",
    ),
    "parallel, a single tank": (Y[:4], Y[:4], np.array([0, 0, 0, 1]), None, "fewer than two"),
}


@pytest.mark.parametrize("case", NOT_ESTIMABLE)
def test_what_cannot_be_estimated_is_said(case):
    low, high, arm, block, why = NOT_ESTIMABLE[case]
    own = block is None or case.startswith("an arm")
    got = censored_contrast(*tanks(low, high, arm, block), 1, 0, 0.95, own=own)
    assert got.fit is None
    assert why in got.why_not


def test_samples_that_cannot_be_estimated():
    assert normal_sample(np.array([]), np.array([])) is None
    assert normal_sample(np.array([-INF, -INF]), np.array([1.0, 2.0])) is None
    assert normal_sample(np.array([1.0, 1.5]), np.array([2.0, 3.0])) is None


def test_a_limit_that_the_data_do_not_set_is_none():
    """One tank is known, of the others only a side: the likelihood falls too slowly for so high a level."""
    low = np.array([2.5, -INF, -INF, 2.0, 1.7, 2.0, -INF, 2.0])
    high = np.array([INF, 1.0, 3.0, INF, 1.7, INF, 3.0, INF])
    data = tanks(low, high, np.repeat([0, 1], 4))
    fit = censored_contrast(*data, 1, 0, 0.999_999_99, own=False).fit
    assert (fit.low, fit.high) == (None, None)
    fit = censored_contrast(*data, 1, 0, 0.8, own=False).fit
    assert fit.low < fit.estimate < fit.high


def test_far_tail():
    """A limit 40 sd from the mean has a probability below the smallest double, and a logarithm all the same."""
    rng = np.random.default_rng(9)
    low = np.append(rng.normal(size=30), 30.0)
    high = np.append(low[:30], INF)
    sample = normal_sample(low, high)
    assert 30 > sample.mean > 0
    assert sample.sd > 1
