"""Frames decoded and stored without loss: FFV1 in Matroska, every frame by itself.

Source: RFC 9043 (FFV1 version 3).  Slices carry a checksum each, so that a damaged copy is
known as one, and one damaged frame leaves the others whole.
"""

from __future__ import annotations

import os
from collections.abc import Iterable
from fractions import Fraction
from itertools import islice
from pathlib import Path

import av
from av.container import OutputContainer
from av.video.frame import VideoFrame
from av.video.stream import VideoStream

from flashpan.cut.base import Cut, Written
from flashpan.cut.pixels import display_matrix, frame_md5, layout_name, relabelled
from flashpan.cut.remux import (
    WITHOUT_MARKS,
    clip_tags,
    clip_timecode,
    lasting_tags,
    sound_left_out,
)
from flashpan.cut.verify import as_layout
from flashpan.errors import CutRefused
from flashpan.readers._video_open import open_container, picture_stream
from flashpan.readers.packets import PacketTable, pictures_from

SUFFIX = ".mkv"
_OPTIONS = {"level": "3", "g": "1", "slices": "4", "slicecrc": "1"}
# The nearest format that FFV1 has, to which samples are moved without being changed.
_STORED_AS = {
    **dict.fromkeys(("yuyv422", "uyvy422", "yvyu422", "nv16"), "yuv422p"),
    **dict.fromkeys(("nv12", "nv21"), "yuv420p"),
    **dict.fromkeys(("nv24", "nv42"), "yuv444p"),
    **dict.fromkeys(("rgb24", "bgr24", "gbrp", "rgb0", "0rgb", "0bgr"), "bgr0"),
    **dict.fromkeys(("rgba", "argb", "abgr", "gbrap"), "bgra"),
    **dict.fromkeys(("monow", "monob"), "gray"),
    "p010le": "yuv420p10le",
    "p210le": "yuv422p10le",
    "bgr48le": "rgb48le",
}


def store_exactly(cut: Cut, table: PacketTable, part: Path) -> Written:
    """Decode a range and write it to ``part``, without changing a sample.

    Raises
    ------
    CutRefused
        FFV1 has no pixel format that holds these samples.
    """
    pictures = islice(pictures_from(table, cut.span.start), cut.n_frames)
    with open_container(cut.take.path) as source:
        template = picture_stream(source, cut.take.path)
        timecode = clip_timecode(source, cut, 0)
        tags = clip_tags(dict(source.metadata), cut)
        if timecode:
            tags["timecode"] = timecode
        stored = _encode(cut, pictures, template, part, tags)
        warnings = tuple(sound_left_out(source))
    times = stored.times if cut.take.variable_rate else ()
    return Written(
        how="exact",
        n_frames=len(stored.hashes),
        hashes=tuple(stored.hashes),
        times=times,
        timecode=timecode,
        warnings=warnings,
    )


class _Stored:
    """What is noted of the frames while they pass."""

    def __init__(self, tick: Fraction, rate: Fraction | None) -> None:
        self.tick = tick if rate is None else 1 / rate
        self.hashes: list[str] = []
        self._follows_source = rate is None
        self._stamps: list[int] = []
        self._origin: int | None = None

    def note(self, picture: VideoFrame) -> int:
        """Note a frame and return its time stamp in the clip, in ticks."""
        stamp = len(self._stamps)
        if self._follows_source and picture.pts is not None:
            self._origin = picture.pts if self._origin is None else self._origin
            stamp = picture.pts - self._origin
        if self._stamps:
            stamp = max(stamp, self._stamps[-1])  # a damaged clock may run backwards
        self.hashes.append(frame_md5(picture))
        self._stamps.append(stamp)
        return stamp

    @property
    def times(self) -> tuple[Fraction, ...]:
        """Playback time of each frame, in seconds."""
        return tuple(stamp * self.tick for stamp in self._stamps)


def _encode(
    cut: Cut,
    pictures: Iterable[VideoFrame],
    template: VideoStream,
    part: Path,
    tags: dict[str, str],
) -> _Stored:
    uneven = cut.take.variable_rate or cut.take.n_frames is None
    rate = template.average_rate or cut.take.playback_rate
    stored = _Stored(template.time_base or Fraction(1, 1000), None if uneven else rate)
    stream: VideoStream | None = None
    with av.open(
        "file:" + os.path.abspath(part), "w", format="matroska", options=WITHOUT_MARKS
    ) as out:
        out.metadata.update(tags)
        for picture in pictures:
            frame = _storable(cut, picture)
            frame.pts, frame.time_base = stored.note(picture), stored.tick
            if stream is None:
                stream = _stream(out, cut, frame, picture, template)
            out.mux(stream.encode(frame))
        if stream is not None:
            out.mux(stream.encode(None))
    return stored


def _stream(
    out: OutputContainer,
    cut: Cut,
    frame: VideoFrame,
    picture: VideoFrame,
    template: VideoStream,
) -> VideoStream:
    rate = template.average_rate or cut.take.playback_rate or Fraction(25)
    stream = out.add_stream("ffv1", rate=rate, options=_OPTIONS)
    stream.metadata.update(lasting_tags(dict(template.metadata)))
    stream.width, stream.height = frame.width, frame.height
    stream.pix_fmt = frame.format.name
    context = stream.codec_context
    context.time_base = frame.time_base or Fraction(1, 1000)
    if template.sample_aspect_ratio:
        context.sample_aspect_ratio = template.sample_aspect_ratio
    full = cut.take.pixel_format.startswith("yuvj")
    context.color_range = 2 if full else picture.color_range
    context.colorspace = picture.colorspace
    context.color_primaries, context.color_trc = picture.color_primaries, picture.color_trc
    if matrix := display_matrix(picture):
        stream.set_display_matrix(matrix)
    return stream


def _storable(cut: Cut, picture: VideoFrame) -> VideoFrame:
    """A picture in a format that FFV1 has, from which the take's own comes back whole."""
    native = picture.format.name
    known = {form.name for form in av.codec.Codec("ffv1", "w").video_formats or ()}
    if native in known and "f16" not in native and "f32" not in native:
        return _without_type(picture)
    if layout_name(native) in known:
        return relabelled(picture, layout_name(native))
    name = native[:-2] + "le" if native.endswith("be") else _STORED_AS.get(native, "")
    name = name if name in known else _STORED_AS.get(name, "")
    if name:
        stored = picture.reformat(format=name)
        if frame_md5(as_layout(stored, native)) == frame_md5(picture):
            return _without_type(stored)
    raise CutRefused(
        f"{cut.take.path}: no lossless format holds its {native} samples unchanged; use --how copy"
    )


def _without_type(picture: VideoFrame) -> VideoFrame:
    picture.pict_type = 0  # the encoder would take the source's for a wish
    return picture
