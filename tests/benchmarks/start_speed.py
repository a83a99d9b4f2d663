"""How long the command takes to start, beside the least program that typer can make.

Run as ``python tests/benchmarks/start_speed.py [--rounds 7]``; each is started in turn, and the fastest of each counts.
"""

import argparse
import os
import resource
import subprocess
import sys

BARE = """
import typer
app = typer.Typer(add_completion=False, rich_markup_mode=None)
@app.command()
def one(): pass
@app.command()
def two(): pass
app()
"""
PROGRAMS = {
    "a bare typer program, --help": [sys.executable, "-c", BARE, "--help"],
    "fairtank --help": [sys.executable, "-m", "trials", "--help"],
    "fairtank --version": [sys.executable, "-m", "trials", "--version"],
}


def seconds(command):
    """Of the processor, for one start."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    subprocess.run(command, check=True, stdout=subprocess.DEVNULL, env=os.environ | {"COLUMNS": "100"})
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def main():
    """Print the seconds of each, and how many times that of the bare program it is."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--rounds", type=int, default=7)
    given = parser.parse_args()
    runs = [[seconds(command) for command in PROGRAMS.values()] for _ in range(given.rounds)]
    fastest = [min(column) for column in zip(*runs, strict=True)]
    for name, taken in zip(PROGRAMS, fastest, strict=True):
        print(f"{name}: {taken:.2f} s, {taken / fastest[0]:.1f} times the bare program")


if __name__ == "__main__":
    main()
