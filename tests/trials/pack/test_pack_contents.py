"""What a pack holds: valid by its standards, the same each time, and harmless."""

import csv
import hashlib
import io
import json
import re
import subprocess
import unicodedata
import zipfile

import jsonschema
import pytest
import yaml
from frictionless import Package, validate
from ucumvert import get_ucum_parser

from schemas.errors import PackError, UsageError
from schemas.events import EVENTS
from schemas.ucum import ucum_code
from schemas.variables import catalogue
from trials.pack import layout
from trials.pack.readme import harmless
from trials.pack.tables import read_table, write_frame
from trials.pack.writing import write_pack, zipped


@pytest.mark.parametrize("kind", ["coded", "whole"])
def test_frictionless_validates_it(kind, request, written):
    folder = written(request.getfixturevalue(kind))
    report = validate(str(folder / "datapackage.json"))
    assert report.valid, report.flatten(["name", "rowNumber", "fieldName", "type", "note"])
    package = Package(str(folder / "datapackage.json"))
    readings = package.get_resource("readings").read_rows()
    assert len(readings) == 60
    assert {row["tank"] for row in readings} == {f"s{site}-{tank}" for site in range(5) for tank in "ab"}


@pytest.mark.parametrize(
    ("path", "before", "after", "error"),
    [
        ("data/readings.csv", b"s0-a", b"s7-a", "foreign-key"),
        ("data/readings.csv", b",nitrate,", b",nitrite,", "foreign-key"),
        ("results/contrasts.csv", b"registered", b"own-variance-x", "byte-count"),
        ("data/tanks.csv", b"s0-b", b"s0-a", "primary-key"),
    ],
)
def test_frictionless_finds_what_the_descriptor_forbids(coded, written, path, before, after, error):
    folder = written(coded | {path: coded[path].replace(before, after, 1)})
    report = validate(str(folder / "datapackage.json"))
    assert error in {found[0] for found in report.flatten(["type"])}


def test_the_descriptor_says_what_each_column_is(coded, json_of):
    descriptor = json_of(coded, layout.DESCRIPTOR)
    assert descriptor["$schema"] == "https://datapackage.org/profiles/2.0/datapackage.json"
    assert descriptor["licenses"][0]["name"] == "CC-BY-4.0"
    described = {resource["path"]: resource for resource in descriptor["resources"]}
    assert described.keys() == coded.keys() - {layout.DESCRIPTOR, layout.SUMS}
    for table in layout.TABLES:
        schema = described[table.path]["schema"]
        header = coded[table.path].split(b"\r\n", 1)[0].decode()
        assert [field["name"] for field in schema["fields"]] == header.split(",")
        assert all(field["description"] for field in schema["fields"])
        assert schema["primaryKey"] == list(table.key)
        for reference in schema.get("foreignKeys", []):
            assert reference["reference"]["resource"] in {other.name for other in layout.TABLES}
    for path, resource in described.items():
        assert resource["hash"] == f"sha256:{hashlib.sha256(coded[path]).hexdigest()}"
        assert resource["bytes"] == len(coded[path])


def test_empty_cells_say_why(coded, json_of):
    readings = next(r for r in json_of(coded, layout.DESCRIPTOR)["resources"] if r["name"] == "readings")
    labels = {
        f["name"]: f["missingValues"][0]["label"]
        for f in readings["schema"]["fields"]
        if "missingValues" in f
    }
    assert labels["note"] == "nothing noted, or free texts left out of this pack"
    assert labels["kit"] == "not given"


def test_every_sum_is_as_sha256sum_reads_it(whole, written):
    folder = written(whole)
    done = subprocess.run(
        ["sha256sum", "-c", layout.SUMS], cwd=folder, capture_output=True, text=True, check=True
    )
    assert len(done.stdout.splitlines()) == len(whole) - 1


def test_units_are_ucum():
    # ucumvert parses codes by the grammar of the specification, https://ucum.org/ucum.
    parser = get_ucum_parser()
    printed = {variable.unit for variable in catalogue().values()}
    printed |= {unit for form in EVENTS.values() for unit in ("mL", "g", "L", "1") if form}
    for unit in printed | {"1/d", "mm/wk", "µmol/m²/s", "cm2", "US gal", "°F"}:
        code = ucum_code(unit)
        assert code is not None, unit
        parser.parse(code)
    for table in layout.TABLES:
        for column in table.columns:
            if column.unit and " " not in column.unit:
                parser.parse(column.unit)


@pytest.mark.parametrize(
    ("unit", "code"),
    # UCUM tables 4 (SI and derived), 29 and 30 (dimensionless, pH), and annotations; sea water's own from memory.
    [
        ("mg/L as N", "mg/L"),
        ("meq/L", "meq/L"),
        ("°C", "Cel"),
        ("pH", "[pH]"),
        ("%", "%"),
        ("1", "1"),
        ("PSU", "{PSU}"),
        ("imp gal", "[gal_br]"),
        ("hands", None),
        ("mg per tank", None),
        ("dKH", None),
    ],
)
def test_unit_codes(unit, code):
    assert ucum_code(unit) == code


def test_the_dictionary_names_every_variable_with_its_unit(coded, rows_of):
    variables = {row["variable"]: row for row in rows_of(coded, "data/variables.csv")}
    assert variables["nitrate"]["unit"] == variables["nitrate"]["ucum"] == "mg/L"
    assert variables["nitrate"]["form"] == "nitrate ion (NO3)"
    assert {row["variable"] for row in rows_of(coded, "data/readings.csv")} <= variables.keys()


CFF = {
    # What CITATION.cff 1.2.0 requires and how it types it, from its published JSON schema (from memory).
    "type": "object",
    "required": ["cff-version", "message", "title", "authors"],
    "additionalProperties": False,
    "properties": {
        "cff-version": {"type": "string", "const": "1.2.0"},
        "message": {"type": "string", "minLength": 1},
        "type": {"enum": ["dataset", "software"]},
        "title": {"type": "string", "minLength": 1},
        "abstract": {"type": "string", "minLength": 1},
        "authors": {
            "type": "array",
            "minItems": 1,
            "items": {
                "type": "object",
                "required": ["name"],
                "properties": {"name": {"type": "string", "minLength": 1}},
            },
        },
        "date-released": {"type": "string", "pattern": r"^\d{4}-\d{2}-\d{2}$"},
        "license": {"type": "string"},
        "keywords": {"type": "array", "items": {"type": "string"}, "uniqueItems": True},
        "identifiers": {
            "type": "array",
            "items": {
                "required": ["type", "value"],
                "properties": {"type": {"enum": ["doi", "other", "swh", "url"]}},
            },
        },
    },
}


def test_the_citation_is_cff_and_names_the_group_without_consent(coded, pack_of, recorded):
    cited = yaml.safe_load(coded[layout.CITATION])
    jsonschema.validate(cited, CFF)
    assert cited["type"] == "dataset"
    assert cited["license"] == "CC-BY-4.0"
    assert cited["authors"] == [{"name": "The trial group of hostile"}]
    led = pack_of(recorded, consent=['=hyperlink("http://example.org";"look")'])
    assert yaml.safe_load(led[layout.CITATION])["authors"] == [
        {"name": '=HYPERLINK("http://example.org";"look")'}
    ]


def test_datacite_has_what_is_mandatory(coded, json_of):
    found = json_of(coded, layout.DATACITE)
    # Mandatory properties of the DataCite Metadata Schema 4 (from memory); the identifier comes with the deposit.
    assert found["identifiers"] == []
    assert found["creators"][0]["name"]
    assert found["titles"][0]["title"]
    assert found["publisher"]["name"]
    assert re.fullmatch(r"\d{4}", found["publicationYear"])
    assert found["types"]["resourceTypeGeneral"] == "Dataset"
    assert found["rightsList"][0]["rightsIdentifier"] == "CC-BY-4.0"


def test_the_same_register_gives_the_same_bytes(coded, pack_of, recorded, tmp_path):
    again = pack_of(recorded)
    assert again == coded
    write_pack(tmp_path / "one.zip", coded, "hostile")
    write_pack(tmp_path / "other.zip", again, "hostile")
    assert (tmp_path / "one.zip").read_bytes() == (tmp_path / "other.zip").read_bytes()
    with zipfile.ZipFile(io.BytesIO(zipped(coded, "hostile"))) as packed:
        assert packed.namelist() == sorted(f"hostile/{path}" for path in coded)
        assert {entry.date_time for entry in packed.infolist()} == {(1980, 1, 1, 0, 0, 0)}


def test_nothing_is_written_over(coded, tmp_path):
    (tmp_path / "there.zip").write_bytes(b"mine")
    (tmp_path / "full").mkdir()
    (tmp_path / "full" / "mine.txt").write_bytes(b"mine")
    for place in (tmp_path / "there.zip", tmp_path / "full"):
        with pytest.raises(UsageError, match="is there already"):
            write_pack(place, coded, "hostile")
    with pytest.raises(PackError, match="cannot be written"):
        write_pack(tmp_path / "there.zip" / "inside.zip", coded, "hostile")


@pytest.mark.parametrize("path", [layout.README, layout.LICENCE, layout.BY_HAND])
def test_hostile_texts_are_harmless_where_people_read(whole, path):
    text = whole[path].decode()
    assert "<script" not in text
    assert "<img" not in text
    assert not re.search(r"(?<!\\)\]\(", text)
    assert not [sign for sign in text if unicodedata.category(sign) == "Cf" and sign not in "\u200c\u200d"]
    assert all(sign == "\n" or unicodedata.category(sign) != "Cc" for sign in text)


def test_hostile_texts_stay_readable_in_readme(whole):
    text = whole[layout.README].decode()
    assert "HYPERLINK" in text
    assert text.startswith("# Data of the trial: Solid carbon or none\n")
    assert "gnp.exe" in text
    assert "javascript:alert(3)" in text


@pytest.mark.parametrize(
    ("text", "shown"),
    [
        ("Pellets (fluidised), 20 % lower", "Pellets (fluidised), 20 % lower"),
        ("1. a list", r"1\. a list"),
        ("- a list", r"\- a list"),
        ("=== a heading", r"\=== a heading"),
        ("a | b", r"a \| b"),
        ("Fish & chips <b>", "Fish &amp; chips &lt;b&gt;"),
        ("see https://example.org", "see https&#58;//example.org"),
        ("two\nlines\u202e", "two lines"),
    ],
)
def test_harmless(text, shown):
    assert harmless(text) == shown


def test_texts_in_tables_are_raw(whole, rows_of):
    notes = {row["note"] for row in rows_of(whole, "data/tanks.csv")}
    assert '=HYPERLINK("http://example.org";"look")' in notes
    assert "abc \u202egnp.exe\u202c \u2067end" in notes
    assert "a text may begin with `=`" in whole[layout.README].decode()


@pytest.mark.parametrize("table", layout.GATHERED, ids=lambda table: table.name)
def test_tables_are_read_back_as_they_were(whole, table):
    assert write_frame(table, read_table(table, whole[table.path])) == whole[table.path]


def test_csv_with_any_text_comes_back():
    import pandas as pd

    table = layout.PERSONS
    texts = ['a"b', "c,d", "e\nf", "g\rh", "i\r\nj", " k ", "=l", "'m", "", "\u2028n", "🐠"]
    frame = pd.DataFrame({"person": pd.Series(texts, dtype="str"), "named": [True] * len(texts)})
    pd.testing.assert_frame_equal(read_table(table, write_frame(table, frame)), frame)


@pytest.mark.parametrize(
    ("content", "sentence"),
    [
        (b"person\r\nP1\r\n", "must begin with the columns person,named"),
        (b"person,named\r\nP1\r\n", "row 2: it has 1 cells"),
        (b"person,named\r\nP1,perhaps\r\n", 'row 2: "perhaps" is no boolean'),
        (b'person,named\r\n"P1,true\r\n', "cannot be read as CSV"),
        (b"\xff\xfe", "cannot be read as CSV"),
    ],
)
def test_tables_of_another_form_are_refused(content, sentence):
    with pytest.raises(PackError, match=re.escape(sentence)):
        read_table(layout.PERSONS, content)


def test_what_came_of_the_record_is_there(whole, rows_of, json_of):
    assert [row["reading"] for row in rows_of(whole, "data/corrections.csv")] == ["3", "4"]
    assert [row["reading"] for row in rows_of(whole, "data/superseded.csv")] == ["3", "4"]
    readings = {row["reading"]: row for row in rows_of(whole, "data/readings.csv")}
    assert readings["3"]["value"] == "11.5"
    assert "4" not in readings
    assert [row["amount"] for row in rows_of(whole, "data/events.csv")] == ["3.5", "20.0", ""]
    assert [row["amount"] for row in rows_of(whole, "data/superseded_events.csv")] == ["2.5"]
    assert [row["amount"] for row in rows_of(whole, "data/event_corrections.csv")] == ["3.5"]
    assert [row["site"] for row in rows_of(whole, "data/check_readings.csv")] == ["s0", "s1"]
    assert [row["tank"] for row in rows_of(whole, "data/deviations.csv")] == ["s1-b"]
    (amended,) = rows_of(whole, "data/amendments.csv")
    assert amended["data_seen"] == "true"
    assert amended["after"] == hashlib.sha256(whole[f"protocol/amended-{amended['entry']}.json"]).hexdigest()
    (held,) = {row["row"] for row in rows_of(whole, "data/held.csv")}
    assert held == "62"
    assert json_of(whole, layout.RESULTS)["data_digest"] == json_of(whole, layout.DESCRIPTOR)["dataDigest"]
    assert len(rows_of(whole, "data/rows.csv")) == 67
    assert json.loads(whole[layout.MADE_WITH])["environment"]["numpy"]


def test_derived_tables_agree_with_the_results(coded, json_of):
    endpoint = json_of(coded, layout.RESULTS)["endpoints"][0]
    rows = list(csv.DictReader(io.StringIO(coded["results/contrasts.csv"].decode())))
    registered = next(row for row in rows if row["analysis"] == "registered")
    assert float(registered["estimate"]) == endpoint["contrasts"][0]["estimate"]
    assert len(rows) == sum(len(way["contrasts"]) for way in endpoint["sensitivity"]) + len(
        endpoint["contrasts"]
    )
