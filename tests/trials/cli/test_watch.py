"""`fairtank watch` as the lead of a trial uses it."""

import json
from datetime import date, datetime

import pytest
from icalendar import Calendar

from trials.cli import main

PROTOCOL = """
format = 1
[trial]
id = "try"
title = "Polymer pellets or water changes alone"
[[arms]]
id = "plain"
role = "control"
title = "Water changes alone"
[[arms]]
id = "solid"
role = "test"
title = "Polymer pellets"
carbon = { source = "phb", full_dose = "25.6 g / 100 L" }
[design]
kind = "blocks"
seed_from = "the balls of 4 April"
TANKS
[schedule]
start = 2026-03-02
phases = [{ id = "baseline", days = 14 }, { id = "assessment", days = 70 }]
sampling = [{ variable = "nitrate", every_days = 7 }, { variable = "phosphate", every_days = 7 }]
[[endpoints]]
id = "nitrate-mean"
role = "primary"
variable = "nitrate"
summary = "mean"
phase = "assessment"
scale = "ratio"
better = "lower"
worthwhile = 0.8
[[stop_rules]]
variable = "phosphate"
below = 0.05
consecutive = 2
action = "halve the carbon dose"
""".replace(
    "TANKS",
    "\n".join(
        f'[[tanks]]\nid = "{site}-{tank}"\nsite = "{site}"\nblock = "{site}"\nvolume_L = 200'
        for site in ("s1", "s2", "s3")
        for tank in "ab"
    ),
)
HEAD = "tank,taken_at,nitrate [mg/L],phosphate [mg/L]"
DAYS = ("2026-03-02", "2026-03-09", "2026-03-16", "2026-03-23", "2026-03-30", "2026-04-06")
FIRST, LAST = DAYS[0], DAYS[-1]
ARM_NAMES = ("plain", "solid", "Polymer", "Water changes")


def lines(tanks, *, days=DAYS, nitrate="14", phosphate="0.10"):
    return [f"{tank},{day},{nitrate},{phosphate}" for tank in tanks for day in days]


ALL = [f"{site}-{tank}" for site in ("s1", "s2", "s3") for tank in "ab"]
FINE = lines(ALL)
MET = [*lines(ALL[1:]), *lines(["s1-a"], days=DAYS[:3]), *lines(["s1-a"], days=DAYS[3:], phosphate="<0.03")]


@pytest.fixture
def run(tmp_path, monkeypatch, capsys):
    """A registered trial; run a command: exit status, standard output, standard error."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("FAIRTANK_REGISTER", raising=False)
    (tmp_path / "protocol.toml").write_text(PROTOCOL, encoding="utf-8")

    def call(*words):
        capsys.readouterr()
        status = main([str(word) for word in words])
        shown = capsys.readouterr()
        assert "Traceback" not in shown.err
        return status, shown.out, shown.err

    assert call("register", "protocol.toml")[0] == 0
    return call


@pytest.fixture
def take_in(run, tmp_path):
    """Allocate, and take readings in."""

    def call(rows, name="readings.csv"):
        run("allocate", "--seed", "4 17 23")
        (tmp_path / name).write_text("\n".join([HEAD, *rows]) + "\n", encoding="utf-8")
        return run("intake", name)

    return call


def document(run, *words):
    status, out, err = run("watch", *words, "--json")
    found = json.loads(out)
    assert err == ""
    assert status == (3 if found["needs_a_person"] else 0)
    return found


@pytest.mark.parametrize(
    ("day", "status"), [("2026-02-01", 0), ("2026-03-02", 0), ("2026-04-20", 3), ("2027-01-01", 3)]
)
def test_before_the_draw_and_without_readings(run, day, status):
    found, out, _ = run("watch", "--today", day)
    assert found == status
    assert out.startswith("Nothing needs a person." if status == 0 else "Something needs a person: ")


def test_all_is_well(run, take_in):
    assert take_in(FINE)[0] == 0
    status, out, _ = run("watch", "--today", LAST)
    assert status == 0
    assert out.splitlines()[0].startswith("Nothing needs a person.")
    assert "Day 22 of 70 of the phase assessment" in out
    assert "Due in 7 days, 13 April 2026: nitrate and phosphate of 6 tanks at 3 sites." in out


def test_a_stop_rule_met_needs_a_person_until_it_is_acted_on_and_over(run, take_in):
    take_in(MET)
    status, out, _ = run("watch", "--today", LAST)
    assert status == 3
    assert out.startswith("Something needs a person: 1 now")
    assert out.index("s1\n  NOW  Tank s1-a: phosphate was below 0.05 mg/L") < out.index(
        "> Halve the carbon dose."
    )
    assert "Caution: Animals come before data" in out
    assert max(map(len, out.splitlines())) <= 80
    said = ("--why", "the rule", "--by", "Ann")
    assert run("amend", "--tank", "s1-a", "--rescue", "dose halved", "--at", LAST, *said)[0] == 0
    (found,) = [one for one in document(run, "--today", LAST)["findings"] if one["kind"] == "stop rule"]
    assert (found["severity"], found["since"]) == ("soon", "2026-03-30")
    assert "dose halved" in found["sentence"]
    take_in(lines(ALL, days=["2026-04-13"]), "later.csv")
    (found,) = [
        one for one in document(run, "--today", "2026-04-13")["findings"] if one["kind"] == "stop rule"
    ]
    assert (found["severity"], found["since"]) == ("information", "2026-04-13")


def test_an_earlier_day_does_not_know_what_came_later(run, take_in):
    take_in(MET)
    assert "stop rule" not in {one["kind"] for one in document(run, "--today", "2026-03-16")["findings"]}


def test_the_due_table_and_one_site(run, take_in):
    take_in([*lines(ALL[:4]), *lines(["s3-a"], days=DAYS[:2]), *lines(["s3-b"], days=("2026-03-03",))])
    whole = document(run, "--today", "2026-04-08")
    assert len(whole["due"]) == 12
    row = next(row for row in whole["due"] if (row["tank"], row["variable"]) == ("s3-b", "nitrate"))
    assert (row["due"], row["on_day"], row["off_day"]) == (6, 0, 1)
    assert (row["late"], row["missing"]) == ([LAST], list(DAYS[1:-1]))
    assert (row["next_due"], row["last_reading"]) == ("2026-04-13", "2026-03-03")
    site = document(run, "--site", "s3", "--today", "2026-04-08")
    assert {one["site"] for one in (*site["findings"], *site["due"], *site["coming"])} == {"s3"}
    assert {one["kind"] for one in site["findings"]} == {"silent"}
    assert document(run, "--site", "s1", "--today", "2026-04-08")["findings"] == []


def test_held_rows_wait_at_their_site(run, take_in):
    assert take_in([*FINE, "s2-a,2026-04-07,banana,0.1", "nobody,2026-04-07,3,0.1"])[0] == 3
    found = [one for one in document(run)["findings"] if one["kind"] == "held"]
    assert sorted(str(one["site"]) for one in found) == ["None", "s2"]
    assert all("readings.csv" in one["sentence"] for one in found)


def test_no_arm_is_named_before_data_entry_is_closed(run, take_in, tmp_path):
    take_in([*lines(ALL[:3]), *lines(ALL[3:], days=DAYS[:2])])
    words = ("--today", "2026-04-08", "--messages", "messages", "--ics", "days.ics")
    _, out, _ = run("watch", *words)
    shown = (
        out
        + json.dumps(document(run, *words))
        + "".join(path.read_text(encoding="utf-8") for path in (tmp_path / "messages").iterdir())
    )
    assert "arm A" in shown
    assert not [name for name in ARM_NAMES if name in shown]
    run("amend", "--close-data-entry", "--why", "all in", "--by", "Ann")
    today = datetime.now().astimezone().date().isoformat()  # closing is dated by the clock
    status, out, _ = run("watch", "--today", today)
    assert status == 0
    assert "Data entry is closed" in out
    assert "Polymer pellets" in out


def test_a_dropout_is_no_longer_due(run, take_in):
    take_in(FINE)
    run("amend", "--tank", "s3-b", "--dropout", "leak", "--from", "2026-04-07", "--why", "leak", "--by", "Cy")
    found = document(run, "--today", "2026-04-13")
    (left,) = [one for one in found["findings"] if one["kind"] == "left"]
    assert (left["tank"], left["severity"]) == ("s3-b", "information")
    assert [one["tanks"]["nitrate"] for one in found["coming"] if one["site"] == "s3"] == [["s3-a"], ["s3-a"]]


def test_every_due_day_is_in_the_calendar(run, take_in, tmp_path):
    take_in(FINE)
    assert run("watch", "--today", LAST, "--ics", "days.ics")[0] == 0
    events = Calendar.from_ical((tmp_path / "days.ics").read_bytes()).walk("VEVENT")
    # 12 Mondays from 2 March 2026 at three sites.
    assert sorted({event["dtstart"].dt for event in events}) == [
        date.fromordinal(date(2026, 3, 2).toordinal() + 7 * week) for week in range(12)
    ]
    assert len(events) == 36
    before = (tmp_path / "days.ics").read_bytes()
    assert run("watch", "--today", "2026-05-01", "--ics", "days.ics")[0] == 3
    assert (tmp_path / "days.ics").read_bytes() == before
    run("watch", "--today", LAST, "--site", "s2", "--ics", "s2.ics")
    one_site = Calendar.from_ical((tmp_path / "s2.ics").read_bytes()).walk("VEVENT")
    assert {str(event["uid"]) for event in one_site} < {str(event["uid"]) for event in events}
    assert {str(event["summary"]) for event in one_site} == {"nitrate, phosphate at s2 (try)"}


def test_a_reminder_for_each_site(run, take_in, tmp_path):
    take_in([line for line in MET if not line.startswith(f"s2-b,{LAST}")])
    shown = document(run, "--today", "2026-04-07", "--messages", "messages")
    assert shown["written"] == [str(path) for path in (*(f"messages/try-s{n}.txt" for n in (1, 2, 3)),)]
    first, second, third = (
        (tmp_path / "messages" / f"try-s{n}.txt").read_text(encoding="utf-8") for n in (1, 2, 3)
    )
    assert first.startswith(
        "try, s1, 7 April 2026\n\nNeeds doing, animals first:\n- Tank s1-a: phosphate was below 0.05 mg/L"
    )
    assert "> Halve the carbon dose. Tell the lead what was done." in " ".join(first.split())
    assert "A vet, or whoever is licensed to" in first
    assert "amend" not in first + second + third
    assert "Late:\n- Due on 6 April 2026, 1 day ago, and not in: nitrate and phosphate of s2-b." in second
    assert third == (
        "try, s3, 7 April 2026\n\nTo measure in the next 7 days:\n"
        "- Monday 13 April 2026: nitrate and phosphate of s3-a and s3-b\n"
    )
    assert all(len(line) <= 78 for text in (first, second, third) for line in text.splitlines())


WRONG = {
    "no such site": (("--site", "s4"), 2, 'has no site "s4"; the sites are s1, s2 and s3.'),
    "no such day": (("--today", "31.3.2026"), 2, "does not match"),
    "no such trial": (("other",), 1, 'holds no trial "other"'),
    "no calendar is written over": (
        ("--ics", "protocol.toml"),
        1,
        "protocol.toml is there already and is no calendar",
    ),
    "a folder as a calendar": (("--ics", "."), 1, "cannot be written"),
    "a file as a folder": (("--messages", "protocol.toml"), 1, "protocol.toml cannot be written"),
    "no folder for the calendar": (("--ics", "no/such/days.ics"), 1, "cannot be written"),
}


@pytest.mark.parametrize(("words", "status", "sentence"), WRONG.values(), ids=WRONG)
def test_wrong_use_is_one_sentence(run, words, status, sentence):
    found, out, err = run("watch", *words)
    assert (found, out) == (status, "")
    assert sentence in err
    assert run("register", "protocol.toml")[0] == 1  # nothing happened to the protocol


def test_tanks_without_sites(tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    text = "\n".join(line for line in PROTOCOL.splitlines() if not line.startswith("site ="))
    (tmp_path / "protocol.toml").write_text(text, encoding="utf-8")
    assert main(["register", "protocol.toml"]) == 0
    assert main(["watch", "--today", "2026-04-08", "--messages", "m", "--ics", "d.ics"]) == 3
    assert (
        "Late:\n- Nothing is in from the tanks that name no site" in (tmp_path / "m" / "try.txt").read_text()
    )
    assert "Nothing is in from the tanks that name no site" in " ".join(capsys.readouterr().out.split())
    assert main(["watch", "--site", "s1"]) == 2
    assert "no tank of try names a site" in capsys.readouterr().err
