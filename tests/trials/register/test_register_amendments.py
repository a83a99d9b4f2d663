"""What is recorded beside the readings: it counts, it is kept, it cannot be forged, and what does not fit is refused."""

import datetime as dt
import hashlib

import pytest

from schemas.errors import RegisterError
from trials.allocation import draw
from trials.protocol_file import canonical, digest, load
from trials.register.bodies import (
    AmendmentBody,
    ClosureBody,
    CorrectionBody,
    DeviationBody,
    DropoutBody,
    KeptFile,
    RescueBody,
    UnmaskingBody,
)
from trials.register.chain import Kind
from trials.register.held import reference
from trials.register.recording import append, keep
from trials.register.records import SourceFile
from trials.register.store import Register

SAID = {"by": "Ann", "why": "The card was read upside down"}
DAY = dt.date(2026, 5, 4)


def correction(reading=1, value=6.5, sign="", raw="6.5"):
    return CorrectionBody(reading=reading, value=value, sign=sign, raw_value=raw, raw_unit="mg/L", **SAID)


def withdrawal(reading=1):
    return CorrectionBody(reading=reading, **SAID)


@pytest.fixture
def full(register, trial, batch_of, cells_of, now):
    """A seal (1), an allocation (2), two readings of q1-a (1: 5, 2: <0.5) and one of q1-b (3: 12.5) in entry 3."""
    sealed = register.find(trial)
    register.record_allocation(trial, draw(sealed.protocol, sealed.digest, "4 17 23 31 40"), now)
    rows = [
        (2, "accepted", cells_of(value="5")),
        (3, "accepted", cells_of(value="<0.5", taken_at="2026-03-16")),
        (4, "accepted", cells_of("q1-b", value="12.5")),
    ]
    register.record_intake(trial, [batch_of("one.csv", rows)], now)
    return register


@pytest.fixture
def load_text(tmp_path, protocol_of):
    def write(old, new, tanks=None):
        protocol_of()
        path = tmp_path / "protocols" / "protocol.toml"
        text = path.read_text()
        assert text.count(old) == 1
        path.write_text(text.replace(old, new))
        if tanks:
            (path.parent / "tanks.csv").write_text(tanks)
        return load(path)

    return write


def test_a_correction_counts_and_the_original_stays(full, trial, now):
    before = full.data_digest(trial)
    as_taken_in = full.seen(trial)
    full.amend(trial, correction(), now)
    frame = full.readings(trial).set_index("reading")
    assert frame["value"].to_dict() == {1: 6.5, 2: 0.5, 3: 12.5}
    assert frame.loc[1, "raw_value"] == "6.5"
    assert frame.loc[1, ["tank", "file", "row"]].tolist() == ["q1-a", "one.csv", 2]
    assert full.data_digest(trial) != before
    assert full.seen(trial).equals(as_taken_in)
    assert full.check() == []


def test_the_last_correction_counts_and_a_withdrawn_reading_can_come_back(full, trial, now):
    before = full.data_digest(trial)
    full.amend(trial, withdrawal(), now)
    assert full.readings(trial)["reading"].tolist() == [2, 3]
    full.amend(trial, correction(value=7.0), now)
    full.amend(trial, correction(value=5.0, raw="5"), now)
    frame = full.readings(trial).set_index("reading")
    assert frame["value"].to_dict() == {1: 5.0, 2: 0.5, 3: 12.5}
    # The measurement is the one that was taken in, so the data are the same data.
    assert full.data_digest(trial) == before


def test_a_limit_can_take_the_place_of_a_number(full, trial, now):
    full.amend(trial, correction(value=0.03, sign="<", raw="<0.03"), now)
    row = full.readings(trial).set_index("reading").loc[1]
    assert (row["value"], row["sign"]) == (0.03, "<")


def test_history_shows_the_original_and_each_correction(full, trial, now):
    full.amend(trial, correction(), now)
    full.amend(trial, withdrawal(), now)
    lines = full.history(trial, reading=1)
    assert [line.kind for line in lines] == ["intake", "correction", "correction"]
    assert "5 mg/L" in lines[0].text
    assert "one.csv, row 2" in lines[0].text
    assert lines[1].text == 'corrected to 6.5 mg/L (written "6.5 mg/L")'
    assert lines[2].text == "withdrawn"
    assert {(line.by, line.why) for line in lines[1:]} == {("Ann", SAID["why"])}


def test_history_of_a_tank_has_its_arm_its_readings_and_what_happened(full, trial, now):
    arm = full.allocation(trial).arm_of()["q1-a"]
    other = "liquid" if arm != "liquid" else "polymer"
    full.amend(trial, DeviationBody(tank="q1-a", day=DAY, what="wrong bottle", treated_as=other, **SAID), now)
    full.amend(trial, RescueBody(tank="q1-a", day=DAY, what="large water change", **SAID), now)
    full.amend(trial, DropoutBody(tank="q1-b", day=DAY, what="leak", **SAID), now)
    lines = full.history(trial, tank="q1-a")
    assert [(line.kind, line.reading) for line in lines] == [
        ("allocation", None),
        ("intake", 1),
        ("intake", 2),
        ("deviation", None),
        ("rescue", None),
    ]
    assert lines[0].text == f"allocated to {arm}"
    assert lines[3].text == f"2026-05-04: wrong bottle, in fact treated as {other}"
    assert [(e.kind, e.tank, e.day) for e in full.deviations(trial)] == [
        ("deviation", "q1-a", DAY),
        ("rescue", "q1-a", DAY),
        ("dropout", "q1-b", DAY),
    ]
    assert full.treated_as(trial) == {"q1-a": other}
    assert full.check() == []


REFUSED = {
    "no such reading": (correction(reading=9), "has no reading 9"),
    "the same value": (correction(value=5.0), "says 5 already"),
    "no such tank": (
        DropoutBody(tank="q1-z", day=DAY, what="x", **SAID),
        '"q1-z" is not a tank of quillmere-2026; did you mean q1-',
    ),
    "no such arm": (
        DeviationBody(tank="q1-a", day=DAY, what="x", treated_as="vodka", **SAID),
        "its arms are control, polymer and liquid",
    ),
}


@pytest.mark.parametrize(("body", "sentence"), REFUSED.values(), ids=REFUSED)
def test_what_does_not_fit_is_refused_and_nothing_is_recorded(full, trial, now, body, sentence):
    head = full.head()
    with pytest.raises(RegisterError, match=sentence):
        full.amend(trial, body, now)
    assert full.head() == head


def test_a_reading_of_another_trial_is_not_to_be_had(full, trial, protocol_of, batch_of, cells_of, now):
    other = full.seal(protocol_of("quillmere-2027"), now).id
    full.record_intake(other, [batch_of("two.csv", [(2, "accepted", cells_of())])], now)
    with pytest.raises(RegisterError, match="has no reading 4"):
        full.amend(trial, withdrawal(4), now)
    with pytest.raises(RegisterError, match="has no reading 1"):
        full.history(other, reading=1)


def test_data_entry_closes_once_and_takes_no_file_after(full, trial, batch_of, cells_of, now):
    assert full.closed(trial) is None
    full.amend(trial, ClosureBody(**SAID), now)
    assert full.closed(trial) == now
    batch = batch_of("two.csv", [(2, "accepted", cells_of("q2-a"))])
    with pytest.raises(RegisterError, match="no file is taken in any more"):
        full.record_intake(trial, [batch], now)
    with pytest.raises(RegisterError, match="closed already"):
        full.amend(trial, ClosureBody(**SAID), now)
    full.amend(trial, correction(), now)
    assert full.check() == []


def test_an_amended_protocol_is_in_force_under_its_own_digest_and_the_draw_stands(
    full, trial, load_text, now, location
):
    first = full.find(trial)
    loaded = load_text("worthwhile = 0.8", "worthwhile = 0.7")
    full.amend_protocol(trial, loaded, now, by="Ann", why="A smaller effect pays")
    found = full.find(trial)
    assert found.digest == digest(loaded.protocol) != first.digest
    assert found.protocol.endpoints[0].worthwhile == 0.7
    assert full.find(trial, as_sealed=True) == first
    assert hashlib.sha256(full.file(first.digest)).hexdigest() == first.digest
    (amendment,) = full.amendments(trial)
    assert (amendment.before, amendment.digest) == (first.digest, found.digest)
    assert amendment.changed == ("endpoints.nitrate-mean.worthwhile: 0.8 became 0.7",)
    assert amendment.data_seen
    assert amendment.primary_changed
    assert full.check() == []
    with Register.open(location) as again:
        assert again.trials() == [found]


def test_an_amendment_before_any_reading_is_said_to_be_so(register, trial, load_text, now):
    loaded = load_text('title = "Liquid carbon, dripped"', 'title = "Liquid carbon, dripped"\n# no change')
    with pytest.raises(RegisterError, match="in force already"):
        register.amend_protocol(trial, loaded, now, by="Ann", why="none")
    loaded = load_text(
        '{ variable = "phosphate", every_days = 7 }', '{ variable = "phosphate", every_days = 14 }'
    )
    register.amend_protocol(trial, loaded, now, by="Ann", why="Kits are dear")
    (amendment,) = register.amendments(trial)
    assert not amendment.data_seen
    assert not amendment.primary_changed
    assert amendment.changed == ("schedule.sampling.phosphate.every_days: 7 became 14",)


FIXED = {
    "arms": ('title = "Liquid carbon, dripped"', 'title = "Vinegar"', None, "the arms"),
    "design": ("4 April", "5 April", None, "the design"),
    "id": ('id = "quillmere-2026"', 'id = "quillmere-2027"', None, "the trial's id"),
    "tanks": (
        "worthwhile = 0.8",
        "worthwhile = 0.7",
        "id,block\n" + "".join(f"q{b}-{t},q{b}\n" for b in (1, 2, 3) for t in "abc"),
        "the tanks",
    ),
}


@pytest.mark.parametrize("case", FIXED)
def test_what_the_draw_rests_on_cannot_be_amended(full, trial, load_text, now, case):
    *change, part = FIXED[case]
    with pytest.raises(RegisterError, match=f"cannot change {part}, which the draw rests on"):
        full.amend_protocol(trial, load_text(*change), now, by="Ann", why="x")
    assert full.amendments(trial) == []


def forged(register, trial, kind, body, now, files=()):
    """Append an entry as a program would that does not ask whether it fits."""
    with register._writing(trial) as connection:
        keep(connection, files)
        append(connection, trial, kind, now, body)
    return {(finding.what, finding.where) for finding in register.check()}


def test_check_finds_what_does_not_fit(full, trial, now):
    cases = [
        (Kind.CORRECTION, correction(reading=77)),
        (Kind.DROPOUT, DropoutBody(tank="q9-z", day=DAY, what="x", **SAID)),
        (Kind.DEVIATION, DeviationBody(tank="q1-a", day=DAY, what="x", treated_as="vodka", **SAID)),
        (Kind.CLOSURE, ClosureBody(**SAID)),
        (Kind.CLOSURE, ClosureBody(**SAID)),
        (Kind.UNMASKING, UnmaskingBody(command="analyse")),
    ]
    for kind, body in cases:
        found = forged(full, trial, kind, body, now)
    assert found == {
        ("correction", "entry 4"),
        ("dropout", "entry 5"),
        ("deviation", "entry 6"),
        ("closure", "entry 8"),
    }


def test_check_finds_an_amendment_that_misstates_what_had_been_seen(full, trial, load_text, now):
    loaded = load_text("worthwhile = 0.8", "worthwhile = 0.7")
    text = SourceFile("x.json", canonical(loaded.protocol))
    body = AmendmentBody(
        protocol=text.digest,
        before=full.find(trial).digest,
        source=KeptFile.of_source(loaded.source),
        tanks=KeptFile.of_source(loaded.tanks_source),
        data_seen=False,
        **SAID,
    )
    files = [text, loaded.source, loaded.tanks_source]
    assert forged(full, trial, Kind.AMENDMENT, body, now, files) == {("amendment", "entry 4")}
    (amendment,) = full.amendments(trial)
    assert amendment.data_seen  # by the readings, not by what the entry says


def test_a_mended_row_that_names_the_held_one_takes_its_place(register, trial, batch_of, cells_of, now):
    register.record_intake(
        trial,
        [batch_of("one.csv", [(2, "held", cells_of("q9-z")), (3, "held", cells_of("q8-z", value="7"))])],
        now,
    )
    first, second = register.held(trial)
    assert reference(first) == "entry 2, row 2"
    mended = cells_of("q1-a", taken_at="2026-03-23", **{"held as": reference(first)})
    register.record_intake(trial, [batch_of("mended.xlsx", [(9, "accepted", mended)], sheet="held")], now)
    assert register.held(trial) == [second]
    again = cells_of("q7-z", value="7", **{"held as": reference(second)})
    register.record_intake(trial, [batch_of("again.xlsx", [(2, "held", again)], sheet="held 2")], now)
    (waiting,) = register.held(trial)
    assert (waiting.file, reference(waiting)) == ("again.xlsx", "entry 4, row 2, sheet held 2")
