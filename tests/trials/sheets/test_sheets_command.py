"""The command: what it writes, what it says, and what it will not do."""

import json
import shutil
from pathlib import Path

import pytest

from schemas.errors import UsageError
from trials.cli import main
from trials.sheets.folder import write_sheets
from trials.sheets.site import site_sheets

DATA = Path(__file__).parents[3] / "data" / "club"
SITES = [
    *(
        "clubroom",
        "ferrowby-school",
        "hither-marl",
        "osmerfield",
        "pell-strand",
        "ropewalk-shop",
        "tansy-row",
    ),
    "wrackley-library",
]


@pytest.fixture(scope="module")
def sealed(tmp_path_factory):
    place = tmp_path_factory.mktemp("club") / "fairtank.db"
    assert main(["register", str(DATA / "protocol.toml"), "--register", str(place)]) == 0
    return place


@pytest.fixture
def run(sealed, tmp_path, capsys, monkeypatch):
    monkeypatch.chdir(tmp_path)
    register = shutil.copy(sealed, tmp_path / "fairtank.db")

    def call(*words, status=0):
        capsys.readouterr()
        assert main([*words, "--register", str(register)]) == status
        return capsys.readouterr()

    return call


def test_each_site_has_a_workbook_and_a_page(run, tmp_path):
    run("allocate", "--seed", "4 17 23 31 40 8")
    said = json.loads(run("sheets", "--json").out)
    assert {site["site"] for site in said["sites"]} == set(SITES)
    assert all(site["planned_rows"] == 60 and site["doses"] and not site["masked"] for site in said["sites"])
    names = sorted(path.name for path in (tmp_path / "quillmere-2025-sheets").iterdir())
    assert names == sorted(f"quillmere-2025-{site}.{end}" for site in SITES for end in ("xlsx", "html"))


def test_the_same_again_is_no_harm_and_another_is_refused(run, tmp_path):
    said = run("sheets", "--site", "tansy-row").out
    assert "say nothing of doses" in said
    assert "https" in said
    assert "fairtank intake quillmere-2025 FILE..." in said
    run("sheets", "--site", "tansy-row")
    path = tmp_path / "quillmere-2025-sheets" / "quillmere-2025-tansy-row.xlsx"
    path.write_bytes(b"filled in")
    refused = run("sheets", "--site", "tansy-row", status=2).err
    assert (
        "is there already and may be filled in; name another folder, or write over it with --force."
        in refused
    )
    assert path.read_bytes() == b"filled in"
    run("sheets", "--site", "tansy-row", "--force")
    assert path.read_bytes() != b"filled in"


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        (("--site", "tansyrow"), 'is at the site "tansyrow"; did you mean "tansy-row"?'),
        (("--kit", "photometer"), '"photometer" is not a kit of this protocol; did you mean "photometer-'),
        (("--out", "fairtank.db/x"), "The sheets cannot be written to fairtank.db/x"),
    ],
)
def test_what_cannot_be_is_one_sentence(run, words, sentence):
    status = 1 if words[0] == "--out" else 2
    refused = run("sheets", *words, status=status).err
    assert sentence in refused
    assert len(refused.splitlines()) == 1


def test_sites_that_differ_in_case_alone_get_files_of_their_own(trial, tmp_path):
    tanks = [{"id": "a", "site": "Q01"}, {"id": "b", "site": "q01"}, {"id": "c"}]
    protocol = trial(tanks=tanks, design={"kind": "parallel", "seed": "1"})
    files = write_sheets(tmp_path, site_sheets(protocol, "ab" * 32, None))
    assert [(one.site, one.workbook.name) for one in files] == [
        ("Q01", "quillmere-2026-Q01.xlsx"),
        ("q01", "quillmere-2026-q01-2.xlsx"),
        ("", "quillmere-2026.xlsx"),
    ]


def test_a_protocol_without_sampling_has_nothing_to_write(trial):
    schedule = trial().schedule.model_dump() | {"sampling": []}
    with pytest.raises(UsageError, match="has no sampling"):
        site_sheets(trial(schedule=schedule), "ab" * 32, None)


def test_sites_are_asked_for_only_where_there_are_some(trial):
    protocol = trial(tanks=[{"id": "a"}, {"id": "b"}], design={"kind": "parallel", "seed": "1"})
    with pytest.raises(UsageError, match="No tank names a site"):
        site_sheets(protocol, "ab" * 32, None, only="q01")
