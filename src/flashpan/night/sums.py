"""Sums over the catalog of a night, and its events by time: what a report is made of.

They are made where the rows are, so that a night of very many takes takes no time.  Takes that
were replaced by others do not count.
"""

from __future__ import annotations

from collections.abc import Iterator

from flashpan.night.database import Database
from flashpan.night.rows import NightEvent, NightTotals, Quarter

CLIP = "clip"
QUARTER_S = 900
TO_COME = "to come"
"""Note of how many takes of the source have never been begun."""

_TAKES = """
SELECT count(*) AS takes,
    total(state = 'done') AS done,
    total(state = 'failed') AS failed,
    total(frames) AS frames,
    total(CASE state WHEN 'done' THEN bytes ELSE 0 END) AS take_bytes
FROM take WHERE replaced_by IS NULL
"""
# A copy beside a clip holds the same frames once more, and is not counted among those kept.
_CLIPS = """
SELECT total(form = 'clip') AS clips,
    total(CASE form WHEN 'clip' THEN last - first + 1 ELSE 0 END) AS kept,
    total(CASE WHEN state = 'done' AND form = 'clip' THEN clip.bytes ELSE 0 END) AS clip_bytes,
    total(CASE WHEN state = 'done' AND form <> 'clip' THEN clip.bytes ELSE 0 END) AS copy_bytes
FROM clip JOIN take ON take.id = take_id WHERE replaced_by IS NULL
"""
_EVENTS = """
SELECT count(*) AS events FROM event JOIN take ON take.id = take_id WHERE replaced_by IS NULL
"""
_WORK = """
SELECT total(seconds) AS seconds, total(bytes_read) AS bytes_read FROM attempt
"""
_UNREADABLE = "SELECT count(*) AS unreadable FROM problem"
_TO_COME = f"SELECT total(CAST(value AS INTEGER)) AS to_come FROM night WHERE name = '{TO_COME}'"

_QUARTER = f"CAST(strftime('%s', nullif(shot_at, '')) AS INTEGER) / {QUARTER_S}"
_QUARTERS = f"""
SELECT {_QUARTER} AS number, 'takes' AS what, count(*) AS count
FROM take WHERE replaced_by IS NULL GROUP BY number
UNION ALL
SELECT {_QUARTER} AS number, 'kept', sum(last - first + 1)
FROM clip JOIN take ON take.id = take_id WHERE replaced_by IS NULL AND form = 'clip'
GROUP BY number
UNION ALL
SELECT {_QUARTER} AS number, 'event ' || event.kind, count(*)
FROM event JOIN take ON take.id = take_id WHERE replaced_by IS NULL
GROUP BY number, event.kind
"""
# Takes have their numbers in the order in which they were found, which is that of their names.
_BY_TIME = f"""
SELECT shot_at, shot_at_from, take.name, path, place, ifnull(folder, ''),
    event.number, event.kind, detector, onset, peak, "end", onset_s, strength, chance,
    x, y, width, height, trim_range.first, trim_range.last,
    clip.name, clip.bytes, proof, sha256
FROM take JOIN event ON event.take_id = take.id
LEFT JOIN trim_range ON trim_range.take_id = take.id AND trim_range.number = event.trim_range
LEFT JOIN clip
    ON clip.take_id = take.id AND clip.number = event.trim_range AND form = '{CLIP}'
WHERE replaced_by IS NULL
ORDER BY shot_at = '', shot_at, take.id, event.number
LIMIT ?
"""


def totals_in(database: Database) -> NightTotals:
    """Sum up everything."""
    totals = NightTotals()
    for question in (_TAKES, _CLIPS, _EVENTS, _WORK, _UNREADABLE, _TO_COME):
        row = database.first(question)
        for name in row.keys() if row else ():
            setattr(totals, name, type(getattr(totals, name))(row[name]))  # type: ignore[index]
    totals.waiting = totals.takes - totals.done - totals.failed
    return totals


def quarters_in(database: Database) -> Iterator[Quarter]:
    """What happened in each quarter of an hour."""
    return (Quarter(*row) for row in database.rows(_QUARTERS))


def events_by_time(database: Database, most: int | None = None) -> Iterator[NightEvent]:
    """Events by the time of their takes, then take, then frame; so many at most."""
    return (NightEvent(*row) for row in database.rows(_BY_TIME, -1 if most is None else most))
