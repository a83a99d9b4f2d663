"""Packs from strangers: what leads out of them, links, bombs, and what is missing ends in one sentence."""

import io
import json
import os
import stat
import zipfile
from pathlib import Path

import pytest

from schemas.errors import PackError
from trials.pack import archive, layout
from trials.pack.archive import read_archive
from trials.pack.reading import open_pack
from trials.pack.writing import write_pack


def zip_of(path, entries, **more):
    with zipfile.ZipFile(path, "w") as packed:
        for name, content in entries:
            packed.writestr(name, content, **more)
    return path


DESCRIPTOR = ("datapackage.json", b"{}")


@pytest.mark.parametrize(
    "name",
    [
        "../out.csv",
        "/etc/passwd",
        "data/../../out",
        "C:/out",
        "a\\..\\b",
        "a//b",
        "./a",
        "a\u202eb",
        "a\nb",
        "x" * 300,
    ],
)
def test_names_that_lead_out_are_refused(tmp_path, name):
    path = zip_of(tmp_path / "pack.zip", [DESCRIPTOR, (name, b"x")])
    with pytest.raises(PackError, match="no path in a pack may lead out of it"):
        read_archive(path)


def test_doubled_names_are_refused(tmp_path):
    with pytest.warns(UserWarning, match="Duplicate name"):
        path = zip_of(tmp_path / "pack.zip", [DESCRIPTOR, ("a.csv", b"1"), ("a.csv", b"2")])
    with pytest.raises(PackError, match=r'holds "a\.csv" twice'):
        read_archive(path)
    path = zip_of(tmp_path / "case.zip", [DESCRIPTOR, ("a.csv", b"1"), ("A.csv", b"2")])
    with pytest.raises(PackError, match="twice"):
        read_archive(path)


def test_links_are_refused_in_a_zip(tmp_path):
    link = zipfile.ZipInfo("link")
    link.external_attr = (stat.S_IFLNK | 0o777) << 16
    path = zip_of(tmp_path / "pack.zip", [DESCRIPTOR, (link, b"/etc/passwd")])
    with pytest.raises(PackError, match="a link or no plain file"):
        read_archive(path)


@pytest.mark.parametrize("folder", [True, False])
def test_links_and_pipes_are_refused_in_a_folder(tmp_path, folder):
    (tmp_path / "pack").mkdir()
    (tmp_path / "pack" / "datapackage.json").write_bytes(b"{}")
    (tmp_path / "pack" / "link").symlink_to(tmp_path if folder else tmp_path / "nothing")
    with pytest.raises(PackError, match="holds a link"):
        read_archive(tmp_path / "pack")
    (tmp_path / "pack" / "link").unlink()
    os.mkfifo(tmp_path / "pack" / "pipe")
    with pytest.raises(PackError, match="no plain file"):
        read_archive(tmp_path / "pack")


def test_more_than_a_pack_can_hold_is_not_unpacked(tmp_path, monkeypatch):
    monkeypatch.setattr(archive, "MOST_BYTES", 1_000_000)
    bomb = zip_of(
        tmp_path / "bomb.zip", [DESCRIPTOR, ("a.csv", b"0" * 2_000_000)], compress_type=zipfile.ZIP_DEFLATED
    )
    assert bomb.stat().st_size < 10_000
    with pytest.raises(PackError, match="more than a pack can"):
        read_archive(bomb)
    (tmp_path / "pack").mkdir()
    (tmp_path / "pack" / "datapackage.json").write_bytes(b"0" * 2_000_000)
    with pytest.raises(PackError, match="more than a pack can"):
        read_archive(tmp_path / "pack")
    monkeypatch.setattr(archive, "MOST_FILES", 3)
    with pytest.raises(PackError, match="more than a pack can"):
        read_archive(zip_of(tmp_path / "many.zip", [DESCRIPTOR, *((f"{n}", b"") for n in range(5))]))


def test_a_zip_that_lies_of_its_sizes_is_damaged(tmp_path):
    path = zip_of(
        tmp_path / "pack.zip", [DESCRIPTOR, ("a.csv", b"0" * 5000)], compress_type=zipfile.ZIP_DEFLATED
    )
    data = bytearray(path.read_bytes())
    place = data.rindex(b"PK\x01\x02")
    data[place + 24 : place + 28] = (50).to_bytes(4, "little")
    path.write_bytes(data)
    assert "a.csv is damaged" in read_archive(path).damaged["a.csv"]


def test_a_damaged_file_is_named(tmp_path):
    path = zip_of(tmp_path / "pack.zip", [DESCRIPTOR, ("data/a.csv", b"tank,1,2,3")])
    path.write_bytes(path.read_bytes().replace(b"tank,1", b"tank,7", 1))
    assert "data/a.csv is damaged" in read_archive(path).damaged["data/a.csv"]
    with pytest.raises(PackError, match=r"data/a\.csv is damaged inside the zip"):
        open_pack(path)


@pytest.mark.parametrize(
    ("make", "sentence"),
    [
        (Path.exists, "There is no pack"),
        (lambda path: path.write_bytes(b"not a zip"), "neither a folder nor a zip"),
        (lambda path: zip_of(path, [("a.csv", b"")]), "no datapackage.json at its top"),
        (lambda path: path.mkdir(), "no datapackage.json at its top"),
        (
            lambda path: zip_of(path, [("one/datapackage.json", b"{}"), ("two/a", b"")]),
            "no datapackage.json at its top",
        ),
        (lambda path: zip_of(path, [DESCRIPTOR]), "pack.json is missing"),
    ],
)
def test_what_is_no_pack_is_refused(tmp_path, make, sentence):
    make(tmp_path / "pack.zip")
    with pytest.raises(PackError, match=sentence):
        open_pack(tmp_path / "pack.zip")


def test_what_file_managers_leave_is_not_read(tmp_path):
    left = [("__MACOSX/top/._a", b"x"), ("top/.DS_Store", b"x"), ("top/data/Thumbs.db", b"x")]
    path = zip_of(tmp_path / "pack.zip", [("top/datapackage.json", b"{}"), *left])
    assert read_archive(path).files == {"datapackage.json": b"{}"}
    (tmp_path / "pack").mkdir()
    (tmp_path / "pack" / "datapackage.json").write_bytes(b"{}")
    (tmp_path / "pack" / ".DS_Store").write_bytes(b"x")
    assert read_archive(tmp_path / "pack").files == {"datapackage.json": b"{}"}


def test_a_locked_zip_is_refused(tmp_path):
    path = zip_of(tmp_path / "pack.zip", [DESCRIPTOR])
    data = bytearray(path.read_bytes())
    for mark, shift in ((b"PK\x01\x02", 8), (b"PK\x03\x04", 6)):
        data[data.index(mark) + shift] |= 1
    path.write_bytes(data)
    with pytest.raises(PackError, match="locked with a password"):
        read_archive(path)


def test_folder_and_zip_are_read_alike(coded, written, tmp_path):
    folder = open_pack(written(coded))
    write_pack(tmp_path / "any name.zip", coded, "hostile")
    packed = open_pack(tmp_path / "any name.zip")
    assert folder.files == packed.files == coded
    assert folder.trial == packed.trial == "hostile"
    assert not packed.published
    assert packed.protocol.trial.title == "Solid carbon or none"
    assert list(packed.allocation) == ["tank", "block", "site", "period", "arm"]
    assert sorted(packed.allocation["arm"].unique()) == ["control", "polymer"]
    assert packed.readings["taken_at"].dtype == "datetime64[us]"
    assert packed.results["trial"] == packed.metadata["name"] == "hostile"


@pytest.mark.parametrize(
    "path", [layout.CHAIN, layout.RESULTS, layout.SEALED, layout.READINGS.path, layout.MADE_WITH]
)
def test_a_missing_part_is_named(coded, written, path):
    with pytest.raises(PackError, match=f"{path} is missing"):
        open_pack(written({name: content for name, content in coded.items() if name != path}))


@pytest.mark.parametrize(
    ("path", "content", "sentence"),
    [
        (layout.RESULTS, b"{", "is not JSON"),
        (layout.RESULTS, b"[]", "must hold a JSON object"),
        (layout.RESULTS, b"[" * 100_000, "is not JSON"),
        (layout.MADE_WITH, b'{"format": 2}', "pack of format 2"),
        (layout.MADE_WITH, b'{"format": 1}', "does not say which version"),
        (layout.CHAIN, b"", "is not JSON as an entry"),
        (layout.CHAIN, b"{}\n", "line 1, is not an entry"),
        (layout.CHAIN, b'{"number":1,"previous":"a","digest":"b"}\n', "no entry that seals"),
        (layout.CHAIN, b"[1]\n", "line 1, is not JSON as an entry"),
        (layout.READINGS.path, b"a,b\r\n", "must begin with the columns"),
    ],
)
def test_a_part_of_another_form_is_named(coded, written, path, content, sentence):
    with pytest.raises(PackError, match=sentence):
        open_pack(written(coded | {path: content}))


@pytest.mark.parametrize(
    "change",
    [
        lambda shown: shown.pop("file"),
        lambda shown: shown.update(readings="many"),
        lambda shown: shown.update(extra=1),
        lambda shown: shown.update(file=[1]),
    ],
)
def test_what_is_shown_of_an_entry_has_the_form_of_its_kind(coded, written, change):
    lines = [json.loads(line) for line in coded[layout.CHAIN].splitlines()]
    change(next(line["shown"] for line in lines if line["kind"] == "intake"))
    forged = io.BytesIO()
    forged.write("".join(json.dumps(line) + "\n" for line in lines).encode())
    with pytest.raises(PackError, match="entry 3, is not in the form of its kind, intake"):
        open_pack(written(coded | {layout.CHAIN: forged.getvalue()}))
