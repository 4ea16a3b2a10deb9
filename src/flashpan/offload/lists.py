"""What other programs copy by: a list of files, and a shell script of ``dd`` commands."""

from __future__ import annotations

import os
import shlex
from collections.abc import Collection, Iterator

from flashpan.errors import UsageError
from flashpan.offload.kept import ByteSpan, Flagged, FlaggedTake, Form

# Ends a line of such a list, whatever the system.
_LINE_ENDS = ("\n", "\r")

_HEAD = """#!/bin/sh
# Copies the frames that flashpan flag found worth keeping, out of takes that hold frame after
# frame, and compares every copy with its source. Nothing is overwritten; what is there stays.
# Needs dd and cmp as GNU has them.    Usage: sh SCRIPT DEST [SOURCE]
set -eu
dest=${1:?give the folder to copy to}
source=${2:-%s}
status=0

# from FIRST BYTES: append bytes of $take to $part
from() {
    dd if="$take" of="$part" bs=4M iflag=skip_bytes,count_bytes,fullblock oflag=append \\
        conv=notrunc status=none skip="$1" count="$2"
    cmp -n "$2" -i "$1:$at" -- "$take" "$part"
    at=$((at + $2))
}

# begin PLACE: a new copy, unless it is there
begin() {
    take=$source/$1 copy=$dest/$1 part=$dest/$1.part at=0
    if [ -e "$copy" ]; then
        printf '%%s exists already: left as it is\\n' "$copy" >&2
        return 1
    fi
    mkdir -p -- "$(dirname -- "$copy")"
    : > "$part"
}

# end BYTES: give the copy its name
end() {
    [ "$(wc -c < "$part")" -eq "$1" ]
    touch -r "$take" -- "$part"
    sync -- "$part"
    mv -n -- "$part" "$copy"
}
"""


def file_list(flagged: Flagged, *, from0: bool = False, without: Collection[str] = ()) -> bytes:
    """Files to copy, one a line, relative to the source: for ``rsync --files-from``.

    Of stills these are the frames to keep; of other takes with anything to keep, their file.
    Each begins with ``./``, so that no name is taken for a comment.

    Parameters
    ----------
    flagged : Flagged
    from0 : bool
        End each name with a zero byte, as ``rsync --from0`` wants it.
    without : collection of str
        Places to leave out, because they are copied otherwise.

    Raises
    ------
    UsageError
        A name holds a line end, and ``from0`` is false.
    """
    names = dict.fromkeys(
        name for one in flagged.takes if one.place not in without for name in _files_of(one)
    )
    if not from0:
        for name in names:
            if any(end in name for end in _LINE_ENDS):
                raise UsageError(f"{name!r}: has a line end in its name; give --from0, too")
    end = b"\0" if from0 else b"\n"
    return b"".join(b"./" + os.fsencode(name) + end for name in names)


def _files_of(one: FlaggedTake) -> Iterator[str]:
    if one.form is Form.FILES:
        yield from (name for part in one.parts for name in part.files)
    elif one.form is not Form.NOTHING:
        yield one.place


def scripted(flagged: Flagged) -> list[FlaggedTake]:
    """The takes that `dd_script` copies."""
    return [one for one in flagged.takes if one.form is Form.BYTES]


def dd_script(flagged: Flagged) -> bytes:
    """A shell script that copies the kept bytes of takes that hold frame after frame.

    The copies are those that `flashpan.flag` makes.
    """
    root = flagged.source if flagged.source.is_dir() else flagged.source.parent
    lines = [_HEAD % _quoted(str(root))]
    for one in scripted(flagged):
        lines += [*_of_take(one), ""]
    lines.append("exit $status\n")
    return os.fsencode("\n".join(lines))


def _of_take(one: FlaggedTake) -> Iterator[str]:
    yield f"if begin {_quoted(one.place)}; then"
    header = one.laid.header
    if header:
        yield f"    printf '{_octal(header)}' >> \"$part\""
        yield f"    at={len(header)}"
    for span in one.laid.around:
        yield _from(span)
    for part in one.parts:
        yield from (f"{_from(span)}  # frames {part.first}-{part.last}" for span in part.spans)
    yield f"    end {len(header) + sum(span.n_bytes for span in one.laid.spans)}"
    yield "else status=3; fi"


def _from(span: ByteSpan) -> str:
    return f"    from {span.first} {span.n_bytes}"


def _quoted(text: str) -> str:
    return shlex.quote(text)


def _octal(data: bytes) -> str:
    """Bytes as ``printf`` of any shell writes them."""
    return "".join(f"\\{byte:03o}" for byte in data)
