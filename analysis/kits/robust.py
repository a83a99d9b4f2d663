"""Robust mean and standard deviation of a handful of results, some of which may be far off.

Algorithm A with iterated scale of ISO 13528:2015, annex C.3.1 (ISO 5725-5:1998, section 5.2; Huber's proposal 2
with the constants rounded as printed there).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from schemas.errors import AnalysisError

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

_CUT = 1.5
_SCALE_OF_MEDIAN, _SCALE_OF_CUT = 1.483, 1.134
"""As the standard prints them."""
_MOST = 1000
_CONSENSUS = 1.25
"""ISO 13528:2015, 7.7.3: what a robust mean is less certain than a mean."""


@dataclass(frozen=True)
class Robust:
    """Robust mean ``x*``, robust standard deviation ``s*`` and the number of results that they rest on."""

    mean: float
    sd: float
    n: int

    @property
    def uncertainty(self) -> float:
        """Standard uncertainty of the mean as a consensus: 1.25 s* / sqrt(p)."""
        return _CONSENSUS * self.sd / float(np.sqrt(self.n))


def algorithm_a(values: Floats) -> Robust:
    """Iterate until neither mean nor standard deviation changes by a part in 10^12.

    Where more than half of the results are the same number, the median deviation is 0 and says nothing; the iteration
    then starts from the ordinary standard deviation.

    Raises
    ------
    AnalysisError
        For fewer than two results.
    """
    n = len(values)
    if n < 2:
        raise AnalysisError(f"a robust mean needs two results at least; there are {n}.")
    mean = float(np.median(values))
    sd = _SCALE_OF_MEDIAN * float(np.median(np.abs(values - mean)))
    if sd == 0:
        sd = float(values.std(ddof=1))
    for _ in range(_MOST):
        drawn_in = np.clip(values, mean - _CUT * sd, mean + _CUT * sd)
        new_mean, new_sd = float(drawn_in.mean()), _SCALE_OF_CUT * float(drawn_in.std(ddof=1))
        moved = max(abs(new_mean - mean), abs(new_sd - sd))
        mean, sd = new_mean, new_sd
        if moved <= 1e-12 * max(abs(mean), sd):
            break
    return Robust(mean, sd, n)
