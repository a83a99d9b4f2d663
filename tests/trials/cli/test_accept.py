"""Unlikely rows accepted as they are: settled, in the analysis, in the history, and held to the audit."""

import json
import sqlite3

import pytest

from trials.cli import main

PROTOCOL = """
format = 1
trial = { id = "try", title = "A first try" }
arms = [ { id = "control", role = "control", title = "Water changes" }, { id = "polymer", role = "test", title = "Pellets" } ]
design = { kind = "parallel", seed = "1" }
tanks = [ { id = "a" }, { id = "b" }, { id = "c" }, { id = "d" } ]
schedule = { start = 2026-03-02, phases = [ { id = "baseline", days = 28 }, { id = "assessment", days = 56 } ] }
[[endpoints]]
id = "nitrate-mean"
role = "primary"
variable = "nitrate"
summary = "mean"
phase = "assessment"
better = "lower"
worthwhile = 2
"""
SENT = """tank,taken_at,nitrate [mg/L],phosphate [mg/L],by
a,2026-04-06,80,0.1,Ann
b,2026-04-06,12,0.1,Ann
x,2026-04-06,90,0.1,Ann
c,2026-04-06,70,0.1,Bo
"""
SAID = ("--why", "Tested twice, a tank of large fish", "--by", "Ann")


@pytest.fixture
def run(tmp_path, monkeypatch, capsys):
    """A register with the file taken in; runs a command and returns status, output and errors."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("FAIRTANK_REGISTER", raising=False)
    (tmp_path / "protocol.toml").write_text(PROTOCOL, encoding="utf-8")
    (tmp_path / "may.csv").write_text(SENT, encoding="utf-8")

    def command(*words):
        status = main([str(word) for word in words])
        captured = capsys.readouterr()
        return status, captured.out, captured.err

    assert command("register", "protocol.toml")[0] == 0
    assert command("intake", "may.csv")[0] == 3
    return command


def document(run, *words):
    return json.loads(run(*words, "--json")[1])


def test_an_accepted_row_is_settled_and_in_the_record(run):
    status, out, _ = run("held")
    assert status == 3
    assert 'An unlikely value that is right: fairtank held --accept "may.csv:2"' in out
    status, out, _ = run("held", "--accept", "may.csv:2", *SAID)
    assert status == 3  # two others wait
    assert "may.csv: 1 row accepted as it is, 2 new readings, entry 3." in out
    assert [row["name"] for row in document(run, "held")["rows"]] == ["may.csv:4", "may.csv:5"]
    lines = document(run, "history", "--tank", "a")["history"]
    assert len(lines) == 2
    assert "nitrate, 2026-04-06: 80 mg/L" in lines[0]["text"]
    assert lines[0]["text"].endswith("held by entry 2 as unlikely and accepted as it is")
    assert (lines[0]["by"], lines[0]["why"]) == ("Ann", SAID[1])
    assert run("verify")[0] == 0
    again = document(run, "intake", "may.csv")
    assert (again["rows"], again["accepted"], again["held"], again["repeated"]) == (4, 0, 2, 2)


def test_all_unlikely_rows_of_a_file_are_accepted_by_its_name(run):
    made = document(run, "held", "--accept", "may.csv", *SAID)
    assert made["accepted"] == [{"entry": 3, "file": "may.csv", "rows": 2, "readings": 4}]
    assert [row["name"] for row in made["rows"]] == ["may.csv:4"]
    assert run("verify")[0] == 0


REFUSED = {
    "more than unlikely": (("may.csv:4", *SAID), "cannot be accepted as it is, only mended"),
    "not held": (("may.csv:3", *SAID), 'No row "may.csv:3" waits'),
    "a slip": (("may.cvs:2", *SAID), "did you mean may.csv:2?"),
    "no reason": (("may.csv:2", "--by", "Ann"), "--accept needs --why too"),
    "nobody": (("may.csv:2", "--why", "It is so", "--by", " "), "--accept needs --by too"),
    "written too": (("may.csv:2", *SAID, "--write", "x.xlsx"), "two things"),
}


@pytest.mark.parametrize("case", REFUSED)
def test_what_cannot_be_accepted_is_refused_in_one_sentence(run, case):
    words, said = REFUSED[case]
    status, out, err = run("held", "--accept", *words)
    assert (status, out) == (2, "")
    assert said in err
    assert document(run, "held")["held"] == 3


def test_the_way_to_sort_is_named_to_those_who_knew_another(run):
    status, _, err = run("held", "--by", "person")
    assert status == 2
    assert "write --group person" in err
    assert run("held", "--by", "Ann")[0] == 2


def test_a_row_of_a_workbook_is_named_with_its_sheet(run, tmp_path):
    from xlsxwriter import Workbook

    with Workbook(tmp_path / "book.xlsx") as book:
        sheet = book.add_worksheet("June late")
        for line, row in enumerate([["tank", "taken_at", "nitrate [mg/L]"], ["d", "2026-05-11", 95]]):
            sheet.write_row(line, 0, row)
    assert run("intake", "book.xlsx")[0] == 3
    assert run("held", "--accept", "book.xlsx:June late:2", *SAID)[0] == 3
    assert "95 mg/L" in run("history", "--tank", "d")[1]


def test_nothing_is_accepted_after_the_end_of_data_entry(run):
    assert run("amend", "--close-data-entry", *SAID)[0] == 0
    status, _, err = run("held", "--accept", "may.csv:2", *SAID)
    assert status == 1
    assert "Data entry of try was closed" in err


def test_a_row_that_contradicts_the_register_by_now_is_refused(run, tmp_path):
    (tmp_path / "other.csv").write_text(SENT.replace("80", "30"), encoding="utf-8")
    assert run("intake", "other.csv")[0] == 3
    status, _, err = run("held", "--accept", "may.csv:2", *SAID)
    assert status == 2
    assert "cannot be accepted any more as it is" in err
    assert "the register already holds 30 mg/L" in err


def test_a_correction_to_an_unlikely_value_is_taken(run):
    """Whoever corrects says who and why already."""
    assert run("amend", "--reading", 1, "--value", "85", *SAID)[0] == 0
    status, _, err = run("amend", "--reading", 1, "--value", "8500", *SAID)
    assert status == 2
    assert "is not possible" in err


def test_an_acceptance_that_names_another_row_is_found(run, tmp_path):
    """Whoever holds the file can drop the triggers; the audit still sees it."""
    assert run("held", "--accept", "may.csv:2", *SAID)[0] == 3
    with sqlite3.connect(tmp_path / "fairtank.db") as database:
        for (name,) in database.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
            database.execute(f'DROP TRIGGER "{name}"')
        database.execute(
            "UPDATE rows SET reasons = replace(reasons, 'unlikely', 'zero') WHERE entry = 2 AND row = 2"
        )
    database.close()
    found = document(run, "verify")["findings"]
    assert any("accepts rows as they are, but row 2 is held for more" in each["text"] for each in found)
