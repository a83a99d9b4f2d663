"""Scores of sites on a shared reference: published data, readings that are no number, cards, few sites."""

import numpy as np
import pytest

from analysis.kits.reference import reference_round
from analysis.kits.scores import Grade, graded, z_prime_score, z_score, zeta_score
from schemas.protocol import CheckSample, Kit
from schemas.variables import catalogue

# Analytical Methods Committee (1989) Analyst 114:1693, copper in wholemeal flour, 24 laboratories.
COPPER = (2.90, 3.10, 3.40, 3.40, 3.70, 3.70, 2.80, 2.50, 2.40, 2.40, 2.70, 2.20, 5.28, 3.37, 3.03, 3.03, 28.95, 3.77,
          3.40, 2.20, 3.50, 3.60, 3.70, 3.70)  # fmt: skip
NITRATE = catalogue()["nitrate"]


def sample(**more):
    return CheckSample(id="ref-a", kind="reference", variable="nitrate", **more)


def round_of(checks, values, kits=(), kit="drops", **more):
    rows = [(f"s{place:02d}", kit, "ref-a", 0, value) for place, value in enumerate(values)]
    return reference_round(sample(**more), checks(rows), NITRATE, kits)


def test_the_mean_of_the_sites_stands_in_for_a_value_that_nobody_knows(checks):
    found = round_of(checks, COPPER)
    assert not found.assigned.stated
    assert found.assigned.value == pytest.approx(3.2055, abs=2e-4)
    by_value = {result.value: result for result in found.results}
    # Worked with x* 3.205566 and s* 0.674150, u = 1.25 s*/sqrt(24) = 0.17201, under 0.3 s*, so z is read.
    for value, z in ((5.28, 3.0771), (28.95, 38.188), (2.20, -1.4916)):
        assert by_value[value].z == pytest.approx(z, abs=1e-3)
        assert by_value[value].score == by_value[value].z
    assert found.assigned.certain
    assert {by_value[value].grade for value in (5.28, 28.95)} == {Grade.FAILS}
    assert by_value[2.20].grade is Grade.HOLDS


@pytest.mark.parametrize(
    ("score", "grade"),
    [(0, "holds"), (-1.99, "holds"), (2.0, "look"), (-2.99, "look"), (3.0, "fails"), (-9, "fails")],
)
def test_scores_are_read_as_the_standard_has_it(score, grade):
    """ISO 13528:2015, 9.4.2."""
    assert graded(score) == grade


def test_scores_by_hand():
    assert z_score(11, 10, 0.5) == 2
    assert z_prime_score(11, 10, 0.3, 0.4) == pytest.approx(2)
    assert zeta_score(9, 0.6, 10, 0.8) == pytest.approx(-1)


def test_a_stated_spread_fails_a_kit_among_few(checks):
    found = round_of(checks, (10.2, 9.9, 13.2), value=10.0, uncertainty=0.1, fitness_sd=1.0)
    assert [result.grade for result in found.results] == [Grade.HOLDS, Grade.HOLDS, Grade.FAILS]
    assert found.results[2].recovery == pytest.approx(132)
    assert found.results[2].score == pytest.approx(3.2)


def test_an_uncertain_value_is_allowed_for(checks):
    """0.4 is more than 0.3 of the spread, so z' = 3.2 / sqrt(1 + 0.16) is read and asks for a look alone."""
    found = round_of(checks, (10.2, 9.9, 13.2), value=10.0, uncertainty=0.4, fitness_sd=1.0)
    last = found.results[2]
    assert not found.assigned.certain
    assert (last.z, last.score) == (pytest.approx(3.2), pytest.approx(3.2 / 1.16**0.5))
    assert last.grade is Grade.LOOK


def test_few_sites_fail_nobody_by_their_own_spread(checks):
    found = round_of(checks, (10.0, 10.1, 9.9, 10.0, 16.0), value=10.0)
    assert not found.assigned.enough
    assert found.results[4].score > 3
    assert [result.grade for result in found.results] == [Grade.HOLDS] * 4 + [Grade.LOOK]


def test_a_lone_site_is_told_by_its_recovery(checks):
    for value, grade in ((9.0, Grade.HOLDS), (8.0, Grade.LOOK)):
        found = round_of(checks, (value,), value=10.0)
        assert found.assigned.sd is None
        assert (found.results[0].score, found.results[0].grade) == (None, grade)


def test_readings_beyond_a_limit_are_not_scored_and_not_in_the_mean(checks):
    found = round_of(checks, (10.0, 10.4, 9.6, "<0.5", ">50"))
    assert found.assigned.consensus.n == 3
    below = found.results[3]
    assert (below.censored, below.value, below.z, below.score) == (1, None, None, None)


def test_a_limit_that_lies_off_the_value_tells_and_one_that_does_not_does_not(checks):
    found = round_of(
        checks, (10.0, "<0.5", "<8.5", "<20", ">5", ">50"), value=10.0, uncertainty=0.1, fitness_sd=1.0
    )
    assert [result.grade for result in found.results] == [
        Grade.HOLDS,
        Grade.FAILS,
        Grade.HOLDS,
        Grade.NOT_TOLD,
        Grade.NOT_TOLD,
        Grade.FAILS,
    ]
    assert (found.results[1].low, found.results[1].high) == (0, 0.5)


def test_nothing_to_hold_against_is_said_by_none(checks):
    found = round_of(checks, (10.0, 10.4))
    assert found.assigned is None
    assert [result.grade for result in found.results] == [Grade.NOT_TOLD] * 2


def test_a_card_is_scored_by_what_it_cannot_tell_apart(checks):
    """Steps 5, 10, 25: a reading of 10 is anything from 7.5 to 17.5."""
    card = Kit(id="card", variable="nitrate", limit=1, steps=(5, 10, 25))
    found = round_of(
        checks, (10.0, 5.0, 25.0), kits=(card,), kit="card", value=12.0, uncertainty=0.1, fitness_sd=1.0
    )
    ten, five, twenty_five = found.results
    assert (ten.low, ten.high, ten.score, ten.grade) == (7.5, 17.5, 0.0, Grade.HOLDS)
    assert five.score == pytest.approx(7.5 - 12)
    assert twenty_five.score == pytest.approx(17.5 - 12)
    assert ten.z == pytest.approx(-2)


def test_the_newest_day_of_a_site_counts(checks):
    rows = [("q1", "drops", "ref-a", day, value) for day, value in ((0, 20.0), (7, 10.2), (7, 9.6))]
    found = reference_round(
        sample(value=10.0, uncertainty=0.1, fitness_sd=1.0), checks(rows), NITRATE, ()
    ).results
    assert (len(found), found[0].n, found[0].value) == (1, 2, pytest.approx(9.9))
    error = np.std([10.2, 9.6], ddof=1) / 2**0.5
    assert found[0].zeta == pytest.approx(-0.1 / np.hypot(error, 0.1))


def test_all_sites_together_may_read_high(checks):
    values = [12.0 + 0.1 * (place % 5) for place in range(15)]
    assert round_of(checks, values, value=10.0, uncertainty=0.2).assigned.consensus_apart == pytest.approx(
        2.2, abs=0.05
    )
    assert round_of(checks, values, value=12.2, uncertainty=0.2).assigned.consensus_apart is None
