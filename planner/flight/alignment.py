"""Manoeuvres that align an inertial unit: what they are, and where else they can be held.

Lives here: figures of eight and straight runs in plan. Must not know zones, heights or how they are reached.
"""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from planner.aircraft import Aircraft
from planner.flight.turns import Pose, Way, circle_way, joined, straight_way, turn_radius_m
from planner.flight.winds import Wind
from planner.navigation import Navigation

Array = npt.NDArray[np.float64]

ALIGNMENT_BANK_DEG = 15.0  # steeper ones lose satellites: common practice, no source

_SHARES = (0.0, 1 / 3, 2 / 3, 1.0)  # of the way from line to take-off place
_OFF_COURSE_RAD = (0.0, np.pi, np.pi / 2, -np.pi / 2)


@dataclass(frozen=True)
class Manoeuvre:
    """A manoeuvre in plan.

    Attributes
    ----------
    start, end : Pose
        Where it begins and ends.
    way : Way
        What is flown.
    joins : bool
        Whether it leads straight into the line or straight on from it.
    """

    start: Pose
    end: Pose
    way: Way
    joins: bool


def manoeuvres(
    aircraft: Aircraft, navigation: Navigation, wind: Wind, pose: Pose, home_m: Array, *, before: bool
) -> Iterator[Manoeuvre | None]:
    """Yield the manoeuvres that align the inertial unit before a pose or after it, the plain ones first.

    Whole figures of eight at 15 degrees of bank, as many as fill the time asked for, to either side first; or straight
    flight. They are held at the pose or, elsewhere, on the way between it and the take-off place, on four courses.
    One None where nothing is asked for.
    """
    asked_s = navigation.alignment_s
    if asked_s <= 0:
        yield None
        return
    straight = navigation.alignment == "straight"
    if straight:
        yield _run(pose, -pose.speed_mps * asked_s if before else 0.0, asked_s, joins=True)
    else:
        for right in (True, False):
            yield _eights(aircraft, wind, pose, asked_s, right, joins=True)
    back = -1.0 if before else 1.0
    room = pose.ahead_m(back * _room_m(aircraft, pose, wind))
    for share in _SHARES:
        middle = room + share * (home_m - room)
        for off in _OFF_COURSE_RAD:
            held = Pose.at(middle, pose.course_rad + off, pose.speed_mps)
            if straight:
                yield _run(held, -pose.speed_mps * asked_s / 2, asked_s, joins=False)
            else:
                yield _eights(aircraft, wind, held, asked_s, right=True, joins=False)


def _room_m(aircraft: Aircraft, pose: Pose, wind: Wind) -> float:
    """Return how far from a line a manoeuvre is held so that the line can be joined after it [m]."""
    if aircraft.kind == "multirotor":
        return pose.speed_mps**2 / aircraft.acceleration_mps2
    return 2 * float(turn_radius_m(pose.speed_mps + wind.speed_mps, aircraft.max_bank_deg))


def _run(pose: Pose, from_m: float, lasting_s: float, *, joins: bool) -> Manoeuvre:
    """Return a straight run on the course of a pose, from a distance ahead of it on [m]."""
    start = Pose.at(pose.ahead_m(from_m), pose.course_rad, pose.speed_mps)
    length = pose.speed_mps * lasting_s
    end = Pose.at(start.ahead_m(length), pose.course_rad, pose.speed_mps)
    return Manoeuvre(start, end, straight_way(start, length), joins)


def _eights(aircraft: Aircraft, wind: Wind, pose: Pose, lasting_s: float, right: bool, *, joins: bool) -> Manoeuvre:
    """Return as many whole figures of eight at a pose as fill a time [s], to the right or left first."""
    bank = min(ALIGNMENT_BANK_DEG, aircraft.max_bank_deg)
    eight = joined(*(circle_way(aircraft, pose, side, bank, wind) for side in (right, not right)))
    way = joined(*[eight] * int(np.ceil(lasting_s / eight.times_s[-1])))
    return Manoeuvre(pose, pose, way, joins)
