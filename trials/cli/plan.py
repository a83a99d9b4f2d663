"""`fairtank plan`: what a protocol's trial could show, what it would cost, and where it would stall."""

from __future__ import annotations

from pathlib import Path  # noqa: TC003 - typer reads the annotation at run time
from typing import TYPE_CHECKING, Annotated

import typer

from schemas.errors import AnalysisError, UsageError
from trials.cli import display, planning_display
from trials.cli.options import JsonOption, number_option, percent

if TYPE_CHECKING:
    from schemas.protocol import Endpoint, Protocol
    from trials.planning_search import Wishes
    from trials.planning_trials import Belief
    from trials.spreading import SpreadOut


def plan(
    protocol: Annotated[Path, typer.Argument(metavar="PROTOCOL", help="The protocol, a TOML file.")],
    *,
    power: Annotated[
        float | None,
        number_option("--power", "The power wished for; else the protocol's wished_power, else 0.8."),
    ] = None,
    half_width: Annotated[
        float | None,
        number_option(
            "--half-width",
            "Also say how large a trial's intervals reach no further to either side (a ratio's: a factor, e.g. 1.25).",
        ),
    ] = None,
    correlation: Annotated[
        float | None,
        number_option(
            "--correlation", "Of baseline and outcome between tanks; the sd is then of raw numbers."
        ),
    ] = None,
    nitrate: Annotated[
        float | None, number_option("--nitrate", "mg/L that tanks start from, for the warnings; assumed 20.")
    ] = None,
    phosphate: Annotated[
        float | None,
        number_option("--phosphate", "mg/L that tanks start from, for the warnings; assumed 0.12."),
    ] = None,
    simulate: Annotated[
        bool, typer.Option("--simulate", help="Draw whole trials and analyse each as registered.")
    ] = False,
    trials: Annotated[int, typer.Option("--trials", min=1, help="Trials to draw at most.")] = 2000,
    error: Annotated[
        float | None,
        number_option("--error", "Stop once the Monte Carlo error of every power is so small, e.g. 0.01."),
    ] = None,
    effect_sd: Annotated[
        float | None,
        number_option(
            "--effect-sd",
            "How unsure the effect is, for assurance (a ratio's on logarithms); a quarter of it. 0: certain.",
        ),
    ] = None,
    sd_cv: Annotated[
        float | None,
        number_option("--sd-cv", "How unsure the sd is, as a share of it, for assurance; 0.2. 0: certain."),
    ] = None,
    seed: Annotated[
        int, typer.Option("--seed", min=0, help="Of the simulation: the same seed, the same numbers.")
    ] = 1,
    lost: Annotated[
        float,
        typer.Option("--lost", parser=percent, metavar="PERCENT", help="Of tanks that end without a number."),
    ] = 0,
    workers: Annotated[
        int,
        typer.Option("--workers", min=1, help="Processes that share the work; the numbers stay the same."),
    ] = 1,
    cluster: Annotated[
        str | None,
        typer.Option("--cluster", metavar="ADDRESS", help="Of a Dask scheduler, e.g. tcp://host:8786."),
    ] = None,
    search: Annotated[
        bool,
        typer.Option("--search", help="Find the cheapest designs; with --simulate by the tank model."),
    ] = False,
    blocks: Annotated[
        str | None,
        typer.Option("--blocks", metavar="LIST", help="Blocks (tanks an arm) to try, e.g. 6,8,12."),
    ] = None,
    weeks: Annotated[str, typer.Option("--weeks", metavar="LIST", help="Weeks assessed to try.")] = "8,12,16",
    every: Annotated[
        str, typer.Option("--every", metavar="LIST", help="Days between sampling days to try.")
    ] = "7,14",
    duplicates: Annotated[
        str, typer.Option("--duplicates", metavar="LIST", help="Readings a sampling day to try.")
    ] = "1,2",
    each: Annotated[
        str, typer.Option("--each", metavar="LIST", help="Tanks of an arm in a block to try.")
    ] = "1",
    kits: Annotated[
        str | None,
        typer.Option("--kits", metavar="LIST", help="Of the protocol's kits to try; all of the variable's."),
    ] = None,
    cost_kit: Annotated[
        float | None,
        number_option(
            "--cost-kit", "Of one reading with a kit, in any currency; costs left out are the protocol's."
        ),
    ] = None,
    cost_tank: Annotated[float | None, number_option("--cost-tank", "Of setting up one tank.")] = None,
    cost_tank_week: Annotated[
        float | None, number_option("--cost-tank-week", "Of keeping one tank for a week.")
    ] = None,
    cost_hour: Annotated[float | None, number_option("--cost-hour", "Of an hour of a person's time.")] = None,
    minutes: Annotated[
        float | None,
        number_option(
            "--minutes", "Of that time for a tank on a sampling day, each variable read once; 10 a reading."
        ),
    ] = None,
    figure: Annotated[
        Path | None,
        typer.Option("--figure", metavar="FILE", help="With --search: power as a map, .svg or .png."),
    ] = None,
    as_json: JsonOption = False,
) -> None:
    """What a trial could show before it starts: the first three lines say whether it is worth starting."""
    from trials.planning import plan as by_formula
    from trials.planning_search import Wishes
    from trials.planning_sizes import sizes
    from trials.planning_trials import SD_CV, Belief
    from trials.planning_warnings import Start, planning_warnings
    from trials.protocol_file import load
    from trials.spreading import spreading

    _refuse_mixed(figure=figure, search=search, work=simulate, cluster=cluster, workers=workers, lost=lost)
    _refuse_unsimulated(work=simulate, error=error, effect_sd=effect_sd, sd_cv=sd_cv)
    loaded = load(protocol)
    trial = loaded.protocol
    if power is None:
        power = (trial.planning.wished_power if trial.planning else None) or 0.8
    planned = by_formula(trial, wanted=power, correlation=correlation)
    primaries = [e for e in trial.endpoints if e.role == "primary"]
    needed = {
        e.id: sizes(trial, e, wanted=power, width=half_width, correlation=correlation) for e in primaries
    }
    given = {
        name: value for name, value in (("nitrate", nitrate), ("phosphate", phosphate)) if value is not None
    }
    if any(value <= 0 for value in given.values()):
        raise UsageError("--nitrate and --phosphate are levels that tanks start from; give mg/L above 0.")
    warnings = (*loaded.warnings, *planning_warnings(trial, Start(**given)))
    endpoint = _first_primary(trial)
    simulated = searched = None
    with spreading(workers, cluster) as spread_out:
        if simulate:
            simulated = _simulated(
                trial,
                endpoint,
                trials,
                seed,
                error or 0.0,
                Belief(effect_sd, SD_CV if sd_cv is None else sd_cv),
                lost,
                correlation,
                spread_out,
                quiet=as_json,
            )
        if search:
            wishes = Wishes(
                _numbers("--blocks", blocks) if blocks else (),
                _numbers("--weeks", weeks),
                _numbers("--every", every),
                _numbers("--duplicates", duplicates),
                _numbers("--each", each),
                tuple(name.strip() for name in (kits or "").split(",") if name.strip()),
                cost_kit,
                cost_tank,
                cost_tank_week,
                cost_hour,
                minutes,
            )
            searched = _searched(
                trial,
                endpoint,
                wishes,
                power,
                correlation,
                (trials, seed, spread_out) if simulate else None,
                quiet=as_json,
            )
    if figure is not None and searched is not None:
        _draw(figure, searched, power)
    if as_json:
        display.json_document(
            planning_display.document(trial, planned, needed, warnings, power, simulated, searched)
        )
        return
    planning_display.planned(trial, planned, needed, warnings, power, half_width)
    if simulated is not None:
        planning_display.simulation(endpoint, simulated)
    if searched is not None:
        planning_display.search(endpoint, searched, power)
    if figure is not None:
        display.out(f"Figure: {figure}")
    display.out(f"Next: fairtank register {protocol}")


def _refuse_mixed(
    *, figure: Path | None, search: bool, work: bool, cluster: str | None, workers: int, lost: float
) -> None:
    if figure is not None and not search:
        raise UsageError("--figure draws the designs of a search; give it with --search.")
    if figure is not None and figure.suffix.lower() not in (".svg", ".png"):
        raise UsageError(f"{figure} is neither .svg nor .png; name the figure by one of them.")
    if not work and (cluster is not None or workers > 1 or lost):
        raise UsageError(
            "--workers, --cluster and --lost are for trials that are drawn; give them with --simulate."
        )
    if cluster is not None and workers > 1:
        raise UsageError(
            "--workers shares work on this machine and --cluster on others; give one of the two."
        )
    if not 0 <= lost < 1:
        raise UsageError("--lost is a share of the tanks: 0 to below 100 per cent.")


def _refuse_unsimulated(
    *, work: bool, error: float | None, effect_sd: float | None, sd_cv: float | None
) -> None:
    if not work and any(value is not None for value in (error, effect_sd, sd_cv)):
        raise UsageError(
            "--error, --effect-sd and --sd-cv are for trials that are drawn; give them with --simulate."
        )
    if error is not None and not 0 < error < 0.5:
        raise UsageError("--error is a standard error of power: above 0 and below 0.5, such as 0.01.")


def _numbers(option: str, text: str) -> tuple[int, ...]:
    parts = [part.strip() for part in text.split(",") if part.strip()]
    if not parts or not all(part.isdecimal() and int(part) > 0 for part in parts):
        raise UsageError(f'{option} "{text}" is not a list of whole numbers above 0; write it like 6,8,12.')
    return tuple(sorted({int(part) for part in parts}))


def _first_primary(trial: Protocol) -> Endpoint:
    return next((e for e in trial.endpoints if e.role == "primary"), trial.endpoints[0])


def _simulated(
    trial: Protocol,
    endpoint: Endpoint,
    trials: int,
    seed: int,
    error: float,
    belief: Belief,
    lost: float,
    correlation: float | None,
    spread_out: SpreadOut,
    *,
    quiet: bool,
) -> planning_display.Simulation:
    """Both simulations; one that does not hold for this trial leaves its sentence, but one of them must."""
    from trials.planning_trials import simulate_plain, simulate_tanks, unmodelled_rules, worlds

    missing, plain, tanks = [], None, None
    try:
        with display.counting(trials * worlds(trial, belief), "plain trials", quiet=quiet) as tell:
            plain = simulate_plain(
                trial,
                endpoint,
                trials=trials,
                seed=seed,
                correlation=correlation,
                lost=lost,
                error=error,
                belief=belief,
                spread_out=spread_out,
                progress=tell,
            )
    except AnalysisError as refusal:
        missing.append(str(refusal))
    try:
        with display.counting(trials * (1 + belief.unsure), "trials of the tank model", quiet=quiet) as tell:
            tanks = simulate_tanks(
                trial,
                endpoint,
                trials=trials,
                seed=seed,
                lost=lost,
                error=error,
                belief=belief,
                spread_out=spread_out,
                progress=tell,
            )
    except AnalysisError as refusal:
        missing.append(str(refusal))
    if plain is None and tanks is None:
        raise AnalysisError("Nothing can be simulated. " + " ".join(missing))
    if tanks is not None and (left := unmodelled_rules(trial)):
        missing.append(f"Stop rules on {', '.join(left)} are not in the tank model and are not counted.")
    return planning_display.Simulation(endpoint.id, seed, trials, error, plain, tanks, tuple(missing))


def _searched(
    trial: Protocol,
    endpoint: Endpoint,
    wishes: Wishes,
    wanted: float,
    correlation: float | None,
    drawn: tuple[int, int, SpreadOut] | None,
    *,
    quiet: bool,
) -> planning_display.Search:
    from trials import planning_search as rooms

    if drawn is None:
        with display.working("trying designs", quiet=quiet):
            found = rooms.search(trial, endpoint, wishes, wanted=wanted, correlation=correlation)
    else:
        trials, seed, spread_out = drawn
        with display.counting(trials, "trials, each in every design", quiet=quiet) as tell:
            found = rooms.search_tanks(
                trial,
                endpoint,
                wishes,
                seed=seed,
                trials=trials,
                spread_out=spread_out,
                progress=lambda done, _all: tell(done),
            )
    words = rooms.recommendation(trial, endpoint, found, wanted)
    return planning_display.Search(found, words, rooms.UNITS[trial.design.kind])


def _draw(path: Path, searched: planning_display.Search, wanted: float) -> None:
    from analysis.plots import search as plot
    from analysis.plots.theme import render

    kind = path.suffix.lower().removeprefix(".")
    content = render(plot.figure(searched.found, wanted, searched.unit), kind)[kind]
    try:
        path.write_bytes(content)
    except OSError as error:
        raise UsageError(f"{path} cannot be written: {error.strerror}.") from None
