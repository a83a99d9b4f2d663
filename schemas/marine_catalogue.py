"""The built-in variables: marine nutrients and husbandry.

Bounds follow the reef trade: *hard* is impossible in a stocked marine tank or a slip of unit, *soft* needs a
look before the reading is believed. A nutrient has no lower soft bound, since low is what a treatment is
for; whether it is too low for the animals is the business of a stop rule.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from schemas.chemistry import molar_mass
from schemas.units import Conversion
from schemas.variable import Variable

if TYPE_CHECKING:
    from collections.abc import Mapping

_PRACTICE = "bounds: common practice, no source"
_WEIGHTS = "conversions: IUPAC standard atomic weights"
_PPM = "ppm is taken as mg/L and ppb as ug/L, as the hobby means them (by mass they are some 2 % smaller)"
_BY_MASS_OF_WATER = (
    "a content by mass of water needs the density (about 1.023 kg/L at salinity 35 and 25 °C); multiply by it"
)


def _dissolved(
    forms: Mapping[str, float], *, bare: bool, molar: bool = True, ppb_note: str = ""
) -> dict[str, Conversion]:
    """Mass concentrations in several chemical forms, and amounts of substance, to mg/L of the first form.

    Parameters
    ----------
    forms : mapping of str to float
        Grams of each form that hold one mole of the substance; the canonical form first.
    bare : bool
        Whether a mass without a form is taken as the canonical form: only where the trade agrees on it.
    molar : bool
        Whether amounts of substance are accepted.
    ppb_note : str
        A further remark on ppb and ug/L without a form.
    """
    canonical = next(iter(forms.values()))
    units: dict[str, Conversion] = {}
    for amount, scale in (("mg/L", 1.0), ("ug/L", 1e-3), ("ppm", 1.0), ("ppb", 1e-3)):
        note = _PPM if amount.startswith("pp") else ""
        if bare:
            remarks = [note, ppb_note if scale < 1 else ""]
            units[amount] = Conversion(scale, note="; ".join(filter(None, remarks)))
        for form, mass in forms.items():
            units[f"{amount} as {form}"] = Conversion(scale * canonical / mass, note=note)
    if molar:
        for amount, scale in (("umol/L", 1e-3), ("mmol/L", 1.0), ("nmol/L", 1e-6)):
            units[amount] = Conversion(scale * canonical)
    return units


def _by_mass_of_water(*units: str) -> dict[str, str]:
    return dict.fromkeys(units or ("umol/kg", "mmol/kg", "mg/kg", "ug/kg"), _BY_MASS_OF_WATER)


def _without_form(choices: str) -> dict[str, str]:
    return dict.fromkeys(
        ("mg/L", "ug/L", "ppm", "ppb"), f"kits count it in different forms, so say which: {choices}"
    )


_N, _P, _SI = molar_mass("N"), molar_mass("P"), molar_mass("Si")
_DKH = 2 * 10 / molar_mass("CaO")  # one German degree is 10 mg/L CaO, and CaO neutralises two equivalents

CATALOGUE: tuple[Variable, ...] = (
    Variable(
        id="nitrate",
        title="Nitrate",
        unit="mg/L",
        units=_dissolved({"NO3": molar_mass("NO3"), "N": _N, "NO3-N": _N}, bare=True),
        hard=(0, 1000),
        soft=(0, 50),
        resolution=0.5,
        zero_is_censored=True,
        form="nitrate ion (NO3)",
        source=f"{_WEIGHTS}; {_PRACTICE}",
        names=("NO3", "nitrates"),
        refused=_by_mass_of_water(),
    ),
    Variable(
        id="nitrite",
        title="Nitrite",
        unit="mg/L",
        units=_dissolved({"NO2": molar_mass("NO2"), "N": _N, "NO2-N": _N}, bare=True),
        hard=(0, 200),
        soft=(0, 0.2),
        resolution=0.01,
        zero_is_censored=True,
        form="nitrite ion (NO2)",
        source=f"{_WEIGHTS}; {_PRACTICE}",
        names=("NO2", "nitrites"),
        refused=_by_mass_of_water(),
    ),
    Variable(
        id="ammonia",
        title="Total ammonia",
        unit="mg/L as N",
        units=_dissolved(
            {
                "N": _N,
                "NH3-N": _N,
                "NH4-N": _N,
                "TAN": _N,
                "NH3": molar_mass("NH3"),
                "NH4": molar_mass("NH4"),
            },
            bare=False,
        ),
        hard=(0, 50),
        soft=(0, 0.1),
        resolution=0.05,
        zero_is_censored=True,
        form="total ammonia (NH3 and NH4 together) as nitrogen",
        source=f"{_WEIGHTS}; {_PRACTICE}",
        names=("NH3", "NH4", "ammonium", "total ammonia", "TAN"),
        refused=_by_mass_of_water() | _without_form("as N, as NH3 or as NH4"),
    ),
    Variable(
        id="phosphate",
        title="Phosphate",
        unit="mg/L",
        units=_dissolved(
            {
                "PO4": molar_mass("PO4"),
                "P": _P,
                "PO4-P": _P,
                "P2O5": molar_mass("P2O5") / 2,
            },
            bare=True,
            ppb_note='without "as P" it is taken as the phosphate ion, though some photometers show phosphorus',
        ),
        hard=(0, 20),
        soft=(0, 0.5),
        resolution=0.01,
        zero_is_censored=True,
        form="phosphate ion (PO4)",
        source=f"{_WEIGHTS}; {_PRACTICE}",
        names=("PO4", "phosphates", "orthophosphate"),
        refused=_by_mass_of_water(),
    ),
    Variable(
        id="silicate",
        title="Silicate",
        unit="mg/L as SiO2",
        units=_dissolved(
            {
                "SiO2": molar_mass("SiO2"),
                "Si": _SI,
                "SiO2-Si": _SI,
                "SiO4-Si": _SI,
                "SiO3": molar_mass("SiO3"),
                "SiO4": molar_mass("SiO4"),
            },
            bare=False,
        ),
        hard=(0, 100),
        soft=(0, 3),
        resolution=0.1,
        zero_is_censored=True,
        form="reactive silicate as silica (SiO2)",
        source=f"{_WEIGHTS}; {_PRACTICE}",
        names=("SiO2", "silica", "silicates"),
        refused=_by_mass_of_water() | _without_form("as SiO2 or as Si"),
    ),
    Variable(
        id="alkalinity",
        title="Alkalinity",
        unit="meq/L",
        units={
            "meq/L": Conversion(),
            "ueq/L": Conversion(1e-3),
            "dKH": Conversion(_DKH),
            "mg/L as CaCO3": Conversion(2 / molar_mass("CaCO3")),
            "ppm as CaCO3": Conversion(2 / molar_mass("CaCO3"), note=_PPM),
            "mg/L as HCO3": Conversion(1 / molar_mass("HCO3")),
            "ppm as HCO3": Conversion(1 / molar_mass("HCO3"), note=_PPM),
        },
        hard=(0.18, 10.7),
        soft=(2.1, 4.3),
        resolution=0.1,
        zero_is_censored=False,
        form="total alkalinity",
        source=f"{_WEIGHTS}, 1 dKH = 10 mg/L CaO; {_PRACTICE} (0.5 to 30 dKH, 6 to 12 dKH)",
        names=("KH", "alk", "dKH", "total alkalinity", "carbonate hardness"),
        refused=_by_mass_of_water()
        | dict.fromkeys(("mg/L", "ppm"), "say as what it is counted: as CaCO3 or as HCO3")
        | dict.fromkeys(
            ("mmol/L", "umol/L"), "an amount of carbonate holds two equivalents and of bicarbonate one"
        ),
    ),
    Variable(
        id="calcium",
        title="Calcium",
        unit="mg/L",
        units=_dissolved({"Ca": molar_mass("Ca"), "CaCO3": molar_mass("CaCO3")}, bare=True),
        hard=(0, 1500),
        soft=(350, 500),
        resolution=10,
        zero_is_censored=True,
        form="calcium ion (Ca)",
        source=f"{_WEIGHTS}; {_PRACTICE}",
        names=("Ca",),
        refused=_by_mass_of_water(),
    ),
    Variable(
        id="magnesium",
        title="Magnesium",
        unit="mg/L",
        units=_dissolved({"Mg": molar_mass("Mg")}, bare=True),
        hard=(0, 4000),
        soft=(1100, 1550),
        resolution=30,
        zero_is_censored=True,
        form="magnesium ion (Mg)",
        source=f"{_WEIGHTS}; {_PRACTICE}",
        names=("Mg",),
        refused=_by_mass_of_water(),
    ),
    Variable(
        id="salinity",
        title="Salinity",
        unit="PSU",
        units={
            "PSU": Conversion(),
            "ppt": Conversion(note="ppt is taken as practical salinity (they differ by some 0.5 %)"),
        },
        hard=(5, 60),
        soft=(31, 37),
        resolution=1,
        zero_is_censored=False,
        form="practical salinity",
        source=_PRACTICE,
        names=("sal",),
        refused={
            "SG": "a specific gravity needs the hydrometer's two reference temperatures and a table of density",
            "mS/cm": "a conductivity needs the temperature and the practical salinity scale",
            "uS/cm": "a conductivity needs the temperature and the practical salinity scale",
        },
    ),
    Variable(
        id="temperature",
        title="Temperature",
        unit="°C",
        units={"°C": Conversion(), "°F": Conversion(5 / 9, -160 / 9), "K": Conversion(1.0, -273.15)},
        hard=(5, 40),
        soft=(23, 28.5),
        resolution=0.1,
        zero_is_censored=False,
        form="",
        source=f"conversions: definitions of the scales; {_PRACTICE}",
        names=("temp", "water temperature"),
        true_zero=False,
    ),
    Variable(
        id="ph",
        title="pH",
        unit="pH",
        units={"pH": Conversion(), "1": Conversion()},
        hard=(6, 10),
        soft=(7.7, 8.6),
        resolution=0.01,
        zero_is_censored=False,
        form="as the meter was calibrated (hobby buffers: the NBS scale)",
        source=_PRACTICE,
        names=("pH value",),
        true_zero=False,
    ),
    Variable(
        id="oxygen",
        title="Dissolved oxygen",
        unit="mg/L",
        units=_dissolved({"O2": molar_mass("O2")}, bare=True),
        hard=(0, 20),
        soft=(5.5, 12),
        resolution=0.1,
        zero_is_censored=False,
        form="oxygen (O2)",
        source=f"{_WEIGHTS}; {_PRACTICE}",
        names=("DO", "O2", "dissolved oxygen"),
        refused=_by_mass_of_water() | {"%": "a saturation is its own variable, oxygen-saturation"},
    ),
    Variable(
        id="oxygen-saturation",
        title="Oxygen saturation",
        unit="%",
        units={"%": Conversion()},
        hard=(0, 300),
        soft=(80, 150),
        resolution=1,
        zero_is_censored=False,
        form="of air saturation at the tank's temperature and salinity",
        source=_PRACTICE,
        names=("DO %", "O2 saturation"),
        refused={"mg/L": "a concentration is its own variable, oxygen"},
    ),
    Variable(
        id="redox",
        title="Redox potential",
        unit="mV",
        units={"mV": Conversion(), "V": Conversion(1000.0)},
        hard=(-600, 700),
        soft=(200, 500),
        resolution=1,
        zero_is_censored=False,
        form="as the probe shows it",
        source=_PRACTICE,
        names=("ORP", "redox potential"),
        true_zero=False,
    ),
    Variable(
        id="doc",
        title="Dissolved organic carbon",
        unit="mg/L",
        units=_dissolved({"C": molar_mass("C")}, bare=True),
        hard=(0, 500),
        soft=(0, 5),
        resolution=0.1,
        zero_is_censored=True,
        form="carbon (C) of a filtered sample",
        source=f"{_WEIGHTS}; {_PRACTICE}",
        names=("dissolved organic carbon",),
        refused=_by_mass_of_water(),
    ),
    Variable(
        id="toc",
        title="Total organic carbon",
        unit="mg/L",
        units=_dissolved({"C": molar_mass("C")}, bare=True),
        hard=(0, 500),
        soft=(0, 5),
        resolution=0.1,
        zero_is_censored=True,
        form="carbon (C) of an unfiltered sample",
        source=f"{_WEIGHTS}; {_PRACTICE}",
        names=("total organic carbon",),
        refused=_by_mass_of_water(),
    ),
    Variable(
        id="volume",
        title="Net water volume",
        unit="L",
        units={
            "L": Conversion(),
            "mL": Conversion(1e-3),
            "m3": Conversion(1000.0),
            "US gal": Conversion(3.785411784),
            "imp gal": Conversion(4.54609),
        },
        hard=(0.1, 1_000_000),
        soft=(20, 20_000),
        resolution=1,
        zero_is_censored=False,
        form="",
        source=f"conversions: legal definitions of the gallons, exact, from memory; {_PRACTICE}",
        names=("water volume", "net volume"),
        refused={"gal": "there are two gallons, so say US gal or imp gal"},
    ),
    Variable(
        id="flow",
        title="Reactor flow",
        unit="L/h",
        units={
            "L/h": Conversion(),
            "L/min": Conversion(60.0),
            "mL/min": Conversion(0.06),
            "US gal/h": Conversion(3.785411784),
        },
        hard=(0, 20_000),
        soft=(50, 3000),
        resolution=10,
        zero_is_censored=False,
        form="",
        source=f"conversions: as for volume; {_PRACTICE}",
        names=("reactor flow", "flow rate"),
        refused={"gal/h": "there are two gallons, so say US gal/h"},
    ),
)
