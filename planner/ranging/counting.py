"""Whole scan lines shared out over cells.

Lives here: kernels that fire the scan lines of one leg into a tally. Must not know legs as nouns, or how a tally is
judged. Lattice, squares, veil and sink are tuples as in `casting`.
"""

import numpy as np

from planner.ground.kernels import kernel
from planner.ground.raycast import triangle_plane
from planner.ranging import casting, sweep
from planner.ranging.fates import CHANNELS, RETURNS, SHADOWED, barred, chance_of, share_out, surely
from planner.ranging.patterns import KIND, LINEAR, OPENING, PULSES, SWINGS, USABLE, pulse_angle, pulse_number

SHORT = 0.08  # length of a piece to its range up to which its middle stands for it: chances change by a third at most

BLOCK = 32  # squares a side of the blocks that are checked for faces too steep for the sweep


@kernel
def _returns(piece, beams, scan, plane2, code, light, cell, others):
    """Share out the pulses of a piece of ground over a cell; return how many return as planned.

    Parameters
    ----------
    piece : tuple of float
        Across and down of the inner and of the outer end [m].
    beams : tuple of int
        Side, first pulse, how many.
    plane2 : float
        Squared distance of the sensor from the plane of the face [m2]; negative for leaves.
    code : int
        Class of surface.
    """
    across_a, down_a, across_b, down_b = piece
    side, lowest, many = beams
    kind, opening, _, pulses, shift, roll = scan
    range_a, range_b = np.sqrt(across_a**2 + down_a**2), np.sqrt(across_b**2 + down_b**2)
    middle = np.sqrt((across_a + across_b) ** 2 + (down_a + down_b) ** 2) / 2
    length = np.sqrt((across_b - across_a) ** 2 + (down_b - down_a) ** 2)
    far = max(range_a, range_b)
    near = max(far - length, 1e-6)  # no place of the piece is nearer
    height = np.sqrt(max(plane2, 0.0))
    blind = light.blind_before_m + light.blind_after_m
    alike = barred(light, near) == barred(light, far) and (blind == 0.0 or length < blind)
    steps = 3 if length > SHORT * near else 1
    if len(light.chances) == 2:  # a hard edge: all of a piece, or pulse by pulse
        steps = 1
        for case in range(len(light.strength2_m2)):
            at_near = chance_of(light, case, code, near, 1.0 if plane2 < 0.0 else min(height / near, 1.0))
            at_far = chance_of(light, case, code, far, 1.0 if plane2 < 0.0 else min(height / far, 1.0))
            alike = alike and at_near == at_far
    returns = 0.0
    if alike:  # one place stands for the piece, or three by Simpson's rule
        for step in range(steps):
            distance = middle if steps == 1 or step == 1 else (range_a if step == 0 else range_b)
            weight = (4.0 if step == 1 else 1.0) / 6.0 if steps == 3 else 1.0
            cos = 1.0 if plane2 < 0.0 else min(height / distance, 1.0)
            returns += share_out(light, code, distance, cos, many * weight, cell, others)
    else:
        for number in range(lowest, lowest + many):
            beam = side * (pulse_angle(kind, number + shift, opening, pulses) + roll)
            distance = sweep.range_on_piece(across_a, down_a, across_b, down_b, beam)
            cos = 1.0 if plane2 < 0.0 else min(height / distance, 1.0)
            returns += share_out(light, code, distance, cos, 1, cell, others)
    return returns


@kernel
def _count_side(pieces, places, count, first_piece, scan, span, lattice, squares, veil, light, sink, origin, axes):
    """Share out the pulses of one side of a scan line over the cells its pieces lie in.

    `first_piece` is the side, the range straight down [m], and whether the first triangle is the upper one; `span`
    the first pulse of the line and the one past the last.
    """
    side, down_a, upper = first_piece
    kind, opening, _, pulses, shift, roll = scan
    z, _, _, _, west, north, spacing = lattice
    cell_rows, cell_cols, bare, porous, codes = squares
    tally, shares, cases, first_col, last_col = sink
    leafy = veil[0].density_per_m.size > 0
    nobody, no_cases = np.zeros(CHANNELS), np.zeros(cases.shape[2])
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
                    code = codes[row, col] if codes.size > 0 else 0
                    if surely(light, code, far2, lean, over2) and min(down_a, down_b) >= light.nearest_m:
                        returns = float(visible)
                        if not leafy:
                            tally[cell_row, cell_col, RETURNS] += visible
                            for case in range(cases.shape[2]):
                                cases[cell_row, cell_col, case] += visible
                    else:
                        piece, beams = (across_a, down_a, across_b, down_b), (side, min(front, place), visible)
                        cell = nobody if leafy else tally[cell_row, cell_col]
                        others = no_cases if leafy else cases[cell_row, cell_col]
                        plane2 = -1.0 if leaves else over2 / lean
                        returns = _returns(piece, beams, scan, plane2, code, light, cell, others)
                    if returns > 0 and leafy:
                        end = _point(origin, axes, side * (across_a + across_b) / 2, (down_a + down_b) / 2)
                        at = row, col, cell_row, cell_col
                        casting.count_beneath(squares, veil, light, sink, origin, end, at, returns)
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
def sweep_leg(lattice, squares, veil, light, sink, origins, angles, figures, steep):
    """Fire all scan lines of a leg; returns pulses fired within the usable opening.

    Parameters
    ----------
    lattice, squares, veil, light, sink : tuple
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
            casting.cast_line(lattice, squares, veil, light, sink, origin, axes, scan, first, last)
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
                light,
                sink,
                origin,
                axes,
            )
    return fired
