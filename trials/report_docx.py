"""The article's parts as a document for a word processor."""

from __future__ import annotations

import io
from typing import TYPE_CHECKING, Any

from docx import Document
from docx.enum.text import WD_ALIGN_PARAGRAPH
from docx.shared import Mm, Pt

from analysis.numerals import plain
from trials.report_words import moment
from trials.typesetting import set_text

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from trials.report_article import Article
    from trials.report_figures import Drawing
    from trials.report_material import ReportMaterial
    from trials.report_tables import Table
    from trials.reporting_items import Item

_WIDEST = 159
"""Millimetres of text on the page; wider figures are shown as wide as it is."""
_SMALL = Pt(8.5)


def article_docx(
    m: ReportMaterial,
    parts: Article,
    drawings: Sequence[Drawing],
    items: Sequence[Item],
    cautions: Iterable[str],
) -> bytes:
    """Write headings, paragraphs, tables and figures; all text is plain runs, so that none of it is markup or a field."""
    document = Document()
    section = document.sections[0]
    section.page_width, section.page_height = Mm(210), Mm(297)
    section.left_margin = section.right_margin = Mm((210 - _WIDEST) / 2)
    about = document.core_properties
    about.title, about.author = plain(m.protocol.trial.title, 250), "fairtank"
    about.created = about.modified = m.made_at.replace(tzinfo=None)
    document.add_heading(set_text(plain(m.protocol.trial.title)), level=0)
    if m.invented:
        document.add_paragraph(
            "Invented data: no such people, places, tanks or readings. It says nothing about real aquaria."
        )
    document.add_paragraph(
        f"Made on {moment(m.made_at)} by fairtank {m.fairtank}. To be checked by whoever signs it."
    )
    for title, paragraphs in (("Methods", parts.methods), ("Results", parts.results)):
        document.add_heading(title, level=1)
        for paragraph in paragraphs:
            document.add_paragraph(set_text(paragraph))
    for shown in parts.tables:
        _table(document, shown)
    document.add_heading("Figures", level=1)
    for number, drawing in enumerate(drawings, 1):
        _figure(document, drawing, number)
    for title, lines in (
        ("What must not be claimed from this trial", parts.not_claimed),
        ("Cautions", tuple(cautions)),
    ):
        document.add_heading(title, level=1)
        for line in lines:
            document.add_paragraph(set_text(line), style="List Bullet")
    document.add_heading("Availability of data", level=1)
    document.add_paragraph(set_text(parts.availability))
    if parts.supplement:
        document.add_heading("Supplementary: how the kits measured", level=1)
        _table(document, parts.supplement.table)
        for line in parts.supplement.sentences:
            document.add_paragraph(set_text(line))
    document.add_heading("Reporting items", level=1)
    rows = [(item.guideline, item.number, item.asks, item.answer) for item in items]
    _grid(document, ("Guideline", "Item", "Asked", "Answered"), rows, frozenset())
    file = io.BytesIO()
    document.save(file)
    return file.getvalue()


def _table(document: Any, shown: Table) -> None:
    if not shown.rows:
        return
    caption = document.add_paragraph()
    caption.add_run(set_text(shown.caption)).bold = True
    caption.paragraph_format.keep_with_next = True
    _grid(document, shown.head, shown.rows, shown.numbers)


def _grid(document: Any, head: Sequence[str], rows: Sequence[Sequence[str]], numbers: frozenset[int]) -> None:
    grid = document.add_table(rows=0, cols=len(head), style="Table Grid")
    for place, cells in enumerate((head, *rows)):
        for column, (cell, text) in enumerate(zip(grid.add_row().cells, cells, strict=True)):
            run = cell.paragraphs[0].add_run(set_text(text))
            run.font.size = _SMALL
            run.bold = place == 0
            if column in numbers:
                cell.paragraphs[0].alignment = WD_ALIGN_PARAGRAPH.RIGHT
    document.add_paragraph()


def _figure(document: Any, drawing: Drawing, number: int) -> None:
    holder = document.add_paragraph()
    holder.paragraph_format.keep_with_next = True
    picture = holder.add_run().add_picture(io.BytesIO(drawing.png), width=Mm(min(drawing.width_mm, _WIDEST)))
    described = picture._inline.docPr  # noqa: SLF001 - the library has no other way to describe a picture
    described.set("descr", plain(drawing.alt))
    caption = document.add_paragraph()
    caption.add_run(f"Figure {number}. ").bold = True
    caption.add_run(set_text(drawing.title))
