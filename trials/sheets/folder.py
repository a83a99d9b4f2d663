"""The sheets of a trial as files: nothing that somebody may have filled in is written over."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from schemas.errors import FairtankError, UsageError
from trials.sheets.page import page_of
from trials.sheets.workbook import workbook_of

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from trials.sheets.site import SiteSheet


@dataclass(frozen=True)
class SheetFiles:
    """The files of one site."""

    site: str
    workbook: Path
    page: Path


def write_sheets(folder: Path, sites: Sequence[SiteSheet], *, force: bool = False) -> tuple[SheetFiles, ...]:
    """Write a workbook and a page for each site.

    Parameters
    ----------
    folder : Path
        Made where it is not there.
    sites : sequence of SiteSheet
    force : bool
        Write over files that differ.

    Raises
    ------
    UsageError
        A file is there already and is another one, so perhaps filled in.
    FairtankError
        The folder cannot be written.
    """
    found: list[tuple[SheetFiles, bytes, bytes]] = []
    taken: set[str] = set()
    for site in sites:
        stem = _free(site.name, taken)
        files = SheetFiles(site.site, folder / f"{stem}.xlsx", folder / f"{stem}.html")
        found.append((files, workbook_of(site), page_of(site).encode()))
    try:
        if not force:
            _refuse_filled(found)
        folder.mkdir(parents=True, exist_ok=True)
        for files, workbook, page in found:
            files.workbook.write_bytes(workbook)
            files.page.write_bytes(page)
    except OSError as error:
        reason = (error.strerror or str(error)).lower()
        raise FairtankError(
            f"The sheets cannot be written to {folder} ({reason}); name another folder."
        ) from error
    return tuple(files for files, _, _ in found)


def _free(name: str, taken: set[str]) -> str:
    """A name that differs from the others in more than case, which some disks do not tell apart."""
    number, stem = 1, name
    while stem.casefold() in taken:
        number += 1
        stem = f"{name}-{number}"
    taken.add(stem.casefold())
    return stem


def _refuse_filled(found: Sequence[tuple[SheetFiles, bytes, bytes]]) -> None:
    for files, workbook, page in found:
        for path, content in ((files.workbook, workbook), (files.page, page)):
            if path.exists() and (not path.is_file() or path.read_bytes() != content):
                raise UsageError(
                    f"{path} is there already and may be filled in; name another folder, or write over it with --force."
                )
