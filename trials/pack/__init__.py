"""The open data package of a trial: made from the register, read by anyone, and checked by computing it all again.

``gathering`` takes out of the register what a pack holds (``contents``), ``building`` makes every file of it, and
``writing`` puts them into a folder or a zip; ``archive`` reads a folder or a zip that may be hostile, ``reading``
makes contents of it again, and ``checking`` compares what is there with what it must be.
"""
