"""A small trial with a control, a liquid and a polymer, told as events and readings: invented, four tanks."""

import datetime as dt

import pandas as pd
import pytest

from analysis.followed import Happened, Story
from schemas.allocation import Allocation, Assignment
from schemas.protocol import Protocol

START = dt.date(2026, 3, 2)
ARMS = {"c1": "control", "c2": "control", "l1": "liquid", "p1": "polymer"}
PLAN = {
    "format": 1,
    "trial": {"id": "small", "title": "An invented trial"},
    "arms": [
        {"id": "control", "role": "control", "title": "No carbon"},
        {
            "id": "liquid",
            "role": "reference",
            "title": "Liquid carbon",
            "carbon": {"source": "ethanol 40 %", "full_dose": "0.3 mL / 100 L / d"},
        },
        {
            "id": "polymer",
            "role": "test",
            "title": "Pellets",
            "carbon": {"source": "phb", "full_dose": "25 g / 100 L"},
        },
    ],
    "design": {"kind": "parallel", "seed_from": "balls"},
    "tanks": [{"id": tank, "volume_L": 200.0} for tank in ARMS],
    "schedule": {
        "start": START,
        "phases": [
            {"id": "baseline", "days": 14},
            {"id": "ramp", "days": 14},
            {"id": "assessment", "days": 28},
            {"id": "washout", "days": 7},
        ],
        "sampling": [{"variable": "nitrate", "every_days": 7}, {"variable": "phosphate", "every_days": 7}],
    },
    "endpoints": [
        {
            "id": "nitrate-mean",
            "role": "primary",
            "variable": "nitrate",
            "summary": "mean",
            "phase": "assessment",
            "better": "lower",
            "worthwhile": 2.0,
        }
    ],
}


def day(number, clock=0):
    """A day of the trial, from 0, as a moment."""
    return pd.Timestamp(START) + pd.Timedelta(days=number, hours=clock)


def event_frame(rows):
    """Events as the register gives them, from (tank, day, kind, amount, unit)."""
    frame = pd.DataFrame(rows, columns=["tank", "at", "kind", "amount", "unit"])
    at = pd.to_datetime([one if isinstance(one, pd.Timestamp) else day(one) for one in frame["at"]])
    return frame.assign(at=at.astype("datetime64[us]"), amount=frame["amount"].astype(float))


def reading_frame(rows):
    """Readings as the register gives them, from (tank, day, variable, value); text below a limit."""
    frame = pd.DataFrame(rows, columns=["tank", "taken_at", "variable", "value"])
    texts = frame["value"].astype(str)
    at = pd.to_datetime([day(one) for one in frame["taken_at"]])
    return frame.assign(
        taken_at=at.astype("datetime64[us]"),
        value=texts.str.removeprefix("<").astype(float),
        sign=["<" if text.startswith("<") else "" for text in texts],
        replicate=1,
        kit="",
    )


def story_of(events=(), readings=(), *, plan=None, **happened):
    """The small trial with these events and readings; it is known to its last day unless they end before."""
    protocol = Protocol.model_validate(PLAN | (plan or {}))
    allocation = Allocation(
        tuple(Assignment(tank, arm, None, None) for tank, arm in ARMS.items()),
        drawn=True,
        random=True,
        how="balls",
    )
    return Story(
        protocol,
        allocation,
        reading_frame(list(readings)),
        Happened(event_frame(list(events)), **happened),
    )


@pytest.fixture(scope="session")
def story():
    """Make the small trial: ``story(events, readings)``."""
    return story_of


@pytest.fixture(scope="session")
def trial_day():
    """A day of the small trial as a moment."""
    return day
