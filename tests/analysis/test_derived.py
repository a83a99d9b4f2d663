"""Each derived variable against a computation of its own in pandas, what has no number and why, and as endpoints."""

import datetime as dt
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from analysis.derived import derived_numbers, worked_out
from analysis.evaluation import evaluate
from analysis.followed import Happened
from schemas.derived_variables import DERIVED
from schemas.protocol import Endpoint
from schemas.vocabulary import Summary

TANKS = ("c1", "c2", "l1", "p1")
PHASE = range(28, 56)


@pytest.fixture(scope="module")
def busy(story):
    """Sixty-three days of four tanks with everything in them, drawn once."""
    chance = np.random.default_rng(20261125)
    events, readings = [], []
    for tank in TANKS:
        for number in range(63):
            events.append((tank, number, "feed", round(float(chance.uniform(0.3, 0.9)), 2), "g"))
            if number % 7 == 3:
                events.append((tank, number, "water-change", round(float(chance.uniform(10, 30)), 1), "L"))
            if number % 7 == 0:
                readings.append((tank, number, "nitrate", round(float(chance.uniform(5, 25)), 1)))
                readings.append((tank, number, "phosphate", round(float(chance.uniform(0.04, 0.2)), 3)))
            if tank == "l1" and 14 <= number < 56 and chance.random() < 0.8:
                events.append((tank, number, "dose", round(float(chance.uniform(0.2, 0.7)), 2), "mL"))
        events += [(tank, 30, "loss", 2, "1"), (tank, 33, "loss", 1, "1"), (tank, 60, "loss", 5, "1")]
        events += [(tank, 40, "fault", float("nan"), ""), (tank, 41, "fault", float("nan"), "")]
    events += [("p1", 21, "polymer-weighed", 60.0, "g"), ("p1", 49, "polymer-weighed", 46.0, "g")]
    return story(events, readings)


def number(told, tank, variable, phase="assessment"):
    """A derived variable of a tank in a phase."""
    followed = told.tanks[tank, 1]
    return worked_out(told, followed, followed.phases[phase], DERIVED[variable])


def frames(told, tank):
    """Events and readings of a tank by day of the trial."""
    start = pd.Timestamp(told.protocol.schedule.start)
    events, readings = told.happened.events, told.readings
    events = events[events["tank"] == tank].assign(day=lambda f: (f["at"] - start).dt.days)
    readings = readings[readings["tank"] == tank].assign(day=lambda f: (f["taken_at"] - start).dt.days)
    return events, readings.pivot_table(index="day", columns="variable", values="value")


def by_pandas(told, tank, variable):
    """The same by group sums and a table of readings, 200 L each; feed as the trade counts it (see test_removal)."""
    events, read = frames(told, tank)
    inside = events[events["day"].isin(PHASE)]
    sums = inside.groupby("kind")["amount"].sum()
    simple = {
        "feed-given": sums["feed"] / 28,
        "water-changed": 100 * sums["water-change"] / 200 / 28,
        "losses": sums["loss"],
        "faults": float((inside["kind"] == "fault").sum()),
        "carbon-given": carbon(events, tank),
    }
    if variable in simple:
        return simple[variable]
    both = read.loc[read.index.isin(PHASE)]
    if variable == "nitrate-per-phosphate":
        return both.cov().loc["nitrate", "phosphate"] / both["phosphate"].var()
    substance = variable.split("-", maxsplit=1)[0]
    per_gram = {"nitrate": 72 * 62.004 / 14.007, "phosphate": 12 * 94.970 / 30.974}[substance]
    course = both[substance].reindex(range(28, 50)).interpolate()
    span = events[events["day"].between(28, 48)]
    fed = span.loc[span["kind"] == "feed", "amount"].sum() * per_gram
    changes = span[span["kind"] == "water-change"]
    out = (changes["amount"] * changes["day"].map(course)).sum()
    removed = (fed - out + 200 * (course[28] - course[49])) / 200 / 21
    if variable.endswith("removed"):
        return removed
    return 1000 * removed / carbon(events, tank, range(28, 49))


def carbon(events, tank, days=PHASE):
    """Mg C/L/d: ethanol of 40 % by volume, poly-3-hydroxybutyrate worn off at 14 g in 28 days; see test_carbon_by_day."""
    if tank == "l1":
        doses = events[(events["kind"] == "dose") & events["day"].isin(days)]["amount"].sum()
        return 1000 * doses * 0.40 * 0.78924 * 24.022 / 46.069 / 200 / len(days)
    return {"p1": 1000 * 0.5 * 48.044 / 86.090 / 200}.get(tank, 0.0)


@pytest.mark.parametrize("tank", ["c1", "l1", "p1"])
@pytest.mark.parametrize("variable", [name for name in DERIVED if name != "stall-days"])
def test_each_variable_is_what_pandas_makes_of_the_same_records(busy, tank, variable):
    if variable.endswith("per-carbon") and tank == "c1":
        assert number(busy, tank, variable).why_not == "no carbon was given"
        return
    assert number(busy, tank, variable).value == pytest.approx(by_pandas(busy, tank, variable), rel=2e-5)


def test_stall_days_are_those_at_the_limit_of_phosphate_in_any_arm(story):
    """Phosphate is spent from day 21 to 49 and nitrate level: 28 days, 21 of them in the assessment from day 28."""
    readings = [
        (tank, number, name, value)
        for tank in ("c1", "l1")
        for number in range(14, 63, 7)
        for name, value in (
            ("nitrate", 10.0),
            ("phosphate", "<0.02" if 21 <= number <= 49 and tank == "l1" else 0.09),
        )
    ]
    told = story((), readings)
    assert [number(told, tank, "stall-days").value for tank in ("c1", "l1", "p1")] == [0.0, 21.0, None]
    assert number(told, "p1", "stall-days").why_not == "no reading and no event of it"


WHY_NOT = {
    "unfed": ("feed-given", "no feed is recorded"),
    "unchanged": ("water-changed", "no water change is recorded"),
    "undosed": ("carbon-given", "no dose is recorded"),
    "unread": ("nitrate-removed", "fewer than two sampling days of nitrate"),
    "neither": ("nitrate-per-carbon", "fewer than two sampling days of nitrate"),
}


@pytest.mark.parametrize(("variable", "why"), WHY_NOT.values(), ids=WHY_NOT)
def test_what_nobody_wrote_down_is_not_nothing(story, variable, why):
    told = story([("l1", 40, "clean", float("nan"), ""), ("l1", 62, "feed", 1.0, "g")])
    found = number(told, "l1", variable)
    assert (found.value, found.why_not) == (None, why)


def test_no_loss_is_a_nought_for_a_tank_that_was_followed_and_nothing_for_another(story):
    told = story(
        [("c1", 40, "clean", float("nan"), ""), ("c1", 62, "feed", 1.0, "g"), ("l1", 2, "loss", 1, "1")]
    )
    assert (number(told, "c1", "losses").value, number(told, "c1", "losses").days) == (0.0, 28)
    assert number(told, "l1", "losses").value is None
    assert number(told, "l1", "losses", "baseline").value == 1.0


LEFT = {
    "in the phase": (40, [], 12),
    "with a loss on its last day": (40, [("c1", 40, "loss", 1, "1")], 13),
    "with a loss found later": (40, [("c1", 47, "loss", 1, "1")], 20),
    "after the phase": (57, [], 28),
}


@pytest.mark.parametrize(("left", "more", "days"), LEFT.values(), ids=LEFT)
def test_a_tank_that_left_is_counted_until_then(story, left, more, days):
    """Day 40 is its first day out of the trial: of the assessment, days 28 to 39 are 12."""
    told = story(
        [("c1", 30, "feed", 14.0, "g"), ("c1", 62, "feed", 1.0, "g"), *more],
        left={"c1": dt.date(2026, 3, 2) + dt.timedelta(days=left)},
    )
    assert number(told, "c1", "losses").days == days
    assert number(told, "c1", "feed-given").value == pytest.approx(14.0 / min(days, 28 if left > 56 else 12))


def test_days_of_which_nothing_is_known_yet_are_not_counted(story):
    told = story([("c1", 30, "feed", 1.0, "g"), ("l1", 37, "dose", 1.0, "mL")])
    assert number(told, "c1", "losses").days == 10


def test_letters_keep_what_arms_were_given(busy):
    hidden = replace(busy, happened=replace(busy.happened, hidden=True))
    assert (
        number(hidden, "l1", "carbon-given").why_not
        == "what arms were given is not shown while arms are letters"
    )
    assert number(hidden, "l1", "feed-given").value == number(busy, "l1", "feed-given").value


ENDPOINTS = [
    {"id": name, "role": "secondary", "variable": name, "phase": "assessment", "better": "higher", **more}
    for name, more in {
        "nitrate-removed": {"summary": "mean", "baseline": "change"},
        "feed-given": {"summary": "mean", "scale": "ratio"},
        "losses": {"summary": "count", "scale": "ratio", "worthwhile": 1.5},
        "stall-days": {"summary": "count", "scale": "ratio"},
    }.items()
]


@pytest.fixture(scope="module")
def analysed(story, busy):
    """The busy trial analysed with derived endpoints."""
    plan = busy.protocol.model_dump(mode="python")
    told = story((), (), plan={"endpoints": [*plan["endpoints"], *ENDPOINTS]})
    return evaluate(
        told.protocol,
        told.allocation,
        busy.readings,
        protocol_digest="ab" * 32,
        data_digest="cd" * 32,
        version="0",
        happened=busy.happened,
    )


def test_endpoints_take_derived_numbers_as_any_other(busy, analysed):
    by_id = {endpoint.id: endpoint for endpoint in analysed.endpoints}
    removed = {tank.tank: tank for tank in by_id["nitrate-removed"].tanks}
    for tank, found in removed.items():
        now, before = (
            number(busy, tank, "nitrate-removed", phase).value for phase in ("assessment", "baseline")
        )
        assert (found.value, found.baseline, found.y) == (now, before, pytest.approx(now - before))
    fed = {tank.tank: tank.y for tank in by_id["feed-given"].tanks}
    assert fed["l1"] == pytest.approx(np.log(number(busy, "l1", "feed-given").value))
    assert by_id["nitrate-removed"].unit == "mg/L/d"


def test_counts_come_with_their_tank_days(analysed):
    losses = next(endpoint for endpoint in analysed.endpoints if endpoint.id == "losses")
    assert {rate.arm: (rate.events, rate.tank_days) for rate in losses.rates} == {
        "control": (6, 56.0),
        "liquid": (3, 28.0),
        "polymer": (3, 28.0),
    }
    assert {tank.exposure for tank in losses.tanks} == {28}
    assert all(tank.exposure is None for tank in analysed.endpoints[0].tanks)


def test_an_endpoint_says_how_it_was_worked_out_and_why_a_tank_has_none(story, analysed):
    removed = next(endpoint for endpoint in analysed.endpoints if endpoint.id == "nitrate-removed")
    assert any(
        note.startswith("Nitrate removed, from events and readings of nitrate. From the first")
        for note in removed.notes
    )
    told = story([("c1", 40, "feed", 2.0, "g")])
    endpoint = Endpoint.model_validate(ENDPOINTS[0] | {"baseline": "none"})
    assert endpoint.summary is Summary.MEAN
    numbers = derived_numbers(told, endpoint, DERIVED["nitrate-removed"])
    assert {one.why_missing for one in numbers} == {
        "fewer than two sampling days of nitrate in the assessment phase",
    }


def test_nothing_told_of_events_leaves_every_tank_without_a_number(busy, story):
    told = story(
        (), (), plan={"endpoints": [*busy.protocol.model_dump(mode="python")["endpoints"], ENDPOINTS[1]]}
    )
    found = evaluate(
        told.protocol,
        told.allocation,
        busy.readings,
        protocol_digest="ab" * 32,
        data_digest="cd" * 32,
        version="0",
        happened=Happened(),
    )
    assert {tank.why_missing for tank in found.endpoints[1].tanks} == {
        "no feed is recorded in the assessment phase"
    }
