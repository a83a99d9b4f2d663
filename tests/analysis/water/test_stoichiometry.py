"""What runs out first, and denitrification. Figures computed separately from IUPAC conventional atomic weights."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.water.carbon import SOURCES, phbv
from analysis.water.stoichiometry import (
    Cells,
    Denitrification,
    alkalinity_returned,
    anoxic_share_that_equals_growth,
    denitrification_demand,
    denitrified_per_carbon,
    parse_cells,
    runs_out,
    uptake_of,
)
from schemas.errors import WaterError

P_OF_PHOSPHATE = 30.973762 / (30.973762 + 4 * 15.999)
"""By IUPAC's conventional atomic weights."""


# What a gram of carbon takes, mg: nitrate, its nitrogen, phosphate, its phosphorus.
@pytest.mark.parametrize(
    ("cells", "efficiency", "printed"),
    [
        ("50:10:1", 0.1, "103.25 23.324 15.814 5.1576"),
        ("50:10:1", 0.2, "206.49 46.647 31.628 10.3151"),
        ("50:10:1", 0.3, "309.74 69.971 47.441 15.4727"),
        ("50:10:1", 0.4, "412.98 93.294 63.255 20.6303"),
        ("50:10:1", 0.5, "516.23 116.618 79.069 25.7878"),
        ("45:9:1", 0.3, "309.74 69.971 52.713 17.1919"),
        ("106:16:1", 0.3, "233.76 52.808 22.378 7.2984"),
        ("60:12:1", 0.3, "309.74 69.971 39.534 12.8939"),
    ],
)
def test_what_a_gram_of_carbon_takes(cells, efficiency, printed):
    u = uptake_of(1000, parse_cells(cells), efficiency)
    got = f"{u.nitrate:.2f} {u.nitrate_nitrogen:.3f} {u.phosphate:.3f} {u.phosphate * P_OF_PHOSPHATE:.4f}"
    assert got == printed


@pytest.mark.parametrize(("cells", "ratio"), [("50:10:1", 6.529), ("45:9:1", 5.876), ("106:16:1", 10.446)])
def test_nitrate_falls_with_phosphate_along_a_line(cells, ratio):
    assert parse_cells(cells).nitrate_per_phosphate == pytest.approx(ratio, abs=5e-4)


def test_redfield_by_mass():
    # 106:16:1 by atoms is 41.105 : 7.2355 : 1 by mass.
    u = uptake_of(41.105, parse_cells("106:16:1"), 1.0)
    assert (u.nitrate_nitrogen, u.phosphate * P_OF_PHOSPHATE) == pytest.approx((7.2355, 1), rel=2e-5)


# The stall: 20 mg/L nitrate and 0.10 mg/L phosphate, closed water, growth efficiency 0.3.
@pytest.mark.parametrize(
    ("cells", "printed"),
    [
        ("50:10:1", "0.65288 19.347 0.63236 2.10786 3.06334 2.96334 64.571"),
        ("106:16:1", "1.04461 18.955 1.34060 4.46867 1.91459 1.81459 85.557"),
    ],
)
def test_the_stall(cells, printed):
    got = runs_out(20, 0.10, cells=parse_cells(cells))
    assert got.first == ("phosphate",)
    assert got.nitrogen_to_phosphorus == pytest.approx(306.33, abs=0.01)
    assert got.phosphate_left == 0
    assert got.carbon_left is None
    shown = (
        f"{got.taken.nitrate:.5f} {got.nitrate_left:.3f} {got.taken.cell_carbon:.5f} {got.taken.carbon_used:.5f} "
        f"{got.for_all_nitrate.phosphate:.5f} {got.phosphate_missing:.5f} {got.for_all_nitrate.carbon_used:.3f}"
    )
    assert shown == printed


def test_the_stall_takes_3_percent_of_the_nitrate():
    assert 100 * runs_out(20, 0.10).taken.nitrate / 20 == pytest.approx(3.26, abs=0.005)


@pytest.mark.parametrize(
    ("nitrate", "phosphate", "carbon", "first"),
    [
        (20, 0.10, 1.0, ("carbon",)),
        (1, 5, None, ("nitrate",)),
        (1, 5, 100, ("nitrate",)),
        (10, 0, 5, ("phosphate",)),
        (0, 0, None, ("nitrate", "phosphate")),
        (10, 1, 0, ("carbon",)),
    ],
)
def test_what_runs_out_first(nitrate, phosphate, carbon, first):
    got = runs_out(nitrate, phosphate, carbon)
    assert got.first == first


@given(
    nitrate=st.floats(0.01, 200),
    phosphate=st.floats(0.001, 10),
    carbon=st.floats(0, 500),
    efficiency=st.floats(0.05, 1),
    ratio=st.tuples(st.floats(20, 200), st.floats(5, 20), st.floats(0.5, 2)),
)
def test_nothing_is_lost_and_nothing_is_negative(nitrate, phosphate, carbon, efficiency, ratio):
    got = runs_out(nitrate, phosphate, carbon, cells=Cells(*ratio), efficiency=efficiency)
    assert got.taken.nitrate + got.nitrate_left == pytest.approx(nitrate, rel=1e-9)
    assert got.taken.phosphate + got.phosphate_left == pytest.approx(phosphate, rel=1e-9)
    assert got.taken.carbon_used + got.carbon_left == pytest.approx(carbon, rel=1e-9, abs=1e-12)
    left = {"nitrate": got.nitrate_left, "phosphate": got.phosphate_left, "carbon": got.carbon_left}
    assert {name for name, value in left.items() if value == 0} >= set(got.first)
    assert min(left.values()) >= 0


def test_alkalinity_returned():
    # 62.004 mg/L nitrate is 1 meq/L; 20 mg/L gives back 0.3226 meq/L.
    assert alkalinity_returned(62.004) == pytest.approx(1)
    assert alkalinity_returned(20) == pytest.approx(0.3226, abs=5e-5)
    # 3.57 mg CaCO3 per mg of nitrate-nitrogen, the textbook figure of denitrification.
    assert alkalinity_returned(4.426644) * 50.043 == pytest.approx(3.5727, abs=5e-5)


# Half-reaction method with nitrate as the cells' nitrogen: g of oxygen demand per g of nitrate-nitrogen, share of
# it assimilated, g of cells.
@pytest.mark.parametrize(
    ("share", "demand", "assimilated", "cells"),
    [
        (0, "2.8557", "0.000", "0.000"),
        (0.20, "3.4171", "0.043", "0.345"),
        (0.36, "4.0548", "0.091", "0.737"),
        (0.50, "4.8461", "0.152", "1.224"),
        (0.55, "5.2091", "0.179", "1.447"),
        (0.60, "5.6310", "0.211", "1.706"),
    ],
)
def test_denitrification_with_growth(share, demand, assimilated, cells):
    d = Denitrification(share)
    got = (f"{d.oxygen_demand:.4f}", f"{d.assimilated_share:.3f}", f"{d.cells_grown:.3f}")
    assert got == (demand, assimilated, cells)


# g of source per g of nitrate-nitrogen at 3.70, 5.0 and 6.5 g of oxygen demand; g of nitrogen per g C at 5.0.
@pytest.mark.parametrize(
    ("source", "printed"),
    [
        (SOURCES["phb"], "2.21 2.99 3.89 0.599"),
        (phbv(8), "2.18 2.95 3.83 0.603"),
        (SOURCES["pcl"], "1.76 2.38 3.09 0.666"),
        (SOURCES["pla"], "2.78 3.75 4.88 0.533"),
        (SOURCES["ethanol"], "1.78 2.40 3.12 0.799"),
        (SOURCES["methanol"], "2.47 3.34 4.34 0.799"),
        (SOURCES["acetic-acid"], "3.47 4.69 6.10 0.533"),
        (SOURCES["glucose"], "3.47 4.69 6.10 0.533"),
        (SOURCES["sucrose"], "3.30 4.46 5.79 0.533"),
    ],
)
def test_denitrification_by_source(source, printed):
    grams = [f"{denitrification_demand(source, demand):.2f}" for demand in (3.70, 5.0, 6.5)]
    assert " ".join([*grams, f"{denitrified_per_carbon(source, 5.0):.3f}"]) == printed


def test_methanol_is_the_classic_of_denitrification():
    # McCarty, Beck and St. Amant 1969: 2.47 g of methanol per g of nitrate-nitrogen, 1.9 without growth.
    assert denitrification_demand(SOURCES["methanol"], 3.70) == pytest.approx(2.47, abs=0.005)
    respired = denitrification_demand(SOURCES["methanol"], Denitrification(0).oxygen_demand)
    assert respired == pytest.approx(1.9, abs=0.05)


def test_oxygen_in_the_inflow_is_spent_first():
    # Each mg/L of oxygen costs as much as 0.35 mg/L of nitrate-nitrogen.
    assert 1 / Denitrification(0).oxygen_demand == pytest.approx(0.35, abs=0.0005)


def test_a_tenth_of_the_carbon_without_oxygen_equals_all_growth():
    assert anoxic_share_that_equals_growth(SOURCES["phb"]) == pytest.approx(0.105, abs=0.0005)


@pytest.mark.parametrize(
    ("call", "says"),
    [
        (lambda: parse_cells("50:10"), "50:10:1"),
        (lambda: parse_cells("50:0:1"), "50:10:1"),
        (lambda: runs_out(-1, 0.1), "nitrate cannot be -1"),
        (lambda: runs_out(1, 0.1, -2), "carbon cannot be -2"),
        (lambda: uptake_of(1, efficiency=0), "growth efficiency of 0"),
        (lambda: uptake_of(1, efficiency=30), "growth efficiency of 30"),
        (lambda: Denitrification(1), "below 1"),
    ],
)
def test_what_cannot_be_is_refused_with_a_sentence(call, says):
    with pytest.raises(WaterError, match=says):
        call()


def test_water_without_phosphate_has_no_finite_ratio():
    assert runs_out(10, 0).nitrogen_to_phosphorus == math.inf
    assert parse_cells(" 50 : 10 : 1 ").source.startswith("usual rounding")
