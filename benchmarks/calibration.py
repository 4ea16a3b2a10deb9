"""Draw the calibration curve from the table of `false_alarms`: asked against got.

python benchmarks/calibration.py benchmarks/results/false_alarms.csv benchmarks/calibration.png
"""

from __future__ import annotations

import csv
import sys
from collections.abc import Mapping, Sequence
from itertools import groupby
from pathlib import Path

import numpy as np


def draw_picture(rows: Sequence[Mapping[str, str]], path: Path) -> None:
    """Draw one line per kind of noise; the band of a factor of two is shaded.

    Lines are the true rates (see `false_alarms`), dots the counts with their intervals.
    """
    import matplotlib as mpl

    mpl.use("Agg")
    import matplotlib.pyplot as plt

    families = [name for name, _ in groupby(rows, key=_family)]
    figure, axes = plt.subplots(
        1, len(families), figsize=(1 + 4.2 * len(families), 4.2), sharey=True, squeeze=False
    )
    for axis, family in zip(axes[0], families, strict=True):
        own = [row for row in rows if _family(row) == family]
        _draw_family(axis, own, family)
    axes[0][0].set_ylabel("got per million frames")
    figure.tight_layout()
    figure.savefig(path, dpi=100)
    plt.close(figure)


def _family(row: Mapping[str, str]) -> str:
    return row["noise"].split(":")[0]


def _draw_family(axis, rows: Sequence[Mapping[str, str]], family: str) -> None:  # type: ignore[no-untyped-def]
    ends = np.array([0.06, 170.0])
    axis.fill_between(ends, ends / 2, ends * 2, color="0.88", label="within a factor of two")
    axis.plot(ends, ends, color="0.6", lw=0.8)
    kinds = [(name, list(own)) for name, own in groupby(rows, key=lambda row: row["noise"])]
    for number, (name, own) in enumerate(kinds):
        aside = 1.0 + 0.05 * (number - (len(kinds) - 1) / 2)
        asked = np.array([float(row["asked"]) for row in own])
        true = np.array([float(row["true"]) for row in own])
        (line,) = axis.plot(asked, true, lw=1.2, label=name.split(":")[1])
        counted = np.array([float(row["per million"]) for row in own])
        low, high = np.array([row["95 %"].split(" … ") for row in own], float).T
        seen = counted > 0
        axis.errorbar(
            asked[seen] * aside,
            counted[seen],
            yerr=(counted[seen] - low[seen], high[seen] - counted[seen]),
            fmt="o",
            ms=3,
            lw=0.8,
            color=line.get_color(),
        )
    n_frames = max(int(row["frames"]) for row in rows)
    kind = "drawn scores" if family == "score" else "rendered noise"
    axis.set(
        xscale="log",
        yscale="log",
        xlim=ends,
        ylim=(0.02, 400),
        xlabel="asked per million frames (--false-alarms)",
        title=f"{kind}, {n_frames:,} frames each",
    )
    axis.title.set_fontsize(10)
    axis.legend(fontsize=8, loc="lower right")


if __name__ == "__main__":
    with open(sys.argv[1], newline="", encoding="utf-8") as table:
        draw_picture(list(csv.DictReader(table)), Path(sys.argv[2]))
