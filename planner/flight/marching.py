"""Tracks as far apart as what lies between them lets them be, one after the other across an area.

Lives here: what any two tracks share, how far off the next may lie, and the march. Must not know missions, densities or
how heights are found.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]

HALVINGS = 50  # of the share of its reach that each gap takes, until the last track lies where it must
MOST_TRACKS = 500  # of one march


@dataclass(frozen=True)
class Pairs:
    """What each of many tracks, at even distances across an area, has between it and those to its right.

    Attributes
    ----------
    across_m : ndarray, shape (m,)
        Where the tracks lie, growing evenly [m].
    apart_m : ndarray, shape (s,)
        Distances to the right, whole multiples of that between tracks [m].
    shared_m : ndarray, shape (m, s)
        Least sum of facing half swaths anywhere along the two tracks [m]; inf where nothing is known of it.
    deepest_m : ndarray, shape (m, s)
        Greatest height above the ground beneath and between the two tracks that counts [m]; -inf where none is known.
    """

    across_m: Array
    apart_m: Array
    shared_m: Array
    deepest_m: Array


def pairs_of(across_m: Array, halves_m: Array, deepest_m: Array, inside: Mask, most_apart_m: float) -> Pairs:
    """Return what lies between tracks and those up to a distance to their right.

    Parameters
    ----------
    across_m : ndarray, shape (m,)
        Where the tracks lie, growing evenly [m].
    halves_m : ndarray, shape (2, m, k)
        Half swaths to the left and right of each track, station by station [m]; nan where unknown.
    deepest_m : ndarray, shape (2, m)
        Greatest height above the ground beneath each track and to its left, or right, that counts [m].
    inside : ndarray of bool, shape (2 m - 1, k)
        Whether the area lies at each track, and halfway to the next, at each station.
    most_apart_m : float
        Greatest distance that is looked at [m].
    """
    count, step_m = across_m.size, float(across_m[1] - across_m[0])
    most = min(max(int(np.ceil(most_apart_m / step_m)), 1), count - 1)
    shared, deepest = np.full((count, most), np.inf), np.full((count, most), -np.inf)
    for number in range(1, most + 1):
        between = halves_m[1, :-number] + halves_m[0, number:]
        middles = inside[number : number + 2 * (count - number) : 2]
        least = np.min(between, axis=1, initial=np.inf, where=np.isfinite(between) & middles)
        shared[: count - number, number - 1] = least
        deepest[: count - number, number - 1] = np.maximum(deepest_m[1, :-number], deepest_m[0, number:])
    return Pairs(across_m, np.asarray(step_m * np.arange(1, most + 1), dtype=np.float64), shared, deepest)


def reaches_m(pairs: Pairs, ample: Array, least_m: float) -> Array:
    """Return how far to the right of each track the next may lie [m], shape (m,).

    That is the greatest distance at which enough of everything is there, and on from it as far as a straight line to
    the next distance says.

    Parameters
    ----------
    pairs : Pairs
        The tracks.
    ample : ndarray, shape (m, s)
        By what share there is more than enough at each distance; negative where something lacks.
    least_m : float
        Tracks are not drawn closer [m].
    """
    number = np.arange(pairs.apart_m.size)
    last = np.max(np.where(ample >= 0, number, -1), axis=1)
    after = np.minimum(last + 1, number[-1])
    row = np.arange(last.size)
    now, then = ample[row, np.maximum(last, 0)], ample[row, after]
    step_m = pairs.apart_m[0]
    with np.errstate(divide="ignore", invalid="ignore"):
        on = np.where((last >= 0) & (then < 0), now / (now - then), 0.0)
    reach = (last + 1) * step_m + step_m * np.nan_to_num(on)
    return np.asarray(np.maximum(np.where(last >= 0, reach, 0.0), least_m))


def march(across_m: Array, reach_m: Array, first_m: float, last_m: float) -> Array:
    """Return the fewest tracks from a first place to a last one [m], shape (n,), none farther off than its reach.

    What is left over is shared out: each gap takes the same share of its reach.

    Parameters
    ----------
    across_m, reach_m : ndarray, shape (m,)
        Places across the area, and how far off the next track may lie from each [m], positive.
    first_m, last_m : float
        Where the outermost tracks must lie, or farther out [m].
    """
    rounding_m = 1e-9 * float(reach_m.max())
    if last_m <= first_m + rounding_m:
        return np.array([(first_m + last_m) / 2])
    count = 1
    while _strides(across_m, reach_m, first_m, count, 1.0)[-1] < last_m - rounding_m:
        count += 1
        if count >= MOST_TRACKS:
            break
    low, high = 0.0, 1.0
    for _ in range(HALVINGS):
        share = (low + high) / 2
        far_enough = _strides(across_m, reach_m, first_m, count, share)[-1] >= last_m
        low, high = (low, share) if far_enough else (share, high)
    places = _strides(across_m, reach_m, first_m, count, high)
    return np.append(places[:-1], last_m)


def _strides(across_m: Array, reach_m: Array, first_m: float, count: int, share: float) -> Array:
    """Return the first place and `count` more, each a share of its reach from the last [m], shape (count + 1,)."""
    places = [first_m]
    for _ in range(count):
        places.append(places[-1] + share * float(np.interp(places[-1], across_m, reach_m)))
    return np.array(places)
