"""What each design asks of its blocks, periods, phases and analysis: one sentence a mistake."""

from __future__ import annotations

import datetime as dt

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from schemas.protocol_rules import mistakes


def tanks(sizes):
    """Tanks in blocks of the sizes given."""
    return [
        {"id": f"b{block}-{n}", "block": f"b{block}"}
        for block, size in enumerate(sizes, 1)
        for n in range(size)
    ]


def told(raw, **sections):
    """The mistakes of the sound protocol with keys of its sections replaced, or whole lists."""
    spoilt = dict(raw)
    for name, section in sections.items():
        spoilt[name] = raw[name] | section if isinstance(section, dict) and name == "schedule" else section
    return [str(mistake) for mistake in mistakes(spoilt)]


CROSS = {"kind": "crossover", "seed": "reef", "periods": 2}
INCOMPLETE = {"kind": "incomplete-blocks", "seed": "reef"}
BEFORE = {"kind": "before-after"}
BASELINE = [{"id": "ramp", "days": 28}, {"id": "assessment", "days": 84}]
SPREAD = "leave no spread to judge a difference by"
BEFORE_AFTER = {"kind": "before-after"}
CASES = [
    # incomplete blocks
    ({"design": INCOMPLETE}, ['design.kind: every block has 3 tanks or more, one for each arm; write kind = "blocks".']),
    ({"design": INCOMPLETE, "tanks": tanks([2, 1, 2, 2])},
     ['tanks "b2-0".block: block "b2" has 1 tank; every block needs two tanks or more, since a tank alone is compared with nothing.']),
    ({"design": INCOMPLETE, "tanks": tanks([2, 2])}, [f"tanks: 4 in 2 blocks for 3 arms {SPREAD}; add blocks or tanks."]),
    ({"design": INCOMPLETE, "tanks": tanks([2])},
     ['tanks: all stand in one block ("b1"); a design in blocks needs two blocks or more, since one block shows no spread.',
      "tanks: stand in 1 block, which join 2 arms of 3 at most; every arm has to be compared with every other, if only through a third; add blocks or tanks."]),
    ({"design": INCOMPLETE, "tanks": [{"id": "a"}, {"id": "b"}]},
     ["tanks: no tank names its block; write the block of each tank, or design kind = parallel."]),
    ({"design": INCOMPLETE, "tanks": tanks([2, 2, 2]), "analysis": {"variance": "own"}},
     ['analysis.variance: "own" takes the error from pairs, and a design of kind "incomplete-blocks" is not made of them; leave it out, or write variance = "pooled".']),
    # crossover
    ({"design": {"kind": "crossover"}}, ["design.periods: is missing; write how many periods every tank goes through, e.g. periods = 2."]),
    ({"design": CROSS | {"periods": 1}}, ["design.periods: is 1; write 2 or more, e.g. periods = 2."]),
    ({"design": CROSS | {"washout_days": -7}}, ["design.washout_days: is -7; write 0 or more, e.g. washout_days = 56."]),
    ({"design": CROSS | {"periods": 100, "washout_days": 3000}},
     ["design.periods: 100 periods last 311000 days in all; check their number and the lengths, which are in days."]),
    ({"design": CROSS, "tanks": tanks([3])}, [f"tanks: 3 for 2 periods and 3 arms {SPREAD}; 4 are the fewest that do."]),
    ({"design": CROSS, "tanks": tanks([2, 2]), "schedule": {"starts": {"b2": "2026-03-09"}}},
     [f"tanks: 4 in 2 cohorts for 2 periods and 3 arms {SPREAD}; 5 are the fewest that do."]),
    ({"design": CROSS, "tanks": [*tanks([2, 2]), {"id": "x"}]},
     ['tanks "x".block: is missing; a crossover needs the block (cohort) of every tank, or of none.']),
    ({"design": CROSS, "analysis": {"variance": "own"}},
     ['analysis.variance: "own" takes the error from pairs, and a design of kind "crossover" is not made of them; leave it out, or write variance = "pooled".']),
    # the first days of cohorts
    ({"design": CROSS, "schedule": {"starts": {"q01": dt.date(2026, 3, 1)}}},
     ["schedule.starts.q01: 2026-03-01 lies before start, 2026-03-02; let start be the day of the earliest cohort."]),
    ({"design": CROSS, "schedule": {"starts": {"q1": dt.date(2026, 3, 9)}}},
     ['schedule.starts.q1: "q1" is not a block of this protocol; the nearest is "q01", and the blocks are q01, q02, q03, q04, q05, q06, q07 and q08.']),
    ({"design": CROSS, "schedule": {"starts": {"q 1": 4}}},
     ['schedule.starts.q 1: "q 1" is not a block of this protocol; the nearest is "q01", and the blocks are q01, q02, q03, q04, q05, q06, q07 and q08.']),
    ({"design": CROSS, "schedule": {"starts": {"q02": "soon"}}},
     ['schedule.starts.q02: "soon" is not a date; write year, month and day, e.g. starts = { cohort-b = 2026-04-13 }.']),
    ({"design": CROSS, "schedule": {"starts": {"q02": dt.datetime(2026, 4, 1, 8)}}},  # noqa: DTZ001
     ["schedule.starts.q02: 2026-04-01 08:00:00 has a time of day; write the day alone: 2026-04-01."]),
    ({"design": CROSS, "schedule": {"starts": {"q02": dt.date(2226, 4, 1)}}}, ["schedule.starts.q02: lies in the year 2226; check the year."]),
    ({"design": CROSS, "schedule": {"starts": [4]}}, ["schedule.starts: is a list; write a table, e.g. starts = { cohort-b = 2026-04-13 }."]),
    ({"design": CROSS, "schedule": {"starts": {"a": "2026-03-09"}}, "tanks": [{"id": f"t{n}"} for n in range(6)]},
     ["schedule.starts: names cohorts, and no tank names its block; write the block (cohort) of each tank, or leave starts out."]),
    # keys of a crossover elsewhere
    ({"design": {"kind": "blocks", "periods": 2}}, ['design.periods: does not belong to a design of kind "blocks"; leave it out; it is for "crossover" only.']),
    ({"design": {"kind": "parallel", "washout_days": 0}}, ['design.washout_days: does not belong to a design of kind "parallel"; leave it out; it is for "crossover" only.']),
    ({"schedule": {"starts": {"q02": "2026-03-09"}}}, ['schedule.starts: does not belong to a design of kind "blocks"; leave it out; it is for "crossover" only.']),
    # before-after
    ({"design": BEFORE, "schedule": {"phases": BASELINE}, "endpoints": "without baseline"},
     ['schedule.phases: has no phase of the id "baseline"; a before-after design needs the days before the change as a phase of that id.']),
    ({"design": BEFORE, "arms": "without a test"}, ['arms: has no arm that is changed; give the arm whose tanks are changed role = "test".']),
    ({"design": BEFORE, "tanks": tanks([2])}, ["tanks: has 2 tanks for 3 arms; a before-after design needs a tank that is changed and one beside it that is not."]),
    ({"design": BEFORE, "schedule": {"sampling": [{"variable": "nitrate", "every_days": 28}]}},
     ['schedule.phases "baseline".days: 28 days hold 1 sampling day of nitrate, which is measured every 28 days, and a series before and after needs two of each; make the phase longer or sample more often.']),
    # what an analysis has no use for
    ({"design": CROSS, "analysis": {"imputations": 20}},
     ['analysis.imputations: does not belong to a design of kind "crossover", whose missing days are not filled in; leave it out; it is for "parallel", "blocks" or "incomplete-blocks" only.']),
    ({"design": BEFORE, "analysis": {"multiplicity": "dunnett"}},
     ['analysis.multiplicity: "dunnett" rests on one model of all arms, which a design of kind "before-after" has not; use "holm".']),
    # balance
    ({"design": INCOMPLETE | {"balance": {"variable": "nitrate", "max_gap": 2}}, "tanks": tanks([2, 2, 2])},
     ['design.balance: does not belong to a design of kind "incomplete-blocks"; leave it out; it is for "parallel" or "blocks" only.']),
    ({"design": {"kind": "blocks", "balance": {"variable": "NO3", "max_gap": 2}}},
     ['design.balance.variable: "NO3" is not a variable that is known; write "nitrate" if that is meant, or describe it under [[variables]].']),
    ({"design": {"kind": "blocks", "balance": {"variable": "calcium", "max_gap": 2}}},
     ['design.balance.variable: "calcium" is not sampled in the baseline; the draw is held against its baseline readings, so give it sampling days there.']),
    ({"design": {"kind": "blocks", "balance": {"variable": "nitrate", "max_gap": 0}}}, ["design.balance.max_gap: is 0; write a number above 0, e.g. max_gap = 2.0."]),
    ({"design": {"kind": "blocks", "balance": {"variable": "nitrate"}}}, ["design.balance.max_gap: is missing; write max_gap = 2.0."]),
    ({"design": {"kind": "blocks", "balance": 2}}, ['design.balance: is 2; write a table, e.g. balance = { variable = "nitrate", max_gap = 2.0 }.']),
    ({"design": {"kind": "blocks", "balance": {"variable": "nitrate", "max_gap": 2}}, "schedule": {"phases": BASELINE}, "endpoints": "without baseline"},
     ['design.balance: needs a phase of the id "baseline", and there is none; add that phase before treatment begins, or leave balance out.']),
]  # fmt: skip


@pytest.mark.parametrize(("sections", "expected"), CASES, ids=lambda case: str(case)[:60])
def test_what_a_design_asks(raw, sections, expected):
    sections = dict(sections)
    if sections.get("endpoints") == "without baseline" or sections.get("design") == BEFORE_AFTER:
        sections["endpoints"] = [raw["endpoints"][0] | {"baseline": "none"}]
    if sections.get("arms") == "without a test":
        sections["arms"] = [arm | {"role": "reference"} for arm in raw["arms"]]
    assert told(raw, **sections) == expected


def test_the_smallest_that_pass(raw):
    assert told(raw, design=INCOMPLETE, tanks=tanks([2, 2, 2])) == []
    assert told(raw, design=INCOMPLETE, tanks=tanks([3, 2])) == []
    assert told(raw, design=CROSS, tanks=tanks([4])) == []


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(sizes=st.lists(st.integers(2, 5), min_size=2, max_size=4), arms=st.integers(3, 9))
def test_incomplete_blocks_pass_where_some_sharing_out_joins_all_arms(raw, sizes, arms):
    """Against the rank of the model: in the sharing out that joins most, a block begins with the last arm reached."""
    rows, reached = [], 0
    for block, size in enumerate(sizes):
        taken = [min(reached + n, arms - 1) for n in range(size)]
        rows += [np.r_[np.eye(len(sizes))[block], np.eye(arms)[arm]] for arm in taken]
        reached = taken[-1]
    rank = np.linalg.matrix_rank(np.array(rows))
    judged = rank == len(sizes) + arms - 1 and len(rows) > rank
    names = [f"arm-{n}" for n in range(arms)]
    found = told(
        raw,
        design=INCOMPLETE,
        tanks=tanks(sizes),
        arms=[
            {"id": name, "role": "control" if name == "arm-0" else "test", "title": name} for name in names
        ],
        analysis={},
    )
    if all(size >= arms for size in sizes):
        assert found == [
            f'design.kind: every block has {arms} tanks or more, one for each arm; write kind = "blocks".'
        ]
    else:
        assert (found == []) == judged


ENDPOINTS = [
    ({"summary": "days-to-target", "target": 5, "scale": "ratio"}, 'scale: "ratio" does not fit days-to-target, which is compared in days; use scale = "difference".'),
    ({"summary": "days-to-target", "target": 5, "baseline": "adjust"}, 'baseline: "adjust" does not fit the summary "days-to-target"; use baseline = "none".'),
    ({"summary": "count", "variable": "effort", "baseline": "change", "scale": "ratio", "worthwhile": 0.8}, 'baseline: "change" does not fit the summary "count"; use baseline = "none".'),
    ({"summary": "days-to-target", "target": 2000}, "target: 2000 can never tell anything, for nitrate lies between 0 and 1000 mg/L; check the unit, and that better is the right way round."),
    ({"summary": "days-to-target", "target": 0, "better": "higher"}, "target: 0 can never tell anything, for nitrate lies between 0 and 1000 mg/L; check the unit, and that better is the right way round."),
    ({"summary": "days-to-target", "target": 5, "held": 0}, "held: is 0; write 1 or more, e.g. held = 2."),
]  # fmt: skip


@pytest.mark.parametrize(("keys", "sentence"), ENDPOINTS, ids=lambda case: str(case)[:60])
def test_what_an_endpoint_of_its_own_kind_asks(raw, keys, sentence):
    endpoints = [raw["endpoints"][0], raw["endpoints"][1] | keys]
    assert told(raw, endpoints=endpoints) == [f'endpoints "nitrate-slope".{sentence}']


def test_a_target_has_to_be_held_on_days_that_there_are(raw):
    endpoints = [
        raw["endpoints"][0],
        raw["endpoints"][1] | {"summary": "days-to-target", "target": 5, "held": 13},
    ]
    assert told(raw, endpoints=endpoints) == [
        (
            'schedule.phases "assessment".days: 84 days hold 12 sampling days of nitrate, which is measured every 7 days, '
            "and the target has to be met on 13 in a row; make the phase longer or sample more often."
        )
    ]
    endpoints[1]["held"] = 12
    assert told(raw, endpoints=endpoints) == []


COUNT_AS_DIFFERENCE = (
    'endpoints "nitrate-slope".scale: "difference" does not fit the summary "count", whose rates are compared as a ratio; '
    'write scale = "ratio", with worthwhile as a ratio of rates.'
)
COUNTED = [
    ({"unit": "1", "hard": [0, 50]}, None),
    ({"unit": "1", "hard": [0, 50], "resolution": 1}, None),
    ({"unit": "1", "hard": [0, 50], "resolution": 0.5}, "losses is read in steps of 0.5"),
    ({"unit": "1", "hard": [-3, 50]}, "losses can be -3"),
    ({"unit": "mm", "hard": [0, 50]}, "losses is measured in mm"),
]


@pytest.mark.parametrize(("variable", "found"), COUNTED)
@pytest.mark.parametrize("scale", ["difference", "ratio"])
def test_a_count_adds_up_whole_numbers(raw, variable, found, scale):
    endpoint = raw["endpoints"][1] | {
        "variable": "losses",
        "summary": "count",
        "scale": scale,
        "worthwhile": 0.8,
    }
    sentences = told(raw, variables=[{"id": "losses"} | variable], endpoints=[raw["endpoints"][0], endpoint])
    assert sentences == (
        [
            (
                f'endpoints "nitrate-slope".variable: {found}, and the summary "count" adds up whole numbers; name a variable '
                'with unit = "1", a lower hard bound of 0 or more, and whole steps.'
            )
        ]
        if found
        else [COUNT_AS_DIFFERENCE]
        if scale == "difference"
        else []
    )


def test_a_count_left_at_the_default_scale_is_refused(raw):
    """The default is a difference, and a ratio of rates read against one would give the wrong conclusion."""
    endpoint = raw["endpoints"][1] | {"variable": "effort", "summary": "count"}
    endpoint.pop("scale", None)
    assert told(raw, endpoints=[raw["endpoints"][0], endpoint]) == [COUNT_AS_DIFFERENCE]


CROSSOVER = {"kind": "crossover", "seed": "reef", "periods": 3, "washout_days": 56}
MISFITS = [
    (BEFORE_AFTER, {"summary": "slope"},
     'summary: "slope" does not fit a design of kind "before-after", which compares days after with days before; use summary = "mean".'),
    (BEFORE_AFTER, {"summary": "count", "variable": "effort", "scale": "ratio", "worthwhile": 0.8},
     'summary: "count" does not fit a design of kind "before-after", which compares days after with days before; use summary = "mean".'),
    (BEFORE_AFTER, {"summary": "mean", "baseline": "adjust"},
     'baseline: "adjust" does not fit a design of kind "before-after", which is itself a change from the baseline; use baseline = "change".'),
    (CROSSOVER, {"summary": "count", "variable": "effort", "scale": "ratio", "worthwhile": 0.8},
     'summary: "count" does not fit a design of kind "crossover", where a tank has one number a period; use summary = "mean", or a design in blocks.'),
    (CROSSOVER, {"summary": "days-to-target", "target": 5},
     'summary: "days-to-target" does not fit a design of kind "crossover", where a tank has one number a period; use summary = "mean", or a design in blocks.'),
]  # fmt: skip


@pytest.mark.parametrize(("design", "keys", "sentence"), MISFITS)
def test_no_endpoint_is_analysed_as_another(raw, design, keys, sentence):
    """Each of these was once analysed as something else than its protocol said, in silence."""
    sound = raw["endpoints"][0] | {"baseline": "none"}
    endpoint = raw["endpoints"][1] | keys
    assert told(raw, design=design, endpoints=[sound]) == []
    assert told(raw, design=design, endpoints=[sound, endpoint]) == [f'endpoints "nitrate-slope".{sentence}']


def test_dunnett_is_for_estimates_against_one_arm(raw):
    counts = raw["endpoints"][0] | {"variable": "effort", "summary": "count", "baseline": "none"}
    one = [["polymer", "control"], ["liquid", "control"]]
    assert told(raw, analysis={"multiplicity": "dunnett", "contrasts": one}) == []
    assert told(raw, analysis={"multiplicity": "dunnett"}) == []
    assert told(raw, analysis={"multiplicity": "dunnett"}, endpoints=[counts]) == [
        (
            'analysis.multiplicity: "dunnett" rests on the t distribution, which a primary endpoint with the summary "count" '
            'has no use for; use "holm".'
        )
    ]
