"""The chain is redone from its rule, and no change to it stays unseen."""

import datetime as dt
import hashlib
import json
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from trials.register.chain import GENESIS, Kind, canonical, entry_digest, first_fault, following, stamp
from trials.register.records import Entry

MORNING = dt.datetime(2026, 4, 4, 9, 0, tzinfo=dt.timezone(dt.timedelta(hours=2)))

texts = st.text(st.characters(codec="utf-8"), max_size=8)
bodies = st.dictionaries(texts, st.one_of(texts, st.integers(-(2**53) + 1, 2**53 - 1), st.none()), max_size=3)
trials = st.sampled_from(["quillmere-2026", "saltmere-2026"])
contents = st.tuples(trials, st.sampled_from(Kind), st.integers(0, 10**6), bodies)


def chain_of(several):
    entries = []
    for trial, kind, minutes, body in several:
        at = MORNING + dt.timedelta(minutes=minutes)
        entries.append(following(entries[-1] if entries else None, trial, kind, at, body))
    return entries


chains = st.lists(contents, min_size=1, max_size=6).map(chain_of)


def digest_by_the_rule(previous, number, trial, kind, at, body):
    """The rule as it is documented, written a second time."""
    data = b""
    for field in (previous, str(number), trial, kind, at, body):
        encoded = field.encode("utf-8")
        data += len(encoded).to_bytes(8, byteorder="big") + encoded
    return hashlib.sha256(data).hexdigest()


@given(chains)
def test_a_chain_is_redone_from_its_rule(entries):
    previous = hashlib.sha256(b"fairtank register, format 1").hexdigest()
    for number, entry in enumerate(entries, start=1):
        assert (entry.number, entry.previous) == (number, previous)
        previous = digest_by_the_rule(previous, number, entry.trial, entry.kind, entry.at, entry.body)
        assert entry.digest == previous
    assert first_fault(entries) is None


def test_an_empty_chain_is_whole():
    assert first_fault([]) is None


@given(chains, st.data())
def test_any_changed_character_is_found_where_it_stands(entries, data):
    place = data.draw(st.integers(0, len(entries) - 1))
    name = data.draw(st.sampled_from(["trial", "kind", "at", "body", "previous", "digest"]))
    before = getattr(entries[place], name)
    spot = data.draw(st.integers(0, len(before) - 1))
    character = data.draw(st.characters(codec="utf-8").filter(lambda c: c != before[spot]))
    changed = replace(entries[place], **{name: before[:spot] + character + before[spot + 1 :]})
    fault = first_fault([*entries[:place], changed, *entries[place + 1 :]])
    assert fault is not None
    assert fault[0] == place + 1
    assert f"Entry {place + 1} " in fault[1]


@given(chains, st.data())
def test_an_entry_rewritten_with_a_fitting_digest_breaks_the_next(entries, data):
    place = data.draw(st.integers(0, len(entries) - 1))
    bare = replace(entries[place], body=entries[place].body + " ")
    forged = replace(bare, digest=entry_digest(bare))
    fault = first_fault([*entries[:place], forged, *entries[place + 1 :]])
    # The last one has nothing after it to break: that is what the head noted elsewhere is for.
    assert fault is None if place == len(entries) - 1 else fault[0] == place + 2


@given(chains, st.data())
def test_a_removed_entry_is_found(entries, data):
    place = data.draw(st.integers(0, len(entries) - 1))
    fault = first_fault([*entries[:place], *entries[place + 1 :]])
    assert fault is None if place == len(entries) - 1 else fault[0] == place + 1


@given(chains, st.data())
def test_a_removed_entry_is_found_when_the_others_are_renumbered(entries, data):
    place = data.draw(st.integers(0, len(entries) - 1))
    rest = [replace(entry, number=entry.number - 1) for entry in entries[place + 1 :]]
    fault = first_fault([*entries[:place], *rest])
    assert fault is None if place == len(entries) - 1 else fault[0] == place + 1


@given(chains, contents, st.data())
def test_an_entry_put_in_is_found(entries, content, data):
    place = data.draw(st.integers(0, len(entries) - 1))
    trial, kind, minutes, body = content
    at = MORNING + dt.timedelta(minutes=minutes)
    new = following(entries[place - 1] if place else None, trial, kind, at, body)
    fault = first_fault([*entries[:place], new, *entries[place:]])
    assert fault is not None
    assert fault[0] == place + 2


@given(st.lists(contents, min_size=2, max_size=6).map(chain_of), st.data())
def test_swapped_entries_are_found(entries, data):
    one, other = sorted(
        data.draw(st.lists(st.integers(0, len(entries) - 1), min_size=2, max_size=2, unique=True))
    )
    swapped = list(entries)
    swapped[one], swapped[other] = entries[other], entries[one]
    fault = first_fault(swapped)
    assert fault is not None
    assert fault[0] == one + 1


@given(st.lists(texts, min_size=4, max_size=4), st.lists(texts, min_size=4, max_size=4))
def test_fields_never_run_into_each_other(one, other):
    """Two entries share a digest only if they are the same: ("ab", "c") is not ("a", "bc")."""
    digests = {
        entry_digest(Entry(1, trial, kind, at, body, GENESIS, "")) for trial, kind, at, body in (one, other)
    }
    assert len(digests) == (1 if one == other else 2)


@given(bodies)
def test_the_canonical_body_is_json_with_sorted_keys(body):
    assert json.loads(canonical(body)) == body
    assert canonical(body) == canonical(dict(reversed(body.items())))


MOMENTS = [
    (dt.datetime(2026, 4, 4, 19, 30, tzinfo=dt.UTC), "2026-04-04T19:30:00Z"),
    (MORNING, "2026-04-04T07:00:00Z"),
    (
        dt.datetime(2026, 1, 1, 0, 0, 0, 250_000, tzinfo=dt.timezone(dt.timedelta(hours=-3))),
        "2026-01-01T03:00:00.250000Z",
    ),
]


@pytest.mark.parametrize(("moment", "text"), MOMENTS)
def test_moments_are_written_in_utc(moment, text):
    assert stamp(moment) == text
    assert dt.datetime.fromisoformat(text) == moment


def test_a_moment_without_a_time_zone_is_a_fault_of_the_caller():
    with pytest.raises(ValueError, match="carries its time zone"):
        stamp(dt.datetime(2026, 4, 4, 19, 30))  # noqa: DTZ001 - it is what is refused
