"""Every benchmark of speed in one run, as a table in Markdown; each in a process of its own, one after the other.

Run as ``python tests/benchmarks/speed_table.py [--quick]`` on a machine that does nothing else; with ``--quick`` each is
made small, which shows that all of them run and measures little.
"""

import argparse
import os
import subprocess
import sys
from pathlib import Path

FOLDER = Path(__file__).parent
BENCHMARKS = (
    ("start", "start_speed.py", [], ["--rounds", "1"]),
    ("a million rows of CSV", "csv_speed.py", [], ["--rows", "20000", "--rounds", "1"]),
    ("the same, all moments differ", "csv_speed.py", ["--all-differ"], ["--all-differ", "--rows", "20000"]),
    ("a hundred thousand rows of XLSX", "intake_speed.py", [], ["--rows", "5000", "--rounds", "1"]),
    ("exact randomisation of 40 pairs", "exact_speed.py", [], ["--pairs", "20", "--draws", "100000"]),
    ("power by simulation", "simulation_speed.py", [], []),
    ("a register that grows", "register_speed.py", ["--files", "250"], ["--files", "20"]),
)


def main():
    """Print the table, row by row."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--quick", action="store_true")
    given = parser.parse_args()
    home = str(FOLDER.parents[1])
    where = os.pathsep.join(part for part in (home, os.environ.get("PYTHONPATH")) if part)
    print(f"Load before: {os.getloadavg()[0]:.1f} on {os.cpu_count()} cores.\n")
    print("| what | command | measured |\n|---|---|---|")
    for title, script, full, quick in BENCHMARKS:
        options = quick if given.quick else full
        done = subprocess.run(
            [sys.executable, FOLDER / script, *options],
            check=True,
            capture_output=True,
            text=True,
            env=os.environ | {"PYTHONPATH": where},
        )
        command = " ".join([script, *options])
        print(f"| {title} | `{command}` | {'; '.join(done.stdout.splitlines())} |", flush=True)


if __name__ == "__main__":
    main()
