"""Open a local video file, and nothing else, or say in one line why not."""

from __future__ import annotations

import mmap
import os
from pathlib import Path
from typing import Any

import av
from av.container import InputContainer
from av.video.stream import VideoStream

from flashpan.errors import UnreadableTake
from flashpan.limits import FRAME_SECONDS, MAX_PIXELS, believable, why_not_believable
from flashpan.readers._video_boxes import plain_samples, top_level_boxes
from flashpan.threads import decoder_threads

EXTENSIONS = frozenset(
    {
        *(".avi", ".divx", ".mp4", ".m4v", ".mov", ".qt", ".f4v", ".3gp", ".3g2", ".mj2"),
        *(".mkv", ".webm", ".mxf", ".gif", ".nut", ".ivf", ".y4m", ".ogv", ".flv", ".asf", ".wmv"),
        *(".dv", ".ts", ".mts", ".m2t", ".m2ts", ".mpg", ".mpeg", ".m2v", ".vob"),
        *(".264", ".h264", ".265", ".h265", ".hevc", ".mjpg", ".mjpeg"),
    }
)

_MXF_KEY = bytes.fromhex("060e2b34020501010d010201")  # partition pack, SMPTE ST 377-1
_SIGNATURES = (
    (0, b"\x1a\x45\xdf\xa3"),  # EBML: Matroska, WebM
    (0, b"GIF8"),
    (0, b"FLV\x01"),
    (0, b"nut/multimedia container\0"),
    (0, b"YUV4MPEG2 "),
    (0, b"DKIF"),  # IVF
    (0, b"OggS"),
    (0, bytes.fromhex("3026b2758e66cf11")),  # ASF header object
    (0, b"\x00\x00\x01\xba"),  # MPEG program stream
    (0, _MXF_KEY),
    (4, b"ftyp"),
    (4, b"moov"),
    (4, b"wide"),
    (8, b"AVI "),
)

_BLOCK_BYTES = 1 << 20
_NO_INDEX = (
    "no whole index (moov) in the file: it was cut off before the recording was closed; "
    "copy it again from the camera, or have it rebuilt there"
)

# Three times the longest take that is known of; an index of so many costs little.
_MANY_FRAMES = 10_000_000

# Containers that name other files or addresses, or that turn any text into pictures, or
# that read the file name as a pattern: a take is one file.
_REFUSED = frozenset(
    {
        "concat",
        "dash",
        "hls",
        "image2",
        "imf",
        "lavfi",
        "mpegtsraw",
        "rtp",
        "rtsp",
        "sap",
        "sdp",
        "tty",
        "webm_dash_manifest",
    }
)


def looks_like_video(path: str) -> bool:
    """Say by extension or leading bytes whether a path is for the video reader."""
    if Path(path).suffix.lower() in EXTENSIONS:
        return not Path(path).is_dir()
    try:
        if not Path(path).is_file():
            return False
        with open(path, "rb") as file:
            head = file.read(32)
    except (OSError, ValueError):
        return False
    return any(head[at : at + len(magic)] == magic for at, magic in _SIGNATURES)


def open_container(path: str) -> InputContainer:
    """Open a regular local file read-only.

    The absolute path goes behind ``file:``, so that no name can pass for a protocol, and
    no other protocol may be reached from inside the file.

    Raises
    ------
    UnreadableTake
        In one line, with the cure.
    """
    size = _regular_file_size(path)
    if size == 0:
        raise UnreadableTake(f"{path}: the file is empty (0 bytes); copy it again from the camera")
    _refuse_endless_index(path, size)
    try:
        return _open("file:" + os.path.abspath(path))
    except (av.FFmpegError, OSError, ValueError, RuntimeError) as error:
        return _open_whole_boxes(path, error)


def _refuse_endless_index(path: str, size: int) -> None:
    """Refuse an index that declares more frames than there are bytes.

    FFmpeg would set aside and fill 24 bytes for each, and look at them again and again: a file of
    two kilobytes may cost gigabytes and minutes.
    """
    declared = plain_samples(path)
    if declared > max(size, _MANY_FRAMES):
        raise UnreadableTake(
            f"{path}: its index declares {declared:,} frames in {size:,} bytes; it is damaged:"
            " copy it again from the camera"
        )


def _open(source: Any) -> InputContainer:
    limits = {"protocol_whitelist": "file", "format_whitelist": _allowed_formats()}
    opened: InputContainer = av.open(
        source,
        mode="r",
        options=decoder_limits(),
        container_options=limits,
        metadata_errors="replace",
        timeout=FRAME_SECONDS.value,
    )
    return opened


def decoder_limits() -> dict[str, str]:
    """What FFmpeg's decoders are told: they refuse larger pictures before they set memory aside."""
    return {"max_pixels": str(MAX_PIXELS.value)}


class _FileStart:
    """The first ``stop`` bytes of a file, as if it ended there."""

    def __init__(self, path: str, stop: int) -> None:
        with open(path, "rb") as file:
            self._bytes = mmap.mmap(file.fileno(), stop, access=mmap.ACCESS_READ)
        self._at = 0

    def read(self, n_bytes: int) -> bytes:
        data = self._bytes[self._at : self._at + n_bytes]
        self._at += len(data)
        return data

    def seek(self, offset: int, whence: int = os.SEEK_SET) -> int:
        """Move, beyond the end too, as files do."""
        base = {os.SEEK_SET: 0, os.SEEK_CUR: self._at, os.SEEK_END: len(self._bytes)}[whence]
        self._at = max(base + offset, 0)
        return self._at

    def tell(self) -> int:
        return self._at


def _open_whole_boxes(path: str, error: Exception) -> InputContainer:
    """Open a fragmented file that was cut inside a fragment's header, up to that fragment."""
    stop = _end_of_whole_boxes(path)
    if stop and not _lacks_index(path):
        try:
            return _open(_FileStart(path, stop))
        except (av.FFmpegError, OSError, ValueError, RuntimeError) as second:
            error = second
    raise UnreadableTake(f"{path}: {_why_not(path, error)}") from error


def _end_of_whole_boxes(path: str) -> int:
    """Where the last, cut box of a file begins; 0 where none is cut."""
    stop = 0
    for box in top_level_boxes(path):
        if box.is_cut:
            return stop
        stop = box.stop
    return 0


def _regular_file_size(path: str) -> int:
    try:
        file = Path(path)
        if not file.exists():
            raise UnreadableTake(f"{path}: no such file; check the path")
        if not file.is_file():
            raise UnreadableTake(f"{path}: not a regular file; give the video file itself")
        return file.stat().st_size
    except (OSError, ValueError) as error:
        raise UnreadableTake(f"{path!r}: cannot be opened ({error}); check the path") from error


def _allowed_formats() -> str:
    names = {name for group in av.formats_available for name in group.split(",")}
    return ",".join(sorted(names - _REFUSED))


def _why_not(path: str, error: Exception) -> str:
    if isinstance(error, PermissionError):
        return "permission denied; make the file readable"
    if _lacks_index(path):
        return _NO_INDEX
    return "not a video file, or its header is damaged; check the file or copy it again"


def _lacks_index(path: str) -> bool:
    first = next(top_level_boxes(path), None)
    whole = (box.kind for box in top_level_boxes(path) if not box.is_cut)
    return first is not None and "moov" not in whole


def is_cut(path: str, container: str) -> bool:
    """Say whether a file stops where its format does not allow it to.

    Only for formats whose structure shows it at once; others show it while decoding.
    """
    if container.startswith("mov"):
        return any(box.is_cut for box in top_level_boxes(path))
    size = os.path.getsize(path)
    if container == "mpegts":  # packets of 188 bytes, 192 with a time code (ISO/IEC 13818-1)
        return bool(size % 188 and size % 192)
    if container == "gif":  # the last byte is the trailer, 0x3B
        with open(path, "rb") as file:
            file.seek(max(size - 1, 0))
            return file.read(1) != b";"
    return False


def picture_stream(container: InputContainer, path: str) -> VideoStream:
    """Return the stream that holds the take: the first that is no cover picture.

    Its decoder gets the threads that this process may use.

    Raises
    ------
    UnreadableTake
        There is none, or nothing here decodes it.
    """
    streams = [s for s in container.streams.video if not _is_cover(s)]
    if (not streams or streams[0].codec_context is None) and _lacks_index(path):
        raise UnreadableTake(f"{path}: {_NO_INDEX}")  # a cut index may still name a stream
    if not streams:
        kinds: list[str] = sorted({stream.type for stream in container.streams})
        kinds = kinds or ["nothing"]
        raise UnreadableTake(f"{path}: holds no pictures, only {', '.join(kinds)}; give the take")
    stream = streams[0]
    if stream.codec_context is None:
        raise UnreadableTake(f"{path}: no decoder for its codec; convert it to FFV1 or H.264 first")
    rows, cols = stream.codec_context.height, stream.codec_context.width
    if rows * cols and not believable(rows, cols):
        raise UnreadableTake(f"{path}: {why_not_believable(rows, cols)}")
    stream.codec_context.options = decoder_limits()
    stream.codec_context.thread_count = decoder_threads()
    return stream


def _is_cover(stream: Any) -> bool:
    return "attached_pic" in str(stream.disposition)


def require_readable(path: str, start: int, n_frames: int) -> None:
    """Refuse a file that the disk does not give from some byte on.

    FFmpeg takes a read that fails for the end of the file.  A take of which half could not be read
    must not be taken for one that has been searched.

    Parameters
    ----------
    path : str
    start : int
        Byte from which on nobody knows yet.
    n_frames : int
        Frames before it, for the message.

    Raises
    ------
    UnreadableTake
        One line with the cure.
    """
    try:
        with open(path, "rb", buffering=0) as file:
            file.seek(start)
            while file.read(_BLOCK_BYTES):
                pass
    except OSError as error:
        raise UnreadableTake(
            f"{path}: cannot be read after frame {n_frames - 1} ({error.strerror}); check the disk"
            " and run again"
        ) from error
