"""No file appears under its final name until it is whole.

A file is written under a temporary name in its own folder, forced to disk, and only then
renamed.  Killed at any moment, flashpan leaves the old file or the new one, never half.

What a killed process leaves under a temporary name, `remove_left_over` takes away later.  To
know that nobody is at it any more, whoever writes holds a shared lock on the folder (flock(2)),
which the system lets go of when a process ends, however it ends.
"""

from __future__ import annotations

import errno
import fcntl
import os
import secrets
import shutil
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from flashpan.errors import TakeError

_MARK = ".flashpan-"
_OLD = ".old"
# Network and FUSE mounts that cannot force a folder to disk say so with one of these.
_NO_FOLDER_SYNC = frozenset({errno.EINVAL, errno.EBADF, errno.ENOTSUP, errno.ENOSYS})
# File systems without hard links (FAT, some network mounts) refuse them with one of these.
_NO_HARD_LINKS = frozenset({errno.EPERM, errno.ENOTSUP, errno.ENOSYS, errno.EMLINK, errno.EXDEV})


def make_folder(path: str | os.PathLike[str]) -> Path:
    """Make a folder, and those above it, where there is none.

    Raises
    ------
    TakeError
        It cannot be made.
    """
    folder = Path(path)
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise TakeError(
            f"{folder}: cannot be made ({error.strerror}); choose another folder"
        ) from error
    return folder


def write_text(path: str | os.PathLike[str], text: str, *, overwrite: bool = False) -> Path:
    """Write UTF-8 text; see `write_bytes`."""
    return write_bytes(path, text.encode("utf-8"), overwrite=overwrite)


def write_bytes(path: str | os.PathLike[str], data: bytes, *, overwrite: bool = False) -> Path:
    """Write a whole file or none, and return its path.

    Raises
    ------
    TakeError
        The file exists and ``overwrite`` is false, or it cannot be written.
    """
    with new_file(path, overwrite=overwrite) as part:
        part.write_bytes(data)
    return Path(path)


@contextmanager
def new_file(path: str | os.PathLike[str], *, overwrite: bool = False) -> Iterator[Path]:
    """Give a temporary path to write to; it becomes ``path`` when the block ends well.

    The temporary file lies in the folder of ``path`` and has its extension.  When the
    block raises, it is removed and ``path`` stays as it was.

    Raises
    ------
    TakeError
        The file exists and ``overwrite`` is false, or it cannot be written.
    """
    final = Path(path)
    part = final.with_name(f"{_MARK}{secrets.token_hex(6)}.part{final.suffix}")
    if not overwrite:
        refuse_existing(final)
    try:
        with _at_work_in(final.parent):
            yield part
            _sync(part, os.O_RDWR)
            _publish(part, final, overwrite)
            _sync_name(final, overwrite)
    except OSError as error:
        raise TakeError(f"{final}: cannot be written ({error.strerror}); {_cure(error)}") from error
    finally:
        with suppress(OSError):  # already renamed, or never made
            part.unlink()


@contextmanager
def together(*, overwrite: bool = False) -> Iterator[Callable[[Path, bytes], Path]]:
    """Give a way to write several files that belong together: path and content, as `write_bytes`.

    When the block raises, those that are new go again, so that it can be tried again; what has
    been replaced is replaced.
    """
    made: list[Path] = []

    def write(path: Path, data: bytes) -> Path:
        made.append(write_bytes(path, data, overwrite=overwrite))
        return path

    try:
        yield write
    except BaseException:
        for path in made if not overwrite else ():
            with suppress(OSError):  # the disk fails altogether
                path.unlink()
        raise


@contextmanager
def new_folder(path: str | os.PathLike[str], *, overwrite: bool = False) -> Iterator[Path]:
    """Give a temporary folder to write files to; it becomes ``path`` when the block ends well.

    When the block raises, the temporary folder is removed and ``path`` stays as it was.

    Raises
    ------
    TakeError
        Something of that name exists and ``overwrite`` is false, or it cannot be written.
    """
    final = Path(path)
    part = final.with_name(f"{_MARK}{secrets.token_hex(6)}.part")
    if not overwrite:
        refuse_existing(final)
    try:
        with _at_work_in(final.parent):
            part.mkdir()
            yield part
            for file in part.rglob("*"):
                _sync(file, os.O_RDONLY)
            sync_folder(part)
            _publish_folder(part, final, overwrite)
            _sync_name(final, overwrite)
    except OSError as error:
        raise TakeError(f"{final}: cannot be written ({error.strerror}); {_cure(error)}") from error
    finally:
        shutil.rmtree(part, ignore_errors=True)  # already renamed, or never made


@contextmanager
def scratch_file(folder: str | os.PathLike[str]) -> Iterator[Path]:
    """Give a temporary path in a folder, for what is needed only while the block lasts."""
    part = Path(folder, f"{_MARK}{secrets.token_hex(6)}.part")
    with _at_work_in(Path(folder)):
        try:
            yield part
        finally:
            part.unlink(missing_ok=True)


def remove_left_over(folder: str | os.PathLike[str]) -> list[str]:
    """Take away what killed processes left in a folder under temporary names.

    A folder that was about to be replaced, and whose successor never got its name, gets its
    own back.  Nothing is touched while anybody writes into the folder, or where the file
    system has no locks by which that could be known.

    Returns
    -------
    list of str
        Names that were removed or restored.
    """
    try:
        descriptor = os.open(folder, os.O_RDONLY)
    except OSError:
        return []  # not there yet: nothing is left over
    try:
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
        return [_cleared(path) for path in sorted(Path(folder).iterdir()) if _is_temporary(path)]
    except OSError:
        return []
    finally:
        os.close(descriptor)


def _is_temporary(path: Path) -> bool:
    """Whether a name is one that this module gives, or a database's beside it (``.part-wal``)."""
    rest = path.name.removeprefix(_MARK)
    kind = rest.partition(".")[2].partition(".")[0].partition("-")[0]
    return rest != path.name and kind in ("part", "of")


def _cleared(path: Path) -> str:
    name = path.name.partition(".of.")[2].removesuffix(_OLD)
    if name and not os.path.lexists(path.with_name(name)):
        path.rename(path.with_name(name))
        return name
    _remove(path)
    return path.name


def _remove(path: Path) -> None:
    if path.is_dir() and not path.is_symlink():
        shutil.rmtree(path)
    else:
        path.unlink()


@contextmanager
def _at_work_in(folder: Path) -> Iterator[None]:
    """Hold a shared lock on a folder; file systems without locks are let off."""
    descriptor = os.open(folder, os.O_RDONLY)
    try:
        with suppress(OSError):
            fcntl.flock(descriptor, fcntl.LOCK_SH)
        yield
    finally:
        os.close(descriptor)


def sync_folder(folder: Path) -> None:
    """Force a folder's entries to disk; mounts that cannot do it are let off."""
    try:
        _sync(folder, os.O_RDONLY)
    except OSError as error:
        if error.errno not in _NO_FOLDER_SYNC:
            raise


def _sync(path: Path, flags: int) -> None:
    descriptor = os.open(path, flags)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


def _publish(part: Path, final: Path, overwrite: bool) -> None:
    if overwrite:
        part.replace(final)
        return
    try:
        # unlike a rename, a link never replaces a file that came up in the meantime
        final.hardlink_to(part)
    except FileExistsError:
        refuse_existing(final)
        raise
    except OSError as error:
        if error.errno not in _NO_HARD_LINKS:
            raise
        refuse_existing(final)
        part.replace(final)


def _sync_name(final: Path, overwrite: bool) -> None:
    """Force a new name to disk; one that may not stay goes, so that it can be tried again."""
    try:
        sync_folder(final.parent)
    except OSError:
        if not overwrite:  # else what it replaced is gone already
            _remove(final)
        raise


def _publish_folder(part: Path, final: Path, overwrite: bool) -> None:
    if not overwrite:
        refuse_existing(final)
    if not os.path.lexists(final):
        part.rename(final)
        return
    # its name says whose place it had, should we be killed before the next line
    old = part.with_name(f"{part.stem}.of.{final.name}{_OLD}")
    final.rename(old)
    part.rename(final)
    _remove(old)


def refuse_existing(path: Path) -> None:
    """Raise a TakeError where a file is in the way."""
    if os.path.lexists(path):
        raise TakeError(f"{path} exists already; give --overwrite to replace it")


def _cure(error: OSError) -> str:
    if error.errno in (errno.ENOSPC, errno.EDQUOT):
        return "free some space and run again"
    if error.errno == errno.EFBIG:
        return "the disk's format takes no file this large; choose another disk"
    if error.errno in (errno.EACCES, errno.EPERM, errno.EROFS):
        return "choose a folder you may write to"
    return "check the folder"
