"""Sums by arm from events and readings: what counts, from when, and what nobody wrote down."""

import datetime as dt

import pandas as pd
import pytest

from analysis.arm_husbandry import arm_husbandry
from schemas.events import empty_events

UNTIL = dt.date(2026, 8, 1)


def events_of(*rows):
    """Events as the register gives them: tank, day, kind, amount, unit."""
    frame = pd.DataFrame(rows, columns=["tank", "at", "kind", "amount", "unit"])
    return frame.assign(at=pd.to_datetime(frame["at"]).astype("datetime64[us]"))


@pytest.fixture(scope="module")
def by_arm(club):
    """Sum the club's trial with these events, by arm."""

    def add(events=None, readings=None, until=UNTIL):
        found = arm_husbandry(
            club.protocol,
            club.allocation,
            club.readings if readings is None else readings,
            empty_events() if events is None else events,
            until,
        )
        return {one.arm: one for one in found}

    return add


@pytest.fixture(scope="module")
def tank_of(club):
    """A tank of each arm."""
    return {arm: tank for tank, arm in club.allocation.arm_of().items()}


def test_days_count_from_the_first_after_the_baseline_to_the_end_or_the_day_asked_for(by_arm):
    assert {one.tank_days for one in by_arm().values()} == {8 * 112}
    assert by_arm(until=dt.date(2026, 4, 5))["control"].tank_days == 8 * 7  # the ramp begins on 30 March
    assert by_arm(until=dt.date(2026, 3, 10))["control"].tank_days == 0


def test_events_are_summed_by_arm_kind_and_unit_and_the_baseline_left_out(by_arm, tank_of):
    liquid, polymer = tank_of["liquid"], tank_of["polymer"]
    found = by_arm(
        events_of(
            (liquid, "2026-03-20", "dose", 9.0, "mL"),
            (liquid, "2026-04-01", "dose", 1.5, "mL"),
            (liquid, "2026-04-02", "dose", 2.0, "mL"),
            (liquid, "2026-04-02", "dose", 3.0, "g"),
            (liquid, "2026-05-01", "loss", 2.0, "1"),
            (liquid, "2026-05-02", "fault", float("nan"), ""),
            (polymer, "2026-04-02", "polymer-added", 30.0, "g"),
            (polymer, "2026-04-03", "clean", float("nan"), ""),
            ("stray", "2026-04-03", "loss", 5.0, "1"),
        )
    )
    assert found["liquid"].given == {("dose", "mL"): 3.5, ("dose", "g"): 3.0}
    assert (found["liquid"].doses, found["liquid"].lost, found["liquid"].faults) == (3, 2.0, 1)
    assert found["polymer"].given == {("polymer-added", "g"): 30.0}
    assert (found["polymer"].cleanings, found["polymer"].lost) == (1, 0.0)
    assert (found["control"].given, found["control"].lost) == ({}, 0.0)


def read(club, tank, variable, values, first="2026-05-04"):
    """The club's readings with those of a tank from a day on replaced by weekly ones; text below a limit."""
    days = pd.date_range(first, periods=len(values), freq="7D")
    kept = club.readings[
        (club.readings["tank"] != tank)
        | (club.readings["variable"] != variable)
        | (club.readings["taken_at"] < days[0])
    ]
    rows = pd.DataFrame(
        {
            "tank": tank,
            "taken_at": days.astype("datetime64[us]"),
            "variable": variable,
            "value": [float(str(value).removeprefix("<")) for value in values],
            "sign": ["<" if str(value).startswith("<") else "" for value in values],
            "kit": "",
            "replicate": 1,
        }
    )
    return pd.concat([kept, rows], ignore_index=True)


@pytest.mark.parametrize(
    ("values", "stopped"),
    [
        (["0.05", "<0.01", "<0.01", "0.05"], True),  # registered: below 0.01, twice in a row
        (["0.05", "<0.01", "0.05", "<0.01"], False),
        (["0.05", "<0.02", "<0.02", "0.05"], False),  # may have been, is not known to
    ],
)
def test_a_stop_rule_counts_when_it_was_met_for_sure(by_arm, club, tank_of, values, stopped):
    tank = tank_of["polymer"]
    found = by_arm(readings=read(club, tank, "phosphate", values))
    assert (tank in found["polymer"].stopped) is stopped


def test_stall_days_are_those_without_phosphate_on_which_nitrate_stood_still(by_arm, club, tank_of):
    tank = tank_of["polymer"]
    spent = read(club, tank, "phosphate", ["0.05", "<0.02", "<0.02", "<0.02", "<0.02", "0.06"])
    level = read(club, tank, "nitrate", [10.0, 10.1, 9.9, 10.0, 10.0, 9.0])
    falling = read(club, tank, "nitrate", [12.0, 10.0, 7.0, 4.0, 2.0, 1.0])

    def both(nitrate):
        mine = [
            nitrate[(nitrate["variable"] == "nitrate") & (nitrate["tank"] == tank)],
            spent[(spent["variable"] == "phosphate") & (spent["tank"] == tank)],
        ]
        return pd.concat(mine, ignore_index=True)

    assert by_arm(readings=both(level))["polymer"].stall_days == 21
    assert by_arm(readings=both(falling))["polymer"].stall_days == 0
    assert by_arm()["control"].stall_days is None


def test_without_phosphate_nothing_is_said_of_stalls(by_arm, club):
    only = club.readings[club.readings["variable"] == "nitrate"]
    assert by_arm(readings=only)["polymer"].stall_days is None
