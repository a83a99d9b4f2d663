"""Readings in: files as people send them, read, understood, reviewed row by row, and handed on as a batch.

``readers`` turns bytes into a table of texts, ``headers`` and ``names`` say what its columns are, ``numerals``
and ``dates`` read single cells, ``drafts`` makes a table of readings of them, ``review`` and ``recognise``
hold what a person must look at, and ``batch`` is the way in. Work is done once for each distinct text of a
column, so that a million rows cost little more than their reading.
"""
