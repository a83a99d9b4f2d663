"""The commands as a new user would try them: what they print, how they end, what they leave."""

import csv
import hashlib
import json
import re

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
READINGS = """tank;taken_at;nitrate [mg/L N];phosphate [mg/L]
s1-a;2026-05-04;4,5;<0,03
s1-b;2026-05-04;3,1;0,05
s2-a;2026-05-04;5,5;0,10
s2-b;2026-05-04;5,6;0,08
s2-b;2026-05-04;5,6;0,08
s9-z;2026-05-04;5,6;0,08
s3-a;03/04/2026;5,0;0,06
s3-b;2026-05-04;4,1;0,07
"""


@pytest.fixture
def folder(tmp_path, monkeypatch):
    """An empty folder with a protocol and readings, the register in its default place."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("FAIRTANK_REGISTER", raising=False)
    (tmp_path / "protocol.toml").write_text(PROTOCOL.format(tanks=TANKS), encoding="utf-8")
    (tmp_path / "readings.csv").write_text(READINGS, encoding="utf-8")
    return tmp_path


@pytest.fixture
def run(folder, capsys):  # noqa: ARG001 - every command runs in that folder
    """Run a command; its exit status, standard output and standard error."""

    def call(*words):
        capsys.readouterr()
        status = main([str(word) for word in words])
        shown = capsys.readouterr()
        assert "Traceback" not in shown.err
        return status, shown.out, shown.err

    return call


@pytest.fixture
def allocated(run):
    """A trial registered and allocated."""
    assert run("register", "protocol.toml")[0] == 0
    assert run("allocate", "--seed", "4 17 23")[0] == 0
    return run


def test_five_mistakes_are_five_sentences(run, folder):
    text = PROTOCOL.format(tanks=TANKS)
    for right, wrong in (
        ('role = "control"', 'role = "test"'),
        ('summary = "mean"', 'sumary = "mean"'),
        ('phase = "assessment"', 'phase = "asessment"'),
        ('variable = "phosphate"', 'variable = "phosphat"'),
        ('id = "s3-b"\nsite = "s3"\nblock = "s3"', 'id = "s3-b"\nsite = "s3"\nblock = "s4"'),
    ):
        assert right in text
        text = text.replace(right, wrong, 1)
    (folder / "protocol.toml").write_text(text, encoding="utf-8")
    status, out, err = run("register", "protocol.toml")
    assert (status, out) == (1, "")
    sentences = [line for line in err.splitlines() if line.startswith("  ")]
    # The block without an arm is two: s3 and s4 have one tank each.
    assert len(sentences) in {5, 6}
    for word in ("control", "summary", "assessment", "phosphate", "s4"):
        assert word in err
    assert not (folder / "fairtank.db").exists()


def test_the_draw_can_be_redone_with_hashlib_alone(run):
    assert run("register", "protocol.toml")[0] == 0
    status, out, _ = run("allocate", "--seed", "4 17 23", "--json")
    assert status == 0
    document = json.loads(out)
    digest = document["protocol_digest"]
    arms = {row["tank"]: row["arm"] for row in document["assignments"]}
    for site in ("s1", "s2", "s3"):
        tanks = sorted(
            (f"{site}-a", f"{site}-b"),
            key=lambda tank: hashlib.sha256(f"{digest}|4 17 23|{site}|{tank}".encode()).hexdigest(),
        )
        assert [arms[tank] for tank in tanks] == ["control", "polymer"]


def test_the_draw_is_printed_so_that_a_person_can_redo_it(run):
    run("register", "protocol.toml")
    _, out, _ = run("allocate", "--seed", "4 17 23")
    printed = re.findall(r'"([0-9a-f]{64}\|4 17 23\|s\d\|s\d-[ab])" is ([0-9a-f]{64})', out)
    assert len(printed) == 6
    assert all(hashlib.sha256(text.encode()).hexdigest() == digest for text, digest in printed)


def test_another_seed_is_refused(allocated):
    status, _, err = allocated("allocate", "--seed", "1 2 3")
    assert status == 1
    assert "an allocation is made once" in err
    assert allocated("allocate", "--check")[0] == 0


def test_messy_readings_give_the_right_counts(allocated):
    status, out, _ = allocated("intake", "readings.csv", "--json")
    assert status == 3
    counts = json.loads(out)
    assert (counts["rows"], counts["accepted"], counts["held"], counts["repeated"]) == (8, 5, 2, 1)
    reasons = {row["row"]: [reason["code"] for reason in row["reasons"]] for row in counts["held_rows"]}
    assert set(reasons) == {7, 8}


def test_mended_rows_are_taken_in_once(allocated, folder):
    assert allocated("intake", "readings.csv")[0] == 3
    again = json.loads(allocated("intake", "readings.csv", "--json")[1])
    assert (again["accepted"], again["held"], again["repeated"]) == (0, 2, 6)
    mended = READINGS.replace("s9-z", "s1-b").replace("2026-05-04;5,6;0,08\ns3", "2026-05-11;5,6;0,08\ns3")
    mended = mended.replace("03/04/2026", "2026-04-03")
    (folder / "readings.csv").write_text(mended, encoding="utf-8")
    status, out, _ = allocated("intake", "try", "readings.csv", "--json")
    counts = json.loads(out)
    assert (status, counts["accepted"], counts["held"], counts["repeated"]) == (0, 2, 0, 6)
    last = json.loads(allocated("intake", "readings.csv", "--json")[1])
    assert (last["accepted"], last["held"], last["repeated"]) == (0, 0, 8)


def test_dry_run_stores_nothing(allocated):
    status, out, _ = allocated("intake", "readings.csv", "--dry-run")
    assert status == 3
    assert "dry run" in out
    assert json.loads(allocated("intake", "readings.csv", "--json")[1])["accepted"] == 5


def test_the_sum_of_rows_is_printed(allocated):
    _, out, _ = allocated("intake", "readings.csv")
    assert "8 rows = 5 accepted + 2 held + 1 repeated" in out


def test_a_recorded_allocation_that_chance_did_not_make(run, folder):
    run("register", "protocol.toml")
    rows = [(f"s{i}-{t}", "control" if t == "a" else "polymer") for i in (1, 2, 3) for t in "ab"]
    with (folder / "allocation.csv").open("w", newline="") as stream:
        csv.writer(stream).writerows([("tank", "arm"), *rows])
    words = ("allocate", "--recorded", "allocation.csv", "--how", "the owners chose", "--not-random")
    assert run(*words)[0] == 0
    run("intake", "readings.csv")
    document = json.loads(run("analyse", "--json")[1])
    assert document["notes"][0].startswith("Observational")
    assert document["endpoints"][0]["contrasts"][0]["randomisation"] is None


@pytest.mark.parametrize(
    ("words", "status", "said"),
    [
        (("register", "no.toml"), 1, "no.toml"),
        (("analyse", "try"), 1, "register"),
        (("allocate", "--how", "x"), 2, "--recorded"),
        (("intake", "no.csv"), 1, "register"),
        (("nonsense",), 2, "nonsense"),
        (("analyse", "--nonsense"), 2, "--nonsense"),
    ],
)
def test_each_slip_is_one_sentence(run, words, status, said):
    ended, out, err = run(*words)
    assert ended == status
    assert said in err
    assert out == ""


def test_results_before_their_time_say_what_comes_first(run):
    run("register", "protocol.toml")
    assert "allocat" in run("analyse")[2]
    run("allocate", "--seed", "1")
    assert "no accepted readings" in run("analyse")[2]
    assert run("analyse")[0] == 1


def test_the_trial_may_be_left_out_only_when_there_is_one(allocated, folder):
    other = PROTOCOL.format(tanks=TANKS).replace('id = "try"', 'id = "second-try"')
    (folder / "other.toml").write_text(other, encoding="utf-8")
    assert allocated("register", "other.toml")[0] == 0
    status, _, err = allocated("analyse")
    assert status == 1
    assert "second-try" in err
    assert "try" in err


def test_verify_finds_the_register_whole(allocated):
    allocated("intake", "readings.csv")
    status, out, _ = allocated("verify", "--json")
    document = json.loads(out)
    assert (status, document["ok"], document["findings"]) == (0, True, [])
    assert re.fullmatch("[0-9a-f]{64}", document["head"])


def test_a_head_noted_before_must_be_in_the_chain(allocated):
    head = json.loads(allocated("verify", "--json")[1])["head"]
    allocated("intake", "readings.csv")
    assert allocated("verify", "--head", head)[0] == 0
    status, out, _ = allocated("verify", "--head", "0" * 64, "--json")
    assert status == 3
    assert not json.loads(out)["ok"]


def test_version(run):
    from trials import __version__

    assert run("--version")[1].strip() == f"fairtank {__version__}"
