"""A real browser, cut off from the network: the report opens clean, is accessible, fits a phone, and prints."""

import re

import pandas as pd
import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import sync_playwright
from pypdf import PdfReader

from trials.report import write_for, write_report
from trials.report_reader import Reader

CHROMIUM = "/usr/bin/chromium"
DESKTOP, PHONE = {"width": 1200, "height": 900}, {"width": 360, "height": 740}
A4_HEIGHT = 1123
"""CSS pixels."""


PAGES = ("report.html", "club.html", "farm.html", "article.html")


@pytest.fixture(scope="module")
def folder(invent, tmp_path_factory, report_material):
    """All pages of a small report with awkward names, and with doses."""
    only = invent(blocks=3).protocol.model_dump()["endpoints"][:1]
    trial = invent(
        blocks=3,
        endpoints=only,
        limit=0.05,
        gone=(4,),
        arms=[
            {"id": "control", "role": "control", "title": "Water changes alone"},
            {
                "id": "polymer",
                "role": "test",
                "title": "<script>alert(1)</script> " + "W" * 300,
                "carbon": {"source": "phb", "full_dose": "36 g / 100 L"},
            },
        ],
    )
    arm_of = trial.allocation.arm_of()
    rows = [
        (tank, "2026-04-01", "polymer-added", 60.0, "g") for tank, arm in arm_of.items() if arm == "polymer"
    ]
    events = pd.DataFrame(rows, columns=["tank", "at", "kind", "amount", "unit"])
    events = events.assign(at=pd.to_datetime(events["at"]).astype("datetime64[us]"))
    material = report_material(trial, invented=True, events=events)
    place = tmp_path_factory.mktemp("report")
    write_for(place, material, Reader.ARTICLE)
    return write_report(place, material).parent


@pytest.fixture(scope="module")
def address(folder):
    """The full record."""
    return (folder / "report.html").as_uri()


@pytest.fixture(scope="module")
def browser():
    """Debian's Chromium, headless."""
    with sync_playwright() as player:
        opened = player.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        yield opened
        opened.close()


@pytest.fixture
def open_in(browser):
    """Open a page in a window of a size, with what it said and asked for."""
    contexts = []

    def visit(address, size, **options):
        context = browser.new_context(viewport=size, offline=True, **options)
        contexts.append(context)
        window = context.new_page()
        said, asked = [], []
        window.on("console", lambda message: said.append(message.text))
        window.on("pageerror", lambda error: said.append(str(error)))
        window.on("request", lambda sent: asked.append(sent.url))
        window.goto(address)
        return window, said, asked

    yield visit
    for context in contexts:
        context.close()


@pytest.fixture(params=[DESKTOP, PHONE], ids=["desktop", "phone"])
def opened(request, open_in, address):
    """The full record in a window."""
    return open_in(address, request.param)


@pytest.mark.parametrize("size", [DESKTOP, PHONE], ids=["desktop", "phone"])
@pytest.mark.parametrize("page", PAGES)
def test_each_page_opens_offline_without_a_word_is_accessible_and_fits(open_in, folder, page, size):
    address = (folder / page).as_uri()
    window, said, asked = open_in(address, size)
    assert said == []
    assert asked == [address]
    assert window.evaluate("document.documentElement.scrollWidth") <= size["width"]
    found = Axe().run(window)
    assert found.violations_count == 0, found.generate_report()


def test_a_tank_is_picked_out_by_keyboard_by_a_click_and_let_go(open_in, address):
    window, said, _ = open_in(address, DESKTOP)
    marks = window.locator('.of-tank[data-tank="q01-0"]').count()
    assert marks > 20
    window.locator("#pick").focus()
    window.keyboard.type("q01-0")
    assert window.locator("#pick").input_value() == "q01-0"
    assert window.locator(".picked").count() == marks
    assert window.locator("#pick-said").inner_text() == f"{marks} marks and lines of q01-0 stand out."
    faded = window.locator('.of-tank[data-tank="q02-1"]').first
    assert float(faded.evaluate("e => getComputedStyle(e).opacity")) < 0.5
    window.keyboard.press("Escape")
    assert window.locator(".picked, .faded").count() == 0
    faded.locator("path, use").first.dispatch_event("click")
    assert window.locator("#pick").input_value() == "q02-1"
    assert said == []


def test_without_scripts_the_page_is_whole_and_offers_nothing_that_does_not_work(open_in, address):
    window, _, _ = open_in(address, DESKTOP, java_script_enabled=False)
    assert not window.locator("#pick-box").is_visible()
    assert window.locator("figure svg").first.is_visible()
    titles = window.locator(".of-tank > title").all_text_contents()
    assert any(title.startswith("q01-0, Water changes alone, 2 March 2026: ") for title in titles)


def test_phone_has_the_answer_figure_at_its_own_width(opened):
    window, _, _ = opened
    narrow = window.viewport_size == PHONE
    assert window.locator("figure .narrow svg").first.is_visible() is narrow
    assert window.locator("figure .wide svg").first.is_visible() is not narrow


def test_skip_link_and_tables_are_reached_by_keyboard(opened):
    window, _, _ = opened
    window.keyboard.press("Tab")
    assert window.evaluate("document.activeElement.textContent") == "Skip to the content"
    tables = window.locator("table").count()
    assert window.locator('[role="region"][tabindex="0"] > table').count() == tables > 5


@pytest.mark.parametrize("page", PAGES)
def test_print_has_every_figure_whole_on_a_page_and_no_heading_alone(browser, folder, tmp_path, page):
    window = browser.new_page(viewport={"width": 672, "height": A4_HEIGHT})
    window.goto((folder / page).as_uri())
    window.emulate_media(media="print")
    boxes = [figure.bounding_box()["height"] for figure in window.locator("figure").all()]
    assert 100 < max(boxes) < A4_HEIGHT - 136  # the page less its margins of 17 and 19 mm
    assert window.evaluate("getComputedStyle(document.querySelector('figure')).breakInside") == "avoid"
    assert not window.locator("#pick-box, nav").locator("visible=true").count()
    marked = window.evaluate(
        "[...document.querySelectorAll('h2, h3, h4')].map(heading => heading.append(' \u00a7')).length"
    )
    printed = tmp_path / "page.pdf"
    window.pdf(path=printed, prefer_css_page_size=True)
    window.close()
    pages = text_of_pages(printed)
    assert len(pages) >= (1 if page in {"club.html", "farm.html"} else 4)
    assert sum(line.endswith("\u00a7") for lines in pages for line in lines) == marked
    assert not [lines[-1] for lines in pages if lines[-1].endswith("\u00a7")]


def text_of_pages(path):
    """The lines of text of each page of a PDF in the order of the document, without the page's number."""
    texts = [page.extract_text() for page in PdfReader(path).pages]
    lines = [[line.strip() for line in text.splitlines() if line.strip()] for text in texts]
    return [[line for line in page if not re.fullmatch(r"\d+ ?/ ?\d+", line)] for page in lines]
