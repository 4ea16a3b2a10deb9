"""What a take of a night was asked for, as settings again."""

from __future__ import annotations

from typing import Any

from flashpan.cut.plan import TrimSettings
from flashpan.night.edits import with_regions
from flashpan.night.key import key_of
from flashpan.night.reviewbook import ReviewBook
from flashpan.night.rows import TakeRow
from flashpan.settings import Settings


def asked_of(said: dict[str, Any]) -> tuple[Settings, TrimSettings]:
    """Settings from what the catalog keeps of them, see `flashpan.night.key.said`."""
    wanted = TrimSettings(**said.get("trim", {}))
    return Settings.from_mapping(said.get("find", {}), source="the night"), wanted


def without_regions(book: ReviewBook, row: TakeRow) -> tuple[Settings, TrimSettings]:
    """What a take was asked for apart from regions that were drawn in review."""
    return asked_of(book.asked_before(row.id) or row.settings)


def is_out_of_date(book: ReviewBook, row: TakeRow) -> bool:
    """Whether a take was searched with other regions than those that are drawn on it now."""
    regions = book.regions(row.id)
    if not row.settings_key or not (regions or book.asked_before(row.id)):
        return False
    settings, wanted = without_regions(book, row)
    return key_of(with_regions(settings, regions), wanted) != row.settings_key
