"""A protocol from its file, and the canonical form whose SHA-256 is the digest of the trial."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import rfc8785

from schemas.errors import FairtankError, Mistake, ProtocolError
from schemas.protocol import Protocol
from schemas.protocol_rules import mistakes
from schemas.protocol_shape import build
from schemas.protocol_warnings import warnings_for
from trials.allocation import outlook
from trials.plain_files import content_of
from trials.register.records import SourceFile
from trials.tanks_file import TanksFile, read_tanks
from trials.toml_text import read_toml

if TYPE_CHECKING:
    from pathlib import Path


@dataclass(frozen=True)
class LoadedProtocol:
    """A protocol without mistakes, with the files it came from.

    Parameters
    ----------
    protocol : Protocol
        The model.
    source : SourceFile
        The TOML file, byte for byte.
    tanks_source : SourceFile or None
        The tanks file, where the protocol names one.
    warnings : tuple of str
        Sentences on what the lead may regret; none stops registration.
    """

    protocol: Protocol
    source: SourceFile
    tanks_source: SourceFile | None
    warnings: tuple[str, ...]


def load(path: Path) -> LoadedProtocol:
    """Read a protocol and the tanks file it may name, and check both.

    Parameters
    ----------
    path : Path
        A TOML file.

    Raises
    ------
    ProtocolError
        The protocol has mistakes; the error carries all of them.
    FairtankError
        There is no such file to be had.
    """
    source = SourceFile(path.name, _content(path))
    raw = read_toml(source.content)
    if isinstance(raw, Mistake):
        raise ProtocolError(path.name, (raw,))
    tanks = read_tanks(path.parent, raw["tanks"]) if isinstance(raw.get("tanks"), str) else None
    found = _mistakes(raw, tanks)
    if found:
        raise ProtocolError(path.name, tuple(found))
    protocol = build(raw)
    found = outlook.mistakes(protocol)
    if found:
        raise ProtocolError(path.name, tuple(found))
    read_as = tanks.warnings if isinstance(tanks, TanksFile) else []
    tanks_source = tanks.source if isinstance(tanks, TanksFile) else None
    return LoadedProtocol(
        protocol, source, tanks_source, (*read_as, *warnings_for(protocol), *outlook.warnings(protocol))
    )


def _content(path: Path) -> bytes:
    try:
        return content_of(path)
    except FileNotFoundError:
        raise FairtankError(f"There is no file {path}; give the path of a protocol (TOML).") from None
    except IsADirectoryError:
        raise FairtankError(f"{path} is a folder; give the path of the protocol in it.") from None
    except OSError as error:
        raise FairtankError(f"{path} cannot be read: {error.strerror}.") from None


def _mistakes(raw: dict[str, Any], tanks: TanksFile | Mistake | None) -> list[Mistake]:
    """The mistakes of the protocol and its tanks file; the tanks that could be read are put into ``raw``."""
    if tanks is None:
        return mistakes(raw)
    if isinstance(tanks, TanksFile) and not tanks.mistakes:
        raw["tanks"] = tanks.tanks
        return mistakes(raw, tank_places=tanks.places)
    # Nothing is said of tanks that were not all read; the rest of the protocol is still checked.
    del raw["tanks"]
    own = tanks.mistakes if isinstance(tanks, TanksFile) else [tanks]
    return [*own, *(mistake for mistake in mistakes(raw) if mistake.place != "tanks")]


def canonical(protocol: Protocol) -> bytes:
    """The protocol as canonical JSON (RFC 8785), the text that is sealed.

    Defaults are written out and what is absent is left out; tanks are sorted by id, since their order means
    nothing; arms, phases, endpoints and contrasts keep theirs, since allocation and multiplicity follow it.
    """
    document = protocol.model_dump(mode="json", exclude_none=True)
    document["tanks"].sort(key=lambda tank: tank["id"])
    return rfc8785.dumps(document)


def digest(protocol: Protocol) -> str:
    """SHA-256 of the canonical protocol, lower-case hexadecimal."""
    return hashlib.sha256(canonical(protocol)).hexdigest()


def from_canonical(data: bytes) -> Protocol:
    """The protocol of a canonical text; the inverse of :func:`canonical`, with tanks sorted by id."""
    return Protocol.model_validate_json(data, strict=True)
