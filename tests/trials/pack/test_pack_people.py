"""Who is named in a pack, and what is left out where somebody did not agree."""

import json
import re

import pytest

from schemas.errors import PackError
from trials.pack import layout
from trials.pack.licences import LICENCES, refuse_unlicensed
from trials.pack.own_words import OwnWords
from trials.pack.persons import Persons, read_consent
from trials.protocol_file import from_canonical

NAMES = ("Ann", "Otter", "Bo+Crane", "<b>Cy", "Bo said", "Di", "Eve", "Fay")
# The protocol is public as it was written, and with it what is made from it.
PUBLIC = ("protocol/", "data/tanks.csv", "data/arms.csv", "data/endpoints.csv", "data/variables.csv")


def test_no_name_is_in_a_coded_pack(coded):
    for path, content in coded.items():
        if not path.startswith(PUBLIC):
            text = content.decode()
            found = [name for name in NAMES if re.search(rf"(?<!\w){re.escape(name)}(?!\w)", text)]
            assert not found, path


def test_no_free_text_is_in_a_coded_pack(coded, rows_of):
    for path in ("data/readings.csv", "data/superseded.csv", "data/events.csv"):
        assert {row["note"] for row in rows_of(coded, path)} <= {""}
    assert {row["why"] for row in rows_of(coded, "data/corrections.csv")} == {""}
    assert {row["what"] for row in rows_of(coded, "data/deviations.csv")} == {""}
    assert {row["name"] for row in rows_of(coded, "data/files.csv")} == {""}
    assert {row["text"] for row in rows_of(coded, "data/held.csv")} == {""}
    assert not [path for path in coded if path.startswith("files/")]
    assert b"dosed twice" not in b"".join(coded.values())


def test_codes_follow_the_order_of_appearance(coded, rows_of):
    assert rows_of(coded, "data/persons.csv") == [{"person": f"P{n}", "named": "false"} for n in range(1, 6)]
    readings = {row["tank"]: row["by"] for row in rows_of(coded, "data/readings.csv")}
    assert [readings[f"s{site}-b"] for site in range(5)] == ["P1", "P2", "P3", "P1", "P2"]
    # "Ann  otter" who corrected is the "Ann Otter" who measured.
    assert {row["by"] for row in rows_of(coded, "data/corrections.csv")} == {"P1"}


def test_who_agreed_is_named_and_nobody_else(pack_of, recorded, rows_of):
    files = pack_of(recorded, consent=["ann otter"])
    assert [row["person"] for row in rows_of(files, "data/persons.csv")] == [
        "Ann Otter",
        "P2",
        "P3",
        "P4",
        "P5",
    ]
    assert {row["by"] for row in rows_of(files, "data/readings.csv")} == {"Ann Otter", "P2", "P3", "P4"}
    assert b"Bo+Crane" not in b"".join(files.values())
    assert "of whom 1 agreed to be named" in files[layout.README].decode()


def test_a_whole_pack_has_everything_as_sent(whole, recorded, rows_of):
    sent = (recorded.parent / "ann otter.csv").read_bytes()
    first, *_ = rows_of(whole, "data/files.csv")
    assert whole[first["path"]] == sent
    assert first["name"] == "ann otter.csv"
    assert {row["why"] for row in rows_of(whole, "data/corrections.csv")} != {""}
    assert all("body" in json.loads(line) for line in whole[layout.CHAIN].splitlines())


def test_texts_need_everybodys_consent(pack_of, recorded):
    with pytest.raises(
        PackError, match=r'of "=Bo\+Crane", "<b>Cy</b>", "Di" and "Fay" no consent is at hand'
    ):
        pack_of(recorded, consent=["ann otter"], texts=True)


def test_withheld_entries_keep_their_place_in_the_chain(coded, whole):
    lines = [json.loads(line) for line in coded[layout.CHAIN].splitlines()]
    open_lines = [json.loads(line) for line in whole[layout.CHAIN].splitlines()]
    assert [line["digest"] for line in lines] == [line["digest"] for line in open_lines]
    assert [line["previous"] for line in lines] == [line["previous"] for line in open_lines]
    # Protocol and allocation are public; whatever may name people is not.
    assert [line["kind"] for line in lines if "body" in line] == ["seal", "allocation"]
    correction = next(line["shown"] for line in lines if line["kind"] == "correction")
    assert correction["value"] == 11.5
    assert correction["by"] == "P1"
    assert "why" not in correction


def test_cells_are_shown_where_each_word_is_the_trials_own(coded, whole, rows_of):
    rows = {
        row["row"]: json.loads(row["cells"]) for row in rows_of(coded, "data/rows.csv") if row["entry"] == "3"
    }
    assert rows["2"] == {
        "tank": "s0-a",
        "taken_at": "2026-03-02",
        "variable": "nitrate",
        "value": "12.5",
        "unit": "mg/L",
        "kit": "photometer",
        "column 7": None,
        "column 8": None,
    }
    assert rows["62"]["value"] is None
    as_sent = {
        row["row"]: json.loads(row["cells"]) for row in rows_of(whole, "data/rows.csv") if row["entry"] == "3"
    }
    assert as_sent["62"]["value"] == "Ann Otter forgot"


@pytest.mark.parametrize(
    ("cells", "shown"),
    [
        ({"nitrate [mg/L]": "<0.5"}, {"nitrate [mg/L]": "<0.5"}),
        ({"nitrate (Ann)": "5"}, {"column 1": None}),
        ({"tank": "Ann's"}, {"tank": None}),
        ({"by": "5"}, {"column 1": None}),
        ({"value": "N.D."}, {"value": "N.D."}),
        ({"value": "Анна"}, {"value": None}),
        ({"note": ""}, {"column 1": None}),
    ],
)
def test_own_words(coded, cells, shown):
    words = OwnWords([from_canonical(coded[layout.SEALED])])
    assert json.loads(words.cells(json.dumps(cells))) == shown


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        ("", "must begin with a line that names the columns name,may_name"),
        ("name,consent\nAnn,yes\n", "must begin with a line"),
        ("name,may_name\nAnn,perhaps\n", "line 2: write a name, and yes or no"),
        ("name,may_name\n,yes\n", "line 2: write a name"),
        ("name,may_name\nAnn\n", "line 2: write a name"),
        ("name,may_name\nAnn,yes\nann ,no\n", "line 3.*says yes and no"),
    ],
)
def test_consent_of_another_form_is_refused(tmp_path, text, sentence):
    (tmp_path / "consent.csv").write_text(text, encoding="utf-8")
    with pytest.raises(PackError, match=sentence):
        read_consent(tmp_path / "consent.csv")


def test_consent_is_read_with_more_columns_and_a_mark(tmp_path):
    (tmp_path / "consent.csv").write_text(
        "\ufeffName,date,may_name\nAnn  Otter,2026-04-01,Yes\n\nBo,,no\n", encoding="utf-8"
    )
    assert read_consent(tmp_path / "consent.csv") == {"ann otter": True, "bo": False}
    with pytest.raises(PackError, match="cannot be read"):
        read_consent(tmp_path / "missing.csv")


def test_persons_are_the_same_whatever_spaces_and_case():
    persons = Persons({"ann": True})
    persons.meet(["", "Bo", " Ann ", "bo"])
    assert [persons.shown(name) for name in ("Bo", "BO ", "ann", "", " ")] == ["P1", "P1", "Ann", "", ""]
    assert persons.strangers() == []


@pytest.mark.parametrize(
    ("licence", "sentence"),
    [
        (None, "names no licence"),
        ("CC BY 4.0", "did you mean CC-BY-4.0"),
        ("GPL-3.0-or-later", "not the SPDX identifier of a licence for data"),
        ("all rights reserved", "those known here are"),
    ],
)
def test_nothing_is_published_without_a_licence(coded, licence, sentence):
    protocol = from_canonical(coded[layout.SEALED])
    named = protocol.model_copy(update={"trial": protocol.trial.model_copy(update={"licence": licence})})
    with pytest.raises(PackError, match=sentence):
        refuse_unlicensed(named)


def test_every_licence_says_what_it_asks():
    assert all(licence.id == name and licence.asks.endswith(".") for name, licence in LICENCES.items())
