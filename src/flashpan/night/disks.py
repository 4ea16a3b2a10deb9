"""What sort of disk a folder is on."""

from __future__ import annotations

import os
import re

_MOUNTS = "/proc/self/mountinfo"
# File systems that several machines may share: SQLite's write-ahead log needs memory that all
# of its readers share, and its authors advise against it there ("Write-Ahead Logging", section
# "Overview", sqlite documentation; from memory).
_NETWORK = frozenset(
    {
        *("9p", "afs", "beegfs", "ceph", "cifs", "fuse.ceph", "fuse.glusterfs", "fuse.rclone"),
        *("fuse.s3fs", "fuse.sshfs", "gfs2", "gpfs", "lustre", "ncpfs", "nfs", "nfs4", "ocfs2"),
        *("orangefs", "smb3", "smbfs", "virtiofs"),
    }
)
_OCTAL = re.compile(r"\\([0-7]{3})")


def is_on_network(folder: str | os.PathLike[str], mounts: str = _MOUNTS) -> bool:
    """Whether a folder is on a file system that other machines may be at as well.

    Parameters
    ----------
    folder : path-like
    mounts : str
        Table of mounts in the form of ``/proc/self/mountinfo`` (proc(5)); where there is
        none, nothing is known and the answer is no.
    """
    return file_system_of(folder, mounts) in _NETWORK


def file_system_of(folder: str | os.PathLike[str], mounts: str = _MOUNTS) -> str:
    """Type of the file system that a folder is on; empty where that is not known."""
    try:
        with open(mounts, encoding="utf-8", errors="surrogateescape") as table:
            rows = [_row(line) for line in table]
    except OSError:
        return ""
    where = os.path.realpath(folder)
    above = [(len(point), kind) for point, kind in rows if _holds(point, where)]
    longest = max((length for length, _ in above), default=0)
    # of several mounts on one point, the last one is on top
    return next((kind for length, kind in reversed(above) if length == longest), "")


def _row(line: str) -> tuple[str, str]:
    """Mount point and type of a line of the table."""
    fields, _, more = line.partition(" - ")
    point = _OCTAL.sub(lambda match: chr(int(match[1], 8)), fields.split(" ")[4])
    return point, more.split(" ")[0]


def _holds(point: str, path: str) -> bool:
    return path == point or path.startswith(point.rstrip("/") + "/")
