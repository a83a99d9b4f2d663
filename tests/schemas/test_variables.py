"""The catalogue holds together, and a protocol's own variables join it."""

from __future__ import annotations

import re

import pytest

from schemas.chemistry import molar_mass
from schemas.errors import FairtankError
from schemas.protocol import CustomVariable
from schemas.units import normalise_unit
from schemas.variables import catalogue, from_custom, variables_for

VARIABLES = list(catalogue().values())


@pytest.mark.parametrize("variable", VARIABLES, ids=lambda variable: variable.id)
def test_entry_is_sound(variable):
    assert re.fullmatch(r"[a-z0-9]+(?:-[a-z0-9]+)*", variable.id)
    low, high = variable.hard
    assert low < high
    assert low <= variable.soft[0] < variable.soft[1] <= high
    assert 0 < variable.resolution < high
    canonical = variable.units[normalise_unit(variable.unit)]
    assert (canonical.factor, canonical.offset, canonical.note) == (1, 0, "")
    assert all(line.factor > 0 for line in variable.units.values())
    assert variable.source


def test_names_people_write_lead_to_one_variable():
    names = [name.casefold() for variable in VARIABLES for name in {variable.id, *variable.names}]
    doubled = {name for name in names if names.count(name) > 1}
    assert not doubled - {"dkh"}


@pytest.mark.parametrize(
    ("name", "zero"),
    [
        ("nitrate", False),
        ("phosphate", False),
        ("ammonia", False),
        ("nitrite", False),
        ("salinity", False),
        ("alkalinity", False),
        ("oxygen", True),
        ("redox", True),
        ("flow", True),
    ],
)
def test_whether_a_value_can_be_zero(name, zero):
    """A kit's 0 is "below the limit", never a number; a probe in dead water does show 0."""
    assert catalogue()[name].can_be_zero_or_below is zero


def test_scales_with_a_conventional_zero():
    assert {variable.id for variable in VARIABLES if not variable.true_zero} == {"temperature", "ph", "redox"}


# Common practice of the reef trade, no source: usual values lie within the soft bounds of the catalogue.
USUAL = {
    "nitrate": (2, 20, "mg/L"),
    "phosphate": (0.03, 0.15, "mg/L"),
    "ammonia": (0.01, 0.05, "mg/L as N"),
    "alkalinity": (7, 10, "dKH"),
    "calcium": (400, 460, "mg/L"),
    "magnesium": (1250, 1400, "mg/L"),
    "salinity": (33, 36, "ppt"),
    "temperature": (75.2, 80.6, "°F"),
    "ph": (7.9, 8.4, "pH"),
    "oxygen": (6, 7.5, "mg/L"),
    "redox": (250, 400, "mV"),
}


@pytest.mark.parametrize(("name", "usual"), USUAL.items(), ids=str)
def test_usual_values_need_no_second_look(name, usual):
    variable = catalogue()[name]
    low, high, unit = usual
    line = variable.units[unit]
    assert variable.soft[0] <= line.to_canonical(low) < line.to_canonical(high) <= variable.soft[1]


# A slip of unit that is common practice to catch, no source: it falls outside the bounds.
SLIPS = [
    ("temperature", 78, "hard"),  # °F
    ("salinity", 1.026, "hard"),  # specific gravity
    ("alkalinity", 8, "soft"),  # dKH
    ("alkalinity", 140, "hard"),  # mg/L CaCO3
    ("phosphate", 33, "hard"),  # ug/L P
    ("oxygen", 95, "hard"),  # % saturation
]


@pytest.mark.parametrize(("name", "value", "bounds"), SLIPS)
def test_slips_of_unit_are_caught(name, value, bounds):
    low, high = getattr(catalogue()[name], bounds)
    assert not low <= value <= high


def test_own_variables_join_the_catalogue(protocol_of):
    effort = CustomVariable(id="effort", title="Effort", unit="1", hard=(0, 100), soft=(0, 30), resolution=1)
    variables = variables_for(protocol_of(variables=[effort.model_dump()]))
    assert set(variables) == {*catalogue(), "effort"}
    assert variables["effort"] == from_custom(effort)
    assert variables["effort"].can_be_zero_or_below
    assert (variables["effort"].title, variables["effort"].soft) == ("Effort", (0, 30))


# CRC Handbook, g/mol, from memory: older weights differ from these in the third decimal.
@pytest.mark.parametrize(
    ("formula", "mass"),
    [
        ("CaCO3", 100.087),
        ("NO3", 62.005),
        ("NO2", 46.006),
        ("PO4", 94.971),
        ("NH3", 17.031),
        ("SiO2", 60.084),
        ("O2", 31.999),
    ],
)
def test_molar_mass(formula, mass):
    assert molar_mass(formula) == pytest.approx(mass, abs=0.002)


@pytest.mark.parametrize("formula", ["", "caco3", "Ca(OH)2", "NO3-", "Xx2"])
def test_molar_mass_refuses_what_it_cannot_read(formula):
    with pytest.raises(FairtankError, match=re.escape(f'"{formula}"')):
        molar_mass(formula)
