"""Events and check samples at the command line: taken in, held and mended, corrected, looked back at, verified."""

import io
import json

import openpyxl
import pytest
import xlsxwriter

from trials.cli import main
from trials.register.store import Register

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
id = "liquid"
role = "test"
title = "Liquid carbon"
[design]
kind = "blocks"
seed_from = "the balls of 4 April"
{tanks}
[schedule]
start = 2026-03-02
phases = [{{ id = "baseline", days = 28 }}, {{ id = "assessment", days = 56 }}]
sampling = [{{ variable = "nitrate", every_days = 7 }}]
[[endpoints]]
id = "nitrate-mean"
role = "primary"
variable = "nitrate"
summary = "mean"
phase = "assessment"
better = "lower"
worthwhile = 2.0
[[check_samples]]
id = "ref-a"
kind = "reference"
variable = "nitrate"
value = 10.0
uncertainty = 0.3
"""
TANKS = "\n".join(
    f'[[tanks]]\nid = "{site}-{tank}"\nsite = "{site}"\nblock = "{site}"\nvolume_L = 200'
    for site in ("s1", "s2", "s3")
    for tank in "ab"
)
EVENTS = """tank,at,kind,amount,unit,by,note
s1-a,2026-04-06,WC,10,%,Ann,
s1-a,2026-04-07 08:00,dose,3,mL,Ann,
s1-b,2026-04-07,treatment,1,mL,Bo,
s1-a,2026-04-08,fault,,,Ann,pump stood still
"""
MIXED = """tank,site,taken_at,variable,value,unit
s1-a,s1,2026-04-06,nitrate,12,mg/L
ref-a,s1,2026-04-06,nitrate,9.6,mg/L
ref-a,s9,2026-04-06,nitrate,9.9,mg/L
"""
SAID = ("--why", "The syringe holds ten times less", "--by", "Ann")


@pytest.fixture
def run(tmp_path, monkeypatch, capsys):
    """A registered trial with events and a check sample: run a command: exit status, standard output, standard error."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("FAIRTANK_REGISTER", raising=False)
    for name, text in (
        ("protocol.toml", PROTOCOL.format(tanks=TANKS)),
        ("events.csv", EVENTS),
        ("mixed.csv", MIXED),
    ):
        (tmp_path / name).write_text(text, encoding="utf-8")

    def call(*words):
        capsys.readouterr()
        status = main([str(word) for word in words])
        shown = capsys.readouterr()
        assert "Traceback" not in shown.err
        return status, shown.out, shown.err

    assert call("register", "protocol.toml")[0] == 0
    assert call("intake", "events.csv", "mixed.csv")[0] == 3
    return call


def document(run, *words):
    return json.loads(run(*words, "--json")[1])


def test_rows_of_all_kinds_are_in_the_sum(run):
    again = document(run, "intake", "events.csv", "mixed.csv")
    assert (again["rows"], again["accepted"], again["held"], again["repeated"]) == (7, 0, 2, 5)
    assert (again["readings"], again["events"], again["check_readings"]) == (0, 0, 0)
    assert [(row["file"], row["row"], row["reasons"][0]["code"]) for row in again["held_rows"]] == [
        ("events.csv", 4, "unknown-kind"),
        ("mixed.csv", 4, "unknown-site"),
    ]
    with Register.open("fairtank.db") as register:
        assert len(register.readings("try")) == 1
        assert register.events("try")[["tank", "kind", "amount"]].fillna(-1).values.tolist() == [
            ["s1-a", "water-change", 20.0],
            ["s1-a", "dose", 3.0],
            ["s1-a", "fault", -1],
        ]
        assert register.check_readings("try")[["site", "sample", "value"]].values.tolist() == [
            ["s1", "ref-a", 9.6]
        ]
    assert run("verify")[0] == 0


def test_what_is_new_is_counted_in_words(run, tmp_path):
    (tmp_path / "more.csv").write_text(
        "tank,at,kind,amount,unit\ns2-a,2026-04-06,feed,2,g\n", encoding="utf-8"
    )
    status, out, _ = run("intake", "more.csv")
    assert status == 0
    assert "1 rows = 1 accepted + 0 held + 0 repeated; 0 new readings, 1 new events." in out


def test_the_history_of_a_tank_tells_its_events_and_one_is_corrected_by_its_number(run):
    status, out, _ = run("history", "--tank", "s1-a")
    assert status == 0
    assert 'event 2: s1-a, dose, 2026-04-07 08:00:00: 3 mL (written "3 mL", events.csv, row 3)' in out
    assert "event 3: s1-a, fault, 2026-04-08: pump stood still (events.csv, row 5)" in out
    status, out, _ = run("amend", "--event", "2", "--amount", "0,3", *SAID)
    assert status == 0
    assert 'Event 2: corrected to 0.3 mL (written "0,3 mL")' in out
    status, out, _ = run("history", "--event", "2")
    assert [line for line in out.splitlines() if "event 2: corrected to 0.3 mL" in line]
    assert "    by Ann: The syringe holds ten times less" in out
    with Register.open("fairtank.db") as register:
        assert register.events("try").set_index("event").loc[2, "amount"] == 0.3
    assert document(run, "intake", "events.csv")["repeated"] == 3, "the file stays recognised"
    assert run("verify")[0] == 0


def test_an_amount_is_converted_and_an_event_withdrawn(run):
    assert run("amend", "--event", "1", "--amount", "15", "--unit", "%", *SAID)[0] == 0
    assert run("amend", "--event", "3", "--withdraw", *SAID)[0] == 0
    with Register.open("fairtank.db") as register:
        assert register.events("try")[["event", "amount"]].values.tolist() == [[1, 30.0], [2, 3.0]]
    lines = document(run, "history", "--event", "3")["history"]
    assert [(line["kind"], line["text"]) for line in lines][-1] == ("event-correction", "withdrawn")


WRONG = {
    "no event": (("--amount", "3", *SAID), "--amount needs --event too."),
    "no reason": (("--event", "1", "--amount", "3"), "--amount needs --why and --by too."),
    "a reading and an event": (
        ("--event", "1", "--reading", "1", "--withdraw", *SAID),
        "--reading cannot stand with --withdraw.",
    ),
    "a value of an event": (("--event", "1", "--value", "3", *SAID), "--value needs --reading too."),
    "no number": (("--event", "2", "--amount", "lots", *SAID), "--amount lots cannot be taken in:"),
    "another unit": (("--event", "2", "--amount", "3", "--unit", "drops", *SAID), 'not counted in "drops"'),
    "an amount of a fault": (
        ("--event", "3", "--amount", "3", *SAID),
        "event 3 is of the kind fault, which has no",
    ),
}


@pytest.mark.parametrize(("words", "sentence"), WRONG.values(), ids=WRONG)
def test_wrong_usage_is_one_sentence_and_records_nothing(run, words, sentence):
    with Register.open("fairtank.db") as register:
        head = register.head()
    status, _, err = run("amend", *words)
    assert status == 2
    assert sentence in err
    with Register.open("fairtank.db") as register:
        assert register.head() == head


def test_an_event_that_is_not_there_is_said(run):
    for words in (("amend", "--event", "9", "--withdraw", *SAID), ("history", "--event", "9")):
        status, _, err = run(*words)
        assert status == 1
        assert (
            "try has no event 9; `fairtank history try --tank TANK` shows the numbers of a tank's events."
            in err
        )


def test_one_thing_is_looked_back_at(run):
    for words in ((), ("--event", "1", "--tank", "s1-a")):
        status, _, err = run("history", *words)
        assert status == 2
        assert "name a reading (--reading NUMBER), an event (--event NUMBER) or a tank (--tank ID)." in err


def test_held_events_go_out_as_a_workbook_and_come_back_mended(run):
    assert run("held", "--write", "mend.xlsx")[0] == 3
    book = openpyxl.load_workbook("mend.xlsx")
    sheet = next(s for s in book.worksheets if any(cell.value == "kind" for cell in s[1]))
    place = next(cell.column for cell in sheet[1] if cell.value == "kind")
    sheet.cell(2, place).value = "dose"
    book.save("mended.xlsx")
    taken = document(run, "intake", "mended.xlsx")
    assert (taken["accepted"], taken["events"]) == (1, 1)
    waiting = document(run, "held")
    assert [row["reasons"][0]["code"] for row in waiting["rows"]] == ["unknown-site"]


def sheet_of(trial, site="s1", number="1", digest="0" * 64):
    stream = io.BytesIO()
    with xlsxwriter.Workbook(stream, {"in_memory": True}) as book:
        readings = book.add_worksheet("readings")
        for column, text in enumerate(("tank", "taken at", "nitrate [mg/L]")):
            readings.write_string(0, column, text)
        for row, (tank, value) in enumerate((("s1-b", "11"), ("ref-a", "9.7"), ("s1-a", "")), start=1):
            for column, text in enumerate((tank, "2026-04-13", value)):
                readings.write_string(row, column, text)
        identity = book.add_worksheet("fairtank")
        known = {"trial": trial, "digest": digest, "site": site, "sheet_format": number}
        for row, pair in enumerate(known.items()):
            for column, text in enumerate(pair):
                identity.write_string(row, column, text)
        identity.very_hidden()
    return stream.getvalue()


def test_a_recording_sheet_says_where_it_was_filled_in(run, tmp_path):
    (tmp_path / "s1.xlsx").write_bytes(sheet_of("try"))
    taken = document(run, "intake", "s1.xlsx")
    assert (taken["rows"], taken["accepted"], taken["readings"], taken["check_readings"]) == (2, 2, 1, 1)
    remarks = taken["files"][0]["remarks"]
    assert not [remark for remark in remarks if '"fairtank"' in remark]
    assert "A recording sheet of the site s1." in remarks
    amended = "It was made for another state of the protocol than the one in force; `fairtank sheets` makes it anew."
    assert amended in remarks
    with Register.open("fairtank.db") as register:
        (tmp_path / "s1.xlsx").write_bytes(sheet_of("try", digest=register.find("try").digest))
    assert amended not in document(run, "intake", "s1.xlsx")["files"][0]["remarks"]
    with Register.open("fairtank.db") as register:
        assert register.check_readings("try")[["site", "sample", "value"]].values.tolist() == [
            ["s1", "ref-a", 9.6],
            ["s1", "ref-a", 9.7],
        ]


OTHER_SHEETS = {
    "another trial": (
        {"trial": "other-2026"},
        's1.xlsx is a recording sheet of the trial "other-2026" and not of try',
    ),
    "a later form": (
        {"trial": "try", "number": "2"},
        'is a recording sheet of format "2", and this fairtank reads',
    ),
}


@pytest.mark.parametrize(("change", "sentence"), OTHER_SHEETS.values(), ids=OTHER_SHEETS)
def test_a_recording_sheet_of_something_else_is_refused_in_one_sentence(run, tmp_path, change, sentence):
    (tmp_path / "s1.xlsx").write_bytes(sheet_of(**change))
    status, out, err = run("intake", "s1.xlsx")
    assert (status, out) == (1, "")
    assert sentence in err
    assert err.count("\n") == 1
