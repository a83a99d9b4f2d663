"""What a file of a logger's days has beside the columns of a reading."""

from __future__ import annotations

NUMBERS = (
    "logged",
    "q05",
    "q95",
    "min",
    "max",
    "minutes_unusual",
    "minutes_past_stop_rule",
    "minutes_missing",
    "longest_gap",
    "interval",
)
"""Of each day: how many values, quantiles of 5 and 95 %, extremes, minutes outside the usual bounds and the stop rules',
minutes without a value and the longest of these at once, and minutes between two values; empty where it is not known."""

KIT = "logger"
"""What stands in the place of the kit."""

HOUR = 12
"""A median is that of a whole day, and stands at the middle of it."""
