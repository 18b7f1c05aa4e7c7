"""Whole paths: take-off, ferry, alignment, lines and turns, and the way back, with times in the wind.

Lives here: the pieces of a sortie and how they are joined. Must not know batteries or how lines were laid.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial

import numpy as np
import numpy.typing as npt

from planner.aircraft import Aircraft
from planner.flight.alignment import ALIGNMENT_BANK_DEG, Manoeuvre, manoeuvres
from planner.flight.climbs import LeastHeight, Path, Waits, climbed, dense_path, joined_path
from planner.flight.corners import led_way
from planner.flight.detours import NOWHERE, Zones
from planner.flight.flightlines import FlightLine
from planner.flight.turns import Pose, Way, circle_way, joined
from planner.flight.winds import CALM, Hold, Wind, held_speed_mps
from planner.navigation import Navigation

Array = npt.NDArray[np.float64]
Volumes = frozenset[int]
"""Numbers of keep-out volumes."""

__all__ = [
    "ALIGNMENT_BANK_DEG",
    "Flyer",
    "LeastHeight",
    "Path",
    "along_line",
    "approach",
    "fly_path",
    "keeps_out",
    "line_speed_mps",
    "lower_circle",
    "turn_between",
    "way_back",
]

SAME_PLACE_M = 1e-6  # vertices nearer than this are one

SOUND_M = 0.01  # a path may stay below what is wanted by rounding


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
    zones : Zones
        Where it may not go, and where it had better not.
    """

    aircraft: Aircraft
    navigation: Navigation
    floor: LeastHeight
    wind: Wind = CALM
    hold: Hold = "ground"
    zones: Zones = NOWHERE

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
    their ground speed as far as the airspeeds allow. All but the lines is led round keep-out areas where it can be.

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
    """Return the path from the end of one line to the start of the next, round keep-out areas where it can be."""
    leaving, joining = _exit(flyer, before), _entry(flyer, after)
    ends = float(before.points_m[-1, 2]), float(after.points_m[0, 2])

    def flown(avoided: Volumes) -> Path:
        way = _led(flyer, leaving, joining, None, avoided)
        waits = _waits(flyer, leaving, joining, "turn", "turn", avoided)
        return _strung(flyer, [way], ["turn"], [ends], waits)

    return _kept_out(flyer, flown)


def approach(flyer: Flyer, take_off_m: Array, line: FlightLine) -> Path:
    """Return the path from take-off to the start of a line, alignment included.

    Alignment is held before the line where that keeps out and above the floor, else elsewhere on the way.
    """
    entry, ends = _entry(flyer, line), (float(take_off_m[2]), float(line.points_m[0, 2]))

    def flown(manoeuvre: Manoeuvre | None, avoided: Volumes) -> Path:
        first = entry if manoeuvre is None else manoeuvre.start
        leaving = _at_home(flyer, take_off_m, float(np.arctan2(*(first.place_m - take_off_m[:2]))))
        ways, parts = [_led(flyer, leaving, first, flyer.aircraft.ferry_mps, avoided)], ["ferry"]
        if manoeuvre is not None:
            ways, parts = [*ways, manoeuvre.way], [*parts, "align"]
        if manoeuvre is not None and not manoeuvre.joins:
            ways, parts = [*ways, _led(flyer, manoeuvre.end, entry, None, avoided)], [*parts, "ferry"]
        waits = _waits(flyer, leaving, entry, "climb", "ferry", avoided)
        return _strung(flyer, ways, parts, [ends] + [(ends[1], ends[1])] * (len(ways) - 1), waits)

    return _aligned(flyer, entry, take_off_m, flown, before=True)


def way_back(flyer: Flyer, line: FlightLine, take_off_m: Array) -> Path:
    """Return the path from the end of a line to landing at the take-off place, alignment included as in `approach`."""
    leaving, ends = _exit(flyer, line), (float(line.points_m[-1, 2]), float(take_off_m[2]))

    def flown(manoeuvre: Manoeuvre | None, avoided: Volumes) -> Path:
        last = leaving if manoeuvre is None else manoeuvre.end
        homing = _at_home(flyer, take_off_m, float(np.arctan2(*(take_off_m[:2] - last.place_m))))
        ways, parts = [_led(flyer, last, homing, flyer.aircraft.ferry_mps, avoided)], ["return"]
        if manoeuvre is not None:
            ways, parts = [manoeuvre.way, *ways], ["align", *parts]
        if manoeuvre is not None and not manoeuvre.joins:
            ways, parts = [_led(flyer, leaving, manoeuvre.start, None, avoided), *ways], ["return", *parts]
        waits = _waits(flyer, leaving, homing, "return", "descent", avoided)
        return _strung(flyer, ways, parts, [(ends[0], ends[0])] * (len(ways) - 1) + [ends], waits)

    return _aligned(flyer, leaving, take_off_m, flown, before=False)


def keeps_out(flyer: Flyer, path: Path) -> bool:
    """Return whether a path stays out of all keep-out areas."""
    return not flyer.zones.entered(path.points_m)


class _NoWayError(Exception):
    """Nothing keeps out of what is to be avoided."""


def _aligned(
    flyer: Flyer, pose: Pose, home_m: Array, flown: Callable[[Manoeuvre | None, Volumes], Path], *, before: bool
) -> Path:
    """Return the path with the first manoeuvre that keeps out and above the floor, or with the plain one."""
    tried = manoeuvres(flyer.aircraft, flyer.navigation, flyer.wind, pose, home_m[:2], before=before)
    plain = _kept_out(flyer, partial(flown, next(tried)))
    if flyer.navigation.alignment_s <= 0 or _is_sound(flyer, plain):
        return plain
    others = (_kept_out(flyer, partial(flown, manoeuvre)) for manoeuvre in tried)
    return next((path for path in others if _is_sound(flyer, path)), plain)


def _is_sound(flyer: Flyer, path: Path) -> bool:
    """Return whether a path keeps out, and above the floor."""
    return path.short_m <= SOUND_M and keeps_out(flyer, path)


def _kept_out(flyer: Flyer, flown: Callable[[Volumes], Path]) -> Path:
    """Return the path that avoids what it would enter; where there is none, one that enters."""
    avoided = flyer.zones.standing
    path = None
    try:
        while True:
            path = flown(avoided)
            more = flyer.zones.entered(path.points_m) - avoided
            if not more:
                return path
            avoided |= more
    except _NoWayError:
        return path or flown(frozenset())


def _led(flyer: Flyer, before: Pose, after: Pose, air_mps: float | None, avoided: Volumes) -> Way:
    way = led_way(flyer.aircraft, before, after, flyer.wind, air_mps, flyer.zones, avoided)
    if way is None:
        raise _NoWayError
    return way


def _strung(
    flyer: Flyer, ways: Sequence[Way], parts: Sequence[str], ends_m: Sequence[tuple[float, float]], waits: Waits
) -> Path:
    """Return ways flown one after the other as one path, each no lower than straight between its ends."""
    wanted = np.full(1, -np.inf)
    for way, ends in zip(ways, ends_m, strict=True):
        more = _wanted(flyer, way, ends)
        wanted = np.concatenate([wanted[:-1], np.maximum(wanted[-1:], more[:1]), more[1:]])
    named = [part for way, part in zip(ways, parts, strict=True) for _ in way.times_s[1:]]
    return climbed(joined(*ways), named, (ends_m[0][0], ends_m[-1][1]), wanted, flyer.rates_mps, waits)


def _at_home(flyer: Flyer, take_off_m: Array, course_rad: float) -> Pose:
    """Return the pose over the take-off place: a multirotor starts and ends at rest."""
    aircraft = flyer.aircraft
    return Pose.at(take_off_m[:2], course_rad, 0.0 if aircraft.kind == "multirotor" else aircraft.ferry_mps)


def _entry(flyer: Flyer, line: FlightLine) -> Pose:
    return Pose.at(line.points_m[0, :2], line.track_rad, line_speed_mps(flyer, line))


def _exit(flyer: Flyer, line: FlightLine) -> Pose:
    return Pose.at(line.points_m[-1, :2], line.track_rad, line_speed_mps(flyer, line))


def _wanted(flyer: Flyer, way: Way, ends_m: tuple[float, float]) -> Array:
    """Return the least heights wanted on a way [m]: the floor, and no lower than straight from end to end."""
    straight = np.interp(way.times_s, way.times_s[[0, -1]], ends_m)
    return np.maximum(straight, flyer.floor(way.places_m[:, 0], way.places_m[:, 1]))


def _waits(flyer: Flyer, leaving: Pose, joining: Pose, first_part: str, last_part: str, avoided: Volumes) -> Waits:
    """Return how the aircraft waits at the two ends of a way; waits of a multirotor between lines are hover."""
    aircraft = flyer.aircraft
    if aircraft.kind == "multirotor":
        rising = first_part if first_part == "climb" else "hover"
        sinking = last_part if last_part == "descent" else "hover"
        return Waits(None, None, rising, sinking, flyer.floor)
    circles = lower_circle(flyer, leaving, avoided), lower_circle(flyer, joining, avoided)
    return Waits(*circles, first_part, last_part, flyer.floor)


def lower_circle(flyer: Flyer, pose: Pose, avoided: Volumes = frozenset()) -> Way:
    """Return the circle at full bank on the side of a pose that keeps out, or where the floor is lower."""
    aircraft = flyer.aircraft
    sides = [circle_way(aircraft, pose, right, aircraft.max_bank_deg, flyer.wind) for right in (True, False)]
    within = [flyer.zones.meets(avoided, way.places_m) for way in sides]
    highest = [float(np.max(flyer.floor(way.places_m[:, 0], way.places_m[:, 1]))) for way in sides]
    return sides[min((0, 1), key=lambda side: (within[side], highest[side]))]
