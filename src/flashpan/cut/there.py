"""Clips of an earlier run that are there and whole, so that they need not be cut again."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path
from typing import Any

from flashpan.cut.base import Clip, Cut, How, Written
from flashpan.cut.engine import kind, proof, size_of
from flashpan.cut.exact import SUFFIX
from flashpan.cut.sidecar import digest, read_sidecar, sidecar_path
from flashpan.eventlog import fingerprint_to_dict
from flashpan.model import TakeInfo


def clip_there(cut: Cut) -> Clip | None:
    """The clip of an earlier run, if it is what this cut would write.

    Its sidecar must name the same take (by fingerprint), the same frames and a way of cutting
    that is as good; and the clip must hold the frames whose hashes stand in the sidecar, for
    which it is decoded again.  Without ``cut.verify`` its size is enough.
    """
    for clip in _candidates(cut):
        said = read_sidecar(clip)
        if said and clip.exists() and _is_this(cut, said) and _is_whole(cut, clip, said):
            return _reported(cut, clip, said)
    return None


def unproved_there(cut: Cut) -> bool:
    """Whether such a clip is there that nobody has proved: it may be replaced by one that is."""
    return any(
        clip.exists() and _is_this(cut, said) and said.get("verified") is None
        for clip in _candidates(cut)
        if (said := read_sidecar(clip))
    )


def is_same_take(take: TakeInfo, said: dict[str, Any]) -> bool:
    """Whether a sidecar is of a clip of this take: by its bytes, wherever it lies."""
    logged, known = said.get("take"), fingerprint_to_dict(take.fingerprint)
    return isinstance(logged, dict) and known is not None and logged.get("fingerprint") == known


def _candidates(cut: Cut) -> list[Path]:
    if kind(cut) == "stills":
        return [cut.path("")]
    own = Path(cut.take.path).suffix or (".raw" if kind(cut) == "stored" else "")
    return [cut.path(suffix) for suffix in dict.fromkeys((own, SUFFIX))]


def _is_this(cut: Cut, said: dict[str, Any]) -> bool:
    try:
        same_frames = (said["first"], said["last"] + 1) == cut.span
        return same_frames and is_same_take(cut.take, said) and _is_as_good(cut, said)
    except (KeyError, TypeError):
        return False


def _is_as_good(cut: Cut, said: dict[str, Any]) -> bool:
    if kind(cut) != "video":
        return True
    if cut.how is not How.AUTO:
        return bool(said["how"] == cut.how)
    return not (said["head_frames"] or said["tail_frames"] or said["recoded_frames"])


def _is_whole(cut: Cut, clip: Path, said: dict[str, Any]) -> bool:
    try:
        if size_of(clip) != said["bytes"]:
            return False
        if not cut.verify:
            return True
        written = _written(said)
        proved = said["verified"] is True and said["digest_sha256"] == digest(written.hashes)
        return proved and not proof(cut)(clip, written)
    except (KeyError, TypeError, ValueError, OSError):
        return False


def _written(said: dict[str, Any]) -> Written:
    return Written(
        how=str(said["how"]),
        n_frames=said["frames"],
        head_frames=said["head_frames"],
        tail_frames=said["tail_frames"],
        recoded_frames=said["recoded_frames"],
        hashes=tuple(said["frame_hashes"]),
        times=tuple(Fraction(time) for time in said["times_s"]),
        timecode=said["timecode"],
        geometry=said["raw"],
        warnings=tuple(said["warnings"]),
    )


def _reported(cut: Cut, clip: Path, said: dict[str, Any]) -> Clip:
    written = _written(said)
    return Clip.of(
        written,
        path=clip,
        sidecar=sidecar_path(clip),
        first=said["first"],
        last=said["last"],
        n_bytes=said["bytes"],
        verified=said["verified"],
        digest=digest(written.hashes),
    )
