"""What a lossy codec leaves of an event.

The take is coded twice, with its events and, the same noise on the same still scene, without
them.  In the best tile of an event's best frame the difference of the two decoded pictures is
projected on the event's true change (coding that merely came out differently is as likely to
lie across it as along it), and held against the temporal noise of the decoded take without
the event in that tile: what visibility would be if the decoded take were the camera's.
"""

from __future__ import annotations

import tempfile
from pathlib import Path

import numpy as np
import numpy.typing as npt

import flashpan
from sample_generators import Quality, Take, make_take, write_take
from sample_generators.sensor import QUANTISATION_DN2
from sample_generators.truth import TILE_PX, best_tile
from sample_generators.write import SUFFIXES

NOISE_FRAMES = 32
"""Frames on each side of the best one by which the decoded noise is measured."""
Cut = tuple[slice, slice]
Pixels = npt.NDArray[np.float64]


def visibility_left(take: Take, path: Path, form: str, quality: Quality) -> list[float]:
    """Return, per true event by onset, the visibility that a coded take has of it.

    ``path`` is the take as it was coded.
    """
    peaks = [event.peak for event in take.truth.events]
    if not peaks:
        return []
    tiles = [_tile(take, peak) for peak in peaks]
    twin = _without_events(take)
    with tempfile.TemporaryDirectory(prefix="twin-") as folder:
        other = Path(folder) / f"twin{SUFFIXES[form]}"
        write_take(twin, other, form=form, quality=quality)
        spans = [(max(0, t - NOISE_FRAMES), t + NOISE_FRAMES) for t in peaks]
        without = _cuts(other, tiles, spans)
    with_events = _cuts(path, tiles, [(t, t) for t in peaks])
    return [
        _left(with_events[i][0], without[i], peak - spans[i][0], _change(take, peak)[tiles[i]])
        for i, peak in enumerate(peaks)
    ]


def _without_events(take: Take) -> Take:
    twin = make_take(take.name, take.settings)
    for happening in twin.scenario.happenings:
        happening.start = 1e12
    return twin


def _change(take: Take, t: int) -> Pixels:
    """Return the change by all events; lossy conditions lose no frames, so that t is t."""
    twin = _without_events(take)
    scale_dn = take.sensor.gain * take.sensor.full_well_e
    seen, still = np.clip(take.seen(t), 0, 1), np.clip(twin.seen(t), 0, 1)
    return np.asarray(scale_dn * (seen - still), np.float64)


def _tile(take: Take, t: int) -> Cut:
    tile = best_tile(_change(take, t).astype(np.float32), take.variance_dn2(take.seen(t)))
    return slice(tile.top, tile.top + TILE_PX), slice(tile.left, tile.left + TILE_PX)


def _cuts(path: Path, tiles: list[Cut], spans: list[tuple[int, int]]) -> list[list[Pixels]]:
    """Return each tile's pixels in each frame of its span."""
    found: list[list[Pixels]] = [[] for _ in tiles]
    with flashpan.open_take(path) as reader:
        for frame in reader.frames():
            for cuts, tile, (first, last) in zip(found, tiles, spans, strict=True):
                if first <= frame.index <= last:
                    cuts.append(frame.luma[tile].astype(np.float64))
    return found


def _left(shown: Pixels, still: list[Pixels], at: int, change: Pixels) -> float:
    """Project the decoded change on the true one, in units of the decoded noise."""
    # Differences: what drifts over so many frames is no temporal noise.
    steps = np.diff(np.stack(still), axis=0)
    noise = np.sqrt(max(float(np.mean(steps**2)) / 2, QUANTISATION_DN2))
    along = float(np.sum((shown - still[at]) * change)) / float(np.linalg.norm(change))
    return float(abs(along) / noise)
