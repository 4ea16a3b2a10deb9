"""What the trade knows of subjects, and what may hurt about them."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from flashpan.clipsettings import nearest
from flashpan.errors import SettingsError
from flashpan.planner.rules import Facts

_NO_SOURCE = "common practice, no source"
_LICENSED = "local codes and licensed people decide what may be done"


@dataclass(frozen=True, slots=True)
class Subject:
    """Something that is shot.

    Attributes
    ----------
    hints : tuple of str
        Facts, each with its source in brackets.
    caution : str
        Empty where nothing about it hurts.
    """

    hints: tuple[str, ...]
    caution: str = ""


_BALLISTICS = (
    "projectiles, fragments and ricochets kill: only on a licensed range, remotely triggered,"
    " behind rated screens, with eye and ear protection, nobody forward of the line; " + _LICENSED
)
_PRESSURE = (
    "bursting things throw pieces: rated screens, remote trigger, eye and ear protection; "
    + _LICENSED
)
_LAMPS = (
    "lamps that make up for so much light burn skin, eyes and sets and give off ultraviolet: rated"
    " fittings, distance, short times, a fire watch; " + _LICENSED
)

SUBJECTS = {
    "bullet": Subject((f"a bullet wants an exposure of about 10 µs ({_NO_SOURCE})",), _BALLISTICS),
    "lightning": Subject(
        (
            "strokes of one flash follow each other after some 60 ms, between 14 and 254 ms in 95"
            " of 100 cases (geometric mean 62 ms, Zhu et al. 2015; spread 0.32 decade, Thomson et"
            " al. 1984)",
            "a flash of several strokes lasts 371 ms on average (Poelman et al. 2021)",
            "a stepped leader glows for some 25 ms before the bright frame (5 km at 2 × 10⁵ m/s,"
            " Kong et al. 2009)",
        ),
        "lightning kills: film from a building or a closed car, never under a tree or beside a"
        " mast, and stay in for half an hour after the last thunder; heed local warnings",
    ),
    "burst": Subject((), _PRESSURE),
    "spark": Subject(
        (),
        "sparks and arcs: stored charge, high voltage, ultraviolet, fire: discharge and ground"
        f" before touching anything, shield eyes; {_LICENSED}",
    ),
    "laser": Subject(
        (),
        "a laser blinds, also by reflection, and damages sensors: enclosed beam, goggles for its"
        f" wavelength, a laser safety officer; {_LICENSED}",
    ),
    "drop": Subject(()),
    "face": Subject((f"fast facial motion wants 500 to 2,000 frames/s ({_NO_SOURCE})",)),
    "animal": Subject(
        (), "bright lamps and noise hurt animals: short, dim, and as animal welfare rules say"
    ),
}
"""By name."""

_BALLISTIC_M_S = 100
_MUCH_LIGHT_STOPS = 6


def subject_named(name: str) -> Subject:
    """A subject by its name.

    Raises
    ------
    SettingsError
        There is none; the text has the nearest one.
    """
    if name not in SUBJECTS:
        raise SettingsError(f"--subject {name!r} is not known; {nearest(name, SUBJECTS)}")
    return SUBJECTS[name]


def cautions(facts: Facts, subject: Subject | None) -> Iterator[str]:
    """What may hurt about a shot: about its subject, its speed, its light."""
    if subject is not None and subject.caution:
        yield subject.caution
    fast = "speed" in facts and facts["speed"].value >= _BALLISTIC_M_S
    if fast and (subject is None or subject.caution != _BALLISTICS):
        yield f"at such a speed: {_BALLISTICS}"
    if "light_loss" in facts and facts["light_loss"].value >= _MUCH_LIGHT_STOPS:
        yield _LAMPS
