"""Whole scan lines shared out over cells.

Lives here: kernels that fire the scan lines of one leg into a sink. Must not know legs as nouns, or how a tally is
judged.

A line is a tuple: place of the sensor [m]; its axes, sine and cosine of yaw, cosine and sine of tilt; its scan, kind,
opening, usable opening, pulses, shift and roll; and its span, the first pulse and the one past the last.
"""

import numpy as np

from planner.ground.kernels import kernel, lent
from planner.ranging import casting, sweep
from planner.ranging.casting import over_face
from planner.ranging.fates import GROUND, OPEN_GROUND, OTHERS, barred, chance_of, share_out, surely
from planner.ranging.patterns import KIND, LINEAR, OPENING, PULSES, SWINGS, USABLE, pulse_angle, pulse_number
from planner.ranging.sinks import HIDDEN, MIXED, SURE, SURE_GROUND

# Columns of beams: a piece, the first pulse on it, how many land there, and how many it would have met were it seen.
PIECE, LOWEST, MANY, UNSEEN = range(4)

SHORT = 0.08  # length of a piece to its range up to which its middle stands for it: chances change by a third at most

BLOCK = 32  # squares a side of the blocks that are checked for faces too steep for the sweep


@kernel
def _returns(piece, beams, scan, plane2, code, light, cell):
    """Share out the pulses of a piece of ground over the record of a cell; return how many return as planned.

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
    light, cell = lent(light), lent(cell)
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
            returns += share_out(light, code, distance, cos, many * weight, cell)
    else:
        for number in range(lowest, lowest + many):
            beam = side * (pulse_angle(kind, number + shift, opening, pulses) + roll)
            distance = sweep.range_on_piece(across_a, down_a, across_b, down_b, beam)
            cos = 1.0 if plane2 < 0.0 else min(height / distance, 1.0)
            returns += share_out(light, code, distance, cos, 1, cell)
    return returns


@kernel
def _share_pulses(pieces, count, side, line, beams):
    """Tell which pulses of one side of a scan line land on which piece.

    Fills `beams`, a row for each piece that pulses point at, and returns how many these are.
    """
    scan, span = line[2], line[3]
    kind, opening, _, pulses, shift, roll = scan
    per_rad = pulses / (2.0 * opening)
    centre = pulses / 2.0 - roll * per_rad - shift
    front = prior = _place(-roll, scan, span)
    found = 0
    for k in range(count):
        angle = side * pieces[k + 1, sweep.ANGLE]
        if kind == LINEAR:  # the law of `_place`, with what is the same for all pieces taken out
            place = int(np.ceil(min(max(angle * per_rad + centre, span[0]), span[1])))
        else:
            place = _place(angle - roll, scan, span)
        if place != prior:
            many = max(side * (place - front), 0)
            beams[found, PIECE], beams[found, LOWEST] = k, min(front, place)
            beams[found, MANY], beams[found, UNSEEN] = many, abs(place - prior) - many
            found += 1
            if many > 0:
                front = place
            prior = place
    return found


@kernel
def _count_sure(pieces, places, upper, beams, found, origin, firing):
    """Count the pulses of one side of a scan line of which one comparison tells that they return.

    Moves the rows of `beams` that are left to the front, and returns how many these are.
    """
    z, _, _, _, west, north, spacing = firing.lattice
    cell_rows, cell_cols, bare, porous, codes = firing.squares
    whole, _, first_col, last_col = firing.sink
    asked, sure_m2, nearest_m = firing.light.asked, firing.light.sure_m2, firing.light.nearest_m
    leafy, some_porous, some_bare, some_codes = (
        firing.veil[0].density_per_m.size > 0,
        porous.size > 0,
        bare.size > 0,
        codes.size > 0,
    )
    x, y = (origin[0] - west) / spacing, (north - origin[1]) / spacing
    left = 0
    for beam in range(found):
        k, many = beams[beam, PIECE], beams[beam, MANY]
        row, col = places[k, 0], places[k, 1]
        cell_row, cell_col = cell_rows[row], cell_cols[col]
        if cell_row >= 0 and cell_col >= 0:
            first_col[cell_row] = min(first_col[cell_row], cell_col)
            last_col[cell_row] = max(last_col[cell_row], cell_col)
            if not leafy:
                whole[cell_row, cell_col, HIDDEN] += beams[beam, UNSEEN]
            if many > 0:
                across_a, down_a = pieces[k, sweep.ACROSS], pieces[k, sweep.DOWN]
                across_b, down_b = pieces[k + 1, sweep.ACROSS], pieces[k + 1, sweep.DOWN]
                far2 = max(across_a * across_a + down_a * down_a, across_b * across_b + down_b * down_b)
                over2, lean = over_face(z, spacing, x, y, origin[2], row, col, upper != (k % 2 == 1))
                if some_porous and porous[row, col]:  # they face every way: the slope of the hull means nothing
                    over2, lean = far2, 1.0
                code = codes[row, col] if some_codes else 0
                sure = surely(asked[code], sure_m2[code], far2, lean, over2) and min(down_a, down_b) >= nearest_m
                if sure and not leafy:
                    whole[cell_row, cell_col, SURE] += many
                    if some_bare and bare[row, col]:
                        whole[cell_row, cell_col, SURE_GROUND] += many
                else:
                    for column in range(4):
                        beams[left, column] = beams[beam, column]
                    left += 1
    return left


@kernel
def _count_rest(pieces, places, upper, beams, side, line, firing):
    """Share out pulses that may or may not return, or that may come from beneath crowns."""
    firing = lent(firing)
    origin, axes, scan, _ = line
    z, _, _, _, west, north, spacing = firing.lattice
    cell_rows, cell_cols, bare, porous, codes = firing.squares
    whole, parts = firing.sink.whole, firing.sink.parts
    leafy, cases = firing.veil[0].density_per_m.size > 0, len(firing.light.strength2_m2) - 1
    cell = np.zeros(OTHERS + cases)  # beneath crowns what does not return was counted at the hull
    for beam in range(len(beams)):
        k, lowest, many = beams[beam, PIECE], beams[beam, LOWEST], beams[beam, MANY]
        row, col = places[k, 0], places[k, 1]
        cell_row, cell_col = cell_rows[row], cell_cols[col]
        across_a, down_a = pieces[k, sweep.ACROSS], pieces[k, sweep.DOWN]
        across_b, down_b = pieces[k + 1, sweep.ACROSS], pieces[k + 1, sweep.DOWN]
        x, y = (origin[0] - west) / spacing, (north - origin[1]) / spacing
        over2, lean = over_face(z, spacing, x, y, origin[2], row, col, upper != (k % 2 == 1))
        plane2 = -1.0 if porous.size > 0 and porous[row, col] else over2 / lean
        code = codes[row, col] if codes.size > 0 else 0
        if not leafy:
            whole[cell_row, cell_col, MIXED] = 1
            cell = parts[cell_row, cell_col]
        piece = across_a, down_a, across_b, down_b
        returns = _returns(piece, (side, lowest, many), scan, plane2, code, firing.light, cell)
        if leafy and returns > 0.0:
            end = _point(origin, axes, side * (across_a + across_b) / 2, (down_a + down_b) / 2)
            casting.count_beneath(firing, origin, end, (row, col, cell_row, cell_col), returns)
        elif bare.size > 0 and bare[row, col]:
            cell[GROUND] += returns
            cell[OPEN_GROUND] += returns


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
def sweep_leg(firing, origins, angles, figures, steep):
    """Fire all scan lines of a leg; returns pulses fired within the usable opening.

    Parameters
    ----------
    firing : Firing
        What pulses meet.
    origins, angles : ndarray, shape (n, 3)
        Place [m], and yaw, tilt and roll [rad], of the sensor at each scan line.
    figures : ndarray, shape (10,)
        The pattern.
    steep : ndarray of bool, shape (m, k)
        Blocks of `BLOCK` squares beside faces too steep for the sweep.
    """
    firing = lent(firing)
    lattice = firing.lattice
    z, bottom = lattice[0], lattice[3]
    room = 4 * (z.shape[0] + z.shape[1])
    pieces = np.empty((2, room + 1, 3))  # the inner end of the first, then all outer ends
    places = np.empty((2, room, 2), dtype=np.int64)
    beams = np.empty((room, 4), dtype=np.int64)
    counts = np.zeros(2, dtype=np.int64)
    start = np.empty(6, dtype=np.int64)
    fired = 0
    for i in range(len(origins)):
        origin = origins[i, 0], origins[i, 1], origins[i, 2]
        yaw, tilt, roll = angles[i]
        axes = np.sin(yaw), np.cos(yaw), np.cos(tilt), np.sin(tilt)
        scan = _line_scan(figures, roll, i)
        kind, opening, usable, pulses, shift, _ = scan
        widest = min(usable + abs(roll), sweep.NEARLY_LEVEL_RAD)
        first = int(np.ceil(pulse_number(kind, -usable, opening, pulses) - shift))
        last = int(np.ceil(pulse_number(kind, usable, opening, pulses) - shift))
        line = origin, axes, scan, (first, last)
        fired += last - first
        farthest = np.tan(widest) * (origin[2] - bottom) / axes[2]
        down = sweep.straight_down(lattice, origin, axes, start)
        by_cast = not down > 0.0 or (
            steep.size > 0 and casting.meets_steep(steep, lattice, BLOCK, origin, axes, down, farthest)
        )
        for hand in range(0 if by_cast else 2):
            pieces[hand, 0, sweep.ACROSS], pieces[hand, 0, sweep.DOWN] = 0.0, down
            counts[hand] = sweep.cut_side(
                lattice, origin, axes, start, 1 - 2 * hand, widest, farthest, pieces[hand, 1:], places[hand]
            )
        if by_cast or counts.min() < 0:
            casting.cast_line(firing, line)
            continue
        upper = sweep.starts_upper(start)
        for hand in range(2):
            side = 1 - 2 * hand
            found = _share_pulses(pieces[hand], counts[hand], side, line, beams)
            left = _count_sure(pieces[hand], places[hand], upper, beams, found, origin, firing)
            if left > 0:
                _count_rest(pieces[hand], places[hand], upper, beams[:left], side, line, firing)
    return fired
