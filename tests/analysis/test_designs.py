"""Balanced incomplete blocks: published designs, exhaustive search over small ones, and what is said of them."""

from itertools import combinations, combinations_with_replacement

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.designs import balanced_number, described, incomplete_sets
from analysis.linear_model import LinearModel, TankData
from schemas.errors import AllocationError

# Parameters v, k, b, r, lambda of balanced incomplete-block designs: Fisher and Yates, Statistical Tables, and
# Cochran and Cox (1957), Experimental Designs, chapter 11 (from memory; the identities rk = bk/v and
# lambda = r(k-1)/(v-1) hold). The last column is v's design by name where it has one.
PUBLISHED = [
    (3, 2, 3, 2, 1),
    (4, 2, 6, 3, 1),
    (4, 3, 4, 3, 2),  # Montgomery's catalysts
    (5, 2, 10, 4, 1),
    (5, 3, 10, 6, 3),
    (5, 4, 5, 4, 3),
    (6, 2, 15, 5, 1),
    (6, 3, 10, 5, 2),
    (6, 5, 6, 5, 4),
    (7, 3, 7, 3, 1),  # the Fano plane
    (7, 4, 7, 4, 2),  # its complement
    (9, 3, 12, 4, 1),  # the affine plane of order 3
    (10, 3, 30, 9, 2),
]


@pytest.mark.parametrize(("v", "k", "b", "r", "meet"), PUBLISHED)
def test_published_parameters_are_reached(v, k, b, r, meet):
    assert balanced_number(v, k) == b
    for times in (1, 2):
        found = incomplete_sets(v, [k] * b * times)
        assert found.balanced
        assert found.connected
        assert (found.replication == times * r).all()
        apart = found.concurrence[np.triu_indices(v, 1)]
        assert (apart == times * meet).all()
        assert found.efficiency == pytest.approx(meet * v / (r * k))
        assert all(len(set(block)) == k for block in found.sets)
        assert found.sentence.startswith("Balanced")


def test_fano_plane_has_one_block_through_every_two_points():
    blocks = incomplete_sets(7, [3] * 7).sets
    assert all(len(set(a) & set(b)) == 1 for a, b in combinations(blocks, 2))


def naive_variance(arms, sets):
    """Average variance of a difference, error variance 1, by least squares on arms and blocks; inf if unknown."""
    rows = [(arm, block) for block, members in enumerate(sets) for arm in members]
    x = np.zeros((len(rows), arms + len(sets)))
    for row, (arm, block) in enumerate(rows):
        x[row, arm] = x[row, arms + block] = 1
    inverse = np.linalg.pinv(x.T @ x, rcond=1e-10, hermitian=True)
    projection = inverse @ (x.T @ x)
    variances = []
    for one, other in combinations(range(arms), 2):
        weights = np.eye(arms + len(sets))[one] - np.eye(arms + len(sets))[other]
        if not np.allclose(projection @ weights, weights, atol=1e-8):
            return np.inf
        variances.append(weights @ inverse @ weights)
    return np.mean(variances)


@pytest.mark.parametrize(
    ("v", "k", "b"),
    [(3, 2, 2), (3, 2, 4), (3, 2, 5), (4, 2, 3), (4, 2, 5), (4, 2, 7), (4, 3, 3), (4, 3, 6), (5, 4, 3)],
)
def test_no_other_sets_are_better(v, k, b):
    # Every multiset of k-subsets that gives the arms as many tanks, give or take one: what was found is the best or
    # within 3 % of it.
    even = (
        sets
        for sets in combinations_with_replacement(list(combinations(range(v), k)), b)
        if np.ptp(np.bincount(np.concatenate(sets), minlength=v)) <= 1
    )
    best = min(naive_variance(v, sets) for sets in even)
    assert naive_variance(v, incomplete_sets(v, [k] * b).sets) <= 1.03 * best


@pytest.mark.parametrize("sizes", [[2] * 7, [3] * 8, [2, 2, 3, 3, 4, 2], [5, 5, 5], [6, 2, 2, 3]])
def test_efficiency_is_that_of_the_naive_variance(sizes):
    # The harmonic mean of the canonical factors is the ratio of average variances where all arms have as many tanks.
    found = incomplete_sets(4, sizes)
    if np.ptp(found.replication) == 0:
        assert found.efficiency == pytest.approx(2 / found.replication[0] / naive_variance(4, found.sets))
    assert 0 < found.efficiency <= 1 + 1e-12


def test_connected_means_that_the_model_can_estimate_every_difference():
    for sizes in ([2, 2], [2, 2, 2], [2] * 5, [3, 2]):
        found = incomplete_sets(4, sizes)
        arm = np.concatenate(found.sets)
        block = np.repeat(np.arange(len(sizes)), sizes)
        model = LinearModel(
            TankData(np.arange(len(arm)) * 1.0, arm, block, tuple("ABCD"), None, blocked=True)
        )
        estimable = all(model.contrast(i, j, 0.95) is not None for i, j in combinations(range(4), 2))
        assert found.connected == estimable


@given(
    arms=st.integers(2, 6),
    sizes=st.lists(st.integers(1, 9), min_size=1, max_size=14),
)
@settings(max_examples=60, deadline=None)
def test_every_tank_gets_an_arm_and_arms_stay_even(arms, sizes):
    found = incomplete_sets(arms, sizes)
    assert [len(block) for block in found.sets] == sizes
    assert found.replication.sum() == sum(sizes)
    for block in found.sets:
        times = np.bincount(block, minlength=arms)
        assert times.max() - times.min() <= 1
    if len(set(sizes)) == 1 and sizes[0] < 2 * arms:
        assert np.ptp(found.replication) <= 1
    counts = np.array([np.bincount(block, minlength=arms) for block in found.sets])
    together = counts.T @ counts
    off = ~np.eye(arms, dtype=bool)
    assert (found.concurrence[off] == together[off]).all()
    assert (np.diag(found.concurrence) == counts.sum(axis=0)).all()
    assert incomplete_sets(arms, sizes).sets == found.sets


SAID = {
    "balanced": (3, [2] * 6, "Balanced: every two arms meet twice in 6 blocks, each arm has 4 tanks"),
    "between two balanced numbers": (
        3,
        [2] * 8,
        "two arms meet 2 or 3 times, and an arm has 5 or 6 tanks. 6 or 9 blocks would be balanced.",
    ),
    "too few": (4, [2, 2], "2 blocks of this size cannot join 4 arms"),
    "unequal sizes that balance": (3, [2, 3, 2, 2], "Balanced: every two arms meet twice in 4 blocks"),
    "unequal sizes that do not": (4, [2, 3, 3], "Not balanced, but as even as could be found"),
    "complete": (3, [3, 3], "Balanced: every two arms meet twice in 2 blocks, each arm has 2 tanks"),
    "some never meet": (6, [2] * 6, "two arms meet at most once, and an arm has 2 tanks. 15 blocks would be"),
}


@pytest.mark.parametrize("case", SAID)
def test_what_is_said_of_the_balance(case):
    arms, sizes, words = SAID[case]
    assert words in incomplete_sets(arms, sizes).sentence


def test_sets_of_others_are_described_too():
    found = described(3, [(0, 1), (0, 1), (0, 2)])
    assert (found.balanced, found.connected) == (False, True)
    assert list(found.replication) == [3, 2, 1]
    assert found.concurrence[0, 1] == 2


@pytest.mark.parametrize(("arms", "sizes"), [(1, [2]), (3, []), (3, [2, 0])])
def test_what_cannot_be_shared_out_is_said(arms, sizes):
    with pytest.raises(AllocationError, match="two arms or more"):
        incomplete_sets(arms, sizes)
