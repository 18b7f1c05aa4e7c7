"""Distances in space to the triangulated ground.

Lives here: the exact nearest place of a height grid to any point. Must not know paths, or what distance is enough.

A block of lattice squares is nowhere nearer than its box under its highest vertex, so that most blocks round a point
need no look at their triangles.
"""

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from planner.ground.kernels import kernel
from planner.ground.raycast import BLOCK_SQUARES, ceilings_of
from planner.ground.surface import HeightGrid

Array = npt.NDArray[np.float64]
Numbers = npt.NDArray[np.int64]

_CHUNK = 4096  # points handed to a thread at a time


@dataclass(frozen=True)
class Nearest:
    """What is nearest to each of several points.

    Attributes
    ----------
    distance_m : ndarray, shape (n,)
        Distance in space [m], 0 inside; inf where there is nothing, nan where it cannot be told.
    which : ndarray of int64, shape (n,)
        Number of the nearest thing in `names`; -1 where there is none.
    names : tuple of str
        What the things are called.
    place_m : ndarray, shape (n, 3), or None
        The nearest place [m]; None where it was not looked for.
    """

    distance_m: Array
    which: Numbers
    names: tuple[str, ...]
    place_m: Array | None = None


@kernel
def _to_segment(ax, ay, az, bx, by, bz):
    """Return the place on the segment from a to b that is nearest to the origin."""
    ux, uy, uz = bx - ax, by - ay, bz - az
    square = ux * ux + uy * uy + uz * uz
    share = 0.0
    if square > 0.0:
        share = min(max(-(ax * ux + ay * uy + az * uz) / square, 0.0), 1.0)
    return ax + share * ux, ay + share * uy, az + share * uz


@kernel
def _to_triangle(x, y, size, z00, z11, zoff, upper):
    """Return the place on a lattice triangle that is nearest to the origin, and its squared distance.

    `x` and `y` are east and north of the square's north-west corner, all from the origin; `z00`, `z11` and `zoff` the
    heights of the north-west, south-east and third corner; `upper` tells that the third one is the north-eastern.
    """
    east, south = x + size, y - size
    ox, oy = (east, y) if upper else (x, south)
    # Rise per metre toward east and north; the foot of the origin on the plane.
    a = (zoff - z00) / size if upper else (z11 - zoff) / size
    b = (zoff - z11) / size if upper else (z00 - zoff) / size
    height = z00 - a * x - b * y
    scale = height / (1.0 + a * a + b * b)
    fx, fy, fz = -a * scale, -b * scale, scale
    dx, dy = fx - x, y - fy
    inside = 0.0 <= dy <= dx <= size if upper else 0.0 <= dx <= dy <= size
    if inside:
        return fx, fy, fz, fx * fx + fy * fy + fz * fz
    px, py, pz = _to_segment(x, y, z00, east, south, z11)
    best = px * px + py * py + pz * pz
    for end in range(2):
        ex, ey, ez = (x, y, z00) if end == 0 else (east, south, z11)
        qx, qy, qz = _to_segment(ex, ey, ez, ox, oy, zoff)
        square = qx * qx + qy * qy + qz * qz
        if square < best:
            px, py, pz, best = qx, qy, qz, square
    return px, py, pz, best


@kernel
def _in_block(z, place, point, block_row, block_col, best, out):
    """Return the least squared distance to the triangles of a block, no more than `best`; fill `out` where less."""
    west, north, size = place
    east_m, north_m, up = point
    rows, cols = z.shape
    for row in range(block_row * BLOCK_SQUARES, min((block_row + 1) * BLOCK_SQUARES, rows - 1)):
        y = north - row * size - north_m
        off_y = max(max(y - size, -y), 0.0)
        if off_y * off_y >= best:
            continue
        for col in range(block_col * BLOCK_SQUARES, min((block_col + 1) * BLOCK_SQUARES, cols - 1)):
            x = west + col * size - east_m
            off_x = max(max(x, -x - size), 0.0)
            flat = off_x * off_x + off_y * off_y
            if flat >= best:
                continue
            z00, z01, z10, z11 = z[row, col], z[row, col + 1], z[row + 1, col], z[row + 1, col + 1]
            off_z = max(up - max(max(z00, z01), max(z10, z11)), 0.0)
            if flat + off_z * off_z >= best:
                continue
            for half in range(2):
                upper = half == 0
                px, py, pz, square = _to_triangle(x, y, size, z00 - up, z11 - up, (z01 if upper else z10) - up, upper)
                if square < best:
                    best = square
                    out[0], out[1], out[2] = east_m + px, north_m + py, up + pz
    return best


@kernel
def _nearest(z, ceilings, place, point, best, out):
    """Return the least squared distance of a point over the surface to it; `best` is one that is surely reached.

    Blocks are looked at in rings outward from the one beneath, until all that follow are too far away.
    """
    west, north, size = place
    east_m, north_m, up = point
    side = size * BLOCK_SQUARES
    rows, cols = ceilings.shape
    col = min(max(int((east_m - west) / side), 0), cols - 1)
    row = min(max(int((north - north_m) / side), 0), rows - 1)
    ring = 0
    while ring <= max(rows, cols):
        # A ring is nowhere nearer than its number less one in block sides.
        if ring > 1 and ((ring - 1) * side) ** 2 >= best:
            break
        for down in range(max(row - ring, 0), min(row + ring, rows - 1) + 1):
            whole = down in (row - ring, row + ring)
            step = 1 if whole or ring == 0 else 2 * ring
            y = north - down * side - north_m
            off_y = max(max(y - side, -y), 0.0)
            for right in range(col - ring, col + ring + 1, step):
                if right < 0 or right >= cols:
                    continue
                x = west + right * side - east_m
                off_x = max(max(x, -x - side), 0.0)
                off_z = max(up - ceilings[down, right], 0.0)
                if off_x * off_x + off_y * off_y + off_z * off_z < best:
                    best = _in_block(z, place, point, down, right, best, out)
        ring += 1
    return best


@kernel
def _all_nearest(z, ceilings, place, points, beneath, distances, places):
    """Fill in distances and nearest places; `beneath` is the height of the surface straight below, nan off it."""
    for i in range(len(points)):
        east_m, north_m, up = points[i, 0], points[i, 1], points[i, 2]
        above = up - beneath[i]
        places[i, 0], places[i, 1], places[i, 2] = east_m, north_m, beneath[i]
        if above != above:
            distances[i] = np.nan
        elif above <= 0.0:
            distances[i] = 0.0
            places[i, 2] = up
        else:
            point = east_m, north_m, up
            distances[i] = np.sqrt(_nearest(z, ceilings, place, point, above * above, places[i]))


def nearest_surface(grid: HeightGrid, points_m: Array, name: str = "ground", threads: int = 2) -> Nearest:
    """Return the nearest place of a surface to each point, in any direction, and its distance.

    Parameters
    ----------
    grid : HeightGrid
        The triangulated surface, solid below; unknown parts count at their bridged height.
    points_m : ndarray, shape (n, 3)
        East, north, up [m].
    name : str
        What the surface is called.
    threads : int
        Threads that share the points; the answer does not depend on it.

    Returns
    -------
    Nearest
        Distances [m]: 0 at and under the surface, nan beside the lattice, where nearer ground may be unknown.
    """
    z = np.ascontiguousarray(grid.heights_m)
    ceilings = ceilings_of(z)
    place = float(grid.west_m), float(grid.north_m), float(grid.spacing_m)
    points = np.ascontiguousarray(points_m, dtype=np.float64)
    bridged = HeightGrid(z, np.ones(z.shape, dtype=np.bool_), *place)
    beneath = bridged.at(points[:, 0], points[:, 1])
    distances, places = np.empty(len(points)), np.empty((len(points), 3))

    def look(start: int) -> None:
        part = slice(start, start + _CHUNK)
        _all_nearest(z, ceilings, place, points[part], beneath[part], distances[part], places[part])

    with ThreadPoolExecutor(threads) as pool:
        list(pool.map(look, range(0, len(points), _CHUNK)))
    return Nearest(distances, np.zeros(len(points), dtype=np.int64), (name,), places)
