"""Folders of files: walked in a stable order, what is no table named, what cannot be read no bar to the others."""

import json

import pytest

from schemas.errors import IntakeError
from trials.cli import main
from trials.intake.gathering import gather

PROTOCOL = """
format = 1
trial = { id = "try", title = "A first try" }
arms = [ { id = "control", role = "control", title = "Water changes" }, { id = "polymer", role = "test", title = "Pellets" } ]
design = { kind = "parallel", seed = "1" }
tanks = [ { id = "a" }, { id = "b" }, { id = "c" }, { id = "d" } ]
schedule = { start = 2026-03-02, phases = [ { id = "baseline", days = 28 }, { id = "assessment", days = 56 } ] }
[[endpoints]]
id = "nitrate-mean"
role = "primary"
variable = "nitrate"
summary = "mean"
phase = "assessment"
better = "lower"
worthwhile = 2
"""


def sent(tank, day="2026-04-06"):
    return f"tank,taken_at,nitrate [mg/L]\n{tank},{day},12\n"


@pytest.fixture
def club(tmp_path, monkeypatch):
    """A folder as it comes out of a mail program."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("FAIRTANK_REGISTER", raising=False)
    (tmp_path / "protocol.toml").write_text(PROTOCOL, encoding="utf-8")
    for name, content in {
        "club/b.csv": sent("b"),
        "club/A.TXT": sent("a"),
        "club/photo.jpg": "no table",
        "club/~$book.xlsx": "open",
        "club/.hidden.csv": sent("c"),
        "club/letter.txt": "Dear club, my readings follow next week\n",
        "club/late/d.csv": sent("d"),
        "club/late/again.csv": sent("a"),
    }.items():
        path = tmp_path / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(content, encoding="utf-8")
    return tmp_path / "club"


def test_files_come_in_a_stable_order_and_each_once(club):
    gathered = gather([club / "late" / "d.csv", club, club / "b.csv"])
    assert [path.name for path in gathered.files] == ["d.csv", "A.TXT", "b.csv", "letter.txt", "again.csv"]
    assert club / "late" / "d.csv" not in gathered.found
    assert {name.rpartition("/")[2]: reason.split(";")[0] for name, reason in gathered.left_alone} == {
        ".hidden.csv": "it is a hidden file",
        "photo.jpg": "it does not end in .csv, .ods, .tsv, .txt, .xls, .xlsx",
        "~$book.xlsx": "it is the mark of a file that is open in a spreadsheet program",
    }


def test_a_link_to_the_folder_above_is_not_followed(club):
    (club / "late" / "up").symlink_to(club, target_is_directory=True)
    assert len(gather([club]).files) == 5


@pytest.mark.parametrize(
    ("name", "said"), [("gone", "is not there"), ("empty", "holds no file that ends in")]
)
def test_a_folder_without_files_is_refused(club, name, said):
    (club / "empty").mkdir()
    with pytest.raises(IntakeError, match=said):
        gather([club / name])


def test_a_folder_is_taken_in_and_what_cannot_be_read_is_named(club, capsys):
    assert main(["register", "protocol.toml"]) == 0
    capsys.readouterr()
    assert main(["intake", "club", "--json"]) == 3
    found = json.loads(capsys.readouterr().out)
    assert (found["rows"], found["accepted"], found["held"], found["repeated"]) == (4, 3, 0, 1)
    assert [file["file"] for file in found["files"]] == ["A.TXT", "b.csv", "again.csv", "d.csv"]
    assert [each["file"].rpartition("/")[2] for each in found["refused"]] == ["letter.txt"]
    assert "has no header" in found["refused"][0]["reason"]
    assert main(["intake", str(club / "late")]) == 0
    shown = capsys.readouterr()
    assert "d.csv: 1 rows = 0 accepted + 0 held + 1 repeated" in shown.out
    assert shown.err == ""  # no bar where nobody watches


def test_a_file_that_is_named_and_cannot_be_read_stops_all(club, capsys):
    assert main(["register", "protocol.toml"]) == 0
    assert main(["intake", str(club / "b.csv"), str(club / "letter.txt")]) == 1
    assert "letter.txt has no header" in capsys.readouterr().err
    assert main(["intake", str(club / "b.csv"), "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["accepted"] == 1
