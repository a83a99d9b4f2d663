"""Text files made to hurt, and names that are no plain files: rows that are all counted, or one sentence in little time."""

import os
from pathlib import Path

import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from schemas.errors import AllocationError, FairtankError, IntakeError, PackError, PoolingError, ProtocolError
from trials.allocation import read_recorded
from trials.intake import delimited
from trials.intake.batch import read_file
from trials.intake.readers import load as load_readings
from trials.pack.persons import read_consent
from trials.plain_files import MOST_TEXT, content_of
from trials.pooling.mapping import read_mapping
from trials.posted_head import read as read_head
from trials.protocol_file import load
from trials.publication.reading import read_publication
from trials.tanks_file import read_tanks

HEADER = b"tank,taken_at,variable,value,unit,kit,by,note\n"
TOO_LONG = "has a line of more than 1,048,576 characters"

REFUSED = {
    "a line of 200 MB": (lambda: HEADER + b"x" * 200_000_000, TOO_LONG),
    "ten million columns in the header": (lambda: b"tank," + b"," * 10_000_000, TOO_LONG),
    "ten million columns in a row": (lambda: HEADER + b"," * 10_000_000, TOO_LONG),
    "columns by the hundred thousand": (
        lambda: b"tank,taken_at" + b",a" * 200_000 + b"\n",
        "is the most that is read",
    ),
    "rows of nothing": (lambda: HEADER + b"\n" * 3_000_000, "lines; 2,000,000 is the most"),
    "rows of nothing, ended as of old": (lambda: HEADER + b"\r" * 3_000_000, "lines; 2,000,000 is the most"),
    "a quotation mark left open": (lambda: HEADER + b'"' + b"a\n" * 100_000, "still open 1000 lines later"),
    "quotation marks alone": (lambda: HEADER + b'"",' * 1_000_000, TOO_LONG),
    "a number of a million figures": (
        lambda: HEADER + b"q01-a,2025-05-04,nitrate," + b"9" * 1_000_000,
        "cell of more",
    ),
    "nothing but zero bytes": (lambda: bytes(1_000_000), "full of zero bytes"),
    "half a sign of UTF-16": (lambda: "tank\n".encode("utf-16")[:-1], "damaged UTF-16"),
}


@pytest.mark.parametrize("name", REFUSED)
def test_a_hostile_text_is_refused_in_one_sentence(take, name):
    make, said = REFUSED[name]
    with pytest.raises(IntakeError) as error:
        take(make())
    assert said in str(error.value)
    assert str(error.value).startswith("a.csv")


HELD = {
    "zero bytes in cells": b"q01-a\0,2025-05-04,nitrate,12\0,mg/L,,,\n",
    "a power of ten without end": b"q01-a,2025-05-04,nitrate,1e999999999,mg/L,,,\n",
    "figures by the ten thousand": b"q01-a,2025-05-04,nitrate," + b"1" * 20_000 + b",mg/L,,,\n",
    "a date that goes on": b"q01-a," + b"1-" * 10_000 + b",nitrate,12,mg/L,,,\n",
    "spaces that go on": b"q01-a,2025-05-04,nitrate," + b" " * 20_000 + b"x,mg/L,,,\n",
    "SQL for a tank": b"'); DROP TABLE readings; --,2025-05-04,nitrate,12,mg/L,,,\n",
    "a formula for a tank": b"=cmd|' /C calc'!A0,2025-05-04,nitrate,12,mg/L,,,\n",
}


@pytest.mark.parametrize("name", HELD)
def test_a_hostile_row_is_held(take, name):
    batch = take(HEADER + HELD[name])
    assert batch.count("held") == len(batch.rows) == 1
    assert all(len(reason.text) < 600 for row in batch.held() for reason in row.reasons)


def test_names_that_are_all_new_are_looked_for_in_little_time(take):
    rows = (b"zz%d,2025-05-04,nitr%d,12,mg%d,,,\n" % (n, n, n) for n in range(1000))
    assert take(HEADER + b"".join(rows)).count("held") == 1000


ROW = st.lists(
    st.sampled_from(
        ["q01-a", "2025-05-04", "nitrate", "12", "mg/L", "", '"', "\0", "=1+1", "\u202e", "1e400", "'"]
    )
    | st.text(max_size=6),
    max_size=9,
)


@settings(max_examples=20, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    st.lists(ROW, max_size=6),
    st.sampled_from([",", ";", "\t", "|"]),
    st.sampled_from(["\n", "\r\n", "\r"]),
    st.sampled_from(["utf-8", "utf-16", "latin-1", "utf-8-sig"]),
    st.binary(max_size=12),
)
def test_any_bytes_are_rows_or_one_sentence(rows_or_sentence, rows, separator, end, encoding, more):
    header = HEADER.decode().strip().replace(",", separator)
    text = end.join([header, *(separator.join(row) for row in rows)])
    rows_or_sentence(text.encode(encoding, errors="replace") + more, "a.csv")


# Names that are no plain files

READERS = {
    "intake": (load_readings, IntakeError),
    "protocol": (load, FairtankError),
    "publication": (read_publication, FairtankError),
    "mapping": (read_mapping, PoolingError),
    "consent": (read_consent, PackError),
    "head": (lambda path: read_head(str(path)), FairtankError),
    "tanks": (lambda path: _raised(read_tanks(path.parent, path.name)), FairtankError),
}


def _raised(found):
    raise FairtankError(str(found))


@pytest.mark.parametrize("name", READERS)
def test_a_pipe_is_refused_before_it_is_opened(tmp_path, name):
    read, error = READERS[name]
    os.mkfifo(tmp_path / "pipe")
    with pytest.raises(error) as refused:
        read(tmp_path / "pipe")
    assert "\n" not in str(refused.value)


@pytest.mark.parametrize("name", sorted(READERS.keys() - {"tanks"}))
def test_a_device_that_never_ends_is_refused(name):
    read, error = READERS[name]
    with pytest.raises(error):
        read(Path("/dev/zero"))


@pytest.mark.parametrize("name", sorted(READERS.keys() - {"intake"}))
def test_a_file_written_by_no_person_is_refused_by_its_size(tmp_path, name):
    read, error = READERS[name]
    with (tmp_path / "a.toml").open("wb") as file:
        file.truncate(1 << 33)  # holds nothing on the disk, and 8 GB when it is read
    with pytest.raises(error):
        read(tmp_path / "a.toml")


def test_a_recorded_allocation_is_held_to_the_same(tmp_path, protocol):
    os.mkfifo(tmp_path / "pipe")
    with pytest.raises(AllocationError, match="device or a pipe"):
        read_recorded(tmp_path / "pipe", protocol, how="by hand", random=True)
    (tmp_path / "a.csv").write_bytes(b"tank,arm\n" + b"x" * 200_000)
    with pytest.raises(AllocationError, match="cannot be read as CSV"):
        read_recorded(tmp_path / "a.csv", protocol, how="by hand", random=True)


def test_the_size_is_that_of_what_is_read_and_not_what_the_system_says(tmp_path):
    (tmp_path / "a").write_bytes(b"12345")
    (tmp_path / "link").symlink_to(tmp_path / "a")
    assert content_of(tmp_path / "link", 5) == b"12345"
    with pytest.raises(OSError, match="it is larger than 0 MB"):
        content_of(tmp_path / "a", 4)
    with pytest.raises(IsADirectoryError, match="it is a folder"):
        content_of(tmp_path)
    assert MOST_TEXT < delimited._BLOCK * 16


def test_a_tanks_file_that_links_out_of_the_folder_is_refused(tmp_path, club):
    folder = tmp_path / "trial"
    folder.mkdir()
    (folder / "protocol.toml").write_bytes((club / "protocol.toml").read_bytes())
    (folder / "tanks.csv").symlink_to("/etc/hostname")
    with pytest.raises(ProtocolError, match="leads out of the protocol's folder"):
        load(folder / "protocol.toml")


def test_a_link_to_readings_is_followed(tmp_path, protocol):
    import datetime as dt

    from schemas.readings import empty_readings

    (tmp_path / "there.csv").write_bytes(HEADER + b"q01-a,2025-05-04,nitrate,12,mg/L,,,\n")
    (tmp_path / "a.csv").symlink_to(tmp_path / "there.csv")
    assert len(read_file(tmp_path / "a.csv", protocol, empty_readings(), dt.date(2026, 1, 1)).rows) == 1


# Recorded allocations

CELLS = st.lists(
    st.sampled_from(["tank", "arm", "period", "control", '"', ",", ";", "\0", "\r"]) | st.text(max_size=5),
    max_size=5,
)


@settings(max_examples=20, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.lists(CELLS, max_size=8), st.binary(max_size=8))
@example([["tank", "arm"]], b"")
@example([], b"\xff\xfe\x00")
def test_any_recorded_allocation_is_refused_with_its_mistakes(tmp_path, protocol, rows, more):
    text = "\n".join(",".join(row) for row in rows)
    (tmp_path / "a.csv").write_bytes(text.encode(errors="replace") + more)
    with pytest.raises(AllocationError) as error:
        read_recorded(tmp_path / "a.csv", protocol, how="by hand", random=True)
    assert str(error.value).startswith(("a.csv", str(tmp_path)))
