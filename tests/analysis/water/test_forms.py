"""Concentrations in other forms. Factors follow from IUPAC conventional atomic weights, computed separately."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.water.forms import convert, mass_with_same
from analysis.water.seawater import kilograms_per_litre
from schemas.errors import UnitError, WaterError
from schemas.variables import catalogue

DENSITY = 1.0233431  # kg/L at salinity 35 and 25 °C, gsw 3.6.23


@pytest.mark.parametrize(
    ("variable", "unit", "wanted", "factor"),
    [
        ("nitrate", "mg/L NO3", "mg/L NO3-N", "0.225905"),
        ("nitrate", "mg/L N", "mg/L", "4.426644"),
        ("nitrite", "mg/L NO2", "mg/L NO2-N", "0.304467"),
        ("nitrite", "mg/L N", "mg/L", "3.284429"),
        ("ammonia", "mg/L NH3", "mg/L N", "0.822441"),
        ("ammonia", "mg/L N", "mg/L NH3", "1.215892"),
        ("ammonia", "mg/L NH4", "mg/L N", "0.776484"),
        ("ammonia", "mg/L N", "mg/L NH4", "1.287856"),
        ("ammonia", "mg/L NH3", "mg/L NH4", "1.059186"),
        ("ammonia", "mg/L NH4", "mg/L NH3", "0.944121"),
        ("phosphate", "mg/L", "mg/L PO4-P", "0.326143"),
        ("phosphate", "mg/L P", "mg/L", "3.066136"),
        ("phosphate", "mg/L P2O5", "mg/L P", "0.436427"),
        ("phosphate", "mg/L P", "mg/L P2O5", "2.291335"),
        ("phosphate", "ppb P", "mg/L", "0.003066"),
        ("nitrate", "mg/L N", "umol/L", "71.392875"),
        ("phosphate", "mg/L P", "umol/L", "32.285390"),
        ("nitrate", "mg/L", "umol/L", "16.127992"),
        ("nitrite", "mg/L", "umol/L", "21.736768"),
        ("ammonia", "mg/L NH3", "umol/L", "58.716458"),
        ("ammonia", "mg/L NH4", "umol/L", "55.435445"),
        ("phosphate", "mg/L", "umol/L", "10.529667"),
        ("oxygen", "mg/L", "umol/L", "31.251953"),
        ("alkalinity", "meq/L", "dKH", "2.803850"),
        ("alkalinity", "meq/L", "mg/L CaCO3", "50.043000"),
        ("alkalinity", "dKH", "meq/L", "0.356652"),
        ("alkalinity", "dKH", "mg/L CaCO3", "17.847959"),
        ("alkalinity", "mg/L CaCO3", "meq/L", "0.019983"),
        ("alkalinity", "mg/L CaCO3", "dKH", "0.056029"),
        ("alkalinity", "meq/L", "mg/L HCO3", "61.016000"),
        ("nitrate", "mg/L", "mg/kg", "0.977189"),
        ("nitrate", "umol/L", "umol/kg", "0.977189"),
        ("phosphate", "ug/kg PO4-P", "ppb P", "1.023343"),
    ],
)
def test_one_unit_in_another(variable, unit, wanted, factor):
    got = convert(1.0, unit, wanted, catalogue()[variable], DENSITY)
    assert f"{got.value:.6f}" == factor


def test_a_tenth_of_phosphate_in_phosphorus():
    assert convert(0.10, "mg/L", "ppb as P", catalogue()["phosphate"]).value == pytest.approx(
        32.614, abs=5e-4
    )


# The same nitrogen or phosphorus in another compound.
@pytest.mark.parametrize(
    ("element", "have", "wanted", "factor"),
    [("N", "NO2", "NO3", 1.347767), ("N", "NO3", "NO2", 0.741968), ("P", "P2O5", "P", 0.436427)],
)
def test_mass_with_the_same_element(element, have, wanted, factor):
    assert mass_with_same(element, have, wanted) == pytest.approx(factor, abs=5e-7)


UNITS = [
    (variable.id, unit)
    for variable in catalogue().values()
    for unit in variable.units
    if variable.id != "volume"
]


@given(
    pair=st.sampled_from(UNITS).flatmap(
        lambda one: st.tuples(st.just(one), st.sampled_from([u for v, u in UNITS if v == one[0]]))
    ),
    value=st.floats(0.001, 1000),
)
def test_there_and_back(pair, value):
    (name, unit), wanted = pair
    there = convert(value, unit, wanted, catalogue()[name])
    back = convert(there.value, there.unit, unit, catalogue()[name])
    assert back.value == pytest.approx(value, rel=1e-9, abs=1e-9)


def test_what_is_assumed_is_said_once():
    got = convert(5, "ppm", "ppb", catalogue()["nitrate"])
    assert got.value == pytest.approx(5000)
    assert len(got.notes) == 1
    assert "ppm is taken as mg/L" in got.notes[0]


@pytest.mark.parametrize(
    ("unit", "density", "says"),
    [("umol/kg", None, "density"), ("mg/kg as P", DENSITY, "mg/L"), ("dKH", None, "nitrate is not measured")],
)
def test_a_unit_that_cannot_be_is_refused(unit, density, says):
    with pytest.raises(UnitError, match=says):
        convert(1, unit, "mg/L", catalogue()["nitrate"], density)


def test_a_compound_without_the_element_is_refused():
    with pytest.raises(WaterError, match="PO4 holds no N"):
        mass_with_same("N", "NO3", "PO4")


def test_density_of_a_warm_tank():
    assert kilograms_per_litre(35, 25) == pytest.approx(DENSITY, abs=5e-8)
