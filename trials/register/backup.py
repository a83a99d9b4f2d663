"""A copy of the whole register in a new file, checked before it gets its name."""

from __future__ import annotations

import os
from dataclasses import dataclass
from typing import TYPE_CHECKING

from schemas.errors import RegisterError
from trials.register.store import Register

if TYPE_CHECKING:
    from pathlib import Path

    from trials.register.records import Finding


@dataclass(frozen=True)
class Copy:
    """What a copy holds: how many entries, the head of its chain, and what does not hold in it."""

    entries: int
    head: str
    findings: list[Finding]


def back_up(register: Register, target: Path) -> Copy:
    """Copy a register, also while others write to it, and check the copy.

    The copy is made under another name beside ``target`` and renamed when it is whole: a file of that name is a whole
    copy, whenever the machine stopped.

    Parameters
    ----------
    register : Register
        An open register in a file; one on a server is copied by the server's own tools.
    target : Path
        A file that is not there yet.

    Raises
    ------
    RegisterError
        There is such a file already, it cannot be written, or the register is on a server.
    """
    if target.exists():
        raise RegisterError(
            f"{target} is there already, and a copy writes over nothing; give it another name."
        )
    partial = target.with_name(f"{target.name}.partial")
    try:
        partial.unlink(missing_ok=True)  # what a copy left that did not come to its end
        register.copy_into(partial)
        with Register.open(str(partial)) as copy:
            made = Copy(len(copy.entries()), copy.head(), copy.check())
        _sync(partial)
        partial.rename(target)
        _sync(target.parent)
    except OSError as error:
        raise RegisterError(
            f"{target} cannot be written: {(error.strerror or str(error)).lower()}."
        ) from None
    finally:
        partial.unlink(missing_ok=True)
    return made


def _sync(path: Path) -> None:
    """Have the system write a file, or the names in a folder, to the disk."""
    if os.name == "nt" and path.is_dir():
        return  # a folder cannot be opened there, and its names are kept by the file system
    handle = os.open(path, os.O_RDONLY if path.is_dir() else os.O_RDWR)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
