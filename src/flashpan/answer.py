"""The answer to a doubt about one frame: as text for people, and as JSON holds it."""

from __future__ import annotations

import textwrap
from typing import Any

import flashpan
from flashpan.eventlog import SCHEMA, event_to_dict, take_to_dict
from flashpan.explain import Account, Explanation, Site
from flashpan.model import Reading, TakeInfo
from flashpan.ruling import Ruling, Standing
from flashpan.table import WIDTH, head_lines
from flashpan.units import format_playback, format_real, real_time
from flashpan.verdict import by_noise, score_text

_BASIS = {
    "lately": "by its last samples",
    "earlier": "as it was before what now passes",
    "echo": "by its last two errors",
}


def format_explanation(explained: Explanation) -> str:
    """The verdict, every detector's grounds, and the scores around.

    Returns
    -------
    str
        Lines of at most 100 characters where paths allow, without a line end at the end.
    """
    take = explained.log.take
    lines = [*head_lines(take), f"frame     {_clocks(explained.frame, take)}", ""]
    lines += _wrapped("verdict", explained.verdict.text, 10)
    lines += _wrapped("asked", _asked_text(explained), 10)
    if any(explained.shift):
        lines += _wrapped("sway", _sway_text(explained.shift), 10)
    for account in explained.accounts:
        lines += ["", *_account_lines(account, explained)]
    if explained.around:
        lines += ["", *_around_lines(explained)]
    return "\n".join(lines)


def _clocks(frame: int, take: TakeInfo) -> str:
    clocks = [str(frame)]
    if take.capture_rate is not None:
        seconds = real_time(frame, take.capture_rate, take.trigger_frame)
        clocks.append(f"real time {format_real(seconds, signed=take.trigger_frame is not None)}")
    if take.playback_rate is not None:
        clocks.append(f"playback {format_playback(frame, take.playback_rate)}")
    return ", ".join(clocks)


def _asked_text(explained: Explanation) -> str:
    """What the thresholds were set for, and where was looked."""
    settings = explained.log.settings
    names = settings["detectors"]
    shared = f", shared by {len(names)} detectors" if len(names) > 1 else ""
    said = [f"false alarms {settings['false_alarms']:g} per million frames{shared}"]
    for name, title in (("roi", "looking only at"), ("ignore", "ignoring")):
        boxes = (",".join(str(side) for side in box) for box in settings[name])
        said += [f"{title} {box}" for box in boxes]
    return "; ".join(said)


def _sway_text(shift: tuple[float, float]) -> str:
    (across, down), names = shift, (("left", "right"), ("up", "down"))
    sides = [
        f"{abs(size):.2f} px {pair[size > 0]}"
        for size, pair in zip((across, down), names, strict=True)
    ]
    return f"the camera had moved the whole picture {' and '.join(sides)}; that is taken out"


def _account_lines(account: Account, explained: Explanation) -> list[str]:
    standing, site = account.standing, account.site
    ruling = next(r for r in explained.around if r.index == explained.frame)
    parts = [
        (account.detector, _score_text(standing)),
        ("threshold", _threshold_text(standing, explained.refreshed)),
        ("by noise", f"{by_noise(standing, ruling)}, such a score or a higher one"),
    ]
    if site is None:
        parts.append(("place", _no_place_text(standing, explained)))
    else:
        parts += [("place", _place_text(site)), ("frames", _frames_text(site.reading))]
        parts += [("measured", _measured_text(site, explained.log.take))]
        parts += [("departed", _departed_text(account, site.reading))]
    (title, text), *rest = parts
    lines = _wrapped(title, text, 13)
    return lines + [line for name, said in rest for line in _wrapped(f"  {name}", said, 13)]


def _score_text(standing: Standing) -> str:
    value, opening, closing = standing.score.value, standing.opening, standing.closing
    if value > opening:
        outcome = f"above {score_text(opening)}, enough to open an event"
    elif value > closing:
        outcome = f"above {score_text(closing)}, enough only to keep an event open"
    else:
        outcome = f"{100 * value / opening:.0f} % of what opens an event"
    told = "; it belongs to an event that had ended" if standing.is_told else ""
    late = "; scored in retrospect" if standing.score.in_retrospect else ""
    return f"{score_text(value)}, {outcome}{told}{late}"


def _threshold_text(standing: Standing, refreshed: bool) -> str:
    kind = "frames coded afresh" if refreshed else "quiet frames"
    learned = f"learned from {standing.learned_from:,} {kind}"
    if not standing.learned_from:
        learned = f"too few {kind} yet to learn from"
    opening, closing = score_text(standing.opening), score_text(standing.closing)
    return f"opens above {opening}, keeps open above {closing}; {learned}"


def _no_place_text(standing: Standing, explained: Explanation) -> str:
    if explained.frame == explained.around[0].index:
        return "none: no frame before this one to compare it with"
    return "none named" if standing.score.value else "none: nothing rose above what was expected"


def _place_text(site: Site) -> str:
    box, reading = site.box, site.reading
    pixels = f"pixels x,y,w,h {','.join(str(side) for side in box.as_box())}"
    if reading.place == "tile":
        return f"tile row {site.row}, column {site.col}; {pixels}"
    name = {"block": "block", "window": "all that is looked at", "region": "region"}[reading.place]
    size = f"{site.n_rows}x{site.n_cols} tiles from row {site.row}, column {site.col}"
    return f"{name}, {size}; {pixels}"


def _frames_text(reading: Reading) -> str:
    first, last = reading.frames
    if reading.lag:
        return f"{last} against {first}"
    if first != last:
        return f"mean of {first}-{last}"
    return f"{last} against {last - 1}" if reading.quantity == "frame difference" else f"{last}"


def _measured_text(site: Site, take: TakeInfo) -> str:
    reading = site.reading
    basis = _BASIS[reading.basis]
    if site.codes is None:
        return (
            f"{reading.quantity} {reading.value:.3f}, expected {reading.expected:.3f} {basis},"
            f" noise {reading.noise:.3f} (in usual changes)"
        )
    value, expected, noise = site.codes
    return (
        f"{reading.quantity} {_code(value)} of {(1 << take.bit_depth) - 1}, expected"
        f" {_code(expected)} {basis}, noise {noise:.2g} (in full scales {reading.value:.5f},"
        f" {reading.expected:.5f}, {reading.noise:.2g})"
    )


def _departed_text(account: Account, reading: Reading) -> str:
    if account.since is None and not reading.is_held:
        return "no: its baseline learns this frame"
    since = "yes" if account.since is None else f"since frame {account.since}"
    held = (
        "held, its baseline does not learn" if reading.is_held else "its baseline goes on learning"
    )
    moving = "still moving" if account.is_moving else "not clearly moving"
    return f"{since}; {held}; {moving}"


def _around_lines(explained: Explanation) -> list[str]:
    names = [account.detector for account in explained.accounts] or list(
        explained.around[0].standings
    )
    heading = ["frame", *names, "event open"]
    rows = [_around_row(ruling, names, explained.frame) for ruling in explained.around]
    return _columns([heading, *rows])


def _around_row(ruling: Ruling, names: list[str], asked: int) -> list[str]:
    cells = (ruling.standings[name] for name in names)
    scores = [f"{score_text(s.score.value)} of {score_text(s.opening)}" for s in cells]
    mark = ">" if ruling.index == asked else ""
    since = "" if ruling.opening is None else f"since {ruling.opening.frame}"
    return [f"{mark} {ruling.index}".strip(), *scores, since or "no"]


def _columns(rows: list[list[str]]) -> list[str]:
    widths = [max(map(len, column)) for column in zip(*rows, strict=True)]
    return [
        "  ".join(cell.rjust(width) for cell, width in zip(row, widths, strict=True))
        for row in rows
    ]


def _wrapped(title: str, text: str, indent: int) -> list[str]:
    return textwrap.wrap(
        title.ljust(indent - 1) + " " + text,
        WIDTH,
        subsequent_indent=" " * indent,
        break_long_words=False,
        break_on_hyphens=False,
    )


def _code(value: float) -> str:
    return f"{value:.2f}" if value < 1000 else f"{value:.1f}"


def explanation_to_dict(explained: Explanation) -> dict[str, Any]:
    """The explanation as JSON holds it.

    Scores, thresholds and ``moving`` are in noise units, chances per million frames;
    ``value``, ``expected`` and ``noise`` are in fractions of full scale, and under
    ``code_values`` in the take's own, save for motion, which is in units of the usual change.
    """
    log, verdict, number = explained.log, explained.verdict, explained.verdict.event
    kept = verdict.kept
    return {
        "flashpan": flashpan.__version__,
        "schema": SCHEMA,
        "take": take_to_dict(log.take),
        "settings": log.settings,
        "frame": explained.frame,
        "verdict": {
            "is_event": number is not None,
            "reason": verdict.reason,
            "event": number,
            "kept_as": list(verdict.kept_as),
            "range": None if kept is None else {"first": kept.first, "last": kept.last},
            "text": verdict.text,
        },
        "event": None if number is None else event_to_dict(log.events[number]),
        "coded_afresh": explained.refreshed,
        "shift": [round(side, 3) for side in explained.shift],
        "detectors": [_account_to_dict(account) for account in explained.accounts],
        "around": [_ruling_to_dict(ruling) for ruling in explained.around],
        "warnings": list(log.warnings),
    }


def _account_to_dict(account: Account) -> dict[str, Any]:
    standing = account.standing
    score = standing.score
    return {
        "detector": account.detector,
        "score": float(score.value),
        "opens_above": float(standing.opening),
        "keeps_open_above": float(standing.closing),
        "opens": standing.opens,
        "keeps_open": standing.keeps_open,
        "told_already": standing.is_told,
        "chance": float(standing.chance) * 1e6,
        "asked": float(account.asked),
        "learned_from": standing.learned_from,
        "in_retrospect": score.in_retrospect,
        "since": None if account.since is None else int(account.since),
        "until": int(score.until),
        "moving": float(score.moving),
        "is_moving": account.is_moving,
        "place": None if account.site is None else _site_to_dict(account.site),
    }


def _site_to_dict(site: Site) -> dict[str, Any]:
    reading = site.reading
    names = ("value", "expected", "noise")
    codes = None if site.codes is None else dict(zip(names, map(float, site.codes), strict=True))
    return {
        "kind": reading.place,
        "row": site.row,
        "col": site.col,
        "tiles": [site.n_rows, site.n_cols],
        "box": [int(side) for side in site.box.as_box()],
        "quantity": reading.quantity,
        "frames": [int(frame) for frame in reading.frames],
        "lag": reading.lag,
        **{name: float(getattr(reading, name)) for name in names},
        "code_values": codes,
        "expected_from": reading.basis,
        "held": reading.is_held,
    }


def _ruling_to_dict(ruling: Ruling) -> dict[str, Any]:
    return {
        "frame": ruling.index,
        "coded_afresh": ruling.refreshed,
        "opened_at": None if ruling.opening is None else ruling.opening.frame,
        "scores": {
            name: {
                "score": float(standing.score.value),
                "opens_above": float(standing.opening),
                "keeps_open_above": float(standing.closing),
            }
            for name, standing in ruling.standings.items()
        },
    }
