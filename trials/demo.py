"""The whole job on invented data: seal, take in, draw, analyse, report, in a folder of its own."""

from __future__ import annotations

import shutil
from dataclasses import dataclass, replace
from pathlib import Path  # noqa: TC003 - kept importable for readers of the annotations
from typing import TYPE_CHECKING

from analysis.evaluation import evaluate
from analysis.wording import answer_lines
from schemas.errors import FairtankError, UsageError
from trials import __version__, allocation, protocol_file
from trials.intake.several import read_files
from trials.register.store import Register
from trials.registered_analysis import happened_in
from trials.report import write_report
from trials.report_material import material_from
from trials.scenarios import read_story, scenario_names, scenarios_folder

if TYPE_CHECKING:
    import datetime as dt
    from collections.abc import Callable

    import pandas as pd

    from schemas.allocation import Allocation
    from trials.register.records import IntakeBatch, SealedTrial
    from trials.scenarios import IntakeStep, Story

    Say = Callable[[str], None]

REGISTER = "fairtank.db"


@dataclass(frozen=True)
class DemoOutcome:
    """Where the demo left everything: the report's first page, the answer, the folder."""

    report: Path
    answer: list[str]
    folder: Path


def run_demo(folder: Path, scenario: str, *, say: Say) -> DemoOutcome:
    """Do the whole job on an invented scenario, from its protocol to its report.

    Everything is dated as the story tells it, so that the register, too, is that of an invented trial.

    Parameters
    ----------
    folder : Path
        A folder to make; where it is there already, another name is taken and said.
    scenario : str
        One of :func:`scenario_names`.
    say : callable
        Takes one line of progress at a time.

    Raises
    ------
    UsageError
        No such scenario.
    FairtankError
        The folder cannot be made.
    """
    if scenario not in scenario_names():
        raise UsageError(
            f'There is no scenario "{scenario}"; the scenarios are {" and ".join(scenario_names())}.'
        )
    source = scenarios_folder() / scenario
    story = read_story(source)
    place = _new_folder(folder)
    if place != folder:
        say(f"{folder} is there already and is left alone.")
    shutil.copytree(source, place, dirs_exist_ok=True)
    say(f"Everything here is INVENTED: {story.title}. In {place}, step by step, with the command for each:")
    with Register.open(str(place / REGISTER), create=True) as record:
        sealed = _register(record, place, story, say)
        baseline, *later = story.intake
        _take_in(record, sealed, place, baseline, say)
        shared = _allocate(record, sealed, story, say)
        for step in later:
            _take_in(record, sealed, place, step, say)
        _waiting(record, sealed, say)
        readings = record.readings(sealed.id)
        _command(say, "fairtank analyse", story.reported_at)
        analysis = evaluate(
            sealed.protocol,
            shared,
            readings,
            protocol_digest=sealed.digest,
            data_digest=record.data_digest(sealed.id),
            version=__version__,
            happened=happened_in(record, sealed.id),
        )
        say(f"  {len(readings)} readings, {len(analysis.endpoints)} endpoints")
        _command(say, "fairtank report --out report", story.reported_at)
        material = material_from(record, sealed, shared, analysis, made_at=story.reported_at)
    material = replace(material, deviations=(*story.deviations, *_doses_halved(readings)))
    page = write_report(place / "report", material)
    return DemoOutcome(page, answer_lines(analysis, sealed.protocol, shared), place)


def _new_folder(folder: Path) -> Path:
    """Make the folder, or the first of folder-2, folder-3, ... that is not there yet."""
    number, place = 1, folder
    while True:
        try:
            place.mkdir(parents=True)
        except FileExistsError:
            number += 1
            place = folder.with_name(f"{folder.name}-{number}")
        except OSError as error:
            reason = (error.strerror or str(error)).lower()
            raise FairtankError(
                f"The folder {place} cannot be made ({reason}); name another with --out."
            ) from error
        else:
            return place


def _register(record: Register, place: Path, story: Story, say: Say) -> SealedTrial:
    _command(say, "fairtank register protocol.toml", story.registered_at)
    sealed = record.seal(protocol_file.load(place / "protocol.toml"), story.registered_at)
    protocol = sealed.protocol
    say(
        f"  sealed {sealed.id}: {len(protocol.tanks)} tanks, {len(protocol.arms)} arms, digest {sealed.digest[:16]}"
    )
    return sealed


def _allocate(record: Register, sealed: SealedTrial, story: Story, say: Say) -> Allocation:
    _command(say, f'fairtank allocate --seed "{story.seed}"', story.drawn_at)
    shared = allocation.draw(sealed.protocol, sealed.digest, story.seed)
    record.record_allocation(sealed.id, shared, story.drawn_at)
    counts = {arm.id: list(shared.arm_of().values()).count(arm.id) for arm in sealed.protocol.arms}
    say(f"  the seed: {shared.how}")
    say(f"  {', '.join(f'{count} tanks {arm}' for arm, count in counts.items())}")
    return shared


def _take_in(record: Register, sealed: SealedTrial, place: Path, step: IntakeStep, say: Say) -> None:
    _command(say, f"fairtank intake readings/{step.folder}/*", step.at)
    say(f"  {step.what}:")
    paths = sorted((place / "readings" / step.folder).iterdir())
    batches = []
    seen, beside = record.seen(sealed.id), record.seen_beside(sealed.id)
    for batch in read_files(paths, sealed.protocol, seen, step.at.date(), beside):
        say(f"  {_counts(batch)}")
        batches.append(batch)
    record.record_intake(sealed.id, batches, step.at)


def _counts(batch: IntakeBatch) -> str:
    parts = " + ".join(f"{batch.count(outcome)} {outcome}" for outcome in ("accepted", "held", "repeated"))
    return f"{batch.file.name}: {len(batch.rows)} rows = {parts}"


def _waiting(record: Register, sealed: SealedTrial, say: Say) -> None:
    held = record.held(sealed.id)
    say(f"Rows still held, waiting for a person: {len(held)}" + (", because" if held else ""))
    for row in held:
        where = f"{row.file}, row {row.row}" + (f" of sheet {row.sheet}" if row.sheet else "")
        say(f"  {where}: {' '.join(reason.text for reason in row.reasons)}")


def _doses_halved(readings: pd.DataFrame) -> list[str]:
    """Say which tanks had their dose halved, as the sites noted it."""
    noted = readings[readings["note"].str.contains("dose halved", regex=False)]
    days = noted.groupby("tank", observed=True)["taken_at"].min()
    return [
        f"Tank {tank} met the stop rule on phosphate on {day:%Y-%m-%d}; its dose was halved and it stayed in the analysis."
        for tank, day in days.items()
    ]


def _command(say: Say, command: str, at: dt.datetime) -> None:
    say(f"{at:%Y-%m-%d}  {command}")
