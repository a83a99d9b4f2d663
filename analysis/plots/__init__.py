"""Figures: results in, plotnine plots out; nothing is computed here beyond the shape that a plot needs."""
