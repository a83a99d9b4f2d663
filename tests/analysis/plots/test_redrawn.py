"""Dark bars add up to p, the real draw is marked, and words say what is drawn."""

import pytest
from plotnine import geom_rect, geom_vline

from analysis.null_distribution import null_distributions
from analysis.plots import redrawn
from analysis.plots.theme import render


@pytest.fixture(scope="module", params=[0, 1], ids=["ratio", "difference"])
def drawn(request, club):
    endpoint = club.analysis.endpoints[request.param]
    laws = null_distributions(club.protocol, club.allocation, club.analysis, endpoint)
    return endpoint, laws, redrawn.figure(laws, endpoint, club.protocol)


def test_bars_of_each_panel_add_up_and_dark_ones_to_p(drawn, layers):
    endpoint, _, plot = drawn
    bars = layers(plot, geom_rect)[0]
    for panel, contrast in enumerate(endpoint.contrasts):
        mine = bars[bars["panel"] == panel]
        assert mine["share"].sum() == pytest.approx(1)
        dark = mine.loc[mine["kind"].astype(str).str.startswith("as far"), "share"].sum()
        assert dark == pytest.approx(contrast.randomisation.p)


def test_the_real_draw_stands_at_the_estimate_of_the_test(drawn, layers):
    _, laws, plot = drawn
    (marks,) = layers(plot, geom_vline)
    assert marks["x"].tolist() == [law.observed for law in laws]


def test_words_name_comparisons_draws_and_p(drawn, club, caption):
    endpoint, laws, plot = drawn
    assert f"{laws[0].draws:,} draws (all there are)" in caption(plot)
    text = redrawn.alt_text(laws, endpoint, club.protocol)
    assert "Polymer pellets, fluidised v Water changes alone: the real draw gave" in text
    narrow = redrawn.figure(laws, endpoint, club.protocol, width=3.46)
    assert "from top to bottom" in caption(narrow)


def test_without_a_test_the_figure_says_so(club):
    endpoint = club.analysis.endpoints[0]
    svg = render(redrawn.figure((), endpoint, club.protocol), "svg")["svg"]
    assert b">There is no randomisation test to draw.</text>" in svg
    assert redrawn.alt_text((), endpoint, club.protocol).startswith("Empty chart")
