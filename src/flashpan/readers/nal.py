"""Where an H.264 or HEVC stream can be entered, and its parameter sets.

A container marks more packets as keyframes than a decoder can begin with: an encoder that
refreshes the picture bit by bit marks the frame where that begins.  The units inside say it
exactly.  Sources: Recommendations ITU-T H.264 (7.3.1, 7.4.1, D.1.8) and H.265 (7.4.2.2),
from memory.
"""

from __future__ import annotations

from collections.abc import Iterator

_H264_SLICE, _H264_IDR, _H264_SEI = 1, 5, 6
H264_SPS, H264_PPS = 7, 8
_HEVC_FIRST_ENTRY, _HEVC_LAST_ENTRY = 16, 21  # BLA, IDR and CRA pictures
_RECOVERY_POINT = 6


def units(data: bytes, length_bytes: int) -> Iterator[bytes]:
    """Yield every unit of a packet.

    Parameters
    ----------
    data : bytes
        One packet.
    length_bytes : int
        Bytes of the length before each unit; 0 where start codes part them.
    """
    if not length_bytes:
        yield from _by_start_code(data)
        return
    at = 0
    while at + length_bytes < len(data):
        size = int.from_bytes(data[at : at + length_bytes], "big")
        at += length_bytes
        yield data[at : at + size]
        at += size


def _by_start_code(data: bytes) -> Iterator[bytes]:
    for part in data.split(b"\x00\x00\x01")[1:]:
        if unit := part.rstrip(b"\x00"):
            yield unit


def length_bytes(codec: str, extradata: bytes | None) -> int:
    """Size of the lengths in packets, from the stream's header; 0 for start codes."""
    if not extradata or extradata[0] != 1:
        return 0
    at = 4 if codec == "h264" else 21
    return (extradata[at] & 3) + 1 if len(extradata) > at else 0


def can_begin(codec: str, data: bytes, extradata: bytes | None) -> bool:
    """Say whether a decoder that begins with this keyframe has all frames from it on.

    True for other codecs, whose keyframes are all of that kind.
    """
    if codec == "h264":
        return _h264_can_begin(data, length_bytes(codec, extradata))
    if codec == "hevc":
        kinds = {unit[0] >> 1 & 63 for unit in units(data, length_bytes(codec, extradata)) if unit}
        return any(_HEVC_FIRST_ENTRY <= kind <= _HEVC_LAST_ENTRY for kind in kinds)
    return True


def is_clean_break(data: bytes, extradata: bytes | None) -> bool:
    """Say whether no later H.264 picture refers to one before this packet (an IDR picture)."""
    return any(unit[0] & 31 == _H264_IDR for unit in units(data, length_bytes("h264", extradata)))


def _h264_can_begin(data: bytes, size: int) -> bool:
    for unit in units(data, size):
        kind = unit[0] & 31 if unit else 0
        if kind == _H264_IDR:
            return True
        if kind == _H264_SEI and _recovers_at_once(unit[1:]):
            return True
        if kind == _H264_SLICE:
            return False
    return False


def _recovers_at_once(payload: bytes) -> bool:
    """Whether supplemental information holds a recovery point that is this very frame."""
    body = payload.replace(b"\x00\x00\x03", b"\x00\x00")
    at = 0
    while at + 2 < len(body):
        kind, at = _extended(body, at)
        size, at = _extended(body, at)
        if kind == _RECOVERY_POINT:
            return at < len(body) and body[at] & 0x80 != 0  # ue(v) of 0 is the single bit 1
        at += size
    return False


def _extended(body: bytes, at: int) -> tuple[int, int]:
    """A number written as bytes of 255 and a rest, and where it ends."""
    total = 0
    while at < len(body) and body[at] == 255:
        total += 255
        at += 1
    return total + (body[at] if at < len(body) else 0), at + 1


def exp_golomb(data: bytes, bit: int) -> tuple[int, int]:
    """Read ue(v) from bit number ``bit`` on; returns the value and the bit after it."""
    text = "".join(f"{byte:08b}" for byte in data[bit // 8 : bit // 8 + 10])[bit % 8 :]
    zeros = len(text) - len(text.lstrip("0"))
    value = int(text[zeros : 2 * zeros + 1] or "1", 2) - 1
    return value, bit + 2 * zeros + 1
