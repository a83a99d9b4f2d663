"""The files of a pack put into a folder or a zip; the same files give the same zip, byte for byte."""

from __future__ import annotations

import io
import zipfile
from typing import TYPE_CHECKING

from schemas.errors import PackError, UsageError

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

_MIDNIGHT = (1980, 1, 1, 0, 0, 0)
"""The first moment that a zip can hold: when a pack was made is no part of it."""
_PLAIN_FILE = 0o100644 << 16


def write_pack(place: Path, files: Mapping[str, bytes], trial: str) -> None:
    """Write a pack into a new or empty folder, or into a zip where the name ends in ``.zip``, there under a folder of the trial's name.

    Raises
    ------
    UsageError
        Something is there already.
    PackError
        It cannot be written there.
    """
    refuse_taken(place)
    try:
        if place.suffix.lower() == ".zip":
            place.parent.mkdir(parents=True, exist_ok=True)
            place.write_bytes(zipped(files, trial))
            return
        for path, content in files.items():
            target = place / path
            target.parent.mkdir(parents=True, exist_ok=True)
            target.write_bytes(content)
    except OSError as error:
        reason = (error.strerror or str(error)).lower()
        raise PackError(
            f"The pack cannot be written to {place} ({reason}); name another place with --out."
        ) from error


def refuse_taken(place: Path) -> None:
    """Refuse a place where something is: a pack is written over nothing.

    Raises
    ------
    UsageError
        A file is there, or a folder that is not empty.
    """
    try:
        taken = any(place.iterdir()) if place.is_dir() else place.exists()
    except OSError as error:
        raise PackError(
            f"{place} cannot be looked into ({(error.strerror or str(error)).lower()})."
        ) from error
    if taken:
        raise UsageError(
            f"{place} is there already; name a new or an empty folder, or a new zip, with --out."
        )


def zipped(files: Mapping[str, bytes], top: str) -> bytes:
    """All files in one zip, under one folder, sorted, with one fixed time."""
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED, compresslevel=9) as archive:
        for path in sorted(files):
            entry = zipfile.ZipInfo(f"{top}/{path}", _MIDNIGHT)
            entry.external_attr = _PLAIN_FILE
            entry.compress_type = zipfile.ZIP_DEFLATED
            entry.create_system = 3
            archive.writestr(entry, files[path])
    return packed.getvalue()
