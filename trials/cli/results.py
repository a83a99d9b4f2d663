"""After the trial: analyse, report, verify; and the demo, which does it all."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from trials.cli.options import (
    DEFAULT_REGISTER,
    NEEDS_A_PERSON,
    JsonOption,
    RegisterOption,
    TrialArgument,
    now,
)

if TYPE_CHECKING:
    from analysis.records import Analysis
    from schemas.allocation import Allocation
    from trials.register.records import SealedTrial
    from trials.register.store import Register


def analyse(
    trial: TrialArgument = None,
    *,
    location: RegisterOption = DEFAULT_REGISTER,
    as_json: JsonOption = False,
) -> None:
    """Run the registered analysis on the accepted readings."""
    from analysis.document import document
    from analysis.wording import answer_lines
    from trials.cli import display
    from trials.register.store import Register

    with Register.open(location) as record:
        sealed = record.find(trial)
        analysis, _ = _evaluate(record, sealed)
    if as_json:
        display.json_document(document(analysis))
        return
    display.analysis(analysis, answer_lines(analysis, sealed.protocol))


def report(
    trial: TrialArgument = None,
    *,
    location: RegisterOption = DEFAULT_REGISTER,
    folder: Annotated[
        Path | None,
        typer.Option("--folder", help="Where to write; default TRIAL-report. Files of an earlier report go."),
    ] = None,
    as_json: JsonOption = False,
) -> None:
    """Write the report: one page that works offline, with figures and tables beside it."""
    from trials.cli import display
    from trials.register.store import Register
    from trials.report import material_from, write_report

    with Register.open(location) as record:
        sealed = record.find(trial)
        analysis, allocation = _evaluate(record, sealed)
        material = material_from(record, sealed, allocation, analysis, made_at=now())
    place = folder or Path(f"{sealed.id}-report")
    with display.working("Drawing figures", quiet=as_json):
        page = write_report(place, material)
    if as_json:
        display.json_document({"trial": sealed.id, "report": str(page)})
    else:
        display.out(f"Report: {page}")


def verify(
    trial: TrialArgument = None,
    *,
    location: RegisterOption = DEFAULT_REGISTER,
    head: Annotated[
        str | None,
        typer.Option(
            "--head", metavar="DIGEST", help="A head of the chain noted elsewhere before: it must be in it."
        ),
    ] = None,
    as_json: JsonOption = False,
) -> None:
    """Check the register: chain, digests, files, allocation, and readings against their entries."""
    from trials.cli import display
    from trials.register.store import Register

    with Register.open(location) as record:
        if trial is not None:
            record.find(trial)
        findings = record.check(head)
        now_head = record.head()
    if as_json:
        display.json_document(display.findings_document(findings) | {"head": now_head})
    else:
        display.findings(findings, f"The register is whole. Head of its chain: {now_head}")
    if findings:
        raise typer.Exit(NEEDS_A_PERSON)


def demo(
    *,
    scenario: Annotated[
        str, typer.Option("--scenario", help="club (blocks at eight sites) or farm (six racks of three).")
    ] = "club",
    folder: Annotated[
        Path, typer.Option("--folder", help="A new folder; where it is there already, a number is added.")
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


def _evaluate(record: Register, sealed: SealedTrial) -> tuple[Analysis, Allocation]:
    from analysis.evaluation import evaluate
    from schemas.errors import AnalysisError
    from trials import __version__

    allocation = record.allocation(sealed.id)
    if allocation is None:
        raise AnalysisError(
            f"{sealed.id} has no allocation yet, so there are no arms to compare; "
            f"see `fairtank allocate {sealed.id}`."
        )
    analysis = evaluate(
        sealed.protocol,
        allocation,
        record.readings(sealed.id),
        protocol_digest=sealed.digest,
        data_digest=record.data_digest(sealed.id),
        version=__version__,
    )
    return analysis, allocation
