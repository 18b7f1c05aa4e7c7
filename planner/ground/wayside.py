"""How near a way passes to whoever stands in each cell.

Lives here: the highest surface of each judging cell, and distances from it to a way. Must not know what flies the way,
or what distance is enough.
"""

import numpy as np
import numpy.typing as npt

from planner.ground.kernels import kernel
from planner.ground.surface import CellGrid, HeightGrid

Array = npt.NDArray[np.float64]

BLOCK_CELLS = 16  # along the side of a block of cells that are looked at together


def highest_m(grid: HeightGrid, cells: CellGrid) -> Array:
    """Return the highest known vertex of each cell, its edges included, shape (rows, cols) [m]; nan without one."""
    heights = np.where(grid.known, grid.heights_m, np.nan)
    found = np.full((cells.rows, cells.cols), np.nan)
    for row in range(cells.factor + 1):
        for col in range(cells.factor + 1):
            rows = slice(row, row + (cells.rows - 1) * cells.factor + 1, cells.factor)
            cols = slice(col, col + (cells.cols - 1) * cells.factor + 1, cells.factor)
            np.fmax(found, heights[rows, cols], out=found)
    return found


@kernel
def _off_segment(start, end, x, y, z):
    """Return the squared distance from a place to a segment."""
    ux, uy, uz = end[0] - start[0], end[1] - start[1], end[2] - start[2]
    ax, ay, az = x - start[0], y - start[1], z - start[2]
    square = ux * ux + uy * uy + uz * uz
    share = 0.0
    if square > 0.0:
        share = min(max((ax * ux + ay * uy + az * uz) / square, 0.0), 1.0)
    dx, dy, dz = ax - share * ux, ay - share * uy, az - share * uz
    return dx * dx + dy * dy + dz * dz


@kernel
def _nearer_way(starts, ends, west, north, size, heights, found):
    """Lower distances from cell centres, at their heights, to those to segments, block by block of cells.

    Segments are tried from the one that may come nearest to the block on, until none left can be nearer than what every
    cell of the block has.
    """
    rows, cols = heights.shape
    least = np.empty(len(starts))
    for top in range(0, rows, BLOCK_CELLS):
        for left in range(0, cols, BLOCK_CELLS):
            bottom, right = min(top + BLOCK_CELLS, rows), min(left + BLOCK_CELLS, cols)
            x, y = west + (left + right) / 2 * size, north - (top + bottom) / 2 * size
            half_x, half_y = (right - left - 1) / 2 * size, (bottom - top - 1) / 2 * size
            for k in range(len(starts)):
                low_x, high_x = min(starts[k, 0], ends[k, 0]), max(starts[k, 0], ends[k, 0])
                low_y, high_y = min(starts[k, 1], ends[k, 1]), max(starts[k, 1], ends[k, 1])
                off_x = max(max(low_x - x, x - high_x) - half_x, 0.0)
                off_y = max(max(low_y - y, y - high_y) - half_y, 0.0)
                least[k] = np.sqrt(off_x * off_x + off_y * off_y)
            for k in np.argsort(least):
                farthest = -1.0
                for row in range(top, bottom):
                    for col in range(left, right):
                        if not np.isnan(heights[row, col]):
                            farthest = max(farthest, found[row, col])
                if least[k] >= farthest:
                    break
                for row in range(top, bottom):
                    y = north - (row + 0.5) * size
                    for col in range(left, right):
                        off = _off_segment(starts[k], ends[k], west + (col + 0.5) * size, y, heights[row, col])
                        found[row, col] = min(found[row, col], np.sqrt(off))


def passing_m(cells: CellGrid, heights_m: Array, ways_m: list[Array], reach_m: float) -> Array:
    """Return how near ways pass to the centre of each cell at a height, in space [m], shape (rows, cols).

    Parameters
    ----------
    cells : CellGrid
        The cells.
    heights_m : ndarray, shape (rows, cols)
        Height in each cell from which the distance counts, such as that of a person's eyes [m].
    ways_m : list of ndarray, shape (n, 3)
        Polylines: east, north, up [m].
    reach_m : float
        Distance past which nobody cares [m]: farther cells hold inf, those of unknown height nan.
    """
    found = np.full(heights_m.shape, reach_m, dtype=np.float64)
    if ways_m:
        starts, ends = np.concatenate([way[:-1] for way in ways_m]), np.concatenate([way[1:] for way in ways_m])
        _nearer_way(starts, ends, cells.west_m, cells.north_m, cells.cell_m, heights_m, found)
    return np.where(np.isnan(heights_m), np.nan, np.where(found < reach_m, found, np.inf))
