"""Packets copied as they are into a new container of the source's kind."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path

import av
import numpy as np
from av.container import InputContainer, OutputContainer
from av.packet import Packet
from av.video.stream import VideoStream

from flashpan.cut.base import Cut, Written, tag_text
from flashpan.cut.pixels import display_matrix
from flashpan.cut.steady import give_back, steadily
from flashpan.cut.timecode import shifted
from flashpan.errors import CutRefused
from flashpan.ranges import Span
from flashpan.readers._video_decode import Decoding
from flashpan.readers._video_open import open_container, picture_stream
from flashpan.readers.nal import is_clean_break
from flashpan.readers.packets import Flags, Numbers, PacketTable, entry_packet, feed, packet_bytes

_MUXERS = {
    "asf": "asf",
    "avi": "avi",
    "flv": "flv",
    "ivf": "ivf",
    "matroska,webm": "matroska",
    "mpegts": "mpegts",
    "mxf": "mxf",
    "nut": "nut",
    "ogg": "ogg",
}
_ISO_MUXERS = {".mov": "mov", ".qt": "mov", ".3gp": "3gp", ".3g2": "3g2"}
WITHOUT_MARKS = {"fflags": "bitexact"}
"""Has Matroska write no random marks, which no standard asks for: the same cut, the same file."""
_LEAST_PACKETS = 16
_LEAST_STREAM_BYTES = 4096  # FFmpeg looks for eleven packets in a row, each 188 bytes
# Written anew by every muxer, or true of the whole take only.
_OWN_TAGS = {
    *("encoder", "major_brand", "minor_version", "compatible_brands", "duration", "timecode"),
    *("number_of_frames", "number_of_bytes", "_statistics_tags", "bps", "handler_name"),
    *("vendor_id", "file_package_umid", "reel_umid"),
}


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Passage:
    """Packets that make up a clip.

    Attributes
    ----------
    start, stop : int
        From which packet to which, half-open.
    is_kept : ndarray of bool, shape (stop - start,)
        False for packets between them that belong to no frame of the clip.
    head, tail : int
        Frames before and after those asked for.
    """

    start: int
    stop: int
    is_kept: Flags
    head: int
    tail: int


def passage(table: PacketTable, span: Span) -> Passage:
    """Choose the packets to copy for a range of frames.

    Where frames build on others, the passage begins with a frame that can be begun with, and
    ends where the frames copied have no gap: a frame that is viewed after the last one asked
    for may be needed to decode it.
    """
    wanted = table.frames_in_packets()[span.start : span.stop]
    if table.intra:
        start, stop = int(wanted[0]), int(wanted[-1]) + 1
        is_kept = np.zeros(stop - start, bool)
        is_kept[wanted - start] = True
        return Passage(start=start, stop=stop, is_kept=is_kept, head=0, tail=0)
    start, least = _entry_for_all(table, span.start)
    stop = _closed_end(table, start, max(int(wanted.max()) + 1, least))
    is_kept = _viewed_from(table, start, stop)
    gives_frame = is_kept & np.isin(np.arange(start, stop), _frame_packets(table))
    stamps = table.pts[start:stop][gives_frame]
    return Passage(
        start=start,
        stop=stop,
        is_kept=is_kept,
        head=int(np.count_nonzero(stamps < table.pts[wanted[0]])),
        tail=int(np.count_nonzero(stamps > table.pts[wanted[-1]])),
    )


def _entry_for_all(table: PacketTable, frame: int) -> tuple[int, int]:
    """Packet to begin with, and the least end, so that older decoders lose no frame either.

    FFmpeg up to version 5 drops one frame of the first few after an H.264 keyframe that is no
    IDR picture, where the file ends before it has put out that keyframe.
    """
    start = entry_packet(table, frame)
    while start and table.codec == "h264" and not is_clean_break(*packet_bytes(table, start)):
        if start + _LEAST_PACKETS <= len(table.pts):
            return start, start + _LEAST_PACKETS
        place = np.flatnonzero(table.frames_in_packets() == start)
        start = entry_packet(table, int(place[0]) - 1) if place.size and place[0] else 0
    return start, 0


def _frame_packets(table: PacketTable) -> Numbers:
    """Packets that give a frame once copied: hidden ones do, damaged ones do not."""
    hidden = np.flatnonzero(~table.is_shown)
    return np.union1d(table.frames_in_packets(), hidden)


def _viewed_from(table: PacketTable, start: int, stop: int) -> Flags:
    """Which packets are viewed no earlier than packet ``start``."""
    if start == 0:
        return np.ones(stop, bool)
    from_start: Flags = table.pts[start:stop] >= table.pts[start]
    return from_start


def _closed_end(table: PacketTable, start: int, stop: int) -> int:
    """Smallest end from ``stop`` on at which the frames so far, as viewed, have no gap."""
    later = np.sort(table.pts[start:])
    later = later if start == 0 else later[later >= table.pts[start]]
    while stop < len(table.pts):
        kept = table.pts[start:stop][_viewed_from(table, start, stop)]
        if np.searchsorted(later, kept.max(), side="right") == len(kept):
            break
        stop += 1
    return stop


def muxer_for(container: str, suffix: str) -> str | None:
    """FFmpeg's muxer for the container that a demuxer read; None where there is none."""
    if container.startswith("mov"):
        return _ISO_MUXERS.get(suffix.lower(), "mp4")
    if container == "matroska,webm" and suffix.lower() == ".webm":
        return "webm"
    return _MUXERS.get(container)


def copy_passage(cut: Cut, table: PacketTable, part: Path) -> Written:
    """Write a clip of copied packets to ``part``.

    Raises
    ------
    CutRefused
        FFmpeg reads this container or codec but does not write it.
    """
    kept = passage(table, cut.span)
    with open_container(cut.take.path) as source:
        template = picture_stream(source, cut.take.path)
        timecode = clip_timecode(source, cut, kept.head)
        with container_like(source, cut, part, timecode) as out:
            stream = stream_like(out, template, cut)
            packets = retimed(_passing(source, template, table, kept), table, kept)
            out.start_encoding()
            with steadily(part, int(table.size[kept.start : kept.stop][kept.is_kept].sum())):
                for packet in packets:
                    packet.stream = stream
                    out.mux(packet)
        warnings = (*sound_left_out(source), *_shape_left_out(template, out))
    _refuse_too_short(cut, part)
    return Written(
        how="copy",
        n_frames=cut.n_frames + kept.head + kept.tail,
        head_frames=kept.head,
        tail_frames=kept.tail,
        timecode=timecode,
        times=clip_times(table, kept, template.time_base) if cut.take.variable_rate else (),
        warnings=warnings,
    )


def _refuse_too_short(cut: Cut, part: Path) -> None:
    """Refuse a transport stream of so few packets that decoders take it for something else."""
    if cut.take.container == "mpegts" and part.stat().st_size < _LEAST_STREAM_BYTES:
        raise CutRefused(
            f"{cut.take.path}: a transport stream of so few bytes is not known as one;"
            " use --how exact, or a longer range"
        )


def _passing(
    source: InputContainer, stream: VideoStream, table: PacketTable, kept: Passage
) -> Iterator[tuple[int, Packet[VideoStream]]]:
    for number, packet in feed(source, stream, table, kept.start):
        if number >= kept.stop:
            return
        if kept.is_kept[number - kept.start]:
            yield number, packet


def retimed(
    packets: Iterator[tuple[int, Packet[VideoStream]]], table: PacketTable, kept: Passage
) -> Iterator[Packet[VideoStream]]:
    """Packets whose first frame is viewed at time zero, decoded no later than viewed."""
    pts = table.pts[kept.start : kept.stop][kept.is_kept]
    viewed = np.sort(pts)
    delay = int((viewed - pts).max())
    decoded = viewed - delay - viewed[0]
    for place, (number, packet) in enumerate(packets):
        packet.pts = int(table.pts[number] - viewed[0])
        packet.dts = int(decoded[place])
        yield packet


def clip_times(
    table: PacketTable, kept: Passage, time_base: Fraction | None
) -> tuple[Fraction, ...]:
    """Playback time of each frame of a clip, in seconds from its first."""
    viewed = np.sort(table.pts[kept.start : kept.stop][kept.is_kept])
    return tuple(int(stamp - viewed[0]) * (time_base or Fraction(1)) for stamp in viewed)


@contextmanager
def container_like(
    source: InputContainer, cut: Cut, part: Path, timecode: str | None
) -> Iterator[OutputContainer]:
    """A new container of the source's kind, with its tags and the clip's own."""
    muxer = muxer_for(source.format.name, Path(cut.take.path).suffix)
    if muxer is None:
        raise CutRefused(
            f"{cut.take.path}: {source.format.name} files cannot be written; use --how exact"
        )
    options = WITHOUT_MARKS if muxer in ("matroska", "webm") else {}
    with av.open("file:" + os.path.abspath(part), "w", format=muxer, options=options) as out:
        out.metadata.update(clip_tags(_tags_of(source), cut))
        if timecode:
            out.metadata["timecode"] = timecode
        yield out
    give_back(part)


def _tags_of(source: InputContainer) -> dict[str, str]:
    """Tags of a container, with the reel, which MXF keeps with the pictures."""
    reels = [tags["reel_name"] for tags in _every_stream(source) if "reel_name" in tags]
    return {**({"reel_name": reels[0]} if reels else {}), **source.metadata}


def _every_stream(source: InputContainer) -> Iterator[dict[str, str]]:
    return (dict(stream.metadata) for stream in source.streams)


def clip_tags(tags: dict[str, str], cut: Cut) -> dict[str, str]:
    """The take's tags, with the clip's facts at the end of its comment."""
    kept = lasting_tags(tags)
    name = next((key for key in kept if key.lower() == "comment"), "comment")
    kept[name] = " | ".join(text for text in (kept.get(name), tag_text(cut)) if text)
    return kept


def lasting_tags(tags: dict[str, str]) -> dict[str, str]:
    """Tags that are as true of a clip as of its take."""
    return {key: text for key, text in tags.items() if key.lower() not in _OWN_TAGS}


def stream_like(out: OutputContainer, template: VideoStream, cut: Cut) -> VideoStream:
    """A stream for packets of the source's codec, at its playback rate.

    Raises
    ------
    CutRefused
        The container does not take this codec.
    """
    try:
        stream = out.add_stream_from_template(template, opaque=True)
    except ValueError as error:
        raise CutRefused(f"{cut.take.path}: {error}; use --how exact") from error
    stream.time_base = template.time_base
    if template.codec_context.codec_tag.strip("\0"):
        stream.codec_context.codec_tag = template.codec_context.codec_tag
    rate = template.average_rate or cut.take.playback_rate
    if rate:
        stream.codec_context.framerate = rate
    if template.sample_aspect_ratio:
        stream.codec_context.sample_aspect_ratio = template.sample_aspect_ratio
    stream.metadata.update(lasting_tags(dict(template.metadata)))
    if matrix := _display_matrix(cut):
        stream.set_display_matrix(matrix)
    return stream


def _display_matrix(cut: Cut) -> list[int] | None:
    """Matrix of the take's first picture; only takes that are turned are looked at."""
    mirrored = any("display matrix" in warning for warning in cut.take.warnings)
    if not cut.take.rotation and not mirrored:
        return None
    with open_container(cut.take.path) as container:
        stream = picture_stream(container, cut.take.path)
        decoding = Decoding(container, stream, lambda: open_container(cut.take.path))
        first = next(decoding.pictures(), None)
        return None if first is None else display_matrix(first)


def clip_timecode(source: InputContainer, cut: Cut, head: int) -> str | None:
    """Start timecode of a clip: the take's and as many frames as the clip begins later."""
    rate = picture_stream(source, cut.take.path).average_rate or cut.take.playback_rate
    texts = [
        text
        for tags in (*_every_stream(source), source.metadata)
        for key, text in tags.items()
        if key.lower() == "timecode"
    ]
    return shifted(texts[0], cut.span.start - head, rate) if texts and rate else None


def frame_timecode(cut: Cut) -> Callable[[int], str | None]:
    """Timecode of each frame of a video take, by its number; None where the take has none."""
    with open_container(cut.take.path) as source:
        start = clip_timecode(source, cut, cut.span.start)
        rate = picture_stream(source, cut.take.path).average_rate or cut.take.playback_rate
    if start is None or rate is None:
        return lambda frame: None
    return lambda frame: shifted(start, frame, rate)


def sound_left_out(source: InputContainer) -> Iterator[str]:
    """Say what else than pictures a take holds: no way of cutting takes it along."""
    kinds = sorted({stream.type for stream in source.streams} - {"video", "data"})
    if kinds:
        yield f"the take's {' and '.join(kinds)} is left out of the clip"


def _shape_left_out(template: VideoStream, out: OutputContainer) -> Iterator[str]:
    """Say that pixels are not square where neither container nor frames will tell.

    Through PyAV a Matroska header cannot be given their shape; frames of many codecs have it.
    """
    shape, context = template.sample_aspect_ratio, template.codec_context
    if shape in (None, 1) or out.format.name not in ("matroska", "webm"):
        return
    is_in_frames = context.name == "ffv1" and bool(context.extradata)  # version 3, RFC 9043
    if not is_in_frames and context.sample_aspect_ratio != shape:
        yield f"the clip does not say that its pixels are {shape} as wide as high"
