"""What the ground of each judging cell offers to a checkpoint, from heights alone.

Lives here: slope, evenness, breaks, what stands on a cell, and its sky. Must not know plans, nor where points go.

Sources: [2] USGS Lidar Base Specification 2025 rev. A, checkpoints: slope, even ground, sky.
"""

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from planner.ground.kernels import kernel
from planner.ground.surface import GROUND_TOLERANCE_M, CellGrid, Layers

Array = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]

BREAK_CHANGE = 0.15
"""Change of slope [rise per metre] over a base of 1 m that is a break; common practice, no source."""
MOST_SKYLINE_DEG = 15.0
"""Elevation above which nothing may hide the sky [2]."""
_MOVES = tuple(
    (down, right, math.hypot(down, right))
    for down, right in ((0, 1), (1, 0), (1, 1), (1, -1), (1, 2), (1, -2), (2, 1), (2, -1))
)
"""King's and knight's moves to the cells that are read later: rows, columns, length in cells."""
_LONGEST = 1 / math.cos(math.atan(0.5) / 2)
"""A way by such moves is at most this much longer than the straight one."""


@dataclass(frozen=True)
class Footing:
    """What the ground offers to a checkpoint, from heights alone; arrays of shape (rows, cols) over judging cells.

    Attributes
    ----------
    up_m : ndarray
        Height of the ground at the cell's centre [m]; nan where unknown.
    slope_deg : ndarray
        Slope of the plane through the ground of three by three cells [deg]; nan beside unknown ground.
    uneven_m : ndarray
        Most by which the mean height of one of these cells departs from that plane [m].
    break_m : ndarray
        Distance from the cell's centre to the nearest cell that holds a break, to its near side [m].
    clear : ndarray of bool
        Nothing stands on the cell: no roof, no crown.
    open_sky : ndarray of bool
        Nothing in the top surface rises above `MOST_SKYLINE_DEG` as seen from the cell.
    top_known : bool
        Whether top surface and ground are both known; else what stands on the ground cannot be told.
    """

    up_m: Array
    slope_deg: Array
    uneven_m: Array
    break_m: Array
    clear: Mask
    open_sky: Mask
    top_known: bool


def read_footing(cells: CellGrid, layers: Layers) -> Footing:
    """Return what the ground offers to checkpoints, on the judging cells of a scene."""
    stride = max(1, round(1 / layers.ground.spacing_m))
    bend_m = BREAK_CHANGE * stride * layers.ground.spacing_m
    ground, top, known = layers.ground.heights_m, layers.top.heights_m, layers.ground.known & layers.top.known
    means, tops, off, breaks = out = np.empty((4, cells.rows, cells.cols))
    _read_cells(ground, top, known, cells.factor, stride, bend_m, out)
    clear = off <= GROUND_TOLERANCE_M
    if layers.foliage is not None:
        crowns = layers.foliage[: cells.rows * cells.factor, : cells.cols * cells.factor] > 0
        clear &= ~crowns.reshape(cells.rows, cells.factor, cells.cols, cells.factor).any(axis=(1, 3))
    slope_deg, uneven_m = _planes(means, cells.cell_m)
    up_m = np.where(np.isnan(means), np.nan, _centre_heights_m(ground, cells))
    skyline_m = _arriving(tops, math.tan(math.radians(MOST_SKYLINE_DEG)), cells.cell_m)
    return Footing(
        up_m=up_m,
        slope_deg=slope_deg,
        uneven_m=uneven_m,
        break_m=np.maximum(distance_m((breaks > 0) | ~clear, cells.cell_m) - cells.cell_m / 2, 0.0),
        clear=clear,
        # What is no higher than grass hides nothing.
        open_sky=skyline_m <= up_m + GROUND_TOLERANCE_M,
        top_known=layers.top is not layers.ground,
    )


def _centre_heights_m(z: Array, cells: CellGrid) -> Array:
    """Return the height of the triangulated surface at the centre of each cell: a vertex, or amid a diagonal."""
    first, last = cells.factor // 2, (cells.factor + 1) // 2
    corners = (z[at :: cells.factor, at :: cells.factor][: cells.rows, : cells.cols] for at in (first, last))
    return np.asarray(sum(corners) / 2)


@kernel
def _square_m(z: Array, row: int, col: int) -> float:
    """Return the mean height of a lattice square."""
    return float(z[row, col] + z[row, col + 1] + z[row + 1, col] + z[row + 1, col + 1]) / 4


@kernel
def _is_break(z: Array, row: int, col: int, stride: int, bend_m: float) -> bool:
    """Return whether the slope changes at a lattice square, along either axis or either diagonal."""
    rows, cols = z.shape[0] - 1, z.shape[1] - 1
    for down, right in ((0, 1), (1, 0), (1, 1), (1, -1)):
        r, c = down * stride, right * stride
        if min(row - r, col - abs(c)) < 0 or row + r >= rows or col + abs(c) >= cols:
            continue
        bend = abs(_square_m(z, row - r, col - c) - 2 * _square_m(z, row, col) + _square_m(z, row + r, col + c))
        if bend > bend_m * math.sqrt(down * down + right * right):
            return True
    return False


@kernel
def _read_cells(ground: Array, top: Array, known: Mask, factor: int, stride: int, bend_m: float, out: Array) -> None:
    """Fill, for each cell: mean ground height, highest top, most by which the top is off the ground, breaks or not."""
    means, tops, offs, breaks = out[0], out[1], out[2], out[3]
    rows, cols = means.shape
    for row in range(rows):
        for col in range(cols):
            total, highest, off, bent, seen = 0.0, -math.inf, -math.inf, False, True
            for r in range(row * factor, (row + 1) * factor):
                for c in range(col * factor, (col + 1) * factor):
                    total += _square_m(ground, r, c)
                    bent = bent or _is_break(ground, r, c, stride, bend_m)
                    for i, j in ((r, c), (r, c + 1), (r + 1, c), (r + 1, c + 1)):
                        seen = seen and known[i, j]
                        if known[i, j]:
                            highest, off = max(highest, top[i, j]), max(off, top[i, j] - ground[i, j])
            means[row, col] = total / factor**2 if seen else math.nan
            tops[row, col] = highest
            offs[row, col] = off
            breaks[row, col] = bent or not seen


def _planes(means: Array, cell_m: float) -> tuple[Array, Array]:
    """Return slope [deg] and largest residual [m] of the least-squares plane through three by three cell means."""
    z = np.pad(means, 1, constant_values=np.nan)
    across, down = z[:, :-2] + z[:, 1:-1] + z[:, 2:], z[:-2] + z[1:-1] + z[2:]
    per_row, per_col = (across[2:] - across[:-2]) / 6, (down[:, 2:] - down[:, :-2]) / 6
    mean, residual = (across[:-2] + across[1:-1] + across[2:]) / 9, np.zeros(means.shape)
    for i, j in np.ndindex(3, 3):
        plane = mean + (i - 1) * per_row + (j - 1) * per_col
        np.maximum(residual, np.abs(z[i : i + len(mean), j : j + mean.shape[1]] - plane), out=residual)
    return np.degrees(np.arctan(np.hypot(per_row, per_col) / cell_m)), residual


@kernel
def _pass_on(own: Array, arrives: Array, drop_m: float, way: int) -> None:
    """Pass heights on from cell to cell in one direction of reading, less what they lose on the way."""
    rows, cols = own.shape
    for step in range(rows * cols):
        place = step if way > 0 else rows * cols - 1 - step
        row, col = place // cols, place % cols
        best = arrives[row, col]
        for down, right, length in _MOVES:
            r, c = row - way * down, col - way * right
            if 0 <= r < rows and 0 <= c < cols:
                best = max(best, max(own[r, c], arrives[r, c]) - drop_m * length)
        arrives[row, col] = best


def _arriving(heights_m: Array, fall_per_m: float, cell_m: float) -> Array:
    """Return the highest of all cones that stand on the other cells and fall outward, shape (rows, cols) [m].

    Two readings of the grid, whatever the reach; ways go by king's and knight's moves, shortened so that they are
    never longer than the straight one, and up to 2.7 % shorter.
    """
    arrives = np.full(heights_m.shape, -np.inf)
    for way in (1, -1):
        _pass_on(heights_m, arrives, fall_per_m * cell_m / _LONGEST, way)
    return arrives


def distance_m(wanted: Mask, cell_m: float) -> Array:
    """Return the distance [m] between the centre of each cell and that of the nearest wanted one, up to 2.7 % less."""
    here = np.where(wanted, 0.0, -np.inf)
    return np.asarray(-np.maximum(here, _arriving(here, 1.0, cell_m)))
