"""Readings that are in already, and readings that contradict each other or the register.

A reading is known by tank, moment, variable and number of the test. The same with the same value is
repeated; with another value nobody knows which is right, so it is held and nothing is overwritten.

A reading sent first with a date alone and again with a time added would count twice. Where tank, variable,
day, test and value agree, and neither the file nor the register has any other reading of that day, it is held
for a person to say; several readings of a day, as a logger gives, are never taken for one.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from schemas.readings import IDENTITY, HoldReason
from trials.intake.holds import told
from trials.intake.names import with_unit

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from numpy.typing import NDArray

    from trials.intake.holds import Holds
    from trials.intake.names import VariableNames
    from trials.intake.values import Understanding

_MOST_NAMED = 8
_CLOSE = 1e-9  # values that differ less, relatively, differ by the arithmetic of a conversion


@dataclass(frozen=True)
class Place:
    """Sheet (by its place among the names) and row number of each line, as told to a person."""

    sheets: tuple[str, ...]
    sheet_of: NDArray[np.int64]
    numbers: NDArray[np.int64]

    def __len__(self) -> int:
        return len(self.numbers)

    def key(self, line: int) -> tuple[str, int]:
        """Sheet and row number of a line."""
        return self.sheets[self.sheet_of[line]], int(self.numbers[line])

    def of(self, lines: Iterable[int]) -> str:
        """``rows 4 and 9``, with the sheet where there is one."""
        ordered = sorted({int(line) for line in lines})
        named = [self._named(line) for line in ordered[:_MOST_NAMED]]
        if len(ordered) > _MOST_NAMED:
            named.append(f"{len(ordered) - _MOST_NAMED:,} more")
        listed = f"{', '.join(named[:-1])} and {named[-1]}" if len(named) > 1 else named[0]
        return f"row{'s' if len(ordered) > 1 else ''} {listed}"

    def _named(self, line: int) -> str:
        sheet = self.sheets[self.sheet_of[line]]
        return f"{self.numbers[line]}{f' of sheet {sheet}' if sheet else ''}"


def recognise(
    drafts: pd.DataFrame, fit: NDArray[np.bool_], seen: pd.DataFrame, place: Place, by: Understanding
) -> tuple[NDArray[np.bool_], NDArray[np.int64]]:
    """Which drafts the register holds already, and which of them are one reading.

    Parameters
    ----------
    drafts : DataFrame
        In the order of the file.
    fit : array of bool
        Those that are whole and possible; only they are compared.
    seen : DataFrame
        Accepted readings of the trial.
    place, by
        For the sentences on contradictions, and where these are held.

    Returns
    -------
    known : array of bool
        Drafts that the register holds with the same value.
    group : array of int
        Equal numbers for drafts of the same reading; -1 for those that are not fit.
    """
    known, group = np.zeros(len(drafts), dtype=bool), np.full(len(drafts), -1, dtype=np.int64)
    if not fit.any():
        return known, group
    told_of = drafts if fit.all() else drafts[fit]
    first, last = told_of["taken_at"].min().normalize(), told_of["taken_at"].max().normalize()
    near = seen[(seen["taken_at"] >= first) & (seen["taken_at"] < last + pd.Timedelta(days=1))]
    of_seen, group[fit] = _groups(near, told_of, IDENTITY)
    length = max(of_seen.max(initial=-1), group.max()) + 1
    at = _first_places(of_seen, length)[group[fit]]
    in_register = at >= 0
    if in_register.any():
        matched = near.iloc[at[in_register]]
        same = _same(told_of[in_register], matched)
        known[np.flatnonzero(fit)[in_register][same]] = True
        _hold_against_register(told_of[in_register][~same], matched[~same], by)
    if not in_register.all():
        _hold_within_file(told_of[~in_register], group[fit][~in_register], place, by)
    if len(near):
        _hold_perhaps_the_same(told_of, in_register, near, by.holds)
    return known, group


def _groups(
    seen: pd.DataFrame, drafts: pd.DataFrame, columns: Sequence[str]
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """One number, from 0, for each distinct combination of the columns over both frames."""
    codes, distinct = np.zeros(len(seen) + len(drafts), dtype=np.int64), 1
    for name in columns:
        more, many = _codes(seen[name], drafts[name])
        if distinct * many > np.iinfo(np.int64).max:
            codes, found = pd.factorize(codes)
            distinct = len(found)
        codes, distinct = codes * many + more, distinct * many
    codes = pd.factorize(codes)[0]
    return codes[: len(seen)], codes[len(seen) :]


def _codes(seen: pd.Series[Any], drafts: pd.Series[Any]) -> tuple[NDArray[np.int64], int]:
    if isinstance(drafts.dtype, pd.CategoricalDtype):
        categories = drafts.cat.categories.append(pd.Index(seen.unique())).unique()
        codes = np.empty(len(seen) + len(drafts), dtype=np.int64)
        codes[: len(seen)] = pd.Categorical(seen, categories).codes
        codes[len(seen) :] = drafts.cat.set_categories(categories).cat.codes
        return codes, len(categories)
    codes, found = pd.factorize(np.concatenate([seen.to_numpy(), drafts.to_numpy()]))
    return codes, len(found)


def _first_places(groups: NDArray[Any], length: int) -> NDArray[np.int64]:
    """Place of the first member of each group; -1 for a group without any."""
    first = np.full(length, -1, dtype=np.int64)
    first[groups[::-1]] = np.arange(len(groups))[::-1]
    return first


def _same(one: pd.DataFrame, other: pd.DataFrame) -> NDArray[np.bool_]:
    close = np.isclose(one["value"].to_numpy(), other["value"].to_numpy(), rtol=_CLOSE, atol=0)
    signs = np.asarray(one["sign"], dtype=object) == np.asarray(other["sign"], dtype=object)
    return np.asarray(close & signs, dtype=bool)


def _records(frame: pd.DataFrame) -> list[dict[str, Any]]:
    return [{str(name): value for name, value in record.items()} for record in frame.to_dict("records")]


def _hold_against_register(drafts: pd.DataFrame, matched: pd.DataFrame, by: Understanding) -> None:
    for draft, held in zip(_records(drafts), _records(matched), strict=True):
        source = f" (from {held['file']}, row {held['row']})" if held.get("file") else ""
        text = (
            f"the register already holds {_shown(held, by.names)} for {_what(draft)}{source}, and this row says "
            f"{_shown(draft, by.names)}. Nothing is overwritten: number a second test 2 in the column replicate, "
            "or take the row out and tell the trial's lead which value is right."
        )
        by.holds.add(draft["line"], HoldReason.CONFLICT_IN_REGISTER, told(draft["where"], text))


def _hold_within_file(
    drafts: pd.DataFrame, groups: NDArray[np.int64], place: Place, by: Understanding
) -> None:
    again = np.bincount(groups)[groups] > 1
    if not again.any():
        return
    drafts, groups = drafts[again], groups[again]
    first = drafts.iloc[_first_places(groups, groups.max() + 1)[groups]]
    torn = np.isin(groups, groups[~_same(drafts, first)])
    members: dict[int, list[dict[str, Any]]] = {}
    for group, record in zip(groups[torn].tolist(), _records(drafts[torn]), strict=True):
        members.setdefault(group, []).append(record)
    for records in members.values():
        values = list(dict.fromkeys(_shown(record, by.names) for record in records))
        shown = ", ".join([*values[:_MOST_NAMED], *(["and others"] if len(values) > _MOST_NAMED else [])])
        rows = place.of(record["line"] for record in records)
        text = (
            f"{rows} give different values for {_what(records[0])}: {shown}. If they are tests of the same water, "
            "number them 1 and 2 in a column replicate; else take out what is wrong."
        )
        for record in records:
            by.holds.add(record["line"], HoldReason.CONFLICT_IN_FILE, told(record["where"], text))


def _hold_perhaps_the_same(
    drafts: pd.DataFrame, in_register: NDArray[np.bool_], seen: pd.DataFrame, holds: Holds
) -> None:
    one = drafts.assign(day=drafts["taken_at"].dt.normalize())
    other = seen.assign(day=seen["taken_at"].dt.normalize())
    other["timed"] = other["taken_at"] != other["day"]
    if one["timed"].all() and other["timed"].all():
        return
    of_seen, of_drafts = _groups(other, one, ("tank", "day", "variable", "replicate"))
    length = max(of_seen.max(), of_drafts.max()) + 1
    alone = (np.bincount(of_seen, minlength=length) == 1) & (np.bincount(of_drafts, minlength=length) == 1)
    new = alone[of_drafts] & ~in_register
    if not new.any():
        return
    asked, matched = one[new], other.iloc[_first_places(of_seen, length)[of_drafts[new]]]
    doubtful = _same(asked, matched) & (asked["timed"].to_numpy() != matched["timed"].to_numpy())
    for draft, held in zip(_records(asked[doubtful]), _records(matched[doubtful]), strict=True):
        when = f"at {held['taken_at']:%H:%M}" if held["timed"] else "without a time"
        text = (
            f"the register holds the same value for {draft['tank']}, {draft['variable']}, {when} on "
            f"{draft['day']:%Y-%m-%d}. If this is that reading, take the row out; if it is a second test, "
            "number it 2 in the column replicate."
        )
        holds.add(draft["line"], HoldReason.PERHAPS_THE_SAME, told(draft["where"], text))


def _what(draft: dict[str, Any]) -> str:
    at = draft["taken_at"]
    moment = f"{at:%Y-%m-%d}" if at == at.normalize() else f"{at:%Y-%m-%d %H:%M}"
    test = f", test {draft['replicate']}" if draft["replicate"] > 1 else ""
    return f"{draft['tank']}, {draft['variable']}, {moment}{test}"


def _shown(record: dict[str, Any], names: VariableNames) -> str:
    return with_unit(f"{record['sign']}{record['value']:.6g}", names.of(record["variable"]))
