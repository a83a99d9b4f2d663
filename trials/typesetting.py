"""Text made harmless and set for a page."""

from __future__ import annotations

import re

from markupsafe import Markup

from analysis.numerals import plain


def typeset(text: str) -> Markup:
    """Make a sentence harmless and set it for a page of HTML."""
    return Markup.escape(set_text(text))


def set_text(text: str) -> str:
    """Make one line of a sentence and set it: curved apostrophes, no break between a number and what it counts."""
    line = plain(text).replace("'", "\u2019")
    line = re.sub(r"(?<=\d) (?=%)", "\u202f", line)
    return re.sub(r"(?<=[=<>]) (?=\d)", "\u00a0", line)
