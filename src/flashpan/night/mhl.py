"""ASC MHL: the media hash list of a night, by the standard's own library.

`seal` is called when a run has ended.  What the checksum lists of the takes name goes in, as XXH64;
each file is read once for that, and must be what its list says.  All else in the folder (catalog,
reports, what somebody put there) is named in the list's ignore patterns, so that other tools find
nothing that they do not know.

A history can say that a file was added or verified, not that it was replaced on purpose.  Where a
run did that (other settings, a clip that was cut again), which shows in the take's checksum list,
a new history is begun and the old one is kept beside it.
"""

from __future__ import annotations

import os
import platform
import shutil
import tempfile
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import click

import flashpan
from flashpan.atomic import new_folder
from flashpan.errors import CatalogError
from flashpan.night.checksums import SUFFIX
from flashpan.night.lists import Sums, files_below, is_whole, listed_files, sums_of

FOLDER = "ascmhl"
FORMAT = "xxh64"
_ASIDE = "ascmhl.earlier-"
# The catalog and the reports change with every run, the rest is temporary or made anew at will.
# None is anchored by a slash in front: the reference tool holds them against absolute paths.
_PATTERNS = (
    *("night.sqlite", "night.sqlite-*", "night.lock", "night.txt", "night.csv", "night.json"),
    *("night.handoff", f"{_ASIDE}*", ".flashpan-*"),
    *("*.sheet.png", "*.sheet.pdf", "*.scores.png", "*.scores.npz", "*.strips"),
)
_HOUR_S = 3600
_NAMESPACE = "urn:ASC:MHL:v2.0"


@dataclass(frozen=True, slots=True)
class Known:
    """What a history says of a file: its size, time in seconds, hash, and when it was taken."""

    bytes: int | None
    mtime_s: float
    xxh64: str
    hashed_at: datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class Sealed:
    """What was put into the list.

    Attributes
    ----------
    n_files : int
        In the list now.
    n_new : int
        Read this time.
    is_anew : bool
        Whether a new history was begun, since files were replaced on purpose.
    faults : tuple of str
        Files that are missing or not what their checksum lists say; what the list said of
        them stands.
    """

    n_files: int
    n_new: int
    is_anew: bool
    faults: tuple[str, ...]


def seal(
    dest: str | os.PathLike[str], on_file: Callable[[str], object] | None = None
) -> Sealed | None:
    """Bring the media hash list of a night up to date.

    Parameters
    ----------
    dest : path-like
    on_file : callable, optional
        Called with the path of every file that is read; what it raises ends the work, and the
        list stays as it was.

    Returns
    -------
    Sealed or None
        None where there is nothing to list.

    Raises
    ------
    CatalogError
        The list that is there was altered or is damaged, or nothing can be written.
    TakeError
        Nothing can be written.
    """
    folder = Path(dest).absolute()
    listed = {path: digest for path, digest in listed_files(folder).items() if _is_xml(path)}
    history = load(folder)
    known = known_files(history)
    if not listed and not known:
        return None
    work = _Work(folder, listed, known, on_file or (lambda path: None))
    work.look()
    patterns = _patterns(folder, listed)
    is_anew = bool(known) and (work.is_replaced or _hides(history, listed))
    try:
        if is_anew:
            _begin_anew(folder, work, patterns)
        elif work.read:
            _add(folder, work, patterns)
    except OSError as error:  # new_folder words its own
        raise CatalogError(
            f"{folder / FOLDER}: cannot be written ({error.strerror}); make sure that there is room"
            f" there and in {tempfile.gettempdir()}, and run again"
        ) from error
    return Sealed(
        n_files=len(set(listed) | (work.kept if is_anew else set(known))),
        n_new=len(work.read),
        is_anew=is_anew,
        faults=tuple(work.faults),
    )


class _Work:
    """What has to be read, and what came of it."""

    def __init__(
        self,
        folder: Path,
        listed: Mapping[str, str],
        known: Mapping[str, Known],
        on_file: Callable[[str], object],
    ) -> None:
        self.folder, self.listed, self.known = folder, listed, known
        self.read: dict[str, Sums] = {}
        self.faults: list[str] = []
        self.is_replaced = False
        self.kept: set[str] = set()  # known, listed no more, and not on purpose
        self._on_file = on_file

    def look(self) -> None:
        """Read what is new, or not as it was, and see what is gone."""
        lists = [path for path, digest in self.listed.items() if not digest]
        spoilt = {path for path in lists if not is_whole(self.folder / path)}
        self.faults += (
            f"{self.folder / path}: is no checksum list any more; restore it from a copy"
            for path in sorted(spoilt)
        )
        self._look_at_listed(spoilt)
        here = {sums.xxh64 for path, sums in self.read.items() if path in lists}
        for path in self.known:
            if path not in self.listed and self._is_lost(path, spoilt, here):
                self.kept.add(path)
            elif path not in self.listed:
                self.is_replaced = True

    def _look_at_listed(self, spoilt: set[str]) -> None:
        is_new_list = False
        for path, digest in self.listed.items():  # a list, then what it names
            if path in spoilt:
                continue
            try:
                if not digest:
                    is_new_list = not self._has_known_hash(path)
                    to_read = is_new_list
                else:
                    known = self.known.get(path)
                    to_read = is_new_list or not _is_as_known(self.folder / path, known)
                if to_read:
                    self._take_in(path, digest)
            except FileNotFoundError:
                self.faults.append(f"{self.folder / path}: is missing")
            except OSError as error:
                self.faults.append(f"{self.folder / path}: cannot be read ({error.strerror})")

    def _is_lost(self, path: str, spoilt: set[str], here: set[str]) -> bool:
        """Whether a file that no list names any more is gone by accident, not on purpose.

        Its list is spoilt; or its list is gone, and lies nowhere else, as it would if it had been
        put aside or renamed.
        """
        owner = self._list_of(path)
        if owner is None or owner in self.listed:
            return owner in spoilt
        if self.known[owner].xxh64 in here:
            return False
        if owner == path:
            self.faults.append(f"{self.folder / path}: is missing, and with it what it names")
        return True

    def _list_of(self, path: str) -> str | None:
        """The list that named a file: the one in the nearest folder above it."""
        if path.endswith(SUFFIX):
            return path
        above = [
            one
            for one in self.known
            if one.endswith(SUFFIX) and path.startswith(one.rpartition("/")[0] + "/")
        ]
        return max(above, key=len, default=None)

    def _has_known_hash(self, path: str) -> bool:
        """Lists are always read: they keep their size, and times are known to the second only."""
        known = self.known.get(path)
        return known is not None and sums_of(self.folder / path).xxh64 == known.xxh64

    def _take_in(self, path: str, digest: str) -> None:
        self._on_file(path)
        sums = sums_of(self.folder / path)
        if digest not in ("", sums.sha256):
            self.faults.append(f"{self.folder / path}: is not what its checksum list says")
            return
        known = self.known.get(path)
        self.is_replaced |= known is not None and known.xxh64 != sums.xxh64
        self.read[path] = sums


def load(folder: Path) -> Any:
    """The history of a folder, an empty one where there is none.

    Raises
    ------
    CatalogError
        It was altered or is damaged.
    """
    from ascmhl.history import MHLHistory

    try:
        return MHLHistory.load_from_path(os.fspath(folder))
    except click.ClickException as error:
        raise CatalogError(
            f"{folder / FOLDER}: {error.format_message()}; restore it from a copy, or move it away"
            " to begin a new list"
        ) from error
    except Exception as error:  # XML that was cut short, dates that are none
        raise CatalogError(
            f"{folder / FOLDER}: cannot be read ({' '.join(str(error).split())}); restore it from a"
            " copy, or move it away to begin a new list"
        ) from error


def known_files(history: Any) -> dict[str, Known]:
    """What a history says of each file: its first hash, its latest size and time."""
    files: dict[str, Known] = {}
    for hash_list in history.hash_lists:
        changed_s = _times(hash_list.file_path)
        for one in hash_list.media_hashes:
            entry = one.find_hash_entry_for_format(FORMAT)
            if one.is_directory or entry is None:
                continue
            first = files.get(one.path)
            files[one.path] = Known(
                int(one.file_size or 0),  # the library leaves out the size of an empty file
                changed_s.get(one.path, 0.0),
                first.xxh64 if first else entry.hash_string,
                first.hashed_at if first else entry.hash_date,
            )
    return files


def _times(manifest: str) -> dict[str, float]:
    """When each file was last written, which the library writes and does not read."""
    times = {}
    for element in ElementTree.parse(manifest).iter(f"{{{_NAMESPACE}}}path"):
        said = element.get("lastmodificationdate")
        if said and element.text:
            times[element.text] = datetime.fromisoformat(said).timestamp()
    return times


def uncovered(folder: Path, listed: Iterable[str]) -> list[str]:
    """Files that no checksum list names and that no pattern leaves out."""
    spec = _spec([*_PATTERNS, FOLDER, ".DS_Store"])
    covered = set(listed)
    paths = (path.relative_to(folder).as_posix() for path in files_below(folder))
    return [path for path in paths if path not in covered and not spec.match_file(path)]


def _spec(patterns: list[str]) -> Any:
    """Patterns as the library understands them."""
    from ascmhl.ignore import MHLIgnoreSpec

    return MHLIgnoreSpec(patterns).get_path_spec()


def _is_as_known(path: Path, known: Known | None) -> bool:
    """Whether a file has the size and time that the history says; raises where it is gone.

    The library writes times with the offset from UTC that holds when it writes, not when the file
    was made: summer time may put them off by an hour.
    """
    status = path.stat()
    if known is None or status.st_size != known.bytes:
        return False
    off = abs(int(status.st_mtime) - known.mtime_s)
    return off < 1 or abs(off - _HOUR_S) < 1


def _patterns(folder: Path, listed: Mapping[str, str]) -> list[str]:
    """Patterns of everything in the folder that is not listed, and of nothing that is."""
    others = [path for path in uncovered(folder, listed) if _is_xml(path)]
    alone = (path for path in others if not any(one.endswith(f"/{path}") for one in listed))
    return [*_PATTERNS, *map(_escaped, alone)]


def _escaped(path: str) -> str:
    """A path as a pattern, at whatever depth."""
    special = "\\*?[]!#"
    return "**/" + "".join(f"\\{char}" if char in special else char for char in path)


def _hides(history: Any, listed: Mapping[str, str]) -> bool:
    """Whether a file that is listed now was left out by the history: patterns only accumulate."""
    spec = _spec(history.latest_ignore_patterns() or [])
    return any(spec.match_file(path) for path in listed)


def _add(folder: Path, work: _Work, patterns: list[str]) -> None:
    with _rewritten(folder, keep=True) as root:
        session = _session(root, patterns)
        for path, sums in work.read.items():
            _append(session, root, folder / path, path, sums.bytes, sums.xxh64)
        _commit(session)
        _publish(root, folder)


def _begin_anew(folder: Path, work: _Work, patterns: list[str]) -> None:
    """A history of what is listed now; hashes of files that are as they were are taken over."""
    with _rewritten(folder, keep=False) as root:
        session = _session(root, patterns)
        for path in (*work.listed, *sorted(work.kept)):
            sums, known = work.read.get(path), work.known.get(path)
            if sums is not None:
                _append(session, root, folder / path, path, sums.bytes, sums.xxh64)
            elif known is not None:  # also where it is damaged: then every check says so
                _append(session, root, folder / path, path, known.bytes, known.xxh64, known)
        _commit(session)
        with _set_aside(folder):
            _publish(root, folder)


class _rewritten:  # noqa: N801  # a context manager
    """A root elsewhere in which the library may write; what it wrote is published as a whole."""

    def __init__(self, folder: Path, *, keep: bool) -> None:
        self._folder, self._keep = folder, keep
        self._scratch = tempfile.TemporaryDirectory()

    def __enter__(self) -> Path:
        root = Path(self._scratch.__enter__(), self._folder.name or "night")
        root.mkdir()
        if self._keep and (self._folder / FOLDER).is_dir():
            shutil.copytree(self._folder / FOLDER, root / FOLDER)
        return root

    def __exit__(self, *raised: Any) -> None:
        self._scratch.__exit__(*raised)


def _session(root: Path, patterns: list[str]) -> Any:
    from ascmhl.generator import MHLGenerationCreationSession
    from ascmhl.ignore import MHLIgnoreSpec

    return MHLGenerationCreationSession(load(root), MHLIgnoreSpec(None, patterns))


def _append(
    session: Any,
    root: Path,
    file: Path,
    path: str,
    n_bytes: int | None,
    xxh64: str,
    known: Known | None = None,
) -> None:
    seconds = file.stat().st_mtime if file.exists() else known.mtime_s if known else 0.0
    hashed_at = None if known is None else known.hashed_at.astimezone().replace(tzinfo=None)
    session.append_file_hash(
        os.fspath(root / path),
        n_bytes,
        datetime.fromtimestamp(int(seconds)),
        FORMAT,
        xxh64,
        hash_date=hashed_at,
    )


def _commit(session: Any) -> None:
    from ascmhl.hashlist import MHLCreatorInfo, MHLProcess, MHLProcessInfo, MHLTool
    from ascmhl.utils import datetime_now_isostring

    creator, process = MHLCreatorInfo(), MHLProcessInfo()
    creator.tool = MHLTool("flashpan", flashpan.__version__)
    creator.creation_date = datetime_now_isostring()
    creator.host_name = platform.node()
    process.process = MHLProcess("in-place")
    session.commit(creator, process)


@contextmanager
def _set_aside(folder: Path) -> Iterator[None]:
    """Keep the history that is there under another name; it comes back where the block raises."""
    old = folder / FOLDER
    names = (folder / f"{_ASIDE}{number}" for number in range(1, 100_000))
    aside = next(name for name in names if not name.exists())
    old.rename(aside)
    try:
        yield
    except BaseException:
        if not old.exists():
            aside.rename(old)
        raise


def _publish(root: Path, folder: Path) -> None:
    """Put what the library wrote in place of what is there, whole or not at all."""
    with new_folder(folder / FOLDER, overwrite=True) as part:
        for file in (root / FOLDER).iterdir():
            shutil.copyfile(file, part / file.name)


def _is_xml(path: str) -> bool:
    """Whether XML can hold a name: neither bytes that are no Unicode nor control characters."""
    return all(char >= " " and not "\ud800" <= char <= "\udfff" for char in path)
