"""Several packs and publications pooled: every question that two or more of them ask."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from analysis.pooling import pool
from schemas.errors import PoolingError, UsageError
from schemas.plain_words import listed, quoted
from trials.pooling.counted_once import refuse_counted_twice
from trials.pooling.modifiers import UNITS
from trials.pooling.questions import differences, questions_of
from trials.pooling.sources import open_source

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence
    from pathlib import Path

    from analysis.pooled_records import Pooled
    from trials.pooling.mapping import Same
    from trials.pooling.questions import Asked
    from trials.pooling.sources import Source


@dataclass(frozen=True)
class Evidence:
    """Pooled questions, the answer first, what was left out with why, and the trials that were given."""

    pooled: tuple[Pooled, ...]
    left_out: tuple[str, ...]
    sources: tuple[Source, ...]

    @property
    def unused(self) -> list[str]:
        """Trials that are in no pooled question."""
        used = {trial.trial for one in self.pooled for trial in one.trials}
        return [source.trial for source in self.sources if source.trial not in used]


def pool_packs(
    paths: Iterable[Path],
    mapping: Sequence[Same] = (),
    *,
    endpoint: str | None = None,
    wished: float = 0.8,
) -> Evidence:
    """Pool packs and publications.

    Parameters
    ----------
    paths : iterable of Path
        Packs (folders or zips), publications' packs or their TOML files.
    mapping : sequence of Same
        Contrasts that ask the same although they are named or made otherwise.
    endpoint : str, optional
        Only questions of this endpoint (of any trial), variable or id.
    wished : float
        Power wished of the next trial.

    Raises
    ------
    PoolingError
        A tank would count twice, a mapping cannot be followed, or no question is asked by two trials.
    """
    sources = tuple(open_source(path) for path in paths)
    refuse_counted_twice(sources)
    asked, left_out = questions_of(sources, mapping)
    if endpoint is not None:
        asked = _only(asked, endpoint, sources)
    if not asked:
        reasons = "\n".join(f"  {sentence}" for sentence in left_out) or "  None has a contrast."
        raise PoolingError(
            "Nothing in these trials can be pooled as it stands; where they ask the same in other terms, say so in a mapping "
            f"(--map FILE). Each contrast:\n{reasons}"
        )
    return Evidence(tuple(_pooled(one, wished) for one in asked), tuple(left_out), sources)


def _pooled(asked: Asked, wished: float) -> Pooled:
    """One question pooled at the smallest alpha that its trials registered."""
    alphas = {float(member.endpoint["alpha"]) for member in asked.members}
    found = pool(
        asked.question,
        [member.effect(min(alphas)) for member in asked.members],
        alpha=min(alphas),
        wished=wished,
        units=UNITS,
    )
    remarks = [*differences(asked.members), *asked.remarks]
    if len(alphas) > 1:
        remarks.append(
            f"The trials registered different error rates; the smallest, {min(alphas):g}, is used for all."
        )
    return replace(found, notes=(*found.notes, *remarks))


def _only(asked: list[Asked], wanted: str, sources: Sequence[Source]) -> list[Asked]:
    kept = [
        one
        for one in asked
        if wanted in {one.question.id, one.question.variable}
        or any(member.endpoint["id"] == wanted for member in one.members)
    ]
    known = dict.fromkeys(str(endpoint["id"]) for source in sources for endpoint in source.endpoints)
    if not kept and wanted not in known:
        raise UsageError(
            f"{quoted(wanted)} is no endpoint of these trials; they have {listed(known, 'and')}."
        )
    return kept
