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
from planner.ground.raycast import first_hit_on, triangle_plane

# Columns of a piece: outer end across and down [m], its angle [rad], squared distance of the sensor from the plane of
# the triangle [m2] (0 where the triangle faces away).
ACROSS, DOWN, ANGLE, PLANE2 = 0, 1, 2, 3


@kernel
def _in_plane(z, west, north, spacing, row, col, origin, axes):
    """Return signed distance from the scan plane, and across and down in it, of a vertex [m]."""
    east = west + col * spacing - origin[0]
    northing = north - row * spacing - origin[1]
    rise = z[row, col] - origin[2]
    forward_e, forward_n, cos_tilt, sin_tilt = axes
    forward = forward_e * east + forward_n * northing
    across = forward_n * east - forward_e * northing
    return cos_tilt * forward + sin_tilt * rise, across, sin_tilt * forward - cos_tilt * rise


@kernel
def _plane_distance2(z, west, north, spacing, row, col, upper, origin):
    """Return the squared distance of the sensor from a triangle's plane [m2], 0 where it is behind the face."""
    corner, east, south = triangle_plane(z, row, col, upper)
    x = (origin[0] - west) / spacing - col
    y = (north - origin[1]) / spacing - row
    over = origin[2] - (corner + east * x + south * y)
    if over <= 0.0:
        return 0.0
    return over * over / (1.0 + (east * east + south * south) / (spacing * spacing))


@kernel
def straight_down(lattice, origin, axes, start):
    """Find where the beam straight down in the scan plane lands.

    Fills `start`, shape (6,), with row and column of the triangle's lone, right and left vertex, and returns the
    range [m], nan for a miss.
    """
    z, _, top, _, west, north, spacing = lattice
    forward_e, forward_n, cos_tilt, sin_tilt = axes
    x, y = (origin[0] - west) / spacing, (north - origin[1]) / spacing
    reach, row, col, upper = first_hit_on(
        z,
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
    third_row, third_col = (row, col + 1) if upper else (row + 1, col)
    side1 = _in_plane(z, west, north, spacing, row, col, origin, axes)[0] >= 0
    side2 = _in_plane(z, west, north, spacing, row + 1, col + 1, origin, axes)[0] >= 0
    side3 = _in_plane(z, west, north, spacing, third_row, third_col, origin, axes)[0] >= 0
    if side1 == side2 == side3:
        return np.nan
    first, second, third = (row, col), (row + 1, col + 1), (third_row, third_col)
    if side2 == side3:
        lone, p, q = first, second, third
    elif side1 == side3:
        lone, p, q = second, first, third
    else:
        lone, p, q = third, first, second
    across_p = _crossing(z, west, north, spacing, lone, p, origin, axes)
    across_q = _crossing(z, west, north, spacing, lone, q, origin, axes)
    if across_p == across_q:  # the plane meets only the lone vertex: the sides are told by the other two
        across_p = _in_plane(z, west, north, spacing, p[0], p[1], origin, axes)[1]
        across_q = _in_plane(z, west, north, spacing, q[0], q[1], origin, axes)[1]
    right, left = (p, q) if across_p > across_q else (q, p)
    start[0], start[1] = lone
    start[2], start[3] = right
    start[4], start[5] = left
    return reach


@kernel
def _crossing(z, west, north, spacing, a, b, origin, axes):
    """Return how far across [m] the scan plane cuts the edge between two vertices, each (row, column)."""
    off_a, across_a, _ = _in_plane(z, west, north, spacing, a[0], a[1], origin, axes)
    off_b, across_b, _ = _in_plane(z, west, north, spacing, b[0], b[1], origin, axes)
    return across_a + off_a / (off_a - off_b) * (across_b - across_a)


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
        Angle past which no pulse is sent [rad].
    farthest : float
        Distance across past which no ground can lie within `widest` [m].
    pieces, squares : ndarray, shapes (m, 4) and (m, 2)
        Filled: outward end, its angle and the plane's distance; row and column of the lattice square.

    Returns
    -------
    int
        Number of pieces; -1 where the buffers are full.
    """
    z, _, _, _, west, north, spacing = lattice
    rows, cols = z.shape
    # The edge that leads on joins a and b; o is the third vertex. Rows and columns are carried: a division to
    # unpack one number costs more than the rest of the step.
    row_a, col_a = start[0], start[1]
    row_b, col_b = (start[2], start[3]) if side > 0 else (start[4], start[5])
    row_o, col_o = (start[4], start[5]) if side > 0 else (start[2], start[3])
    off_a, across_a, down_a = _in_plane(z, west, north, spacing, row_a, col_a, origin, axes)
    off_b, across_b, down_b = _in_plane(z, west, north, spacing, row_b, col_b, origin, axes)
    count = 0
    while True:
        if count == len(pieces):
            return -1
        share = off_a / (off_a - off_b)
        across = side * (across_a + share * (across_b - across_a))
        down = down_a + share * (down_b - down_a)
        angle = np.arctan2(across, down)
        row = min(row_a, row_b, row_o)
        col = min(col_a, col_b, col_o)
        upper = row_a + row_b + row_o - 3 * row == 1
        pieces[count, ACROSS] = across
        pieces[count, DOWN] = down
        pieces[count, ANGLE] = angle
        pieces[count, PLANE2] = _plane_distance2(z, west, north, spacing, row, col, upper, origin)
        squares[count, 0] = row
        squares[count, 1] = col
        count += 1
        if angle >= widest and across >= farthest:
            return count
        next_row, next_col = row_a + row_b - row_o, col_a + col_b - col_o
        if next_row < 0 or next_col < 0 or next_row >= rows or next_col >= cols:
            return count
        off, across_v, down_v = _in_plane(z, west, north, spacing, next_row, next_col, origin, axes)
        if (off >= 0) == (off_a >= 0):
            row_o, col_o = row_a, col_a
            row_a, col_a = next_row, next_col
            off_a, across_a, down_a = off, across_v, down_v
        else:
            row_o, col_o = row_b, col_b
            row_b, col_b = next_row, next_col
            off_b, across_b, down_b = off, across_v, down_v


@kernel
def range_on_piece(across_a, down_a, across_b, down_b, angle):
    """Return the range [m] at which a beam at `angle` (outward positive) meets the line through two points."""
    to_b_across, to_b_down = across_b - across_a, down_b - down_a
    cross = np.sin(angle) * to_b_down - np.cos(angle) * to_b_across
    return (across_a * to_b_down - down_a * to_b_across) / cross
