"""The draw is redone from its rule alone, its chances are counted, and what others drew is read or refused."""

import datetime as dt
import hashlib
import itertools
from collections import Counter
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import chisquare

from schemas.allocation import Assignment
from schemas.errors import AllocationError
from schemas.protocol import Protocol
from trials.allocation import check, derivation, draw, instructions, read_recorded, remarks, settle_seed

DIGEST = hashlib.sha256(b"a sealed protocol").hexdigest()
SEED = "4 17 23 31 40"
ARMS = ("control", "polymer", "liquid")


def protocol(blocks=4, size=3, arms=ARMS, *, kind="blocks", **design):
    roles = ("control", *["test"] * (len(arms) - 1))
    return Protocol.model_validate(
        {
            "format": 1,
            "trial": {"id": "quillmere-2026", "title": "Carbon or none"},
            "arms": [{"id": arm, "role": role, "title": arm} for arm, role in zip(arms, roles, strict=True)],
            "design": {"kind": kind} | (design or {"seed_from": "the balls drawn at the meeting of 4 April"}),
            "tanks": [
                {"id": f"q{b}-{t}", "site": f"q{b}"} | ({"block": f"q{b}"} if kind == "blocks" else {})
                for b in range(1, blocks + 1)
                for t in "abcdefgh"[:size]
            ],
            "schedule": {"start": dt.date(2026, 3, 2), "phases": [{"id": "assessment", "days": 84}]},
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


def primes():
    return (n for n in itertools.count(2) if all(n % d for d in range(2, n)))


def root_fraction(number, power):
    """The first 32 bits of the fraction of a square or cube root, in whole numbers."""
    scaled = number << (32 * power)
    low, high = 0, 1 << 40
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (middle, high) if middle**power <= scaled else (low, middle)
    return low & 0xFFFFFFFF


def sha256_by_the_book(text):
    """SHA-256 written from FIPS 180-4, sections 4 to 6: slow, and independent of the library that the draw uses."""
    mask = 0xFFFFFFFF
    constants = [root_fraction(p, 3) for p in itertools.islice(primes(), 64)]
    state = [root_fraction(p, 2) for p in itertools.islice(primes(), 8)]

    def turned(word, by):
        return (word >> by | word << (32 - by)) & mask

    data = text.encode()
    padded = data + b"\x80" + bytes((55 - len(data)) % 64) + (8 * len(data)).to_bytes(8, "big")
    for start in range(0, len(padded), 64):
        words = [int.from_bytes(padded[i : i + 4], "big") for i in range(start, start + 64, 4)]
        for i in range(16, 64):
            near, far = words[i - 15], words[i - 2]
            small = turned(near, 7) ^ turned(near, 18) ^ near >> 3
            large = turned(far, 17) ^ turned(far, 19) ^ far >> 10
            words.append((words[i - 16] + small + words[i - 7] + large) & mask)
        a, b, c, d, e, f, g, h = state
        for constant, word in zip(constants, words, strict=True):
            first = h + (turned(e, 6) ^ turned(e, 11) ^ turned(e, 25)) + (e & f ^ ~e & g) + constant + word
            second = (turned(a, 2) ^ turned(a, 13) ^ turned(a, 22)) + (a & b ^ a & c ^ b & c)
            a, b, c, d, e, f, g, h = (first + second) & mask, a, b, c, (d + first) & mask, e, f, g
        state = [(old + new) & mask for old, new in zip(state, (a, b, c, d, e, f, g, h), strict=True)]
    return "".join(f"{word:08x}" for word in state)


# The examples that NIST publishes with FIPS 180-4 ("Examples with intermediate values", SHA-256).
FIPS_180_4 = {
    "abc": "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad",
    "abcdbcdecdefdefgefghfghighijhijkijkljklmklmnlmnomnopnopq": (
        "248d6a61d20638b8e5c026930c3e6039a33ce45964ff2167f6ecedd419db06c1"
    ),
}


@pytest.mark.parametrize(("text", "digest"), FIPS_180_4.items())
def test_the_hash_written_for_this_test_is_sha256(text, digest):
    assert sha256_by_the_book(text) == digest


@pytest.mark.parametrize(
    "hashed", [sha256_by_the_book, lambda text: hashlib.sha256(text.encode()).hexdigest()]
)
@pytest.mark.parametrize("kind", ["blocks", "parallel"])
def test_the_draw_is_redone_from_its_rule_alone(hashed, kind):
    plan = protocol(kind=kind)
    expected = {}
    for block in {tank.block for tank in plan.tanks}:
        names = [tank.id for tank in plan.tanks if tank.block == block]
        names.sort(key=lambda name: hashed(f"{DIGEST}|{SEED}|{block or ''}|{name}"))
        expected |= {name: ARMS[place % 3] for place, name in enumerate(names)}
    allocation = draw(plan, DIGEST, SEED)
    assert allocation.arm_of() == expected
    assert [a.tank for a in allocation.assignments] == [tank.id for tank in plan.tanks]
    assert (allocation.drawn, allocation.random, allocation.seed) == (True, True, SEED)


def test_a_registered_block_is_hashed_in_a_parallel_design_too():
    plan = protocol(blocks=2)
    parallel = plan.model_copy(update={"design": plan.design.model_copy(update={"kind": "parallel"})})
    ranked = derivation(parallel, DIGEST, SEED).tanks
    assert [tank.rank for tank in ranked] == list(range(1, 7))
    assert {tank.text for tank in ranked} == {tank.text for tank in derivation(plan, DIGEST, SEED).tanks}


def test_the_printed_lines_hold_all_that_a_person_needs():
    plan = protocol(blocks=2)
    rule, order, *tanks = instructions(plan, DIGEST, draw(plan, DIGEST, SEED))
    assert "digest|seed|block|tank" in rule
    assert "control, polymer, liquid" in order
    assert len(tanks) == 6
    arms = draw(plan, DIGEST, SEED).arm_of()
    for line in tanks:
        place, rest = line.split(": ", 1)
        tank = rest.split()[0]
        text, digest = rest.split('"')[1], rest.split()[-1]
        assert place.startswith(f"block {tank[:2]}, rank ")
        assert text == f"{DIGEST}|{SEED}|{tank[:2]}|{tank}"
        assert hashlib.sha256(text.encode()).hexdigest() == digest
        assert f" takes {arms[tank]};" in rest


def test_every_order_of_a_block_of_three_is_drawn_as_often_as_the_others():
    plan = protocol(blocks=1)
    seen = Counter(tuple(draw(plan, DIGEST, str(seed)).arm_of().values()) for seed in range(3000))
    assert set(seen) == set(itertools.permutations(ARMS))
    assert chisquare(list(seen.values())).pvalue > 0.01


def test_eight_tanks_in_two_arms_are_shared_out_in_all_seventy_ways():
    """C(8,4) = 70, the tea tasting of Fisher, The Design of Experiments (1935), chapter II."""
    plan = protocol(blocks=1, size=8, arms=("control", "polymer"), kind="parallel")
    seen = Counter(tuple(draw(plan, DIGEST, str(seed)).arm_of().values()) for seed in range(7000))
    assert len(seen) == 70
    assert {Counter(ways)["control"] for ways in seen} == {4}
    assert chisquare(list(seen.values())).pvalue > 0.01


def test_blocks_are_drawn_independently():
    """Two blocks of three have (3!)^2 = 36 allocations, all of them as likely."""
    plan = protocol(blocks=2)
    seen = Counter(tuple(draw(plan, DIGEST, str(seed)).arm_of().values()) for seed in range(7200))
    assert len(seen) == 36
    assert chisquare(list(seen.values())).pvalue > 0.01


@given(
    st.integers(1, 4),
    st.integers(1, 8),
    st.integers(2, 5),
    st.text("0123456789 |é", min_size=1).filter(str.strip),
)
def test_arms_are_balanced_within_one_and_the_first_take_what_is_left(blocks, size, arms, seed):
    plan = protocol(blocks=blocks, size=size, arms=[f"arm-{n}" for n in range(arms)])
    allocation = draw(plan, DIGEST, seed)
    for block in range(1, blocks + 1):
        counts = Counter(a.arm for a in allocation.assignments if a.block == f"q{block}")
        expected = [size // arms + (place < size % arms) for place in range(arms)]
        assert [counts[arm.id] for arm in plan.arms] == expected
    assert check(allocation, plan, DIGEST) == []
    assert len(remarks(plan, allocation)) == (0 if size % arms == 0 else blocks)


UNEVEN = {
    4: "has 4 tanks for 3 arms: 2 with control, 1 with polymer, 1 with liquid; the first arms of the protocol take the tanks left over.",
    1: "has no tank with polymer or liquid.",
}


@pytest.mark.parametrize(("size", "sentence"), UNEVEN.items())
def test_what_is_uneven_is_said(size, sentence):
    plan = protocol(blocks=1, size=size)
    assert remarks(plan, draw(plan, DIGEST, SEED)) == [f"Block q1 {sentence}"]


SEEDS_TAKEN = [
    ({"seed_from": "the draw of 4 April"}, "  4 17 23 ", "4 17 23"),
    ({"seed_from": "the draw of 4 April"}, "4  17|é", "4  17|é"),
    ({"seed": "coral"}, None, "coral"),
    ({"seed": "coral"}, " coral ", "coral"),
]


@pytest.mark.parametrize(("design", "given_seed", "settled"), SEEDS_TAKEN)
def test_seeds_taken(design, given_seed, settled):
    plan = protocol(**design)
    assert settle_seed(plan, given_seed) == settled
    allocation = draw(plan, DIGEST, given_seed)
    assert allocation.seed == settled
    assert allocation.how == design.get("seed_from", "the lead chose the seed and wrote it in the protocol")


SEEDS_REFUSED = [
    (
        {"seed_from": "the draw of 4 April"},
        None,
        "needs its seed, which the protocol takes from: the draw of 4 April",
    ),
    ({"seed_from": "the draw of 4 April"}, "  ", "needs its seed"),
    ({"seed_from": "the draw of 4 April"}, "4\u00a017", r"cannot be seen \(U\+00A0\)"),
    ({"seed_from": "the draw of 4 April"}, "4\n17", r"cannot be seen \(U\+000A\)"),
    ({"seed": "coral"}, "reef", '"reef" is not the one sealed in the protocol, "coral"'),
    ({"seed": "coral"}, "", '"" is not the one sealed'),
    ({"kind": "blocks"}, "4 17", "names neither a seed nor where one comes from"),
]


@pytest.mark.parametrize(("design", "given_seed", "sentence"), SEEDS_REFUSED)
def test_seeds_refused(design, given_seed, sentence):
    plan = protocol(**design) if "kind" not in design else protocol(seed=None)
    with pytest.raises(AllocationError, match=sentence):
        draw(plan, DIGEST, given_seed)


def test_a_changed_arm_is_found_and_its_tank_named():
    plan = protocol()
    allocation = draw(plan, DIGEST, SEED)
    first, *rest = allocation.assignments
    other = next(arm for arm in ARMS if arm != first.arm)
    forged = replace(allocation, assignments=(replace(first, arm=other), *rest))
    findings = check(forged, plan, DIGEST)
    assert [(f.what, f.where) for f in findings] == [("allocation", first.tank)]
    assert f"has arm {other}" in findings[0].text
    assert f"gives it {first.arm}" in findings[0].text


def test_another_seed_or_digest_does_not_pass():
    plan = protocol()
    allocation = draw(plan, DIGEST, SEED)
    assert check(replace(allocation, seed="5"), plan, DIGEST)
    assert check(allocation, plan, hashlib.sha256(b"another").hexdigest())
    assert [f.where for f in check(replace(allocation, seed=None), plan, DIGEST)] == ["seed"]


FORGED = {
    "no such tank": (lambda rest: (Assignment("q9-z", "control", "q9", "q9"), *rest), {"q1-a", "q9-z"}),
    "tank left out": (lambda rest: rest, {"q1-a"}),
    "tank twice": (lambda rest: (rest[0], *rest), {"q1-a", "q1-b"}),
    "no such arm": (lambda rest: (Assignment("q1-a", "gravel", "q1", "q1"), *rest), {"q1-a"}),
    "another block": (lambda rest: (Assignment("q1-a", "control", "q2", "q1"), *rest), {"q1-a"}),
}


@pytest.mark.parametrize("case", FORGED)
@pytest.mark.parametrize("drawn", [True, False])
def test_an_allocation_that_does_not_fit_the_protocol_is_found(case, drawn):
    forge, wrong = FORGED[case]
    plan = protocol()
    allocation = draw(plan, DIGEST, SEED)
    forged = replace(allocation, assignments=forge(allocation.assignments[1:]), drawn=drawn)
    assert {finding.where for finding in check(forged, plan, DIGEST)} == wrong


TANKS = ("q1-a", "q1-b", "q1-c", "q2-a", "q2-b", "q2-c")
PAIRS = tuple(zip(TANKS, ARMS * 2, strict=True))


def lines(delimiter=",", header=("tank", "arm"), ending="\n"):
    return "".join(delimiter.join(row) + ending for row in (header, *PAIRS))


RECORDED = {
    "comma": lines().encode(),
    "semicolon": lines(";").encode(),
    "tab": lines("\t").encode(),
    "byte order mark": b"\xef\xbb\xbf" + lines(ending="\r\n").encode(),
    "UTF-16 as a spreadsheet saves it": lines("\t").encode("utf-16"),
    "header in capitals": lines(header=("TANK", " Arm ")).encode(),
    "no line end at the end, empty lines between": lines().replace("\n", "\n\n").strip().encode(),
    "empty lines first, spaces about": b"\n\n" + lines(" ,").encode(),
    "arm first, a note in Latin-1": b"arm;note;tank\n"
    + "".join(f"{arm};d\xe9j\xe0 vu;{tank}\n" for tank, arm in PAIRS).encode("latin-1"),
    "quoted": "".join(f'"{tank}","{arm}"\n' for tank, arm in (("tank", "arm"), *PAIRS)).encode(),
    "lines in another order": "\n".join(["tank,arm", *(f"{t},{a}" for t, a in reversed(PAIRS))]).encode(),
}


@pytest.mark.parametrize("content", RECORDED.values(), ids=RECORDED.keys())
def test_a_recorded_allocation_is_read(tmp_path, content):
    file = tmp_path / "shared-out.csv"
    file.write_bytes(content)
    plan = protocol(blocks=2)
    allocation = read_recorded(file, plan, how=" Drawn from a hat at the meeting. ", random=True)
    assert tuple((a.tank, a.arm) for a in allocation.assignments) == PAIRS
    assert {(a.block, a.site) for a in allocation.assignments} == {("q1", "q1"), ("q2", "q2")}
    assert (allocation.drawn, allocation.random, allocation.seed) == (False, True, None)
    assert allocation.how == "Drawn from a hat at the meeting"
    assert check(allocation, plan, DIGEST) == []


def test_a_recorded_block_may_lack_an_arm_and_it_is_said(tmp_path):
    file = tmp_path / "shared-out.csv"
    file.write_text(lines().replace("q2-c,liquid", "q2-c,polymer"))
    plan = protocol(blocks=2)
    allocation = read_recorded(file, plan, how="by the owners", random=False)
    assert not allocation.random
    assert remarks(plan, allocation) == ["Block q2 has no tank with liquid."]


def test_all_mistakes_of_a_recorded_allocation_are_said_at_once(tmp_path):
    file = tmp_path / "shared-out.csv"
    file.write_text("tank,arm\nq1-a,control\nq1-A,polymre\nq1-c\nq1-a,polymer\n,liquid\nq2-b,gravel-bed\n")
    with pytest.raises(AllocationError) as refusal:
        read_recorded(file, protocol(blocks=2), how="by hand", random=True)
    assert str(refusal.value).splitlines() == [
        "shared-out.csv has 10 mistakes:",
        '  line 3: tank "q1-A" is not in the protocol; did you mean q1-a.',
        '  line 3: arm "polymre" is not in the protocol; did you mean polymer.',
        "  line 4: the arm is missing; the arms are control, polymer and liquid.",
        '  line 5: tank "q1-a" stands here again; it has line 2 already.',
        "  line 6: the tank is missing; the tanks are q1-a, q1-b, q1-c, q2-a, q2-b and q2-c.",
        '  line 7: arm "gravel-bed" is not in the protocol; the arms are control, polymer and liquid.',
        "  the file: tank q1-b is missing; give it a line with its arm.",
        "  the file: tank q2-a is missing; give it a line with its arm.",
        "  the file: tank q2-c is missing; give it a line with its arm.",
        "  the file: no tank has the arm polymer; every arm of the protocol needs at least one tank.",
    ]


UNREADABLE = {
    "empty": (b"", 'needs one column "tank" and one column "arm", named in the first line; it is empty'),
    "no header": (lines().encode().partition(b"\n")[2], 'its first line is "q1-a,control"'),
    "column twice": (lines(header=("tank", "tank")).encode(), 'needs one column "tank"'),
    "a workbook": (b"PK\x03\x04\x00\x00", "is not a text file; save it as CSV"),
    "a quote left open": (b'tank,arm\n"q1-a,control\n', "cannot be read as CSV, line 2"),
}


@pytest.mark.parametrize(("content", "sentence"), UNREADABLE.values(), ids=UNREADABLE.keys())
def test_a_file_that_is_no_allocation_is_refused(tmp_path, content, sentence):
    file = tmp_path / "shared-out.csv"
    file.write_bytes(content)
    with pytest.raises(AllocationError, match=sentence):
        read_recorded(file, protocol(blocks=2), how="by hand", random=True)


@pytest.mark.parametrize(("name", "sentence"), [("absent.csv", "no such file"), (".", "it is a folder")])
def test_a_file_that_cannot_be_read_is_said(tmp_path, name, sentence):
    with pytest.raises(AllocationError, match=f"cannot be read: {sentence}"):
        read_recorded(tmp_path / name, protocol(blocks=2), how="by hand", random=True)
