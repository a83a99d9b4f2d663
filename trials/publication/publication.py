"""What is typed in from a publication, and what was worked out of it."""

from __future__ import annotations

import datetime as dt  # noqa: TC003 - kept importable for readers of the annotations
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Mapping

    from schemas.protocol import Arm, Endpoint
    from schemas.vocabulary import DesignKind


@dataclass(frozen=True)
class PrintedEndpoint:
    """An endpoint with its printed table.

    Parameters
    ----------
    endpoint : Endpoint
        As a protocol would have it.
    unit : str
        Unit that the table is in, as written; empty where a ratio is printed as such.
    rows : tuple of mapping
        Cells by column, as text or numbers.
    places : tuple of str
        Where each row stands.
    contrasts : tuple of pair
        Test and reference; empty where the rows name them.
    ratio_by, conversion : str
        How ratios and medians are worked out; empty where it is not said.
    correlation : float or None
        Of pairs, where an assumed one is to be used.
    alpha : float
    """

    endpoint: Endpoint
    unit: str
    rows: tuple[Mapping[str, Any], ...]
    places: tuple[str, ...]
    contrasts: tuple[tuple[str, str], ...]
    ratio_by: str
    conversion: str
    correlation: float | None
    alpha: float


@dataclass(frozen=True)
class Publication:
    """A trial from a publication.

    Parameters
    ----------
    id, citation : str
    doi, of_trial : str
        The publication's DOI, and the id of the trial as its pack would have it; empty where not known.
    source : str
        Where in the publication the numbers stand.
    date : date or None
    design : DesignKind
        Parallel arms, or blocks where tanks are paired.
    arms : tuple of Arm
    modifiers : mapping of str to float
    digest : str
        SHA-256 over the file and its tables.
    files : mapping of str to bytes
        The file (``publication.toml``) and its tables, as typed.
    results : dict
        The document of an analysis, made of what is printed.
    remarks : tuple of str
        How it was worked out, in sentences.
    """

    id: str
    citation: str
    doi: str
    of_trial: str
    source: str
    date: dt.date | None
    design: DesignKind
    arms: tuple[Arm, ...]
    modifiers: Mapping[str, float]
    digest: str
    files: Mapping[str, bytes] = field(repr=False)
    results: dict[str, Any] = field(repr=False)
    remarks: tuple[str, ...] = ()
