"""The tank model: its reference run, what it conserves, how tanks are drawn.

The reference figures are those of the project's own model, written down once from a separate run and assumed
for planning, not measured: they show that the equations are these equations, and nothing about aquaria.
"""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.tank_model import NITRATE_PER_N, PHOSPHATE_PER_P, Dosing, run
from analysis.tank_parameters import STANDING, TankParameters, feed_wobble, vary

CONTROL = Dosing()
LIQUID = Dosing(liquid=0.5)
SOLID = Dosing(pellets=256.0)

# No differences between tanks, steady feeding, steps of 0.1 d, 182 d. Own model, assumed for planning.
REFERENCE = {
    "control": (CONTROL, ["19.56 / 0.115"] * 6),
    "liquid": (
        LIQUID,
        [
            "19.56 / 0.115",
            "17.47 / 0.092",
            "14.72 / 0.080",
            "13.28 / 0.073",
            "12.54 / 0.068",
            "11.93 / 0.063",
        ],
    ),
    "solid": (
        SOLID,
        ["19.56 / 0.115", "18.24 / 0.103", "12.94 / 0.089", "9.97 / 0.081", "8.92 / 0.079", "7.86 / 0.072"],
    ),
}
DAYS = [0, 28, 56, 84, 112, 181]


@pytest.mark.parametrize("arm", REFERENCE)
def test_reference_run_to_its_printed_digits(arm):
    dosing, printed = REFERENCE[arm]
    course = run(TankParameters(), dosing, 182)
    got = [f"{course.nitrate[day]:.2f} / {course.phosphate[day]:.3f}" for day in DAYS]
    assert got == printed


def test_start_of_the_reference_run():
    # Printed with the reference run: 4.41818 mg N/L and 0.037612 mg P/L.
    assert f"{TankParameters().nitrogen_at_rest:.5f}" == "4.41818"
    assert f"{TankParameters().phosphorus_at_rest:.6f}" == "0.037612"


def test_conversion_to_ions():
    # Computed from IUPAC conventional atomic weights: 4.426644 and 3.066136.
    assert pytest.approx(4.426644, abs=5e-7) == NITRATE_PER_N
    assert pytest.approx(3.066136, abs=5e-7) == PHOSPHATE_PER_P


# What a run of 200 varied tanks an arm was noted to give for the undosed arm at the start, with twice the
# Monte Carlo error of such a mean or SD. Own model, assumed for planning.
@pytest.mark.parametrize(
    ("element", "mean", "sd"),
    [("nitrate", 19.7, 7.7), ("phosphate", 0.129, 0.074)],
)
def test_varied_tanks_spread_as_noted(element, mean, sd):
    tanks = vary(TankParameters(), np.random.default_rng(20250301), (4000,))
    values = getattr(run(tanks, CONTROL, 1), element)[0]
    assert values.mean() == pytest.approx(mean, abs=2 * sd / np.sqrt(200))
    assert values.std(ddof=1) == pytest.approx(sd, rel=2 * np.sqrt((1 + 3) / (2 * 200)))


def test_geometric_mean_ratio_to_baseline_is_as_noted_in_varied_tanks():
    # Weeks 14 to 18 at 0.5 mg C/L/d: nitrate 1.0, 0.6, 0.4 and phosphate 1.0, 0.58, 0.66 of the start.
    # Own model, assumed for planning.
    rng = np.random.default_rng(20250302)
    tanks = vary(TankParameters(), rng, (3, 1500))
    dosing = Dosing(liquid=np.array([[0.0], [0.5], [0.0]]), pellets=np.array([[0.0], [0.0], [256.0]]))
    course = run(tanks, dosing, 126, wobble=feed_wobble(rng, 126, (3, 1500)))
    for values, noted in [(course.nitrate, [1.0, 0.6, 0.4]), (course.phosphate, [1.0, 0.58, 0.66])]:
        ratio = np.exp(np.log(values[91:126].mean(axis=0) / values[0]).mean(axis=-1))
        assert ratio == pytest.approx(noted, abs=0.05)


def test_axes_are_free_and_arms_share_a_run():
    dosing = Dosing(liquid=np.array([0.0, 0.5, 0.0]), pellets=np.array([0.0, 0.0, 256.0]))
    together = run(vary(TankParameters(), np.random.default_rng(1), (2, 4, 3)), dosing, 60)
    assert together.nitrate.shape == (60, 2, 4, 3)
    each = [run(TankParameters(), one, 60).nitrate for one in (CONTROL, LIQUID, SOLID)]
    np.testing.assert_array_equal(run(TankParameters(), dosing, 60).nitrate, np.stack(each, axis=-1))


def test_nothing_is_dosed_before_day_0():
    course = run(TankParameters(), Dosing(liquid=0.5, pellets=256.0), 28, first_day=-28)
    np.testing.assert_allclose(course.nitrate, course.nitrate[0], rtol=1e-12)
    assert course.unused_carbon.max() == 0.0
    assert course.denitrified.max() == 0.0


@pytest.mark.parametrize("full", [{"liquid": 0.5}, {"pellets": 256.0}])
def test_a_share_of_the_dose_is_that_smaller_dose(full):
    half = run(TankParameters(), Dosing(**{name: dose / 2 for name, dose in full.items()}), 120)
    shared = run(TankParameters(), Dosing(**full, share=np.full(120, 0.5)), 120)
    np.testing.assert_allclose(shared.nitrate, half.nitrate, rtol=1e-12)


@pytest.mark.parametrize("full", [{"liquid": 0.5}, {"pellets": 256.0}])
def test_a_dose_stopped_lets_nitrate_recover(full):
    days = np.arange(300)
    stopped = run(TankParameters(), Dosing(**full, share=(days < 100).astype(float)), 300)
    np.testing.assert_array_equal(stopped.nitrate[:100], run(TankParameters(), Dosing(**full), 100).nitrate)
    assert stopped.denitrified[100:].max() == 0.0
    assert stopped.nitrate[-1] == pytest.approx(19.56, abs=0.2)


@settings(max_examples=40, deadline=None)
@given(
    seed=st.integers(0, 2**32 - 1),
    liquid=st.floats(0.0, 40.0),
    pellets=st.floats(0.0, 5000.0),
    first_day=st.integers(-20, 60),
)
def test_nitrogen_and_phosphorus_are_conserved_and_never_negative(seed, liquid, pellets, first_day):
    # Doses reach far beyond what anybody should give, so that the stores run dry.
    rng = np.random.default_rng(seed)
    tanks = vary(TankParameters(), rng, (3,))
    days = 40
    course = run(
        tanks, Dosing(liquid, pellets), days, first_day=first_day, wobble=feed_wobble(rng, days, (3,), sd=0.5)
    )
    for ledger in (course.nitrogen, course.phosphorus):
        came = ledger.started + ledger.fed
        went = ledger.changed + ledger.sunk + ledger.assimilated + ledger.denitrified
        np.testing.assert_allclose(came - went, ledger.ended, rtol=0, atol=1e-12 * came.max())
    for values in (course.nitrate, course.phosphate, course.denitrified, course.unused_carbon):
        assert values.min() >= -1e-12


def test_carbon_is_conserved():
    liquid = 30.0
    course = run(TankParameters(), Dosing(liquid=liquid), 60)
    tank = TankParameters()
    dosed = sum(
        liquid
        * min(1, 1 / 3 + 2 / 3 * day / 30)
        / (1 + np.exp(-(day - tank.liquid_lag) / tank.liquid_spread))
        for day in range(60)
    )
    cells = course.nitrogen.assimilated * tank.cell_c_to_n * 12.011 / 14.007
    spent = cells / tank.growth_yield + course.nitrogen.denitrified / tank.nitrogen_per_carbon
    assert spent + course.unused_carbon.sum() == pytest.approx(dosed, rel=1e-12)
    assert course.unused_carbon.sum() > dosed / 2


def test_assimilation_takes_nitrate_and_phosphate_in_the_ratio_of_the_cells():
    # 10:1 by atoms is 6.529 mg nitrate per mg phosphate (computed from atomic weights).
    course = run(TankParameters(liquid_anoxic=0.0), LIQUID, 100)
    nitrate = course.nitrogen.assimilated * NITRATE_PER_N
    phosphate = course.phosphorus.assimilated * PHOSPHATE_PER_P
    assert nitrate / phosphate == pytest.approx(6.529, abs=5e-4)


def test_without_phosphorus_growth_stops_and_carbon_is_left():
    course = run(TankParameters(phosphorus_start=0.0, feed_phosphorus=1e-9), LIQUID, 60)
    assert course.nitrogen.assimilated < 1e-3
    assert course.unused_carbon[-1] > 0.9 * 0.5 * (1 - 0.04)


def test_finer_steps_agree():
    coarse = run(TankParameters(), SOLID, 182).nitrate
    fine = run(TankParameters(), SOLID, 182, steps_per_day=40).nitrate
    np.testing.assert_allclose(coarse, fine, rtol=2e-3)


def test_every_parameter_states_its_standing():
    words = ("published", "from memory", "common practice, no source", "computed", "assumed for planning")
    assert set(STANDING) == set(vars(TankParameters()))
    assert [name for name, standing in STANDING.items() if not standing.source.startswith(words)] == []


@pytest.mark.parametrize("within", [0.0, 0.3, 1.0])
def test_share_of_variance_between_tanks_of_a_block(within):
    tanks = vary(TankParameters(), np.random.default_rng(5), (20000, 2), within=within)
    log_feed = np.log(tanks.feed)
    assert tanks.feed.mean() == pytest.approx(3.0, rel=0.02)
    assert np.exp(log_feed.std(ddof=1) ** 2) - 1 == pytest.approx(0.30**2, rel=0.05)
    assert np.corrcoef(log_feed.T)[0, 1] == pytest.approx(1 - within, abs=0.03)
    assert isinstance(tanks.protein, float)


def test_spread_multiplies_the_coefficient_of_variation():
    feed = vary(TankParameters(), np.random.default_rng(10), (100_000,), spread=0.4).feed
    assert feed.std() / feed.mean() == pytest.approx(0.4 * 0.30, rel=0.02)


def test_shares_stay_shares():
    tanks = vary(TankParameters(solid_anoxic=0.9), np.random.default_rng(6), (5000,))
    assert tanks.solid_anoxic.max() == 1.0


def test_feed_wobble_is_a_stationary_autoregression():
    wobble = feed_wobble(np.random.default_rng(7), 400, (500,))
    assert wobble.std() == pytest.approx(0.25, rel=0.03)
    assert wobble[0].std() == pytest.approx(0.25, rel=0.1)
    assert np.corrcoef(wobble[:-1].ravel(), wobble[1:].ravel())[0, 1] == pytest.approx(0.9, abs=0.01)
    assert feed_wobble(np.random.default_rng(8), 400, (50,), sd=2.0).min() == -1.0


def test_same_seed_same_tanks():
    one, two = (vary(TankParameters(), np.random.default_rng(9), (4, 3)) for _ in range(2))
    np.testing.assert_array_equal(one.feed, two.feed)
    np.testing.assert_array_equal(one.phosphorus_start, two.phosphorus_start)
