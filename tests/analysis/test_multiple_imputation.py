"""Multiple imputation: pooling by hand and by a library, nothing missing, and draws that mean what they say."""

from fractions import Fraction

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
from scipy import stats
from statsmodels.imputation import mice

from analysis.linear_model import LinearModel, TankData, t_fit
from analysis.multiple_imputation import impute_days, impute_tanks, pool
from schemas.errors import AnalysisError


def test_rubins_rules_by_hand():
    """Estimates 1, 2, 3 with variance 4 and 10 degrees of freedom, worked in fractions."""
    got = pool([t_fit(q, 2.0, 10.0, 0.95, 1.0, "d", 12) for q in (1.0, 2.0, 3.0)], 0.95)
    total = 4 + Fraction(4, 3) * 1
    lost = Fraction(4, 3) / total
    observed = Fraction(11, 13) * 10 * (1 - lost)
    df = 1 / (lost**2 / 2 + 1 / observed)
    assert lost == Fraction(1, 4)
    assert df == Fraction(5280, 997)
    assert (got.within, got.between, got.fillings) == (4.0, 1.0, 3)
    assert got.fit.estimate == 2.0
    assert got.fit.se == pytest.approx(float(total) ** 0.5, rel=1e-12)
    assert got.fit.df == pytest.approx(float(df), rel=1e-12)
    ratio = Fraction(1, 3)
    assert got.missing_information == pytest.approx(float((ratio + 2 / (df + 3)) / (ratio + 1)), rel=1e-12)
    assert got.fit.high == pytest.approx(2 + stats.t.ppf(0.975, float(df)) * float(total) ** 0.5, rel=1e-12)


def test_pooling_agrees_with_statsmodels():
    rng = np.random.default_rng(1)
    frame = pd.DataFrame(rng.normal(size=(40, 3)), columns=["y", "a", "b"])
    frame["y"] += 0.5 * frame["a"]
    frame.loc[rng.random(40) < 0.3, "b"] = np.nan
    filler = mice.MICE("y ~ a + b", sm.OLS, mice.MICEData(frame))
    filler.fit(n_burnin=2, n_imputations=8)
    wanted = filler.combine()
    for index in range(3):
        fits = [
            t_fit(found.params.iloc[index], found.bse.iloc[index], found.df_resid, 0.95, 1.0, "d", 40)
            for found in filler.results_list
        ]
        got = pool(fits, 0.95)
        assert got.fit.estimate == pytest.approx(wanted.params[index], rel=1e-9)
        assert got.fit.se == pytest.approx(wanted.bse[index], rel=1e-9)


def test_nothing_missing_changes_nothing():
    fit = t_fit(-0.3, 0.1, 7.0, 0.95, 0.4, "d_z", 8)
    got = pool([fit] * 5, 0.95)
    assert got.fit is fit
    assert (got.between, got.missing_information) == (0.0, 0.0)
    values = np.random.default_rng(2).normal(size=(6, 4))
    filled = impute_days(values, np.tile([0, 1], 3), np.repeat(np.arange(3), 2), 3, np.random.default_rng(1))
    assert (filled == values).all()
    data = blocks_of_three()
    filled, silent = impute_tanks(data, np.zeros(18, dtype=bool), 3, np.random.default_rng(1))
    assert (filled == data.y).all()
    assert not silent.any()


def test_a_filling_without_an_error_cannot_be_pooled():
    fit = t_fit(-0.3, 0.1, 7.0, 0.95, 0.4, "d_z", 8)
    assert pool([fit, t_fit(-0.2, 0.0, 7.0, 0.95, 0.0, "d_z", 8)], 0.95) is None


def blocks_of_three(seed=3, blocks=6):
    rng = np.random.default_rng(seed)
    arm, block = np.tile([0, 1, 2], blocks), np.repeat(np.arange(blocks), 3)
    y = 2 + rng.normal(size=3 * blocks) + 3 * rng.normal(size=blocks)[block] - 1.0 * (arm == 1)
    return TankData(y, arm, block, ("control", "polymer", "liquid"), None, blocked=True)


def test_tanks_are_drawn_about_the_models_prediction():
    data = blocks_of_three()
    missing = np.zeros(18, dtype=bool)
    missing[[1, 8]] = True
    filled, silent = impute_tanks(data, missing, 20_000, np.random.default_rng(4))
    assert not silent.any()
    assert (filled[:, ~missing] == data.y[~missing]).all()
    known = data.only(~missing)
    model = LinearModel(known)
    # The prediction of the model: level of the block plus effect of the arm.
    for tank in (1, 8):
        mine = known.block == data.block[tank]
        level = (known.y[mine] - model.effects[known.arm[mine]]).mean()
        wanted = level + model.effects[data.arm[tank]]
        df = model.df
        columns = np.hstack(
            [known.arm[:, None] == np.arange(3), known.block[:, None] == np.arange(6)]
        ).astype(float)
        row = np.hstack([data.arm[tank] == np.arange(3), data.block[tank] == np.arange(6)]).astype(float)
        leverage = row @ np.linalg.pinv(columns.T @ columns) @ row
        variance = model.error_variance * (1 + leverage) * df / (df - 2)
        assert filled[:, tank].mean() == pytest.approx(wanted, abs=4 * np.sqrt(variance / 20_000))
        assert filled[:, tank].var() == pytest.approx(variance, rel=0.1)


def test_a_block_without_any_known_tank_stays_out():
    data = blocks_of_three()
    missing = data.block == 2
    filled, silent = impute_tanks(data, missing, 2, np.random.default_rng(5))
    assert (silent == missing).all()
    assert np.isnan(filled[:, missing]).all()
    assert (filled[:, ~missing] == data.y[~missing]).all()


def test_the_same_seed_gives_the_same_fillings():
    values = np.random.default_rng(6).normal(size=(12, 5))
    values[[0, 3, 3, 7], [2, 3, 4, 0]] = np.nan
    arm, block = np.tile([0, 1], 6), np.repeat(np.arange(6), 2)
    one, two = (impute_days(values, arm, block, 4, np.random.default_rng(8)) for _ in range(2))
    other = impute_days(values, arm, block, 4, np.random.default_rng(9))
    assert (one == two).all()
    assert (one != other).any()
    known = ~np.isnan(values)
    assert (one[:, known] == values[known]).all()
    assert not np.isnan(one).any()


@pytest.mark.parametrize("blocked", [True, False])
def test_days_lost_by_what_was_seen_before_do_not_bias(blocked):
    """Tanks of the test arm drop out when high: their known mean is too low, the fillings put it right."""
    rng = np.random.default_rng(10)
    tanks, days = 300, 4
    arm, block = np.tile([0, 1], tanks // 2), np.repeat(np.arange(tanks // 2), 2)
    level = rng.normal(size=tanks // 2)[block] + rng.normal(size=tanks)
    whole = level[:, None] + 0.3 * rng.normal(size=(tanks, 1 + days))
    whole[:, 1:] -= 0.5 * arm[:, None]
    values = whole.copy()
    lost = (arm == 1) & (values[:, 2] > 0)
    values[lost, 3:] = np.nan
    filled = impute_days(values, arm, block if blocked else None, 5, rng)
    truth = whole[arm == 1, 3:].mean()
    seen = np.nanmean(values[arm == 1, 3:])
    assert seen < truth - 0.3
    assert filled[:, arm == 1, 3:].mean() == pytest.approx(truth, abs=0.08)
    # Days of a tank hang together as they did.
    before, after = filled[0][lost][:, 2], filled[0][lost][:, 3]
    assert np.corrcoef(before, after)[0, 1] == pytest.approx(
        np.corrcoef(whole[lost][:, 2:4].T)[0, 1], abs=0.1
    )


def test_fillings_cover():
    """A fifth of the test tanks missing in 8 pairs and a third arm: the pooled interval holds the truth in 95%."""
    rng = np.random.default_rng(11)
    hits = 0
    for _ in range(200):
        data = blocks_of_three(seed=int(rng.integers(2**32)), blocks=8)
        missing = (data.arm == 1) & (rng.random(24) < 0.25)
        missing[[1, 4, 7]] = False
        filled, _ = impute_tanks(data, missing, 10, rng)
        fits = [LinearModel(data.with_y(row)).contrast(1, 0, 0.95) for row in filled]
        got = pool(fits, 0.95).fit
        hits += got.low <= -1.0 <= got.high
    assert hits / 200 == pytest.approx(0.95, abs=0.045)


def test_an_arm_without_a_reading_on_a_day_keeps_its_level():
    rng = np.random.default_rng(13)
    arm = np.tile([0, 1], 15)
    whole = 50 + 10 * arm[:, None] + rng.normal(size=(30, 1)) * 4 + 0.5 * rng.normal(size=(30, 4))
    values = whole.copy()
    values[arm == 1, 2] = np.nan
    filled = impute_days(values, arm, None, 5, rng)
    assert filled[:, arm == 1, 2].mean() == pytest.approx(whole[arm == 1, 2].mean(), abs=1.5)


def test_few_tanks_drop_predictors_and_too_few_are_refused():
    values = np.random.default_rng(12).normal(size=(5, 4))
    values[0, 2] = np.nan
    filled = impute_days(values, np.array([0, 1, 0, 1, 0]), None, 2, np.random.default_rng(1))
    assert np.isfinite(filled).all()
    with pytest.raises(AnalysisError, match="too few"):
        impute_days(values[:3], np.array([0, 1, 0]), None, 2, np.random.default_rng(1))
    values[:, 1] = np.nan
    with pytest.raises(AnalysisError, match="without a single reading"):
        impute_days(values, np.array([0, 1, 0, 1, 0]), None, 2, np.random.default_rng(1))
