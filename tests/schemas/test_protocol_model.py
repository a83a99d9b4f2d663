"""The questions that a protocol answers about itself: days, phases, contrasts."""

from __future__ import annotations

import datetime as dt
from itertools import pairwise

import pytest
from pydantic import ValidationError

from schemas.allocation import Allocation, Assignment
from schemas.vocabulary import Baseline, Multiplicity, Scale, Variance

DAY = dt.timedelta(days=1)


def test_phases_follow_one_another_without_gap(protocol_of):
    protocol = protocol_of()
    windows = list(protocol.phase_days.values())
    assert windows[0][0] == protocol.schedule.start
    assert all(before[1] == after[0] for before, after in pairwise(windows))
    assert protocol.last_day == dt.date(2026, 3, 2) + 139 * DAY


@pytest.mark.parametrize(
    ("day", "phase"),
    [
        (-1, None),
        (0, "baseline"),
        (27, "baseline"),
        (28, "ramp"),
        (56, "assessment"),
        (139, "assessment"),
        (140, None),
    ],
)
def test_phase_of_a_day(protocol_of, day, phase):
    protocol = protocol_of()
    assert protocol.phase_of(protocol.schedule.start + day * DAY) == phase


def test_sampling_days_count_from_the_first_day(protocol_of):
    protocol = protocol_of()
    days = protocol.due_days("nitrate")
    assert days[:2] == [dt.date(2026, 3, 2), dt.date(2026, 3, 9)]
    assert len(days) == 20
    assert days[-1] <= protocol.last_day
    assert protocol.due_days("calcium") == []


def test_contrasts_as_registered_or_every_arm_against_the_control(protocol_of):
    assert protocol_of().contrasts == (("polymer", "control"), ("polymer", "liquid"))
    assert protocol_of(analysis={}).contrasts == (("polymer", "control"), ("liquid", "control"))


def test_a_control_is_compared_with_before_a_reference(protocol_of):
    arms = [
        {"id": "old", "role": "reference", "title": "As before"},
        {"id": "none", "role": "control", "title": "Nothing"},
        {"id": "new", "role": "test", "title": "New"},
    ]
    assert protocol_of(arms=arms, analysis={}).contrasts == (("old", "none"), ("new", "none"))


def test_defaults(protocol_of):
    protocol = protocol_of(analysis={})
    slope = protocol.endpoints[1]
    assert (slope.baseline, slope.scale) == (Baseline.NONE, Scale.DIFFERENCE)
    plan = protocol.analysis
    assert (plan.alpha, plan.variance, plan.multiplicity) == (0.05, None, Multiplicity.HOLM)
    assert protocol.variance is Variance.OWN


@pytest.fixture
def crossover(protocol_of):
    """Two periods of 140 days with 60 days between them; the cohort q02 starts 14 days after the others."""
    schedule = protocol_of().schedule.model_dump() | {"starts": {"q02": dt.date(2026, 3, 16)}}
    return protocol_of(
        design={"kind": "crossover", "periods": 2, "washout_days": 60, "seed": "reef"}, schedule=schedule
    )


def test_phases_come_again_in_every_period(crossover):
    assert crossover.n_periods == 2
    first, second = crossover.windows("assessment", "q01-a")
    assert first == crossover.phase_days["assessment"] == (dt.date(2026, 4, 27), dt.date(2026, 7, 20))
    assert second == (first[0] + 200 * DAY, first[1] + 200 * DAY)
    assert crossover.periods("q01-a")[1] == (dt.date(2026, 9, 18), dt.date(2027, 2, 5))
    assert [day.isoformat() for day, _ in crossover.windows("baseline", "q02-c")] == [
        "2026-03-16",
        "2026-10-02",
    ]
    assert crossover.last_day == dt.date(2027, 2, 18)


@pytest.mark.parametrize(
    ("day", "tank", "phase"),
    [
        (0, None, "baseline"),
        (13, "q02-a", None),
        (139, "q01-a", "assessment"),
        (140, "q01-a", None),
        (140, "q02-a", "assessment"),
        (199, "q01-a", None),
        (200, "q01-a", "baseline"),
        (339, "q01-a", "assessment"),
        (340, "q01-a", None),
        (353, "q02-a", "assessment"),
    ],
)
def test_phase_of_a_day_in_a_crossover(crossover, day, tank, phase):
    assert crossover.phase_of(crossover.schedule.start + day * DAY, tank) == phase


def test_nothing_is_due_between_periods(crossover):
    days = crossover.due_days("nitrate", "q02-a")
    assert len(days) == 40
    assert [(day - dt.date(2026, 3, 16)).days % 200 % 7 for day in days] == [0] * 40
    assert all(crossover.phase_of(day, "q02-a") for day in days)
    assert crossover.due_days("calcium", "q02-a") == []


def test_a_crossover_that_names_no_washout_has_none(protocol_of):
    assert protocol_of(design={"kind": "crossover", "periods": 3}).design.washout_days == 0
    assert protocol_of().design.washout_days is None


@pytest.mark.parametrize(
    ("kind", "written", "effective"),
    [
        ("parallel", None, "own"),
        ("blocks", None, "own"),
        ("before-after", None, "own"),
        ("incomplete-blocks", None, "pooled"),
        ("crossover", None, "pooled"),
        ("blocks", "pooled", "pooled"),
    ],
)
def test_the_design_has_a_rule_for_the_error(protocol_of, kind, written, effective):
    analysis = {"variance": written} if written else {}
    assert protocol_of(design={"kind": kind}, analysis=analysis).variance == effective


def test_the_arm_of_a_tank_is_of_a_period_in_a_crossover():
    rows = [("t1", "control", 1), ("t1", "polymer", 2), ("t2", "polymer", 1), ("t2", "control", 2)]
    drawn = Allocation(
        tuple(Assignment(tank, arm, None, None, period) for tank, arm, period in rows),
        drawn=True, random=True, how="drawn",
    )  # fmt: skip
    assert drawn.arm_of(2) == {"t1": "polymer", "t2": "control"}
    assert drawn.sequence_of() == {"t1": ("control", "polymer"), "t2": ("polymer", "control")}
    for period in (None, 3):
        with pytest.raises(ValueError, match=f"no arms of period {period}"):
            drawn.arm_of(period)


def test_whole_numbers_serve_as_names(protocol_of):
    tanks = [{"id": n, "block": n % 2} for n in range(6)]
    assert [(tank.id, tank.block) for tank in protocol_of(tanks=tanks).tanks][:2] == [("0", "0"), ("1", "1")]


def test_a_protocol_cannot_be_changed(protocol_of):
    with pytest.raises(ValidationError, match="frozen"):
        protocol_of().trial.title = "Another"
