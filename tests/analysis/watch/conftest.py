"""A small invented trial that is watched on a day: four tanks at two sites, two arms, carbon in one of them."""

from __future__ import annotations

import datetime as dt
from typing import TYPE_CHECKING, Any

import pandas as pd
import pytest

from analysis.watch.watched import Watched
from schemas.allocation import Allocation, Assignment
from schemas.protocol import Protocol

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable

START = dt.date(2026, 3, 2)
ARMS = {"q1-a": "control", "q1-b": "polymer", "q2-a": "liquid", "q2-b": "control"}
RAW = {
    "format": 1,
    "trial": {"id": "try-2026", "title": "A try"},
    "arms": [
        {"id": "control", "role": "control", "title": "Water changes alone"},
        {
            "id": "polymer",
            "role": "test",
            "title": "Polymer pellets",
            "carbon": {"source": "phb", "full_dose": "25.6 g / 100 L"},
        },
        {
            "id": "liquid",
            "role": "test",
            "title": "Ethanol",
            "carbon": {"source": "ethanol 40 %", "full_dose": "0.3037 mL / 100 L / d"},
        },
    ],
    "design": {"kind": "parallel", "seed": "1 2 3"},
    "tanks": [{"id": tank, "site": tank[:2], "volume_L": 100} for tank in ARMS],
    "schedule": {
        "start": START,
        "phases": [
            {"id": "baseline", "days": 14},
            {"id": "ramp", "days": 28},
            {"id": "assessment", "days": 84},
        ],
        "sampling": [
            {"variable": "nitrate", "every_days": 7},
            {"variable": "phosphate", "every_days": 7},
        ],
    },
    "endpoints": [
        {
            "id": "nitrate-mean",
            "role": "primary",
            "variable": "nitrate",
            "summary": "mean",
            "phase": "assessment",
            "better": "lower",
            "worthwhile": -2.0,
        }
    ],
    "stop_rules": [
        {"variable": "phosphate", "below": 0.03, "consecutive": 2, "action": "halve the carbon dose"}
    ],
}


def day(number: int) -> dt.date:
    """A day of the trial; 0 is the first."""
    return START + dt.timedelta(days=number)


def protocol_of(**parts: Any) -> Protocol:
    """The protocol with some of its parts replaced."""
    return Protocol.model_validate(RAW | parts)


def readings_of(rows: Iterable[tuple[str, str, int, str]], *, kit: str = "", note: str = "") -> pd.DataFrame:
    """Readings from tank, variable, day of the trial and value as written; several rows a day are duplicates."""
    frame = pd.DataFrame(
        [
            {
                "tank": tank,
                "variable": variable,
                "taken_at": dt.datetime.combine(day(number), dt.time(18, 30)),
                "value": float(text.lstrip("<>")),
                "sign": text[0] if text[0] in "<>" else "",
                "kit": kit,
                "note": note,
            }
            for tank, variable, number, text in rows
        ],
        columns=["tank", "variable", "taken_at", "value", "sign", "kit", "note"],
    )
    return frame.astype({"taken_at": "datetime64[us]", "value": float})


def events_of(rows: Iterable[tuple[str, int, str, float, str, str]]) -> pd.DataFrame:
    """Events from tank, day of the trial, kind, amount, unit and note, in order of tank and time."""
    frame = pd.DataFrame(
        [
            {
                "tank": tank,
                "at": dt.datetime.combine(day(number), dt.time(9)),
                "kind": kind,
                "amount": amount,
                "unit": unit,
                "note": note,
            }
            for tank, number, kind, amount, unit, note in rows
        ],
        columns=["tank", "at", "kind", "amount", "unit", "note"],
    )
    return frame.astype({"at": "datetime64[us]", "amount": float}).sort_values(
        ["tank", "at"], ignore_index=True
    )


def allocation_of(arms: dict[str, str]) -> Allocation:
    """An allocation of those arms."""
    return Allocation(
        tuple(Assignment(tank, arm, None, tank[:2]) for tank, arm in arms.items()),
        drawn=False,
        random=True,
        how="balls from a bag",
    )


def trial_of(
    today: int,
    readings: Iterable[tuple[str, str, int, str]] = (),
    events: Iterable[tuple[str, int, str, float, str, str]] = (),
    *,
    arms: dict[str, str] | None = ARMS,
    parts: dict[str, Any] | None = None,
    allocation_given: Allocation | None = None,
    **more: Any,
) -> Watched:
    """The trial on a day."""
    return Watched(
        protocol=protocol_of(**(parts or {})),
        today=day(today),
        allocation=allocation_of(arms) if arms else allocation_given,
        readings=readings_of(readings),
        events=events_of(events),
        **{"planned": {"polymer": 0.5, "liquid": 0.5}, **more},
    )


@pytest.fixture(scope="session")
def on_day() -> Callable[[int], dt.date]:
    """A day of the trial by its number."""
    return day


@pytest.fixture(scope="session")
def trial() -> Callable[..., Watched]:
    """The builder of a watched trial."""
    return trial_of


@pytest.fixture(scope="session")
def read() -> Callable[..., pd.DataFrame]:
    """The builder of readings."""
    return readings_of
