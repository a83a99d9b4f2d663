"""The page in a real browser at the width of a phone, cut off from the network."""

import csv
import datetime as dt
import io
import re

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import sync_playwright

from trials.sheets.page import page_of
from trials.sheets.site import site_sheets

CHROMIUM = "/usr/bin/chromium"
PHONE = {"width": 390, "height": 844}
NARROWEST = {"width": 320, "height": 640}
"""What WCAG 2.2 asks to reflow to (1.4.10)."""
A_TEST_DAY = dt.datetime(2026, 3, 16, 18, 30)  # noqa: DTZ001 - a clock on the wall


@pytest.fixture(scope="module")
def browser():
    """Debian's Chromium, headless."""
    with sync_playwright() as player:
        opened = player.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        yield opened
        opened.close()


@pytest.fixture
def write(trial, share, tmp_path):
    """Writes the page of a site and gives its address; keywords as of the protocol."""

    def make(**parts):
        protocol = trial(**parts)
        path = tmp_path / "sheet.html"
        path.write_text(
            page_of(site_sheets(protocol, "ab" * 32, share(protocol), only="q01")[0]), encoding="utf-8"
        )
        return path.as_uri()

    return make


@pytest.fixture
def visit(browser, write):
    """Opens the page on a test day; what it says on the console or asks for makes the test fail."""
    contexts, said, asked = [], [], []

    def go(address=None, *, script="", viewport=PHONE, **options):
        address = address or write()
        context = browser.new_context(viewport=viewport, offline=True, accept_downloads=True, **options)
        contexts.append(context)
        page = context.new_page()
        page.clock.set_fixed_time(A_TEST_DAY)
        if script:
            page.add_init_script(script)
        page.on("console", lambda message: said.append(message.text))
        page.on("pageerror", lambda error: said.append(str(error)))
        page.on("dialog", lambda dialog: said.append(dialog.message))
        page.on("request", lambda sent: asked.append(sent.url) if sent.url != address else None)
        page.goto(address)
        return page

    yield go
    for context in contexts:
        context.close()
    assert said == []
    assert [url for url in asked if not url.startswith("blob:")] == []


def write_down(page, tank="q01-a", **values):
    """Fills the form of readings in and keeps them."""
    page.locator("#reading-tank").get_by_label(tank).check()
    for variable, value in values.items():
        page.fill(f"#value-{variable}", value)
        kit = page.locator(f"#value-{variable}-kit")
        if kit.count():
            kit.select_option("meter-no3")
    page.get_by_role("button", name="Keep these readings").click()


def saved(page, kind="readings"):
    """The file that is saved: its name, its bytes and its rows."""
    with page.expect_download() as waiting:
        page.get_by_role("button", name=f"Save or share the {kind}").click()
    content = waiting.value.path().read_bytes()
    rows = list(csv.DictReader(io.StringIO(content.decode("utf-8-sig"))))
    return waiting.value.suggested_filename, content, rows


def shown(page, place):
    return page.locator(place).inner_text()


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_axe_finds_nothing_whatever_is_shown(visit, scheme):
    page = visit(color_scheme=scheme)
    page.get_by_role("button", name="Keep these readings").click()
    page.evaluate("document.querySelectorAll('details').forEach((one) => { one.open = true; })")
    wrong = Axe().run(page)
    write_down(page, nitrate="12,5", phosphate="<0.02", ph="8.1")
    page.select_option("#event-kind", "dose")
    page.get_by_role("button", name="Show as text to copy").first.click()
    kept = Axe().run(page)
    assert wrong.violations_count == 0, wrong.generate_report()
    assert kept.violations_count == 0, kept.generate_report()


def test_nothing_scrolls_sideways_and_all_targets_can_be_hit(visit):
    page = visit(viewport=NARROWEST)
    write_down(page, nitrate="12,5", phosphate="0.05")
    page.evaluate("document.querySelectorAll('details').forEach((one) => { one.open = true; })")
    assert page.evaluate("document.documentElement.scrollWidth") <= NARROWEST["width"]
    small = page.evaluate(
        """[...document.querySelectorAll("a:not(.skip), button, input, select, textarea, summary")]
        .map((one) => [one.outerHTML.slice(0, 60), one.getBoundingClientRect()])
        .filter(([, box]) => box.width && (box.width < 24 || box.height < 24)).map(([name]) => name)"""
    )
    assert small == []


def test_the_keyboard_reaches_all_and_sees_where_it_is(visit):
    page = visit()
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.textContent") == "Skip to the readings"
    for _ in range(7):  # five links, then day, month of the date
        page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.id") == "reading-day"
    page.focus("#value-nitrate")
    assert page.evaluate("getComputedStyle(document.activeElement).outlineWidth") == "3px"
    assert page.locator("#value-nitrate").get_attribute("inputmode") == "decimal"


REFUSED = [
    ("nitrate", "0", "A kit cannot show 0: write < and its lowest step, such as <0.5."),
    ("nitrate", "1,500", "This can be 1500 or 1.5: write whichever it is."),
    ("nitrate", "about 3", "Write one number, with a point or a comma."),
    ("nitrate", "1001", "Nitrate lies between above 0 to 1,000 mg/L. Look at the number and the unit."),
    ("phosphate", "21", "Phosphate lies between above 0 to 20 mg/L. Look at the number and the unit."),
    ("ph", "81", "pH lies between 6 to 10. Look at the number and the unit."),
    ("ph", "nd", "Write < and the lowest step of the kit, such as <0.01."),
]


def test_what_cannot_be_a_reading_is_said_beside_its_field(visit):
    page = visit()
    for variable, typed, sentence in REFUSED:
        write_down(page, **{variable: typed})
        field = page.locator(f"#value-{variable}")
        assert shown(page, f"#value-{variable}-wrong") == sentence
        assert field.get_attribute("aria-invalid") == "true"
        assert f"value-{variable}-wrong" in field.get_attribute("aria-describedby").split()
        assert sentence in shown(page, "#reading-summary")
        assert page.evaluate("document.activeElement.id") == "reading-summary"
        assert shown(page, "#readings-none") == "None kept yet."
        page.locator("#reading-summary a").first.click()
        assert page.evaluate("document.activeElement.id") == f"value-{variable}"
        field.fill("8")
        assert field.get_attribute("aria-invalid") is None
        field.fill("")


def test_tank_day_and_kit_are_asked_for(visit):
    page = visit()
    page.fill("#reading-day", "2026-03-17")
    page.fill("#value-nitrate", "5")
    page.get_by_role("button", name="Keep these readings").click()
    assert shown(page, "#reading-day-wrong") == "This day is still to come."
    assert shown(page, "#reading-tank-wrong") == "Choose the tank."
    assert shown(page, "#value-nitrate-kit-wrong") == "Choose the kit that showed this value."


def test_the_unit_follows_the_kit(visit):
    page = visit()
    assert page.get_by_label("Nitrate, mg/L", exact=False).first.is_visible()
    page.select_option("#value-nitrate-kit", "lab-no3n")
    assert shown(page, "#value-nitrate-unit") == ", mg/L as N"
    page.get_by_role("button", name="Nitrate: the kit shows nothing").click()
    assert page.input_value("#value-nitrate") == "<0.1"


def test_a_colour_card_shows_its_steps(visit, write):
    kits = [
        {"id": "card-no3", "variable": "nitrate", "limit": 2, "steps": [2, 5, 10, 25]},
        {"id": "meter-no3", "variable": "nitrate", "limit": 0.5},
    ]
    page = visit(write(kits=kits))
    assert shown(page, "#value-nitrate-hint") == "Nitrate ion (NO3). Nothing shown: write <2, never 0."
    page.select_option("#value-nitrate-kit", "card-no3")
    assert shown(page, "#value-nitrate-hint").endswith("Colour card: the nearest of 2, 5, 10, 25.")
    page.select_option("#value-nitrate-kit", "meter-no3")
    assert shown(page, "#value-nitrate-hint") == "Nitrate ion (NO3). Nothing shown: write <0.5, never 0."
    page.get_by_text("How to write a reading down").click()
    assert page.get_by_text("the step that looks nearest: card-no3 (2, 5, 10 and 25).").is_visible()


def test_a_check_sample_is_measured_for_its_variable_alone(visit, write):
    samples = [{"id": "ref-a", "kind": "reference", "variable": "calcium", "value": 417.25}]
    address = write(check_samples=samples)
    page = visit(address)
    assert "417.25" not in page.content()
    write_down(page, tank="ref-a (check sample)", nitrate="0.6", calcium="420")
    sentence = "The check sample ref-a is measured for Calcium alone: leave this empty."
    assert shown(page, "#value-nitrate-wrong") == sentence
    page.fill("#value-nitrate", "")
    page.get_by_role("button", name="Keep these readings").click()
    row = saved(page)[2][0]
    assert (row["tank"], row["variable"], row["value"], row["site"]) == ("ref-a", "calcium", "420", "q01")


def test_the_plan_of_the_day_is_shown(visit):
    page = visit()
    assert shown(page, "#planned") == "Planned for this day: Nitrate, Phosphate, pH."
    page.fill("#reading-day", "2026-03-14")
    assert "Nothing is planned for this day" in shown(page, "#planned")
    assert "The next planned day is 16 March 2026." in shown(page, "#planned")


def test_a_stop_rule_is_told_at_once(visit):
    page = visit()
    write_down(page, phosphate="0,02")
    alarm = shown(page, "#alarm")
    assert alarm.startswith("q01-a, Phosphate 0,02 mg/L: this can meet a stop rule.")
    assert "halve the carbon dose" in alarm
    assert "Tell The water group." in alarm
    write_down(page, tank="q01-b", phosphate="0.2")
    assert not page.locator("#alarm").is_visible()


def test_what_was_typed_and_kept_is_there_after_a_reload(visit):
    page = visit()
    write_down(page, nitrate="12,5")
    page.fill("#value-phosphate", "0,0")
    page.fill("#event-note", "half a sentence")
    page.reload()
    assert "q01-a: Nitrate 12,5 mg/L" in shown(page, "#readings-list")
    assert page.input_value("#value-phosphate") == "0,0"
    assert page.input_value("#event-note") == "half a sentence"
    assert page.input_value("#value-nitrate-kit") == "meter-no3"
    page.get_by_role("button", name="Take out q01-a: Nitrate 12,5 mg/L").click()
    assert shown(page, "#readings-none") == "None kept yet."


def test_a_browser_that_keeps_nothing_says_so_and_works_on(visit):
    broken = "Storage.prototype.setItem = () => { throw new DOMException('no', 'QuotaExceededError'); };"
    page = visit(script=broken)
    assert "Save the file after every entry." in shown(page, "#not-kept")
    write_down(page, nitrate="12,5")
    assert len(saved(page)[2]) == 1


def test_the_file_is_what_intake_takes(visit):
    page = visit()
    page.fill("#reading-by", "Ann")
    page.fill("#reading-note", '=1+1, "cloudy"\nwater')
    write_down(page, nitrate="12,5", phosphate="<0,03")
    write_down(page, nitrate="13")
    name, content, rows = saved(page)
    assert name == "quillmere-2026-q01-readings.csv"
    assert content.startswith(b"\xef\xbb\xbftank,taken_at,variable,value,unit,replicate,kit,by,note,site\r\n")
    assert content.count(b"\n") == content.count(b"\r\n") == 4
    first = dict.fromkeys(
        ("tank", "taken_at", "variable", "value", "unit", "replicate", "kit", "by", "note", "site"), ""
    )
    first |= {
        "tank": "q01-a",
        "taken_at": "2026-03-16",
        "variable": "nitrate",
        "value": "12,5",
        "unit": "mg/L",
        "replicate": "1",
        "kit": "meter-no3",
        "by": "Ann",
        "note": '\'=1+1, "cloudy" water',
        "site": "q01",
    }
    assert rows[0] == first
    assert rows[1] == first | {"variable": "phosphate", "value": "<0,03", "kit": ""}
    assert rows[2] == first | {"value": "13", "replicate": "2", "note": ""}
    assert "Nitrate is kept as test 2 of that day" in shown(page, "#reading-said")


def test_saved_ones_are_taken_off_only_when_asked(visit):
    page = visit()
    write_down(page, nitrate="12,5")
    clear = page.get_by_role("button", name="Take saved ones off this phone")
    assert clear.count() == 0
    saved(page)
    page.evaluate("window.confirm = () => true")
    write_down(page, tank="q01-b", nitrate="14")
    clear.click()
    assert shown(page, "#readings-count") == "(1)"
    assert "q01-b" in shown(page, "#readings-list")


def test_a_phone_that_can_share_shares_a_file(visit):
    """Only this branch is shown: headless Chromium shares nothing, so the phone's part is a stand-in."""
    page = visit(
        script="""window.shared = [];
        navigator.canShare = (what) => what.files.every((file) => file instanceof File);
        navigator.share = async (what) => { for (const file of what.files) window.shared.push([file.name, file.type, await file.text()]); };"""
    )
    write_down(page, nitrate="12,5")
    page.get_by_role("button", name="Save or share the readings").click()
    page.get_by_text("Shared as quillmere-2026-q01-readings.csv.").wait_for()
    ((name, kind, text),) = page.evaluate("window.shared")
    assert (name, kind) == ("quillmere-2026-q01-readings.csv", "text/csv")
    assert text.endswith('q01-a,2026-03-16,nitrate,"12,5",mg/L,1,meter-no3,,,q01\r\n')


def test_a_share_that_is_called_off_keeps_all(visit):
    page = visit(
        script="""navigator.canShare = () => true;
        navigator.share = () => Promise.reject(new DOMException("no", "AbortError"));"""
    )
    write_down(page, nitrate="12,5")
    page.get_by_role("button", name="Save or share the readings").click()
    page.get_by_text("Not shared; everything is still here.").wait_for()
    assert "not saved yet" in shown(page, "#readings-list")


def test_where_no_file_can_be_saved_the_text_can_be_copied(visit):
    page = visit(script="delete HTMLAnchorElement.prototype.download;")
    write_down(page, nitrate="12,5")
    page.get_by_role("button", name="Save or share the readings").click()
    assert "q01-a,2026-03-16,nitrate" in page.input_value("#readings-text")
    assert page.locator("#readings-text").is_visible()


def test_events_are_kept_with_their_caution(visit):
    page = visit()
    page.locator("#event-tank").get_by_label("q01-c").check()
    page.select_option("#event-kind", "dose")
    assert "never twice to make up for a missed dose" in shown(page, "#event-caution")
    page.get_by_role("button", name="Keep this event").click()
    assert shown(page, "#event-amount-wrong") == "Write how much, such as 2.5."
    page.fill("#event-amount", "0,9")
    page.get_by_role("button", name="Keep this event").click()
    page.locator("#event-tank").get_by_label("q01-a").check()
    page.select_option("#event-kind", "fault")
    assert not page.locator("#event-amount").is_visible()
    page.fill("#event-note", "pump stood")
    page.get_by_role("button", name="Keep this event").click()
    name, content, rows = saved(page, "events")
    assert name == "quillmere-2026-q01-events.csv"
    assert content.startswith(b"\xef\xbb\xbftank,at,kind,amount,unit,by,note,site\r\n")
    assert [list(row.values()) for row in rows] == [
        ["q01-c", "2026-03-16", "dose", "0,9", "mL", "", "", "q01"],
        ["q01-a", "2026-03-16", "fault", "", "", "", "pump stood", "q01"],
    ]


def test_without_scripts_the_page_says_what_to_do(visit):
    page = visit(java_script_enabled=False)
    assert "open it from a web address that begins with https, or use the workbook" in shown(page, "main")


@pytest.mark.parametrize("turn", [0, 3])
def test_hostile_texts_are_harmless_and_readable(visit, write, trial, hostile_texts, turn):
    title, question, lead, arm, action, variable = hostile_texts[turn:] + hostile_texts[:turn]
    arms = [one.model_dump(exclude_none=True) for one in trial().arms]
    arms[1] |= {"title": arm, "carbon": {"source": title, "full_dose": question}}
    address = write(
        trial={"id": "quillmere-2026", "title": title, "question": question, "lead": lead},
        arms=arms,
        variables=[{"id": "growth", "title": variable, "unit": "mm/week", "hard": [-20, 20]}],
        stop_rules=[{"variable": "growth", "below": -5, "action": action}],
        schedule=trial().schedule.model_dump() | {"sampling": [{"variable": "growth", "every_days": 7}]},
    )
    page = visit(address)
    write_down(page, growth="-6")
    page.evaluate("document.querySelectorAll('details').forEach((one) => { one.open = true; })")
    assert page.evaluate("document.documentElement.scrollWidth") <= PHONE["width"]
    assert page.evaluate("document.scripts.length") == 2
    assert page.locator("h1 *").count() == 0
    seen = page.locator("body").inner_text().replace("\u2019", "'")
    for text in hostile_texts:
        assert " ".join(re.sub("[\u202a-\u202e]", "", text).split())[:60].strip() in seen
    assert not re.search("[\u202a-\u202e\u2066-\u2069]", seen)
    assert Axe().run(page).violations_count == 0
