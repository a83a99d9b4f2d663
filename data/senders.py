"""The invented scenarios: what their tanks are like, who sends a file, in which shape, with which slips."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

from analysis.observation import NITRATE_CARD, NITRATE_PHOTOMETER, PHOSPHATE_PHOTOMETER, KitErrors
from analysis.tank_model import NITRATE_PER_N, PHOSPHATE_PER_P

if TYPE_CHECKING:
    from collections.abc import Callable

Cell = str | float | dt.date
AS_MEANT = "as meant"


@dataclass(frozen=True)
class Assay:
    """How a site measures one variable and writes it down.

    ``factor`` turns the variable's canonical unit into ``unit``, the unit as the site writes it; ``errors``
    are in that unit, and ``kit`` stands in the site's column for it.
    """

    variable: str
    unit: str
    errors: KitErrors
    decimals: int
    factor: float = 1.0
    replicates: int = 1
    kit: str = ""


@dataclass(frozen=True)
class Slip:
    """Something wrong in all rows of a tank and due day (of one ``variable``, where it is named).

    ``wrong`` stands in ``column``, or is made from what was meant. ``mended`` replaces it when the file is
    sent again; None never does, because nobody knows any more. ``copy`` leaves the row and adds a second one
    below it; a copy without a column is the row itself, sent twice. A ``later`` slip is no part of the
    baseline as first sent: somebody changed the figure afterwards.
    """

    tank: str
    due: str
    variable: str = ""
    column: str = ""
    wrong: Cell | Callable[[Cell], Cell] = ""
    mended: Cell | None = None
    copy: bool = False
    later: bool = False


@dataclass(frozen=True)
class Site:
    """Who sends a file and how: shape, habits, due days missed, a tank's last one, notes, slips."""

    file: str
    tanks: tuple[str, ...]
    assays: tuple[Assay, ...]
    layout: str = "long"
    separator: str = ","
    encoding: str = "utf-8"
    decimal: str = "."
    newline: str = "\r\n"
    sheet_per_tank: bool = False
    below: str = "<{}"
    testers: tuple[str, ...] = ("",)
    missed: tuple[str, ...] = ()
    ended: dict[str, str] = field(default_factory=dict)
    notes: dict[tuple[str, str], str] = field(default_factory=dict)
    slips: tuple[Slip, ...] = ()


@dataclass(frozen=True)
class Scenario:
    """What the tank model needs beyond its usual numbers, and the sites. All of it is assumed.

    Parameters
    ----------
    phosphorus_released : float or tuple of float
        Of the feed's phosphorus, the share that reaches the water; one for all blocks or one a block.
    within, spread : float
        How unlike tanks are, inside a block and in all: see :func:`analysis.tank_parameters.vary`.
    liquid, pellets : float
        Full doses, mg C/L/d and mg/L, of equal carbon: pellets lose 0.35 % a day, 55.81 % of it carbon.
    log : str
        Name of the file in which doses, pellets, feed and water changes are written down; empty where nobody does.
    """

    phosphorus_released: float | tuple[float, ...]
    within: float
    spread: float
    liquid: float
    pellets: float
    sites: tuple[Site, ...]
    log: str = ""


def _lower(cell: Cell) -> Cell:
    return f"{float(str(cell)) * 0.7:.1f}"


# A photometer's nitrate and nitrite's share in it: many instructions imply about tenfold (common practice).
_NO3 = replace(NITRATE_PHOTOMETER, nitrite_factor=10.0)
_NO3_N = replace(NITRATE_PHOTOMETER, step=0.01, limit=0.1, nitrite_factor=10.0 / NITRATE_PER_N)
_PO4_DROPS = KitErrors(step=0.01, limit=0.03, fixed_sd=0.012, share_sd=0.08)
_P_PPB = replace(PHOSPHATE_PHOTOMETER, step=1.0, limit=6.0, fixed_sd=0.01 * 1000 / PHOSPHATE_PER_P)
_NO2 = KitErrors(step=0.01, limit=0.02, fixed_sd=0.004, share_sd=0.08)

_NITRATE = Assay("nitrate", "mg/L", _NO3, 1, kit="photometer-no3")
_PHOSPHATE = Assay("phosphate", "mg/L", PHOSPHATE_PHOTOMETER, 2, kit="photometer-po4")
_NITRITE = Assay("nitrite", "mg/L", _NO2, 2, kit="drops-no2")

_CLUB = (
    Site(
        "clubroom.xlsx",
        ("CL1", "CL2", "CL3"),
        (_NITRATE, _PHOSPHATE, _NITRITE),
        layout="wide",
        notes={
            ("CL1", "2025-03-24"): "new bulb in the room lamp, none over the tanks",
            ("CL3", "2025-06-30"): "pump cleaned",
        },
        # A kit that shows nothing has not shown that there is nothing.
        slips=(Slip("CL2", "2025-05-12", "", "phosphate [mg/L]", 0.0, "<0.02"),),
    ),
    Site(
        "tansy-row.csv",
        ("TR1", "TR2", "TR3"),
        (
            replace(_NITRATE, unit="mg/l"),
            replace(_PHOSPHATE, unit="mg/l", errors=_PO4_DROPS, kit="drops-po4"),
            replace(_NITRITE, unit="mg/l"),
        ),
        separator=";",
        encoding="latin-1",
        decimal=",",
        testers=("EB",),
        notes={
            ("TR2", "2025-06-16"): "29 °C in the hall, fan on",
            ("TR3", "2025-04-07"): "café lamp moved away from the glass",
        },
        # Read on the shop's photometer, which shows phosphorus in ppb.
        slips=(Slip("TR1", "2025-06-09", "phosphate", "value", "96", AS_MEANT),),
    ),
    Site(
        "ferrowby-school.xlsx",
        ("FS1", "FS2", "FS3"),
        (
            Assay("nitrate", "mg/L NO3-N", _NO3_N, 2, 1 / NITRATE_PER_N, replicates=2, kit="lab-no3n"),
            replace(_PHOSPHATE, unit="mg/L PO4"),
            replace(_NITRITE, unit="mg/L NO2"),
        ),
        testers=("group 1", "group 2", "group 3"),
        missed=("2025-04-14", "2025-04-21"),
        notes={("FS1", "2025-04-28"): "first test after the Easter holidays"},
        slips=(Slip("FS3", "2025-06-02", "phosphate", "value", "cloudy, not read"),),
    ),
    Site(
        "ropewalk-shop.csv",
        ("RS1", "RS2", "RS3"),
        (
            _NITRATE,
            Assay("phosphate", "ppb P", _P_PPB, 0, 1000 / PHOSPHATE_PER_P, kit="handheld-p"),
            _NITRITE,
        ),
        layout="wide",
        encoding="utf-8-sig",
        notes={("RS3", "2025-05-12"): "reactor rinsed, flow back to normal"},
        # A baseline figure changed after it was sent: the register keeps the first, and nobody knows which is right.
        slips=(Slip("RS2", "2025-03-10", "", "nitrate [mg/L]", _lower, later=True),),
    ),
    Site(
        "hither-marl.csv",
        ("HM1", "HM2", "HM3"),
        (_NITRATE, _PHOSPHATE, _NITRITE),
        separator="\t",
        newline="\n",
        testers=("R", "R", "J"),
        ended={"HM3": "2025-04-20"},
        notes={("HM3", "2025-04-14"): "seam leaking; animals moved out next day, tank ends here"},
        # 3 April, or 4 March?
        slips=(Slip("HM2", "2025-03-31", "", "taken_at", "03/04/2025", "2025-04-03"),),
    ),
    Site(
        "osmerfield.xlsx",
        ("OF1", "OF2", "OF3"),
        (_NITRATE, _PHOSPHATE, _NITRITE),
        layout="wide",
        sheet_per_tank=True,
        slips=(Slip("OF1", "2025-06-09", "", "taken_at", dt.date(2052, 6, 9), AS_MEANT),),
    ),
    Site(
        "pell-strand.csv",
        ("PS1", "PS2", "PS3"),
        (_NITRATE, _PHOSPHATE, _NITRITE),
        below="ND",
        testers=("MO",),
        missed=("2025-06-30",),
        notes={("PS1", "2025-07-07"): "back from holiday"},
        slips=(
            Slip("PS3", "2025-05-05", "nitrate", "tank", "P53", AS_MEANT),
            Slip("PS1", "2025-06-23", "phosphate", "unit", "", AS_MEANT),
            Slip("PS2", "2025-07-07", "nitrate", "tank", "PS"),
        ),
    ),
    Site(
        "wrackley-library.csv",
        ("WL1", "WL2", "WL3"),
        (Assay("nitrate", "mg/L", NITRATE_CARD, 0, kit="card-no3"), _PHOSPHATE, _NITRITE),
        layout="wide",
        separator=";",
        newline="\n",
        slips=(Slip("WL2", "2025-05-19", copy=True),),
    ),
)

_BENCH_NO3 = KitErrors(step=0.1, limit=0.2, relative_sd=0.04, bias_sd=0.03)
_BENCH_PO4 = KitErrors(step=0.01, limit=0.01, relative_sd=0.04, fixed_sd=0.004, bias_sd=0.03)
_BALANCE = KitErrors(step=0.01, limit=-20.0, fixed_sd=0.05, bias_sd=0.0)
_FARM = (
    Site(
        "raceways.csv",
        tuple(f"R{rack}-{level}" for rack in range(1, 7) for level in "ABC"),
        (
            Assay("nitrate", "mg/L", _BENCH_NO3, 1),
            Assay("phosphate", "mg/L", _BENCH_PO4, 2),
            Assay("growth", "%/week", _BALANCE, 2),
        ),
        layout="wide",
        newline="\n",
        notes={("R3-A", "2025-04-28"): "fragment 7 lost its tag, mean of eight"},
        slips=(
            Slip("R2-B", "2025-03-17", "", "growth [%/week]", "95", AS_MEANT),
            Slip("R4-C", "2025-05-05", "", "tank", "R4-D", AS_MEANT),
            Slip("R5-A", "2025-02-24", copy=True),
            Slip("R1-B", "2025-06-09", "", "phosphate [mg/L]", "sample spilt", ""),
        ),
    ),
)

SCENARIOS = {
    # Tansy Row, the second site, is short of phosphate; the others have it to spare.
    "club": Scenario((0.60, 0.28, *[0.60] * 6), 0.3, 0.65, liquid=0.7, pellets=358.0, sites=_CLUB),
    "farm": Scenario(0.45, 0.5, 0.4, liquid=0.25, pellets=128.0, sites=_FARM, log="raceways-log.csv"),
}
