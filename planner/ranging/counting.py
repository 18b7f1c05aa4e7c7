"""Whole scan lines shared out over cells.

Lives here: kernels that fire the scan lines of one leg into a tally. Must not know legs as nouns, or how a tally is
judged. Lattice, squares, crowns and sink are tuples as in `casting`.
"""

import numpy as np

from planner.ground.kernels import kernel
from planner.ranging import casting, sweep
from planner.ranging.canopy import transmission
from planner.ranging.fates import RETURNS, SHADOWED, fate, surely_returns
from planner.ranging.patterns import KIND, OPENING, PULSES, SWINGS, USABLE, pulse_angle, pulse_number

BLOCK = 32  # squares a side of the blocks that are checked for faces too steep for the sweep

NEARLY_LEVEL_RAD = 1.55  # how far out a scan line is walked goes with the tangent, which must stay finite (89 degrees)


@kernel
def _count_side(pieces, places, count, side, scan, lattice, squares, crowns, limits, sink, origin, axes, down_m):
    """Share out the pulses of one side of a scan line over the cells its pieces lie in."""
    kind, opening, usable, pulses, shift, roll = scan
    cell_rows, cell_cols, bare = squares
    tally, ground, first_col, last_col = sink
    leafy = crowns.density_per_m.size > 0
    front_angle = 0.0
    at_zero = min(max(-roll, -usable), usable)
    front = prior = int(np.ceil(pulse_number(kind, at_zero, opening, pulses) - shift))
    across_a, down_a = 0.0, down_m
    for k in range(count):
        angle = pieces[k, sweep.ANGLE]
        across_b, down_b = pieces[k, sweep.ACROSS], pieces[k, sweep.DOWN]
        scan_angle = min(max(side * angle - roll, -usable), usable)
        place = int(np.ceil(pulse_number(kind, scan_angle, opening, pulses) - shift))
        if place != prior:
            visible = side * (place - front) if angle > front_angle else 0
            row, col = places[k, 0], places[k, 1]
            cell_row, cell_col = cell_rows[row], cell_cols[col]
            if cell_row >= 0 and cell_col >= 0:
                shadowed = abs(place - prior) - visible
                first_col[cell_row] = min(first_col[cell_row], cell_col)
                last_col[cell_row] = max(last_col[cell_row], cell_col)
                cell = tally[cell_row, cell_col]
                returns = 0
                if visible > 0:
                    plane2 = pieces[k, sweep.PLANE2]
                    far = np.sqrt(max(across_a * across_a + down_a * down_a, across_b * across_b + down_b * down_b))
                    length = np.sqrt((across_b - across_a) ** 2 + (down_b - down_a) ** 2)
                    if surely_returns(far - length, far, plane2, limits):
                        returns = visible
                    else:
                        low = min(front, place)
                        for number in range(low, low + visible):
                            beam = side * (pulse_angle(kind, number + shift, opening, pulses) + roll)
                            distance = sweep.range_on_piece(across_a, down_a, across_b, down_b, beam)
                            channel = fate(distance, plane2, limits)
                            if channel == RETURNS:
                                returns += 1
                            elif not leafy:
                                cell[channel] += 1
                if not leafy:
                    cell[SHADOWED] += max(shadowed, 0)
                    cell[RETURNS] += returns
                if returns > 0 and bare.size > 0 and bare[row, col]:
                    chance = 1.0
                    if leafy:
                        middle = side * (across_a + across_b) / 2, (down_a + down_b) / 2
                        chance = _chance(crowns, origin, axes, middle)
                    ground[cell_row, cell_col, 0] += chance * returns
                    ground[cell_row, cell_col, 1] += returns
        if angle > front_angle:
            front_angle = angle
            front = place
        prior = place
        across_a, down_a = across_b, down_b


@kernel
def _chance(crowns, origin, axes, middle):
    """Return the chance that a pulse passes all crowns on its way to a place across and down in the scan plane."""
    forward_e, forward_n, cos_tilt, sin_tilt = axes
    across, down = middle
    end = (
        origin[0] + forward_n * across + forward_e * sin_tilt * down,
        origin[1] - forward_e * across + forward_n * sin_tilt * down,
        origin[2] - cos_tilt * down,
    )
    return transmission(crowns, end, origin)


@kernel
def _line_scan(figures, roll, index):
    """Return the scan of one line: its phase depends on how many pulses went before."""
    pulses = figures[PULSES]
    shift = np.ceil(index * pulses - 0.5) + 0.5 - index * pulses
    if figures[SWINGS] > 0 and index % 2 == 1:  # the mirror comes back: the same places counted from the other end
        shift = (pulses - shift) % 1.0
    return int(figures[KIND]), figures[OPENING], figures[USABLE], pulses, shift, roll


@kernel
def sweep_leg(lattice, squares, crowns, limits, sink, origins, angles, figures, steep):
    """Fire all scan lines of a leg; returns pulses fired within the usable opening.

    Parameters
    ----------
    lattice, squares, crowns, limits, sink : tuple
        What is met, where it is counted, what is passed, what returns, and what is filled.
    origins, angles : ndarray, shape (n, 3)
        Place [m], and yaw, tilt and roll [rad], of the sensor at each scan line.
    figures : ndarray, shape (10,)
        The pattern.
    steep : ndarray of bool, shape (m, k)
        Blocks of `BLOCK` squares beside faces too steep for the sweep.
    """
    z, bottom = lattice[0], lattice[3]
    room = 4 * (z.shape[0] + z.shape[1])
    pieces = np.empty((2, room, 4))
    places = np.empty((2, room, 2), dtype=np.int64)
    counts = np.zeros(2, dtype=np.int64)
    start = np.empty(6, dtype=np.int64)
    fired = 0
    for i in range(len(origins)):
        origin = origins[i]
        yaw, tilt, roll = angles[i]
        axes = np.sin(yaw), np.cos(yaw), np.cos(tilt), np.sin(tilt)
        scan = _line_scan(figures, roll, i)
        kind, opening, usable, pulses, shift, _ = scan
        widest = min(usable + abs(roll), NEARLY_LEVEL_RAD)
        first = int(np.ceil(pulse_number(kind, -usable, opening, pulses) - shift))
        last = int(np.ceil(pulse_number(kind, usable, opening, pulses) - shift))
        fired += last - first
        farthest = np.tan(widest) * (origin[2] - bottom) / axes[2]
        down = sweep.straight_down(lattice, origin, axes, start)
        by_cast = not down > 0.0 or (
            steep.size > 0 and casting.meets_steep(steep, lattice, BLOCK, origin, axes, down, farthest)
        )
        for hand in range(0 if by_cast else 2):
            side = 1 - 2 * hand
            counts[hand] = sweep.cut_side(
                lattice, origin, axes, start, side, widest, farthest, pieces[hand], places[hand]
            )
        if by_cast or counts.min() < 0:
            casting.cast_line(lattice, squares, crowns, limits, sink, origin, axes, scan, first, last)
            continue
        for hand in range(2):
            _count_side(
                pieces[hand],
                places[hand],
                counts[hand],
                1 - 2 * hand,
                scan,
                lattice,
                squares,
                crowns,
                limits,
                sink,
                origin,
                axes,
                down,
            )
    return fired
