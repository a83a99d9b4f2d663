"""The markings of an ODS workbook, off its content (OpenDocument 1.3 part 3, 9.1 tables and 14.1 annotations)."""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from typing import TYPE_CHECKING
from xml.etree.ElementTree import ParseError
from xml.parsers import expat

from trials.intake.markings import Markings, as_percent

if TYPE_CHECKING:
    import zipfile
    from collections.abc import Mapping

_ERROR = re.compile(r"#[A-Z/0!?]+[!?]?|#N/A|Err:[0-9]{3}")
_MOST_REPEATED = 16_384
_MOST_TAGS = 8_000_000
_TABLE, _OFFICE, _TEXT = (
    f"urn:oasis:names:tc:opendocument:xmlns:{name}:1.0" for name in ("table", "office", "text")
)
_CALCEXT = "urn:org:documentfoundation:names:experimental:calc:xmlns:calcext:1.0"


def markings_of(archive: zipfile.ZipFile) -> dict[str, Markings]:
    """The markings of each sheet, by its name; merged areas too, which the reader does not give.

    Raises
    ------
    ParseError
        The content is no XML, defines entities, or has millions of cells.
    """
    content = archive.read("content.xml")
    if content.count(b"<") > _MOST_TAGS:
        raise ParseError("more cells than can be read")
    reader = _Reader()
    parser = expat.ParserCreate(namespace_separator=" ")
    parser.StartElementHandler = reader.start
    parser.EndElementHandler = reader.end
    parser.CharacterDataHandler = reader.text
    parser.StartDoctypeDeclHandler = _refuse_definitions
    try:
        parser.Parse(content, True)
    except expat.ExpatError as error:
        raise ParseError(str(error)) from None
    return reader.sheets


def _refuse_definitions(*_: object) -> None:
    """Entities that are defined can grow without end, and no spreadsheet program defines any."""
    raise ParseError("definitions of its own")


@dataclass
class _Reader:
    """Follows the elements of a content part, cell by cell."""

    sheets: dict[str, Markings] = field(default_factory=dict)
    sheet: Markings = field(default_factory=Markings)
    row: int = 0
    rows: int = 1
    column: int = 0
    cell: Mapping[str, str] = field(default_factory=dict)
    shown: list[str] = field(default_factory=list)
    comment: list[str] | None = None
    in_paragraph: bool = False

    def start(self, name: str, attributes: Mapping[str, str]) -> None:
        """An element begins."""
        space, _, tag = name.rpartition(" ")
        if space == _OFFICE and tag == "annotation":
            self.comment = []
        elif space == _TEXT and tag == "p":
            self.in_paragraph = True
        elif space != _TABLE:
            return
        elif tag == "table":
            self.sheet = self.sheets[attributes.get(f"{_TABLE} name", "")] = Markings()
            self.row = self.column = 0
        elif tag == "table-column":
            repeated = _count(attributes, "number-columns-repeated")
            if attributes.get(f"{_TABLE} visibility") in {"collapse", "filter"} and repeated < _MOST_REPEATED:
                self.sheet.hidden_columns += range(self.column, self.column + repeated)
            self.column += repeated
        elif tag == "table-row":
            self.column, self.rows = 0, _count(attributes, "number-rows-repeated")
            if (
                attributes.get(f"{_TABLE} visibility") in {"collapse", "filter"}
                and self.rows < _MOST_REPEATED
            ):
                self.sheet.hidden_rows += range(self.row, self.row + self.rows)
        elif tag in {"table-cell", "covered-table-cell"}:
            self.cell, self.shown = attributes, []

    def end(self, name: str) -> None:
        """An element ends."""
        space, _, tag = name.rpartition(" ")
        if space == _TEXT and tag == "p":
            self.in_paragraph = False
        elif space == _OFFICE and tag == "annotation":
            if self.comment is not None:
                self.sheet.comments.append((self.row, self.column, "".join(self.comment)))
            self.comment = None
        elif space == _TABLE and tag in {"table-cell", "covered-table-cell"}:
            self._cell()
        elif space == _TABLE and tag == "table-row":
            self.row += self.rows
            self.column = 0

    def text(self, text: str) -> None:
        """Text of a paragraph, of a cell or of its comment."""
        if not self.in_paragraph:
            return
        if self.comment is not None:
            self.comment.append(text)
        else:
            self.shown.append(text)

    def _cell(self) -> None:
        repeated = _count(self.cell, "number-columns-repeated")
        kind, shown = self.cell.get(f"{_OFFICE} value-type", ""), "".join(self.shown).strip()
        text = self._put_back(kind, shown)
        if kind or shown or text:
            self.sheet.rows = max(self.sheet.rows, self.row + self.rows)
            self.sheet.columns = max(self.sheet.columns, self.column + repeated)
        if text and self.rows * repeated < _MOST_REPEATED:
            for row in range(self.row, self.row + self.rows):
                for column in range(self.column, self.column + repeated):
                    self.sheet.texts[row, column] = text
        spanned = _count(self.cell, "number-rows-spanned"), _count(self.cell, "number-columns-spanned")
        if spanned != (1, 1):
            last = self.row + spanned[0] - 1, self.column + spanned[1] - 1
            self.sheet.merged.append(((self.row, self.column), last))
        self.column += repeated

    def _put_back(self, kind: str, shown: str) -> str:
        """The text to stand in place of what the reader gives; empty where that is right."""
        formula = self.cell.get(f"{_TABLE} formula", "")
        if self.cell.get(f"{_CALCEXT} value-type") == "error" or (formula and _ERROR.fullmatch(shown)):
            return shown or "#ERROR!"
        if kind == "percentage":
            try:
                return as_percent(float(self.cell.get(f"{_OFFICE} value", "")))
            except ValueError:
                return ""
        if kind == "float" and shown and not any(map(str.isdigit, shown)):
            return shown  # a truth is written as a number that shows as TRUE
        if formula and not kind and not shown:
            return "=" + formula.partition("=")[2]
        return ""


def _count(attributes: Mapping[str, str], name: str) -> int:
    text = attributes.get(f"{_TABLE} {name}", "1")
    return int(text) if text.isdecimal() and len(text) < 9 else 1
