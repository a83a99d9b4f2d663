"""The workbook as another library reads it: locked where it should be, helpful, harmless, and the same each time."""

import io
import re
import zipfile

import openpyxl
import pytest

from analysis.masking import mask_of
from trials.sheets import cells
from trials.sheets.asked import asked_for
from trials.sheets.site import site_sheets
from trials.sheets.tables import EVENT_ROWS, EXTRA_ROWS
from trials.sheets.workbook import workbook_of

DIGEST = "ab" * 32
CHECKS = [
    {"id": "ref-a", "kind": "reference", "variable": "nitrate", "value": 17.25, "title": "Bottle A"},
    {"id": "cal-b", "kind": "standard", "variable": "calcium", "value": 417.25},
]


@pytest.fixture
def made(trial, share):
    """A site's workbook, and the sheet it was made of; keywords as of the protocol."""

    def make(*, masked=False, drawn=True, kits=(), **parts):
        protocol = trial(**parts)
        site = site_sheets(
            protocol,
            DIGEST,
            share(protocol) if drawn else None,
            only="q01",
            kits=kits,
            mask=mask_of(protocol, DIGEST) if masked else None,
        )[0]
        content = workbook_of(site)
        return openpyxl.load_workbook(io.BytesIO(content)), site, content

    return make


def texts(book, *names):
    return [
        cell.value
        for name in names or book.sheetnames
        for row in book[name].iter_rows()
        for cell in row
        if cell.value is not None
    ]


def test_made_twice_it_is_the_same_to_the_byte(made):
    assert made()[2] == made()[2]


def test_identity_is_very_hidden(made):
    book, _, _ = made()
    sheet = book["fairtank"]
    assert sheet.sheet_state == "veryHidden"
    assert {row[0].value: row[1].value for row in sheet.iter_rows()} == {
        "trial": "quillmere-2026",
        "digest": DIGEST,
        "site": "q01",
        "sheet_format": "1",
    }
    assert book["lists"].sheet_state == "hidden"


def test_readings_hold_every_planned_day_and_room_for_more(made):
    book, site, _ = made()
    sheet = book["readings"]
    header = [cell.value for cell in sheet[1]]
    assert header == [
        *("tank", "phase", "taken at", "replicate", "nitrate [mg/L]", "nitrate kit", "phosphate [mg/L]"),
        *("ph [pH]", "by", "note"),
    ]
    planned = [(row[0].value, row[2].value.date()) for row in sheet.iter_rows(min_row=2) if row[0].value]
    assert planned == [(row.tank, row.day) for row in site.rows]
    assert sheet.max_row == 1 + len(site.rows) + EXTRA_ROWS
    assert sheet.freeze_panes == "D2"
    assert sheet.print_title_rows == "$1:$1"
    assert (sheet.page_setup.orientation, sheet.page_setup.paperSize) == ("landscape", 9)


def test_only_what_is_to_be_filled_in_is_unlocked(made):
    book, site, _ = made()
    sheet = book["readings"]
    assert all(book[name].protection.sheet for name in book.sheetnames)
    planned, extra = 2, 2 + len(site.rows)
    open_in = lambda row: [c.column_letter for c in sheet[row] if not c.protection.locked]  # noqa: E731
    assert open_in(1) == []
    assert open_in(planned) == list("CDEFGHIJ")
    assert open_in(extra) == list("ACDEFGHIJ")
    assert all(cell.protection.locked for row in book["start here"].iter_rows() for cell in row)


def test_what_is_not_due_is_shaded(made):
    sheet = made()[0]["readings"]
    shades = [sheet.cell(row, 8).fill.fgColor.rgb for row in (2, 5, 8)]
    assert shades[0] == shades[2] != shades[1] == "FFE3E3E3"


def test_every_rule_fits_and_says_what_would_be_right(made):
    book, _, _ = made()
    rules = [rule for name in ("readings", "events") for rule in book[name].data_validations.dataValidation]
    assert len(rules) == 12
    for rule in rules:
        assert rule.errorTitle
        assert 10 < len(rule.error) <= 255
        assert len(rule.formula1) <= 255
        assert rule.showErrorMessage
    sources = {rule.formula1 for rule in rules if rule.type == "list"}
    assert all(source.startswith("lists!$") for source in sources)
    assert {str(r.sqref) for r in rules if r.type == "custom"} == {
        "E2:E71",
        "G2:G71",
        "H2:H71",
        f"D2:D{EVENT_ROWS + 1}",
    }


def test_lists_hold_the_choices(made):
    book, _, _ = made()
    columns = {column[0].value: [c.value for c in column[1:] if c.value] for column in book["lists"].columns}
    assert columns["List of tanks"] == ["q01-a", "q01-b", "q01-c"]
    assert columns["List of kits for nitrate"] == ["meter-no3"]
    assert "Water changed" in columns["List of events"]


def spreadsheet(formula, cell, text, decimal):
    """What the formula of a rule makes of a text, in a program that writes decimals so: a second reading of it."""

    def value(shown):
        plain = shown.replace(decimal, ".").strip()
        if not re.fullmatch(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?", plain):
            raise ValueError(shown)
        return float(plain)

    names = {
        "VALUE": value,
        "SUBSTITUTE": lambda shown, old, new: shown.replace(old, new),
        "MID": lambda shown, start, length: shown[start - 1 : start - 1 + length],
        "ABS": abs,
        "OR": lambda *parts: any(parts),
        "HALF": f"0{decimal}5",
        "CELL": text,
    }
    rule = formula.removeprefix("=").replace(f"{cell},", "CELL,").replace("1/2", "HALF")
    nothing = re.fullmatch(rf'IF\({cell}="nd",TRUE,(.*)\)', rule)
    error = re.fullmatch(r"IFERROR\((.*),FALSE\)", rule)
    if nothing and text.casefold() == "nd":
        return True
    inner = (nothing or error or [None, rule])[1]
    try:
        return bool(eval(inner, {"__builtins__": {}}, names))  # noqa: S307 - a formula of our own making
    except ValueError:
        return False  # a rule that ends in an error refuses


TYPED = [
    # typed, taken as nitrate, taken as pH
    ("12.5", True, False),
    ("12,5", True, False),
    ("8,1", True, True),
    ("<0.02", True, False),
    ("<0,03", True, False),
    (">160", True, False),
    ("nd", True, False),
    ("ND", True, False),
    ("0", False, False),
    ("0,0", False, False),
    ("1000", True, False),
    ("1000.1", False, False),
    ("-3", False, False),
    ("<", False, False),
    ("about 8", False, False),
    ("8 ml", False, False),
    ("10", True, True),
    ("6", True, True),
]


@pytest.mark.parametrize("decimal", [".", ","])
@pytest.mark.parametrize(("text", "nitrate", "ph"), TYPED)
def test_a_value_is_let_in_or_refused(trial, decimal, text, nitrate, ph):
    first, _, last = (asked[0] for asked in asked_for(trial()))
    for asked, taken in ((first, nitrate), (last, ph)):
        rule = cells.value_rule(asked, "E2")["value"]
        assert spreadsheet(rule, "E2", text, decimal) is taken


@pytest.mark.parametrize("decimal", [".", ","])
@pytest.mark.parametrize(
    ("text", "met"), [("0,02", True), ("<0.03", False), ("<0.02", True), ("0.03", False), ("x", False)]
)
def test_a_cell_turns_red_where_a_stop_rule_is_met(trial, decimal, text, met):
    asked = asked_for(trial())[1][0]
    assert spreadsheet(cells.meets(asked.thresholds[0], "G2"), "G2", text, decimal) is met


def test_looks_of_stop_rules_stand_before_those_of_the_unusual(made):
    found = made()[0]["readings"].conditional_formatting
    by_range = {
        str(one.sqref): [rule.dxf.font.b if rule.dxf.font else None for rule in one.rules] for one in found
    }
    assert by_range["E2:E71"] == [True, None]
    assert by_range["G2:G71"] == [True, None]
    assert by_range["H2:H71"] == [None]


def test_arms_stand_only_where_somebody_doses(made):
    book, _, _ = made()
    words = re.compile(r"polymer pellets|ethanol|water changes alone", re.IGNORECASE)
    assert words.search(" ".join(map(str, texts(book, "start here"))))
    assert not words.search(" ".join(map(str, texts(book, "readings"))))
    doses = [[cell.value for cell in row][:4] for row in book["doses"].iter_rows(min_row=6)]
    assert [
        "q01-b",
        "Polymer pellets: phb, full dose 35.8 g / 100 L",
        "16 March 2026",
        "23.9 g in the reactor",
    ] in doses


def test_masked_sheets_show_letters_and_no_arm(made):
    book, _, _ = made(
        masked=True,
        trial={
            "id": "quillmere-2026",
            "title": "Polymer pellets or ethanol",
            "question": "Do polymer pellets work?",
        },
    )
    shown = " ".join(map(str, texts(book, "start here", "readings", "events")))
    assert "doses" not in book.sheetnames
    assert not re.search(r"polymer pellets|ethanol 40|water changes alone|g / 100 L", shown, re.IGNORECASE)
    assert len(set(re.findall(r"q01-[abc]: arm ([ABC])", shown))) == 3


def test_before_the_draw_nothing_is_dosed(made):
    book, _, _ = made(drawn=False)
    shown = " ".join(map(str, texts(book)))
    assert "have not been shared out over the arms yet: dose nothing" in shown
    assert "doses" not in book.sheetnames


def test_without_stop_rules_or_lead_animals_are_helped_all_the_same(made):
    book, _, _ = made(stop_rules=[], trial={"id": "quillmere-2026", "title": "Carbon or not"})
    shown = " ".join(map(str, texts(book, "start here")))
    assert (
        "This trial has registered none. If animals suffer, stop the treatment, help them, and tell the trial's lead"
        in shown
    )


def test_fields_to_fill_in_are_empty_and_not_blank_texts(made):
    book, site, _ = made()
    sheet = book["readings"]
    assert {cell.value for row in sheet.iter_rows(min_row=2, min_col=4) for cell in row} == {None}
    assert {cell.value for row in sheet.iter_rows(min_row=2 + len(site.rows)) for cell in row} == {None}
    assert {cell.value for row in book["events"].iter_rows(min_row=2) for cell in row} == {None}


def test_check_samples_have_a_sheet_of_their_own(made):
    """What they hold is not told, so that nobody measures towards it."""
    book, _, _ = made(check_samples=CHECKS)
    sheet = book["check samples"]
    assert [cell.value for cell in sheet[1]] == [
        *("tank", "taken at", "replicate", "nitrate [mg/L]", "nitrate kit", "calcium [mg/L]", "by", "note")
    ]
    assert [sheet.cell(row, 1).value for row in (2, 11, 12, 21)] == ["ref-a", "ref-a", "cal-b", "cal-b"]
    assert sheet.max_row == 21
    shades = [(sheet.cell(row, 4).fill.fgColor.rgb, sheet.cell(row, 6).fill.fgColor.rgb) for row in (2, 12)]
    assert shades[0] == shades[1][::-1]
    shown = " ".join(map(str, texts(book, "start here")))
    assert "Bottle A is written down as ref-a: measure nitrate." in shown
    assert "17.25" not in " ".join(map(str, texts(book)))


def test_without_check_samples_there_is_no_such_sheet(made):
    book, _, _ = made()
    assert "check samples" not in book.sheetnames
    assert "check samples" not in " ".join(map(str, texts(book, "start here"))).lower()


def test_a_site_with_one_kit_has_it_filled_in(made):
    book, _, _ = made(kits=("lab-no3n",))
    sheet = book["readings"]
    assert sheet["E1"].value == "nitrate [mg/L as N]"
    assert {sheet.cell(row, 6).value for row in range(2, 72)} == {"lab-no3n"}
    unknown = made()[0]["readings"]
    assert {unknown.cell(row, 6).value for row in range(2, 72)} == {None}


def test_safety_is_said_and_defers(made):
    shown = " ".join(map(str, texts(made()[0], "start here")))
    for words in (
        "Phosphate below 0.03 mg/L on 2 sampling days in a row: halve the carbon dose.",
        "Act at once",
        "tell The water group",
        "hydrogen sulfide",
        "30 mA",
        "local rules, vets and licensed professionals decide",
    ):
        assert words in shown


def test_hostile_texts_are_texts_and_readable(made, hostile, trial):
    arms = [arm.model_dump(exclude_none=True) for arm in trial().arms]
    arms[1] |= {"title": hostile, "carbon": {"source": hostile, "full_dose": hostile}}
    book, _, content = made(
        trial={"id": "quillmere-2026", "title": hostile, "question": hostile, "lead": hostile},
        arms=arms,
        variables=[{"id": "growth", "title": hostile, "unit": "mm/week", "hard": [-20, 20]}],
        stop_rules=[{"variable": "growth", "below": -5, "action": hostile}],
        schedule=trial().schedule.model_dump() | {"sampling": [{"variable": "growth", "every_days": 7}]},
    )
    assert {cell.data_type for name in book.sheetnames for row in book[name].iter_rows() for cell in row} <= {
        "s",
        "n",
        "d",
    }
    with zipfile.ZipFile(io.BytesIO(content)) as parts:
        sheets = [parts.read(name).decode() for name in parts.namelist() if name.startswith("xl/worksheets/")]
    assert not any("<f>" in sheet or "hyperlink" in sheet for sheet in sheets)
    shown = " ".join(map(str, texts(book)))
    assert not re.search("[\u202a-\u202e\u2066-\u2069]", shown)
    readable = " ".join(re.sub("[\u202a-\u202e]", "", hostile).split())[:60]
    assert readable in shown
