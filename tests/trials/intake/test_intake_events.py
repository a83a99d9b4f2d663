"""Events as people send them: every row ends as accepted, held or repeated, and nothing is understood in silence."""

import datetime as dt
import json

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from schemas.errors import IntakeError
from schemas.events import EventKind
from trials.register.records import Beside

HEADER = "tank,at,kind,amount,unit,by,note"


@pytest.fixture(scope="session")
def take_events(trial_of, taking_for):
    """Takes events in; the tanks called a hold 180 L, of the others nobody knows."""
    tanks = [
        {"id": f"q0{b}-{t}", "block": f"q0{b}", "site": f"q0{b}"} | ({"volume_L": 180} if t == "a" else {})
        for b in (1, 2)
        for t in "abc"
    ]
    taking = taking_for(trial_of(tanks=tanks))

    def taken(content, events=None, name="events.csv"):
        return taking(content, name=name, beside=None if events is None else Beside(events))

    return taken


@pytest.fixture(scope="session")
def one(take_events):
    """One event a call: what is not named is right."""

    def taken(events=None, **cells):
        row = {
            "tank": "q01-a",
            "at": "2026-04-06",
            "kind": "dose",
            "amount": "0.3",
            "unit": "mL",
            "by": "",
            "note": "",
        }
        quoted = ['"' + text.replace('"', '""') + '"' for text in (row | cells).values()]
        return take_events(f"{','.join(row)}\n{','.join(quoted)}\n", events)

    return taken


def happened(taken):
    """Kind, amount and unit of each event."""
    columns = taken.batch.events[["kind", "amount", "unit"]]
    return [
        (kind, None if np.isnan(amount) else amount, unit) for kind, amount, unit in columns.values.tolist()
    ]


def as_seen(taken):
    """The events as the register gives them back."""
    events = taken.batch.events
    return events.assign(event=range(1, len(events) + 1), file=taken.batch.file.name)


ACCEPTED = {
    "plain": ({}, ("dose", 0.3, "mL")),
    "decimal comma": ({"amount": "0,3"}, ("dose", 0.3, "mL")),
    "unit in the cell": ({"amount": "0.3 ml", "unit": ""}, ("dose", 0.3, "mL")),
    "the same unit twice": ({"amount": "0.3 ml"}, ("dose", 0.3, "mL")),
    "full width": ({"amount": "\uff10.\uff13"}, ("dose", 0.3, "mL")),
    "a dose by weight": ({"unit": "g"}, ("dose", 0.3, "g")),
    "none given": ({"amount": "0"}, ("dose", 0.0, "mL")),
    "a share": ({"kind": "WC", "amount": "10", "unit": "%"}, ("water-change", 18.0, "L")),
    "a share in the cell": ({"kind": "WC", "amount": "10 %", "unit": ""}, ("water-change", 18.0, "L")),
    "litres": (
        {"tank": "q01-b", "kind": "Water change", "amount": "20", "unit": "l"},
        ("water-change", 20.0, "L"),
    ),
    "gallons": ({"kind": "wc", "amount": "5", "unit": "US gal"}, ("water-change", 18.92705892, "L")),
    "an animal": ({"kind": "died", "amount": "1", "unit": ""}, ("loss", 1.0, "1")),
    "a fault": ({"kind": "fault", "amount": "", "unit": ""}, ("fault", None, "")),
    "hours of a fault": ({"kind": "fault", "amount": "3", "unit": "h"}, ("fault", None, "")),
    "spaces around": ({"tank": " q01-a ", "kind": " Feed\u00a0", "unit": " g "}, ("feed", 0.3, "g")),
}


@pytest.mark.parametrize(("cells", "event"), ACCEPTED.values(), ids=ACCEPTED.keys())
def test_what_people_write_is_taken(one, cells, event):
    taken = one(**cells)
    assert taken.counts == (1, 0, 0)
    kind, amount, unit = happened(taken)[0]
    assert (kind, unit) == (event[0], event[2])
    assert amount == (None if event[1] is None else pytest.approx(event[1], rel=1e-12))


HELD = {
    "no such tank": (
        {"tank": "q09-a"},
        "unknown-tank",
        '"q09-a" is not a tank of this trial; did you mean "q01-a"',
    ),
    "no tank": ({"tank": ""}, "no-tank", "The tank is missing"),
    "no day": ({"at": ""}, "no-date", ""),
    "two ways": ({"at": "03/04/2026"}, "ambiguous-date", "can be 3 April or 4 March 2026"),
    "before the trial": ({"at": "2026-02-01"}, "before-the-start", "2026-02-01 is before the trial starts"),
    "after today": ({"at": "2026-07-02"}, "in-the-future", "is in the future (today is 2026-07-01)"),
    "no kind": ({"kind": ""}, "no-kind", "The kind of event is missing: write one of dose, polymer-added"),
    "no such kind": (
        {"kind": "treatment"},
        "unknown-kind",
        '"treatment" is not a kind of event that is known; ',
    ),
    "nearly a kind": ({"kind": "water changing"}, "unknown-kind", "did you mean water-change?"),
    "no amount": (
        {"amount": ""},
        "no-amount",
        "A dose means nothing without its amount: write a number and its unit",
    ),
    "no count": (
        {"kind": "loss", "amount": "", "unit": ""},
        "no-amount",
        "without its amount: write how many",
    ),
    "no number": (
        {"amount": "a capful"},
        "not-a-number",
        '"a capful" is not a number; write one number, and its unit',
    ),
    "a limit": ({"amount": "<5"}, "not-a-number", '"<5" is not an amount: write the number that was given'),
    "not detected": ({"amount": "n.d."}, "not-a-number", '"n.d." is not an amount'),
    "point or thousands": ({"amount": "1,500"}, "ambiguous-number", "can be 1500 or 1.5"),
    "no unit": ({"unit": ""}, "no-unit", "The amount of a dose has no unit: write uL, mL"),
    "drops": ({"unit": "drops"}, "unit-not-accepted", 'A dose is not counted in "drops": write'),
    "ounces": ({"unit": "oz"}, "unit-not-accepted", "can be a weight or a measure of liquid"),
    "gallons": ({"kind": "wc", "unit": "gal"}, "unit-not-accepted", '"gal" can be read two ways'),
    "a share of nobody knows": (
        {"tank": "q01-b", "kind": "wc", "amount": "10", "unit": "%"},
        "unit-not-accepted",
        "A share in % needs the tank's volume_L, which the protocol does not give: write the litres.",
    ),
    "two units": ({"amount": "0.3 L"}, "two-units", 'The cell says "L" and its unit is "mL"'),
    "half an animal": ({"kind": "loss", "amount": "1.5", "unit": ""}, "not-a-whole-number", "count them"),
    "less than nothing": (
        {"amount": "-1"},
        "out-of-bounds",
        "A dose of -1 mL is not possible: 0 mL to 10000 mL is",
    ),
    "a barrel": ({"amount": "20", "unit": "L"}, "out-of-bounds", "A dose of 20 L is not possible"),
    "more than the tank": (
        {"kind": "wc", "amount": "400", "unit": "L"},
        "out-of-bounds",
        "A water change of 400 L is more than the 180 L that q01-a holds",
    ),
    "a bell": ({"note": "a\x07b"}, "unprintable-character", 'The cell in column "note" holds a character'),
}


@pytest.mark.parametrize(("cells", "code", "sentence"), HELD.values(), ids=HELD.keys())
def test_what_a_person_must_look_at_is_held_with_what_would_be_right(one, cells, code, sentence):
    taken = one(**cells)
    assert taken.counts == (0, 1, 0)
    assert len(taken.batch.events) == 0
    assert taken.reasons(2).keys() == {code}
    assert sentence in taken.reasons(2)[code]


def test_all_that_is_wrong_with_a_row_is_told(one):
    taken = one(tank="q09-a", at="soon", kind="treatment")
    assert list(taken.reasons(2)) == ["unknown-tank", "not-a-date", "unknown-kind"]


def test_of_a_tank_that_is_none_no_volume_is_missed(one):
    assert list(one(tank="q09-a", kind="wc", amount="10", unit="%").reasons(2)) == ["unknown-tank"]


def test_what_was_understood_is_said(take_events):
    taken = take_events(
        f"{HEADER}\n"
        "q01-a,2026-04-06,WC,10,%,,\n"
        "q01-a,2026-04-07,feeed,5,g,,\n"
        "q01-a,2026-04-08,feeed,5000,mg,,\n"
        "q01-a,2026-04-09,polymer-added,2,oz,,\n"
        "q01-a,2026-04-10,fault,3,h,,stood still\n"
        "q01-a,2026-04-11,dose,300,mL,,\n"
    )
    assert taken.counts == (6, 0, 0)
    for sentence in (
        '"WC" was taken as water-change.',
        '"feeed" was taken as feed, which it is spelt like: rows 3 and 4.',
        "1 event of water-change in %: multiplied by the tank's volume in the protocol to give L.",
        "1 event of feed in mg: multiplied by 0.001 to give g.",
        "1 event of polymer-added in oz: multiplied by 28.34952313 to give g.",
        "1 event of a kind that has no amount came with one, which is kept as it was written.",
        "1 event of dose outside the usual 0 to 200 mL taken and worth a look: row 7.",
    ):
        assert sentence in taken.remarks
    assert taken.batch.events["raw_amount"].tolist() == ["10", "5", "5000", "2", "3", "300"]
    assert taken.batch.events["raw_unit"].tolist() == ["%", "g", "mg", "oz", "h", "mL"]


def test_the_order_and_the_names_of_the_columns_are_free(take_events):
    taken = take_events(
        "Note;Units;Quantity;Event;Date;Tank;Colour\nevening;ml;0,3;dosing;2026-04-06 19:00;q01-a;red\n"
    )
    assert happened(taken) == [("dose", 0.3, "mL")]
    assert taken.batch.events["at"].tolist() == [dt.datetime.fromisoformat("2026-04-06T19:00")]
    for sentence in ('"Quantity" was taken as amount', '"Event" was taken as kind', '"Date" was taken as at'):
        assert sentence in taken.remarks
    assert 'Column "Colour" is not one of events and was left alone.' in taken.remarks


def test_a_list_of_faults_needs_no_amounts(take_events):
    taken = take_events("tank,at,kind,note\nq01-a,2026-04-06,fault,heater\nq01-a,2026-04-07,dose,\n")
    assert taken.outcomes == {2: "accepted", 3: "held"}
    assert taken.reasons(3).keys() == {"no-amount"}


NO_TABLES = {
    "no day": (
        "tank,kind,amount\nq01-a,feed,2\n",
        "holds events and lacks the column at; it needs tank, at, kind",
    ),
    "two kinds": (
        "tank,at,kind,kind,amount\nq01-a,2026-04-06,feed,dose,2\n",
        'has two columns for "kind"; keep one, or rename the other',
    ),
}


@pytest.mark.parametrize(("content", "sentence"), NO_TABLES.values(), ids=NO_TABLES.keys())
def test_a_table_that_is_not_whole_is_refused(take_events, content, sentence):
    with pytest.raises(IntakeError, match=sentence):
        take_events(content)


def test_readings_with_a_column_called_kind_stay_readings(take_events):
    taken = take_events(
        "tank,taken_at,variable,value,unit,kind\nq01-a,2026-04-06,nitrate,5,mg/L,drops\n"
        "q01-b,2026-04-06,nitrate,6,mg/L,drops\n"
    )
    assert (len(taken.batch.readings), len(taken.batch.events)) == (2, 0)


def test_a_workbook_brings_readings_and_events_of_several_sheets(take_events, book):
    day = dt.date(2026, 4, 6)
    taken = take_events(
        book(
            {
                "readings": [["tank", "taken at", "nitrate [mg/L]"], ["q01-a", day, 5], ["q01-b", day, "?"]],
                "events": [HEADER.split(","), ["q01-a", day, "feed", 2.5, "g"], ["q01-a", day, "x", 1, "g"]],
                "more events": [["kind", "amount", "unit", "at", "tank"], ["wc", "20", "L", day, "q01-b"]],
            }
        ),
        name="site.xlsx",
    )
    rows = taken.batch.rows[["sheet", "row", "outcome"]].values.tolist()
    assert rows == [
        ["readings", 2, "accepted"],
        ["readings", 3, "held"],
        ["events", 2, "accepted"],
        ["events", 3, "held"],
        ["more events", 2, "accepted"],
    ]
    assert taken.batch.events[["sheet", "row", "kind", "amount"]].values.tolist() == [
        ["events", 2, "feed", 2.5],
        ["more events", 2, "water-change", 20.0],
    ]
    assert len(taken.batch.readings) == 1
    held = {(row.sheet, row.row): [reason.code for reason in row.reasons] for row in taken.batch.held()}
    assert held == {("readings", 3): ["not-a-number"], ("events", 3): ["unknown-kind"]}


FILE = (
    f"{HEADER}\n"
    "q01-a,2026-04-06 08:00,feed,2,g,Jo,\n"
    "q01-a,2026-04-06 18:00,feed,2,g,Jo,\n"
    "q01-a,2026-04-07,wc,10,%,Jo,\n"
    "q01-a,2026-04-08,loss,1,,Jo,a goby\n"
    "q01-a,2026-04-08,loss,1,,Jo,a snail\n"
    "q01-a,2026-04-09,fault,,,Jo,pump\n"
)


def test_a_file_sent_again_is_repeated_row_by_row(take_events):
    first = take_events(FILE)
    assert first.counts == (6, 0, 0)
    again = take_events(FILE, as_seen(first))
    assert again.counts == (0, 0, 6)
    assert len(again.batch.events) == 0


def test_the_same_in_another_unit_is_the_same(one):
    seen = as_seen(one(kind="wc", amount="10", unit="%"))
    assert one(seen, kind="wc", amount="18", unit="L").counts == (0, 0, 1)


def test_another_amount_than_the_register_holds_is_held_with_what_to_do(one):
    seen = as_seen(one())
    reason = one(seen, amount="0.4").reasons(2)["conflict-with-register"]
    assert reason == (
        "The register holds 0.3 mL for q01-a, dose, 2026-04-06 (event 1, from events.csv, row 2), and this row says 0.4 mL. "
        "Nothing is overwritten. If both happened, write the time of this one; else take the row out, or correct the one "
        "that is in with `fairtank amend --event 1`."
    )


WITHIN = {
    "the same, timed": ("2026-04-06 08:00", "2", "2026-04-06 08:00", "2", ("accepted", "repeated")),
    "the same, untimed": ("2026-04-06", "2", "2026-04-06", "2", ("accepted", "held")),
    "other amounts, timed": ("2026-04-06 08:00", "2", "2026-04-06 08:00", "3", ("held", "held")),
    "other amounts, untimed": ("2026-04-06", "2", "2026-04-06", "3", ("held", "held")),
    "other times": ("2026-04-06 08:00", "2", "2026-04-06 18:00", "2", ("accepted", "accepted")),
    "other days": ("2026-04-06", "2", "2026-04-07", "2", ("accepted", "accepted")),
}


@pytest.mark.parametrize(
    ("at", "amount", "again_at", "again", "outcomes"), WITHIN.values(), ids=WITHIN.keys()
)
def test_two_rows_of_a_file_are_one_event_two_or_nobody_knows(
    take_events, at, amount, again_at, again, outcomes
):
    taken = take_events(f"{HEADER}\nq01-a,{at},feed,{amount},g,,\nq01-a,{again_at},feed,{again},g,,\n")
    assert tuple(taken.outcomes.values()) == outcomes


def test_two_equal_events_of_a_day_stay_held_when_the_file_comes_again(take_events):
    content = f"{HEADER}\n" + "q01-a,2026-04-06,feed,2,g,,\n" * 2
    first = take_events(content)
    again = take_events(content, as_seen(first))
    assert tuple(first.outcomes.values()) == ("accepted", "held")
    assert tuple(again.outcomes.values()) == ("repeated", "held")
    assert "It says the same as row 2" in again.reasons(3)["perhaps-the-same-test"]


def test_a_time_added_later_does_not_count_an_event_twice(one):
    untimed, timed = as_seen(one()), as_seen(one(at="2026-04-06 18:30"))
    assert (
        "withdraw the one without a time with `fairtank amend --event 1 --withdraw`"
        in one(untimed, at="2026-04-06 18:30").reasons(2)["perhaps-the-same-test"]
    )
    assert "if it happened once more, write the time" in one(timed).reasons(2)["perhaps-the-same-test"]
    assert one(untimed, at="2026-04-06 18:30", amount="0.4").counts == (1, 0, 0)


CELLS = st.sampled_from(
    (
        *("q01-a", "q01-b", "q09-z", "2026-04-06", "2026-04-06 18:30", "03/04/2026", "dose", "wc", "feeed"),
        *("loss", "fault", "0.3", "0,3", "10", "-1", "n.d.", "1,500", "mL", "%", "g", "drops", "", "a note"),
        *("<5", "\u00a0", "10 %"),
    )
)
ROWS = st.lists(st.lists(CELLS, min_size=1, max_size=9), max_size=25)


@settings(max_examples=25, suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None)
@given(rows=ROWS, separator=st.sampled_from([";", "\t"]))
def test_every_row_ends_somewhere_and_the_same_file_again_brings_nothing(take_events, rows, separator):
    content = "\n".join(separator.join(row) for row in [HEADER.split(","), *rows]) + "\n"
    taken = take_events(content)
    blank = sum(all(not cell.strip() for cell in row) for row in rows)
    assert sum(taken.counts) == len(taken.batch.rows) == len(rows) - blank
    assert taken.counts[0] == len(taken.batch.events)
    assert all(json.loads(reasons) for reasons in taken.batch.rows.query("outcome == 'held'")["reasons"])
    assert set(taken.batch.events["kind"]) <= set(EventKind)
    again = take_events(content, as_seen(taken))
    assert again.counts[0] == 0
    assert again.counts[1] == taken.counts[1]


@settings(max_examples=25, deadline=None)
@given(body=st.binary(max_size=300))
def test_no_bytes_after_a_header_bring_more_than_a_sentence(take_events, body):
    try:
        taken = take_events(HEADER.encode() + b"\n" + body)
    except IntakeError as refusal:
        said = str(refusal)
        assert "\n" not in said
    else:
        assert sum(taken.counts) == len(taken.batch.rows)
