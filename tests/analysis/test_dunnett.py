"""Many-to-one comparisons: Dunnett's blood counts and tables, scipy, and the two ways of integrating."""

import itertools

import numpy as np
import pytest
from scipy import special, stats

import analysis.dunnett
from analysis.dunnett import adjusted_p, critical_value, probability, product_loadings
from analysis.linear_model import LinearModel, TankData

CONTROL = [7.40, 8.50, 7.20, 8.24, 9.84, 8.32]
DRUG_A = [9.76, 8.80, 7.68, 9.36]
DRUG_B = [12.80, 9.68, 12.16, 9.20, 10.55]


def blood_counts():
    y = np.array(CONTROL + DRUG_A + DRUG_B)
    arm = np.repeat([0, 1, 2], [6, 4, 5])
    return TankData(y, arm, np.zeros(15, dtype=int), ("control", "A", "B"), None, blocked=False)


def equal(k, r=0.5):
    return np.full((k, k), r) + (1 - r) * np.eye(k)


def any_correlation(seed, k):
    x = np.random.default_rng(seed).normal(size=(k, k + 2))
    raw = x @ x.T
    return raw / np.sqrt(np.outer(np.diagonal(raw), np.diagonal(raw)))


def test_blood_counts():
    """Dunnett (1955) JASA 50:1096; statistics and p as in scipy's tutorial, from memory; p there are sampled."""
    data = blood_counts()
    pairs = [(1, 0), (2, 0)]
    fits = [LinearModel(data).contrast(*pair, 0.95) for pair in pairs]
    t = np.array([fit.t for fit in fits])
    assert t == pytest.approx([0.85703213, 3.69375231], abs=5e-9)
    assert (fits[0].standardiser, fits[0].df) == (pytest.approx(1.17496, abs=5e-6), 12)
    matrix = LinearModel(data).correlation(pairs)
    p = adjusted_p(t, matrix, 12.0)
    assert p == pytest.approx([0.620, 0.0059], abs=2e-4)
    assert p == pytest.approx(stats.dunnett(DRUG_A, DRUG_B, control=CONTROL, rng=1).pvalue, abs=2e-4)
    # The interval of B against control in the tutorial, from memory; its critical value is sampled as well.
    half = critical_value(matrix, 12.0, 0.95) * fits[1].se
    assert (fits[1].estimate - half, fits[1].estimate + half) == pytest.approx((0.8390, 4.4170), abs=1.5e-3)


# Dunnett (1964) Biometrics 20:482, two-sided 5%: test arms, degrees of freedom; from memory.
TWO_SIDED = {
    (1, 10): 2.23,
    (2, 5): 3.03,
    (2, 10): 2.57,
    (3, 10): 2.76,
    (4, 10): 2.89,
    (2, 20): 2.38,
    (3, 20): 2.54,
    (5, 20): 2.73,
    (9, 20): 2.95,
    (2, 60): 2.27,
    (3, np.inf): 2.35,
    (9, np.inf): 2.69,
}
# Dunnett (1955), one-sided 5%, read in a textbook's reprint of his table: test arms, degrees of freedom.
ONE_SIDED = {
    (2, 5): 2.44,
    (3, 6): 2.56,
    (6, 8): 2.74,
    (8, 11): 2.72,
    (12, 15): 2.77,
    (15, 20): 2.77,
    (20, 40): 2.75,
    (5, 60): 2.28,
    (20, np.inf): 2.64,
}
TABLES = [(True, *at, value) for at, value in TWO_SIDED.items()]
TABLES += [(False, *at, value) for at, value in ONE_SIDED.items()]


@pytest.mark.parametrize(("two_sided", "arms", "df", "printed"), TABLES)
def test_tables(two_sided, arms, df, printed):
    got = critical_value(equal(arms), df, 0.95, two_sided=two_sided)
    assert got == pytest.approx(printed, abs=0.0051)
    assert probability(got, equal(arms), df, two_sided=two_sided) == pytest.approx(0.95, abs=1e-9)


def test_one_comparison_is_students_t():
    one = np.ones((1, 1))
    assert critical_value(one, 7.0, 0.95) == pytest.approx(stats.t.ppf(0.975, 7), rel=1e-12)
    assert adjusted_p(np.array([2.3]), one, 7.0) == pytest.approx(2 * stats.t.sf(2.3, 7), abs=1e-9)
    assert adjusted_p(np.array([-2.3]), one, np.inf, two_sided=False) == pytest.approx(
        stats.norm.cdf(2.3), abs=1e-9
    )


@pytest.mark.parametrize("df", [1.0, 2.5, 8.0, 40.0])
def test_product_by_another_rule(df):
    """The double integral as Dunnett wrote it, over s itself and on Gauss-Legendre nodes."""
    loadings = np.array([0.8, 0.3, -0.6])
    matrix = np.outer(loadings, loadings)
    np.fill_diagonal(matrix, 1.0)
    nodes, weights = np.polynomial.legendre.leggauss(300)
    top = np.sqrt(stats.chi2.isf(1e-13, df) / df)
    # A square takes the sting out of a density that starts like a fractional power.
    root = (1 + nodes) / 2
    s, ds = top * root**2, top * root * weights
    z, dz = 8 * nodes, 8 * weights * stats.norm.pdf(8 * nodes)
    drift = loadings * z[:, None, None]
    own = np.sqrt(1 - loadings**2)
    ends = [special.ndtr((side * 2.4 * s[:, None] - drift) / own) for side in (1, -1)]
    inside = dz @ (ends[0] - ends[1]).prod(axis=2)
    wanted = (ds * 2 * df * s * stats.chi2.pdf(df * s**2, df)) @ inside
    assert probability(2.4, matrix, df) == pytest.approx(wanted, abs=1e-8)


@pytest.mark.parametrize(("k", "r"), [(2, 0.5), (3, 0.5), (3, 0.9), (4, 0.2)])
@pytest.mark.parametrize("two_sided", [True, False])
def test_the_two_ways_of_integrating_agree(k, r, two_sided, monkeypatch):
    wanted = [probability(b, equal(k, r), 9.0, two_sided=two_sided) for b in (0.8, 2.5, 4.5)]
    monkeypatch.setattr(analysis.dunnett, "product_loadings", lambda _: None)
    got = [probability(b, equal(k, r), 9.0, two_sided=two_sided) for b in (0.8, 2.5, 4.5)]
    assert got == pytest.approx(wanted, abs=1e-6)


def test_on_a_lattice_beyond_five(monkeypatch):
    wanted = probability(2.6, equal(7), 12.0)
    monkeypatch.setattr(analysis.dunnett, "product_loadings", lambda _: None)
    assert probability(2.6, equal(7), 12.0) == pytest.approx(wanted, abs=1e-4)


@pytest.mark.parametrize("seed", range(3))
def test_any_correlation_against_scipy(seed):
    matrix = any_correlation(seed, 3)
    law = stats.multivariate_t(np.zeros(3), matrix, df=6)
    wanted = law.cdf(np.full(3, 2.2), lower_limit=np.full(3, -2.2), maxpts=400_000, random_state=1)
    assert probability(2.2, matrix, 6.0) == pytest.approx(wanted, abs=1e-4)


def test_two_of_any_correlation_against_scipy():
    for r in (-0.7, 0.0, 0.95):
        matrix = equal(2, r)
        law = stats.multivariate_normal(np.zeros(2), matrix)
        signs = list(itertools.product([1, -1], repeat=2))
        wanted = sum(np.prod(sign) * law.cdf(1.9 * np.array(sign)) for sign in signs)
        assert probability(1.9, matrix, np.inf) == pytest.approx(wanted, abs=1e-7)


def test_loadings():
    truth = np.array([0.9, -0.5, 0.3, 0.7])
    matrix = np.outer(truth, truth)
    np.fill_diagonal(matrix, 1.0)
    got = product_loadings(matrix)
    assert got * np.sign(got[0]) == pytest.approx(truth, rel=1e-9)
    assert product_loadings(any_correlation(0, 4)) is None
    negative = np.array([[1, 0.5, 0.5], [0.5, 1, -0.4], [0.5, -0.4, 1]])
    assert product_loadings(negative) is None


def test_adjusted_p_stands_between_alone_and_bonferroni():
    t = np.array([0.0, 1.5, -3.0, 60.0])
    matrix = any_correlation(4, 4)
    got, alone = adjusted_p(t, matrix, 11.0), 2 * stats.t.sf(np.abs(t), 11)
    assert (got >= alone).all()
    assert (got <= np.minimum(4 * alone, 1)).all()
    assert got[0] == 1
    assert 0 < got[3] < 1e-12
    own = adjusted_p(t, matrix, np.array([11.0, 5.0, 11.0, 11.0]))
    assert own[[0, 2, 3]] == pytest.approx(got[[0, 2, 3]], rel=1e-12)
    assert own[1] > got[1]


def test_correlation_is_that_of_the_estimates():
    """Ragged blocks with a covariate."""
    rng = np.random.default_rng(6)
    arm = np.array([0, 1, 2, 0, 1, 3, 0, 2, 3, 1, 2, 3, 0, 1, 2, 3, 0, 0])
    block = np.array([0, 0, 0, 1, 1, 1, 2, 2, 2, 3, 3, 3, 4, 4, 4, 4, 5, 5])
    data = TankData(np.zeros(18), arm, block, ("c", "a", "b", "d"), rng.normal(size=18), blocked=True)
    pairs = [(1, 0), (2, 0), (3, 0)]
    # Estimates are linear in the numbers: their weights, one tank at a time, give the correlation exactly.
    weights = np.array(
        [
            [LinearModel(data.with_y(row)).contrast(*pair, 0.95).estimate for row in np.eye(18)]
            for pair in pairs
        ]
    )
    covariance = weights @ weights.T
    wanted = covariance / np.sqrt(np.outer(np.diagonal(covariance), np.diagonal(covariance)))
    assert LinearModel(data).correlation(pairs) == pytest.approx(wanted, abs=1e-9)
