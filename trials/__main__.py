"""``python -m trials`` is the command ``fairtank``."""

from trials.cli import run

run()
