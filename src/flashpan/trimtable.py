"""What was written of takes, as a table for people and as JSON for programs."""

from __future__ import annotations

import os
from collections.abc import Iterator, Sequence
from typing import Any

from flashpan.cut.base import Clip
from flashpan.cut.report import CLIP, Failed, Output, Trimmed
from flashpan.cut.space import format_bytes
from flashpan.model import TrimRange
from flashpan.table import aligned, counted, head_lines, percent, wrapped

_HEADINGS = ("#", "clip", "frames", "way", "size", "verified")
_LEFT_ALIGNED = frozenset({"clip", "way", "verified"})


def format_trimmed(done: Trimmed) -> str:
    """The take, its log, a line per clip and copy, what was left out, and the total.

    Returns
    -------
    str
        Lines of at most 100 characters where names allow, without a line end at the end.
    """
    lines = [*head_lines(done.log.take), *wrapped("log", str(done.log_path)), ""]
    if done.outputs:
        lines += [*aligned([_HEADINGS, *map(_cells, done.outputs)], _LEFT_ALIGNED), ""]
    elif not done.log.ranges:
        lines += ["Nothing to keep: no events.", ""]
    lines += wrapped("kept", _kept_text([done]))
    lines += [line for text in _notes(done) for line in wrapped("note", text)]
    return "\n".join(lines)


def format_total(all_done: Sequence[Trimmed]) -> str:
    """One line over several takes."""
    takes = counted(len(all_done), "take")
    return "\n".join(wrapped("all", f"{takes}: {_kept_text(all_done)}"))


def trimmed_to_dict(done: Trimmed) -> dict[str, Any]:
    """What was written of one take, as JSON holds it; frames are inclusive."""
    take = done.log.take
    return {
        "take": {"name": take.name, "path": take.path, "frames": take.n_frames},
        "log": str(done.log_path),
        "outputs": [_output_to_dict(output) for output in done.outputs],
        "failed": [_failed_to_dict(done, failed) for failed in done.failed],
        "left_out": [{"first": one.first, "last": one.last} for one in done.left_out],
        "totals": {
            "frames": done.log.totals.frames,
            "kept": done.kept_frames,
            "bytes": done.n_bytes,
            "source_bytes": _source_bytes(done),
        },
    }


def _cells(output: Output) -> tuple[str, ...]:
    proof = output.proof or "no"
    return (
        str(output.number),
        output.path.name + (os.sep if output.path.is_dir() else ""),
        f"{output.first}-{output.last}",
        output.way,
        format_bytes(output.n_bytes),
        f"{proof}, there already" if output.was_there else proof,
    )


def _kept_text(all_done: Sequence[Trimmed]) -> str:
    frames = sum(done.log.totals.frames for done in all_done)
    kept = sum(done.kept_frames for done in all_done)
    share = f" ({percent(kept, frames)})" if kept and frames else ""
    clips = counted(sum(len(done.clips) for done in all_done), "clip")
    text = f"{kept:,} of {counted(frames, 'frame')}{share} in {clips}"
    return text + _bytes_text(all_done)


def _bytes_text(all_done: Sequence[Trimmed]) -> str:
    """Bytes of the clips against those of the takes, then those of copies."""
    outputs = [output for done in all_done for output in done.outputs]
    clips = sum(output.n_bytes for output in outputs if output.form == CLIP)
    copies = sum(output.n_bytes for output in outputs if output.form != CLIP)
    sources = [_source_bytes(done) for done in all_done]
    known = [size for size in sources if size is not None]
    text = f", {format_bytes(clips)}"
    if len(known) == len(sources):
        text += f" of {format_bytes(sum(known))}"
    return text + (f"; copies {format_bytes(copies)}" if copies else "")


def _source_bytes(done: Trimmed) -> int | None:
    known = done.log.take.fingerprint
    return None if known is None else known.size_bytes


def _notes(done: Trimmed) -> Iterator[str]:
    for output in done.outputs:
        if output.clip is not None:
            yield from (f"{output.path.name}: {text}" for text in _clip_notes(output.clip))
    if _are_larger_than_the_take(done):
        yield (
            "frames that build on others are stored whole, without loss; --how copy takes the"
            " take's own packets, from the nearest earlier keyframe"
        )
    for left in done.left_out:
        yield f"the budget left out {_frames_text(left)}"
    for failed in done.failed:
        what = "the clip" if failed.form == CLIP else failed.form
        yield f"{what} of {_frames_text(done.log.ranges[failed.number])} FAILED"


def _are_larger_than_the_take(done: Trimmed) -> bool:
    exact = sum(clip.n_bytes for clip in done.clips if clip.how == "exact")
    return exact > (_source_bytes(done) or exact)


def _clip_notes(clip: Clip) -> Iterator[str]:
    if clip.head_frames:
        yield (
            f"begins {counted(clip.head_frames, 'frame')} early, at"
            f" {clip.first - clip.head_frames}: the nearest that a copy can begin with"
        )
    if clip.tail_frames:
        yield f"ends {counted(clip.tail_frames, 'frame')} late: copied frames build on them"
    yield from clip.warnings


def _frames_text(kept: TrimRange) -> str:
    return f"frames {kept.first:,} to {kept.last:,}"


def _output_to_dict(output: Output) -> dict[str, Any]:
    facts = {
        "range": output.number,
        "form": output.form,
        "path": str(output.path),
        "first": output.first,
        "last": output.last,
        "frames": output.n_frames,
        "bytes": output.n_bytes,
        "way": output.way,
        "verified": output.proof or None,
        "was_there": output.was_there,
    }
    clip = output.clip
    if clip is None:
        return facts
    return {
        **facts,
        "head_frames": clip.head_frames,
        "tail_frames": clip.tail_frames,
        "recoded_frames": clip.recoded_frames,
        "digest_sha256": clip.digest or None,
        "timecode": clip.timecode,
        "warnings": list(clip.warnings),
    }


def _failed_to_dict(done: Trimmed, failed: Failed) -> dict[str, Any]:
    kept = done.log.ranges[failed.number]
    return {
        "range": failed.number,
        "form": failed.form,
        "first": kept.first,
        "last": kept.last,
        "error": str(failed.error),
    }
