"""Where to take off within an access area: some good places, spread out, that a planner can choose among.

Lives here: candidate places, what rules one out, which are worth planning from. Must not know batteries or files.
"""

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt
import shapely

from planner.errors import Fault, InputError
from planner.flight.flightlines import FlightLine
from planner.flight.loads import Sight
from planner.flight.paths import Flyer
from planner.ground.clearance import nearest_keep_out
from planner.ground.surface import GROUND_TOLERANCE_M, Scene

Array = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]

MOST_PLACES = 16
KEPT_PLACES = 3

UNSEEN_S = 1e6
"""What a line out of sight costs: more than any flight [s]."""

REACH_M = 500.0
"""Places farther from what is flown count only where none is nearer: sight ends there; common practice, no source."""

EDGE_MARGIN_M = 2.0
"""From the edge of the access area: half of what a small aircraft needs; common practice, no source."""

STEEPEST_DEG = 10.0
"""Steeper ground tips an aircraft over; common practice, no source."""

FOOTING_M = 2.0
"""How far around a place slope and open ground are looked at."""

LEAST_APART_M = 5.0
"""Places nearer to each other are one."""

_GRID_POINTS = 300
_STATIONS = 9  # along each part of what is flown, the nearest ground to each is a candidate


def take_off_candidates(
    scene: Scene,
    goal: shapely.Geometry,
    clearance_m: float,
    keep_out_margin_m: float,
    most: int = MOST_PLACES,
    where: str = "aircraft.take_off_area",
) -> list[Array]:
    """Return places to take off from in the access area of a scene, the one nearest the goal first.

    Tried are a point in each part of the area, the points nearest to what is flown, and a grid. Half of the places
    are the nearest ones, the rest is spread as widely as it goes: each next place is the one farthest from those there
    are. The same input gives the same places.

    Parameters
    ----------
    scene : Scene
        Its `access`, ground and what stands on it.
    goal : shapely geometry
        What is flown: lines, or the planned area, local coordinates [m].
    clearance_m : float
        Least horizontal distance to obstacles [m].
    keep_out_margin_m : float
        Least distance to keep-out areas [m].
    most : int
        How many places at most.
    where : str
        What the access area is called in messages.

    Returns
    -------
    list of ndarray, shape (3,)
        East, north, ground height [m].

    Raises
    ------
    InputError
        E30 where the area is nowhere wide enough, off the terrain, wholly in keep-out areas, beside obstacles, or
        steep or overgrown everywhere.
    """
    inner = within_reach(shapely.union_all(scene.access).buffer(-EDGE_MARGIN_M, join_style="mitre"), goal)
    if inner.is_empty:
        what = f"the access area is nowhere {2 * EDGE_MARGIN_M:g} m wide"
        raise InputError(Fault("E30", what, where, "draw it as wide as the ground that is free, or name a place"))
    near = np.vstack([_inner_points(inner), _nearest_points(inner, goal)])
    spots = np.vstack([near, _grid_points(inner)])
    places = np.column_stack([spots, scene.ground.at(spots[:, 0], spots[:, 1])])
    fit = _fit(scene, places, clearance_m, keep_out_margin_m, where)
    close = places[: len(near)][fit[: len(near)]]
    chosen = _spread(_ranked(close, goal), [], most // 2)
    return _spread(_ranked(places[fit], goal), chosen, most)


def within_reach(area: shapely.Geometry, goal: shapely.Geometry) -> shapely.Geometry:
    """Return the part of an area near what is flown; all of it where none is."""
    near = area.intersection(goal.buffer(REACH_M))
    return near if near.area > 0 else area


def _inner_points(area: shapely.Geometry) -> Array:
    """Return a point well inside each part, shape (parts, 2) [m]."""
    return np.asarray(shapely.get_coordinates([part.representative_point() for part in shapely.get_parts(area)]))


def _nearest_points(area: shapely.Geometry, goal: shapely.Geometry) -> Array:
    """Return the points of an area nearest to stations along what is flown, shape (n, 2) [m]."""
    edges = [part.exterior if part.geom_type == "Polygon" else part for part in shapely.get_parts(goal)]
    shares = np.linspace(0.0, 1.0, _STATIONS)
    stations = [edge.interpolate(share, normalized=True) for edge in edges for share in shares]
    stations += [part.centroid for part in shapely.get_parts(goal)]
    ways = shapely.shortest_line(area, np.array(stations))
    return np.asarray(shapely.get_coordinates(ways)[::2])


def _grid_points(area: shapely.Geometry) -> Array:
    """Return some hundred points of a square grid through the origin that lie in an area, shape (n, 2) [m]."""
    step = max(float(np.sqrt(area.area / _GRID_POINTS)), FOOTING_M)
    found = [np.zeros((0, 2))]
    for part in shapely.get_parts(area):
        west, south, east, north = part.bounds
        axes = (np.arange(np.ceil(low / step), high / step) * step for low, high in ((west, east), (south, north)))
        grid = np.stack(np.meshgrid(*axes), axis=-1).reshape(-1, 2)
        found.append(grid[shapely.contains_xy(part, grid)])
    return np.vstack(found)


def _fit(scene: Scene, places: Array, clearance_m: float, keep_out_margin_m: float, where: str) -> Mask:
    """Return which places can be taken off from; E30 with the reason that rules out the last of them."""
    to_keep_out = nearest_keep_out(scene.keep_outs, places).distance_m
    spots, beside = shapely.points(places[:, :2]), np.zeros(len(places), dtype=np.bool_)
    for thing in scene.obstacles:
        beside |= shapely.distance(thing.outline, spots) < clearance_m + thing.reach_m
    slope, stands = _footing(scene, places)
    margin = f"{keep_out_margin_m:g} m"
    rules = (
        (np.isfinite(places[:, 2]), "lies off the terrain given", "give terrain that reaches there"),
        (
            (to_keep_out > 0) & (to_keep_out >= keep_out_margin_m),
            f"lies wholly in keep-out areas or within {margin} of them",
            "draw it elsewhere, or take out what a permission covers",
        ),
        (~beside, f"lies wholly within {clearance_m:g} m of obstacles", "draw it farther from them"),
        (slope <= STEEPEST_DEG, f"has no known ground as gentle as {STEEPEST_DEG:g} deg", "draw gentler ground"),
        (~stands, "is overgrown or built over everywhere", "draw open ground"),
    )
    fit = np.ones(len(places), dtype=np.bool_)
    for holds, what, fix in rules:
        fit &= holds
        if not fit.any():
            raise InputError(Fault("E30", f"the access area {what}", where, f"{fix}, or name a place"))
    return fit


def _footing(scene: Scene, places: Array) -> tuple[Array, Mask]:
    """Return the slope [deg] around each place, nan where unknown, and whether anything stands there."""
    steps = FOOTING_M * np.array([[1, 0], [-1, 0], [0, 1], [0, -1], [0, 0]])
    spots = places[:, np.newaxis, :2] + steps
    ground = scene.ground.at(spots[..., 0], spots[..., 1])
    rises = (ground[:, [0, 2]] - ground[:, [1, 3]]) / (2 * FOOTING_M)
    above = scene.top.at(spots[..., 0], spots[..., 1]) - ground
    return np.degrees(np.arctan(np.linalg.norm(rises, axis=1))), np.asarray((above > GROUND_TOLERANCE_M).any(axis=1))


def _ranked(places: Array, goal: shapely.Geometry) -> Array:
    """Return places by their distance to the goal, then from west to east and south to north."""
    away = np.round(shapely.distance(goal, shapely.points(places[:, :2])), 3)
    return places[np.lexsort((places[:, 1], places[:, 0], away))]


def _spread(ranked: Array, chosen: Sequence[Array], most: int) -> list[Array]:
    """Return chosen places and, up to a number, those that are each farthest from all there are; the first begins."""
    found = [*chosen]
    left = np.full(len(ranked), np.inf)
    for place in found:
        left = np.minimum(left, _apart_m(ranked, place))
    while len(found) < most and len(ranked) and left.max() >= LEAST_APART_M:
        found.append(ranked[int(np.argmax(left))])
        left = np.minimum(left, _apart_m(ranked, found[-1]))
    return found


def _apart_m(places: Array, place: Array) -> Array:
    return np.asarray(np.linalg.norm(places[:, :2] - place[:2], axis=1))


def best_places(
    places: Sequence[Array],
    lines: Sequence[FlightLine],
    flyer: Flyer,
    sight: Sight | None = None,
    keep: int = KEPT_PLACES,
) -> list[int]:
    """Return the numbers of the places that are worth planning from, in the order given.

    By turns the place is kept that could be quickest for one sortie over all lines, and the one that, with those kept,
    could be quickest for each line by itself. Sight goes before time, as in planning. Times are lower bounds: up to the
    floor, then straight there with the wind behind, climbing on the way, and the same back.

    Parameters
    ----------
    places : sequence of ndarray, shape (3,)
        East, north, ground height [m].
    lines : sequence of FlightLine
        What is to be flown, in any order and direction.
    flyer : Flyer
        What flies.
    sight : Sight, optional
        What is in sight of each place.
    keep : int
        How many at most.
    """
    if len(places) <= keep or not lines:
        return list(range(min(len(places), keep)))
    lines_s, tour_s = _least_s(np.array(places), lines, flyer)
    unseen = np.zeros(lines_s.shape) if sight is None else _unseen(lines, sight)
    alone = np.lexsort((tour_s, unseen.sum(axis=0))).tolist()
    cost = lines_s + unseen * UNSEEN_S
    kept: list[int] = []
    while len(kept) < keep:
        left = [number for number in alone if number not in kept]
        if len(kept) % 2:
            covered = cost[:, kept].min(axis=1, keepdims=True)
            totals = np.minimum(cost[:, left], covered).sum(axis=0)
            kept.append(left[int(np.argmin(totals))])
        else:
            kept.append(left[0])
    return sorted(kept)


def _least_s(places: Array, lines: Sequence[FlightLine], flyer: Flyer) -> tuple[Array, Array]:
    """Return bounds of the way there and back [s]: for each line and place, and for one tour of all from each place."""
    climb, descent = flyer.rates_mps
    ends = np.array([line.points_m[[0, -1]] for line in lines]).reshape(-1, 1, 3)
    # Below its floor an aircraft gets nowhere.
    high = np.maximum(flyer.floor(places[:, 0], places[:, 1]), places[:, 2])
    up = high - places[:, 2]
    level = np.linalg.norm(ends[..., :2] - places[:, :2], axis=2) / (flyer.aircraft.ferry_mps + flyer.wind.speed_mps)
    rise = ends[..., 2] - high
    out = up / climb + np.maximum(level, np.maximum(rise / climb, -rise / descent))
    back = up / descent + np.maximum(level, np.maximum(rise / descent, -rise / climb))
    turned = np.minimum(out[::2] + back[1::2], out[1::2] + back[::2])
    both = out[:, np.newaxis] + back
    both[np.arange(len(ends)), np.arange(len(ends))] = np.inf  # a tour ends at another end than it begins
    return turned, np.asarray(both.min(axis=(0, 1)))


def _unseen(lines: Sequence[FlightLine], sight: Sight) -> Array:
    """Return 1 for each line that is not wholly in sight of a place, shape (lines, places)."""
    seen = sight(np.concatenate([_stations_m(line.points_m) for line in lines]))
    return np.asarray(~seen.reshape(len(lines), _STATIONS, -1).all(axis=1), dtype=np.float64)


def _stations_m(line_m: Array) -> Array:
    """Return places along a line, evenly spread, shape (stations, 3) [m]."""
    along = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(line_m, axis=0), axis=1))])
    at = np.linspace(0.0, along[-1], _STATIONS)
    return np.column_stack([np.interp(at, along, axis) for axis in line_m.T])
