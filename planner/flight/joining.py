"""Lines that can be joined and left above the floor, within climb and descent.

Lives here: how far the ends of a line on a steep side are lifted. Must not know batteries or how lines were laid.
"""

from dataclasses import replace

import numpy as np
import numpy.typing as npt

from planner.flight.climbs import lowest_m
from planner.flight.flightlines import FlightLine
from planner.flight.paths import Flyer, line_speed_mps, lower_circle
from planner.flight.turns import Pose, Way, rest_way

Array = npt.NDArray[np.float64]


def joinable_line(flyer: Flyer, line: FlightLine) -> FlightLine:
    """Return a line lifted as little as lets it be joined and left above the floor; as it is where it can be.

    A multirotor runs up to a line straight behind its start and brakes straight ahead of its end; a fixed wing comes
    out of a full circle and leaves by one, each on the side of the lower floor. Where the floor there falls or rises
    faster than the aircraft sinks or climbs, no wait helps: the line itself must begin or end higher.

    Parameters
    ----------
    flyer : Flyer
        What flies, above what.
    line : FlightLine
        In the direction flown, within climb and descent.

    Raises
    ------
    InfeasibleError
        E32 where the wind beats the airspeed on the line.
    """
    speed = line_speed_mps(flyer, line)
    start, end = (Pose.at(line.points_m[at, :2], line.track_rad, speed) for at in (0, -1))
    on_line = Way(line.points_m[:, :2], line.along_m() / speed)
    before, after = _joining(flyer, start, before=True), _joining(flyer, end, before=False)
    steps = [np.diff(way.times_s) for way in (before, on_line, after)]
    floors = [flyer.floor(way.places_m[:, 0], way.places_m[:, 1]) for way in (before, after)]
    wanted = np.concatenate([floors[0][:-1], line.points_m[:, 2], floors[1][1:]])
    up = lowest_m(np.concatenate([[0.0], np.cumsum(np.concatenate(steps))]), wanted, *flyer.rates_mps)
    lifted = up[len(steps[0]) : len(steps[0]) + len(line.points_m)]
    if (lifted <= line.points_m[:, 2] + 1e-6).all():
        return line
    return replace(line, points_m=np.column_stack([line.points_m[:, :2], lifted]))


def _joining(flyer: Flyer, pose: Pose, *, before: bool) -> Way:
    """Return the last that is flown before a line, or the first after it."""
    if flyer.aircraft.kind == "multirotor":
        return rest_way(flyer.aircraft, pose, before=before)
    return lower_circle(flyer, pose)
