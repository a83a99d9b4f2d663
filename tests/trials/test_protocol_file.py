"""Reading a protocol from its file, the canonical form, and the digest that does not mind how it is written."""

from __future__ import annotations

import copy
import hashlib
import json
import tomllib

import pytest
import tomli_w
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from schemas.errors import FairtankError, ProtocolError
from schemas.protocol_warnings import smallest_p
from trials.protocol_file import canonical, digest, from_canonical, load

PROTOCOL = """\
format = 1
tanks = "tanks.csv"

[trial]
id = "quillmere-2026"
title = "Solid carbon or neither"

[[arms]]
id = "control"
role = "control"
title = "Water changes alone"

[[arms]]
id = "polymer"
role = "test"
title = "Polymer pellets"
carbon = { source = "phb" }

[design]
kind = "blocks"
seed_from = "the balls drawn at the meeting of 4 April"

[schedule]
start = 2026-03-02
phases = [ { id = "baseline", days = 28 }, { id = "ramp", days = 28 }, { id = "assessment", days = 84 } ]
sampling = [ { variable = "nitrate", every_days = 7 }, { variable = "phosphate", every_days = 7 } ]

[[endpoints]]
id = "nitrate-mean"
role = "primary"
variable = "nitrate"
summary = "mean"
phase = "assessment"
scale = "ratio"
better = "lower"
worthwhile = 0.8

[analysis]
alpha = 0.05

[[stop_rules]]
variable = "phosphate"
below = 0.01
action = "halve the carbon dose"
"""
BLOCKS = range(1, 7)
TANKS = [
    {"id": f"q{block}-{letter}", "site": f"q{block}", "block": f"q{block}", "volume_L": 180.5}
    for block in BLOCKS
    for letter in "ab"
]
CSV = "id,site,block,volume_L\n" + "".join(
    f"{tank['id']},{tank['site']},{tank['block']},{tank['volume_L']}\n" for tank in TANKS
)
INLINE = tomllib.loads(PROTOCOL) | {"tanks": TANKS}


@pytest.fixture
def read(tmp_path):
    """Write a protocol and its tanks file, and load them."""

    def write_and_load(protocol=PROTOCOL, tanks=CSV):
        path = tmp_path / "protocol.toml"
        path.write_bytes(protocol if isinstance(protocol, bytes) else protocol.encode())
        if tanks is not None:
            (tmp_path / "tanks.csv").write_bytes(tanks if isinstance(tanks, bytes) else tanks.encode())
        return load(path)

    return write_and_load


def mistakes(read, **files):
    with pytest.raises(ProtocolError) as refused:
        read(**files)
    assert len(str(refused.value).splitlines()) == 1 + len(refused.value.mistakes)
    return [str(mistake) for mistake in refused.value.mistakes]


def test_what_is_loaded(read):
    loaded = read()
    assert loaded.protocol.trial.id == "quillmere-2026"
    assert [tank.volume_L for tank in loaded.protocol.tanks] == [180.5] * 12
    assert (loaded.source.name, loaded.source.content) == ("protocol.toml", PROTOCOL.encode())
    assert (loaded.tanks_source.name, loaded.tanks_source.content) == ("tanks.csv", CSV.encode())
    assert loaded.warnings == ()


def test_the_digest_is_that_of_sorted_json_without_spaces(read):
    """RFC 8785 for texts and short decimals is what the standard library writes with sorted keys."""
    protocol = read().protocol
    document = json.loads(canonical(protocol))
    plain = json.dumps(document, sort_keys=True, separators=(",", ":"), ensure_ascii=False).encode()
    assert canonical(protocol) == plain
    assert digest(protocol) == hashlib.sha256(plain).hexdigest()
    assert document["endpoints"][0]["baseline"] == "none"
    assert document["analysis"] == {"alpha": 0.05, "contrasts": [], "multiplicity": "holm"}
    assert "null" not in plain.decode()


def test_canonical_text_can_be_read_back(read):
    protocol = read().protocol
    again = from_canonical(canonical(protocol))
    assert canonical(again) == canonical(protocol)
    assert again == protocol.model_copy(update={"tanks": tuple(sorted(protocol.tanks, key=lambda t: t.id))})


DEFAULTS = {
    ("analysis",): {"multiplicity": "holm", "contrasts": []},
    ("endpoints", 0): {"baseline": "none"},
    ("stop_rules", 0): {"consecutive": 1},
}


def shuffled(draw, node):
    """The same table with its keys in another order and whole numbers spelt either way."""
    if isinstance(node, dict):
        return {key: shuffled(draw, node[key]) for key in draw(st.permutations(list(node)))}
    if isinstance(node, list):
        return [shuffled(draw, item) for item in node]
    if isinstance(node, float) and node.is_integer() and draw(st.booleans()):
        return int(node)
    if isinstance(node, int) and not isinstance(node, bool) and draw(st.booleans()):
        return float(node)
    return node


@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.data())
def test_the_digest_does_not_mind_how_the_file_is_written(read, data):
    """Key order, defaults written out or not, 28 or 28.0, tanks inside or beside, their order, comments."""
    expected = digest(read().protocol)
    document = copy.deepcopy(INLINE)
    for path, defaults in DEFAULTS.items():
        table = document
        for part in path:
            table = table[part]
        table.update({key: value for key, value in defaults.items() if data.draw(st.booleans(), label=key)})
    document["tanks"] = data.draw(st.permutations(TANKS))
    text = tomli_w.dumps(shuffled(data.draw, document))
    comment = data.draw(st.sampled_from(["", "# a comment\n", "\r\n\n"]))
    assert digest(read(comment + text, None).protocol) == expected
    rows = data.draw(st.permutations(CSV.splitlines()[1:]))
    assert digest(read(PROTOCOL, "\n".join([CSV.splitlines()[0], *rows])).protocol) == expected


@pytest.mark.parametrize(
    ("before", "after"),
    [
        ("worthwhile = 0.8", "worthwhile = 0.80000000001"),
        ('title = "Polymer pellets"', 'title = "Polymer pellet"'),
        ("alpha = 0.05", "alpha = 0.01"),
        ("start = 2026-03-02", "start = 2026-03-03"),
        ("below = 0.01\n", "below = 0.01\nconsecutive = 2\n"),
        ('"the balls drawn', '"the  balls drawn'),
    ],
)  # fmt: skip
def test_any_change_of_meaning_changes_the_digest(read, before, after):
    assert before in PROTOCOL
    assert digest(read(PROTOCOL.replace(before, after)).protocol) != digest(read().protocol)


@pytest.mark.parametrize(
    "content",
    [
        PROTOCOL.encode("utf-8-sig"),
        PROTOCOL.replace("\n", "\r\n").encode(),
        PROTOCOL.replace("0.8\n", "0.80\n").replace("alpha = 0.05", "alpha = 5e-2").encode(),
        PROTOCOL.replace("start = 2026-03-02", 'start = "2026-03-02"').encode(),
    ],
    ids=["byte order mark", "line ends", "number spelling", "quoted date"],
)
def test_editors_habits_change_nothing(read, content):
    assert digest(read(content).protocol) == digest(read().protocol)


# What breaks the reading of TOML, and what is said of it.
SYNTAX = [
    ("alpha = 0.05", "alpha = 0,05", 'line 39, column 10: "alpha = 0,05" cannot be read as TOML; write decimals with a point, e.g. 0.80.'),
    ('role = "test"', "role = test", 'line 15, column 8: "role = test" cannot be read as TOML; put texts in quotes, and write true and false in small letters.'),
    ("start = 2026-03-02", "start = 2/3/2026", 'line 24, column 10: "start = 2/3/2026" cannot be read as TOML; write a date that exists as year-month-day, e.g. 2026-03-02.'),
    ('kind = "blocks"', "kind = \u201cblocks\u201d", 'line 20, column 8: "kind = \u201cblocks\u201d" cannot be read as TOML; use straight quotes, "like these".'),
    ("[design]", "[trial]", 'line 19, column 7: "[trial]" cannot be read as TOML; this key or table stands twice, so keep one of the two.'),
    ("[design]", "[design", 'line 19, column 8: "[design" cannot be read as TOML; close the square brackets that were opened.'),
    ("alpha = 0.05", "alpha 0.05", 'line 39, column 7: "alpha 0.05" cannot be read as TOML; write key = value.'),
    ("alpha = 0.05", "alpha =", 'line 39, column 8: "alpha =" cannot be read as TOML; write a value after the equals sign.'),
    ('"halve the carbon dose"\n', '"halve the carbon dose', 'line 44, the last: "action = "halve the carbon dose" cannot be read as TOML; close the quotes that were opened.'),
]  # fmt: skip


@pytest.mark.parametrize(("before", "after", "sentence"), SYNTAX)
def test_toml_that_cannot_be_read(read, before, after, sentence):
    assert mistakes(read, protocol=PROTOCOL.replace(before, after)) == [sentence]


def test_bytes_that_are_not_text(read):
    spoilt = PROTOCOL.encode().replace(b"Polymer", b"P\xf6lymer")
    assert mistakes(read, protocol=spoilt) == [
        "line 16: holds a sign that is not UTF-8; save the file as UTF-8 text."
    ]
    assert mistakes(read, protocol=b"a = " + b"[" * 5000)[0].startswith(
        "the file: nests brackets or tables too deeply"
    )


def test_a_file_that_is_not_to_be_had(tmp_path):
    with pytest.raises(FairtankError, match=r"There is no file .*nowhere\.toml; give the path"):
        load(tmp_path / "nowhere.toml")
    with pytest.raises(FairtankError, match="is a folder; give the path of the protocol in it"):
        load(tmp_path)


# How spreadsheets write the same twelve tanks.
SPREADSHEETS = {
    "semicolons and decimal comma": CSV.replace(",", ";").replace("180.5", "180,5"),
    "tabs": CSV.replace(",", "\t"),
    "quotes": CSV.replace("180.5", '"180,5"'),
    "byte order mark": "\ufeff" + CSV,
    "line ends": CSV.replace("\n", "\r\n"),
    "empty rows": CSV.replace("\n", "\n,,,\n\n"),
    "other case of header": CSV.replace("volume_L", "VOLUME_L").replace("id,", "Id , ", 1),
    "other order": "volume_L,block,site,id\n"
    + "".join(f"{t['volume_L']},{t['block']},{t['site']},{t['id']}\n" for t in TANKS),
    "an empty column": CSV.replace("\n", ",\n"),
}


@pytest.mark.parametrize("tanks", SPREADSHEETS.values(), ids=SPREADSHEETS)
def test_tanks_from_a_spreadsheet(read, tanks):
    assert digest(read(tanks=tanks).protocol) == digest(read().protocol)


def test_a_note_in_windows_letters_is_kept_and_said(read):
    tanks = "id;block;note\r\n" + "".join(f"{t['id']};{t['block']};Küche\u2013links\r\n" for t in TANKS)
    loaded = read(tanks=tanks.encode("cp1252"))
    assert {tank.note for tank in loaded.protocol.tanks} == {"Küche\u2013links"}
    assert loaded.warnings == ("tanks.csv is not UTF-8 and was read as Windows-1252.",)


TANKS_MISTAKES = {
    "no header": (CSV.split("\n", 1)[1], ["tanks.csv line 1: has no column id; the first line names the columns: id, site, block, volume_L and note."]),
    "empty": ("", ["tanks.csv line 1: is empty; the first line names the columns: id, site, block, volume_L and note."]),
    "unknown column": (CSV.replace("volume_L", "volume"), ['tanks.csv line 1: "volume" is not a column that is known; the nearest is volume_L.']),
    "column twice": (CSV.replace("site", "block", 1), ["tanks.csv line 1: names the column block twice; keep one of them."]),
    "two bad volumes": (CSV.replace("180.5", "big", 1).replace("180.5", "1,5,0", 1),
        ['tanks.csv line 2, volume_L: "big" is not one number; write litres, e.g. 180.5.',
         'tanks.csv line 3: has 6 cells for 4 columns; put a cell that holds a comma in "quotes".']),
    "thousands": (CSV.replace("180.5", '"1,805"', 1), ['tanks.csv line 2, volume_L: "1,805" is not one number; write litres, e.g. 180.5.']),
    "thousands in semicolons": (CSV.replace(",", ";").replace("180.5", "1.805", 1), ['tanks.csv line 2, volume_L: "1.805" is not one number; write litres, e.g. 180.5.']),
    "negative": (CSV.replace("180.5", "-3", 1), ["tanks.csv line 2, volume_L: is -3.0; write a number above 0, e.g. volume_L = 180."]),
    "doubled tank": (CSV.replace("q1-b", "Q1-a", 1), ['tanks.csv line 3, id: "Q1-a" differs from "q1-a" only in capital letters; give every tank an id of its own.']),
    "no id": (CSV.replace("q2-a,", ",", 1), ['tanks.csv line 4, id: is missing; write id = "q01-a".']),
    "open quote": (CSV.replace("q6-b", '"q6-b'), ["tanks.csv line 13: has a quote that is not closed; close it or leave it out."]),
}  # fmt: skip


@pytest.mark.parametrize(("tanks", "sentences"), TANKS_MISTAKES.values(), ids=TANKS_MISTAKES)
def test_mistakes_in_the_tanks_file(read, tanks, sentences):
    assert mistakes(read, tanks=tanks) == sentences


@pytest.mark.parametrize(
    ("name", "found"),
    [
        ("/elsewhere/tanks.csv", "is not a bare file name"),
        ("../tanks.csv", "is not a bare file name"),
        ("C:tanks.csv", "is not a bare file name"),
        ("..", "is not a bare file name"),
        ("", "is not a bare file name"),
        ("others.csv", "beside the protocol"),
        ("folder", "cannot be read"),
        ("link.csv", "leads out of the protocol's folder"),
    ],
)
def test_a_tanks_file_stands_beside_the_protocol(read, tmp_path, tmp_path_factory, name, found):
    (tmp_path / "folder").mkdir()
    elsewhere = tmp_path_factory.mktemp("elsewhere") / "tanks.csv"
    elsewhere.write_text(CSV)
    (tmp_path / "link.csv").symlink_to(elsewhere)
    (sentence,) = mistakes(read, protocol=PROTOCOL.replace('"tanks.csv"', f'"{name}"'))
    assert sentence.startswith("tanks: ")
    assert found in sentence
    assert sentence.endswith(
        '; write the name of a file that stands beside the protocol, e.g. tanks = "tanks.csv".'
    )


def test_mistakes_of_both_files_are_told_at_once(read):
    spoilt = PROTOCOL.replace('role = "control"', 'role = "test"').replace(
        '"nitrate"\nsummary', '"NO3"\nsummary'
    )
    found = mistakes(read, protocol=spoilt, tanks=CSV.replace("180.5", "big", 1))
    assert [sentence.split(":")[0] for sentence in found] == [
        "tanks.csv line 2, volume_L",
        "arms",
        'endpoints "nitrate-mean".variable',
    ]


# Two-sided exact tests: with five pairs or fewer none can reach 0.05, the smallest p being 0.0625; with six it
# is 0.03125 (any table of the signed-rank or sign test; from memory). Tea tasting, C(8, 4) = 70: Fisher 1935.
@pytest.mark.parametrize(
    ("groups", "p"),
    [
        ([(1, 1)] * 2, 0.5),
        ([(1, 1)] * 5, 0.0625),
        ([(1, 1)] * 6, 0.03125),
        ([(4, 4)], 2 / 70),
        ([(2, 3)], 1 / 10),
    ],
)
def test_smallest_p(groups, p):
    assert smallest_p(groups) == pytest.approx(p, rel=1e-15)


def test_the_smallest_trial_that_is_not_warned_of_has_six_pairs(read):
    def warned(pairs):
        rows = "\n".join(CSV.splitlines()[: 1 + 2 * pairs])
        return [warning for warning in read(tanks=rows).warnings if "randomisation test" in warning]

    assert warned(6) == []
    assert warned(5) == [
        (
            "With 5 blocks, the exact two-sided randomisation test of two arms cannot give a p below 0.0625, which is "
            "above alpha = 0.05; with one tank of each arm in a block, 6 blocks are the fewest that can."
        )
    ]
    assert "below 0.5," in warned(2)[0]


CROSSOVER = PROTOCOL.replace('kind = "blocks"', 'kind = "crossover"\nperiods = 2\nwashout_days = 56')
BEFORE_AFTER = PROTOCOL.replace('kind = "blocks"', 'kind = "before-after"').replace(
    'id = "baseline", days = 28', 'id = "baseline", days = 35'
)
PARALLEL = PROTOCOL.replace('kind = "blocks"', 'kind = "parallel"')
WARNINGS = {
    "too few in parallel": (
        PARALLEL,
        6,
        ("With 6 tanks, the exact two-sided randomisation test of two arms cannot give a p below 0.1, which is above "
        "alpha = 0.05; more tanks in each arm would mend that."),
    ),
    "not sampled": (
        PROTOCOL.replace('{ variable = "nitrate", every_days = 7 }, ', ""),
        12,
        "No sampling days are registered for nitrate, so missing days cannot be counted; add them to sampling.",
    ),
    "assessed too early": (
        PROTOCOL.replace('{ id = "ramp", days = 28 }', '{ id = "ramp", days = 14 }'),
        12,
        ("The phase assessment begins 14 days after the first dose, though bacteria take three to four weeks to "
        "settle on a polymer (common practice); a ramp of four weeks before it keeps them out of the comparison."),
    ),
    "no stop rule": (
        PROTOCOL[: PROTOCOL.index("[[stop_rules]]")],
        12,
        ("An arm doses carbon and no stop rule is written; a rule on phosphate and one on oxygen protect the animals, "
        "and a vet or another licensed person should see them."),
    ),
    "phosphate unseen": (
        PROTOCOL.replace(', { variable = "phosphate", every_days = 7 }', ""),
        12,
        ("Phosphate is not sampled: if it runs out, nitrate stops falling, and that could not be told from a "
        "treatment that does not work."),
    ),
    "washed out too briefly": (
        CROSSOVER.replace("washout_days = 56", "washout_days = 14"),
        12,
        ("The washout between periods has 14 days, though biofilm and bound phosphate outlast a treatment by some "
        "eight weeks (common practice); 56 days keep what one arm leaves behind from being counted for the next."),
    ),
    "not washed out at all": (
        CROSSOVER.replace("washout_days = 56", ""),
        12,
        ("The washout between periods has no days, though biofilm and bound phosphate outlast a treatment by some "
        "eight weeks (common practice); 56 days keep what one arm leaves behind from being counted for the next."),
    ),
    "few days before": (
        BEFORE_AFTER.replace('id = "baseline", days = 35', 'id = "baseline", days = 28'),
        12,
        ("The endpoint nitrate-mean has 4 sampling days in the baseline and 12 sampling days in the assessment; with "
        "fewer than 5 before or after, how much one day's reading leans on the last cannot be told, and that widens "
        "every interval."),
    ),
    "two systems": (
        BEFORE_AFTER,
        2,
        ("With 2 tanks, the exact two-sided randomisation test of two arms cannot give a p below 1, which is above "
        "alpha = 0.05; what is found will hold for these systems only."),
    ),
    "no seed": (
        PROTOCOL.replace('seed_from = "the balls drawn at the meeting of 4 April"\n', ""),
        12,
        "Neither seed_from nor seed is written, so the allocation will have to be recorded as made elsewhere.",
    ),
}  # fmt: skip


@pytest.mark.parametrize(("protocol", "tanks", "sentence"), WARNINGS.values(), ids=WARNINGS)
def test_warnings_do_not_stop_the_reading(read, protocol, tanks, sentence):
    assert read(protocol, "\n".join(CSV.splitlines()[: tanks + 1])).warnings == (sentence,)


@pytest.mark.parametrize("protocol", [CROSSOVER, BEFORE_AFTER], ids=["crossover", "before-after"])
def test_the_same_trial_done_well_is_not_warned_of(read, protocol):
    assert read(protocol).warnings == ()


def test_days_of_a_washout_phase_count_as_washout(read):
    phase = CROSSOVER.replace("washout_days = 56", "washout_days = 28").replace(
        '{ id = "assessment", days = 84 }', '{ id = "assessment", days = 84 }, { id = "washout", days = 28 }'
    )
    assert '"washout"' in phase
    assert read(phase).warnings == ()


def test_an_arm_without_carbon_is_not_warned_of_colonisation(read):
    plain = PROTOCOL.replace('carbon = { source = "phb" }\n', "").replace('{ id = "ramp", days = 28 }, ', "")
    assert read(plain[: plain.index("[[stop_rules]]")]).warnings == ()
