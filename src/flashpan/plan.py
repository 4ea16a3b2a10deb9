"""`plan`: the numbers before the shot."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from fractions import Fraction

from flashpan.clipsettings import nearest
from flashpan.errors import SettingsError
from flashpan.planner.checks import require_possible, require_sense, shortfalls
from flashpan.planner.flicker import flicker_notes
from flashpan.planner.formulas import LOSSES, RULES, total_loss
from flashpan.planner.planned import Plan
from flashpan.planner.quantities import GIVEN, RATE, TIME, read_quantity
from flashpan.planner.rules import Fact, Facts, clash_text, solve
from flashpan.planner.subjects import cautions, subject_named
from flashpan.units import decimal_text, parse_rate

__all__ = ["Plan", "plan"]

_SIZE = re.compile(r"\s*(\d+)\s*[x×]\s*(\d+)\s*")
_FRAMES = re.compile(r"\s*\d+\s*")
_MAY_BE_FRAMES = ("record_time", "event", "uncertainty")


def plan(*, size: str = "", subject: str = "", **given: str | int | float | Fraction) -> Plan:
    """Say what follows from what is known of a shot.

    Parameters
    ----------
    size : str, optional
        Pixels, as ``1280x800``.
    subject : str, optional
        One of `flashpan.planner.subjects.SUBJECTS`.
    **given
        Any of `flashpan.planner.quantities.GIVEN`, as text with its unit (``exposure="20us"``),
        or as a number where the quantity has none (``capture_rate=7500``).  Record time, event
        and uncertainty may also be a bare number: frames.

    Returns
    -------
    Plan

    Raises
    ------
    SettingsError
        A value that makes no sense, values that clash, or nothing that follows.
    """
    known = dict(_read(size, given))
    require_sense(known)
    facts = solve(known.values(), RULES)
    losses = tuple(name for name in LOSSES if name in facts)
    if losses[:1] == LOSSES[:1]:  # without a reference there is nothing to have lost
        facts = solve(facts.values(), (total_loss(losses),))
    require_possible(facts)
    if len(facts) == len(known) and not subject:
        raise SettingsError(_nothing_follows(known))
    about = subject_named(subject) if subject else None
    hints = about.hints if about else ()
    notes = (*shortfalls(facts), *flicker_notes(facts), *hints)
    return Plan(facts, notes, tuple(cautions(facts, about)))


def _read(size: str, given: Mapping[str, object]) -> Iterator[tuple[str, Fact]]:
    if size:
        yield from _read_size(size)
    texts = {name: _text(value) for name, value in given.items()}
    for name, text in texts.items():
        if name not in GIVEN:
            raise SettingsError(f"unknown quantity {name!r}; {nearest(name, GIVEN)}")
        value = _frames_as_time(name, text, texts)
        if value is None:
            value = _rate_or_other(name, text)
        yield name, Fact(name, value, roots=frozenset({name}), text=text)


def _read_size(size: str) -> Iterator[tuple[str, Fact]]:
    match = _SIZE.fullmatch(size)
    if match is None:
        raise SettingsError(f"--size {size!r} is no size; write pixels across x down, as 1280x800")
    for name, side in zip(("width", "height"), match.groups(), strict=True):
        value = read_quantity(GIVEN[name], side)
        yield name, Fact(name, value, roots=frozenset({name}), text=side)


def _text(value: object) -> str:
    return decimal_text(value) if isinstance(value, Fraction) else str(value)


def _rate_or_other(name: str, text: str) -> Fraction:
    """29.97 is 30000/1001, as everywhere."""
    quantity = GIVEN[name]
    bare = text.strip().removesuffix("fps").strip()
    if quantity.kind is RATE and not bare.endswith("/"):
        return parse_rate(bare, quantity.option)
    return read_quantity(quantity, text)


def _frames_as_time(name: str, text: str, texts: Mapping[str, str]) -> Fraction | None:
    """A bare number of frames, as real time; None where it is none."""
    if name not in _MAY_BE_FRAMES or not _FRAMES.fullmatch(text):
        return None
    if "capture_rate" not in texts:
        raise SettingsError(
            f"{GIVEN[name].option} {text} is frames and needs the capture rate; give"
            f" --capture-rate, or time ({TIME.example})"
        )
    return Fraction(text.strip()) / _rate_or_other("capture_rate", texts["capture_rate"])


def _nothing_follows(known: Facts) -> str:
    said = clash_text(known, known) if known else "nothing"
    return f"nothing follows from {said}; add what else is known, as the examples of --help do"
