"""A real browser, cut off from the network: the report opens clean, is accessible, fits a phone, and prints."""

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import sync_playwright

from trials.report import write_report

CHROMIUM = "/usr/bin/chromium"
DESKTOP, PHONE = {"width": 1200, "height": 900}, {"width": 360, "height": 740}
A4_HEIGHT = 1123
"""CSS pixels."""


@pytest.fixture(scope="module")
def address(invent, tmp_path_factory, report_material):
    """A small report with awkward names, as a file."""
    only = invent(blocks=3).protocol.model_dump()["endpoints"][:1]
    trial = invent(
        blocks=3,
        endpoints=only,
        limit=0.05,
        gone=(4,),
        arms=[
            {"id": "control", "role": "control", "title": "Water changes alone"},
            {"id": "polymer", "role": "test", "title": "<script>alert(1)</script> " + "W" * 300},
        ],
    )
    return write_report(tmp_path_factory.mktemp("report"), report_material(trial, invented=True)).as_uri()


@pytest.fixture(scope="module")
def browser():
    """Debian's Chromium, headless."""
    with sync_playwright() as player:
        opened = player.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        yield opened
        opened.close()


@pytest.fixture(params=[DESKTOP, PHONE], ids=["desktop", "phone"])
def opened(request, browser, address):
    """The report in a window, with what it said and asked for."""
    context = browser.new_context(viewport=request.param, offline=True)
    window = context.new_page()
    said, asked = [], []
    window.on("console", lambda message: said.append(message.text))
    window.on("pageerror", lambda error: said.append(str(error)))
    window.on("request", lambda sent: asked.append(sent.url))
    window.goto(address)
    yield window, said, asked
    context.close()


def test_report_opens_offline_without_a_word_or_a_request(opened, address):
    window, said, asked = opened
    assert window.locator("h2").first.inner_text() == "The answer"
    assert window.evaluate("document.scripts.length") == 0
    assert said == []
    assert asked == [address]


def test_axe_finds_nothing(opened):
    window, _, _ = opened
    found = Axe().run(window)
    assert found.violations_count == 0, found.generate_report()


def test_page_never_scrolls_sideways(opened):
    window, _, _ = opened
    width = window.viewport_size["width"]
    assert window.evaluate("document.documentElement.scrollWidth") <= width


def test_phone_has_the_answer_figure_at_its_own_width(opened):
    window, _, _ = opened
    narrow = window.viewport_size == PHONE
    assert window.locator("figure .narrow svg").first.is_visible() is narrow
    assert window.locator("figure .wide svg").first.is_visible() is not narrow


def test_skip_link_and_tables_are_reached_by_keyboard(opened):
    window, _, _ = opened
    window.keyboard.press("Tab")
    assert window.evaluate("document.activeElement.textContent") == "Skip to the answer"
    tables = window.locator("table").count()
    assert window.locator('[role="region"][tabindex="0"] > table').count() == tables > 5


def test_print_has_every_figure_whole_on_a_page(browser, address):
    window = browser.new_page(viewport={"width": 672, "height": A4_HEIGHT})
    window.goto(address)
    window.emulate_media(media="print")
    figures = window.locator("figure")
    tallest = max(box["height"] for box in (f.bounding_box() for f in figures.all()))
    assert 100 < tallest < A4_HEIGHT - 136  # the page less its margins of 17 and 19 mm
    assert window.evaluate("getComputedStyle(document.querySelector('figure')).breakInside") == "avoid"
    printed = window.pdf(prefer_css_page_size=True)
    assert printed.startswith(b"%PDF-")
    assert printed.count(b"/Type /Page\n") > 4
    window.close()
