"""Planning from a protocol: layouts as the draw makes them, assumptions marked, warnings each for its own reason."""

import datetime as dt
import math
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace

import pytest

from analysis.arm_doses import arm_doses
from analysis.power import power
from analysis.precision import before_after, complete_blocks, precision
from schemas.errors import AnalysisError, FairtankError, UsageError
from schemas.protocol import Protocol
from schemas.vocabulary import Baseline, Multiplicity, Variance
from trials.draft_wishes import Wishes
from trials.drafting import checked, draft
from trials.planning import MEMORY, layout_of, plan
from trials.planning_search import Wishes as SearchWishes
from trials.planning_search import search, space_of
from trials.planning_trials import arm_effects, simulate_plain, simulate_tanks, tank_material
from trials.planning_warnings import Start, planning_warnings
from trials.planning_words import headline
from trials.spreading import spreading

START = dt.date(2026, 3, 2)


@pytest.fixture(scope="module")
def drafted():
    """The protocol of a draft with twelve blocks of three."""
    return checked(draft(Wishes("club", "A trial", START))).protocol


def changed(protocol, **parts):
    """A protocol with some parts in another form."""
    return Protocol.model_validate(protocol.model_dump(mode="json", exclude_none=True) | parts)


def with_endpoint(protocol, **parts):
    """The protocol with its first endpoint changed."""
    first = protocol.endpoints[0].model_dump(mode="json", exclude_none=True) | parts
    rest = [e.model_dump(mode="json", exclude_none=True) for e in protocol.endpoints[1:]]
    return changed(protocol, endpoints=[first, *rest])


def doses(protocol, **full):
    """The protocol with other full doses, by arm."""
    arms = []
    for arm in protocol.model_dump(mode="json", exclude_none=True)["arms"]:
        if arm["id"] in full:
            arm["carbon"]["full_dose"] = full[arm["id"]]
        arms.append(arm)
    return changed(protocol, arms=arms)


def test_power_of_blocks_is_that_of_the_formula(drafted):
    planned = plan(drafted)[0]
    known = precision(
        complete_blocks(("control", "polymer", "liquid"), 12),
        "polymer",
        "control",
        0.35,
        variance=Variance.OWN,
        baseline=Baseline.ADJUST,
    )
    first = planned.contrasts[0]
    assert first.power == pytest.approx(power(math.log(0.6), known, 0.05 / 3))
    assert first.power_alone == pytest.approx(power(math.log(0.6), known))
    assert first.power_worthwhile == pytest.approx(power(math.log(0.8), known, 0.05 / 3))
    assert first.smallest_p == 2 / 2**12
    assert power(first.detectable, known, 0.05 / 3) == pytest.approx(0.8)


def test_the_baseline_pays_only_where_it_is_known_to(drafted):
    plain, gained = (plan(drafted, correlation=r)[0].contrasts[0].power for r in (None, 0.8))
    assert gained > plain + 0.1
    change = with_endpoint(drafted, baseline="change")
    as_stated, raw = (plan(change, correlation=r)[0].contrasts[0].power for r in (None, 0.5))
    # With a correlation of 0.5 a change varies as much as the raw number.
    assert as_stated == pytest.approx(raw)


def tanks(*blocks):
    """Tanks of blocks of these sizes."""
    return [{"id": f"b{b}-{t}", "block": f"b{b}"} for b, size in enumerate(blocks) for t in range(size)]


DESIGNS = {
    "parallel": ({"kind": "parallel", "seed": "s"}, tanks(11), [[4, 4, 3]]),
    "uneven blocks": ({"kind": "blocks", "seed": "s"}, tanks(3, 4, 6), [[1, 1, 1], [2, 1, 1], [2, 2, 2]]),
    "incomplete": ({"kind": "incomplete-blocks", "seed": "s"}, tanks(2, 2, 2), None),
    "crossover": ({"kind": "crossover", "seed": "s", "periods": 3}, tanks(6), [[1, 1, 1]] * 6),
}


@pytest.mark.parametrize(("design", "members", "counts"), DESIGNS.values(), ids=DESIGNS)
def test_layout_is_what_the_draw_gives(drafted, design, members, counts):
    protocol = changed(drafted, design=design, tanks=members)
    got = layout_of(protocol).counts()
    if counts is None:
        # Three pairs of arms, each in one block of two.
        assert sorted(map(tuple, got.tolist())) == [(0, 1, 1), (1, 0, 1), (1, 1, 0)]
    else:
        assert got.tolist() == counts
    assert all(0 < one.smallest_p <= 1 for one in plan(protocol)[0].contrasts)


def test_a_before_after_series_is_planned_on_its_days(drafted):
    base = drafted.model_dump(mode="json", exclude_none=True)
    protocol = with_endpoint(
        changed(
            drafted,
            arms=base["arms"][:2],
            design={"kind": "before-after", "seed": "s"},
            tanks=[{"id": "a"}, {"id": "b"}],
            analysis={"contrasts": [["polymer", "control"]]},
        ),
        baseline="none",
    )
    got = plan(protocol)[0].contrasts[0]
    known = before_after(range(0, 28, 7), range(56, 140, 7), 0.35, MEMORY)
    assert got.power_alone == pytest.approx(power(math.log(0.6), known))
    assert got.smallest_p == 1
    assert "never within" in headline(protocol, plan(protocol), 0.8)[2]
    with pytest.raises(UsageError, match="--lost counts tanks"):
        simulate_plain(protocol, protocol.endpoints[0], trials=10, seed=1, lost=0.1)
    with pytest.raises(AnalysisError, match="not a series of one"):
        tank_material(protocol, protocol.endpoints[0])


def test_too_few_tanks_have_no_power(drafted):
    protocol = changed(drafted, tanks=tanks(3, 3))
    got = plan(protocol)[0].contrasts[0]
    assert (got.power, got.half_width) == (0.0, None)
    assert headline(protocol, plan(protocol), 0.8)[0].startswith("Worth starting: no")


def test_a_power_that_cannot_be_wished_for_is_refused(drafted):
    for wanted in (0.01, 1.0):
        with pytest.raises(UsageError):
            plan(drafted, wanted=wanted)
    with pytest.raises(UsageError):
        plan(drafted, correlation=1.0)


def test_two_treatments_are_tried_by_themselves(drafted):
    assert arm_effects(drafted, -0.5) == [
        ((0.0, -0.5, -0.5), (("polymer", "control"), ("liquid", "control"))),
        ((0.0, -0.5, 0.0), (("polymer", "liquid"),)),
    ]


def test_formula_lies_below_holm_by_simulation_and_above_none(drafted):
    got = simulate_plain(drafted, drafted.endpoints[0], trials=4000, seed=3)
    planned = plan(drafted)[0].contrasts
    for drawn, formula in zip(got.contrasts, planned, strict=True):
        assert abs(drawn.power_alone.value - formula.power_alone) < 4 * drawn.power_alone.se
        assert drawn.power.value > formula.power - 4 * drawn.power.se


def test_doses_are_read_as_carbon(drafted):
    got, unread = arm_doses(drafted)
    assert unread == ()
    control, polymer, liquid = got
    assert (control.carbon, control.oxygen) == (0, 0)
    assert polymer.carbon == pytest.approx(0.7, rel=0.005)
    assert liquid.carbon == pytest.approx(0.7, rel=0.005)
    assert polymer.pellets == pytest.approx(358)
    assert liquid.oxygen / liquid.carbon == pytest.approx(3.9961, abs=1e-3)
    # Daily wear states the same polymer as what must stand for it.
    worn = arm_doses(doses(drafted, polymer="0.7 mg C / L / d"))[0][1]
    assert worn.pellets == pytest.approx(0.7 / 0.5581 / 0.0035, rel=1e-3)
    material, reading = tank_material(drafted, drafted.endpoints[0])
    assert material.liquid == (0, 0, pytest.approx(0.7, rel=0.005))
    assert material.pellets[1] == pytest.approx(358, rel=1e-3)
    assert reading.assessed == (28, 112)
    assert {limit.variable for limit in reading.stop_limits} == {"nitrate", "phosphate"}


def said(protocol, start=None):
    return " ".join(planning_warnings(protocol, start))


def test_a_draft_has_only_the_oxygen_of_its_liquid_to_think_about(drafted):
    (only,) = planning_warnings(drafted)
    assert only.startswith("Oxygen: the full daily dose of the arm liquid")


def without(protocol, variable):
    rules = [
        r.model_dump(mode="json", exclude_none=True) for r in protocol.stop_rules if r.variable != variable
    ]
    return changed(protocol, stop_rules=rules)


WARNINGS = {
    "unequal carbon": (lambda p: doses(p, liquid="0.2 mL / 100 L / d"), None, "not equal in carbon"),
    "unread dose": (lambda p: doses(p, liquid="a little"), None, "liquid cannot be worked out"),
    "no day": (lambda p: doses(p, liquid="0.4 mL / 100 L"), None, "says not how often"),
    "kit steps": (
        lambda p: changed(p, planning={"effect": 0.97, "sd": 0.35}),
        None,
        "kits count in steps of 0.5",
    ),
    "kit limit": (lambda p: p, Start(nitrate=0.7), "below the limit of the kit nitrate-kit"),
    "phosphate first": (
        lambda p: doses(p, liquid="2 mL / 100 L / d", polymer="170 g / 100 L"),
        Start(nitrate=60, phosphate=0.035),
        "Phosphate runs out before nitrate moves",
    ),
    "drowned": (
        lambda p: changed(p, planning={"effect": 0.85, "sd": 0.35}),
        None,
        "feed and water changes can drown",
    ),
    "no eye on oxygen": (lambda p: without(p, "oxygen"), None, "no stop rule watches oxygen"),
    "no eye on nitrate": (lambda p: without(p, "nitrate"), None, "no stop rule watches nitrate"),
    "sulfide": (
        lambda p: doses(p, polymer="170 g / 100 L"),
        Start(nitrate=5),
        "could then make hydrogen sulfide",
    ),
}


@pytest.mark.parametrize(("change", "start", "sentence"), WARNINGS.values(), ids=WARNINGS)
def test_each_hazard_is_said_and_only_where_it_is(drafted, change, start, sentence):
    assert sentence in said(change(drafted), start)
    assert sentence not in said(drafted)


def test_a_scaled_tank_rests_where_it_starts():
    tank = Start(nitrate=10, phosphate=0.05).tank()
    assert float(tank.nitrogen_at_rest) * 62.004 / 14.007 == pytest.approx(10, rel=1e-4)
    assert float(tank.phosphorus_at_rest) * 94.97 / 30.974 == pytest.approx(0.05, rel=1e-3)


def test_search_agrees_with_the_plan_at_the_plan_s_own_size(drafted):
    one = changed(drafted, analysis={"contrasts": [["polymer", "control"]], "multiplicity": "none"})
    one = with_endpoint(one, baseline="none")
    wishes = SearchWishes(blocks=(12,), weeks=(12,), every_days=(7,), duplicates=(1,))
    (found,) = search(one, one.endpoints[0], wishes)
    assert one.analysis.multiplicity is Multiplicity.NONE
    assert found.power.value == pytest.approx(plan(one)[0].contrasts[0].power)
    assert found.cost.tanks == 36


def test_a_search_says_what_it_cannot_search(drafted):
    with pytest.raises(UsageError, match="duplicates of 1 or more"):
        space_of(drafted, drafted.endpoints[0], SearchWishes(duplicates=(0,)))
    with pytest.raises(UsageError, match="no kit that the protocol has for nitrate"):
        space_of(drafted, drafted.endpoints[0], SearchWishes(kits=("litmus",)))
    pairs = changed(drafted, **PAIRS_OF_ARMS)
    with pytest.raises(UsageError, match="complete blocks, which this design has not"):
        search(pairs, pairs.endpoints[0], SearchWishes(each=(2,)))


PAIRS_OF_ARMS = {"design": {"kind": "incomplete-blocks", "seed": "s"}, "tanks": tanks(*[2] * 12)}
CROSSOVER = {"design": {"kind": "crossover", "seed": "s", "periods": 3}, "tanks": tanks(6)}


@pytest.mark.parametrize(("parts", "own", "weeks"), [(PAIRS_OF_ARMS, 12, 20), (CROSSOVER, 6, 60)])
def test_other_designs_are_searched_as_they_are_made(drafted, parts, own, weeks):
    trial = changed(drafted, **parts)
    wishes = SearchWishes(blocks=(own, 2 * own), weeks=(12,), every_days=(7,), duplicates=(1,))
    small, large = search(trial, trial.endpoints[0], wishes)
    least = min(contrast.power for contrast in plan(trial)[0].contrasts)
    assert small.power.value == pytest.approx(least, rel=1e-3)
    assert large.power.value > small.power.value
    assert small.cost.tanks == len(trial.tanks)
    assert small.cost.weeks == weeks


@pytest.mark.parametrize("parts", [PAIRS_OF_ARMS, CROSSOVER], ids=["pairs of arms", "crossover"])
def test_other_designs_run_in_the_tank_model(drafted, parts):
    trial = changed(drafted, **parts)
    found = simulate_tanks(trial, trial.endpoints[0], trials=25, seed=1)
    effects = {(one.test, one.reference): one.effect for one in found.contrasts}
    # Carbon of either kind lowers nitrate, and what each does against the control adds up.
    assert effects["polymer", "control"] < 0
    assert effects["liquid", "control"] < 0
    assert effects["polymer", "liquid"] == pytest.approx(
        effects["polymer", "control"] - effects["liquid", "control"]
    )
    assert all(one.unanswered.value == 0 for one in found.contrasts)


def test_kits_differ_in_what_they_show_and_cost(drafted):
    kits = [
        {"id": "drops", "variable": "nitrate", "limit": 0.5, "unit": "mg/L", "cost": 2.5},
        {"id": "card", "variable": "nitrate", "limit": 1, "unit": "mg/L", "steps": [1, 2, 5, 10, 25, 50]},
    ]
    trial = changed(drafted, kits=kits)
    wishes = SearchWishes(blocks=(12,), weeks=(12,), every_days=(7,), duplicates=(1,), cost_tank=1)
    found = {one.size.kit: one for one in search(trial, trial.endpoints[0], wishes)}
    assert found["drops"].half_width < found["card"].half_width
    assert found["drops"].cost.total == found["card"].cost.total + 2.5 * found["drops"].cost.readings
    # Planned with the kit that shows least, whoever has the better one.
    _, reading = tank_material(trial, trial.endpoints[0])
    assert reading.kits["nitrate"].card == (1, 2, 5, 10, 25, 50)
    assert not reading.kits["phosphate"].card


def test_whoever_works_gives_the_same():
    small = replace(Wishes("club", "A trial", START), blocks=4)
    protocol = checked(draft(small)).protocol

    def numbers(spread_out):
        return simulate_plain(protocol, protocol.endpoints[0], trials=1500, seed=5, spread_out=spread_out)

    alone = numbers(map)
    with ThreadPoolExecutor(2) as pool:
        assert numbers(pool.map) == alone
    with spreading(2) as spread_out:
        assert numbers(spread_out) == alone


def test_a_cluster_gives_the_same(drafted):
    from distributed import LocalCluster

    with (
        LocalCluster(
            n_workers=2, threads_per_worker=1, host="127.0.0.1", dashboard_address=None, memory_limit="1GiB"
        ) as cluster,
        spreading(cluster=cluster.scheduler_address) as spread_out,
    ):
        assert cluster.scheduler_address.startswith("tcp://127.0.0.1:")
        shared = simulate_plain(drafted, drafted.endpoints[0], trials=1500, seed=5, spread_out=spread_out)
    assert shared == simulate_plain(drafted, drafted.endpoints[0], trials=1500, seed=5)


def test_a_cluster_that_is_not_there_is_one_sentence(monkeypatch):
    with pytest.raises(UsageError, match="1 or more"), spreading(0):
        pass
    monkeypatch.setitem(__import__("sys").modules, "distributed", None)
    with pytest.raises(FairtankError, match=r"fairtank\[cluster\]"), spreading(cluster="tcp://127.0.0.1:1"):
        pass
