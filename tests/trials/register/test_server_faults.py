"""A server that stops, is killed, is damaged, and asks who is there: tried on a server of the tests' own."""

import datetime as dt
import re
import secrets
import socket
from contextlib import contextmanager

import psycopg
import pytest
from sqlalchemy import event

from schemas.errors import RegisterError
from trials.register.backup import back_up
from trials.register.server_script import script
from trials.register.store import Register

pytestmark = pytest.mark.homes("postgresql")

NOW = dt.datetime(2026, 4, 4, 19, 30, tzinfo=dt.UTC)
ACCESS = """
local all all trust
hostssl all all 127.0.0.1/32 scram-sha-256
"""


@pytest.fixture(scope="module")
def own(start_server):
    """A server that is reached by its socket freely, and by the network with TLS and a password only."""
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    with start_server(listen_addresses="127.0.0.1", port=str(port), ssl="off") as server:
        (server.data / "pg_hba.conf").write_text(ACCESS)
        server.run(
            *("openssl", "req", "-new", "-x509", "-days", "2", "-nodes", "-subj", "/CN=localhost"),
            *(
                "-addext",
                "subjectAltName=DNS:localhost",
                "-newkey",
                "ec",
                "-pkeyopt",
                "ec_paramgen_curve:P-256",
            ),
            *("-out", server.data / "server.crt", "-keyout", server.data / "server.key"),
        )
        server.stop("fast")
        server.set(ssl="on", port=str(port))
        server.start()
        server.port = port
        with psycopg.connect(server.url(), autocommit=True) as owner:
            owner.execute(script())
            owner.execute("CREATE ROLE ann LOGIN PASSWORD 'open sesame' IN ROLE fairtank_lead")
        yield server


@pytest.fixture
def fresh(own):
    """The name of a new database with a new register on the test's own server."""
    name = f"reef_{secrets.token_hex(4)}"
    with psycopg.connect(own.url(), autocommit=True) as owner:
        owner.execute(f"CREATE DATABASE {name}")
    with psycopg.connect(own.url(name), autocommit=True) as owner:
        owner.execute(script())
    return name


@pytest.fixture
def one_file(batch_of, cells_of):
    return batch_of("one.csv", [(2, "accepted", cells_of())])


def of_ann(own, options, password=""):
    root = own.data / "server.crt"
    return f"postgresql://ann{password}@localhost:{own.port}/postgres?{options.format(root=root)}"


VERIFIED = "sslmode=verify-full&sslrootcert={root}"


def test_the_password_comes_from_the_address_the_environment_or_a_file(own, monkeypatch, tmp_path):
    def is_safe(address):
        with Register.open(address) as register, register._home.transaction() as connection:
            assert "sesame" not in register.shown
            return connection.exec_driver_sql(
                "SELECT ssl FROM pg_stat_ssl WHERE pid = pg_backend_pid()"
            ).scalar_one()

    assert is_safe(of_ann(own, VERIFIED, ":open%20sesame"))
    file = tmp_path / "passwords"
    file.write_text("localhost:*:*:ann:open sesame\n")
    file.chmod(0o600)
    assert is_safe(of_ann(own, f"{VERIFIED}&passfile={file}"))
    monkeypatch.setenv("PGPASSWORD", "open sesame")
    assert is_safe(of_ann(own, VERIFIED))


UNSAFE = {
    "no password": (
        VERIFIED,
        "",
        "did not accept your password, or got none; give it in PGPASSWORD or in a password",
    ),
    "a wrong password": (VERIFIED, ":sesame", "did not accept your password, or got none"),
    "without TLS": ("sslmode=disable", ":sesame", "admits no such account from here"),
    "an unknown certificate": (
        "sslmode=verify-full&sslrootcert=/etc/hostname",
        ":sesame",
        "is not as safe as its address",
    ),
    "no certificate to go by": (
        "sslmode=verify-full&sslrootcert=/nowhere",
        ":sesame",
        "is not as safe as its address",
    ),
}


@pytest.mark.parametrize(("options", "password", "sentence"), UNSAFE.values(), ids=UNSAFE)
def test_who_is_not_let_in_is_told_why_and_no_password_is_shown(own, options, password, sentence):
    with pytest.raises(RegisterError, match=sentence) as refusal:
        Register.open(of_ann(own, options, password))
    assert "sesame" not in str(refusal.value)
    assert "\n" not in str(refusal.value)


@contextmanager
def losses():
    """Gives a list that holds what was said where the work was refused."""
    said = []
    try:
        yield said
    except RegisterError as refusal:
        said.append(str(refusal))


def test_a_connection_cut_at_any_statement_leaves_nothing_and_the_next_one_works(
    register, trial, stored, location, one_file, now
):
    """As by an administrator, a network that fails, or a server whose process is killed."""
    before = stored()
    left, cut = 0, 0
    engine = register._home.engine

    def end(connection):
        with psycopg.connect(location, autocommit=True) as other:
            other.execute(
                "SELECT pg_terminate_backend(%s, 5000)",
                [connection.connection.driver_connection.info.backend_pid],
            )

    @event.listens_for(engine, "before_cursor_execute")
    def before_statement(connection, *_):
        nonlocal left
        left -= 1
        if left == 0:
            end(connection)

    event.listen(engine, "commit", lambda connection: end(connection) if left == 1 else None)
    while True:
        left = cut + 1
        with losses() as lost:
            register.record_intake(trial, [one_file], now)
        if not lost:
            break
        assert re.search(r"The connection to .* was lost; do it again", lost[0])
        assert stored() == before
        cut += 1
    assert cut > 8
    left = 0
    assert len(register.entries()) == 2
    assert register.check() == []


def test_a_server_killed_and_started_again_has_all_that_was_acknowledged(
    own, fresh, loaded, one_file, batch_of, now
):
    with Register.open(own.url(fresh)) as register:
        trial = register.seal(loaded, now).id
        register.record_intake(trial, [one_file], now)
        head = register.head()
        own.stop("immediate")  # as kill -9: nothing is written any more
        with pytest.raises(RegisterError, match=r"cannot be reached|was lost") as refusal:
            register.record_intake(trial, [batch_of("two.csv", [])], now)
        assert "\n" not in str(refusal.value)
        own.start()
        assert register.check(head=head) == []
        assert len(register.readings(trial)) == 1
        register.record_intake(trial, [batch_of("two.csv", [])], now)
        assert register.check(head=head) == []


def test_a_dump_is_restored_into_another_database(own, fresh, loaded, tmp_path, now):
    """What the sentence of `fairtank backup` says to do."""
    with Register.open(own.url(fresh)) as register:
        register.seal(loaded, now)
        with pytest.raises(RegisterError, match=r"`pg_dump .*`, as its owner, .* `pg_restore`") as said:
            back_up(register, tmp_path / "copy.db")
        before, head = register.entries(), register.head()
    assert not list(tmp_path.glob("copy*"))
    command = re.search(r"`(pg_dump .*?)`", str(said.value))[1].split()
    file = own.folder / "copy.dump"
    command = [part.replace("FILE", str(file)).replace("DATABASE", fresh) for part in command]
    own.run(*command)
    with psycopg.connect(own.url(), autocommit=True) as owner:
        owner.execute("CREATE DATABASE restored")
    own.run("pg_restore", "--exit-on-error", "--dbname=restored", file)
    with Register.open(own.url("restored")) as restored:
        assert restored.entries() == before
        assert restored.check(head=head) == []


def test_a_damaged_page_is_found_and_said(own, fresh, loaded, one_file, now):
    with Register.open(own.url(fresh)) as register:
        trial = register.seal(loaded, now).id
        register.record_intake(trial, [one_file], now)
    with psycopg.connect(own.url(fresh), autocommit=True) as owner:
        (place,) = owner.execute("SELECT pg_relation_filepath('fairtank.readings')").fetchone()
        owner.execute("CHECKPOINT")
    own.stop("fast")
    file = own.data / place
    content = bytearray(file.read_bytes())
    content[5000:5064] = b"\xff" * 64
    file.write_bytes(content)
    own.start()
    with Register.open(own.url(fresh)) as register:
        (finding,) = register.check()
        assert (finding.what, finding.where) == ("database", "pages")
        assert "is damaged (invalid page in block 0" in finding.text
        with pytest.raises(RegisterError, match=r"is damaged .* go back to a copy from before"):
            register.readings(trial)


@pytest.mark.parametrize(
    ("state", "sentence"),
    [("53100", "The disk of the server of .* is full; nothing was changed"), ("53200", "is short of means")],
)
def test_a_server_short_of_means_is_said(register, trial, location, stored, one_file, state, sentence):
    """The server is made to fail as it does on a full disk, after the entry and before the readings are in."""
    with psycopg.connect(location, autocommit=True) as owner:
        owner.execute(
            "CREATE FUNCTION fairtank.fail() RETURNS trigger LANGUAGE plpgsql AS "
            f"'BEGIN RAISE EXCEPTION USING ERRCODE = ''{state}'', MESSAGE = ''no more''; END'"
        )
        owner.execute(
            "CREATE TRIGGER fail BEFORE INSERT ON fairtank.readings FOR EACH ROW EXECUTE FUNCTION fairtank.fail()"
        )
    before = stored()
    with pytest.raises(RegisterError, match=sentence):
        register.record_intake(trial, [one_file], NOW)
    assert stored() == before
