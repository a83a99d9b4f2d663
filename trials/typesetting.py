"""Text made harmless and set for a page."""

from __future__ import annotations

import re

from markupsafe import Markup

from analysis.numerals import plain


def typeset(text: str) -> Markup:
    """Make a sentence harmless and set it: curved apostrophes, no break between a number and what it counts."""
    set_text = plain(text).replace("'", "\u2019")
    set_text = re.sub(r"(?<=\d) (?=%)", "\u202f", set_text)
    set_text = re.sub(r"(?<=[=<>]) (?=\d)", "\u00a0", set_text)
    return Markup.escape(set_text)
