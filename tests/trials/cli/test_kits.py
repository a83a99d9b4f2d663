"""Kits compared at the command line, corrected beside the analysis, watched, looked back at, packed and checked."""

import json
import shutil

import pytest

from trials.cli import main
from trials.register.bodies import KitCorrectionBody
from trials.register.store import Register

PROTOCOL = """
format = 1
[trial]
id = "try"
title = "A first try"
licence = "CC0-1.0"
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
phases = [{{ id = "baseline", days = 14 }}, {{ id = "assessment", days = 28 }}]
sampling = [{{ variable = "nitrate", every_days = 7 }}]
[[kits]]
id = "drops"
variable = "nitrate"
limit = 0.5
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
fitness_sd = 1.0
"""
SITES = ("s1", "s2", "s3")
TANKS = "\n".join(
    f'[[tanks]]\nid = "{site}-{tank}"\nsite = "{site}"\nblock = "{site}"' for site in SITES for tank in "ab"
)
SAID = ("--why", "The bottle reads high", "--by", "Ann")


def readings():
    lines = ["tank,site,taken_at,variable,value,unit,kit"]
    for week in range(6):
        day = f"2026-{3 + (week * 7 + 1) // 31:02d}-{(week * 7 + 1) % 31 + 1:02d}"
        for place, site in enumerate(SITES):
            for tank in "ab":
                value = 12 + place - 0.4 * week * (tank == "b") + 0.1 * ((week * 3 + place) % 4)
                lines.append(f"{site}-{tank},,{day},nitrate,{value:.1f},mg/L,drops")
                lines.append(f"{site}-{tank},,{day},nitrite,0.0{week + 1},mg/L,")
    lines += [
        f"ref-a,{site},2026-03-03,nitrate,{value},mg/L,drops"
        for site, value in zip(SITES, (10.1, 9.8, 14.2), strict=True)
    ]
    return "\n".join(lines) + "\n"


@pytest.fixture(scope="module")
def registered(tmp_path_factory):
    """The register of a trial whose site s3 misreads the shared bottle."""
    folder = tmp_path_factory.mktemp("kits")
    (folder / "protocol.toml").write_text(PROTOCOL.format(tanks=TANKS), encoding="utf-8")
    (folder / "readings.csv").write_text(readings(), encoding="utf-8")
    register = ("--register", str(folder / "fairtank.db"))
    for words in (
        ("register", folder / "protocol.toml"),
        ("allocate", "--seed", "4 17"),
        ("intake", "try", folder / "readings.csv"),
    ):
        assert main([str(word) for word in (*words, *register)]) == 0
    return folder / "fairtank.db"


@pytest.fixture
def run(registered, tmp_path, monkeypatch, capsys):
    """Run a command on a copy of it: exit status, output in one line, errors."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("FAIRTANK_REGISTER", raising=False)
    shutil.copy(registered, tmp_path / "fairtank.db")

    def call(*words):
        capsys.readouterr()
        status = main([str(word) for word in words])
        shown = capsys.readouterr()
        assert "Traceback" not in shown.err
        return status, " ".join(shown.out.split()), shown.err

    return call


def document(run, *words):
    return json.loads(run(*words, "--json")[1])


def test_a_kit_that_fails_is_said_and_needs_a_person(run):
    status, out, _ = run("kits", "--figure", "charts.svg")
    assert status == 3
    assert out.startswith("1 kit fails and needs a person.")
    assert "Kit drops at s3 (nitrate) fails: ref-a read as 14.2 mg/L for 10 (142 %), z +4.2." in out
    found = document(run, "kits")
    assert found["needs_a_person"]
    assert {one["site"]: one["grade"] for one in found["verdicts"]} == {
        "s1": "holds",
        "s2": "holds",
        "s3": "fails",
    }
    assert [round(one["z"], 6) for one in found["references"][0]["results"]] == [0.1, -0.2, 4.2]
    assert document(run, "kits", "--figure", "charts.png")["trial"] == "try"


def test_watch_says_so_at_the_site_and_not_before_it_was_measured(run):
    def kits(day):
        return [one for one in document(run, "watch", "--today", day)["findings"] if one["kind"] == "kit"]

    (failing,) = kits("2026-03-20")
    assert (failing["site"], failing["severity"], failing["since"]) == ("s3", "soon", "2026-03-03")
    assert "fairtank amend --kit" in failing["what_to_record"]
    assert kits("2026-03-02") == []
    assert run("amend", "--kit", "drops", "--site", "s3", "--factor", "0.7", *SAID)[0] == 0
    with Register.open("fairtank.db") as record:
        later = record.kit_corrections("try")[0].at.date().isoformat()
    (answered,) = kits(later)
    assert (answered["severity"], answered["what_to_do"]) == ("information", "")
    assert "A correction of its readings was registered on" in answered["sentence"]
    assert run("kits")[0] == 0


def test_a_correction_stands_beside_and_everywhere_says_so(run):
    before = document(run, "analyse")
    status, out, _ = run("amend", "--kit", "drops", "--site", "s3", "--factor", "0,7", *SAID)
    assert status == 0
    assert "Readings of nitrate by the kit drops at s3, beside the analysis: times 0.7." in out
    assert run("amend", "--kit", "drops", "--nitrite-factor", "10", "--offset", "-0,5", *SAID)[0] == 0
    after = document(run, "analyse")
    assert after["data_digest"] == before["data_digest"]
    assert after["endpoints"][0]["contrasts"] == before["endpoints"][0]["contrasts"]
    ways = {way["name"]: way["contrasts"][0] for way in after["endpoints"][0]["sensitivity"]}
    assert ways["kit-corrected"]["estimate"] != before["endpoints"][0]["contrasts"][0]["estimate"]
    assert any("stand beside as corrected (times 0.7): 12 readings." in note for note in after["notes"])
    lines = document(run, "history", "--tank", "s3-a")["history"]
    assert [line["text"] for line in lines if line["kind"] == "kit-correction"] == [
        "nitrate by the kit drops at s3 stands beside as corrected: times 0.7",
        "nitrate by the kit drops stands beside as corrected: less 10 times the nitrite of the day, less 0.5 mg/L",
    ]
    lines = document(run, "history", "--tank", "s1-a")["history"]
    assert sum(line["kind"] == "kit-correction" for line in lines) == 1
    assert run("verify")[0] == 0
    assert run("amend", "--kit", "drops", "--site", "s3", "--withdraw", *SAID)[0] == 0
    notes = document(run, "analyse")["notes"]
    assert not any("times 0.7" in note for note in notes)


WRONG = {
    "no number": (
        ("--kit", "drops"),
        2,
        "--kit needs --factor, --offset, --nitrite-factor or --withdraw too.",
    ),
    "two things": (
        ("--kit", "drops", "--factor", "2", "--withdraw"),
        2,
        "--factor cannot stand with --withdraw.",
    ),
    "no kit": (("--factor", "2"), 2, "say what to record: --reading"),
    "a factor of a reading": (
        ("--reading", "1", "--value", "2", "--factor", "2"),
        2,
        "--factor cannot stand with --value.",
    ),
    "nothing left": (("--kit", "drops", "--factor", "0"), 2, "--factor 0 would leave nothing of any reading"),
    "less than nothing": (
        ("--kit", "drops", "--factor", "-1"),
        1,
        '"-1" is not a number; write it like 0.5.',
    ),
    "a slip of the pen": (
        ("--kit", "drops", "--nitrite-factor", "5000"),
        2,
        "--nitrite-factor 5000 cannot be: write a number from 0 to 1000.",
    ),
    "no such kit": (("--kit", "drop", "--factor", "2"), 1, '"drop" is no kit of try; did you mean drops?'),
    "no such site": (
        ("--kit", "drops", "--site", "s4", "--factor", "2"),
        1,
        '"s4" is no site of try; its sites are s1, s2 and s3.',
    ),
    "no such variable": (
        ("--kit", "drops", "--variable", "salt", "--factor", "2"),
        1,
        '"salt" is no variable that try knows.',
    ),
    "nitrite in phosphate": (
        ("--kit", "drops", "--variable", "phosphate", "--nitrite-factor", "2"),
        1,
        "A nitrite factor is for nitrate; phosphate is not disturbed by nitrite.",
    ),
    "nothing changed": (
        ("--kit", "drops", "--factor", "1"),
        1,
        'by the kit "drops" would stay as they are; nothing was recorded.',
    ),
}


@pytest.mark.parametrize(("words", "status", "sentence"), WRONG.values(), ids=WRONG)
def test_wrong_usage_is_one_sentence_and_records_nothing(run, words, status, sentence):
    with Register.open("fairtank.db") as record:
        head = record.head()
    found, _, err = run("amend", *words, *SAID)
    assert (found, err.count("\n")) == (status, 1), err
    assert sentence in err
    with Register.open("fairtank.db") as record:
        assert record.head() == head


def test_the_same_again_is_said(run):
    words = ("amend", "--kit", "drops", "--factor", "0.9", *SAID)
    assert run(*words)[0] == 0
    status, _, err = run(*words)
    assert status == 1
    assert 'by the kit "drops" are corrected like that already; nothing was recorded.' in err


def test_a_figure_of_another_kind_is_refused(run):
    status, _, err = run("kits", "--figure", "charts.pdf")
    assert status == 2
    assert "charts.pdf is neither .svg nor .png" in err


def test_a_pack_carries_a_correction_and_comes_out_again(run, tmp_path):
    assert (
        run("amend", "--kit", "drops", "--site", "s3", "--factor", "0.7", "--nitrite-factor", "5", *SAID)[0]
        == 0
    )
    assert run("amend", "--close-data-entry", *SAID)[0] == 0
    assert run("pack", "--out", "pack")[0] == 0
    assert run("verify", "pack")[0] == 0
    table = (tmp_path / "pack/data/kit_corrections.csv").read_text(encoding="utf-8").splitlines()
    assert table[0] == "entry,at,kit,variable,site,factor,offset,nitrite_factor,by,why"
    assert ",drops,nitrate,s3,0.7,0.0,5.0,P1," in table[1]
    results = json.loads((tmp_path / "pack/results/results.json").read_text(encoding="utf-8"))
    assert "kit-corrected" in {way["name"] for way in results["endpoints"][0]["sensitivity"]}
    chain = tmp_path / "pack/record/chain.jsonl"
    text = chain.read_text(encoding="utf-8")
    assert '"factor": 0.7' in text
    chain.write_text(text.replace('"factor": 0.7', '"factor": 0.8'), encoding="utf-8")
    status, out, _ = run("verify", "pack")
    assert status == 3
    assert "results/results.json" in out


def test_an_entry_that_fits_no_kit_is_found_by_verify(run, monkeypatch):
    from trials.cli.options import now
    from trials.register import amending

    assert run("verify")[0] == 0
    with monkeypatch.context() as unguarded, Register.open("fairtank.db") as record:
        unguarded.setattr(amending, "refuse_unfit", lambda *_: None)
        body = KitCorrectionBody(kit="never", variable="nitrate", factor=2.0, by="Ann", why="unseen")
        number = record.amend("try", body, now()).number
    with Register.open("fairtank.db") as record:
        assert [finding.text for finding in record.check()] == [
            f'Entry {number} corrects readings that it cannot be about: "never" is no kit of try; those that are named: drops.'
        ]
