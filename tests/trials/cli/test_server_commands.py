"""A trial on a server by the commands: from the script to the end, by a lead and a writer, without a password shown."""

import json
import secrets
from pathlib import Path

import psycopg
import pytest

from trials.cli import main

CLUB = Path(__file__).parents[3] / "data" / "club"
SAID = ["--why", "the last sheets are in", "--by", "the water group"]


@pytest.fixture
def accounts(server, database, address_of):
    """The addresses of a lead and a writer, with passwords that the server does not ask for."""
    name = psycopg.conninfo.conninfo_to_dict(database)["dbname"]
    mark = secrets.token_hex(4)
    with psycopg.connect(server, autocommit=True) as owner:
        for role in ("lead", "writer"):
            owner.execute(f"CREATE ROLE {role}_{mark} LOGIN IN ROLE fairtank_{role}")
        yield [
            address_of(database, name, user=f"{role}_{mark}").replace("@", ":unspoken@")
            for role in ("lead", "writer")
        ]
        for role in ("lead", "writer"):
            owner.execute(f"DROP ROLE {role}_{mark}")


def test_a_trial_is_led_and_written_on_a_server(accounts, capsys, monkeypatch):
    lead, writer = accounts
    heard = []

    def run(status, address, *words):
        monkeypatch.setenv("FAIRTANK_REGISTER", address)
        assert main([str(word) for word in words]) == status, capsys.readouterr().err
        printed = capsys.readouterr()
        heard.append(printed.out + printed.err)
        return printed.out or printed.err

    assert "Sealed in postgresql://lead_" in run(0, lead, "register", CLUB / "protocol.toml")
    assert "Your account may not do that" in run(1, writer, "allocate", "--seed", "4 17 23 31 40 8")
    run(0, lead, "allocate", "--seed", "4 17 23 31 40 8")
    files = sorted((CLUB / "readings" / "1-baseline").iterdir())[:2]
    taken_in = json.loads(run(0, writer, "intake", *files, "--json"))
    assert taken_in["rows"] == taken_in["accepted"] + taken_in["held"] + taken_in["repeated"] > 0
    assert json.loads(run(0, writer, "held", "--json"))["held"] == taken_in["held"]
    assert "is masked for your account until data entry is closed" in run(1, writer, "allocate", "--check")
    assert "masked for your account: 1. They are held to the chain" in run(0, writer, "verify")
    assert "Your account may not do that" in run(1, writer, "amend", "--close-data-entry", *SAID)
    run(0, lead, "amend", "--close-data-entry", *SAID)
    run(0, writer, "allocate", "--check")
    assert "masked for" not in run(0, writer, "verify")
    assert "pg_dump" in run(1, lead, "backup", "copy.db")
    assert "unspoken" not in "".join(heard)
