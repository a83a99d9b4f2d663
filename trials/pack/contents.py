"""What a pack holds before it is files: the parts that cannot be made from one another."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property
from typing import TYPE_CHECKING, Any

from trials.protocol_file import from_canonical

if TYPE_CHECKING:
    from collections.abc import Mapping

    import pandas as pd

    from schemas.protocol import Protocol
    from trials.pack.chain_lines import ChainLine


@dataclass(frozen=True)
class Contents:
    """The parts of a pack; every other file of it is made from them.

    Parameters
    ----------
    protocols : tuple of (str, bytes)
        Digest and canonical text of the sealed protocol, then of those of amendments in order.
    sources : mapping of str to bytes
        By path: protocol files as sent, and files of readings as sent where the pack has them.
    lines : tuple of ChainLine
        The register's chain, up to its head.
    frames : mapping of str to DataFrame
        By name of table: those of :data:`trials.pack.layout.GATHERED`.
    results : dict
        The document of the registered analysis.
    texts : bool
        Whether free texts, file names and files as sent are in the pack.
    lead_named : bool
        Whether the lead agreed to be named as the author.
    fairtank : str
        The version that made the pack.
    environment : mapping of str to str
        Versions of what it ran on.
    """

    protocols: tuple[tuple[str, bytes], ...]
    sources: Mapping[str, bytes]
    lines: tuple[ChainLine, ...]
    frames: Mapping[str, pd.DataFrame]
    results: dict[str, Any] = field(repr=False)
    texts: bool
    lead_named: bool
    fairtank: str
    environment: Mapping[str, str]

    @cached_property
    def sealed_digest(self) -> str:
        """The digest that the draw rests on."""
        return self.protocols[0][0]

    @cached_property
    def digest(self) -> str:
        """The digest of the protocol in force."""
        return self.protocols[-1][0]

    @cached_property
    def models(self) -> dict[str, Protocol]:
        """The protocols by their digest."""
        return {digest: from_canonical(text) for digest, text in self.protocols}

    @property
    def sealed(self) -> Protocol:
        """The protocol as sealed."""
        return self.models[self.sealed_digest]

    @property
    def protocol(self) -> Protocol:
        """The protocol in force."""
        return self.models[self.digest]

    @cached_property
    def trial(self) -> str:
        """The trial's id, as the entry of its seal has it."""
        return next(line.trial for line in self.lines if line.trial is not None)

    @property
    def own(self) -> list[ChainLine]:
        """The lines of this trial, in order; others are of trials that the register also holds."""
        return [line for line in self.lines if line.trial == self.trial]

    @property
    def head(self) -> str:
        """The digest of the last entry."""
        return self.lines[-1].digest
