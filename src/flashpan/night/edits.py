"""What the operator changed in a take: where ranges begin and end, and where to look.

Other settings, or another version, give a take other ranges.  An edit goes over to the range that
shares most frames with what was wanted; one that fits none stays as a warning of the take.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from fractions import Fraction

from flashpan.night.database import Database
from flashpan.settings import Settings
from flashpan.units import Coordinate, RegionSpec

LOOK, IGNORE = "look", "ignore"
"""Roles of a region: only there, or never there."""


@dataclass(frozen=True, slots=True, kw_only=True)
class DrawnRegion:
    """A region that the operator drew on a take's picture, pixels."""

    role: str
    x: int
    y: int
    width: int
    height: int


@dataclass(frozen=True, slots=True, kw_only=True)
class RangeEdit:
    """What a range shall be instead of what was found; frames inclusive."""

    number: int
    first: int
    last: int


def edits_of(db: Database, take_id: int) -> list[RangeEdit]:
    """Ranges of a take that were edited, in order."""
    rows = db.rows(
        "SELECT number, first, last FROM range_edit WHERE take_id = ? ORDER BY number", take_id
    )
    return [RangeEdit(**dict(row)) for row in rows]


def put_edits(db: Database, take_id: int, edits: list[RangeEdit]) -> None:
    """Give edits to the ranges that a take has now; steps that spoke of others are forgotten."""
    db.run("DELETE FROM review_step WHERE take_id = ? AND what <> 'regions'", take_id)
    for edit in edits:
        row = db.first(
            "SELECT number, min(last, ?1) - max(first, ?2) AS shared FROM trim_range"
            " WHERE take_id = ?3 AND shared >= 0 ORDER BY shared DESC, number LIMIT 1",
            *(edit.last, edit.first, take_id),
        )
        if row is None:
            _say_lost(db, take_id, edit)
        else:
            db.run(
                "INSERT OR IGNORE INTO range_edit VALUES (?, ?, ?, ?)",
                *(take_id, row["number"], edit.first, edit.last),
            )


def _say_lost(db: Database, take_id: int, edit: RangeEdit) -> None:
    text = f"in and out at frames {edit.first}-{edit.last} fit no range any more"
    db.run(
        "INSERT INTO warning SELECT ?1, ifnull(max(number) + 1, 0), ?2 FROM warning"
        " WHERE take_id = ?1",
        *(take_id, text),
    )


def regions_of(db: Database, take_id: int) -> list[DrawnRegion]:
    """Regions that were drawn on a take, in order."""
    rows = db.rows(
        "SELECT role, x, y, width, height FROM take_region WHERE take_id = ? ORDER BY number",
        take_id,
    )
    return [DrawnRegion(**dict(row)) for row in rows]


def with_regions(settings: Settings, regions: list[DrawnRegion]) -> Settings:
    """Settings that look only at, and never at, the regions drawn, too."""
    looks = tuple(_spec(region) for region in regions if region.role == LOOK)
    ignores = tuple(_spec(region) for region in regions if region.role == IGNORE)
    return replace(settings, roi=settings.roi + looks, ignore=settings.ignore + ignores)


def _spec(region: DrawnRegion) -> RegionSpec:
    sides = (region.x, region.y, region.width, region.height)
    return RegionSpec(*(Coordinate(Fraction(side)) for side in sides))
