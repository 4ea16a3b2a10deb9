"""What a range may go out as beside its clip: numbered pictures, a viewing copy, a preview."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Collection, Iterator
from dataclasses import dataclass, replace
from enum import StrEnum
from functools import partial
from itertools import islice
from pathlib import Path
from typing import Any

import av
from PIL import Image

import flashpan
from flashpan.atomic import new_file
from flashpan.cut.base import Clip, Cut, facts
from flashpan.cut.engine import size_of
from flashpan.cut.native import NativePicture, of_video_frames
from flashpan.cut.pictures import (
    PictureForm,
    StoredPictures,
    pictures_need,
    require_room_for_bits,
    store_pictures,
)
from flashpan.cut.preview import write_preview
from flashpan.cut.remux import frame_timecode
from flashpan.cut.sidecar import SCHEMA, read_sidecar, take_facts, write_beside
from flashpan.cut.source import pictures_of
from flashpan.cut.space import Need, raw_need
from flashpan.cut.there import is_same_take
from flashpan.cut.tone import FULL, Tone, stretched
from flashpan.cut.viewing import VIEWING_SUFFIX, viewing_need, write_viewing_copy
from flashpan.errors import ClipDiffers
from flashpan.model import TakeInfo
from flashpan.ranges import inclusive
from flashpan.readers.open import open_take
from flashpan.readers.packets import PacketTable, pictures_from

_LOOKED_AT = 16
"""Frames, spread over a range, whose levels a stretched tone is chosen for."""
_PREVIEW_FRAMES, _PREVIEW_ROWS, _PREVIEW_COLS = 60, 640, 480

Pictures = Callable[..., Iterator[NativePicture]]
"""Gives a range's pictures anew at every call; with ``luma_only`` as `of_video_frames` does."""


class Form(StrEnum):
    """What a range may go out as beside its clip.

    Attributes
    ----------
    TIFF16, LUMA16, PNG8, PNG16, DPX10, DPX12, DPX16
        A folder of numbered pictures, see `flashpan.cut.pictures.PictureForm`.
    VIEW
        A viewing copy: H.264 in MP4 at the playback rate.
    GIF, WEBP
        A small moving preview.
    """

    TIFF16 = "tiff16"
    LUMA16 = "luma16"
    PNG8 = "png8"
    PNG16 = "png16"
    DPX10 = "dpx10"
    DPX12 = "dpx12"
    DPX16 = "dpx16"
    VIEW = "view"
    GIF = "gif"
    WEBP = "webp"

    @property
    def pictures(self) -> PictureForm | None:
        """The form of numbered pictures that this is, if it is one."""
        return PictureForm(self.value) if self not in _MOVING else None

    def beside(self, clip: Path) -> Path:
        """Where it goes, by the clip's name without extension."""
        ends = {"view": f"_view{VIEWING_SUFFIX}", "gif": "_preview.gif", "webp": "_preview.webp"}
        return clip.with_name(clip.name + ends.get(self, f"_{self}"))


_MOVING = frozenset({Form.VIEW, Form.GIF, Form.WEBP})


@dataclass(frozen=True, slots=True, kw_only=True)
class Look:
    """How viewing copies and previews show the take.

    Attributes
    ----------
    burn_in : bool
        Put frame number, real time and playback time below the picture.
    stretch : bool
        Show the part of the tone range that the range of frames uses, instead of all of it.
    """

    burn_in: bool = True
    stretch: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Copy:
    """The report of one such copy under its final name.

    Attributes
    ----------
    path : Path
        A file, or a folder of pictures.
    form : Form
    first, last : int
        Frames of the take, inclusive.
    n_frames, n_bytes : int
        Pictures in it, and its size.
    proof : str
        What was proved: ``bit for bit``, ``as computed`` (pictures whose RGB was computed from
        YUV), ``frames counted`` (what is coded with loss), or nothing.
    """

    path: Path
    form: Form
    first: int
    last: int
    n_frames: int
    n_bytes: int
    proof: str


def source_pictures(cut: Cut, table: PacketTable | None) -> Pictures:
    """Where the pictures of a range come from.

    Parameters
    ----------
    cut : Cut
        The range; not of a pipe.
    table : PacketTable or None
        Of a video, so that decoding begins near the range.
    """
    first, last = inclusive(cut.span)
    if table is None:
        return partial(pictures_of, cut.take, first, last, cut.raw)
    timecode_of = frame_timecode(cut)

    def pictures(*, luma_only: bool = False) -> Iterator[NativePicture]:
        decoded = islice(pictures_from(table, first), cut.n_frames)
        for picture in of_video_frames(decoded, first, last, cut.take.codec, luma_only=luma_only):
            yield replace(picture, timecode=timecode_of(picture.index))

    return pictures


def clip_pictures(clip: Clip) -> Pictures:
    """The pictures of a clip, numbered as in the take: those of a pipe are nowhere else."""
    raw = read_sidecar(clip.path).get("raw")
    with open_take(clip.path, raw=raw) as reader:
        info = reader.info

    def pictures(*, luma_only: bool = False) -> Iterator[NativePicture]:
        for picture in pictures_of(info, 0, clip.n_frames - 1, raw, luma_only=luma_only):
            yield replace(picture, index=picture.index + clip.first)

    return pictures


def write_copy(form: Form, cut: Cut, pictures: Pictures, keep: Collection[int], look: Look) -> Copy:
    """Write one copy of a range, prove what can be proved, and give it its name.

    Parameters
    ----------
    form : Form
        What to write.
    cut : Cut
        The range, and whether to overwrite and to verify.
    pictures : callable
        See `Pictures`.
    keep : collection of int
        Frames that a preview should show: onsets and peaks.
    look : Look
        For what is looked at.

    Raises
    ------
    TakeError
        It is there already, cannot be written, or is not what it should be.
    UsageError
        The form has fewer bits than the take.
    """
    if form.pictures is not None:
        return _write_pictures(form, form.pictures, cut, pictures)
    path = form.beside(cut.target)
    with new_file(path, overwrite=cut.overwrite) as part:
        n_frames = _write_moving(form, cut, pictures, keep, look, part)
        proof = _counted(cut, path, part, n_frames) if cut.verify else ""
        copy = _report(form, cut, path, part, n_frames, proof)
        _describe(cut, copy, part, look)
    return copy


def copy_there(form: Form, cut: Cut, look: Look) -> Copy | None:
    """The copy of an earlier run, if it is what would be written and its bytes are as they were."""
    path = form.beside(cut.target)
    said = read_sidecar(path)
    wanted = {"form": form, "proof": said.get("proof"), **_wishes(form, look), **_span(cut)}
    if not said or not path.exists() or any(said.get(k) != v for k, v in wanted.items()):
        return None
    if not is_same_take(cut.take, said) or (cut.verify and not said["proof"]):
        return None
    if said.get("files_sha256") != _files_sha256(path):
        return None
    return _report(form, cut, path, path, said["frames"], said["proof"])


def copy_need(form: Form, take: TakeInfo, n_frames: int, look: Look) -> Need:
    """What a copy takes on disk at most."""
    if form is Form.VIEW:
        return viewing_need(n_frames, take.shape, look.burn_in)
    if form.pictures is not None:
        return pictures_need(n_frames, take.shape, 3, form.pictures)
    return raw_need(min(n_frames, _PREVIEW_FRAMES), 3 * _PREVIEW_ROWS * _PREVIEW_COLS)


def require_forms_fit(forms: Collection[Form], take: TakeInfo) -> None:
    """Refuse, before anything is written, forms that would lose bits of this take."""
    for form in forms:
        if form.pictures is not None:
            require_room_for_bits(form.pictures, take.bit_depth, take.path)


def _write_pictures(form: Form, kind: PictureForm, cut: Cut, pictures: Pictures) -> Copy:
    path = form.beside(cut.target)
    made: list[Copy] = []

    def describe(part: Path, stored: StoredPictures) -> None:
        proof = ("bit for bit" if stored.is_native else "as computed") if cut.verify else ""
        made.append(_report(form, cut, path, part, len(stored.frames), proof))
        _describe(cut, made[0], part, Look())

    store_pictures(
        pictures(luma_only=kind.luma_only),
        path,
        cut.target.name,
        kind,
        cut.take,
        cut.n_frames,
        overwrite=cut.overwrite,
        verify=cut.verify,
        describe=describe,
    )
    return made[0]


def _write_moving(
    form: Form, cut: Cut, pictures: Pictures, keep: Collection[int], look: Look, part: Path
) -> int:
    span = inclusive(cut.span)
    tone = _tone(cut, pictures, keep) if look.stretch else FULL
    if form is Form.VIEW:
        viewing = write_viewing_copy(
            pictures(), part, cut.take, span, tone=tone, burn_in=look.burn_in
        )
        return viewing.n_frames
    preview = write_preview(
        pictures(), part, cut.take, span, keep=keep, tone=tone, burn_in=look.burn_in
    )
    return len(preview.frames)


def _tone(cut: Cut, pictures: Pictures, keep: Collection[int]) -> Tone:
    step = max(1, cut.n_frames // _LOOKED_AT)
    looked_at = {*range(cut.span.start, cut.span.stop, step), *keep}
    return stretched(picture for picture in pictures() if picture.index in looked_at)


def _counted(cut: Cut, path: Path, part: Path, n_frames: int) -> str:
    found = _count(part)
    if found != n_frames:
        raise ClipDiffers(
            f"{cut.take.path}: of {path.name} {found} frames decode instead of {n_frames};"
            " write it again"
        )
    return "frames counted"


def _count(path: Path) -> int:
    if path.suffix == VIEWING_SUFFIX:
        with av.open(str(path)) as container:
            return sum(1 for _ in container.decode(video=0))
    with Image.open(path) as image:
        n_frames: int = getattr(image, "n_frames", 1)
        image.seek(n_frames - 1)
        return n_frames


def _report(form: Form, cut: Cut, path: Path, at: Path, n_frames: int, proof: str) -> Copy:
    first, last = inclusive(cut.span)
    return Copy(
        path=path,
        form=form,
        first=first,
        last=last,
        n_frames=n_frames,
        n_bytes=size_of(at),
        proof=proof,
    )


def _describe(cut: Cut, copy: Copy, part: Path, look: Look) -> None:
    content = {
        "flashpan": flashpan.__version__,
        "schema": SCHEMA,
        "clip": copy.path.name,
        "form": copy.form,
        **facts(cut),
        **_wishes(copy.form, look),
        "frames": copy.n_frames,
        "bytes": copy.n_bytes,
        "proof": copy.proof,
        "take": take_facts(cut),
        "files_sha256": _files_sha256(part),
    }
    write_beside(copy.path, content, overwrite=cut.overwrite)


def _wishes(form: Form, look: Look) -> dict[str, Any]:
    if form.pictures is not None:
        return {}
    return {"burn_in": look.burn_in, "stretch": look.stretch}


def _span(cut: Cut) -> dict[str, int]:
    first, last = inclusive(cut.span)
    return {"first": first, "last": last}


def _files_sha256(path: Path) -> str:
    """SHA-256 of a file's bytes; of a folder, of the names and hashes of its files."""
    if not path.is_dir():
        with path.open("rb") as file:
            return hashlib.file_digest(file, "sha256").hexdigest()
    digest = hashlib.sha256()
    for one in sorted(path.iterdir()):
        digest.update(f"{one.name}\0{_files_sha256(one)}\n".encode())
    return digest.hexdigest()
