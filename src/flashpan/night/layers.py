"""Which settings apply to each take of a night, and where each of them comes from.

Command line over settings files over defaults.  A ``flashpan.toml`` counts for the folder that it
lies in and all below it, and the nearer one wins over the farther; a file that was named on the
command line takes the place of all of them.  What a file says for folders and single takes, see
`flashpan.settingsfile`.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

from flashpan.night.found import RAW, Found
from flashpan.settings import SETTINGS_FILE, Settings
from flashpan.settingsfile import Section, SettingsFile, place_below, read_settings_file


class Layers:
    """The settings of a night, layer upon layer.

    Parameters
    ----------
    source : path-like
        Where the takes are; files above it do not count, but for the one beside a source that
        is itself a take.
    asked : Settings
        Of the command line, or of a caller.
    named : SettingsFile, optional
        Read instead of every ``flashpan.toml``.
    """

    def __init__(
        self,
        source: str | os.PathLike[str],
        asked: Settings,
        named: SettingsFile | None = None,
    ) -> None:
        self._source, self._asked, self._named = os.path.abspath(source), asked, named
        self._files: dict[str, SettingsFile | None] = {}
        self._used: set[tuple[Path, Section]] = set()

    def for_take(self, found: Found) -> Settings:
        """Settings of a take, each with its source.

        The geometry of headerless pixels is left out for takes that need none.

        Raises
        ------
        SettingsError
            A file has an unknown name or a wrong value.
        """
        settings = self._laid(found.path)
        return settings if found.kind == RAW else _without_geometry(settings)

    def has_geometry(self, place: str) -> bool:
        """Whether a file at a place below the source is said to hold headerless pixels."""
        alone = os.path.isfile(self._source)
        path = self._source if alone else os.path.join(self._source, place)
        return self._laid(path).raw is not None

    def unused(self) -> list[str]:
        """Sections that fitted no take so far, as ``<file> [take."…"]``: slips of the pen."""
        files = [self._named, *self._files.values()]
        return [
            f"{file.path} {section}"
            for file in files
            if file is not None
            for section in file.sections
            if (file.path, section) not in self._used
        ]

    def _laid(self, path: str) -> Settings:
        settings = self._asked
        for file in self._files_for(path):
            place = place_below(file, path)
            self._used.update((file.path, section) for section in file.sections_for(place))
            settings = settings.merged_with(file.for_take(place))
        return settings

    def _files_for(self, path: str) -> Iterator[SettingsFile]:
        """Settings files that count for a take, the one that wins first."""
        if self._named is not None:
            yield self._named
            return
        for folder in self._folders_for(path):
            if folder not in self._files:
                self._files[folder] = _file_in(folder)
            file = self._files[folder]
            if file is not None:
                yield file

    def _folders_for(self, path: str) -> Iterator[str]:
        """Folders from the take's own up to the source."""
        top = self._source
        if path == top:  # a take by itself: what lies beside it counts
            top = os.path.dirname(top)
        folder = path if os.path.isdir(path) else os.path.dirname(path)
        while True:
            yield folder
            if folder == top or folder == os.path.dirname(folder):
                return
            folder = os.path.dirname(folder)


def _file_in(folder: str) -> SettingsFile | None:
    path = os.path.join(folder, SETTINGS_FILE)
    return read_settings_file(path) if os.path.isfile(path) else None


def _without_geometry(settings: Settings) -> Settings:
    sources = tuple((name, source) for name, source in settings.sources if name != "raw")
    return replace(settings, raw=None, sources=sources)
