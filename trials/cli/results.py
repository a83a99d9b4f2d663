"""After the trial: analyse and report; and the demo, which does it all."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from trials.cli.options import (
    DEFAULT_REGISTER,
    JsonOption,
    RegisterOption,
    TrialArgument,
    now,
)
from trials.report_reader import Reader  # noqa: TC001 - typer reads the annotation

if TYPE_CHECKING:
    import datetime as dt

    from trials.register.records import SealedTrial
    from trials.register.store import Register
    from trials.registered_analysis import RegisteredAnalysis


def analyse(
    trial: TrialArgument = None,
    *,
    location: RegisterOption = DEFAULT_REGISTER,
    masked: Annotated[
        bool, typer.Option("--masked", help="Show arms as letters until data entry is closed.")
    ] = False,
    as_json: JsonOption = False,
) -> None:
    """Run the registered analysis on the accepted readings.

    Without --masked, looking before data entry is closed is allowed, recorded once, and said with the results.
    """
    from analysis.document import document
    from analysis.wording import answer_lines
    from trials import report_water
    from trials.cli import display
    from trials.register.store import Register

    with Register.open(location) as record:
        found = _analysed(record, record.find(trial), "analyse", now(), masked=masked)
    if as_json:
        display.json_document(document(found.analysis))
        return
    display.analysis(
        found.analysis,
        answer_lines(found.analysis, found.protocol),
        report_water.all_tables(found.analysis, found.protocol),
        report_water.sentences(found.analysis),
    )


def report(
    trial: TrialArgument = None,
    *,
    location: RegisterOption = DEFAULT_REGISTER,
    reader: Annotated[
        Reader | None,
        typer.Option(
            "--for",
            help="One reader's page alone: a club's (plain words, one figure), a farm's (what to weigh), or an article's "
            "parts, also as DOCX and Markdown, with figures at column width.",
        ),
    ] = None,
    folder: Annotated[
        Path | None,
        typer.Option(
            "--out",
            metavar="FOLDER",
            help="Where to write; default TRIAL-report. Files of an earlier report go.",
        ),
    ] = None,
    as_json: JsonOption = False,
) -> None:
    """Write the report: the full record with a club's and a farm's page, figures and tables; all works offline."""
    from trials.cli import display
    from trials.register.store import Register
    from trials.report import write_for, write_report
    from trials.report_material import material_from

    with Register.open(location) as record:
        sealed = record.find(trial)
        made_at = now()
        found = _analysed(record, sealed, "report", made_at)
        material = material_from(record, sealed, found.allocation, found.analysis, made_at=made_at)
    place = folder or Path(f"{sealed.id}-report")
    with display.working("Drawing figures", quiet=as_json):
        page = write_for(place, material, reader) if reader else write_report(place, material)
    if as_json:
        display.json_document({"trial": sealed.id, "report": str(page)})
    else:
        display.out(f"Report: {page}")


def demo(
    *,
    scenario: Annotated[
        str, typer.Option("--scenario", help="club (blocks at eight sites) or farm (six racks of three).")
    ] = "club",
    folder: Annotated[
        Path,
        typer.Option(
            "--out", metavar="FOLDER", help="A new folder; where it is there already, a number is added."
        ),
    ] = Path("fairtank-demo"),
    as_json: JsonOption = False,
) -> None:
    """Do the whole job on invented data, from protocol to report, in a new folder."""
    from trials.cli import display
    from trials.demo import run_demo

    outcome = run_demo(folder, scenario, say=display.step(quiet=as_json))
    if as_json:
        display.json_document({"report": str(outcome.report), "answer": outcome.answer})
    else:
        display.demo(outcome)


def _analysed(
    record: Register, sealed: SealedTrial, command: str, at: dt.datetime, *, masked: bool = False
) -> RegisteredAnalysis:
    """The analysis, and in the record that arms were shown where data entry is still open."""
    from dataclasses import replace

    from trials.registered_analysis import analyse_registered, unmask

    found = analyse_registered(record, sealed, masked=masked)
    if found.analysis.masked:
        return found
    notes = (*found.analysis.notes, *unmask(record, sealed.id, command, at))
    return replace(found, analysis=replace(found.analysis, notes=notes))
