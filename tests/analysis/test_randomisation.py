"""The randomisation test against a slow obvious one, which is itself held to published counts."""

import itertools
import math

import numpy as np
import pytest

from analysis.linear_model import TankData
from analysis.own_error import own_error
from analysis.randomisation import randomisation_test
from analysis.refitted_law import DRAWS

RNG = np.random.default_rng(15)


def naive(data, test, reference, tau=0.0):
    """Every relabelling of the two arms inside each block, the estimate of each refitted by `own_error`."""
    keep = np.isin(data.arm, (test, reference))
    data = data.only(keep)
    held = [b for b in np.unique(data.block) if {test, reference} <= set(data.arm[data.block == b])]
    data = data.only(np.isin(data.block, held))
    data = data.with_y(data.y - tau * (data.arm == test))
    choices = []
    for b in held:
        rows = np.flatnonzero(data.block == b)
        size = int((data.arm[rows] == test).sum())
        choices.append([(rows, chosen) for chosen in itertools.combinations(rows, size)])
    observed = abs(own_error(data, test, reference, 0.95).estimate)
    as_far = total = 0
    for pick in itertools.product(*choices):
        arm = data.arm.copy()
        for rows, chosen in pick:
            arm[rows] = reference
            arm[list(chosen)] = test
        drawn = TankData(data.y, arm, data.block, data.arms, data.x, data.blocked)
        total += 1
        as_far += abs(own_error(drawn, test, reference, 0.95).estimate) >= observed - 1e-9 * (1 + observed)
    return as_far / total, total


def paired(d, x=None):
    n = len(d)
    return TankData(
        np.concatenate([np.zeros(n), d]),
        np.repeat([0, 1], n),
        np.tile(np.arange(n), 2),
        ("c", "t"),
        x,
        blocked=True,
    )


def test_the_slow_one_gives_a_published_count():
    # Mehta and Patel (2001), StatXact-5 manual, Table 9.6: raw scores, two-sided exact p 0.1040.
    values = np.array([80, 94, 85, 90, 90, 90, 108, 94, 78, 105, 88, 94, 108, 110, 90.0])
    data = TankData(values, np.repeat([0, 1], [11, 4]), np.zeros(15, int), ("c", "t"), None, blocked=False)
    assert naive(data, 1, 0) == (pytest.approx(0.1040, abs=5e-5), math.comb(15, 4))
    assert randomisation_test(data, 1, 0, level=0.95, seed=1, start=10).p == naive(data, 1, 0)[0]


@pytest.mark.parametrize("covariate", [False, True])
@pytest.mark.parametrize(
    ("sizes", "blocked"),
    [
        ([(1, 1)] * 7, True),
        ([(2, 2), (1, 2), (3, 1)], True),
        ([(1, 1), (2, 0), (1, 2), (1, 1), (1, 1)], True),
        ([(4, 5)], False),
        ([(3, 8)], False),
    ],
)
def test_agrees_with_the_slow_one(sizes, blocked, covariate):
    arm = np.concatenate([np.repeat([0, 1], pair) for pair in sizes])
    block = np.repeat(np.arange(len(sizes)), [sum(pair) for pair in sizes])
    x = RNG.normal(size=len(arm)) if covariate else None
    for decimals in (1, 12):
        y = np.round(RNG.normal(size=len(arm)) + 0.8 * arm, decimals)
        data = TankData(y, arm, block, ("c", "t"), x, blocked)
        result = randomisation_test(data, 1, 0, level=0.80, seed=1, start=1.0)
        p, total = naive(data, 1, 0)
        assert (result.p, result.draws, result.method) == (pytest.approx(p, abs=1e-12), total, "exact")
        for limit in (result.low, result.high):
            if limit is not None and not covariate:
                inside = limit + 1e-6 * (1 if limit == result.low else -1)
                outside = limit - 1e-6 * (1 if limit == result.low else -1)
                assert naive(data, 1, 0, inside)[0] > 0.20 >= naive(data, 1, 0, outside)[0]


def test_forty_pairs_are_counted_exactly():
    """Beyond listing: 40 equal differences and their signs are binomial."""
    data = paired(np.ones(40))
    result = randomisation_test(data, 1, 0, level=0.95, seed=1, start=1.0)
    assert (result.draws, result.p, result.method) == (2**40, 2 / 2**40, "exact")
    mixed = np.ones(40)
    mixed[:12] = -1
    result = randomisation_test(paired(mixed), 1, 0, level=0.95, seed=1, start=1.0)
    assert result.p == pytest.approx(2 * sum(math.comb(40, k) for k in range(13)) / 2**40, rel=1e-12)


def test_monte_carlo_says_its_own_error():
    exact = randomisation_test(paired(d := RNG.normal(0.3, 1, 14)), 1, 0, level=0.95, seed=1, start=1.0)
    x = np.zeros(28)  # a covariate without spread changes nothing but the way of counting
    many = np.concatenate([d, RNG.normal(0.3, 1, 10)])
    refitted = randomisation_test(paired(many, np.zeros(48)), 1, 0, level=0.95, seed=3, start=1.0)
    counted = randomisation_test(paired(many), 1, 0, level=0.95, seed=3, start=1.0)
    assert randomisation_test(paired(d, x), 1, 0, level=0.95, seed=1, start=1.0).p == exact.p
    assert refitted.method == "monte-carlo"
    assert refitted.draws == DRAWS
    assert abs(refitted.p - counted.p) < 5 * refitted.se
    assert refitted.low == pytest.approx(counted.low, abs=0.02)
    again = randomisation_test(paired(many, np.zeros(48)), 1, 0, level=0.95, seed=3, start=1.0)
    assert again == refitted


@pytest.mark.parametrize(("n", "smallest"), [(3, 0.25), (5, 0.0625), (6, 0.03125)])
def test_smallest_p_of_few_pairs(n, smallest):
    """Two-sided signs of n pairs cannot go below 2 / 2^n: five pairs never reach 0.05 (Wilcoxon 1945 tables)."""
    result = randomisation_test(paired(RNG.normal(9, 1, n)), 1, 0, level=0.95, seed=1, start=1.0)
    assert result.smallest_p == smallest == result.p
    assert (result.low is None) == (smallest > 0.05)


def far_apart(resolution):
    """Two groups of forty whose ranges do not meet."""
    values = np.concatenate([RNG.random(40), 9 + RNG.random(40)])
    return TankData(
        np.round(values, resolution),
        np.repeat([0, 1], 40),
        np.zeros(80, int),
        ("c", "t"),
        None,
        blocked=False,
    )


def test_p_is_never_zero():
    drawn = randomisation_test(far_apart(12), 1, 0, level=0.95, seed=1, start=1.0)
    assert (drawn.method, drawn.p) == ("monte-carlo", 1 / (DRAWS + 1))


def test_coarse_readings_are_counted_whatever_their_number():
    counted = randomisation_test(far_apart(0), 1, 0, level=0.95, seed=1, start=1.0)
    assert (counted.method, counted.draws) == ("exact", math.comb(80, 40))
    assert counted.p == pytest.approx(2 / math.comb(80, 40))
