"""The scan-plane sweep: a whole scan line against the triangulated ground in one walk.

Lives here: kernels for one scan line. Must not know legs, cells of a job or files.

All beams of a scan line lie in one plane. The plane cuts the triangulated ground in a polyline, which is walked
outward from the beam straight down in the plane, from triangle to triangle: of the current triangle, the edge
whose ends lie on opposite sides of the plane leads on; the far vertex of the next triangle completes the
parallelogram (a + b - o on this lattice). In the plane's own coordinates (u to the right, w down) a piece of the
polyline takes every pulse whose angle is below atan2(u, w) of its outer end and not yet used up by nearer ground.
That stays right where ground rises beside or above the sensor.
"""

import numpy as np

from planner.ground.kernels import kernel
from planner.ground.raycast import first_hit_under

# Columns of a piece: outer end across and down [m], and its angle [rad].
ACROSS, DOWN, ANGLE = 0, 1, 2

PAST_RAD = np.pi  # stands for the angle of an end past the widest pulse, which nobody needs to know better

NEARLY_LEVEL_RAD = 1.55  # how far out a scan line is walked goes with the tangent, which must stay finite (89 degrees)


@kernel
def _scan_plane(lattice, origin, axes, anchor):
    """Return what takes vertices into the scan plane: see `_in_plane`.

    Plan coordinates are linear in row and column, so a step of the walk needs no products of place and direction.
    They count from the corner `anchor` of the first square: a plane along a row of the lattice stays on it to the
    last bit, and on which side a vertex lies has one answer for a whole line.
    """
    _, _, _, _, west, north, spacing = lattice
    forward_e, forward_n, cos_tilt, sin_tilt = axes
    row, col = anchor
    east, northing = west + col * spacing - origin[0], north - row * spacing - origin[1]
    forward = forward_e * east + forward_n * northing
    across = forward_n * east - forward_e * northing
    return row, col, forward, across, forward_e * spacing, forward_n * spacing, cos_tilt, sin_tilt, origin[2]


@kernel
def _in_plane(z, row, col, plane):
    """Return signed distance from the scan plane, and across and down in it, of a vertex [m]."""
    row_0, col_0, forward_0, across_0, east, north, cos_tilt, sin_tilt, height = plane
    south, rise = row - row_0, z[row, col] - height
    aside = col - col_0
    forward = forward_0 + (east * aside - north * south)
    across = across_0 + (north * aside + east * south)
    return cos_tilt * forward + sin_tilt * rise, across, sin_tilt * forward - cos_tilt * rise


@kernel
def straight_down(lattice, origin, axes, start):
    """Find where the beam straight down in the scan plane lands.

    Fills `start`, shape (6,), with row and column of the triangle's lone, right and left vertex, and returns the
    range [m], nan for a miss.
    """
    z, ceilings, top, _, west, north, spacing = lattice
    forward_e, forward_n, cos_tilt, sin_tilt = axes
    x, y = (origin[0] - west) / spacing, (north - origin[1]) / spacing
    reach, row, col, upper = first_hit_under(
        z,
        ceilings,
        top,
        x,
        y,
        origin[2],
        sin_tilt * forward_e / spacing,
        -sin_tilt * forward_n / spacing,
        -cos_tilt,
    )
    if not reach > 0.0:
        return np.nan
    plane = _scan_plane(lattice, origin, axes, (row, col))
    third_row, third_col = (row, col + 1) if upper else (row + 1, col)
    side1 = _in_plane(z, row, col, plane)[0] >= 0
    side2 = _in_plane(z, row + 1, col + 1, plane)[0] >= 0
    side3 = _in_plane(z, third_row, third_col, plane)[0] >= 0
    if side1 == side2 == side3:
        return np.nan
    first, second, third = (row, col), (row + 1, col + 1), (third_row, third_col)
    if side2 == side3:
        lone, p, q = first, second, third
    elif side1 == side3:
        lone, p, q = second, first, third
    else:
        lone, p, q = third, first, second
    across_p = _crossing(z, lone, p, plane)
    across_q = _crossing(z, lone, q, plane)
    if across_p == across_q:  # the plane meets only the lone vertex: the sides are told by the other two
        across_p = _in_plane(z, p[0], p[1], plane)[1]
        across_q = _in_plane(z, q[0], q[1], plane)[1]
    right, left = (p, q) if across_p > across_q else (q, p)
    start[0], start[1] = lone
    start[2], start[3] = right
    start[4], start[5] = left
    return reach


@kernel
def _crossing(z, a, b, plane):
    """Return how far across [m] the scan plane cuts the edge between two vertices, each (row, column)."""
    off_a, across_a, _ = _in_plane(z, a[0], a[1], plane)
    off_b, across_b, _ = _in_plane(z, b[0], b[1], plane)
    return across_a + off_a / (off_a - off_b) * (across_b - across_a)


@kernel
def _turn(across_a, down_a, across_b, down_b):
    """Return the angle [rad] from one place in the scan plane to another, seen from the sensor.

    Ends of a piece of ground lie close together: the series of the arc tangent, right to 1e-14 up to 0.1, takes far
    less time than the function.
    """
    aside, along = across_b * down_a - down_b * across_a, across_b * across_a + down_b * down_a
    if abs(aside) >= 0.1 * along:
        return np.arctan2(aside, along)
    t = aside / along
    t2 = t * t
    t4 = t2 * t2
    return t * ((1.0 - t2 * (1 / 3)) + t4 * ((1 / 5 - t2 * (1 / 7)) + t4 * (1 / 9 - t2 * (1 / 11))))


@kernel
def starts_upper(start):
    """Return whether the first triangle is the upper one of its square; from piece to piece they take turns."""
    return start[0] + start[2] + start[4] - 3 * min(start[0], start[2], start[4]) == 1


@kernel
def cut_side(lattice, origin, axes, start, side, widest, farthest, pieces, squares):
    """Walk the cut of the scan plane outward to one side.

    Parameters
    ----------
    start : ndarray of int64, shape (6,)
        The first triangle, from `straight_down`.
    side : int
        +1 to the right, -1 to the left.
    widest : float
        Angle past which no pulse is sent [rad]; ends past it may be given as `PAST_RAD`.
    farthest : float
        Distance across past which no ground can lie within `widest` [m].
    pieces, squares : ndarray, shapes (m, 3) and (m, 2)
        Filled: outward end and its angle; row and column of the lattice square.

    Returns
    -------
    int
        Number of pieces; -1 where the buffers are full.
    """
    z = lattice[0]
    rows, cols = z.shape
    row, col = min(start[0], start[2], start[4]), min(start[1], start[3], start[5])
    plane = _scan_plane(lattice, origin, axes, (row, col))
    steepest = np.tan(widest) if widest < NEARLY_LEVEL_RAD else np.inf
    # The edge that leads on joins a, not behind the plane, and b; o is the third vertex. Rows and columns are
    # carried: a division to unpack one number costs more than the rest of the step.
    row_a, col_a = start[0], start[1]
    row_b, col_b = (start[2], start[3]) if side > 0 else (start[4], start[5])
    row_o, col_o = (start[4], start[5]) if side > 0 else (start[2], start[3])
    if _in_plane(z, row_a, col_a, plane)[0] < 0.0:
        row_a, col_a, row_b, col_b = row_b, col_b, row_a, col_a
    off_a, across_a, down_a = _in_plane(z, row_a, col_a, plane)
    off_b, across_b, down_b = _in_plane(z, row_b, col_b, plane)
    angle, seen_across, seen_down = 0.0, 0.0, 1.0
    for k in range(len(pieces)):
        share = off_a / (off_a - off_b)
        across = side * (across_a + share * (across_b - across_a))
        down = down_a + share * (down_b - down_a)
        past = across >= steepest * down > 0.0
        pieces[k, ACROSS] = across
        pieces[k, DOWN] = down
        if past:
            pieces[k, ANGLE] = PAST_RAD
        else:
            angle += _turn(seen_across, seen_down, across, down)
            seen_across, seen_down = across, down
            pieces[k, ANGLE] = angle
            past = angle >= widest
        squares[k, 0] = min(row_a, row_b, row_o)
        squares[k, 1] = min(col_a, col_b, col_o)
        next_row, next_col = row_a + row_b - row_o, col_a + col_b - col_o
        if (past and across >= farthest) or not (0 <= next_row < rows and 0 <= next_col < cols):
            return k + 1
        off, across_v, down_v = _in_plane(z, next_row, next_col, plane)
        if off >= 0.0:
            row_o, col_o = row_a, col_a
            row_a, col_a = next_row, next_col
            off_a, across_a, down_a = off, across_v, down_v
        else:
            row_o, col_o = row_b, col_b
            row_b, col_b = next_row, next_col
            off_b, across_b, down_b = off, across_v, down_v
    return -1


@kernel
def range_on_piece(across_a, down_a, across_b, down_b, angle):
    """Return the range [m] at which a beam at `angle` (outward positive) meets the line through two points."""
    to_b_across, to_b_down = across_b - across_a, down_b - down_a
    cross = np.sin(angle) * to_b_down - np.cos(angle) * to_b_across
    return (across_a * to_b_down - down_a * to_b_across) / cross
