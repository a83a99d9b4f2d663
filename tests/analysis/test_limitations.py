"""A limitation is said where the records call for it, and only there."""

import datetime as dt
from dataclasses import replace

import pytest

from analysis.limitations import cannot_say

ALWAYS = "The result holds for these tanks"


def said(trial, **changes):
    """All limitations of a trial as one text."""
    allocation = changes.pop("allocation", trial.allocation)
    protocol = changes.pop("protocol", trial.protocol)
    return "\n".join(cannot_say(trial.analysis, protocol, allocation, **changes))


def test_missing_and_exploratory_are_named_with_their_numbers(club):
    text = said(club)
    assert "1 tank has no number for Mean nitrate (1 of Water changes alone)" in text
    assert (
        "Exploratory, since only the primary endpoints share the registered error rate: Mean phosphate"
        in text
    )
    assert text.splitlines()[-1].startswith(ALWAYS)


@pytest.mark.parametrize(
    ("allocation", "words"),
    [
        ({"random": False, "drawn": False}, "This is observational"),
        ({"drawn": False}, "shared out elsewhere"),
    ],
)
def test_how_the_tanks_were_shared_out_limits_what_follows(club, allocation, words):
    assert words not in said(club)
    assert said(club, allocation=replace(club.allocation, **allocation)).startswith((words, "The tanks were"))
    assert words in said(club, allocation=replace(club.allocation, **allocation))


def test_seed_of_the_lead_is_named(club):
    design = club.protocol.design.model_copy(update={"seed": "7", "seed_from": None})
    text = said(club, protocol=club.protocol.model_copy(update={"design": design}))
    assert "The lead chose the seed of the draw" in text
    assert "seed" not in said(club)


@pytest.mark.parametrize(
    ("day", "words"),
    [
        (dt.date(2026, 2, 20), None),
        (dt.date(2026, 3, 2), None),
        (
            dt.date(2026, 3, 12),
            "registered 10 days after the first day of the trial. Readings had been taken by then",
        ),
    ],
)
def test_late_registration_is_named(club, day, words):
    text = said(club, registered_on=day)
    assert (words in text) if words else ("registered 1" not in text)


def test_too_few_tanks_for_the_randomisation_test_are_named(invent):
    trial = invent(blocks=3)
    text = said(trial)
    assert "could never give a p below 0.25" in text
    assert text.count("v Water changes alone") == 2
    assert "Polymer pellets, fluidised v Liquid carbon, dripped)." in text
    assert "could never give" not in said(invent(blocks=8))


def test_comparison_that_fails_beside_the_others_is_named(club):
    endpoint = club.analysis.endpoints[0]
    weak = tuple(replace(c, p=0.03, p_adjusted=0.06) for c in endpoint.contrasts)
    analysis = replace(club.analysis, endpoints=(replace(endpoint, contrasts=weak),))
    text = "\n".join(cannot_say(analysis, club.protocol, club.allocation))
    assert "allowing for all comparisons registered (holm) they do not" in text
