"""Frozen core types that every other module shares.

Inside the code ranges are half-open (``start``, ``stop``); people and logs get
inclusive ``first``, ``last``.  Frames are numbered from 0 in file order.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from fractions import Fraction
from typing import Any

import numpy as np
import numpy.typing as npt

FloatGrid = npt.NDArray[np.float32]
LOSSLESS = frozenset({"ffv1", "ffvhuff", "gif", "huffyuv", "png", "qtrle", "rawvideo", "utvideo"})
"""Codecs without coding error."""
LOSSY_INTRA = frozenset({"dnxhd", "dvvideo", "jpeg", "jpeg2000", "mjpeg", "prores"})
"""Codecs with coding error that code every frame by itself."""
Extent = tuple[int, int, int, int]
"""Tiles: top, left, bottom, right; half-open."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Fingerprint:
    """What tells one take's bytes from another's, whatever they are called and wherever they lie.

    Attributes
    ----------
    size_bytes : int
        Bytes of the file, or of all stills together.
    n_files : int
        Files: 1, or as many as there are stills.
    head_bytes, tail_bytes : int
        How much of a file's start and end was hashed.
    digest : str
        SHA-256 of that, hexadecimal.
    """

    size_bytes: int
    n_files: int
    head_bytes: int
    tail_bytes: int
    digest: str


@dataclass(frozen=True, slots=True, kw_only=True)
class TakeInfo:
    """What is known of a take.

    Attributes
    ----------
    path : str
        The source as given by the user; ``-`` for standard input.
    name : str
        Short name for tables and file names (no directory, no extension).
    shape : tuple of int
        ``(rows, cols)`` of the luma as delivered (after rotation).
    bit_depth : int
        Significant bits per sample, 1 to 16.
    n_frames : int or None
        Frames in the take; ``None`` until they have been counted by decoding.
    declared_frames : int or None
        What the container claims; never trusted.
    capture_rate, playback_rate : Fraction or None
        Frames per second as shot and as watched.
    trigger_frame : int or None
        The frame that the camera calls time zero.
    limited_range : bool
        True where black and white are coded as 16 and 235 (times 2**(bit_depth-8)).
    intra_only : bool
        True where every frame is coded by itself.
    fingerprint : Fingerprint or None
        Identity of the bytes, where it has been taken; a pipe has none.
    """

    path: str
    name: str
    shape: tuple[int, int]
    bit_depth: int
    n_frames: int | None = None
    declared_frames: int | None = None
    capture_rate: Fraction | None = None
    playback_rate: Fraction | None = None
    trigger_frame: int | None = None
    time_base: Fraction | None = None
    codec: str = ""
    container: str = ""
    pixel_format: str = ""
    limited_range: bool = False
    rotation: int = 0
    intra_only: bool = True
    variable_rate: bool = False
    warnings: tuple[str, ...] = ()
    fingerprint: Fingerprint | None = None

    @property
    def predicts_with_loss(self) -> bool:
        """True where frames are coded by their difference from others, with coding error."""
        return not self.intra_only and self.codec not in LOSSLESS

    @property
    def codes_with_loss(self) -> bool:
        """True where pictures hold the error of a lossy video codec."""
        return self.predicts_with_loss or self.codec in LOSSY_INTRA

    @property
    def least_step(self) -> float:
        """One code value, in full scales."""
        return 1.0 / self.full_scale

    @property
    def black(self) -> int:
        """Code value of black."""
        return 16 << (self.bit_depth - 8) if self.limited_range else 0

    @property
    def full_scale(self) -> int:
        """Code values between black and white: 219 · 2**(b-8), or 2**b - 1 at full range."""
        if self.limited_range:
            return 219 << (self.bit_depth - 8)
        return (1 << self.bit_depth) - 1


@dataclass(frozen=True, slots=True, kw_only=True)
class Frame:
    """One decoded picture.

    Attributes
    ----------
    index : int
        Counted while decoding, from 0: the frame's only identity.
    luma : ndarray, shape (rows, cols), uint8 or uint16
        Native depth, values right-aligned (0 … 2**bit_depth - 1); read-only; owned
        by the frame (a decoder's reused buffer is copied).
    pts : int or None
        Presentation time stamp, a label only.
    is_keyframe : bool
        True where the frame is coded by itself.
    picture_type : str
        ``"I"``, ``"P"``, ``"B"`` … where the decoder says so, else ``""``.
    """

    index: int
    luma: npt.NDArray[Any]
    pts: int | None = None
    is_keyframe: bool = True
    picture_type: str = ""


@dataclass(frozen=True, slots=True)
class Region:
    """A rectangle of the picture, in pixels."""

    top: int
    left: int
    height: int
    width: int

    @property
    def bottom(self) -> int:
        """Row after the last one."""
        return self.top + self.height

    @property
    def right(self) -> int:
        """Column after the last one."""
        return self.left + self.width

    def union(self, other: Region) -> Region:
        """Smallest rectangle that holds both."""
        top, left = min(self.top, other.top), min(self.left, other.left)
        bottom, right = max(self.bottom, other.bottom), max(self.right, other.right)
        return Region(top, left, bottom - top, right - left)

    def as_box(self) -> tuple[int, int, int, int]:
        """``(x, y, width, height)``: the order of options and of the event log."""
        return (self.left, self.top, self.width, self.height)


@dataclass(frozen=True, slots=True, kw_only=True)
class Tiles:
    """One frame's statistics; arrays of shape (tile_rows, tile_cols), float32.

    Attributes
    ----------
    index : int
        Frame number.
    mean : ndarray
        Mean luma, fraction of full scale (black 0, white 1).
    abs_diff, sq_diff : ndarray
        Mean absolute and mean squared difference from the frame before, in fractions of
        full scale (squared); zero for the first frame measured.
    speck : ndarray
        Largest mean of 3 × 3 pixels' changes since the frame before, either way and less the
        tile's own, fraction of full scale; zeros where it was not measured.
    across, down : ndarray
        What the tile's mean changes by when the whole picture moves one pixel to the right, or
        down; empty where it was not measured.
    shift : tuple of float
        Pixels to the right and down that the whole picture had moved by, with the camera, and
        that were taken out of ``mean``.
    has_previous : bool
        False where there is no frame before to compare with.
    refreshed : bool
        True for a frame that an inter-coded stream codes afresh, and for the pictures that
        lead it: their coding error is independent of the frame before, which shows as a
        pulse of difference.
    repeats : bool
        True for an exact copy of the frame before in a take whose noise never repeats.
    """

    index: int
    mean: FloatGrid
    abs_diff: FloatGrid
    sq_diff: FloatGrid
    speck: FloatGrid = field(default_factory=lambda: np.zeros((0, 0), np.float32))
    across: FloatGrid = field(default_factory=lambda: np.zeros((0, 0), np.float32))
    down: FloatGrid = field(default_factory=lambda: np.zeros((0, 0), np.float32))
    shift: tuple[float, float] = (0.0, 0.0)
    has_previous: bool = True
    refreshed: bool = False
    repeats: bool = False
    _n_changed: int = field(default=-1, init=False, repr=False, compare=False)

    @property
    def n_changed(self) -> int:
        """Tiles that differ from the frame before; many ask, and it is counted once."""
        if self._n_changed < 0:
            object.__setattr__(self, "_n_changed", int(np.count_nonzero(self.sq_diff)))
        return self._n_changed

    @property
    def is_copy(self) -> bool:
        """True where every pixel that counts is as it was in the frame before."""
        return self.has_previous and not self.n_changed


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """What a score rests on: the place that gave it, as it was judged.

    The score is the departure of ``value`` from ``expected`` in units of ``noise``.

    Attributes
    ----------
    quantity : str
        ``"mean luma"``, ``"frame difference"`` and ``"speck"`` (the largest mean change of 3 by 3
        pixels) are fractions of full scale; ``"motion"`` is the root mean square change of a
        region's tiles in units of their usual change.
    place : str
        ``"tile"``, ``"block"`` (of tiles), ``"window"`` (all that is looked at) or
        ``"region"`` (of interest).
    extent : tuple of int
        The tiles of that place.
    frames : tuple of int
        First and last frame that the value is the mean of; where ``lag`` is not 0, the two
        frames that were compared.
    lag : int
        Frames back that the value compares with; 0 where it is a mean.
    value, expected, noise : float
        Finite.
    basis : str
        Where ``expected`` comes from: ``"lately"`` (the place's last samples), ``"earlier"``
        (how it was before what now passes) or ``"echo"`` (its last two errors).
    is_held : bool
        True where the place has departed, so that its baseline does not learn this frame.
    """

    quantity: str
    place: str
    extent: Extent
    frames: tuple[int, int]
    lag: int = 0
    value: float
    expected: float
    noise: float
    basis: str
    is_held: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Score:
    """A detector's number for one frame.

    Attributes
    ----------
    index : int
        Frame number.
    value : float
        Departure from normal at the place that departs most, in units of that place's
        own noise; 0 where nothing can be said.
    valid : bool
        False during warm-up; such a frame is scored again by ``run.retrospect()``.
    extent : tuple of int or None
        Tiles ``(top, left, bottom, right)``, half-open, that depart beyond noise, each by
        itself.
    around : tuple of int or None
        The larger place that departs, where no single tile does.
    tile : tuple of int or None
        Row and column of the tile, or of the top left tile of the place, that gave it.
    since : int
        First frame of the departure seen at those places, looking back.
    until : int
        Last frame for which this score is evidence: earlier than ``index`` where means
        or lagged differences still hold what has passed.
    sign : float
        -1 … 1: whether the places got darker or brighter; 0 where mixed or unknown.
    moving : float
        How far the departing places are from where they were a few frames ago, in noise
        units: 0 on a plateau.
    settled : bool
        True on the frame when a departed place became the new normal.
    reading : Reading or None
        What the value rests on, where the detector says so.
    in_retrospect : bool
        True where the frame lay in the warm-up and was scored after it.
    """

    index: int
    value: float
    valid: bool = True
    extent: Extent | None = None
    around: Extent | None = None
    tile: tuple[int, int] | None = None
    since: int = 0
    until: int = 0
    sign: float = 0.0
    moving: float = 0.0
    settled: bool = False
    reading: Reading | None = None
    in_retrospect: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Event:
    """What the peak picker finds; frame numbers, inclusive at both ends.

    ``onset`` is the first frame that is no longer as the scene was before, ``end`` the
    last frame that is not yet as the scene is afterwards, ``peak`` the frame that departs
    most.  ``strength`` is the peak score in noise units; ``chance`` how often noise alone
    would give such an event per million frames; ``onset_s`` real time of the onset
    from frame 0, or from the trigger frame where one is known.
    """

    onset: int
    peak: int
    end: int
    kind: str
    detector: str
    strength: float
    box: Region
    chance: float
    onset_s: Fraction | None = None


@dataclass(frozen=True, slots=True)
class TrimRange:
    """Frames ``first`` to ``last``, inclusive, and the numbers of the events they keep."""

    first: int
    last: int
    events: tuple[int, ...]

    @property
    def n_frames(self) -> int:
        """Frames in the range."""
        return self.last - self.first + 1


@dataclass(frozen=True, slots=True, kw_only=True)
class Totals:
    """Sums over one take."""

    frames: int
    kept: int
    events: int
    seconds: float
    bytes_read: int


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ScoreTrace:
    """Every frame's scores, as arrays.

    Attributes
    ----------
    detectors : tuple of str
        Names, in the order of the rows.
    frames : ndarray, shape (n,), int64
        Frame numbers.
    scores, thresholds : ndarray, shape (len(detectors), n), float32
        Score, and the score above which it opened an event, in noise units.
    """

    detectors: tuple[str, ...]
    frames: npt.NDArray[np.int64]
    scores: npt.NDArray[np.float32]
    thresholds: npt.NDArray[np.float32]


@dataclass(frozen=True, slots=True, kw_only=True)
class EventLog:
    """The record of one take: what was found, with what settings.

    ``trace`` is kept only on request and never written to the JSON log.
    """

    take: TakeInfo
    settings: dict[str, Any]
    events: tuple[Event, ...]
    ranges: tuple[TrimRange, ...]
    totals: Totals
    warnings: tuple[str, ...] = field(default=())
    trace: ScoreTrace | None = field(default=None, compare=False)
