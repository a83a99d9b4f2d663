"""The list of kinds that README shows people is the one that intake goes by."""

import re
from pathlib import Path

from schemas.events import EVENTS, EventKind, kind_named

README = Path(__file__).parents[3] / "README.md"


def test_every_kind_is_listed_and_every_word_beside_it_means_it():
    section = (
        README.read_text(encoding="utf-8").partition("## Events and check samples")[2].partition("\n## ")[0]
    )
    rows = re.findall(r"^\| `([a-z-]+)` \| ([^|]+) \| ([^|]+) \|$", section, re.MULTILINE)
    assert {kind for kind, _, _ in rows} == {kind.value for kind in EventKind}
    for kind, words, amount in rows:
        assert {kind_named(word) for word in words.split(", ")} == {EventKind(kind)}
        form = EVENTS[EventKind(kind)]
        listed = set(re.findall(r"\w+", amount))
        if not form.needs_amount:
            assert amount == "none"
        elif form.whole:
            assert amount == "how many"
        else:
            # A microlitre is taken, and nobody needs to be told.
            assert {unit.split()[-1] for unit in form.units if unit != "uL"} <= listed
