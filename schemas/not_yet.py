"""Words that the format knows and this version cannot analyse yet: refused before anything is sealed."""

from __future__ import annotations

from typing import TYPE_CHECKING

from schemas.plain_words import listed, quoted
from schemas.protocol_places import Fault, Path, pattern
from schemas.vocabulary import DesignKind, Multiplicity, Summary

if TYPE_CHECKING:
    from enum import StrEnum

    from schemas.protocol_draft import Draft

NOT_YET: dict[str, frozenset[StrEnum]] = {
    "design.kind": frozenset({DesignKind.INCOMPLETE_BLOCKS, DesignKind.CROSSOVER, DesignKind.BEFORE_AFTER}),
    "endpoints.summary": frozenset({Summary.DAYS_TO_TARGET, Summary.COUNT}),
    "analysis.multiplicity": frozenset({Multiplicity.DUNNETT}),
}
"""By place; an entry is taken out when its analysis is built."""

_WORDS: dict[str, type[StrEnum]] = {
    "design.kind": DesignKind,
    "endpoints.summary": Summary,
    "analysis.multiplicity": Multiplicity,
}


def not_yet_faults(draft: Draft) -> list[Fault]:
    """Designs, summaries and rules of multiplicity that have to wait."""
    found: list[tuple[Path, object]] = [
        (("design", "kind"), draft.table("design").get("kind")),
        *((("endpoints", at, "summary"), row.get("summary")) for at, row in draft.rows("endpoints")),
        (("analysis", "multiplicity"), draft.table("analysis").get("multiplicity")),
    ]
    return [
        Fault(
            path,
            f"{quoted(value)} is known, but this version cannot analyse it yet",
            f"use {_ready(pattern(path))}",
        )
        for path, value in found
        if isinstance(value, str) and value in NOT_YET[pattern(path)]
    ]


def _ready(where: str) -> str:
    return listed(str(word) for word in _WORDS[where] if word not in NOT_YET[where])
