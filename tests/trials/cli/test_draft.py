"""`fairtank draft`: what it writes is registered unchanged, in equal carbon, and nothing is lost by it."""

import json
import sys
import tomllib

import pytest

from analysis.water.carbon import product
from analysis.water.doses import carbon_of, parse_dose, per_litre
from trials.cli import draft as draft_command
from trials.cli import main

TANKS = "id;block;volume_L\n" + "".join(f"q{b}{a};q{b};{180 + b},5\n" for b in range(6) for a in "abc")


@pytest.fixture
def say(capsys, tmp_path, monkeypatch):
    """Runs one command in a folder of its own; gives status, output and errors."""
    monkeypatch.chdir(tmp_path)

    def call(*arguments):
        status = main([str(argument) for argument in arguments])
        shown = capsys.readouterr()
        return status, shown.out, shown.err

    return call


OPTIONS = {
    "defaults": [],
    "parallel": ["--design", "parallel", "--blocks", "8"],
    "polymer alone": ["--liquid", "none", "--polymer", "pcl"],
    "sugar, weighed": ["--liquid", "sucrose", "--carbon", "0,5"],
    "vinegar": ["--liquid", "vinegar 5 %"],
    "awkward texts": [
        "--title",
        'A "trial" \\ of carbon # 1',
        "--lead",
        "Özgür & Søn",
        "--question",
        "Is it?",
    ],
    "tanks typed": [word for b in "uvwxyz" for a in "123" for word in ("--tank", f"{b}{a}, {b}, 180")],
}


@pytest.mark.parametrize("options", OPTIONS.values(), ids=OPTIONS)
def test_register_takes_a_draft_unchanged(say, tmp_path, options):
    status, out, err = say("draft", "--yes", *options)
    assert (status, err) == (0, "")
    assert out.rstrip().endswith("Next: fairtank plan protocol.toml")
    before = (tmp_path / "protocol.toml").read_bytes()
    assert say("plan", "protocol.toml")[0] == 0
    status, out, err = say("register", "protocol.toml")
    assert (status, err) == (0, "")
    assert "Sealed" in out
    assert (tmp_path / "protocol.toml").read_bytes() == before


@pytest.mark.parametrize("liquid", ["ethanol 40 %", "vinegar 5 %", "sucrose"])
def test_arms_are_equal_in_carbon(say, tmp_path, liquid):
    assert say("draft", "--yes", "--liquid", liquid, "--carbon", "0.6")[0] == 0
    arms = {arm["id"]: arm for arm in tomllib.loads((tmp_path / "protocol.toml").read_text("utf-8"))["arms"]}

    def each(arm):
        dose, what = parse_dose(arms[arm]["carbon"]["full_dose"]), product(arms[arm]["carbon"]["source"])
        return per_litre(carbon_of(dose, what), dose)

    # Doses are written with three digits; pellets wear off at 0.35 % a day (assumed).
    assert each("liquid") == pytest.approx(0.6, rel=0.005)
    assert each("polymer") * 0.0035 == pytest.approx(0.6, rel=0.005)


def test_dose_of_ethanol_is_the_published_one(say, tmp_path):
    # 0.5 mg C/L/d in 100 L is 0.3037 mL of 40 % ethanol: density 0.78924 g/mL (OIML R 22, from memory) and C2H6O.
    assert say("draft", "--yes", "--carbon", "0.5")[0] == 0
    text = (tmp_path / "protocol.toml").read_text("utf-8")
    assert "50 mg C = 0.3037 mL a day" in text.replace("\n# ", " ")


def test_reasons_and_cautions_stand_beside_what_is_proposed(say, tmp_path):
    say("draft", "--yes")
    text = " ".join((tmp_path / "protocol.toml").read_text("utf-8").replace("#", " ").split()).casefold()
    for word in (
        "hydrogen sulfide",
        "flammable",
        "at night",
        "residual-current",
        "a vet",
        "local rules",
        "common practice, no source",
        "baseline of four weeks",
        "ramp of four weeks",
        "weekly",
    ):
        assert word in text
    raw = tomllib.loads((tmp_path / "protocol.toml").read_text("utf-8"))
    assert {rule["variable"] for rule in raw["stop_rules"]} == {"phosphate", "nitrate", "nitrite", "oxygen"}


def test_a_tanks_file_is_taken_byte_for_byte(say, tmp_path):
    given = tmp_path / "ours" / "list.csv"
    given.parent.mkdir()
    given.write_bytes(TANKS.encode("utf-8"))
    status, out, _ = say("draft", "--yes", "--tanks", given)
    assert status == 0
    assert (tmp_path / "tanks.csv").read_bytes() == given.read_bytes()
    assert "placeholders" not in out
    # The same file in its own place is no file to be written over.
    (tmp_path / "protocol.toml").unlink()
    assert say("draft", "--yes", "--tanks", "tanks.csv")[0] == 0


def test_nothing_is_written_over(say, tmp_path):
    for name in ("protocol.toml", "tanks.csv"):
        for other in ("protocol.toml", "tanks.csv"):
            (tmp_path / other).unlink(missing_ok=True)
        (tmp_path / name).write_text("mine")
        status, out, err = say("draft", "--yes")
        assert (status, out) == (1, "")
        assert f"{name} is there already" in err
        assert [path.name for path in tmp_path.iterdir()] == [name]
        assert (tmp_path / name).read_text() == "mine"
        assert say("draft", "--yes", "--force")[0] == 0
        assert (tmp_path / name).read_text() != "mine"


WRONG = {
    "no such source": (["--polymer", "plastic"], 1, "no carbon source known"),
    "poison": (["--liquid", "methanol"], 1, "never dosed in a home"),
    "liquid as polymer": (["--polymer", "sucrose"], 1, "cannot be the polymer"),
    "no strength": (["--liquid", "ethanol"], 1, "many strengths"),
    "no arm": (["--polymer", "none", "--liquid", "none"], 2, "needs an arm"),
    "crossover": (["--design", "crossover"], 2, "by hand"),
    "bad id": (["--id", "Our Trial"], 1, "trial.id"),
    "bad date": (["--start", "3 March"], 2, "not a date"),
    "no carbon": (["--carbon", "0"], 2, "above 0"),
    "two lists": (["--tanks", "a.csv", "--tank", "a"], 2, "one of the two"),
    "no file": (["--tanks", "a.csv"], 1, "cannot be read"),
    "tank of four": (["--tank", "a,b,1,2"], 2, "not a tank"),
    "sizes twice": (["--tank", "a,b", "--blocks", "3"], 2, "placeholders"),
    "own name": (["tanks.csv"], 2, "another"),
}


@pytest.mark.parametrize(("options", "status", "sentence"), WRONG.values(), ids=WRONG)
def test_what_makes_no_protocol_is_said_and_nothing_written(say, tmp_path, options, status, sentence):
    got, out, err = say("draft", "--yes", *options)
    assert (got, out) == (status, "")
    assert sentence in err
    assert "Traceback" not in err
    assert not list(tmp_path.iterdir())


def test_json_is_one_document(say):
    status, out, err = say("draft", "--json", "--blocks", "4")
    document = json.loads(out)
    assert (status, err) == (0, "")
    assert document["next"] == "fairtank plan protocol.toml"
    assert document["arms"]["control"] is None
    assert document["placeholders"]


def test_on_a_terminal_it_asks_again_until_it_understands(say, tmp_path, monkeypatch):
    asked = []
    answers = {
        "First day of the baseline": iter(["soon", "2027-03-01"]),
        "Weeks assessed": iter(["ten", "10"]),
    }
    tanks = iter(["a,b,1,2", *(f"{b}{a},{b},100" for b in "uvwxyz" for a in "12"), ""])

    def prompt(words, *, default, **_):
        asked.append(words)
        if words.startswith("Tank "):
            return next(tanks)
        return next((next(given) for start, given in answers.items() if words.startswith(start)), default)

    class Terminal:
        def isatty(self):
            return True

    monkeypatch.setattr(draft_command.typer, "prompt", prompt)
    monkeypatch.setattr(sys, "stdin", Terminal())
    monkeypatch.setattr(sys.stderr, "isatty", lambda: True, raising=False)
    status, out, err = say("draft", "--liquid", "none")
    assert status == 0
    assert "not a date" in err
    assert "not a whole number" in err
    assert "not a tank" in err
    raw = tomllib.loads((tmp_path / "protocol.toml").read_text("utf-8"))
    assert str(raw["schedule"]["start"]) == "2027-03-01"
    assert raw["schedule"]["phases"][2]["days"] == 70
    assert "with 12 tanks" in out
    assert not any("Dissolved" in words for words in asked)
