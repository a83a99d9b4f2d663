"""Power by formula, against published tables and R's documentation, and against slower integrations."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import integrate, optimize, stats

from analysis.power import (
    Bar,
    bar,
    detectable,
    equivalence_power,
    first_step,
    half_width,
    noninferiority_power,
    power,
    smallest,
    smallest_randomisation_p,
    verdict_chances,
)
from analysis.precision import Precision, blocks, complete_blocks, crossover, parallel, precision
from schemas.errors import AnalysisError
from schemas.vocabulary import Multiplicity, Variance, Verdict


def two_sample(n1, n2=None):
    """Two groups with a common error, by sizes that need not be whole."""
    n2 = n2 or n1
    return Precision(math.sqrt(1 / n1 + 1 / n2), n1 + n2 - 2, 0)


def one_sample(n):
    return Precision(1 / math.sqrt(n), n - 1, 0)


# R power.t.test and power of package pwr (help pages), after Cohen 1988. R leaves the far tail out unless strict,
# which is 2e-7 here; ours counts both tails.
@pytest.mark.parametrize(
    ("got", "published", "within"),
    [
        (power(1, two_sample(20)), 0.8689530, 5e-8),
        (power(1, two_sample(20)), 0.8689528, 1e-6),
        (power(0.2, one_sample(60), 0.10), 0.4555818, 5e-8),
        (power(0.6, two_sample(90, 60), sides=1), 0.9737262, 5e-8),
    ],
)
def test_published_power(got, published, within):
    assert got == pytest.approx(published, abs=within)


# The size at which power is reached, unrounded (R power.t.test help).
@pytest.mark.parametrize(("sides", "published"), [(2, 22.02110), (1, 17.84713)])
def test_published_size(sides, published):
    size = optimize.brentq(lambda n: power(1, two_sample(n), sides=sides) - 0.9, 5, 100, xtol=1e-10)
    assert size == pytest.approx(published, abs=2e-5)


# Cohen 1988 rounds: he prints 393, 526, 85 where "at least" gives 394, 527, 86.
@pytest.mark.parametrize(
    ("of_size", "effect", "wanted", "cohen", "at_least"),
    [
        (two_sample, 0.2, 0.80, 393, 394),
        (two_sample, 0.5, 0.80, 64, 64),
        (two_sample, 0.8, 0.80, 26, 26),
        (two_sample, 0.2, 0.90, 526, 527),
        (two_sample, 0.5, 0.90, 85, 86),
        (two_sample, 0.8, 0.90, 34, 34),
        (one_sample, 0.2, 0.80, 199, 199),
        (one_sample, 0.5, 0.80, 34, 34),
        (one_sample, 0.8, 0.80, 15, 15),
        (one_sample, 1.0, 0.80, 10, 10),
    ],
)
def test_smallest_size_that_reaches_the_power(of_size, effect, wanted, cohen, at_least):
    got = smallest(lambda n: power(effect, of_size(n)) >= wanted, start=2)
    assert got == at_least
    assert abs(got - cohen) <= 1


def test_smallest_says_when_nothing_reaches():
    assert smallest(lambda n: n > 10**9, most=1000) is None
    assert smallest(lambda n: n >= 7) == 7
    assert smallest(lambda _: True, start=3) == 3


# NIST e-Handbook 7.2.2.2: one-sided, one standard deviation, alpha 0.05, power 0.90: the normal formula gives 9 and
# one step with t 11; exact noncentral t gives 0.89752 at 10 and 0.92449 at 11.
@pytest.mark.parametrize(("n", "expected"), [(10, 0.89752), (11, 0.92449)])
def test_one_sided_one_sample(n, expected):
    assert power(1, one_sample(n), sides=1) == pytest.approx(expected, abs=5e-6)


# Bioequivalence in a 2x2 crossover, limits 0.80 to 1.25, alpha 0.05: exact power by Owen's Q, published tables of
# sample size (total n). CV, true ratio, n, power; the last five from memory.
@pytest.mark.parametrize(
    ("cv", "ratio", "n", "published"),
    [
        (0.30, 0.95, 40, 0.815845),
        (0.20, 0.95, 20, 0.834680),
        (0.25, 0.95, 28, 0.807439),
        (0.15, 0.95, 12, 0.830516),
        (0.35, 0.95, 52, 0.807470),
        (0.20, 1.00, 16, 0.833200),
        (0.30, 1.00, 32, 0.815152),
        (0.10, 0.95, 8, 0.915546),
    ],
)
def test_exact_power_of_two_one_sided_tests(cv, ratio, n, published):
    layout = crossover("RT", ["RT", "TR"] * (n // 2))
    known = precision(layout, "T", "R", math.sqrt(math.log1p(cv**2)), variance=Variance.POOLED)
    assert equivalence_power(math.log(ratio), math.log(1.25), known) == pytest.approx(published, abs=5e-7)


def test_equivalence_without_enough_precision_is_impossible():
    # The interval is nearly always wider than the margins: power stays below the level.
    assert equivalence_power(0, 0.2, Precision(0.4, 4, 5)) < 0.02


def test_noninferiority_is_a_shifted_one_sided_test():
    known = two_sample(30)
    assert noninferiority_power(0, 0.5, known) == pytest.approx(power(0.5, known, sides=1))
    assert noninferiority_power(-0.5, 0.5, known) == pytest.approx(0.05)


@settings(max_examples=25, deadline=None)
@given(effect=st.floats(-1, 1), df=st.sampled_from([1, 2, 5, 11, 40]), se=st.floats(0.05, 0.6))
def test_verdicts_share_out_all_probability_and_agree_with_power(effect, df, se):
    known = Precision(se, df, df + 1)
    chances = verdict_chances(effect, 0.3, known)
    assert sum(chances.values()) == pytest.approx(1, abs=1e-9)
    differs = chances[Verdict.WORTHWHILE] + chances[Verdict.TOO_SMALL] + chances[Verdict.UNSETTLED_SIZE]
    assert differs == pytest.approx(power(effect, known), abs=1e-9)
    within = chances[Verdict.TOO_SMALL] + chances[Verdict.NONE_WORTHWHILE]
    assert within == pytest.approx(equivalence_power(effect, 0.3, known, 0.025), abs=1e-9)


@pytest.mark.parametrize("df", [1, 3, 12])
def test_interval_width_by_a_slower_integral(df):
    known = Precision(0.2, df, df + 1)
    limit = stats.t.ppf(0.975, df) * 0.2
    mean, _ = integrate.quad(lambda q: math.sqrt(q / df) * stats.chi2.pdf(q, df), 0, np.inf)
    assert half_width(known) == pytest.approx(limit * mean, rel=1e-7)
    assured = half_width(known, assurance=0.8)
    assert stats.chi2.cdf(df * (assured / limit) ** 2, df) == pytest.approx(0.8, abs=1e-9)


# An independent way to a covariate's cost: t of the chance imbalance, in 200 equally likely slices.
@pytest.mark.parametrize("df", [2, 5, 10])
def test_chance_imbalance_of_a_covariate_is_averaged_over(df):
    known = Precision(0.3, df, df + 2, covariate=True)
    t = stats.t.ppf((np.arange(200) + 0.5) / 200, df + 1)
    plain = [Precision(se, df, 0) for se in 0.3 * np.sqrt(1 + t**2 / (df + 1))]
    assert power(1.0, known) == pytest.approx(np.mean([power(1.0, p) for p in plain]), abs=5e-4)
    assert half_width(known) == pytest.approx(np.mean([half_width(p) for p in plain]), rel=0.01)
    assert half_width(known, assurance=0.9) > half_width(Precision(0.3, df, 0), assurance=0.9)


def test_assured_width_with_a_covariate_keeps_its_promise():
    known = Precision(0.3, 6, 8, covariate=True)
    width = half_width(known, assurance=0.8)
    rng = np.random.default_rng(3)
    t, chi = rng.standard_t(7, 200_000), rng.chisquare(6, 200_000)
    drawn = stats.t.ppf(0.975, 6) * 0.3 * np.sqrt(1 + t**2 / 7) * np.sqrt(chi / 6)
    assert np.mean(drawn <= width) == pytest.approx(0.8, abs=0.004)


def test_power_without_effect_is_alpha():
    for known in (two_sample(7), Precision(0.3, 4, 6, covariate=True)):
        assert power(0, known, 0.03) == pytest.approx(0.03, rel=1e-9)


@pytest.mark.parametrize("covariate", [False, True])
def test_detectable_effect_has_the_wanted_power(covariate):
    known = Precision(0.1, 9, 10, covariate)
    effect = detectable(0.8, known)
    assert power(effect, known) == pytest.approx(0.8, abs=1e-9)
    with pytest.raises(AnalysisError, match="between alpha"):
        detectable(0.01, known)


def test_critical_value_in_place_of_the_level():
    known = two_sample(12)
    limit = stats.t.ppf(0.975, 22)
    assert power(0.9, known, critical=limit) == pytest.approx(power(0.9, known), rel=1e-12)
    assert power(0.9, known, critical=2.5) < power(0.9, known)


def test_sharing_the_error_rate():
    assert first_step(0.05, 3, Multiplicity.HOLM) == pytest.approx(0.05 / 3)
    assert first_step(0.05, 3, Multiplicity.FIXED_ORDER) == 0.05
    assert first_step(0.05, 3, Multiplicity.NONE) == 0.05
    with pytest.raises(AnalysisError, match="one comparison or more"):
        first_step(0.05, 0, Multiplicity.HOLM)


# Counts of allocations: 2^5 for five pairs, C(6,3) for three against three; unequal arms have no mirror image.
@pytest.mark.parametrize(
    ("layout", "p"),
    [
        (complete_blocks("abc", 5), 2 / 32),
        (complete_blocks("abc", 6), 2 / 64),
        (parallel("ab", [3, 3]), 2 / 20),
        (parallel("ab", [2, 4]), 1 / 15),
        (blocks("abc", ["aab", "abc", "ac"]), 1 / (3 * 2)),
        (complete_blocks("ab", 1), 1.0),
    ],
)
def test_smallest_p_of_a_redraw(layout, p):
    assert smallest_randomisation_p(layout, "b", "a") == pytest.approx(p)


# Facts of planning in the trade: 15.7 s^2/d^2 tanks an arm by the normal formula, to which t adds one or two.
@pytest.mark.parametrize(("sd", "ratio", "normal"), [(0.5, 0.6, 15.04), (0.5, 0.5, 8.17), (0.35, 0.6, 7.37)])
def test_normal_formula_is_one_or_two_short(sd, ratio, normal):
    effect = abs(math.log(ratio))
    assert 2 * (1.96 + 0.84) ** 2 * sd**2 / effect**2 == pytest.approx(normal, abs=0.02)
    got = smallest(
        lambda n: (
            power(effect, precision(parallel("ab", [n, n]), "b", "a", sd, variance=Variance.OWN)) >= 0.8
        ),
        start=2,
    )
    assert 0 < got - normal < 2.5


# Dunnett 1964, Biometrics 20:482, two-sided 5 % points for two arms against a control, from memory.
@pytest.mark.parametrize(("tanks", "df", "published"), [(5, 12, 2.50), (11, 30, 2.32)])
def test_dunnett_bar(tanks, df, published):
    layout = parallel("abc", [tanks] * 3)
    got = bar(0.05, Multiplicity.DUNNETT, layout, [("b", "a"), ("c", "a")], df)
    assert got.critical == pytest.approx(published, abs=0.005)
    # Two primary endpoints share by Bonferroni.
    shared = bar(0.05, Multiplicity.DUNNETT, layout, [("b", "a"), ("c", "a")], df, family=4)
    alone = bar(0.025, Multiplicity.DUNNETT, layout, [("b", "a"), ("c", "a")], df)
    assert shared == alone
    assert bar(0.05, Multiplicity.HOLM, layout, [("b", "a"), ("c", "a")], df, family=4) == Bar(0.0125)
