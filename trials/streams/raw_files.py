"""The files of loggers as they came, each kept in a folder beside the register under the digest of its bytes."""

from __future__ import annotations

import hashlib
import os
import secrets
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from schemas.errors import FairtankError, IntakeError, UsageError
from trials.register.postgres import is_address

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from types import TracebackType
    from typing import Self

_BLOCK = 1 << 22


@dataclass(frozen=True)
class RawFile:
    """A file: its name, the SHA-256 of its bytes, its size, and where it can be read now."""

    name: str
    digest: str
    size: int
    path: Path


def folder_of(register: str, keep: Path | None) -> Path:
    """The folder that keeps the files of a register: the one given, or one beside its file.

    Raises
    ------
    UsageError
        The register is on a server, and no folder is given.
    """
    if keep is not None:
        return keep
    if is_address(register):
        raise UsageError(
            "a register on a server keeps no files of loggers: give the folder that does with --keep FOLDER."
        )
    return Path(register.removeprefix("sqlite:///") + ".streams")


def digest_of(path: Path) -> str:
    """The SHA-256 of a file, which may be larger than memory."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def _blocks(path: Path) -> Iterator[bytes]:
    """A file piece by piece; raises IntakeError where it cannot be read."""
    try:
        with path.open("rb") as file:
            while block := file.read(_BLOCK):
                yield block
    except OSError as error:
        raise IntakeError(f"{path} cannot be read: {error.strerror or error}.") from None


class Keeping:
    """Copies files into the folder, to be kept only if all goes well; what is there already is never touched.

    Parameters
    ----------
    folder : Path or None
        None reads the files where they are and keeps nothing.
    """

    def __init__(self, folder: Path | None) -> None:
        self._folder = folder
        self._staged: dict[Path, str] = {}

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        for path in self._staged:
            path.unlink(missing_ok=True)

    def take(self, path: Path, step: Callable[[int], None]) -> RawFile:
        """Copy a file beside those that are kept.

        Parameters
        ----------
        path : Path
            The file as it came.
        step : callable
            Told how many bytes were copied, again and again.

        Raises
        ------
        IntakeError
            It cannot be read.
        FairtankError
            It cannot be copied, because the disk is full or the folder may not be written.
        """
        hashed, size = hashlib.sha256(), 0
        blocks = _blocks(path)
        if self._folder is None:
            for block in blocks:
                hashed.update(block)
                size += len(block)
                step(len(block))
            return RawFile(path.name, hashed.hexdigest(), size, path.resolve())
        copy = self._folder / f".{secrets.token_hex(8)}.part"
        try:
            self._folder.mkdir(parents=True, exist_ok=True)
            self._staged[copy] = ""
            with copy.open("xb") as target:
                for block in blocks:
                    hashed.update(block)
                    size += target.write(block)
                    step(len(block))
                target.flush()
                os.fsync(target.fileno())
        except OSError as error:
            raise FairtankError(
                f"{path} cannot be kept in {self._folder} ({error.strerror or error}); nothing was taken in. Give another "
                "folder with --keep."
            ) from None
        self._staged[copy] = hashed.hexdigest()
        return RawFile(path.name, hashed.hexdigest(), size, copy.resolve())

    def settle(self) -> None:
        """Give each copy the name that it is kept under; one that is kept already stays as it is."""
        if self._folder is None:
            return
        for copy, digest in self._staged.items():
            target = self._folder / digest
            try:
                os.link(copy, target)  # unlike a renaming, this never overwrites
            except FileExistsError:
                if digest_of(target) != digest:
                    raise FairtankError(
                        f"{target} is not the one that was kept under this name: its digest is another; nothing was taken in. "
                        "Look at it, and move it away."
                    ) from None
            except OSError:  # a file system without links
                if not target.exists():
                    copy.replace(target)
        handle = os.open(self._folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)
