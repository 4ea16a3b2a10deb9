"""Which take it is, whatever it is called and wherever it lies.

A take is known by its size, by the time it was last written and by a hash of its head and tail.
One that was renamed or moved has all three as before.  One whose time is another may have been
changed where no hash looked, and is another take.
"""

from __future__ import annotations

from dataclasses import dataclass

from flashpan.errors import UnreadableTake
from flashpan.fingerprint import fingerprint_of
from flashpan.night.found import Found, stamp

TIME_STEP_NS = 2_000_000_000
"""Times nearer than this are one: the file system of most cards counts in steps of two seconds,
so that a copy on another disk may lose that much."""

UNKNOWN_TIME_NS = 0
"""Of a take that is known from its log alone, until it is seen again."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Identity:
    """What a take is known by.

    Attributes
    ----------
    bytes, n_files : int
        Of the file, or of all stills together.
    mtime_ns : int
        When the latest of them was last written.
    digest : str
        SHA-256 of head and tail, as `flashpan.fingerprint` takes it.
    """

    bytes: int
    n_files: int
    mtime_ns: int
    digest: str

    def is_same(self, other: Identity) -> bool:
        """Whether it is the same take."""
        return self.has_bytes_of(other) and abs(self.mtime_ns - other.mtime_ns) <= TIME_STEP_NS

    def has_bytes_of(self, other: Identity) -> bool:
        """Whether size, head and tail are the same, whenever they were written."""
        return (self.bytes, self.n_files, self.digest) == (other.bytes, other.n_files, other.digest)


def identity_of(found: Found) -> Identity:
    """Read head and tail of a take, and say which one it is.

    Raises
    ------
    UnreadableTake
        It cannot be read now, or changes while it is looked at.
    """
    fingerprint = fingerprint_of(found.path)
    now = stamp(found.path)
    if fingerprint is None or now is None:
        raise UnreadableTake(f"{found.path}: cannot be read now; check the disk and run again")
    if now != (found.bytes, found.n_files, found.mtime_ns) or fingerprint.size_bytes != now[0]:
        raise UnreadableTake(
            f"{found.path}: changed while it was looked at; run again when it has arrived whole"
        )
    return Identity(
        bytes=found.bytes,
        n_files=found.n_files,
        mtime_ns=found.mtime_ns,
        digest=fingerprint.digest,
    )
