"""What was said of the clips, in a settings file or on the command line: apart from what is found.

A search does not depend on it, so that it stands beside `flashpan.settings.Settings` and not in
event logs.  What was left open is what `flashpan.TrimSettings` has by default.
"""

from __future__ import annotations

import difflib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, fields, replace
from typing import TYPE_CHECKING, Any, Self, TypeVar

from flashpan.errors import SettingsError, quoted

if TYPE_CHECKING:
    from _typeshed import DataclassInstance

    Wanted = TypeVar("Wanted", bound=DataclassInstance)

CHOICES: dict[str, tuple[str, ...]] = {
    "how": ("auto", "copy", "bridge", "exact"),
    "also": (
        *("tiff16", "luma16", "png8", "png16", "dpx10", "dpx12", "dpx16"),
        *("view", "gif", "webp"),
    ),
    "files": ("copy", "hardlink", "reflink"),
}
"""What some of them may be."""
CLIP_DEFAULTS: dict[str, Any] = {
    "how": "auto",
    "also": (),
    "burn_in": True,
    "stretch": False,
    "files": "copy",
    "renumber": False,
    "verify": True,
}
"""Every setting of clips, and what it is where nobody says."""


@dataclass(frozen=True, slots=True)
class ClipSettings:
    """What was said of the clips.

    Attributes
    ----------
    said : tuple of (str, value, str)
        Name, value, and where it was said; names are those of `CLIP_DEFAULTS`.
    """

    said: tuple[tuple[str, Any, str], ...] = ()

    @classmethod
    def from_mapping(cls, values: Mapping[str, Any], source: str) -> Self:
        """Settings from names and values as a TOML file has them; None leaves one open.

        Raises
        ------
        SettingsError
            A value that makes no sense; the text does not name the source.
        """
        given = {name: value for name, value in values.items() if value is not None}
        return cls(tuple((name, _checked(name, value), source) for name, value in given.items()))

    def merged_with(self, other: ClipSettings) -> ClipSettings:
        """These, with what they leave open taken from ``other``."""
        open_ = tuple(one for one in other.said if one[0] not in self.values())
        return ClipSettings(self.said + open_)

    def values(self) -> dict[str, Any]:
        """What was said, by name."""
        return {name: value for name, value, _ in self.said}

    def source_of(self, name: str) -> str:
        """Where it was said, else ``default``."""
        return {name: source for name, _, source in self.said}.get(name, "default")

    def below(self, wanted: Wanted) -> Wanted:
        """What is wanted, with what it has by default as it was said here."""
        is_open = {
            field.name for field in fields(wanted) if getattr(wanted, field.name) == field.default
        }
        return replace(wanted, **{k: v for k, v in self.values().items() if k in is_open})


def nearest(word: str, valid: Iterable[str]) -> str:
    """Say which valid word comes nearest to a wrong one, or which there are."""
    close = difflib.get_close_matches(word, list(valid), n=1, cutoff=0.5)
    return f"did you mean {close[0]!r}?" if close else f"there are: {', '.join(sorted(valid))}"


def _checked(name: str, value: Any) -> Any:
    label = name.replace("_", "-")
    if name == "also":
        words = value if isinstance(value, list | tuple) else (value,)
        return tuple(dict.fromkeys(_choice(name, word) for word in words))
    if name in CHOICES:
        return _choice(name, value)
    if not isinstance(value, bool):
        raise SettingsError(f"{label} must be true or false, not {quoted(value)}")
    return value


def _choice(name: str, word: Any) -> str:
    if not isinstance(word, str):
        raise SettingsError(f"{name} must be text, not {quoted(word)}")
    if word not in CHOICES[name]:
        raise SettingsError(f"{name} cannot be {quoted(word)}; {nearest(word, CHOICES[name])}")
    return word
