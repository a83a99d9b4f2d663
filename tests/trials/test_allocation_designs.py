"""Draws of incomplete blocks, crossovers and under a balance rule, each redone from its rule with hashlib alone."""

import datetime as dt
import hashlib
import itertools
from collections import Counter
from dataclasses import replace
from fractions import Fraction

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import chisquare

from schemas.errors import AllocationError
from schemas.protocol import Protocol
from trials.allocation import check, derivation, draw, instructions, ranking, read_recorded, remarks

DIGEST = hashlib.sha256(b"a sealed protocol").hexdigest()
SEED = "4 17 23 31 40"


def protocol(sizes, arms="abc", *, kind="incomplete-blocks", blocks=True, **design):
    """A protocol with blocks of the sizes given, and one arm a letter."""
    return Protocol.model_validate(
        {
            "format": 1,
            "trial": {"id": "quillmere-2026", "title": "Carbon or none"},
            "arms": [
                {"id": arm, "role": "test" if n else "control", "title": arm} for n, arm in enumerate(arms)
            ],
            "design": {"kind": kind, "seed_from": "the balls drawn at the meeting of 4 April"} | design,
            "tanks": [
                {"id": f"q{b:02d}-{n}", "site": f"s{b}"} | ({"block": f"q{b:02d}"} if blocks else {})
                for b, size in enumerate(sizes, 1)
                for n in range(size)
            ],
            "schedule": {
                "start": dt.date(2026, 3, 2),
                "phases": [{"id": "baseline", "days": 28}, {"id": "assessment", "days": 84}],
                "sampling": [{"variable": "nitrate", "every_days": 7}],
            },
            "endpoints": [
                {
                    "id": "n",
                    "role": "primary",
                    "variable": "nitrate",
                    "summary": "mean",
                    "phase": "assessment",
                    "better": "lower",
                }
            ],
        }
    )


def hashed(*parts):
    return hashlib.sha256("|".join((DIGEST, SEED, *map(str, parts))).encode()).hexdigest()


def by_block(plan):
    blocks = {}
    for tank in plan.tanks:
        blocks.setdefault(tank.block or "", []).append(tank.id)
    return blocks


def meetings(allocation):
    """In how many blocks each two arms meet."""
    blocks = {}
    for row in allocation.assignments:
        blocks.setdefault(row.block, set()).add(row.arm)
    return Counter(pair for arms in blocks.values() for pair in itertools.combinations(sorted(arms), 2))


# Incomplete blocks


# Numbers of meetings from the textbook identity r(k - 1) = lambda (v - 1), r = b k / v; the catalyst experiment
# (Montgomery, Design and Analysis of Experiments: v = b = 4, k = r = 3) has lambda = 2, Fano's plane lambda = 1.
@pytest.mark.parametrize(
    ("arms", "sizes", "each"),
    [
        ("abcd", [3] * 4, 2),
        ("abc", [2] * 12, 4),
        ("abc", [2] * 3, 1),
        ("abcdefg", [3] * 7, 1),
        ("abcd", [2] * 6, 1),
    ],
)
def test_every_two_arms_meet_equally_often_where_numbers_allow(arms, sizes, each):
    plan = protocol(sizes, arms)
    allocation = draw(plan, DIGEST, SEED)
    assert meetings(allocation) == dict.fromkeys(itertools.combinations(arms, 2), each)
    tanks = Counter(row.arm for row in allocation.assignments)
    assert tanks == dict.fromkeys(arms, sum(sizes) // len(arms))
    assert len(allocation.notes) == 1
    assert allocation.notes[0].startswith("Balanced: every two arms meet ")
    assert check(allocation, plan, DIGEST) == []


@pytest.mark.parametrize(
    ("sizes", "arms"), [([3] * 4, "abcd"), ([2] * 12, "abc"), ([2, 3, 2, 4, 2, 3], "abcd")]
)
def test_the_draw_of_incomplete_blocks_is_redone_from_its_rule_alone(sizes, arms):
    plan = protocol(sizes, arms)
    given_out = derivation(plan, DIGEST, SEED).given
    expected = {}
    for size in set(sizes):
        alike = sorted((block for block, tanks in by_block(plan).items() if len(tanks) == size), key=hashed)
        for block, arm_set in zip(alike, [s for s in given_out if len(s) == size], strict=True):
            tanks = sorted(by_block(plan)[block], key=lambda tank, block=block: hashed(block, tank))
            expected |= dict(zip(tanks, sorted(arm_set), strict=True))
    assert draw(plan, DIGEST, SEED).arm_of() == expected


def test_numbers_that_allow_no_balance_are_shared_out_within_one_and_it_is_said():
    plan = protocol([2] * 7)
    allocation = draw(plan, DIGEST, SEED)
    assert sorted(meetings(allocation).values()) == [2, 2, 3]
    (note,) = allocation.notes
    assert note.startswith("Not balanced, but as even as ")
    assert note.endswith(" 6 or 9 blocks would be balanced.")
    assert remarks(plan, allocation) == []


def test_incomplete_blocks_are_drawn_with_equal_chances():
    """Three pairs over three blocks, two ways round in each: 3! x 2^3 = 48 allocations, all as likely."""
    plan = protocol([2] * 3)
    seen = Counter(tuple(draw(plan, DIGEST, str(seed)).arm_of().values()) for seed in range(1920))
    assert len(seen) == 48
    assert chisquare(list(seen.values())).pvalue > 0.01


@settings(max_examples=40, deadline=None)
@given(st.lists(st.integers(2, 4), min_size=3, max_size=7), st.integers(3, 5), st.integers(0, 10**6))
def test_the_sets_do_not_depend_on_the_seed_nor_on_the_order_of_blocks(sizes, arms, seed):
    names = "abcde"[:arms]
    sets = derivation(protocol(sizes, names), DIGEST, str(seed)).given
    assert sets == derivation(protocol(sizes[::-1], names), DIGEST, SEED).given
    assert sorted(map(len, sets)) == sorted(sizes)


# Crossovers


def sequences(allocation):
    return list(allocation.sequence_of().values())


def neighbours(allocation):
    return Counter(pair for sequence in sequences(allocation) for pair in itertools.pairwise(sequence))


# Williams (1949), Australian Journal of Scientific Research A 2:149: an even number of arms needs as many sequences,
# an odd one twice as many, and every ordered pair of neighbours then occurs once or twice.
@pytest.mark.parametrize(
    ("arms", "tanks", "each"),
    [("ab", 2, 1), ("abc", 6, 2), ("abcd", 4, 1), ("abcde", 10, 2), ("abcdef", 6, 1)],
)
def test_every_arm_follows_every_other_equally_often(arms, tanks, each):
    plan = protocol([tanks], arms, kind="crossover", periods=len(arms))
    allocation = draw(plan, DIGEST, SEED)
    assert neighbours(allocation) == dict.fromkeys(itertools.permutations(arms, 2), each)
    for period in range(1, len(arms) + 1):
        assert Counter(allocation.arm_of(period).values()) == dict.fromkeys(arms, tanks // len(arms))
    assert allocation.notes == (
        (
            f"Balanced: in each period every arm has {tanks // len(arms)} tank{'s' * (tanks > len(arms))}, and it follows "
            f"each other arm {each} time{'s' * (each > 1)}."
        ),
    )


def test_the_first_sequences_are_those_that_williams_printed():
    """1 2 4 3 of four treatments and 1 2 6 3 5 4 of six, each developed cyclically."""
    for arms, printed in (("abcd", "1243"), ("abcdef", "126354")):
        given_out = derivation(protocol([6], arms, kind="crossover", periods=len(arms)), DIGEST, SEED).given
        letters = "ABCDEF"[: len(arms)]
        cyclic = {
            tuple(letters[(int(n) - 1 + shift) % len(arms)] for n in printed) for shift in range(len(arms))
        }
        assert set(given_out) == cyclic


@pytest.mark.parametrize(
    ("sizes", "arms", "periods", "blocks"),
    [([7], "ab", 2, False), ([3, 3, 4], "abc", 3, True), ([8], "abcd", 3, True), ([2, 3], "ab", 4, True)],
)
def test_the_draw_of_a_crossover_is_redone_from_its_rule_alone(sizes, arms, periods, blocks):
    plan = protocol(sizes, arms, kind="crossover", periods=periods, blocks=blocks)
    letters = dict(zip("ABCD", sorted(arms, key=hashed), strict=False))
    turn = itertools.cycle(derivation(plan, DIGEST, SEED).given)
    expected = {}
    for block, tanks in by_block(plan).items():
        for tank in sorted(tanks, key=lambda tank, block=block: hashed(block, tank)):
            expected[tank] = tuple(letters[letter] for letter in next(turn))
    allocation = draw(plan, DIGEST, SEED)
    assert allocation.sequence_of() == expected
    assert [(row.tank, row.period) for row in allocation.assignments] == [
        (tank.id, period) for tank in plan.tanks for period in range(1, periods + 1)
    ]
    assert check(allocation, plan, DIGEST) == []


@pytest.mark.parametrize(
    ("arms", "periods", "expected"),
    [
        ("ab", 3, {("A", "B", "B"), ("B", "A", "A")}),  # the extra-period design, balanced for carry-over
        ("ab", 4, {("A", "B", "B", "A"), ("B", "A", "A", "B")}),
        ("abc", 2, set(itertools.permutations("ABC", 2))),
    ],
)
def test_periods_fewer_or_more_than_arms(arms, periods, expected):
    given_out = derivation(protocol([6], arms, kind="crossover", periods=periods), DIGEST, SEED).given
    assert set(given_out) == expected


def test_two_sequences_over_four_tanks_are_drawn_with_equal_chances():
    """C(4,2) = 6 ways."""
    plan = protocol([4], "ab", kind="crossover", periods=2)
    seen = Counter(tuple(draw(plan, DIGEST, str(seed)).sequence_of().values()) for seed in range(600))
    assert len(seen) == 6
    assert chisquare(list(seen.values())).pvalue > 0.01


def test_a_crossover_that_is_not_even_says_what_would_be():
    plan = protocol([4], "abc", kind="crossover", periods=3)
    assert draw(plan, DIGEST, SEED).notes == (
        (
            "Not balanced: in each period an arm has 1 to 2 tanks, and it follows each other arm 0 to 2 times; 6 tanks, or "
            "a multiple, would be balanced."
        ),
    )


@settings(max_examples=40, deadline=None)
@given(
    st.lists(st.integers(1, 6), min_size=1, max_size=4),
    st.integers(2, 4),
    st.integers(2, 5),
    st.integers(0, 10**6),
)
def test_sequences_are_used_equally_often_over_all_cohorts(sizes, arms, periods, seed):
    plan = protocol(sizes, "abcd"[:arms], kind="crossover", periods=periods)
    allocation = draw(plan, DIGEST, str(seed))
    used = Counter(sequences(allocation))
    assert max(used.values()) - min(used.values()) <= 1
    assert check(allocation, plan, DIGEST) == []


# A balance rule


def redrawn(plan, attempt):
    """The arms of one attempt, from the rule alone."""
    blocks = by_block(plan) if plan.design.kind == "blocks" else {"": [tank.id for tank in plan.tanks]}
    block_of = {tank.id: tank.block or "" for tank in plan.tanks}
    arms = [arm.id for arm in plan.arms]
    return {
        tank: arms[rank % len(arms)]
        for tanks in blocks.values()
        for rank, tank in enumerate(sorted(tanks, key=lambda tank: hashed(block_of[tank], tank, attempt)))
    }


def gap(arm_of, values):
    """In whole fractions: the largest mean of an arm minus the smallest."""
    means = []
    for arm in set(arm_of.values()):
        mine = [Fraction(values[tank]) for tank in arm_of if arm_of[tank] == arm]
        means.append(sum(mine) / len(mine))
    return max(means) - min(means)


@settings(max_examples=40, deadline=None)
@given(
    st.sampled_from(["blocks", "parallel"]),
    st.lists(st.integers(0, 400), min_size=12, max_size=12),
    st.integers(20, 160),
)
def test_the_first_draw_that_meets_the_rule_is_taken(kind, tenths, most):
    plan = protocol([3] * 4, kind=kind, balance={"variable": "nitrate", "max_gap": most / 10})
    values = {tank.id: Fraction(value, 10) for tank, value in zip(plan.tanks, tenths, strict=True)}
    first = next((k for k in range(1, 301) if gap(redrawn(plan, k), values) <= Fraction(most, 10)), None)
    if first is None:
        return
    allocation = draw(plan, DIGEST, SEED, {tank: float(value) for tank, value in values.items()})
    assert allocation.attempt == first
    assert allocation.arm_of() == redrawn(plan, first)
    assert dict(allocation.balance_values) == {tank: float(value) for tank, value in values.items()}
    assert allocation.notes[0].startswith(f"Draw {first} is the first that meets the balance rule")
    assert check(allocation, plan, DIGEST) == []


FOUR = protocol([4], "ab", kind="parallel", balance={"variable": "nitrate", "max_gap": 5})
NAMES = [tank.id for tank in FOUR.tanks]


def test_a_rule_that_no_draw_meets_is_given_up_with_the_closest(monkeypatch):
    """One tank of 100 among zeros leaves means of 50 and 0 however the tanks fall."""
    monkeypatch.setattr(ranking, "ATTEMPTS", 1000)
    with pytest.raises(
        AllocationError,
        match=r"None of 1000 draws brings .* within 5 of one another; the closest differs by 50,",
    ):
        draw(FOUR, DIGEST, SEED, dict(zip(NAMES, (0, 0, 100, 0), strict=True)))


def test_a_gap_of_exactly_the_most_is_met():
    """0.1 + 0.2 is not 0.3 in floats: means of 0.15 and 5.15 lie 5 apart by hand, and by rounding a little more."""
    values = dict(zip(NAMES, (0.1, 0.2, 5.1, 5.2), strict=True))
    worst = next(k for k in range(1, 100) if len({redrawn(FOUR, k)[tank] for tank in NAMES[:2]}) == 1)
    assert gap(redrawn(FOUR, worst), {tank: Fraction(str(value)) for tank, value in values.items()}) == 5
    assert draw(FOUR, DIGEST, SEED, values).attempt == 1


@pytest.mark.parametrize(
    ("baseline", "sentence"),
    [
        (None, "q01-0, q01-1, q01-2 and q01-3 have no reading of"),
        (
            {"q01-0": 1.0, "q01-1": 2.0, "q01-3": 2.0},
            "baseline nitrate, which q01-2 has no reading of; take the baseline",
        ),
    ],
)
def test_a_tank_without_a_baseline_is_named(baseline, sentence):
    with pytest.raises(AllocationError, match=sentence):
        draw(FOUR, DIGEST, SEED, baseline)


def test_a_changed_baseline_or_counter_is_found():
    allocation = draw(FOUR, DIGEST, SEED, dict(zip(NAMES, (1.0, 9.0, 2.0, 8.0), strict=True)))
    assert [f.where for f in check(replace(allocation, attempt=allocation.attempt + 1), FOUR, DIGEST)] == [
        "attempt"
    ]
    assert [f.where for f in check(replace(allocation, balance_values=()), FOUR, DIGEST)] == ["seed"]


def test_the_printed_lines_of_a_balanced_draw_hold_all_that_a_person_needs():
    values = dict(zip(NAMES, (1.0, 9.5, 2.0, 8.0), strict=True))
    allocation = draw(FOUR, DIGEST, SEED, values)
    rule, _, first, *tanks = instructions(FOUR, DIGEST, allocation)
    assert "digest|seed|block|tank|k" in rule
    assert f"differs by more than 5: k = {allocation.attempt}." in first
    assert "q01-0 1.0, q01-1 9.5, q01-2 2.0, q01-3 8.0" in first
    for line in tanks:
        text, digest = line.split('"')[1], line.split()[-1]
        assert text.endswith(f"|{allocation.attempt}")
        assert hashlib.sha256(text.encode()).hexdigest() == digest


# Printed lines of the other designs, and what is forged in them


@pytest.mark.parametrize(
    ("plan", "said"),
    [
        (protocol([2] * 3), "Blocks are ranked in the same way by the text digest|seed|block"),
        (protocol([4], "ab", kind="crossover", periods=2), "digest|seed|arm and take the letters A, B"),
        (
            protocol([1, 1], "ab", kind="before-after"),
            "Down that ranking they take the arms in the protocol's order",
        ),
    ],
)
def test_every_printed_hash_is_that_of_its_text(plan, said):
    allocation = draw(plan, DIGEST, SEED)
    lines = instructions(plan, DIGEST, allocation)
    assert any(said in line for line in lines)
    hashes = [line for line in lines if "SHA-256 of" in line]
    derived = derivation(plan, DIGEST, SEED)
    assert len(hashes) == len(derived.names) + len(plan.tanks)
    for line in hashes:
        text, digest = line.split('"')[1], line.split()[-1]
        assert hashlib.sha256(text.encode()).hexdigest() == digest
    for row in derived.tanks:
        assert any(f": {row.tank} takes {', '.join(row.arms)};" in line for line in lines)


def test_before_and_after_is_drawn_as_parallel_arms_are():
    plan = protocol([3], kind="before-after")
    parallel = plan.model_copy(update={"design": plan.design.model_copy(update={"kind": "parallel"})})
    assert draw(plan, DIGEST, SEED).arm_of() == draw(parallel, DIGEST, SEED).arm_of()


def test_what_is_forged_in_a_crossover_is_found():
    plan = protocol([4], "ab", kind="crossover", periods=2)
    allocation = draw(plan, DIGEST, SEED)
    first, second, *rest = allocation.assignments
    cases = [
        ((replace(first, arm=second.arm), replace(second, arm=first.arm), *rest), "has the arms"),
        ((second, *rest), "is not allocated in period 1"),
        ((first, first, second, *rest), "is allocated 2 times in period 1"),
        ((replace(first, period=3), second, *rest), "is allocated in period 3, which is not in the protocol"),
        ((replace(first, period=None), second, *rest), "is not allocated in period 1"),
    ]
    for assignments, sentence in cases:
        findings = check(replace(allocation, assignments=assignments), plan, DIGEST)
        assert {finding.where for finding in findings} == {"q01-0"}
        assert any(sentence in finding.text for finding in findings)


# Recorded


def recorded(tmp_path, plan, text):
    file = tmp_path / "shared-out.csv"
    file.write_text(text)
    return read_recorded(file, plan, how="by lot", random=True)


def test_a_recorded_crossover_has_a_line_for_each_tank_and_period(tmp_path):
    plan = protocol([4], "ab", kind="crossover", periods=2)
    rows = [
        (tank.id, period, "ab"[(n + period) % 2]) for n, tank in enumerate(plan.tanks) for period in (1, 2)
    ]
    text = "arm,PERIOD,tank\n" + "".join(f"{arm},{period},{tank}\n" for tank, period, arm in reversed(rows))
    allocation = recorded(tmp_path, plan, text)
    assert [(row.tank, row.period, row.arm) for row in allocation.assignments] == rows
    assert check(allocation, plan, DIGEST) == []
    assert remarks(plan, allocation) == [
        "Balanced: in each period every arm has 2 tanks, and it follows each other arm 2 times."
    ]


def test_all_mistakes_of_a_recorded_crossover_are_said_at_once(tmp_path):
    plan = protocol([2], "ab", kind="crossover", periods=2)
    text = "tank,period,arm\nq01-0,1,a\nq01-0,1,b\nq01-0,3,b\nq01-1,,a\nq01-1,2,a\n"
    with pytest.raises(AllocationError) as refusal:
        recorded(tmp_path, plan, text)
    assert str(refusal.value).splitlines() == [
        "shared-out.csv has 5 mistakes:",
        '  line 3: tank "q01-0" stands here again in period 1; it has line 2 already.',
        '  line 4: period "3" is not in the protocol; the periods are 1 and 2.',
        "  line 5: the period is missing; the periods are 1 and 2.",
        "  the file: tank q01-0 is missing in period 2; give it a line with its arm.",
        "  the file: tank q01-1 is missing in period 1; give it a line with its arm.",
    ]
    with pytest.raises(
        AllocationError, match='needs one column "tank", one column "period" and one column "arm", named'
    ):
        recorded(tmp_path, plan, "tank,arm\nq01-0,a\n")


@pytest.mark.parametrize(
    ("arms", "sentence"),
    [
        ("abacbc", "Balanced: two arms meet 1 time within blocks, and an arm has 2 tanks."),
        ("ababbc", "Not balanced: two arms meet 0 to 2 times within blocks, and an arm has 1 to 3 tanks."),
        ("ababcc", "Some differences cannot be told from differences between blocks: two arms meet 0 to 2 times within blocks, and an arm has 2 tanks."),
    ],
)  # fmt: skip
def test_what_recorded_incomplete_blocks_reached_is_said(tmp_path, arms, sentence):
    plan = protocol([2] * 3)
    text = "tank,arm\n" + "".join(f"{tank.id},{arm}\n" for tank, arm in zip(plan.tanks, arms, strict=True))
    assert remarks(plan, recorded(tmp_path, plan, text)) == [sentence]
