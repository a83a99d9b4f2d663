"""Density of sea water, and salinity from what a hydrometer, a balance or a conductivity probe shows.

TEOS-10 through its own library (gsw), at sea level and for sea water of the reference composition: artificial
salt mixtures differ a little in what is dissolved, so that a salinity is good to some 0.1 at best.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass

import gsw
from scipy.optimize import brentq

from schemas.errors import WaterError

FRESHEST, SALTIEST = 0.0, 50.0
"""Practical salinities between which the equations are inverted."""
COLDEST, HOTTEST = 0.0, 45.0
"""°C, within which a tank and a hydrometer's reference lie."""


@dataclass(frozen=True)
class Reference:
    """What a specific gravity refers to: the sample at one temperature over pure water at another, °C."""

    sample: float
    pure: float


def density(salinity: float, temperature: float) -> float:
    """Density in kg/m3 at sea level, from practical salinity and °C.

    Roquet et al. 2015, Ocean Modelling 90:29, the 75-term polynomial of TEOS-10.

    Examples
    --------
    >>> round(density(35, 25), 4)
    1023.3431
    """
    _check(salinity, temperature)
    absolute = gsw.SR_from_SP(salinity)
    return float(gsw.rho(absolute, gsw.CT_from_t(absolute, temperature, 0), 0))


def kilograms_per_litre(salinity: float, temperature: float) -> float:
    """What a litre weighs, kg: 1 mg/L divided by it is mg/kg."""
    return density(salinity, temperature) / 1000


def reference(text: str) -> Reference:
    """The two temperatures of a hydrometer's scale, as written on it.

    Parameters
    ----------
    text : str
        ``25/25``, ``20/4``, ``60F/60F``; one number stands for both. Degrees Celsius unless marked F.

    Raises
    ------
    WaterError
        The text holds no such pair.

    Examples
    --------
    >>> reference("20/4"), reference("25")
    (Reference(sample=20.0, pure=4.0), Reference(sample=25.0, pure=25.0))
    """
    number = r"(\d+(?:\.\d+)?)\s*°?\s*([CF]?)"
    found = re.fullmatch(rf"{number}(?:\s*/\s*{number})?", text.strip(), re.IGNORECASE)
    if not found:
        raise WaterError(
            f'"{text}" is not a reference temperature; write what stands on the hydrometer, '
            "e.g. 25/25, 20/4 or 60F/60F."
        )
    sample = _celsius(found[1], found[2])
    pure = _celsius(found[3], found[4]) if found[3] else sample
    for temperature in (sample, pure):
        if not COLDEST <= temperature <= HOTTEST:
            raise WaterError(
                f'"{text}" means {temperature:g} °C, where no hydrometer is set; for Fahrenheit write 60F/60F.'
            )
    return Reference(sample, pure)


def specific_gravity(salinity: float, scale: Reference) -> float:
    """Density of the sample over that of pure water, each at its temperature of the scale."""
    return density(salinity, scale.sample) / density(0, scale.pure)


def salinity_from_gravity(gravity: float, scale: Reference, temperature: float | None = None) -> float:
    """Practical salinity from a specific gravity.

    Parameters
    ----------
    gravity : float
        As read, e.g. 1.026.
    scale : Reference
        The hydrometer's own; without it a salinity is uncertain by more than 2.
    temperature : float, optional
        Of the water when it was read, °C; left out, the water was at the scale's first temperature. The glass is
        taken not to expand, which 10 °C off the scale mistakes by some 0.3 in salinity.

    Raises
    ------
    WaterError
        No sea water has that specific gravity.
    """
    at = scale.sample if temperature is None else temperature
    wanted = gravity * density(0, scale.pure)
    low, high = density(FRESHEST, at), density(SALTIEST, at)
    if not low <= wanted <= high:
        lowest, highest = (limit / density(0, scale.pure) for limit in (low, high))
        raise WaterError(
            f"no sea water at {at:g} °C has a specific gravity of {gravity:g}; "
            f"on this scale it lies between {lowest:.4f} and {highest:.4f}."
        )
    return float(brentq(lambda salinity: density(salinity, at) - wanted, FRESHEST, SALTIEST, xtol=1e-10))


def salinity_from_conductivity(conductivity: float, temperature: float) -> float:
    """Practical salinity (PSS-78) from conductivity in mS/cm at a temperature in °C (ITS-90), at sea level.

    A meter that corrects its reading to 25 °C is asked with 25; its correction is not that of sea water, so
    measure near 25 °C.

    Raises
    ------
    WaterError
        The scale, which reaches from 2 to 42, gives no salinity for it.
    """
    if not COLDEST <= temperature <= HOTTEST:
        raise WaterError(f"{temperature:g} °C is outside {COLDEST:g} to {HOTTEST:g} °C.")
    salinity = float(gsw.SP_from_C(conductivity, temperature, 0)) if conductivity > 0 else math.nan
    if not 2 <= salinity <= 42:
        raise WaterError(
            f"{conductivity:g} mS/cm at {temperature:g} °C is outside the practical salinity scale (2 to 42); "
            "sea water at 25 °C is near 53 mS/cm, and 53000 µS/cm is 53 mS/cm."
        )
    return salinity


def conductivity(salinity: float, temperature: float) -> float:
    """Conductivity in mS/cm of sea water of a practical salinity at a temperature in °C, at sea level."""
    _check(salinity, temperature)
    return float(gsw.C_from_SP(salinity, temperature, 0))


def _celsius(number: str, mark: str) -> float:
    return (float(number) - 32) / 1.8 if mark.upper() == "F" else float(number)


def _check(salinity: float, temperature: float) -> None:
    if not FRESHEST <= salinity <= SALTIEST:
        raise WaterError(
            f"a salinity of {salinity:g} is outside {FRESHEST:g} to {SALTIEST:g}; "
            "a specific gravity such as 1.026 must be converted first."
        )
    if not COLDEST <= temperature <= HOTTEST:
        raise WaterError(f"{temperature:g} °C is outside {COLDEST:g} to {HOTTEST:g} °C.")
