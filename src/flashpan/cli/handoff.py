"""``flashpan handoff``: cut lists, markers and the shot log of a night."""

from __future__ import annotations

import click

from flashpan.cli.output import Results, note

_HELP = """Write what goes to the edit from a night: cut lists, markers, the shot log.

DEST is the folder that flashpan ingest or flashpan watch wrote to. What is there of an earlier
hand-off is replaced. Every frame counts as one frame, whatever rate it was shot at.

\b
Written to --out, by default DEST/night.handoff:
  cutlist.otio   OpenTimelineIO: clips, a marker at every onset, all that is known
  cutlist.edl    CMX 3600 with SMPTE ST 12-1 timecode; 999 edits a file
  markers.csv    a row per event
  shotlog.csv    a row per event, and one for every take without any
  shotlog.html   the same to print, by take
  shotlog.xlsx   with --xlsx

A cut list has one rate; where takes are watched at several, there is a list for each. Ranges whose
events are all rejected are left out.

\b
Columns of markers.csv:
  record, record_frame         the onset in the cut list: timecode, frames from its first
  source, reel, clip           its timecode in the clip (or take), reel in the EDL, name
  clip_frame                   the onset in frames from the clip's first
  take, event, kind            as in the event log
  onset, peak, end             frames of the take
  onset_s, playback_s          seconds of real and of playback time in the take
  strength, mark, note, rate   in noise units; circled or rejected; words; frames per second

\b
Columns of shotlog.csv:
  take, place, shot_at         when, by this machine's clock
  time_from                    container (the camera's clock) or file (last written)
  slate ...                    a column for each name on the slates of flashpan.toml
  state, frames                done, failed, new or running; length of the take
  capture_rate, playback_rate  frames per second
  event, kind                  as in the event log
  onset, peak, end             frames of the take
  onset_real, onset_playback   seconds of real and of playback time in the take
  strength, mark, note         in noise units; circled or rejected; the operator's words
  clip, clip_first, clip_last  clip below DEST, and the frames in it
  verified, sha256, error      proof and checksum of the clip; why a take failed

\b
Examples:
  flashpan handoff night
  flashpan handoff night --circled --playback-rate 29.97 --drop-frame
  flashpan handoff night --media takes --start 10:00:00:00 --out edit --xlsx
"""


@click.command("handoff", help=_HELP, short_help="Write cut lists and the shot log of a night.")
@click.argument("dest", metavar="DEST")
@click.option("--out", metavar="DIR", help="Where to write [default: DEST/night.handoff].")
@click.option(
    "--media",
    metavar="WHAT",
    default="clips",
    help="What cut lists refer to: clips or takes [default: clips].",
)
@click.option("--circled", is_flag=True, help="Only ranges with a circled event.")
@click.option(
    "--playback-rate",
    metavar="RATE",
    help="Count all frames at this rate [default: as each take is watched, else 25].",
)
@click.option(
    "--drop-frame/--non-drop-frame",
    "drop",
    default=None,
    help="Timecode at 29.97 and 59.94 [default: as the clips have it].",
)
@click.option(
    "--start",
    metavar="TIMECODE",
    default="01:00:00:00",
    help="Where the record begins [default: 01:00:00:00].",
)
@click.option("--xlsx", is_flag=True, help="Write the shot log as a workbook, too.")
def command(
    dest: str,
    out: str | None,
    media: str,
    circled: bool,
    playback_rate: str | None,
    drop: bool | None,
    start: str,
    xlsx: bool,
) -> None:
    """Read the options, write, say what was written."""
    from flashpan.handoff.night import hand_off
    from flashpan.units import parse_rate

    rate = None if playback_rate is None else parse_rate(playback_rate, "--playback-rate")
    done = hand_off(
        dest,
        out,
        media=media,
        circled=circled,
        playback_rate=rate,
        drop=drop,
        start=start,
        xlsx=xlsx,
    )
    for text in done.notes:
        note(text)
    Results(go_on=True).write("\n".join(str(path) for path in done.files), is_exact=True)
