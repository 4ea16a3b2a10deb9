"""A disk whose files cannot be read from some byte on, mounted for real.

It shows the files of a folder, read-only, by the kernel's own protocol for file systems in user
space (FUSE, version 7.31, Linux ``include/uapi/linux/fuse.h``; numbers from memory), so that every
reader meets what it would meet on a failing card: `OSError` from Python, an error code in a C
library, a page that cannot be filled.  Only one level of files is shown.  Mounting needs an
administrator, or a user namespace of one's own.
"""

from __future__ import annotations

import ctypes
import errno
import os
import stat
import struct
import threading
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

_LOOKUP, _FORGET, _GETATTR, _OPEN, _READ, _STATFS, _RELEASE = 1, 2, 3, 14, 15, 17, 18
_FLUSH, _INIT, _OPENDIR, _READDIR, _RELEASEDIR, _INTERRUPT, _BATCH_FORGET = (
    *(25, 26, 27, 28, 29),
    *(36, 42),
)
_HEADER = struct.Struct("<IIQQIIII")
_ROOT = 1
_READ_ONLY, _DETACH = 1, 2  # MS_RDONLY; MNT_DETACH
_KEEPS_NOTHING = 1  # FOPEN_DIRECT_IO: every read comes here


class BrokenDisk:
    """The files of a folder, some of which are broken.

    Parameters
    ----------
    folder : Path
        What is shown.
    broken_from : dict of str to int
        First byte that cannot be read, by name; may be changed at any time.
    """

    def __init__(self, folder: Path, broken_from: dict[str, int]) -> None:
        self._folder, self.broken_from = folder, broken_from
        self._names = ["", *sorted(os.listdir(folder))]
        self._device = os.open("/dev/fuse", os.O_RDWR | os.O_CLOEXEC)
        self._answers = {
            _LOOKUP: self._lookup,
            _GETATTR: self._getattr,
            _OPEN: self._open,
            _OPENDIR: self._open,
            _READ: self._read,
            _READDIR: self._readdir,
            _STATFS: lambda node, body: struct.pack("<QQQQQIIIIQQQ", *[0] * 12),
            _INIT: self._init,
        }

    def mount(self, place: Path) -> None:
        """Show it, and answer until it is taken away.

        Raises
        ------
        OSError
            This user may not mount.
        """
        said = f"fd={self._device},rootmode=40000,user_id={os.getuid()},group_id={os.getgid()}"
        libc = ctypes.CDLL(None, use_errno=True)
        words = (b"flashpan-broken", os.fsencode(place), b"fuse", _READ_ONLY, said.encode())
        if libc.mount(*words[:3], ctypes.c_ulong(words[3]), words[4]):
            number = ctypes.get_errno()
            os.close(self._device)
            raise OSError(number, os.strerror(number), str(place))
        threading.Thread(target=self._serve, daemon=True).start()

    def _serve(self) -> None:
        with suppress(OSError):  # it was taken away
            while True:
                self._answer(os.read(self._device, 1 << 18))

    def _answer(self, request: bytes) -> None:
        _, what, unique, node, *_ = _HEADER.unpack_from(request)
        if what in (_FORGET, _BATCH_FORGET, _INTERRUPT):
            return
        number, content = 0, b""
        if what not in (_FLUSH, _RELEASE, _RELEASEDIR):
            answer = self._answers.get(what)
            try:
                if answer is None:
                    raise OSError(errno.ENOSYS, "")
                content = answer(node, request[_HEADER.size :])
            except OSError as error:
                number = error.errno or errno.EIO
        os.write(self._device, struct.pack("<IiQ", 16 + len(content), -number, unique) + content)

    def _init(self, node: int, body: bytes) -> bytes:
        return struct.pack("<IIIIHHIIHH8I", 7, 31, 1 << 16, 0, 16, 8, 1 << 16, 1, 32, 0, *[0] * 8)

    def _lookup(self, node: int, body: bytes) -> bytes:
        name = os.fsdecode(body.split(b"\0")[0])
        if name not in self._names[1:]:
            raise OSError(errno.ENOENT, "")
        found = self._names.index(name) + _ROOT
        return struct.pack("<QQQQII", found, 0, 1, 1, 0, 0) + self._attributes(found)

    def _getattr(self, node: int, body: bytes) -> bytes:
        return struct.pack("<QII", 1, 0, 0) + self._attributes(node)

    def _attributes(self, node: int) -> bytes:
        real = os.stat(self._path(node))
        mode = stat.S_IFDIR | 0o755 if node == _ROOT else stat.S_IFREG | 0o644
        seconds, rest = divmod(real.st_mtime_ns, 1_000_000_000)
        whole = (node, real.st_size, (real.st_size + 511) // 512, *[seconds] * 3)
        return struct.pack(
            "<6Q10I", *whole, *[rest] * 3, mode, 1, os.getuid(), os.getgid(), 0, 4096, 0
        )

    def _path(self, node: int) -> Path:
        return self._folder / self._names[node - _ROOT]

    def _open(self, node: int, body: bytes) -> bytes:
        return struct.pack("<QII", 0, 0 if node == _ROOT else _KEEPS_NOTHING, 0)

    def _read(self, node: int, body: bytes) -> bytes:
        _, offset, n_bytes = struct.unpack_from("<QQI", body)
        stop = self.broken_from.get(self._names[node - _ROOT])
        if stop is not None and offset + n_bytes > stop:
            if offset >= stop:
                raise OSError(errno.EIO, "")
            n_bytes = stop - offset
        with self._path(node).open("rb") as file:
            file.seek(offset)
            return file.read(n_bytes)

    def _readdir(self, node: int, body: bytes) -> bytes:
        _, offset, n_bytes = struct.unpack_from("<QQI", body)
        parts = b""
        for number in range(offset + 1, len(self._names)):
            name = os.fsencode(self._names[number])
            entry = struct.pack("<QQII", number + _ROOT, number, len(name), 8) + name
            entry += bytes(-len(entry) % 8)
            if len(parts) + len(entry) > n_bytes:
                break
            parts += entry
        return parts


@contextmanager
def broken_disk(folder: Path, place: Path, broken_from: dict[str, int]) -> Iterator[BrokenDisk]:
    """Show a folder's files at an empty folder while the block lasts.

    Raises
    ------
    OSError
        This user may not mount.
    """
    disk = BrokenDisk(folder, broken_from)
    disk.mount(place)
    try:
        yield disk
    finally:
        ctypes.CDLL(None).umount2(os.fsencode(place), _DETACH)
