"""The report: one page that works offline and answers first, with its figures and tables as files beside it."""

from __future__ import annotations

import csv
import datetime as dt
import io
import json
from dataclasses import asdict, dataclass, field
from typing import TYPE_CHECKING, Any

import jinja2

from analysis.document import document
from analysis.limitations import cannot_say
from analysis.numerals import day_words, plain
from analysis.wording import VERDICT_MEANS, answer_lines, contrast_sentence, first_primary
from schemas.errors import FairtankError, UsageError
from schemas.vocabulary import EndpointRole
from trials import report_results, report_tables, report_words
from trials.cautions import usual_cautions
from trials.environment import environment
from trials.register.chain import Kind
from trials.registered_analysis import deviation_sentences
from trials.report_figures import Drawing, draw
from trials.typesetting import typeset

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from pathlib import Path

    import pandas as pd

    from analysis.records import Analysis
    from schemas.allocation import Allocation
    from schemas.protocol import Protocol
    from trials.register.records import Entry, HeldRow, SealedTrial
    from trials.register.store import Register

PAGE = "report.html"


@dataclass(frozen=True)
class ReportMaterial:
    """All that a report is made of.

    Parameters
    ----------
    protocol, digest, registered_at
        What was registered, under which digest, and when.
    allocation, allocated_at
        Which tank had which arm, and when that was recorded.
    readings, held
        Accepted readings, and rows that still wait for a person.
    analysis
        The registered analysis of these readings.
    head, entries
        Digest of the register's last entry, and the entries of this trial.
    fairtank, environment
        Versions: of fairtank, and of what it runs on by name.
    made_at
        The moment of the report.
    invented
        Whether the trial is made up; the report then says so on its first line.
    deviations, cautions
        What went otherwise than registered, and cautions of this trial beside the usual ones, in sentences.
    sealed_digest
        The digest that the draw rests on; another one than ``digest`` where the protocol was amended.
    """

    protocol: Protocol
    digest: str
    registered_at: dt.datetime
    allocation: Allocation
    allocated_at: dt.datetime | None
    readings: pd.DataFrame
    held: Sequence[HeldRow]
    analysis: Analysis
    head: str
    entries: Sequence[Entry]
    fairtank: str
    environment: Mapping[str, str]
    made_at: dt.datetime
    invented: bool = False
    deviations: tuple[str, ...] = field(default=())
    cautions: tuple[str, ...] = field(default=())
    sealed_digest: str | None = None


def material_from(
    record: Register, sealed: SealedTrial, allocation: Allocation, analysis: Analysis, *, made_at: dt.datetime
) -> ReportMaterial:
    """Gather what the report of a registered trial is made of.

    A trial that calls itself invented, in its title or its lead's name, is reported as such.
    """
    entries = record.entries(sealed.id)
    shared = [entry.at for entry in entries if entry.kind == Kind.ALLOCATION]
    names = f"{sealed.protocol.trial.title} {sealed.protocol.trial.lead or ''}"
    return ReportMaterial(
        protocol=sealed.protocol,
        digest=sealed.digest,
        registered_at=sealed.registered_at,
        allocation=allocation,
        allocated_at=dt.datetime.fromisoformat(shared[0]) if shared else None,
        readings=record.readings(sealed.id),
        held=record.held(sealed.id),
        analysis=analysis,
        head=record.head(),
        entries=entries,
        fairtank=analysis.fairtank,
        environment=environment(),
        made_at=made_at,
        invented="invented" in names.casefold(),
        deviations=tuple(deviation_sentences(record, sealed.id)),
        sealed_digest=record.find(sealed.id, as_sealed=True).digest,
    )


def write_report(folder: Path, material: ReportMaterial) -> Path:
    """Write the report into a folder and give the path of its page.

    The page stands alone; beside it lie ``figures/`` (SVG and PNG), ``tables/`` (CSV, numbers unrounded) and
    ``results.json``. Those of an earlier report in the same folder are replaced.

    Raises
    ------
    UsageError
        The folder holds other things and no report, so it may not be meant.
    FairtankError
        The folder cannot be written.
    """
    try:
        if folder.is_dir() and any(folder.iterdir()) and not (folder / PAGE).is_file():
            raise UsageError(f"{folder} holds other files and no report; name a new or an empty folder.")
        drawings = draw(
            material.protocol,
            material.allocation,
            material.readings,
            material.analysis,
            material.made_at.date(),
        )
        _clear(folder)
        for drawing in drawings:
            _write(folder / "figures" / f"{drawing.name}.svg", drawing.svg)
            _write(folder / "figures" / f"{drawing.name}.png", drawing.png)
        for name, content in _tables(material).items():
            _write(folder / "tables" / name, content.encode())
        results = json.dumps(document(material.analysis), ensure_ascii=False, allow_nan=False, indent=2)
        _write(folder / "results.json", results.encode())
        _write(folder / PAGE, page(material, drawings).encode())
    except OSError as error:
        reason = (error.strerror or str(error)).lower()
        raise FairtankError(
            f"The report cannot be written to {folder} ({reason}); name another folder."
        ) from error
    return folder / PAGE


def page(material: ReportMaterial, drawings: Sequence[Drawing]) -> str:
    """Render the page."""
    protocol, analysis = material.protocol, material.analysis
    loader = jinja2.PackageLoader("trials", "templates")
    templates = jinja2.Environment(
        loader=loader, autoescape=True, undefined=jinja2.StrictUndefined, trim_blocks=True, lstrip_blocks=True
    )
    templates.filters |= {"typeset": typeset, "plain": plain}
    first = first_primary(analysis)
    return templates.get_template("report.html.j2").render(
        m=material,
        protocol=protocol,
        analysis=analysis,
        tables=report_tables,
        found=report_results,
        words=report_words,
        drawings={drawing.name: drawing for drawing in drawings},
        numbers={drawing.name: number for number, drawing in enumerate(drawings, 1)},
        answer=answer_lines(analysis, protocol, material.allocation),
        first=first,
        primary=EndpointRole.PRIMARY,
        contrast_sentence=contrast_sentence,
        verdicts=VERDICT_MEANS,
        cannot_say=cannot_say(
            analysis, protocol, material.allocation, registered_on=material.registered_at.date()
        ),
        cautions=(*usual_cautions(protocol), *material.cautions),
        registered=report_words.registered(
            protocol, material.sealed_digest or material.digest, material.registered_at
        ),
        made=day_words(material.made_at.date()),
    )


def _tables(material: ReportMaterial) -> dict[str, str]:
    """The tables as CSV, by name; only ids and numbers stand in them, so that no cell can be a formula."""
    analysis = material.analysis
    results = []
    for endpoint in analysis.endpoints:
        for way, contrasts in (
            ("registered", endpoint.contrasts),
            *((s.name, s.contrasts) for s in endpoint.sensitivity),
        ):
            for c in contrasts:
                redrawn, beyond = c.randomisation, c.censoring
                results.append(
                    {
                        "endpoint": endpoint.id,
                        "role": str(endpoint.role),
                        "analysis": way,
                        "test": c.test,
                        "reference": c.reference,
                        "scale": str(endpoint.scale),
                        "unit": endpoint.unit,
                        "n": c.n,
                        "estimate": c.estimate,
                        "se": c.se,
                        "df": c.df,
                        "low": c.low,
                        "high": c.high,
                        "p": c.p,
                        "p_adjusted": c.p_adjusted,
                        "randomisation_p": redrawn.p if redrawn else None,
                        "randomisation_low": redrawn.low if redrawn else None,
                        "randomisation_high": redrawn.high if redrawn else None,
                        "censored_lowest": beyond.lowest if beyond else None,
                        "censored_highest": beyond.highest if beyond else None,
                        "worthwhile": endpoint.worthwhile,
                        "reading": str(c.verdict) if c.verdict else None,
                    }
                )
    tanks = [
        {"endpoint": endpoint.id} | asdict(tank) for endpoint in analysis.endpoints for tank in endpoint.tanks
    ]
    shared = [asdict(assignment) for assignment in material.allocation.assignments]
    return {"results.csv": _csv(results), "tanks.csv": _csv(tanks), "allocation.csv": _csv(shared)}


def _csv(rows: Sequence[Mapping[str, Any]]) -> str:
    file = io.StringIO()
    writer = csv.DictWriter(file, list(rows[0]) if rows else [], lineterminator="\n")
    writer.writeheader()
    writer.writerows(rows)
    return file.getvalue()


def _write(path: Path, content: bytes) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(content)


def _clear(folder: Path) -> None:
    """Take away what an earlier report wrote, and nothing else."""
    for part, endings in (("figures", ("svg", "png")), ("tables", ("csv",))):
        for ending in endings:
            for old in (folder / part).glob(f"*.{ending}"):
                old.unlink()
