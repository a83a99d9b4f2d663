"""How long a search of 200 designs takes by formula and under the tank model, beside one simulation of one design."""

import argparse
import datetime as dt
import time

from trials.draft_wishes import Wishes as Draft
from trials.drafting import checked, draft
from trials.planning_search import Wishes, search, search_tanks
from trials.planning_trials import simulate_tanks
from trials.spreading import spreading


def main():
    """Print the seconds of each, and what the search costs in simulations of a single design."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--trials", type=int, default=500)
    parser.add_argument("--workers", type=int, default=2)
    given = parser.parse_args()
    protocol = checked(draft(Draft("club", "A trial", dt.date(2026, 3, 2)))).protocol
    endpoint = protocol.endpoints[0]
    wishes = Wishes(
        blocks=(6, 9, 12, 16, 20), weeks=(6, 8, 10, 12, 16), every_days=(4, 7, 10, 14), duplicates=(1, 2)
    )
    started = time.perf_counter()
    designs = len(search(protocol, endpoint, wishes))
    print(f"{designs} designs by formula: {time.perf_counter() - started:.1f} s")
    with spreading(given.workers, None) as spread_out:
        started = time.perf_counter()
        simulate_tanks(protocol, endpoint, trials=given.trials, seed=1, spread_out=spread_out)
        one = time.perf_counter() - started
        started = time.perf_counter()
        search_tanks(protocol, endpoint, wishes, trials=given.trials, seed=1, spread_out=spread_out)
        all_of_them = time.perf_counter() - started
    print(f"one design under the tank model, {given.trials} trials: {one:.1f} s")
    print(
        f"{designs} designs, each on the same {given.trials} trials: {all_of_them:.1f} s, {all_of_them / one:.1f} times"
    )


if __name__ == "__main__":
    main()
