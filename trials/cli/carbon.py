"""The carbon commands of `fairtank water`: sources, doses, what runs out first, the ramp, pellets to add."""

from __future__ import annotations

import datetime as dt  # noqa: TC003 - typer reads the annotation at run time
from dataclasses import asdict
from typing import Annotated, Any

import typer

from schemas.errors import WaterError
from trials.cli import display
from trials.cli.options import JsonOption, number, number_option, percent

LOCAL_RULES = (
    "What animals may be given, and how liquids are kept, differs by place: local rules and a vet come before this "
    "figure. Change a dose slowly, and never double up after a missed one."
)
DoseArgument = Annotated[
    str, typer.Argument(metavar="DOSE", help='E.g. "50 g / 100 L", "0.3 mL / 100 L / d", "0.5 mg C / L / d".')
]
SourceArgument = Annotated[
    str, typer.Argument(metavar="SOURCE", help='E.g. phb, "ethanol 40 %", "vinegar 5 %", sucrose.')
]
VolumeOption = Annotated[
    float | None, number_option("--volume", "Net litres, where the dose is for a whole tank.")
]
CellsOption = Annotated[
    str, typer.Option("--cells", help="Carbon, nitrogen and phosphorus of the cells, by atoms.")
]
EfficiencyOption = Annotated[
    float, number_option("--efficiency", "Growth efficiency: share of the carbon that becomes cells.")
]


def sources(*, as_json: JsonOption = False) -> None:
    """List carbon sources: carbon in each, oxygen that burning it takes, nitrate that denitrifying with it takes."""
    from analysis.numerals import number as fixed
    from analysis.water.carbon import SOURCES
    from analysis.water.stoichiometry import denitrified_per_carbon

    rows = [
        {
            "source": source.id,
            "title": source.title,
            "carbon_share": source.carbon_share,
            "oxygen_demand": source.oxygen_demand,
            "oxygen_per_carbon": source.oxygen_per_carbon,
            "nitrate_n_per_carbon": denitrified_per_carbon(source),
            "dosed": source.dosed,
            "cautions": list(source.cautions),
        }
        for source in SOURCES.values()
    ]
    if as_json:
        display.json_document({"sources": rows})
        return
    display.table(
        ("source", "g C per g", "g O2 per g", "g O2 per g C", "g NO3-N per g C denitrified"),
        [
            (
                str(row["source"]) + ("" if row["dosed"] else " (never dosed)"),
                *(
                    fixed(float(str(row[key])), 4)
                    for key in ("carbon_share", "oxygen_demand", "oxygen_per_carbon")
                ),
                fixed(float(str(row["nitrate_n_per_carbon"])), 3),
            )
            for row in rows
        ],
    )
    display.out("Pure substances; a blend's share of carbon is known only from its maker.")


def carbon(
    dose: DoseArgument,
    source: SourceArgument,
    *,
    volume: VolumeOption = None,
    cells: CellsOption = "50:10:1",
    efficiency: EfficiencyOption = 0.3,
    as_json: JsonOption = False,
) -> None:
    """Carbon and oxygen demand of a dose, and what growth on it would take."""
    from analysis.water.carbon import product
    from analysis.water.doses import carbon_of, oxygen_demand_of, parse_dose, per_litre
    from analysis.water.oxygen import saturation
    from analysis.water.stoichiometry import parse_cells, uptake_of

    given, what = parse_dose(dose), product(source)
    grams, oxygen = carbon_of(given, what), oxygen_demand_of(given, what)
    each = " per day" if given.daily else ""
    rows: list[Any] = [("carbon", grams, f"g{each}"), ("oxygen demand", oxygen, f"g{each}")]
    document: dict[str, Any] = {
        "dose": asdict(given),
        "source": what.label,
        "carbon": grams,
        "oxygen_demand": oxygen,
    }
    if given.litres is not None or volume is not None:
        milligrams = per_litre(grams, given, volume)
        taken = uptake_of(milligrams, parse_cells(cells), efficiency)
        demand = per_litre(oxygen, given, volume)
        rows += [
            ("carbon per litre", milligrams, f"mg/L{each}"),
            ("oxygen demand per litre", demand, f"mg/L{each}"),
            ("nitrate that growth takes", taken.nitrate, f"mg/L{each}"),
            ("phosphate that growth takes", taken.phosphate, f"mg/L{each}"),
        ]
        document |= {
            "carbon_per_litre": milligrams,
            "oxygen_demand_per_litre": demand,
            "nitrate_taken": taken.nitrate,
            "phosphate_taken": taken.phosphate,
        }
        if not what.source.solid:
            share = demand / saturation(35, 25)
            rows.append(
                ("of the oxygen in saturated water", 100 * share, f"%{each}, less what goes into cells")
            )
            document["share_of_saturated_oxygen"] = share
    notes = [f"growth: cells {cells}, efficiency {efficiency:g}; assumed, not measured"]
    if what.source.solid:
        notes.append(
            "of a polymer this is all it holds: only what is worn off feeds bacteria, so weigh the pellets"
        )
    display.quantities(
        rows, document, notes=notes, cautions=[*what.source.cautions, LOCAL_RULES], as_json=as_json
    )


def equal_dose(
    dose: DoseArgument,
    source: SourceArgument,
    other: Annotated[str, typer.Argument(metavar="OTHER", help="The source asked about.")],
    *,
    basis: Annotated[
        str, typer.Option("--basis", help="What is made equal: carbon, or the oxygen that burning takes.")
    ] = "carbon",
    life: Annotated[
        float | None, number_option("--life", "Of a polymer: days in which as much is worn off as stands.")
    ] = None,
    as_json: JsonOption = False,
) -> None:
    """The dose of another source that holds as much carbon, or takes as much oxygen."""
    from analysis.water.carbon import product
    from analysis.water.doses import Basis, parse_dose
    from analysis.water.doses import equal_dose as equal
    from analysis.water.husbandry import PELLET_LIFE, standing_for

    if basis not in list(Basis):
        raise WaterError(f'"{basis}" is no basis; write carbon or oxygen.')
    given, first, second = parse_dose(dose), product(source), product(other)
    got = equal(given, first, second, Basis(basis))
    water = "" if got.litres is None else f" for {got.litres:g} L"
    rows: list[Any] = [(second.label, got.amount, f"{got.unit}{water}{' per day' if got.daily else ''}")]
    document: dict[str, Any] = {"basis": basis, "dose": asdict(got), "source": second.label, "standing": None}
    notes = [
        f"equal in {'carbon' if basis == Basis.CARBON else 'oxygen demand'}; the two differ, so register which"
    ]
    if second.source.solid and got.daily:
        standing = standing_for(got.amount, life or PELLET_LIFE)
        rows.append(("should stand, once colonised", standing, f"g{water}"))
        document["standing"] = standing
        notes.append(
            f"the daily figure is what must be worn off; pellets that last {life or PELLET_LIFE:.0f} days"
        )
    cautions = dict.fromkeys((*first.source.cautions, *second.source.cautions, LOCAL_RULES))
    display.quantities(rows, document, notes=notes, cautions=list(cautions), as_json=as_json)


def runs_out(
    nitrate: Annotated[float, typer.Argument(parser=number, metavar="NITRATE", help="mg/L of the ion.")],
    phosphate: Annotated[float, typer.Argument(parser=number, metavar="PHOSPHATE", help="mg/L of the ion.")],
    *,
    carbon_given: Annotated[
        float | None, number_option("--carbon", "mg C/L given in all; left out: as much as growth takes.")
    ] = None,
    cells: CellsOption = "50:10:1",
    efficiency: EfficiencyOption = 0.3,
    as_json: JsonOption = False,
) -> None:
    """What runs out first when bacteria grow, and what is left: nitrate, phosphate or carbon."""
    from analysis.water import stoichiometry
    from schemas.plain_words import listed

    ratio = stoichiometry.parse_cells(cells)
    got = stoichiometry.runs_out(nitrate, phosphate, carbon_given, cells=ratio, efficiency=efficiency)
    infinite = got.nitrogen_to_phosphorus == float("inf")
    rows = [
        ("nitrate taken", got.taken.nitrate, "mg/L"),
        ("nitrate left", got.nitrate_left, "mg/L"),
        ("phosphate taken", got.taken.phosphate, "mg/L"),
        ("phosphate left", got.phosphate_left, "mg/L"),
        ("carbon used", got.taken.carbon_used, "mg C/L"),
        ("carbon left", got.carbon_left, "mg C/L"),
        ("alkalinity returned", got.alkalinity_returned, "meq/L"),
        ("phosphate missing to take all nitrate", got.phosphate_missing, "mg/L"),
        ("carbon to take all nitrate", got.for_all_nitrate.carbon_used, "mg C/L"),
        ("nitrogen per phosphorus in the water", None if infinite else got.nitrogen_to_phosphorus, "atoms"),
    ]
    notes = [
        f"growth alone in closed water, cells {cells} ({ratio.source}), efficiency {efficiency:g}",
        "feed and rock give phosphate back, and denitrification takes nitrate without it",
        f"growth takes {ratio.nitrate_per_phosphate:.2f} mg of nitrate per mg of phosphate",
    ]
    cautions = []
    if "phosphate" in got.first and got.nitrate_left > 0:
        cautions.append(
            "Once phosphate is gone, more carbon only feeds cloudy water and oxygen demand, and corals starve: hold "
            "the dose and feed before raising it."
        )
    document = asdict(got) | {
        "nitrogen_to_phosphorus": None if infinite else got.nitrogen_to_phosphorus,
        "phosphate_missing": got.phosphate_missing,
        "cells_source": ratio.source,
    }
    headline = f"{listed(got.first, 'and').capitalize()} runs out first."
    if len(got.first) > 1:
        headline = f"{listed(got.first, 'and').capitalize()} run out together."
    display.quantities(rows, document, headline=headline, notes=notes, cautions=cautions, as_json=as_json)


def denitrify(
    nitrate: Annotated[float, typer.Argument(parser=number, metavar="NITRATE", help="mg/L of the ion.")],
    source: SourceArgument,
    *,
    cell_share: Annotated[
        float,
        typer.Option(
            "--cell-share", parser=percent, metavar="PERCENT", help="Of the electrons that end in cells."
        ),
    ] = 50,
    as_json: JsonOption = False,
) -> None:
    """What taking nitrate without oxygen spends of a source, the cells it grows, and the alkalinity it gives back."""
    from analysis.water import stoichiometry as s
    from analysis.water.carbon import product

    what = product(source).source
    path = s.Denitrification(cell_share)
    nitrogen = nitrate * s.NITROGEN / s.NITRATE
    grams = s.denitrification_demand(what, path.oxygen_demand)
    even = s.anoxic_share_that_equals_growth(what, oxygen_demand=path.oxygen_demand)
    rows = [
        (f"{what.id} spent", grams * nitrogen, "mg/L"),
        ("its carbon", grams * nitrogen * what.carbon_share, "mg C/L"),
        ("source per nitrate-nitrogen", grams, "g/g"),
        ("oxygen demand per nitrate-nitrogen", path.oxygen_demand, "g/g"),
        ("cells grown", path.cells_grown * nitrogen, "mg/L"),
        ("of the nitrogen, into cells", 100 * path.assimilated_share, "%"),
        ("alkalinity returned", s.alkalinity_returned(nitrate), "meq/L"),
        ("carbon without oxygen that takes as much nitrate as growth", 100 * even, "% of all carbon"),
    ]
    display.quantities(
        rows,
        {
            "source": what.id,
            "spent": grams * nitrogen,
            "carbon_spent": grams * nitrogen * what.carbon_share,
            "source_per_nitrate_n": grams,
            "oxygen_demand_per_nitrate_n": path.oxygen_demand,
            "cells_grown": path.cells_grown * nitrogen,
            "assimilated_share": path.assimilated_share,
            "alkalinity_returned": s.alkalinity_returned(nitrate),
            "anoxic_share_equal_to_growth": even,
        },
        notes=[
            "half reactions after Rittmann and McCarty; the share of electrons in cells is assumed, 0 to 60 %",
            "phosphate is hardly touched: nitrate that falls alone, without it, is a sign of this path",
        ],
        cautions=[*what.cautions, LOCAL_RULES],
        as_json=as_json,
    )


def ramp(
    dose: Annotated[
        str, typer.Argument(metavar="DOSE", help='The full dose, e.g. "50 g / 100 L" or "2 mL/d".')
    ],
    *,
    days: Annotated[int, typer.Option("--days", min=1, help="Length of the ramp.")] = 28,
    every: Annotated[int, typer.Option("--every", min=1, help="Days between steps.")] = 7,
    start: Annotated[
        float, typer.Option("--start", parser=percent, help="Per cent of the full dose on the first day.")
    ] = 100 / 3,
    first: Annotated[
        dt.datetime | None, typer.Option("--first", formats=["%Y-%m-%d"], help="Day of the first dose.")
    ] = None,
    as_json: JsonOption = False,
) -> None:
    """The dose at each step, from a third of the full dose to all of it in about a month."""
    from analysis.numerals import number as fixed
    from analysis.numerals import quantity
    from analysis.water.doses import parse_dose
    from analysis.water.husbandry import ramp_table

    full = parse_dose(dose)
    steps = ramp_table(full, days=days, start=start, every=every, first=first.date() if first else None)
    if as_json:
        display.json_document(
            {
                "full": asdict(full),
                "steps": [
                    {
                        "day": s.day,
                        "date": _iso(s.date),
                        "share": s.share,
                        "amount": s.dose.amount,
                        "unit": full.unit,
                    }
                    for s in steps
                ],
                "cautions": [LOCAL_RULES],
            }
        )
        return
    unit = str(full).partition(" ")[2]
    display.table(
        ("from day", "date", "share", unit),
        [
            (str(s.day), _iso(s.date) or "", fixed(100 * s.share, 0) + " %", quantity(s.dose.amount))
            for s in steps
        ],
    )
    display.remarks(
        ["a third, rising to full over about a month, is common practice without a source"], [LOCAL_RULES]
    )


def top_up(
    grams: Annotated[
        float, typer.Argument(parser=number, metavar="GRAMS", help="Polymer that should stand.")
    ],
    *,
    days: Annotated[int, typer.Option("--days", min=1, help="Length of dosing.")],
    every: Annotated[int, typer.Option("--every", min=1, help="Days between top-ups after the ramp.")] = 42,
    life: Annotated[
        float | None, number_option("--life", "Days in which as much is worn off as stands (180 to 290).")
    ] = None,
    ramp_days: Annotated[int, typer.Option("--ramp-days", min=1, help="Length of the ramp.")] = 28,
    first: Annotated[
        dt.datetime | None, typer.Option("--first", formats=["%Y-%m-%d"], help="Day of the first pellets.")
    ] = None,
    as_json: JsonOption = False,
) -> None:
    """When to add how much polymer, and how much a trial needs in all."""
    from analysis.numerals import quantity
    from analysis.water.carbon import SOURCES
    from analysis.water.husbandry import PELLET_LIFE, top_ups

    rows = top_ups(
        grams,
        days=days,
        every=every,
        life=life or PELLET_LIFE,
        ramp_days=ramp_days,
        first=first.date() if first else None,
    )
    total = sum(row.add for row in rows)
    cautions = [*SOURCES["phb"].cautions, LOCAL_RULES]
    if as_json:
        display.json_document(
            {
                "life_days": life or PELLET_LIFE,
                "total": total,
                "top_ups": [asdict(row) | {"date": _iso(row.date)} for row in rows],
                "cautions": cautions,
            }
        )
        return
    display.table(
        ("day", "date", "should stand, g", "left, g", "add, g"),
        [(str(r.day), _iso(r.date) or "", *map(quantity, (r.wanted, r.left, r.add))) for r in rows],
    )
    display.out(f"In all {quantity(total)} g.")
    worn = f"once colonised, as much as stands is taken to be worn off in {life or PELLET_LIFE:.0f} days"
    display.remarks([f"{worn}: weigh what is left at each top-up and go by that"], cautions)


def _iso(day: dt.date | None) -> str | None:
    return day.isoformat() if day else None


def add_to(app: typer.Typer) -> None:
    """Add these commands to the group."""
    app.command()(sources)
    app.command()(carbon)
    app.command("equal-dose")(equal_dose)
    app.command("runs-out")(runs_out)
    app.command()(denitrify)
    app.command()(ramp)
    app.command("top-up")(top_up)
