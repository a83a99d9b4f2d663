"""Check samples in a protocol: every mistake at once, and a protocol without them is sealed as it always was."""

import copy
import hashlib
import json
import tomllib

import pytest

from schemas.protocol import Protocol
from schemas.protocol_rules import mistakes
from schemas.protocol_shape import build
from schemas.vocabulary import CheckKind
from trials.protocol_file import canonical, from_canonical

PROTOCOL = """
format = 1
[trial]
id = "quillmere-2026"
title = "Carbon or not"
[[arms]]
id = "control"
role = "control"
title = "Water changes alone"
[[arms]]
id = "polymer"
role = "test"
title = "Pellets"
[design]
kind = "parallel"
seed = "4 17 23"
[schedule]
start = 2026-03-02
phases = [ { id = "baseline", days = 28 }, { id = "assessment", days = 84 } ]
sampling = [ { variable = "nitrate", every_days = 7 } ]
[[endpoints]]
id = "nitrate-mean"
role = "primary"
variable = "nitrate"
summary = "mean"
phase = "assessment"
better = "lower"
worthwhile = 2.0
"""
TANKS = [{"id": name, "site": "q01"} for name in ("a", "b", "c", "d")]


def raw(*samples):
    return tomllib.loads(PROTOCOL) | {"tanks": copy.deepcopy(TANKS), "check_samples": list(samples)}


GOOD = [
    {
        "id": "ref-a",
        "kind": "reference",
        "variable": "nitrate",
        "value": 10.0,
        "uncertainty": 0.3,
        "title": "From a lab",
    },
    {"id": "blank", "kind": "blank", "variable": "nitrate"},
    {"id": "std-5", "kind": "standard", "variable": "phosphate", "value": 0.05},
    {"id": "no2", "kind": "nitrite-standard", "variable": "nitrate", "value": 0.5},
    {"id": "ref-b", "kind": "reference", "variable": "nitrate", "fitness_sd": 1.5},
]


def test_good_check_samples_have_no_mistakes_and_come_back_from_the_sealed_text():
    assert mistakes(raw(*GOOD)) == []
    protocol = build(raw(*GOOD))
    assert [sample.kind for sample in protocol.check_samples] == [
        CheckKind.REFERENCE,
        CheckKind.BLANK,
        CheckKind.STANDARD,
        CheckKind.NITRITE_STANDARD,
        CheckKind.REFERENCE,
    ]
    assert from_canonical(canonical(protocol)) == protocol
    assert b'"check_samples"' in canonical(protocol)


def test_a_protocol_without_check_samples_is_sealed_as_before_there_were_any():
    without = raw()
    del without["check_samples"]
    none, empty = build(without), build(raw())
    assert canonical(none) == canonical(empty)
    assert b"check_samples" not in canonical(none)
    assert Protocol.model_fields["check_samples"].default is None
    # The text of this protocol as sealed before check samples were known.
    before = {
        name: part
        for name, part in json.loads(canonical(build(raw(*GOOD)))).items()
        if name != "check_samples"
    }
    text = json.dumps(before, sort_keys=True, separators=(",", ":"), ensure_ascii=False).encode()
    assert hashlib.sha256(text).digest() == hashlib.sha256(canonical(none)).digest()


BAD = {
    "a tank's id": ({"id": "A"}, "id", '"A" is the id of a tank too; give the check sample an id of its own'),
    "an id that cannot be": ({"id": "ref a"}, "id", '"ref a" cannot be an id'),
    "no kind": ({"kind": None}, "kind", "is missing"),
    "another kind": (
        {"kind": "refrence"},
        "kind",
        "is not a kind of check sample; choose reference, blank, standard",
    ),
    "a variable that nobody knows": ({"variable": "nitrat"}, "variable", 'write "nitrate" if that is meant'),
    "no value": (
        {"kind": "standard", "value": None},
        "value",
        "is missing; write what the sample holds, in mg/L, e.g. value = 10.0",
    ),
    "a value that is text": ({"value": "ten"}, "value", "write a number without quotes"),
    "nothing in it": ({"value": 0}, "value", 'is 0; write kind = "blank" for water that holds none of it'),
    "more than can be": ({"value": 1e6}, "value", "lies outside what nitrate can be (0 to 1000 mg/L)"),
    "a blank with a value": (
        {"kind": "blank", "uncertainty": None},
        "value",
        "stands with a blank; leave it out",
    ),
    "per cent": (
        {"uncertainty": 30.0},
        "uncertainty",
        "30 is no smaller than the value, 10; write the standard unc",
    ),
    "an uncertainty of nothing": (
        {"value": None},
        "uncertainty",
        "stands without a value; write the value that it",
    ),
    "a spread of a blank": (
        {"kind": "blank", "value": None, "uncertainty": None, "fitness_sd": 1.0},
        "fitness_sd",
        "stands with a blank; leave it out",
    ),
    "a spread of a nitrite standard": (
        {"kind": "nitrite-standard", "value": 0.5, "uncertainty": None, "fitness_sd": 1.0},
        "fitness_sd",
        "stands with a nitrite standard; leave it out",
    ),
    "no spread": ({"uncertainty": 0}, "uncertainty", "write a number above 0"),
    "nitrite for phosphate": (
        {"kind": "nitrite-standard", "variable": "phosphate", "value": 0.5},
        "variable",
        "is not disturbed by nitrite; a nitrite standard is measured with a nitrate kit",
    ),
    "a key that is none": ({"valu": 1}, "valu", 'is not a key that is known here; the nearest is "value"'),
}


@pytest.mark.parametrize(("change", "key", "sentence"), BAD.values(), ids=BAD.keys())
def test_a_mistake_is_told_with_its_place_and_what_would_be_right(change, key, sentence):
    sample = {name: value for name, value in (GOOD[0] | change).items() if value is not None}
    found = mistakes(raw(sample))
    assert [mistake.place.rpartition(".")[2] for mistake in found] == [key]
    assert sentence in str(found[0])


def test_all_mistakes_are_told_at_once():
    found = mistakes(raw(GOOD[0] | {"value": 0}, GOOD[0], GOOD[1] | {"value": 1.0}))
    assert len(found) == 3
    assert "is the id of check sample 1 already" in str(found[1])


def test_a_list_that_is_none_is_told_once():
    found = mistakes(raw() | {"check_samples": "ref-a"})
    assert [mistake.place for mistake in found] == ["check_samples"]
    assert "[[check_samples]], once for each sample" in str(found[0])
