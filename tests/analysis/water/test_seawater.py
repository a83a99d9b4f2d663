"""Sea water: density, salinity from hydrometer and conductivity, oxygen, ammonia."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.water import ammonia, oxygen, seawater
from schemas.errors import WaterError

# Computed once with gsw 3.6.23 (TEOS-10, reference composition) and written down: density in kg/m3 at 20, 25 and
# 26 °C, specific gravity 20/20 and 25/25, conductivity in mS/cm at 25 °C.
PRINTED = {
    30: ("1020.9577", "1019.5706", "1019.2686", "1.02279", "1.02259", "46.2532"),
    32: ("1022.4798", "1021.0786", "1020.7740", "1.02432", "1.02410", "48.9997"),
    33: ("1023.2413", "1021.8331", "1021.5272", "1.02508", "1.02486", "50.3632"),
    34: ("1024.0032", "1022.5879", "1022.2808", "1.02584", "1.02562", "51.7202"),
    35: ("1024.7654", "1023.3431", "1023.0348", "1.02661", "1.02637", "53.0710"),
    36: ("1025.5279", "1024.0987", "1023.7891", "1.02737", "1.02713", "54.4156"),
    38: ("1027.0539", "1025.6109", "1025.2988", "1.02890", "1.02865", "57.0866"),
}


@pytest.mark.parametrize("salinity", PRINTED)
def test_density_gravity_and_conductivity_to_printed_digits(salinity):
    got = (
        *(f"{seawater.density(salinity, temperature):.4f}" for temperature in (20, 25, 26)),
        *(f"{seawater.specific_gravity(salinity, seawater.reference(s)):.5f}" for s in ("20/20", "25/25")),
        f"{seawater.conductivity(salinity, 25):.4f}",
    )
    assert got == PRINTED[salinity]


def eos80(salinity, celsius_68):
    """Density at one atmosphere by the International Equation of State 1980 (Fofonoff and Millard 1983)."""
    t, s = celsius_68, salinity
    pure = np.polyval([6.536332e-9, -1.120083e-6, 1.001685e-4, -9.095290e-3, 6.793952e-2, 999.842594], t)
    first = np.polyval([5.3875e-9, -8.2467e-7, 7.6438e-5, -4.0899e-3, 8.24493e-1], t)
    second = np.polyval([-1.6546e-6, 1.0227e-4, -5.72466e-3], t)
    return float(pure + first * s + second * s**1.5 + 4.8314e-4 * s**2)


# Fofonoff and Millard 1983, UNESCO Technical Papers in Marine Science 44: check values at the surface.
@pytest.mark.parametrize(
    ("salinity", "celsius", "published"),
    [(0, 5, 999.96675), (0, 25, 997.04796), (35, 5, 1027.67547), (35, 25, 1023.34306)],
)
def test_the_older_equation_of_state_meets_its_check_values(salinity, celsius, published):
    assert eos80(salinity, celsius) == pytest.approx(published, abs=5e-6)


@given(salinity=st.floats(0, 42), celsius=st.floats(0, 40))
def test_density_agrees_with_the_older_equation_of_state(salinity, celsius):
    # The two standards differ by some 0.01 kg/m3 in this range; IPTS-68 is 1.00024 times ITS-90.
    assert seawater.density(salinity, celsius) == pytest.approx(eos80(salinity, 1.00024 * celsius), abs=0.02)


# Straight lines fitted to the same densities for salinity 28 to 38, largest error 0.004; written down beforehand.
@pytest.mark.parametrize(
    ("scale", "slope", "at_one"),
    [("25/25", 1321.150, 0.1564), ("20/20", 1310.487, 0.1329), ("60F/60F", 1298.906, 0.1092)],
)
@pytest.mark.parametrize("salinity", [28, 31, 33.3, 35, 38])
def test_gravity_near_its_straight_line(scale, slope, at_one, salinity):
    gravity = seawater.specific_gravity(salinity, seawater.reference(scale))
    assert slope * (gravity - 1) + at_one == pytest.approx(salinity, abs=0.005)


# Computed once with gsw 3.6.23 and written down; a 20/4 hydrometer shows 1.02479 at salinity 35.
@pytest.mark.parametrize(
    ("gravity", "scale", "printed"),
    [(1.025, "25/25", "33.187"), (1.026, "25", "34.508"), (1.0264, "25/25", "35.036")],
)
def test_salinity_from_gravity(gravity, scale, printed):
    assert f"{seawater.salinity_from_gravity(gravity, seawater.reference(scale)):.3f}" == printed


def test_gravity_of_20_over_4():
    assert f"{seawater.specific_gravity(35, seawater.reference('20/4')):.5f}" == "1.02479"


@given(
    salinity=st.floats(0.5, 49),
    scale=st.sampled_from(["25/25", "20/4", "60F/60F", "15.6"]),
    warmer=st.floats(-5, 15),
)
def test_gravity_and_salinity_are_inverse(salinity, scale, warmer):
    reference = seawater.reference(scale)
    at = reference.sample + warmer
    gravity = seawater.density(salinity, at) / seawater.density(0, reference.pure)
    assert seawater.salinity_from_gravity(gravity, reference, at) == pytest.approx(salinity, abs=1e-8)


@pytest.mark.parametrize(
    ("text", "sample", "pure"),
    [
        ("25/25", 25, 25),
        ("60F/60F", 15.5556, 15.5556),
        ("20 °C / 4 °C", 20, 4),
        ("77 f", 25, 25),
        ("20", 20, 20),
    ],
)
def test_reference_temperatures(text, sample, pure):
    got = seawater.reference(text)
    assert (got.sample, got.pure) == pytest.approx((sample, pure), abs=1e-4)


# Practical salinity scale 1978: exactly 35 at 15 °C of IPTS-68 and 42.914 mS/cm (Culkin and Smith 1980); the
# second value computed once with gsw 3.6.23.
@pytest.mark.parametrize(
    ("conductivity", "celsius", "salinity"), [(42.914, 15 / 1.00024, 35), (53.0, 25, 34.94730)]
)
def test_salinity_from_conductivity(conductivity, celsius, salinity):
    assert seawater.salinity_from_conductivity(conductivity, celsius) == pytest.approx(salinity, abs=5e-6)


@pytest.mark.parametrize(
    ("call", "says"),
    [
        (lambda: seawater.density(1.026, 99), "99 °C"),
        (lambda: seawater.density(51, 25), "salinity of 51"),
        (lambda: seawater.salinity_from_gravity(35, seawater.Reference(25, 25)), "between 1.0000 and 1.03"),
        (lambda: seawater.salinity_from_conductivity(53000, 25), "53 mS/cm"),
        (lambda: seawater.salinity_from_conductivity(-1, 25), "-1 mS/cm"),
        (lambda: seawater.reference("room"), "25/25"),
        (lambda: seawater.reference("77/77"), "60F/60F"),
        (lambda: oxygen.saturation(35, 41), "41 °C"),
        (lambda: oxygen.saturation(35, 25, 1013), "101.325"),
        (lambda: ammonia.pk(41, 25), "salinity 41"),
        (lambda: ammonia.unionised_share(81, 35, 25), "pH of 81"),
    ],
)
def test_what_cannot_be_is_refused_with_a_sentence(call, says):
    with pytest.raises(WaterError, match=says):
        call()


# Garcia and Gordon 1992 check values at salinity 35 and 10 °C (values from memory).
def test_oxygen_check_values():
    assert oxygen.saturation_umol_per_kg(35, 10) == pytest.approx(274.610, abs=5e-4)
    millilitres = oxygen.saturation_ml_per_litre(35, 10)
    assert millilitres == pytest.approx(6.315, abs=5e-4)
    assert millilitres * oxygen.MICROMOLES_PER_MILLILITRE == pytest.approx(282.015, abs=5e-4)


# Computed once from the same equation and written down: mg/L at salinity 0, 33, 35, 36; µmol/kg at 35.
@pytest.mark.parametrize(
    ("celsius", "printed"),
    [
        (20, "9.0920 7.4832 7.3951 7.3515 225.537"),
        (24, "8.4177 6.9674 6.8878 6.8483 210.298"),
        (25, "8.2629 6.8485 6.7708 6.7323 206.788"),
        (26, "8.1131 6.7333 6.6574 6.6198 203.385"),
        (28, "7.8274 6.5128 6.4404 6.4045 196.879"),
        (30, "7.5586 6.3047 6.2355 6.2012 190.740"),
    ],
)
def test_oxygen_table_to_printed_digits(celsius, printed):
    litres = [f"{oxygen.saturation(salinity, celsius):.4f}" for salinity in (0, 33, 35, 36)]
    assert " ".join([*litres, f"{oxygen.saturation_umol_per_kg(35, celsius):.3f}"]) == printed


# Benson and Krause 1984, the table of Standard Methods 4500-O: fresh water, 0 to 40 °C; salinity 35 from the same
# table, from memory. Two of the fresh values differ by one in the last digit.
@pytest.mark.parametrize(
    ("salinity", "table"),
    [
        (
            0,
            {
                0: 14.621,
                5: 12.770,
                10: 11.288,
                15: 10.084,
                20: 9.092,
                25: 8.263,
                30: 7.559,
                35: 6.949,
                40: 6.412,
            },
        ),
        (35, {0: 11.446, 10: 9.024, 20: 7.396, 25: 6.772}),
    ],
)
def test_oxygen_against_the_published_table(salinity, table):
    for celsius, published in table.items():
        assert oxygen.saturation(salinity, celsius) == pytest.approx(published, abs=0.0015)


def weiss_1970(salinity, celsius):
    """Oxygen in mL/L by Weiss 1970, Deep-Sea Res. 17:721 (coefficients from memory)."""
    t = (celsius + 273.15) / 100
    return math.exp(
        -173.4292
        + 249.6339 / t
        + 143.3483 * math.log(t)
        - 21.8492 * t
        + salinity * (-0.033096 + 0.014259 * t - 0.0017 * t**2)
    )


def test_oxygen_against_the_older_equation():
    # Weiss: 6.31852 mL/L at 35 and 10 °C, 4.72658 at 35 and 25 °C, 6.35153 at 0 and 20 °C.
    assert weiss_1970(35, 10) == pytest.approx(6.31852, abs=5e-6)
    assert weiss_1970(35, 25) == pytest.approx(4.72658, abs=5e-6)
    assert weiss_1970(0, 20) == pytest.approx(6.35153, abs=5e-6)
    difference = oxygen.saturation_ml_per_litre(35, 25) / weiss_1970(35, 25) - 1
    assert difference == pytest.approx(0.0024, abs=5e-5)


# TEOS-10's own check values of gsw_O2sol_SP_pt (ITS-90 temperatures), µmol/kg.
@pytest.mark.parametrize(
    ("salinity", "celsius", "published"),
    [
        (34.7118, 28.8099, 194.6825),
        (34.8915, 28.4392, 195.6135),
        (35.0256, 22.7862, 214.6559),
        (34.8472, 10.2262, 273.5653),
        (34.7366, 6.8272, 295.1581),
        (34.7324, 4.3236, 312.9599),
    ],
)
def test_oxygen_against_teos_10(salinity, celsius, published):
    assert oxygen.saturation_umol_per_kg(salinity, 1.00024 * celsius) == pytest.approx(published, abs=1e-3)


def test_oxygen_falls_with_the_air_pressure():
    # Vapour over water at 100 °C would be an atmosphere; over sea water at 25 °C some 3.1 kPa (steam tables, from
    # memory: 3.17 kPa over pure water).
    assert oxygen.vapour_pressure(0, 25) == pytest.approx(3.169, abs=0.01)
    low = oxygen.saturation(35, 25, 85)
    assert low == pytest.approx(6.7708 * (85 - 3.106) / (101.325 - 3.106), abs=1e-3)
    assert oxygen.percent_saturation(low, 35, 25, 85) == pytest.approx(100)
    assert oxygen.percent_saturation(low, 35, 25) == pytest.approx(83.4, abs=0.1)


# Computed once with PyCO2SYS 1.8.3.4 (Clegg and Whitfield 1995, total scale) and written down.
@pytest.mark.parametrize(
    ("celsius", "pk", "percent"),
    [
        (20, "9.4188", "2.349 3.672 4.580 5.698 7.069 8.739"),
        (25, "9.2458", "3.458 5.372 6.671 8.255 10.175 12.481"),
        (26, "9.2117", "3.731 5.786 7.177 8.871 10.917 13.365"),
        (28, "9.1439", "4.334 6.699 8.290 10.217 12.531 15.280"),
    ],
)
def test_unionised_ammonia_to_printed_digits(celsius, pk, percent):
    assert f"{ammonia.pk(35, celsius):.4f}" == pk
    shares = (ammonia.unionised_share(ph, 35, celsius) for ph in (7.8, 8.0, 8.1, 8.2, 8.3, 8.4))
    assert " ".join(f"{100 * share:.3f}" for share in shares) == percent


# Other waters, by kNH3_TOT_CW95 of PyCO2SYS 1.8.3.4.
@pytest.mark.parametrize(
    ("salinity", "celsius", "pk"),
    [(30, 22, 9.33986987715734), (38, 30, 9.081486118191057), (5, 10, 9.71980096878049), (0, 25, 9.244605)],
)
def test_ammonia_constant_in_other_waters(salinity, celsius, pk):
    assert ammonia.pk(salinity, celsius) == pytest.approx(pk, rel=1e-13)


# Emerson et al. 1975, J. Fish. Res. Board Can. 32:2379, fresh water: 5.38 % at pH 8 and 25 °C, 3.82 % at 20 °C. An
# independent measurement; in fresh water the pH scales are one.
@pytest.mark.parametrize(("celsius", "percent"), [(25, 5.38), (20, 3.82), (15, 2.67)])
def test_ammonia_in_fresh_water(celsius, percent):
    assert 100 * ammonia.unionised_share(8, 0, celsius) == pytest.approx(percent, rel=0.01)


# Bower and Bidwell 1978, J. Fish. Res. Board Can. 35:1012, a table for sea water near salinity 34 and 25 °C on a
# scale of free protons, which reads 0.108 above the total scale there (PyCO2SYS 1.8.3.4).
@pytest.mark.parametrize(("free", "percent"), [(8.0, 4.28), (8.2, 6.61), (8.4, 10.10)])
def test_ammonia_against_an_older_table(free, percent):
    assert 100 * ammonia.unionised_share(free - 0.108, 34, 25) == pytest.approx(percent, rel=0.01)
    # Taken as total, the same reading errs on the safe side.
    assert 1.2 < 100 * ammonia.unionised_share(free, 34, 25) / percent < 1.3
