"""Rays against the triangulated height grid: a walk from block to block of the lattice, then from square to square.

Lives here: the exact first hit of any ray. Must not know sensors or trajectories.

A ray high above a block of squares cannot meet it: the highest vertex of each block (its ceiling) lets the walk pass
the block in one step, and tells where in a block the ray gets low enough for single squares to matter.
"""

from concurrent.futures import ThreadPoolExecutor

import numba as nb
import numpy as np
import numpy.typing as npt

from planner.ground.kernels import kernel
from planner.ground.surface import HeightGrid

Array = npt.NDArray[np.float64]

BLOCK_SQUARES = 8
"""Lattice squares a side of a block that has one ceiling."""

_FARTHEST = 1e12  # No ray goes on for longer [m]: keeps every range finite, for rays straight down too.
_NEVER = 2e12
_LEAST_LEAN = 1e-15  # Squares per metre; a ray that leans less stays where it is to the rounding of its place,
_NO_LEAN = 1e-30  # and gets this lean, which moves nothing and spares 1 / 0.
BATCH = 128
"""Rays taken through one stage of the walk together: their latencies overlap."""
_CHUNK = 65536  # Rays handed to a thread at a time.


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
def _fill_ceilings(z, ceilings):
    rows, cols = z.shape
    for block_row in range(ceilings.shape[0]):
        # A block owns the vertices on its far edges as well.
        for row in range(block_row * BLOCK_SQUARES, min((block_row + 1) * BLOCK_SQUARES + 1, rows)):
            for block_col in range(ceilings.shape[1]):
                highest = ceilings[block_row, block_col]
                for col in range(block_col * BLOCK_SQUARES, min((block_col + 1) * BLOCK_SQUARES + 1, cols)):
                    highest = max(highest, z[row, col])
                ceilings[block_row, block_col] = highest


def ceilings_of(heights_m: Array) -> Array:
    """Return the highest vertex of each block of `BLOCK_SQUARES` x `BLOCK_SQUARES` lattice squares [m].

    Parameters
    ----------
    heights_m : ndarray, shape (rows, cols)
        Heights of the vertices [m], at least 2 x 2.

    Returns
    -------
    ndarray, shape (ceil((rows - 1) / BLOCK_SQUARES), ceil((cols - 1) / BLOCK_SQUARES))
        Vertices on the edge between two blocks count for both.
    """
    rows, cols = heights_m.shape
    ceilings = np.full((-(-(rows - 1) // BLOCK_SQUARES), -(-(cols - 1) // BLOCK_SQUARES)), -np.inf)
    _fill_ceilings(np.ascontiguousarray(heights_m), ceilings)
    return ceilings


# Kernels below that take an array call no other kernel and have one exit each: else the compiler counts references to
# the array by slow atomic steps for every ray. So their parts are pasted into them.
pasted = nb.njit(inline="always")


@pasted
def entry_of(shape, top, x, y, height, dx, dy, dh):
    """Return the leans to use (never zero), 1 over each, and the ranges within the box of all heights [m]."""
    last_col, last_row = shape[1] - 1.0, shape[0] - 1.0
    # The lean of a ray that has none points away from the nearer edge: rays along the rim stay on the grid.
    if abs(dx) < _LEAST_LEAN:
        dx = _NO_LEAN if x + x < last_col else -_NO_LEAN
    if abs(dy) < _LEAST_LEAN:
        dy = _NO_LEAN if y + y < last_row else -_NO_LEAN
    per_dx, per_dy = 1.0 / dx, 1.0 / dy
    west, east = -x * per_dx, (last_col - x) * per_dx
    north, south = -y * per_dy, (last_row - y) * per_dy
    near = max(max(min(west, east), min(north, south)), 0.0)
    far = min(min(max(west, east), max(north, south)), _FARTHEST)
    if height > top:
        near = max(near, (top - height) / dh if dh < 0.0 else _NEVER)
    return dx, dy, per_dx, per_dy, near, far


@pasted
def down_to_ceiling(ceilings, shape, ray, pace, start, far):
    """Return the range from `start` on at which a ray is first not above the ceiling of its block, or `_NEVER`."""
    x, y, height, dx, dy, dh = ray
    per_dx, per_dy = pace
    found = _NEVER
    if start <= far:
        ahead_col, ahead_row = int(dx > 0.0), int(dy > 0.0)
        col = min(max(int(x + start * dx), 0), shape[1] - 2) // BLOCK_SQUARES
        row = min(max(int(y + start * dy), 0), shape[0] - 2) // BLOCK_SQUARES
        begin = start
        height_begin = height + begin * dh
        walking = True
        while walking:
            next_col = ((col + ahead_col) * BLOCK_SQUARES - x) * per_dx
            next_row = ((row + ahead_row) * BLOCK_SQUARES - y) * per_dy
            end = max(min(min(next_col, next_row), far), begin)
            height_end = height + end * dh
            ceiling = ceilings[np.uintp(row), np.uintp(col)]
            if min(height_begin, height_end) > ceiling:
                if next_col <= next_row:
                    col += 2 * ahead_col - 1
                else:
                    row += 2 * ahead_row - 1
                walking = end < far and 0 <= col < ceilings.shape[1] and 0 <= row < ceilings.shape[0]
                begin = end
                height_begin = height_end
            else:
                found = min(max((ceiling - height) / dh, begin), end) if height_begin > ceiling else begin
                walking = False
    return found


@pasted
def _walk_squares(z, ray, pace, begin, far):
    """Walk as many squares as a block has on a side, from a range within the grid.

    Returns range of the hit, nan for none; row, column and half of its square; and the range to go on from.
    """
    x, y, height, dx, dy, dh = ray
    per_dx, per_dy = pace
    rows, cols = z.shape
    ahead_col, ahead_row = int(dx > 0.0), int(dy > 0.0)
    slant = dx - dy
    col = min(max(int(x + begin * dx), 0), cols - 2)
    row = min(max(int(y + begin * dy), 0), rows - 2)
    height_begin = height + begin * dh
    reach, upper = np.nan, False
    left = BLOCK_SQUARES
    while left > 0:
        left -= 1
        # Crossings are worked out anew, never summed up: a lattice line is met at the same range from all sides.
        next_col = (col + ahead_col - x) * per_dx
        next_row = (row + ahead_row - y) * per_dy
        end = max(min(min(next_col, next_row), far), begin)
        height_end = height + end * dh
        at, below, beside, across = np.uintp(row), np.uintp(row + 1), np.uintp(col), np.uintp(col + 1)
        z00, z01, z10, z11 = z[at, beside], z[at, across], z[below, beside], z[below, across]
        if not min(height_begin, height_end) > max(max(z00, z01), max(z10, z11)):
            # Ground = plane of the lower triangle + fold * (x - y, where that is positive); `gap` = ray less ground.
            east, south = z11 - z10, z10 - z00
            fold = z01 - z00 - east
            offset = (x - col) - (y - row)
            gap0 = height - z00 - east * (x - col) - south * (y - row)
            rate = dh - east * dx - south * dy
            first, last = begin, end
            gap_first = gap0 + first * rate - fold * max(offset + slant * first, 0.0)
            gap_last = gap0 + last * rate - fold * max(offset + slant * last, 0.0)
            cut = -offset / slant if slant != 0.0 else begin
            if begin < cut < end:
                gap_cut = gap0 + cut * rate
                if gap_cut <= 0.0:
                    last, gap_last = cut, gap_cut
                elif gap_first > 0.0:
                    first, gap_first = cut, gap_cut
            if gap_first <= 0.0 or gap_last <= 0.0:
                reach = first + (last - first) * gap_first / (gap_first - gap_last) if gap_first > 0.0 else first
                upper = offset + slant * (first + last) / 2 > 0.0
        begin, height_begin = end, height_end
        if reach == reach:
            left = 0
        elif next_col <= next_row:
            col += 2 * ahead_col - 1
        else:
            row += 2 * ahead_row - 1
        if end >= far or col < 0 or row < 0 or col > cols - 2 or row > rows - 2:
            begin = _NEVER
            left = 0
    return reach, row, col, upper, begin


@pasted
def hit_from(z, ceilings, ray, pace, begin, far):
    """Return what `first_hit_under` does, from a range on at which the ray is low."""
    shape = z.shape
    reach, row, col, upper = np.nan, 0, 0, False
    while begin <= far:
        reach, row, col, upper, begin = _walk_squares(z, ray, pace, begin, far)
        begin = down_to_ceiling(ceilings, shape, ray, pace, begin, far) if reach != reach else _NEVER
    return reach, row, col, upper


@kernel
def first_hit_under(z, ceilings, top, x, y, height, dx, dy, dh):
    """Find where one ray first meets the ground.

    Origin (`x` east, `y` south) in squares and `height` [m]; direction in squares and metres per metre of range;
    `ceilings` from `ceilings_of`; `top` is the highest vertex [m]. Returns range [m], row, column and whether the
    hit triangle is the upper (north-eastern) one; range is nan where nothing is hit, 0 where the origin is under
    the ground.
    """
    dx, dy, per_dx, per_dy, near, far = entry_of(z.shape, top, x, y, height, dx, dy, dh)
    ray, pace = (x, y, height, dx, dy, dh), (per_dx, per_dy)
    begin = down_to_ceiling(ceilings, z.shape, ray, pace, near, far)
    return hit_from(z, ceilings, ray, pace, begin, far)


@kernel
def _all_first_hits(z, ceilings, place, origins, directions, out):
    """Fill `out` with the ranges of many rays; `place` is west, north and spacing of the grid [m]."""
    west, north, spacing = place
    top = ceilings.max()
    scale = 1.0 / spacing
    rays = np.empty((6, BATCH))
    paces = np.empty((2, BATCH))
    begin = np.empty(BATCH)
    far = np.empty(BATCH)
    for start in range(0, len(out), BATCH):
        count = min(BATCH, len(out) - start)
        for i in range(count):
            x = (origins[start + i, 0] - west) * scale
            y = (north - origins[start + i, 1]) * scale
            height = origins[start + i, 2]
            dx, dy = directions[start + i, 0] * scale, -directions[start + i, 1] * scale
            dh = directions[start + i, 2]
            rays[0, i], rays[1, i], rays[2, i], rays[5, i] = x, y, height, dh
            entry = entry_of(z.shape, top, x, y, height, dx, dy, dh)
            rays[3, i], rays[4, i], paces[0, i], paces[1, i], begin[i], far[i] = entry
        for i in range(count):
            ray = rays[0, i], rays[1, i], rays[2, i], rays[3, i], rays[4, i], rays[5, i]
            begin[i] = down_to_ceiling(ceilings, z.shape, ray, (paces[0, i], paces[1, i]), begin[i], far[i])
        for i in range(count):
            ray = rays[0, i], rays[1, i], rays[2, i], rays[3, i], rays[4, i], rays[5, i]
            out[start + i] = hit_from(z, ceilings, ray, (paces[0, i], paces[1, i]), begin[i], far[i])[0]


def first_hit(grid: HeightGrid, origins_m: Array, directions: Array, threads: int = 2) -> Array:
    """Return the range of the first hit of each ray [m], shape (n,).

    Parameters
    ----------
    grid : HeightGrid
        The surface; unknown ground is met at its bridged height.
    origins_m, directions : ndarray, shape (n, 3)
        East, north, up: start points [m] and unit vectors.
    threads : int
        Threads that share the rays; the answer does not depend on it.

    Returns
    -------
    ndarray, shape (n,)
        Slant range [m]; nan for a miss, 0 for a start under the ground.
    """
    z = np.ascontiguousarray(grid.heights_m)
    ceilings = ceilings_of(z)
    place = float(grid.west_m), float(grid.north_m), float(grid.spacing_m)
    origins = np.ascontiguousarray(origins_m, dtype=np.float64)
    directions = np.ascontiguousarray(directions, dtype=np.float64)
    out = np.empty(len(origins))

    def cast(start: int) -> None:
        part = slice(start, start + _CHUNK)
        _all_first_hits(z, ceilings, place, origins[part], directions[part], out[part])

    starts = range(0, len(out), _CHUNK)
    if threads == 1 or len(starts) < 2:
        for start in starts:
            cast(start)
    else:
        with ThreadPoolExecutor(threads) as pool:
            list(pool.map(cast, starts))
    return out
