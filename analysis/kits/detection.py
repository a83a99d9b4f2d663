"""What a kit can tell from nothing: the method detection limit of 40 CFR Part 136, appendix B, revision 2 (2017).

From blanks, mean + t s where all gave a number (a mean below 0 counts as 0), the highest where some did; from
solutions spiked at a low level, t s; t is Student's at 99 %, one-sided, on n - 1 degrees of freedom; the larger holds.
The procedure is for results on a continuous scale, so not for a kit that is read off a card.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy import stats

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

LEAST = 7
"""Readings that the procedure asks for at least."""
LOW_LEVEL = 10.0
"""Times the kit's own limit up to which a standard counts as low (the procedure's 2 to 10 times the estimate)."""
_LEVEL = 0.99


@dataclass(frozen=True)
class DetectionLimit:
    """Detection limit of a kit for a variable, over all sites that measured.

    Parameters
    ----------
    variable, kit : str
    blanks, blanks_below : int
        Readings of blanks, and those of them below the kit's limit.
    spiked : int
        Readings of low standards that gave a number.
    from_blanks, from_spiked : float or None
    value : float or None
        The larger of the two; None where there is neither.
    why : str
        What is missing, as a sentence; empty where nothing is.
    """

    variable: str
    kit: str
    blanks: int
    blanks_below: int
    spiked: int
    from_blanks: float | None
    from_spiked: float | None
    value: float | None
    why: str


def student(n: int) -> float:
    """Student's t at 99 %, one-sided, for n readings."""
    return float(stats.t.ppf(_LEVEL, n - 1))


def from_blanks(values: Floats, below: int) -> float | None:
    """Detection limit from blanks.

    Parameters
    ----------
    values : array
        Those that gave a number.
    below : int
        How many gave none.

    Returns
    -------
    float or None
        None where there are too few, or where none gave a number.
    """
    n = len(values) + below
    if n < LEAST or not len(values):
        return None
    if below:
        # With more than 100 blanks the procedure takes the 99th percentile in place of the highest.
        everything = np.sort(np.concatenate([np.full(below, -np.inf), values]))
        counted = everything[-1] if n <= 100 else everything[int(np.ceil(_LEVEL * n)) - 1]
        return float(max(counted, values.min()))
    return max(float(values.mean()), 0.0) + student(n) * float(values.std(ddof=1))


def from_spiked(values: Floats) -> float | None:
    """Detection limit from low standards of one content; None where there are too few."""
    return student(len(values)) * float(values.std(ddof=1)) if len(values) >= LEAST else None


def detection_limit(
    variable: str,
    kit: str,
    blanks: Floats,
    blanks_below: int,
    spiked: list[Floats],
    *,
    of_card: bool,
) -> DetectionLimit:
    """Put both together for one kit.

    Parameters
    ----------
    blanks, blanks_below
        As :func:`from_blanks` takes them.
    spiked : list of arrays
        Numbers read of low standards, one array a standard; the largest limit among them holds.
    of_card : bool
        Whether the kit is read off a card.
    """
    n = len(blanks) + blanks_below
    spiked_n = sum(map(len, spiked))
    if of_card:
        why = (
            "It is read off a card in steps, and the procedure is for results on a continuous scale: what it cannot "
            "tell apart is the gap between steps."
        )
        return DetectionLimit(variable, kit, n, blanks_below, spiked_n, None, None, None, why)
    own = from_blanks(blanks, blanks_below)
    limits = [limit for values in spiked if (limit := from_spiked(values)) is not None]
    of_spiked = max(limits, default=None)
    known = [limit for limit in (own, of_spiked) if limit is not None]
    return DetectionLimit(
        variable, kit, n, blanks_below, spiked_n, own, of_spiked, max(known, default=None),
        _why(n, blanks_below, own, of_spiked),
    )  # fmt: skip


def _why(n: int, below: int, own: float | None, spiked: float | None) -> str:
    parts = []
    if own is None and n >= LEAST:
        parts.append(
            f"All {n} blanks are below the kit's limit, so that they give none, which is as it should be."
        )
    elif own is None:
        parts.append(f"The procedure asks for {LEAST} blanks at least, and there are {n}.")
    elif below:
        parts.append(f"{below} of {n} blanks are below the kit's limit, so the highest blank counts.")
    if spiked is None:
        parts.append(f"No low standard was read {LEAST} times, so nothing is known from spiked water.")
    return " ".join(parts)
