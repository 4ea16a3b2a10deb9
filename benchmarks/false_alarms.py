"""Is the number of false alarms the one that was asked for?

    python benchmarks/false_alarms.py [--score-frames N] [--tile-frames N] [--only KINDS]
                                      [--picture FILE]

Noise in which nothing happens, and events per million frames against ``--false-alarms`` of
0.1, 1, 10 and 100, with the 95 % Poisson interval of the count (exact, by chi-square).

Kinds that begin with ``score:``
    Scores of every detector drawn, independently, from a known law (`score_noise`), straight
    into the picker: what it learns of quiet frames, and its thresholds.  *True* is the sum,
    over frames in which an event could begin, of the known chance that one does under the
    thresholds then in force: the number that the count scatters around.
Kinds that begin with ``tile:``
    Pixel noise of an 8 × 8 grid of 12-pixel tiles, as frames of 12 bits, measured, and through
    the detectors and the picker: normal; counted photons, 4 to 400 a pixel, rounded; Student's
    t with 5 degrees of freedom; normal with a slow wander of every tile (autoregressive,
    0.9 per frame) as large as the noise of its mean.  *True* is estimated: the tail of each
    detector's scores over the whole run (generalised Pareto, of the highest 300 that are a
    merge gap apart) at the thresholds in force.  Counts judge the rates that they can.

*Within two* says whether the rate (true where known, else the interval of the count) is
within a factor of two of what was asked; "open" where too few frames were seen to tell.
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
from blocks import BlockPicker
from calibration import draw_picture
from scipy import stats
from score_noise import KINDS as SCORE_KINDS
from score_noise import ScoreNoise
from tqdm import tqdm

from flashpan import registry
from flashpan.chance import MaxLaw
from flashpan.detectors.base import Scene
from flashpan.find import Moment, Scorer
from flashpan.grid import TILE_PX, Grid, lay_grid
from flashpan.measure import Measurer
from flashpan.model import Frame, TakeInfo, Tiles
from flashpan.picker import Picker

ASKED = (0.1, 1.0, 10.0, 100.0)
GAP_FRAMES = 30
SIDE = 8
BLOCK = 65_536
WARM_UP = 32
# Frames between samples of the thresholds, and peaks that a tail is fitted to.
OPENING_EVERY = 64
PEAKS = 300
RESULTS = Path(__file__).parent / "results"
Noise = npt.NDArray[Any]
Draw = Callable[[np.random.Generator], Iterator[Noise]]


@dataclass(frozen=True, slots=True)
class Point:
    """Events found in frames of noise, at a rate that was asked for.

    ``true`` is the number that the count scatters around; NaN where nothing tells.
    """

    kind: str
    asked: float
    events: int
    frames: int
    true: float

    @property
    def interval(self) -> tuple[float, float]:
        """Exact 95 % Poisson interval of the rate, per million frames."""
        low = stats.chi2.ppf(0.025, 2 * self.events) / 2 if self.events else 0.0
        high = stats.chi2.ppf(0.975, 2 * self.events + 2) / 2
        return low / self.frames * 1e6, high / self.frames * 1e6

    @property
    def within_two(self) -> str:
        """Whether the rate is within a factor of two of what was asked."""
        low, high = self.interval
        if self.kind.startswith("score:"):
            low = high = self.true / self.frames * 1e6
        if self.asked / 2 <= low and high <= self.asked * 2:
            return "yes"
        return "no" if high < self.asked / 2 or low > self.asked * 2 else "open"

    def row(self) -> dict[str, str]:
        """The point as a row: counts, rates per million frames, interval, verdict."""
        low, high = self.interval
        million = self.frames / 1e6
        return {
            "noise": self.kind,
            "asked": f"{self.asked:g}",
            "frames": str(self.frames),
            "events": str(self.events),
            "per million": f"{self.events / million:.3g}",
            "95 %": f"{low:.3g} … {high:.3g}",
            "true": f"{self.true / million:.3g}",
            "within two": self.within_two,
        }


def noise_take() -> tuple[TakeInfo, Grid]:
    """Return what is known of the take, and its small grid."""
    shape = (SIDE * TILE_PX, SIDE * TILE_PX)
    return TakeInfo(path="noise", name="noise", shape=shape, bit_depth=12), lay_grid(shape)


def make_scorer() -> Scorer:
    """Return all detectors on the small grid."""
    info, grid = noise_take()
    scene = Scene(info=info, grid=grid)
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
    """Measure noise, in fractions of full scale, as frames of a 12-bit camera."""
    info, grid = noise_take()
    measurer = Measurer(info, grid)
    for index, picture in enumerate(pictures):
        luma = np.clip(np.rint(picture * info.full_scale), 0, info.full_scale).astype(np.uint16)
        yield measurer.measure(Frame(index=index, luma=luma))


class Counter:
    """One picker per rate, fed with the same moments; remembers the scores and thresholds."""

    def __init__(self, laws: Mapping[str, MaxLaw], n_frames: int) -> None:
        self._pickers = {asked: Picker(laws, asked, GAP_FRAMES) for asked in ASKED}
        self._events = dict.fromkeys(ASKED, 0)
        self._scores = {name: np.zeros(n_frames, np.float32) for name in laws}
        self._openings: list[dict[float, dict[str, float]]] = []
        self._seen = 0

    def take_in(self, moment: Moment) -> None:
        """Pick from one frame's scores, as `flashpan.find` does."""
        for asked, picker in self._pickers.items():
            for name, (values, restless) in (moment.warm_up or {}).items():
                picker.channels[name].prime(values, restless)
            picks = picker.push(moment.index, moment.scores, moment.refreshed)
            self._events[asked] += sum(1 for _ in picks)
        for name, score in moment.scores.items():
            self._scores[name][self._seen] = score.value
        if self._seen % OPENING_EVERY == 0:
            self._openings.append({asked: _openings(p) for asked, p in self._pickers.items()})
        self._seen += 1

    def points(self, kind: str) -> list[Point]:
        """Close what is open and return the counts."""
        for asked, picker in self._pickers.items():
            self._events[asked] += sum(1 for _ in picker.finish())
        tails = {name: _rate_above(scores[: self._seen]) for name, scores in self._scores.items()}
        return [
            Point(kind, asked, self._events[asked], self._seen, self._estimated(asked, tails))
            for asked in ASKED
        ]

    def _estimated(self, asked: float, tails: Mapping[str, Callable[[float], float]]) -> float:
        """Events that the tails of the whole run give at the thresholds that were in force."""
        rates = [
            sum(tails[name](opening) for name, opening in now[asked].items())
            for now in self._openings
        ]
        return float(np.mean(rates)) * self._seen


def _openings(picker: Picker) -> dict[str, float]:
    return {name: channel.thresholds(False)[0] for name, channel in picker.channels.items()}


def _rate_above(scores: npt.NDArray[np.float32]) -> Callable[[float], float]:
    """Events per frame above a score: peaks over a threshold (Davison & Smith 1990, from memory).

    Peaks are at least a merge gap apart; the generalised Pareto law is fitted to the highest.
    """
    peaks: list[float] = []
    order, taken = np.argsort(scores)[::-1], np.zeros(len(scores), bool)
    for at in order:
        if len(peaks) > PEAKS:
            break
        if not taken[at]:
            peaks.append(float(scores[at]))
            taken[max(0, at - GAP_FRAMES) : at + GAP_FRAMES + 1] = True
    if len(peaks) <= PEAKS:
        return lambda score: float("nan")
    start = peaks.pop()
    shape, _, scale = stats.genpareto.fit(np.array(peaks) - start, floc=0.0)
    share = PEAKS / len(scores)
    return lambda score: share * float(stats.genpareto.sf(score - start, shape, scale=scale))


def from_tiles(kind: str, n_frames: int, seed: int) -> list[Point]:
    """Count events in tile noise."""
    scorer = make_scorer()
    counter = Counter(scorer.laws, n_frames)
    pictures = NOISE[kind](np.random.default_rng([seed, *kind.encode()]))
    frames = islice(as_tiles(pictures), n_frames)
    for tiles in tqdm(frames, total=n_frames, desc=kind, disable=None):
        for moment in scorer.push(tiles):
            counter.take_in(moment)
    for moment in scorer.finish():
        counter.take_in(moment)
    return counter.points(f"tile:{kind}")


def from_scores(kind: str, n_frames: int, seed: int) -> list[Point]:
    """Count events, and what was to be expected, in scores of a known law."""
    laws = make_scorer().laws
    rng = np.random.default_rng([seed, *kind.encode()])
    noise = {name: ScoreNoise(kind, law, GAP_FRAMES) for name, law in laws.items()}
    pickers = {asked: BlockPicker(Picker(laws, asked, GAP_FRAMES)) for asked in ASKED}
    events, true = dict.fromkeys(ASKED, 0), dict.fromkeys(ASKED, 0.0)
    for name, source in noise.items():
        warm = source.draw(WARM_UP, rng).tolist()
        for blocks in pickers.values():
            blocks.picker.channels[name].prime(warm, False)
    for first in tqdm(range(0, n_frames, BLOCK), desc=kind, disable=None):
        count = min(BLOCK, n_frames - first)
        drawn = {name: source.draw(count, rng) for name, source in noise.items()}
        for asked, blocks in pickers.items():
            events[asked] += sum(1 for _ in blocks.push(first, drawn))
            true[asked] += _expected(blocks, noise)
    for asked, blocks in pickers.items():
        events[asked] += sum(1 for _ in blocks.picker.finish())
    return [Point(f"score:{kind}", a, events[a], n_frames, true[a]) for a in ASKED]


def _expected(blocks: BlockPicker, noise: Mapping[str, ScoreNoise]) -> float:
    """Events to be expected in the frames that the block picker has just been through."""
    total = 0.0
    for count, openings in blocks.quiet:
        none = 1.0
        for name, opening in openings.items():
            none *= 1.0 - noise[name].chance(opening)
        total += count * (1.0 - none)
    blocks.quiet.clear()
    return total


def write_rows(rows: Sequence[Mapping[str, str]], folder: Path) -> None:
    """Write the table as CSV and as Markdown."""
    folder.mkdir(parents=True, exist_ok=True)
    with (folder / "false_alarms.csv").open("w", newline="", encoding="utf-8") as file:
        writer = csv.DictWriter(file, list(rows[0]))
        writer.writeheader()
        writer.writerows(rows)
    lines = [_head(rows[0]), dict.fromkeys(rows[0], "---"), *rows]
    text = "".join(f"{_line(row)}\n" for row in lines)
    (folder / "false_alarms.md").write_text(text, encoding="utf-8")


def _head(row: Mapping[str, str]) -> dict[str, str]:
    return {name: name for name in row}


def _line(row: Mapping[str, str]) -> str:
    return "| " + " | ".join(row.values()) + " |"


def measured(kind: str, score_frames: int, tile_frames: int, seed: int) -> list[Point]:
    """All rates of one kind of noise."""
    family, name = kind.split(":")
    if family == "score":
        return from_scores(name, score_frames, seed)
    return from_tiles(name, tile_frames, seed)


def main(words: Sequence[str] | None = None) -> int:
    kinds = (*(f"score:{kind}" for kind in SCORE_KINDS), *(f"tile:{kind}" for kind in NOISE))
    parser = argparse.ArgumentParser(
        description=(__doc__ or "").splitlines()[0],
        epilog="example: python benchmarks/false_alarms.py --only tile:gaussian",
    )
    parser.add_argument("--score-frames", type=int, default=1_000_000, metavar="N")
    parser.add_argument("--tile-frames", type=int, default=50_000, metavar="N")
    parser.add_argument("--only", default=",".join(kinds), metavar="KINDS")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--out", type=Path, default=RESULTS, metavar="DIR")
    parser.add_argument("--picture", type=Path, metavar="FILE", help="draw the calibration curve")
    args = parser.parse_args(words)
    for kind in (asked := args.only.split(",")):
        if kind not in kinds:
            parser.error(f"--only {kind}: choose from {', '.join(kinds)}")
    points: list[Point] = []
    for kind in asked:
        points += measured(kind, args.score_frames, args.tile_frames, args.seed)
        if len(points) == len(ASKED):
            print(_line(_head(points[0].row())))
        for point in points[-len(ASKED) :]:
            print(_line(point.row()), flush=True)
        write_rows([point.row() for point in points], args.out)
    if args.picture:
        draw_picture([point.row() for point in points], args.picture)
    return 0


if __name__ == "__main__":
    sys.exit(main())
