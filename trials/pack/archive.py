"""The files of a pack, from a folder or a zip that somebody sent: nothing is unpacked, followed or trusted."""

from __future__ import annotations

import stat
import zipfile
import zlib
from dataclasses import dataclass
from typing import TYPE_CHECKING

from schemas.errors import PackError
from schemas.plain_words import quoted

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

MOST_FILES = 20_000
MOST_BYTES = 2**29
"""Bytes of all files together, unpacked: some hundred times the largest trial in view, and still within memory."""

_LONGEST_NAME = 240
_DESCRIPTOR = "datapackage.json"
_LEFT_BY_SYSTEMS = ("__MACOSX/", ".DS_Store", "Thumbs.db", "desktop.ini")
"""What file managers leave in folders and zips that they show or pack; it is no part of a pack and is not read."""


@dataclass(frozen=True)
class Archive:
    """The files of a pack by their path inside it, with ``/`` between folders.

    ``damaged`` has a sentence for each file that is there but cannot be read back, as the zip's own check says.
    """

    files: dict[str, bytes]
    damaged: dict[str, str]


def read_archive(path: Path) -> Archive:
    """Read all files of a folder or a zip.

    A zip whose one folder holds the pack, as made by zipping a folder, is read as if that folder were its top.

    Raises
    ------
    PackError
        There is no such folder or zip, it is no pack, or it holds what no pack holds: links, paths that lead out of
        it, doubled names, or more than can be meant.
    """
    try:
        if path.is_dir():
            return Archive(_inner(dict(_of_folder(path)), path), {})
        if not path.is_file():
            raise PackError(f"There is no pack {path}; give its folder or its zip.")
        return _of_zip(path)
    except OSError as error:
        reason = (error.strerror or str(error)).lower()
        raise PackError(f"{path} cannot be read ({reason}).") from error


def _of_folder(top: Path) -> Iterator[tuple[str, bytes]]:
    waiting, count, total = [top], 0, 0
    while waiting:
        for item in sorted(waiting.pop().iterdir()):
            name = item.relative_to(top).as_posix()
            if item.is_symlink():
                raise PackError(f"{top} holds a link, {quoted(name)}, and a pack holds none; take it out.")
            if item.is_dir():
                waiting.append(item)
                continue
            if not item.is_file():
                raise PackError(f"{top} holds {quoted(name)}, which is no plain file; take it out.")
            if _is_leftover(name):
                continue
            count, total = count + 1, total + item.stat().st_size
            _refuse_too_much(top, count, total)
            _refuse_name(top, name)
            yield name, item.read_bytes()


def _of_zip(path: Path) -> Archive:
    files: dict[str, bytes] = {}
    damaged: dict[str, str] = {}
    try:
        with zipfile.ZipFile(path) as packed:
            entries = [e for e in packed.infolist() if not e.is_dir() and not _is_leftover(e.filename)]
            _refuse_too_much(path, len(entries), sum(entry.file_size for entry in entries))
            _refuse_doubled(path, [entry.filename for entry in entries])
            for entry in entries:
                # Names are compared as the zip has them, before zipfile makes them fit this machine.
                _refuse_name(path, entry.orig_filename)
                _refuse_kind(path, entry)
                try:
                    files[entry.filename] = packed.read(entry)
                except (zipfile.BadZipFile, zlib.error, EOFError) as error:
                    files[entry.filename] = b""
                    damaged[entry.filename] = f"{entry.filename} is damaged inside the zip ({error})."
    except zipfile.BadZipFile:
        raise PackError(f"{path} is neither a folder nor a zip that can be read; give a pack.") from None
    except (NotImplementedError, RuntimeError) as error:
        raise PackError(f"{path} is packed in a way that is not read here ({error}); zip it anew.") from error
    inner = _inner(files, path)
    top = next(iter(files)).removesuffix(next(iter(inner))) if files else ""
    return Archive(inner, {name.removeprefix(top): text for name, text in damaged.items()})


def _inner(files: dict[str, bytes], path: Path) -> dict[str, bytes]:
    """The files below the one folder that holds the descriptor, where it does not stand at the top."""
    if _DESCRIPTOR in files:
        return files
    tops = {name.split("/", 1)[0] for name in files}
    if len(tops) == 1:
        top = f"{tops.pop()}/"
        if f"{top}{_DESCRIPTOR}" in files:
            return {name.removeprefix(top): content for name, content in files.items()}
    raise PackError(f"{path} is no pack: there is no {_DESCRIPTOR} at its top.")


def _is_leftover(name: str) -> bool:
    return name.startswith(_LEFT_BY_SYSTEMS[0]) or name.rsplit("/", 1)[-1] in _LEFT_BY_SYSTEMS


def _refuse_too_much(path: Path, count: int, total: int) -> None:
    if count > MOST_FILES or total > MOST_BYTES:
        raise PackError(
            f"{path} holds more than a pack can: at most {MOST_FILES:,} files and {MOST_BYTES // 2**20:,} MiB unpacked."
        )


def _refuse_doubled(path: Path, names: list[str]) -> None:
    seen: set[str] = set()
    for name in names:
        if name.casefold() in seen:
            raise PackError(
                f"{path} holds {quoted(name)} twice, so what it says cannot be told; get it anew from its source."
            )
        seen.add(name.casefold())


def _refuse_name(path: Path, name: str) -> None:
    parts = name.split("/")
    odd = any(part in {"", ".", ".."} for part in parts) or any(sign in name for sign in "\\:")
    if odd or len(name) > _LONGEST_NAME or not name.isprintable():
        raise PackError(
            f"{path} holds {quoted(name)}, and no path in a pack may lead out of it or be hidden."
        )


def _refuse_kind(path: Path, entry: zipfile.ZipInfo) -> None:
    mode = entry.external_attr >> 16
    if stat.S_IFMT(mode) not in {0, stat.S_IFREG}:
        raise PackError(
            f"{path} holds {quoted(entry.filename)}, a link or no plain file, and a pack holds none."
        )
    if entry.flag_bits & 0x1:
        raise PackError(f"{path} is locked with a password, and open data are not; zip it without.")
