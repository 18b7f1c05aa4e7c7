"""How near a way passes to whoever stands in each cell.

Lives here: the highest surface of each judging cell, and distances from it to a way. Must not know what flies the way,
or what distance is enough.
"""

import numpy as np
import numpy.typing as npt

from planner.ground.kernels import kernel
from planner.ground.surface import CellGrid, HeightGrid

Array = npt.NDArray[np.float64]


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
def _nearer_way(points, west, north, size, heights, reach, found):
    """Lower squared distances from cell centres, at their heights, to those to a way that passes within a reach."""
    rows, cols = heights.shape
    for k in range(len(points) - 1):
        ax, ay, az = points[k, 0], points[k, 1], points[k, 2]
        ux, uy, uz = points[k + 1, 0] - ax, points[k + 1, 1] - ay, points[k + 1, 2] - az
        square = ux * ux + uy * uy + uz * uz
        first_col = max(int(np.floor((min(ax, ax + ux) - reach - west) / size)), 0)
        last_col = min(int(np.floor((max(ax, ax + ux) + reach - west) / size)), cols - 1)
        first_row = max(int(np.floor((north - max(ay, ay + uy) - reach) / size)), 0)
        last_row = min(int(np.floor((north - min(ay, ay + uy) + reach) / size)), rows - 1)
        for row in range(first_row, last_row + 1):
            y = north - (row + 0.5) * size - ay
            for col in range(first_col, last_col + 1):
                x, z = west + (col + 0.5) * size - ax, heights[row, col] - az
                share = 0.0
                if square > 0.0:
                    share = min(max((x * ux + y * uy + z * uz) / square, 0.0), 1.0)
                dx, dy, dz = x - share * ux, y - share * uy, z - share * uz
                off = dx * dx + dy * dy + dz * dz
                if off < found[row, col]:
                    found[row, col] = off


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
    found = np.full(heights_m.shape, np.inf)
    for points in ways_m:
        way = np.ascontiguousarray(points, dtype=np.float64)
        _nearer_way(way, cells.west_m, cells.north_m, cells.cell_m, heights_m, reach_m, found)
    distance = np.sqrt(found)
    return np.where(np.isnan(heights_m), np.nan, np.where(distance <= reach_m, distance, np.inf))
