"""Pulses fired one ray at a time, where the scan-plane sweep does not serve.

Lives here: patterns that do not scan a plane, and scan lines beside faces so steep that a tilted scan plane cuts them
twice. Must not know legs or files.

A lattice is a tuple: heights, ceilings, highest and lowest vertex, west, north, spacing. `squares` is a tuple: row and
column of the cell that each lattice row and column lies in (-1 for none), which squares are bare ground, and which hold
crowns (each empty where nobody asks). `veil` is a tuple: the crowns to be passed, and the lattice of their hull; with
crowns it is counted what comes from beneath them, without them what meets the top surface and what is lost. A sink is a
tuple: tally, shares, first and last column touched in each row of cells; the places of shares are below.
"""

import numpy as np
import numpy.typing as npt

from planner.ground.kernels import kernel
from planner.ground.raycast import first_hit_under, triangle_plane
from planner.ground.surface import HeightGrid
from planner.ranging.canopy import transmission
from planner.ranging.fates import RETURNS, fate
from planner.ranging.patterns import USABLE, beam_direction, pulse_angle

GROUND, OPEN_GROUND, UNVEILED = range(3)
"""Shares of a cell: expected returns from bare ground; those were there no crowns; first returns that come from beneath
crowns, less those which `fates.RETURNS` counts at the hull though they come from beneath it."""

SHARES = 3


def steep_blocks(grid: HeightGrid, tilt_rad: float, block: int, extremes: tuple[float, float]) -> npt.NDArray[np.bool_]:
    """Return the blocks of the lattice that may hold a second branch of a tilted scan plane's cut.

    Ground no steeper than 90 degrees less the tilt is cut once at each place across. A block counts when it or a
    neighbour within the plane's reach holds a steeper square. Empty where no square of the grid is that steep.

    Parameters
    ----------
    grid : HeightGrid
        The surface.
    tilt_rad : float
        Largest tilt of the scan plane from straight down [rad].
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
def meets_steep(steep, lattice, block, origin, axes, down, farthest):
    """Return whether a scan line crosses a marked block; looked at every half block."""
    _, _, _, _, west, north, spacing = lattice
    block_m = block * spacing
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
def land(lattice, origin, east, northing, rise):
    """Return where a ray lands: range [m], row, column, squared distance of the origin from the face's plane [m2].

    The range is 0 where nothing is met.
    """
    z, ceilings, top, _, west, north, spacing = lattice
    x, y = (origin[0] - west) / spacing, (north - origin[1]) / spacing
    distance, row, col, upper = first_hit_under(
        z, ceilings, top, x, y, origin[2], east / spacing, -northing / spacing, rise
    )
    if not distance > 0.0:
        return 0.0, 0, 0, 0.0
    corner, rise_e, rise_s = triangle_plane(z, row, col, upper)
    over = max(origin[2] - (corner + rise_e * (x - col) + rise_s * (y - row)), 0.0)
    return distance, row, col, over * over / (1.0 + (rise_e * rise_e + rise_s * rise_s) / (spacing * spacing))


@kernel
def count_beneath(squares, veil, limits, sink, origin, end, place, returns):
    """Count pulses that come back from beneath crowns, if there are any on their way.

    Parameters
    ----------
    squares, veil, limits, sink : tuple
        See the module; `limits` as in `fates`.
    origin, end : indexable, 3 values
        The sensor, and where the pulses land: east, north, up [m].
    place : tuple of int
        Row and column of the lattice square, row and column of its cell.
    returns : int
        Pulses that return were there no crowns.
    """
    cell_rows, cell_cols, bare, _ = squares
    _, shares, first_col, last_col = sink
    crowns, hull = veil
    row, col, cell_row, cell_col = place
    chance = transmission(crowns, end, origin)
    if bare.size > 0 and bare[row, col]:
        shares[cell_row, cell_col, GROUND] += chance * returns
        shares[cell_row, cell_col, OPEN_GROUND] += returns
    # Core and rim of the beam must both pass for the first return to come from beneath; see `canopy`.
    free = returns * (chance * chance if limits[5] > 1 else chance)
    if chance < 1.0 and free > 0.0:
        east, northing, rise = end[0] - origin[0], end[1] - origin[1], end[2] - origin[2]
        length = np.sqrt(east * east + northing * northing + rise * rise)
        distance, row, col, _ = land(hull, origin, east / length, northing / length, rise / length)
        hull_row, hull_col = cell_rows[row], cell_cols[col]
        if distance > 0.0 and hull_row >= 0 and hull_col >= 0:
            shares[cell_row, cell_col, UNVEILED] += free
            shares[hull_row, hull_col, UNVEILED] -= free
            first_col[hull_row] = min(first_col[hull_row], hull_col)
            last_col[hull_row] = max(last_col[hull_row], hull_col)


@kernel
def _cast(lattice, squares, veil, limits, sink, origin, east, northing, rise):
    """Fire one pulse in a direction and count it where it lands."""
    distance, row, col, plane2 = land(lattice, origin, east, northing, rise)
    cell_rows, cell_cols, bare, porous = squares
    cell_row, cell_col = cell_rows[row], cell_cols[col]
    if distance == 0.0 or cell_row < 0 or cell_col < 0:
        return
    tally, shares, first_col, last_col = sink
    first_col[cell_row] = min(first_col[cell_row], cell_col)
    last_col[cell_row] = max(last_col[cell_row], cell_col)
    if porous.size > 0 and porous[row, col]:  # leaves face every way: the slope of the hull means nothing
        plane2 = -1.0
    channel = fate(distance, plane2, limits)
    if veil[0].density_per_m.size > 0:
        if channel == RETURNS:
            end = (origin[0] + distance * east, origin[1] + distance * northing, origin[2] + distance * rise)
            count_beneath(squares, veil, limits, sink, origin, end, (row, col, cell_row, cell_col), 1)
        return
    tally[cell_row, cell_col, channel] += 1
    if channel == RETURNS and bare.size > 0 and bare[row, col]:
        shares[cell_row, cell_col, GROUND] += 1.0
        shares[cell_row, cell_col, OPEN_GROUND] += 1.0


@kernel
def cast_line(lattice, squares, veil, limits, sink, origin, axes, scan, first, last):
    """Fire pulses `first` to `last` of one scan line, ray by ray."""
    kind, opening, _, pulses, shift, roll = scan
    forward_e, forward_n, cos_tilt, sin_tilt = axes
    for number in range(first, last):
        angle = pulse_angle(kind, number + shift, opening, pulses) + roll
        across, down = np.sin(angle), np.cos(angle)
        east = forward_n * across + forward_e * sin_tilt * down
        northing = -forward_e * across + forward_n * sin_tilt * down
        _cast(lattice, squares, veil, limits, sink, origin, east, northing, -cos_tilt * down)


@kernel
def cast_pulses(lattice, squares, veil, limits, sink, origins, turns, samples_per_pulse, figures, elevations, count):
    """Fire `count` pulses of any pattern, ray by ray; returns how many lie within the usable opening.

    Parameters
    ----------
    origins, turns : ndarray, shapes (n, 3) and (n, 3, 3)
        Places of the sensor [m], and matrices from its axes to east, north, up, at the middle of each sample.
    samples_per_pulse : float
        Samples from one pulse to the next; the place is interpolated between samples, the attitude is the nearest.
    figures, elevations : ndarray
        The pattern, as for `beam_direction`.
    count : int
        Pulses of the leg.
    """
    fired = 0
    last = len(origins) - 1
    origin = np.empty(3)
    for number in range(count):
        forward, right, down, angle = beam_direction(figures, elevations, number)
        if abs(angle) > figures[USABLE] + 1e-12:
            continue
        fired += 1
        place = (number + 0.5) * samples_per_pulse
        sample = min(int(place), last)
        before = min(max(int(np.floor(place - 0.5)), 0), max(last - 1, 0))
        share = place - 0.5 - before
        turn = turns[sample]
        for axis in range(3):
            origin[axis] = origins[before, axis]
            if last > 0:
                origin[axis] += share * (origins[before + 1, axis] - origins[before, axis])
        _cast(
            lattice,
            squares,
            veil,
            limits,
            sink,
            origin,
            turn[0, 0] * forward + turn[0, 1] * right + turn[0, 2] * down,
            turn[1, 0] * forward + turn[1, 1] * right + turn[1, 2] * down,
            turn[2, 0] * forward + turn[2, 1] * right + turn[2, 2] * down,
        )
    return fired
