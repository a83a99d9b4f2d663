"""The demo: the whole job on each invented scenario, and how it behaves where something stands in its way."""

import re

import pytest

from analysis.evaluation import evaluate
from schemas.errors import FairtankError, UsageError
from trials import __version__
from trials.demo import run_demo
from trials.register.store import Register
from trials.scenarios import read_story, scenario_names, scenarios_folder


@pytest.fixture(scope="module", params=scenario_names())
def told(request, tmp_path_factory):
    """Scenario, outcome and the lines said; for the farm, folders stand in the way."""
    lines = []
    folder = tmp_path_factory.mktemp("demo") / "fairtank-demo"
    if request.param == "farm":
        folder.mkdir()
        (folder / "mine.txt").write_text("mine")
        folder.with_name("fairtank-demo-2").mkdir()
    return request.param, run_demo(folder, request.param, say=lines.append), lines


def test_it_ends_with_a_report_and_an_answer(told):
    _, outcome, _ = told
    page = outcome.report.read_text(encoding="utf-8")
    assert outcome.report.is_relative_to(outcome.folder)
    assert "invented" in page
    assert 1 <= len(outcome.answer) <= 5
    assert all(line.strip() for line in outcome.answer)


def test_every_step_is_told_with_its_command_in_order(told):
    name, _, lines = told
    story = read_story(scenarios_folder() / name)
    commands = [line.split("  ", 1)[1] for line in lines if re.match(r"\d{4}-\d{2}-\d{2}  fairtank ", line)]
    assert commands == [
        "fairtank register protocol.toml",
        "fairtank intake readings/1-baseline/*",
        f'fairtank allocate --seed "{story.seed}"',
        "fairtank intake readings/2-whole-trial/*",
        "fairtank intake readings/3-mended/*",
        "fairtank analyse",
        "fairtank report --out report",
    ]
    dates = [line[:10] for line in lines if re.match(r"\d{4}-", line)]
    assert dates == sorted(dates)
    assert sum("INVENTED" in line for line in lines[:2]) == 1


def test_what_went_otherwise_is_in_the_report(told):
    name, outcome, _ = told
    page = outcome.report.read_text(encoding="utf-8")
    with Register.open(str(outcome.folder / "fairtank.db")) as register:
        notes = register.readings(register.find(None).id)
    halved = set(notes.loc[notes["note"].str.contains("dose halved"), "tank"])
    assert ("HM3 began to leak" in page) == (name == "club")
    assert set(re.findall(r"Tank (\S+) met the stop rule on phosphate", page)) == halved


def test_every_file_is_told_with_a_sum_that_comes_out(told):
    name, _, lines = told
    sums = [
        re.search(r"(\S+): (\d+) rows = (\d+) accepted \+ (\d+) held \+ (\d+) repeated", line)
        for line in lines
    ]
    found = [match.groups() for match in sums if match]
    assert len(found) == len(list((scenarios_folder() / name / "readings").glob("*/*")))
    for _, rows, *parts in found:
        assert int(rows) == sum(map(int, parts))


def test_held_rows_are_told_with_their_reasons(told):
    name, _, lines = told
    where = next(number for number, line in enumerate(lines) if line.startswith("Rows still held"))
    expected = {"club": 3, "farm": 0}[name]
    assert re.search(rf": {expected}\b", lines[where])
    reasons = [line for line in lines[where + 1 :] if line.startswith("  ") and ", row " in line]
    assert len(reasons) == expected


def test_the_register_tells_the_invented_story_and_is_whole(told):
    name, outcome, _ = told
    story = read_story(scenarios_folder() / name)
    with Register.open(str(outcome.folder / "fairtank.db")) as register:
        assert register.check() == []
        sealed = register.find(None)
        shared = register.allocation(sealed.id)
        readings = register.readings(sealed.id)
        digest = register.data_digest(sealed.id)
        moments = {entry.at[:10] for entry in register.entries(sealed.id)}
    assert moments == {
        str(at.date()) for at in (story.registered_at, story.drawn_at, *(step.at for step in story.intake))
    }
    assert shared.seed == story.seed
    again = evaluate(
        sealed.protocol,
        shared,
        readings,
        protocol_digest=sealed.digest,
        data_digest=digest,
        version=__version__,
    )
    primary = next(endpoint for endpoint in again.endpoints if endpoint.role == "primary")
    assert all(contrast.estimate is not None for contrast in primary.contrasts)
    assert primary.n_tanks == {"club": 23, "farm": 18}[name]


def test_a_folder_that_is_there_is_left_alone(told):
    name, outcome, lines = told
    mine = outcome.folder.with_name("fairtank-demo")
    if name == "farm":
        assert outcome.folder.name == "fairtank-demo-3"
        assert [path.name for path in mine.iterdir()] == ["mine.txt"]
        assert lines[0] == f"{mine} is there already and is left alone."
    else:
        assert outcome.folder == mine
        assert "left alone" not in "\n".join(lines)


def test_an_unknown_scenario_is_named_with_those_there_are(tmp_path):
    with pytest.raises(UsageError, match='no scenario "clubs"; the scenarios are club and farm'):
        run_demo(tmp_path / "demo", "clubs", say=print)
    assert not (tmp_path / "demo").exists()


def test_a_folder_that_cannot_be_made_is_one_sentence(tmp_path):
    (tmp_path / "file").write_text("")
    with pytest.raises(FairtankError, match="cannot be made"):
        run_demo(tmp_path / "file" / "demo", "club", say=print)
