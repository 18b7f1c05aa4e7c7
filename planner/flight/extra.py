"""Lines flown for calibration besides those that cover the area: an opposed pair and cross lines.

Lives here: which of them a navigation card asks for, and where they lie. Must not know what they show.
"""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import numpy.typing as npt

from planner.flight.climbs import lowest_m
from planner.flight.flightlines import STATION_M, FlightLine
from planner.flight.ordering import reversed_line
from planner.flight.paths import Flyer

Array = npt.NDArray[np.float64]

SHORTEST_CROSS_M = 100.0  # kept length of a cross line over a block narrower than that


def calibration_lines(lines: Sequence[FlightLine], flyer: Flyer) -> tuple[FlightLine, ...]:
    """Return the lines that the navigation card asks for besides those of a block, named X01, X02, ...

    Parameters
    ----------
    lines : sequence of FlightLine
        Parallel lines of one block; none ask for none.
    flyer : Flyer
        Its card, its climb and descent, and the floor that the lines keep.
    """
    card = flyer.navigation
    found: list[FlightLine] = []
    if lines and card.opposed_pair:
        found.append(opposed_line(lines, flyer))
    if lines and card.cross_lines_every is not None:
        found += cross_lines(lines, flyer, max(2, -(-len(lines) // card.cross_lines_every)))
    return tuple(replace(line, line_id=f"X{number:02d}") for number, line in enumerate(found, start=1))


def opposed_line(lines: Sequence[FlightLine], flyer: Flyer) -> FlightLine:
    """Return the longest line flown back on its track, no lower and within climb and descent."""
    back = reversed_line(max(lines, key=lambda line: round(line.kept_length_m, 3)))
    return _within_rates(back, flyer)


def cross_lines(lines: Sequence[FlightLine], flyer: Flyer, count: int) -> list[FlightLine]:
    """Return lines across a block, evenly from one end of most lines to the other, there and back by turns.

    Each spans all lines that it crosses, at their height or the floor's, whichever is higher, and runs the way that
    lets it lie lower.
    """
    first = lines[0]
    course, lead = first.track_rad, first.kept_m[0]
    along, across = np.array([np.sin(course), np.cos(course)]), np.array([np.cos(course), -np.sin(course)])
    kept = [line.kept_points_m() for line in lines]
    spans = np.array([np.sort((points[[0, -1], :2]) @ along) for points in kept])
    low, high = np.median(spans, axis=0)
    found = []
    for number, at in enumerate(np.linspace(low, high, count)):
        crossed = [points for points, span in zip(kept, spans, strict=True) if span[0] - 1 <= at <= span[1] + 1]
        met = np.array([_at_m(points, along, across, float(at)) for points in crossed])
        met = met[np.argsort(met[:, 0])]
        short = max(SHORTEST_CROSS_M - (met[-1, 0] - met[0, 0]), 0.0) / 2
        ends = met[0, 0] - short, met[-1, 0] + short
        whole = np.linspace(
            ends[0] - lead, ends[1] + lead, int(np.ceil((ends[1] - ends[0] + 2 * lead) / STATION_M)) + 1
        )
        places = at * along + whole[:, np.newaxis] * across
        up = np.maximum(np.interp(whole, met[:, 0], met[:, 1]), flyer.floor(places[:, 0], places[:, 1]))
        flown = replace(first, points_m=np.column_stack([places, up]), kept_m=(lead, float(np.ptp(whole)) - lead))
        ways = (reversed_line(flown), flown) if number % 2 else (flown, reversed_line(flown))
        found.append(min((_within_rates(way, flyer) for way in ways), key=_lift_m))
    return found


def _lift_m(line: FlightLine) -> float:
    """Return the mean height of a line [m], rounded: up a slope it may lie lower than down."""
    return round(float(line.points_m[:, 2].mean()), 2)


def _at_m(points_m: Array, along: Array, across: Array, at_m: float) -> tuple[float, float]:
    """Return how far across a line is at a distance along [m], and its height there [m]."""
    distance, aside = points_m[:, :2] @ along, points_m[:, :2] @ across
    order = np.argsort(distance)
    where = distance[order]
    return float(np.interp(at_m, where, aside[order])), float(np.interp(at_m, where, points_m[order, 2]))


def _within_rates(line: FlightLine, flyer: Flyer) -> FlightLine:
    """Return a line lifted where it would climb or sink too fast."""
    times = line.along_m() / line.speed_mps
    up = lowest_m(times, line.points_m[:, 2], *flyer.rates_mps)
    return replace(line, points_m=np.column_stack([line.points_m[:, :2], up]))
