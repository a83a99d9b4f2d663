"""The report in a folder: the full record with the club's and the farm's page, or one reader's page alone."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

from analysis.document import document
from schemas.errors import FairtankError, UsageError
from trials.cautions import usual_cautions
from trials.report_article import article
from trials.report_csv import csv_files
from trials.report_docx import article_docx
from trials.report_figures import answer_plan, article_plans, draw, draw_for_print, record_plans
from trials.report_pages import (
    RECORD,
    article_markdown,
    article_page,
    club_page,
    farm_page,
    record_page,
)
from trials.report_reader import Reader
from trials.reporting_items import reporting_items

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from trials.report_figures import Drawing
    from trials.report_material import ReportMaterial

FIGURES, ARTICLE_FIGURES, TABLES = "figures", "article-figures", "tables"
_PAGES = (RECORD, *(reader.page for reader in Reader))


def write_report(folder: Path, m: ReportMaterial) -> Path:
    """Write the full record into a folder, with the club's and the farm's page, and give the path of its page.

    The pages stand alone; beside them lie ``figures/`` (SVG and PNG), ``tables/`` (CSV, numbers unrounded) and
    ``results.json``. Those of an earlier report in the same folder are replaced.

    Raises
    ------
    UsageError
        The folder holds other things and no report, so it may not be meant.
    FairtankError
        The folder cannot be written.
    """
    return _written(folder, lambda: _record(folder, m))


def write_for(folder: Path, m: ReportMaterial, reader: Reader) -> Path:
    """Write the page of one kind of reader alone, and give its path; pages for others in the folder stay.

    For an article there are, beside the page, ``article.docx``, ``article.md`` and ``article-figures/`` (SVG, PDF and PNG
    at column width).

    Raises
    ------
    UsageError, FairtankError
        As :func:`write_report`.
    """
    return _written(folder, lambda: _for_reader(folder, m, reader))


def _written(folder: Path, write: Callable[[], Path]) -> Path:
    try:
        ours = any((folder / page).is_file() for page in _PAGES)
        if folder.is_dir() and any(folder.iterdir()) and not ours:
            raise UsageError(f"{folder} holds other files and no report; name a new or an empty folder.")
        return write()
    except OSError as error:
        reason = (error.strerror or str(error)).lower()
        raise FairtankError(
            f"The report cannot be written to {folder} ({reason}); name another folder."
        ) from error


def _record(folder: Path, m: ReportMaterial) -> Path:
    drawings = draw(record_plans(m))
    _clear(folder, FIGURES, "svg", "png")
    _clear(folder, TABLES, "csv")
    for drawing in drawings:
        _keep(folder / FIGURES, drawing)
    for name, content in csv_files(m).items():
        _write(folder / TABLES / name, content.encode())
    results = json.dumps(document(m.analysis), ensure_ascii=False, allow_nan=False, indent=2)
    _write(folder / "results.json", results.encode())
    beside = {RECORD, Reader.CLUB.page, Reader.FARM.page, *_there(folder)}
    answer = drawings[:1]
    _write(folder / Reader.CLUB.page, club_page(m, answer, beside).encode())
    _write(folder / Reader.FARM.page, farm_page(m, answer, beside).encode())
    _write(folder / RECORD, record_page(m, drawings, beside).encode())
    return folder / RECORD


def _for_reader(folder: Path, m: ReportMaterial, reader: Reader) -> Path:
    beside = {*_there(folder), reader.page}
    if reader is Reader.ARTICLE:
        _article(folder, m, beside)
    else:
        page = club_page if reader is Reader.CLUB else farm_page
        drawings = draw([answer_plan(m)])
        for drawing in drawings:
            _keep(folder / FIGURES, drawing)
        _write(folder / reader.page, page(m, drawings, beside).encode())
    return folder / reader.page


def _article(folder: Path, m: ReportMaterial, beside: set[str]) -> None:
    drawings, parts = draw_for_print(article_plans(m)), article(m)
    _clear(folder, ARTICLE_FIGURES, "svg", "png", "pdf")
    for drawing in drawings:
        _keep(folder / ARTICLE_FIGURES, drawing)
    cautions = (*usual_cautions(m.protocol), *m.cautions)
    written = article_docx(m, parts, drawings, reporting_items(m), cautions)
    _write(folder / "article.docx", written)
    _write(folder / "article.md", article_markdown(m, drawings, parts).encode())
    _write(folder / Reader.ARTICLE.page, article_page(m, drawings, beside, parts).encode())


def _there(folder: Path) -> set[str]:
    """Pages of an earlier report in the folder."""
    return {page for page in _PAGES if (folder / page).is_file()}


def _keep(folder: Path, drawing: Drawing) -> None:
    for kind in ("svg", "png", "pdf"):
        content: bytes = getattr(drawing, kind)
        if content:
            _write(folder / f"{drawing.name}.{kind}", content)


def _write(path: Path, content: bytes) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(content)


def _clear(folder: Path, part: str, *endings: str) -> None:
    """Take away what an earlier report wrote, and nothing else."""
    for ending in endings:
        for old in (folder / part).glob(f"*.{ending}"):
            old.unlink()
