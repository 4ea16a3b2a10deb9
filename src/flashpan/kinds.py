"""What an event looks like, as far as scores tell honestly."""

from __future__ import annotations

from flashpan.picker import Pick

_ONE_WAY = 0.8


def kind_of(pick: Pick, is_black: bool = False) -> str:
    """Name the kind of a pick; ``is_black`` where its peak is a black frame.

    ``gap``: no picture at all; black frames, or (`flashpan.gaps`) one repeated bit for bit.
    ``flash``: it got brighter, hardly anything got darker, and it went away again.
    ``dimming``: the same, darker.
    ``change``: the scene settled in a new state, all one way (brighter or darker).
    ``motion``: all else; things that move brighten some places and darken others.
    """
    if is_black:
        return "gap"
    if abs(pick.sign) < _ONE_WAY:
        return "motion"
    if pick.stays:
        return "change"
    return "flash" if pick.sign > 0 else "dimming"
