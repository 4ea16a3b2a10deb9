"""The JSON file beside a clip, which says everything exactly.

``<clip>.clip.json``, schema 1; later versions only add keys.  Rates and times are text of an
exact fraction (``"30000/1001"``).  ``frame_hashes`` are MD5 of what ``hashes_are`` names.
"""

from __future__ import annotations

import hashlib
import json
from pathlib import Path
from typing import Any

import flashpan
from flashpan.atomic import write_text
from flashpan.cut.base import Cut, Written, facts
from flashpan.eventlog import fingerprint_to_dict
from flashpan.jsontext import loads

SCHEMA = 1
_HASHES_ARE = {
    "bytes": "the frame's bytes in the file",
    "pages": "shape, kind, bits, photometric and samples, little-endian",
}
_DECODED = "decoded samples, plane by plane, without padding (FFmpeg's framemd5)"


def sidecar_path(clip: Path) -> Path:
    """Where the sidecar of a clip is."""
    return clip.with_name(clip.name + ".clip.json")


def digest(hashes: tuple[str, ...]) -> str:
    """SHA-256 of the hashes, one a line; empty where there are none."""
    text = "".join(f"{one}\n" for one in hashes)
    return hashlib.sha256(text.encode()).hexdigest() if hashes else ""


def write_sidecar(
    cut: Cut,
    clip: Path,
    written: Written,
    verified: bool | None,
    n_bytes: int,
    difference: str = "",
) -> Path:
    """Write the sidecar of a clip that is about to get its final name.

    A sidecar without its clip is what a killed run leaves behind, and is replaced.
    """
    content = _content(cut, clip, written, verified, n_bytes, difference)
    return write_beside(clip, content, overwrite=cut.overwrite)


def write_beside(clip: Path, content: dict[str, Any], *, overwrite: bool) -> Path:
    """Write a sidecar; one without its clip is replaced in any case."""
    text = json.dumps(content, indent=1) + "\n"
    return write_text(sidecar_path(clip), text, overwrite=overwrite or not clip.exists())


def read_sidecar(clip: Path) -> dict[str, Any]:
    """What stands beside a clip; nothing where there is none, or none that can be read."""
    try:
        content = loads(sidecar_path(clip).read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return {}
    return content if isinstance(content, dict) else {}


def _content(
    cut: Cut,
    clip: Path,
    written: Written,
    verified: bool | None,
    n_bytes: int,
    difference: str,
) -> dict[str, Any]:
    return {
        "flashpan": flashpan.__version__,
        "schema": SCHEMA,
        "clip": clip.name,
        **facts(cut),
        "how": written.how,
        "frames": written.n_frames,
        "bytes": n_bytes,
        "head_frames": written.head_frames,
        "tail_frames": written.tail_frames,
        "recoded_frames": written.recoded_frames,
        "timecode": written.timecode,
        "raw": written.geometry,
        "take": take_facts(cut),
        "verified": verified,
        "difference": difference or None,
        "hashes_are": _HASHES_ARE.get(written.how, _DECODED) if written.hashes else None,
        "digest_sha256": digest(written.hashes) or None,
        "frame_hashes": list(written.hashes),
        "times_s": [str(time) for time in written.times],
        "warnings": list(written.warnings),
    }


def take_facts(cut: Cut) -> dict[str, Any]:
    """What a sidecar says of the take; its fingerprint is null for a pipe."""
    take = cut.take
    return {
        "path": take.path if take.path == "-" else str(Path(take.path).absolute()),
        "name": take.name,
        "frames": take.n_frames,
        "width": take.shape[1],
        "height": take.shape[0],
        "bit_depth": take.bit_depth,
        "codec": take.codec,
        "container": take.container,
        "pixel_format": take.pixel_format,
        "variable_rate": take.variable_rate,
        "raw": cut.raw,
        "fingerprint": fingerprint_to_dict(take.fingerprint),
    }
