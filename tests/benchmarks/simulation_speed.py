"""How much faster many trials at once are than a loop that analyses one after the other."""

import time

import numpy as np
import pingouin

from analysis.plain_trials import PlainTrials
from analysis.precision import complete_blocks
from analysis.simulation import Question, simulate
from schemas.vocabulary import Multiplicity, Variance

LAYOUT = complete_blocks(("control", "liquid", "solid"), 12)
CONTRASTS = (("liquid", "control"), ("solid", "control"))
TRIALS = PlainTrials(LAYOUT, (0.0, -0.3, -0.4), (0.35, 0.35, 0.35))


def one_by_one(number):
    """Share of trials in which each contrast's paired t test is below 0.05."""
    drawn = TRIALS.draw(np.random.default_rng(1), number)
    found = np.zeros(len(CONTRASTS))
    for y in drawn.y:
        for place, pair in enumerate(CONTRASTS):
            test, reference = (y[LAYOUT.arm == LAYOUT.arms.index(arm)] for arm in pair)
            found[place] += pingouin.ttest(test, reference, paired=True)["p_val"].iloc[0] < 0.05
    return found / number


def main():
    """Print the seconds of both, and their ratio a trial."""
    question = Question(LAYOUT, CONTRASTS, Variance.OWN, multiplicity=Multiplicity.NONE, margin=0.22)
    one_by_one(2)
    started = time.perf_counter()
    loop = one_by_one(60)
    a_loop_trial = (time.perf_counter() - started) / 60
    started = time.perf_counter()
    got = simulate(question, TRIALS, seed=1, most=100_000)
    seconds = time.perf_counter() - started
    print(f"100,000 block trials (12 blocks of 3, two contrasts): {seconds:.1f} s")
    print(
        f"pingouin in a loop: {1000 * a_loop_trial:.1f} ms a trial, {a_loop_trial / (seconds / 100_000):.0f} times as long"
    )
    for place, contrast in enumerate(got.contrasts):
        print(
            f"power of {CONTRASTS[place][0]}: {contrast.power.value:.3f}; in the loop's 60 trials {loop[place]:.2f}"
        )


if __name__ == "__main__":
    main()
