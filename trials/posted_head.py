"""The head of the chain as a small text to be posted in public, and read back to be checked against."""

from __future__ import annotations

import re
from pathlib import Path
from typing import TYPE_CHECKING

from schemas.errors import FairtankError, UsageError
from schemas.plain_words import quoted
from trials.plain_files import content_of

if TYPE_CHECKING:
    import datetime as dt

_DIGEST = re.compile(r"(?<![0-9a-fA-F])[0-9a-fA-F]{64}(?![0-9a-fA-F])")
_LONGEST = 1 << 20


def is_pack(text: str) -> bool:
    """Whether an argument means a pack rather than a trial: it is there as a zip or as a pack's folder, or is a path."""
    path = Path(text)
    if path.is_dir():
        return (path / "datapackage.json").exists() or path.name != text
    return path.is_file() or path.suffix.lower() == ".zip" or path.name != text


def write(path: Path, head: str, name: str, at: dt.datetime) -> None:
    """Write the head with a sentence that says what it is.

    Raises
    ------
    UsageError
        The file is there already.
    FairtankError
        It cannot be written.
    """
    text = (
        f"fairtank, head of the register's chain ({name}), as of {at:%Y-%m-%d %H:%M} UTC:\n"
        f"{head}\n"
        "It fixes all that was recorded up to here. Keep this text where the keepers of the register cannot change it;\n"
        "later, `fairtank verify --head FILE-OR-DIGEST` shows whether the record still holds it.\n"
    )
    try:
        with path.open("x", encoding="utf-8") as file:
            file.write(text)
    except FileExistsError:
        raise UsageError(
            f"{path} is there already; name a new file, so that an earlier head is not lost."
        ) from None
    except OSError as error:
        reason = (error.strerror or str(error)).lower()
        raise FairtankError(f"{path} cannot be written ({reason}); name another file.") from error


def read(text: str) -> str:
    """The digest that was noted: given itself, or in a file that holds one.

    Raises
    ------
    UsageError
        It is neither a digest nor a file with exactly one.
    """
    if _DIGEST.fullmatch(text.strip()):
        return text.strip().lower()
    try:
        noted = content_of(Path(text), _LONGEST).decode("utf-8", "replace")
    except (OSError, ValueError):
        raise UsageError(
            f"{quoted(text)} is neither a digest (64 hexadecimal digits) nor a file that holds one."
        ) from None
    found: set[str] = {match[0].lower() for match in _DIGEST.finditer(noted)}
    if len(found) != 1:
        how = "no digest" if not found else "several digests"
        raise UsageError(f"{text} holds {how} of 64 hexadecimal digits; give the head itself.")
    return found.pop()
