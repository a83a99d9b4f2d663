"""Oxygen that sea water holds in balance with moist air.

Garcia and Gordon 1992, Limnol. Oceanogr. 37:1307, equation 8 with the coefficients fitted to the data of Benson
and Krause, for mL/L and for µmol/kg (coefficients from memory, held to the paper's check values by the tests).
Weiss (1970) gives some 0.2 % less at 25 °C, so a report names the equation.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from schemas.errors import WaterError

MILLIGRAMS_PER_MILLILITRE = 1.42905
"""mg of oxygen in 1 mL at 0 °C and 1 atm, from memory."""
MICROMOLES_PER_MILLILITRE = 44.6596
"""µmol of oxygen in 1 mL at 0 °C and 1 atm, as Garcia and Gordon use it; from memory."""
ATMOSPHERE = 101.325
"""kPa, by definition."""


@dataclass(frozen=True)
class _Fit:
    temperature: tuple[float, ...]
    salinity: tuple[float, ...]
    square: float

    def __call__(self, salinity: float, temperature: float) -> float:
        scaled = math.log((298.15 - temperature) / (273.15 + temperature))
        return math.exp(
            _polynomial(self.temperature, scaled)
            + salinity * _polynomial(self.salinity, scaled)
            + self.square * salinity**2
        )


_MILLILITRES = _Fit(
    (2.00907, 3.22014, 4.05010, 4.94457, -2.56847e-1, 3.88767),
    (-6.24523e-3, -7.37614e-3, -1.03410e-2, -8.17083e-3),
    -4.88682e-7,
)
_MICROMOLES = _Fit(
    (5.80871, 3.20291, 4.17887, 5.10006, -9.86643e-2, 3.80369),
    (-7.01577e-3, -7.70028e-3, -1.13864e-2, -9.51519e-3),
    -2.75915e-7,
)


def saturation_ml_per_litre(salinity: float, temperature: float) -> float:
    """Saturation in mL/L at one atmosphere, from practical salinity and °C."""
    _check(salinity, temperature)
    return _MILLILITRES(salinity, temperature)


def saturation_umol_per_kg(salinity: float, temperature: float) -> float:
    """Saturation in µmol/kg at one atmosphere, from practical salinity and °C."""
    _check(salinity, temperature)
    return _MICROMOLES(salinity, temperature)


def saturation(salinity: float, temperature: float, pressure: float = ATMOSPHERE) -> float:
    """Saturation in mg/L.

    Parameters
    ----------
    salinity, temperature : float
        Practical salinity, 0 to 42; °C, 0 to 40. The temperature enters the equation as it is: the half
        hundredth of a degree between IPTS-68 and ITS-90 changes 0.005 %.
    pressure : float
        Of the air in kPa where the tank stands (not reduced to sea level); the vapour's share is taken off.
    """
    one_atmosphere = saturation_ml_per_litre(salinity, temperature) * MILLIGRAMS_PER_MILLILITRE
    if not 50 <= pressure <= 110:
        raise WaterError(
            f"{pressure:g} kPa is no air pressure that a tank stands under; sea level is 101.325 kPa."
        )
    vapour = vapour_pressure(salinity, temperature)
    return one_atmosphere * (pressure - vapour) / (ATMOSPHERE - vapour)


def vapour_pressure(salinity: float, temperature: float) -> float:
    """Vapour pressure of sea water in kPa (Weiss and Price 1980, Mar. Chem. 8:347, equation 10; from memory)."""
    kelvin = temperature + 273.15
    return ATMOSPHERE * math.exp(
        24.4543 - 67.4509 * (100 / kelvin) - 4.8489 * math.log(kelvin / 100) - 0.000544 * salinity
    )


def percent_saturation(
    oxygen: float, salinity: float, temperature: float, pressure: float = ATMOSPHERE
) -> float:
    """Oxygen in mg/L as a percentage of saturation."""
    return 100 * oxygen / saturation(salinity, temperature, pressure)


def _polynomial(coefficients: tuple[float, ...], x: float) -> float:
    return sum(coefficient * x**power for power, coefficient in enumerate(coefficients))


def _check(salinity: float, temperature: float) -> None:
    if not (0 <= salinity <= 42 and 0 <= temperature <= 40):
        raise WaterError(
            f"salinity {salinity:g} at {temperature:g} °C is outside what the equation was fitted to "
            "(0 to 42, 0 to 40 °C)."
        )
