"""Which arm a tank is in today, and since when it is dosed, in every design."""

import pytest

from analysis.watch.watched import Acted
from schemas.allocation import Allocation, Assignment

PHASES = [{"id": "baseline", "days": 7}, {"id": "assessment", "days": 21}, {"id": "washout", "days": 7}]


@pytest.fixture(scope="session")
def crossover(trial, on_day):
    """A crossover of two periods of five weeks with ten days between; q1-b is dosed first, q1-a second."""

    def on(today):
        parts = {
            "design": {"kind": "crossover", "seed": "1", "periods": 2, "washout_days": 10},
            "tanks": [{"id": "q1-a", "site": "q1"}, {"id": "q1-b", "site": "q1"}],
            "schedule": {"start": on_day(0), "phases": PHASES, "sampling": []},
        }
        arms = [
            ("q1-a", "control", 1),
            ("q1-a", "polymer", 2),
            ("q1-b", "polymer", 1),
            ("q1-b", "control", 2),
        ]
        allocation = Allocation(
            tuple(Assignment(tank, arm, None, "q1", period) for tank, arm, period in arms),
            drawn=False,
            random=True,
            how="a coin",
        )
        return trial(today, parts=parts, arms=None, allocation_given=allocation)

    return on


# Day of the trial: arm of q1-b, and the first day of dosing of q1-b and of q1-a.
CROSSOVER = {
    -1: (None, None, None),
    0: ("polymer", None, None),
    6: ("polymer", None, None),
    7: ("polymer", 7, None),
    27: ("polymer", 7, None),
    28: ("polymer", None, None),
    34: ("polymer", None, None),
    35: (None, None, None),
    44: (None, None, None),
    45: ("control", None, None),
    52: ("control", None, 52),
    72: ("control", None, 52),
    73: ("control", None, None),
    80: (None, None, None),
}


@pytest.mark.parametrize(("today", "asked"), CROSSOVER.items())
def test_a_crossover(today, asked, crossover, on_day):
    watched = crossover(today)
    arm = watched.arm("q1-b")
    first, second = (watched.dosed_since(tank) for tank in ("q1-b", "q1-a"))
    days = [day and (day - on_day(0)).days for day in (first, second)]
    assert (arm and arm.id, *days) == asked


def test_a_cohort_is_dosed_from_its_own_start(trial, on_day):
    parts = {
        "tanks": [
            {"id": "q1-b", "site": "q1", "block": "early"},
            {"id": "q2-a", "site": "q2", "block": "later"},
        ],
        "schedule": {
            "start": on_day(0),
            "phases": PHASES,
            "sampling": [],
            "starts": {"later": on_day(10)},
        },
    }
    watched = trial(20, parts=parts, arms={"q1-b": "polymer", "q2-a": "liquid"})
    assert [watched.dosed_since(tank) for tank in ("q1-b", "q2-a")] == [on_day(7), on_day(17)]


def test_what_was_done_is_shown_harmlessly(trial, on_day):
    done = {"q1-a": (Acted(on_day(1), "dose\n\x1b[2J halved\u202e."), Acted(on_day(5), "x" * 999))}
    watched = trial(9, acted=done)
    assert watched.acted_since("q1-a", on_day(6)) == ""
    assert len(watched.acted_since("q1-a", on_day(2))) < 260
    earlier = trial(9, acted={"q1-a": done["q1-a"][:1]})
    assert earlier.acted_since("q1-a", on_day(0)) == " Recorded on 3 March 2026: dose [2J halved."
