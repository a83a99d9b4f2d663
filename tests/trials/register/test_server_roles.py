"""What the two roles of a server may do and see: the writer sees no allocation until data entry is closed."""

import datetime as dt
import secrets

import psycopg
import pytest

from schemas.errors import RegisterError
from trials.allocation import draw, read_recorded
from trials.register import tables
from trials.register.bodies import (
    ClosureBody,
    CorrectionBody,
    DeviationBody,
    DropoutBody,
    RescueBody,
    UnmaskingBody,
)
from trials.register.chain import Kind
from trials.register.records import SourceFile
from trials.register.server_script import LEAD, WRITER, WRITTEN_BY_WRITERS
from trials.register.store import Register

pytestmark = pytest.mark.homes("postgresql")

SAID = {"by": "Ann", "why": "The card was read upside down"}
DAY = dt.date(2026, 5, 4)
UNHEARD = "4 17 23 31 40 unheard of"


@pytest.fixture
def accounts(server, database, address_of):
    """Addresses of three accounts: of the lead, of a writer, and of one that is neither."""
    mark = secrets.token_hex(4)
    names = {"lead": LEAD, "writer": WRITER, "stranger": None}
    with psycopg.connect(server, autocommit=True) as owner:
        for name, role in names.items():
            owner.execute(f"CREATE ROLE {name}_{mark} LOGIN" + (f" IN ROLE {role}" if role else ""))
        yield {name: address_of(database, _name_of(database), user=f"{name}_{mark}") for name in names}
        for name in names:
            owner.execute(f"DROP ROLE {name}_{mark}")


def _name_of(database):
    return psycopg.conninfo.conninfo_to_dict(database)["dbname"]


@pytest.fixture
def lead(accounts):
    with Register.open(accounts["lead"]) as register:
        yield register


@pytest.fixture
def writer(accounts):
    with Register.open(accounts["writer"]) as register:
        yield register


@pytest.fixture
def sealed(lead, loaded, now):
    return lead.seal(loaded, now)


@pytest.fixture
def drawn(lead, sealed, now):
    """A trial whose allocation the writer may not see."""
    allocation = draw(sealed.protocol, sealed.digest, UNHEARD)
    lead.record_allocation(sealed.id, allocation, now)
    return allocation


@pytest.fixture
def one_file(batch_of, cells_of):
    return batch_of("one.csv", [(2, "accepted", cells_of())])


@pytest.fixture
def seen_by(accounts, database):
    """Gives all that an account can select from anything in the register, and what the planner knows of it."""

    def look(account):
        with psycopg.connect(database, autocommit=True) as owner:
            owner.execute(
                "ANALYZE"
            )  # collects the most common values of each column, as happens now and then
        with psycopg.connect(accounts[account], options="-c search_path=fairtank") as connection:
            found = connection.execute("SELECT * FROM pg_stats WHERE schemaname = 'fairtank'").fetchall()
            for name in (*tables.metadata.tables, tables.chain.name):
                found += connection.execute(f"SELECT * FROM {name}").fetchall()  # noqa: S608
        return b"\n".join(
            cell if isinstance(cell, bytes) else str(cell).encode() for row in found for cell in row
        )

    return look


def test_a_drawn_allocation_is_masked_until_data_entry_is_closed(
    lead, writer, sealed, drawn, seen_by, one_file, now
):
    assert UNHEARD.encode() in seen_by("lead")
    assert UNHEARD.encode() not in seen_by("writer")
    with pytest.raises(RegisterError, match="is masked for your account until data entry is closed"):
        writer.allocation(sealed.id)
    assert "allocation" not in {entry.kind for entry in writer.entries()}
    assert writer.history(sealed.id, tank="q1-a") == []
    assert (writer.masked(), writer.check()) == (1, [])
    # The chain goes on over what is not seen.
    (entry,) = writer.record_intake(sealed.id, [one_file], now)
    assert entry.number == 3
    assert writer.head() == lead.head() == entry.digest
    assert writer.check(head=entry.previous) == lead.check() == []
    lead.amend(sealed.id, ClosureBody(**SAID), now)
    assert writer.allocation(sealed.id) == drawn
    assert (writer.masked(), writer.check()) == (0, [])
    assert UNHEARD.encode() in seen_by("writer")


def test_the_file_of_a_recorded_allocation_is_masked_too(
    lead, writer, sealed, seen_by, protocol_of, tmp_path, now
):
    file = tmp_path / "hat.csv"
    tanks = [tank.id for tank in sealed.protocol.tanks]
    arms = ("control", "polymer", "liquid") * 2
    file.write_text("tank,arm\n" + "\n".join(f"{t},{a}" for t, a in zip(tanks, arms, strict=True)))
    source = SourceFile(file.name, file.read_bytes())
    allocation = read_recorded(file, sealed.protocol, how=UNHEARD, random=True)
    lead.record_allocation(sealed.id, allocation, now, source)
    assert source.content in seen_by("lead")
    for secret in (source.content, UNHEARD.encode()):
        assert secret not in seen_by("writer")
    with pytest.raises(RegisterError, match="keeps no file"):
        writer.file(source.digest)
    assert (writer.masked(), writer.check()) == (1, [])
    # The end of another trial's data entry opens nothing here.
    other = lead.seal(protocol_of("saltmere-2026"), now)
    lead.amend(other.id, ClosureBody(**SAID), now)
    with pytest.raises(RegisterError, match="masked"):
        writer.allocation(sealed.id)
    lead.amend(sealed.id, ClosureBody(**SAID), now)
    assert writer.file(source.digest) == source.content


@pytest.mark.usefixtures("drawn")
def test_a_deviation_that_names_an_arm_is_masked_and_one_that_names_none_is_not(lead, writer, sealed, now):
    plain = DeviationBody(tank="q1-a", day=DAY, what='the label said "treated_as":null', **SAID)
    telling = replace_arm(plain, "liquid")
    writer.amend(sealed.id, plain, now)
    writer.amend(sealed.id, telling, now)
    assert [event.treated_as for event in writer.deviations(sealed.id)] == [None]
    assert [event.treated_as for event in lead.deviations(sealed.id)] == [None, "liquid"]
    assert (writer.masked(), writer.check()) == (2, [])


def replace_arm(body, arm):
    return body.model_copy(update={"treated_as": arm})


def test_each_kind_of_entry_is_for_the_lead_alone_or_for_writers_too():
    assert set(Kind) - set(WRITTEN_BY_WRITERS) == {
        Kind.SEAL,
        Kind.ALLOCATION,
        Kind.AMENDMENT,
        Kind.CLOSURE,
        Kind.UNMASKING,
        Kind.KIT_CORRECTION,
    }


def test_a_writer_records_what_was_seen_and_nothing_that_the_lead_decides(
    lead, writer, sealed, protocol_of, one_file, now
):
    writer.record_intake(sealed.id, [one_file], now)
    writer.amend(sealed.id, CorrectionBody(reading=1, **SAID), now)
    writer.amend(sealed.id, DropoutBody(tank="q1-a", day=DAY, what="leak", **SAID), now)
    writer.amend(sealed.id, RescueBody(tank="q1-a", day=DAY, what="water change", **SAID), now)
    head = writer.head()
    other = protocol_of("saltmere-2026")
    amended = protocol_of(title="Another question")
    refused = {
        "seal": lambda: writer.seal(other, now),
        "allocation": lambda: writer.record_allocation(
            sealed.id, draw(sealed.protocol, sealed.digest, "1"), now
        ),
        "closure": lambda: writer.amend(sealed.id, ClosureBody(**SAID), now),
        "unmasking": lambda: writer.amend(sealed.id, UnmaskingBody(command="analyse"), now),
        "amendment": lambda: writer.amend_protocol(sealed.id, amended, now, by="Ann", why="x"),
    }
    for act in refused.values():
        with pytest.raises(RegisterError, match=r"Your account may not do that .* the lead can do it"):
            act()
    assert lead.head() == head
    assert lead.check() == []


FORBIDDEN = [
    "UPDATE readings SET value = 1",
    "DELETE FROM entries",
    "TRUNCATE rows CASCADE",
    "DROP TABLE files CASCADE",
    "DROP TRIGGER rows_keep ON rows",
    "ALTER TABLE rows DISABLE TRIGGER ALL",
    "CREATE TRIGGER sly BEFORE INSERT ON rows FOR EACH ROW EXECUTE FUNCTION suppress_redundant_updates_trigger()",
    "CREATE OR REPLACE FUNCTION keep_order() RETURNS trigger LANGUAGE plpgsql AS 'BEGIN RETURN NEW; END'",
    "CREATE TABLE fairtank.mine (x int)",
    "ALTER TABLE entries DISABLE ROW LEVEL SECURITY",
    "DROP POLICY writer_reads ON entries",
    "SET session_replication_role = replica",
    "ALTER VIEW chain OWNER TO CURRENT_USER",
    "COMMENT ON SCHEMA fairtank IS 'mine'",
    "DO 'BEGIN LOCK TABLE entries IN ACCESS EXCLUSIVE MODE; END'",
    "GRANT fairtank_lead TO CURRENT_USER",
    "SET ROLE fairtank_owner",
]


@pytest.mark.usefixtures("drawn")
@pytest.mark.parametrize("account", ["lead", "writer"])
def test_no_account_of_the_trial_can_change_the_record_or_its_guards(lead, accounts, account):
    before = lead.entries()
    with psycopg.connect(accounts[account], autocommit=True, options="-c search_path=fairtank") as connection:
        for statement in FORBIDDEN:
            with pytest.raises((psycopg.errors.InsufficientPrivilege, psycopg.errors.InvalidParameterValue)):
                connection.execute(statement)
    assert lead.entries() == before
    assert lead.check() == []


def test_an_account_without_a_role_is_told_so(accounts):
    with pytest.raises(RegisterError, match=f"has no rights in the register .* member of {LEAD} or {WRITER}"):
        Register.open(accounts["stranger"])
