"""The histogram of the draws against every draw listed one by one, and against the test's own p."""

from dataclasses import replace
from itertools import product

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.exact_law import exact_law
from analysis.null_distribution import histogram, null_distributions
from analysis.redraws import Stratum
from analysis.refitted_law import own_law


def pairs(numbers):
    """Blocks of two tanks, the first treated."""
    return [Stratum(np.array(both, dtype=float), None, np.array([True, False])) for both in numbers]


def every_draw(numbers):
    """Mean paired differences under every turn of labels, the slow way."""
    differences = np.array([a - b for a, b in numbers], dtype=float)
    return np.array(
        [(np.array(signs) * differences).mean() for signs in product((1, -1), repeat=len(numbers))]
    )


@given(
    st.lists(
        st.tuples(st.integers(0, 60), st.integers(0, 60)).map(lambda both: (both[0] / 8, both[1] / 8)),
        min_size=2,
        max_size=7,
    ).filter(lambda rows: any(a != b for a, b in rows))
)
@settings(max_examples=60, deadline=None)
def test_bars_hold_the_draws_that_listing_finds(numbers):
    for law in (exact_law(pairs(numbers)), own_law(pairs(numbers), seed=1)):
        edges, share, beyond = histogram(law)
        listed = every_draw(numbers)
        assert sum(share) == pytest.approx(1)
        # An edge belongs to the bar farther from 0, and a draw of exactly 0 half to either middle bar.
        near = 1e-9 * max(1.0, np.abs(listed).max())
        for left, right, part in zip(edges[:-1], edges[1:], share, strict=True):
            low, high = (left - near, right - near) if right > near else (left + near, right + near)
            inside = (
                ((listed >= low) & (listed < high)) if right > near else ((listed > low) & (listed <= high))
            )
            zeros = (np.abs(listed) <= near).mean() / 2 if min(abs(left), abs(right)) <= near else 0.0
            expected = (inside & (np.abs(listed) > near)).mean() + zeros
            assert part == pytest.approx(expected, abs=1e-12)
        at = abs(law.observed(0.0))
        if abs(at) >= 0.75 * law.reach / 20:
            dark = sum(part for part, far in zip(share, beyond, strict=True) if far)
            assert dark == pytest.approx((np.abs(listed) >= at - near).mean(), abs=1e-12)


def test_far_more_draws_than_can_be_listed_are_counted():
    rng = np.random.default_rng(5)
    numbers = np.round(rng.normal([0.4, 0.0], 1, (36, 2)), 3)
    law = exact_law(pairs(numbers.tolist()))
    assert law.draws == 2**36
    edges, share, beyond = histogram(law)
    assert sum(share) == pytest.approx(1)
    assert sum(p for p, far in zip(share, beyond, strict=True) if far) == pytest.approx(
        law.tail(0.0), abs=1e-12
    )
    # The law is symmetric, and so many signs make it nearly normal with the root mean square of the differences.
    assert share == pytest.approx(share[::-1], abs=1e-12)
    sd = np.sqrt(((numbers[:, 0] - numbers[:, 1]) ** 2).sum()) / 36
    middles = (np.array(edges[:-1]) + np.array(edges[1:])) / 2
    assert np.sqrt((middles**2) @ np.array(share)) == pytest.approx(sd, rel=0.02)


def test_every_registered_comparison_has_bars_that_add_up_to_its_p(club):
    for endpoint in club.analysis.endpoints:
        laws = null_distributions(club.protocol, club.allocation, club.analysis, endpoint)
        assert [(law.test, law.reference) for law in laws] == [
            (c.test, c.reference) for c in endpoint.contrasts
        ]
        for law, contrast in zip(laws, endpoint.contrasts, strict=True):
            dark = sum(share for share, far in zip(law.share, law.beyond, strict=True) if far)
            assert dark == pytest.approx(contrast.randomisation.p, abs=1e-12)
            assert law.draws == contrast.randomisation.draws


def test_an_estimate_next_to_nothing_darkens_all():
    law = exact_law(pairs([(5.0, 0.0), (0.0, 5.0), (1.0, 0.99), (3.0, 0.0), (0.0, 3.0)]))
    _, share, beyond = histogram(law)
    assert all(beyond)
    assert len(share) == 42


def test_a_sample_of_draws_counts_the_real_one(invent):
    trial = invent(blocks=20)
    endpoint = trial.analysis.endpoints[0]
    (law, *_) = null_distributions(trial.protocol, trial.allocation, trial.analysis, endpoint)
    assert not law.exact
    dark = sum(share for share, far in zip(law.share, law.beyond, strict=True) if far)
    assert dark == pytest.approx(endpoint.contrasts[0].randomisation.p, abs=1e-12)


def test_none_where_chance_did_not_decide(club):
    recorded = replace(club.allocation, random=False, drawn=False)
    assert null_distributions(club.protocol, recorded, club.analysis, club.analysis.endpoints[0]) == ()
