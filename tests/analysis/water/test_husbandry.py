"""Ramp, pellets, water changes, evaporation, feed and balance. Figures computed separately."""

import datetime as dt
import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.tank_model import Dosing, run
from analysis.tank_parameters import TankParameters
from analysis.water.doses import parse_dose
from analysis.water.forms import convert
from analysis.water.husbandry import (
    WaterChange,
    after_water_change,
    balance,
    evaporated,
    feed,
    ramp_share,
    ramp_table,
    standing_for,
    top_up_load,
    top_ups,
    water_change_rate,
)
from schemas.errors import WaterError
from schemas.variables import catalogue


def test_ramp_from_a_third_to_full_in_four_weeks():
    steps = ramp_table(parse_dose("60 g / 100 L"), first=dt.date(2026, 3, 30))
    assert [step.day for step in steps] == [0, 7, 14, 21, 28]
    assert [step.dose.amount for step in steps] == pytest.approx([20, 30, 40, 50, 60])
    assert steps[-1].date == dt.date(2026, 4, 27)
    assert steps[-1].share == 1


@pytest.mark.parametrize("day", [-1, 0, 1, 12, 29, 30, 31])
def test_ramp_is_that_of_the_tank_model(day):
    assert ramp_share(day, 30) == pytest.approx(Dosing().ramp(day), rel=1e-15)


def test_ramp_of_odd_length_ends_full():
    assert [step.day for step in ramp_table(parse_dose("1 mL/d"), days=10, every=4)] == [0, 4, 8, 10]


def test_pellets_are_topped_up_to_what_the_ramp_wants():
    rows = top_ups(100, days=126, every=42, first=dt.date(2026, 3, 30))
    assert [row.day for row in rows] == [0, 7, 14, 21, 28, 70, 112]
    assert rows[-1].date == dt.date(2026, 7, 20)
    assert [row.wanted for row in rows] == pytest.approx([100 / 3, 50, 200 / 3, 250 / 3, *[100] * 3])
    for row in rows:
        assert row.add == pytest.approx(row.wanted - row.left)
    # Once colonised, 42 days at 0.35 % a day leave exp(-0.147) of the pellets.
    assert rows[-1].left == pytest.approx(100 * math.exp(-42 * 0.0035), rel=1e-4)


def test_pellets_worn_off_agree_with_the_tank_model():
    # The model takes colonisation at the start of each day, this plan as it goes: half a day of lag apart.
    course = run(
        TankParameters(solid_lag=24 - 0.5, nitrogen_start=1e3, phosphorus_start=1e3),
        Dosing(pellets=256.0, ramp_days=28, top_up_days=10**6),
        28,
    )
    grown = course.nitrogen.assimilated * 5 * 12.011 / 14.007 / 0.30
    worn = (grown + course.nitrogen.denitrified / 0.60 + course.unused_carbon.sum()) / 0.5581
    rows = top_ups(256, days=29, every=28, ramp_days=28, ramp_every=1)
    assert sum(row.add for row in rows[:-1]) - rows[-1].left == pytest.approx(worn, rel=0.01)


def test_dose_of_half_a_milligram_of_carbon_stands_as_256_mg_per_litre():
    assert standing_for(0.5 / 0.5581, 1 / 0.0035) == pytest.approx(256, abs=0.05)


@pytest.mark.parametrize(("share", "rate"), [(0.10, "0.015052"), (0.15, "0.023217"), (0.20, "0.031878")])
def test_rate_of_weekly_water_changes(share, rate):
    assert f"{water_change_rate(share, 7):.6f}" == rate


def test_ten_changes_of_a_tenth():
    # They remove 65.13 %; as much water changed continuously would remove 63.21 %.
    assert 100 - after_water_change(100, 0.1, times=10) == pytest.approx(65.13, abs=0.005)
    assert 100 * -math.expm1(-1) == pytest.approx(63.21, abs=0.005)


@given(before=st.floats(0, 100), share=st.floats(0, 0.99), new=st.floats(0, 100))
def test_a_change_mixes_old_and_new(before, share, new):
    expected = (1 - share) * before + share * new
    assert after_water_change(before, share, new) == pytest.approx(expected, rel=1e-12, abs=1e-12)


def test_evaporation():
    assert evaporated(35, 100, 5) == pytest.approx(36.842, abs=5e-4)
    assert top_up_load(20, 0.01) == pytest.approx(0.2)


def test_a_gram_of_feed():
    # 45 % protein, 1.2 % phosphorus: 72 mg N, 12 mg P; in 100 L 3.187 mg/L nitrate and 0.368 mg/L phosphate.
    grain = feed(1, 0.45, 0.012)
    assert (grain.nitrogen, grain.phosphorus) == pytest.approx((72, 12))
    assert grain.as_nitrate(100) == pytest.approx(3.187, abs=5e-4)
    assert grain.as_phosphate(100) == pytest.approx(0.368, abs=5e-4)
    assert grain.nitrogen_to_phosphorus == pytest.approx(13.27, abs=0.005)
    assert grain.ammonia_nitrogen == pytest.approx(41.4)
    assert grain.as_nitrate(100, 0.5) == pytest.approx(grain.as_nitrate(100) / 2)


def test_alkalinity_of_20_mg_of_nitrate_in_degrees():
    # 20 mg/L of nitrate removed give back 0.904 dKH.
    got = convert(20 / 62.004, "meq/L", "dKH", catalogue()["alkalinity"])
    assert got.value == pytest.approx(0.904, abs=5e-4)


def test_balance_closes_on_a_tank_worked_by_hand():
    # 100 L, nitrate 20 to 14 mg/L in 14 d, 600 mg fed, 10 % changed on day 7 (at 17 mg/L) for water of 2 mg/L.
    got = balance([0, 14], [20, 14], 100, fed=600, changes=[WaterChange(7, 0.1, 2)])
    assert (got.started, got.ended) == (2000, 1400)
    assert (got.changed_out, got.changed_in) == pytest.approx((170, 20))
    assert got.removed == pytest.approx(2000 + 600 + 20 - 170 - 1400)
    assert got.removed_per_day == pytest.approx(1050 / 14)
    assert got.removed_per(30) == pytest.approx(35)


@given(
    removal=st.floats(-0.5, 2),
    source=st.floats(0, 3),
    share=st.floats(0, 0.5),
    new=st.floats(0, 5),
    volume=st.floats(10, 1000),
)
def test_balance_finds_a_known_removal(removal, source, share, new, volume):
    # A tank stepped through 28 days with a change after day 14, read just before and just after it.
    before = 50 + 14 * (source - removal)
    after = after_water_change(before, share, new)
    end = after + 14 * (source - removal)
    got = balance(
        [0, 14, 14 + 1e-9, 28],
        [50, before, after, end],
        volume,
        fed=28 * source * volume,
        changes=[WaterChange(14, share, new)],
    )
    assert got.removed_per_day / volume == pytest.approx(removal, abs=1e-8)


@pytest.mark.parametrize(
    ("call", "says"),
    [
        (lambda: balance([0], [20], 100), "two or more readings"),
        (lambda: balance([0, 0], [20, 19], 100), "order of days"),
        (lambda: balance([0, 7], [20, 19], 0), "net volume"),
        (lambda: balance([0, 7], [20, 19], 100, changes=[WaterChange(8, 0.1)]), "day 8 is outside"),
        (lambda: balance([0, 7], [20, 19], 100, changes=[WaterChange(3, 10)]), "10 % is 0.1"),
        (lambda: balance([0, 7], [20, 19], 100).removed_per(0), "above 0"),
        (lambda: evaporated(35, 100, 100), "cannot evaporate"),
        (lambda: ramp_table(parse_dose("1 g"), start=0), "at least one day"),
        (lambda: top_ups(0, days=10), "above 0"),
        (lambda: feed(1, 45, 1.2), "shares"),
    ],
)
def test_what_cannot_be_is_refused_with_a_sentence(call, says):
    with pytest.raises(WaterError, match=says):
        call()


def test_plan_of_pellets_does_not_add_on_the_last_day():
    rows = top_ups(100, days=70, every=42)
    assert rows[-1].day == 28
    assert np.all(np.diff([row.day for row in rows]) > 0)
