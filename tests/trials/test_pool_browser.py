"""A real browser, cut off from the network: the page of a pool opens clean, is accessible and fits a phone."""

import datetime as dt

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import sync_playwright

from trials.pooling.evidence import pool_packs
from trials.pooling.writing import write_pool

CHROMIUM = "/usr/bin/chromium"
DESKTOP, PHONE = {"width": 1200, "height": 900}, {"width": 360, "height": 740}
PRINTED = """
format = 1
[publication]
id = "{id}"
citation = "<script>alert(1)</script> =1+1 {long}"
date = {year}
design = "parallel"
[modifiers]
starting_nitrate = {start}
[[arms]]
id = "control"
role = "control"
title = "No carbon"
[[arms]]
id = "pellets"
role = "test"
title = "Pellets"
carbon = {{ source = "phb" }}
[[endpoints]]
id = "nitrate"
title = "<img src=x onerror=alert(1)> nitrate"
variable = "nitrate"
summary = "mean"
scale = "ratio"
better = "lower"
worthwhile = 0.8
unit = "mg/L"
rows = [{{ arm = "control", n = 8, mean = 21.0, sd = 4.0 }}, {{ arm = "pellets", n = 8, mean = {mean}, sd = 3.5 }}]
"""


@pytest.fixture(scope="module")
def address(tmp_path_factory):
    folder = tmp_path_factory.mktemp("pool")
    paths = []
    for at, mean in enumerate((15.0, 13.0, 17.0)):
        path = folder / f"paper-{at}.toml"
        form = {"id": f"paper-{at}", "year": 2010 + at, "start": 20 + at, "mean": mean, "long": "W" * 300}
        path.write_text(PRINTED.format(**form), encoding="utf-8")
        paths.append(path)
    return write_pool(folder / "out", pool_packs(paths), dt.date(2026, 6, 1)).as_uri()


def test_page_opens_offline_is_accessible_and_never_scrolls_sideways(address):
    with sync_playwright() as player:
        browser = player.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        window = browser.new_context(viewport=DESKTOP, offline=True).new_page()
        said, asked = [], []
        window.on("console", lambda message: said.append(message.text))
        window.on("pageerror", lambda error: said.append(str(error)))
        window.on("request", lambda sent: asked.append(sent.url))
        window.goto(address)
        assert window.locator("h2").first.inner_text() == "The answer"
        assert window.evaluate("document.scripts.length + document.images.length") == 0
        assert (said, asked) == ([], [address])
        assert window.locator("figure svg[role=img][aria-label]").count() == 2
        for size in (DESKTOP, PHONE):
            window.set_viewport_size(size)
            assert window.evaluate("document.documentElement.scrollWidth") <= size["width"]
        found = Axe().run(window)
        assert found.violations_count == 0, found.generate_report()
        browser.close()
