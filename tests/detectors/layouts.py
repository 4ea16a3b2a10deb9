"""Grids of tiles with and without holes, and what loops over tiles find in them."""

import numpy as np

from flashpan.detectors.places import BLOCK
from flashpan.model import Region

# Rows and columns of pixels, and what is ignored: whole tiles, tiles in part, a corner.
LAYOUTS = {
    "all": ((96, 132), ()),
    "holes": ((100, 130), (Region(12, 24, 24, 36), Region(60, 0, 40, 17), Region(90, 120, 6, 7))),
    "half": ((84, 120), (Region(0, 0, 84, 60),)),
    "block": ((96, 132), (Region(48, 48, 48, 48),)),  # a block of which nothing is left
    "few": ((36, 36), (Region(0, 0, 12, 12),)),
    "row": ((12, 120), ()),
    "one": ((12, 12), ()),
}


def counted(grid):
    """Cells of the tiles that are places, in order."""
    return [cell for cell in np.ndindex(grid.shape) if grid.n_px[cell]]


def boxes(grid):
    """Tiles of every place, in order, as loops would find them: ``top, left, bottom, right``."""
    rows, cols = grid.shape
    tiles = [(r, c, r + 1, c + 1) for r in range(rows) for c in range(cols)]
    blocks = [
        (r, c, min(r + BLOCK, rows), min(c + BLOCK, cols))
        for r in range(0, rows, BLOCK)
        for c in range(0, cols, BLOCK)
    ]
    found = tiles + (blocks if 1 < len(blocks) < len(tiles) else [])
    found += [(0, 0, rows, cols)] if len(tiles) > 1 else []
    return [(t, left, b, r) for t, left, b, r in found if grid.n_px[t:b, left:r].sum() > 0]


def as_grid(grid, values):
    """Values of the tiles that are places; 0 elsewhere."""
    found = np.zeros(grid.shape, values.dtype)
    for value, cell in zip(values, counted(grid), strict=False):
        found[cell] = value
    return found
