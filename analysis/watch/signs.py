"""What people wrote down that needs somebody at the tank: signs of hydrogen sulfide, animals lost, faults.

Words are looked for as people write them, in English; a sentence that says "no smell" is found as well and quoted, for a
person to judge. A cleaning after it settles a clogged reactor.
"""

from __future__ import annotations

import datetime as dt
import re
from typing import TYPE_CHECKING

import pandas as pd

from analysis.numerals import count, day_words, plain
from analysis.watch.findings import Finding, Kind, Severity
from schemas.events import EventKind

if TYPE_CHECKING:
    from collections.abc import Iterator

    from analysis.watch.watched import Watched

LOOK_BACK = 14
"""Days."""
_SIGNS = re.compile(
    r"rotten|\begg|\bh2s\b|sul(?:f|ph)ide|\bclog|\bclump|\bblack\b.{0,25}\b(?:pellet|reactor|bed|sand)|"
    r"(?:pellet|reactor|bed).{0,25}\b(?:black|stuck|block|stopped|not moving|not tumbling|no flow|dead spot)",
    re.IGNORECASE,
)
_SULFIDE = (
    "Never lean in to smell; if it smells of rotten eggs, leave and ventilate. Switch the reactor off and let none of its "
    "water into the tank: run the first water to waste, rinse, and record the cleaning. Stop the carbon and aerate where "
    "animals breathe fast. Where animals or people are ill, a vet or a doctor decides; local rules come first."
)
_LOSS = (
    "Look at the other animals and test oxygen, ammonia and nitrite now; stop the carbon where the cause is not known, "
    "aerate, and change water. A vet, or whoever is licensed to, decides. The tank stays in the trial."
)


def sign_findings(watched: Watched) -> Iterator[Finding]:
    """Signs, losses and faults of the last two weeks, one finding a tank and kind."""
    first = pd.Timestamp(watched.today - dt.timedelta(days=LOOK_BACK - 1))
    notes = pd.concat([_notes(watched.readings, "taken_at", first), _notes(watched.events, "at", first)])
    events = watched.events[watched.events["at"] >= first]
    kinds = {str(kind): rows for kind, rows in events.groupby("kind")}
    here = {tank.id for tank in watched.in_trial}
    for tank in sorted(here & set(notes["tank"])):
        yield _sulfide(watched, tank, notes[notes["tank"] == tank], kinds)
    for kind, said in ((EventKind.LOSS, _loss), (EventKind.FAULT, _fault)):
        rows = kinds.get(kind.value)
        if rows is not None and kind is EventKind.FAULT:
            rows = rows[~rows["note"].isin(set(notes["note"]))]  # a sign is said already
        if rows is not None:
            for name, own in rows.groupby("tank", sort=True):
                if name in here:
                    yield said(watched, str(name), own)


def _notes(frame: pd.DataFrame, when: str, first: pd.Timestamp) -> pd.DataFrame:
    """Notes that hold a sign; each text is looked at once."""
    if "note" not in frame:
        return pd.DataFrame({"tank": [], "at": [], "note": []})
    recent = frame[(frame[when] >= first) & (frame["note"] != "")]
    signs = {text: bool(_SIGNS.search(text)) for text in recent["note"].unique()}
    kept = recent[recent["note"].map(signs).astype(bool)]
    return pd.DataFrame({"tank": kept["tank"], "at": kept[when], "note": kept["note"]})


def _sulfide(watched: Watched, tank: str, notes: pd.DataFrame, kinds: dict[str, pd.DataFrame]) -> Finding:
    last = notes.sort_values("at").iloc[-1]
    day = last["at"].date()
    cleaned = kinds.get(EventKind.CLEAN.value)
    after = cleaned is not None and bool(((cleaned["tank"] == tank) & (cleaned["at"] >= last["at"])).any())
    done = watched.acted_since(tank, day)
    words = f'Tank {tank}: a note of {day_words(day)} says "{plain(last["note"], 160)}", which can mean a clogged reactor or '
    words += "hydrogen sulfide."
    if after:
        return Finding(
            Kind.SULFIDE,
            Severity.INFORMATION,
            f"{words} It was cleaned since.",
            site=watched.site_of[tank],
            tank=tank,
            since=day,
        )
    return Finding(
        Kind.SULFIDE,
        Severity.SOON if done else Severity.NOW,
        words + done,
        _SULFIDE,
        site=watched.site_of[tank],
        tank=tank,
        since=day,
    )


def _loss(watched: Watched, tank: str, rows: pd.DataFrame) -> Finding:
    number, days = int(rows["amount"].sum()), rows["at"].dt.date
    day = max(days)
    done = watched.acted_since(tank, day)
    words = f"Tank {tank}: {count(number, 'animal')} lost in the last two weeks, the last on {day_words(day)}.{done}"
    severity = Severity.SOON if done else Severity.NOW
    if number == 0:
        severity = Severity.INFORMATION
    return Finding(
        Kind.LOSS,
        severity,
        words,
        _LOSS if number else "",
        site=watched.site_of[tank],
        tank=tank,
        since=min(days),
    )


def _fault(watched: Watched, tank: str, rows: pd.DataFrame) -> Finding:
    last = rows.iloc[-1]
    day = last["at"].date()
    note = f' ("{plain(last["note"], 160)}")' if last["note"] else ""
    done = watched.acted_since(tank, day)
    return Finding(
        Kind.FAULT,
        Severity.INFORMATION if done else Severity.SOON,
        f"Tank {tank}: a fault of equipment was recorded on {day_words(day)}{note}.{done}",
        "See that it is mended. After hours without power a reactor's water is stale: let it run to waste before the pump "
        "feeds the tank again. Electrical work is for licensed people.",
        site=watched.site_of[tank],
        tank=tank,
        since=day,
    )
