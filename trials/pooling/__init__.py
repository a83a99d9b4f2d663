"""Several trials pooled, from their packs and from publications.

``sources`` reads what each brings, ``counted_once`` refuses tanks that would count twice, ``candidates`` makes a comparison
of each contrast, ``mapping`` and ``questions`` put those that ask the same together, ``evidence`` pools them, and
``writing`` keeps the result in a folder.
"""
