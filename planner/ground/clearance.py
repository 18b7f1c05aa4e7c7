"""Distances in space from a path to what it must stay away from, and heights above the ground.

Lives here: stations of a path, the exact nearest distance to obstacles and keep-out areas, and all of a scene.
Must not know how paths are made, or what distance is enough.

A path is looked at in stations. Between two of them, `step_m` apart on a straight piece, it is nowhere nearer to
anything than `sqrt(d^2 - step_m^2 / 4)`, where d is the distance found at the nearer one: the nearest place then lies
abeam of the path, and one station is within half a step of there. At 30 m and steps of 1 m that is 4 mm.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
import shapely

from planner.ground.kernels import kernel
from planner.ground.nearest import Nearest, nearest_surface
from planner.ground.obstacles import KeepOut, Obstacle, Sensitive
from planner.ground.surface import HeightGrid, Scene

Array = npt.NDArray[np.float64]
Numbers = npt.NDArray[np.int64]

STEP_M = 1.0
"""Usual distance between stations."""

_ROUNDS = 60  # of the search along a wire, each drops a third of what is left of a span: to 1e-10 of it


def stations(points_m: Array, step_m: float = STEP_M) -> tuple[Array, Numbers]:
    """Return places along a path no farther apart than a step, its own points among them.

    Parameters
    ----------
    points_m : ndarray, shape (n, 3)
        East, north, up of the path's points [m], n at least 1.
    step_m : float
        Most distance between neighbours [m].

    Returns
    -------
    places_m : ndarray, shape (m, 3)
        East, north, up [m].
    segment : ndarray of int64, shape (m,)
        Number of the segment that each lies on; a point between two counts for the later, the last for the last.
    """
    lengths = np.linalg.norm(np.diff(points_m, axis=0), axis=1)
    parts = np.maximum(1, np.ceil(lengths / step_m - 1e-9)).astype(np.int64)
    segment = np.repeat(np.arange(len(parts)), parts)
    share = (np.arange(len(segment)) - (np.cumsum(parts) - parts)[segment]) / parts[segment]
    places = points_m[segment] + share[:, np.newaxis] * np.diff(points_m, axis=0)[segment]
    last = max(len(parts) - 1, 0)
    return np.vstack([places, points_m[-1:]]), np.append(segment, last)


def heights_above_m(grid: HeightGrid, places_m: Array, leg: Numbers, legs: int) -> Array:
    """Return least, mean and greatest height above a surface for each leg [m], shape (legs, 3).

    Parameters
    ----------
    grid : HeightGrid
        The surface, straight beneath.
    places_m : ndarray, shape (n, 3)
        Places evenly spread over the legs, as from `stations` [m].
    leg : ndarray of int, shape (n,)
        Number of the leg of each place.
    legs : int
        How many there are. One that nowhere has known ground beneath gets nan.
    """
    above = places_m[:, 2] - grid.at(places_m[:, 0], places_m[:, 1])
    seen = np.isfinite(above)
    least, most, total = np.full(legs, np.inf), np.full(legs, -np.inf), np.zeros(legs)
    np.minimum.at(least, leg[seen], above[seen])
    np.maximum.at(most, leg[seen], above[seen])
    np.add.at(total, leg[seen], above[seen])
    count = np.bincount(leg[seen], minlength=legs)
    heights = np.column_stack([least, total / np.maximum(count, 1), most])
    return np.where(count[:, np.newaxis] > 0, heights, np.nan)


@kernel
def _off_span(ax, ay, az, ux, uy, uz, share, reach, low, high):
    """Return the squared distance from the origin to the piece of a hanging wire at a share of its span."""
    east, north = ax + share * ux, ay + share * uy
    flat = max(np.sqrt(east * east + north * north) - reach, 0.0)
    height = az + share * uz
    off = max(max(height - low, -height - high), 0.0)
    return flat * flat + off * off


@kernel
def _nearer_wire(supports, reach, low, high, points, number, distances, which):
    """Lower distances to those to a wire; `low` and `high` are how far it may hang below and stand above its chords."""
    for i in range(len(points)):
        x, y, z = points[i, 0], points[i, 1], points[i, 2]
        for k in range(len(supports) - 1):
            ax, ay, az = supports[k, 0] - x, supports[k, 1] - y, supports[k, 2] - z
            ux, uy, uz = supports[k + 1, 0] - x - ax, supports[k + 1, 1] - y - ay, supports[k + 1, 2] - z - az
            square = ux * ux + uy * uy
            foot = min(max(-(ax * ux + ay * uy) / square, 0.0), 1.0) if square > 0.0 else 0.0
            east, north = ax + foot * ux, ay + foot * uy
            if np.sqrt(east * east + north * north) - reach >= distances[i]:
                continue
            # Both parts of the distance are convex along the span, and so is it.
            begin, end = 0.0, 1.0
            for _ in range(_ROUNDS):
                third = (end - begin) / 3
                left = _off_span(ax, ay, az, ux, uy, uz, begin + third, reach, low, high)
                right = _off_span(ax, ay, az, ux, uy, uz, end - third, reach, low, high)
                if left <= right:
                    end -= third
                if right <= left:
                    begin += third
            found = np.sqrt(_off_span(ax, ay, az, ux, uy, uz, (begin + end) / 2, reach, low, high))
            if found < distances[i]:
                distances[i], which[i] = found, number


@kernel
def _nearer_box(box, reach, low, high, points, number, distances, which):
    """Lower distances to those to an upright box, west to north `box`, grown sideways by a reach."""
    west, south, east, north = box
    for i in range(len(points)):
        x, y, z = points[i, 0], points[i, 1], points[i, 2]
        off_x, off_y = max(max(west - x, x - east), 0.0), max(max(south - y, y - north), 0.0)
        flat = max(np.sqrt(off_x * off_x + off_y * off_y) - reach, 0.0)
        off_z = max(max(low - z, z - high), 0.0)
        found = np.sqrt(flat * flat + off_z * off_z)
        if found < distances[i]:
            distances[i], which[i] = found, number


@dataclass(frozen=True)
class _Looked:
    """The nearest thing to each point so far; its arrays are lowered in place."""

    points_m: Array
    distance_m: Array
    which: Numbers

    def at_obstacle(self, obstacle: Obstacle, number: int) -> None:
        doubt, reach = obstacle.doubt_m, obstacle.reach_m
        if obstacle.kind == "wire":
            supports = shapely.get_coordinates(obstacle.outline, include_z=True)
            low = obstacle.sag_m + doubt
            _nearer_wire(supports, reach, low, doubt, self.points_m, number, self.distance_m, self.which)
        else:
            self.at_prism(obstacle.outline, reach, obstacle.base_m - doubt, obstacle.top_m + doubt, number)

    def at_prism(self, outline: shapely.Geometry, reach: float, low_m: float, high_m: float, number: int) -> None:
        box = outline.bounds
        if outline.geom_type == "Point":
            _nearer_box(box, reach, low_m, high_m, self.points_m, number, self.distance_m, self.which)
            return
        # A prism is nowhere nearer than the box round it, which is quicker to look at.
        boxed, unused = self.distance_m.copy(), self.which.copy()
        _nearer_box(box, reach, low_m, high_m, self.points_m, number, boxed, unused)
        near = np.flatnonzero(boxed < self.distance_m)
        east, north, up = self.points_m[near].T
        flat = np.maximum(shapely.distance(outline, shapely.points(east, north)) - reach, 0.0)
        found = np.hypot(flat, np.maximum(np.maximum(low_m - up, up - high_m), 0.0))
        lower = found < self.distance_m[near]
        self.distance_m[near[lower]], self.which[near[lower]] = found[lower], number


def _unlooked(points_m: Array) -> _Looked:
    points = np.ascontiguousarray(points_m, dtype=np.float64)
    return _Looked(points, np.full(len(points), np.inf), np.full(len(points), -1, dtype=np.int64))


def nearest_obstacle(obstacles: Sequence[Obstacle], points_m: Array) -> Nearest:
    """Return the nearest obstacle to each point, grown by its doubt, and its distance; 0 inside.

    A point obstacle is an upright cylinder, an area a prism. A wire fills all between the straight line from support
    to support and as far below it as its sag.

    Parameters
    ----------
    obstacles : sequence of Obstacle
        What to stay away from.
    points_m : ndarray, shape (n, 3)
        East, north, up [m].
    """
    looked = _unlooked(points_m)
    for number, obstacle in enumerate(obstacles):
        looked.at_obstacle(obstacle, number)
    return Nearest(looked.distance_m, looked.which, tuple(obstacle.name for obstacle in obstacles))


def nearest_keep_out(keep_outs: Sequence[KeepOut], points_m: Array) -> Nearest:
    """Return the nearest keep-out volume to each point, shape (n, 3), and its distance [m]; 0 inside."""
    looked = _unlooked(points_m)
    for number, one in enumerate(keep_outs):
        low_m = -np.inf if one.floor_m is None else one.floor_m
        looked.at_prism(one.polygon, 0.0, low_m, np.inf if one.top_m is None else one.top_m, number)
    return Nearest(looked.distance_m, looked.which, tuple(one.name for one in keep_outs))


def crossed_m(areas: Sequence[Sensitive], points_m: Array) -> Array:
    """Return how far a path, shape (n, 3), n at least 2, runs over each area [m], shape (areas,)."""
    # Piece by piece: a path that comes back over itself counts twice.
    pieces = shapely.linestrings(np.stack([points_m[:-1, :2], points_m[1:, :2]], axis=1))
    lengths = [shapely.length(shapely.intersection(pieces, area.polygon)).sum() for area in areas]
    return np.array(lengths, dtype=np.float64)


def upper_surface(scene: Scene) -> HeightGrid:
    """Return what to keep clear of: the top surface over all its pixels, or bare earth that noise leaves above it."""
    highest = _highest(scene)
    if scene.top is scene.ground:
        return highest
    return replace(highest, heights_m=np.maximum(highest.heights_m, scene.ground.heights_m))


def _highest(scene: Scene) -> HeightGrid:
    return scene.top if scene.upper is None else scene.upper


def nearest_of_scene(scene: Scene, points_m: Array, terrain_doubt_m: float, threads: int = 2) -> Nearest:
    """Return what of a scene is nearest to each point: ground, top surface or an obstacle, doubt taken off.

    Parameters
    ----------
    scene : Scene
        The site.
    points_m : ndarray, shape (n, 3)
        East, north, up [m].
    terrain_doubt_m : float
        How far ground and top surface may be off, the scene's own horizontal doubt apart [m].
    threads : int
        Threads that share the points.

    Returns
    -------
    Nearest
        Distances [m], 0 at worst; nan beside the terrain. Obstacles are numbered after the surfaces.
    """
    doubt = float(np.hypot(terrain_doubt_m, scene.frame_doubt_m))
    bare = _highest(scene) if scene.top is scene.ground else scene.ground
    surfaces = [nearest_surface(bare, points_m, "the ground", threads)]
    if scene.top is not scene.ground:
        surfaces.append(nearest_surface(_highest(scene), points_m, "the top surface", threads))
    looked = _unlooked(points_m)
    for number, surface in enumerate(surfaces):
        lower = ~(surface.distance_m - doubt >= looked.distance_m)
        looked.distance_m[lower] = np.maximum(surface.distance_m[lower] - doubt, 0.0)
        looked.which[lower] = number
    for number, obstacle in enumerate(scene.obstacles, len(surfaces)):
        looked.at_obstacle(obstacle, number)
    names = tuple(surface.names[0] for surface in surfaces) + tuple(obstacle.name for obstacle in scene.obstacles)
    return Nearest(looked.distance_m, looked.which, names)
