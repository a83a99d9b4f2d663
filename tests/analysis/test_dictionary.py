"""Each entry of the analysis document is explained, and nothing is explained that is never there."""

from analysis.dictionary import DICTIONARY
from analysis.document import document
from analysis.evaluation import evaluate

FREE = {"readings.by_phase"}  # an object with the protocol's own phases as keys


def paths(value, at=""):
    """Every path of a document; an object that may be null is named as well as its parts."""
    if at in FREE or not isinstance(value, dict | list):
        yield at
        return
    if isinstance(value, list):
        for item in value:
            yield from paths(item, f"{at}[]")
        return
    for key, item in value.items():
        yield from paths(item, f"{at}.{key}" if at else key)


def test_every_number_is_documented(club):
    found = set(paths(document(club.analysis)))
    assert not found - set(DICTIONARY)


def test_every_entry_says_what_it_is_and_numbers_their_unit():
    assert all(entry.what and not entry.what.endswith(".") for entry in DICTIONARY.values())
    assert DICTIONARY["endpoints[].contrasts[].p"].unit == "1"


def test_doses_and_balances_are_documented(story):
    events = [(tank, number, "feed", 1.0, "g") for tank in ("c1", "l1") for number in (30, 40)]
    readings = [
        (tank, number, name, value - number / 100)
        for tank in ("c1", "l1")
        for number in range(28, 56, 7)
        for name, value in (("nitrate", 9.0), ("phosphate", 0.9))
    ]
    told = story([*events, ("l1", 30, "dose", 1.0, "mL")], readings)
    analysis = evaluate(
        told.protocol,
        told.allocation,
        told.readings,
        protocol_digest="ab" * 32,
        data_digest="cd" * 32,
        version="0",
        happened=told.happened,
    )
    found = set(paths(document(analysis)))
    assert not found - set(DICTIONARY)
    described = {path for path in DICTIONARY if path.startswith(("dose.", "balance."))}
    assert described <= found
