"""Lines flown for calibration besides those that cover the area: an opposed pair and cross lines.

Lives here: which of them a navigation card asks for, and where they lie, clear of keep-out areas. Must not know what
they show.
"""

from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np
import numpy.typing as npt

from planner.flight.avoidance import Change, ClosedVolumes, Kept, keep_clear, side_of
from planner.flight.climbs import LeastHeight, lowest_m
from planner.flight.flightlines import STATION_M, FlightLine
from planner.flight.ordering import reversed_line
from planner.flight.paths import Flyer

Array = npt.NDArray[np.float64]

SHORTEST_CROSS_M = 100.0  # kept length of a cross line over a block narrower than that
MOST_MOVED = 0.4  # of the way to the next cross line: two must not become one
MOVES = 40  # places that are tried along the block, half of them to each side
SPEEDS = 1.0, 0.8, 0.65, 0.5, 0.4, 0.3  # times the speed of the block: slower lines follow steeper ground
LIFT_COUNTS = 2.0  # times the way up to it and down from it: what flies slower is told from what is lifted
BELOW_CEILING_M = 0.0, 10.0, 20.0, 40.0  # a line across others may lie lower than they do where it would leave it
OPEN_ZONES = ClosedVolumes()


def calibration_lines(
    lines: Sequence[FlightLine],
    flyer: Flyer,
    zones: ClosedVolumes = OPEN_ZONES,
    cleared: Sequence[FlightLine] | None = None,
    ceiling: LeastHeight | None = None,
) -> Kept:
    """Return the lines that the navigation card asks for besides those of a block, named X01, X02, ...

    Parameters
    ----------
    lines : sequence of FlightLine
        Parallel lines of one block as laid; none ask for none.
    flyer : Flyer
        Its card, its climb and descent, and the floor that the lines keep.
    zones : ClosedVolumes
        Keep-out areas, which they keep clear of.
    cleared : sequence of FlightLine or None
        The same lines clear of these areas: one of them is flown back. None where nothing is in the way.
    ceiling : callable or None
        Gives the greatest height allowed at places east and north [m]; None for none.
    """
    card = flyer.navigation
    kept, changes = [], []
    if lines and card.opposed_pair:
        opposed = opposed_line(lines if cleared is None else cleared, flyer, zones, ceiling)
        if opposed is None:
            changes.append(Change("X01", "is left out: no line can be flown back clear of keep-out areas"))
        else:
            kept.append(replace(opposed, line_id="X01"))
    if lines and card.cross_lines_every is not None:
        count = max(2, -(-len(lines) // card.cross_lines_every))
        crossing = cross_lines(lines, flyer, count, zones, first=1 + card.opposed_pair, ceiling=ceiling)
        kept += crossing.lines
        changes += crossing.changes
    return Kept(tuple(kept), tuple(changes))


def opposed_line(
    lines: Sequence[FlightLine],
    flyer: Flyer,
    zones: ClosedVolumes = OPEN_ZONES,
    ceiling: LeastHeight | None = None,
) -> FlightLine | None:
    """Return the longest line flown back on its track, no lower, within climb and descent: slower where that pays.

    Where the climb back takes it into a keep-out area the next longest is; None where none is left.
    """
    longest_first = sorted(lines, key=lambda line: -round(line.kept_length_m, 3))
    back = (_within_rates([reversed_line(line)], flyer, ceiling) for line in longest_first)
    return next((line for line in back if not zones.free_of(line)[1]), None)


def cross_lines(
    lines: Sequence[FlightLine],
    flyer: Flyer,
    count: int,
    zones: ClosedVolumes = OPEN_ZONES,
    *,
    first: int = 1,
    ceiling: LeastHeight | None = None,
) -> Kept:
    """Return lines across a block, evenly from one end of most lines to the other, there and back by turns.

    Each spans all lines that it crosses, at their height or the floor's, whichever is higher, and runs the way and at
    the speed that take least time, its climbs counted in. One that a keep-out area is in the way of is moved along the
    block by as little as it takes; where it is nowhere clear it keeps the longer part of its data, or is left out.

    Parameters
    ----------
    lines, flyer, zones : sequence of FlightLine, Flyer, ClosedVolumes
        As for `calibration_lines`.
    count : int
        How many.
    first : int
        Number of the first, for their names.
    ceiling : callable or None
        As for `calibration_lines`: below it they lie lower than the lines they cross where they must.
    """
    course = lines[0].track_rad
    along = np.array([np.sin(course), np.cos(course)])
    spans = np.array([np.sort((line.kept_points_m()[[0, -1], :2]) @ along) for line in lines])
    low, high = (float(end) for end in np.median(spans, axis=0))
    most = MOST_MOVED * (high - low) / (count - 1)
    placed = []
    for number, at in enumerate(np.linspace(low, high, count).tolist()):
        tried = (
            (moved, _across(lines, flyer, at + moved, number, ceiling)) for moved in _moves_m(low - at, high - at, most)
        )
        laid = ((moved, replace(line, line_id=f"X{first + number:02d}")) for moved, line in tried if line is not None)
        placed.append(_placed(laid, zones, course))
    return Kept(
        tuple(line for kept in placed for line in kept.lines), tuple(each for kept in placed for each in kept.changes)
    )


def _moves_m(low_m: float, high_m: float, most_m: float) -> list[float]:
    """Return moves to either side [m] between two ends, the smallest first."""
    steps = most_m * np.arange(1, MOVES // 2 + 1) / (MOVES // 2)
    moves = [0.0, *(side * step for step in steps.tolist() for side in (1.0, -1.0))]
    return [move for move in moves if low_m <= move <= high_m]


def _placed(laid: Iterator[tuple[float, FlightLine]], zones: ClosedVolumes, course_rad: float) -> Kept:
    """Return the first line that keeps clear, or the longer part of the one that was wanted.

    `laid` are moves along the block [m] and the lines that they make.
    """
    wanted, met = None, ""
    for moved, line in laid:
        areas = zones.free_of(line)[1]
        if not areas:
            to = side_of(course_rad if moved > 0 else course_rad + np.pi)
            what = f"is laid {abs(moved):.1f} m farther {to} for keep-out area {met}"
            return Kept((line,), (Change(line.line_id, what),) if met else ())
        wanted, met = (line, areas[0]) if wanted is None else (wanted, met)
    if wanted is None:
        return Kept(())
    return keep_clear([wanted], zones, least_m=max(wanted.kept_length_m, SHORTEST_CROSS_M) / 2)


def _across(
    lines: Sequence[FlightLine], flyer: Flyer, at_m: float, number: int, ceiling: LeastHeight | None
) -> FlightLine | None:
    """Return the line across all lines that reach a distance along the block [m], odd numbers there, even ones back.

    None where no line reaches it.
    """
    first = lines[0]
    course, lead = first.track_rad, first.kept_m[0]
    along, across = np.array([np.sin(course), np.cos(course)]), np.array([np.cos(course), -np.sin(course)])
    kept = [line.kept_points_m() for line in lines]
    ends_m = [np.sort(points[[0, -1], :2] @ along) for points in kept]
    crossed = [points for points, span in zip(kept, ends_m, strict=True) if span[0] - 1 <= at_m <= span[1] + 1]
    if not crossed:
        return None
    met = np.array([_at_m(points, along, across, at_m) for points in crossed])
    met = met[np.argsort(met[:, 0])]
    short = max(SHORTEST_CROSS_M - (met[-1, 0] - met[0, 0]), 0.0) / 2
    start, end = met[0, 0] - short - lead, met[-1, 0] + short + lead
    whole = np.linspace(start, end, int(np.ceil((end - start) / STATION_M)) + 1)
    places = at_m * along + whole[:, np.newaxis] * across
    floor_m, crossed_m = flyer.floor(places[:, 0], places[:, 1]), np.interp(whole, met[:, 0], met[:, 1])
    ways = []
    for below_m in BELOW_CEILING_M if ceiling else (0.0,):
        most_m = ceiling(places[:, 0], places[:, 1]) - below_m if ceiling else np.inf
        points = np.column_stack([places, np.maximum(np.fmin(crossed_m, most_m), floor_m)])
        flown = replace(first, points_m=points, kept_m=(lead, float(np.ptp(whole)) - lead))
        ways += [reversed_line(flown), flown] if number % 2 else [flown, reversed_line(flown)]
    return _within_rates(ways, flyer, ceiling)


def _at_m(points_m: Array, along: Array, across: Array, at_m: float) -> tuple[float, float]:
    """Return how far across a line is at a distance along [m], and its height there [m]."""
    distance, aside = points_m[:, :2] @ along, points_m[:, :2] @ across
    order = np.argsort(distance)
    where = distance[order]
    return float(np.interp(at_m, where, aside[order])), float(np.interp(at_m, where, points_m[order, 2]))


def _within_rates(ways: Sequence[FlightLine], flyer: Flyer, ceiling: LeastHeight | None) -> FlightLine:
    """Return the way and speed of a line that costs least, lifted where it would climb or sink too fast.

    One that keeps the ceiling, or exceeds it less, goes before a quicker one.
    """
    climb, descent = flyer.rates_mps
    found = []
    for way in ways:
        along, (east, north, wanted) = way.along_m(), way.points_m.T
        most_m = ceiling(east, north) if ceiling else np.full(len(along), np.inf)
        for speed in (max(share * way.speed_mps, min(flyer.aircraft.min_speed_mps, way.speed_mps)) for share in SPEEDS):
            up = lowest_m(along / speed, wanted, climb, descent)
            over_m = float(np.max(up - most_m, initial=0.0, where=np.isfinite(most_m)))
            lift_s = float((up - wanted).max()) * (1 / climb + 1 / descent)
            cost_s = float(along[-1]) / speed + LIFT_COUNTS * lift_s
            flown = replace(way, points_m=np.column_stack([east, north, up]), speed_mps=speed)
            found.append((round(over_m), round(cost_s, 1), round(float(up.mean()), 2), flown))
    return min(found, key=lambda each: each[:3])[3]
