"""Rows against the trial: tanks, days, variables and bounds, and every reason of a row at once."""

from __future__ import annotations

import pytest

# cells, reason, what the sentence must hold
HELD = [
    ({"tank": ""}, "no-tank", 'such as "q01-a"'),
    ({"tank": "q01-x"}, "unknown-tank", 'did you mean "q01-a", "q01-b" or "q01-c"?'),
    ({"tank": "Q01-A"}, "unknown-tank", 'write "q01-a", exactly so'),
    ({"tank": "q01 a"}, "unknown-tank", 'write "q01-a", exactly so'),
    ({"tank": "lounge"}, "unknown-tank", 'its tanks are "q01-a"'),
    ({"tank": "q01-a\0"}, "unprintable-character", 'column "tank"'),
    ({"taken_at": ""}, "no-date", "missing"),
    ({"taken_at": "2026-03-01"}, "before-the-start", "(2026-03-02)"),
    ({"taken_at": "2026-07-02"}, "in-the-future", "today is 2026-07-01"),
    ({"taken_at": "2062-04-06"}, "in-the-future", "look at day, month and year"),
    ({"variable": ""}, "no-variable", "what was measured"),
    ({"variable": "nitrat"}, "unknown-variable", 'did you mean "nitrate"?'),
    ({"variable": "mood"}, "unknown-variable", "it knows nitrate"),
    ({"value": "-1"}, "out-of-bounds", "0 to 1000 mg/L"),
    ({"value": "4500"}, "out-of-bounds", "If the kit shows ug/L (that is 4.5 mg/L)"),
    ({"variable": "phosphate", "value": "33"}, "out-of-bounds", "ug/L as P (that is 0.1012 mg/L)"),
    (
        {"variable": "temperature", "value": "78", "unit": "C"},
        "out-of-bounds",
        "\u00b0F (that is 25.56 \u00b0C)",
    ),
    ({"variable": "alkalinity", "value": "160", "unit": "dKH"}, "out-of-bounds", "160 dKH (57.06"),
    ({"variable": "salinity", "value": "1.025", "unit": "ppt"}, "out-of-bounds", "5 to 60 PSU"),
    (
        {"variable": "effort", "value": "101", "unit": "1"},
        "out-of-bounds",
        "effort of 101 1 is not possible: 0 to 100 is.",
    ),
    ({"value": "1e300", "unit": "mmol/L"}, "out-of-bounds", "not possible"),
]


@pytest.mark.parametrize(("cells", "reason", "said"), HELD)
def test_a_row_that_the_trial_cannot_hold_is_held_with_a_remedy(long, cells, reason, said):
    taken = long(**cells)
    assert taken.counts == (0, 1, 0)
    assert said in taken.reasons(2)[reason]


ACCEPTED = [
    {"tank": " q01-a "},
    {"tank": "\u00a0q01-a"},
    {"taken_at": "2026-03-02"},
    {"taken_at": "2026-07-01 23:59"},
    {"variable": "Nitrate"},
    {"variable": "NO3"},
    {"value": "50"},
    {"variable": "temperature", "value": "23", "unit": "C"},
]


@pytest.mark.parametrize("cells", ACCEPTED)
def test_a_row_within_the_trial_is_accepted(long, cells):
    taken = long(**cells)
    assert taken.counts == (1, 0, 0)
    assert taken.batch.readings["tank"].item() == "q01-a"


def test_every_reason_of_a_row_is_told_at_once_in_order(long):
    taken = long(
        tank="q09", taken_at="03/04/2026", variable="nitrate", value="0", unit="spoons", replicate="two"
    )
    assert list(taken.reasons(2)) == [
        "unknown-tank",
        "ambiguous-date",
        "zero",
        "unit-not-accepted",
        "not-a-replicate",
    ]


def test_a_reading_after_the_last_day_is_accepted(long, protocol):
    assert str(protocol.last_day) == "2026-06-21"
    assert long(taken_at="2026-06-22").counts == (1, 0, 0)


def test_a_wide_row_with_one_wrong_cell_is_held_whole(take):
    taken = take(
        "tank,taken_at,nitrate [mg/L],phosphate [mg/L],pH\nq01-a,2026-04-06,12,0,8.1\nq01-b,2026-04-06,12,0.1,81\n"
    )
    assert taken.counts == (0, 2, 0)
    assert taken.batch.readings.empty
    assert taken.reasons(2)["zero"].startswith('Column "phosphate [mg/L]": ')
    assert taken.reasons(3)["out-of-bounds"].startswith('Column "pH": pH of 81 is not possible')


def test_a_wide_row_without_a_value_is_passed_over_and_counted(take):
    taken = take(
        "tank,taken_at,nitrate [mg/L],note\nq01-z,2026-04-06,, \nq01-a,2026-04-06,12,\nq01-b,2026-04-06,,no kit\n"
    )
    assert taken.outcomes == {3: "accepted"}
    assert "2 rows in which nothing was measured were passed over." in taken.remarks
    assert "A note without a value stands in row 4: it is kept with the file" in taken.remarks


def test_a_sheet_in_which_nothing_was_measured_has_no_rows(take):
    taken = take("tank,taken_at,nitrate [mg/L]\nq01-a,2026-04-06,\n")
    assert taken.counts == (0, 0, 0)
    assert "1 row in which nothing was measured was passed over." in taken.remarks


def test_a_column_of_kits_belongs_to_its_variable(take):
    """A row's own kit of a variable goes before the one for the whole row."""
    header = "tank,taken_at,nitrate [mg/L],nitrate kit,phosphate [mg/L],kit,phase"
    taken = take(f"{header}\nq01-a,2026-04-06,12,drops,0.1,meter,ramp\nq01-b,2026-04-06,13,,0.2,meter,ramp\n")
    kits = taken.batch.readings.set_index(["tank", "variable"])["kit"].to_dict()
    assert kits == {
        ("q01-a", "nitrate"): "drops",
        ("q01-a", "phosphate"): "meter",
        ("q01-b", "nitrate"): "meter",
        ("q01-b", "phosphate"): "meter",
    }
    assert "left alone" not in taken.remarks


def test_a_wide_row_without_its_date_is_told_so_once(take):
    taken = take("tank,taken_at,nitrate [mg/L],pH\nq01-z,,12,8.1\n")
    reasons = taken.batch.rows["reasons"].item()
    assert reasons.count("no-date") == 1
    assert reasons.count("unknown-tank") == 1


RAGGED = {
    "q01-a,2026-04-06,nitrate,12,5,mg/L": ("too-many-cells", "save with semicolons"),
    "q01-a,2026-04-06,nitrate,12": ("too-few-cells", "4 cells and the header 5"),
}


@pytest.mark.parametrize("row", RAGGED)
def test_a_row_of_another_width_is_held_for_that_alone(take, row):
    code, said = RAGGED[row]
    taken = take(f"tank,taken_at,variable,value,unit\n{row}\nq01-b,2026-04-06,nitrate,12,mg/L\n")
    assert taken.outcomes == {2: "held", 3: "accepted"}
    assert list(taken.reasons(2)) == [code]
    assert said in taken.reasons(2)[code]


def test_a_quotation_mark_that_swallows_rows_is_seen(take):
    rows = 'q01-a,2026-04-06,nitrate,12,mg/L,"5 inch\nq01-b,2026-04-06,nitrate,12,mg/L,\nq01-c,2026-04-06,nitrate,12,mg/L,x"\n'
    taken = take(
        f'tank,taken_at,variable,value,unit,note\n{rows}q02-a,2026-04-06,nitrate,12,mg/L,"two\nlines"\n'
    )
    assert taken.outcomes == {2: "held", 3: "accepted"}
    assert "runs over 2 further rows" in taken.reasons(2)["open-quote"]
