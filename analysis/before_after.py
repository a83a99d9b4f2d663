"""Before and after with control: whether treated systems changed more than untreated ones did.

The number of each sampling day is the mean of the impact systems less the mean of the controls, so that
whatever moves all of them on that day cancels; the change is the mean of these differences after the
intervention less their mean before (Stewart-Oaten, Murdoch and Parker 1986, Ecology 67:929). Days are not
replicates of systems: the result describes these systems. Only several systems on both sides, each with one
number (its own change), bear on others like them.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from analysis.linear_model import TankData
from analysis.own_error import own_error
from analysis.serial import SerialModel
from schemas.errors import AnalysisError

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from analysis.records import Fit

    Floats = NDArray[np.float64]
    Bools = NDArray[np.bool_]

THESE_SYSTEMS_ONLY = (
    "This describes how these systems changed beside each other; with one system on a side, anything else that "
    "happened to it at the same time would look the same, and nothing follows for other systems."
)


@dataclass(frozen=True)
class SystemChange:
    """One system: its mean before and after over the days counted, and its change."""

    system: int
    """Column of the values given."""
    impact: bool
    before: float
    after: float
    change: float
    days_before: int
    days_after: int


@dataclass(frozen=True)
class BeforeAfter:
    """Result of :func:`before_after`, on the scale of the values given.

    Parameters
    ----------
    day, difference : float arrays, (days counted,)
        Sampling days, in order, and impact less control on each.
    after : bool array, (days counted,)
    days_left_out : int
        Days without a reading on either the impact or the control side.
    systems_left_out : tuple of int
        Systems never read before, or never after, on a day counted.
    welch : Fit
        Change of the difference, days taken as independent (Welch's test, before against after).
    serial : Fit or None
        The same with serial correlation estimated; None where ``serial_refused`` says why.
    phi : float or None
        Estimated correlation of differences one day apart.
    phi_at_limit : bool
        True where the differences wander as a random walk would, as far as the days can tell.
    changes : tuple of SystemChange
    between : Fit or None
        Mean change of impact systems less that of controls, systems as the units (Welch's test); None without two
        systems on each side.
    """

    day: Floats
    difference: Floats
    after: Bools
    days_left_out: int
    systems_left_out: tuple[int, ...]
    welch: Fit
    serial: Fit | None
    serial_refused: str
    phi: float | None
    phi_at_limit: bool
    changes: tuple[SystemChange, ...]
    between: Fit | None

    @property
    def scope(self) -> str:
        """The sentence on what the result speaks of; empty with two systems or more on both sides."""
        return "" if self.between is not None else THESE_SYSTEMS_ONLY


def before_after(day: Floats, after: Bools, values: Floats, impact: Bools, level: float) -> BeforeAfter:
    """Compare the change of impact systems with that of controls.

    Parameters
    ----------
    day : float array, (days,)
        Sampling days, no two alike.
    after : bool array, (days,)
        True for days after the intervention; days of a ramp are left out beforehand.
    values : float array, (days, systems)
        One number a system and day on the working scale; NaN where it was not read. Where a side's systems were
        not all read, the day's mean is adjusted for which were (additive fit of systems and days).
    impact : bool array, (systems,)
        True for treated systems.
    level : float
        Confidence level of intervals.

    Raises
    ------
    AnalysisError
        No impact or no control system read in both phases on days that both sides share, or systems that share no
        days with others of their side.
    """
    usable, counted = _counted(np.isfinite(values), after, impact)
    order = np.flatnonzero(counted)[np.argsort(day[counted], kind="stable")]
    day, after, values = day[order].astype(float), after[order], values[order]
    difference = _day_means(values[:, usable & impact]) - _day_means(values[:, usable & ~impact])
    welch = _welch(difference, after, level)
    serial, refused, phi, limit = _serial(day, difference, after, level)
    changes = _changes(values, after, impact, np.flatnonzero(usable))
    sides = np.array([change.impact for change in changes])
    between = None
    if min(int(sides.sum()), int((~sides).sum())) > 1:
        between = _welch(np.array([change.change for change in changes]), sides, level)
    return BeforeAfter(
        day=day,
        difference=difference,
        after=after,
        days_left_out=int((~counted).sum()),
        systems_left_out=tuple(int(system) for system in np.flatnonzero(~usable)),
        welch=welch,
        serial=serial,
        serial_refused=refused,
        phi=phi,
        phi_at_limit=limit,
        changes=changes,
        between=between,
    )


def _counted(read: Bools, after: Bools, impact: Bools) -> tuple[Bools, Bools]:
    """Systems read on counted days of both phases, and counted days: those with such a system on either side."""
    usable = np.asarray(read[~after].any(axis=0) & read[after].any(axis=0))
    for side, name in ((impact, "impact"), (~impact, "control")):
        if not (usable & side).any():
            raise AnalysisError(f"No {name} system was read both before and after the intervention.")
    while True:
        counted = np.asarray(read[:, usable & impact].any(axis=1) & read[:, usable & ~impact].any(axis=1))
        kept = usable & read[counted & ~after].any(axis=0) & read[counted & after].any(axis=0)
        if not ((kept & impact).any() and (kept & ~impact).any()):
            raise AnalysisError(
                "Impact and control systems were not read on the same days both before and after the intervention, "
                "so their changes cannot be compared."
            )
        if (kept == usable).all():
            return usable, counted
        usable = kept


def _welch(numbers: Floats, group: Bools, level: float) -> Fit:
    """Mean where ``group`` is true less mean where it is not, each with its own variance."""
    arm = group.astype(np.int64)
    data = TankData(numbers, arm, np.zeros_like(arm), ("reference", "test"), None, blocked=False)
    fit = own_error(data, 1, 0, level)
    if fit is None:
        raise AnalysisError("A comparison of two groups needs a number in each.")
    return fit


def _serial(
    day: Floats, difference: Floats, after: Bools, level: float
) -> tuple[Fit | None, str, float | None, bool]:
    columns = np.column_stack([np.ones(len(day)), after])
    try:
        model = SerialModel(difference, columns, day)
    except AnalysisError as reason:
        return None, str(reason), None, False
    return model.contrast(np.array([0.0, 1.0]), level, len(day)), "", model.phi, model.at_limit


def _changes(
    values: Floats, after: Bools, impact: Bools, systems: NDArray[np.int64]
) -> tuple[SystemChange, ...]:
    before_means = _day_means(values[~after][:, systems].T)
    after_means = _day_means(values[after][:, systems].T)
    read = np.isfinite(values)
    return tuple(
        SystemChange(
            system=int(system),
            impact=bool(impact[system]),
            before=float(early),
            after=float(late),
            change=float(late - early),
            days_before=int(read[~after, system].sum()),
            days_after=int(read[after, system].sum()),
        )
        for system, early, late in zip(systems, before_means, after_means, strict=True)
    )


def _day_means(values: Floats) -> Floats:
    """Mean of each row as if every column had been read in it: least squares of values on rows and columns.

    Where all columns were read it is the plain mean.
    """
    read = np.isfinite(values)
    if read.all():
        return np.asarray(values.mean(axis=1))
    row, column = np.nonzero(read)
    rows, columns = values.shape
    design = np.column_stack([row[:, None] == np.arange(rows), column[:, None] == np.arange(columns)]).astype(
        float
    )
    numbers = values[read]
    solution, _, rank, _ = np.linalg.lstsq(design, numbers - numbers.mean(), rcond=1e-10)
    if rank < rows + columns - 1:
        raise AnalysisError(
            "Some systems were never read on the same days as others, so they cannot be compared."
        )
    return np.asarray(solution[:rows] + solution[rows:].mean() + numbers.mean())
