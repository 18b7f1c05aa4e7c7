"""The lowest height at which a point keeps its distance from all that lies below it, in any direction.

Lives here: a ball lowered onto the triangulated ground and onto obstacles. Must not know paths or limits.

The middle of a ball that is lowered until it touches is as low as a point can be with everything at least the radius
away. A ball touches a triangle with its face, an edge or a corner; that of an edge is a circle in the upright plane
through the edge. All three are exact.
"""

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt
import shapely

from planner.ground.kernels import kernel
from planner.ground.obstacles import Obstacle
from planner.ground.raycast import BLOCK_SQUARES
from planner.ground.surface import HeightGrid

Array = npt.NDArray[np.float64]

_ROUNDS = 60  # of the search along a wire, each drops a third of what is left of a span: to 1e-10 of it


@kernel
def _on_face(x, y, size, radius, z00, z11, zoff, upper):
    """Return the height of a ball over the origin that rests on a face, -inf where it does not touch it.

    `x` and `y` are east and north of the square's north-west corner from the origin.
    """
    a = (zoff - z00) / size if upper else (z11 - zoff) / size
    b = (zoff - z11) / size if upper else (z00 - zoff) / size
    stretch = np.sqrt(1.0 + a * a + b * b)
    dx, dy = radius * a / stretch - x, y - radius * b / stretch
    inside = 0.0 <= dy <= dx <= size if upper else 0.0 <= dx <= dy <= size
    return z00 - a * x - b * y + radius * stretch if inside else -np.inf


@kernel
def _on_edge(ax, ay, az, bx, by, bz, radius):
    """Return the height of a ball over the origin that rests on the inside of an edge, -inf where it does not."""
    ux, uy = bx - ax, by - ay
    length = np.hypot(ux, uy)
    aside = (ax * uy - ay * ux) / length
    if abs(aside) >= radius:
        return -np.inf
    foot = -(ax * ux + ay * uy) / length
    slope = (bz - az) / length
    stretch = np.sqrt(1.0 + slope * slope)
    small = np.sqrt(radius * radius - aside * aside)
    touch = foot + small * slope / stretch
    return az + slope * foot + small * stretch if 0.0 <= touch <= length else -np.inf


@kernel
def _on_corner(x, y, z, radius):
    """Return the height of a ball over the origin that rests on a point, -inf where it passes beside it."""
    square = x * x + y * y
    return z + np.sqrt(radius * radius - square) if square <= radius * radius else -np.inf


@kernel
def _on_square(z, place, east_m, north_m, row, col, radius):
    """Return the height of a ball that rests on a lattice square: its faces, north and west edge, diagonal, corner.

    The other edges are those of the next squares, save on the rim of the lattice, which counts here too.
    """
    west, north, size = place
    rows, cols = z.shape
    x, y = west + col * size - east_m, north - row * size - north_m
    east, south = x + size, y - size
    z00, z01, z10, z11 = z[row, col], z[row, col + 1], z[row + 1, col], z[row + 1, col + 1]
    height = max(_on_face(x, y, size, radius, z00, z11, z01, True), _on_face(x, y, size, radius, z00, z11, z10, False))
    height = max(height, _on_edge(x, y, z00, east, south, z11, radius))
    height = max(height, _on_edge(x, y, z00, east, y, z01, radius))
    height = max(height, _on_edge(x, y, z00, x, south, z10, radius))
    height = max(height, _on_corner(x, y, z00, radius))
    if row == rows - 2:
        height = max(height, _on_edge(x, south, z10, east, south, z11, radius))
        height = max(height, _on_corner(x, south, z10, radius))
    if col == cols - 2:
        height = max(height, _on_edge(east, y, z01, east, south, z11, radius))
        height = max(height, _on_corner(east, y, z01, radius))
    if row == rows - 2 and col == cols - 2:
        height = max(height, _on_corner(east, south, z11, radius))
    return height


@kernel
def _cap(x, y, size, radius):
    """Return how far a ball over the origin stands at most above what lies in a square, -inf where it is too far."""
    off_x, off_y = max(max(x, -x - size), 0.0), max(max(y - size, -y), 0.0)
    square = radius * radius - off_x * off_x - off_y * off_y
    return np.sqrt(square) if square >= 0.0 else -np.inf


@kernel
def _rest_on_block(z, place, east_m, north_m, block_row, block_col, radius, best):
    """Return `best`, or the height of a ball that rests on a block where that is higher."""
    west, north, size = place
    rows, cols = z.shape
    for row in range(block_row * BLOCK_SQUARES, min((block_row + 1) * BLOCK_SQUARES, rows - 1)):
        for col in range(block_col * BLOCK_SQUARES, min((block_col + 1) * BLOCK_SQUARES, cols - 1)):
            highest = max(max(z[row, col], z[row, col + 1]), max(z[row + 1, col], z[row + 1, col + 1]))
            if highest + radius <= best:
                continue
            x, y = west + col * size - east_m, north - row * size - north_m
            if highest + _cap(x, y, size, radius) > best:
                best = max(best, _on_square(z, place, east_m, north_m, row, col, radius))
    return best


@kernel
def _rest_on_ground(z, ceilings, place, east, north, radius, heights):
    """Raise each of `heights` to that of a ball that rests on the ground.

    The block that held up the ball at the last place is looked at first: on a path the next one rests near it, and
    what is found there spares most of the others.
    """
    side = place[2] * BLOCK_SQUARES
    rows, cols = ceilings.shape
    touched_row, touched_col = -1, -1
    for i in range(len(heights)):
        first_row, last_row = (place[1] - north[i] - radius) / side, (place[1] - north[i] + radius) / side
        first_col, last_col = (east[i] - radius - place[0]) / side, (east[i] + radius - place[0]) / side
        top, bottom = max(int(np.floor(first_row)), 0), min(int(np.floor(last_row)), rows - 1)
        left, right = max(int(np.floor(first_col)), 0), min(int(np.floor(last_col)), cols - 1)
        best = heights[i]
        if top <= touched_row <= bottom and left <= touched_col <= right:
            best = _rest_on_block(z, place, east[i], north[i], touched_row, touched_col, radius, best)
        for row in range(top, bottom + 1):
            for col in range(left, right + 1):
                if ceilings[row, col] + radius <= best:
                    continue
                x, y = place[0] + col * side - east[i], place[1] - row * side - north[i]
                if ceilings[row, col] + _cap(x, y, side, radius) > best:
                    higher = _rest_on_block(z, place, east[i], north[i], row, col, radius, best)
                    if higher > best:
                        best, touched_row, touched_col = higher, row, col
        heights[i] = best


def resting_on_ground_m(
    grid: HeightGrid, ceilings_m: Array, radius_m: float, east_m: Array, north_m: Array, at_least_m: Array
) -> Array:
    """Return the lowest heights from which no part of a surface is nearer than a radius [m], shape (n,).

    Parameters
    ----------
    grid : HeightGrid
        The triangulated surface, solid below; unknown parts count at their bridged height.
    ceilings_m : ndarray
        Highest vertex of each of its blocks [m], from `ceilings_of`.
    radius_m : float
        The distance to keep [m].
    east_m, north_m : ndarray, shape (n,)
        Places [m].
    at_least_m : ndarray, shape (n,)
        What is returned where the surface allows less [m]; -inf also where the lattice is out of reach.
    """
    z = np.ascontiguousarray(grid.heights_m)
    place = float(grid.west_m), float(grid.north_m), float(grid.spacing_m)
    heights = np.array(at_least_m, dtype=np.float64)
    east, north = (np.ascontiguousarray(axis, dtype=np.float64) for axis in (east_m, north_m))
    _rest_on_ground(z, ceilings_m, place, east, north, float(radius_m), heights)
    return heights


@kernel
def _over_span(ax, ay, az, ux, uy, uz, share, reach, radius):
    """Return the height of a ball over the origin that rests on a place of a wire, -inf where it passes beside it."""
    off = max(np.hypot(ax + share * ux, ay + share * uy) - reach, 0.0)
    return az + share * uz + np.sqrt(radius * radius - off * off) if off <= radius else -np.inf


@kernel
def _rest_on_wire(supports, reach, radius, doubt, east, north, heights):
    """Raise each of `heights` to that of a ball that rests on a wire."""
    for i in range(len(heights)):
        for k in range(len(supports) - 1):
            ax, ay, az = supports[k, 0] - east[i], supports[k, 1] - north[i], supports[k, 2] + doubt
            ux, uy, uz = supports[k + 1] - supports[k]
            square = ux * ux + uy * uy
            foot = -(ax * ux + ay * uy) / square if square > 0.0 else 0.0
            aside = np.hypot(ax + foot * ux, ay + foot * uy)
            if aside > radius + reach:
                continue
            # The wire is within reach between these shares of its span; there the height is concave.
            half = np.sqrt(((radius + reach) ** 2 - aside * aside) / square) if square > 0.0 else 0.0
            begin, end = min(max(foot - half, 0.0), 1.0), max(min(foot + half, 1.0), 0.0)
            best = max(
                _over_span(ax, ay, az, ux, uy, uz, begin, reach, radius),
                _over_span(ax, ay, az, ux, uy, uz, end, reach, radius),
            )
            for _ in range(_ROUNDS):
                third = (end - begin) / 3
                left = _over_span(ax, ay, az, ux, uy, uz, begin + third, reach, radius)
                right = _over_span(ax, ay, az, ux, uy, uz, end - third, reach, radius)
                best = max(best, max(left, right))
                if left >= right:
                    end -= third
                if right >= left:
                    begin += third
            heights[i] = max(heights[i], best)


def resting_on_obstacles_m(
    obstacles: Sequence[Obstacle], radius_m: float, east_m: Array, north_m: Array, at_least_m: Array
) -> Array:
    """Return the lowest heights from which no obstacle, grown by its doubt, is nearer than a radius [m], shape (n,).

    Nothing is flown under: what lies below the top of an obstacle counts as full.

    Parameters
    ----------
    obstacles : sequence of Obstacle
        What to stay above.
    radius_m, east_m, north_m, at_least_m : float and ndarray, shape (n,)
        As for `resting_on_ground_m`.
    """
    heights = np.array(at_least_m, dtype=np.float64)
    east, north = (np.ascontiguousarray(axis, dtype=np.float64) for axis in (east_m, north_m))
    if not heights.size:
        return heights
    box = east.min(), north.min(), east.max(), north.max()
    for obstacle in obstacles:
        far = obstacle.reach_m + radius_m
        west, south, far_east, far_north = obstacle.outline.bounds
        if west - far <= box[2] and box[0] <= far_east + far and south - far <= box[3] and box[1] <= far_north + far:
            _rest_on(obstacle, float(radius_m), east, north, heights)
    return heights


def _rest_on(obstacle: Obstacle, radius: float, east: Array, north: Array, heights: Array) -> None:
    """Raise each of `heights` to that of a ball that rests on an obstacle."""
    if obstacle.kind == "wire":
        supports = shapely.get_coordinates(obstacle.outline, include_z=True)
        _rest_on_wire(supports, obstacle.reach_m, radius, obstacle.doubt_m, east, north, heights)
        return
    flat = shapely.distance(obstacle.outline, shapely.points(east, north))
    square = radius**2 - np.maximum(flat - obstacle.reach_m, 0.0) ** 2
    rest = obstacle.top_m + obstacle.doubt_m + np.sqrt(np.maximum(square, 0.0))
    np.maximum(heights, np.where(square >= 0, rest, -np.inf), out=heights)
