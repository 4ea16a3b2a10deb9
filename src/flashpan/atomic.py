"""No file appears under its final name until it is whole.

A file is written under a temporary name in its own folder, forced to disk, and only then
renamed.  Killed at any moment, flashpan leaves the old file or the new one, never half.
"""

from __future__ import annotations

import errno
import os
import secrets
import shutil
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from flashpan.errors import TakeError

# Network and FUSE mounts that cannot force a folder to disk say so with one of these.
_NO_FOLDER_SYNC = frozenset({errno.EINVAL, errno.EBADF, errno.ENOTSUP, errno.ENOSYS})
# File systems without hard links (FAT, some network mounts) refuse them with one of these.
_NO_HARD_LINKS = frozenset({errno.EPERM, errno.ENOTSUP, errno.ENOSYS, errno.EMLINK, errno.EXDEV})


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
    part = final.with_name(f".flashpan-{secrets.token_hex(6)}.part{final.suffix}")
    if not overwrite:
        refuse_existing(final)
    try:
        yield part
        _sync(part, os.O_RDWR)
        _publish(part, final, overwrite)
        sync_folder(final.parent)
    except OSError as error:
        raise TakeError(f"{final}: cannot be written ({error.strerror}); {_cure(error)}") from error
    finally:
        with suppress(OSError):  # already renamed, or never made
            part.unlink()


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
    part = final.with_name(f".flashpan-{secrets.token_hex(6)}.part")
    if not overwrite:
        refuse_existing(final)
    try:
        part.mkdir()
        yield part
        for file in part.iterdir():
            _sync(file, os.O_RDONLY)
        sync_folder(part)
        _publish_folder(part, final, overwrite)
        sync_folder(final.parent)
    except OSError as error:
        raise TakeError(f"{final}: cannot be written ({error.strerror}); {_cure(error)}") from error
    finally:
        shutil.rmtree(part, ignore_errors=True)  # already renamed, or never made


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


def _publish_folder(part: Path, final: Path, overwrite: bool) -> None:
    if not overwrite:
        refuse_existing(final)
    if not os.path.lexists(final):
        part.rename(final)
        return
    old = part.with_suffix(".old")
    final.rename(old)
    part.rename(final)
    if old.is_dir() and not old.is_symlink():
        shutil.rmtree(old)
    else:
        old.unlink()


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
