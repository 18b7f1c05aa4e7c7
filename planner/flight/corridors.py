"""Corridors: legs along a centreline, and the tracks that cover what lies to either side of it.

Lives here: where a centreline is broken into legs, and how these are laid and flown.
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
from planner.flight.strips import Corridor, deflections_rad, headings_rad, off_m, pieces_of
from planner.ground.geodesy import Frame
from planner.ground.surface import Scene

Array = npt.NDArray[np.float64]

KNEE_RAD = np.radians(12.0)
"""The aircraft turns between two legs where a centreline bends by more than this: common practice, no source."""
DETAIL = 0.01  # of the width of a corridor: legs end nowhere between vertices that shape the centreline so finely
MOST_VERTICES = 300  # of a centreline among which legs are sought
PARALLEL_RAD = 1e-6
FARTHEST_BESIDE = (
    1.6  # times the spacing, as far as two that keep-out areas have moved apart; what lies farther is no neighbour
)


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
        planned, judged = pieces_of(corridor, start, end)
        heading = float(headings_rad(points[[start, end]])[0])
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
    found, ending, at = [], [], 0
    for leg in legs:
        found.append(local_swaths(scene, leg.layout, lines[at : at + leg.layout.across_m.size], tilt_rad))
        at += leg.layout.across_m.size
        ending.append(2 * _short_of_edge_m(leg, found[-1]))
    return Swaths(tuple(found), np.concatenate(ending))


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


def longest_deg(frame: Frame, lines: Sequence[FlightLine]) -> float:
    """Return the heading of the first of the lines round the longest one, clockwise from true north [deg]."""
    line = longest_block(lines)[0]
    east, north = line.points_m[:, :2].mean(axis=0)
    return float(np.degrees(line.track_rad + frame.convergence_rad(float(east), float(north)))) % 360


def beside_longest(lines: Sequence[FlightLine], spacing_m: float) -> tuple[FlightLine, ...]:
    """Return the lines parallel to the longest one that lie beside it or beside one another, in the order given.

    Of an area in pieces these are the lines of one piece, or of pieces that join with one heading.

    Parameters
    ----------
    lines : sequence of FlightLine
        At least one.
    spacing_m : float
        Most distance between neighbours as they were laid [m].
    """
    longest = max(lines, key=lambda line: round(line.kept_length_m, 3))
    course = longest.track_rad
    same = [line for line in lines if _parallel(line.track_rad, course)]
    ends = np.array([line.kept_points_m()[[0, -1], :2] for line in same])
    along = np.sort(ends @ np.array([np.sin(course), np.cos(course)]), axis=1)
    across = (ends @ np.array([np.cos(course), -np.sin(course)])).mean(axis=1)
    near = np.abs(across - across[:, np.newaxis]) <= FARTHEST_BESIDE * spacing_m
    near &= (along[:, 0] <= along[:, np.newaxis, 1]) & (along[:, 1] >= along[:, np.newaxis, 0])
    block = np.array([line is longest for line in same])
    for _ in same:
        block |= near[block].any(axis=0)
    return tuple(line for line, own in zip(same, block.tolist(), strict=True) if own)


def blocks_of(lines: Sequence[FlightLine], spacing_m: float) -> list[tuple[FlightLine, ...]]:
    """Return lines in blocks of such as lie beside one another, as `beside_longest` has it, the longest line first."""
    blocks, left = [], list(lines)
    while left:
        blocks.append(beside_longest(left, spacing_m))
        left = [line for line in left if not any(line is own for own in blocks[-1])]
    return blocks


def _parallel(one_rad: float, other_rad: float) -> bool:
    return bool(abs(np.sin(one_rad - other_rad)) < PARALLEL_RAD)


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
        units = off_m(headings, 1.0)
        own = np.arange(len(rest))[:, np.newaxis] <= np.arange(1, len(rest))
        along = np.where(own, rest @ units.T, 0.0)
        across = np.where(own, rest @ off_m(headings + np.pi / 2, 1.0).T, 0.0)
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
