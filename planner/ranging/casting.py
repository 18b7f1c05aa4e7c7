"""Pulses fired one ray at a time, where the scan-plane sweep does not serve.

Lives here: fixed beams, and scan lines beside faces so steep that a tilted scan plane cuts them twice.
Must not know legs or files.
"""

import numpy as np
import numpy.typing as npt

from planner.ground.kernels import kernel
from planner.ground.raycast import first_hit_on, triangle_plane
from planner.ground.surface import HeightGrid
from planner.ranging import sweep


def steep_blocks(grid: HeightGrid, tilt_rad: float, block: int, extremes: tuple[float, float]) -> npt.NDArray[np.bool_]:
    """Return the blocks of the lattice that may hold a second branch of a tilted scan plane's cut.

    Ground no steeper than 90 degrees less the tilt is cut once at each place across. A block counts when it or a
    neighbour within the plane's reach holds a steeper square. Empty where no square of the grid is that steep.

    Parameters
    ----------
    grid : HeightGrid
        The surface.
    tilt_rad : float
        Tilt of the scan plane from straight down [rad].
    block : int
        Squares a side of a block.
    extremes : (float, float)
        Least and greatest height of the grid [m].
    """
    none = np.zeros((0, 0), dtype=bool)
    lean = abs(np.tan(tilt_rad))
    if lean < 1e-9:
        return none
    z = grid.heights_m
    rise_e, rise_s = np.abs(np.diff(z, axis=1)), np.abs(np.diff(z, axis=0))
    east = np.maximum(rise_e[:-1], rise_e[1:])
    south = np.maximum(rise_s[:, :-1], rise_s[:, 1:])
    steep = east**2 + south**2 >= (grid.spacing_m / lean) ** 2
    if not steep.any():
        return none
    rows, cols = (-(-n // block) for n in steep.shape)
    padded = np.zeros((rows * block, cols * block), dtype=bool)
    padded[: steep.shape[0], : steep.shape[1]] = steep
    blocks = padded.reshape(rows, block, cols, block).any(axis=(1, 3))
    reach = 1 + int(np.ceil((extremes[1] - extremes[0]) * lean / (block * grid.spacing_m)))
    grown: npt.NDArray[np.bool_] = np.array(blocks)
    for row, col in np.argwhere(blocks):
        grown[max(row - reach, 0) : row + reach + 1, max(col - reach, 0) : col + reach + 1] = True
    return grown


@kernel
def meets_steep(steep, west, north, block_m, origin, axes, down, farthest):
    """Return whether a scan line crosses a marked block; looked at every half block."""
    forward_e, forward_n, _, sin_tilt = axes
    middle_e = origin[0] + forward_e * sin_tilt * down
    middle_n = origin[1] + forward_n * sin_tilt * down
    steps = int(np.ceil(farthest / (block_m / 2)))
    for step in range(-steps, steps + 1):
        across = step * block_m / 2
        col = int(np.floor((middle_e + across * forward_n - west) / block_m))
        row = int(np.floor((north - middle_n + across * forward_e) / block_m))
        if 0 <= row < steep.shape[0] and 0 <= col < steep.shape[1] and steep[row, col]:
            return True
    return False


@kernel
def _cast(z, top, west, north, spacing, origin, axes, angle, limits, cell_rows, cell_cols, tally, spans):
    """Fire one pulse at `angle` [rad] in the scan plane and count it where it lands."""
    forward_e, forward_n, cos_tilt, sin_tilt = axes
    across, down = np.sin(angle), np.cos(angle)
    east = forward_n * across + forward_e * sin_tilt * down
    northing = -forward_e * across + forward_n * sin_tilt * down
    rise = -cos_tilt * down
    x, y = (origin[0] - west) / spacing, (north - origin[1]) / spacing
    distance, row, col, upper = first_hit_on(z, top, x, y, origin[2], east / spacing, -northing / spacing, rise)
    if not distance > 0.0:
        return
    cell_row, cell_col = cell_rows[row], cell_cols[col]
    if cell_row < 0 or cell_col < 0:
        return
    corner, rise_e, rise_s = triangle_plane(z, row, col, upper)
    over = max(origin[2] - (corner + rise_e * (x - col) + rise_s * (y - row)), 0.0)
    plane2 = over * over / (1.0 + (rise_e * rise_e + rise_s * rise_s) / (spacing * spacing))
    nearest, strength2, extinction = limits
    if distance < nearest:
        channel = 1
    elif sweep.in_reach(distance, plane2, strength2, extinction):
        channel = 0
    else:
        channel = 3
    tally[cell_row, cell_col, channel] += 1
    spans[0, cell_row] = min(spans[0, cell_row], cell_col)
    spans[1, cell_row] = max(spans[1, cell_row], cell_col)


@kernel
def cast_line(
    z, top, west, north, spacing, origin, axes, scan, first, last, limits, cell_rows, cell_cols, tally, spans
):
    """Fire pulses `first` to `last` of one scan line, ray by ray."""
    kind, opening, _, pulses, shift, roll = scan
    for number in range(first, last):
        angle = sweep.pulse_angle(kind, number + shift, opening, pulses) + roll
        _cast(z, top, west, north, spacing, origin, axes, angle, limits, cell_rows, cell_cols, tally, spans)


@kernel
def cast_beam(z, top, west, north, spacing, origins, axes, roll, limits, cell_rows, cell_cols, tally, spans):
    """Fire a fixed beam once from each origin; returns the pulses fired."""
    for i in range(len(origins)):
        _cast(z, top, west, north, spacing, origins[i], axes, roll, limits, cell_rows, cell_cols, tally, spans)
    return len(origins)
