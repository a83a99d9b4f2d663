"""Several files in one go: what an earlier file brings is known to the next."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from schemas.errors import IntakeError
from trials.intake.batch import read_file
from trials.register.records import Beside

if TYPE_CHECKING:
    import datetime as dt
    from collections.abc import Container, Iterable, Iterator
    from pathlib import Path

    from schemas.protocol import Protocol
    from trials.register.records import IntakeBatch


def read_files(
    paths: Iterable[Path],
    protocol: Protocol,
    seen: pd.DataFrame,
    today: dt.date,
    beside: Beside | None = None,
    *,
    may_fail: Container[Path] = frozenset(),
    refused: list[tuple[str, str]] | None = None,
) -> Iterator[IntakeBatch]:
    """Read files in the order given; see :func:`trials.intake.batch.read_file` for each.

    Parameters
    ----------
    paths, protocol, seen, today, beside
        As there.
    may_fail : container of Path
        Files that do not stop the others where they cannot be read.
    refused : list
        Where these are noted, each with the sentence that says why.

    Raises
    ------
    IntakeError
        At the first other file that cannot be read at all.
    """
    beside = beside or Beside()
    for path in paths:
        try:
            batch = read_file(path, protocol, seen, today, beside)
        except IntakeError as error:
            if path not in may_fail or refused is None:
                raise
            refused.append((str(path), str(error)))
            continue
        yield batch
        seen = _with(seen, batch.readings, path.name)
        beside = Beside(
            _with(beside.events, batch.events, path.name), _with(beside.checks, batch.checks, path.name)
        )


def _with(seen: pd.DataFrame, new: pd.DataFrame, name: str) -> pd.DataFrame:
    if new.empty:
        return seen
    named = new.assign(file=name)
    return pd.concat([seen, named], ignore_index=True) if len(seen) else named
