"""Random blocks by REML and Kenward-Roger: published fits, exact cases, and a naive dense second implementation."""

import numpy as np
import pytest
import statsmodels.api as sm
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import optimize, stats

from analysis.linear_model import LinearModel, TankData
from analysis.mixed_model import MixedModel, RandomBlocks
from schemas.errors import AnalysisError


def table(text):
    return np.array([[float(v) for v in row.split()] for row in text.split("/")])


def blocks(values, arms="ABCDEFGH"):
    """Tank data of a table with one row a block and one column an arm; NaN is a missing tank."""
    block, arm = np.nonzero(np.isfinite(values))
    names = tuple(arms[: values.shape[1]])
    return TankData(values[block, arm], arm, block, names, None, blocked=True)


# Pinheiro and Bates (2000), Mixed-Effects Models in S and S-PLUS, section 1.2: efforts to rise from four stools.
ERGO = table(
    "12 15 12 10 / 10 14 13 12 / 7 14 13 9 / 7 11 10 9 / 8 11 8 7 / 9 11 11 10 / 8 12 12 11 / 7 11 8 7 / 9 13 10 8"
)
# Box, Hunter and Hunter (1978): boys' shoes, materials A and B.
SHOES = np.column_stack(
    [
        [13.2, 8.2, 10.9, 14.3, 10.7, 6.6, 9.5, 10.8, 8.8, 13.3],
        [14.0, 8.8, 11.2, 14.2, 11.8, 6.4, 9.8, 11.3, 9.3, 13.6],
    ]
)
# Montgomery, Design and Analysis of Experiments: catalysts (columns) in incomplete blocks of batches (rows).
NO = np.nan
CATALYST = np.array([[73, NO, 73, 75], [74, 75, 75, NO], [NO, 67, 68, 72], [71, 72, NO, 75]], dtype=float)


def test_ergo_stool_by_reml():
    # Pinheiro and Bates (2000), section 1.2 (digits as printed, quoted from memory).
    fit = RandomBlocks(blocks(ERGO))
    assert np.sqrt(fit.model.variances["block"]) == pytest.approx(1.332465, abs=5e-7)
    assert np.sqrt(fit.model.residual_variance) == pytest.approx(1.100295, abs=6e-7)
    assert fit.model.log_likelihood == pytest.approx(-60.56539, abs=6e-6)
    for arm, effect in ((1, 3.88889), (2, 2.22222), (3, 0.66667)):
        contrast = fit.contrast(arm, 0, 0.95)
        assert contrast.estimate == pytest.approx(effect, abs=6e-6)
        assert contrast.se == pytest.approx(0.5187, abs=5e-5)
        assert contrast.df == pytest.approx(24, abs=1e-8)
    omnibus = fit.omnibus()
    assert omnibus.f == pytest.approx(22.3556, abs=5e-5)
    assert (omnibus.df1, omnibus.df2) == pytest.approx((3, 24), abs=1e-7)


def test_boys_shoes_with_two_shoes_lost():
    # Halekoh and Hojsgaard, introduction to the R package pbkrtest 0.5.3 (read in its documentation): boys' shoes,
    # complete (F 11.215, 9 df, p 0.008539), and without material A of boy 1 and B of boy 2.
    whole = RandomBlocks(blocks(SHOES)).contrast(1, 0, 0.95)
    assert (whole.t**2, whole.df, whole.p) == pytest.approx((11.215, 9.0, 0.008539), rel=5e-5)
    ragged = SHOES.copy()
    ragged[0, 0] = ragged[1, 1] = np.nan
    fit = RandomBlocks(blocks(ragged)).contrast(1, 0, 0.95)
    assert fit.t**2 == pytest.approx(5.9893, abs=5e-5)
    assert fit.df == pytest.approx(7.021904, abs=1e-6)
    assert fit.p == pytest.approx(0.04418, abs=5e-6)
    assert fit.n == 18


# Goos and Jones (2011), Optimal Design of Experiments, chapter 7: pastry dough, seven days of four runs.
# Columns: day, flow rate, moisture, screw speed (all coded -1, 0, 1), expansion index.
PASTRY = table(
    """1 -1 -1 -1 15.6 / 1 1 -1 1 15.7 / 1 0 0 0 11.2 / 1 1 1 -1 13.4 / 2 0 1 -1 13.6 / 2 1 1 1 15.9 / 2 1 -1 0 16.2
    / 2 -1 0 1 13.2 / 3 0 -1 -1 12.5 / 3 1 0 1 14 / 3 1 1 -1 11.9 / 3 -1 1 0 9.2 / 4 -1 -1 -1 13.7 / 4 1 -1 1 17.2
    / 4 -1 1 1 11.7 / 4 0 0 0 11.9 / 5 1 1 0 10.9 / 5 -1 0 -1 9.5 / 5 0 -1 1 14.7 / 5 -1 1 1 11.9 / 6 -1 -1 1 15.2
    / 6 1 -1 -1 16 / 6 1 1 1 15.1 / 6 -1 1 -1 9.1 / 7 -1 -1 0 15.6 / 7 0 1 1 14 / 7 -1 1 -1 11.6 / 7 1 0 -1 14.2"""
)
# R lmerTest, Kenward-Roger, read in the tests of the Julia package MixedModelsSmallSample: estimate, se, df.
PASTRY_R = [
    (11.3844051286165, 0.658534445673044, 17.9081871339357),
    (1.01038896027136, 0.206295357737288, 12.3526285829433),
    (-1.471738196107, 0.20426517484691, 12.3156273759996),
    (0.726682072878481, 0.206295357737288, 12.3526285829433),
    (0.327581807478654, 0.438685368048047, 12.1589854691269),
    (1.30258180747866, 0.438685368048047, 12.1589854691269),
    (1.05258180747865, 0.438685368048047, 12.1589854691269),
    (0.423845176568154, 0.223965020958373, 12.1401601758639),
    (-0.0701332513194276, 0.221216087020783, 12.0918611993801),
    (0.211154823431846, 0.223965020958373, 12.1401601758639),
]


def test_pastry_dough_against_r():
    day, flow, moist, speed, y = PASTRY.T
    columns = [
        flow**0,
        flow,
        moist,
        speed,
        flow**2,
        moist**2,
        speed**2,
        flow * moist,
        flow * speed,
        moist * speed,
    ]
    model = MixedModel(y, np.column_stack(columns), {"day": day.astype(int)})
    for row, published in zip(np.eye(10), PASTRY_R, strict=True):
        assert model.fixed.estimate(row) == pytest.approx(published, rel=1e-6)


# Goos and Jones (2011), chapter 11: battery cells, 16 whole plots by 6 subplots, both random. A row a whole plot:
# four factors, whether its subplots are 1 to 3 (0) or 4 to 6 (1), three voltages.
BATTERY = table(
    """-1 -1 1 1 0 55 26 26 / 1 -1 -1 -1 1 28 9 12 / -1 -1 -1 -1 0 49 17 8 / 1 1 -1 1 1 28 14 15
    / -1 1 -1 1 0 53 27 24 / 1 -1 1 1 1 43 29 26 / 1 -1 -1 1 0 51 14 18 / 1 1 1 -1 1 40 11 12
    / 1 1 1 1 0 38 16 24 / -1 1 -1 -1 1 41 19 5 / 1 -1 1 -1 0 44 12 15 / -1 1 1 1 1 52 27 5
    / -1 1 1 -1 0 60 19 11 / -1 -1 1 -1 1 44 10 7 / 1 1 -1 -1 0 39 4 5 / -1 -1 -1 1 1 49 24 17"""
)
# As above: R lmerTest, Kenward-Roger; estimate, se, df.
BATTERY_R = {
    "intercept": (30.25, 1.22119335418264, 3.32665177707565),
    "1": (-3.4375, 1.04555958848939, 4.27590652316292),
    "6": (-14.375, 0.907296416783894, 1.35167898637679),
    "12": (-1.375, 1.02272431633727, 3.91467484989779),
    "15": (-2.22457779235421, 0.653731496651909, 21.7001729623983),
    "16": (2.3125, 0.651972723885855, 20.0390988965691),
    "56": (2.60810377847084, 1.04091408776883, 1.58890753273538),
}


def test_two_random_groupings_against_r():
    whole = np.repeat(np.arange(16), 3)
    x = dict(zip("1234", np.repeat(BATTERY[:, :4], 3, axis=0).T, strict=True))
    second = np.repeat(BATTERY[:, 4], 3).astype(int)
    place = np.tile(np.arange(3), 16)
    x["5"] = np.where(place == 0, np.where(second == 1, 1, -1), np.where(place == 1, 1, -1))
    x["6"] = np.where(place == 0, -1, 1)
    names = ["intercept", *"123456", "12", "13", "14", "15", "16", "23", "24", "25", "26", "34", "35", "36"]
    names += ["45", "46", "56"]
    columns = [
        np.ones(48) if name == "intercept" else np.prod([x[factor] for factor in name], axis=0)
        for name in names
    ]
    model = MixedModel(
        BATTERY[:, 5:].ravel(), np.column_stack(columns), {"whole": whole, "subplot": 3 * second + place}
    )
    for name, published in BATTERY_R.items():
        row = (np.array(names) == name).astype(float)
        # R stopped its search for the variances at about four digits here.
        assert model.fixed.estimate(row) == pytest.approx(published, rel=3e-4)


def random_data(rng, n_blocks=8, arms=3, spread=1.0):
    values = rng.normal(size=(n_blocks, arms)) + spread * rng.normal(size=(n_blocks, 1)) + np.arange(arms)
    values[rng.random(values.shape) < 0.2] = np.nan
    return blocks(values)


def naive_deviance(theta, y, x, z):
    v = theta[0] * np.eye(len(y)) + sum(t * zj @ zj.T for t, zj in zip(theta[1:], z, strict=True))
    inverse = np.linalg.inv(v)
    information = x.T @ inverse @ x
    r = y - x @ np.linalg.solve(information, x.T @ inverse @ y)
    constant = (len(y) - x.shape[1]) * np.log(2 * np.pi)
    return constant + np.linalg.slogdet(v)[1] + np.linalg.slogdet(information)[1] + r @ inverse @ r


def naive_kenward_roger(theta, y, x, z, rows):
    """Literal formulas of Kenward and Roger (1997, section 2 and 3), every derivative by differences."""

    def v(t):
        return t[0] * np.eye(len(y)) + sum(ti * zj @ zj.T for ti, zj in zip(t[1:], z, strict=True))

    def inverse(t):
        return np.linalg.inv(v(t))

    def projector(t):
        i = inverse(t)
        return i - i @ x @ np.linalg.inv(x.T @ i @ x) @ x.T @ i

    def slope(function, i):
        h = 1e-4 * max(theta[i], 0.1)
        step = h * (np.arange(len(theta)) == i)
        return (8 * (function(theta + step) - function(theta - step))
                - (function(theta + 2 * step) - function(theta - 2 * step))) / (12 * h)  # fmt: skip

    k = range(len(theta))
    vi = inverse(theta)
    phi = np.linalg.inv(x.T @ vi @ x)
    dv = [slope(inverse, i) for i in k]
    dp = [slope(projector, i) for i in k]
    w = np.linalg.inv([[np.trace(dp[i] @ v(theta) @ dp[j] @ v(theta)) / 2 for j in k] for i in k])
    p = [x.T @ dv[i] @ x for i in k]
    q = [[x.T @ dv[i] @ v(theta) @ dv[j] @ x for j in k] for i in k]
    middle = sum(w[i, j] * (q[i][j] - p[i] @ phi @ p[j]) for i in k for j in k)
    adjusted = phi + 2 * phi @ middle @ phi
    b = phi @ x.T @ vi @ y
    count = len(rows)
    lb = rows @ b
    f = lb @ np.linalg.solve(rows @ adjusted @ rows.T, lb) / count
    theta_matrix = rows.T @ np.linalg.inv(rows @ phi @ rows.T) @ rows
    t = [theta_matrix @ phi @ p[i] @ phi for i in k]
    a1 = sum(w[i, j] * np.trace(t[i]) * np.trace(t[j]) for i in k for j in k)
    a2 = sum(w[i, j] * np.trace(t[i] @ t[j]) for i in k for j in k)
    big_b = (a1 + 6 * a2) / (2 * count)
    g = ((count + 1) * a1 - (count + 4) * a2) / ((count + 2) * a2)
    c1 = g / (3 * count + 2 * (1 - g))
    c2 = (count - g) / (3 * count + 2 * (1 - g))
    c3 = (count + 2 - g) / (3 * count + 2 * (1 - g))
    mean = 1 / (1 - a2 / count)
    variance = 2 / count * (1 + c1 * big_b) / ((1 - c2 * big_b) ** 2 * (1 - c3 * big_b))
    rho = variance / (2 * mean**2)
    m = 4 + (count + 2) / (count * rho - 1)
    return b, adjusted, m / (mean * (m - 2)) * f, m


@pytest.mark.parametrize("seed", range(6))
def test_ragged_blocks_against_the_naive_implementation(seed):
    rng = np.random.default_rng(seed)
    data = random_data(rng, spread=(1.0, 0.5, 2.0)[seed % 3])
    fit = RandomBlocks(data)
    x = (data.arm[:, None] == np.arange(3)).astype(float)
    z = [(data.block[:, None] == np.unique(data.block)).astype(float)]
    theta = np.array([fit.model.residual_variance, fit.model.variances["block"]])
    assert fit.model.log_likelihood == pytest.approx(-naive_deviance(theta, data.y, x, z) / 2, rel=1e-10)
    found = optimize.minimize(
        lambda t: naive_deviance(t**2, data.y, x, z), [1.0, 1.0], method="Nelder-Mead",
        options={"xatol": 1e-9, "fatol": 1e-12, "maxiter": 4000},
    )  # fmt: skip
    assert theta == pytest.approx(found.x**2, rel=1e-5, abs=1e-9)
    single = np.array([[-1.0, 1.0, 0.0]])
    b, adjusted, _, df = naive_kenward_roger(theta, data.y, x, z, single)
    contrast = fit.contrast(1, 0, 0.9)
    assert contrast.estimate == pytest.approx((single @ b)[0], rel=1e-6)
    assert contrast.se == pytest.approx(np.sqrt(single @ adjusted @ single.T)[0, 0], rel=1e-6)
    assert contrast.df == pytest.approx(df, rel=1e-5)
    assert contrast.high - contrast.low == pytest.approx(2 * stats.t.ppf(0.95, df) * contrast.se, rel=1e-5)
    rows = np.array([[-1.0, 1.0, 0.0], [-1.0, 0.0, 1.0]])
    _, _, f, df2 = naive_kenward_roger(theta, data.y, x, z, rows)
    omnibus = fit.omnibus()
    assert (omnibus.f, omnibus.df2) == pytest.approx((f, df2), rel=1e-5)
    assert omnibus.p == pytest.approx(stats.f.sf(f, 2, df2), rel=1e-5)


@pytest.mark.parametrize("seed", range(3))
def test_two_groupings_against_the_naive_likelihood(seed):
    rng = np.random.default_rng(100 + seed)
    one, two = rng.integers(0, 6, 40), rng.integers(0, 5, 40)
    x = np.column_stack([np.ones(40), rng.normal(size=40)])
    y = rng.normal(size=6)[one] + rng.normal(size=5)[two] + rng.normal(size=40)
    model = MixedModel(y, x, {"one": one, "two": two})
    z = [(codes[:, None] == np.unique(codes)).astype(float) for codes in (one, two)]
    found = optimize.minimize(
        lambda t: naive_deviance(t**2, y, x, z), [1.0, 1.0, 1.0], method="Nelder-Mead",
        options={"xatol": 1e-9, "fatol": 1e-12, "maxiter": 4000},
    )  # fmt: skip
    theta = np.array([model.residual_variance, *model.variances.values()])
    assert theta == pytest.approx(found.x**2, rel=1e-5, abs=1e-8)
    _, adjusted, _, df = naive_kenward_roger(theta, y, x, z, np.array([[0.0, 1.0]]))
    assert model.fixed.estimate(np.array([0.0, 1.0]))[1:] == pytest.approx(
        (np.sqrt(adjusted[1, 1]), df), rel=1e-5
    )


def test_statsmodels_finds_the_same_optimum():
    data = random_data(np.random.default_rng(11), n_blocks=15)
    x = (data.arm[:, None] == np.arange(3)).astype(float)
    theirs = sm.MixedLM(data.y, x, groups=data.block).fit(reml=True, method="lbfgs")
    ours = RandomBlocks(data).model
    assert ours.log_likelihood == pytest.approx(theirs.llf, abs=1e-6)
    assert ours.residual_variance == pytest.approx(theirs.scale, rel=1e-4)
    assert ours.variances["block"] == pytest.approx(theirs.cov_re[0, 0], rel=1e-3)
    assert ours.contrast(np.array([-1.0, 1.0]), 0.95, 1).estimate == pytest.approx(
        theirs.fe_params[1] - theirs.fe_params[0], rel=1e-4
    )


def test_inter_block_information_is_recovered():
    # Cross-check, not published: the combined estimate is the intra-block and the inter-block one weighted by
    # their information, with the weights that follow from the two variances (Yates 1940).
    data = blocks(CATALYST)
    fit = RandomBlocks(data)
    residual, block = fit.model.residual_variance, fit.model.variances["block"]
    intra = LinearModel(data)
    totals = np.nansum(CATALYST, axis=1)
    incidence = np.isfinite(CATALYST).astype(float)
    inter = np.linalg.lstsq(incidence, totals, rcond=None)[0]
    # Information on a difference of arms a, b over a BIBD with r = k = 3, lambda = 2, v = 4.
    information = np.array([2 * 4 / 3 / residual, (3 - 2) / (3 * residual + 9 * block)])
    for arm in (1, 2, 3):
        both = np.array([intra.contrast(arm, 0, 0.95).estimate, inter[arm] - inter[0]])
        contrast = fit.contrast(arm, 0, 0.95)
        assert contrast.estimate == pytest.approx(information @ both / information.sum(), rel=1e-8)
        assert contrast.df > intra.df
    assert intra.contrast(3, 0, 0.95).estimate == pytest.approx(75.000 - 71.375)


@pytest.mark.parametrize("seed", range(4))
def test_complete_blocks_are_the_analysis_with_blocks_fixed(seed):
    rng = np.random.default_rng(seed)
    data = blocks(rng.normal(size=(7, 4)) + 2 * rng.normal(size=(7, 1)))
    mixed, fixed = RandomBlocks(data), LinearModel(data)
    assert mixed.model.at_zero == ()
    assert mixed.model.note == ""
    ours, theirs = mixed.contrast(2, 1, 0.95), fixed.contrast(2, 1, 0.95)
    assert (ours.estimate, ours.se, ours.df, ours.p) == pytest.approx(
        (theirs.estimate, theirs.se, theirs.df, theirs.p), rel=1e-7
    )
    f, g = mixed.omnibus(), fixed.omnibus()
    assert (f.f, f.df2, f.p) == pytest.approx((g.f, g.df2, g.p), rel=1e-7)


def test_blocks_that_do_not_differ_have_variance_zero_and_keep_their_degrees_of_freedom():
    rng = np.random.default_rng(5)
    values = rng.normal(size=(6, 3))
    values = values - values.mean(axis=1, keepdims=True) + 0.05 * rng.normal(size=(6, 1))
    fit = RandomBlocks(blocks(values))
    assert fit.model.at_zero == ("block",)
    assert "levels of block is estimated as 0" in fit.model.note
    assert fit.model.variances["block"] == 0
    ols = sm.OLS(values.ravel(), np.tile(np.eye(3), (6, 1))).fit()
    contrast = fit.contrast(1, 0, 0.95)
    assert fit.model.residual_variance == pytest.approx(ols.mse_resid)
    assert contrast.se == pytest.approx(ols.t_test([-1, 1, 0]).sd[0, 0])
    assert contrast.df == pytest.approx(10)  # (6 - 1) (3 - 1), not the 15 of tanks without blocks


@given(
    seed=st.integers(0, 10_000), shift=st.sampled_from([0.0, 1e6]), scale=st.sampled_from([1e-3, 1.0, 50.0])
)
@settings(max_examples=12, deadline=None)
def test_changes_of_origin_and_unit_change_nothing_else(seed, shift, scale):
    data = random_data(np.random.default_rng(seed))
    first, second = RandomBlocks(data), RandomBlocks(data.with_y(shift + scale * data.y))
    one, other = first.contrast(2, 0, 0.95), second.contrast(2, 0, 0.95)
    assert other.estimate / scale == pytest.approx(one.estimate, rel=1e-4, abs=1e-5)
    assert (other.se / scale, other.df) == pytest.approx((one.se, one.df), rel=1e-4)


def test_a_baseline_covariate():
    rng = np.random.default_rng(3)
    data = random_data(rng, n_blocks=12, spread=3.0)
    x = 100 + rng.normal(size=len(data.y))
    data = TankData(data.y + 0.8 * x, data.arm, data.block, data.arms, x, blocked=True)
    fit = RandomBlocks(data)
    columns = np.column_stack([data.arm[:, None] == np.arange(3), x]).astype(float)
    theirs = sm.MixedLM(data.y, columns, groups=data.block).fit(reml=True, method="lbfgs")
    assert fit.contrast(1, 0, 0.95).estimate == pytest.approx(
        theirs.fe_params[1] - theirs.fe_params[0], rel=1e-4
    )
    assert fit.model.log_likelihood == pytest.approx(theirs.llf, abs=1e-6)


ALONE = TankData(
    np.array([1.0, 5.0, 2.0, 4.0]), np.array([0, 1, 0, 1]), np.arange(4), ("A", "B"), None, blocked=True
)
REFUSED = {
    "nothing varies": (blocks(np.tile([1.0, 2.0, 3.0], (4, 1))), "Nothing varies beyond the arms"),
    "no variation inside blocks": (
        blocks(np.arange(4.0)[:, None] + [0.0, 2.0, 5.0]),
        "do not vary beyond the arms",
    ),
    "one tank a block": (ALONE, "cannot be told from the variance within"),
}


@pytest.mark.parametrize("case", REFUSED)
def test_what_cannot_be_fitted_is_said(case):
    data, sentence = REFUSED[case]
    with pytest.raises(AnalysisError, match=sentence):
        RandomBlocks(data)


def test_groupings_that_say_the_same_cannot_be_told_apart():
    rng = np.random.default_rng(0)
    codes = np.repeat(np.arange(5), 3)
    with pytest.raises(AnalysisError, match="cannot be told from each other"):
        MixedModel(rng.normal(size=15), np.ones((15, 1)), {"tank": codes, "cohort": codes})


def test_parallel_arms_have_no_block_variance():
    data = TankData(
        np.arange(6.0), np.repeat([0, 1], 3), np.zeros(6, dtype=int), ("A", "B"), None, blocked=False
    )
    with pytest.raises(AnalysisError, match="no blocks"):
        RandomBlocks(data)


def test_an_arm_without_tanks_has_no_contrast():
    data = blocks(np.column_stack([ERGO[:, :2], np.full(9, np.nan)]))
    fit = RandomBlocks(data)
    assert fit.contrast(2, 0, 0.95) is None
    assert fit.omnibus().df1 == 1
