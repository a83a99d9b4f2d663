"""Before-after with control as an endpoint: the change of treated systems less that of the controls.

The contrast is Welch's on the daily differences, as registered; its reading is that of the systems' own changes
where there are several on both sides, else of the analysis with serial correlation.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from analysis import conclusions
from analysis.before_after import before_after
from analysis.records import Censoring, Sensitivity
from analysis.summaries import phase_series
from schemas.errors import AnalysisError
from schemas.protocol import BASELINE_PHASE
from schemas.vocabulary import Scale

if TYPE_CHECKING:
    import pandas as pd
    from numpy.typing import NDArray

    from analysis.before_after import BeforeAfter
    from analysis.question import Question
    from analysis.records import Contrast
    from schemas.protocol import Protocol


class SystemSeries:
    """All systems' sampling days before and after, on the working scale, at each end of the censored readings.

    Days are counted from the first day of the schedule; values are (days, systems), NaN where not read.
    """

    def __init__(self, question: Question, protocol: Protocol, readings: pd.DataFrame) -> None:
        self.tanks = [a.tank for a in question.allocation.assignments]
        self.arms = [a.arm for a in question.allocation.assignments]
        cells: dict[str, dict[tuple[float, int], float]] = {"low": {}, "mid": {}, "high": {}}
        self._after: dict[float, bool] = {}
        for phase in (BASELINE_PHASE, question.endpoint.phase):
            offset = (protocol.phase_days[phase][0] - protocol.schedule.start).days
            for tank, series in phase_series(readings, protocol, phase).items():
                if tank not in self.tanks:
                    continue
                for i, day in enumerate(series.days + offset):
                    self._after[float(day)] = phase != BASELINE_PHASE
                    for name, values in (("low", series.low), ("mid", series.mid), ("high", series.high)):
                        cells[name][float(day), self.tanks.index(tank)] = float(values[i])
        self.days = np.array(sorted(self._after))
        self.after = np.array([self._after[day] for day in self.days], dtype=bool)
        logs = question.endpoint.scale is Scale.RATIO
        self.values = {name: self._table(found, logs=logs) for name, found in cells.items()}

    def _table(self, cells: dict[tuple[float, int], float], *, logs: bool) -> NDArray[np.float64]:
        table = np.full((len(self.days), len(self.tanks)), np.nan)
        rows = {day: row for row, day in enumerate(self.days)}
        for (day, tank), value in cells.items():
            table[rows[day], tank] = value
        with np.errstate(divide="ignore"):
            return np.log(table) if logs else table

    def change(
        self, question: Question, test: str, reference: str, ends: tuple[str, str] = ("mid", "mid")
    ) -> BeforeAfter:
        """The comparison of two arms; ``ends`` names the values of treated systems after and before.

        The other side takes the opposite end, so that ("high", "low") is the largest change that the censored
        readings allow.
        """
        chosen = [i for i, arm in enumerate(self.arms) if arm in (test, reference)]
        impact = np.array([self.arms[i] == test for i in chosen])
        after_end, before_end = ends
        up, down = self.values[after_end][:, chosen], self.values[before_end][:, chosen]
        rises = self.after[:, None] == impact[None, :]
        values = np.where(rises, up, down)
        return before_after(self.days, self.after, values, impact, question.level)


def before_after_contrasts(
    question: Question, series: SystemSeries, pairs: list[tuple[int, int]]
) -> tuple[tuple[Contrast, ...], tuple[Sensitivity, ...], list[str], float | None]:
    """Registered contrasts, sensitivity analyses, notes, and the serial correlation of the first contrast."""
    contrasts, serial, between, notes = [], [], [], []
    phi = None
    for test, reference in pairs:
        names = question.data.arms[test], question.data.arms[reference]
        try:
            result = series.change(question, *names)
        except AnalysisError as error:
            contrasts.append(question.contrast(None, test, reference))
            notes.append(f"{names[0]} against {names[1]}: {error}")
            continue
        contrast = _with_range(question, series, result, test, reference)
        serial.append(question.contrast(result.serial, test, reference))
        between.append(question.contrast(result.between, test, reference))
        careful = between[-1] if result.between else serial[-1]
        if careful.low is not None and careful.high is not None:
            contrast = replace(contrast, verdict=careful.verdict)
            notes.append(_why_careful(careful, contrast, systems=result.between is not None))
        contrasts.append(contrast)
        phi = result.phi if phi is None else phi
        notes.append(f"{names[0]} against {names[1]}: {result.scope}")
        if result.days_left_out:
            notes.append(f"{result.days_left_out} sampling days lack a reading on one side and are left out.")
        if result.serial_refused:
            notes.append(f"Serial correlation could not be estimated: {result.serial_refused}")
    sensitivity = [Sensitivity("ar1", tuple(serial))]
    if any(contrast.estimate is not None for contrast in between):
        sensitivity.append(Sensitivity("changes-of-systems", tuple(between)))
    return tuple(contrasts), tuple(sensitivity), notes, phi


def _why_careful(careful: Contrast, contrast: Contrast, *, systems: bool) -> str:
    """Days of one system remember each other: taken as independent they find changes that are none.

    In simulated trials without any change, Welch's test on days found one in 20 to 40 of 100 (see the benchmark
    of error rates), the others in about 4.
    """
    what = "the systems' own changes" if systems else "the analysis with serial correlation"
    return (
        f"{contrast.test} against {contrast.reference}: days of one system are not independent, so the reading is that "
        f"of {what} ({careful.low:.3g} to {careful.high:.3g}), not of the daily differences alone, whose interval is "
        "too narrow."
    )


def _with_range(
    question: Question, series: SystemSeries, result: BeforeAfter, test: int, reference: int
) -> Contrast:
    plain = question.contrast(result.welch, test, reference)
    names = question.data.arms[test], question.data.arms[reference]
    censored = sum(tank.censored for tank in question.kept if tank.arm in names)
    lowest = highest = plain.estimate
    verdicts = (plain.verdict, plain.verdict)
    if censored:
        low, high = (series.change(question, *names, ends) for ends in (("low", "high"), ("high", "low")))
        lowest, highest = question.reported(low.welch.estimate), question.reported(high.welch.estimate)
        read = [conclusions.verdict(r.welch.low, r.welch.high, question.distance) for r in (low, high)]
        verdicts = (read[0], read[1])
    return replace(
        plain,
        effect_size=conclusions.standardised(result.welch, question.level),
        censoring=Censoring(censored, lowest, highest, verdicts),
        equivalence=conclusions.equivalence(result.welch, question.distance),
    )
