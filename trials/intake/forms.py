"""Workbooks that fairtank made for a site to fill in: which trial and site they are of."""

from __future__ import annotations

import io
import zipfile
from dataclasses import dataclass
from typing import TYPE_CHECKING

import python_calamine as calamine

from schemas.errors import IntakeError
from schemas.plain_words import quoted
from trials.intake.columns import text_of
from trials.protocol_file import digest

if TYPE_CHECKING:
    from schemas.protocol import Protocol
    from trials.register.records import SourceFile

IDENTITY = "fairtank"
"""Name of the hidden sheet that says which trial and site a workbook was made for; it holds no readings."""

ASIDE = frozenset({"start here", "doses", "lists", IDENTITY})
"""Sheets of such a workbook that are read by people or programs and not filled in."""

NEWEST = 1
"""The newest form that this version knows, as the sheet's ``sheet_format`` says."""

_NAMED = f'name="{IDENTITY}"'.encode()
_PARTS = ("xl/workbook.xml", "content.xml")


@dataclass(frozen=True)
class Form:
    """What the hidden sheet says: trial, digest of the protocol that was in force, site, and the kind of form."""

    trial: str
    digest: str
    site: str
    format: str


def form_of(file: SourceFile) -> Form | None:
    """The form that a file is, if it is a workbook made here; for files that could be read as workbooks only."""
    with zipfile.ZipFile(io.BytesIO(file.content)) as archive:
        parts = set(_PARTS) & set(archive.namelist())
        if not any(_NAMED in archive.read(part) for part in parts):
            return None
    book = calamine.CalamineWorkbook.from_filelike(io.BytesIO(file.content))
    if IDENTITY not in book.sheet_names:
        return None
    rows = book.get_sheet_by_name(IDENTITY).to_python()
    said = {text_of(row[0]).strip(): text_of(row[1]).strip() for row in rows if len(row) > 1}
    if "trial" not in said:
        return None
    return Form(said["trial"], said.get("digest", ""), said.get("site", ""), said.get("sheet_format", ""))


def refuse_unfit_form(form: Form, protocol: Protocol, name: str) -> None:
    """Refuse a form of another trial, or of a later version.

    Raises
    ------
    IntakeError
        It is one; nothing of it is taken in.
    """
    if form.trial != protocol.trial.id:
        raise IntakeError(
            f"{name} is a recording sheet of the trial {quoted(form.trial)} and not of {protocol.trial.id}; take it in there, "
            f"or copy its rows into a sheet of {protocol.trial.id}."
        )
    if form.format != str(NEWEST):
        raise IntakeError(
            f"{name} is a recording sheet of format {quoted(form.format)}, and this fairtank reads format {NEWEST}; use the "
            "fairtank that made it, or make new sheets with `fairtank sheets`."
        )


def form_remarks(form: Form, protocol: Protocol) -> list[str]:
    """Whose sheet it is, and whether the protocol was amended since it was made."""
    remarks = [
        f"A recording sheet of the site {form.site}." if form.site else "A recording sheet of the trial."
    ]
    if form.digest != digest(protocol):
        remarks.append(
            "It was made for another state of the protocol than the one in force; `fairtank sheets` makes it anew."
        )
    return remarks
