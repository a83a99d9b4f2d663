"""Readings as a registered correction of their kit has them: for an analysis beside the registered one, never in its place.

What a kit read lies in an interval (``analysis.summaries``), and the interval is corrected at both ends:
(reading - nitrite factor x nitrite) x factor + offset, nitrite being that of the same tank and day, itself an interval.
Where that leaves nothing, the reading becomes one below the kit's limit, or below what was read where no limit is known.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from analysis.kits.nitrite import nitrite_beside
from analysis.numerals import count, plain, quantity
from analysis.summaries import with_bounds
from schemas.units import to_canonical
from schemas.variables import variables_for
from schemas.vocabulary import Sign

if TYPE_CHECKING:
    import datetime as dt
    from collections.abc import Iterable, Sequence

    from numpy.typing import NDArray

    from schemas.protocol import Kit, Protocol
    from schemas.variables import Variable

    Floats = NDArray[np.float64]


@dataclass(frozen=True)
class KitCorrection:
    """What readings of a kit are to be put right by.

    Parameters
    ----------
    kit, variable : str
    site : str or None
        Only there; None wherever no correction of the site's own is in force.
    factor, offset, nitrite_factor : float
        1, 0 and 0 change nothing; the offset is in the variable's canonical unit.
    at : datetime
        When it was recorded.
    """

    kit: str
    variable: str
    site: str | None
    factor: float
    offset: float
    nitrite_factor: float
    at: dt.datetime

    @property
    def key(self) -> tuple[str, str, str | None]:
        """What a later one of the same key takes the place of."""
        return self.kit, self.variable, self.site

    @property
    def changes(self) -> bool:
        """Whether it changes anything: one that does not takes an earlier one back."""
        return (self.factor, self.offset, self.nitrite_factor) != (1.0, 0.0, 0.0)

    def in_words(self, unit: str) -> str:
        """What is done to a reading."""
        parts = [f"less {quantity(self.nitrite_factor, 4)} times the nitrite of the day"] * (
            self.nitrite_factor != 0
        )
        parts += [f"times {quantity(self.factor, 4)}"] * (self.factor != 1)
        if self.offset:
            shown = "" if unit in ("1", "pH") else f" {unit}"
            parts.append(f"{'plus' if self.offset > 0 else 'less'} {quantity(abs(self.offset), 4)}{shown}")
        return ", ".join(parts) or "as read"


@dataclass(frozen=True)
class Corrected:
    """Readings with corrections in, and what became of those concerned.

    Parameters
    ----------
    readings : DataFrame
        All of them, with ``low``, ``mid`` and ``high``, which :func:`analysis.summaries.with_bounds` then leaves alone.
    variables : frozenset of str
        Those of which a reading is changed.
    notes : tuple of str
        A sentence for each correction, with how many readings it changes.
    """

    readings: pd.DataFrame
    variables: frozenset[str]
    notes: tuple[str, ...]


def in_force(corrections: Iterable[KitCorrection]) -> tuple[KitCorrection, ...]:
    """The last correction of each kit, variable and site that was not taken back, in the order of their first."""
    last = {one.key: one for one in corrections}
    return tuple(one for one in last.values() if one.changes)


def kit_corrected(
    readings: pd.DataFrame, protocol: Protocol, corrections: Sequence[KitCorrection]
) -> Corrected | None:
    """Put corrections into readings; None where none changes any.

    Parameters
    ----------
    readings : DataFrame
        Accepted readings: ``tank``, ``taken_at``, ``variable``, ``value``, ``sign``, ``kit``.
    corrections : sequence of KitCorrection
        Those in force, or all in the order of recording.
    """
    if not corrections or "kit" not in readings:
        return None
    variables = variables_for(protocol)
    site_of = {tank.id: tank.site for tank in protocol.tanks}
    table = _bounded(readings, protocol, variables)
    site = table["tank"].map(site_of)
    beside = nitrite_beside(readings, variables, protocol.kits)
    table = table.join(beside[["nitrite_low", "nitrite_mid", "nitrite_high"]])
    current = in_force(corrections)
    own_sites = {(one.kit, one.variable, one.site) for one in current if one.site is not None}
    notes, changed = [], set()
    for one in current:
        concerned = (table["kit"] == one.kit) & (table["variable"] == one.variable)
        elsewhere = [s for kit, variable, s in own_sites if (kit, variable) == (one.kit, one.variable)]
        concerned &= site == one.site if one.site is not None else ~site.isin(elsewhere)
        possible = concerned & (table["nitrite_mid"].notna() | (one.nitrite_factor == 0))
        emptied = 0
        if possible.any():
            emptied = _put_in(table, possible, one, variables[one.variable], protocol.kits)
            changed.add(one.variable)
        notes.append(_note(one, variables[one.variable], int(possible.sum()), int(concerned.sum()), emptied))
    if not changed:
        return None
    columns = [*readings.columns, "low", "mid", "high"]
    return Corrected(table[columns], frozenset(changed), tuple(notes))


def _bounded(readings: pd.DataFrame, protocol: Protocol, variables: dict[str, Variable]) -> pd.DataFrame:
    parts = [
        with_bounds(rows, variables[str(name)], protocol.kits)
        for name, rows in readings.groupby("variable", sort=False)
    ]
    return pd.concat(parts).loc[readings.index]


def _put_in(
    table: pd.DataFrame, rows: pd.Series[bool], one: KitCorrection, variable: Variable, kits: tuple[Kit, ...]
) -> int:
    """Correct the rows in place; how many were left with nothing."""
    own = table.loc[rows]
    low, mid, high = (own[name].to_numpy(dtype=float) for name in ("low", "mid", "high"))
    less = {"low": np.zeros(len(own)), "mid": np.zeros(len(own)), "high": np.zeros(len(own))}
    if one.nitrite_factor:
        less = {name: one.nitrite_factor * own[f"nitrite_{name}"].to_numpy(dtype=float) for name in less}
    floor = 0.0 if variable.zero_is_censored else variable.hard[0]
    # The more nitrite, the less nitrate is left.
    new_low = np.clip((low - less["high"]) * one.factor + one.offset, floor, None)
    new_mid = (mid - less["mid"]) * one.factor + one.offset
    new_high = (high - less["low"]) * one.factor + one.offset
    above = own["sign"].to_numpy(dtype=object) == Sign.ABOVE.value
    new_high = np.where(above, high, new_high)
    nothing = (new_mid <= floor) if variable.zero_is_censored else np.zeros(len(own), dtype=bool)
    limit = next((_limit(kit, variable) for kit in kits if kit.id == one.kit), np.inf)
    read = own["value"].to_numpy(dtype=float)
    # Below the limit lies all that the correction can still mean, and at least what its interval reaches to.
    bound = np.maximum(np.minimum(read, limit), np.clip(new_high, floor, None))
    new_high = np.where(nothing, bound, np.clip(new_high, floor, None))
    new_low = np.where(nothing, floor, new_low)
    new_mid = np.where(nothing, (floor + new_high) / 2, np.clip(new_mid, floor, None))
    sign = np.where(nothing, Sign.BELOW.value, own["sign"].to_numpy(dtype=object))
    below = sign == Sign.BELOW.value
    # A reading below a limit lies anywhere from the floor up to the corrected limit.
    new_mid = np.where(below, (floor + new_high) / 2, new_mid)
    table.loc[rows, "low"] = np.where(below, floor, new_low)
    table.loc[rows, "mid"] = new_mid
    table.loc[rows, "high"] = np.maximum(new_high, new_mid)
    table.loc[rows, "value"] = np.where(below, new_high, new_mid)
    table.loc[rows, "sign"] = sign
    return int(nothing.sum())


def _limit(kit: Kit, variable: Variable) -> float:
    return to_canonical(kit.limit, kit.unit or variable.unit, variable)


def _note(one: KitCorrection, variable: Variable, done: int, concerned: int, emptied: int) -> str:
    where = f" at {one.site}" if one.site is not None else ""
    text = (
        f"Readings of {variable.id} by the kit {plain(one.kit, 80)}{where} stand beside as corrected "
        f"({one.in_words(variable.unit)}): {count(done, 'reading')}. The registered analysis keeps them as read."
    )
    if done < concerned:
        text += f" {count(concerned - done, 'reading')} without nitrite on the day stayed as read."
    if emptied:
        text += f" {count(emptied, 'reading')} left nothing and became below the limit."
    return text
