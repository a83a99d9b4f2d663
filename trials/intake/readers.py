"""A file to raw tables, by what its bytes are and not by what its name ends in."""

from __future__ import annotations

import errno
from typing import TYPE_CHECKING

from schemas.errors import IntakeError
from trials.intake.delimited import read_delimited
from trials.intake.workbook import is_workbook, read_workbook
from trials.plain_files import content_of
from trials.register.records import SourceFile

if TYPE_CHECKING:
    from pathlib import Path

    from trials.intake.tables import Headings, RawTable

_MOST_BYTES = 1 << 28


def load(path: Path) -> SourceFile:
    """The bytes of a file under its bare name.

    Raises
    ------
    IntakeError
        The file is not there, cannot be opened, or is too big to be a file of readings.
    """
    try:
        if path.is_dir():
            raise IntakeError(f"{path} is a folder; name the files in it.")
        return SourceFile(path.name, content_of(path, _MOST_BYTES))
    except FileNotFoundError:
        raise IntakeError(f"There is no file {path}.") from None
    except OSError as error:
        hint = "; split it into smaller files" if error.errno == errno.EFBIG else ""
        raise IntakeError(f"{path} cannot be read: {error.strerror}{hint}.") from None


def read_tables(file: SourceFile, headings: Headings) -> tuple[list[RawTable], list[str]]:
    """The tables in a file and remarks on how they were read; sheets without a known column are only named.

    Raises
    ------
    IntakeError
        Nothing can be read of it.
    """
    if not file.content or file.content.isspace():
        raise IntakeError(f"{file.name} is empty.")
    if not is_workbook(file.content):
        table, remarks = read_delimited(file.content, file.name, headings)
        return [table], remarks
    tables, others = read_workbook(file.content, file.name, headings)
    remarks = [
        f'Sheet "{sheet}" has no row that names columns of readings and was left alone.' for sheet in others
    ]
    return tables, remarks
