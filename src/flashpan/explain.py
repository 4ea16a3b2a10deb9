"""Why one frame of a take is, or is not, part of an event.

The take is searched exactly as `flashpan.find` does, while one frame and its neighbours are
watched: what each detector's score rests on, the thresholds that were in force, and what the
picker made of it.  Nothing is computed a second time or in another way.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping
from dataclasses import dataclass

from flashpan.errors import SettingsError
from flashpan.find import Search, opened
from flashpan.grid import Grid
from flashpan.model import EventLog, Reading, Region, TakeInfo
from flashpan.readers.base import Reader
from flashpan.ruling import Ruling, Standing, Watch
from flashpan.settings import ResolvedSettings, Settings
from flashpan.verdict import Case, Verdict, verdict_on

AROUND = 3
"""Neighbours shown on either side."""
# Quantities that are levels between black and white, and those that are sizes of a change.
_LEVELS, _SIZES = frozenset({"mean luma"}), frozenset({"frame difference", "speck"})


@dataclass(frozen=True, slots=True, kw_only=True)
class Site:
    """The place that gave a score, and how it was judged there.

    Attributes
    ----------
    reading : Reading
        What the detector says of it, in its own units.
    row, col : int
        Its top left tile.
    n_rows, n_cols : int
        Its size in tiles.
    box : Region
        Its size in pixels of the picture.
    codes : tuple of float or None
        Value, expected value and noise in the take's own code values; None for a quantity
        that is no luma.
    """

    reading: Reading
    row: int
    col: int
    n_rows: int
    n_cols: int
    box: Region
    codes: tuple[float, float, float] | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Account:
    """One detector's part in the answer.

    Attributes
    ----------
    detector : str
        Its name.
    standing : Standing
        Score and thresholds, in noise units, and what the picker made of them.
    asked : float
        False events per million frames that its opening threshold was set for: its share of
        what all detectors may give.
    since : int or None
        First frame of the departure, looking back; None where no place departed.
    is_moving : bool
        True where the departed places were not yet, or no longer, at rest.
    site : Site or None
        Where; None where the detector does not say.
    """

    detector: str
    standing: Standing
    asked: float
    since: int | None
    is_moving: bool
    site: Site | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Explanation:
    """The answer to a doubt about one frame.

    Attributes
    ----------
    frame : int
        The frame asked about.
    verdict : Verdict
        Whether and why it is part of an event, and whether it is kept.
    refreshed : bool
        True where the stream codes the frame afresh.
    shift : tuple of float
        Pixels to the right and down that the camera had moved the whole picture by; they were
        taken out before the frame was scored.  (0, 0) where no sway was seen.
    accounts : tuple of Account
        One per detector, in the order of the settings; none where the frame was not looked at.
    around : tuple of Ruling
        The frame and its neighbours, as far as they were looked at.
    log : EventLog
        The search that it comes from.
    """

    frame: int
    verdict: Verdict
    refreshed: bool
    shift: tuple[float, float]
    accounts: tuple[Account, ...]
    around: tuple[Ruling, ...]
    log: EventLog


def explain(
    take: str | os.PathLike[str] | Reader,
    frame: int,
    settings: Settings | None = None,
    *,
    on_frame: Callable[[int], None] | None = None,
) -> Explanation:
    """Search a take and say why one of its frames is, or is not, part of an event.

    Parameters
    ----------
    take : path or Reader
        As for `flashpan.find`.
    frame : int
        Number of the frame, from 0.
    settings : Settings, optional
        What was asked for; the answer holds for a search with these settings.
    on_frame : callable, optional
        Called with each frame's number once it has been measured.

    Returns
    -------
    Explanation
        `flashpan.answer` gives it as text and as JSON holds it.

    Raises
    ------
    UnreadableTake
        The take cannot be opened or no frame of it decodes.
    SettingsError, RegionError
        A setting makes no sense for this take, or it has no such frame.
    """
    asked = settings or Settings()
    if frame < 0:
        raise SettingsError(f"frame {frame}: frames are numbered from 0; give 0 or more")
    with opened(take, asked) as reader:
        _require_frame(frame, reader.info)
        watch = Watch(frame, AROUND)
        search = Search(reader, asked, watch=watch)
        for _ in search.events(on_frame):
            pass  # the search keeps them
        explained = _explained(search, watch)
        _require_read(frame, search.settings, explained.log)
        return explained


def _require_frame(frame: int, info: TakeInfo) -> None:
    """Refuse at once where the take is known to be shorter."""
    if info.n_frames and frame >= info.n_frames:
        raise _no_such_frame(frame, info.path, info.n_frames)


def _require_read(frame: int, wanted: ResolvedSettings, log: EventLog) -> None:
    """Refuse where the take ended before a frame that was to be looked at."""
    stop = wanted.start + log.totals.frames
    if frame >= stop and (wanted.stop is None or frame < wanted.stop):
        raise _no_such_frame(frame, log.take.path, stop)


def _no_such_frame(frame: int, path: str, n_frames: int) -> SettingsError:
    return SettingsError(
        f"frame {frame} lies after the last frame of {path}, which has {n_frames} frames"
        f" numbered from 0; ask for one of 0 to {n_frames - 1}"
    )


def _explained(search: Search, watch: Watch) -> Explanation:
    log, wanted = search.log(), search.settings
    ruling = next((r for r in watch.rulings if r.index == watch.frame), None)
    case = Case(
        frame=watch.frame,
        start=wanted.start,
        stop=wanted.start + log.totals.frames,
        ruling=ruling,
        departs_next=watch.departs_next,
        events=log.events,
        openings=search.openings,
        ranges=log.ranges,
        pre_roll_frames=wanted.pre_roll_frames,
        post_roll_frames=wanted.post_roll_frames,
        merge_gap_frames=wanted.merge_gap_frames,
    )
    share = wanted.false_alarms / len(wanted.detectors)
    return Explanation(
        frame=watch.frame,
        verdict=verdict_on(case),
        refreshed=ruling is not None and ruling.refreshed,
        shift=watch.shift,
        accounts=_accounts(ruling.standings if ruling else {}, share, search.grid, log.take),
        around=tuple(watch.rulings),
        log=log,
    )


def _accounts(
    standings: Mapping[str, Standing], share: float, grid: Grid, take: TakeInfo
) -> tuple[Account, ...]:
    return tuple(
        Account(
            detector=name,
            standing=standing,
            asked=share,
            since=None if standing.score.around is None else standing.score.since,
            is_moving=bool(standing.score.moving > standing.closing),
            site=_site(standing.score.reading, grid, take),
        )
        for name, standing in standings.items()
    )


def _site(reading: Reading | None, grid: Grid, take: TakeInfo) -> Site | None:
    if reading is None:
        return None
    top, left, bottom, right = reading.extent
    return Site(
        reading=reading,
        row=top,
        col=left,
        n_rows=bottom - top,
        n_cols=right - left,
        box=grid.pixels(*reading.extent),
        codes=_codes(reading, take),
    )


def _codes(reading: Reading, take: TakeInfo) -> tuple[float, float, float] | None:
    if reading.quantity not in _LEVELS | _SIZES:
        return None
    black, scale = take.black if reading.quantity in _LEVELS else 0, take.full_scale
    value, expected = (black + level * scale for level in (reading.value, reading.expected))
    return value, expected, reading.noise * scale
