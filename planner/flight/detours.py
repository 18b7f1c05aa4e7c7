"""Ways round keep-out areas and dear ways across sensitive ones, in plan.

Lives here: the zones of a flight, and the shortest way among the corners of their outlines. Must not know aircraft,
lines or how a corner is flown.

Round keep-out areas alone the way is the shortest there is round the outlines grown here: it bends only at corners that
stand out (T. Lozano-Perez and M. A. Wesley, Communications of the ACM 22 (1979)). Across sensitive areas it is the
cheapest polyline that bends at corners of outlines only. The true cheapest way may also bend where it enters an area,
as light does; the one found never costs more than straight across nor than the shortest way round.
"""

from collections.abc import Hashable, Iterable, Sequence
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
import numpy.typing as npt
import shapely

from planner.flight.turns import Way
from planner.ground.clearance import crossed_m, nearest_keep_out, stations
from planner.ground.obstacles import KeepOut, Sensitive

Array = npt.NDArray[np.float64]

ALLOWANCE_M = 1.0
"""How far outlines are grown, keep-outs beyond their margin, so that corners can be flown round [m]."""

LEAST_MARGIN_M = 0.01  # an area without margin is not to be entered all the same
QUARTER = 4  # sides of a quarter circle in a grown outline
_EASE_M = 0.05  # what is blocked is smaller by this than the outline that is walked along
_MOST_CORNERS = 300
_COARSEST_M = 64.0


@dataclass(frozen=True)
class Zones:
    """Where a flight may not go and where it had better not.

    Attributes
    ----------
    keep_outs : tuple of KeepOut
        Volumes that no path may enter.
    sensitive : tuple of Sensitive
        Areas in which a metre costs more.
    margin_m : float
        Least distance to the volumes [m].
    led : dict
        Ways found so far, by all that was asked: orders of lines ask for the same ones again and again.
    """

    keep_outs: tuple[KeepOut, ...] = ()
    sensitive: tuple[Sensitive, ...] = ()
    margin_m: float = 0.0
    led: dict[Hashable, Way | None] = field(default_factory=dict, init=False, repr=False, compare=False)
    _graphs: dict[tuple[frozenset[int], float], "Graph"] = field(
        default_factory=dict, init=False, repr=False, compare=False
    )

    @cached_property
    def least_m(self) -> float:
        """Least distance that a path keeps to the volumes [m]."""
        return max(self.margin_m, LEAST_MARGIN_M)

    @cached_property
    def standing(self) -> frozenset[int]:
        """Numbers of the keep-out volumes without floor and top: they are in the way at any height."""
        return frozenset(
            number for number, one in enumerate(self.keep_outs) if one.floor_m is None and one.top_m is None
        )

    def between(self, low_m: float, high_m: float) -> frozenset[int]:
        """Return the numbers of the keep-out volumes that are in the way between two heights [m]."""
        found = []
        for number, one in enumerate(self.keep_outs):
            floor = -np.inf if one.floor_m is None else one.floor_m - self.least_m
            top = np.inf if one.top_m is None else one.top_m + self.least_m
            if floor < high_m and low_m < top:
                found.append(number)
        return frozenset(found)

    @cached_property
    def _boxes(self) -> Array:
        """West, south, east and north of all areas, those of keep-outs grown by the margin [m], shape (n, 4)."""
        grown = [np.array(one.polygon.bounds) + self.least_m * np.array([-1, -1, 1, 1]) for one in self.keep_outs]
        return np.array([*grown, *(one.polygon.bounds for one in self.sensitive)]).reshape(-1, 4)

    def near(self, places_m: Array) -> npt.NDArray[np.bool_]:
        """Return which areas, keep-outs first, the box round places, shape (n, 2) or (n, 3) [m], meets."""
        boxes = self._boxes
        low, high = places_m[:, :2].min(axis=0), places_m[:, :2].max(axis=0)
        return np.asarray((boxes[:, :2] <= high).all(axis=1) & (boxes[:, 2:] >= low).all(axis=1))

    def entered(self, points_m: Array) -> frozenset[int]:
        """Return the numbers of the keep-out volumes that a path, shape (n, 3), comes nearer to than the margin."""
        found = self._beneath(points_m)
        bounded = sorted(found - self.standing)
        if not bounded:
            return found
        places, _ = stations(points_m)
        off = (nearest_keep_out((self.keep_outs[number],), places).distance_m.min() for number in bounded)
        clear = frozenset(number for number, least in zip(bounded, off, strict=True) if least >= self.least_m - 1e-6)
        return found - clear

    def _beneath(self, places_m: Array) -> frozenset[int]:
        """Return the numbers of the keep-out volumes whose outlines a way in plan comes nearer to than the margin."""
        near = np.flatnonzero(self.near(places_m)[: len(self.keep_outs)]).tolist()
        if not near:
            return frozenset()
        line = shapely.linestrings(places_m[:, :2])
        within = shapely.dwithin(self._outlines[near], line, self.least_m - 1e-6)
        return frozenset(number for number, one in zip(near, within.tolist(), strict=True) if one)

    @cached_property
    def _outlines(self) -> npt.NDArray[np.object_]:
        """The outlines of the keep-out volumes, made ready to be looked at many times."""
        outlines = np.array([one.polygon for one in self.keep_outs], dtype=object)
        shapely.prepare(outlines)
        return outlines

    def dearer_m(self, points_m: Array) -> float:
        """Return what a path, shape (n, 2) or (n, 3), costs for sensitive areas besides its length [m]."""
        if not self.sensitive or not self.near(points_m)[len(self.keep_outs) :].any():
            return 0.0
        return float(crossed_m(self.sensitive, points_m) @ [one.cost for one in self.sensitive])

    def meets(self, numbers: frozenset[int], places_m: Array) -> bool:
        """Return whether a way in plan, shape (n, 2), comes nearer to some of the volumes than the margin."""
        return bool(numbers) and not numbers.isdisjoint(self._beneath(places_m))

    def graph(self, avoided: frozenset[int], beyond_m: float = ALLOWANCE_M) -> "Graph":
        """Return the graph of ways round some keep-outs, grown by the margin and more [m]; each is made once."""
        key = avoided, beyond_m
        if key not in self._graphs:
            hard = [self.keep_outs[number].polygon for number in sorted(avoided)]
            self._graphs[key] = graph_of(hard, self.sensitive, self.least_m + beyond_m)
        return self._graphs[key]


NOWHERE = Zones()


@dataclass(frozen=True)
class Graph:
    """The corners of grown outlines, and the cheapest ways among them.

    Attributes
    ----------
    blocked : shapely geometry
        What no way enters.
    sensitive : tuple of Sensitive
        Where a metre costs more.
    corners_m : ndarray, shape (k, 2)
        East and north [m].
    costs_m : ndarray, shape (k, k)
        Least cost from each corner to each other [m], inf where there is no way.
    following : ndarray of int, shape (k, k)
        The corner after each on the cheapest way to each other.
    """

    blocked: shapely.Geometry
    sensitive: tuple[Sensitive, ...]
    corners_m: Array
    costs_m: Array
    following: npt.NDArray[np.int64]

    def straight_m(self, starts_m: Array, ends_m: Array) -> Array:
        """Return the cost of going straight from each start to each end, shapes (n, 2) and (m, 2), shape (n, m) [m]."""
        return _straight_m(self.blocked, self.sensitive, starts_m, ends_m)

    def way(self, start_m: Array, end_m: Array) -> Array | None:
        """Return the ends and bends of the cheapest way between two places, (2,), shape (k, 2); None for none."""
        ends = np.stack([start_m, end_m])
        if shapely.intersects(self.blocked, shapely.points(ends)).any():
            return None
        direct = float(self.straight_m(ends[:1], ends[1:])[0, 0])
        out, home = self.straight_m(ends[:1], self.corners_m)[0], self.straight_m(self.corners_m, ends[1:])[:, 0]
        total = out[:, np.newaxis] + self.costs_m + home
        if not total.size or direct <= total.min() * (1 + 1e-9):
            return ends if np.isfinite(direct) else None
        if not np.isfinite(total.min()):
            return None
        at, last = (int(number) for number in np.unravel_index(int(np.argmin(total)), total.shape))
        bends = [at]
        while bends[-1] != last:
            bends.append(int(self.following[bends[-1], last]))
        return np.vstack([ends[:1], self.corners_m[bends], ends[1:]])

    def cheapest_m(self, starts_m: Array, ends_m: Array) -> Array:
        """Return the least cost [m] from each start, (n, 2), to each end, (m, 2), shape (n, m); inf for no way."""
        direct = self.straight_m(starts_m, ends_m)
        out, home = self.straight_m(starts_m, self.corners_m), self.straight_m(self.corners_m, ends_m)
        for corner in range(len(self.corners_m)):  # least over all last corners, one at a time to spare memory
            reached = (out + self.costs_m[:, corner]).min(axis=1)
            np.minimum(direct, reached[:, np.newaxis] + home[corner], out=direct)
        return direct


def graph_of(hard: Sequence[shapely.Geometry], sensitive: tuple[Sensitive, ...], grown_m: float) -> Graph:
    """Return the graph of ways round hard outlines grown by a distance, and round or across sensitive areas.

    Outlines with very many corners are made coarser, outward, until some hundreds are left in all.
    """
    coarse_m = 0.0
    while True:
        walked = shapely.union_all([grown(one, grown_m, coarse_m) for one in hard])
        dear = [one.polygon.simplify(coarse_m).buffer(ALLOWANCE_M + coarse_m, join_style="mitre") for one in sensitive]
        corners = np.vstack([_standing_out(walked), *(shapely.get_coordinates(one) for one in dear)])
        corners = np.unique(corners, axis=0)
        if len(corners) <= _MOST_CORNERS or coarse_m >= _COARSEST_M:
            break
        coarse_m = max(2 * coarse_m, 0.5)
    blocked = walked.buffer(-_EASE_M, join_style="mitre")  # sides stay parallel: ways along the outline are free
    shapely.prepare(blocked)
    corners = corners[~shapely.intersects(blocked, shapely.points(corners))]
    costs = _straight_m(blocked, sensitive, corners, corners)
    np.fill_diagonal(costs, 0.0)
    return Graph(blocked, sensitive, corners, *_cheapest(costs))


def grown(outline: shapely.Geometry, grown_m: float, coarse_m: float = 0.0) -> shapely.Geometry:
    """Return an outline grown by at least a distance [m], its corners rounded by straight sides outside the circle."""
    round_m = (grown_m + coarse_m) / np.cos(np.pi / 4 / QUARTER)
    return outline.simplify(coarse_m).buffer(round_m, quad_segs=QUARTER)


def _standing_out(area: shapely.Geometry) -> Array:
    """Return the corners of an area that stand out into what is around it, shape (k, 2)."""
    found = [np.zeros((0, 2))]
    for polygon in shapely.get_parts(area):
        oriented = shapely.geometry.polygon.orient(polygon)
        for ring in (oriented.exterior, *oriented.interiors):
            corners = shapely.get_coordinates(ring)[:-1]
            arriving, leaving = corners - np.roll(corners, 1, axis=0), np.roll(corners, -1, axis=0) - corners
            left = arriving[:, 0] * leaving[:, 1] - arriving[:, 1] * leaving[:, 0] > 0
            found.append(corners[left])
    return np.vstack(found)


def _straight_m(blocked: shapely.Geometry, sensitive: Iterable[Sensitive], starts_m: Array, ends_m: Array) -> Array:
    """Return the cost of the straights from each start to each end [m], inf where blocked, shape (n, m)."""
    pairs = np.stack(np.broadcast_arrays(starts_m[:, np.newaxis], ends_m), axis=2).reshape(-1, 2, 2)
    length = np.hypot(*(pairs[:, 1] - pairs[:, 0]).T)
    lines = shapely.linestrings(pairs)
    free = ~shapely.intersects(blocked, lines)
    cost = np.where(free, length, np.inf)
    for area in sensitive:
        shapely.prepare(area.polygon)
        crossing = np.flatnonzero(free & shapely.intersects(area.polygon, lines))
        cost[crossing] += area.cost * shapely.length(shapely.intersection(area.polygon, lines[crossing]))
    return cost.reshape(len(starts_m), len(ends_m))


def _cheapest(costs_m: Array) -> tuple[Array, npt.NDArray[np.int64]]:
    """Return the least costs among corners, and which comes next on each way (R. W. Floyd, CACM 5 (1962), no. 97)."""
    costs, count = costs_m.copy(), len(costs_m)
    following = np.broadcast_to(np.arange(count), (count, count)).copy()
    for middle in range(count):
        through = costs[:, middle, np.newaxis] + costs[middle]
        shorter = through < costs - 1e-9
        costs = np.where(shorter, through, costs)
        following = np.where(shorter, following[:, middle, np.newaxis], following)
    return costs, following
