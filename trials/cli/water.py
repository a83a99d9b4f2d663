"""`fairtank water`: the chemistry of the tank, each answer with its unit; doses of carbon are in ``carbon``."""

from __future__ import annotations

from dataclasses import asdict
from typing import Annotated, Any

import typer

from schemas.errors import UsageError, WaterError
from trials.cli import carbon, display
from trials.cli.options import JsonOption, number, number_option, percent

app = typer.Typer(
    name="water",
    help="Conversions, carbon in doses, what runs out first, and other figures of the tank.",
    no_args_is_help=True,
    rich_markup_mode=None,
)

Salinity = Annotated[float, number_option("--salinity", "Practical salinity.")]
Temperature = Annotated[float, number_option("--temperature", "Of the water, °C.")]
PROBES_READ_HIGH = (
    "a probe set with the usual buffers reads some 0.14 higher, and this figure is then a quarter to a third too "
    "high, on the safe side"
)
ACT_FIRST = "Animals in distress come before figures: change water, add air, ask a vet. Local rules on keeping them stand."


def convert(
    value: Annotated[float, typer.Argument(parser=number, metavar="VALUE")],
    unit: Annotated[str, typer.Argument(metavar="UNIT", help='As read, e.g. "mg/L NO3-N", ppb, dKH.')],
    wanted: Annotated[str, typer.Argument(metavar="WANTED", help='The unit asked for, e.g. "umol/kg".')],
    *,
    of: Annotated[str, typer.Option("--of", help="The variable, e.g. nitrate, phosphate, alkalinity.")],
    salinity: Salinity = 35.0,
    temperature: Temperature = 25.0,
    as_json: JsonOption = False,
) -> None:
    """Convert a reading between ion, element, amount, by volume and by mass of water."""
    from analysis.water.forms import convert as converted
    from analysis.water.seawater import kilograms_per_litre
    from schemas.plain_words import nearest
    from schemas.variables import catalogue

    known = catalogue()
    named = {name.casefold(): v.id for v in known.values() for name in (v.id, v.title, *v.names)}
    if of.casefold() not in named:
        close = nearest(of, list(named))
        guess = f"; did you mean {close}?" if close else f"; known: {', '.join(known)}."
        raise WaterError(f'"{of}" is no variable{guess}')
    by_mass = "kg" in unit.casefold() or "kg" in wanted.casefold()
    kilograms = kilograms_per_litre(salinity, temperature) if by_mass else None
    got = converted(value, unit, wanted, known[named[of.casefold()]], kilograms)
    notes = list(got.notes)
    if by_mass:
        notes.append(
            f"a litre weighs {kilograms:.5f} kg at salinity {salinity:g} and {temperature:g} °C (TEOS-10)"
        )
    display.quantities(
        [(of, got.value, got.unit)],
        {
            "value": got.value,
            "unit": got.unit,
            "kilograms_per_litre": kilograms,
        },
        notes=notes,
        as_json=as_json,
    )


def salinity(
    *,
    gravity: Annotated[
        float | None, number_option("--gravity", "Specific gravity as read, e.g. 1.026.")
    ] = None,
    scale: Annotated[
        str | None,
        typer.Option("--scale", help="With --gravity: what stands on the hydrometer: 25/25, 20/4, 60F/60F."),
    ] = None,
    conductivity: Annotated[
        float | None, number_option("--conductivity", "mS/cm, in place of --gravity.")
    ] = None,
    temperature: Annotated[
        float | None,
        number_option("--temperature", "Of the water when read, °C; default: the scale's, or 25."),
    ] = None,
    as_json: JsonOption = False,
) -> None:
    """Salinity from a specific gravity at its reference temperature, or from a conductivity."""
    from analysis.water import seawater

    if (gravity is None) == (conductivity is None):
        raise UsageError("give either --gravity with --scale, or --conductivity.")
    if gravity is not None:
        if scale is None:
            raise UsageError(
                "--gravity needs --scale, the temperatures that stand on the hydrometer (25/25, 20/4, 60F/60F): "
                "without them salinity is uncertain by more than 2."
            )
        reference = seawater.reference(scale)
        at = reference.sample if temperature is None else temperature
        found = seawater.salinity_from_gravity(gravity, reference, at)
    else:
        at = 25.0 if temperature is None else temperature
        found = seawater.salinity_from_conductivity(conductivity or 0.0, at)
    others = {
        text: seawater.specific_gravity(found, seawater.reference(text))
        for text in ("25/25", "20/20", "60F/60F", "20/4")
    }
    display.quantities(
        [
            ("practical salinity", found, ""),
            (f"density at {at:g} °C", seawater.density(found, at), "kg/m3", 7),
            ("conductivity at 25 °C", seawater.conductivity(found, 25), "mS/cm"),
            *((f"specific gravity {text}", value, "", 5) for text, value in others.items()),
        ],
        {
            "salinity": found,
            "temperature": at,
            "density": seawater.density(found, at),
            "conductivity_25": seawater.conductivity(found, 25),
            "specific_gravity": others,
        },
        notes=["TEOS-10, sea water of the reference composition; artificial salts differ by some 0.1"],
        as_json=as_json,
    )


def oxygen(
    *,
    salinity: Salinity = 35.0,
    temperature: Temperature = 25.0,
    pressure: Annotated[
        float, number_option("--pressure", "Of the air where the tank stands, kPa (1013 hPa is 101.3).")
    ] = 101.325,
    measured: Annotated[float | None, number_option("--measured", "Oxygen read, mg/L.")] = None,
    as_json: JsonOption = False,
) -> None:
    """Oxygen that the water holds when saturated, and a reading as per cent of it."""
    from analysis.water import oxygen as o

    full = o.saturation(salinity, temperature, pressure)
    percent_ = None if measured is None else o.percent_saturation(measured, salinity, temperature, pressure)
    litres, micromoles = (
        fit(salinity, temperature) for fit in (o.saturation_ml_per_litre, o.saturation_umol_per_kg)
    )
    rows: list[Any] = [
        ("saturation", full, "mg/L"),
        ("at one atmosphere", litres, "mL/L"),
        ("at one atmosphere", micromoles, "µmol/kg"),
    ]
    if percent_ is not None:
        rows.append(("the reading", percent_, "% of saturation"))
    low = measured is not None and (measured < 4.5 or (percent_ or 100) < 70)
    display.quantities(
        rows,
        {
            "saturation": full,
            "saturation_ml_per_litre": litres,
            "saturation_umol_per_kg": micromoles,
            "percent": percent_,
            "equation": "Garcia and Gordon 1992",
        },
        notes=["Garcia and Gordon 1992"],
        cautions=[ACT_FIRST] if low else [],
        as_json=as_json,
    )


def ammonia(
    total: Annotated[float, typer.Argument(parser=number, metavar="TOTAL", help="Total ammonia as read.")],
    unit: Annotated[str, typer.Argument(metavar="UNIT", help='"mg/L as N", "mg/L NH3" or "mg/L NH4".')],
    *,
    ph: Annotated[
        float, number_option("--ph", "On the total scale; hobby probes read higher, see the note.")
    ],
    salinity: Salinity = 35.0,
    temperature: Temperature = 25.0,
    as_json: JsonOption = False,
) -> None:
    """Un-ionised ammonia, the part of total ammonia that harms gills."""
    from analysis.water.ammonia import unionised_share
    from schemas.units import to_canonical
    from schemas.variables import catalogue

    share = unionised_share(ph, salinity, temperature)
    nitrogen = to_canonical(total, unit, catalogue()["ammonia"])
    notes = [
        "Clegg and Whitfield 1995, total pH scale",
        PROBES_READ_HIGH,
    ]
    display.quantities(
        [
            ("un-ionised share", 100 * share, "%"),
            ("un-ionised ammonia", share * nitrogen, "mg/L as N"),
            ("total ammonia", nitrogen, "mg/L as N"),
        ],
        {
            "share": share,
            "unionised_n": share * nitrogen,
            "total_n": nitrogen,
        },
        notes=notes,
        cautions=[ACT_FIRST] if share * nitrogen > 0.02 else [],
        as_json=as_json,
    )


def water_change(
    concentration: Annotated[float, typer.Argument(parser=number, metavar="CONCENTRATION")],
    share: Annotated[float, typer.Argument(parser=percent, metavar="PERCENT", help="Of the water, e.g. 10.")],
    *,
    new: Annotated[float, number_option("--new", "Concentration of the new water.")] = 0.0,
    times: Annotated[int, typer.Option("--times", min=1, help="How many such changes.")] = 1,
    every: Annotated[float, number_option("--every", "Days between changes.")] = 7.0,
    as_json: JsonOption = False,
) -> None:
    """What water changes leave of a concentration."""
    from analysis.water.husbandry import after_water_change, water_change_rate

    after = after_water_change(concentration, share, new, times)
    rate = water_change_rate(share, every) if every > 0 else None
    if rate is None:
        raise WaterError("--every needs days above 0.")
    display.quantities(
        [("afterwards", after, "in the unit given"), ("steady loss", 100 * rate, "% per day")],
        {"after": after, "rate_per_day": rate},
        as_json=as_json,
    )


def evaporation(
    concentration: Annotated[
        float, typer.Argument(parser=number, metavar="VALUE", help="Salinity, or anything dissolved.")
    ],
    volume: Annotated[float, typer.Argument(parser=number, metavar="LITRES", help="Net volume when full.")],
    lost: Annotated[float, typer.Argument(parser=number, metavar="LOST", help="Litres that evaporated.")],
    *,
    top_up: Annotated[float, number_option("--top-up", "Concentration of the water that replaces it.")] = 0.0,
    as_json: JsonOption = False,
) -> None:
    """What evaporation does to a concentration, and what the top-up water brings."""
    from analysis.water.husbandry import evaporated, top_up_load

    low = evaporated(concentration, volume, lost)
    brought = top_up_load(top_up, lost / volume)
    display.quantities(
        [
            ("before topping up", low, "in the unit given"),
            ("brought by topping up", brought, "in the unit given"),
        ],
        {"before_top_up": low, "brought": brought, "after_top_up": concentration + brought},
        notes=["test after topping up, or nitrate and phosphate read high by as much as the salinity"],
        as_json=as_json,
    )


def feed(
    grams: Annotated[float, typer.Argument(parser=number, metavar="GRAMS", help="Dry feed, for any time.")],
    litres: Annotated[float, typer.Argument(parser=number, metavar="LITRES", help="Net volume.")],
    *,
    protein: Annotated[float, typer.Option("--protein", parser=percent, help="Per cent of the feed.")] = 45,
    phosphorus: Annotated[
        float, typer.Option("--phosphorus", parser=percent, help="Per cent of the feed.")
    ] = 1.2,
    released: Annotated[
        float, typer.Option("--released", parser=percent, help="Per cent that reaches the water.")
    ] = 100,
    as_json: JsonOption = False,
) -> None:
    """Nitrogen and phosphorus in feed, and the nitrate and phosphate that they can make."""
    from analysis.water import husbandry

    if litres <= 0:
        raise WaterError("a tank holds more than 0 L.")
    got = husbandry.feed(grams, protein, phosphorus)
    nitrate, phosphate = got.as_nitrate(litres, released), got.as_phosphate(litres, released)
    display.quantities(
        [
            ("nitrogen", got.nitrogen, "mg"),
            ("phosphorus", got.phosphorus, "mg"),
            ("nitrate", nitrate, "mg/L, if all that reaches the water becomes nitrate"),
            ("phosphate", phosphate, "mg/L"),
            ("nitrogen per phosphorus", got.nitrogen_to_phosphorus if got.phosphorus else None, "atoms"),
        ],
        asdict(got) | {"nitrate": nitrate, "phosphate": phosphate},
        as_json=as_json,
    )


def balance(
    volume: Annotated[float, typer.Argument(parser=number, metavar="LITRES", help="Net volume.")],
    readings: Annotated[
        list[str], typer.Argument(metavar="DAY=VALUE...", help="Readings in mg/L, e.g. 0=20 7=18.5 14=17.")
    ],
    *,
    fed: Annotated[
        float, number_option("--fed", "mg that feed brought into the water, see `water feed`.")
    ] = 0.0,
    topped_up: Annotated[float, number_option("--topped-up", "mg that top-up water brought.")] = 0.0,
    change: Annotated[
        list[str] | None,
        typer.Option(
            "--change", metavar="DAY=PERCENT[@NEW]", help="A water change, e.g. 7=10@0.5; repeat it."
        ),
    ] = None,
    per: Annotated[
        float | None, number_option("--per", "Grams of polymer or carbon used up, to count the removal by.")
    ] = None,
    as_json: JsonOption = False,
) -> None:
    """Mass balance of nitrate, phosphate or anything else in a tank over an interval."""
    from analysis.water import husbandry

    pairs = [_pair(text, "a reading", "DAY=VALUE, e.g. 7=18.5") for text in readings]
    changes = []
    for text in change or []:
        head, _, new = text.partition("@")
        day, share = _pair(head, "a water change", "DAY=PERCENT[@NEW], e.g. 7=10@0.5")
        changes.append(husbandry.WaterChange(day, share / 100, number(new) if new else 0.0))
    got = husbandry.balance(
        [day for day, _ in pairs],
        [value for _, value in pairs],
        volume,
        fed=fed,
        topped_up=topped_up,
        changes=changes,
    )
    rows = [
        ("at the start", got.started, "mg"),
        ("fed", got.fed, "mg"),
        ("came with top-up water", got.topped_up, "mg"),
        ("came with water changes", got.changed_in, "mg"),
        ("left with water changes", -got.changed_out, "mg"),
        ("at the end", -got.ended, "mg"),
        ("removed by all else", got.removed, "mg"),
        ("a day", got.removed_per_day, "mg"),
        ("a day and litre", got.removed_per_day / volume, "mg/L"),
    ]
    each = None if per is None else got.removed_per(per)
    if each is not None:
        rows.append(("per gram used up", each, "mg/g"))
    display.quantities(
        rows,
        asdict(got) | {"removed": got.removed, "removed_per_day": got.removed_per_day, "removed_per": each},
        notes=[
            "removed by all else: the arm, rock, algae and skimmer together; only a control tells them apart"
        ],
        as_json=as_json,
    )


def _pair(text: str, what: str, form: str) -> tuple[float, float]:
    day, equals, value = text.partition("=")
    if not equals:
        raise WaterError(f'"{text}" is not {what}; write {form}.')
    return number(day.strip()), number(value.strip())


for command in (convert, salinity, oxygen, ammonia, feed, evaporation, balance):
    app.command()(command)
app.command("water-change")(water_change)
carbon.add_to(app)
