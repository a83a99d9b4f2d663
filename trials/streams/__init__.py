"""What loggers record each minute: files of any size, read in chunks, of which a register holds one line a day.

``raw_files`` keeps the files as they came outside the register, ``csv_stream`` and ``parquet_stream`` read them chunk by chunk,
``chunks`` says what is in a chunk, ``spill`` sorts values into days by way of the disk, ``day_file`` writes the days
down, ``taking_in`` does it all, and ``checking`` does it again for ``verify``.

The days go into the register as a file of readings like any other, so that all that holds for readings holds for them:
they are accepted, held or repeated, corrected, published and checked.
"""
