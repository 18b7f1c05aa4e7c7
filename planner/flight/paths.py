"""Whole paths: take-off, ferry, alignment, lines and turns, and the way back, with times in the wind.

Lives here: the pieces of a sortie and how they are joined. Must not know batteries or how lines were laid.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from planner.aircraft import Aircraft
from planner.flight.climbs import LeastHeight, Path, Waits, climbed, dense_path, joined_path
from planner.flight.flightlines import FlightLine
from planner.flight.turns import (
    Pose,
    Way,
    circle_way,
    joined,
    start_way,
    stop_way,
    straight_way,
    turn_way,
)
from planner.flight.winds import CALM, Hold, Wind, held_speed_mps
from planner.navigation import Navigation

Array = npt.NDArray[np.float64]

__all__ = [
    "Flyer",
    "LeastHeight",
    "Path",
    "along_line",
    "approach",
    "fly_path",
    "line_speed_mps",
    "turn_between",
    "way_back",
]

ALIGNMENT_BANK_DEG = 15.0  # steeper ones lose satellites: common practice, no source

SAME_PLACE_M = 1e-6  # vertices nearer than this are one


@dataclass(frozen=True)
class Flyer:
    """What flies, in which wind and above what.

    Attributes
    ----------
    aircraft, navigation : Aircraft, Navigation
        Speeds, limits and manoeuvres.
    floor : callable
        Least height [m] that turns and ferries keep at local east and north [m], any shape.
    wind : Wind
        Steady.
    hold : {"ground", "air"}
        Which speed is the same on lines up-wind and down-wind, see `planner.flight.winds.held_speed_mps`.
    """

    aircraft: Aircraft
    navigation: Navigation
    floor: LeastHeight
    wind: Wind = CALM
    hold: Hold = "ground"

    @property
    def rates_mps(self) -> tuple[float, float]:
        """Most climb and descent [m/s]."""
        return self.aircraft.climb_mps, self.aircraft.descent_mps


def line_speed_mps(flyer: Flyer, line: FlightLine) -> float:
    """Return the ground speed flown on a line [m/s]: the line's own as far as the airspeeds allow; raises E32."""
    return held_speed_mps(flyer.aircraft, line.speed_mps, line.track_rad, flyer.wind, flyer.hold)


def fly_path(flyer: Flyer, lines: Sequence[FlightLine], take_off_m: Array) -> Path:
    """Return the path of one sortie over lines in the order given, from a take-off place back to it.

    A multirotor rises and sinks on the spot, a fixed wing in circles; ferries are flown at the ferry airspeed on the
    lowest path over the floor that climb and descent allow, and no lower than straight from end to end. Lines keep
    their ground speed as far as the airspeeds allow.

    Parameters
    ----------
    flyer : Flyer
        What flies.
    lines : sequence of FlightLine
        In the order and direction flown, at least one.
    take_off_m : ndarray, shape (3,)
        East, north and ground height [m].

    Raises
    ------
    InfeasibleError
        E32 where the wind beats the airspeed on a course.
    """
    pieces = [approach(flyer, take_off_m, lines[0])]
    for number, line in enumerate(lines):
        if number:
            pieces.append(turn_between(flyer, lines[number - 1], line))
        pieces.append(along_line(flyer, line))
    return joined_path([*pieces, way_back(flyer, lines[-1], take_off_m)])


def along_line(flyer: Flyer, line: FlightLine) -> Path:
    """Return the path along one line, leads included."""
    along = line.along_m()
    ends = np.clip(line.kept_m, 0.0, along[-1])
    # A vertex where data begin or cease but for rounding would be a segment without length.
    apart = np.abs(along[:, np.newaxis] - ends).min(axis=1) > SAME_PLACE_M
    stations = np.unique(np.concatenate([along[apart], ends]))
    points = np.column_stack([np.interp(stations, along, line.points_m[:, axis]) for axis in range(3)])
    middles = (stations[1:] + stations[:-1]) / 2
    kept = (middles > line.kept_m[0]) & (middles < line.kept_m[1])
    parts = ["line" if inside else "lead" for inside in kept]
    return dense_path(points, stations / line_speed_mps(flyer, line), parts, [line.line_id] * len(parts))


def turn_between(flyer: Flyer, before: FlightLine, after: FlightLine) -> Path:
    """Return the path from the end of one line to the start of the next."""
    leaving, joining = _exit(flyer, before), _entry(flyer, after)
    way = turn_way(flyer.aircraft, leaving, joining, flyer.wind)
    ends = float(before.points_m[-1, 2]), float(after.points_m[0, 2])
    waits = _waits(flyer, leaving, joining, "turn", "turn")
    return climbed(way, ["turn"] * (len(way.times_s) - 1), ends, _wanted(flyer, way, ends), flyer.rates_mps, waits)


def approach(flyer: Flyer, take_off_m: Array, line: FlightLine) -> Path:
    """Return the path from take-off to the start of a line, alignment included."""
    aircraft, entry = flyer.aircraft, _entry(flyer, line)
    manoeuvre = _alignment_way(flyer, entry, before=True)
    first = entry
    if manoeuvre is not None:
        first = Pose.at(manoeuvre.places_m[0], entry.course_rad, entry.speed_mps)
    air = aircraft.ferry_mps
    course = float(np.arctan2(*(first.place_m - take_off_m[:2])))
    leaving = Pose.at(take_off_m[:2], course, air)
    if aircraft.kind == "multirotor":
        ferry = start_way(aircraft, take_off_m[:2], first, flyer.wind, air)
    else:
        ferry = turn_way(aircraft, leaving, first, flyer.wind, air)
    ends = float(take_off_m[2]), float(line.points_m[0, 2])
    wanted = _wanted(flyer, ferry, ends)
    parts, way = ["ferry"] * (len(ferry.times_s) - 1), ferry
    if manoeuvre is not None:
        way = joined(ferry, manoeuvre)
        level = ends[1], ends[1]
        wanted = np.concatenate([wanted, _wanted(flyer, manoeuvre, level)[1:]])
        parts += ["align"] * (len(manoeuvre.times_s) - 1)
    return climbed(way, parts, ends, wanted, flyer.rates_mps, _waits(flyer, leaving, entry, "climb", "ferry"))


def way_back(flyer: Flyer, line: FlightLine, take_off_m: Array) -> Path:
    """Return the path from the end of a line to landing at the take-off place, alignment included."""
    aircraft, leaving = flyer.aircraft, _exit(flyer, line)
    manoeuvre = _alignment_way(flyer, leaving, before=False)
    last = leaving
    if manoeuvre is not None:
        last = Pose.at(manoeuvre.places_m[-1], leaving.course_rad, leaving.speed_mps)
    air = aircraft.ferry_mps
    homing = Pose.at(take_off_m[:2], float(np.arctan2(*(take_off_m[:2] - last.place_m))), air)
    if aircraft.kind == "multirotor":
        ferry = stop_way(aircraft, last, take_off_m[:2], flyer.wind, air)
    else:
        ferry = turn_way(aircraft, last, homing, flyer.wind, air)
    ends = float(line.points_m[-1, 2]), float(take_off_m[2])
    wanted, parts, way = _wanted(flyer, ferry, ends), ["return"] * (len(ferry.times_s) - 1), ferry
    if manoeuvre is not None:
        way = joined(manoeuvre, ferry)
        wanted = np.concatenate([_wanted(flyer, manoeuvre, (ends[0], ends[0]))[:-1], wanted])
        parts = ["align"] * (len(manoeuvre.times_s) - 1) + parts
    return climbed(way, parts, ends, wanted, flyer.rates_mps, _waits(flyer, leaving, homing, "return", "descent"))


def _alignment_way(flyer: Flyer, pose: Pose, *, before: bool) -> Way | None:
    """Return the manoeuvre that aligns the inertial unit, ending before a pose or beginning after it; None for none.

    Whole figures of eight at 15 degrees of bank, as many as fill the time asked for, or straight flight.
    """
    asked_s, aircraft = flyer.navigation.alignment_s, flyer.aircraft
    if asked_s <= 0:
        return None
    if flyer.navigation.alignment == "straight":
        start = pose.ahead_m(-pose.speed_mps * asked_s) if before else pose.place_m
        return straight_way(Pose.at(start, pose.course_rad, pose.speed_mps), pose.speed_mps * asked_s)
    bank = min(ALIGNMENT_BANK_DEG, aircraft.max_bank_deg)
    eight = joined(*(circle_way(aircraft, pose, right, bank, flyer.wind) for right in (True, False)))
    return joined(*[eight] * int(np.ceil(asked_s / eight.times_s[-1])))


def _entry(flyer: Flyer, line: FlightLine) -> Pose:
    return Pose.at(line.points_m[0, :2], line.track_rad, line_speed_mps(flyer, line))


def _exit(flyer: Flyer, line: FlightLine) -> Pose:
    return Pose.at(line.points_m[-1, :2], line.track_rad, line_speed_mps(flyer, line))


def _wanted(flyer: Flyer, way: Way, ends_m: tuple[float, float]) -> Array:
    """Return the least heights wanted on a way [m]: the floor, and no lower than straight from end to end."""
    straight = np.interp(way.times_s, way.times_s[[0, -1]], ends_m)
    return np.maximum(straight, flyer.floor(way.places_m[:, 0], way.places_m[:, 1]))


def _waits(flyer: Flyer, leaving: Pose, joining: Pose, first_part: str, last_part: str) -> Waits:
    """Return how the aircraft waits at the two ends of a way; waits of a multirotor between lines are hover."""
    aircraft = flyer.aircraft
    if aircraft.kind == "multirotor":
        rising = first_part if first_part == "climb" else "hover"
        sinking = last_part if last_part == "descent" else "hover"
        return Waits(None, None, rising, sinking, flyer.floor)
    circles = _lower_circle(flyer, leaving), _lower_circle(flyer, joining)
    return Waits(*circles, first_part, last_part, flyer.floor)


def _lower_circle(flyer: Flyer, pose: Pose) -> Way:
    """Return the circle at full bank on the side of a pose where the floor is lower."""
    aircraft = flyer.aircraft
    sides = [circle_way(aircraft, pose, right, aircraft.max_bank_deg, flyer.wind) for right in (True, False)]
    return min(sides, key=lambda way: float(np.max(flyer.floor(way.places_m[:, 0], way.places_m[:, 1]))))
