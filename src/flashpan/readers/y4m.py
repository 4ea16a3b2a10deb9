"""YUV4MPEG2 streams: a one-line header, then ``FRAME`` lines each followed by planes.

Source: the YUV4MPEG2 description of mjpegtools (yuv4mpeg manual page), and the parameters
``mono9`` … ``mono16``, ``420p10`` … and ``XCOLORRANGE`` as FFmpeg writes them; from memory.
Only the luma plane is kept.  Samples above eight bits are little-endian 16-bit words,
right-aligned.  Without ``XCOLORRANGE``, colour formats count as limited range (16 to 235)
and mono formats as full range, which is how they are commonly written.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import Any, BinaryIO, ClassVar

import numpy as np
import numpy.typing as npt

from flashpan.errors import UnreadableTake
from flashpan.limits import believable, why_not_believable
from flashpan.model import Frame, TakeInfo
from flashpan.readers.base import Source
from flashpan.readers.blocks import Bytes, ByteStream, read_block, sealed
from flashpan.readers.streamed import EndOfTake, StreamedReader, describe

MAGIC = b"YUV4MPEG2"
_MAX_LINE_BYTES = 2048
_CHROMA = {  # horizontal and vertical subsampling, planes besides luma
    "mono": (1, 1, 0),
    "410": (4, 4, 2),
    "411": (4, 1, 2),
    "420": (2, 2, 2),
    "422": (2, 1, 2),
    "440": (1, 2, 2),
    "444": (1, 1, 2),
}
_COLOUR = re.compile(r"(mono|410|411|420|422|440|444)(jpeg|mpeg2|paldv|alpha)?p?(\d+)?")


@dataclass(frozen=True, slots=True, kw_only=True)
class Y4mHeader:
    """What the first line of a stream says."""

    rows: int
    cols: int
    bit_depth: int
    luma_bytes: int
    other_bytes: int
    rate: Fraction | None
    limited_range: bool
    colour: str
    interlaced: bool


def parse_header(line: bytes, name: str) -> Y4mHeader:
    """Read a stream's first line.

    Parameters
    ----------
    line : bytes
        From ``YUV4MPEG2`` on, without the line feed.
    name : str
        The take, for the error message.

    Raises
    ------
    UnreadableTake
        Not a YUV4MPEG2 header, or one of a kind that cannot be read.
    """
    words = line.decode("ascii", "replace").split()
    fields = {word[0]: word[1:] for word in words[1:] if word[0] != "X"}
    rows, cols = _count(fields.get("H")), _count(fields.get("W"))
    if words[:1] != [MAGIC.decode()] or not (rows and cols):
        raise UnreadableTake(f"{name}: damaged YUV4MPEG2 header; write the stream anew")
    if not believable(rows, cols):
        raise UnreadableTake(f"{name}: {why_not_believable(rows, cols)}")
    colour = fields.get("C", "420jpeg")
    sampling, bit_depth = _sampling(colour, name)
    mono = sampling == (1, 1, 0)
    sample_bytes = 1 if bit_depth == 8 else 2
    return Y4mHeader(
        rows=rows,
        cols=cols,
        bit_depth=bit_depth,
        luma_bytes=rows * cols * sample_bytes,
        other_bytes=_other_samples(rows, cols, sampling, colour) * sample_bytes,
        rate=_rate(fields.get("F", "")),
        limited_range="XCOLORRANGE=LIMITED" in words or not (mono or "XCOLORRANGE=FULL" in words),
        colour=colour,
        interlaced=fields.get("I", "p") in ("t", "b", "m"),
    )


def _count(text: str | None) -> int:
    return int(text) if text and text.isascii() and text.isdigit() and len(text) < 10 else 0


def _sampling(colour: str, name: str) -> tuple[tuple[int, int, int], int]:
    match = _COLOUR.fullmatch(colour)
    bit_depth = int(match[3] or 8) if match else 0
    if match is None or not 8 <= bit_depth <= 16:
        raise UnreadableTake(
            f"{name}: YUV4MPEG2 colour format {colour!r} is unknown; write mono, 420, 422 or 444"
        )
    return _CHROMA[match[1]], bit_depth


def _other_samples(rows: int, cols: int, sampling: tuple[int, int, int], colour: str) -> int:
    across, down, planes = sampling
    chroma = planes * -(-rows // down) * -(-cols // across)
    return chroma + (rows * cols if colour.endswith("alpha") else 0)


def _rate(text: str) -> Fraction | None:
    above, _, below = text.partition(":")
    above_n, below_n = _count(above), _count(below)
    return Fraction(above_n, below_n) if above_n and below_n else None


def read_line(stream: ByteStream) -> bytes | None:
    """Read up to and without a line feed, byte by byte; ``None`` where none comes in time."""
    line = bytearray()
    while len(line) < _MAX_LINE_BYTES:
        got = read_block(stream, 1)
        if not len(got) or got[0] == 0x0A:
            return bytes(line) if len(got) else None
        line += got.tobytes()
    return None


class Y4mStream:
    """Frames out of a YUV4MPEG2 byte stream, each as soon as its bytes are there.

    Attributes
    ----------
    start : bytes
        The stream's first line.
    stored : tuple of bytes or memoryview
        Bytes of the frame that was returned last, in pieces.
    """

    def __init__(self, stream: ByteStream, name: str, start: bytes = b"") -> None:
        self._stream = stream
        line = read_line(stream)
        if line is None:
            raise UnreadableTake(f"{name}: ends inside its YUV4MPEG2 header; write it anew")
        self.header = parse_header(start + line, name)
        self.start = start + line + b"\n"
        self.stored: tuple[Bytes, ...] = ()
        self._marker = b""
        self.bytes_read = len(start) + len(line) + 1

    def describe(self, source: Source, name: str) -> TakeInfo:
        """Return what is known of the take."""
        header = self.header
        warnings = ("interlaced: both fields of a frame are taken together",)
        return describe(
            source,
            name=name,
            shape=(header.rows, header.cols),
            bit_depth=header.bit_depth,
            playback_rate=header.rate,
            codec="rawvideo",
            container="yuv4mpegpipe",
            pixel_format=header.colour,
            limited_range=header.limited_range,
            warnings=warnings if header.interlaced else (),
        )

    def next_luma(self, index: int) -> npt.NDArray[Any]:
        """Return the next frame's luma, shape (rows, cols); raise `EndOfTake` after the last."""
        self._next_marker(index)
        header = self.header
        marker = self._marker
        luma = self._block(header.luma_bytes, index)
        other = self._block(header.other_bytes, index)
        self.stored = (marker, luma.data, other.data)
        pixels = luma if header.bit_depth == 8 else luma.view("<u2")
        return sealed(pixels.reshape(header.rows, header.cols))

    def _next_marker(self, index: int) -> None:
        first = read_block(self._stream, 1)
        if not len(first):
            raise EndOfTake
        line = read_line(self._stream)
        if line is None:
            raise EndOfTake(f"cut short inside frame {index}")
        self.bytes_read += len(line) + 2
        if (first.tobytes() + line).split(b" ")[0] != b"FRAME":
            raise EndOfTake(f"damaged: no FRAME line before frame {index}; the rest is left out")
        self._marker = first.tobytes() + line + b"\n"

    def _block(self, n_bytes: int, index: int) -> npt.NDArray[np.uint8]:
        block = read_block(self._stream, n_bytes)
        self.bytes_read += len(block)
        if len(block) < n_bytes:
            raise EndOfTake(f"cut short inside frame {index}")
        return block


class Y4mReader(StreamedReader):
    """A ``.y4m`` file.

    Raises
    ------
    UnreadableTake
        The header is damaged or of an unknown kind.
    """

    name: ClassVar[str] = "y4m"
    priority: ClassVar[int] = 30

    @classmethod
    def accepts(cls, source: Source) -> bool:
        """By the leading bytes."""
        path = Path(source.path)
        if not path.is_file():
            return False
        with path.open("rb") as file:
            return file.read(len(MAGIC)) == MAGIC

    def __init__(self, source: Source) -> None:
        self._file: BinaryIO = open(source.path, "rb")  # noqa: SIM115 (closed by close)
        try:
            self._stream = Y4mStream(self._file, source.path)
        except UnreadableTake:
            self._file.close()
            raise
        self.info = self._stream.describe(source, Path(source.path).stem)

    def _fetch(self, index: int) -> Frame | None:
        luma = self._stream.next_luma(index)
        self.bytes_read = self._stream.bytes_read
        return Frame(index=index, luma=luma)

    def close(self) -> None:
        """Close the file."""
        self._file.close()
