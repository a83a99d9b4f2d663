"""Every value of a stream is used, repeated or held for a reason; what is no stream at all is one sentence."""

import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from schemas.errors import IntakeError

LONG = "tank,taken_at,variable,value,unit\n"
GOOD = "a,2026-03-02 10:00,temperature,25.1,Cel\n"
HELD = [
    (",2026-03-02 10:00,temperature,25,Cel", "no-tank"),
    ("z,2026-03-02 10:00,temperature,25,Cel", "unknown-tank"),
    ("a,,temperature,25,Cel", "no-date"),
    ("a,2026-03-02,temperature,25,Cel", "not-a-time"),
    ("a,03/04/2026 10:00,temperature,25,Cel", "ambiguous-date"),
    ("a,2026-02-30 10:00,temperature,25,Cel", "impossible-date"),
    ("a,2026-03-01 23:59,temperature,25,Cel", "before-the-start"),
    ("a,2026-07-01 00:00,temperature,25,Cel", "day-not-over"),
    ("a,2026-07-02 00:00,temperature,25,Cel", "in-the-future"),
    ("a,2026-03-02 10:00,,25,Cel", "no-variable"),
    ("a,2026-03-02 10:00,turbidity,25,Cel", "unknown-variable"),
    ("a,2026-03-02 10:00,temperature,,Cel", "no-value"),
    ("a,2026-03-02 10:00,temperature,ERR,Cel", "not-a-number"),
    ("a,2026-03-02 10:00,temperature,nan,Cel", "not-a-number"),
    ("a,2026-03-02 10:00,temperature,<20,Cel", "not-a-number"),
    ("a,2026-03-02 10:00,temperature,25,", "no-unit"),
    ("a,2026-03-02 10:00,temperature,25,mg/L", "unit-not-accepted"),
    ("a,2026-03-02 10:00,nitrate,0,mg/L", "zero"),
    ("a,2026-03-02 10:00,temperature,85,Cel", "out-of-bounds"),
    ("a,2026-03-02 10:00,temperature,25", "too-few-cells"),
    ("a,2026-03-02 10:00,temperature,25,Cel,,x", "too-many-cells"),
]


@pytest.mark.parametrize(("line", "reason"), HELD, ids=[reason for _, reason in HELD])
def test_a_value_is_held_for_its_reason(read, line, reason):
    stream = read(f"{LONG}{GOOD}{line}\n")
    (held,) = stream.held
    assert (held[0].value, held[1]) == (reason, 1)
    assert line.split(",")[0] in held[2][0]
    assert (stream.total, stream.used) == (2, 1)


def test_all_are_counted_and_few_are_shown(read):
    lines = [line for line, _ in HELD for _ in range(50)]
    stream = read(LONG + GOOD + "\n".join(lines) + "\n")
    assert stream.total == 1 + 50 * len(HELD) == stream.used + stream.repeated + stream.held.total
    assert all(len(examples) <= 3 for _, _, examples in stream.held)
    assert {reason.value for reason, _, _ in stream.held} == {reason for _, reason in HELD}


def test_the_same_again_is_repeated_and_two_values_of_a_moment_are_held(read, days):
    other = "a,2026-03-02 10:01,temperature,25.2,Cel\na,2026-03-02 10:01,temperature,25.3,Cel\n"
    stream = read(LONG + GOOD * 3 + other)
    assert (stream.used, stream.repeated, stream.held.total) == (1, 2, 2)
    assert days(stream)["a", "temperature", "2026-03-02"]["value"] == "25.1"


def test_wide_cells_that_are_empty_are_no_values(read):
    header = "tank,taken_at,temperature [degF],ph\n"
    stream = read(f"{header}a,2026-03-02 10:00,77,\na,2026-03-02 10:01,,8.1\na,2026-03-02 10:02,,\n")
    assert (stream.rows, stream.total, stream.used) == (3, 3, 2)
    assert [reason.value for reason, _, _ in stream.held] == ["no-value"]
    assert b"a,2026-03-02T12:00,temperature,25.0," in stream.days.content


def test_a_stream_without_a_single_day_is_counted_too(read, days):
    stream = read(LONG + "z,2026-03-02 10:00,temperature,25,Cel\n")
    assert (stream.total, stream.used, stream.held.total) == (1, 0, 1)
    assert days(stream) == {}


def test_nothing_below_the_header(read):
    assert read(LONG).total == 0


@pytest.mark.parametrize(
    ("content", "sentence"),
    [
        ("", "is empty"),
        ("a letter\nto the club\n", "has no header"),
        ("tank,temperature\na,25\n", "lacks the column taken_at"),
        ("tank,taken_at,ph,ph\n", "two columns for ph"),
        (b"PAR1 and then nothing", "cannot be read as Parquet"),
        (LONG + "a," + "9" * (1 << 24) + "\n", "a line of more than"),
    ],
)
def test_what_is_no_stream_is_one_sentence(read, content, sentence):
    with pytest.raises(IntakeError, match=sentence) as refused:
        read(content)
    assert "\n" not in str(refused.value)


def test_damaged_parquet_is_one_sentence(read, tmp_path):
    path = tmp_path / "log.parquet"
    many = 50_000
    pq.write_table(
        pa.table({"tank": ["a"] * many, "taken_at": ["2026-03-02 10:00"] * many, "ph": [*range(many)]}), path
    )
    content = bytearray(path.read_bytes())
    content[40:4000] = bytes(3960)
    path.write_bytes(content)
    with pytest.raises(IntakeError, match="cannot be read as Parquet"):
        read(path)
