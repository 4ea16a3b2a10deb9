"""Names of clips that every file system takes, and the folder they may go to.

A clip of frames 5100 to 5230, range 2 of ``storm.mov``, is called
``storm_r002_f005100-005230.mov``: numbers as in the event log, ranges and frames from 0,
padded so that names sort as the take runs.
"""

from __future__ import annotations

import hashlib
import os
import re
import unicodedata
from collections.abc import Iterable
from itertools import count
from pathlib import Path

from flashpan.errors import TakeError, UsageError
from flashpan.eventlog import EXTENSION
from flashpan.fingerprint import fingerprint_of
from flashpan.jsontext import loads
from flashpan.model import TakeInfo
from flashpan.readers.sequence import is_pattern
from flashpan.readers.stills import take_name

MOST_NAME_BYTES = 200
"""Longest name in UTF-8.  Most file systems take 255 bytes (or UTF-16 units, which are never
more); the rest is left for the endings of what is written beside a clip."""

_FRAME_DIGITS = 6
_MARK_DIGITS = 8
_REPLACEMENT = "_"

# Separators and wildcards of any system; exFAT, NTFS and SMB refuse all of them.
_FORBIDDEN = frozenset('<>:"/\\|?*')
# Control characters, halves of surrogate pairs (bytes that are no Unicode), line and paragraph
# separators, characters that mean nothing.  Joiners (Cf) are kept: some scripts need them.
_UNPRINTABLE = frozenset({"Cc", "Cs", "Cn", "Zl", "Zp"})
# Marks that turn the direction of writing make a name look like another one.
_TURNING = re.compile("[\u061c\u200e\u200f\u202a-\u202e\u2066-\u2069\ufeff]")
# Device names of Windows, with any ending ("Naming Files, Paths, and Namespaces", Microsoft;
# from memory).
_DEVICES = re.compile(r"(?:CON|PRN|AUX|NUL|CONIN\$|CONOUT\$|(?:COM|LPT)[0-9¹²³])", re.IGNORECASE)


def safe_name(name: str, most_bytes: int = MOST_NAME_BYTES) -> str:
    """A name that every common file system takes, as near to ``name`` as can be.

    Unicode is kept, composed (NFC).  Separators, wildcards and control characters become
    ``_``; so does a hyphen in front, which commands would take for an option.  Dots and
    spaces in front and at the end are dropped, device names of Windows get a ``_`` behind.
    What is too long is cut between characters and ends in a mark of the whole.

    Parameters
    ----------
    name : str
        Anything, also with bytes that are no Unicode.
    most_bytes : int
        Longest result in UTF-8; at least 16.

    Returns
    -------
    str
        Never empty: ``take`` where nothing is left.
    """
    composed = unicodedata.normalize("NFC", _TURNING.sub("", name))
    cleaned = "".join(_REPLACEMENT if _is_refused(char) else char for char in composed)
    trimmed = _trimmed(cleaned)
    base, dot, rest = trimmed.partition(".")
    if _DEVICES.fullmatch(base.rstrip(" ")):
        trimmed = f"{base}{_REPLACEMENT}{dot}{rest}"
    return _shortened(trimmed, most_bytes) or "take"


def clip_name(
    stem: str, number: int, first: int, last: int, suffix: str = "", n_frames: int | None = None
) -> str:
    """Name one clip: ``<stem>_r<number>_f<first>-<last><suffix>``.

    Parameters
    ----------
    stem : str
        From `take_stem`, or any text.
    number : int
        The range's place in the log, from 0.
    first, last : int
        Frames of the take, inclusive.
    suffix : str
        Ending with its dot; empty for a folder of stills.
    n_frames : int, optional
        Frames of the take: where that needs more than six digits, so do all its clips.
    """
    digits = max(_FRAME_DIGITS, len(str(max(last, (n_frames or 1) - 1))))
    tail = f"_r{number:03d}_f{first:0{digits}d}-{last:0{digits}d}{safe_suffix(suffix)}"
    return safe_name(stem, MOST_NAME_BYTES - len(tail.encode())) + tail


def safe_suffix(suffix: str) -> str:
    """The ending of a source's name as a clip may bear it, in small letters."""
    kept = re.sub(r"[^0-9a-z.]", "", suffix.lower()).strip(".")
    return f".{kept}" if kept else ""


def frame_name(stem: str, frame: int, suffix: str, n_frames: int | None = None) -> str:
    """Name one still of a clip by its frame number in the take: ``<stem>_005100.tif``."""
    digits = max(_FRAME_DIGITS, len(str(max(frame, (n_frames or 1) - 1))))
    tail = f"_{frame:0{digits}d}{safe_suffix(suffix)}"
    return safe_name(stem, MOST_NAME_BYTES - len(tail.encode())) + tail


def take_stem(
    take: TakeInfo, destination: str | os.PathLike[str], others: Iterable[str] = ()
) -> str:
    """What the clips and the log of a take begin with in one destination.

    Usually the take's own name.  It gets a mark of eight hexadecimal digits, from its place
    and its fingerprint, where another take given with it has that name, or the destination
    holds another take's log (``<stem>.events.json``) of that name; capitals do not make
    names different, since not every file system tells them apart.  A take that was cut there
    under its mark keeps it.

    Parameters
    ----------
    take : TakeInfo
        The take; its fingerprint is taken here where it has none.
    destination : path-like
        May not exist yet.
    others : iterable of str
        Paths of the takes cut in the same run; this one may be among them.
    """
    plain = safe_name(take.name)
    marked = _marked(take)
    logs = _log_names(destination)
    twins = {name for name in logs if _folded(name) == _folded(plain + EXTENSION)}
    has_twin = any(
        _folded(safe_name(name_of(path))) == _folded(plain)
        for path in others
        if _absolute(path) != _absolute(take.path)
    )
    if f"{marked}{EXTENSION}" in logs or has_twin:
        return marked
    return plain if all(_is_log_of(Path(destination, twin), take) for twin in twins) else marked


def pipe_stem(take: TakeInfo, destination: str | os.PathLike[str]) -> str:
    """What the clips and the log of a pipe begin with: no pipe is ever the same as another.

    Its name, or ``<name>-2``, ``<name>-3``, …: the first that nothing there begins with.
    """
    plain = safe_name(take.name)
    try:
        there = [_folded(name) for name in os.listdir(destination)]
    except OSError:
        there = []  # not there yet: writing will say what is wrong with it
    for number in count(1):
        stem = plain if number == 1 else f"{plain}-{number}"
        if not any(name.startswith((f"{stem}{EXTENSION}", f"{stem}_r")) for name in there):
            return stem
    raise AssertionError


def name_of(path: str) -> str:
    """Short name of a take by its path, as its reader gives it."""
    if path == "-":
        return "stdin"
    return take_name(path) if os.path.isdir(path) or is_pattern(path) else Path(path).stem


def inside(destination: str | os.PathLike[str], name: str) -> Path:
    """Where a name lies in the destination, refusing whatever would lie elsewhere.

    Raises
    ------
    TakeError
        ``name`` has separators or is a step up, or a symbolic link is in its place.
    """
    path = Path(destination, name)
    if name in ("", ".", "..") or {"/", "\\", "\0"} & set(name):
        raise TakeError(f"{name!r}: is no plain file name; rename the take")
    if path.is_symlink():
        raise TakeError(f"{path}: is a link to somewhere else; remove it or choose another folder")
    return path


def refuse_sources_inside(
    takes: Iterable[str | os.PathLike[str]], destination: str | os.PathLike[str]
) -> None:
    """Refuse a destination that holds a source, or that lies among a take's stills.

    Links are followed, and folders that are mounted twice are recognised.

    Raises
    ------
    UsageError
        A source lies in the destination or below it, or the destination in the folder of a
        take of stills or below it.
    """
    target = os.path.realpath(destination)
    if os.path.exists(target) and not os.path.isdir(target):
        raise UsageError(f"{destination}: is no folder; choose another place for the clips")
    for take in [os.fspath(path) for path in takes]:
        if take == "-":
            continue
        folder = _folder_of_stills(take)
        if _lies_in(os.path.realpath(take), target):
            raise UsageError(
                f"{take}: lies inside {destination}; choose a folder for the clips that holds"
                " no source"
            )
        if folder is not None and _lies_in(target, folder):
            raise UsageError(
                f"{destination}: lies inside the take {take}; choose a folder for the clips"
                " outside of it"
            )


def _folder_of_stills(take: str) -> str | None:
    if os.path.isdir(take):
        return os.path.realpath(take)
    return os.path.realpath(os.path.dirname(take) or ".") if is_pattern(take) else None


def _lies_in(path: str, folder: str) -> bool:
    """Whether a real path is a folder or anything below it, also by another mount of it."""
    while True:
        if path == folder or _is_same(path, folder):
            return True
        above = os.path.dirname(path)
        if above == path:
            return False
        path = above


def _is_same(one: str, other: str) -> bool:
    try:
        return os.path.samefile(one, other)
    except OSError:
        return False  # one of them does not exist yet


def _is_refused(char: str) -> bool:
    return char in _FORBIDDEN or unicodedata.category(char) in _UNPRINTABLE


def _trimmed(name: str) -> str:
    """Without dots and blanks at either end; a hyphen in front is replaced."""
    inner = re.sub(r"^[.\s]+|[.\s]+$", "", name)
    return _REPLACEMENT + inner[1:] if inner.startswith("-") else inner


def _shortened(name: str, most_bytes: int) -> str:
    if len(name.encode()) <= most_bytes:
        return name
    mark = hashlib.sha256(name.encode()).hexdigest()[:_MARK_DIGITS]
    cut = name.encode()[: most_bytes - len(mark) - 1].decode(errors="ignore")
    while cut and unicodedata.combining(name[len(cut)]):
        cut = cut[:-1]  # an accent stays with its letter
    kept = _trimmed(cut)
    return f"{kept}-{mark}" if kept else mark


def _marked(take: TakeInfo) -> str:
    print_ = take.fingerprint or fingerprint_of(take.path)
    said = f"{_absolute(take.path)}\0{print_.digest if print_ else ''}"
    mark = hashlib.sha256(os.fsencode(said)).hexdigest()[:_MARK_DIGITS]
    return f"{safe_name(take.name, MOST_NAME_BYTES - _MARK_DIGITS - 1)}-{mark}"


def _log_names(destination: str | os.PathLike[str]) -> set[str]:
    try:
        return {name for name in os.listdir(destination) if name.endswith(EXTENSION)}
    except OSError:
        return set()  # not there yet: writing will say what is wrong with it


def _is_log_of(path: Path, take: TakeInfo) -> bool:
    """Whether a file is the log of this take: its place, and its bytes where known."""
    try:
        data = loads(path.read_text(encoding="utf-8"))["take"]
        owner, digest = data["absolute_path"], (data.get("fingerprint") or {}).get("sha256")
    except (OSError, KeyError, TypeError, ValueError, AttributeError):
        return False
    known = take.fingerprint or fingerprint_of(take.path)
    same_bytes = digest is None or known is None or digest == known.digest
    return bool(owner == _absolute(take.path) and same_bytes)


def _absolute(path: str) -> str:
    return path if path == "-" else os.path.abspath(path)


def _folded(name: str) -> str:
    return unicodedata.normalize("NFC", name).casefold()
