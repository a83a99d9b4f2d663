"""Doses as written, the carbon in them, and equal doses. Figures computed separately from atomic weights."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.water.carbon import SOURCES, product
from analysis.water.doses import (
    Basis,
    Dose,
    carbon_of,
    equal_dose,
    oxygen_demand_of,
    parse_dose,
    per_litre,
)
from schemas.errors import WaterError


@pytest.mark.parametrize(
    ("text", "dose"),
    [
        ("50 g / 100 L", Dose(50, "g", 100)),
        ("1 mL/d", Dose(1, "mL", None, daily=True)),
        ("0.3 mL/100 L/d", Dose(0.3, "mL", 100, daily=True)),
        ("0,3 ml/d/100 l", Dose(0.3, "mL", 100, daily=True)),
        ("0.1 mL per 100 L per day", Dose(0.1, "mL", 100, daily=True)),
        ("256 mg/L", Dose(0.256, "g", 1)),
        ("0.5 mg C/L/d", Dose(0.0005, "g C", 1, daily=True)),
        ("2 g of carbon", Dose(2, "g C")),
        ("7 mL / week", Dose(1, "mL", None, daily=True)),
        ("1 mL per 2 days", Dose(0.5, "mL", None, daily=True)),
        ("35 g per tank", Dose(35, "g")),
        ("3 g / 20 US gal", Dose(3, "g", 20 * 3.785411784)),
        ("1 kg/m3", Dose(1000, "g", 1000)),
    ],
)
def test_doses_as_people_write_them(text, dose):
    assert parse_dose(text) == dose


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("3", "is not a dose; write it like"),
        ("a capful", "is not a dose"),
        ("-1 mL/d", "is not a dose"),
        ("2 drops/d", 'not counted in "drops"'),
        ("1 mL C/d", 'not counted in "mL C"'),
        ("0 g/100 L", "nothing"),
        ("1 mL/d/d", "twice over"),
        ("1 g/L/100 L", "twice over"),
        ("1 mL/gal", "two gallons"),
        ("1 mL/fortnight", "accepted: L"),
        ("1 mL/0 L", "no volume or time"),
        ("1,500 mg/L", "two ways"),
        ("1 mL/", "no volume or time"),
    ],
)
def test_what_is_no_dose_is_refused_with_a_sentence(text, says):
    with pytest.raises(WaterError, match=says):
        parse_dose(text)


# 1 mL of 40 % ethanol in other sources, on each basis.
@pytest.mark.parametrize(
    ("other", "basis", "printed"),
    [
        ("vinegar 5 %", Basis.CARBON, "8.230 mL"),
        ("sucrose", Basis.CARBON, "0.3909 g"),
        ("phb", Basis.CARBON, "0.2950 g"),
        ("phb", Basis.OXYGEN, "0.3933 g"),
    ],
)
def test_equal_of_a_millilitre_of_ethanol(other, basis, printed):
    got = equal_dose(parse_dose("1 mL/d"), product("ethanol 40 %"), product(other), basis)
    digits = len(printed.split()[0].split(".")[1])
    assert f"{got.amount:.{digits}f} {got.unit}" == printed
    assert got.daily
    assert got.litres is None


# Half a milligram of carbon per litre and day in 100 L.
@pytest.mark.parametrize(
    ("source", "printed"),
    [
        ("ethanol 40 %", "0.3037 mL"),
        ("vinegar 5 %", "2.4999 mL"),
        ("sucrose", "0.1187 g"),
        ("phb", "0.0896 g"),
    ],
)
def test_a_dose_stated_as_carbon(source, printed):
    dose = parse_dose("0.5 mg C/L/d").for_litres(100)
    got = equal_dose(dose, product(source), product(source), Basis.CARBON)
    assert f"{got.amount:.4f} {got.unit}" == printed
    assert str(got).endswith("/ 100 L / d")


# The usual end range of 40 % ethanol, 0.3 to 2 mL per 100 L and day, is 0.5 to 3.3 mg C/L/d.
@pytest.mark.parametrize(("millilitres", "carbon"), [(0.3, 0.5), (2, 3.3)])
def test_carbon_of_a_dose_per_litre(millilitres, carbon):
    dose = parse_dose(f"{millilitres} mL/100 L/d")
    grams = carbon_of(dose, product("ethanol 40 %"))
    assert per_litre(grams, dose) == pytest.approx(carbon, abs=0.05)


def test_oxygen_demand_of_doses():
    # 2.0837 g of oxygen per g of ethanol; 3.9961 g per g of its carbon.
    assert oxygen_demand_of(parse_dose("10 mL"), product("ethanol 40 %")) == pytest.approx(6.57816, abs=5e-6)
    assert oxygen_demand_of(parse_dose("1 g C"), product("ethanol 40 %")) == pytest.approx(3.9961, abs=5e-5)


@given(
    amount=st.floats(0.001, 1000),
    one=st.sampled_from(["ethanol 40 %", "vinegar 5 %", "glucose", "sucrose 50 g/L"]),
    other=st.sampled_from(["ethanol 96 %", "phb", "pcl", "phbv 12 %", "sodium acetate"]),
    basis=st.sampled_from(Basis),
)
def test_equal_doses_are_equal(amount, one, other, basis):
    first, second = product(one), product(other)
    dose = Dose(amount, "g" if first.grams_per_ml is None else "mL", 100, daily=True)
    equal = equal_dose(dose, first, second, basis)
    measure = carbon_of if basis is Basis.CARBON else oxygen_demand_of
    assert measure(equal, second) == pytest.approx(measure(dose, first), rel=1e-12)
    assert equal_dose(equal, second, first, basis).amount == pytest.approx(amount, rel=1e-12)


@pytest.mark.parametrize(
    ("call", "says"),
    [
        (lambda: carbon_of(parse_dose("250 mL"), product("phb")), "must be weighed"),
        (lambda: carbon_of(parse_dose("2 g"), product("vinegar 5 %")), "measured in mL"),
        (lambda: per_litre(1, parse_dose("1 mL/d")), "net volume"),
        (
            lambda: equal_dose(
                parse_dose("50 g/100 L"), product("phb"), product("vinegar 5 %"), Basis.CARBON
            ),
            "no daily rate",
        ),
        (
            lambda: equal_dose(
                parse_dose("1 mL/d"), product("ethanol 40 %"), product("methanol"), Basis.CARBON
            ),
            "poisonous",
        ),
    ],
)
def test_comparisons_that_cannot_be_made_are_refused(call, says):
    with pytest.raises(WaterError, match=says):
        call()


def test_standing_polymers_compare_with_each_other():
    got = equal_dose(parse_dose("50 g/100 L"), product("phb"), product("pcl"), Basis.CARBON)
    expected = 50 * SOURCES["phb"].carbon_share / SOURCES["pcl"].carbon_share
    assert got == Dose(pytest.approx(expected), "g", 100)


def test_a_whole_tank_dose_takes_its_volume():
    assert per_litre(2.0, parse_dose("1 mL/d"), 400) == 5.0
    assert parse_dose("1 mL/d").for_litres(250) == Dose(1.0, "mL", 250, daily=True)
