"""A draft of a protocol: made from a few wishes, checked as it will be registered, and put in its place."""

from __future__ import annotations

import csv
import io
import tempfile
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from schemas.errors import FairtankError, UsageError
from schemas.vocabulary import DesignKind
from trials.draft_text import protocol_text
from trials.draft_wishes import TypedTank, Wishes
from trials.protocol_file import LoadedProtocol, load

if TYPE_CHECKING:
    from collections.abc import Iterable


@dataclass(frozen=True)
class Draft:
    """The two files, and whether the tanks in them are placeholders."""

    protocol: bytes
    tanks: bytes
    placeholders: bool


def typed_tank(text: str) -> TypedTank:
    """A tank from what was typed.

    Examples
    --------
    >>> typed_tank("q01-a, q01, 180")
    TypedTank(id='q01-a', block='q01', volume='180')
    """
    parts = [part.strip() for part in text.split(",")]
    if not parts[0] or len(parts) > 3:
        raise UsageError(
            f'"{text}" is not a tank; write its id, its block and its litres, e.g. q01-a,q01,180.'
        )
    return TypedTank(*parts)


def draft(wishes: Wishes) -> Draft:
    """Write the two files of a protocol.

    Raises
    ------
    UsageError
        A wish that cannot be meant.
    WaterError
        A source that is not known, is never dosed, or is in the wrong arm.
    """
    if wishes.design not in (DesignKind.BLOCKS, DesignKind.PARALLEL):
        raise UsageError(
            f'a draft is made for blocks or parallel arms, not "{wishes.design}"; write other designs by hand.'
        )
    if not wishes.polymer and not wishes.liquid:
        raise UsageError(
            "a trial needs an arm to compare with the control: name a polymer, a liquid or both."
        )
    if wishes.carbon <= 0 or wishes.weeks < 1 or wishes.blocks < 1:
        raise UsageError("carbon, weeks and blocks must be above 0.")
    arms = ["control", *(name for name in ("polymer", "liquid") if getattr(wishes, name))]
    tanks = wishes.tanks_file or _tanks_csv(wishes, len(arms))
    text = protocol_text(wishes, arms)
    placeholders = wishes.tanks_file is None and not wishes.tanks
    return Draft(text.encode(), tanks, placeholders)


def checked(made: Draft) -> LoadedProtocol:
    """The protocol of a draft, read as ``register`` would read it.

    Raises
    ------
    ProtocolError
        What was wished for makes no protocol; the error carries every mistake.
    """
    with tempfile.TemporaryDirectory() as folder:
        place = Path(folder)
        (place / "tanks.csv").write_bytes(made.tanks)
        path = place / "protocol.toml"
        path.write_bytes(made.protocol)
        return load(path)


def write(made: Draft, path: Path, *, force: bool = False) -> tuple[Path, Path]:
    """Put the files in their places: the protocol at ``path``, ``tanks.csv`` beside it.

    Raises
    ------
    FairtankError
        One of them is there already and ``force`` is not set, or cannot be written.
    """
    beside = path.parent / "tanks.csv"
    if path.name == beside.name:
        raise UsageError(
            "tanks.csv is the name of the tanks file; give the protocol another, e.g. protocol.toml."
        )
    contents = ((beside, made.tanks), (path, made.protocol))
    for place, content in contents:
        # A tanks file that is there byte for byte is the one that was given, and stays.
        if (
            place.exists()
            and not force
            and not (place == beside and place.is_file() and place.read_bytes() == content)
        ):
            raise FairtankError(f"{place} is there already and was left as it is; --force writes over it.")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        for place, content in contents:
            place.write_bytes(content)
    except OSError as error:
        raise FairtankError(f"{error.filename} cannot be written: {error.strerror}.") from None
    return path, beside


def _tanks_csv(wishes: Wishes, arms: int) -> bytes:
    blocked = wishes.design == DesignKind.BLOCKS
    tanks: Iterable[TypedTank] = wishes.tanks or (
        TypedTank(f"b{block:02}-{place}", f"b{block:02}" if blocked else "")
        for block in range(1, wishes.blocks + 1)
        for place in range(1, arms + 1)
    )
    file = io.StringIO()
    rows = csv.writer(file, lineterminator="\n")
    rows.writerow(("id", "block", "volume_L"))
    rows.writerows((tank.id, tank.block, tank.volume) for tank in tanks)
    return file.getvalue().encode()
