"""Contrasts of censored numbers: least squares without censoring, a slow second way, and what cannot be said."""

import numpy as np
import pytest
from scipy import optimize, special, stats

from analysis.censored_contrasts import censored_contrast
from analysis.linear_model import LinearModel, TankData
from analysis.own_error import own_error

INF = np.inf
ARMS = ("control", "polymer", "liquid")


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
    "an arm below its limit": (np.where(PAIR == 1, -INF, Y), Y, PAIR, BY_TWO, "no tank of polymer"),
    "an arm above its limit": (Y, np.where(PAIR == 0, INF, Y), PAIR, BY_TWO, "no tank of control"),
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
        "no tank of polymer",
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


def test_another_arm_far_inside_its_limit_does_no_harm():
    """A limit from below that is a hundred sd away says no more than none."""
    y, arm, block, _ = blocks_of_three(8)
    fits = [
        censored_contrast(*tanks(np.where(arm == 2, far, y), y, arm, block), 1, 0, 0.95, own=False)
        for far in (-INF, -200.0)
    ]
    assert [fit.silent for fit in fits] == [8, 8]
    assert fits[0].fit.low == pytest.approx(fits[1].fit.low, rel=1e-9)


def test_an_arm_far_inside_its_limit_has_no_estimate():
    low, high = np.where(PAIR == 1, -1e4, Y), np.where(PAIR == 1, 0.5, Y)
    got = censored_contrast(*tanks(low, high, PAIR), 1, 0, 0.95, own=False)
    assert (got.fit, got.silent) == (None, 4)
    assert "no tank of polymer" in got.why_not


def test_a_limit_that_the_data_do_not_set_is_none():
    """One tank is known, of the others only a side: the likelihood falls too slowly for so high a level."""
    low = np.array([2.5, -INF, -INF, 2.0, 1.7, 2.0, -INF, 2.0])
    high = np.array([INF, 1.0, 3.0, INF, 1.7, INF, 3.0, INF])
    data = tanks(low, high, np.repeat([0, 1], 4))
    fit = censored_contrast(*data, 1, 0, 0.999_999_99, own=False).fit
    assert (fit.low, fit.high) == (None, None)
    fit = censored_contrast(*data, 1, 0, 0.8, own=False).fit
    assert fit.low < fit.estimate < fit.high
