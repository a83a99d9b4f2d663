"""Events that are in already, and events that contradict each other or the register.

An event is known by tank, kind and moment; of kinds without a measured amount, such as losses and faults, two on one
day are told apart by their notes. The same with the same amount is repeated, with another one it is held. Two equal
doses on one day without a time of day may be one written twice or two given: nobody can know, so the second is held.
"""

from __future__ import annotations

import datetime as dt
import math
from collections import defaultdict
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from schemas.events import EVENTS, EventKind, amount_in_words
from schemas.readings import HoldReason
from trials.intake.holds import told

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    import pandas as pd

    from trials.intake.events_drafts import EventDraft
    from trials.intake.holds import Holds
    from trials.intake.recognise import Place

_CLOSE = 1e-9  # amounts that differ less, relatively, differ by the arithmetic of a conversion

Identity = tuple[str, EventKind, dt.datetime, str]
Day = tuple[str, EventKind, dt.date, str]


@dataclass(frozen=True)
class _Seen:
    """An event of the register, as it was taken in."""

    number: int
    at: dt.datetime
    amount: float
    unit: str
    source: str

    @property
    def timed(self) -> bool:
        return self.at.time() != dt.time()


def recognise_events(
    drafts: Sequence[EventDraft], seen: pd.DataFrame, place: Place, holds: Holds
) -> tuple[list[EventDraft], list[int]]:
    """Part drafts into those that are new and those that are in already; the rest is held.

    Parameters
    ----------
    drafts : sequence of EventDraft
        In the order of the file.
    seen : DataFrame
        Events of the trial as they were taken in.
    place, holds
        For the sentences, and where they go.

    Returns
    -------
    new : list of EventDraft
        To be accepted.
    repeated : list of int
        The lines of those that are in already, in the register or earlier in the file.
    """
    exact, of_day = _by_identity(seen, {_day(draft) for draft in drafts})
    groups: dict[Identity, list[EventDraft]] = defaultdict(list)
    for draft in drafts:
        groups[_identity(draft)].append(draft)
    new: list[EventDraft] = []
    repeated: list[int] = []
    for identity, group in groups.items():
        known = exact.get(identity)
        if known is None and any(not _same(draft, group[0]) for draft in group):
            _hold_within_file(group, place, holds)
            continue
        first, *others = group
        if known is None:
            doubtful = next(
                (s for s in of_day.get(_day(first), ()) if _same(first, s) and s.timed != first.timed), None
            )
            if doubtful is None:
                new.append(first)
            else:
                holds.add(first.line, HoldReason.PERHAPS_THE_SAME, _perhaps_the_same(first, doubtful))
        elif _same(first, known):
            repeated.append(first.line)
        else:
            holds.add(first.line, HoldReason.CONFLICT_IN_REGISTER, _against_register(first, known))
        for draft in others:
            if known is not None and not _same(draft, known):
                holds.add(draft.line, HoldReason.CONFLICT_IN_REGISTER, _against_register(draft, known))
            elif draft.timed or math.isnan(draft.amount):
                repeated.append(draft.line)
            else:
                holds.add(draft.line, HoldReason.PERHAPS_THE_SAME, _twice(draft, first, place))
    return sorted(new, key=lambda draft: draft.line), repeated


def _identity(draft: EventDraft) -> Identity:
    return draft.tank, draft.kind, draft.at, _said(draft.kind, draft.note)


def _day(draft: EventDraft) -> Day:
    return draft.tank, draft.kind, draft.at.date(), _said(draft.kind, draft.note)


def _said(kind: EventKind, note: str) -> str:
    """The note where it tells one event from another: two animals, two faults."""
    form = EVENTS[kind]
    return " ".join(note.split()).casefold() if form.whole or not form.needs_amount else ""


def _by_identity(seen: pd.DataFrame, days: set[Day]) -> tuple[dict[Identity, _Seen], dict[Day, list[_Seen]]]:
    """What the register holds of the days in question, by moment and by day."""
    exact: dict[Identity, _Seen] = {}
    of_day: dict[Day, list[_Seen]] = defaultdict(list)
    asked = {day for _, _, day, _ in days}
    near = seen[seen["at"].dt.date.isin(list(asked))] if len(seen) else seen
    for record in _records(near):
        at: dt.datetime = record["at"].to_pydatetime()
        kind = EventKind(record["kind"])
        source = f"{record['file']}, row {record['row']}" if record.get("file") else ""
        found = _Seen(int(record.get("event", 0)), at, record["amount"], record["unit"], source)
        said = _said(kind, record["note"])
        exact.setdefault((record["tank"], kind, at, said), found)
        of_day[record["tank"], kind, at.date(), said].append(found)
    return exact, of_day


def _records(frame: pd.DataFrame) -> Iterable[dict[str, Any]]:
    return ({str(name): value for name, value in record.items()} for record in frame.to_dict("records"))


def _same(one: EventDraft | _Seen, other: EventDraft | _Seen) -> bool:
    both_none = math.isnan(one.amount) and math.isnan(other.amount)
    return both_none or (one.unit == other.unit and math.isclose(one.amount, other.amount, rel_tol=_CLOSE))


def _hold_within_file(group: Sequence[EventDraft], place: Place, holds: Holds) -> None:
    amounts = list(dict.fromkeys(amount_in_words(draft.amount, draft.unit) for draft in group))
    remedy = (
        "take out what is wrong"
        if group[0].timed
        else "if both happened, write the time of each; else take out what is wrong"
    )
    text = told(
        "",
        f"{place.of(draft.line for draft in group)} give different amounts for {_what(group[0])}: {', '.join(amounts[:8])}; "
        f"{remedy}.",
    )
    for draft in group:
        holds.add(draft.line, HoldReason.CONFLICT_IN_FILE, text)


def _against_register(draft: EventDraft, known: _Seen) -> str:
    number = known.number or "NUMBER"
    another = (
        "" if draft.timed else "If both happened, write the time of this one; else take the row out, or "
    )
    remedy = another or "Take the row out, or "
    return (
        f"The register holds {amount_in_words(known.amount, known.unit)} for {_what(draft)}{_from(known)}, and this row says "
        f"{amount_in_words(draft.amount, draft.unit)}. Nothing is overwritten. {remedy}correct the one that is in with "
        f"`fairtank amend --event {number}`."
    )


def _perhaps_the_same(draft: EventDraft, known: _Seen) -> str:
    when = f"at {known.at:%H:%M}" if known.timed else "without a time"
    remedy = (
        f"if it happened twice, withdraw the one without a time with `fairtank amend --event {known.number or 'NUMBER'} "
        "--withdraw` and send both with theirs"
        if draft.timed
        else "if it happened once more, write the time"
    )
    return (
        f"The register holds the same {draft.kind} of {draft.tank} on {draft.at:%Y-%m-%d}, {when}{_from(known)}. If this is "
        f"that one, take the row out; {remedy}."
    )


def _twice(draft: EventDraft, first: EventDraft, place: Place) -> str:
    return (
        f"It says the same as {place.of([first.line])}, {_what(draft)}. If it happened twice, write the time of each; else "
        "take this row out."
    )


def _what(draft: EventDraft) -> str:
    moment = f"{draft.at:%Y-%m-%d %H:%M}" if draft.timed else f"{draft.at:%Y-%m-%d}"
    return f"{draft.tank}, {draft.kind}, {moment}"


def _from(known: _Seen) -> str:
    number = f"event {known.number}" if known.number else ""
    inside = ", ".join(filter(None, (number, f"from {known.source}" if known.source else "")))
    return f" ({inside})" if inside else ""
