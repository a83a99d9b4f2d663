"""Power by simulation: it agrees with the formula, with itself whoever does the work, and stops when sure."""

import math
from concurrent.futures import ThreadPoolExecutor

import numpy as np
import pytest

from analysis.plain_trials import PlainTrials
from analysis.power import bar, equivalence_power, first_step, half_width, power, verdict_chances
from analysis.precision import blocks, complete_blocks, crossover, parallel, precision
from analysis.simulation import Question, Simulated, simulate, tally
from schemas.errors import AnalysisError
from schemas.vocabulary import Baseline, Multiplicity, Variance, Verdict

OWN, POOLED = Variance.OWN, Variance.POOLED


def near(simulated, expected):
    """Within four Monte Carlo standard errors: one false alarm in some 16,000 comparisons."""
    return abs(simulated.value - expected) <= 4 * simulated.se


# Formula and simulation over the designs; own error with arms that differ in spread where it is exact.
DESIGNS = {
    "blocks": (complete_blocks("abc", 8), OWN, Baseline.NONE, 0.0, (0.5, 0.5, 0.5)),
    "blocks, unlike arms": (complete_blocks("abc", 8), OWN, Baseline.NONE, 0.0, (0.2, 0.7, 0.4)),
    "blocks, change": (complete_blocks("abc", 8), OWN, Baseline.CHANGE, 0.8, (0.5, 0.5, 0.5)),
    "blocks, adjusted": (complete_blocks("abc", 6), OWN, Baseline.ADJUST, 0.8, (0.5, 0.5, 0.5)),
    "blocks, pooled": (complete_blocks("abc", 5), POOLED, Baseline.NONE, 0.0, (0.5, 0.5, 0.5)),
    "blocks, pooled, adjusted": (complete_blocks("abc", 4), POOLED, Baseline.ADJUST, 0.7, (0.5, 0.5, 0.5)),
    "two tanks a block": (complete_blocks("abc", 5, 2), OWN, Baseline.NONE, 0.0, (0.5, 0.5, 0.5)),
    "uneven blocks": (
        blocks("abc", ["abc", "aabb", "abbcc", "ac"] * 2),
        POOLED,
        Baseline.NONE,
        0.0,
        (0.5,) * 3,
    ),
    "incomplete blocks": (blocks("abc", ["ab", "bc", "ca"] * 5), POOLED, Baseline.NONE, 0.0, (0.5,) * 3),
    "parallel": (parallel("abc", [9, 9, 9]), POOLED, Baseline.NONE, 0.0, (0.5, 0.5, 0.5)),
    "parallel, adjusted": (parallel("abc", [6, 5, 7]), POOLED, Baseline.ADJUST, 0.6, (0.5, 0.5, 0.5)),
    "crossover": (crossover("ab", ["ab", "ba"] * 5), POOLED, Baseline.NONE, 0.0, (0.5, 0.5)),
    "Williams": (
        crossover("abc", ["abc", "bca", "cab", "acb", "bac", "cba"]),
        POOLED,
        Baseline.NONE,
        0.0,
        (0.5,) * 3,
    ),
}


@pytest.mark.parametrize("design", DESIGNS)
def test_formula_and_simulation_agree(design):
    layout, variance, baseline, correlation, sd = DESIGNS[design]
    effects = (0.0, 0.6, 0.3)[: len(layout.arms)]
    question = Question(layout, (("b", "a"),), variance, multiplicity=Multiplicity.NONE, margin=0.4)
    trials = PlainTrials(layout, effects, sd, baseline, correlation)
    got = simulate(question, trials, seed=11, most=20_000).contrasts[0]
    known = precision(layout, "b", "a", sd, variance=variance, baseline=baseline, correlation=correlation)
    assert near(got.power, power(0.6, known))
    assert near(got.power_alone, got.power.value)
    assert near(got.false_positive, 0.05)
    assert near(got.half_width, half_width(known))
    assert near(got.bias, 0.0)
    assert got.effect == pytest.approx(0.6)
    assert got.unanswered.value == 0
    if not known.covariate:
        expected = verdict_chances(0.6, 0.4, known)
        assert all(near(got.verdicts[verdict], expected[verdict]) for verdict in Verdict)


# Welch's test, and its like with a baseline, are approximations: their level and power are near, not equal.
@pytest.mark.parametrize(("baseline", "correlation"), [(Baseline.NONE, 0.0), (Baseline.ADJUST, 0.8)])
def test_welch_is_near_its_formula(baseline, correlation):
    layout = parallel("ab", [10, 7])
    question = Question(layout, (("b", "a"),), OWN, multiplicity=Multiplicity.NONE)
    trials = PlainTrials(layout, (0, 0.8), (0.3, 0.7), baseline, correlation)
    got = simulate(question, trials, seed=12, most=20_000).contrasts[0]
    known = precision(layout, "b", "a", (0.3, 0.7), variance=OWN, baseline=baseline, correlation=correlation)
    assert got.power.value == pytest.approx(power(0.8, known), abs=0.03)
    assert got.false_positive.value == pytest.approx(0.05, abs=0.01)


def test_equivalence_is_read_off_the_interval():
    # The 90 % interval inside the margins is both one-sided tests at 5 %.
    layout = complete_blocks("ab", 12)
    question = Question(layout, (("b", "a"),), OWN, alpha=0.10, margin=0.5)
    got = simulate(question, PlainTrials(layout, (0, 0.05), (0.4, 0.4)), seed=13, most=20_000).contrasts[0]
    within = got.verdicts[Verdict.TOO_SMALL].value + got.verdicts[Verdict.NONE_WORTHWHILE].value
    known = precision(layout, "b", "a", 0.4, variance=OWN)
    assert within == pytest.approx(equivalence_power(0.05, 0.5, known), abs=4 * math.sqrt(0.25 / 20_000))


def test_holm_keeps_the_shared_error_rate_and_costs_power():
    layout = complete_blocks("abc", 8)
    pairs = (("b", "a"), ("c", "a"), ("b", "c"))
    trials = PlainTrials(layout, (0, 0.9, 0.9), (0.5, 0.5, 0.5))
    got = simulate(Question(layout, pairs, OWN), trials, seed=14, most=20_000)
    assert got.any_false_positive.value < 0.05
    first = got.contrasts[0]
    known = precision(layout, "b", "a", 0.5, variance=OWN)
    # Between its first step and no sharing at all.
    assert power(0.9, known, first_step(0.05, 3, Multiplicity.HOLM)) < first.power.value < power(0.9, known)
    assert first.power.value < got.any_power.value
    shared = simulate(Question(layout, pairs, OWN, family=6), trials, seed=14, most=20_000).contrasts[0]
    assert shared.power.value < first.power.value


def test_who_does_the_work_changes_nothing():
    layout = complete_blocks("abc", 6)
    question = Question(layout, (("b", "a"), ("c", "a")), OWN, margin=0.3)
    trials = PlainTrials(layout, (0, 0.5, 0.2), (0.4,) * 3, lost=0.1)
    alone = simulate(question, trials, seed=15, most=4_500, chunk=1_000)

    def last_first(work, numbers):
        """Chunks worked on from the last to the first, given in their order."""
        done = {number: work(number) for number in reversed(list(numbers))}
        return [done[number] for number in sorted(done)]

    assert simulate(question, trials, seed=15, most=4_500, chunk=1_000, spread_out=last_first) == alone
    with ThreadPoolExecutor(3) as pool:
        assert simulate(question, trials, seed=15, most=4_500, chunk=1_000, spread_out=pool.map) == alone
    assert alone.trials == 4_500
    assert simulate(question, trials, seed=16, most=4_500, chunk=1_000) != alone


def test_it_stops_when_sure_enough():
    layout = complete_blocks("ab", 8)
    question = Question(layout, (("b", "a"),), OWN)
    told = []
    got = simulate(
        question,
        PlainTrials(layout, (0, 0.5), (0.4, 0.4)),
        seed=17,
        most=100_000,
        error=0.01,
        chunk=500,
        progress=told.append,
    )
    assert got.contrasts[0].power.se <= 0.01
    assert got.trials == told[-1] < 3_000
    assert told == [500 * (n + 1) for n in range(len(told))]
    # 0.25 / 0.01^2 trials are enough for any power.
    assert got.trials <= 2_500 + 500


def test_a_share_never_seen_is_not_called_certain():
    layout = complete_blocks("ab", 4)
    question = Question(layout, (("b", "a"),), OWN)
    got = simulate(question, PlainTrials(layout, (0, 50.0), (0.4, 0.4)), seed=18, most=100)
    assert got.contrasts[0].power == Simulated(1.0, pytest.approx(math.sqrt(101 / 102 / 102 / 100)))


def test_lost_tanks_cost_power_and_some_trials_their_answer():
    layout = complete_blocks("ab", 3)
    question = Question(layout, (("b", "a"),), OWN)
    whole, lossy = (
        simulate(
            question, PlainTrials(layout, (0, 1.5), (0.3, 0.3), lost=lost), seed=19, most=5_000
        ).contrasts[0]
        for lost in (0.0, 0.3)
    )
    assert lossy.power.value < whole.power.value
    # An answer needs two whole pairs of three, each whole with probability 0.49.
    assert near(lossy.unanswered, 0.51**3 + 3 * 0.49 * 0.51**2)


def test_assurance_lies_between_the_powers_it_averages():
    # Power averaged over a normal belief about the effect, by quadrature of the formula.
    layout = complete_blocks("ab", 10)
    question = Question(layout, (("b", "a"),), OWN)
    known = precision(layout, "b", "a", 0.5, variance=OWN)
    nodes, weights = np.polynomial.hermite_e.hermegauss(40)
    expected = sum(
        w * power(0.6 + 0.3 * z, known) for z, w in zip(nodes, weights / weights.sum(), strict=True)
    )
    got = simulate(
        question, PlainTrials(layout, (0, 0.6), (0.5, 0.5), effect_sd=0.3), seed=20, most=20_000
    ).contrasts[0]
    assert near(got.power, expected)
    assert got.power.value < power(0.6, known) - 0.02
    unsure = PlainTrials(layout, (0, 0.6), (0.5, 0.5), sd_cv=0.5)
    drawn = unsure.draw(np.random.default_rng(21), 20_000)
    spread = np.nanstd(drawn.null, axis=1)
    assert np.std(np.log(spread)) == pytest.approx(
        math.hypot(math.sqrt(math.log1p(0.25)), 1 / math.sqrt(38)), rel=0.05
    )


def test_arms_without_effect_stay_without_in_any_belief():
    layout = parallel("abc", [3, 3, 3])
    drawn = PlainTrials(layout, (0, 1.0, 0), (1, 1, 1), effect_sd=0.5).draw(np.random.default_rng(22), 50)
    assert (drawn.effects[:, [0, 2]] == 0).all()
    assert drawn.effects[:, 1].std() > 0.3
    np.testing.assert_allclose(drawn.y - drawn.null, drawn.effects[:, layout.arm], atol=1e-12)


def test_tallies_join():
    layout = complete_blocks("ab", 5)
    question = Question(layout, (("b", "a"),), OWN, margin=0.2)
    drawn = [PlainTrials(layout, (0, 0.5), (0.4, 0.4)).draw(np.random.default_rng(n), 40) for n in (1, 2)]
    joined = tally(question, drawn[0]) + tally(question, drawn[1])
    assert joined.trials == 80
    found = joined.mean("share of found", 0).value
    assert found == pytest.approx(
        np.mean([tally(question, part).mean("share of found", 0).value for part in drawn])
    )


def test_nothing_to_do_is_refused():
    layout = complete_blocks("ab", 5)
    question = Question(layout, (("b", "a"),), OWN)
    with pytest.raises(AnalysisError, match="at least one trial"):
        simulate(question, PlainTrials(layout, (0, 1), (1, 1)), seed=1, most=0)
    with pytest.raises(AnalysisError, match="no trial"):
        simulate(question, PlainTrials(layout, (0, 1), (1, 1)), seed=1, spread_out=lambda _work, _numbers: [])


@pytest.mark.parametrize("layout", [parallel("abc", [6, 6, 6]), complete_blocks("abc", 5)])
def test_dunnett_keeps_its_level_and_has_its_power(layout):
    pairs = (("b", "a"), ("c", "a"))
    question = Question(layout, pairs, POOLED, multiplicity=Multiplicity.DUNNETT)
    got = simulate(question, PlainTrials(layout, (0, 0.9, 0.3), (0.5, 0.5, 0.5)), seed=24, most=20_000)
    assert near(got.any_false_positive, 0.05)
    known = precision(layout, "b", "a", 0.5, variance=POOLED)
    over = bar(0.05, Multiplicity.DUNNETT, layout, pairs, known.df)
    assert near(got.contrasts[0].power, power(0.9, known, critical=over.critical))
