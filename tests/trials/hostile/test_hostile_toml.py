"""TOML made to hurt, in each file that is TOML: mistakes with their place, in little time."""

import re

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from schemas.errors import FairtankError, Mistake, ProtocolError
from trials.pooling.mapping import read_mapping
from trials.protocol_file import load
from trials.publication.reading import read_publication
from trials.toml_text import read_toml

DEEP = "nests brackets or tables too deeply"
LARGE = "whole number that is too large"

REFUSED = {
    "a number of a hundred thousand figures": (b"a = " + b"9" * 100_000, LARGE),
    "such a number in hexadecimal": (b"a = 0x" + b"f" * 100_000, LARGE),
    "one beyond 64 bits": (b"a = [{b = 9223372036854775808}]", LARGE),
    "brackets without end": (b"a = " + b"[" * 100_000, DEEP),
    "brackets that end": (b"a = " + b"[" * 300 + b"]" * 300, DEEP),
    "tables in tables": (b"[" + b".".join([b"a"] * 5000) + b"]", DEEP),
    "tables in braces": (b"a = " + b"{a=" * 200 + b"1" + b"}" * 200, DEEP),
    "keys by the ten thousand": (
        b"".join(b"k%d = 1\n" % n for n in range(10_001)),
        "has more than 10,000 entries",
    ),
    "a control sign": (b'[trial]\ntitle = "a\\u0000b"', '"trial.title": holds a control sign'),
}


@pytest.mark.parametrize("name", REFUSED)
def test_it_is_one_mistake_for_every_file(tmp_path, in_time, name):
    content, said = REFUSED[name]
    with in_time():
        found = read_toml(content)
    assert isinstance(found, Mistake)
    assert said in str(found)
    assert len(str(found)) < 300
    (tmp_path / "a.toml").write_bytes(content)
    for read in (load, read_publication, read_mapping):
        with pytest.raises(FairtankError, match=re.escape(said)):
            read(tmp_path / "a.toml")


def test_what_is_just_bearable_is_read():
    assert read_toml(b"a = 9223372036854775807") == {"a": 2**63 - 1}
    assert read_toml(b"a = " + b"[" * 30 + b"]" * 30)
    assert read_toml('a = "tab\\t, line\\n, µ"'.encode()) == {"a": "tab\t, line\n, µ"}


CHANGES = {
    "days without end": (rb"days = \d+", b"days = 999999999", "36500 or less"),
    "a day beyond the calendar": (rb"start = \S+", b"start = 9999-12-31", "9999"),
    "no number": (rb"worthwhile = \S+", b"worthwhile = nan", "worthwhile"),
    "infinity": (rb"worthwhile = \S+", b"worthwhile = 1e999", "worthwhile"),
    "a text of a million signs": (rb'title = "', b'title = "' + b"x" * 1_000_000, "at most 2000 are kept"),
    "arms by the hundred": (rb"\Z", b"".join(b'\n[[arms]]\nid = "a%d"' % n for n in range(500)), "arms"),
}


@pytest.mark.parametrize("name", CHANGES)
def test_a_protocol_beyond_measure_is_refused_with_its_mistakes(tmp_path, club, in_time, name):
    pattern, put, said = CHANGES[name]
    content, changed = re.subn(pattern, lambda _: put, (club / "protocol.toml").read_bytes(), count=1)
    assert changed
    (tmp_path / "tanks.csv").write_bytes((club / "tanks.csv").read_bytes())
    (tmp_path / "protocol.toml").write_bytes(content)
    with in_time(), pytest.raises(ProtocolError) as error:
        load(tmp_path / "protocol.toml")
    assert said in str(error.value)


PIECES = st.sampled_from(
    [
        b"",
        b"[",
        b"]",
        b"{",
        b"}",
        b"=",
        b'"',
        b"'",
        b"\n",
        b"\0",
        b"\xff",
        b"-1",
        b"1e400",
        b"nan",
        b"[[x]]",
        b"true",
        b"#",
        b"9" * 30,
    ]
)


@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.lists(st.tuples(st.floats(0, 1), st.integers(0, 20), PIECES), min_size=1, max_size=4))
def test_a_scrambled_protocol_is_read_or_refused_with_its_mistakes(tmp_path, club, changes):
    content = (club / "protocol.toml").read_bytes()
    for share, gone, put in changes:
        place = int(share * len(content))
        content = content[:place] + put + content[place + gone :]
    (tmp_path / "tanks.csv").write_bytes((club / "tanks.csv").read_bytes())
    (tmp_path / "protocol.toml").write_bytes(content)
    try:
        found = load(tmp_path / "protocol.toml")
    except ProtocolError as error:
        mistakes = error.mistakes
    else:
        assert found.protocol.tanks
        return
    assert mistakes
    assert all("\n" not in str(mistake) for mistake in mistakes)
