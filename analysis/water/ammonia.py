"""The share of total ammonia that is un-ionised (NH3), the form that harms gills.

The constant is that of Clegg and Whitfield 1995, Geochim. Cosmochim. Acta 59:2403, equation 18 (coefficients from
memory, held to an independent implementation by the tests), on the **total** pH scale. The older expression of
Khoo et al. (1977) is not used: Bell et al. 2007 found an error in it.
"""

from __future__ import annotations

import math

from schemas.errors import WaterError


def pk(salinity: float, temperature: float) -> float:
    """The negative logarithm of ammonium's dissociation constant, mol/kg sea water, total pH scale.

    Valid for salinity 0 to 40 and -2 to 40 °C.

    Examples
    --------
    >>> round(pk(35, 25), 4)
    9.2458
    """
    if not (0 <= salinity <= 40 and -2 <= temperature <= 40):
        raise WaterError(
            f"salinity {salinity:g} at {temperature:g} °C is outside what the constant was measured for "
            "(0 to 40, -2 to 40 °C)."
        )
    kelvin = temperature + 273.15
    root = math.sqrt(kelvin)
    per_kg_water = (
        9.244605
        - 2729.33 * (1 / 298.15 - 1 / kelvin)
        + (0.04203362 - 11.24742 / kelvin) * salinity**0.25
        + (-13.6416 + 1.176949 * root - 0.02860785 * kelvin + 545.4834 / kelvin) * salinity**0.5
        + (-0.1462507 + 0.0090226468 * root - 0.0001471361 * kelvin + 10.5425 / kelvin) * salinity**1.5
        + (0.004669309 - 0.0001691742 * root - 0.5677934 / kelvin) * salinity**2
        + (-2.354039e-05 + 0.009698623 / kelvin) * salinity**2.5
    )
    return float(per_kg_water) - math.log10(1 - 0.001005 * salinity)


def unionised_share(ph: float, salinity: float, temperature: float) -> float:
    """NH3 over total ammonia, from pH on the total scale, practical salinity and °C.

    A probe set with the usual buffers reads near the NBS scale, about 0.14 above the total scale in sea water at
    25 °C. Such a reading put in here gives a quarter to a third more than there is: an error on the safe side
    for the animals.
    """
    if not 4 <= ph <= 12:
        raise WaterError(f"a pH of {ph:g} is no tank's; 7.8 to 8.4 is usual.")
    return 1 / (1 + 10 ** (pk(salinity, temperature) - ph))
