"""The same reading twice: recognised where it agrees, held where it does not, never doubled and never lost."""

from __future__ import annotations

import pandas as pd
import pytest

HEADER = "tank,taken_at,variable,value,unit,replicate\n"
FIRST = HEADER + "q01-a,2026-04-06,nitrate,12.5,mg/L,\nq01-b,2026-04-06,phosphate,<0.02,mg/L,\n"


def test_the_same_file_again_is_repeated_whole(take):
    first = take(FIRST)
    again = take(FIRST, first.as_seen())
    assert first.counts == (2, 0, 0)
    assert again.counts == (0, 0, 2)
    assert again.batch.readings.empty
    assert again.batch.rows["reasons"].tolist() == ["[]", "[]"]


# One reading (12.5 mg/L, 2026-04-06 without a time, test 1), written again; what becomes of it.
AGAIN = [
    ({}, "repeated"),
    ({"value": "12,50"}, "repeated"),
    ({"value": "1.25e1"}, "repeated"),
    ({"value": "12500", "unit": "ppb"}, "repeated"),
    ({"taken_at": "6 April 2026"}, "repeated"),
    ({"replicate": "1"}, "repeated"),
    ({"replicate": "2"}, "accepted"),
    ({"tank": "q01-b"}, "accepted"),
    ({"taken_at": "2026-04-07"}, "accepted"),
    ({"taken_at": "2026-04-06 18:30", "value": "13"}, "accepted"),
    ({"variable": "magnesium", "value": "1300"}, "accepted"),
    ({"value": "12.6"}, "conflict-with-register"),
    ({"value": "<12.5"}, "conflict-with-register"),
    ({"value": "2.5", "unit": "mg/L as N"}, "conflict-with-register"),
    ({"taken_at": "2026-04-06 18:30"}, "perhaps-the-same-test"),
]


@pytest.mark.parametrize(("cells", "outcome"), AGAIN)
def test_a_reading_is_known_by_tank_moment_variable_and_test(long, cells, outcome):
    seen = long().as_seen()
    taken = long(seen, **cells)
    if outcome in {"repeated", "accepted"}:
        assert taken.outcomes == {2: outcome}
    else:
        assert list(taken.reasons(2)) == [outcome]


def test_a_conflict_names_both_values_and_where_the_first_came_from(long):
    text = long(long().as_seen(), value="12.6").reasons(2)["conflict-with-register"]
    assert "already holds 12.5 mg/L for q01-a, nitrate, 2026-04-06 (from sent.csv, row 2)" in text
    assert "this row says 12.6 mg/L" in text
    assert "Nothing is overwritten" in text


def test_copies_within_a_file_are_taken_once(take):
    taken = take(HEADER + "q01-a,2026-04-06,nitrate,12.5,mg/L,\n" * 3)
    assert taken.outcomes == {2: "accepted", 3: "repeated", 4: "repeated"}
    assert len(taken.batch.readings) == 1


def test_copies_that_differ_are_all_held(take):
    rows = [
        "q01-a,2026-04-06,nitrate,12.5,mg/L,",
        "q01-a,2026-04-06,nitrate,12.5,mg/L,",
        "q01-a,2026-04-06,NO3,13,ppm,1",
    ]
    taken = take(HEADER + "\n".join([*rows, "q01-b,2026-04-06,nitrate,9,mg/L,"]))
    assert taken.outcomes == {2: "held", 3: "held", 4: "held", 5: "accepted"}
    for row in (2, 3, 4):
        assert (
            "Rows 2, 3 and 4 give different values for q01-a, nitrate, 2026-04-06: 12.5 mg/L, 13 mg/L."
            in taken.reasons(row)["conflict-in-file"]
        )


def test_where_the_register_knows_a_value_only_the_other_copy_is_held(take):
    seen = take(HEADER + "q01-a,2026-04-06,nitrate,12.5,mg/L,\n").as_seen()
    taken = take(HEADER + "q01-a,2026-04-06,nitrate,12.5,mg/L,\nq01-a,2026-04-06,nitrate,13,mg/L,\n", seen)
    assert taken.outcomes == {2: "repeated", 3: "held"}


def test_a_copy_whose_first_is_held_for_another_cell_is_not_lost(take):
    header = "tank,taken_at,nitrate [mg/L],phosphate [mg/L]\n"
    taken = take(header + "q01-a,2026-04-06,12,0\nq01-a,2026-04-06,12,0.1\n")
    assert taken.outcomes == {2: "held", 3: "accepted"}
    assert [reading[2:4] for reading in taken.readings] == [("nitrate", 12.0), ("phosphate", 0.1)]


def test_a_wide_row_that_is_known_in_part_gives_what_is_new(take):
    seen = take("tank,taken_at,nitrate [mg/L]\nq01-a,2026-04-06,12\nq01-b,2026-04-06,12\n").as_seen()
    header = "tank,taken_at,nitrate [mg/L],phosphate [mg/L]\n"
    taken = take(header + "q01-a,2026-04-06,12,0.1\nq01-b,2026-04-06,12,\n", seen)
    assert taken.outcomes == {2: "accepted", 3: "repeated"}
    assert taken.readings == [(2, "q01-a", "phosphate", 0.1, "")]
    assert "1 row holds some readings that are in already; only the new ones were taken." in taken.remarks


def test_a_growing_file_gives_only_its_new_rows(take):
    seen = take(FIRST).as_seen()
    taken = take(
        FIRST + "q01-a,2026-04-06 18:30,nitrate,12.5,mg/L,\nq01-a,2026-04-13,nitrate,12.5,mg/L,\n", seen
    )
    # The reading without a time is still there, so the one of that evening is another.
    assert taken.outcomes == {2: "repeated", 3: "repeated", 4: "accepted", 5: "accepted"}


def test_a_time_taken_out_is_asked_about_too(long):
    taken = long(long(taken_at="2026-04-06 18:30").as_seen())
    assert "at 18:30 on 2026-04-06" in taken.reasons(2)["perhaps-the-same-test"]


def test_a_logger_that_goes_on_after_midnight_is_not_asked_about(take):
    header = "tank,taken_at,temperature [C]\n"
    night = [f"q01-a,2026-04-06 {minute // 60:02}:{minute % 60:02},25.0" for minute in range(10)]
    seen = take(header + night[0]).as_seen()
    assert take(header + "\n".join(night[1:]), seen).counts == (9, 0, 0)


def test_readings_far_from_those_of_the_file_do_not_matter(long):
    seen = long(taken_at="2026-03-02").as_seen()
    assert long(seen).counts == (1, 0, 0)
    assert long(seen, taken_at="2026-03-02").counts == (0, 0, 1)


def test_a_register_without_file_names_will_do(long):
    seen = long().batch.readings.drop(columns=["sheet", "row"])
    assert isinstance(seen, pd.DataFrame)
    assert "already holds 12.5 mg/L" in long(seen, value="13").reasons(2)["conflict-with-register"]


def test_one_row_of_many_that_are_in_is_recognised(take):
    rows = "".join(f"q01-{tank},2026-04-06,12\n" for tank in "abc")
    seen = take(f"tank,taken_at,nitrate [mg/L]\n{rows}").as_seen()
    assert take("tank,taken_at,nitrate [mg/L]\nq01-a,2026-04-06,12\n", seen).counts == (0, 0, 1)
