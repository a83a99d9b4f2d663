"""A pack read back into what it holds; for checking it, and for pooling several."""

from __future__ import annotations

import json
from dataclasses import dataclass, field
from pathlib import Path  # noqa: TC003 - kept importable for readers of the annotations
from typing import TYPE_CHECKING, Any

import pandas as pd

from schemas.errors import PackError
from trials.pack import layout
from trials.pack.archive import read_archive
from trials.pack.bodies_shown import refuse_other_forms, stand_in
from trials.pack.chain_lines import read_lines
from trials.pack.contents import Contents
from trials.pack.tables import read_table
from trials.register.bodies import AllocationBody
from trials.register.chain import Kind

if TYPE_CHECKING:
    from collections.abc import Mapping

    from schemas.allocation import Allocation
    from schemas.protocol import Protocol
    from trials.pack.chain_lines import ChainLine
    from trials.pack.tables import Table


@dataclass(frozen=True)
class Pack:
    """A pack that could be read; that it is whole is for :func:`trials.pack.checking.check_pack` to say.

    Parameters
    ----------
    path : Path
        The folder or zip.
    trial : str
        The trial's id.
    protocol : Protocol
        The protocol in force.
    results : dict
        The document of ``fairtank analyse --json``.
    allocation : DataFrame
        One row a tank (and period): ``tank``, ``block``, ``site``, ``period`` (1 unless a crossover), ``arm``.
    readings, events : DataFrame
        As the register hands them out; ``file`` is ``entry N``, and persons are codes unless they agreed to be named.
    published : bool
        Whether the figures come from a publication, without readings.
    metadata : dict
        The descriptor, ``datapackage.json``.
    contents : Contents
        All parts of it.
    files : mapping of str to bytes
        Every file by its path.
    """

    path: Path
    trial: str
    protocol: Protocol
    results: dict[str, Any] = field(repr=False)
    allocation: pd.DataFrame = field(repr=False)
    readings: pd.DataFrame = field(repr=False)
    events: pd.DataFrame = field(repr=False)
    published: bool
    metadata: dict[str, Any] = field(repr=False)
    contents: Contents = field(repr=False)
    files: Mapping[str, bytes] = field(repr=False)


def open_pack(path: Path) -> Pack:
    """Read a pack, a folder or a zip, without unpacking it.

    Raises
    ------
    PackError
        It is no pack, or a part of it is missing, damaged or not in its form; one sentence says which.
    """
    archive = read_archive(path)
    for sentence in archive.damaged.values():
        raise PackError(f"{path}: {sentence}")
    try:
        return pack_of(path, archive.files)
    except PackError as error:
        raise PackError(f"{path}: {error}") from None


def pack_of(path: Path, files: Mapping[str, bytes]) -> Pack:
    """As :func:`open_pack`, from files that were read already; errors do not name the pack."""
    metadata = json_object(files, layout.DESCRIPTOR)
    contents = contents_of(files)
    shared = allocation_of(contents)
    frame = pd.DataFrame(
        [(a.tank, a.block or "", a.site or "", a.period or 1, a.arm) for a in shared.assignments],
        columns=["tank", "block", "site", "period", "arm"],
    )
    return Pack(
        path=path,
        trial=contents.trial,
        protocol=contents.protocol,
        results=contents.results,
        allocation=frame,
        readings=as_from_register(contents.frames["readings"]),
        events=as_from_register(contents.frames["events"]),
        published=metadata.get("published") is True,
        metadata=metadata,
        contents=contents,
        files=files,
    )


def as_from_register(frame: pd.DataFrame) -> pd.DataFrame:
    """Readings or events of a pack with the columns of the register: ``file`` in place of ``entry``."""
    named = frame.assign(file=[f"entry {number}" for number in frame["entry"]])
    return named[
        [*(name for name in frame.columns if name not in {"entry", "sheet", "row"}), "file", "sheet", "row"]
    ]


def contents_of(files: Mapping[str, bytes]) -> Contents:
    """The parts of a pack from its files.

    Raises
    ------
    PackError
        A part is missing or not in its form.
    """
    made_with = json_object(files, layout.MADE_WITH)
    if made_with.get("format") != layout.FORMAT:
        raise PackError(
            f"{layout.MADE_WITH} says that this is a pack of format {made_with.get('format')}, and this version of "
            f"fairtank reads format {layout.FORMAT}."
        )
    if not _is_made_with(made_with):
        raise PackError(
            f"{layout.MADE_WITH} does not say which version of fairtank made the pack, and on what."
        )
    lines = read_lines(content(files, layout.CHAIN), layout.CHAIN)
    own = own_lines(lines)
    refuse_other_forms(own)
    sources = {
        name: files[name]
        for name in sorted(files)
        if name.startswith("files/") or (name.startswith("protocol/") and not name.endswith(".json"))
    }
    return Contents(
        protocols=_protocols(files, own),
        sources=sources,
        lines=lines,
        frames={table.name: _frame(table, files) for table in layout.GATHERED},
        results=json_object(files, layout.RESULTS),
        texts=made_with["texts"],
        lead_named=made_with["lead_named"],
        fairtank=made_with["fairtank"],
        environment=made_with["environment"],
    )


def own_lines(lines: tuple[ChainLine, ...]) -> list[ChainLine]:
    """The entries of the one trial that a chain shows."""
    trial = next(line.trial for line in lines if line.kind == Kind.SEAL)
    if {line.trial for line in lines} - {trial, None}:
        raise PackError(f"{layout.CHAIN} shows more than one trial.")
    return [line for line in lines if line.trial == trial]


def protocol_path(line: ChainLine) -> str:
    """Where the canonical protocol of a seal or an amendment lies."""
    return layout.SEALED if line.kind == Kind.SEAL else f"protocol/amended-{line.number}.json"


def protocol_digest(line: ChainLine) -> str:
    """The digest of the protocol that a seal or an amendment puts in force."""
    digest: str = line.content["protocol"]
    return digest


def allocation_of(contents: Contents) -> Allocation:
    """The allocation, as its entry of the chain has it.

    Raises
    ------
    PackError
        There is none, or it is not in its form.
    """
    line = next((line for line in contents.own if line.kind == Kind.ALLOCATION), None)
    if line is None:
        raise PackError(f"{layout.CHAIN} has no allocation.")
    return stand_in(line, AllocationBody).allocation


def json_object(files: Mapping[str, bytes], name: str) -> dict[str, Any]:
    """A file that holds a JSON object."""
    try:
        found = json.loads(content(files, name))
    except (ValueError, RecursionError):
        raise PackError(f"{name} is not JSON that can be read.") from None
    if not isinstance(found, dict):
        raise PackError(f"{name} must hold a JSON object.")
    return found


def content(files: Mapping[str, bytes], name: str) -> bytes:
    """A file of the pack; raises PackError where it is not there."""
    if name not in files:
        raise PackError(f"{name} is missing.")
    return files[name]


def _frame(table: Table, files: Mapping[str, bytes]) -> pd.DataFrame:
    return read_table(table, content(files, table.path))


def _protocols(files: Mapping[str, bytes], own: list[ChainLine]) -> tuple[tuple[str, bytes], ...]:
    return tuple(
        (protocol_digest(line), content(files, protocol_path(line)))
        for line in own
        if line.kind in {Kind.SEAL, Kind.AMENDMENT}
    )


def _is_made_with(made_with: dict[str, Any]) -> bool:
    environment = made_with.get("environment")
    return (
        isinstance(made_with.get("texts"), bool)
        and isinstance(made_with.get("lead_named"), bool)
        and isinstance(made_with.get("fairtank"), str)
        and isinstance(environment, dict)
        and all(isinstance(version, str) for version in environment.values())
    )
