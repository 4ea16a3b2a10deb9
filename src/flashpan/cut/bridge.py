"""H.264: the frames up to the next keyframe coded anew, the rest copied.

The new frames have parameter sets of their own, with an identifier that the take does not
use, and both are in the clip's header.  ISO/IEC 14496-15 (5.3.3) allows several sets there, so
that one decoder plays the clip through.  Only a keyframe that no later frame reaches past (an
IDR picture) may follow the new frames.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from fractions import Fraction
from itertools import islice
from pathlib import Path
from typing import cast

import av
import numpy as np
from av.container import InputContainer
from av.packet import Packet
from av.video.codeccontext import VideoCodecContext
from av.video.frame import VideoFrame
from av.video.stream import VideoStream

from flashpan.cut.base import Cut, Written
from flashpan.cut.remux import (
    Passage,
    clip_timecode,
    container_like,
    copy_passage,
    passage,
    sound_left_out,
    stream_like,
)
from flashpan.errors import CutRefused
from flashpan.ranges import Span
from flashpan.readers._video_open import open_container, picture_stream
from flashpan.readers.nal import (
    H264_PPS,
    H264_SPS,
    exp_golomb,
    is_clean_break,
    length_bytes,
    units,
)
from flashpan.readers.packets import PacketTable, entry_packet, feed, packet_bytes, pictures_from

_CONTAINERS = ("mov,mp4", "matroska")
_PROFILES = {66: "baseline", 77: "main", 100: "high", 110: "high10", 122: "high422"}
_RATE_FACTOR = "6"  # far below what can be seen; the copied frames are the take's own
_SLICES = (1, 5)


@dataclass(frozen=True, slots=True)
class _Header:
    """An ``avcC`` record, ISO/IEC 14496-15, 5.3.3.1.

    Attributes
    ----------
    start : bytes
        Version, profile, compatibility, level and size of lengths.
    sps, pps : tuple of bytes
        Parameter sets.
    rest : bytes
        What follows them.
    """

    start: bytes
    sps: tuple[bytes, ...]
    pps: tuple[bytes, ...]
    rest: bytes

    @classmethod
    def parse(cls, record: bytes) -> _Header:
        """Take a record apart."""
        sps, at = _sets(record, 6, record[5] & 31)
        pps, at = _sets(record, at + 1, record[at])
        return cls(record[:5], sps, pps, record[at:])

    def joined(self, sps: bytes, pps: bytes) -> bytes:
        """The record with one more set of each kind."""
        every_sps, every_pps = (*self.sps, sps), (*self.pps, pps)
        listed = [self.start, bytes([0xE0 | len(every_sps)])]
        listed += [len(unit).to_bytes(2, "big") + unit for unit in every_sps]
        listed.append(bytes([len(every_pps)]))
        listed += [len(unit).to_bytes(2, "big") + unit for unit in every_pps]
        return b"".join([*listed, self.rest])

    def free_number(self) -> int:
        """An identifier that neither kind of set uses."""
        used = {exp_golomb(_plain(unit), 32)[0] for unit in self.sps}
        used |= {exp_golomb(_plain(unit), 8)[0] for unit in self.pps}
        return next(number for number in range(32) if number not in used)


def _sets(record: bytes, at: int, n_sets: int) -> tuple[tuple[bytes, ...], int]:
    found = []
    for _ in range(n_sets):
        size = int.from_bytes(record[at : at + 2], "big")
        found.append(record[at + 2 : at + 2 + size])
        at += 2 + size
    return tuple(found), at


def _plain(unit: bytes) -> bytes:
    """A unit without the bytes that keep start codes from appearing in it."""
    return unit.replace(b"\x00\x00\x03", b"\x00\x00")


def bridge(cut: Cut, table: PacketTable, part: Path) -> Written:
    """Write a clip to ``part`` that begins with the very frame asked for.

    Raises
    ------
    CutRefused
        It would not play everywhere, or no frame could be copied; the text says why.
    """
    if entry_packet(table, cut.span.start) == table.frames_in_packets()[cut.span.start]:
        return copy_passage(cut, table, part)
    landing = _landing(cut, table)
    kept = passage(table, Span(landing, cut.span.stop))
    with open_container(cut.take.path) as source:
        template = picture_stream(source, cut.take.path)
        header = _Header.parse(_record(cut, source, template))
        n_new = landing - cut.span.start
        new = _Recoded(cut, header, template).packets(table, n_new)
        times = _times(table, kept, new.packets, template.time_base or Fraction(1))
        timecode = clip_timecode(source, cut, 0)
        with container_like(source, cut, part, timecode) as out:
            stream = stream_like(out, template, cut)
            stream.codec_context.extradata = header.joined(*new.sets)
            for packet in _retimed(
                table, kept, new.packets, feed(source, template, table, kept.start)
            ):
                packet.stream, packet.time_base = stream, template.time_base or Fraction(1)
                out.mux(packet)
        sound = tuple(sound_left_out(source))
    return Written(
        how="bridge",
        n_frames=cut.n_frames + kept.tail,
        tail_frames=kept.tail,
        recoded_frames=n_new,
        timecode=timecode,
        times=times if cut.take.variable_rate else (),
        warnings=(f"the first {n_new} frames are coded anew, with loss", *sound),
    )


def _landing(cut: Cut, table: PacketTable) -> int:
    """First frame of the range from which packets can be copied."""
    if table.codec != "h264":
        # x265 numbers its parameter sets 0, as most takes do: they would have to change inside
        # the stream, which players that look in the header only do not take
        _refuse(cut, f"only H.264 can be bridged so that it plays everywhere, not {table.codec}")
    packets = table.frames_in_packets()
    if not table.is_whole:
        _refuse(cut, "the take is damaged")
    for frame in range(cut.span.start, cut.span.stop):
        number = int(packets[frame])
        if table.is_key[number] and is_clean_break(*packet_bytes(table, number)):
            return frame
    _refuse(cut, "the range holds no keyframe from which packets could be copied")
    raise AssertionError


def _refuse(cut: Cut, reason: str) -> None:
    raise CutRefused(f"{cut.take.path}: {reason}; use --how exact or --how copy")


def _record(cut: Cut, source: InputContainer, template: VideoStream) -> bytes:
    """The take's ``avcC`` record, where bridging is safe."""
    record = template.codec_context.extradata or b""
    if not source.format.name.startswith(_CONTAINERS) or record[:1] != b"\x01":
        _refuse(cut, f"{source.format.name} files keep no header for two kinds of frames")
    if record[1] not in _PROFILES:
        _refuse(cut, f"H.264 of profile {record[1]} cannot be coded anew here")
    return record


@dataclass(frozen=True, slots=True)
class _New:
    """Frames coded anew: their parameter sets, and packets with the take's time stamps."""

    sets: tuple[bytes, bytes]
    packets: tuple[Packet[VideoStream], ...]


class _Recoded:
    """Codes frames anew as the take's are coded."""

    def __init__(self, cut: Cut, header: _Header, template: VideoStream) -> None:
        self._cut = cut
        self._header = header
        self._template = template
        self._size = length_bytes("h264", template.codec_context.extradata)

    def packets(self, table: PacketTable, n_frames: int) -> _New:
        """Code the first ``n_frames`` of the range."""
        pictures = islice(pictures_from(table, self._cut.span.start), n_frames)
        encoder: VideoCodecContext | None = None
        coded: list[Packet[VideoStream]] = []
        for picture in pictures:
            if picture.interlaced_frame:
                _refuse(self._cut, "its frames are interlaced")
            encoder = encoder or self._encoder(picture)
            picture.pict_type = 0
            coded += self._units_of(encoder.encode(picture))
        assert encoder is not None
        coded += self._units_of(encoder.encode(None))
        return _New(self._parameter_sets(encoder), tuple(coded))

    def _encoder(self, picture: VideoFrame) -> VideoCodecContext:
        encoder = av.CodecContext.create("libx264", "w")
        assert isinstance(encoder, VideoCodecContext)
        if picture.format.name not in {form.name for form in encoder.codec.video_formats or ()}:
            _refuse(self._cut, f"{picture.format.name} cannot be coded anew here")
        encoder.width, encoder.height = picture.width, picture.height
        encoder.pix_fmt = picture.format.name
        encoder.time_base = self._template.time_base or Fraction(1, 1000)
        encoder.framerate = self._template.average_rate or Fraction(25)
        if self._template.sample_aspect_ratio:
            encoder.sample_aspect_ratio = self._template.sample_aspect_ratio
        encoder.color_range, encoder.colorspace = picture.color_range, picture.colorspace
        encoder.color_primaries, encoder.color_trc = picture.color_primaries, picture.color_trc
        encoder.flags |= int(av.codec.context.Flags.global_header)
        encoder.options = {
            "profile": _PROFILES[self._header.start[1]],
            "crf": _RATE_FACTOR,
            "bf": "0",
            "x264-params": f"sps-id={self._header.free_number()}:keyint=infinite:scenecut=0",
        }
        encoder.open()
        return encoder

    def _parameter_sets(self, encoder: VideoCodecContext) -> tuple[bytes, bytes]:
        kinds = {unit[0] & 31: unit for unit in units(encoder.extradata or b"", 0)}
        sps, pps = kinds[H264_SPS], kinds[H264_PPS]
        if sps[1] != self._header.start[1] or exp_golomb(sps, 32)[0] != self._header.free_number():
            _refuse(self._cut, "the encoder here does not keep the take's profile")
        return sps, pps

    def _units_of(self, packets: Iterable[Packet[VideoStream]]) -> Iterator[Packet[VideoStream]]:
        """Packets with lengths before their units, as the take's are, and pictures only."""
        for packet in packets:
            kept = [unit for unit in units(bytes(packet), 0) if unit[0] & 31 in _SLICES]
            data = b"".join(len(unit).to_bytes(self._size, "big") + unit for unit in kept)
            twin = cast("Packet[VideoStream]", Packet(data))
            twin.pts, twin.duration = packet.pts, packet.duration
            twin.is_keyframe = packet.is_keyframe
            yield twin


def _stamps(table: PacketTable, kept: Passage, new: tuple[Packet[VideoStream], ...]) -> np.ndarray:
    copied = table.pts[kept.start : kept.stop][kept.is_kept]
    return np.concatenate([[packet.pts for packet in new], copied]).astype(np.int64)


def _times(
    table: PacketTable, kept: Passage, new: tuple[Packet[VideoStream], ...], tick: Fraction
) -> tuple[Fraction, ...]:
    viewed = np.sort(_stamps(table, kept, new))
    return tuple(int(stamp - viewed[0]) * tick for stamp in viewed)


def _retimed(
    table: PacketTable,
    kept: Passage,
    new: tuple[Packet[VideoStream], ...],
    copied: Iterator[tuple[int, Packet[VideoStream]]],
) -> Iterator[Packet[VideoStream]]:
    """New packets, then copied ones, on one clock that begins at zero."""
    pts = _stamps(table, kept, new)
    viewed = np.sort(pts)
    decoded = viewed - int((viewed - pts).max()) - viewed[0]
    wanted = islice(copied, kept.stop - kept.start)
    passing = (packet for number, packet in wanted if kept.is_kept[number - kept.start])
    for place, packet in enumerate((*new, *passing)):
        packet.pts, packet.dts = int(pts[place] - viewed[0]), int(decoded[place])
        yield packet
