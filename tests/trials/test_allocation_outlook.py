"""What a draw will be able to reach is said before it is sealed, and what it cannot do is refused."""

import itertools

import numpy as np
import pytest

from analysis.sequence_order import ordered
from analysis.sequences import crossover_sequences
from schemas.errors import ProtocolError
from trials.protocol_file import load

HEAD = """
format = 1
[trial]
id = "quillmere-2026"
title = "Carbon or none"
[schedule]
start = 2026-03-02
phases = [ { id = "baseline", days = 28 }, { id = "ramp", days = 28 }, { id = "assessment", days = 84 } ]
sampling = [ { variable = "nitrate", every_days = 7 } ]
{starts}
[[endpoints]]
id = "n"
role = "primary"
variable = "nitrate"
summary = "mean"
phase = "assessment"
better = "lower"
worthwhile = 2.0
"""


@pytest.fixture
def read(tmp_path):
    """Load a protocol with one arm a letter and blocks of the sizes given."""

    def write_and_load(design, arms, sizes, starts=""):
        parts = [HEAD.replace("{starts}", starts), f"[design]\n{design}\n"]
        parts += [
            f'[[arms]]\nid = "{arm}"\nrole = "{"test" if n else "control"}"\ntitle = "{arm}"\n'
            for n, arm in enumerate(arms)
        ]
        parts += [
            f'[[tanks]]\nid = "q{b}-{n}"\nblock = "q{b}"\n'
            for b, size in enumerate(sizes, 1)
            for n in range(size)
        ]
        path = tmp_path / "protocol.toml"
        path.write_text("".join(parts))
        return load(path)

    return write_and_load


INCOMPLETE = 'kind = "incomplete-blocks"\nseed = "reef"'
CROSSOVER = 'kind = "crossover"\nseed = "reef"\nwashout_days = 56\nperiods = '
SAID = {
    # Two-sided exact tests of n pairs reach 2 / 2^n: five pairs never reach 0.05 (any table of the sign test).
    "few meetings": (
        (INCOMPLETE, "abc", [2] * 12),
        [("The randomisation test of two arms rests on the blocks that hold both, too few here to give a p of alpha = 0.05 "
         "or less: b against a in 4 blocks (0.125 at least), c against a in 4 blocks (0.125 at least); with one tank of "
         "each in a block, 6 blocks are the fewest that can.")],
    ),
    "enough meetings": ((INCOMPLETE, "abc", [2] * 18), []),
    "AB/BA in twelve tanks": ((CROSSOVER + "2", "ab", [12]), []),
    # Two against two: C(4, 2) = 6 ways, and the furthest has its mirror.
    "AB/BA in four tanks": (
        (CROSSOVER + "2", "ab", [4]),
        [("With 4 tanks, the randomisation test of two arms of this crossover cannot give a p below 0.3333, which is above "
         "alpha = 0.05; more tanks would mend that.")],
    ),
    # Six sequences once and two of them twice: each has its mirror, C(3, 1)^2 C(2, 1) = 18 ways, one the furthest.
    "three arms in eight tanks": (
        (CROSSOVER + "3", "abc", [8]),
        [("The draw as planned is not balanced: in each period an arm has 2 to 3 tanks, and it follows each other arm 2 to 4 "
         "times; 6 tanks, or a multiple, would be balanced."),
         ("With 8 tanks, the randomisation test of two arms of this crossover cannot give a p below 0.05556, which is above "
         "alpha = 0.05; more tanks would mend that.")],
    ),
    "four arms": (
        (CROSSOVER + "4", "abcd", [12]),
        [("No two tanks will have sequences that are each other's mirror in two arms, so no randomisation test of two arms "
         "can stand beside the model.")],
    ),
    "recorded elsewhere": (('kind = "incomplete-blocks"', "abc", [2] * 4), []),
}  # fmt: skip


@pytest.mark.parametrize(("trial", "sentences"), SAID.values(), ids=SAID)
def test_what_is_said_before_the_seal(read, trial, sentences):
    others = ("Neither seed_from",)
    assert [warning for warning in read(*trial).warnings if not warning.startswith(others)] == sentences


def test_incomplete_blocks_that_cannot_be_balanced_are_said(read):
    first, _ = read(INCOMPLETE, "abc", [2] * 7).warnings
    assert first.startswith("The draw as planned is not balanced, but as even as ")


def test_a_draw_that_leaves_arms_apart_is_refused(read):
    with pytest.raises(ProtocolError) as refusal:
        read(CROSSOVER + "2", "abcdef", [7])
    assert [str(mistake) for mistake in refusal.value.mistakes] == [
        "tanks: the draw of 7 tanks leaves arms that cannot be compared, even through a third; add tanks."
    ]


def joins(sequences, arms):
    """Whether the arms can be told apart beside tanks and periods: the rank of the whole model, written out."""
    tanks, periods = len(sequences), len(sequences[0])
    rows = [
        np.r_[np.eye(tanks)[tank], np.eye(periods)[period], np.eye(arms)[sequences[tank][period]]]
        for tank, period in itertools.product(range(tanks), range(periods))
    ]
    return np.linalg.matrix_rank(np.array(rows)) == tanks + periods - 1 + arms - 1


@pytest.mark.parametrize(("arms", "periods"), [(2, 2), (3, 2), (3, 3), (4, 2), (4, 3), (5, 2), (6, 2)])
def test_crossovers_are_refused_exactly_where_the_model_cannot_tell_the_arms_apart(read, arms, periods):
    fewest = 1 - (-arms // (periods - 1))
    order = ordered(crossover_sequences(arms, periods), arms)
    for tanks in range(max(fewest, 2), fewest + 5):
        sequences = [order[tank % len(order)] for tank in range(tanks)]
        try:
            read(f"{CROSSOVER}{periods}", "abcdef"[:arms], [tanks])
        except ProtocolError:
            assert not joins(sequences, arms)
        else:
            assert joins(sequences, arms)


def test_cohorts_that_start_apart_have_periods_of_their_own(read):
    """Two cohorts of one tank each tell nothing; started together they would be two tanks of one cohort."""
    together = read(CROSSOVER + "3", "ab", [1, 2])
    assert together.protocol.last_day.isoformat() == "2027-08-15"
    apart = read(CROSSOVER + "3", "ab", [1, 2], "starts = { q2 = 2026-03-09 }")
    assert apart.protocol.last_day.isoformat() == "2027-08-22"
    with pytest.raises(ProtocolError, match="tanks: 2 in 2 cohorts for 3 periods and 2 arms leave no spread"):
        read(CROSSOVER + "3", "ab", [1, 1], "starts = { q2 = 2026-03-09 }")
