"""Recording sheets: for each site a workbook, and a page for a phone, that come back through intake.

``due`` says which tank is measured on which day, ``asked`` in which unit and with which kits, ``doses`` what a tank is
given, ``instructions`` says it all in plain words, ``site`` gathers it, ``workbook`` and ``page`` write it down, and
``folder`` puts the files where they are wanted.
"""
