"""The command: files kept as they came, days in the register, everything checked again, and nothing half done."""

import hashlib
import json
import shutil
import zipfile

import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from sqlalchemy import create_engine, text

from schemas.errors import FairtankError, UsageError
from trials.cli import main
from trials.register.store import Register
from trials.streams.day_file import COLUMNS
from trials.streams.raw_files import Keeping, folder_of

DAY_HEADER = ",".join(COLUMNS).encode()
WIDE = "tank,taken_at,temperature [Cel],pH\n"


@pytest.fixture
def log(register, logged):
    """A logger's file of two days of two tanks, and its rows."""
    path = register.with_name("log.csv")
    path.write_text(WIDE + "".join(",".join(row) + "\n" for row in logged()), encoding="utf-8")
    return path


def document(capsys):
    return json.loads(capsys.readouterr().out)


def test_days_are_readings_and_the_file_is_kept(register, log, capsys):
    assert main(["intake", "--stream", "log.csv", "--json"]) == 0
    told = document(capsys)
    digest = hashlib.sha256(log.read_bytes()).hexdigest()
    assert (told["rows"], told["accepted"], told["readings"]) == (8, 8, 8)
    assert told["stream"] | {"files": None, "kept_in": None} == {
        "files": None,
        "rows": 5760,
        "values": 11520,
        "used": 11520,
        "repeated": 0,
        "held": [],
        "kept_in": None,
    }
    assert [path.name for path in register.with_name("fairtank.db.streams").iterdir()] == [digest]
    with Register.open(str(register)) as record:
        readings, days = record.readings("try"), record.logger_days("try")
        assert (set(readings["kit"]), len(record.held("try")), record.check()) == ({"logger"}, 0, [])
    assert sorted(readings["value"]) == sorted(days["median"])
    assert set(days["logged"]) == {1440}
    assert main(["history", "--tank", "a"]) == 0
    assert "median of 1440 logged; 5 % " in capsys.readouterr().out


def test_the_same_file_again_changes_nothing(register, log, capsys):
    main(["intake", "--stream", "log.csv"])
    shutil.copy(log, log.with_name("again.csv"))
    with Register.open(str(register)) as record:
        head = record.head()
    capsys.readouterr()
    assert main(["intake", "--stream", "again.csv"]) == 0
    assert "again.csv was taken in before, by entry 2." in capsys.readouterr().out
    with Register.open(str(register)) as record:
        assert record.head() == head
    assert len(list(log.with_name("fairtank.db.streams").iterdir())) == 1


def test_an_old_file_with_a_new_one_makes_whole_days(log, logged, capsys):
    main(["intake", "--stream", "log.csv"])
    new = logged(first="2026-03-04", number=1, seed=2)
    log.with_name("new.csv").write_text(WIDE + "".join(",".join(row) + "\n" for row in new), encoding="utf-8")
    capsys.readouterr()
    assert main(["intake", "--stream", "log.csv", "new.csv", "--json"]) == 0
    told = document(capsys)
    assert (told["accepted"], told["repeated"]) == (4, 8)
    assert [file["taken_in_by_entry"] for file in told["stream"]["files"]] == [2, None]


def test_held_values_need_a_person_and_are_counted(register, log, capsys):
    with log.open("a", encoding="utf-8") as file:
        file.write("z,2026-03-02 10:00,25,8\n")
    assert main(["intake", "--stream", "log.csv"]) == 3
    told = capsys.readouterr().out
    assert "5,761 rows with 11,522 values = 11,520 used + 0 repeated + 2 held" in told
    assert "unknown-tank" in told
    with Register.open(str(register)) as record:
        ((_, body),) = record.streams("try").values()
    assert (body.values, body.used + body.repeated + sum(one.count for one in body.held)) == (11522, 11522)


def test_a_day_that_is_unusual_waits_and_can_be_accepted_as_it_is(register):
    lines = "".join(f"a,2026-03-02 {h:02}:{m:02},30.1,8.1\n" for h in range(24) for m in range(60))
    register.with_name("log.csv").write_text(WIDE + lines, encoding="utf-8")
    assert main(["intake", "--stream", "log.csv"]) == 3
    with Register.open(str(register)) as record:
        (row,) = record.held("try")
        assert [reason.code for reason in row.reasons] == ["unlikely"]
    assert main(["held", "--accept", f"{row.file}:{row.row}", "--why", "the heater", "--by", "MO"]) == 0
    with Register.open(str(register)) as record:
        assert record.readings("try")["value"].tolist() == [8.1, 30.1]
    assert main(["verify"]) == 0


def test_a_dry_run_leaves_nothing(register, log):
    assert main(["intake", "--stream", "log.csv", "--dry-run"]) == 0
    assert not log.with_name("fairtank.db.streams").exists()
    with Register.open(str(register)) as record:
        assert record.streams("try") == {}


def test_a_file_that_cannot_be_read_leaves_nothing(log, capsys):
    log.with_name("other.csv").write_text("a letter\nto the club\n", encoding="utf-8")
    assert main(["intake", "--stream", "log.csv", "other.csv"]) == 1
    assert "other.csv" in capsys.readouterr().err
    assert list(log.with_name("fairtank.db.streams").iterdir()) == []


@pytest.mark.usefixtures("log")
def test_verify_works_the_days_out_again(register, capsys):
    main(["intake", "--stream", "log.csv"])
    assert main(["verify"]) == 0
    folder = register.with_name("fairtank.db.streams")
    (kept,) = folder.iterdir()
    moved = register.with_name("elsewhere")
    moved.mkdir()
    capsys.readouterr()
    shutil.move(kept, moved / kept.name)
    assert main(["verify"]) == 0
    assert "log.csv is not in " in capsys.readouterr().out
    assert main(["verify", "--keep", "elsewhere"]) == 0
    content = (moved / kept.name).read_text(encoding="utf-8")
    (moved / kept.name).write_text(content.replace(",25.", ",26.", 1), encoding="utf-8")
    capsys.readouterr()
    assert main(["verify", "--keep", "elsewhere"]) == 3
    assert "is not the one that was taken in" in capsys.readouterr().out


@pytest.mark.usefixtures("log")
def test_verify_finds_days_that_the_files_do_not_give(register, monkeypatch, capsys):
    """A day file that was made up before it was stored: the chain is whole, and only the files tell."""
    from trials.streams import taking_in

    honest = taking_in.day_file

    def made_up(days, trial, files):
        return honest([day._replace(median=day.median + 0.1) for day in days], trial, files)

    monkeypatch.setattr(taking_in, "day_file", made_up)
    assert main(["intake", "--stream", "log.csv"]) == 0
    monkeypatch.setattr(taking_in, "day_file", honest)
    with Register.open(str(register)) as record:
        assert record.check() == []
    capsys.readouterr()
    assert main(["verify"]) == 3
    assert "do not come out of the logger's files again" in capsys.readouterr().out


@pytest.mark.usefixtures("log")
def test_verify_finds_days_that_were_changed(register, capsys):
    main(["intake", "--stream", "log.csv"])
    engine = create_engine(f"sqlite:///{register}")
    with engine.begin() as connection:
        connection.execute(text("DROP TRIGGER rows_keep_update"))
        connection.execute(text("UPDATE rows SET cells = replace(cells, '1440', '1441') WHERE row = 2"))
    engine.dispose()
    capsys.readouterr()
    assert main(["verify"]) == 3
    assert "are not those that were taken in" in capsys.readouterr().out


def chain_of(pack):
    with zipfile.ZipFile(pack) as archive:
        (name,) = (name for name in archive.namelist() if name.endswith("record/chain.jsonl"))
        return archive.read(name).decode()


@pytest.mark.usefixtures("log")
def test_a_pack_holds_the_days_and_is_checked_alone(register, capsys):
    nitrate = "".join(
        f"{tank},2026-04-20,{value}\n" for tank, value in zip("abcd", (12, 14, 9, 15), strict=True)
    )
    register.with_name("may.csv").write_text(f"tank,taken_at,nitrate [mg/L]\n{nitrate}", encoding="utf-8")
    for arguments in (["allocate"], ["intake", "--stream", "log.csv"], ["intake", "may.csv"], ["pack"]):
        assert main(arguments) == 0
    capsys.readouterr()
    assert main(["verify", "try-pack.zip"]) == 0
    assert "every number comes out again" in capsys.readouterr().out
    # Names of files, and values that were held, may name people: they are in no pack without --with-texts.
    assert "log.csv" not in chain_of("try-pack.zip")
    assert main(["pack", "--with-texts", "--out", "texts.zip"]) == 0
    assert main(["verify", "texts.zip"]) == 0
    with zipfile.ZipFile("texts.zip") as archive:
        assert any(archive.read(name).startswith(DAY_HEADER) for name in archive.namelist())
    assert "log.csv" in chain_of("texts.zip")


@pytest.mark.parametrize(
    ("arguments", "sentence"),
    [
        (["intake", "log.csv", "--keep", "there"], "--keep and --cluster are for the files of loggers"),
        (["intake", "log.csv", "--cluster", "tcp://127.0.0.1:1"], "give them with --stream"),
        (["intake", "--stream", "log.csv", "--keep", "taken"], "cannot be kept in taken"),
        (["intake", "--stream", "not-there"], "not-there is not there"),
    ],
)
def test_mistakes_are_one_sentence(log, capsys, arguments, sentence):
    log.with_name("taken").write_text("a file where a folder should be", encoding="utf-8")
    assert main(arguments) in (1, 2)
    told = capsys.readouterr().err
    assert sentence in told
    assert told.count("\n") == 1


@pytest.mark.usefixtures("log")
def test_without_pyarrow_there_is_one_sentence(monkeypatch, capsys):
    main(["intake", "--stream", "log.csv"])
    monkeypatch.setitem(__import__("sys").modules, "pyarrow", None)
    assert main(["intake", "--stream", "log.csv"]) == 1
    assert 'pip install "fairtank[streams]"' in capsys.readouterr().err
    assert main(["verify"]) == 0
    assert "The days of loggers were not worked out again. " in capsys.readouterr().out


def test_a_server_needs_a_folder(tmp_path):
    with pytest.raises(UsageError, match="--keep FOLDER"):
        folder_of("postgresql://lead@example.org/club", None)
    assert folder_of("postgresql://lead@example.org/club", tmp_path) == tmp_path


def test_what_is_kept_is_never_written_over(tmp_path):
    source, folder = tmp_path / "log.csv", tmp_path / "kept"
    source.write_bytes(b"tank,taken_at\n")
    target = folder / hashlib.sha256(source.read_bytes()).hexdigest()
    folder.mkdir()
    target.write_bytes(b"something else")
    with Keeping(folder) as keeping:
        keeping.take(source, lambda _: None)
        with pytest.raises(FairtankError, match="is not the one"):
            keeping.settle()
    assert target.read_bytes() == b"something else"
    assert list(folder.iterdir()) == [target]


def test_a_cluster_gives_the_same(register, logged, capsys):
    from distributed import LocalCluster

    rows = logged("ab")
    folder = register.with_name("parquet")
    folder.mkdir()
    for part in range(3):
        own = rows[part::3]
        table = pa.table(
            {
                "tank": [row[0] for row in own],
                "taken_at": [row[1] for row in own],
                "temperature [Cel]": [float(row[2]) for row in own],
                "ph": [row[3] if row[3][-1] != "7" else "?" for row in own],
            }
        )
        pq.write_table(table, folder / f"part.{part}.parquet", row_group_size=2000)
    assert main(["intake", "--stream", "parquet", "--dry-run", "--json"]) == 3
    alone = document(capsys)
    assert alone["stream"]["held"][0]["code"] == "not-a-number"
    with LocalCluster(
        n_workers=1, threads_per_worker=1, host="127.0.0.1", dashboard_address=None, memory_limit="1GiB"
    ) as cluster:
        arguments = ["intake", "--stream", "parquet", "--cluster", cluster.scheduler_address, "--json"]
        assert main(arguments) == 3
        shared = document(capsys)
        assert main(["intake", "--stream", "log.csv", *arguments[3:]]) == 1
    assert shared | {"dry_run": True} == alone | {
        "stream": alone["stream"] | {"kept_in": "fairtank.db.streams"}
    }
    assert main(["verify"]) == 0
