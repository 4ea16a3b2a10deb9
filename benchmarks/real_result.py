"""Draw the README's picture: a real take, its scores, and what is kept of it.

The take is `motion.mov` from the Debian package node-opencv (Expat licence): a coin on a
table, struck by a pen, filmed with a phone.  Give its path:

    python benchmarks/real_result.py motion.mov benchmarks/real_result.png
"""

from __future__ import annotations

import sys

import matplotlib as mpl
import numpy as np
import numpy.typing as npt

import flashpan
from flashpan.units import Duration

mpl.use("Agg")
import matplotlib.pyplot as plt
from matplotlib.axes import Axes

_SETTINGS = flashpan.Settings(
    merge_gap=Duration.of_frames(3),
    pre_roll=Duration.of_frames(4),
    post_roll=Duration.of_frames(4),
)


def draw(take: str, picture: str) -> None:
    """Search the take and draw the picture."""
    log = flashpan.find(take, _SETTINGS, keep_trace=True)
    struck = max(log.events, key=lambda event: event.strength)
    shown = {
        "before": struck.onset - 1,
        "onset": struck.onset,
        "peak": struck.peak,
        "end": struck.end,
    }
    figure, axes = plt.subplot_mosaic(
        [list(shown), ["scores"] * len(shown)], figsize=(10, 4.4), height_ratios=(1, 1.35)
    )
    for name, luma in zip(shown, _frames(take, list(shown.values())), strict=True):
        axes[name].imshow(luma, cmap="gray", vmin=0, vmax=255)
        axes[name].set_title(f"{name}: frame {shown[name]}", fontsize=9)
        axes[name].axis("off")
    _draw_scores(axes["scores"], log)
    figure.tight_layout()
    figure.savefig(picture, dpi=110)


def _frames(take: str, wanted: list[int]) -> list[npt.NDArray[np.uint8]]:
    with flashpan.open_take(take) as reader:
        found = {frame.index: frame.luma for frame in reader if frame.index in wanted}
    return [found[index] for index in wanted]


def _draw_scores(axes: Axes, log: flashpan.EventLog) -> None:
    trace = log.trace
    assert trace is not None
    for name, scores, thresholds in zip(
        trace.detectors, trace.scores, trace.thresholds, strict=True
    ):
        axes.plot(trace.frames, np.maximum(scores / thresholds, 0.02), lw=1.1, label=name)
    axes.axhline(1.0, color="black", lw=0.8, ls="--", label="threshold")
    for kept in log.ranges:
        axes.axvspan(kept.first - 0.5, kept.last + 0.5, color="0.88", zorder=0)
    for event in log.events:
        axes.axvline(event.onset, color="black", lw=0.6)
    axes.set(
        yscale="log",
        xlim=(0, trace.frames[-1]),
        xlabel="frame (vertical lines: onsets; grey: kept)",
        ylabel="score / its threshold",
    )
    axes.legend(fontsize=8, loc="lower right", ncols=4)


if __name__ == "__main__":
    draw(sys.argv[1], sys.argv[2])
