"""Amending, looking back and mending held rows, as people do it at the command line."""

import json

import pytest

from trials.cli import main

PROTOCOL = """
format = 1
[trial]
id = "try"
title = "A first try"
[[arms]]
id = "control"
role = "control"
title = "Water changes alone"
[[arms]]
id = "polymer"
role = "test"
title = "Polymer pellets"
[design]
kind = "blocks"
seed_from = "the balls of 4 April"
{tanks}
[schedule]
start = 2026-03-02
phases = [{{ id = "baseline", days = 28 }}, {{ id = "assessment", days = 56 }}]
sampling = [{{ variable = "nitrate", every_days = 7 }}, {{ variable = "phosphate", every_days = 7 }}]
[[endpoints]]
id = "nitrate-mean"
role = "primary"
variable = "nitrate"
summary = "mean"
phase = "assessment"
scale = "ratio"
better = "lower"
worthwhile = 0.8
"""
TANKS = "\n".join(
    f'[[tanks]]\nid = "{site}-{tank}"\nsite = "{site}"\nblock = "{site}"'
    for site in ("s1", "s2", "s3")
    for tank in "ab"
)
READINGS = """tank;taken_at;by;nitrate [mg/L];phosphate [mg/L]
s1-a;2026-05-04;Ann;14,5;<0,03
s1-b;2026-05-04;Ann;13,1;0,05
s2-a;2026-05-04;Bo;15,5;0,10
s2-b;2026-05-04;Bo;15,6;0,08
s9-z;2026-05-04;Bo;15,6;0,08
s3-a;03/04/2026;Cy;15,0;0,06
s3-b;2026-05-04;;14,1;0,07
"""
LATER = "".join(
    line.replace("2026-05-04", "2026-04-20").replace("03/04/2026", "2026-04-20")
    for line in READINGS.splitlines(keepends=True)
    if "s9-z" not in line
)
LONG = """tank,taken_at,variable,value,unit
s3-x,2026-05-11,nitrate,1.5,mg/L
"""
SAID = ("--why", "The card was read upside down", "--by", "Ann")


@pytest.fixture
def folder(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("FAIRTANK_REGISTER", raising=False)
    (tmp_path / "protocol.toml").write_text(PROTOCOL.format(tanks=TANKS), encoding="utf-8")
    (tmp_path / "readings.csv").write_text(READINGS, encoding="utf-8")
    (tmp_path / "long.csv").write_text(LONG, encoding="utf-8")
    return tmp_path


@pytest.fixture
def run(folder, capsys):  # noqa: ARG001 - every command runs in that folder
    """A registered, allocated trial with readings; run a command: exit status, standard output, standard error."""

    def call(*words):
        capsys.readouterr()
        status = main([str(word) for word in words])
        shown = capsys.readouterr()
        assert "Traceback" not in shown.err
        return status, shown.out, shown.err

    assert call("register", "protocol.toml")[0] == 0
    assert call("allocate", "--seed", "4 17 23")[0] == 0
    assert call("intake", "readings.csv", "long.csv")[0] == 3
    return call


def document(run, *words):
    return json.loads(run(*words, "--json")[1])


def reading_of(run, tank, variable):
    """The number of a reading, as history shows it."""
    lines = document(run, "history", "--tank", tank)["history"]
    return next(line["reading"] for line in lines if f", {variable}," in line["text"])


def test_a_reading_is_corrected_and_its_history_told(run):
    number = reading_of(run, "s1-a", "nitrate")
    status, out, _ = run("amend", "--reading", number, "--value", "12,5", *SAID)
    assert status == 0
    assert f"Reading {number}: s1-a, nitrate, 2026-05-04: 14.5 mg/L" in out
    assert f'Reading {number}: corrected to 12.5 mg/L (written "12,5 mg/L")' in out
    tank = document(run, "analyse")["endpoints"][0]["tanks"][0]
    assert (tank["tank"], tank["value"]) == ("s1-a", 12.5)
    status, out, _ = run("history", "--reading", number)
    assert status == 0
    assert "read by Ann" in out
    assert "by Ann: The card was read upside down" in out
    assert run("verify")[0] == 0


def test_a_unit_is_converted_and_a_limit_stays_a_limit(run):
    number = reading_of(run, "s1-a", "nitrate")
    assert run("amend", "--reading", number, "--value", "2", "--unit", "mg/L NO3-N", *SAID)[0] == 0
    # 62.0049 / 14.0067, from the standard atomic weights.
    assert document(run, "analyse")["endpoints"][0]["tanks"][0]["value"] == pytest.approx(8.8536, rel=1e-4)
    phosphate = reading_of(run, "s1-b", "phosphate")
    _, out, _ = run("amend", "--reading", phosphate, "--value", "<0.02", *SAID)
    assert "corrected to <0.02 mg/L" in out


def test_a_withdrawn_reading_is_out_and_does_not_come_back_with_its_file(run):
    number = reading_of(run, "s2-a", "nitrate")
    before = document(run, "analyse")["readings"]["total"]
    assert run("amend", "--reading", number, "--withdraw", *SAID)[0] == 0
    assert document(run, "analyse")["readings"]["total"] == before - 1
    assert document(run, "intake", "readings.csv")["accepted"] == 0
    assert document(run, "analyse")["readings"]["total"] == before - 1


WRONG = {
    "nothing": (SAID, "say what to record"),
    "two things": (("--reading", 1, "--withdraw", "--close-data-entry", *SAID), "record one at a time"),
    "no why": (("--reading", 1, "--withdraw", "--by", "Ann"), "--withdraw needs --why too"),
    "blank by": (("--close-data-entry", "--why", "done", "--by", " "), "needs --by too"),
    "value without reading": (("--value", "3", *SAID), "--value needs --reading too"),
    "deviation without day": (("--tank", "s1-a", "--deviation", "x", *SAID), "needs --from too"),
    "rescue with from": (
        ("--tank", "s1-a", "--rescue", "x", "--at", "2026-05-01", "--from", "2026-05-01", *SAID),
        "--from cannot stand with --rescue",
    ),
    "treated-as of a dropout": (
        ("--tank", "s1-a", "--dropout", "x", "--from", "2026-05-01", "--treated-as", "control", *SAID),
        "--treated-as cannot stand with --dropout",
    ),
    "empty deviation": (
        ("--tank", "s1-a", "--deviation", " ", "--from", "2026-05-01", *SAID),
        "--deviation needs words",
    ),
    "not a number": (("--reading", 1, "--value", "plenty", *SAID), "cannot be taken in"),
    "impossible": (("--reading", 1, "--value", "99999", *SAID), "cannot be taken in"),
    "zero of a kit": (("--reading", 1, "--value", "0", *SAID), "cannot be taken in"),
    "unit of another thing": (
        ("--reading", 1, "--value", "3", "--unit", "dKH", *SAID),
        "cannot be taken in",
    ),
}


@pytest.mark.parametrize(("words", "sentence"), WRONG.values(), ids=WRONG)
def test_wrong_usage_is_one_sentence_and_records_nothing(run, words, sentence):
    head = document(run, "verify")["head"]
    status, out, err = run("amend", *words)
    assert (status, out) == (2, "")
    assert sentence in err
    assert len(err.splitlines()) == 1
    assert document(run, "verify")["head"] == head


def test_what_is_not_there_is_said(run):
    assert "has no reading 99" in run("amend", "--reading", 99, "--value", "3", *SAID)[2]
    assert "did you mean s1-a" in run("history", "--tank", "s1a")[2]
    assert run("history", "--tank", "s1-a", "--reading", 1)[0] == 2
    assert run("history")[0] == 2


def test_what_happened_to_tanks_is_in_their_history_and_in_the_report(run, folder):
    arms = {t["tank"]: t["arm"] for t in document(run, "analyse")["endpoints"][0]["tanks"]}
    other = {"control": "polymer", "polymer": "control"}[arms["s1-a"]]
    day = ("--from", "2026-05-01")
    (folder / "later.csv").write_text(LATER, encoding="utf-8")
    assert run("intake", "later.csv")[0] == 0
    for words in (
        ("--tank", "s1-a", "--deviation", "wrong bottle", "--treated-as", other, *day),
        ("--tank", "s2-b", "--dropout", "the tank <leaked>", *day),
        ("--tank", "s3-b", "--rescue", "large water change", "--at", "2026-05-02"),
    ):
        assert run("amend", *words, *SAID)[0] == 0
    texts = [line["text"] for line in document(run, "history", "--tank", "s1-a")["history"]]
    assert texts[-1] == f"2026-05-01: wrong bottle, in fact treated as {other}"
    endpoint = document(run, "analyse")["endpoints"][0]
    assert {t["tank"]: t["arm"] for t in endpoint["tanks"]} == arms
    assert [s["name"] for s in endpoint["sensitivity"]][-1] == "as-treated"
    assert run("report")[0] == 0
    page = (folder / "try-report" / "report.html").read_text(encoding="utf-8")
    for words in ("wrong bottle", "left the trial on 1 May 2026", "the tank &lt;leaked&gt;", "as treated"):
        assert words in page
    assert run("verify")[0] == 0


def test_an_amended_protocol_runs_and_is_said_to_come_after_the_data(run, folder):
    (folder / "later.csv").write_text(LATER, encoding="utf-8")
    assert run("intake", "later.csv")[0] == 0
    sealed = document(run, "analyse")["protocol_digest"]
    text = (folder / "protocol.toml").read_text().replace("worthwhile = 0.8", "worthwhile = 0.7")
    (folder / "amended.toml").write_text(text)
    status, out, _ = run("amend", "--protocol", "amended.toml", *SAID)
    assert status == 0
    assert "endpoints.nitrate-mean.worthwhile: 0.8 became 0.7" in out
    assert "Data had been taken in by then." in out
    result = document(run, "analyse")
    assert result["protocol_digest"] != sealed
    assert result["endpoints"][0]["worthwhile"] == 0.7
    assert any("read the primary results as exploratory" in note for note in result["notes"])
    assert run("allocate", "--check")[0] == 0
    assert run("report")[0] == 0
    page = (folder / "try-report" / "report.html").read_text(encoding="utf-8")
    assert sealed in page
    assert "after readings had been taken in" in page
    moved = text.replace('block = "s3"', 'block = "s2"')
    (folder / "moved.toml").write_text(moved)
    assert run("amend", "--protocol", "moved.toml", *SAID)[0] == 1
    assert run("verify")[0] == 0


def test_held_rows_by_reason_tank_person_and_file(run):
    status, out, _ = run("held")
    assert status == 3
    assert "unknown-tank: 2" in out
    assert "ambiguous-date: 1" in out
    assert "3 rows wait." in out
    assert "Bo: 1" in run("held", "--group", "person")[1]
    found = document(run, "held")
    assert found["held"] == len(found["rows"]) == 3
    assert found["by_reason"] == {"unknown-tank": 2, "ambiguous-date": 1}
    assert found["by_tank"] == {"s3-a": 1, "s3-x": 1, "s9-z": 1}
    assert found["by_person"] == {"(none given)": 1, "Bo": 1, "Cy": 1}
    assert found["by_file"] == {"readings.csv": 2, "long.csv": 1}


def test_held_rows_go_out_as_a_workbook_and_come_back_mended(run, folder):
    from python_calamine import CalamineWorkbook
    from xlsxwriter import Workbook

    assert run("held", "--write", "held.txt")[0] == 2
    status, out, _ = run("held", "--write", "held.xlsx")
    assert status == 3
    assert "fairtank intake held.xlsx" in out
    assert run("held", "--write", "held.xlsx")[0] == 1
    book = CalamineWorkbook.from_path(folder / "held.xlsx")
    sheets = {name: book.get_sheet_by_name(name).to_python() for name in book.sheet_names}
    assert sheets["held 1"][0][:3] == ["held as", "why held", "tank"]
    assert "is not a tank of this trial" in sheets["held 1"][1][1]
    assert sheets["held 1"][1][2:] == ["s9-z", "2026-05-04", "Bo", "15,6", "0,08"]
    # Unmended it comes back as it is: the same rows wait, once.
    again = document(run, "intake", "held.xlsx")
    assert (again["rows"], again["accepted"], again["held"]) == (3, 0, 3)
    assert document(run, "held")["held"] == 3
    mended = {"s9-z": "s3-a", "03/04/2026": "2026-04-27", "s3-x": "s3-b"}
    with Workbook(folder / "mended.xlsx") as out_book:
        for name, rows in sheets.items():
            sheet = out_book.add_worksheet(name)
            for line, row in enumerate(rows):
                for place, cell in enumerate(row):
                    sheet.write_string(line, place, mended.get(cell, cell))
    taken = document(run, "intake", "mended.xlsx")
    assert (taken["rows"], taken["accepted"], taken["held"]) == (3, 3, 0)
    assert any('"why held" is not one that is known' in remark for remark in taken["files"][0]["remarks"])
    status, out, _ = run("held")
    assert (status, out) == (0, "No row waits.\n")


def test_closing_data_entry_says_what_stays_out(run):
    status, out, _ = run("amend", "--close-data-entry", *SAID)
    assert status == 0
    assert "3 held rows were still waiting" in out
    status, _, err = run("intake", "long.csv")
    assert status == 1
    assert "no file is taken in any more" in err
    assert run("verify")[0] == 0
