"""The markings of an XLSX workbook, off its parts (ECMA-376 part 1: 18.3.1.4 cell, 18.3.1.73 row, 18.7 comments).

A sheet can have a million cells, so its part is searched as bytes, and cell by cell only where a quick look shows
that it holds errors, formulas or percentages.
"""

from __future__ import annotations

import html
import posixpath
import re
from typing import TYPE_CHECKING
from xml.etree.ElementTree import ParseError

from trials.intake.markings import Markings, as_percent, column_number, tree

if TYPE_CHECKING:
    import zipfile
    from collections.abc import Iterator

_PREFIX = rb"<(?:\w+:)?"
_NEAR = (99_999, 26)
_FAR_ROW = re.compile(rb"""r\s*=\s*["'][A-Za-z]+([0-9]{6,})["']""")
_FAR_ROW_OF_CELLS = re.compile(
    _PREFIX + rb"""row\s[^<>]*\br\s*=\s*["']([0-9]{6,})["'][^<>]*(?<!/)>\s*<(?:\w+:)?c"""
)
_FAR_COLUMN = re.compile(rb"""r\s*=\s*["']([A-Za-z]{2,})[0-9]+["']""")
# None of these looks further than the next tag of its kind, so that a scrambled part is searched once and not once a tag.
_CELL = re.compile(
    _PREFIX + rb"c\s([^<>]*)(?<!/)>([^<]*(?:<(?!/?(?:\w+:)?c[\s>])[^<]*)*)</(?:\w+:)?c>", re.DOTALL
)
_AT = re.compile(rb"""\br=["']([A-Za-z]{1,3})([0-9]{1,7})["']""")
_TYPE = re.compile(rb"""\bt=["'](\w+)["']""")
_STYLE = re.compile(rb"""\bs=["'](\d+)["']""")
_VALUE = re.compile(_PREFIX + rb"v(?:\s[^>]*)?>([^<]*)<")
_FORMULA = re.compile(_PREFIX + rb"f[\s>/]")
_FORMULA_TEXT = re.compile(_PREFIX + rb"f(?:\s[^>]*)?(?<!/)>([^<]*)<")
_HIDDEN_ROW = re.compile(_PREFIX + rb"""row\s[^<>]*\bhidden=["'](?:1|true)["'][^<>]*>""")
_HIDDEN_COLUMN = re.compile(_PREFIX + rb"""col\s[^<>]*\bhidden=["'](?:1|true)["'][^<>]*>""")
_ROW = re.compile(rb"""\br=["'](\d+)["']""")
_FIRST, _LAST = (re.compile(rb"\b" + name + rb"""=["'](\d+)["']""") for name in (b"min", b"max"))
_MOST_COLUMNS = 16_384
_MOST_ROWS = 1_048_576
_ENDLESS_TAG = re.compile(rb"<[^<>]{16384}")
# Number formats that every workbook has: 0% and 0.00% (ECMA-376 part 1, 18.8.30; from memory).
_PERCENT_FORMATS = frozenset({9, 10})
_QUOTED_IN_FORMAT = re.compile(r'"[^"]*"|\\.')


def sheet_parts(archive: zipfile.ZipFile) -> dict[str, str]:
    """The part of each sheet, by the sheet's name."""
    targets = {key: target for key, _, target in _relations(archive, "xl/workbook.xml")}
    sheets = tree(archive.read("xl/workbook.xml")).iterfind("{*}sheets/{*}sheet")
    found = {}
    for sheet in sheets:
        key = next((text for name, text in sheet.attrib.items() if name.endswith("}id")), "")
        if key in targets:
            found[sheet.get("name", "")] = targets[key]
    return found


def extent(part: bytes) -> tuple[int, int]:
    """How many rows and columns the cells of a part reach over, at most; 0 by 0 for a part without cells.

    Only cells beyond column Z or row 99,999 are looked for, since a sheet within these fits into memory.
    """
    if b"<" not in part:
        return 0, 0
    far = {*_FAR_ROW.findall(part), *_FAR_ROW_OF_CELLS.findall(part)}
    rows = max([_NEAR[0], *map(int, far)])
    columns = [column_number(text.decode()) + 1 for text in set(_FAR_COLUMN.findall(part))]
    return rows, max([_NEAR[1], *columns])


def percent_styles(archive: zipfile.ZipFile) -> frozenset[bytes]:
    """The numbers of the cell formats that show a percentage."""
    if "xl/styles.xml" not in archive.namelist():
        return frozenset()
    styles = tree(archive.read("xl/styles.xml"))
    formats = set(_PERCENT_FORMATS)
    for known in styles.iterfind("{*}numFmts/{*}numFmt"):
        if "%" in _QUOTED_IN_FORMAT.sub("", known.get("formatCode", "")):
            formats.add(int(known.get("numFmtId", "-1")))
    cells = styles.iterfind("{*}cellXfs/{*}xf")
    return frozenset(
        b"%d" % place for place, form in enumerate(cells) if int(form.get("numFmtId", "0")) in formats
    )


def markings_of(archive: zipfile.ZipFile, part: str, percent: frozenset[bytes]) -> Markings:
    """The markings of the sheet in a part; merged areas are left to the reader.

    Raises
    ------
    ParseError
        The part has more rows than a sheet can have, or a tag without end.
    """
    content = archive.read(part)
    if content.count(b"<row") > _MOST_ROWS or _ENDLESS_TAG.search(content):
        raise ParseError("no spreadsheet program writes such a sheet")
    found = Markings(*extent(content))
    if b"hidden=" in content:
        found.hidden_rows = [
            int(row[1]) - 1 for tag in _HIDDEN_ROW.findall(content) if (row := _ROW.search(tag))
        ]
        found.hidden_columns = [column for tag in _HIDDEN_COLUMN.findall(content) for column in _columns(tag)]
    styled = any(b's="%s"' % style in content or b"s='%s'" % style in content for style in percent)
    if styled or b't="e"' in content or b"t='e'" in content or _FORMULA.search(content):
        found.texts = dict(_texts(content, percent))
    for _, kind, target in _relations(archive, part):
        if kind.endswith("/comments") and target in archive.namelist():
            found.comments += _comments(archive.read(target))
    return found


def _columns(tag: bytes) -> range:
    first, last = _FIRST.search(tag), _LAST.search(tag)
    if not first or not last or int(last[1]) - int(first[1]) >= _MOST_COLUMNS:
        return range(0)
    # A sheet whose unused columns are hidden to its right edge hides nothing.
    return range(int(first[1]) - 1, int(last[1])) if int(last[1]) < _MOST_COLUMNS else range(0)


def _texts(content: bytes, percent: frozenset[bytes]) -> Iterator[tuple[tuple[int, int], str]]:
    for found in _CELL.finditer(content):
        attributes, inner = found[1], found[2]
        at, kind, value = _AT.search(attributes), _TYPE.search(attributes), _VALUE.search(inner)
        if not at:
            continue
        shown = value[1].decode(errors="replace").strip() if value else ""
        text = ""
        if kind and kind[1] == b"e":
            text = html.unescape(shown) or "#ERROR!"
        elif _FORMULA.search(inner) and not shown and not (kind and kind[1] == b"str"):
            formula = _FORMULA_TEXT.search(inner)
            text = "=" + html.unescape(formula[1].decode(errors="replace") if formula else "")
        elif (style := _STYLE.search(attributes)) and style[1] in percent and (not kind or kind[1] == b"n"):
            text = _percentage(shown)
        if text:
            yield (int(at[2]) - 1, column_number(at[1].decode())), text


def _percentage(shown: str) -> str:
    try:
        return as_percent(float(shown))
    except ValueError:
        return ""


def _comments(content: bytes) -> list[tuple[int, int, str]]:
    found = []
    for comment in tree(content).iterfind(".//{*}comment"):
        at = re.fullmatch(r"([A-Za-z]{1,3})([0-9]{1,7})", comment.get("ref", ""))
        if at:
            text = "".join(part.text or "" for part in comment.iterfind(".//{*}t"))
            found.append((int(at[2]) - 1, column_number(at[1]), text))
    return found


def _relations(archive: zipfile.ZipFile, part: str) -> Iterator[tuple[str, str, str]]:
    """Key, kind and target of what a part refers to inside the workbook."""
    folder, name = posixpath.split(part)
    relations = f"{folder}/_rels/{name}.rels"
    if relations not in archive.namelist():
        return
    for relation in tree(archive.read(relations)):
        if relation.get("TargetMode") != "External":
            target = posixpath.normpath(posixpath.join("/", folder, relation.get("Target", ""))).lstrip("/")
            yield relation.get("Id", ""), relation.get("Type", ""), target
