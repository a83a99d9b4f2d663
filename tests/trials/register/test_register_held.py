"""A held row waits until it, or the row that took its place, is in; it is neither lost nor listed twice."""

import pytest

from trials.register.records import Reason

JANE, OTTO = "q1-a", "q2-a"


@pytest.fixture
def send(register, trial, batch_of, now):
    """Take in one file of (row, outcome, cells) and say which rows wait after it."""

    def intake(name, *rows, sheet=""):
        register.record_intake(trial, [batch_of(name, list(rows), sheet=sheet)], now)
        return [(row.file, row.sheet, row.row) for row in register.held(trial)]

    return intake


@pytest.fixture
def week(cells_of):
    """Rows of one tank, a week each, the value being the row's number."""

    def rows(tank, *numbers, outcome="accepted", **more):
        return [(row, outcome, cells_of(tank, f"2026-03-{row:02d}", str(row), **more)) for row in numbers]

    return rows


def test_a_held_row_is_listed_with_its_cells_and_reasons(register, trial, send, cells_of):
    cells = cells_of(unit="", note="=1+1 <b>")
    assert send("jane.xlsx", (4, "held", cells), sheet="March") == [("jane.xlsx", "March", 4)]
    (row,) = register.held(trial)
    assert row.cells == cells
    assert row.reasons == (Reason("no-unit", "The unit is missing; write it beside the value."),)
    assert row.taken_in_at == "2026-04-04T17:30:00Z"


def test_nothing_waits_where_nothing_was_held(register, trial, send, week):
    assert register.held(trial) == []
    assert send("jane.csv", *week(JANE, 2, 3)) == []


def test_a_mended_row_is_settled(send, week):
    (wrong,) = week(JANE, 4, outcome="held", unit="")
    assert send("jane.csv", *week(JANE, 2, 3), wrong) == [("jane.csv", "", 4)]
    assert send("jane.csv", *week(JANE, 2, 3, outcome="repeated"), *week(JANE, 4)) == []


def test_a_row_mended_to_another_tank_is_settled(send, week):
    (wrong,) = week("q1-z", 4, outcome="held")
    assert send("jane.csv", *week(JANE, 2, 3), wrong) == [("jane.csv", "", 4)]
    assert send("jane.csv", *week(JANE, 2, 3, outcome="repeated"), *week(OTTO, 4)) == []


def test_a_row_mended_in_two_cells_and_half_right_waits_once(send, week):
    (wrong,) = week("q1-z", 4, outcome="held", unit="")
    assert send("jane.csv", *week(JANE, 2, 3), wrong) == [("jane.csv", "", 4)]
    half = week(JANE, 4, outcome="held", unit="")
    assert send("jane.csv", *week(JANE, 2, 3, outcome="repeated"), *half) == [("jane.csv", "", 4)]


def test_the_same_file_sent_again_waits_once(send, week):
    rows = [*week(JANE, 2, 3), *week(JANE, 4, 5, outcome="held", unit="")]
    again = [*week(JANE, 2, 3, outcome="repeated"), *rows[2:]]
    assert send("jane.csv", *rows) == [("jane.csv", "", 4), ("jane.csv", "", 5)]
    assert send("jane.csv", *again) == [("jane.csv", "", 4), ("jane.csv", "", 5)]
    assert send("jane (1).csv", *again) == [("jane (1).csv", "", 4), ("jane (1).csv", "", 5)]


def test_a_row_that_is_only_too_early_is_settled_by_any_file(send, week):
    (early,) = week(JANE, 28, outcome="held")
    assert send("jane.csv", *week(JANE, 2), early) == [("jane.csv", "", 28)]
    (_, _, cells) = early
    assert send("march.csv", *week(JANE, 3, 4), (9, "accepted", cells)) == []


def test_two_members_who_send_the_same_name_settle_nothing_for_each_other(send, week):
    (wrong,) = week(JANE, 4, outcome="held", unit="")
    assert send("readings.csv", *week(JANE, 2, 3), wrong) == [("readings.csv", "", 4)]
    assert send("readings.csv", *week(OTTO, 2, 3, 4)) == [("readings.csv", "", 4)]


def test_next_weeks_file_of_the_same_name_settles_nothing(send, week, cells_of):
    (wrong,) = week(JANE, 4, outcome="held", unit="")
    assert send("readings.csv", *week(JANE, 2, 3), wrong) == [("readings.csv", "", 4)]
    later = [(row, "accepted", cells_of(JANE, f"2026-04-{row:02d}", str(row))) for row in (2, 3, 4)]
    assert send("readings.csv", *later) == [("readings.csv", "", 4)]


def test_a_row_that_is_no_longer_there_goes_on_waiting(send, week):
    (wrong,) = week(JANE, 4, outcome="held", unit="")
    assert send("jane.csv", *week(JANE, 2, 3), wrong) == [("jane.csv", "", 4)]
    assert send("jane.csv", *week(JANE, 2, 3, outcome="repeated")) == [("jane.csv", "", 4)]


def test_a_file_whose_rows_were_all_held_is_known_by_each_row(send, week):
    """The unit was wrong in every row: one cell of each is another, all else stands."""
    assert len(send("jane.csv", *week(JANE, 2, 3, outcome="held", unit="mg/gal"))) == 2
    assert send("jane.csv", *week(JANE, 2, 3)) == []


def test_a_header_that_was_mended_is_no_other_row(send, cells_of):
    """A wide file whose one header lacked its unit: the texts of the cells are the same under another name."""
    held = [(row, "held", {"tank": JANE, "date": f"2026-03-{row:02d}", "nitrate": "5"}) for row in (2, 3)]
    assert len(send("jane.csv", *held)) == 2
    mended = [(row, "accepted", cells_of(JANE, f"2026-03-{row:02d}", "5")) for row in (2, 3)]
    assert send("jane.csv", *mended) == []


def test_another_file_of_the_same_name_does_not_pass_for_one_whose_rows_were_all_held(send, week):
    assert len(send("readings.csv", *week(JANE, 2, 3, outcome="held", unit="mg/gal"))) == 2
    assert len(send("readings.csv", *week(OTTO, 2, 3))) == 2


def test_sheets_are_told_apart(send, week):
    (wrong,) = week(JANE, 4, outcome="held", unit="")
    assert send("jane.xlsx", *week(JANE, 2, 3), wrong, sheet="March") == [("jane.xlsx", "March", 4)]
    assert send("jane.xlsx", *week(JANE, 2, 3, 4), sheet="April") == [("jane.xlsx", "March", 4)]


def test_what_waits_in_another_trial_is_not_settled(register, trial, send, week, protocol_of, batch_of, now):
    (wrong,) = week(JANE, 4, outcome="held", unit="")
    send("jane.csv", *week(JANE, 2, 3), wrong)
    register.seal(protocol_of("saltmere-2026"), now)
    register.record_intake("saltmere-2026", [batch_of("jane.csv", week(JANE, 2, 3, 4))], now)
    assert register.held("saltmere-2026") == []
    assert [row.row for row in register.held(trial)] == [4]


def test_files_taken_in_together_are_in_their_order(register, trial, batch_of, week, now):
    (wrong,) = week(JANE, 4, outcome="held", unit="")
    first = batch_of("jane.csv", [*week(JANE, 2, 3), wrong])
    second = batch_of("jane.csv", [*week(JANE, 2, 3, outcome="repeated"), *week(JANE, 4)])
    register.record_intake(trial, [first, second], now)
    assert register.held(trial) == []
