"""Each mistake in a protocol gives one sentence, however many there are, and none is in a library's words."""

from __future__ import annotations

import copy
import datetime as dt
import re

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from pydantic import ValidationError

from schemas.plain_words import counted, listed, nearest, quoted
from schemas.protocol import Protocol
from schemas.protocol_places import place
from schemas.protocol_rules import mistakes
from schemas.protocol_shape import _EXAMPLES, _TABLES, build

MISSING = "(taken out)"


def spoil(raw, path, value):
    """Set or remove one key; the path is ``endpoints.0.phase``."""
    *way, last = (int(part) if part.isdigit() else part for part in path.split("."))
    node = raw
    for part in way:
        node = node[part]
    if value is MISSING:
        del node[last]
    else:
        node[last] = value


def sentences(raw):
    return [str(mistake) for mistake in mistakes(raw)]


def test_a_sound_protocol_has_none(variant):
    assert mistakes(variant) == []
    assert isinstance(build(variant), Protocol)


# One edit of the sound protocol, and the one sentence that it earns.
ONE_MISTAKE = [
    # keys and types
    ("format", 2, "format: is 2; this version reads protocols with format = 1."),
    ("format", MISSING, "format: is missing; write format = 1."),
    ("trial.title", MISSING, 'trial.title: is missing; write title = "...".'),
    ("trial.title", "", 'trial.title: is empty; write title = "...".'),
    ("trial.title", 7, 'trial.title: is 7; write a text in quotes, e.g. title = "...".'),
    ("trial.id", "Quillmere 2026",
     ('trial.id: "Quillmere 2026" cannot be an id; use small letters and digits, with single hyphens between, '
     'e.g. "quillmere-2026".')),
    ("trial.alpha", 0.05, "trial.alpha: is not a key that is known here; it belongs in [analysis]."),
    ("endpoints.0.sumary", "mean",
     'endpoints "nitrate-mean".sumary: is not a key that is known here; the nearest is "summary".'),
    ("colour", "blue",
     ("colour: is not a key that is known here; the keys here are format, trial, arms, design, tanks, schedule, "
     "variables, kits, endpoints, analysis, planning, stop_rules and check_samples.")),
    ("arms", {"id": "control"}, "arms: is a table; write [[arms]], once for each arm."),
    ("trial", [1], 'trial: is a list; write a table, e.g. [trial] with id = "quillmere-2026" and title = "...".'),
    ("tanks.3.volume_L", "180", 'tanks "q02-a".volume_L: is "180"; write a number without quotes, e.g. volume_L = 180.'),
    ("tanks.3.volume_L", float("nan"), 'tanks "q02-a".volume_L: is nan; write a finite number, e.g. volume_L = 180.'),
    ("tanks.3.id", "q 02", 'tanks "q 02".id: "q 02" cannot be an id; use letters, digits, "-", "_" and "." only, e.g. "q-02".'),
    ("schedule.phases.1.days", True, 'schedule.phases "ramp".days: is true; write a whole number without quotes, e.g. days = 28.'),
    ("schedule.phases.1.days", 0, 'schedule.phases "ramp".days: is 0; write a number above 0, e.g. days = 28.'),
    ("schedule.start", "02/03/2026", 'schedule.start: "02/03/2026" is not a date; write year, month and day, e.g. start = 2026-03-02.'),
    ("schedule.start", dt.datetime(2026, 3, 2, 9, 30), "schedule.start: 2026-03-02 09:30:00 has a time of day; write the day alone: 2026-03-02."),  # noqa: DTZ001
    ("schedule.start", dt.date(206, 3, 2), "schedule.start: lies in the year 206; check the year."),
    ("analysis.alpha", 5, "analysis.alpha: is 5; write a number below 0.5, e.g. alpha = 0.05."),
    ("variables.0.hard", [0], 'variables "effort".hard: is not a pair ([0]); write two numbers, the lowest and the highest, e.g. hard = [0, 100].'),
    # arms, design, tanks
    ("arms.0.role", "contol", 'arms "control".role: "contol" is not a role of an arm; choose control, reference or test, of which control is the nearest.'),
    ("arms.0.role", "test",
     ("arms: has neither a control nor a reference; give the arm that the others are compared with "
     'role = "control" (untreated) or "reference".')),
    ("arms.2.id", "polymer-2", 'analysis.contrasts[2][2]: "liquid" is not an arm of this protocol; the arms are control, polymer and polymer-2.'),
    ("design.seed", "4 17",
     ("design.seed: stands beside seed_from; keep seed_from if the seed is drawn after the protocol is sealed, "
     "or seed if it is chosen now.")),
    ("design.kind", "block", 'design.kind: "block" is not a kind of design; choose parallel, blocks, incomplete-blocks, crossover or before-after, of which blocks is the nearest.'),
    ("tanks", [], "tanks: has no tanks; name every tank that takes part."),
    ("tanks.3.id", "q01-a", 'tanks[4].id: "q01-a" is the id of tank 1 already; give every tank an id of its own.'),
    ("tanks.3.id", "Q01-A", 'tanks "Q01-A".id: "Q01-A" differs from "q01-a" only in capital letters; give every tank an id of its own.'),
    ("tanks.3.block", MISSING, 'tanks "q02-a".block: is missing; a design in blocks needs the block of every tank.'),
    ("tanks.23", MISSING, 'tanks "q08-a".block: block "q08" has 2 tanks for 3 arms; every block needs a tank for each arm, unless kind = "incomplete-blocks".'),
    # schedule
    ("schedule.phases.0.id", "washout",
     ('endpoints "nitrate-mean".baseline: "adjust" needs a phase of the id "baseline", and there is none; add that '
     'phase before treatment begins, or use baseline = "none".'), "order"),
    ("schedule.phases", [], "schedule.phases: is empty; name the phases in order, such as baseline, ramp, assessment and washout."),
    ("endpoints.0.phase", "", 'endpoints "nitrate-mean".phase: is empty; write phase = "assessment".'),
    ("endpoints.0.phase", dt.date(2026, 3, 2), 'endpoints "nitrate-mean".phase: is 2026-03-02; write a text in quotes, e.g. phase = "assessment".'),
    ("schedule.phases.2.days", 36500, "schedule.phases: last 36556 days in all; check the lengths, which are in days."),
    ("schedule.phases.0.days", 0.5, 'schedule.phases "baseline".days: is 0.5; write a whole number without quotes, e.g. days = 28.'),
    ("schedule.sampling.1.variable", "NO2 ", 'schedule.sampling "NO2".variable: "NO2" is not a variable that is known; write "nitrite" if that is meant, or describe it under [[variables]].'),
    ("schedule.sampling.1.variable", "nitrate", 'schedule.sampling[2].variable: "nitrate" is the variable of entry 1 already; give every entry its own variable.'),
    ("schedule.sampling.0.every_days", 70,
     ('schedule.phases "assessment".days: 84 days hold 1 sampling day of nitrate, which is measured every 70 days, '
     "and the summary slope needs two; make the phase longer or sample more often.")),
    # variables, kits, stop rules
    ("variables.0.id", "nitrate", 'variables "nitrate".id: "nitrate" is built in, in mg/L; leave this table out, or give the variable another id.'),
    ("variables.0.hard", [100, 0], 'variables "effort".hard: the first bound (100) is not below the second (0); write the lowest and then the highest value.'),
    ("variables.0.soft", [0, 300], 'variables "effort".soft: 0 to 300 reaches outside the hard bounds, 0 to 100; soft bounds lie within the hard ones.'),
    ("variables.0.soft", [3, 3], 'variables "effort".soft: the first bound (3) is not below the second (3); write the lowest and then the highest value.'),
    ("kits.0.variable", "phosphat", 'kits "photometer".variable: "phosphat" is not a variable that is known; write "phosphate" if that is meant, or describe it under [[variables]].'),
    ("kits.0.unit", "dKH",
     ('kits "photometer".unit: phosphate is not measured in "dKH"; accepted: mg/L, mg/L as PO4, mg/L as P, '
     "mg/L as PO4-P, mg/L as P2O5 (ug/L, ppm or ppb in place of mg/L), umol/L, mmol/L or nmol/L.")),
    ("kits.0.limit", 65000, 'kits "photometer".limit: 65000 ppb P lies outside what phosphate can be (0 to 20 mg/L); write the lowest reading that the kit can show.'),
    ("kits.0.steps", [1, 5, 2], 'kits "photometer".steps: is not a row of two or more values that go up; write the values on the card from the lowest to the highest, e.g. steps = [1, 2, 5, 10, 25, 50].'),
    ("stop_rules.0.below", MISSING, "stop_rules[1]: has no threshold; write below or above with a number, e.g. below = 0.01."),
    ("stop_rules.0.above", 0.5, "stop_rules[1].above: stands beside below; write two rules, one for each direction."),
    ("stop_rules.0.below", 100, "stop_rules[1].below: 100 can never tell anything, for phosphate lies between 0 and 20 mg/L; check the unit."),
    ("stop_rules.0.variable", "unobtainium",
     ('stop_rules[1].variable: "unobtainium" is not a variable that is known; the built-in variables are effort, '
     "nitrate, nitrite, ammonia, phosphate, silicate, alkalinity, calcium, magnesium, salinity, temperature, ph, "
     "oxygen, oxygen-saturation, redox, doc, toc, volume and flow; describe any other under [[variables]].")),
    # endpoints
    ("endpoints", [], "endpoints: has no endpoint; write down what the trial asks, before it is measured."),
    ("endpoints.0.role", "secondary", 'endpoints: none is primary; give the endpoint that decides the question role = "primary".'),
    ("endpoints.1.id", "nitrate-mean", 'endpoints[2].id: "nitrate-mean" is the id of endpoint 1 already; give every endpoint an id of its own.'),
    ("endpoints.1.variable", "NO3", 'endpoints "nitrate-slope".variable: "NO3" is not a variable that is known; write "nitrate" if that is meant, or describe it under [[variables]].'),
    ("endpoints.0.phase", "asessment", 'endpoints "nitrate-mean".phase: "asessment" is not a phase of this protocol; the nearest is "assessment", and the phases are baseline, ramp and assessment.'),
    ("endpoints.0.phase", "ramp", 'endpoints "nitrate-mean".phase: "ramp" cannot answer a primary or secondary endpoint; name a later phase, for the ramp, while the treatment grows in, is not assessed.'),
    ("endpoints.1.phase", "baseline", 'endpoints "nitrate-slope".phase: "baseline" cannot answer a primary or secondary endpoint; name a later phase, for the baseline comes before any treatment.'),
    ("endpoints.0.variable", "effort", 'endpoints "nitrate-mean".scale: "ratio" does not fit effort, which can be 0; use scale = "difference", or a lower hard bound above 0 if it never gets there.'),
    ("endpoints.0.variable", "temperature", 'endpoints "nitrate-mean".scale: "ratio" means nothing for temperature, whose zero is only a convention; use scale = "difference".'),
    ("endpoints.0.summary", "slope", 'endpoints "nitrate-mean".scale: "ratio" does not fit a slope, which can be 0 or below; use scale = "difference", or the mean with baseline = "adjust".'),
    ("endpoints.0.worthwhile", MISSING, 'endpoints "nitrate-mean".worthwhile: is missing; write the smallest difference that would be worth having, before looking.'),
    ("endpoints.0.worthwhile", 80, 'endpoints "nitrate-mean".worthwhile: is 80, a rise, though lower is better; write a ratio below 1, such as 0.80 for 20 % lower.'),
    ("endpoints.0.worthwhile", -0.2, 'endpoints "nitrate-mean".worthwhile: is -0.2; write a ratio above 0, such as 0.80 for 20 % lower.'),
    ("endpoints.0.worthwhile", 1, 'endpoints "nitrate-mean".worthwhile: is 1, which is no difference; write a ratio, such as 0.80 for 20 % lower.'),
    ("endpoints.0.better", "higher", 'endpoints "nitrate-mean".worthwhile: is 0.8, a fall, though higher is better; write a ratio above 1, such as 1.25 for 25 % higher.'),
    ("endpoints.1.worthwhile", 0, 'endpoints "nitrate-slope".worthwhile: is 0; write the smallest difference that would be worth having, in the unit.'),
    ("endpoints.1.target", 5, 'endpoints "nitrate-slope".target: does not belong to the summary "slope"; leave it out; it is for "days-to-target" only.'),
    ("endpoints.1.held", 2, 'endpoints "nitrate-slope".held: does not belong to the summary "slope"; leave it out; it is for "days-to-target" only.'),
    ("endpoints.1.summary", "days-to-target", 'endpoints "nitrate-slope".target: is missing; write the value to be reached, in the variable\'s unit.'),
    ("endpoints.1.summary", "count",
     ('endpoints "nitrate-slope".variable: nitrate is measured in mg/L, and the summary "count" adds up whole numbers; '
     'name a variable with unit = "1", a lower hard bound of 0 or more, and whole steps.')),
    # analysis and planning
    ("analysis.multiplicity", "dunnett",
     ('analysis.multiplicity: "dunnett" compares every arm with one, and the contrasts compare with control and liquid; '
     'let all contrasts have one reference, or use "holm".')),
    ("analysis.imputations", 1, "analysis.imputations: is 1; write 2 or more, e.g. imputations = 50."),
    ("analysis.contrasts.0", ["polymr", "control"], 'analysis.contrasts[1][1]: "polymr" is not an arm of this protocol; the nearest is "polymer", and the arms are control, polymer and liquid.'),
    ("analysis.contrasts.0", ["liquid", "liquid"], 'analysis.contrasts[1]: compares "liquid" with itself; name two arms.'),
    ("analysis.contrasts.0", ["liquid", "polymer"], "analysis.contrasts[2]: compares polymer with liquid a second time; leave it out."),
    ("analysis.contrasts.0", ["liquid"], 'analysis.contrasts[1]: is not a pair (["liquid"]); write two arms, the one tested and the one it is compared with, e.g. contrasts = [["polymer", "control"]].'),
    ("planning.effect", -1, "planning.effect: is -1; write a ratio above 0, as the endpoint's scale is."),
    ("planning.cost_kit_test", 0, "planning.cost_kit_test: is 0; write a number above 0, e.g. cost_kit_test = 0.80."),
    ("planning.cost_tank_week", -3, "planning.cost_tank_week: is -3; write a number above 0, e.g. cost_tank_week = 3."),
    ("planning.cost_hour", "12", 'planning.cost_hour: is "12"; write a number without quotes, e.g. cost_hour = 12.'),
    ("planning.cost_hours", 12, 'planning.cost_hours: is not a key that is known here; the nearest is "cost_hour".'),
    ("planning.minutes_per_sampling", 0, "planning.minutes_per_sampling: is 0; write a number above 0, e.g. minutes_per_sampling = 20."),
    ("planning.wished_power", 80, "planning.wished_power: is 80; write a number below 1, e.g. wished_power = 0.80."),
    ("planning.wished_power", 0, "planning.wished_power: is 0; write a number above 0, e.g. wished_power = 0.80."),
]  # fmt: skip


@pytest.mark.parametrize("case", ONE_MISTAKE, ids=lambda case: f"{case[0]}={case[1]!r:.30}")
def test_one_mistake_gives_one_sentence(raw, case):
    path, value, expected, *exceptions = case
    spoil(raw, path, value)
    found = sentences(raw)
    assert expected in found
    if not exceptions:
        assert found == [expected]


def test_more_rules_that_need_more_than_one_edit(raw):
    cases = [
        (
            {"arms": raw["arms"][:1], "analysis": {}},
            ["arms: has 1 arm; a comparison needs two arms or more."],
        ),
        (
            {"design": {"kind": "parallel"}, "tanks": raw["tanks"][:5]},
            [
                (
                    "tanks: has 5 tanks for 3 arms; each arm needs at least two tanks, since one tank shows no spread, "
                    "so 6 in all."
                )
            ],
        ),
        (
            {"tanks": [{"id": f"t{n}"} for n in range(9)]},
            ["tanks: no tank names its block; write the block of each tank, or design kind = parallel."],
        ),
        (
            {"tanks": raw["tanks"][:3]},
            [
                (
                    'tanks: all stand in one block ("q01"); a design in blocks needs two blocks or more, since one block '
                    "shows no spread."
                )
            ],
        ),
        (
            {"tanks": raw["tanks"] + [{"id": f"x{n}", "block": "Q01"} for n in range(3)]},
            ['tanks "x0".block: "q01" and "Q01" differ only in capital letters; write one block in one way.'],
        ),
        (
            {"schedule": raw["schedule"] | {"phases": [raw["schedule"]["phases"][n] for n in (0, 2, 1)]}},
            [
                (
                    'schedule.phases "ramp".id: "ramp" comes after "assessment"; the order is baseline, ramp, assessment '
                    "and washout."
                )
            ],
        ),
        (
            {
                "endpoints": [
                    raw["endpoints"][0] | {"summary": "change", "baseline": "change", "scale": "difference"}
                ]
            },
            [
                (
                    'endpoints "nitrate-mean".baseline: "change" is asked for twice, by the summary as well; use '
                    'summary = "mean" for the change from the baseline, or baseline = "adjust".'
                )
            ],
        ),
        (
            {
                "endpoints": [
                    raw["endpoints"][0],
                    raw["endpoints"][1] | {"better": "higher", "worthwhile": -2},
                ]
            },
            [
                (
                    'endpoints "nitrate-slope".worthwhile: is -2, a fall, though higher is better; write it without sign, '
                    "or mend better."
                )
            ],
        ),
        (
            {
                "endpoints": [
                    raw["endpoints"][0],
                    raw["endpoints"][1] | {"role": "safety", "phase": "baseline", "baseline": "adjust"},
                ]
            },
            [
                (
                    'endpoints "nitrate-slope".baseline: "adjust" would hold the baseline against itself; use '
                    'baseline = "none".'
                )
            ],
        ),
    ]
    for sections, expected in cases:
        assert sentences(raw | sections) == expected


ALLOWED = [
    ("schedule.start", "2026-03-02"),
    ("schedule.phases.0.days", 28.0),
    ("endpoints.1.worthwhile", -2),
    ("endpoints.1.worthwhile", 2),
    ("endpoints.1.role", "safety"),
    ("design.seed_from", MISSING),
    ("analysis.contrasts", MISSING),
    ("planning", MISSING),
    ("planning.cost_kit_test", 0.8),
    ("planning.cost_tank_week", 3),
    ("planning.cost_hour", 12),
    ("planning.minutes_per_sampling", 7.5),
    ("planning.wished_power", 0.9),
    ("kits.0.unit", MISSING),
    ("schedule.sampling", MISSING),
    ("tanks.0.id", 7),
]


@pytest.mark.parametrize(("path", "value"), ALLOWED, ids=str)
def test_what_is_not_a_mistake(raw, path, value):
    spoil(raw, path, value)
    if path == "kits.0.unit":
        spoil(raw, "kits.0.limit", 0.02)
    assert sentences(raw) == []
    assert isinstance(build(raw), Protocol)


def test_five_mistakes_give_five_sentences_in_the_order_of_the_file(raw):
    spoil(raw, "trial.titel", raw["trial"].pop("title"))
    spoil(raw, "arms.0.role", "test")
    spoil(raw, "tanks.23", MISSING)
    spoil(raw, "schedule.start", "2 March 2026")
    spoil(raw, "endpoints.0.phase", "asessment")
    assert sentences(raw) == [
        'trial.titel: is not a key that is known here; the nearest is "title".',
        (
            "arms: has neither a control nor a reference; give the arm that the others are compared with "
            'role = "control" (untreated) or "reference".'
        ),
        'tanks "q08-a".block: block "q08" has 2 tanks for 3 arms; every block needs a tank for each arm, unless kind = "incomplete-blocks".',
        'schedule.start: "2 March 2026" is not a date; write year, month and day, e.g. start = 2026-03-02.',
        (
            'endpoints "nitrate-mean".phase: "asessment" is not a phase of this protocol; the nearest is "assessment", '
            "and the phases are baseline, ramp and assessment."
        ),
    ]


def test_an_empty_protocol_lacks_each_section_once():
    found = sentences({})
    assert [sentence.split(":")[0] for sentence in found] == [
        "format", "trial", "arms", "design", "tanks", "schedule", "endpoints",
    ]  # fmt: skip
    assert all("is missing; write" in sentence for sentence in found)


def test_tanks_of_a_file_are_placed_by_its_lines(raw):
    spoil(raw, "tanks.3.id", "q 02")
    places = [f"tanks.csv line {n}" for n in range(2, 26)]
    assert [mistake.place for mistake in mistakes(raw, tank_places=places)] == ["tanks.csv line 5, id"]


@pytest.mark.parametrize(("table", "model"), _TABLES.items())
def test_every_key_has_an_example(table, model):
    prefix = f"{table}." if table else ""
    plain = {"title", "question", "lead", "note"}
    assert not {key for key in model.model_fields if f"{prefix}{key}" not in _EXAMPLES and key not in plain}


def paths_of(node, path=()):
    """Every place in the sound protocol."""
    yield path
    items = node.items() if isinstance(node, dict) else enumerate(node) if isinstance(node, list) else ()
    for key, value in items:
        yield from paths_of(value, (*path, key))


NASTY = st.one_of(
    st.none().map(lambda _: MISSING),
    st.booleans(),
    st.integers(),
    st.floats(),
    st.text(max_size=8),
    st.dates(),
    st.datetimes(),
    st.times(),
    st.lists(
        st.one_of(st.integers(-2, 2), st.text(max_size=3), st.lists(st.text(max_size=2), max_size=2)),
        max_size=3,
    ),
    st.dictionaries(st.sampled_from(["id", "role", "variable", "days", "x"]), st.integers(-2, 2), max_size=3),
    st.sampled_from(
        [
            "control",
            "test",
            "baseline",
            "ramp",
            "nitrate",
            "ratio",
            "change",
            "effort",
            "slope",
            "q01",
            "parallel",
            "incomplete-blocks",
            "crossover",
            "before-after",
            "days-to-target",
            "count",
            "own",
        ]
    ),
)
JARGON = re.compile(r"[Ii]nput|valid|pydantic|string|integer|Extra|type=|dict|None|\bint\b|\bbool")


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.data())
def test_any_spoilt_protocol_is_told_in_plain_words(variant, data):
    """Whatever stands where: no crash, no library's words, each place told once, and silence only for a sound one."""
    spoilt = copy.deepcopy(variant)
    for _ in range(data.draw(st.integers(1, 3))):
        path = data.draw(st.sampled_from([path for path in paths_of(spoilt) if path]))
        node = spoilt
        for part in path[:-1]:
            node = node[part]
        value = data.draw(NASTY)
        if value is not MISSING:
            node[path[-1]] = value
        elif isinstance(node, dict):
            del node[path[-1]]
    found = mistakes(spoilt)
    assert len({(mistake.place, mistake.found) for mistake in found}) == len(found)
    for mistake in found:
        words = re.sub(r'"[^"]*"', "", f"{mistake.found}; {mistake.remedy}")
        assert not JARGON.search(words), str(mistake)
        assert str(mistake).isprintable()
    try:
        build(spoilt)
    except ValidationError:
        assert found


def test_phrases():
    assert quoted("x" * 80) == f'"{"x" * 60}..."'
    assert quoted({"a": 1}) == "a table"
    assert listed(["a"]) == "a"
    assert counted(1, "tank") == "1 tank"
    assert nearest("Polymr", ["control", "polymer"]) == "polymer"
    assert nearest("wombat", ["control", "polymer"]) is None
    assert place(("arms", 1, "id"), {"arms": [{"id": "a"}, {"id": "a"}]}) == "arms[2].id"
    assert place((), {}) == "the protocol"
