"""Several files in one go: what an earlier file brings is known to the next."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from trials.intake.batch import read_file

if TYPE_CHECKING:
    import datetime as dt
    from collections.abc import Iterable, Iterator
    from pathlib import Path

    from schemas.protocol import Protocol
    from trials.register.records import IntakeBatch


def read_files(
    paths: Iterable[Path], protocol: Protocol, seen: pd.DataFrame, today: dt.date
) -> Iterator[IntakeBatch]:
    """Read files in the order given; see :func:`trials.intake.batch.read_file` for each.

    Raises
    ------
    IntakeError
        At the first file that cannot be read at all.
    """
    for path in paths:
        batch = read_file(path, protocol, seen, today)
        yield batch
        if len(batch.readings):
            new = batch.readings.assign(file=path.name)
            seen = pd.concat([seen, new], ignore_index=True) if len(seen) else new
