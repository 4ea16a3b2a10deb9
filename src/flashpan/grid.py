"""Where the tiles lie: the grid that *measure* fills and detectors read.

A tile is about twelve pixels square: small enough that a three-pixel projectile lifts it,
large enough that its mean is twelve times quieter than a pixel.  The grid covers the
smallest rectangle that holds every region of interest; pixels outside the regions, or
inside an ignored one, never enter a sum.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from flashpan.errors import RegionError
from flashpan.model import Region

TILE_PX = 12


@dataclass(frozen=True, slots=True, kw_only=True)
class Grid:
    """Tiles over a part of the picture.

    Attributes
    ----------
    window : Region
        The part of the picture that is measured, in pixels.
    row_edges, col_edges : ndarray of int
        Tile borders inside the window, ``n + 1`` of them, first 0, last its size.
    n_px : ndarray, shape (tile_rows, tile_cols), int64
        Pixels that count in each tile; 0 where all are masked.
    mask : ndarray of uint8, shape of the window, or None
        1 where a pixel counts; ``None`` where all do.
    regions : tuple of Region
        The regions of interest, or the whole picture.
    """

    window: Region
    row_edges: npt.NDArray[np.intp]
    col_edges: npt.NDArray[np.intp]
    n_px: npt.NDArray[np.int64]
    mask: npt.NDArray[np.uint8] | None
    regions: tuple[Region, ...]

    @property
    def shape(self) -> tuple[int, int]:
        """``(tile_rows, tile_cols)``."""
        return len(self.row_edges) - 1, len(self.col_edges) - 1

    def pixels(self, top: int, left: int, bottom: int, right: int) -> Region:
        """Pixels under tiles ``top:bottom, left:right``, in picture coordinates."""
        y0, y1 = int(self.row_edges[top]), int(self.row_edges[bottom])
        x0, x1 = int(self.col_edges[left]), int(self.col_edges[right])
        return Region(self.window.top + y0, self.window.left + x0, y1 - y0, x1 - x0)


def lay_grid(
    shape: tuple[int, int],
    regions: Sequence[Region] = (),
    ignore: Sequence[Region] = (),
    tile_px: int = TILE_PX,
) -> Grid:
    """Lay tiles over a picture.

    Parameters
    ----------
    shape : tuple of int
        ``(rows, cols)`` of the picture.
    regions, ignore : sequence of Region
        Regions of interest (none: the whole picture) and regions masked out.
    tile_px : int
        Tile edge; only the last row and column of tiles differ, to fill the window.

    Raises
    ------
    RegionError
        Nothing is left to look at.
    """
    wanted = tuple(regions) or (Region(0, 0, *shape),)
    window = wanted[0]
    for region in wanted[1:]:
        window = window.union(region)
    mask = _mask(window, wanted, ignore)
    row_edges, col_edges = _edges(window.height, tile_px), _edges(window.width, tile_px)
    n_px = np.add.reduceat(np.add.reduceat(mask.astype(np.int64), row_edges[:-1], axis=0),
                           col_edges[:-1], axis=1)  # fmt: skip
    if not n_px.any():
        raise RegionError("the ignored regions cover all there is to look at; make them smaller")
    return Grid(
        window=window,
        row_edges=row_edges,
        col_edges=col_edges,
        n_px=n_px,
        mask=None if mask.all() else mask,
        regions=wanted,
    )


def _edges(size: int, tile_px: int) -> npt.NDArray[np.intp]:
    """Tiles of one size, so that equal strips can be summed in one go.

    The last one takes the rest: from half a tile to one and a half.
    """
    n_tiles = max(1, round(size / tile_px))
    edges = np.arange(n_tiles + 1, dtype=np.intp) * tile_px
    edges[-1] = size
    return edges


def _mask(
    window: Region, regions: Sequence[Region], ignore: Sequence[Region]
) -> npt.NDArray[np.uint8]:
    mask = np.zeros((window.height, window.width), np.uint8)
    for value, boxes in ((1, regions), (0, ignore)):
        for box in boxes:
            top, left = max(0, box.top - window.top), max(0, box.left - window.left)
            bottom, right = box.bottom - window.top, box.right - window.left
            mask[top : max(0, bottom), left : max(0, right)] = value
    return mask
