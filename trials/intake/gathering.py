"""The files that somebody means by naming files and folders, in a stable order."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from schemas.errors import IntakeError

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator
    from pathlib import Path

KINDS = frozenset({".csv", ".tsv", ".txt", ".xlsx", ".xls", ".ods"})
"""Endings of the files that are taken from a folder; a file that is named itself may be called anything."""

_LONG = 1 << 20
_MANY = 20


@dataclass(frozen=True)
class Gathered:
    """Files to be read.

    Parameters
    ----------
    files : tuple of Path
        Each once: as named, those of a folder by the names of folders and files.
    found : frozenset of Path
        Those of them that nobody named, but that stand in a folder that was: where one cannot be read, the others can.
    left_alone : tuple of (str, str)
        Other files of the folders, each with the reason why it is not read.
    """

    files: tuple[Path, ...]
    found: frozenset[Path]
    left_alone: tuple[tuple[str, str], ...]

    @property
    def takes_long(self) -> bool:
        """Whether reading them takes long enough for a person to wonder."""
        return len(self.files) > _MANY or sum(path.stat().st_size for path in self.files) > _LONG


def gather(named: Iterable[Path], kinds: frozenset[str] = KINDS) -> Gathered:
    """The files meant by names of files and folders.

    Parameters
    ----------
    named : iterable of Path
        Files and folders.
    kinds : frozenset of str
        The endings of the files that are taken from a folder.

    Raises
    ------
    IntakeError
        A name is none of a file or folder, or a folder holds no file that could be one of readings.
    """
    files: dict[Path, Path] = {}
    found, left_alone = set(), []
    for name in named:
        if not name.exists():
            raise IntakeError(f"{name} is not there; check the name and the folder.")
        if not name.is_dir():
            files.setdefault(name.resolve(), name)
            continue
        count = 0
        for path in _walk(name):
            reason = _reason_to_leave(path, kinds)
            if reason:
                left_alone.append((str(path), reason))
            else:
                count += 1
                if path.resolve() not in files:
                    files[path.resolve()] = path
                    found.add(path)
        if not count:
            raise IntakeError(
                f"{name} holds no file that ends in {', '.join(sorted(kinds))}; name another folder."
            )
    return Gathered(tuple(files.values()), frozenset(found), tuple(left_alone))


def _walk(folder: Path) -> Iterator[Path]:
    """The files of a folder and then of its folders, by name; links to folders are not followed, hidden ones not entered."""
    try:
        entries = sorted(folder.iterdir(), key=lambda path: (path.name.casefold(), path.name))
    except OSError as error:
        raise IntakeError(f"{folder} cannot be read: {error.strerror}.") from None
    yield from (path for path in entries if not path.is_dir())
    for path in entries:
        if path.is_dir() and not path.is_symlink() and not path.name.startswith("."):
            yield from _walk(path)


def _reason_to_leave(path: Path, kinds: frozenset[str]) -> str:
    if path.name.startswith("~$") or path.name.startswith(".~lock."):
        return "it is the mark of a file that is open in a spreadsheet program; close it, in case it is not saved yet"
    if path.name.startswith("."):
        return "it is a hidden file"
    if path.suffix.lower() not in kinds:
        return f"it does not end in {', '.join(sorted(kinds))}"
    return "" if path.is_file() else "it is no plain file"
