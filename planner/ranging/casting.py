"""Pulses fired one ray at a time, where the scan-plane sweep does not serve.

Lives here: patterns that do not scan a plane, and scan lines beside faces so steep that a tilted scan plane cuts them
twice. Must not know legs or files.

A lattice is a tuple: heights, ceilings, highest and lowest vertex, west, north, spacing.
"""

from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from planner.ground.kernels import kernel, lent
from planner.ground.raycast import BATCH, down_to_ceiling, entry_of, hit_from, pasted
from planner.ground.surface import HeightGrid
from planner.ranging.canopy import Crowns, transmission
from planner.ranging.fates import (
    GROUND,
    OPEN_GROUND,
    RETURNS,
    UNVEILED,
    Light,
    barred,
    chance_of,
    share_out,
    surely,
)
from planner.ranging.patterns import direction_table, next_directions, pulse_angle
from planner.ranging.sinks import MIXED, SURE, SURE_GROUND, Sink


class Firing(NamedTuple):
    """What pulses meet, what becomes of them, and where they are counted.

    Attributes
    ----------
    lattice : tuple
        What pulses meet: see the module.
    squares : tuple
        Row and column of the cell that each lattice row and column lies in (-1 for none), which squares are bare
        ground, which hold crowns, and of which class each is (each empty where nobody asks).
    veil : tuple
        The crowns to be passed, and the lattice of their hull. With crowns it is counted what comes from beneath them,
        without them what meets the top surface and what is lost.
    light : Light
        What returns.
    sink : Sink
        What is filled.
    """

    lattice: tuple[Any, ...]
    squares: tuple[Any, ...]
    veil: tuple[Crowns, tuple[Any, ...]]
    light: Light
    sink: Sink


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


@pasted
def _walk(lattice, ray):
    """Return a ray in squares as `raycast` walks it, 1 over its leans, and the ranges to look between [m]."""
    z, _, top, _, west, north, spacing = lattice
    x, y, height = (ray[0] - west) / spacing, (north - ray[1]) / spacing, ray[2]
    entry = entry_of(z.shape, top, x, y, height, ray[3] / spacing, -ray[4] / spacing, ray[5])
    dx, dy, per_dx, per_dy, near, far = entry
    return (x, y, height, dx, dy, ray[5]), (per_dx, per_dy), near, far


@pasted
def over_face(z, spacing, x, y, height, row, col, upper):
    """Return how a place, in squares and its height [m], lies over the plane of a face.

    Its squared height over the plane, taken vertically [m2], and the squared length of the face's normal whose upward
    part is 1.
    """
    corner, opposite = z[row, col], z[row + 1, col + 1]
    beside = z[row, col + 1] if upper else z[row + 1, col]
    rise_e, rise_s = (beside - corner, opposite - beside) if upper else (opposite - beside, beside - corner)
    over = max(height - (corner + rise_e * (x - col) + rise_s * (y - row)), 0.0)
    return over * over, 1.0 + (rise_e * rise_e + rise_s * rise_s) / (spacing * spacing)


@kernel
def land(lattice, origin, east, northing, rise):
    """Return where a ray lands: range [m], row, column, squared distance of the origin from the face's plane [m2].

    The range is 0 where nothing is met.
    """
    z, ceilings, spacing = lattice[0], lattice[1], lattice[6]
    ray, pace, near, far = _walk(lattice, (origin[0], origin[1], origin[2], east, northing, rise))
    begin = down_to_ceiling(ceilings, z.shape, ray, pace, near, far)
    distance, row, col, upper = hit_from(z, ceilings, ray, pace, begin, far)
    plane2 = 0.0
    if distance > 0.0:
        over2, lean = over_face(z, spacing, ray[0], ray[1], ray[2], row, col, upper)
        plane2 = over2 / lean
    else:
        distance, row, col = 0.0, 0, 0
    return distance, row, col, plane2


@kernel
def count_beneath(firing, origin, end, place, returns):
    """Count pulses that come back from beneath crowns, if there are any on their way.

    Parameters
    ----------
    firing : Firing
        What pulses meet.
    origin, end : tuple of float
        The sensor, and where the pulses land: east, north, up [m].
    place : tuple of int
        Row and column of the lattice square, row and column of its cell.
    returns : float
        Pulses that return were there no crowns.
    """
    firing = lent(firing)
    cell_rows, cell_cols, bare, _, _ = firing.squares
    whole, parts, first_col, last_col = firing.sink
    crowns, hull = firing.veil
    row, col, cell_row, cell_col = place
    chance = transmission(crowns, end, origin)
    whole[cell_row, cell_col, MIXED] = 1
    if bare.size > 0 and bare[row, col]:
        parts[cell_row, cell_col, GROUND] += chance * returns
        parts[cell_row, cell_col, OPEN_GROUND] += returns
    # Core and rim of the beam must both pass for the first return to come from beneath; see `canopy`.
    free = returns * (chance * chance if firing.light.returns_per_pulse > 1 else chance)
    if chance < 1.0 and free > 0.0:
        east, northing, rise = end[0] - origin[0], end[1] - origin[1], end[2] - origin[2]
        length = np.sqrt(east * east + northing * northing + rise * rise)
        distance, row, col, _ = land(hull, origin, east / length, northing / length, rise / length)
        hull_row, hull_col = cell_rows[row], cell_cols[col]
        if distance > 0.0 and hull_row >= 0 and hull_col >= 0:
            whole[hull_row, hull_col, MIXED] = 1
            parts[cell_row, cell_col, UNVEILED] += free
            parts[hull_row, hull_col, UNVEILED] -= free
            first_col[hull_row] = min(first_col[hull_row], hull_col)
            last_col[hull_row] = max(last_col[hull_row], hull_col)


@kernel
def _land_all(lattice, rays, count, ends, squares):
    """Do for the first `count` rays what `land` does; fills `ends` with ranges and plane distances, and `squares`."""
    z, ceilings, spacing = lattice[0], lattice[1], lattice[6]
    walks = np.empty((10, BATCH))
    for i in range(count):
        ray = rays[0, i], rays[1, i], rays[2, i], rays[3, i], rays[4, i], rays[5, i]
        (x, y, height, dx, dy, dh), (per_dx, per_dy), near, far = _walk(lattice, ray)
        walks[0, i], walks[1, i], walks[2, i], walks[3, i], walks[4, i], walks[5, i] = x, y, height, dx, dy, dh
        walks[6, i], walks[7, i], walks[8, i], walks[9, i] = per_dx, per_dy, near, far
    for i in range(count):
        ray = walks[0, i], walks[1, i], walks[2, i], walks[3, i], walks[4, i], walks[5, i]
        walks[8, i] = down_to_ceiling(ceilings, z.shape, ray, (walks[6, i], walks[7, i]), walks[8, i], walks[9, i])
    for i in range(count):
        ray = walks[0, i], walks[1, i], walks[2, i], walks[3, i], walks[4, i], walks[5, i]
        distance, row, col, upper = hit_from(z, ceilings, ray, (walks[6, i], walks[7, i]), walks[8, i], walks[9, i])
        ends[0, i], ends[1, i] = 0.0, 0.0
        if distance > 0.0:
            over2, lean = over_face(z, spacing, ray[0], ray[1], ray[2], row, col, upper)
            ends[0, i], ends[1, i] = distance, over2 / lean
        squares[0, i], squares[1, i] = row, col


@kernel
def _fire(firing, rays, count):
    """Fire the first `count` rays, shape (6, BATCH): origin and direction; count each where it lands."""
    firing = lent(firing)
    ends, met = np.empty((2, BATCH)), np.empty((2, BATCH), dtype=np.int64)
    _land_all(firing.lattice, rays, count, ends, met)
    cell_rows, cell_cols, bare, porous, codes = firing.squares
    whole, parts, first_col, last_col = firing.sink
    light = firing.light
    asked, sure_m2, nearest_m = light.asked, light.sure_m2, light.nearest_m
    leafy, some_porous, some_bare, some_codes = (
        firing.veil[0].density_per_m.size > 0,
        porous.size > 0,
        bare.size > 0,
        codes.size > 0,
    )
    for i in range(count):
        distance, plane2, row, col = ends[0, i], ends[1, i], met[0, i], met[1, i]
        cell_row, cell_col = cell_rows[row], cell_cols[col]
        if distance > 0.0 and cell_row >= 0 and cell_col >= 0:
            first_col[cell_row] = min(first_col[cell_row], cell_col)
            last_col[cell_row] = max(last_col[cell_row], cell_col)
            distance2 = distance * distance
            if some_porous and porous[row, col]:  # leaves face every way: the slope of the hull means nothing
                plane2 = distance2
            cos = min(np.sqrt(plane2) / distance, 1.0)
            code = codes[row, col] if some_codes else 0
            on_bare = some_bare and bare[row, col]
            if leafy:
                if barred(light, distance) == RETURNS:
                    origin = rays[0, i], rays[1, i], rays[2, i]
                    end = (
                        origin[0] + distance * rays[3, i],
                        origin[1] + distance * rays[4, i],
                        origin[2] + distance * rays[5, i],
                    )
                    returns = chance_of(light, 0, code, distance, cos)
                    count_beneath(firing, origin, end, (row, col, cell_row, cell_col), returns)
            elif distance >= nearest_m and surely(asked[code], sure_m2[code], distance2, 1.0, plane2):
                whole[cell_row, cell_col, SURE] += 1
                whole[cell_row, cell_col, SURE_GROUND] += on_bare
            else:
                whole[cell_row, cell_col, MIXED] = 1
                returns = share_out(light, code, distance, cos, 1.0, parts[cell_row, cell_col])
                if on_bare:
                    parts[cell_row, cell_col, GROUND] += returns
                    parts[cell_row, cell_col, OPEN_GROUND] += returns


@kernel
def cast_line(firing, line):
    """Fire all pulses of one scan line, given as in `counting`, ray by ray."""
    origin, axes, scan, span = line
    kind, opening, _, pulses, shift, roll = scan
    forward_e, forward_n, cos_tilt, sin_tilt = axes
    rays = np.empty((6, BATCH))
    for start in range(span[0], span[1], BATCH):
        count = min(BATCH, span[1] - start)
        for i in range(count):
            angle = pulse_angle(kind, start + i + shift, opening, pulses) + roll
            across, down = np.sin(angle), np.cos(angle)
            rays[0, i], rays[1, i], rays[2, i] = origin
            rays[3, i] = forward_n * across + forward_e * sin_tilt * down
            rays[4, i] = -forward_e * across + forward_n * sin_tilt * down
            rays[5, i] = -cos_tilt * down
        _fire(firing, rays, count)


@kernel
def _to_world(origins, turns, samples_per_pulse, numbers, count, rays):
    """Fill the rays of pulses whose directions in the sensor's axes, rows 3 to 5 of `rays`, become east, north, up."""
    last = len(origins) - 1
    for i in range(count):
        place = (numbers[i] + 0.5) * samples_per_pulse
        sample = min(int(place), last)
        before = min(max(int(np.floor(place - 0.5)), 0), max(last - 1, 0))
        after = min(before + 1, last)
        share = place - 0.5 - before
        forward, right, down = rays[3, i], rays[4, i], rays[5, i]
        for axis in range(3):
            start = origins[before, axis]
            rays[axis, i] = start + share * (origins[after, axis] - start)
            rays[3 + axis, i] = (
                turns[sample, axis, 0] * forward + turns[sample, axis, 1] * right + turns[sample, axis, 2] * down
            )


@kernel
def cast_pulses(firing, origins, turns, samples_per_pulse, figures, elevations, count):
    """Fire `count` pulses of any pattern, ray by ray; returns how many lie within the usable opening.

    Parameters
    ----------
    firing : Firing
        What pulses meet.
    origins, turns : ndarray, shapes (n, 3) and (n, 3, 3)
        Places of the sensor [m], and matrices from its axes to east, north, up, at the middle of each sample.
    samples_per_pulse : float
        Samples from one pulse to the next; the place is interpolated between samples, the attitude is the nearest.
    figures, elevations : ndarray
        The pattern, as for `beam_direction`.
    count : int
        Pulses of the leg.
    """
    firing = lent(firing)
    table = direction_table(figures, elevations)
    rays, numbers = np.empty((6, BATCH)), np.empty(BATCH, dtype=np.int64)
    fired = following = 0
    while following < count:
        following, kept = next_directions(figures, table, following, count, numbers, rays[3:])
        _to_world(origins, turns, samples_per_pulse, numbers, kept, rays)
        _fire(firing, rays, kept)
        fired += kept
    return fired
