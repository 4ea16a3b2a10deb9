"""Settings files: ``flashpan.toml``, for all takes below it, for folders, and for single takes.

::

    capture-rate = 20000            # for every take

    [folder."tower*"]               # for takes in such folders, and in folders in them
    capture-rate = 100000

    [take."spark_*"]                # for takes of such names
    pre-roll = "5ms"
    also = ["view"]                 # what clips shall be, as the options of trim and ingest

    [slate]                         # words for the shot log, any names
    production = "Night storms"

    [take."spark_*".slate]
    scene = "12"

A take section wins over a folder section, and that over what stands above both; of several
sections of a kind that fit, the one that stands later in the file wins.  In patterns ``*`` stands
for any text, ``?`` for one character, ``[ab]`` for one of several.  A pattern with a ``/`` is held
against the whole path below the file's folder, one without against single names: a take's with or
without its ending.  Capitals count.
"""

from __future__ import annotations

import os
import tomllib
import unicodedata
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from fnmatch import fnmatchcase
from pathlib import Path, PurePosixPath
from typing import Any

from flashpan.clipsettings import CLIP_DEFAULTS, nearest
from flashpan.errors import SettingsError
from flashpan.settings import NAMES, SETTINGS_FILE, Settings

FOLDER, TAKE, SLATE = "folder", "take", "slate"


@dataclass(frozen=True, slots=True)
class Section:
    """Settings for the takes that a pattern fits.

    Attributes
    ----------
    kind : str
        ``folder`` or ``take``.
    pattern : str
        As it stands in the file.
    settings : Settings
    """

    kind: str
    pattern: str
    settings: Settings

    def __str__(self) -> str:
        return f'[{self.kind}."{self.pattern}"]'

    def fits(self, place: str) -> bool:
        """Whether it is for a take of this path below the file's folder."""
        path, pattern = PurePosixPath(_composed(place)), _composed(self.pattern)
        if self.kind == FOLDER:
            pattern = str(PurePosixPath(pattern))  # without ./ in front and / behind
            # a take of stills is a folder itself
            return pattern == "." or any(_matches(one, pattern) for one in (path, *path.parents))
        return _matches(path, pattern) or _matches(path.with_name(path.stem), pattern)


@dataclass(frozen=True, slots=True)
class SettingsFile:
    """What stands in a settings file.

    Attributes
    ----------
    path : Path
    everywhere : Settings
        For all takes.
    sections : tuple of Section
        In the order of the file.
    """

    path: Path
    everywhere: Settings
    sections: tuple[Section, ...] = ()

    def sections_for(self, place: str) -> list[Section]:
        """Sections that fit a take, the one that wins first."""
        fitting = [section for section in reversed(self.sections) if section.fits(place)]
        return sorted(fitting, key=lambda section: section.kind == FOLDER)

    def for_take(self, place: str) -> Settings:
        """What the file says for one take.

        Parameters
        ----------
        place : str
            The take's path below the file's folder, with ``/``; see `place_below`.
        """
        settings = Settings()
        for section in self.sections_for(place):
            settings = settings.merged_with(section.settings)
        return settings.merged_with(self.everywhere)


def read_settings_file(path: str | os.PathLike[str]) -> SettingsFile:
    """Read a settings file.

    Raises
    ------
    SettingsError
        Not there, not readable, not TOML (the text has the line), an unknown name (the text
        has the nearest one) or a wrong setting.
    """
    values = _parsed(path)
    sections = tuple(_sections(str(path), values))
    for name, value in values.items():
        if isinstance(value, Mapping) and name not in (FOLDER, TAKE, SLATE):
            valid = (FOLDER, TAKE, SLATE, *NAMES, *CLIP_DEFAULTS)
            raise SettingsError(f"{path}: unknown section [{name}]; {nearest(name, valid)}")
    plain = {name: value for name, value in values.items() if name not in (FOLDER, TAKE)}
    return SettingsFile(Path(path), _with_slate(plain, str(path)), sections)


def find_settings_file(take_path: str | os.PathLike[str]) -> Path | None:
    """The ``flashpan.toml`` that goes with a take, or None.

    For a folder of stills the one inside, else the one beside it; for a file or a numbered
    pattern the one beside it; for standard input the one in the current folder.
    """
    path = Path(take_path)
    folders = [path, path.parent] if path.is_dir() else [path.parent]
    candidates = (folder / SETTINGS_FILE for folder in folders)
    return next((candidate for candidate in candidates if candidate.is_file()), None)


def settings_for(
    take_path: str | os.PathLike[str], asked: Settings, named: SettingsFile | None = None
) -> Settings:
    """What was asked for, over the settings file that was named, else the one by the take."""
    path = None if named else find_settings_file(take_path)
    file = read_settings_file(path) if path else named
    return asked if file is None else asked.merged_with(file.for_take(place_below(file, take_path)))


def place_below(file: SettingsFile, take_path: str | os.PathLike[str]) -> str:
    """A take's path below the folder of a settings file, with ``/``.

    Of a take that lies elsewhere its whole path; of the folder itself its name.
    """
    take, folder = os.path.abspath(take_path), os.path.abspath(file.path.parent)
    if take == folder:
        return os.path.basename(take)
    inside = take.startswith(folder.rstrip(os.sep) + os.sep)
    return (os.path.relpath(take, folder) if inside else take).replace(os.sep, "/").lstrip("/")


def _parsed(path: str | os.PathLike[str]) -> dict[str, Any]:
    try:
        return tomllib.loads(Path(path).read_text(encoding="utf-8-sig"))
    except FileNotFoundError:
        raise SettingsError(f"{path}: no such settings file; check --settings") from None
    except OSError as error:
        raise SettingsError(f"{path}: cannot be read ({error.strerror}); check it") from None
    except UnicodeDecodeError:
        raise SettingsError(f"{path}: is not UTF-8 text; save it as UTF-8") from None
    except tomllib.TOMLDecodeError as error:
        raise SettingsError(f"{path}: {error}; mend that line: name = value") from None
    except (ValueError, RecursionError):  # thousands of digits, or of lists in lists
        raise SettingsError(f"{path}: holds a value without end; write name = value") from None


def _sections(path: str, values: Mapping[str, Any]) -> Iterator[Section]:
    for kind in values:
        if kind not in (FOLDER, TAKE):
            continue
        tables = values[kind]
        if not isinstance(tables, Mapping):
            raise SettingsError(f'{path}: {kind} is a section; write [{kind}."NAME"]')
        for pattern, table in tables.items():
            if not isinstance(table, Mapping):
                raise SettingsError(
                    f"{path}: [{kind}] says {pattern} for no {kind} in particular;"
                    f' write [{kind}."NAME"] above it, or {pattern} at the top of the file'
                )
            source = f'{path} [{kind}."{pattern}"]'
            yield Section(kind, pattern, _with_slate(table, source))


def _with_slate(table: Mapping[str, Any], source: str) -> Settings:
    """Settings, and the words of a ``slate`` among them."""
    plain = {name: value for name, value in table.items() if name != SLATE}
    slate = table.get(SLATE, {})
    if not isinstance(slate, Mapping):
        raise SettingsError(f"{source}: slate is a section; write [slate] above name = value")
    for name, value in slate.items():
        if isinstance(value, Mapping | list):
            raise SettingsError(f'{source}: slate {name!r} is no text; write {name} = "…"')
    entries = tuple((name, str(value), source) for name, value in slate.items())
    return replace(Settings.from_mapping(plain, source=source), slate=entries)


def _matches(path: PurePosixPath, pattern: str) -> bool:
    return fnmatchcase(str(path) if "/" in pattern else path.name, pattern)


def _composed(text: str) -> str:
    """Accents as part of their letters, as keyboards write them; some disks take them apart."""
    return unicodedata.normalize("NFC", text)
