"""Williams squares and crossover sequences, checked by counting."""

import numpy as np
import pytest

from analysis.sequences import crossover_sequences, neighbour_counts, period_counts, williams
from schemas.errors import AllocationError

# Williams (1949), Australian Journal of Scientific Research A 2:149: first rows 1 2 4 3 and 1 2 6 3 5 4 (from memory).
FIRST = {2: (0, 1), 4: (0, 1, 3, 2), 6: (0, 1, 5, 2, 4, 3)}


@pytest.mark.parametrize("arms", FIRST)
def test_published_first_rows(arms):
    assert williams(arms)[0] == FIRST[arms]


@pytest.mark.parametrize("arms", range(2, 10))
def test_every_ordered_pair_of_neighbours_comes_once_or_twice(arms):
    rows = williams(arms)
    assert len(rows) == arms * (1 + arms % 2)
    assert all(sorted(row) == list(range(arms)) for row in rows)
    assert len(set(rows)) == len(rows)
    counts = neighbour_counts(rows, arms)
    assert (counts == (1 + arms % 2) * (1 - np.eye(arms))).all()
    assert (period_counts(rows, arms) == 1 + arms % 2).all()


@pytest.mark.parametrize(("arms", "periods"), [(3, 2), (4, 2), (4, 3), (5, 2), (5, 3), (6, 3), (7, 3)])
def test_fewer_periods_than_arms(arms, periods):
    rows = crossover_sequences(arms, periods)
    assert all(len(set(row)) == periods for row in rows)
    counts = neighbour_counts(rows, arms)
    off = ~np.eye(arms, dtype=bool)
    assert len(set(counts[off])) == 1
    assert (np.diag(counts) == 0).all()
    for place in period_counts(rows, arms):
        assert len(set(place)) == 1
    pairs = np.zeros((arms, arms), dtype=int)
    for row in rows:
        pairs[np.ix_(row, row)] += 1
    assert len(set(pairs[off])) == 1


@pytest.mark.parametrize("arms", range(2, 7))
def test_one_further_period_follows_every_arm_with_every_arm(arms):
    rows = crossover_sequences(arms, arms + 1)
    assert len(set(neighbour_counts(rows, arms).ravel())) == 1
    assert all(len(set(place)) == 1 for place in period_counts(rows, arms))


# The designs for two arms that every book on crossovers names (common practice, no source).
TWO_ARMS = {2: {"AB", "BA"}, 3: {"ABB", "BAA"}, 4: {"ABBA", "BAAB"}}


@pytest.mark.parametrize("periods", TWO_ARMS)
def test_two_arms(periods):
    assert {"".join("AB"[arm] for arm in row) for row in crossover_sequences(2, periods)} == TWO_ARMS[periods]


@pytest.mark.parametrize(("arms", "periods"), [(1, 2), (3, 1)])
def test_what_is_no_crossover_is_said(arms, periods):
    with pytest.raises(AllocationError, match="two arms and two periods"):
        crossover_sequences(arms, periods)
