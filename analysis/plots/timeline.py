"""The days of a trial as figures count them: from each tank's own first day, through phases and periods."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from analysis.numerals import day_words, quantity

if TYPE_CHECKING:
    import datetime as dt
    from collections.abc import Sequence

    from schemas.allocation import Allocation
    from schemas.protocol import Protocol

_WEEKS_FROM = 42
"""Days from which a trial is counted in weeks."""


@dataclass(frozen=True)
class Span:
    """One phase in one period (from 0); days are counted from the tank's first day."""

    phase: str
    period: int
    first: int
    after: int


@dataclass(frozen=True)
class Timeline:
    """Phases in time, alike for every tank once its own first day is taken off.

    ``per`` is the number of days that one unit of the axis holds, ``word`` its name.
    """

    spans: tuple[Span, ...]
    starts: dict[str, dt.date]
    per: int
    word: str

    @classmethod
    def of(cls, protocol: Protocol) -> Timeline:
        """Lay a protocol's schedule out in days."""
        begin = protocol.schedule.start
        spans = []
        for period, (opens, _) in enumerate(protocol.periods()):
            first = (opens - begin).days
            for phase in protocol.schedule.phases:
                spans.append(Span(phase.id, period, first, first + phase.days))
                first += phase.days
        per, word = (7, "weeks") if spans[-1].after >= _WEEKS_FROM else (1, "days")
        starts = {tank.id: protocol.periods(tank.id)[0][0] for tank in protocol.tanks}
        return cls(tuple(spans), starts, per, word)

    @property
    def days(self) -> int:
        """Days from the first to the last of a tank."""
        return self.spans[-1].after

    @property
    def title(self) -> str:
        """What the axis counts."""
        begun = set(self.starts.values())
        since = day_words(begun.pop()) if len(begun) == 1 else "each block's own first day"
        return f"{self.word.capitalize()} since {since}"

    def ticks(self, *, last: bool) -> list[float]:
        """Edges of the phases on the axis, and the middle of a phase that takes up much of it.

        Edges too close to be read are left out; so is the last, unless asked for: in narrow panels it would run into
        the first of the next.
        """
        edges = sorted({edge for span in self.spans for edge in (span.first, span.after)})
        if len({span.period for span in self.spans}) > 1:
            edges = sorted(
                {span.first for span in self.spans if span.phase == self.spans[0].phase} | {self.days}
            )
        ticks = [float(edges[0])]
        for start, end in pairwise(edges):
            if end - start > 0.4 * self.days:
                ticks.append(float((start + end) // (2 * self.per) * self.per))
            if end - ticks[-1] > 0.08 * self.days:
                ticks.append(float(end))
        return [tick / self.per for tick in ticks if last or tick < self.days]

    def place(self, allocation: Allocation, readings: pd.DataFrame) -> pd.DataFrame:
        """Place readings in time and treatment.

        Parameters
        ----------
        readings : DataFrame
            ``tank`` and ``taken_at``, of tanks that have an arm; other columns are carried along.

        Returns
        -------
        DataFrame
            The readings with ``day`` (a fraction, from the tank's first day), ``phase``, ``period`` and ``arm``; those
            in no phase are left out.
        """
        tanks, codes = np.unique(readings["tank"].to_numpy(dtype=object), return_inverse=True)
        begun = pd.to_datetime([self.starts[tank] for tank in tanks])
        day = ((readings["taken_at"].to_numpy() - begun.to_numpy()[codes]) / np.timedelta64(1, "D")).astype(
            float
        )
        at = np.searchsorted([span.first for span in self.spans], np.floor(day), side="right") - 1
        inside = (at >= 0) & (np.floor(day) < np.array([span.after for span in self.spans])[at])
        sequences = allocation.sequence_of()
        longest = max((len(arms) for arms in sequences.values()), default=1)
        arms = np.array(
            [[*sequences[tank], *[""] * (longest - len(sequences[tank]))] for tank in tanks], dtype=object
        )
        period = np.array([span.period for span in self.spans])[at]
        phase = np.array([span.phase for span in self.spans], dtype=object)[at]
        arm = arms.reshape(len(tanks), longest)[codes, np.minimum(period, longest - 1)]
        placed = readings.assign(day=day, phase=phase, period=period, arm=arm)
        kept: pd.DataFrame = placed.loc[inside]
        return kept.reset_index(drop=True)


def tick_labels(ticks: Sequence[float]) -> list[str]:
    """Write ticks as plain numbers."""
    return [quantity(tick) for tick in ticks]
