"""Units against published conversion factors, and every spelling that people use.

Standing of each published value: A, read in the source named; B, quoted from memory and agreeing with the
calculation to every digit given; C, a definition.
"""

from __future__ import annotations

import re

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from schemas.errors import UnitError
from schemas.protocol import CustomVariable
from schemas.units import accepted_units, conversion, normalise_unit, to_canonical
from schemas.variables import catalogue, from_custom

# variable, unit, value in it, value in the canonical unit, digits to which it is printed, source
PUBLISHED = [
    ("nitrate", "mg/L as N", 1, 4.43, 0.005, "B: Standard Methods 4500-NO3, factor 4.43 from memory"),
    ("nitrate", "mg/L as N", 10, 44.3, 0.05, "B: drinking-water limit of 10 mg/L as N is 44.3 mg/L NO3"),
    ("nitrate", "mg/L as N", 0.226, 1, 0.003, "A: Eleyette 2005, conversions of nutrients, NO3 as N 0.226"),
    ("nitrite", "mg/L as N", 0.304, 1, 0.003, "A: Eleyette 2005, NO2 as N 0.304"),
    ("nitrite", "mg/L as N", 1, 3.28, 0.005, "B: Standard Methods 4500-NO2, factor 3.28 from memory"),
    (
        "ammonia",
        "mg/L as NH3",
        1,
        0.822,
        0.001,
        "A: Eleyette 2005, NH3 as N 14/17, printed 0.823 from 14 and 17",
    ),
    ("ammonia", "mg/L as NH4", 1.288, 1, 0.0005, "B: NH4/N 1.288, from memory"),
    ("phosphate", "mg/L as P", 1, 3.066, 0.0005, "B: PO4/P 3.066, Standard Methods 4500-P, from memory"),
    ("phosphate", "mg/L as P", 0.326, 1, 0.002, "A: Eleyette 2005, orthophosphate as P 0.326"),
    ("phosphate", "ug/L as P", 326, 1, 0.002, "A: as above, the teaching value 1 mg/L PO4 = 0.326 mg/L P"),
    ("phosphate", "mg/L as P2O5", 2.291, 3.066, 0.0005, "B: P2O5/P 2.291, of fertiliser tables, from memory"),
    ("alkalinity", "dKH", 2.805, 1, 0.001, "A: FAO, small-scale aquaponics, 1 meq/L = 2.805 dH"),
    ("alkalinity", "mg/L as CaCO3", 50, 1, 0.001, "A: FAO as above, 50 mg/L CaCO3 = 1 meq/L"),
    ("alkalinity", "dKH", 1, 0.3566, 0.0001, "B: 0.3566 meq/L, from memory (some tables round to 0.357)"),
    ("alkalinity", "mg/L as CaCO3", 17.848, 0.35665, 0.00001, "A: encyclopaedia, 1 dKH = 17.848 mg/L CaCO3"),
    ("alkalinity", "mg/L as HCO3", 61.02, 1, 0.0001, "B: equivalent mass of bicarbonate, from memory"),
    ("calcium", "mg/L as CaCO3", 1, 0.4004, 0.0001, "B: Ca/CaCO3 0.4004, from memory"),
    ("oxygen", "umol/L", 1, 0.032, 0.0001, "B: 31.998 ug/umol, from memory"),
    ("silicate", "mg/L as Si", 1, 2.139, 0.0005, "B: SiO2/Si 2.139, from memory"),
    ("temperature", "°F", 212, 100, 1e-9, "C: definition of the Fahrenheit scale"),
    ("temperature", "°F", -40, -40, 1e-9, "C: as above"),
    ("temperature", "K", 273.15, 0, 1e-9, "C: definition of the Celsius scale"),
    ("volume", "US gal", 1, 3.785411784, 1e-12, "C: 231 cubic inches"),
    ("volume", "imp gal", 1, 4.54609, 1e-12, "C: Weights and Measures Act 1985"),
]


@pytest.mark.parametrize(("name", "unit", "value", "expected", "within", "source"), PUBLISHED)
def test_published_conversion(name, unit, value, expected, within, source):
    assert to_canonical(value, unit, catalogue()[name]) == pytest.approx(expected, abs=within), source


# Each spelling with its one form, for nitrate unless the unit speaks for itself.
SPELLINGS = {
    "mg/L": ["mg/L", "mg/l", "MG/L", " mg / L ", "[mg/L]", "mg L-1", "mg·L⁻¹", "mg.l-1", "mg l^-1", "mg/ltr",
             "g/m3", "g m-3", "mg/dm³", "milligrams per litre", "mg per liter"],
    "ppm": ["ppm", "PPM", "p.p.m.", "parts per million"],
    "ppb": ["ppb", "parts per billion"],
    "ug/L": ["ug/L", "\u00b5g/L", "\u03bcg/l", "mcg/L", "µg L⁻¹", "mg/m³"],
    "umol/L": ["umol/L", "µmol/L", "\u03bcmol l-1", "uM", "\u00b5M", "\u03bcM", "mmol/m3", "mmol m⁻³"],
    "mmol/L": ["mmol/L", "mM", "mol/m3"],
    "mg/L as N": ["mg/L as N", "mg/L N", "mg N/L", "mgN/L", "mg-N/L", "mg/L-N", "N mg/L", "mg/L (as N)",
                  "mg N L-1", "mg/L as nitrogen"],
    "mg/L as NO3-N": ["mg/L NO3-N", "NO3-N mg/L", "mg/L as NO3-N", "mg NO3-N/L", "NO₃-N (mg/L)", "mg/L NO3 as N",
                      "nitrate as N mg/L", "mg/L nitrate-nitrogen", "mg/L N-NO3", "NO3⁻-N mg/L"],
    "mg/L as NO3": ["mg/L as NO3", "mg/L NO3", "NO3 mg/L", "mg NO3/L", "mg/L NO₃⁻", "mg/L nitrate"],
    "ug/L as P": ["ug/L P", "µg P/L", "µg/L P", "\u03bcg/L as P", "mg P/m3"],
    "ppb as P": ["ppb P", "ppb as P", "P ppb", "ppb phosphorus"],
    "mg/L as PO4": ["mg/L PO4", "PO4³⁻ mg/L", "mg/L PO₄"],
    "mg/L as PO4-P": ["mg/L PO4-P", "PO4-P mg/l", "mg/L as PO4-P"],
    "dKH": ["dKH", "dkh", "°dKH", "KH", "°KH", "°dH", "deg KH", "º dKH"],
    "meq/L": ["meq/L", "meq/l", "mEq/L", "meq L-1", "mval/L"],
    "mg/L as CaCO3": ["mg/L CaCO3", "mg/L as CaCO₃", "CaCO3 mg/L", "mg CaCO3/L"],
    "ppm as CaCO3": ["ppm CaCO3", "ppm as CaCO3"],
    "°C": ["°C", "Cel", "degC", "deg C", "C", "c", "º C", "℃", "celsius", "deg. C", "˚C"],
    "°F": ["°F", "degF", "[degF]", "F", "℉", "degrees Fahrenheit"],
    "K": ["K", "kelvin"],
    "PSU": ["psu", "PSU", "PSS-78"],
    "ppt": ["ppt", "‰", "PPT", "parts per thousand"],
    "mV": ["mV", "mv"],
    "%": ["%", "% sat", "percent"],
    "pH": ["pH", "PH", "pH units"],
    "L": ["L", "l", "litres"],
}  # fmt: skip


@pytest.mark.parametrize(
    ("written", "expected"), [(text, form) for form, texts in SPELLINGS.items() for text in texts]
)
def test_spelling(written, expected):
    assert normalise_unit(written) == expected


@pytest.mark.parametrize(
    ("written", "tidied"),
    [
        ("mm", "mm"),
        ("mg/g/d", "mg/g/d"),
        ("mg/L N as NO3", "mg/L N as NO3"),
        ("mg /  wombat", "mg/wombat"),
        ("", ""),
    ],
)
def test_what_is_not_understood_is_only_tidied(written, tidied):
    assert normalise_unit(written) == tidied


PIECES = [
    "mg",
    "L",
    "/",
    "N",
    "as",
    "-",
    "1",
    "ug",
    "µ",
    "NO3",
    "ppm",
    "(",
    ")",
    "°",
    "C",
    "%",
    "per",
    "m3",
    ".",
    "º",
]


@settings(deadline=None)
@given(
    st.one_of(
        st.text(max_size=12),
        st.lists(st.sampled_from(PIECES), max_size=7).map("".join),
        st.lists(st.sampled_from(PIECES), max_size=7).map(" ".join),
    )
)
def test_a_normal_spelling_is_its_own(text):
    once = normalise_unit(text)
    assert normalise_unit(once) == once


@pytest.mark.parametrize("variable", catalogue().values(), ids=lambda variable: variable.id)
def test_accepted_units_are_spelt_in_the_one_way(variable):
    assert [normalise_unit(unit) for unit in variable.units] == list(variable.units)
    assert [normalise_unit(unit) for unit in variable.refused] == list(variable.refused)
    assert not set(variable.units) & set(variable.refused)


@settings(deadline=None)
@given(
    st.sampled_from([(variable, unit) for variable in catalogue().values() for unit in variable.units]),
    st.floats(-1e6, 1e6),
)
def test_conversion_can_be_undone_and_works_on_columns(case, value):
    variable, unit = case
    line = conversion(unit, variable)
    back = line.from_canonical(line.to_canonical(value))
    assert back == pytest.approx(value, rel=1e-12, abs=1e-9)
    column = np.array([value, 0.0]) * line.factor + line.offset
    assert column.tolist() == [line.to_canonical(value), line.to_canonical(0.0)]


def test_forms_of_one_amount_agree():
    """One mole of phosphorus is one amount, however it is counted."""
    phosphate = catalogue()["phosphate"]
    forms = [(1, "mmol/L"), (30.973762, "mg/L as P"), (30.973762, "mg/L as PO4-P"), (1000, "umol/L")]
    values = [to_canonical(value, unit, phosphate) for value, unit in forms]
    assert values == pytest.approx([values[0]] * len(values), rel=1e-12)


REFUSED = {
    ("nitrate", "mg/L PO4-P"): 'nitrate is not measured in "mg/L PO4-P"; accepted: mg/L, mg/L as NO3,',
    ("nitrate", "mgl"): 'did you mean "mg/L"?',
    ("nitrate", ""): "nitrate has no unit here; accepted:",
    ("nitrate", "umol/kg"): "needs the density",
    ("phosphate", "mg/L as N"): "phosphate is not measured in",
    ("ammonia", "mg/L"): "kits count it in different forms, so say which: as N, as NH3 or as NH4",
    ("ammonia", "ppm"): "as N, as NH3 or as NH4",
    ("silicate", "mg/L"): "as SiO2 or as Si",
    ("alkalinity", "ppm"): "as CaCO3 or as HCO3",
    ("alkalinity", "mmol/L"): "two equivalents",
    ("salinity", "SG"): "two reference temperatures",
    ("salinity", "mS/cm"): "needs the temperature",
    ("temperature", "R"): 'temperature is not measured in "R"; accepted: °C, °F or K.',
    ("oxygen", "%"): "oxygen-saturation",
    ("oxygen-saturation", "mg/L"): "a concentration is its own variable, oxygen",
    ("volume", "gallons"): "there are two gallons",
    ("flow", "gph"): "there are two gallons",
}


@pytest.mark.parametrize(("case", "sentence"), REFUSED.items(), ids=str)
def test_a_unit_that_is_refused_says_what_is_accepted(case, sentence):
    name, unit = case
    with pytest.raises(UnitError, match=re.escape(sentence)) as refused:
        to_canonical(1, unit, catalogue()[name])
    assert accepted_units(catalogue()[name]) in str(refused.value)


def test_what_is_assumed_is_said():
    assert "mg/L" in conversion("ppm", catalogue()["nitrate"]).note
    assert "phosphate ion" in conversion("ppb", catalogue()["phosphate"]).note
    assert "phosphate ion" not in conversion("ppb as P", catalogue()["phosphate"]).note
    assert not conversion("mg/L", catalogue()["nitrate"]).note


def test_a_variable_of_the_protocol_takes_its_own_unit_only():
    growth = from_custom(CustomVariable(id="growth", unit="mg/cm2/d", hard=(0, 100)))
    assert to_canonical(3, " MG/cm2 / d", growth) == 3
    with pytest.raises(UnitError, match=r'growth is not measured in "mg/d".*accepted: mg/cm2/d\.'):
        to_canonical(3, "mg/d", growth)


def test_a_bare_number_needs_no_unit():
    effort = from_custom(CustomVariable(id="effort", unit="1", hard=(0, 100)))
    assert to_canonical(3, "", effort) == to_canonical(3, "-", effort) == 3
    assert to_canonical(8.1, "", catalogue()["ph"]) == 8.1
