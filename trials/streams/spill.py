"""Values put in days by way of the disk, since they come in any order and may be more than memory holds."""

from __future__ import annotations

from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

from analysis.logger_days import VALUE

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from numpy.typing import NDArray

_AT_ONCE = 1 << 20
"""About as many values as are in memory when days are summarised."""

_MOST = 4096
_DAY = 86_400_000_000


class Spill:
    """Files of values in a folder; all values of a day of a sensor are in one of them.

    Parameters
    ----------
    folder : Path
        An empty folder, which the caller removes.
    expected : int
        About how many values there will be.
    """

    def __init__(self, folder: Path, expected: int) -> None:
        self._folder = folder
        self._parts = min(1 + expected // _AT_ONCE, _MOST)

    def add(self, values: NDArray[np.void]) -> None:
        """Put values where they belong."""
        # Days that follow each other and tanks side by side come to lie apart.
        part = (values["at"] // _DAY * 7919 + values["sensor"].astype(np.int64)) % self._parts
        order = np.argsort(part.astype(np.uint16), kind="stable")
        edges = np.searchsorted(part[order], np.arange(self._parts + 1)).tolist()
        values = values[order]
        for place, (start, end) in enumerate(pairwise(edges)):
            if end > start:
                with self._file(place).open("ab") as file:
                    values[start:end].tofile(file)

    def parts(self) -> Iterator[NDArray[np.void]]:
        """The values, each day of a sensor whole."""
        for place in range(self._parts):
            path = self._file(place)
            if path.exists():
                yield np.fromfile(path, dtype=VALUE)
                path.unlink()

    def _file(self, place: int) -> Path:
        return self._folder / f"{place}.values"
