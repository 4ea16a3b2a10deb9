"""`verify`: everything in a night, checked against its ASC MHL, checksum lists and catalog."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Callable, Iterator
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path, PurePosixPath
from typing import Any

from flashpan.errors import CatalogError, TakeError
from flashpan.night.checksums import line
from flashpan.night.discovery import CATALOG_NAME
from flashpan.night.lists import Sums, listed_files, sums_of
from flashpan.night.mhl import FOLDER, known_files, load, uncovered
from flashpan.night.places import inside_night
from flashpan.night.record import NightRecord

MHL, LIST, CATALOG = "the ASC MHL", "its checksum list", "the catalog"


@dataclass(frozen=True, slots=True, kw_only=True)
class Verified:
    """What came of it.

    Attributes
    ----------
    folder : Path
    n_files, n_bytes : int
        That were read.
    faults : tuple of str
        One line each, with the path: what is missing, differs or cannot be read.
    notes : tuple of str
        What was not checked, and why.
    by : tuple of str
        What there was to check against.
    """

    folder: Path
    n_files: int
    n_bytes: int
    faults: tuple[str, ...]
    notes: tuple[str, ...]
    by: tuple[str, ...]

    @property
    def ok(self) -> bool:
        """Whether all is as it was written."""
        return not self.faults


@dataclass(slots=True)
class _Expected:
    """What is said of a file, and by whom."""

    xxh64: str | None = None
    sha256: dict[str, str] = field(default_factory=dict)
    by: list[str] = field(default_factory=list)


def verify(
    dest: str | os.PathLike[str], on_file: Callable[[str, int], object] | None = None
) -> Verified:
    """Check every file of a night; each is read once, nothing is written.

    Parameters
    ----------
    dest : path-like
        Folder of a night, or a copy of it: the catalog may be missing.
    on_file : callable, optional
        Called with the path of each file that was read, and how many there are in all.

    Returns
    -------
    Verified

    Raises
    ------
    CatalogError
        There is nothing to check against.
    """
    return _Check(Path(dest).absolute(), on_file or (lambda path, n_files: None)).done()


class _Check:
    """One look through a night."""

    def __init__(self, folder: Path, on_file: Callable[[str, int], object]) -> None:
        self._folder, self._on_file = folder, on_file
        self._expected: dict[str, _Expected] = {}
        self._clip_folders: dict[str, str] = {}
        self._sums: dict[str, Sums] = {}
        self._faults: list[str] = []
        self._notes: list[str] = []
        self._by: list[str] = []

    def done(self) -> Verified:
        self._expect_by_mhl()
        listed = self._expect_by_lists()
        self._expect_by_catalog()
        if not self._by and not self._faults:
            raise CatalogError(
                f"{self._folder}: holds no night, no {FOLDER} and no checksum lists; check the"
                " folder"
            )
        self._read_all()
        self._hold_folders_against_catalog()
        if extra := uncovered(self._folder, [*listed, *self._expected]):
            shown = ", ".join(extra[:3]) + (" …" if len(extra) > 3 else "")
            self._notes.append(f"{len(extra)} other files are in no list: {shown}")
        return Verified(
            folder=self._folder,
            n_files=len(self._sums),
            n_bytes=sum(sums.bytes for sums in self._sums.values()),
            faults=tuple(self._faults),
            notes=tuple(self._notes),
            by=tuple(self._by),
        )

    def _expect_by_mhl(self) -> None:
        try:
            known = known_files(load(self._folder))
        except CatalogError as error:
            self._faults.append(str(error))
            return
        if known:
            self._by.append(MHL)
        for path, one in known.items():
            expected = self._said_of(path, MHL)
            expected.xxh64 = one.xxh64

    def _expect_by_lists(self) -> list[str]:
        listed = listed_files(self._folder)
        if listed:
            self._by.append("checksum lists")
        unsealed = [path for path in listed if path not in self._expected]
        if unsealed:
            self._notes.append(
                f"{len(unsealed)} files are not in the ASC MHL yet; run flashpan ingest or watch"
                " again"
            )
        for path, digest in listed.items():
            if digest:
                self._said_of(path, LIST).sha256[LIST] = digest
        return list(listed)

    def _expect_by_catalog(self) -> None:
        if not (self._folder / CATALOG_NAME).is_file():
            self._notes.append(f"there is no catalog ({CATALOG_NAME}) to check against")
            return
        try:
            with NightRecord.read(self._folder) as record:
                self._faults += (f"{record.dest / CATALOG_NAME}: {one}" for one in record.faults())
                for path, digest in _clips(record):
                    self._expect_clip(path, digest)
        except CatalogError as error:
            self._faults.append(str(error))
            return
        self._by.append(CATALOG)

    def _expect_clip(self, path: str, digest: str) -> None:
        if self._is_outside(path):
            return
        if (self._folder / path).is_dir():
            self._clip_folders[path] = digest
        else:
            self._said_of(path, CATALOG).sha256[CATALOG] = digest

    def _is_outside(self, path: str) -> bool:
        """Whether a path leads out of the night, which is a fault: nothing there is read."""
        try:
            inside_night(self._folder, self._folder / path)
        except TakeError as error:
            if str(error) not in self._faults:  # a file may be in several lists
                self._faults.append(str(error))
            return True
        return False

    def _said_of(self, path: str, by: str) -> _Expected:
        expected = self._expected.setdefault(path, _Expected())
        expected.by.append(by)
        return expected

    def _read_all(self) -> None:
        for path, expected in self._expected.items():
            self._hold(path, expected)
            self._on_file(path, len(self._expected))

    def _hold(self, path: str, expected: _Expected) -> None:
        file = self._folder / path
        if self._is_outside(path):
            return
        try:
            sums = self._sums[path] = sums_of(file)
        except FileNotFoundError:
            self._faults.append(f"{file}: is missing, and is in {_and(expected.by)}")
            return
        except OSError as error:
            self._faults.append(f"{file}: cannot be read ({error.strerror})")
            return
        differs = [by for by, digest in expected.sha256.items() if digest != sums.sha256]
        if expected.xxh64 not in (None, sums.xxh64):
            differs.insert(0, MHL)
        if differs:
            self._faults.append(f"{file}: differs from {_and(differs)}")

    def _hold_folders_against_catalog(self) -> None:
        """Clips that are folders: the catalog has a checksum of their files' checksums."""
        for folder, digest in self._clip_folders.items():
            every = sorted((self._folder / folder).iterdir())
            files = [
                file
                for file in every
                if file.is_file()
                and not self._is_outside(file.relative_to(self._folder).as_posix())
            ]
            lines = ""
            for file in files:
                path = file.relative_to(self._folder).as_posix()
                with suppress(OSError):
                    sums = self._sums[path] = self._sums.get(path) or sums_of(file)
                    lines += line(sums.sha256, file.name)
            made = hashlib.sha256(lines.encode("utf-8", "surrogateescape")).hexdigest()
            if made != digest:
                self._faults.append(f"{self._folder / folder}: differs from {CATALOG}")


def _clips(record: NightRecord) -> Iterator[tuple[str, str]]:
    """Every clip and copy of a night by its path below it, with its checksum."""
    folders = {take.id: take.folder for take in record.takes(replaced=True)}
    for take_id, folder in folders.items():
        for clip in record.clips(take_id):
            yield str(PurePosixPath(folder, clip.name)), clip.sha256


def _and(names: list[str]) -> str:
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"


def format_verified(verified: Verified) -> str:
    """Faults first, then what was not checked, then what was."""
    from flashpan.cut.space import format_bytes
    from flashpan.table import counted

    lines = [f"FAULT     {fault}" for fault in verified.faults]
    lines += [f"note      {note}" for note in verified.notes]
    said = f"{counted(verified.n_files, 'file')}, {format_bytes(verified.n_bytes)}"
    against = f" against {_and(list(verified.by))}" if verified.by else ""
    result = (
        "all is as it was written" if verified.ok else f"{counted(len(verified.faults), 'fault')}"
    )
    return "\n".join([*lines, f"verified  {said}{against}: {result}"])


def verified_to_dict(verified: Verified) -> dict[str, Any]:
    """What came of it, as JSON holds it."""
    return {
        "night": str(verified.folder),
        "ok": verified.ok,
        "files": verified.n_files,
        "bytes": verified.n_bytes,
        "against": list(verified.by),
        "faults": list(verified.faults),
        "notes": list(verified.notes),
    }
