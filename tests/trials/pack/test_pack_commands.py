"""`fairtank pack` and `fairtank verify` as people use them, and the head of the chain posted before a trial."""

import json
import shutil

import pytest
import tomli_w

from trials.cli import main


@pytest.fixture
def run(tmp_path, monkeypatch, capsys, recorded):
    """Run a command beside a copy of the register: exit status, standard output, standard error."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("FAIRTANK_REGISTER", raising=False)
    shutil.copy(recorded, tmp_path / "fairtank.db")

    def call(*words):
        capsys.readouterr()
        status = main([str(word) for word in words])
        shown = capsys.readouterr()
        assert "Traceback" not in shown.err
        return status, shown.out, shown.err

    return call


def test_pack_then_verify_without_the_register(run, tmp_path):
    status, out, _ = run("pack", "--out", "there.zip", "--json")
    made = json.loads(out)
    assert status == 0
    assert made["pack"] == "there.zip"
    assert (made["persons"], made["named"], made["texts"]) == (5, 0, False)
    (tmp_path / "fairtank.db").unlink()
    status, out, err = run("verify", "there.zip")
    assert (status, err) == (0, "")
    assert made["digest"] in out
    status, out, err = run("verify", "there.zip", "--head", made["head"], "--json")
    assert (status, err) == (0, "")
    assert json.loads(out)["head"] == made["head"]
    assert sorted(path.name for path in tmp_path.iterdir()) == ["there.zip"]


def test_a_changed_pack_needs_a_person(run, tmp_path):
    assert run("pack", "hostile", "--out", "folder")[0] == 0
    path = tmp_path / "folder" / "data" / "readings.csv"
    path.write_bytes(path.read_bytes().replace(b"16.5", b"15.5", 1))
    status, out, _ = run("verify", "folder", "--json")
    document = json.loads(out)
    assert status == 3
    assert document["ok"] is False
    assert {"what": "sum", "where": "data/readings.csv"}.items() <= document["findings"][0].items()
    status, out, _ = run("verify", "folder", "--write-head", "head.txt")
    assert status == 3
    assert "data/readings.csv was changed" in out
    assert not (tmp_path / "head.txt").exists()


def test_consent_and_texts(run, tmp_path):
    (tmp_path / "some.csv").write_text("name,may_name\nAnn Otter,yes\nEve,yes\n", encoding="utf-8")
    status, out, _ = run("pack", "--consent", "some.csv", "--out", "some")
    assert status == 0
    assert "Persons: 5, of whom 1 named with their consent." in out
    assert '"eve" is in some.csv, but not in the record.' in out
    status, _, err = run("pack", "--consent", "some.csv", "--with-texts", "--out", "texts")
    assert status == 1
    assert "no consent is at hand" in err
    assert not (tmp_path / "texts").exists()


@pytest.mark.parametrize(
    ("words", "status", "sentence"),
    [
        (("pack", "--out", "fairtank.db"), 2, "is there already"),
        (("pack", "nothing", "--out", "x"), 1, "holds no trial"),
        (("pack", "--consent", "missing.csv", "--out", "x"), 1, "cannot be read"),
        (("verify", "missing.zip"), 1, "There is no pack missing.zip"),
        (("verify", "some/where"), 1, "There is no pack some/where"),
        (("verify", "fairtank.db"), 1, "neither a folder nor a zip"),
        (("verify", "nothing"), 1, "holds no trial"),
        (("verify", "--head", "nothing.txt"), 2, "neither a digest"),
        (("verify", "--head", "fairtank.db"), 2, "of 64 hexadecimal digits"),
    ],
)
def test_mistakes_are_one_sentence(run, words, status, sentence):
    found, out, err = run(*words)
    assert (found, out) == (status, "")
    assert sentence in err
    assert len(err.splitlines()) == 1


def test_a_head_is_written_posted_and_checked_later(run, tmp_path):
    status, out, _ = run("verify", "--write-head", "head.txt")
    assert status == 0
    assert "post it where others can see it" in out
    text = (tmp_path / "head.txt").read_text(encoding="utf-8")
    assert run("verify", "--head", "head.txt")[0] == 0
    assert run("verify", "hostile", "--head", "head.txt")[0] == 0
    status, _, err = run("verify", "--write-head", "head.txt")
    assert status == 2
    assert "an earlier head is not lost" in err
    (tmp_path / "other.txt").write_text(
        text.replace(text.split()[-30], "0" * 64) + "0" * 64, encoding="utf-8"
    )
    assert run("verify", "--head", "0" * 64)[0] == 3
    (tmp_path / "two.txt").write_text(f"{'0' * 64}\n{'1' * 64}\n", encoding="utf-8")
    status, _, err = run("verify", "--head", "two.txt")
    assert status == 2
    assert "several digests" in err


def test_a_pack_holds_the_heads_that_were_posted(run):
    assert run("verify", "--write-head", "head.txt")[0] == 0
    assert run("pack", "--out", "pack")[0] == 0
    assert run("verify", "pack", "--head", "head.txt")[0] == 0
    assert run("verify", "pack", "--head", "pack/record/head.txt")[0] == 0
    status, out, _ = run("verify", "pack", "--head", "ab" * 32)
    assert status == 3
    assert "Neither an entry of the chain nor the pack" in out


def test_results_are_those_of_analyse(run, tmp_path):
    assert run("pack", "--out", "pack")[0] == 0
    status, out, _ = run("analyse", "--json")
    assert status == 0
    assert json.loads((tmp_path / "pack" / "results" / "results.json").read_text()) == json.loads(out)


def small(licence="CC0-1.0"):
    return {
        "format": 1,
        "trial": {"id": "small", "title": "A first try"} | ({"licence": licence} if licence else {}),
        "arms": [
            {"id": "control", "role": "control", "title": "Water changes alone"},
            {"id": "polymer", "role": "test", "title": "Polymer pellets"},
        ],
        "design": {"kind": "parallel", "seed": "in the protocol"},
        "tanks": [{"id": name} for name in "abcdef"],
        "schedule": {"start": "2026-03-02", "phases": [{"id": "assessment", "days": 28}]},
        "endpoints": [
            {
                "id": "nitrate-mean",
                "role": "primary",
                "variable": "nitrate",
                "summary": "mean",
                "phase": "assessment",
                "scale": "ratio",
                "better": "lower",
                "worthwhile": 0.8,
            }
        ],
    }


def registered(run, tmp_path, **more):
    text = tomli_w.dumps(small(**more)).replace('"2026-03-02"', "2026-03-02")
    (tmp_path / "protocol.toml").write_text(text, encoding="utf-8")
    (tmp_path / "readings.csv").write_text(
        "tank,taken_at,nitrate [mg/L]\n"
        + "".join(f"{t},2026-03-09,{n}.5\n" for n, t in enumerate("abcdef", 5)),
        encoding="utf-8",
    )
    (tmp_path / "fairtank.db").unlink()
    assert run("register", "protocol.toml")[0] == 0


def test_nothing_is_published_before_there_are_results_or_without_a_licence(run, tmp_path):
    registered(run, tmp_path)
    status, _, err = run("pack", "--out", "pack")
    assert (status, err.count("\n")) == (1, 1)
    assert "no allocation" in err
    registered(run, tmp_path, licence=None)
    status, _, err = run("pack", "--out", "pack")
    assert status == 1
    assert "names no licence" in err
    assert not (tmp_path / "pack").exists()


def test_publishing_before_data_entry_is_closed_is_recorded_once_and_said(run, tmp_path):
    registered(run, tmp_path)
    assert run("allocate")[0] == 0
    assert run("intake", "readings.csv")[0] == 0
    status, out, _ = run("pack", "--out", "one")
    assert status == 0
    assert "Arms were shown on" in out
    status, out, _ = run("pack", "--out", "two")
    assert "Arms were shown on" not in out
    one, two = (sorted((tmp_path / name).rglob("*.*")) for name in ("one", "two"))
    assert [path.read_bytes() for path in one] == [path.read_bytes() for path in two]
    assert "before data entry was closed" in (tmp_path / "one" / "results" / "results.json").read_text()
    assert run("verify", "one")[0] == 0
