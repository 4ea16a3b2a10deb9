"""Where every packet of a stream lies, by the container's own index, where it can be believed."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from av.packet import Packet
from av.video.stream import VideoStream

# Bytes of the header that AVI's index counts to a packet.
_HEADERS = (0, 8)


def index_table(
    stream: VideoStream, first: Packet[VideoStream] | None, n_frames: int | None
) -> npt.NDArray[np.int64] | None:
    """Time stamp, place, size, keyframe and whether it is shown, of every packet.

    Parameters
    ----------
    stream : VideoStream
        The pictures, freshly opened.
    first : Packet or None
        The first packet that the demuxer hands out.
    n_frames : int or None
        Frames that there must be; None where nobody knows yet.

    Returns
    -------
    ndarray of int64, shape (n_frames, 5), or None
        None where the index may not tell all: it does where every frame is coded by itself, has
        an entry of its own, and the first one is the packet that the demuxer hands out.
    """
    if first is None or not stream.codec_context.codec.intra_only:
        return None
    rows = [
        (entry.timestamp, entry.pos, entry.size, entry.is_keyframe, not entry.is_discard)
        for entry in stream.index_entries
        if entry.size
    ]
    table = np.array(rows, np.int64).reshape(-1, 5)
    if not len(table) or len(table) != n_frames or not table[:, 3:].all():
        return None
    header_bytes = (first.pos or 0) - int(table[0, 1])
    if (first.pts, first.size) != (table[0, 0], table[0, 2]) or header_bytes not in _HEADERS:
        return None
    table[:, 1] += header_bytes
    return table
