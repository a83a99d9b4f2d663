"""Published data of independent groups through the command line as whole trials."""

from pathlib import Path

import numpy as np
import pytest
from scipy import stats

SLEEP = {
    "first": [0.7, -1.6, -0.2, -1.2, -0.1, 3.4, 3.7, 0.8, 0.0, 2.0],
    "second": [1.9, 0.8, 1.1, 0.1, -0.1, 4.4, 5.5, 1.6, 4.6, 3.4],
}
BLOOD_PRESSURE = {
    "other": [80, 94, 85, 90, 90, 90, 108, 94, 78, 105, 88],
    "first": [94, 108, 110, 90],
}
LEPROSY = {
    "f": [(16, 13), (13, 10), (11, 18), (9, 5), (21, 23), (16, 12), (12, 5), (12, 16), (7, 1), (12, 20)],
    "a": [(11, 6), (8, 0), (5, 2), (14, 8), (19, 11), (6, 4), (10, 13), (6, 1), (11, 8), (3, 0)],
    "d": [(6, 0), (6, 2), (7, 3), (8, 1), (18, 18), (8, 4), (19, 14), (8, 9), (5, 1), (15, 9)],
}
DUNNETT = {
    "control": [7.40, 8.50, 7.20, 8.24, 9.84, 8.32],
    "a": [9.76, 8.80, 7.68, 9.36],
    "b": [12.80, 9.68, 12.16, 9.20, 10.55],
}
NIST = Path(__file__).parent / "nist"
CERTIFIED = {
    "SiRstv": (1.18046237440255, 1e-12),
    "AtmWtAg": (15.9467335677930, 1e-9),
    "SmLs01": (21.0, 1e-12),
    "SmLs04": (21.0, 1e-8),
    # Thirteen constant leading digits: a double cannot hold the data better than to four digits of F.
    "SmLs07": (21.0, 1e-4),
    "SmLs08": (201.0, 1e-4),
}


def test_student_sleep_as_if_unpaired(analysed, published_trial):
    """R's documentation of ``sleep``: Welch t -1.8608 on 17.776, p 0.07939 (from memory)."""
    (contrast,) = analysed(published_trial.of_groups(SLEEP))["contrasts"]
    assert contrast["estimate"] / contrast["se"] == pytest.approx(1.8608, abs=5e-5)
    assert contrast["df"] == pytest.approx(17.776, abs=5e-4)
    assert contrast["p"] == pytest.approx(0.07939, abs=5e-6)


def test_blood_pressure_exact(analysed, published_trial):
    """Mehta and Patel (2001), Table 9.6: rank sum 0.0989, raw scores 0.1040, both two-sided and exact."""
    endpoint = analysed(published_trial.of_groups(BLOOD_PRESSURE))
    assert endpoint["contrasts"][0]["randomisation"]["p"] == pytest.approx(0.1040, abs=5e-5)
    assert endpoint["contrasts"][0]["randomisation"]["draws"] == 1365
    assert endpoint["ranks"]["contrasts"][0]["p"] == pytest.approx(0.0989, abs=5e-5)


def test_leprosy_covariance(analysed, published_trial):
    """Snedecor and Cochran: F 2.14, p 0.1384, adjusted means 6.71, 6.82, 10.16 (from memory)."""
    trial = published_trial.of_groups(
        LEPROSY, endpoint={"baseline": "adjust"}, analysis={"variance": "pooled"}
    )
    endpoint = analysed(trial)
    assert endpoint["omnibus"]["F"] == pytest.approx(2.14, abs=5e-3)
    assert endpoint["omnibus"]["p"] == pytest.approx(0.1384, abs=5e-5)
    means = {arm["arm"]: arm["adjusted_mean"] for arm in endpoint["arms"]}
    assert means == pytest.approx({"a": 6.7149635, "d": 6.8239348, "f": 10.1611017}, abs=5e-8)
    # The treatment estimates that the same program output prints: -3.4461383 and -3.3371669.
    estimates = {c["test"]: c["estimate"] for c in endpoint["contrasts"]}
    assert estimates == pytest.approx({"a": -3.44613828, "d": -3.33716695}, abs=5e-8)


def test_unequal_groups_pooled(analysed, published_trial):
    """Dunnett (1955), JASA 50:1096: pooled s 1.17496 on 12; statistics 0.857 and 3.694 (from memory)."""
    endpoint = analysed(
        published_trial.of_groups(DUNNETT, analysis={"variance": "pooled", "multiplicity": "none"})
    )
    assert {c["df"] for c in endpoint["contrasts"]} == {12}
    statistics = [c["estimate"] / c["se"] for c in endpoint["contrasts"]]
    assert statistics == pytest.approx([0.85703213, 3.69375231], abs=5e-8)


def test_dunnett_many_to_one(analysed, published_trial):
    """The same blood counts: p about 0.620 and 0.0059 in scipy's tutorial (from memory)."""
    trial = published_trial.of_groups(DUNNETT, analysis={"variance": "pooled", "multiplicity": "dunnett"})
    adjusted = [c["p_adjusted"] for c in analysed(trial)["contrasts"]]
    assert adjusted == pytest.approx([0.620, 0.0059], abs=3e-4)
    theirs = stats.dunnett(
        DUNNETT["a"], DUNNETT["b"], control=DUNNETT["control"], rng=np.random.default_rng(1)
    )
    assert adjusted == pytest.approx(theirs.pvalue.tolist(), abs=2e-4)


@pytest.mark.parametrize("name", CERTIFIED)
def test_nist_certified_anova(analysed, published_trial, name):
    """NIST Statistical Reference Datasets, one-way analysis of variance: the certified F."""
    certified, tolerance = CERTIFIED[name]
    group, value = np.loadtxt(NIST / f"{name}.dat", skiprows=60).T
    groups = {f"g{int(g)}": value[group == g].tolist() for g in np.unique(group)}
    endpoint = analysed(published_trial.of_groups(groups))
    assert endpoint["omnibus"]["F"] == pytest.approx(certified, rel=tolerance)
    assert endpoint["omnibus"]["df1"] == len(groups) - 1
    assert endpoint["omnibus"]["df2"] == len(value) - len(groups)


@pytest.mark.parametrize(
    ("groups", "f", "tolerance"),
    [
        # R's documentation of PlantGrowth (Dobson 1983): F 4.846, p 0.01591 (from memory).
        pytest.param(
            {
                "ctrl": [4.17, 5.58, 5.18, 6.11, 4.50, 4.61, 5.17, 4.53, 5.33, 5.14],
                "trt1": [4.81, 4.17, 4.41, 3.59, 5.87, 3.83, 6.03, 4.89, 4.32, 4.69],
                "trt2": [6.31, 5.12, 5.54, 5.50, 5.37, 5.29, 4.92, 6.15, 5.80, 5.26],
            },
            4.846,
            5e-4,
            id="plant growth",
        ),
        # NIST/SEMATECH e-Handbook 7.4.3.3: F 9.59 (from memory).
        pytest.param(
            {
                "one": [6.9, 5.4, 5.8, 4.6, 4.0],
                "two": [8.3, 6.8, 7.8, 9.2, 6.5],
                "three": [8.0, 10.5, 8.1, 6.9, 9.3],
            },
            9.59,
            5e-3,
            id="handbook one-way",
        ),
    ],
)
def test_one_way_anova(analysed, published_trial, groups, f, tolerance):
    assert analysed(published_trial.of_groups(groups))["omnibus"]["F"] == pytest.approx(f, abs=tolerance)


def test_counts_over_tank_days(analysed, published_trial):
    """R's help of poisson.test: 11 in 800 against 21 in 3011; ratio 1.971, limits 0.858 and 4.277 (from memory)."""
    groups = {"other": [1.0] * 21 + [0.0] * (3011 - 21), "exposed": [1.0] * 11 + [0.0] * (800 - 11)}
    trial = published_trial.of_groups(
        groups, endpoint={"summary": "count", "scale": "ratio", "worthwhile": 0.5}, hard=(0, 10), days=1
    )
    endpoint = analysed(trial)
    (contrast,) = endpoint["contrasts"]
    assert {rate["arm"]: (rate["events"], rate["tank_days"]) for rate in endpoint["rates"]} == {
        "other": (21, 3011),
        "exposed": (11, 800),
    }
    # The sample ratio; R's limits are of the conditional binomial, as here.
    assert contrast["estimate"] == pytest.approx(1.971488, abs=5e-7)
    assert (contrast["low"], contrast["high"]) == pytest.approx((0.8584264, 4.2772659), abs=5e-7)
    assert (contrast["reading"], contrast["favours"]) == ("unsettled", "other")
