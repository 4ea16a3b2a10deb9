"""What was flagged, as a table for people and as JSON for programs."""

from __future__ import annotations

import os
from collections.abc import Iterator
from typing import Any

import flashpan
from flashpan.cut.space import format_bytes
from flashpan.eventlog import event_to_dict
from flashpan.night.reporttable import offload_text
from flashpan.offload.kept import ByteSpan, Copied, Flagged, FlaggedTake, Form, Part
from flashpan.settings import rate_number
from flashpan.table import aligned, counted, percent, wrapped
from flashpan.visible import shown

SCHEMA = 1
_HEADINGS = ("take", "frames", "copy", "size")
_LEFT_ALIGNED = frozenset({"take", "copy"})


def format_flagged(flagged: Flagged) -> str:
    """What to copy of each take, then sums, in lines of 100 characters where names allow."""
    rows = [row for one in flagged.takes for row in _rows(one)]
    lines = [*wrapped("source", shown(str(flagged.source))), ""]
    if rows:
        lines += [*aligned([_HEADINGS, *rows], _LEFT_ALIGNED), ""]
    lines += [line for title, text in _total_texts(flagged) for line in wrapped(title, text)]
    for one in flagged.takes:
        lines += [line for text in _notes(one) for line in wrapped("note", shown(text))]
    return "\n".join(lines)


def flagged_to_dict(flagged: Flagged) -> dict[str, Any]:
    """All of it as JSON holds it; frames, packets and bytes are inclusive."""
    return {
        "flashpan": flashpan.__version__,
        "schema": SCHEMA,
        "source": str(flagged.source),
        "takes": [_take_to_dict(flagged, one) for one in flagged.takes],
        "failed": [{"path": one.path, "error": str(one.error)} for one in flagged.failed],
        "totals": {
            "frames": sum(one.log.totals.frames for one in flagged.takes),
            "kept": sum(one.log.totals.kept for one in flagged.takes),
            "bytes": flagged.take_bytes,
            "copy_bytes": flagged.n_bytes,
            "saved_bytes": flagged.saved_bytes,
            "bytes_read": _bytes_read(flagged),
        },
        "offload": {
            "bytes_per_s": rate_number(flagged.offload_rate),
            "saved_s": flagged.saved_s,
        },
    }


def _rows(one: FlaggedTake) -> Iterator[tuple[str, ...]]:
    name = shown(one.place)
    if one.form is Form.NOTHING:
        yield name, "-", "nothing: no events", "-"
    for number, part in enumerate(one.parts):
        size = format_bytes(part.n_bytes) if one.form is not Form.WHOLE else ""
        yield "" if number else name, f"{part.first}-{part.last}", _part_text(one, part), size
    if one.form is Form.WHOLE:
        yield "", "", "the whole take", format_bytes(one.n_bytes)
    for span in one.laid.around:
        what = "header" if one.form is Form.BYTES else "container"
        yield "", "", f"{what}: {_span_text(span)}", format_bytes(span.n_bytes)
    if one.laid.header:
        n_bytes = len(one.laid.header)
        yield "", "", "header: to be written anew", format_bytes(n_bytes)


def _part_text(one: FlaggedTake, part: Part) -> str:
    if part.files:
        first, last = (shown(os.path.basename(part.files[at])) for at in (0, -1))
        return f"{counted(len(part.files), 'file')}, {first} to {last}"
    texts = []
    if part.packets is not None:
        more = _more_text(part)
        texts.append(f"packets {part.packets[0]}-{part.packets[1]}{more}")
    texts += [_span_text(span) for span in part.spans]
    return ", ".join(texts) or ("pages" if one.form is Form.PAGES else "")


def _more_text(part: Part) -> str:
    early = f"{counted(part.head_frames, 'frame')} early" if part.head_frames else ""
    late = f"{counted(part.tail_frames, 'frame')} late" if part.tail_frames else ""
    said = ", ".join(filter(None, (early, late)))
    return f" ({said})" if said else ""


def _span_text(span: ByteSpan) -> str:
    return f"bytes {span.first}-{span.last}"


def _total_texts(flagged: Flagged) -> Iterator[tuple[str, str]]:
    frames = sum(one.log.totals.frames for one in flagged.takes)
    kept = sum(one.log.totals.kept for one in flagged.takes)
    share = f" ({percent(kept, frames)})" if frames else ""
    events = sum(len(one.log.events) for one in flagged.takes)
    yield (
        "frames",
        f"{frames:,} seen, {kept:,} to keep{share} of"
        f" {counted(len(flagged.takes), 'take')}, {counted(events, 'event')}",
    )
    saved = flagged.saved_bytes
    change = f"{format_bytes(abs(saved))} {'saved' if saved >= 0 else 'more'}"
    yield (
        "space",
        f"to copy {format_bytes(flagged.n_bytes)} of {format_bytes(flagged.take_bytes)}, {change}",
    )
    if flagged.offload_rate is not None and flagged.saved_s is not None:
        yield "offload", offload_text(flagged.saved_s, flagged.offload_rate)
    read = _bytes_read(flagged)
    of_all = f" ({percent(read, flagged.take_bytes)})" if flagged.take_bytes else ""
    yield "read", f"{format_bytes(read)}{of_all} to find out"
    copied = [copy for one in flagged.takes for copy in one.copied]
    if copied:
        yield "copied", _copied_text(copied)


def _copied_text(copied: list[Copied]) -> str:
    there = sum(copy.was_there for copy in copied)
    text = f"{format_bytes(sum(copy.n_bytes for copy in copied))}, verified"
    return text + (f"; {there} of {len(copied)} there already" if there else "")


def _bytes_read(flagged: Flagged) -> int:
    return sum(one.bytes_read for one in flagged.takes)


def _notes(one: FlaggedTake) -> Iterator[str]:
    for text in (*one.laid.notes, *one.copy_notes):
        yield f"{one.place}: {text}"
    for text in one.log.warnings:
        yield f"{one.place}: {text}"


def _take_to_dict(flagged: Flagged, one: FlaggedTake) -> dict[str, Any]:
    return {
        "name": one.take.name,
        "path": one.found.path,
        "place": one.place,
        "kind": one.found.kind,
        "frames": one.take.n_frames,
        "raw": one.raw,
        "form": str(one.form),
        "bytes": one.found.bytes,
        "copy_bytes": one.n_bytes,
        "saved_bytes": one.saved_bytes,
        "saved_s": flagged.seconds(one.saved_bytes),
        "bytes_read": one.bytes_read,
        "events": [event_to_dict(event) for event in one.log.events],
        "ranges": [_part_to_dict(part) for part in one.parts],
        "header_hex": one.laid.header.hex() or None,
        "around": [_span_to_dict(span) for span in one.laid.around],
        "copied": [_copied_to_dict(copy) for copy in one.copied],
        "notes": [*one.laid.notes, *one.copy_notes],
        "warnings": list(one.log.warnings),
    }


def _part_to_dict(part: Part) -> dict[str, Any]:
    packets = part.packets
    return {
        "first": part.first,
        "last": part.last,
        "events": list(part.events),
        "head_frames": part.head_frames,
        "tail_frames": part.tail_frames,
        "packets": None if packets is None else {"first": packets[0], "last": packets[1]},
        "spans": [_span_to_dict(span) for span in part.spans],
        "files": list(part.files),
        "bytes": part.n_bytes,
    }


def _span_to_dict(span: ByteSpan) -> dict[str, int]:
    return {"first": span.first, "last": span.last, "bytes": span.n_bytes}


def _copied_to_dict(copy: Copied) -> dict[str, Any]:
    return {
        "path": str(copy.path),
        "bytes": copy.n_bytes,
        "verified": copy.proof,
        "was_there": copy.was_there,
    }
