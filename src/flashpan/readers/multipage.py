"""A TIFF or BigTIFF file of one or many pages as a take.

Pages are reached through the chain of directories.  Some writers put all pixels first and
the directories last, or write one directory for a whole stack; where the chain ends early
and the first page states how many pictures follow, the rest is read by position.
"""

from __future__ import annotations

import json
from itertools import islice
from math import prod
from pathlib import Path
from typing import Any, ClassVar, cast

import numpy as np
import numpy.typing as npt
import tifffile

from flashpan.errors import UnreadableTake
from flashpan.model import Frame
from flashpan.readers.base import Source
from flashpan.readers.blocks import read_block, sealed
from flashpan.readers.picture import BadPicture, Picture, alike, reason_of, size_text
from flashpan.readers.stills import lone_still_warning
from flashpan.readers.streamed import EndOfTake, IndexedReader, describe
from flashpan.readers.tiff import interpreted, page_picture

_MARKS = (b"II*\0", b"MM\0*", b"II+\0", b"MM\0+")
_NAMED_DAMAGES = 20


class MultiPageReader(IndexedReader):
    """Pages of one TIFF file as frames; reduced-size pages (thumbnails) are passed over.

    A page that does not decode is left out and keeps its index; a file that is cut short
    is read up to the cut.

    Attributes
    ----------
    page_bytes : int
        What the samples of the first page that can be read weigh, uncompressed.

    Raises
    ------
    UnreadableTake
        Its first page cannot be read.
    """

    name: ClassVar[str] = "multipage"
    priority: ClassVar[int] = 40

    @classmethod
    def accepts(cls, source: Source) -> bool:
        """For a TIFF file, by its leading bytes or, if damaged, its name."""
        path = Path(source.path)
        if not path.is_file() or path.suffix.lower() == ".dng":
            return False
        with path.open("rb") as file:
            return file.read(4) in _MARKS or path.suffix.lower() in (".tif", ".tiff")

    def __init__(self, source: Source) -> None:
        try:
            self._tiff = tifffile.TiffFile(source.path)
        except OSError:
            raise
        except Exception as error:  # a damaged header raises whatever it pleases
            is_empty = not Path(source.path).stat().st_size
            reason = "the file is empty" if is_empty else reason_of(error)
            raise UnreadableTake(f"{source.path}: {reason}; copy the file anew") from None
        self._full_size: list[int] = []  # chain positions of the pages that are frames
        self._scanned = 0
        self._broken = False
        self._damaged: set[int] = set()
        self._like = self._first(source.path)
        self._declared = _declared_pictures(self._tiff)
        self.info = describe(
            source,
            name=Path(source.path).stem,
            shape=self._like.luma.shape,
            bit_depth=self._like.bit_depth,
            declared_frames=self._declared or None,
            codec=self._like.codec,
            container="tiff",
            pixel_format=self._like.pixel_format,
            warnings=() if self.holds_several() else lone_still_warning(source.path),
        )

    def holds_several(self) -> bool:
        """Whether there is more than one page."""
        return self._declared > 1 or self._reaches(1)

    def _first(self, path: str) -> Picture:
        """Decode the first page that can be read."""
        reason = "no picture in it"
        index = 0
        while self._reaches(index):
            try:
                picture = page_picture(self._page(index))
                self.page_bytes = int(self._page(index).nbytes)
                return picture
            except BadPicture as error:
                reason = str(error)
            index += 1
        self.close()
        raise UnreadableTake(f"{path}: no page can be read ({reason}); copy the file anew")

    def _reaches(self, index: int) -> bool:
        """Follow the chain of directories as far as frame ``index``."""
        while len(self._full_size) <= index and not self._broken:
            try:
                page = self._tiff.pages[self._scanned]
            except IndexError:
                return False
            except Exception:
                self._broken = True  # a directory that runs past the cut, or makes no sense
                return False
            if isinstance(page, tifffile.TiffPage) and not page.is_reduced:
                self._full_size.append(self._scanned)
            self._scanned += 1
        return index < len(self._full_size)

    def _page(self, index: int) -> tifffile.TiffPage:
        return cast(tifffile.TiffPage, self._tiff.pages[self._full_size[index]])

    def _fetch(self, index: int) -> Frame | None:
        try:
            picture = self._picture(index)
        except BadPicture as error:
            self._leave_out(index, str(error))
            return None
        self.bytes_read += picture.n_bytes
        if not alike(picture, self._like):
            raise EndOfTake(
                f"ends before page {index}, which is {size_text(picture)} and not "
                f"{size_text(self._like)}"
            )
        return Frame(index=index, luma=sealed(picture.luma))

    def _leave_out(self, index: int, reason: str) -> None:
        self._damaged.add(index)
        if len(self._damaged) <= _NAMED_DAMAGES:
            self._warn(f"page {index} cannot be read ({reason}): frame {index} is left out")
        else:
            self._warn(f"more than {_NAMED_DAMAGES} pages cannot be read and are left out")

    def _picture(self, index: int) -> Picture:
        if self._reaches(index):
            return page_picture(self._page(index))
        try:
            samples, page = self._samples_by_position(index), self._page(0)
            return interpreted(samples, page, samples.nbytes)
        except (BadPicture, EndOfTake):
            raise
        except Exception as error:  # tags of a wrong type raise whatever they please
            raise EndOfTake(f"damaged after {index} frames ({reason_of(error)})") from error

    def _is_one_block(self) -> bool:
        """Whether the pages reached lie back to back, uncompressed, from the first one on."""
        first, last = self._page(0), self._page(len(self._full_size) - 1)
        span = (len(self._full_size) - 1) * first.nbytes
        return bool(
            first.is_contiguous
            and last.is_contiguous
            and last.dataoffsets[0] - first.dataoffsets[0] == span
        )

    def stored(self, index: int) -> tuple[npt.NDArray[Any], tifffile.TiffPage]:
        """Samples of one frame as the file holds them, and the page that describes them.

        Raises
        ------
        BadPicture
            The page is damaged.
        EndOfTake
            There is no such frame.
        """
        if not self._reaches(index):
            return self._samples_by_position(index), self._page(0)
        page = self._page(index)
        page_picture(page)  # says in one line what is wrong with it
        return page.asarray(), page

    def _samples_by_position(self, index: int) -> npt.NDArray[Any]:
        """Samples of a frame that the chain of directories does not reach."""
        if index >= self._declared or not self._is_one_block():
            if index < self._declared or self._chain_is_broken():
                raise EndOfTake(f"cut short after {index} frames; what is there is used")
            raise EndOfTake
        page = self._page(0)
        file = self._tiff.filehandle
        file.seek(page.dataoffsets[0] + index * page.nbytes)
        data = read_block(file, page.nbytes)
        if len(data) < page.nbytes:
            raise EndOfTake(f"cut short after {index} of {self._declared} frames")
        stored = np.dtype(page.dtype).newbyteorder(self._tiff.byteorder)
        samples: npt.NDArray[Any] = data.view(stored).reshape(page.shape)
        return samples

    def _chain_is_broken(self) -> bool:
        """Whether the last directory points to another that is not there."""
        if self._broken:
            return True
        at, size = self._tiff.pages.next_page_offset, self._tiff.tiff.offsetsize
        if at is None:
            return False
        self._tiff.filehandle.seek(at)
        pointer = self._tiff.filehandle.read(size)
        return len(pointer) < size or any(pointer)

    def close(self) -> None:
        """Close the file."""
        self._tiff.close()


def has_several_pages(path: str) -> bool:
    """Whether a file is a TIFF of several pictures; False also where it cannot be read.

    Only its directories are read and nothing is decoded, so that no decoder can fail of it.
    """
    try:
        if not MultiPageReader.accepts(Source(path=path)):
            return False
        with tifffile.TiffFile(path) as tiff:
            return _declared_pictures(tiff) > 1 or len(_first_full_size(tiff, 2)) > 1
    except Exception:  # a damaged header raises whatever it pleases
        return False


def _first_full_size(tiff: tifffile.TiffFile, n_pages: int) -> list[tifffile.TiffPage]:
    """The first pages that are no thumbnails, so many at most."""
    pages = (page for page in tiff.pages if isinstance(page, tifffile.TiffPage))
    return list(islice((page for page in pages if not page.is_reduced), n_pages))


def _declared_pictures(tiff: tifffile.TiffFile) -> int:
    """Return how many pictures the first page says there are; 0 where it does not."""
    first = tiff.pages.first
    try:
        if tiff.is_imagej and tiff.imagej_metadata:
            declared = int(tiff.imagej_metadata.get("images", 0))
        else:
            shape = json.loads(first.shaped_description or "{}").get("shape", [])
            declared = prod(map(int, shape)) // prod(first.shape) if shape else 0
    except Exception:  # texts of any kind may stand where these are looked for
        return 0
    return max(declared, 0)
