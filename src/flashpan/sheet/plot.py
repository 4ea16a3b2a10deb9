"""The score plot of a take: each detector's score against its threshold.

One panel per detector, all on one clock.  Up to millions of frames are drawn in some thousands of
columns, from the least to the greatest score of each, so that no spike is hidden
(`flashpan.thin`).
"""

from __future__ import annotations

from fractions import Fraction
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.ticker import FixedLocator, FuncFormatter, MaxNLocator, NullLocator

from flashpan.model import EventLog, ScoreTrace
from flashpan.sheet.canvas import SCREEN, Ink, drawable
from flashpan.sheet.words import shortened, take_line
from flashpan.thin import in_columns

MOST_COLUMNS = 3000
_MOST_NUMBERED = 60
_UNITS = ((Fraction(1), "s"), (Fraction(1, 1000), "ms"), (Fraction(1, 10**6), "µs"))


def score_plot(log: EventLog, trace: ScoreTrace, ink: Ink = SCREEN) -> Figure:
    """Draw the scores of a take.

    Parameters
    ----------
    log : EventLog
        For events, ranges and clocks.
    trace : ScoreTrace
        Of the same search.
    ink : Ink

    Returns
    -------
    Figure
        For `flashpan.sheet.canvas.figure_png` and `figures_pdf`.
    """
    n_panels = max(1, len(trace.detectors))
    figure = Figure(figsize=(16, 1.9 + 1.75 * n_panels), dpi=100, facecolor=ink.paper)
    FigureCanvasAgg(figure)
    panels: list[Axes] = list(figure.subplots(n_panels, 1, sharex=True, squeeze=False)[:, 0])
    columns = in_columns(trace.frames, trace.scores, MOST_COLUMNS)
    limits = in_columns(trace.frames, trace.thresholds, MOST_COLUMNS)
    for row, (name, panel) in enumerate(zip(trace.detectors, panels, strict=False)):
        _panel(panel, ink)
        _shade(panel, log, ink)
        _score(panel, columns, limits, row, ink)
        panel.set_ylabel(f"{name}\n(noise units)", color=ink.text, fontsize=10)
    _clocks(panels, log, trace, ink)
    _number_events(panels[0], log, ink)
    _words(figure, panels[0], log, ink)
    return figure


def _panel(panel: Axes, ink: Ink) -> None:
    panel.set_facecolor(ink.paper)
    panel.tick_params(colors=ink.text, labelsize=9)
    for spine in panel.spines.values():
        spine.set_color(ink.faint)


def _score(panel: Axes, columns: Any, limits: Any, row: int, ink: Ink) -> None:
    """Scores as a band from least to greatest, thresholds as a line."""
    if not len(columns.first):
        return
    edges = np.append(columns.first, columns.last[-1] + 1) - 0.5
    low, high = columns.low[row], columns.high[row]
    panel.stairs(high, edges, baseline=low, fill=True, color=ink.text, lw=0.9, label="score")
    panel.stairs(high, edges, baseline=None, color=ink.text, lw=0.9)
    threshold = limits.high[row]
    panel.stairs(threshold, edges, baseline=None, color=ink.mark, lw=1.3, ls="--")
    finite = threshold[np.isfinite(threshold)]
    knee = float(np.median(finite)) if finite.size else 1.0
    # linear up to the threshold, logarithmic above: noise is seen, and so is what is far above
    panel.set_yscale("symlog", linthresh=max(knee, 0.5), linscale=1.0)
    top = float(np.nanmax(np.where(np.isfinite(high), high, 0.0), initial=0.0))
    panel.set_ylim(0, max(2 * knee, 1.6 * top))
    panel.yaxis.set_minor_locator(NullLocator())
    powers = 10.0 ** np.arange(1, 9)
    panel.yaxis.set_major_locator(FixedLocator([0, *powers[powers < panel.get_ylim()[1]]]))
    panel.yaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:,.0f}"))


def _shade(panel: Axes, log: EventLog, ink: Ink) -> None:
    """What is kept, lightly; events in it, more so."""
    for kept in log.ranges:
        panel.axvspan(kept.first - 0.5, kept.last + 0.5, color=ink.faint, alpha=0.18, lw=0)
    for event in log.events:
        panel.axvspan(event.onset - 0.5, event.end + 0.5, color=ink.mark, alpha=0.22, lw=0)
        panel.axvline(event.onset, color=ink.mark, lw=0.8, alpha=0.9)


def _clocks(panels: list[Axes], log: EventLog, trace: ScoreTrace, ink: Ink) -> None:
    """Frames below, real time above."""
    first, last = (int(trace.frames[0]), int(trace.frames[-1])) if len(trace.frames) else (0, 1)
    panels[0].set_xlim(first - 0.5, last + 0.5)
    panels[-1].xaxis.set_major_locator(MaxNLocator(12, integer=True))
    panels[-1].xaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:,.0f}"))
    panels[-1].set_xlabel("frame", color=ink.text, fontsize=10)
    rate = log.take.capture_rate
    if rate is None:
        return
    zero = log.take.trigger_frame or 0
    size = max(abs(first - zero), abs(last - zero)) / rate
    unit, name = next((one for one in _UNITS if size >= one[0]), _UNITS[-1])
    scale = float(rate * unit)

    def to_time(frame: Any) -> Any:
        return (frame - zero) / scale

    def to_frame(time: Any) -> Any:
        return time * scale + zero

    above = panels[0].secondary_xaxis("top", functions=(to_time, to_frame))
    above.tick_params(colors=ink.text, labelsize=9)
    above.spines["top"].set_color(ink.faint)
    origin = "frame 0" if log.take.trigger_frame is None else "trigger frame"
    above.set_xlabel(f"real time from {origin}, {name}", color=ink.text, fontsize=10)


def _number_events(panel: Axes, log: EventLog, ink: Ink) -> None:
    if len(log.events) > _MOST_NUMBERED:
        return
    for number, event in enumerate(log.events):
        panel.annotate(
            str(number),
            (event.onset, 1.0),
            xycoords=("data", "axes fraction"),
            xytext=(3, -10),
            textcoords="offset points",
            color=ink.mark,
            fontsize=9,
            weight="bold",
            annotation_clip=True,
        )


def _words(figure: Figure, panel: Axes, log: EventLog, ink: Ink) -> None:
    figure.suptitle(
        drawable(shortened(log.take.name, 90)),
        x=0.012,
        ha="left",
        fontsize=15,
        weight="bold",
        color=ink.text,
        parse_math=False,
    )
    about = (
        "Line: score, from the least to the greatest of each column. Dashed: what opens an event."
        " Light: kept. Bright: events, numbered at their onset. Above the threshold the scale is"
        " logarithmic."
    )
    figure.text(0.012, 0.012, about, fontsize=9.5, color=ink.faint)
    height = figure.get_figheight()
    figure.text(
        0.012,
        1 - 0.52 / height,
        take_line(log.take, log.totals.frames),
        fontsize=10.5,
        color=ink.text,
    )
    figure.subplots_adjust(
        left=0.066, right=0.988, top=1 - 1.05 / height, bottom=0.72 / height, hspace=0.12
    )
