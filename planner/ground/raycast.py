"""Rays against the triangulated height grid, one at a time: a walk from lattice square to lattice square.

Lives here: the exact first hit of any ray. Must not know sensors or trajectories.
"""

import numpy as np
import numpy.typing as npt

from planner.ground.kernels import kernel
from planner.ground.surface import HeightGrid

Array = npt.NDArray[np.float64]


@kernel
def triangle_plane(z, row, col, upper):
    """Return height at the square's north-west corner and rise per square eastward and southward [m]."""
    z00 = z[row, col]
    z11 = z[row + 1, col + 1]
    if upper:
        z01 = z[row, col + 1]
        return z00, z01 - z00, z11 - z01
    z10 = z[row + 1, col]
    return z00, z11 - z10, z10 - z00


@kernel
def _over(z, row, col, upper, x, y, height):
    """Return how far a point in lattice units lies above the plane of a triangle [m]."""
    z00, east, south = triangle_plane(z, row, col, upper)
    return height - (z00 + east * (x - col) + south * (y - row))


@kernel
def _hit_in_square(z, row, col, x, y, height, dx, dy, dh, start, end):
    """Return range of the hit within one square, nan for none, and whether it lies in the upper triangle.

    `start` and `end` are the ranges at which the ray enters and leaves the square [m]; the rest as in `first_hit_on`.
    """
    # Along the ray x - y - (col - row) changes linearly; it is zero on the diagonal of the square.
    slant = dx - dy
    offset = (x - col) - (y - row)
    cut = -offset / slant if slant != 0.0 else np.inf
    crosses = start < cut < end
    upper = offset + (slant * (start if crosses else (start + end) / 2) if slant != 0.0 else 0.0) > 0
    if not np.isfinite(end):  # straight down: never leaves the square
        z00, east, south = triangle_plane(z, row, col, upper)
        reach = (z00 + east * (x - col) + south * (y - row) - height) / dh if dh < 0.0 else np.nan
        return max(reach, 0.0) if reach == reach else reach, upper
    begin = start
    for part in range(2 if crosses else 1):
        stop = cut if crosses and part == 0 else end
        above = _over(z, row, col, upper, x + begin * dx, y + begin * dy, height + begin * dh)
        below = _over(z, row, col, upper, x + stop * dx, y + stop * dy, height + stop * dh)
        if above <= 0.0:
            return begin, upper
        if below <= 0.0:
            return begin + (stop - begin) * above / (above - below), upper
        begin = stop
        upper = not upper
    return np.nan, upper


@kernel
def first_hit_on(z, top, x, y, height, dx, dy, dh):
    """Walk one ray over the lattice.

    Origin (`x` east, `y` south) in squares and `height` [m]; direction in squares and metres per metre of range;
    `top` is the highest vertex [m]. Returns range [m], row, column and whether the hit triangle is the upper
    (north-eastern) one; range is nan where nothing is hit, 0 where the origin is under the ground.
    """
    rows, cols = z.shape
    # Enter the box that holds all heights, then step square by square.
    near, far = 0.0, np.inf
    for origin, step, low, high in ((x, dx, 0.0, cols - 1.0), (y, dy, 0.0, rows - 1.0)):
        if step == 0.0:
            if origin < low or origin > high:
                return np.nan, 0, 0, False
        else:
            first, last = (low - origin) / step, (high - origin) / step
            near = max(near, min(first, last))
            far = min(far, max(first, last))
    if height > top:
        if dh >= 0.0:
            return np.nan, 0, 0, False
        near = max(near, (top - height) / dh)
    if near > far:
        return np.nan, 0, 0, False
    col = min(max(int(np.floor(x + near * dx)), 0), cols - 2)
    row = min(max(int(np.floor(y + near * dy)), 0), rows - 2)
    step_col = 1 if dx > 0 else -1
    step_row = 1 if dy > 0 else -1
    next_col = ((col + (dx > 0)) - x) / dx if dx != 0.0 else np.inf
    next_row = ((row + (dy > 0)) - y) / dy if dy != 0.0 else np.inf
    start = near
    while True:
        # A start on the very edge of a square may name a crossing that lies behind: never walk back.
        end = max(min(next_col, next_row, far), start)
        low = height + (end if dh < 0.0 else start) * dh
        if not low > max(z[row, col], z[row, col + 1], z[row + 1, col], z[row + 1, col + 1]):
            reach, upper = _hit_in_square(z, row, col, x, y, height, dx, dy, dh, start, end)
            if not np.isnan(reach):
                return reach, row, col, upper
        if end >= far:
            return np.nan, 0, 0, False
        if next_col <= next_row:
            col += step_col
            next_col += step_col / dx
        else:
            row += step_row
            next_row += step_row / dy
        if col < 0 or row < 0 or col > cols - 2 or row > rows - 2:
            return np.nan, 0, 0, False
        if dh >= 0.0 and height + end * dh > top:
            return np.nan, 0, 0, False
        start = end


@kernel
def _all_first_hits(z, west, north, spacing, origins, directions, out):
    top = z.max()
    for i in range(len(out)):
        out[i] = first_hit_on(
            z,
            top,
            (origins[i, 0] - west) / spacing,
            (north - origins[i, 1]) / spacing,
            origins[i, 2],
            directions[i, 0] / spacing,
            -directions[i, 1] / spacing,
            directions[i, 2],
        )[0]


def first_hit(grid: HeightGrid, origins_m: Array, directions: Array) -> Array:
    """Return the range of the first hit of each ray [m], shape (n,).

    Parameters
    ----------
    grid : HeightGrid
        The surface; unknown ground is met at its bridged height.
    origins_m, directions : ndarray, shape (n, 3)
        East, north, up: start points [m] and unit vectors.

    Returns
    -------
    ndarray, shape (n,)
        Slant range [m]; nan for a miss, 0 for a start under the ground.
    """
    out = np.empty(len(origins_m))
    _all_first_hits(
        np.ascontiguousarray(grid.heights_m),
        grid.west_m,
        grid.north_m,
        grid.spacing_m,
        np.ascontiguousarray(origins_m, dtype=np.float64),
        np.ascontiguousarray(directions, dtype=np.float64),
        out,
    )
    return out
