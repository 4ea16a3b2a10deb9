"""Is the number of false alarms the one that was asked for?

    python benchmarks/false_alarms.py [--score-frames N] [--tile-frames N] [--only KINDS]

Noise in which nothing happens, and events per million frames against ``--false-alarms`` of
0.1, 1, 10 and 100, with the 95 % Poisson interval of the count (exact, by chi-square):

scores
    Scores of every detector drawn, independently, from the law that `flashpan.chance`
    gives normal noise (`MaxLaw`), straight into the picker: its calibration alone, without
    any picture.  Cheap, so millions of frames.
gaussian, poisson, heavy, correlated
    Pixel noise of an 8 × 8 grid of 12-pixel tiles, turned into tile statistics, through the
    detectors and the picker: normal; counted photons, 4 to 400 a pixel, rounded; Student's
    t with 5 degrees of freedom; normal with a slow wander of every tile (autoregressive,
    0.9 per frame) as large as the noise of its mean.

All rates of a kind are picked from the same scores.  The merge gap is 30 frames.
"""

from __future__ import annotations

import argparse
import csv
import sys
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import islice
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy import stats
from tqdm import tqdm

from flashpan import registry
from flashpan.chance import MaxLaw
from flashpan.detectors.base import Scene
from flashpan.find import Moment, Scorer
from flashpan.grid import TILE_PX, lay_grid
from flashpan.model import Score, TakeInfo, Tiles
from flashpan.picker import Picker

ASKED = (0.1, 1.0, 10.0, 100.0)
GAP_FRAMES = 30
SIDE = 8
RESULTS = Path(__file__).parent / "results"
Noise = npt.NDArray[Any]
Draw = Callable[[np.random.Generator], Iterator[Noise]]


@dataclass(frozen=True, slots=True)
class Point:
    """Events found in frames of noise, at a rate that was asked for."""

    kind: str
    asked: float
    events: int
    frames: int

    def row(self) -> dict[str, str]:
        """The point as a row: counts, rate per million frames, and its interval."""
        low = stats.chi2.ppf(0.025, 2 * self.events) / 2 if self.events else 0.0
        high = stats.chi2.ppf(0.975, 2 * self.events + 2) / 2
        million = self.frames / 1e6
        return {
            "noise": self.kind,
            "asked": f"{self.asked:g}",
            "frames": str(self.frames),
            "events": str(self.events),
            "per million": f"{self.events / million:.3g}",
            "95 %": f"{low / million:.3g} … {high / million:.3g}",
            "fits": "yes" if low <= self.asked * million <= high else "no",
        }


def make_scorer() -> Scorer:
    """Return all detectors on the small grid."""
    shape = (SIDE * TILE_PX, SIDE * TILE_PX)
    info = TakeInfo(path="noise", name="noise", shape=shape, bit_depth=12)
    scene = Scene(info=info, grid=lay_grid(shape))
    names = registry.names(registry.DETECTORS)
    return Scorer({n: registry.load(registry.DETECTORS, n)() for n in names}, scene)


def gaussian(rng: np.random.Generator) -> Iterator[Noise]:
    while True:
        yield 0.2 + 0.01 * rng.standard_normal((SIDE * TILE_PX, SIDE * TILE_PX))


def poisson(rng: np.random.Generator) -> Iterator[Noise]:
    photons = np.geomspace(4, 400, SIDE * SIDE).reshape(SIDE, SIDE)
    light = np.kron(photons, np.ones((TILE_PX, TILE_PX)))
    while True:
        yield rng.poisson(light) * (8 / 4095)


def heavy(rng: np.random.Generator) -> Iterator[Noise]:
    while True:
        yield 0.2 + 0.01 * rng.standard_t(5, (SIDE * TILE_PX, SIDE * TILE_PX))


def correlated(rng: np.random.Generator) -> Iterator[Noise]:
    wander, keep = np.zeros((SIDE, SIDE)), 0.9
    of_mean = 0.01 / TILE_PX
    for picture in gaussian(rng):
        fresh = rng.standard_normal((SIDE, SIDE)) * of_mean * np.sqrt(1 - keep**2)
        wander = keep * wander + fresh
        yield picture + np.kron(wander, np.ones((TILE_PX, TILE_PX)))


NOISE: dict[str, Draw] = {
    "gaussian": gaussian,
    "poisson": poisson,
    "heavy": heavy,
    "correlated": correlated,
}


def as_tiles(pictures: Iterator[Noise]) -> Iterator[Tiles]:
    """Turn noise, in fractions of full scale, into what the detectors are fed."""
    previous: Noise | None = None
    for index, picture in enumerate(pictures):
        change = np.zeros_like(picture) if previous is None else picture - previous
        yield Tiles(
            index=index,
            mean=_means(picture),
            abs_diff=_means(np.abs(change)),
            sq_diff=_means(change * change),
            has_previous=previous is not None,
        )
        previous = picture


def _means(pixels: Noise) -> npt.NDArray[np.float32]:
    tiles = pixels.reshape(SIDE, TILE_PX, SIDE, TILE_PX)
    return np.asarray(tiles.mean(axis=(1, 3)), np.float32)


class Counter:
    """One picker per rate, fed with the same scores."""

    def __init__(self, laws: Mapping[str, MaxLaw]) -> None:
        self._pickers = {asked: Picker(laws, asked, GAP_FRAMES) for asked in ASKED}
        self.events = dict.fromkeys(ASKED, 0)

    def take_in(self, moment: Moment) -> None:
        """Pick from one frame's scores, as `flashpan.find` does."""
        for asked, picker in self._pickers.items():
            for name, (values, restless) in (moment.warm_up or {}).items():
                picker.channels[name].prime(values, restless)
            picks = picker.push(moment.index, moment.scores, moment.refreshed)
            self.events[asked] += sum(1 for _ in picks)

    def points(self, kind: str, n_frames: int) -> list[Point]:
        """Close what is open and return the counts."""
        for asked, picker in self._pickers.items():
            self.events[asked] += sum(1 for _ in picker.finish())
        return [Point(kind, asked, self.events[asked], n_frames) for asked in ASKED]


def from_tiles(kind: str, n_frames: int, seed: int) -> list[Point]:
    """Count events in tile noise."""
    scorer = make_scorer()
    counter = Counter(scorer.laws)
    pictures = NOISE[kind](np.random.default_rng([seed, *kind.encode()]))
    frames = islice(as_tiles(pictures), n_frames)
    for tiles in tqdm(frames, total=n_frames, desc=kind, disable=None):
        for moment in scorer.push(tiles):
            counter.take_in(moment)
    for moment in scorer.finish():
        counter.take_in(moment)
    return counter.points(kind, n_frames)


def draw_scores(law: MaxLaw, count: int, rng: np.random.Generator) -> npt.NDArray[np.float64]:
    """Draw from the law itself: the largest of n, by inverting its distribution."""
    single = -np.expm1(np.log(rng.random(count)) / law.n)
    drawn = stats.t.isf(np.minimum(single, 0.5 * law.sides) / law.sides, law.dof)
    return np.asarray(drawn, np.float64)


def from_scores(n_frames: int, seed: int, block: int = 10_000) -> list[Point]:
    """Count events in scores drawn from the law of normal noise."""
    laws = make_scorer().laws
    counter, rng = Counter(laws), np.random.default_rng([seed, *b"scores"])
    warm: dict[str, tuple[list[float], bool]] | None = {
        name: (draw_scores(law, 32, rng).tolist(), False) for name, law in laws.items()
    }
    for first in tqdm(range(0, n_frames, block), desc="scores", disable=None):
        drawn = {name: draw_scores(law, block, rng) for name, law in laws.items()}
        for i in range(min(block, n_frames - first)):
            at = first + i
            scores = {
                name: Score(index=at, value=float(values[i]), since=at, until=at)
                for name, values in drawn.items()
            }
            counter.take_in(Moment(at, scores, False, warm))
            warm = None
    return counter.points("scores", n_frames)


def write_rows(rows: Sequence[Mapping[str, str]], folder: Path) -> None:
    folder.mkdir(parents=True, exist_ok=True)
    with (folder / "false_alarms.csv").open("w", newline="", encoding="utf-8") as file:
        writer = csv.DictWriter(file, list(rows[0]))
        writer.writeheader()
        writer.writerows(rows)


def main(words: Sequence[str] | None = None) -> int:
    kinds = ("scores", *NOISE)
    parser = argparse.ArgumentParser(
        description=(__doc__ or "").splitlines()[0],
        epilog="example: python benchmarks/false_alarms.py --only gaussian --tile-frames 100000",
    )
    parser.add_argument("--score-frames", type=int, default=400_000, metavar="N")
    parser.add_argument("--tile-frames", type=int, default=50_000, metavar="N")
    parser.add_argument("--only", default=",".join(kinds), metavar="KINDS")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--out", type=Path, default=RESULTS, metavar="DIR")
    args = parser.parse_args(words)
    rows: list[dict[str, str]] = []
    for kind in args.only.split(","):
        if kind not in kinds:
            parser.error(f"--only {kind}: choose from {', '.join(kinds)}")
        if kind == "scores":
            points = from_scores(args.score_frames, args.seed)
        else:
            points = from_tiles(kind, args.tile_frames, args.seed)
        if not rows:
            print("| " + " | ".join(points[0].row()) + " |")
        for point in points:
            rows.append(point.row())
            print("| " + " | ".join(rows[-1].values()) + " |", flush=True)
    write_rows(rows, args.out)
    return 0


if __name__ == "__main__":
    sys.exit(main())
