"""The order in which sequences are used up: every beginning is as even as the next choice can make it."""

import itertools
from collections import Counter

import pytest

from analysis.sequence_order import ordered
from analysis.sequences import crossover_sequences


@pytest.mark.parametrize("arms", [3, 5])
def test_one_latin_square_comes_before_its_mirror(arms):
    order = ordered(crossover_sequences(arms, arms), arms)
    for half in (order[:arms], order[arms:]):
        assert all(len(set(period)) == arms for period in zip(*half, strict=True))


@pytest.mark.parametrize(("arms", "periods"), [(2, 2), (3, 2), (3, 3), (4, 2), (4, 3), (2, 4), (3, 5)])
def test_beginnings_share_arms_and_pairs_out_within_one(arms, periods):
    sequences = crossover_sequences(arms, periods)
    order = ordered(sequences, arms)
    assert sorted(order) == sorted(sequences)
    for tanks in range(1, len(order) + 1):
        used = Counter(itertools.chain(*order[:tanks]))
        counts = [used[arm] for arm in range(arms)]
        assert max(counts) - min(counts) <= 1 or periods > arms


def test_four_arms_in_three_periods_begin_with_a_youden_square():
    """Each arm once in each period and each pair of arms in two tanks: v = b = 4, k = 3, lambda = 2."""
    order = ordered(crossover_sequences(4, 3), 4)[:4]
    assert all(len(set(period)) == 4 for period in zip(*order, strict=True))
    pairs = Counter(pair for row in order for pair in itertools.combinations(sorted(row), 2))
    assert set(pairs.values()) == {2}
    assert len(pairs) == 6
