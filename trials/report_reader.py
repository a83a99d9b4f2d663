"""Who a page of the report is written for."""

from __future__ import annotations

from enum import StrEnum


class Reader(StrEnum):
    """A kind of reader, and with it a page."""

    CLUB = "club"
    FARM = "farm"
    ARTICLE = "article"

    @property
    def page(self) -> str:
        """Name of the page's file."""
        return f"{self}.html"
