"""From the register to the sheet, through a person's hands, and back through intake: nothing is lost or made up."""

import datetime as dt
import io
import json
import shutil
from pathlib import Path

import openpyxl
import pytest
from playwright.sync_api import sync_playwright

from schemas.readings import empty_readings
from trials.cli import main
from trials.intake.batch import take_in
from trials.register.records import SourceFile
from trials.register.store import Register
from trials.sheets.site import site_sheets
from trials.sheets.workbook import workbook_of

DATA = Path(__file__).parents[3] / "data" / "club"
CHROMIUM = "/usr/bin/chromium"
A_TEST_DAY = dt.datetime(2025, 3, 17, 18, 30)  # noqa: DTZ001 - a clock on the wall


@pytest.fixture(scope="module")
def written(tmp_path_factory):
    """The invented club trial, sealed and drawn, with the sheets of a site in a folder."""
    folder = tmp_path_factory.mktemp("sheets")
    options = ["--register", str(folder / "fairtank.db")]
    assert main(["register", str(DATA / "protocol.toml"), *options]) == 0
    assert main(["allocate", "--seed", "4 17 23 31 40 8", *options]) == 0
    assert main(["sheets", "--site", "pell-strand", "--out", str(folder / "out"), *options]) == 0
    return folder


@pytest.fixture
def folder(written, tmp_path):
    return Path(shutil.copytree(written, tmp_path / "trial"))


@pytest.fixture
def bring(folder, capsys):
    """Takes files in and gives what intake says of them, and the register's readings."""

    def take(*paths, status=0):
        capsys.readouterr()
        register = str(folder / "fairtank.db")
        assert main(["intake", *map(str, paths), "--register", register, "--json"]) == status
        said = json.loads(capsys.readouterr().out)
        with Register.open(register) as record:
            return said, record.readings("quillmere-2025"), record.events("quillmere-2025")

    return take


def book_of(folder):
    path = folder / "out" / "quillmere-2025-pell-strand.xlsx"
    return path, openpyxl.load_workbook(path)


def columns_of(sheet):
    return {cell.value: cell.column for cell in sheet[1]}


def as_rows(readings, *names):
    return sorted(map(tuple, readings[list(names)].itertuples(index=False, name=None)))


def test_an_untouched_workbook_holds_nothing(folder, bring):
    path, _ = book_of(folder)
    said, readings, events = bring(path)
    assert [said[name] for name in ("rows", "accepted", "held", "repeated")] == [0, 0, 0, 0]
    assert len(readings) == len(events) == 0


def test_a_filled_workbook_comes_back_whole(folder, bring):
    path, book = book_of(folder)
    sheet = book["readings"]
    at = columns_of(sheet)
    typed = {
        2: {"nitrate [mg/L]": "12,5", "nitrate kit": "photometer-no3", "phosphate [mg/L]": "<0,03"},
        3: {"nitrate [mg/L]": ">40", "phosphate [mg/L]": "0,11", "phosphate kit": "photometer-po4"},
        4: {"nitrite [mg/L]": "nd", "by": "Ann", "note": "=1+1 new box, a day late"},
    }
    for row, cells in typed.items():
        for header, text in cells.items():
            sheet.cell(row, at[header]).value = text
            sheet.cell(row, at[header]).data_type = "s"
    sheet.cell(4, at["taken at"]).value = dt.datetime(2025, 3, 4)  # noqa: DTZ001 - as the sheet holds it
    extra = len([cell for cell in sheet["A"] if cell.value]) + 1
    for header, value in (("tank", "PS1"), ("taken at", dt.datetime(2025, 3, 3)), ("replicate", 2)):  # noqa: DTZ001
        sheet.cell(extra, at[header]).value = value
    sheet.cell(extra, at["nitrate [mg/L]"]).value = "13"
    events = book["events"]
    for row, values in enumerate(
        (
            ("PS2", dt.datetime(2025, 4, 1), "Liquid carbon given", "0,9", "mL", "Ann", "first dose"),  # noqa: DTZ001
            ("PS1", dt.datetime(2025, 4, 2), "Water changed", "10", "%", "", ""),  # noqa: DTZ001
            ("PS3", dt.datetime(2025, 4, 3), "Fault of equipment", None, None, "", "=pump stood"),  # noqa: DTZ001
        ),
        start=2,
    ):
        for column, value in enumerate(values, start=1):
            events.cell(row, column).value = value
            if isinstance(value, str):
                events.cell(row, column).data_type = "s"
    book.save(path)
    said, readings, found = bring(path)
    assert [said[name] for name in ("rows", "accepted", "held", "repeated")] == [7, 7, 0, 0]
    day, late = dt.datetime(2025, 3, 3), dt.datetime(2025, 3, 4)  # noqa: DTZ001
    assert as_rows(
        readings, "tank", "taken_at", "variable", "value", "sign", "replicate", "kit", "by", "note"
    ) == [
        ("PS1", day, "nitrate", 12.5, "", 1, "photometer-no3", "", ""),
        ("PS1", day, "nitrate", 13.0, "", 2, "", "", ""),
        ("PS1", day, "phosphate", 0.03, "<", 1, "", "", ""),
        ("PS2", day, "nitrate", 40.0, ">", 1, "", "", ""),
        ("PS2", day, "phosphate", 0.11, "", 1, "photometer-po4", "", ""),
        ("PS3", late, "nitrite", 0.02, "<", 1, "", "Ann", "=1+1 new box, a day late"),
    ]
    assert [(e.tank, e.kind, e.unit, e.by, e.note) for e in found.itertuples()] == [
        ("PS1", "water-change", "L", "", ""),
        ("PS2", "dose", "mL", "Ann", "first dose"),
        ("PS3", "fault", "", "", "=pump stood"),
    ]
    assert found["amount"].fillna(-1).tolist() == pytest.approx([45.0, 0.9, -1])  # 10 % of 450 L
    remarks = " ".join(said["files"][0]["remarks"])
    assert "57 rows in which nothing was measured were passed over." in remarks
    assert "left alone" not in remarks
    assert "hidden" not in remarks


def test_a_workbook_sent_again_brings_only_what_is_new(folder, bring):
    path, book = book_of(folder)
    book["readings"]["E2"].value = "12.5"
    book.save(path)
    bring(path)
    book["readings"]["E5"].value = "11.5"
    book.save(path)
    said, readings, _ = bring(path)
    assert [said[name] for name in ("rows", "accepted", "held", "repeated")] == [2, 1, 0, 1]
    assert len(readings) == 2


def test_a_workbook_of_another_trial_is_refused_whole(folder, capsys):
    path, book = book_of(folder)
    book["readings"]["E2"].value = "12.5"
    book["fairtank"]["B1"].value = "ternholm-2025"
    book.save(path)
    register = str(folder / "fairtank.db")
    assert main(["intake", str(path), "--register", register]) == 1
    assert 'is a recording sheet of the trial "ternholm-2025"' in capsys.readouterr().err
    with Register.open(register) as record:
        assert len(record.readings("quillmere-2025")) == 0


def test_the_phone_s_files_come_back_whole(folder, bring):
    page_file = folder / "out" / "quillmere-2025-pell-strand.html"
    files = []
    with sync_playwright() as player:
        browser = player.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        page = browser.new_page(viewport={"width": 390, "height": 844}, is_mobile=True, has_touch=True)
        page.clock.set_fixed_time(A_TEST_DAY)
        page.goto(page_file.as_uri())
        page.fill("#reading-by", "Ann")
        for tank, kit, nitrate, phosphate in (
            ("PS1", "photometer-no3", "12,5", "<0,03"),
            ("PS2", "lab-no3n", "2.5", "0.11"),
            ("PS2", "lab-no3n", "2.6", ""),
        ):
            page.locator("#reading-tank").get_by_label(tank).check()
            page.select_option("#value-nitrate-kit", kit)
            page.select_option("#value-phosphate-kit", "photometer-po4")
            page.fill("#value-nitrate", nitrate)
            page.fill("#value-phosphate", phosphate)
            page.fill("#reading-note", 'a "new" box, opened')
            page.get_by_role("button", name="Keep these readings").click()
        page.locator("#event-tank").get_by_label("PS3").check()
        page.select_option("#event-kind", "water-change")
        page.fill("#event-amount", "12,5")
        page.fill("#event-note", "salt, new bucket")
        page.get_by_role("button", name="Keep this event").click()
        for kind in ("readings", "events"):
            with page.expect_download() as waiting:
                page.get_by_role("button", name=f"Save or share the {kind}").click()
            files.append(folder / waiting.value.suggested_filename)
            waiting.value.save_as(files[-1])
        browser.close()
    assert [path.name for path in files] == [
        f"quillmere-2025-pell-strand-{kind}.csv" for kind in ("readings", "events")
    ]
    said, readings, events = bring(*files)
    assert [said[name] for name in ("rows", "accepted", "held", "repeated")] == [6, 6, 0, 0]
    day, note = dt.datetime(2025, 3, 17), 'a "new" box, opened'  # noqa: DTZ001
    found = as_rows(
        readings,
        "tank",
        "taken_at",
        "variable",
        "sign",
        "replicate",
        "kit",
        "by",
        "note",
        "raw_value",
        "raw_unit",
    )
    assert found == [
        ("PS1", day, "nitrate", "", 1, "photometer-no3", "Ann", note, "12,5", "mg/L"),
        ("PS1", day, "phosphate", "<", 1, "photometer-po4", "Ann", note, "<0,03", "mg/L"),
        ("PS2", day, "nitrate", "", 1, "lab-no3n", "Ann", note, "2.5", "mg/L as N"),
        ("PS2", day, "nitrate", "", 2, "lab-no3n", "Ann", note, "2.6", "mg/L as N"),
        ("PS2", day, "phosphate", "", 1, "photometer-po4", "Ann", note, "0.11", "mg/L"),
    ]
    # 62.004 / 14.007, IUPAC standard atomic weights
    values = readings.set_index(["tank", "variable", "replicate"])["value"]
    assert values["PS2", "nitrate", 1] == pytest.approx(2.5 * 4.426644, rel=1e-6)
    assert values["PS1", "phosphate", 1] == pytest.approx(0.03)
    (event,) = events.itertuples()
    assert (event.tank, event.at, event.kind, event.amount, event.unit) == (
        "PS3",
        day,
        "water-change",
        12.5,
        "L",
    )
    assert event.note == "salt, new bucket"
    assert "left alone" not in json.dumps(said)


def test_sheets_to_be_read_are_no_data_whatever_they_say(trial, share):
    """A trial may be called as a column is; the rest of the workbook is taken in all the same."""
    protocol = trial(trial={"id": "quillmere-2026", "title": "nitrate", "lead": "tank"})
    site = site_sheets(protocol, "ab" * 32, share(protocol), only="q01")[0]
    book = openpyxl.load_workbook(io.BytesIO(workbook_of(site)))
    book["readings"]["E2"].value = "12.5"
    content = io.BytesIO()
    book.save(content)
    file = SourceFile("q01.xlsx", content.getvalue())
    batch = take_in(file, protocol, empty_readings(), dt.date(2026, 7, 1))
    assert (batch.count("accepted"), len(batch.rows)) == (1, 1)


def test_check_samples_come_back_with_their_site(trial, share):
    sample = {"id": "ref-a", "kind": "reference", "variable": "nitrate", "value": 10}
    protocol = trial(check_samples=[sample])
    site = site_sheets(protocol, "ab" * 32, share(protocol), only="q02")[0]
    book = openpyxl.load_workbook(io.BytesIO(workbook_of(site)))
    sheet = book["check samples"]
    for row, (value, replicate) in enumerate((("9,5", 1), ("10,5", 2)), start=2):
        sheet.cell(row, 2).value = dt.datetime(2026, 4, 1)  # noqa: DTZ001 - as the sheet holds it
        sheet.cell(row, 3).value = replicate
        sheet.cell(row, 4).value = value
        sheet.cell(row, 5).value = "meter-no3"
    content = io.BytesIO()
    book.save(content)
    page = "tank,taken_at,variable,value,unit,replicate,kit,by,note,site\r\nref-a,2026-04-02,nitrate,9.8,mg/L,1,meter-no3,,,q02\r\n"
    for name, sent, values in (
        ("q02.xlsx", content.getvalue(), [9.5, 10.5]),
        ("q02-readings.csv", b"\xef\xbb\xbf" + page.encode(), [9.8]),
    ):
        batch = take_in(SourceFile(name, sent), protocol, empty_readings(), dt.date(2026, 7, 1))
        assert batch.count("held") == 0
        assert len(batch.readings) == 0
        assert batch.checks["value"].tolist() == pytest.approx(values)
        assert set(batch.checks["site"]) == {"q02"}
        assert set(batch.checks["kit"]) == {"meter-no3"}
