"""What goes into the register comes out again, once, whole or not at all."""

import datetime as dt
import hashlib
import os
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from sqlalchemy import event

from schemas.errors import RegisterError
from trials.allocation import draw, read_recorded
from trials.protocol_file import canonical, digest
from trials.register.bodies import IntakeBody, SealBody
from trials.register.records import SourceFile
from trials.register.store import Register

SEED = "4 17 23 31 40"
LATER = dt.timedelta(days=1)


def test_a_sealed_trial_is_found_with_all_it_was_made_of(register, loaded, now):
    sealed = register.seal(loaded, now)
    assert sealed.digest == digest(loaded.protocol) == hashlib.sha256(canonical(loaded.protocol)).hexdigest()
    assert sealed.registered_at == now
    assert canonical(sealed.protocol) == canonical(loaded.protocol)
    assert register.trials() == [sealed]
    assert register.find(None) == register.find(sealed.id) == sealed
    (entry,) = register.entries()
    body = SealBody.of(entry)
    assert (entry.number, entry.trial, entry.kind, entry.at) == (1, sealed.id, "seal", "2026-04-04T17:30:00Z")
    assert register.head() == entry.digest
    assert register.file(body.protocol) == canonical(loaded.protocol)
    assert (body.source.name, register.file(body.source.digest)) == ("protocol.toml", loaded.source.content)
    assert (body.tanks.name, register.file(body.tanks.digest)) == ("tanks.csv", loaded.tanks_source.content)


def test_a_trial_is_sealed_once(register, trial, loaded, protocol_of, now):
    with pytest.raises(
        RegisterError, match="since 2026-04-04T17:30:00Z, with this very protocol; nothing was changed"
    ):
        register.seal(loaded, now + LATER)
    with pytest.raises(RegisterError, match="with another protocol, and a sealed protocol stays"):
        register.seal(protocol_of(trial, title="Another question"), now + LATER)
    assert len(register.entries()) == 1


def test_trials_are_told_apart(register, protocol_of, now):
    with pytest.raises(RegisterError, match="holds no trial yet; seal one with `fairtank register PROTOCOL`"):
        register.find(None)
    for name in ("quillmere-2026", "saltmere-2026"):
        register.seal(protocol_of(name), now)
    with pytest.raises(
        RegisterError, match="holds several trials; name one of quillmere-2026 or saltmere-2026"
    ):
        register.find(None)
    with pytest.raises(RegisterError, match=r'holds no trial "saltmere"; did you mean saltmere-2026\?'):
        register.find("saltmere")
    with pytest.raises(RegisterError, match='no trial "x"; it holds quillmere-2026 and saltmere-2026'):
        register.find("x")
    assert [sealed.id for sealed in register.trials()] == ["quillmere-2026", "saltmere-2026"]


ASKED = ["allocation", "readings", "seen", "held", "entries", "data_digest"]


@pytest.mark.parametrize("question", ASKED)
def test_an_unknown_trial_is_said(register, trial, question):
    with pytest.raises(RegisterError, match=f'holds no trial "{trial}x"'):
        getattr(register, question)(f"{trial}x")


def test_an_unknown_trial_takes_nothing_in(register, batch_of, cells_of, now):
    with pytest.raises(RegisterError, match='holds no trial "saltmere"'):
        register.record_intake("saltmere", [batch_of("r.csv", [(2, "accepted", cells_of())])], now)
    assert register.entries() == []


def test_an_unknown_file_is_said(register):
    with pytest.raises(RegisterError, match="keeps no file with the digest 00"):
        register.file("0" * 64)


def test_a_drawn_allocation_comes_back(register, trial, now):
    assert register.allocation(trial) is None
    sealed = register.find(trial)
    allocation = draw(sealed.protocol, sealed.digest, SEED)
    entry = register.record_allocation(trial, allocation, now)
    assert (entry.number, entry.kind) == (2, "allocation")
    assert register.allocation(trial) == allocation


def test_a_recorded_allocation_comes_back_with_its_file(register, trial, tmp_path, now):
    file = tmp_path / "hat.csv"
    arms = ("control", "polymer", "liquid") * 2
    tanks = ("q1-a", "q1-b", "q1-c", "q2-a", "q2-b", "q2-c")
    file.write_text("tank,arm\n" + "\n".join(f"{tank},{arm}" for tank, arm in zip(tanks, arms, strict=True)))
    allocation = read_recorded(file, register.find(trial).protocol, how="drawn from a hat", random=True)
    source = SourceFile(file.name, file.read_bytes())
    register.record_allocation(trial, allocation, now, source)
    assert register.allocation(trial) == allocation
    assert register.file(source.digest) == source.content
    assert register.check() == []


def test_an_allocation_is_made_once(register, trial, now):
    sealed = register.find(trial)
    first = draw(sealed.protocol, sealed.digest, SEED)
    register.record_allocation(trial, first, now)
    with pytest.raises(
        RegisterError, match="is recorded already, since 2026-04-04T17:30:00Z; nothing was changed"
    ):
        register.record_allocation(trial, first, now + LATER)
    with pytest.raises(
        RegisterError, match=rf'at 2026-04-04T17:30:00Z \(drawn from the seed "{SEED}"\), .* made once'
    ):
        register.record_allocation(trial, draw(sealed.protocol, sealed.digest, "5"), now + LATER)
    assert register.allocation(trial) == first
    assert len(register.entries()) == 2


def test_an_allocation_of_another_protocol_is_refused(register, trial, protocol_of, now):
    other = protocol_of("saltmere-2026").protocol
    with pytest.raises(RegisterError, match=r"does not fit the protocol of quillmere-2026\. Tank q"):
        register.record_allocation(trial, draw(other, digest(other), SEED), now)
    assert len(register.entries()) == 1


@pytest.fixture
def file_rows(cells_of):
    return [
        (2, "accepted", cells_of("q1-b", "2026-03-16T08:30:00", "4.5", by="Jane (invented)")),
        (3, "accepted", cells_of("q1-a", "2026-03-16", "<0.5")),
        (4, "held", cells_of("q9-z")),
        (5, "accepted", cells_of("q1-a", "2026-03-09", "5")),
        (6, "repeated", cells_of("q1-a", "2026-03-09", "5")),
    ]


def test_an_intake_is_kept_whole(register, trial, batch_of, file_rows, now):
    batch = batch_of("readings.csv", file_rows, content=b"\xff\x00 as sent")
    (entry,) = register.record_intake(trial, [batch], now)
    body = IntakeBody.of(entry)
    assert (body.rows, body.accepted, body.held, body.repeated, body.readings) == (5, 3, 1, 1, 3)
    assert body.rows == body.accepted + body.held + body.repeated
    assert body.remarks == batch.remarks
    assert (body.file.name, register.file(body.file.digest)) == ("readings.csv", b"\xff\x00 as sent")
    assert register.check() == []


def test_readings_come_back_typed_and_sorted(register, trial, batch_of, file_rows, now):
    register.record_intake(trial, [batch_of("readings.csv", file_rows)], now)
    frame = register.readings(trial)
    columns = ["tank", "taken_at", "value", "sign", "by", "raw_value", "file", "row", "reading"]
    assert frame[columns].to_numpy().tolist() == [
        ["q1-a", pd.Timestamp("2026-03-09"), 5.0, "", "", "5", "readings.csv", 5, 3],
        ["q1-a", pd.Timestamp("2026-03-16"), 0.5, "<", "", "<0.5", "readings.csv", 3, 2],
        ["q1-b", pd.Timestamp("2026-03-16T08:30"), 4.5, "", "Jane (invented)", "4.5", "readings.csv", 2, 1],
    ]
    assert frame.index.tolist() == [0, 1, 2]


def test_no_readings_have_the_types_of_some(register, trial, batch_of, file_rows, now):
    empty = register.readings(trial)
    register.record_intake(trial, [batch_of("readings.csv", file_rows)], now)
    full = register.readings(trial)
    assert len(empty) == 0
    assert empty.dtypes.to_dict() == full.dtypes.to_dict()
    assert str(full["taken_at"].dtype) == "datetime64[us]"
    assert list(full.columns) == [
        *("reading", "tank", "taken_at", "utc_offset", "variable", "value", "sign", "replicate"),
        *("kit", "by", "note", "raw_value", "raw_unit", "file", "sheet", "row"),
    ]


def test_what_is_stored_is_what_was_given(register, trial, batch_of, cells_of, now):
    """Every column, with texts that try to be something else, fractions of a second and the ends of numbers."""
    values = [5e-324, 1.7976931348623157e308, 0.1 + 0.2, -0.0, 1e16]
    cells = [cells_of("q1-a", f"2026-03-{9 + i:02d}", str(i)) for i in range(len(values))]
    batch = batch_of(
        "r.xlsx", [(i + 2, "accepted", c) for i, c in enumerate(cells)], sheet="März 'x'; DROP TABLE rows;--"
    )
    texts = ["=1+1", "<b>&amp;", "ünï\u202e😀", "line\nbreak\t", "'; --"]
    given = batch.readings.assign(
        value=values, note=texts, kit=texts[::-1], by=texts, utc_offset="+02:00", replicate=2
    )
    given["taken_at"] += pd.Series(np.array([0, 1, 500_000, 999_999, 0], dtype="timedelta64[us]"))
    register.record_intake(trial, [replace(batch, readings=given)], now)
    back = register.readings(trial)
    pd.testing.assert_frame_equal(back[list(given.columns)], given, check_dtype=False, check_exact=True)
    assert register.check() == []


def test_readings_of_another_trial_stay_out(register, protocol_of, batch_of, cells_of, now):
    for name, value in (("quillmere-2026", "5"), ("saltmere-2026", "7")):
        register.seal(protocol_of(name), now)
        register.record_intake(
            name, [batch_of("readings.csv", [(2, "accepted", cells_of(value=value))])], now
        )
    assert register.readings("quillmere-2026")["value"].tolist() == [5.0]
    assert register.readings("saltmere-2026")["value"].tolist() == [7.0]
    assert [entry.number for entry in register.entries("saltmere-2026")] == [3, 4]


def test_the_data_digest_does_not_depend_on_how_readings_came(register, protocol_of, batch_of, cells_of, now):
    rows = [
        (row, "accepted", cells_of(taken_at=f"2026-03-{row:02d}", value=f"{row}.5")) for row in (9, 16, 23)
    ]
    for name in ("quillmere-2026", "saltmere-2026"):
        register.seal(protocol_of(name), now)
    register.record_intake("quillmere-2026", [batch_of("all.csv", rows)], now)
    for row in reversed(rows):
        register.record_intake("saltmere-2026", [batch_of(f"{row[0]}.csv", [row])], now)
    assert register.data_digest("quillmere-2026") == register.data_digest("saltmere-2026")


def test_the_same_bytes_are_kept_once(register, trial, batch_of, cells_of, now):
    batch = batch_of("readings.csv", [(2, "accepted", cells_of())])
    again = batch_of("copy.csv", [(2, "repeated", cells_of())], content=batch.file.content)
    register.record_intake(trial, [batch, again], now)
    names = [IntakeBody.of(entry).file.name for entry in register.entries(trial)[1:]]
    assert names == ["readings.csv", "copy.csv"]
    assert register.check() == []


def test_a_file_name_that_no_encoding_can_write_is_no_obstacle(register, trial, batch_of, cells_of, now):
    """As the system hands over the Latin-1 bytes of "März.csv" where it expects UTF-8."""
    name = os.fsdecode(b"M\xe4rz.csv")
    register.record_intake(trial, [batch_of(name, [(2, "accepted", cells_of())])], now)
    assert register.readings(trial)["file"].tolist() == ["M?rz.csv"]
    assert register.check() == []


def test_no_files_make_no_entry(register, trial, now):
    assert register.record_intake(trial, [], now) == []
    assert len(register.entries()) == 1


FAULTY = {
    "a reading without its row": (
        lambda b: {"readings": b.readings.assign(row=99)},
        "belong to an accepted row",
    ),
    "a reading of a held row": (
        lambda b: {"rows": b.rows.assign(outcome="held")},
        "belong to an accepted row",
    ),
    "no value": (
        lambda b: {"readings": b.readings.assign(value=float("nan"))},
        "nothing may be missing in value",
    ),
    "no end": (lambda b: {"readings": b.readings.assign(value=float("inf"))}, "have a finite value"),
    "no moment": (
        lambda b: {"readings": b.readings.assign(taken_at=pd.NaT)},
        "nothing may be missing in taken_at",
    ),
    "no text": (lambda b: {"readings": b.readings.assign(note=None)}, "nothing may be missing in note"),
    "a row twice": (lambda b: {"rows": pd.concat([b.rows, b.rows])}, "has one outcome"),
}


@pytest.mark.parametrize(("change", "fault"), FAULTY.values(), ids=FAULTY.keys())
def test_a_batch_that_no_intake_would_make_is_a_fault_of_the_program(
    register, trial, batch_of, cells_of, now, change, fault
):
    batch = batch_of("readings.csv", [(2, "accepted", cells_of())])
    with pytest.raises(ValueError, match=fault):
        register.record_intake(trial, [replace(batch, **change(batch))], now)
    assert len(register.entries()) == 1


def test_an_intake_that_somebody_overtook_is_refused(register, trial, location, batch_of, cells_of, now):
    batch = batch_of("readings.csv", [(2, "accepted", cells_of())])
    with Register.open(location) as other:
        assert len(other.seen(trial)) == 0
        register.record_intake(trial, [batch], now)
        with pytest.raises(
            RegisterError, match=r"Somebody else took readings in while .* take the files in again"
        ):
            other.record_intake(trial, [batch], now)
        assert len(other.seen(trial)) == 1
        other.record_intake(trial, [batch_of("readings.csv", [(2, "repeated", cells_of())])], now)
        other.record_intake(trial, [batch_of("more.csv", [(2, "accepted", cells_of("q1-b"))])], now)
    assert len(register.readings(trial)) == 2


def test_an_intake_for_another_trial_overtakes_nobody(register, trial, protocol_of, batch_of, cells_of, now):
    register.seal(protocol_of("saltmere-2026"), now)
    batch = batch_of("readings.csv", [(2, "accepted", cells_of())])
    register.seen(trial)
    register.record_intake("saltmere-2026", [batch], now)
    register.record_intake(trial, [batch], now)
    assert register.check() == []


class PowerCutError(Exception):
    """Stands for whatever may end a program between two statements."""


def works(register, protocol_of, batch_of, file_rows, now):
    """Every kind of writing, each with all that it leaves behind."""
    sealed = register.find("quillmere-2026")
    allocation = draw(sealed.protocol, sealed.digest, SEED)
    batches = [batch_of("one.csv", file_rows), batch_of("two.csv", [(2, "held", {"tank": "q9"})])]
    return {
        "seal": lambda: register.seal(protocol_of("saltmere-2026"), now),
        "allocation": lambda: register.record_allocation(
            sealed.id, allocation, now, SourceFile("a.csv", b"a")
        ),
        "intake": lambda: register.record_intake(sealed.id, batches, now),
    }


@pytest.mark.usefixtures("trial")
@pytest.mark.parametrize("work", ["seal", "allocation", "intake"])
def test_a_failure_at_any_statement_leaves_nothing(
    register, stored, protocol_of, batch_of, file_rows, now, work
):
    write = works(register, protocol_of, batch_of, file_rows, now)[work]
    before = stored()
    left = 0

    @event.listens_for(register._home.engine, "before_cursor_execute", named=True)
    def fail(**_):
        nonlocal left
        left -= 1
        if left == 0:
            raise PowerCutError

    failures = 0
    while True:
        left = failures + 1
        try:
            write()
        except PowerCutError:
            failures += 1
            left = 0
            assert stored() == before
        else:
            break
    assert failures >= 4
    left = 0
    assert stored() != before
    assert register.check() == []


@pytest.mark.usefixtures("trial")
@pytest.mark.parametrize("work", ["seal", "allocation", "intake"])
def test_a_failure_to_commit_leaves_nothing(register, stored, protocol_of, batch_of, file_rows, now, work):
    write = works(register, protocol_of, batch_of, file_rows, now)[work]
    before = stored()

    def fail(_):
        raise PowerCutError

    event.listen(register._home.engine, "commit", fail)
    with pytest.raises(PowerCutError):
        write()
    event.remove(register._home.engine, "commit", fail)
    assert stored() == before
    write()
    assert register.check() == []
