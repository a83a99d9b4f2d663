"""Doing the trial: everything that touches a disk, a clock or a person."""

__version__ = "0.1.0"
