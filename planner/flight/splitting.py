"""Areas in pieces: cuts where an outline turns inward or round a hole, and pieces that cost less as one put together.

Lives here: plane geometry, for a cost of any piece that is handed in. Must not know flight lines, missions or terrain.
"""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from functools import cache
from itertools import combinations

import numpy as np
import numpy.typing as npt
import shapely
from shapely.geometry.polygon import orient

Array = npt.NDArray[np.float64]
Cost = Callable[[shapely.MultiPolygon], float]

LEAST_WASTE = 0.03  # of the hull of an area that is not area: for less no cut is sought
REFLEX_RAD = np.radians(15.0)  # an outline that turns inward by less is as good as straight
SAME_WAY_RAD = np.radians(3.0)  # cuts whose directions differ by less are one
MOST_VERTICES = 60  # of the outline that cuts are sought in
MOST_REFLEX = 12  # corners of it that cuts start at
MOST_WAYS = 4  # directions along edges in which all cuts are made
GRID_M = 1e-3  # faces are put together on this grid, so that those with a common edge become one
LEAST_M2 = 1.0  # a face that is smaller is rounding
LOST_SHARE = 1e-4  # of an area that faces may lack or have twice: cuts that rounding leaves open are not followed
ROUNDING_M = 0.01  # no outline is told to be nearer: what grows by hardly anything vanishes
STEP_IN_M = 0.01  # from a corner into the area, to tell which way lies inside


@dataclass(frozen=True)
class Piece:
    """Part of an area with lines of its own.

    Attributes
    ----------
    planned, judged : shapely MultiPolygon
        What is flown and what is judged of it, local coordinates [m]; `planned` reaches over the seams.
    heading_rad : float
        Grid heading of its lines [rad].
    seam : shapely MultiPolygon
        What belongs to it alone beside other pieces [m]: no swath of an outermost line may end there.
    """

    planned: shapely.MultiPolygon
    judged: shapely.MultiPolygon
    heading_rad: float
    seam: shapely.MultiPolygon


@dataclass(frozen=True)
class _Corner:
    """A corner at which an area is wider than half a turn: its place, and the ways that its edges go on within."""

    place_m: Array
    ahead_rad: tuple[float, float]
    longer: int

    @property
    def middle_rad(self) -> float:
        """The way halfway between the edges that go on within [rad]."""
        first, second = self.ahead_rad
        return first + ((second - first + np.pi) % (2 * np.pi) - np.pi) / 2


def worth_cutting(area: shapely.MultiPolygon) -> bool:
    """Return whether so much of the hull of an area is not area that cuts may pay."""
    return bool(area.area < (1 - LEAST_WASTE) * shapely.convex_hull(area).area)


def simple_outline(area: shapely.MultiPolygon, detail_m: float, most_m: float) -> tuple[shapely.MultiPolygon, float]:
    """Return an outline with few vertices to seek cuts in, and how far it leaves the true one at most [m].

    Parameters
    ----------
    area : shapely MultiPolygon
        The true one, local coordinates [m].
    detail_m : float
        Distance within which vertices do not matter [m]; doubled until few are left.
    most_m : float
        Up to which it is also doubled until few corners turn inward [m].
    """
    outline = many(shapely.simplify(area, detail_m))
    while _busy(outline, corners=2 * detail_m <= most_m) and detail_m < np.sqrt(area.area):
        detail_m *= 2
        outline = many(shapely.simplify(area, detail_m))
    return outline, float(shapely.hausdorff_distance(area, outline)) + ROUNDING_M


def _busy(outline: shapely.MultiPolygon, *, corners: bool) -> bool:
    """Return whether an outline has many vertices, or many corners that turn inward where these count."""
    if shapely.get_num_coordinates(outline) > MOST_VERTICES:
        return True
    return corners and len(_corners(outline)) > MOST_REFLEX


def partitions(
    outline: shapely.MultiPolygon, cost: Cost, near_m: float, ways_rad: tuple[float, ...] = ()
) -> list[tuple[shapely.MultiPolygon, ...]]:
    """Return different ways to fly an area in pieces, those that cost least first, the area in one among them.

    All cuts are made at once, from each corner that turns inward to the next edge: along one direction (the cells of
    Choset and Pignon, Coverage path planning: the boustrophedon cellular decomposition, 1997, from memory), along the
    edges of the corner, or halfway between them. Then neighbours are put together, those first that save most, for as
    long as any save. With the narrowest way across a piece as its cost this makes the sum of altitudes small (Huang,
    Optimal line-sweep-based decompositions for coverage algorithms, 2001, from memory); lines that cost more than that,
    each with its leads and its turn, ask for fewer cuts.

    Parameters
    ----------
    outline : shapely MultiPolygon
        What is cut, local coordinates [m].
    cost : callable
        What flying a piece costs; costs of pieces add up.
    near_m : float
        Pieces this far apart are tried as one where the area has several parts [m].
    ways_rad : tuple of float
        Directions of cuts to try beside those of edges, clockwise from grid north [rad].
    """
    cost = cache(cost)
    corners = _corners(outline)[:MOST_REFLEX]
    cells: dict[frozenset[bytes], list[shapely.MultiPolygon]] = {}
    for chords in _cuts(outline, corners, ways_rad):
        faces = _faces(outline, chords)
        if abs(sum(face.area for face in faces) - outline.area) < LOST_SHARE * outline.area:
            cells.setdefault(_likeness(faces), faces)
    found: dict[frozenset[bytes], tuple[float, tuple[shapely.MultiPolygon, ...]]] = {}
    for faces in cells.values():
        pieces = _put_together(faces, cost, GRID_M)
        if len(outline.geoms) > 1:
            pieces = _put_together(pieces, cost, near_m)
        found.setdefault(_likeness(pieces), (sum(map(cost, pieces)), pieces))
    ranked = sorted(found.values(), key=lambda one: (round(one[0], 6), len(one[1])))
    return [pieces for _, pieces in ranked]


def grown(piece: shapely.MultiPolygon, within: shapely.MultiPolygon, reach_m: float) -> shapely.MultiPolygon:
    """Return all of an area that lies within a distance [m] of a piece of it."""
    return many(shapely.intersection(within, shapely.buffer(piece, reach_m, join_style="mitre")))


def many(geometry: shapely.Geometry) -> shapely.MultiPolygon:
    """Return the polygons among parts of any kind."""
    parts = shapely.get_parts(geometry)
    return shapely.MultiPolygon([part for part in parts if part.geom_type == "Polygon" and part.area > 0])


def _corners(outline: shapely.MultiPolygon) -> list[_Corner]:
    """Return the corners that turn inward, the sharpest turns first."""
    found = []
    for part in outline.geoms:
        inside_left = orient(part)
        for ring in (inside_left.exterior, *inside_left.interiors):
            points = shapely.get_coordinates(ring)[:-1]
            steps = np.roll(points, -1, axis=0) - points
            ways, lengths = np.arctan2(*steps.T), np.hypot(*steps.T)
            turns = (ways - np.roll(ways, 1) + np.pi) % (2 * np.pi) - np.pi
            for number in np.flatnonzero(turns > REFLEX_RAD).tolist():
                ahead = float(ways[number - 1]), float(ways[number] + np.pi)
                longer = int(lengths[number] > lengths[number - 1])
                found.append((-round(float(turns[number]), 6), _Corner(points[number], ahead, longer)))
    found.sort(key=lambda one: (one[0], *one[1].place_m.tolist()))
    return [corner for _, corner in found]


def _cuts(
    outline: shapely.MultiPolygon, corners: list[_Corner], ways_rad: tuple[float, ...]
) -> Iterator[list[shapely.LineString]]:
    """Yield sets of cuts, none first."""
    yield []
    if not corners:
        return
    for way in _different([*ways_rad, *(way for corner in corners for way in corner.ahead_rad)], len(ways_rad)):
        yield [cut for corner in corners for turn in (0, np.pi) for cut in _chord(outline, corner, way + turn)]
    for which in (0, 1):
        yield [cut for one in corners for cut in _chord(outline, one, one.ahead_rad[one.longer ^ which])]
    yield [cut for corner in corners for cut in _chord(outline, corner, corner.middle_rad)]


def _different(ways_rad: list[float], first: int) -> list[float]:
    """Return directions that differ, as lines without an arrow: the first ones all, of the rest the most frequent."""
    kept: list[float] = []
    met: list[int] = []
    for way in ways_rad:
        same = [k for k, other in enumerate(kept) if abs(np.sin(way - other)) < SAME_WAY_RAD]
        if same:
            met[same[0]] += 1
        else:
            kept.append(way)
            met.append(1)
    rest = sorted(range(min(first, len(kept)), len(kept)), key=lambda k: (-met[k], k))
    return kept[:first] + [kept[k] for k in rest[:MOST_WAYS]]


def _chord(outline: shapely.MultiPolygon, corner: _Corner, way_rad: float) -> list[shapely.LineString]:
    """Return the cut from a corner along a direction to the next edge; none where that way does not lie inside."""
    unit = np.array([np.sin(way_rad), np.cos(way_rad)])
    start = corner.place_m + STEP_IN_M * unit
    west, south, east, north = outline.bounds
    ray = shapely.LineString([start, start + (east - west + north - south) * unit])
    within = shapely.get_parts(shapely.intersection(outline, ray))
    first = [part for part in within if shapely.distance(part, shapely.Point(start)) < GRID_M and part.length > 1]
    if not first:
        return []
    length = first[0].length + 2 * STEP_IN_M  # a little over the edge, so that the two are sure to cross
    return [shapely.LineString([corner.place_m, corner.place_m + length * unit])]


def _likeness(pieces: Sequence[shapely.MultiPolygon]) -> frozenset[bytes]:
    """Return what is the same for the same pieces."""
    return frozenset(shapely.to_wkb(shapely.normalize(shapely.set_precision(piece, GRID_M))) for piece in pieces)


def _faces(outline: shapely.MultiPolygon, chords: list[shapely.LineString]) -> list[shapely.MultiPolygon]:
    """Return what cuts leave of an area."""
    if not chords:
        return [many(part) for part in outline.geoms]
    edges = shapely.union_all([shapely.boundary(outline), *chords], grid_size=GRID_M)
    faces = shapely.get_parts(shapely.polygonize(shapely.get_parts(edges)))
    whole = [face for face in faces if face.area > LEAST_M2]
    return [many(face) for face in whole if outline.contains(shapely.point_on_surface(face))]


def _put_together(
    pieces: Sequence[shapely.MultiPolygon], cost: Cost, near_m: float
) -> tuple[shapely.MultiPolygon, ...]:
    """Return pieces of which no two neighbours cost less as one."""
    left = dict(enumerate(pieces))
    gains: dict[tuple[int, int], tuple[float, shapely.MultiPolygon]] = {}
    fresh = list(combinations(left, 2))
    while True:
        for one, other in fresh:
            if shapely.distance(left[one], left[other]) <= near_m:
                both = many(shapely.union(left[one], left[other], grid_size=GRID_M))
                gains[one, other] = cost(left[one]) + cost(left[other]) - cost(both), both
        best = max(gains, key=lambda pair: (round(gains[pair][0], 6), -pair[0], -pair[1]), default=None)
        if best is None or gains[best][0] < 0:
            return tuple(left.values())
        number, merged = max(left) + 1, gains[best][1]
        gains = {pair: gain for pair, gain in gains.items() if not set(pair) & set(best)}
        del left[best[0]], left[best[1]]
        left[number] = merged
        fresh = [(other, number) for other in left if other != number]
