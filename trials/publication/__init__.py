"""A trial known only from what a publication prints of it: tables typed in, worked out, marked and kept apart.

``reading`` reads the file, ``rows`` the tables, ``working`` makes contrasts of them, ``results`` the document of an
analysis, and ``packing`` a folder that can be pooled. Nothing of it ever enters a register.
"""
