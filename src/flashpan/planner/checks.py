"""What cannot be, and what falls short: errors that name the values, and notes."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from flashpan.errors import SettingsError
from flashpan.planner.quantities import ALL
from flashpan.planner.rules import Fact, Facts, clash_text
from flashpan.planner.show import said, shown

_WHOLE = ("width", "height", "bit_depth", "stored_bits", "event_frames", "frames_across")
_SLACK = 1 + 1e-9


def require_sense(given: Mapping[str, Fact]) -> None:
    """Refuse what makes no sense by itself, before anything is computed.

    Raises
    ------
    SettingsError
        One line with the values.
    """
    for name in _WHOLE:
        if name in given and given[name].value != int(given[name].value):
            raise SettingsError(f"{said(name, given[name].text)} must be a whole number")
    _require(given, "shutter_angle", 360, "is more than the whole frame")
    _require(given, "trigger", 1, "is more than the whole record")
    _require_below(given, "bit_depth", "stored_bits", "a pixel needs as many bits as its depth")
    _require_below(given, "focal_length", "distance", "the subject is farther than that")
    if "distance" in given and "focal_length" in given:
        same = given["distance"].value == given["focal_length"].value
        if same:
            raise SettingsError(
                f"{clash_text(given, ('distance', 'focal_length'))} clash: nothing can be sharp"
                " at the focal length; the subject is farther than that"
            )


def require_possible(facts: Facts) -> None:
    """Refuse what cannot be together.

    Raises
    ------
    SettingsError
        One line with the values that clash.
    """
    if {"exposure", "capture_rate"} <= facts.keys():
        longest = 1 / facts["capture_rate"].value
        if facts["exposure"].value > longest * _SLACK:
            raise _clash(
                facts,
                ("exposure", "capture_rate"),
                f"a frame lasts {shown('exposure', longest)} in all; expose for less",
            )
    _require_within(facts, "record_time", "lower the capture rate or the size, or record less")
    _require_within(facts, "event", "lower the capture rate or the size")
    _require_room_for_doubt(facts)


def shortfalls(facts: Facts) -> Iterator[str]:
    """What is possible, and less than was asked for."""
    if {"blur_px", "max_blur"} <= facts.keys() and _is_above(facts, "blur_px", "max_blur"):
        yield (
            f"blur is {_shown(facts, 'blur_px')}, above {_shown(facts, 'max_blur')}: expose for"
            f" {_shown(facts, 'longest_exposure')} at most"
        )
    for lowest, why in (("across_rate", "frames_across"), ("event_rate", "event_frames")):
        if {lowest, "capture_rate"} <= facts.keys() and _is_above(facts, lowest, "capture_rate"):
            yield (
                f"{_shown(facts, 'capture_rate')} are too few for {said(why, facts[why].text)}:"
                f" {_shown(facts, lowest)} are needed"
            )
    yield from _trigger_shortfall(facts)


def _trigger_shortfall(facts: Facts) -> Iterator[str]:
    if not {"trigger", "least_before", "most_before"} <= facts.keys():
        return
    share = facts["trigger"].value
    if not facts["least_before"].value <= share * _SLACK <= facts["most_before"].value * _SLACK**2:
        yield (
            f"with {_shown(facts, 'trigger')} before the trigger the event may lie outside the"
            f" record: {_shown(facts, 'least_before')} to {_shown(facts, 'most_before')} are sure"
        )


def _require(given: Mapping[str, Fact], name: str, most: int, why: str) -> None:
    if name in given and given[name].value > most:
        raise SettingsError(
            f"{said(name, given[name].text)} {why}; give {shown(name, most)} or less"
        )


def _require_below(given: Mapping[str, Fact], low: str, high: str, why: str) -> None:
    if low in given and high in given and given[low].value > given[high].value:
        raise SettingsError(f"{clash_text(given, (low, high))} clash: {why}")


def _require_within(facts: Facts, name: str, cure: str) -> None:
    """A time that has to fit into the record."""
    if not {name, "record_s"} <= facts.keys() or not _is_above(facts, name, "record_s"):
        return
    record = facts["record_s"]
    if name in record.roots:  # the record was made as long as that
        return
    raise SettingsError(
        f"{clash_text(facts, facts[name].roots)} clashes with {clash_text(facts, record.roots)}:"
        f" these give a record of {_shown(facts, 'record_s')}; {cure}"
    )


def _require_room_for_doubt(facts: Facts) -> None:
    if not {"least_before", "most_before"} <= facts.keys():
        return
    if facts["least_before"].value <= facts["most_before"].value * _SLACK:
        return
    needed = 2 * facts["uncertainty"].value + facts["event"].value
    raise SettingsError(
        f"{clash_text(facts, ('uncertainty', 'event'))} clash with"
        f" {clash_text(facts, facts['record_s'].roots)}: the event surely lies inside a record of"
        f" {shown('record_s', needed)}, and this one is {_shown(facts, 'record_s')}; trigger more"
        " exactly, or record for longer"
    )


def _clash(facts: Facts, names: tuple[str, ...], why: str) -> SettingsError:
    roots = frozenset[str]().union(*(facts[name].roots for name in names))
    return SettingsError(f"{clash_text(facts, roots)} clash: {why}")


def _is_above(facts: Facts, one: str, other: str) -> bool:
    return facts[one].value > facts[other].value * _SLACK


def _shown(facts: Facts, name: str) -> str:
    return shown(ALL[name].name, facts[name].value)
