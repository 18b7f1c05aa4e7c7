"""Corridors: legs along a centreline, and the tracks that cover what lies to either side of it.

Lives here: the outline of a corridor, where its centreline is broken into legs, and how these are laid and flown.
Must not know missions, sensors or the forecast.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from itertools import pairwise

import numpy as np
import numpy.typing as npt
import shapely

from planner.flight.flightlines import FlightLine, Layout, Manner, fly_lines, lay_out, turned
from planner.flight.overlap import LocalSwaths, Swaths, local_swaths
from planner.flight.profile import Floor
from planner.ground.surface import Scene

Array = npt.NDArray[np.float64]

KNEE_RAD = np.radians(12.0)
"""The aircraft turns between two legs where a centreline bends by more than this: common practice, no source."""
DETAIL = 0.01  # of the width of a corridor: legs end nowhere between vertices that shape the centreline so finely
MOST_VERTICES = 300  # of a centreline among which legs are sought
TIGHT_DETAIL = 0.02  # of the width on the inner side: wiggles within that are no bends
GRID_M = 1e-3  # corners are rounded to this, so that parts with a common edge become one
FAN_STEP_RAD = np.radians(5.0)
PARALLEL_RAD = 1e-6


@dataclass(frozen=True)
class Corridor:
    """A strip along a line.

    Attributes
    ----------
    centreline : shapely LineString
        Local coordinates [m]; legs run along it as it was drawn.
    left_m, right_m : float
        How far the strip reaches to either side, looking along the line [m].
    buffer_m : float
        How much farther it is flown, but not judged, on all sides [m].
    """

    centreline: shapely.LineString
    left_m: float
    right_m: float
    buffer_m: float = 0.0

    @property
    def width_m(self) -> float:
        """From edge to edge of what is judged [m]."""
        return self.left_m + self.right_m


@dataclass(frozen=True)
class Leg:
    """A straight course with its tracks.

    Attributes
    ----------
    layout : Layout
        The tracks.
    judged : shapely MultiPolygon or None
        What belongs to the leg, local coordinates [m]: the outermost swaths must reach its edge. None asks nothing.
    """

    layout: Layout
    judged: shapely.MultiPolygon | None = None


def outline(centreline: shapely.LineString, left_m: float, right_m: float) -> shapely.MultiPolygon:
    """Return all that lies beside a line within a width to its left and its right, in local coordinates [m].

    Flat at both ends and round at the outside of bends, so that the width holds in every direction.
    """
    return _many(_strip(shapely.get_coordinates(centreline), left_m, right_m))


def deflections_rad(points_m: Array) -> Array:
    """Return how far a polyline of shape (n, 2) turns to the right at each inner vertex [rad], shape (n - 2,)."""
    headings = _headings_rad(points_m)
    return np.asarray((np.diff(headings) + np.pi) % (2 * np.pi) - np.pi)


@dataclass(frozen=True)
class Bend:
    """A bend of a centreline.

    Attributes
    ----------
    place_m : ndarray, shape (2,)
        Local east and north [m].
    radius_m : float
        Of the circle that touches three successive segments; of the one that touches both segments at a knee and ends
        where one of them does. inf where the line is straight [m].
    width_m : float
        How far the corridor reaches on the inner side [m].
    side : {"left", "right"}
        The inner side, looking along the line.
    """

    place_m: Array
    radius_m: float
    width_m: float
    side: str


def tightest_bend(centreline: shapely.LineString, left_m: float, right_m: float) -> Bend:
    """Return the bend of a line that is tightest for the width on its inner side; wiggles are left out."""
    bends = [_tightest(centreline, width, side) for width, side in ((right_m, "right"), (left_m, "left"))]
    return min(bends, key=lambda bend: bend.radius_m / bend.width_m)


def _tightest(centreline: shapely.LineString, width_m: float, side: str) -> Bend:
    points = shapely.get_coordinates(centreline.simplify(TIGHT_DETAIL * width_m))
    turns = deflections_rad(points) * (1.0 if side == "right" else -1.0)
    halves = np.concatenate([[0.0], np.tan(np.maximum(turns, 0.0) / 2), [0.0]])
    both = halves[:-1] + halves[1:]
    lengths = np.hypot(*np.diff(points, axis=0).T)
    radii = np.divide(lengths, both, out=np.full(lengths.shape, np.inf), where=both > 0)
    at = int(np.argmin(radii))
    return Bend(points[at + int(halves[at + 1] > halves[at])], float(radii[at]), width_m, side)


def leg_ends(corridor: Corridor, spacing_m: float, rims_m: tuple[float, float], line_cost_m: float) -> list[int]:
    """Return the numbers of the vertices of a centreline at which legs begin and end, the first and last included.

    It is broken at every knee of more than 12 degrees between segments at least half as long as the corridor is wide,
    and elsewhere wherever the whole flight is shorter for it: a leg that is broken costs its leads and a turn more,
    one that is not needs more tracks beside one another to hold the bend.

    Parameters
    ----------
    corridor, spacing_m, rims_m, line_cost_m
        As for `lay_along`.
    """
    points = shapely.get_coordinates(corridor.centreline)
    knees = _knees(points, corridor.width_m / 2)
    tried = _vertices(corridor, knees)
    breaks = [0]
    for first, last in pairwise([0, *knees, len(points) - 1]):
        stops = [number for number in tried if first <= number <= last]
        extents = _extents(tuple(map(tuple, points[stops].tolist())))
        costs = _costs_m(corridor, extents, spacing_m, rims_m, line_cost_m)
        breaks += [stops[stop] for stop in _cheapest(costs)]
    return breaks


def lay_along(
    corridor: Corridor,
    spacing_m: float,
    rims_m: tuple[float, float],
    line_cost_m: float,
    hold_spacing: bool = False,
) -> tuple[Leg, ...]:
    """Return parallel tracks along each leg of a corridor, in the order of its centreline.

    A leg is a straight course from one end to the other, see `leg_ends`. Between two legs the corridor is divided
    along the bisector of the knee. Each track runs until it has passed all of its own strip, on the outer side of the
    bend as on the inner. As few tracks as will do lie evenly over the width.

    Parameters
    ----------
    corridor : Corridor
        What is flown.
    spacing_m, rims_m, hold_spacing
        As for `lay_out`, of each leg.
    line_cost_m : float
        What a line costs beside its own length: leads and a turn [m].
    """
    points = shapely.get_coordinates(corridor.centreline)
    legs = []
    for start, end in pairwise(leg_ends(corridor, spacing_m, rims_m, line_cost_m)):
        planned, judged = _pieces(corridor, start, end)
        heading = float(_headings_rad(points[[start, end]])[0])
        layout = lay_out(planned, judged, heading, spacing_m, rims_m, hold_spacing)
        if layout.across_m.size > 1 and not hold_spacing:
            even = _even_rims_m(planned, layout, spacing_m, rims_m, corridor.buffer_m)
            layout = lay_out(planned, judged, heading, spacing_m, even)
        legs.append(Leg(layout, judged))
    return tuple(legs)


def _even_rims_m(
    planned: shapely.MultiPolygon, layout: Layout, spacing_m: float, rims_m: tuple[float, float], buffer_m: float
) -> tuple[float, float]:
    """Return rims with which as many tracks lie evenly over the width, or as evenly as their spacing allows [m]."""
    _, low, _, high = turned(planned, layout.heading_rad).bounds
    count = layout.across_m.size
    rim = max((high - low) / count, high - low - (count - 1) * spacing_m) / 2
    return min(rims_m[0], rim), min(rims_m[1], rim - buffer_m)


def fly_legs(legs: Sequence[Leg], floor: Floor, manner: Manner) -> tuple[FlightLine, ...]:
    """Return the lines of legs one after the other, numbered through, level ones all at one height.

    Parameters
    ----------
    legs : sequence of Leg
        In the order flown.
    floor, manner
        As for `fly_lines`.
    """
    flown = [fly_lines(leg.layout, floor, manner) for leg in legs]
    if manner.level_m is not None and len(legs) > 1:
        level = max(float(line.points_m[:, 2].max()) for lines in flown for line in lines)
        flown = [fly_lines(leg.layout, floor, replace(manner, level_m=level)) for leg in legs]
    every = [line for lines in flown for line in lines]
    digits = max(2, len(str(len(every))))
    return tuple(replace(line, line_id=f"L{number:0{digits}d}") for number, line in enumerate(every, start=1))


def swaths_along(scene: Scene, legs: Sequence[Leg], lines: Sequence[FlightLine], tilt_rad: float) -> Swaths:
    """Return what the swaths of legs reach; where one ends within its leg, twice its half counts as shared.

    Parameters
    ----------
    scene : Scene
        The site.
    legs : sequence of Leg
        Where the lines run.
    lines : sequence of FlightLine
        From `fly_legs`, in its order.
    tilt_rad : float
        Tilt of the scan plane, positive forward [rad].
    """
    shared, drops, at = [], [], 0
    for leg in legs:
        found = local_swaths(scene, leg.layout, lines[at : at + leg.layout.across_m.size], tilt_rad)
        at += leg.layout.across_m.size
        shared += [found.shared_m.ravel(), 2 * _short_of_edge_m(leg, found)]
        drops.append(found.drops_m)
    return Swaths(np.concatenate(shared), np.concatenate(drops))


def _short_of_edge_m(leg: Leg, swaths: LocalSwaths) -> Array:
    """Return the half swaths of the outermost tracks that end within what belongs to their leg [m], shape (n,)."""
    if leg.judged is None:
        return np.zeros(0)
    ends = leg.layout.across_m[[0, -1], np.newaxis] + np.array([[-1.0], [1.0]]) * swaths.outer_m
    east, north = leg.layout.place_m(swaths.along_m, ends)
    return np.asarray(swaths.outer_m[shapely.contains_xy(leg.judged, east, north)])


def longest_block(lines: Sequence[FlightLine]) -> tuple[FlightLine, ...]:
    """Return the parallel lines round the longest one: those of the longest leg, where lines are in the order laid."""
    longest = max(range(len(lines)), key=lambda number: round(lines[number].kept_length_m, 3))
    course = lines[longest].track_rad
    first = last = longest
    while first > 0 and _parallel(lines[first - 1].track_rad, course):
        first -= 1
    while last < len(lines) - 1 and _parallel(lines[last + 1].track_rad, course):
        last += 1
    return tuple(lines[first : last + 1])


def _parallel(one_rad: float, other_rad: float) -> bool:
    return bool(abs(np.sin(one_rad - other_rad)) < PARALLEL_RAD)


def _many(geometry: shapely.Geometry) -> shapely.MultiPolygon:
    parts = shapely.get_parts(geometry)
    return shapely.MultiPolygon([part for part in parts if part.geom_type == "Polygon" and part.area > 0])


def _headings_rad(points_m: Array) -> Array:
    """Return the grid heading of each segment [rad], shape (n - 1,)."""
    east, north = np.diff(points_m, axis=0).T
    return np.asarray(np.arctan2(east, north))


def _off_m(heading_rad: float | Array, distance_m: float) -> Array:
    """Return east and north of a distance along a heading [m], shape (..., 2)."""
    return distance_m * np.stack([np.sin(heading_rad), np.cos(heading_rad)], axis=-1)


def _stretched(points_m: Array, more_m: float) -> Array:
    """Return a polyline that goes on straight by a length at both ends [m]."""
    headings = _headings_rad(points_m)
    longer = points_m.copy()
    longer[0] -= _off_m(float(headings[0]), more_m)
    longer[-1] += _off_m(float(headings[-1]), more_m)
    return longer


def _strip(points_m: Array, left_m: float, right_m: float) -> shapely.Geometry:
    """Return all within a width to either side of a polyline: a box for each segment, a fan outside each bend."""
    headings = _headings_rad(points_m)
    parts = []
    for (start, end), heading in zip(pairwise(points_m), headings, strict=True):
        left, right = _off_m(heading - np.pi / 2, left_m), _off_m(heading + np.pi / 2, right_m)
        parts.append(shapely.Polygon([start + left, end + left, end + right, start + right]))
    for place, heading, turn in zip(points_m[1:-1], headings, deflections_rad(points_m), strict=False):
        parts.append(_fan(place, heading, turn, left_m if turn > 0 else right_m))
    return shapely.union_all(parts, grid_size=GRID_M)


def _fan(place_m: Array, heading_rad: float, turn_rad: float, width_m: float) -> shapely.Polygon:
    """Return the sector outside a bend from one heading on through a turn, empty where there is none."""
    if abs(turn_rad) < 1e-9:
        return shapely.Polygon()
    outward = heading_rad - np.sign(turn_rad) * np.pi / 2
    steps = int(np.ceil(abs(turn_rad) / FAN_STEP_RAD)) + 1
    rim = place_m + _off_m(outward + np.linspace(0.0, turn_rad, steps), width_m)
    return shapely.Polygon([place_m, *rim])


@lru_cache(maxsize=512)
def _pieces(corridor: Corridor, start: int, end: int) -> tuple[shapely.MultiPolygon, shapely.MultiPolygon]:
    """Return what is flown and what is judged of the leg between two vertices of a centreline."""
    points, wider = shapely.get_coordinates(corridor.centreline), corridor.buffer_m
    left, right = corridor.left_m, corridor.right_m
    planned = _piece(_stretched(points, wider), start, end, left + wider, right + wider)
    return _many(planned), _many(_piece(points, start, end, left, right))


def _piece(points_m: Array, start: int, end: int, left_m: float, right_m: float) -> shapely.Geometry:
    """Return the part of a corridor that belongs to the leg between two vertices: up to the bisectors of its knees."""
    piece = _strip(points_m[start : end + 1], left_m, right_m)
    for knee in (start, end):
        if not 0 < knee < len(points_m) - 1:
            continue
        before, after = _headings_rad(points_m[knee - 1 : knee + 2])
        (turn,) = deflections_rad(points_m[knee - 1 : knee + 2])
        outer, inner = (left_m, right_m) if turn > 0 else (right_m, left_m)
        place, own = points_m[knee], after if knee == start else before
        fan_from = before + turn / 2 if knee == start else before
        piece = shapely.union(piece, _fan(place, fan_from, turn / 2, outer), grid_size=GRID_M)
        shortest = np.hypot(*np.diff(points_m[knee - 1 : knee + 2], axis=0).T).min()
        trim = min(inner * np.tan(abs(turn) / 2), shortest / 2)
        corner = place + _off_m(own + np.sign(turn) * np.pi / 2, inner)
        back = _off_m(own, trim if knee == start else -trim)
        # From before the knee to behind it: a common edge would leave a hair of the strip standing.
        piece = shapely.difference(piece, shapely.Polygon([place, corner - back, corner + back]), grid_size=GRID_M)
    return shapely.buffer(piece, GRID_M)  # what only touched itself may cross itself once it is turned


def _knees(points_m: Array, least_m: float) -> list[int]:
    """Return the numbers of the vertices that bend by more than a knee, between segments that have a length [m]."""
    long = np.hypot(*np.diff(points_m, axis=0).T) >= least_m
    bent = np.abs(deflections_rad(points_m)) > KNEE_RAD
    return (np.flatnonzero(bent & long[:-1] & long[1:]) + 1).tolist()


def _vertices(corridor: Corridor, knees: list[int]) -> list[int]:
    """Return the numbers of the vertices at which legs may end: knees, and those that shape the centreline."""
    points, detail = shapely.get_coordinates(corridor.centreline), DETAIL * corridor.width_m
    shape = shapely.get_coordinates(corridor.centreline.simplify(detail))
    while len(shape) > MOST_VERTICES:
        detail *= 2
        shape = shapely.get_coordinates(corridor.centreline.simplify(detail))
    numbers, at = set(knees), 0
    for place in shape:
        at += int(np.argmax(np.all(points[at:] == place, axis=1)))
        numbers.add(at)
        at += 1
    return sorted(numbers)


@lru_cache(maxsize=64)
def _extents(points_m: tuple[tuple[float, float], ...]) -> Array:
    """Return along, least and most across of the leg from each vertex to each later one [m], shape (3, n, n)."""
    points = np.array(points_m)
    count = len(points)
    extents = np.full((3, count, count), np.inf)
    for start in range(count - 1):
        rest = points[start:] - points[start]
        headings = np.arctan2(rest[1:, 0], rest[1:, 1])
        units = _off_m(headings, 1.0)
        own = np.arange(len(rest))[:, np.newaxis] <= np.arange(1, len(rest))
        along = np.where(own, rest @ units.T, 0.0)
        across = np.where(own, rest @ _off_m(headings + np.pi / 2, 1.0).T, 0.0)
        extents[:, start, start + 1 :] = np.ptp(along, axis=0), across.min(axis=0), across.max(axis=0)
    return extents


def _costs_m(
    corridor: Corridor, extents: Array, spacing_m: float, rims_m: tuple[float, float], line_cost_m: float
) -> Array:
    """Return what all lines of the leg from each vertex to each later one cost [m], shape (n, n); inf elsewhere."""
    along, low, high = extents
    wider = corridor.buffer_m
    reach = min(rims_m[0] - wider, rims_m[1])  # of a track over the edge of what is judged
    first, last = low - corridor.left_m + reach, high + corridor.right_m - reach
    with np.errstate(invalid="ignore"):
        lines = np.ceil(np.maximum(last - first, 0.0) / spacing_m - 1e-9) + 1
        costs = lines * (along + line_cost_m)
    return np.asarray(np.where(np.isfinite(along), costs, np.inf))


def _cheapest(costs_m: Array) -> list[int]:
    """Return the ends of the legs that together cost least, given the cost of each from vertex to vertex."""
    count = len(costs_m)
    least, before = np.zeros(count), np.zeros(count, dtype=int)
    for end in range(1, count):
        sums = least[:end] + costs_m[:end, end]
        before[end] = int(np.argmin(sums))
        least[end] = sums[before[end]]
    ends = [count - 1]
    while before[ends[-1]] > 0:
        ends.append(int(before[ends[-1]]))
    return ends[::-1]
