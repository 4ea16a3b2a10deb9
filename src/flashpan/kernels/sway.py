"""What every tile does beside where the camera stands, and how that reference follows it."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from flashpan.kernels.compiled import kernel, part

Doubles = npt.NDArray[np.float64]
Floats = npt.NDArray[np.float32]
Indices = npt.NDArray[np.intp]

_LEAST_VARIANCE = 1e-12
NO, UNSURE, YES = range(3)
"""What `shift_explains` says."""
# Part of all departures that a fit may err by, at most, and where its terms are not alike.
_DOUBT, _ROUNDING = 0.005, 1e-10


@kernel
def departures(
    means: Floats,
    across: Floats,
    down: Floats,
    tiles: Indices,
    n_px: Doubles,
    reference: Doubles,
    before: Doubles,
    power: Doubles,
    now: Doubles,
    terms: Doubles,
    away: Doubles,
    noise: Doubles,
    reach: float,
) -> int:
    """How far tiles are from the reference, in their noise, and what may have moved them.

    Parameters
    ----------
    means, across, down : ndarray, shape (tile_rows * tile_cols,), float32
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
    reach : float
        Noise units.

    Returns
    -------
    int
        Tiles whose departure is less than ``reach``.
    """
    for i in range(len(tiles)):
        tile = tiles[i]
        now[0, i], now[1, i] = across[tile], down[tile]
        noise[i] = np.sqrt(max(0.5 * power[i] / n_px[i], _LEAST_VARIANCE))
        terms[0, i] = 0.5 * (before[0, i] + now[0, i]) / noise[i]
        terms[1, i] = 0.5 * (before[1, i] + now[1, i]) / noise[i]
        terms[2, i] = reference[i] / noise[i]
        terms[3, i] = 1.0 / noise[i]
        away[i] = (np.float64(means[tile]) - reference[i]) / noise[i]
    n_within = 0
    for i in range(len(tiles)):
        n_within += abs(away[i]) < reach
    return n_within


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
    _without(term, trust, values, parts, sums, left)


@part
def _without(
    term: Doubles, trust: Doubles, values: Doubles, parts: Indices, sums: Doubles, left: Doubles
) -> None:
    for i in range(len(term)):
        weighted = trust[i] * term[i]
        sums[0, parts[i]] += weighted * term[i]
        sums[1, parts[i]] += weighted * values[i]
    for i in range(len(term)):
        share = sums[1, parts[i]] / max(sums[0, parts[i]], 1e-30)
        left[i] = values[i] - share * term[i]


@kernel
def shift_explains(terms: Doubles, away: Doubles, ridge: float, least: float, most: float) -> int:
    """Whether a shift of the picture explains more than so much, beyond what light does.

    Sums that are rounded in another order differ by less than one part in 10**12, and a solution
    by as much over what the terms have that is their own (`_eliminate`), for which ``ridge`` leaves
    10**-9 of terms that are alike.  Where that might matter, this is not sure.

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

    Returns
    -------
    int
        `NO`, `UNSURE` or `YES`.
    """
    normal, right = np.empty((4, 4)), np.empty(4)
    # Light comes first, so that what a shift explains is what it explains beyond that.
    _equations(terms, terms, away, 2, normal, right)
    own = _eliminate(normal, right, ridge, least)
    gain = right[2] * right[2] / normal[2, 2] + right[3] * right[3] / normal[3, 3]
    doubt = min(_DOUBT, _ROUNDING / own) * _dot(away, away)
    if gain + doubt > most:
        return YES if gain - doubt > most else UNSURE
    return NO


@kernel
def fit(
    terms: Doubles,
    away: Doubles,
    reach: float,
    ridge: float,
    least: float,
    trust: Doubles,
    found: Doubles,
    rest: Doubles,
) -> float:
    """Fit terms to what tiles do, each trusted by how well the last fit had it; quick, and rounded
    in an order of its own.

    Parameters
    ----------
    terms : ndarray, shape (4, n), float64
    away : ndarray, shape (n,), float64
        What is to be fitted, in noise units.
    reach : float
        Noise units within which a tile is trusted in full; infinite at first.
    ridge, least : float
        As for `shift_explains`.
    trust : ndarray, shape (n,), float64
        Gets every tile's weight.
    found : ndarray, shape (4,), float64
        Gets the weights of the terms.
    rest : ndarray, shape (n,), float64
        Holds what the last fit left, and gets what this one leaves.

    Returns
    -------
    float
        What the terms have that is their own, see `_eliminate`.
    """
    _trust_by(rest, reach, trust)
    weighted = np.empty_like(terms)
    for row in range(4):
        for i in range(len(away)):
            weighted[row, i] = trust[i] * terms[row, i]
    normal, right = np.empty((4, 4)), np.empty(4)
    _equations(weighted, terms, away, 0, normal, right)
    own = _eliminate(normal, right, ridge, least)
    for row in range(3, -1, -1):
        found[row] = right[row]
        for col in range(row + 1, 4):
            found[row] -= normal[col, row] * found[col]
        found[row] /= normal[row, row]
    for i in range(len(away)):
        told = found[0] * terms[0, i] + found[1] * terms[1, i]
        rest[i] = abs(away[i] - told - found[2] * terms[2, i] - found[3] * terms[3, i])
    return own


@part
def _trust_by(rest: Doubles, reach: float, trust: Doubles) -> None:
    """How far tiles are trusted that a fit leaves so much of."""
    for i in range(len(rest)):
        within = min(1.0, reach / max(rest[i], 1e-12))
        trust[i] = within * within


@part
def _equations(
    weighted: Doubles, terms: Doubles, away: Doubles, first: int, normal: Doubles, right: Doubles
) -> None:
    """Lower half of the normal equations of four terms, beginning with one of them."""
    for row in range(4):
        one = weighted[(row + first) % 4]
        right[row] = _dot(one, away)
        for col in range(row + 1):
            normal[row, col] = _dot(one, terms[(col + first) % 4])


@part
def _dot(one: Doubles, other: Doubles) -> float:
    """Sum of products; four at a time, as a processor likes it."""
    n = len(one)
    a = b = c = d = 0.0
    for i in range(0, n - 3, 4):
        a += one[i] * other[i]
        b += one[i + 1] * other[i + 1]
        c += one[i + 2] * other[i + 2]
        d += one[i + 3] * other[i + 3]
    for i in range(n - n % 4, n):
        a += one[i] * other[i]
    return (a + b) + (c + d)


@part
def _eliminate(normal: Doubles, right: Doubles, ridge: float, least: float) -> float:
    """Make the raised equations triangular; below the diagonal are then, by columns, its rows.

    Returns the product of the parts, 0 … 1, by which every term differs from those before it:
    about the least eigenvalue of the terms' correlations, or less.
    """
    own = 1.0
    whole = np.empty(4)
    for row in range(4):
        normal[row, row] = normal[row, row] * (1.0 + ridge) + least
        whole[row] = normal[row, row]
    for done in range(4):
        own *= normal[done, done] / whole[done]
        for row in range(done + 1, 4):
            share = normal[row, done] / normal[done, done]
            right[row] -= share * right[done]
            for col in range(done + 1, row + 1):
                normal[row, col] -= share * normal[col, done]
    return own


@kernel
def shifts_of_parts(
    terms: Doubles,
    away: Doubles,
    found: Doubles,
    rest: Doubles,
    reach: float,
    parts: Indices,
    slope_noise: float,
    most_scatter: float,
    each: Doubles,
    error: Doubles,
) -> None:
    """Shift of every part of the picture, for itself, along that of all; rounded as it comes.

    Parameters
    ----------
    terms, away, found, rest : ndarray
        As `fit` has them.
    reach : float
        Noise units within which a tile is trusted in full.
    parts : ndarray of int, shape (n,)
        Part of the picture that a tile lies in.
    slope_noise : float
        Square of a slope's noise.
    most_scatter : float
        Noise units that tiles scatter by at most beside the shift, for all that is made of it.
    each, error : ndarray, shape (number of parts,), float64
        Get the shift in pixels, and its error.
    """
    n, n_parts = len(away), len(each)
    trust = np.empty(n)
    _trust_by(rest, reach, trust)
    size = np.hypot(found[0], found[1])
    along, left, times, new = np.empty(n), np.empty(n), np.empty(n), np.empty(n)
    for i in range(n):
        along[i] = found[0] / size * terms[0, i] + found[1] / size * terms[1, i]
        left[i] = away[i] - found[2] * terms[2, i] - found[3] * terms[3, i]
    # What a change of light does to the part is no shift.
    _without(terms[3], trust, terms[2], parts, np.zeros((2, n_parts)), times)
    _without(terms[3], trust, along, parts, np.zeros((2, n_parts)), new)
    _without(times, trust, new, parts, np.zeros((2, n_parts)), along)
    _without(terms[3], trust, left, parts, np.zeros((2, n_parts)), new)
    _without(times, trust, new, parts, np.zeros((2, n_parts)), left)
    sums = np.zeros((4, n_parts))
    for i in range(n):
        at = parts[i]
        sums[0, at] += trust[i] * (along[i] * along[i] - slope_noise)
        sums[1, at] += trust[i] * along[i] * left[i]
        sums[2, at] += trust[i]
    for at in range(n_parts):
        sums[0, at] = max(sums[0, at], 1e-30)
        each[at] = sums[1, at] / sums[0, at]
    for i in range(n):
        beside = left[i] - each[parts[i]] * along[i]
        sums[3, parts[i]] += trust[i] * beside * beside
    for at in range(n_parts):
        scatter = np.sqrt(sums[3, at] / max(sums[2, at], 1.0))
        error[at] = min(max(scatter, 1.0), most_scatter) / np.sqrt(sums[0, at])
