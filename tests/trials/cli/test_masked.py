"""Masked analysis: letters until data entry is closed, and looking before is on the record."""

import json
import re
import shutil
from pathlib import Path

import pytest

from analysis.masking import mask_of
from trials.cli import main
from trials.protocol_file import load
from trials.register.store import Register

DATA = Path(__file__).parents[3] / "data" / "club"
SAID = ("--why", "The last sheets are in", "--by", "Ann")
ARM_WORDS = re.compile(r"polymer|liquid|control|pellets|water changes alone", re.IGNORECASE)


@pytest.fixture(scope="module")
def taken_in(tmp_path_factory):
    """The register of the invented club trial with all its readings, data entry still open."""
    place = tmp_path_factory.mktemp("club") / "fairtank.db"
    options = ["--register", str(place)]
    assert main(["register", str(DATA / "protocol.toml"), *options]) == 0
    assert main(["allocate", "--seed", "4 17 23 31 40 8", *options]) == 0
    for folder in sorted((DATA / "readings").iterdir()):
        assert main(["intake", *map(str, sorted(folder.iterdir())), *options]) in {0, 3}
    return place


@pytest.fixture
def register(taken_in, tmp_path):
    return Path(shutil.copy(taken_in, tmp_path / "fairtank.db"))


@pytest.fixture
def run(register, capsys):
    def call(*words):
        capsys.readouterr()
        status = main([*words, "--register", str(register)])
        shown = capsys.readouterr()
        assert status == 0, shown.err
        return shown.out

    return call


def head(register):
    with Register.open(str(register)) as record:
        return record.head()


def test_masked_shows_no_arm_and_records_nothing(run, register):
    before = head(register)
    text = run("analyse", "--masked")
    document = json.loads(run("analyse", "--masked", "--json"))
    assert document["masked"] is True
    # Titles of the trial may say what is compared; the numbers, their notes and the answer may not.
    for shown in (text, json.dumps(document)):
        assert not ARM_WORDS.findall(shown)
    endpoint = document["endpoints"][0]
    assert {tank["arm"] for tank in endpoint["tanks"]} == {"A", "B", "C"}
    assert [arm["arm"] for arm in endpoint["arms"]] == ["A", "B", "C"]
    assert all(c["test"] > c["reference"] for c in endpoint["contrasts"])
    assert head(register) == before


def test_letters_are_the_arms_and_the_numbers_are_theirs(run, register):
    masked = json.loads(run("analyse", "--masked", "--json"))
    plain = json.loads(run("analyse", "--json"))
    with Register.open(str(register)) as record:
        sealed = record.find(None)
    letters = mask_of(sealed.protocol, sealed.digest).letters
    assert sorted(letters) == ["control", "liquid", "polymer"]
    assert plain["masked"] is False
    for one, two in zip(masked["endpoints"], plain["endpoints"], strict=True):
        assert {t["tank"]: t["arm"] for t in one["tanks"]} == {
            t["tank"]: letters[t["arm"]] for t in two["tanks"]
        }
        numbers = {(c["test"], c["reference"]): c for c in one["contrasts"]}
        for c in two["contrasts"]:
            pair = (letters[c["test"]], letters[c["reference"]])
            turned = pair not in numbers
            hidden = numbers[pair[::-1] if turned else pair]
            assert hidden["p"] == pytest.approx(c["p"], rel=1e-9)
            assert hidden["reading"] == c["reading"]
            expected = c["estimate"]
            if turned:
                expected = 1 / expected if two["scale"] == "ratio" else -expected
            assert hidden["estimate"] == pytest.approx(expected, rel=1e-9)


def test_letters_follow_the_digest_not_the_alphabet():
    protocol = load(DATA / "protocol.toml").protocol
    seen = {tuple(mask_of(protocol, f"{n:064x}").letters[arm.id] for arm in protocol.arms) for n in range(60)}
    assert len(seen) == 6


def test_looking_before_data_entry_is_closed_is_recorded_once_and_said(run, register):
    said = "before data entry was closed; by whom is not known"
    assert said in run("analyse")
    after = head(register)
    assert said in run("analyse")
    assert said in run("analyse", "--masked")
    assert head(register) == after
    run("amend", "--close-data-entry", *SAID)
    assert said in run("analyse")
    with Register.open(str(register)) as record:
        kinds = [entry.kind for entry in record.entries()]
        assert kinds.count("unmasking") == 1
        assert record.check() == []


def test_once_data_entry_is_closed_arms_are_shown_and_nothing_is_recorded(run, register):
    run("amend", "--close-data-entry", *SAID)
    after = head(register)
    document = json.loads(run("analyse", "--masked", "--json"))
    assert document["masked"] is False
    assert {tank["arm"] for tank in document["endpoints"][0]["tanks"]} == {"control", "polymer", "liquid"}
    run("analyse")
    assert head(register) == after


def test_a_register_that_cannot_be_written_can_be_looked_at(run, monkeypatch):
    from schemas.errors import RegisterError

    def refuse(*_):
        raise RegisterError("The register cannot be written to.")

    monkeypatch.setattr(Register, "amend", refuse)
    assert "this could not be recorded" in run("analyse")
