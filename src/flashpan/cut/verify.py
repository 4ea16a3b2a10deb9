"""Proof that a clip holds the take's frames: both are decoded anew and compared by hash."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from functools import partial
from itertools import islice
from pathlib import Path

from av.video.frame import VideoFrame

from flashpan.cut.base import Cut, Written
from flashpan.cut.pixels import frame_md5, layout_name
from flashpan.ranges import Span
from flashpan.readers._video_decode import Decoding
from flashpan.readers._video_open import open_container, picture_stream
from flashpan.readers.packets import PacketTable, pictures_from


def source_hashes(table: PacketTable, span: Span) -> tuple[str, ...]:
    """MD5 of frames of a take, decoded afresh."""
    pictures = islice(pictures_from(table, span.start), span.stop - span.start)
    return tuple(frame_md5(picture) for picture in pictures)


def clip_hashes(path: Path, pixels: str) -> tuple[str, ...]:
    """MD5 of every frame of a clip, decoded afresh, its samples laid out as ``pixels``."""
    return tuple(frame_md5(as_layout(picture, pixels)) for picture in clip_pictures(path))


def clip_pictures(path: Path) -> Iterator[VideoFrame]:
    """Every picture of a clip, past nothing: damage shows as a frame that is missing."""
    with open_container(str(path)) as container:
        stream = picture_stream(container, str(path))
        stream.codec_context.thread_type = "AUTO"
        yield from Decoding(container, stream, partial(open_container, str(path))).pictures()


def as_layout(picture: VideoFrame, pixels: str) -> VideoFrame:
    """A picture with its samples arranged as in the take; samples are moved, not changed."""
    if layout_name(picture.format.name) == layout_name(pixels):
        return picture
    return picture.reformat(format=pixels)


def first_difference(cut: Cut, written: Written, found: Sequence[str]) -> str:
    """Say what is wrong with a clip; empty where it is as it should be.

    Parameters
    ----------
    cut : Cut
        What was asked for.
    written : Written
        What was put down, with the hashes of the take's frames.
    found : sequence of str
        Hashes of all frames of the clip, those at its ends included.
    """
    wanted, head = written.hashes, written.head_frames
    if len(wanted) != cut.n_frames:
        return f"{len(wanted)} frames of the take decode instead of {cut.n_frames}"
    total = head + cut.n_frames + written.tail_frames
    if len(found) != total:
        return f"{len(found)} frames decode instead of {total}"
    pairs = enumerate(zip(wanted, found[head : head + cut.n_frames], strict=True))
    odd = [k for k, (one, other) in pairs if k >= written.recoded_frames and one != other]
    if not odd:
        return ""
    return (
        f"{len(odd)} of {cut.n_frames} frames differ, the first is frame {cut.span.start + odd[0]}"
    )
