"""The commands on a register that a server holds, and the two that concern its home: --init-server and backup."""

import json
from pathlib import Path

import pytest

from trials.cli import main
from trials.register.server_script import script

CLUB = Path(__file__).parents[3] / "data" / "club"


@pytest.fixture
def run(capsys):
    """Run a command; its exit status, what it printed, and what it complained of."""

    def command(*words):
        status = main([str(word) for word in words])
        printed = capsys.readouterr()
        return status, printed.out, printed.err

    return command


def test_the_script_is_printed_whole_and_nothing_else_is_done(run, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    assert run("register", "--init-server") == (0, f"{script()}\n", "")
    assert list(tmp_path.iterdir()) == []
    status, printed, said = run("register", CLUB / "protocol.toml", "--init-server")
    assert (status, printed) == (2, "")
    assert "give it alone" in said
    status, _, said = run("register")
    assert (status, said) == (2, "fairtank: name the protocol to be sealed: fairtank register PROTOCOL.\n")


def test_a_copy_is_made_and_what_it_holds_is_said(run, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    run("register", CLUB / "protocol.toml")
    status, printed, _ = run("backup", "copy.db", "--json")
    document = json.loads(printed)
    assert (status, document["ok"], document["copy"], document["entries"]) == (0, True, "copy.db", 1)
    status, printed, _ = run("verify", "--register", "copy.db", "--head", document["head"])
    assert (status, document["head"] in printed) == (0, True)
    status, _, said = run("backup", "copy.db")
    assert (status, said) == (
        1,
        "fairtank: copy.db is there already, and a copy writes over nothing; give it another name.\n",
    )
    assert run("backup", "again.db")[1].startswith(
        "again.db is a whole copy with 1 entry. Head of its chain: "
    )
