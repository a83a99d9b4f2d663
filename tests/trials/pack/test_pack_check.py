"""A pack is checked with nothing but the pack: whole packs are, and one changed digit anywhere is found and named."""

import hashlib
import json
import random
import re
import subprocess
import sys
from pathlib import Path

import pytest

from trials.pack import checking, layout
from trials.pack.building import checksums
from trials.pack.checking import check_pack, sum_findings
from trials.pack.same_numbers import differences
from trials.pack.writing import write_pack

ROOT = Path(__file__).parents[3]


def with_changed_digit(content, chance, where=0):
    """The content with one digit, at a random place from ``where`` on, replaced by another."""
    places = [place for place, byte in enumerate(content) if place >= where and chr(byte).isdigit()]
    place = chance.choice(places)
    other = chance.choice([digit for digit in b"0123456789" if digit != content[place]])
    return content[:place] + bytes([other]) + content[place + 1 :]


def resealed(files):
    """What a careful forger does: the sums of the descriptor and of SHA256SUMS made to fit again."""
    descriptor = json.loads(files[layout.DESCRIPTOR])
    for resource in descriptor["resources"]:
        content = files[resource["path"]]
        resource |= {"bytes": len(content), "hash": f"sha256:{hashlib.sha256(content).hexdigest()}"}
    text = (json.dumps(descriptor, ensure_ascii=False, indent=2) + "\n").encode()
    fitting = {k: v for k, v in files.items() if k != layout.SUMS} | {layout.DESCRIPTOR: text}
    return fitting | {layout.SUMS: checksums(fitting)}


@pytest.mark.parametrize("kind", ["coded", "whole"])
def test_a_pack_as_made_is_whole(kind, request, written):
    found = check_pack(written(request.getfixturevalue(kind)))
    assert found.findings == ()
    assert bool(found.notes) == (kind == "coded")
    assert found.digest == hashlib.sha256(request.getfixturevalue(kind)[layout.SUMS]).hexdigest()


def test_one_changed_digit_is_found_and_named_in_every_file(whole):
    chance = random.Random(11)  # noqa: S311 - places to try, no secret
    for path, content in whole.items():
        if not re.search(rb"\d", content):
            continue
        for _ in range(5):
            changed = with_changed_digit(content, chance)
            found = sum_findings(whole | {path: changed})
            assert found, path
            assert any(path in finding.where or path in finding.text for finding in found), (path, found)


def test_a_missing_and_an_added_file_are_named(coded):
    less = {path: content for path, content in coded.items() if path != "data/arms.csv"}
    assert [finding.where for finding in sum_findings(less)] == ["data/arms.csv"]
    assert [finding.where for finding in sum_findings(coded | {"data/more.csv": b"1"})] == ["data/more.csv"]
    assert [f.where for f in sum_findings({k: v for k, v in coded.items() if k != layout.SUMS})] == [
        layout.SUMS
    ]


FORGED = {
    # Several files at once, each of which has to be named: a check takes its time.
    "readings": [
        # A reading that the analysis uses, and the unit as written of one, which no number depends on.
        ("data/readings.csv", b",16.5,", b",15.5,"),
        ("data/readings.csv", b",mg/L,", b",mg/l,"),
        ("data/corrections.csv", b"11.5", b"17.5"),
        ("data/rows.csv", b",accepted,", b",repeated,"),
        ("data/held.csv", b"unknown-tank", b"no-tank"),
        ("data/persons.csv", b"P1", b"P7"),
        ("data/events.csv", b"3.5", b"3.7"),
        ("data/check_readings.csv", b"\r\n1,", b"\r\n7,"),
        ("record/head.txt", b"\n", b"0\n"),
    ],
    "unit as written": [("data/readings.csv", b",mg/L,", b",mg/l,")],
    "made from other parts": [
        ("data/allocation.csv", b"s0-a,1,polymer", b"s0-a,1,control"),
        ("data/tanks.csv", b"s0-a", b"s9-a"),
        ("data/files.csv", b",60,1,0", b",59,2,0"),
        ("data/variables.csv", b",1000.0,", b",1001.0,"),
        ("results/contrasts.csv", b"registered", b"registred"),
        ("results/tanks.csv", b"control", b"polymer"),
        ("allocation/by-hand.txt", b"rank 1", b"rank 2"),
        ("protocol/sealed.toml", b"worthwhile = 0.8", b"worthwhile = 0.9"),
        ("README.md", b"sha256sum -c", b"sha256sum -x"),
        ("LICENCE.md", b"CC-BY-4.0", b"CC-BY-3.0"),
        ("CITATION.cff", b"hostile", b"hostil3"),
        ("datacite.json", b"20", b"19"),
    ],
    "results": [("results/results.json", b'"n": 5', b'"n": 6')],
    "protocol": [("protocol/sealed.json", b'"worthwhile":0.8', b'"worthwhile":0.9')],
    "chain": [("record/chain.jsonl", b'"at": "2', b'"at": "3')],
}


@pytest.mark.parametrize("changes", FORGED.values(), ids=FORGED)
def test_a_forger_who_mends_the_sums_is_still_found(coded, written, changes):
    forged = dict(coded)
    for path, before, after in changes:
        assert before in forged[path], path
        forged[path] = forged[path].replace(before, after, 1)
    forged = resealed(forged)
    assert sum_findings(forged) == []
    found = check_pack(written(forged)).findings
    for path, _, _ in changes:
        assert any(path in finding.where or path in finding.text for finding in found), (path, found)


def test_every_number_of_the_results_is_held_against_the_readings(coded, written):
    """Significant digits of numbers at random places, the sums made to fit."""
    chance = random.Random(5)  # noqa: S311 - as above
    text = coded[layout.RESULTS].decode()
    numbers = [match for match in re.finditer(r": (-?\d+\.\d+)(?=[,\n])", text) if float(match[1])]
    again = json.loads(text)
    for match in chance.sample(numbers, 40):
        digit = re.search(r"[1-9]", match[1]).start() + match.start(1)
        other = chance.choice([d for d in "123456789" if d != text[digit]])
        forged = json.loads(text[:digit] + other + text[digit + 1 :])
        places = [place for place, _, _ in differences(forged, again)]
        assert len(places) == 1
    again["endpoints"][0]["contrasts"][0]["estimate"] *= 1.000001
    changed = (json.dumps(again, ensure_ascii=False, indent=2) + "\n").encode()
    found = check_pack(written(resealed(coded | {layout.RESULTS: changed}))).findings
    assert any("endpoints[0].contrasts[0].estimate" in finding.text for finding in found)


def test_where_all_is_open_no_reading_changes_without_the_head(whole, written):
    """No reading can change without its entry, no file without its digest, and no entry without the head."""
    changed = whole["data/readings.csv"].replace(b",16.5,", b",15.5,").replace(b",16.5,", b",15.5,")
    found = check_pack(written(resealed(whole | {"data/readings.csv": changed}))).findings
    assert any("entry 3 are not those that were taken in" in finding.text for finding in found)
    forged = {
        "files/entry-3.csv": whole["files/entry-3.csv"].replace(b",16.5,", b",15.5,", 1),
        "data/superseded.csv": whole["data/superseded.csv"].replace(b",14.1,", b",14.7,", 1),
    }
    texts = [finding.text for finding in check_pack(written(resealed(whole | forged), "second")).findings]
    assert "data/readings.csv: the rows of entry 3 are not those that were taken in." in texts
    assert "files/entry-3.csv is not the file of entry 3: its SHA-256 is another." in texts
    assert any(text.startswith("files/entry-3.csv, taken in again, does not become") for text in texts)


def test_a_head_noted_before_must_be_in_the_chain(coded, written, monkeypatch):
    folder = written(coded)
    entries = [json.loads(line)["digest"] for line in coded[layout.CHAIN].splitlines()]
    sums = hashlib.sha256(coded[layout.SUMS]).hexdigest()
    monkeypatch.setattr(checking, "_record_and_numbers", lambda *_: ())
    for noted in (entries[2], entries[-1], sums):
        assert check_pack(folder, noted).findings == ()
    (found,) = check_pack(folder, "ab" * 32).findings
    assert (found.what, found.where) == ("chain", "head")


@pytest.mark.parametrize(
    ("change", "sentence"),
    [
        (lambda lines: lines.pop(3), "does not follow|stands in its place"),
        (lambda lines: lines.insert(3, lines[3]), "stands in its place"),
        (lambda lines: lines[3].update(previous="0" * 64), "does not follow from the one before it"),
        (lambda lines: lines[3].update(digest="0" * 64), "Entry 5 does not follow"),
        (lambda lines: lines[0].update(at="2020-01-01T00:00:00Z"), "Entry 1 was changed"),
        (lambda lines: lines.pop(), "head of the chain is not the digest of its last entry"),
    ],
)
def test_a_chain_that_was_touched_is_found(coded, written, monkeypatch, change, sentence):
    monkeypatch.setattr(checking, "_record_and_numbers", lambda *_: ())
    lines = [json.loads(line) for line in coded[layout.CHAIN].splitlines()]
    change(lines)
    text = "".join(json.dumps(line, ensure_ascii=False) + "\n" for line in lines).encode()
    found = check_pack(written(resealed(coded | {layout.CHAIN: text}))).findings
    assert any(re.search(sentence, finding.text) for finding in found), found


@pytest.mark.parametrize(
    ("path", "before", "after"),
    [
        ("data/readings.csv", b"s0-a", b"s9-z"),
        ("data/readings.csv", b",nitrate,", b",unobtainium,"),
        ("data/readings.csv", b"2026-03-02T00:00:00", b"NaT"),
        ("data/readings.csv", b",12.5,", b",inf,"),
        ("data/readings.csv", b",12.5,", b",,"),
        ("data/readings.csv", b"\r\n1,", b"\r\n99999999999999999999999,"),
        ("data/rows.csv", b'[{""code""', b'[{""cod""'),
        ("protocol/sealed.json", b'"format":1', b'"format":"one"'),
        ("protocol/sealed.json", b'"id":"hostile"', b'"id":"another"'),
    ],
)
def test_nonsense_ends_in_findings_never_in_a_crash(coded, written, path, before, after):
    assert before in coded[path]
    found = check_pack(written(resealed(coded | {path: coded[path].replace(before, after, 1)}))).findings
    assert any(path in finding.where or path in finding.text for finding in found), found


def test_another_version_holds_words_against_their_sums_only(coded, written, monkeypatch):
    folder = written(resealed(coded | {layout.README: coded[layout.README] + b"\n"}))
    assert any(finding.where == layout.README for finding in check_pack(folder).findings)
    monkeypatch.setattr(checking, "__version__", "9.9.9")
    found = check_pack(folder)
    assert found.findings == ()
    assert any("checked by 9.9.9" in note for note in found.notes)


@pytest.mark.parametrize(
    ("was", "now", "places"),
    [
        ({"a": 1.0}, {"a": 1.0 + 1e-12}, []),
        ({"a": 1.0}, {"a": 1.00001}, ["a"]),
        ({"a": [1, None]}, {"a": [1, 0]}, ["a[1]"]),
        ({"a": 1}, {"a": True}, ["a"]),
        ({"a": 1}, {}, ["a"]),
        ({"a": [1]}, {"a": [1, 2]}, ["a"]),
        ({"a": {"b": "x"}}, {"a": {"b": "y"}}, ["a.b"]),
        ({"a": 1}, {"a": 1.0}, []),
        ({"a": 10**400}, {"a": 1.0}, ["a"]),
        ({"a": float("nan")}, {"a": 1.0}, ["a"]),
    ],
)
def test_differences(was, now, places):
    assert [place for place, _, _ in differences(was, now)] == places


def test_a_second_machine_with_only_the_pack_reproduces_every_number(scenario, pack_of, tmp_path):
    """In an empty folder, in a process of its own, without any register."""
    files = pack_of(scenario)
    write_pack(tmp_path / "pack.zip", files, "any")
    code = "import sys; from trials.cli import main; sys.exit(main(['verify', 'pack.zip', '--json']))"
    done = subprocess.run(
        [sys.executable, "-c", code],
        cwd=tmp_path,
        env={"PYTHONPATH": str(ROOT), "PATH": ""},
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stdout + done.stderr
    assert json.loads(done.stdout)["ok"] is True
    assert sorted(path.name for path in tmp_path.iterdir()) == ["pack.zip"]
