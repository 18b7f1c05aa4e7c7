"""The horizon of the terrain: how high the ground stands in every direction, seen from a place.

Lives here: the greatest elevation angle by azimuth over a triangulated surface. Must not know satellites, the sun or
limits.

A flat earth is taken: over 3 km its curve lowers the ground by less than 1 m, 0.01 deg.
"""

import numpy as np
import numpy.typing as npt

from planner.ground.satellites import Horizon
from planner.ground.surface import HeightGrid

Array = npt.NDArray[np.float64]

STEPS = 360
"""Directions looked in: one a degree."""

AT_HAND_M = 2.0
"""Ground nearer than this is looked over: it is what the antenna stands on."""

_AT_ONCE = 1 << 20  # vertices looked at together


def horizon_from(top: HeightGrid, eye_m: Array, convergence_rad: float = 0.0, steps: int = STEPS) -> Horizon:
    """Return the horizon of a surface, seen from a place.

    Straight along each azimuth, and half a step to both sides of it, the answer is exact: along a line over a plane the
    elevation angle rises or falls all the way, so it is greatest where the line crosses an edge of a triangle. Vertices
    off these lines count for the azimuth nearest to them.

    Parameters
    ----------
    top : HeightGrid
        The surface, crowns and roofs included.
    eye_m : ndarray, shape (3,)
        East, north, up of the place [m], heights of the surface's kind.
    convergence_rad : float
        Grid convergence at the place [rad], as of `Frame.convergence_rad`.
    steps : int
        Directions, equally spaced.

    Returns
    -------
    Horizon
    """
    half_steps = np.pi * np.arange(2 * steps) / steps - convergence_rad
    slope, reach_m = np.transpose([_along(top, eye_m, heading) for heading in half_steps])
    slopes = np.maximum(slope[::2], np.maximum(slope[1::2], np.roll(slope[1::2], 1)))
    _raise_to_vertices(top, eye_m, convergence_rad, slopes)
    stands = np.isfinite(top.at(eye_m[0], eye_m[1]))
    return Horizon(np.arctan(slopes), reach_m[::2] if stands else np.zeros(steps))


def _along(top: HeightGrid, eye_m: Array, heading_rad: float) -> tuple[float, float]:
    """Return the greatest slope to the surface along a grid heading, and how far it is known without a gap [m]."""
    east, north = np.sin(heading_rad), np.cos(heading_rad)
    distance = _crossings(top, eye_m, east, north)
    if not len(distance):
        return -np.inf, 0.0
    heights = top.at(eye_m[0] + distance * east, eye_m[1] + distance * north)
    known = np.isfinite(heights)
    reach_m = float(distance[-1] if known.all() else distance[max(int(np.argmin(known)) - 1, 0)])
    seen = known & (distance >= AT_HAND_M)
    slopes = (heights[seen] - eye_m[2]) / distance[seen]
    return float(slopes.max(initial=-np.inf)), reach_m if known[0] else 0.0


def _crossings(top: HeightGrid, eye_m: Array, east: float, north: float) -> Array:
    """Return, rising, the distances [m] at which a line crosses columns, rows and diagonals of the lattice."""
    rows, cols = top.heights_m.shape
    x, y = (eye_m[0] - top.west_m) / top.spacing_m, (top.north_m - eye_m[1]) / top.spacing_m
    dx, dy = east / top.spacing_m, -north / top.spacing_m
    found = [np.array([AT_HAND_M])]  # what is seen begins there, inside a triangle
    for at, pace, first, last in ((x, dx, 0, cols - 1), (y, dy, 0, rows - 1), (x - y, dx - dy, 1 - rows, cols - 1)):
        if abs(pace) > 1e-12:
            found.append((np.arange(first, last + 1) - at) / pace)
    distance = np.concatenate(found)
    col, row = x + distance * dx, y + distance * dy
    slack = 1e-9 * (rows + cols)  # a crossing of the rim is on the lattice for all its rounding
    on = (col >= -slack) & (col <= cols - 1 + slack) & (row >= -slack) & (row <= rows - 1 + slack)
    return np.sort(distance[on & (distance > 0)])


def _raise_to_vertices(top: HeightGrid, eye_m: Array, convergence_rad: float, slopes: Array) -> None:
    """Raise slopes, shape (steps,), in place to those of the known vertices nearest to each azimuth."""
    rows, cols = top.heights_m.shape
    band = max(1, _AT_ONCE // cols)
    east = top.west_m + np.arange(cols) * top.spacing_m - eye_m[0]
    for first in range(0, rows, band):
        last = min(first + band, rows)
        north = top.north_m - np.arange(first, last)[:, np.newaxis] * top.spacing_m - eye_m[1]
        distance = np.hypot(east, north)
        counts = top.known[first:last] & (distance > AT_HAND_M)
        azimuth = np.arctan2(np.broadcast_to(east, counts.shape)[counts], np.broadcast_to(north, counts.shape)[counts])
        step = np.rint((azimuth + convergence_rad) / (2 * np.pi) * len(slopes)).astype(np.int64) % len(slopes)
        np.maximum.at(slopes, step, (top.heights_m[first:last][counts] - eye_m[2]) / distance[counts])
