"""Headings of lines by what flying them takes: lines, leads and turns back and forth, in the wind, over the ground.

Lives here: the time of a layout, of lines and of blocks of them, the search over headings, and the one along
contours. Must not know settings, batteries or the forecast.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import shapely

from planner.aircraft import Aircraft
from planner.errors import InfeasibleError
from planner.flight.flightlines import FlightLine, Layout, Manner
from planner.flight.turns import Pose, rest_to_rest_s, shortest_length_m, turn_radius_m, turn_way
from planner.flight.winds import CALM, Hold, Wind, ground_speed_mps, held_speed_mps
from planner.ground.surface import HeightGrid

Array = npt.NDArray[np.float64]
HeightAt = Callable[[Array, Array], Array]

COARSE_DEG, FINE_DEG = 5.0, 1.0
NEAR_BEST = 3  # headings of the coarse grid that are looked round
MOST_EDGES = 8  # longest edges of the hull that are tried: the narrowest way across lies along one of them
FLAT_SLOPE = 0.02
"""Ground whose root mean square slope is less has no contours to fly along: common practice, no source."""
ALIKE_SHARE = 0.8
"""Nor has ground where the least mean square slope is at least so much of the greatest: common practice, no source."""


@dataclass(frozen=True)
class Going:
    """What flies lines, whichever way they head.

    Attributes
    ----------
    aircraft : Aircraft
        Its turns, climb and descent, limits of the mission included.
    manner : Manner
        How lines are flown.
    wind : Wind
        Steady.
    hold : {"ground", "air"}
        Which speed is the same on all lines, see `planner.flight.winds.held_speed_mps`.
    ground_m : callable or None
        Ground at local east and north [m], which lines follow; None where they are level. nan is unknown.
    """

    aircraft: Aircraft
    manner: Manner
    wind: Wind = CALM
    hold: Hold = "ground"
    ground_m: HeightAt | None = None


@dataclass(frozen=True)
class _Legs:
    """Lines with leads in the order flown: first and last points (n, 3), courses (n,), lengths (n,)."""

    starts_m: Array
    ends_m: Array
    courses_rad: Array
    lengths_m: Array

    def other_way(self) -> "_Legs":
        """Return the same lines in the same order, each flown the other way."""
        return _Legs(self.ends_m, self.starts_m, self.courses_rad + np.pi, self.lengths_m)

    def from_last(self) -> "_Legs":
        """Return the same lines from the last to the first."""
        return _Legs(self.starts_m[::-1], self.ends_m[::-1], self.courses_rad[::-1], self.lengths_m[::-1])


@dataclass(frozen=True)
class _Turns:
    """Ends of lines (n, 3) and starts of those that follow, with the courses and ground speeds there (n,)."""

    ends_m: Array
    starts_m: Array
    courses_rad: tuple[Array, Array]
    speeds_mps: tuple[Array, Array]


def layout_time_s(layout: Layout, going: Going) -> float:
    """Return the time of a layout flown back and forth [s], leads and turns included, begun the quicker way round.

    Climbs between lines are those of the ground beneath their ends. inf where the wind beats the airspeed.
    """
    return _quicker_s(_legs_laid(layout, going), going)


def lines_time_s(lines: Sequence[FlightLine], going: Going) -> float:
    """Return the time of lines in the order given [s], leads and turns included, begun the quicker way round.

    In calm air as `planner.flight.sorties.flight_figures` has it. inf where the wind beats the airspeed.
    """
    return _quicker_s(_legs_flown(lines), going)


def blocks_time_s(blocks: Sequence[Layout | Sequence[FlightLine]], going: Going) -> float:
    """Return the time of blocks of lines one after the other [s], the ways between them included.

    Each block is begun at the one of its four corners, and the blocks are taken in the order, that lead on soonest.
    Of one block it is the time as `layout_time_s` or `lines_time_s` has it. inf where the wind beats the airspeed.
    """
    laid = [_legs_laid(block, going) if isinstance(block, Layout) else _legs_flown(block) for block in blocks]
    if len(laid) == 1:
        return _quicker_s(laid[0], going)
    states = [state for legs in laid for one in (legs, legs.from_last()) for state in (one, one.other_way())]
    try:
        own = np.array([_flown_s(state, going) for state in states])
        ways = _between_s(states, going)
    except InfeasibleError:
        return np.inf
    return min(_toured_s(own, ways, first) for first in range(len(states)))


def contours_rad(ground: HeightGrid, area: shapely.Geometry) -> float | None:
    """Return the grid heading in which the ground of an area slopes least [rad], from 0 to below pi.

    The mean square slope along a direction u is u' J u with J the mean of g g' over the slopes g: least along the
    eigenvector of the smaller eigenvalue (structure tensor, Bigun and Granlund, Optimal orientation detection of linear
    symmetry, 1987, from memory). None where the ground is flat, or slopes as much whichever way.

    Parameters
    ----------
    ground : HeightGrid
        The ground; squares of its lattice with an unknown corner do not count.
    area : shapely geometry
        What is flown, local coordinates [m].
    """
    heights, known = ground.heights_m, ground.known
    rows, cols = (np.arange(count - 1) + 0.5 for count in heights.shape)
    places = np.meshgrid(ground.west_m + cols * ground.spacing_m, ground.north_m - rows * ground.spacing_m)
    counts = known[:-1, :-1] & known[:-1, 1:] & known[1:, :-1] & known[1:, 1:] & shapely.contains_xy(area, *places)
    if not counts.any():
        return None
    falling, rising = (heights[1:, 1:] - heights[:-1, :-1])[counts], (heights[:-1, 1:] - heights[1:, :-1])[counts]
    slopes = np.stack([falling + rising, rising - falling]) / (2 * ground.spacing_m)
    (least, most), axes = np.linalg.eigh(slopes @ slopes.T / slopes.shape[1])
    if most < FLAT_SLOPE**2 or least > ALIKE_SHARE * most:
        return None
    heading = float(np.arctan2(axes[0, 0], axes[1, 0])) % np.pi
    return 0.0 if np.pi - heading < 1e-9 else heading


def quickest_heading(
    area: shapely.Geometry, lay: Callable[[float], Layout], going: Going, first_rad: float
) -> tuple[float, float, float]:
    """Return the grid heading whose lines take least time, its time, and that of the first heading.

    Every 5 degrees, along the longest edges of the hull and at the first heading, then every degree round the best
    few. Ties fall to the first heading, then to the smaller one.

    Parameters
    ----------
    area : shapely geometry
        What is flown, local coordinates [m].
    lay : callable
        Lays lines at a grid heading [rad].
    going : Going
        How they are flown.
    first_rad : float
        Heading to hold the others against [rad].

    Returns
    -------
    (float, float, float)
        Heading from 0 to below pi [rad], its time and that of the first heading [s]; times inf where the wind beats
        the airspeed.
    """
    first = _half_turn_deg(float(np.degrees(first_rad)))
    times: dict[float, float] = {}

    def look(headings_deg: Sequence[float]) -> None:
        for heading in map(_half_turn_deg, headings_deg):
            if heading not in times:
                times[heading] = layout_time_s(lay(float(np.radians(heading))), going)

    def ranked() -> list[float]:
        return sorted(times, key=lambda heading: (round(times[heading], 6), heading != first, heading))

    look([first, *np.arange(0.0, 180.0, COARSE_DEG), *_edges_deg(area)])
    fine = np.arange(-COARSE_DEG + FINE_DEG, COARSE_DEG, FINE_DEG)
    for heading in ranked()[:NEAR_BEST]:
        look((np.round(heading) + fine).tolist())
    best = ranked()[0]
    return float(np.radians(best)), times[best], times[first]


def _edges_deg(area: shapely.Geometry) -> list[float]:
    """Return the headings of the longest edges of the hull of an area [deg]."""
    steps = np.diff(shapely.get_coordinates(shapely.convex_hull(area)), axis=0)
    longest = np.argsort(-np.hypot(*steps.T), kind="stable")[:MOST_EDGES]
    return [float(np.degrees(np.arctan2(*steps[edge]))) for edge in longest.tolist()]


def _half_turn_deg(heading_deg: float) -> float:
    """Return a heading from 0 to below 180 [deg], to nine digits, so that the same one is met again."""
    return round(heading_deg % 180, 9) % 180


def _quicker_s(legs: _Legs, going: Going) -> float:
    try:
        return min(_flown_s(legs, going), _flown_s(legs.other_way(), going))
    except InfeasibleError:
        return np.inf


def _legs_laid(layout: Layout, going: Going) -> _Legs:
    manner = going.manner
    more = manner.extend_m + manner.lead_m
    along = layout.spans_m + np.array([-more, more])
    along[1::2] = along[1::2, ::-1]
    ends = []
    for column in along.T:
        east, north = layout.place_m(column, layout.across_m)
        up = np.zeros(east.shape) if going.ground_m is None else going.ground_m(east, north)
        ends.append(np.column_stack([east, north, up]))
    backward = np.arange(len(along)) % 2
    lengths = np.abs(np.diff(along, axis=1)[:, 0])
    return _Legs(ends[0], ends[1], np.asarray(layout.heading_rad + np.pi * backward), lengths)


def _legs_flown(lines: Sequence[FlightLine]) -> _Legs:
    return _Legs(
        np.array([line.points_m[0] for line in lines]),
        np.array([line.points_m[-1] for line in lines]),
        np.array([line.track_rad for line in lines]),
        np.array([line.along_m()[-1] for line in lines]),
    )


def _toured_s(own_s: Array, ways_s: Array, first: int) -> float:
    """Return the time of all blocks from one of their states on, always to the one that is reached soonest."""
    blocks = np.arange(len(own_s)) // 4
    least = own_s.reshape(-1, 4).min(axis=1)[blocks]
    left, at, total = blocks != blocks[first], first, float(own_s[first])
    while left.any():
        after = int(np.argmin(np.where(left, ways_s[at] + own_s - least, np.inf)))
        total += float(ways_s[at, after] + own_s[after])
        left &= blocks != blocks[after]
        at = after
    return total


def _between_s(states: Sequence[_Legs], going: Going) -> Array:
    """Return the time from the end of each state of a block to the start of each other [s], shape (n, n).

    A wing's ways in the wind are as wide as that asks for, but as quick as in calm air.
    """
    count = len(states)
    before, after = (index.ravel() for index in np.indices((count, count)))
    ends, starts = np.array([one.ends_m[-1] for one in states]), np.array([one.starts_m[0] for one in states])
    courses = [np.array([one.courses_rad[end] for one in states]) for end in (-1, 0)]
    speeds = [_speeds_mps(one, going) for one in courses]
    pairs = _Turns(
        ends[before], starts[after], (courses[0][before], courses[1][after]), (speeds[0][before], speeds[1][after])
    )
    ways = _hops_s(pairs, going) if going.aircraft.kind == "multirotor" else _calm_arcs_s(pairs, going)
    return np.maximum(ways, _climbs_s(pairs, going)).reshape(count, count)


def _speeds_mps(courses_rad: Array, going: Going) -> Array:
    aircraft, asked = going.aircraft, going.manner.speed_mps
    return np.array([held_speed_mps(aircraft, asked, way, going.wind, going.hold) for way in courses_rad.tolist()])


def _flown_s(legs: _Legs, going: Going) -> float:
    """Return the time of legs and of the turns between them [s]."""
    courses, speeds = legs.courses_rad, _speeds_mps(legs.courses_rad, going)
    on_lines = float(np.sum(legs.lengths_m / speeds))
    if len(speeds) == 1:
        return on_lines
    turns = _Turns(legs.ends_m[:-1], legs.starts_m[1:], (courses[:-1], courses[1:]), (speeds[:-1], speeds[1:]))
    turned = _hops_s(turns, going) if going.aircraft.kind == "multirotor" else _arcs_s(turns, going)
    return on_lines + float(np.sum(np.maximum(turned, _climbs_s(turns, going))))


def _climbs_s(turns: _Turns, going: Going) -> Array:
    """Return the times of the climbs and descents between lines [s], shape (n,)."""
    rise = np.nan_to_num(turns.starts_m[:, 2] - turns.ends_m[:, 2])
    return np.where(rise > 0, rise / going.aircraft.climb_mps, -rise / going.aircraft.descent_mps)


def _hops_s(turns: _Turns, going: Going) -> Array:
    """Return the times of the turns of a multirotor [s], shape (n,): it brakes, moves over, and speeds up."""
    push, (before, after) = going.aircraft.acceleration_mps2, turns.speeds_mps
    first, last = (np.column_stack([np.sin(course), np.cos(course)]) for course in turns.courses_rad)
    stops = turns.ends_m[:, :2] + (before**2 / (2 * push))[:, np.newaxis] * first
    leaves = turns.starts_m[:, :2] - (after**2 / (2 * push))[:, np.newaxis] * last
    gap = leaves - stops
    possible = ground_speed_mps(going.aircraft.airspeeds_mps[1], np.arctan2(*gap.T), going.wind)
    moving = np.minimum(np.maximum(before, after), possible)
    return np.asarray((before + after) / push + rest_to_rest_s(np.hypot(*gap.T), moving, push))


def _arcs_s(turns: _Turns, going: Going) -> Array:
    """Return the times of the turns of a fixed wing [s], shape (n,): closed forms in calm air, the way in wind."""
    if not going.wind.speed_mps:
        return _calm_arcs_s(turns, going)
    (first, last), (before, after) = turns.courses_rad, turns.speeds_mps
    return np.array(
        [
            turn_way(
                going.aircraft,
                Pose.at(turns.ends_m[k, :2], float(first[k]), float(before[k])),
                Pose.at(turns.starts_m[k, :2], float(last[k]), float(after[k])),
                going.wind,
            ).times_s[-1]
            for k in range(len(before))
        ]
    )


def _calm_arcs_s(turns: _Turns, going: Going) -> Array:
    """Return the times of the turns of a fixed wing by closed forms in calm air [s], as wide as wind makes them."""
    air = np.clip(np.maximum(*turns.speeds_mps), *going.aircraft.airspeeds_mps)
    east, north = (turns.starts_m[:, :2] - turns.ends_m[:, :2]).T
    radius = turn_radius_m(air + going.wind.speed_mps, going.aircraft.max_bank_deg)
    return np.asarray(shortest_length_m(east, north, *turns.courses_rad, radius) / air)
