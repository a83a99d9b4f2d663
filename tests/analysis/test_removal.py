"""What is removed by mass balance, by hand and against the tank model's own ledger; the slope against pandas and numpy."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.removal import removed_in, slope_in
from analysis.tank_model import NITRATE_PER_N, PHOSPHATE_PER_P, Dosing, run
from analysis.tank_parameters import TankParameters
from analysis.water.husbandry import after_water_change

# N 14.007, NO3 62.004, P 30.974, PO4 94.970 g/mol; feed of 45 % protein, 16 % of it nitrogen, 1.2 % phosphorus (common
# practice, no source): a gram of dry feed holds 72 mg N and 12 mg P, +3.187 mg/L NO3 and +0.368 mg/L PO4 in 100 L.
NITRATE_OF_FEED = 1000 * 0.45 * 0.16 * 62.004 / 14.007
PHOSPHATE_OF_FEED = 1000 * 0.012 * 94.970 / 30.974


def removed(story, events, readings, variable="nitrate", phase="assessment"):
    """The balance of the first control tank in a phase."""
    tank = story(events, readings).tanks["c1", 1]
    return removed_in(tank, tank.phases[phase], variable)


def test_a_balance_worked_by_hand(story):
    """200 L: 20 mg/L falls to 15 in 14 days, 1 g fed a day, 20 L changed on day 7 at 18 mg/L.

    Fed 14 x 318.72 = 4,462 mg, changed out 20 x 18 = 360 mg, fell 1,000 mg: 5,102 mg removed, 1.822 mg/L/d.
    """
    events = [("c1", day, "feed", 1.0, "g") for day in range(28, 42)] + [
        ("c1", 35, "water-change", 20.0, "L")
    ]
    readings = [("c1", 28, "nitrate", 20.0), ("c1", 35, "nitrate", 18.0), ("c1", 42, "nitrate", 15.0)]
    found = removed(story, events, readings)
    by_hand = 14 * NITRATE_OF_FEED - 20 * 18.0 + 200 * (20.0 - 15.0)
    assert found.balance.removed == pytest.approx(by_hand, rel=1e-5)
    assert found.per_litre_and_day(found.balance.removed) == pytest.approx(by_hand / 200 / 14, rel=1e-5)
    assert by_hand == pytest.approx(5102, abs=1)


def test_phosphate_goes_by_its_own_share_of_the_feed(story):
    events = [("c1", 30, "feed", 2.0, "g")]
    readings = [("c1", 28, "phosphate", 0.10), ("c1", 35, "phosphate", 0.08)]
    found = removed(story, events, readings, "phosphate")
    assert found.balance.removed == pytest.approx(2 * PHOSPHATE_OF_FEED + 200 * 0.02, rel=1e-5)


def test_what_happens_on_a_sampling_day_comes_after_its_reading(story):
    """A change of the first day counts, one of the last does not; feed and time of day alike."""
    events = [
        ("c1", 28, "feed", 1.0, "g"),
        ("c1", 35, "feed", 50.0, "g"),
        ("c1", 28, "water-change", 20.0, "L"),
        ("c1", 35, "water-change", 100.0, "L"),
    ]
    readings = [("c1", 28, "nitrate", 20.0), ("c1", 35, "nitrate", 18.0)]
    found = removed(story, events, readings)
    assert found.balance.removed == pytest.approx(NITRATE_OF_FEED - 400 + 400, rel=1e-5)


def test_readings_beyond_the_limit_give_the_range_of_all_they_allow(story):
    """<2 at the end may be 0 to 2: the balance is at 1 and runs 200 mg either way; a change takes the middle too."""
    events = [("c1", 28, "feed", 1.0, "g"), ("c1", 35, "water-change", 20.0, "L")]
    readings = [("c1", 28, "nitrate", 20.0), ("c1", 35, "nitrate", "<4"), ("c1", 42, "nitrate", "<2")]
    found = removed(story, events, readings)
    middle = NITRATE_OF_FEED - 20 * 2.0 + 200 * 19.0
    assert (found.lowest, found.balance.removed, found.highest) == pytest.approx(
        (middle - 40 - 200, middle, middle + 40 + 200), rel=1e-5
    )


NONE = {
    "one day": (
        [("c1", 30, "feed", 1.0, "g")],
        [("c1", 28, "nitrate", 9.0)],
        "fewer than two sampling days of nitrate",
    ),
    "no feed": ([], [("c1", 28, "nitrate", 9.0), ("c1", 35, "nitrate", 9.0)], "no feed is recorded between"),
    "all changed": (
        [("c1", 30, "feed", 1.0, "g"), ("c1", 30, "water-change", 200.0, "L")],
        [("c1", 28, "nitrate", 9.0), ("c1", 35, "nitrate", 9.0)],
        "all its water was changed at once",
    ),
}


@pytest.mark.parametrize(("events", "readings", "why"), NONE.values(), ids=NONE)
def test_without_records_there_is_no_balance(story, events, readings, why):
    found = removed(story, events, readings)
    assert found.balance is None
    assert found.why_not.startswith(why)


@settings(max_examples=15, deadline=None)
@given(
    liquid=st.floats(0.0, 1.0),
    pellets=st.floats(0.0, 300.0),
    feed=st.floats(0.5, 6.0),
    every=st.sampled_from([1, 2, 3, 7, 14]),
)
def test_what_left_a_simulated_tank_is_found_again_from_its_readings(story, liquid, pellets, feed, every):
    """The tank model's ledger conserves mass: what it sank, assimilated and denitrified is what the balance removes.

    All that is fed reaches the water, and no water is changed; readings are exact, each so many days. Row 0 of a course is
    the end of its first day, which is the reading of the next day.
    """
    tank = TankParameters(feed=feed, nitrogen_released=1.0, phosphorus_released=1.0, water_change=0.0)
    course = run(tank, Dosing(liquid=liquid, pellets=pellets), 14)
    events = [("c1", 30 + number, "feed", feed * 200 / 1000, "g") for number in range(14)]
    for variable, ledger, values, per_element in (
        ("nitrate", course.nitrogen, course.nitrate, NITRATE_PER_N),
        ("phosphate", course.phosphorus, course.phosphate, PHOSPHATE_PER_P),
    ):
        rock = float(ledger.started) * per_element - first_of(tank, variable)
        start = first_of(tank, variable)
        days = [0, *(number + 1 for number in range(14) if (number + 1) % every == 0 or number == 13)]
        known = [start, *np.ravel(values).tolist()]
        readings = [("c1", 30 + number, variable, known[number]) for number in days]
        found = removed(story, events, readings, variable)
        left = float(ledger.sunk + ledger.assimilated + ledger.denitrified) * per_element
        # Of phosphorus the ledger holds the rock as well, which a keeper cannot see: what it took up was removed.
        taken_up = float(ledger.ended) * per_element - known[-1] - rock
        assert found.balance.removed == pytest.approx(200 * (left + taken_up), rel=1e-7, abs=1e-7)


def first_of(tank, variable):
    """What the water of a tank of the model holds at rest, as the ion, before its first step."""
    if variable == "nitrate":
        fed = tank.feed * tank.protein * 0.16 * tank.nitrogen_released
        return fed / (tank.water_change + tank.nitrogen_sink) * NITRATE_PER_N
    fed = tank.feed * tank.feed_phosphorus * tank.phosphorus_released
    return fed / (tank.water_change + tank.phosphorus_sink) * PHOSPHATE_PER_P


@given(shares=st.lists(st.floats(0.0, 0.6), min_size=2, max_size=4), start=st.floats(1.0, 60.0))
@settings(max_examples=25, deadline=None)
def test_water_changed_after_each_reading_is_no_removal(story, shares, start):
    """Nothing but water changes happens: what each leaves is what :func:`after_water_change` leaves, and 0 is removed."""
    readings, events, level = [], [("c1", 28, "feed", 0.0, "g")], start
    for week, share in enumerate([*shares, 0.0]):
        readings.append(("c1", 28 + 5 * week, "nitrate", level))
        if share:
            events.append(("c1", 28 + 5 * week, "water-change", 200.0 * share, "L"))
        level = after_water_change(level, share)
    assert removed(story, events, readings).balance.removed == pytest.approx(0.0, abs=1e-8)


def slope(story, rows):
    """The slope of the first control tank in the assessment, from (day, phosphate, nitrate)."""
    readings = [("c1", number, "phosphate", p) for number, p, _ in rows] + [
        ("c1", number, "nitrate", n) for number, _, n in rows
    ]
    tank = story((), readings).tanks["c1", 1]
    return slope_in(tank, tank.phases["assessment"])


def test_growth_alone_falls_along_the_line_of_the_cells(story):
    """Atoms of N and P as 10 to 1 are 10 x 62.004 / 94.970 = 6.529 mg of nitrate by mg of phosphate."""
    rows = [
        (28 + 7 * week, 0.20 - 0.04 * week, 12.0 - 0.04 * week * 10 * 62.004 / 94.970) for week in range(4)
    ]
    found, days, _ = slope(story, rows)
    assert (found, days) == (pytest.approx(6.5288, abs=5e-4), 4)


def test_a_slope_is_numpys_and_leaves_out_days_beyond_a_limit(story):
    rows = [(28, 0.1, 10.0), (35, 0.08, 9.0), (42, "<0.02", 5.0), (49, 0.05, 8.5), (55, 0.04, 7.0)]
    sure = [(p, n) for _, p, n in rows if not isinstance(p, str)]
    found, days, _ = slope(story, rows)
    assert (found, days) == (pytest.approx(np.polyfit(*zip(*sure, strict=True), 1)[0], rel=1e-9), 4)
    assert slope(story, rows[:2]) == (None, 2, "fewer than 3 days with both nitrate and phosphate measured")
    flat = [(number, 0.1, n) for number, _, n in rows[:2]] + [(49, 0.1, 3.0)]
    assert slope(story, flat) == (None, 3, "its phosphate never changed")
