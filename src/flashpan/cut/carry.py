"""One range of a plan: its clip, then the copies beside it."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import replace

from flashpan.cut.base import Clip, Cut
from flashpan.cut.engine import Cutter, kind
from flashpan.cut.forms import Form, Look, Pictures, source_pictures, write_copy
from flashpan.cut.plan import Plan
from flashpan.cut.report import CLIP, Failed, Output
from flashpan.cut.there import unproved_there
from flashpan.errors import FlashpanError
from flashpan.model import EventLog


def carried_out(plan: Plan, number: int) -> Iterator[Output | Failed]:
    """Write what is wanted of one range; what is there already is left as it is.

    Yields
    ------
    Output or Failed
        As soon as it is there, or is known not to be; without a clip there are no copies.
    """
    cut, there = plan.cut(number), plan.clip_there(number)
    try:
        yield Output(number, there or _cut(cut, plan.cutter), was_there=there is not None)
    except FlashpanError as error:
        yield Failed(number, CLIP, error)
        return
    old = {form: plan.copy_there(number, form) for form in plan.wanted.also}
    for copy in old.values():
        if copy is not None:
            yield Output(number, copy, was_there=True)
    missing = [form for form, copy in old.items() if copy is None]
    if missing:
        yield from copied(missing, number, cut, _pictures(plan, cut), plan.log, plan.wanted.look)


def copied(
    forms: Iterable[Form], number: int, cut: Cut, pictures: Pictures, log: EventLog, look: Look
) -> Iterator[Output | Failed]:
    """Write copies of one range beside its clip."""
    for form in forms:
        try:
            copy = write_copy(form, cut, pictures, _shown(log, number), look)
            yield Output(number, copy)
        except FlashpanError as error:
            yield Failed(number, form, error)


def _cut(cut: Cut, cutter: Cutter) -> Clip:
    """Cut it; a clip of an earlier run that nobody proved gives way to one that is."""
    replaces = cut.overwrite or (cut.verify and unproved_there(cut))
    return cutter.cut(replace(cut, overwrite=replaces))


def _pictures(plan: Plan, cut: Cut) -> Pictures:
    is_video = kind(cut) == "video"
    return source_pictures(cut, plan.cutter.table(cut.take) if is_video else None)


def _shown(log: EventLog, number: int) -> frozenset[int]:
    """Frames of a range that nobody wants to miss: onsets and peaks."""
    events = (log.events[event] for event in log.ranges[number].events)
    return frozenset(frame for event in events for frame in (event.onset, event.peak))
