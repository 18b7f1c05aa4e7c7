"""Whole scan lines shared out over cells.

Lives here: kernels that fire the scan lines of one leg into a tally. Must not know legs as nouns, or how a tally is
judged. Lattice, squares, veil and sink are tuples as in `casting`.
"""

import numpy as np

from planner.ground.kernels import kernel
from planner.ground.raycast import triangle_plane
from planner.ranging import casting, sweep
from planner.ranging.fates import RETURNS, SHADOWED, easy_returns, fate
from planner.ranging.patterns import KIND, LINEAR, OPENING, PULSES, SWINGS, USABLE, pulse_angle, pulse_number

BLOCK = 32  # squares a side of the blocks that are checked for faces too steep for the sweep


@kernel
def _returns(piece, beams, scan, plane2, limits, cell):
    """Return how many pulses return from a piece of ground, and where there is a `cell` count there what is lost.

    Parameters
    ----------
    piece : tuple of float
        Across and down of the inner and of the outer end [m].
    beams : tuple of int
        Side, first pulse, how many.
    plane2 : float
        Squared distance of the sensor from the plane of the face [m2]; negative for leaves.
    """
    across_a, down_a, across_b, down_b = piece
    side, lowest, many = beams
    kind, opening, _, pulses, shift, roll = scan
    far = np.sqrt(max(across_a * across_a + down_a * down_a, across_b * across_b + down_b * down_b))
    length = np.sqrt((across_b - across_a) ** 2 + (down_b - down_a) ** 2)
    channel = fate(far, plane2, limits)
    if fate(far - length, plane2, limits) == channel:  # each fate is an interval of ranges
        if channel == RETURNS:
            return many
        if cell.size > 0:
            cell[channel] += many
        return 0
    returns = 0
    for number in range(lowest, lowest + many):
        beam = side * (pulse_angle(kind, number + shift, opening, pulses) + roll)
        channel = fate(sweep.range_on_piece(across_a, down_a, across_b, down_b, beam), plane2, limits)
        if channel == RETURNS:
            returns += 1
        elif cell.size > 0:
            cell[channel] += 1
    return returns


@kernel
def _count_side(pieces, places, count, first_piece, scan, span, lattice, squares, veil, limits, sink, origin, axes):
    """Share out the pulses of one side of a scan line over the cells its pieces lie in.

    `first_piece` is the side, the range straight down [m], and whether the first triangle is the upper one; `span`
    the first pulse of the line and the one past the last.
    """
    side, down_a, upper = first_piece
    kind, opening, _, pulses, shift, roll = scan
    z, _, _, _, west, north, spacing = lattice
    cell_rows, cell_cols, bare, porous = squares
    tally, shares, first_col, last_col = sink
    leafy, nobody = veil[0].density_per_m.size > 0, tally[0, 0, :0]
    nearest, most2, asked = easy_returns(limits)
    x, y, per_area = (origin[0] - west) / spacing, (north - origin[1]) / spacing, 1.0 / (spacing * spacing)
    per_rad = pulses / (2.0 * opening)
    centre = pulses / 2.0 - roll * per_rad - shift
    front = prior = _place(-roll, scan, span)
    across_a, range2_a = 0.0, down_a * down_a
    for k in range(count):
        across_b, down_b = pieces[k, sweep.ACROSS], pieces[k, sweep.DOWN]
        range2_b = across_b * across_b + down_b * down_b
        angle = side * pieces[k, sweep.ANGLE]
        if kind == LINEAR:  # the law of `_place`, with what is the same for all pieces taken out
            place = int(np.ceil(min(max(angle * per_rad + centre, span[0]), span[1])))
        else:
            place = _place(angle - roll, scan, span)
        if place != prior:
            visible = max(side * (place - front), 0)
            row, col = places[k, 0], places[k, 1]
            cell_row, cell_col = cell_rows[row], cell_cols[col]
            if cell_row >= 0 and cell_col >= 0:
                first_col[cell_row] = min(first_col[cell_row], cell_col)
                last_col[cell_row] = max(last_col[cell_row], cell_col)
                if abs(place - prior) > visible and not leafy:
                    tally[cell_row, cell_col, SHADOWED] += abs(place - prior) - visible
                if visible > 0:
                    corner, east, south = triangle_plane(z, row, col, upper)
                    over = max(origin[2] - (corner + east * (x - col) + south * (y - row)), 0.0)
                    over2, lean = over * over, 1.0 + (east * east + south * south) * per_area
                    far2 = max(range2_a, range2_b)
                    leaves = porous.size > 0 and porous[row, col]
                    if leaves:  # they face every way: the slope of the hull means nothing
                        over2, lean = far2, 1.0
                    if far2 * far2 * far2 * lean * asked <= over2 and far2 <= most2 and min(down_a, down_b) >= nearest:
                        returns = visible
                    else:
                        piece, beams = (across_a, down_a, across_b, down_b), (side, min(front, place), visible)
                        cell = nobody if leafy else tally[cell_row, cell_col]
                        returns = _returns(piece, beams, scan, -1.0 if leaves else over2 / lean, limits, cell)
                    if not leafy:
                        tally[cell_row, cell_col, RETURNS] += returns
                    if returns > 0 and leafy:
                        end = _point(origin, axes, side * (across_a + across_b) / 2, (down_a + down_b) / 2)
                        at = row, col, cell_row, cell_col
                        casting.count_beneath(squares, veil, limits, sink, origin, end, at, returns)
                    elif returns > 0 and bare.size > 0 and bare[row, col]:
                        shares[cell_row, cell_col, casting.GROUND] += returns
                        shares[cell_row, cell_col, casting.OPEN_GROUND] += returns
            if visible > 0:
                front = place
            prior = place
        upper = not upper
        across_a, down_a, range2_a = across_b, down_b, range2_b


@kernel
def _place(scan_angle, scan, span):
    """Return how many pulses of the line, counted on from number 0, lie before an angle from its middle [rad]."""
    kind, opening, _, pulses, shift, _ = scan
    return min(max(int(np.ceil(pulse_number(kind, scan_angle, opening, pulses) - shift)), span[0]), span[1])


@kernel
def _point(origin, axes, across, down):
    """Return the local place of a point across and down in the scan plane [m]; one point stands for its piece."""
    forward_e, forward_n, cos_tilt, sin_tilt = axes
    return (
        origin[0] + forward_n * across + forward_e * sin_tilt * down,
        origin[1] - forward_e * across + forward_n * sin_tilt * down,
        origin[2] - cos_tilt * down,
    )


@kernel
def _line_scan(figures, roll, index):
    """Return the scan of one line: its phase depends on how many pulses went before."""
    pulses = figures[PULSES]
    shift = np.ceil(index * pulses - 0.5) + 0.5 - index * pulses
    if figures[SWINGS] > 0 and index % 2 == 1:  # the mirror comes back: the same places counted from the other end
        shift = (pulses - shift) % 1.0
    return int(figures[KIND]), figures[OPENING], figures[USABLE], pulses, shift, roll


@kernel
def sweep_leg(lattice, squares, veil, limits, sink, origins, angles, figures, steep):
    """Fire all scan lines of a leg; returns pulses fired within the usable opening.

    Parameters
    ----------
    lattice, squares, veil, limits, sink : tuple
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
    pieces = np.empty((2, room, 3))
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
        widest = min(usable + abs(roll), sweep.NEARLY_LEVEL_RAD)
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
            casting.cast_line(lattice, squares, veil, limits, sink, origin, axes, scan, first, last)
            continue
        upper = sweep.starts_upper(start)
        for hand in range(2):
            _count_side(
                pieces[hand],
                places[hand],
                counts[hand],
                (1 - 2 * hand, down, upper),
                scan,
                (first, last),
                lattice,
                squares,
                veil,
                limits,
                sink,
                origin,
                axes,
            )
    return fired
