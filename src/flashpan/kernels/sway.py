"""What every tile does beside where the camera stands, and how that reference follows it."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from flashpan.kernels.compiled import kernel

Doubles = npt.NDArray[np.float64]
Floats = npt.NDArray[np.float32]
Indices = npt.NDArray[np.intp]

_LEAST_VARIANCE = 1e-12
# Part of all departures that a fit may err by.
_DOUBT = 0.005


@kernel
def departures(
    grids: tuple[Floats, Floats, Floats],
    tiles: Indices,
    n_px: Doubles,
    reference: Doubles,
    before: Doubles,
    power: Doubles,
    now: Doubles,
    terms: Doubles,
    away: Doubles,
    noise: Doubles,
) -> None:
    """How far tiles are from the reference, in their noise, and what may have moved them.

    Parameters
    ----------
    grids : tuple of ndarray, shape (tile_rows * tile_cols,), float32
        Mean of every tile, and its slopes across and down.
    tiles : ndarray of int, shape (n,)
        Those that count.
    n_px, reference, power : ndarray, shape (n,), float64
        Pixels, reference mean, and usual squared difference of those.
    before : ndarray, shape (2, n), float64
        Slopes that the present ones are averaged with.
    now : ndarray, shape (2, n), float64
        Gets the present slopes.
    terms : ndarray, shape (4, n), float64
        Gets, in noise units, what a shift of a pixel across and down, light that is multiplied
        and light that is added do to every tile.
    away, noise : ndarray, shape (n,), float64
        Get the departure, in noise units, and the noise.
    """
    means, across, down = grids
    for i in range(len(tiles)):
        tile = tiles[i]
        now[0, i], now[1, i] = across[tile], down[tile]
        noise[i] = np.sqrt(max(0.5 * power[i] / n_px[i], _LEAST_VARIANCE))
        terms[0, i] = 0.5 * (before[0, i] + now[0, i]) / noise[i]
        terms[1, i] = 0.5 * (before[1, i] + now[1, i]) / noise[i]
        terms[2, i] = reference[i] / noise[i]
        terms[3, i] = 1.0 / noise[i]
        away[i] = (np.float64(means[tile]) - reference[i]) / noise[i]


@kernel
def follow(
    away: Doubles,
    noise: Doubles,
    now: Doubles,
    squares: Floats,
    tiles: Indices,
    reach: float,
    slowness: float,
    is_calm: bool,
    reference: Doubles,
    slopes: Doubles,
    power: Doubles,
) -> None:
    """Let the reference go with the scene, in place, by steps that no event can hurry.

    Parameters
    ----------
    away, noise, reference, power : ndarray, shape (n,), float64
        As for `departures`.
    now, slopes : ndarray, shape (2, n), float64
        Present slopes, and those of the reference.
    squares : ndarray, shape (tile_rows * tile_cols,), float32
        Mean squared difference of every tile.
    tiles : ndarray of int, shape (n,)
        Those that count.
    reach, slowness : float
        Noise units that a tile is followed by at most, and the frames that it takes.
    is_calm : bool
        Whether slopes are followed.
    """
    for i in range(len(tiles)):
        step = min(max(away[i], -reach), reach)
        reference[i] += step * noise[i] / slowness
        square = min(np.float64(squares[tiles[i]]), 4.0 * power[i])
        power[i] += (square - power[i]) / slowness
    if not is_calm:
        return
    for way in range(2):
        for i in range(len(tiles)):
            slopes[way, i] += (now[way, i] - slopes[way, i]) / slowness


@kernel
def without(
    term: Doubles, trust: Doubles, values: Doubles, parts: Indices, sums: Doubles, left: Doubles
) -> None:
    """What is left of values when, part by part, a term has explained what it can.

    Parameters
    ----------
    term, trust, values : ndarray, shape (n,), float64
        Of every tile: the term, the tile's weight, and what is to be explained.
    parts : ndarray of int, shape (n,)
        Part of the picture that the tile lies in.
    sums : ndarray, shape (2, number of parts), float64
        Room for the sums over parts; zeros.
    left : ndarray, shape (n,), float64
        Gets what is left.
    """
    for i in range(len(term)):
        weighted = trust[i] * term[i]
        sums[0, parts[i]] += weighted * term[i]
        sums[1, parts[i]] += weighted * values[i]
    for i in range(len(term)):
        share = sums[1, parts[i]] / max(sums[0, parts[i]], 1e-30)
        left[i] = values[i] - share * term[i]


@kernel
def shift_may_explain(
    terms: Doubles, away: Doubles, ridge: float, least: float, most: float
) -> bool:
    """Whether a shift of the picture may explain more than so much, beyond what light does.

    It is quick and errs on one side: where it says no, that is so.  Sums that are rounded in
    another order differ by less than one part in 10**12, and a solution by some 10**9 times that,
    which is what ``ridge`` leaves of terms that look alike.

    Parameters
    ----------
    terms : ndarray, shape (4, n), float64
        What every tile does for a shift across and down and for light, see `departures`.
    away : ndarray, shape (n,), float64
        Departures, in noise units.
    ridge, least : float
        What the diagonal of the equations is raised by: a part of it, and a number.
    most : float
        Sum of squares, in noise units.
    """
    normal = np.zeros((4, 4))
    right = np.zeros(4)
    total = 0.0
    for i in range(len(away)):
        total += away[i] * away[i]
        for row in range(4):
            # Light comes first, so that what a shift explains is what it explains beyond that.
            one = terms[(row + 2) % 4, i]
            right[row] += one * away[i]
            for col in range(row + 1):
                normal[row, col] += one * terms[(col + 2) % 4, i]
    for row in range(4):
        normal[row, row] = normal[row, row] * (1.0 + ridge) + least
    gain = 0.0
    for done in range(4):
        if done >= 2:
            gain += right[done] * right[done] / normal[done, done]
        for row in range(done + 1, 4):
            share = normal[row, done] / normal[done, done]
            right[row] -= share * right[done]
            for col in range(done + 1, row + 1):
                normal[row, col] -= share * normal[col, done]
    return gain + _DOUBT * total > most
