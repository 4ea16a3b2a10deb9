"""`hand_off`: everything that goes to the edit from a night, in one folder."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path

from flashpan.atomic import make_folder, new_file, remove_left_over, write_bytes
from flashpan.errors import UsageError
from flashpan.handoff.cutlist import CLIPS, DEFAULT_RATE, START, TAKES, CutList, cut_lists
from flashpan.handoff.kept import Kept, kept_ranges
from flashpan.handoff.labels import has_labels, rate_name
from flashpan.handoff.markers import markers_csv
from flashpan.handoff.shotlog import ShotLog, shot_log, shot_log_csv
from flashpan.night.record import NightRecord
from flashpan.units import format_rate, parse_rate

FOLDER = "night.handoff"
"""Below the night, where nothing else is said."""


@dataclass(frozen=True, slots=True, kw_only=True)
class HandedOff:
    """What was written.

    Attributes
    ----------
    folder : Path
    files : tuple of Path
    cut_lists : tuple of CutList
        One for each playback rate.
    log : ShotLog
    notes : tuple of str
        What was left out or counted otherwise than the takes say.
    """

    folder: Path
    files: tuple[Path, ...]
    cut_lists: tuple[CutList, ...]
    log: ShotLog
    notes: tuple[str, ...]


def hand_off(
    dest: str | os.PathLike[str],
    out: str | os.PathLike[str] | None = None,
    *,
    media: str = CLIPS,
    circled: bool = False,
    playback_rate: Fraction | float | str | None = None,
    drop: bool | None = None,
    start: str = START,
    xlsx: bool = False,
) -> HandedOff:
    """Write cut lists, markers and the shot log of a night; older ones there are replaced.

    Parameters
    ----------
    dest : path-like
        Folder of the night.
    out : path-like, optional
        Where it goes; ``night.handoff`` in the night by default.
    media : {"clips", "takes"}
        What the cut lists refer to.
    circled : bool
        Only ranges with a circled event.  Ranges of which all events are rejected are left
        out in any case.
    playback_rate : Fraction, float or str, optional
        For all of them, as `flashpan.units.parse_rate` reads it: 29.97 is 30000/1001.
    drop, start
        See `flashpan.handoff.cutlist.cut_lists`.
    xlsx : bool
        Write the shot log as a workbook, too.

    Returns
    -------
    HandedOff

    Raises
    ------
    UsageError, SettingsError
        A choice that makes no sense.
    CatalogError, TakeError
        There is no night, or nothing can be written.
    """
    if media not in (CLIPS, TAKES):
        raise UsageError(f"--media {media!r} is neither {CLIPS} nor {TAKES}; give one of them")
    if xlsx:
        from flashpan.handoff.workbook import require_xlsx

        require_xlsx()
    rate = None if playback_rate is None else parse_rate(str(playback_rate), "playback_rate")
    with NightRecord.read(dest) as record, record.at_one_moment():
        every, log = list(kept_ranges(record)), shot_log(record)
    folder = Path(dest, FOLDER) if out is None else Path(out)
    chosen = [one for one in every if not one.is_rejected and (one.is_circled or not circled)]
    name = Path(os.path.abspath(dest)).name
    lists = cut_lists(chosen, name, media=media, playback_rate=rate, drop=drop, start=start)
    make_folder(folder)
    remove_left_over(folder)
    notes = [*_notes(every, chosen, lists, media, rate)]
    files = [*_write_cut_lists(lists, folder, notes.append), *_write_logs(lists, log, folder, xlsx)]
    return HandedOff(
        folder=folder,
        files=tuple(files),
        cut_lists=tuple(lists),
        log=log,
        notes=tuple(notes),
    )


def _notes(
    every: list[Kept],
    chosen: list[Kept],
    lists: list[CutList],
    media: str,
    playback_rate: Fraction | None,
) -> Iterator[str]:
    if rejected := sum(one.is_rejected for one in every):
        yield f"{rejected} of {len(every)} ranges are rejected and left out of the cut lists"
    if media == CLIPS and (uncut := sum(one.clip is None for one in chosen)):
        yield f"{uncut} ranges have no clip and are left out of the cut lists"
    unknown = {one.take.place for one in chosen if one.take.playback_rate is None}
    if unknown and playback_rate is None:
        yield (
            f"{len(unknown)} takes say no playback rate and are counted at"
            f" {format_rate(DEFAULT_RATE)} frames/s; give --playback-rate for another"
        )
    if len(lists) > 1:
        yield (
            f"takes are watched at {len(lists)} rates: one cut list for each; give"
            " --playback-rate for a single one"
        )


def _write_cut_lists(
    lists: list[CutList], folder: Path, on_note: Callable[[str], object]
) -> Iterator[Path]:
    for cut_list in lists:
        rate = rate_name(cut_list.rate, drop=cut_list.drop)
        stem = "cutlist" if len(lists) == 1 else f"cutlist-{rate}"
        yield _write_timeline(cut_list, folder / f"{stem}.otio")
        if has_labels(cut_list.rate):
            yield from _write_edls(cut_list, folder, stem)
        else:
            on_note(
                f"{format_rate(cut_list.rate)} frames/s has no timecode: no EDL; give"
                " --playback-rate 25 to count frames at that"
            )


def _write_timeline(cut_list: CutList, path: Path) -> Path:
    import opentimelineio as otio

    from flashpan.handoff.timeline import timeline

    text = otio.adapters.write_to_string(timeline(cut_list, path.parent), "otio_json")
    return write_bytes(path, text.encode() + b"\n", overwrite=True)


def _write_edls(cut_list: CutList, folder: Path, stem: str) -> Iterator[Path]:
    from flashpan.handoff.edl import edls

    texts = list(edls(cut_list, folder))
    for number, text in enumerate(texts, start=1):
        path = folder / (f"{stem}.edl" if len(texts) == 1 else f"{stem}-{number}.edl")
        yield write_bytes(path, text.encode(errors="backslashreplace"), overwrite=True)


def _write_logs(lists: list[CutList], log: ShotLog, folder: Path, xlsx: bool) -> Iterator[Path]:
    from flashpan.handoff.page import shot_log_page

    texts = {
        "markers.csv": markers_csv(lists),
        "shotlog.csv": shot_log_csv(log),
        "shotlog.html": shot_log_page(log),
    }
    for name, text in texts.items():
        content = text.encode("utf-8", "surrogateescape")
        yield write_bytes(folder / name, content, overwrite=True)
    if xlsx:
        from flashpan.handoff.workbook import write_workbook

        with new_file(folder / "shotlog.xlsx", overwrite=True) as part:
            write_workbook(log, part)
        yield folder / "shotlog.xlsx"
