"""The whole way in: every row ends as accepted, held or repeated, and mending loses and doubles nothing."""

from __future__ import annotations

import datetime as dt
import json

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from schemas.errors import IntakeError
from schemas.readings import HoldReason, empty_readings, readings_schema
from trials.intake.batch import read_file, take_in
from trials.register.records import SourceFile

TODAY = dt.date(2026, 7, 1)
SENT = """tank;taken_at;variable;value;unit
q01-a;2026-04-06;phosphate;<0,03;mg/L
q01-a;2026-04-06;NO3-N;2,5;mg/L
q01-b;2026-04-06;nitrate;3,5;mg/L as N
q01-x;2026-04-06;nitrate;12,5;mg/L
q01-c;03/04/2026;nitrate;12,5;mg/L
q01-a;2026-04-06;phosphate;<0,03;mg/L
"""


def test_what_a_new_user_sends_is_counted_right_and_mended_without_loss_or_doubling(take):
    first = take(SENT)
    assert first.counts == (3, 2, 1)
    assert first.outcomes == {
        2: "accepted",
        3: "accepted",
        4: "accepted",
        5: "held",
        6: "held",
        7: "repeated",
    }
    assert list(first.reasons(5)) == ["unknown-tank"]
    assert list(first.reasons(6)) == ["ambiguous-date"]
    assert [reading[4] for reading in first.readings] == ["<", "", ""]
    # NO3 62.004 and N 14.007 g/mol: 4.426644 mg NO3 to the mg N.
    assert first.batch.readings["value"].tolist() == pytest.approx(
        [0.03, 2.5 * 4.426644, 3.5 * 4.426644], rel=1e-6
    )

    mended = take(SENT.replace("q01-x", "q02-a").replace("03/04/2026", "2026-04-03"), first.as_seen())
    assert mended.counts == (2, 0, 4)
    assert [reading[:2] for reading in mended.readings] == [(5, "q02-a"), (6, "q01-c")]

    both = pd.concat([first.as_seen(), mended.as_seen()], ignore_index=True)
    assert not both.duplicated(["tank", "taken_at", "variable", "replicate"]).any()
    assert take(SENT.replace("q01-x", "q02-a").replace("03/04/2026", "2026-04-03"), both).counts == (0, 0, 6)


def test_the_batch_has_the_columns_and_types_of_the_contract(take):
    batch = take(
        "tank,taken_at,variable,value,unit,kit,by,note\nq01-a,2026-04-06T18:30+02:00,NO3,12,ppm,strips,MO,warm\n"
    ).batch
    assert batch.rows.dtypes.astype(str).to_dict() == {
        "sheet": "str",
        "row": "int64",
        "outcome": "str",
        "cells": "str",
        "reasons": "str",
    }
    assert batch.readings.dtypes.equals(empty_readings().dtypes)
    assert batch.readings.iloc[0].to_dict() == {
        "sheet": "",
        "row": 2,
        "tank": "q01-a",
        "taken_at": pd.Timestamp("2026-04-06 18:30"),
        "utc_offset": "+02:00",
        "variable": "nitrate",
        "value": 12.0,
        "sign": "",
        "replicate": 1,
        "kit": "strips",
        "by": "MO",
        "note": "warm",
        "raw_value": "12",
        "raw_unit": "ppm",
    }


def test_cells_are_kept_exactly_as_they_were_sent(take):
    taken = take('tank,taken_at,variable,value,unit\n" q01-a ",2026-04-06,nitrate,"12,50",mg/L\n"q""x",,,,\n')
    assert taken.cells(2)["tank"] == " q01-a "
    assert taken.cells(2)["value"] == "12,50"
    assert taken.cells(3)["tank"] == 'q"x'


def test_remarks_say_how_the_file_was_read(take):
    remarks = take(SENT + "\n;;;;\n").batch.remarks
    assert remarks[:3] == (
        "Read as text with semicolons between the cells.",
        "Decimals are written with commas.",
        "2 blank rows were passed over.",
    )


def test_a_file_is_read_from_its_path(tmp_path, protocol):
    path = tmp_path / "april.csv"
    path.write_text(SENT)
    batch = read_file(path, protocol, empty_readings(), TODAY)
    assert (batch.file.name, batch.file.content) == ("april.csv", SENT.encode())
    assert read_file(str(path), protocol, empty_readings(), TODAY).rows.equals(batch.rows)


def test_a_path_that_holds_no_file_is_refused(tmp_path, protocol):
    for path, said in ((tmp_path / "gone.csv", "There is no file"), (tmp_path, "is a folder")):
        with pytest.raises(IntakeError, match=said):
            read_file(path, protocol, empty_readings(), TODAY)


def test_a_file_too_big_to_be_readings_is_refused_unread(tmp_path, protocol):
    path = tmp_path / "big.csv"
    with path.open("wb") as file:
        file.truncate((1 << 28) + 1)
    with pytest.raises(IntakeError, match="larger than 256 MB"):
        read_file(path, protocol, empty_readings(), TODAY)


TANKS = st.sampled_from(["q01-a", "q01-b", "q02-c", "Q01-A", "q9", ""])
MOMENTS = st.sampled_from(
    ["2026-04-06", "2026-04-06 18:30", "6 April 2026", "03/04/2026", "13/04/2026", "soon", ""]
)
VALUES = st.sampled_from(
    ["12.5", "12,5", "13", "<0.5", "> 160", "0", "ND", "1,500", "4500", "trace", "12 mg/L", "5 ppb", ""]
)
LONG_ROW = st.tuples(
    TANKS,
    MOMENTS,
    st.sampled_from(["nitrate", "NO3", "NO3-N", "phosphate", "ph", "effort", "nitrat", ""]),
    VALUES,
    st.sampled_from(["mg/L", "ppm", "mg/L as N", "ppb", "1", "drops", ""]),
    st.sampled_from(["", "1", "2", "x"]),
)
WIDE_ROW = st.tuples(TANKS, MOMENTS, VALUES, VALUES, st.sampled_from(["", "8.1", "81"]))
HEADERS = {
    "long": (LONG_ROW, "tank;taken_at;variable;value;unit;replicate"),
    "wide": (WIDE_ROW, "tank;taken_at;nitrate [mg/L];PO4-P [ug/L];pH"),
}


@st.composite
def files(draw):
    """A file of rows right and wrong, some of them blank or of another width."""
    row, header = HEADERS[draw(st.sampled_from(sorted(HEADERS)))]
    lines = [";".join(cells) for cells in draw(st.lists(row, max_size=12))]
    spoilt = [
        draw(st.sampled_from([line] * 8 + ["", line + ";more", line.partition(";")[0]])) for line in lines
    ]
    return "\n".join([header, *spoilt]) + "\n"


def nothing_measured(line, header):
    """Whether a whole row of a wide table gives a tank or a day and no value: it is passed over."""
    cells = line.split(";")
    return "variable" not in header and len(cells) == header.count(";") + 1 and not any(cells[2:])


def checked(batch, content):
    """The identity of rows, and what must hold for each."""
    header, *lines = content.splitlines()
    lines = [line for line in lines if line.strip("; ") and not nothing_measured(line, header)]
    rows = batch.rows
    assert len(rows) == len(lines) == batch.count("accepted") + batch.count("held") + batch.count("repeated")
    assert ((rows["reasons"] != "[]") == (rows["outcome"] == "held")).all()
    codes = {reason["code"] for reasons in rows["reasons"] for reason in json.loads(reasons)}
    assert codes <= {reason.value for reason in HoldReason}
    assert set(batch.readings["row"]) == set(rows.loc[rows["outcome"] == "accepted", "row"])
    assert np.isfinite(batch.readings["value"]).all()
    return batch


@settings(max_examples=25, deadline=None)
@given(content=files())
def test_rows_in_are_accepted_held_and_repeated_and_again_gives_nothing_new(protocol, content):
    file = SourceFile("sent.csv", content.encode())
    first = checked(take_in(file, protocol, empty_readings(), TODAY), content)
    readings_schema(protocol, TODAY).validate(first.readings)
    assert not first.readings.duplicated(["tank", "taken_at", "variable", "replicate"]).any()
    again = checked(take_in(file, protocol, first.readings, TODAY), content)
    assert again.readings.empty
    assert (again.rows["outcome"] == "accepted").sum() == 0
    was_held, is_held = (frame["outcome"] == "held" for frame in (first.rows, again.rows))
    assert was_held.equals(is_held)


@settings(max_examples=25, deadline=None)
@given(
    st.binary(max_size=300) | st.text(max_size=200).map(lambda text: ("tank,taken_at,pH\n" + text).encode())
)
def test_any_bytes_give_rows_or_one_sentence(protocol, content):
    try:
        batch = take_in(SourceFile("sent.csv", content), protocol, empty_readings(), TODAY)
    except IntakeError as error:
        refused = str(error)
        assert refused.startswith("sent.csv")
    else:
        assert len(batch.rows) == batch.count("accepted") + batch.count("held") + batch.count("repeated")
