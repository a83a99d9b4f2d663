"""The invented scenarios: made again byte for byte, safe to open, and wrong where they say they are."""

import csv
import io
import os
import subprocess
import sys
from pathlib import Path

import openpyxl
import pytest

from analysis.tank_parameters import TankParameters
from analysis.water.carbon import product
from analysis.water.doses import carbon_of, parse_dose
from trials import protocol_file
from trials.intake.batch import read_file
from trials.register.store import Register
from trials.scenarios import read_story, scenario_names, scenarios_folder

DATA = scenarios_folder()
READINGS = sorted(DATA.glob("*/readings/*/*"))
CSV_FORM = {
    "tansy-row.csv": (";", "latin-1"),
    "hither-marl.csv": ("\t", "utf-8"),
    "wrackley-library.csv": (";", "utf-8"),
}

# What must be held of each file as first sent whole, and of the files as mended: planted by hand.
HELD_WHOLE = {
    "clubroom.xlsx": ["zero"],
    "ferrowby-school.xlsx": ["not-a-number"],
    "hither-marl.csv": ["ambiguous-date"] * 3,
    "osmerfield.xlsx": ["in-the-future"],
    "pell-strand.csv": ["unknown-tank", "no-unit", "unknown-tank"],
    "ropewalk-shop.csv": ["conflict-with-register"],
    "tansy-row.csv": ["out-of-bounds"],
    "wrackley-library.csv": [],
    "raceways.csv": ["out-of-bounds", "unknown-tank", "not-a-number"],
    "raceways-log.csv": [],
}
HELD_IN_THE_END = {
    "club": [
        ("ferrowby-school.xlsx", "not-a-number"),
        ("pell-strand.csv", "unknown-tank"),
        ("ropewalk-shop.csv", "conflict-with-register"),
    ],
    "farm": [],
}


def csv_rows(path):
    separator, encoding = CSV_FORM.get(path.name, (",", "utf-8-sig"))
    return list(csv.reader(io.StringIO(path.read_bytes().decode(encoding), newline=""), delimiter=separator))


def test_the_script_makes_the_same_bytes(tmp_path):
    environment = os.environ | {"PYTHONPATH": str(Path(protocol_file.__file__).parents[1])}
    subprocess.run([sys.executable, DATA / "make_scenarios.py", tmp_path], check=True, env=environment)
    made = sorted(tmp_path.glob("*/readings/*/*"))
    assert [p.relative_to(tmp_path) for p in made] == [p.relative_to(DATA) for p in READINGS]
    differ = [p.name for p, q in zip(made, READINGS, strict=True) if p.read_bytes() != q.read_bytes()]
    assert differ == [], (
        "a protocol or its digest changed: run data/make_scenarios.py and commit the readings"
    )


def test_the_folder_is_small():
    kept = [path for path in DATA.rglob("*") if path.suffix in {".csv", ".md", ".py", ".toml", ".xlsx"}]
    assert sum(path.stat().st_size for path in kept) < 300_000


@pytest.mark.parametrize("name", scenario_names())
def test_everything_says_that_it_is_invented(name):
    assert "invented" in (DATA / "README.md").read_text(encoding="utf-8")
    for file in ("protocol.toml", "story.toml"):
        assert (DATA / name / file).read_text(encoding="utf-8").startswith("# INVENTED")
    trial = protocol_file.load(DATA / name / "protocol.toml").protocol.trial
    assert "invented" in trial.title
    assert "invented" in trial.lead


def test_the_readme_names_every_file():
    text = (DATA / "README.md").read_text(encoding="utf-8")
    missing = {p.name for p in READINGS if p.name != "raceways.csv" and f"`{p.name}`" not in text}
    assert missing == set()
    assert {p.name for p in DATA.glob("*.py") if f"`{p.name}`" not in text} == set()


@pytest.mark.parametrize("name", scenario_names())
def test_a_protocol_has_nothing_to_remark_and_lies_in_the_past(name):
    loaded = protocol_file.load(DATA / name / "protocol.toml")
    assert loaded.warnings == ()
    story = read_story(DATA / name)
    protocol = loaded.protocol
    baseline_end, first_dose = protocol.phase_days["baseline"][1], protocol.phase_days["ramp"][0]
    assert story.registered_at.date() < protocol.schedule.start
    assert story.intake[0].at.date() < baseline_end
    assert story.intake[0].at < story.drawn_at
    assert story.drawn_at.date() < first_dose
    assert (
        protocol.last_day < story.intake[1].at.date() < story.intake[2].at.date() < story.reported_at.date()
    )
    assert story.reported_at.year == 2025


@pytest.mark.parametrize(
    "path", [p for p in READINGS if p.suffix == ".csv"], ids=lambda p: f"{p.parent.name}/{p.name}"
)
def test_no_text_of_a_csv_reads_as_a_formula(path):
    # The first characters that spreadsheet programs take for a formula: CWE-1236.
    risky = [cell for row in csv_rows(path) for cell in row if cell[:1] in {"=", "+", "-", "@", "\t", "\r"}]
    assert risky == []
    assert len({len(row) for row in csv_rows(path)}) == 1


@pytest.mark.parametrize(
    "path", [p for p in READINGS if p.suffix == ".xlsx"], ids=lambda p: f"{p.parent.name}/{p.name}"
)
def test_no_cell_of_a_workbook_is_a_formula(path):
    book = openpyxl.load_workbook(path)
    kinds = {cell.data_type for sheet in book for row in sheet.iter_rows() for cell in row}
    assert kinds <= {"s", "n", "d"}
    assert book.properties.created.year == 2025


@pytest.mark.parametrize(("name", "stated"), [("club", 0.7), ("farm", 0.25)])
def test_the_arms_have_equal_carbon(name, stated):
    protocol = protocol_file.load(DATA / name / "protocol.toml").protocol
    given = {}
    for arm in protocol.arms:
        if arm.carbon:
            dose = parse_dose(arm.carbon.full_dose)
            # Pellets are taken to wear down by 0.35 % a day, which is assumed.
            share = 1.0 if dose.daily else TankParameters().pellet_rate
            given[arm.id] = 1000 * share * carbon_of(dose, product(arm.carbon.source)) / dose.litres
    assert given == {"polymer": pytest.approx(stated, rel=0.02), "liquid": pytest.approx(stated, rel=0.02)}
    assert f"{stated:g} mg of carbon per litre and day" in protocol.trial.question


def taken_in(name, register):
    """Take a scenario in as its story tells, and return reason codes by folder and file."""
    story = read_story(DATA / name)
    sealed = register.seal(protocol_file.load(DATA / name / "protocol.toml"), story.registered_at)
    codes = {}
    for step in story.intake:
        for path in sorted((DATA / name / "readings" / step.folder).iterdir()):
            batch = read_file(path, sealed.protocol, register.seen(sealed.id), step.at.date())
            register.record_intake(sealed.id, [batch], step.at)
            counts = [batch.count(outcome) for outcome in ("accepted", "held", "repeated")]
            assert sum(counts) == len(batch.rows)
            codes[step.folder, path.name] = [reason.code for row in batch.held() for reason in row.reasons]
    return sealed, codes


@pytest.mark.parametrize("name", scenario_names())
def test_rows_are_held_where_slips_were_planted_and_nowhere_else(name, tmp_path):
    with Register.open(str(tmp_path / "register.db"), create=True) as register:
        sealed, codes = taken_in(name, register)
        waiting = sorted(
            (row.file, reason.code) for row in register.held(sealed.id) for reason in row.reasons
        )
        readings = register.readings(sealed.id)
    assert [found for (folder, _), found in codes.items() if folder == "1-baseline" and found] == []
    whole = {file: found for (folder, file), found in codes.items() if folder == "2-whole-trial"}
    assert whole == {file: HELD_WHOLE[file] for file in whole}
    assert waiting == HELD_IN_THE_END[name]
    # One reading a test, none twice: no tank, moment, variable and replicate occurs again.
    assert not readings.duplicated(["tank", "taken_at", "variable", "replicate"]).any()
    # What is in is in the trial's canonical units and believable: common practice for stocked reef tanks.
    measured = readings[readings["sign"] == ""].groupby("variable", observed=True)["value"]
    believable = {"nitrate": (0.5, 60), "phosphate": (0.01, 0.7), "nitrite": (0.02, 0.3), "growth": (0, 2)}
    for variable, values in measured:
        low, high = believable[variable]
        assert low <= values.min()
        assert values.max() <= high
