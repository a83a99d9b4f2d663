"""The balance rule over many allocations at once, against whole fractions one by one."""

from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.balance import gaps, meets


@given(st.data(), st.integers(2, 4), st.integers(4, 9))
def test_gaps_are_those_of_fractions(data, arms, tanks):
    tenths = data.draw(st.lists(st.integers(0, 1000), min_size=tanks, max_size=tanks))
    rows = data.draw(st.lists(st.permutations([n % arms for n in range(tanks)]), min_size=1, max_size=5))
    most = data.draw(st.integers(1, 300))
    labels, values = np.array(rows), np.array(tenths) / 10
    exact = []
    for row in rows:
        means = [
            Fraction(sum(v for v, a in zip(tenths, row, strict=True) if a == arm), 10 * row.count(arm))
            for arm in range(arms)
        ]
        exact.append(max(means) - min(means))
    assert gaps(labels, values) == pytest.approx([float(gap) for gap in exact], abs=1e-10)
    assert list(meets(labels, values, most / 10)) == [gap <= Fraction(most, 10) for gap in exact]


def test_an_arm_without_tanks_is_passed_over():
    assert gaps(np.array([[0, 0, 2, 2]]), np.array([1.0, 2.0, 3.0, 4.0])) == [2.0]


def test_rounding_is_not_a_gap():
    labels, values = np.array([[0, 0, 1, 1]]), np.array([0.1, 0.2, 5.1, 5.2])
    assert meets(labels, values, 5.0).all()
    assert not meets(labels, values, 4.999999).any()
