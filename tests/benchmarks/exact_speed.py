"""How long the exact randomisation test of 40 pairs takes, beside SciPy's with a million draws.

Run as ``python tests/benchmarks/exact_speed.py [--pairs 40] [--draws 1000000]``.
"""

import argparse
import time

import numpy as np
from scipy import stats

from analysis.exact_law import exact_law
from analysis.redraws import Stratum


def main():
    """Print the seconds and p of both."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--pairs", type=int, default=40)
    parser.add_argument("--draws", type=int, default=1_000_000)
    given = parser.parse_args()
    rng = np.random.default_rng(1)
    test, reference = np.round(rng.normal([[9.2], [10.0]], 2.0, (2, given.pairs)), 2)
    treated = np.array([True, False])
    started = time.process_time()
    law = exact_law([Stratum(np.array(pair), None, treated) for pair in zip(test, reference, strict=True)])
    exact = law.tail(0.0)
    here = time.process_time() - started
    started = time.process_time()
    drawn = stats.permutation_test(
        (test, reference),
        lambda x, y, axis: (x - y).mean(axis=axis),
        permutation_type="samples",
        vectorized=True,
        n_resamples=given.draws,
        batch=10_000,
        rng=np.random.default_rng(2),
    ).pvalue
    there = time.process_time() - started
    error = (exact * (1 - exact) / given.draws) ** 0.5
    if abs(drawn - exact) > 5 * error + 2 / given.draws:
        raise SystemExit(f"p is {exact} by counting and {drawn} by drawing")
    print(f"all 2^{given.pairs} draws counted: {here:.2f} s, p {exact:.6g}")
    print(
        f"SciPy, {given.draws:,} of them drawn: {there:.2f} s, p {drawn:.6g}; {there / here:.1f} times as long"
    )


if __name__ == "__main__":
    main()
