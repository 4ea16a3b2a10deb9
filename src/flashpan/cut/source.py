"""The pictures of a range, in colour where the take has any, from any kind of take."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import islice
from pathlib import Path

import av
import cv2
import numpy as np

from flashpan.cut.native import NativePicture, Pixels, of_frame, of_video, of_video_frames
from flashpan.model import Frame, TakeInfo
from flashpan.readers._video_decode import Decoding
from flashpan.readers._video_open import open_container, picture_stream
from flashpan.readers.base import Reader
from flashpan.readers.luma import rec709
from flashpan.readers.open import open_take
from flashpan.readers.sequence import find_sequence
from flashpan.readers.stills import StillsReader
from flashpan.readers.streamed import IndexedReader
from flashpan.readers.video import VideoReader
from flashpan.readers.y4m import Y4mReader


def pictures_of(
    take: TakeInfo, first: int, last: int, raw: str | None = None, *, luma_only: bool = False
) -> Iterator[NativePicture]:
    """Frames ``first`` to ``last`` of a take, read anew from its source.

    Video and stills come with their colours; other kinds of take (headerless pixels, stacks,
    multi-page files, pipes) as their reader delivers them, luma only.  A video is decoded
    from its beginning, so that frames are counted as in the search; whoever knows a nearer
    place to begin uses `flashpan.cut.native.of_video_frames` instead.

    Parameters
    ----------
    take : TakeInfo
        What is known of the take; its ``path`` is opened.
    first, last : int
        Inclusive.
    raw : str, optional
        Geometry of headerless pixels.
    luma_only : bool
        Give the luma of a YUV video as it is coded, instead of its colours: the way to exact
        code values where the scene is grey.

    Yields
    ------
    NativePicture
        In order; a damaged frame that the reader leaves out is left out here too.

    Raises
    ------
    TakeError
        The take cannot be read, or its pixel format is not known here.
    """
    with open_take(take.path, raw=raw) as reader:
        if isinstance(reader, VideoReader | Y4mReader):
            yield from _of_video_file(take, first, last, luma_only)
        elif isinstance(reader, StillsReader):
            yield from _of_stills(take.path, reader, first, last)
        else:
            yield from _of_frames(reader, first, last)


def _of_video_file(
    take: TakeInfo, first: int, last: int, luma_only: bool
) -> Iterator[NativePicture]:
    with open_container(take.path) as container:
        stream = picture_stream(container, take.path)
        stream.codec_context.thread_type = "AUTO"
        decoding = Decoding(container, stream, lambda: open_container(take.path))
        pictures = islice(decoding.pictures(), first, None)
        yield from of_video_frames(pictures, first, last, take.codec, luma_only=luma_only)


def _of_stills(path: str, reader: StillsReader, first: int, last: int) -> Iterator[NativePicture]:
    sequence = find_sequence(path)
    for index in range(first, min(last, len(sequence.names) - 1) + 1):
        frame = reader.frame_at(index)
        if frame is not None:
            yield of_still(sequence.path(index), frame, reader.info)


def of_still(path: Path, frame: Frame, take: TakeInfo) -> NativePicture:
    """One still in colour, where its colours are sure, else the luma that the reader gave.

    Sure means that they give that luma; JPEG, whose luma is stored as such, need not.
    """
    if path.suffix.lower() == ".dpx":
        return _of_dpx(path, frame, take)
    rgb = _colours(path)
    depth = 8 if rgb is None else 8 * rgb.itemsize
    if rgb is None or rgb.shape[:2] != frame.luma.shape or depth < take.bit_depth:
        return of_frame(frame, take)
    if take.codec != "jpeg" and not np.array_equal(rec709(*np.moveaxis(rgb, 2, 0)), frame.luma):
        return of_frame(frame, take)
    return NativePicture(
        index=frame.index,
        pixels=rgb,
        bit_depth=take.bit_depth,
        black=0,
        white=(1 << take.bit_depth) - 1,
    )


def _colours(path: Path) -> Pixels | None:
    """Red, green and blue of a still that has them, without alpha."""
    decoded = cv2.imdecode(np.fromfile(path, np.uint8), cv2.IMREAD_UNCHANGED)
    if decoded is None or decoded.ndim != 3 or decoded.dtype not in (np.uint8, np.uint16):
        return None
    return np.ascontiguousarray(decoded[..., 2::-1]) if decoded.shape[2] >= 3 else None


def _of_dpx(path: Path, frame: Frame, take: TakeInfo) -> NativePicture:
    decoder = av.CodecContext.create("dpx", "r")
    assert isinstance(decoder, av.VideoCodecContext)
    pictures = [*decoder.decode(av.Packet(path.read_bytes())), *decoder.decode(None)]
    if len(pictures) != 1:
        return of_frame(frame, take)
    return of_video(pictures[0], frame.index)


def _of_frames(reader: Reader, first: int, last: int) -> Iterator[NativePicture]:
    if isinstance(reader, IndexedReader):
        for index in range(first, last + 1):
            frame = reader.frame_at(index)
            if frame is not None:
                yield of_frame(frame, reader.info)
        return
    for frame in reader.frames():
        if frame.index > last:
            return
        if frame.index >= first:
            yield of_frame(frame, reader.info)
