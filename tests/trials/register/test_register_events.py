"""Events and readings of check samples: kept beside the readings, never among them, corrected and withdrawn in the open."""

import datetime as dt

import numpy as np
import pytest

from schemas.errors import RegisterError
from schemas.events import empty_events
from schemas.readings import empty_check_readings
from trials.register.bodies import CorrectionBody, EventCorrectionBody
from trials.register.kept import CHECKS, EVENTS

SAID = {"by": "Ann", "why": "The syringe holds ten times as much"}
ROW = (2, "accepted", {"note": "x"})


@pytest.fixture
def full(register, trial, batch_of, cells_of, now):
    """A reading (row 2); a dose (event 1), a fault (2), a water change of another tank (3); and a check sample."""
    rows = [(2, "accepted", cells_of()), *((row, "accepted", {"note": str(row)}) for row in (3, 4, 5, 6))]
    events = {
        3: {"by": "Jane", "note": "after lights on"},
        4: {
            "at": dt.datetime.fromisoformat("2026-03-08"),
            "kind": "fault",
            "amount": np.nan,
            "unit": "",
            "note": "pump stood still",
        },
        5: {
            "tank": "q1-b",
            "kind": "water-change",
            "amount": 18.0,
            "unit": "L",
            "raw_amount": "10",
            "raw_unit": "%",
        },
    }
    register.record_intake(
        trial, [batch_of("mixed.csv", rows, events=events, checks={6: {"kit": "drops"}})], now
    )
    return register


def correction(event=1, amount=3.0, unit="mL"):
    return EventCorrectionBody(event=event, amount=amount, unit=unit, raw_amount="3", raw_unit="ml", **SAID)


def withdrawal(event=1):
    return EventCorrectionBody(event=event, **SAID)


def test_events_come_back_as_they_were_taken_in_sorted_by_tank_and_moment(full, trial):
    events = full.events(trial)
    assert list(events.columns) == [
        *("event", "tank", "at", "utc_offset", "kind", "amount", "unit", "by", "note"),
        *("raw_amount", "raw_unit", "file", "sheet", "row"),
    ]
    assert events["at"].dtype == "datetime64[us]"
    assert events[["event", "tank", "kind", "unit", "file", "row"]].values.tolist() == [
        [2, "q1-a", "fault", "", "mixed.csv", 4],
        [1, "q1-a", "dose", "mL", "mixed.csv", 3],
        [3, "q1-b", "water-change", "L", "mixed.csv", 5],
    ]
    np.testing.assert_array_equal(events["amount"], [np.nan, 0.3, 18.0])


def test_check_readings_are_apart_from_those_of_tanks(full, trial):
    checks = full.check_readings(trial)
    assert checks[["reading", "site", "sample", "variable", "value", "kit", "row"]].values.tolist() == [
        [1, "q1", "ref-a", "nitrate", 9.5, "drops", 6]
    ]
    assert set(full.readings(trial)["tank"]) == {"q1-a"}
    assert len(full.readings(trial)) == 1


def test_without_any_the_frames_are_empty_and_typed(register, trial):
    for frame, empty, kept in (
        (register.events(trial), empty_events(), EVENTS),
        (register.check_readings(trial), empty_check_readings(), CHECKS),
    ):
        assert len(frame) == 0
        assert {name: str(dtype) for name, dtype in frame.dtypes.items()} == kept.dtypes
        assert dict(empty.dtypes) == dict(frame[list(empty.columns)].dtypes)


def test_the_digest_of_the_data_is_that_of_the_readings_alone(full, trial, batch_of, now):
    before = full.data_digest(trial)
    full.record_intake(trial, [batch_of("more.csv", [ROW], events={2: {"tank": "q2-a"}})], now)
    assert full.data_digest(trial) == before


def test_numbers_of_events_count_on_through_files(full, trial, batch_of, now):
    full.record_intake(trial, [batch_of("more.csv", [ROW], events={2: {"tank": "q2-a"}})], now)
    assert full.events(trial)["event"].tolist() == [2, 1, 3, 4]
    assert full.check() == []


def test_a_correction_counts_and_the_event_as_taken_in_stays(full, trial, now):
    full.amend(trial, correction(), now)
    event = full.events(trial).set_index("event").loc[1]
    assert (event["amount"], event["unit"], event["raw_amount"]) == (3.0, "mL", "3")
    assert full.seen_beside(trial).events.set_index("event").loc[1, "amount"] == 0.3
    full.amend(trial, withdrawal(2), now)
    assert full.events(trial)["event"].tolist() == [1, 3]
    full.amend(trial, correction(amount=4.0), now)
    assert full.events(trial)["amount"].tolist() == [4.0, 18.0]
    assert full.check() == []


REFUSED = {
    "no such event": (
        [],
        correction(7),
        "has no event 7; `fairtank history quillmere-2026 --tank TANK` shows the numbers",
    ),
    "the same amount": ([], correction(amount=0.3), "Event 1 of quillmere-2026 says 0.3 mL already"),
    "withdrawn twice": ([withdrawal()], withdrawal(), "Event 1 of quillmere-2026 is withdrawn already"),
    "an amount of a fault": ([], correction(2), "is of the kind fault, which has no amount; withdraw it if"),
}


@pytest.mark.parametrize(("before", "body", "sentence"), REFUSED.values(), ids=REFUSED.keys())
def test_what_does_not_fit_is_refused(full, trial, now, before, body, sentence):
    for earlier in before:
        full.amend(trial, earlier, now)
    head = full.head()
    with pytest.raises(RegisterError, match=sentence):
        full.amend(trial, body, now)
    assert full.head() == head


def test_readings_and_events_are_numbered_apart(full, trial, now):
    """Reading 1 is corrected without touching event 1, and the other way round."""
    full.amend(trial, CorrectionBody(reading=1, value=7.0, raw_value="7", raw_unit="mg/L", **SAID), now)
    full.amend(trial, withdrawal(), now)
    assert full.readings(trial)["value"].tolist() == [7.0]
    assert full.events(trial)["event"].tolist() == [2, 3]
    assert full.check_readings(trial)["value"].tolist() == [9.5]


def test_the_history_of_an_event_tells_what_was_said_of_it(full, trial, now):
    full.amend(trial, correction(), now)
    full.amend(trial, withdrawal(), now)
    lines = full.history(trial, event=1)
    assert [(line.kind, line.event, line.by) for line in lines] == [
        ("intake", 1, "Jane"),
        ("event-correction", 1, "Ann"),
        ("event-correction", 1, "Ann"),
    ]
    assert lines[0].text == (
        'q1-a, dose, 2026-03-09 18:30:00: 0.3 mL; after lights on (written "0,3 ml", mixed.csv, row 3)'
    )
    assert [line.text for line in lines[1:]] == ['corrected to 3 mL (written "3 ml")', "withdrawn"]
    with pytest.raises(RegisterError, match="has no event 9"):
        full.history(trial, event=9)


def test_the_history_of_a_tank_has_its_readings_and_its_events(full, trial, now):
    full.amend(trial, withdrawal(2), now)
    lines = full.history(trial, tank="q1-a")
    assert [(line.kind, line.reading, line.event) for line in lines] == [
        ("intake", 1, None),
        ("intake", None, 1),
        ("intake", None, 2),
        ("event-correction", None, 2),
    ]
    assert lines[2].text == 'q1-a, fault, 2026-03-08: pump stood still (written "0,3 ml", mixed.csv, row 4)'


def test_a_correction_of_an_event_that_was_not_there_by_then_is_found(
    full, trial, now, batch_of, forge_entry
):
    forge_entry(trial, correction(4))
    assert [finding.what for finding in full.check()] == ["event-correction"]
    full.record_intake(trial, [batch_of("more.csv", [ROW], events={2: {"tank": "q2-a"}})], now)
    assert [finding.text for finding in full.check()] == [
        "Entry 3 corrects event 4, which quillmere-2026 did not hold by then."
    ]


@pytest.fixture
def forge_entry(register, now):
    """Append an entry as a program could that does not ask whether it fits."""
    from trials.register.amending import kind_of
    from trials.register.recording import append

    def forge(trial, body):
        with register._writing(trial) as connection:
            append(connection, trial, kind_of(body), now, body)

    return forge


UNFIT = {
    "no such row": {"row": 9},
    "an amount that is no number": {"amount": float("inf")},
    "no tank": {"tank": None},
    "no moment": {"at": None},
}


@pytest.mark.parametrize("change", UNFIT.values(), ids=UNFIT.keys())
def test_events_that_intake_must_not_make_are_refused_before_anything_is_stored(
    register, trial, batch_of, now, change
):
    batch = batch_of("events.csv", [ROW], events={2: {}})
    for name, value in change.items():
        batch.events[name] = value
    with pytest.raises(ValueError, match=r"events|nothing may be missing"):
        register.record_intake(trial, [batch], now)
    assert len(register.entries()) == 1


def test_events_count_as_data_that_an_amendment_came_after(register, trial, batch_of, now):
    from trials.register.amending import readings_in

    assert not readings_in(register.entries(trial))
    register.record_intake(trial, [batch_of("events.csv", [ROW], events={2: {}})], now)
    assert readings_in(register.entries(trial))
