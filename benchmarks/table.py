"""Results of many takes as rows, Markdown and CSV."""

from __future__ import annotations

import csv
from collections.abc import Callable, Iterable, Sequence
from itertools import groupby
from pathlib import Path

import numpy as np
from measured import Measured, Outcome

BANDS = {"≥30": (30.0, np.inf), "8–30": (8.0, 30.0), "<8": (0.0, 8.0)}
Choose = Callable[[Measured], Outcome]
Row = dict[str, str]


def _share(part: float, whole: float) -> str:
    return f"{part / whole:.2f}" if whole else "–"


def _middle(values: Sequence[float]) -> str:
    """Median and 95 % quantile."""
    if not values:
        return "–"
    return f"{np.median(values):.0f} / {np.quantile(values, 0.95):.0f}"


def hits_of(takes: Iterable[Measured], choose: Choose, low: float, high: float) -> tuple[int, int]:
    """Return how many visible events were found, and of how many."""
    hits = total = 0
    for take in takes:
        paired = {i for i, _ in choose(take).matched.pairs}
        for i, event in enumerate(take.wanted):
            if event.visible_from is not None and low <= event.visibility < high:
                total += 1
                hits += i in paired
    return hits, total


def _recall(takes: Sequence[Measured], choose: Choose, low: float, high: float) -> str:
    hits, total = hits_of(takes, choose, low, high)
    return f"{hits}/{total}" if total else "–"


def onset_errors(takes: Iterable[Measured], choose: Choose) -> tuple[list[int], list[int]]:
    """Absolute onset errors against the truth's onset and against its band."""
    true, band = [], []
    for take in takes:
        outcome = choose(take)
        for i, j in outcome.matched.pairs:
            onset = outcome.found[j][0]
            true.append(abs(onset - take.wanted[i].onset))
            band.append(abs(take.wanted[i].off_band(onset)))
    return true, band


def _columns(takes: Sequence[Measured], choose: Choose) -> Row:
    true, band = onset_errors(takes, choose)
    n_frames = sum(take.n_frames for take in takes)
    false = sum(len(choose(take).matched.false) for take in takes)
    return {
        "recall": _recall(takes, choose, 0.0, np.inf),
        **{f"recall {name}": _recall(takes, choose, *band) for name, band in BANDS.items()},
        "onset error": _middle(true),
        "to band": _middle(band),
        "within ±1": _share(sum(error <= 1 for error in band), len(band)),
        "swallowed": str(sum(len(choose(take).matched.swallowed) for take in takes)),
        "extra": str(sum(len(choose(take).matched.extra) for take in takes)),
        "false": str(false),
        "false/100k": f"{1e5 * false / n_frames:.1f}" if n_frames else "–",
    }


OTHERS = ("plain", "scdet", "freezedetect")
"""The other methods, in the order of their columns."""


def make_row(scenario: str, condition: str, takes: Sequence[Measured], baseline: bool) -> Row:
    """Return one row: what was measured, flashpan's columns, then those of other methods."""
    events = [e for take in takes for e in take.wanted if e.visible_from is not None]
    ideal = sum(take.ideal for take in takes)
    row = {
        "scenario": scenario,
        "condition": condition,
        "takes": str(len(takes)),
        "frames": str(sum(take.n_frames for take in takes)),
        "events": str(len(events)),
        "visibility": f"{np.median([e.visibility for e in events]):.0f}" if events else "–",
    }
    if baseline:
        left = [visibility for take in takes for visibility in take.left]
        row["left by codec"] = f"{np.median(left):.0f}" if left else "–"
    row |= _columns(takes, lambda take: take.flashpan)
    row["kept/ideal"] = _share(sum(take.kept for take in takes), ideal)
    if baseline:
        for name in OTHERS:
            row |= _other_columns(takes, name)
    return row


def _other_columns(takes: Sequence[Measured], name: str) -> Row:
    wanted = ("recall", "to band", "within ±1", "false/100k")
    if not all(name in take.others for take in takes):
        return {f"{name} {column}": "not installed" for column in wanted}
    columns = _columns(takes, lambda take: take.others[name])
    return {f"{name} {column}": columns[column] for column in wanted}


def make_rows(results: Iterable[Measured], baseline: bool) -> list[Row]:
    """Return a row per scenario and condition, then sums over each, then over all."""
    results = list(results)

    def grouped(key: Callable[[Measured], tuple[str, str]]) -> list[Row]:
        order = list(dict.fromkeys(map(key, results)))
        ranked = sorted(results, key=lambda take: order.index(key(take)))
        return [make_row(*k, list(takes), baseline) for k, takes in groupby(ranked, key)]

    return [
        *grouped(lambda take: (take.scenario, take.condition)),
        *grouped(lambda take: ("all", take.condition)),
        *grouped(lambda take: (take.scenario, "all")),
        *grouped(lambda take: ("all", "all")),
    ]


def as_markdown(rows: Sequence[Row]) -> str:
    """Return rows as a Markdown table."""
    names = list(rows[0])
    widths = {n: max(len(n), *(len(row[n]) for row in rows)) for n in names}
    lines = ["| " + " | ".join(n.ljust(widths[n]) for n in names) + " |"]
    lines.append("|" + "|".join("-" * (widths[n] + 2) for n in names) + "|")
    lines += ["| " + " | ".join(row[n].ljust(widths[n]) for n in names) + " |" for row in rows]
    return "\n".join(lines)


def write_csv(rows: Sequence[Row], path: Path) -> None:
    """Write rows as CSV."""
    with path.open("w", newline="", encoding="utf-8") as file:
        writer = csv.DictWriter(file, list(rows[0]) if rows else [])
        writer.writeheader()
        writer.writerows(rows)
