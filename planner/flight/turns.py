"""Turns: the way in plan from the end of one leg to the start of the next, and the time it takes.

Lives here: radius and time of turns, ways of arcs and straights, ways from rest to rest. Must not know lines,
heights or batteries.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Self

import numpy as np
import numpy.typing as npt

from planner.aircraft import GRAVITY_MPS2, Aircraft
from planner.flight.winds import CALM, Wind, ground_speed_mps

Array = npt.NDArray[np.float64]

STEP_M = 4.8  # most between neighbours of a way
CHORD_M = 0.09  # most that a chord leaves its arc
_WORDS = ("LSL", "RSR", "LSR", "RSL", "RLR", "LRL")


@dataclass(frozen=True)
class Pose:
    """Where a leg ends or begins in plan.

    Attributes
    ----------
    east_m, north_m : float
        Local place [m].
    course_rad : float
        Direction flown, clockwise from grid north [rad].
    speed_mps : float
        Ground speed there [m/s].
    """

    east_m: float
    north_m: float
    course_rad: float
    speed_mps: float

    @classmethod
    def at(cls, place_m: Array, course_rad: float, speed_mps: float) -> Self:
        """Return a pose at a place [m], shape (2,)."""
        return cls(float(place_m[0]), float(place_m[1]), course_rad, speed_mps)

    @property
    def place_m(self) -> Array:
        """East and north [m], shape (2,)."""
        return np.array([self.east_m, self.north_m])

    def ahead_m(self, distance_m: npt.ArrayLike) -> Array:
        """Return east and north [m] of places straight ahead by distances [m], shape (n, 2) or (2,)."""
        unit = np.array([np.sin(self.course_rad), np.cos(self.course_rad)])
        return np.asarray(self.place_m + np.asarray(distance_m)[..., np.newaxis] * unit)


@dataclass(frozen=True)
class Way:
    """A way in plan with times.

    Attributes
    ----------
    places_m : ndarray, shape (n, 2)
        East and north [m].
    times_s : ndarray, shape (n,)
        Seconds from its start, growing.
    rests : (int, int) or None
        Vertices at which it first comes to rest and last leaves from rest; None never rests.
    """

    places_m: Array
    times_s: Array
    rests: tuple[int, int] | None = None


def turn_radius_m(speed_mps: npt.ArrayLike, bank_deg: float) -> Array:
    """Return the radius [m] of a level turn, v^2 / (g tan bank), any shape."""
    return np.asarray(np.asarray(speed_mps) ** 2 / (GRAVITY_MPS2 * np.tan(np.radians(bank_deg))))


def turn_time_s(aircraft: Aircraft, speed_mps: npt.ArrayLike, sideways_m: npt.ArrayLike) -> Array:
    """Return the time [s] in calm air from the end of one line to the start of the next, abeam [m], any shape.

    A multirotor brakes, moves over from rest to rest and speeds up again. A fixed wing flies arcs of its least
    radius r: a half circle, with a straight where the lines lie farther apart than 2 r; nearer ones need a swing out
    by a = acos((2 r + S) / 4 r) and back, r (pi + 4 a) in all. `turn_way` gives the same for lines abeam.
    """
    speed, sideways = np.broadcast_arrays(np.asarray(speed_mps, dtype=np.float64), sideways_m)
    if aircraft.kind == "multirotor":
        push = aircraft.acceleration_mps2
        return np.asarray(2 * speed / push + rest_to_rest_s(sideways, speed, push))
    radius = turn_radius_m(speed, aircraft.max_bank_deg)
    swing = np.arccos(np.minimum((2 * radius + sideways) / (4 * radius), 1.0))
    path = radius * (np.pi + 4 * swing) + np.maximum(sideways - 2 * radius, 0.0)
    return np.asarray(path / speed)


def rest_to_rest_s(distance_m: npt.ArrayLike, speed_mps: npt.ArrayLike, push_mps2: float) -> Array:
    """Return the time [s] over a distance [m] from rest to rest at up to a speed [m/s], any shape."""
    distance, speed = np.asarray(distance_m), np.asarray(speed_mps)
    short, long = 2 * np.sqrt(distance / push_mps2), distance / speed + speed / push_mps2
    return np.asarray(np.where(distance < speed**2 / push_mps2, short, long))


def turn_way(
    aircraft: Aircraft, before: Pose, after: Pose, wind: Wind = CALM, airspeed_mps: float | None = None
) -> Way:
    """Return the way from one pose to another.

    A multirotor brakes on its course, moves over straight while its nose turns, and speeds up on the new course; it
    moves over at the faster of both ground speeds or at the airspeed given. A fixed wing takes the shortest way of
    arcs and straights at one airspeed, the faster of both speeds unless given, with arcs as wide as its greatest
    ground speed, with the wind behind, asks for at full bank; its change of speed falls into the lead-in.

    Raises
    ------
    InfeasibleError
        E32 where the wind beats the airspeed somewhere on the way.
    """
    return next(turn_ways(aircraft, before, after, wind, airspeed_mps))


def turn_ways(
    aircraft: Aircraft, before: Pose, after: Pose, wind: Wind = CALM, airspeed_mps: float | None = None
) -> Iterator[Way]:
    """Yield the ways from one pose to another that can be had without bends in between, see `turn_way`.

    The one way of a multirotor; those of a fixed wing by each order of arcs and straights, the shortest first.
    """
    if aircraft.kind == "multirotor":
        yield over_way(aircraft, before, after, wind, airspeed_mps)
        return
    air = _wing_airspeed_mps(aircraft, max(before.speed_mps, after.speed_mps) if airspeed_mps is None else airspeed_mps)
    radius = float(turn_radius_m(air + wind.speed_mps, aircraft.max_bank_deg))
    for word, parts in ranked_words(before, after, radius):
        yield _timed(arcs(before, word, parts, radius), air, wind)


def circle_way(aircraft: Aircraft, pose: Pose, rightward: bool, bank_deg: float, wind: Wind = CALM) -> Way:
    """Return one full circle from a pose back to it at a bank [deg].

    A fixed wing keeps the speed of the pose through the air, as in a turn; a multirotor keeps it over the ground, as
    far as its airspeed allows it everywhere.

    Raises
    ------
    InfeasibleError
        E32 where the wind beats the airspeed.
    """
    letter, whole = "R" if rightward else "L", np.array([2 * np.pi])
    if aircraft.kind == "fixed_wing":
        air = _wing_airspeed_mps(aircraft, pose.speed_mps)
        radius = float(turn_radius_m(air + wind.speed_mps, bank_deg))
        return _timed(arcs(pose, letter, whole, radius), air, wind)
    slowest = float(ground_speed_mps(aircraft.airspeeds_mps[1], wind.from_rad, wind))
    speed = min(pose.speed_mps, slowest)
    return _timed(arcs(pose, letter, whole, float(turn_radius_m(speed, bank_deg))), speed, CALM)


def straight_way(pose: Pose, distance_m: float) -> Way:
    """Return a straight at the ground speed of a pose."""
    along = np.linspace(0.0, distance_m, max(int(np.ceil(distance_m / STEP_M)), 1) + 1)
    return Way(pose.ahead_m(along), along / pose.speed_mps)


def joined(*ways: Way) -> Way:
    """Return ways one after the other, each from where the last ended.

    The first of their rests comes from the first way that has any, the last from the last.
    """
    places, times, rests = ways[0].places_m, ways[0].times_s, ways[0].rests
    for way in ways[1:]:
        if way.rests is not None:
            first, last = way.rests[0] + len(times) - 1, way.rests[1] + len(times) - 1
            rests = first if rests is None else rests[0], last
        places = np.concatenate([places, way.places_m[1:]])
        times = np.concatenate([times, times[-1] + way.times_s[1:]])
    return Way(places, times, rests)


def shortest_word(before: Pose, after: Pose, radius_m: float) -> tuple[str, Array]:
    """Return the shortest way of arcs (L, R) and straights (S), and its three parts in radii, shape (3,)."""
    return ranked_words(before, after, radius_m)[0]


def ranked_words(before: Pose, after: Pose, radius_m: float) -> list[tuple[str, Array]]:
    """Return the ways that join two poses, the shortest first, each as from `shortest_word`."""
    east, north = after.place_m - before.place_m
    parts = _words(east / radius_m, north / radius_m, before.course_rad, after.course_rad)
    length = np.round(parts.sum(axis=-1), 9)
    order = np.argsort(length, kind="stable")
    return [(_WORDS[word], parts[word]) for word in order.tolist() if np.isfinite(length[word])]


def shortest_length_m(
    east_m: Array, north_m: Array, before_rad: Array, after_rad: Array, radius_m: npt.ArrayLike
) -> Array:
    """Return the length [m] of the shortest way of arcs and straights over a displacement [m], any shape."""
    radius = np.asarray(radius_m)
    parts = _words(east_m / radius, north_m / radius, before_rad, after_rad)
    return np.asarray(parts.sum(axis=-1).min(axis=0) * radius)


def _words(east: npt.ArrayLike, north: npt.ArrayLike, before_rad: npt.ArrayLike, after_rad: npt.ArrayLike) -> Array:
    """Return the parts of all six words in radii, shape (6, ..., 3), inf where a word does not join the poses.

    L. E. Dubins, American Journal of Mathematics 79 (1957); closed forms after A. M. Shkel and V. Lumelsky, Robotics
    and Autonomous Systems 34 (2001), with angles counterclockwise from the line between the places.
    """
    east, north = np.asarray(east), np.asarray(north)
    d, line = np.hypot(east, north), np.arctan2(north, east)
    a, b = np.pi / 2 - np.asarray(before_rad) - line, np.pi / 2 - np.asarray(after_rad) - line
    sa, ca, sb, cb, both = np.sin(a), np.cos(a), np.sin(b), np.cos(b), np.cos(a - b)
    found = []
    for turn, sign in (("L", 1), ("R", -1)):  # LSL, then RSR as its mirror image
        square = 2 + d**2 - 2 * both + sign * 2 * d * (sa - sb)
        to = np.arctan2(sign * (cb - ca), d + sign * (sa - sb))
        start, end = (to - a, b - to) if turn == "L" else (a - to, to - b)
        found.append(_parts(start, square, end))
    for sign in (1, -1):  # LSR, RSL
        square = d**2 - 2 + 2 * both + sign * 2 * d * (sa + sb)
        straight = np.sqrt(np.maximum(square, 0.0))
        to = np.arctan2(-sign * (ca + cb), d + sign * (sa + sb)) - np.arctan2(-sign * 2, straight)
        found.append(_parts(sign * (to - a), square, sign * (to - b)))
    for sign in (-1, 1):  # RLR, LRL
        cosine = (6 - d**2 + 2 * both - sign * 2 * d * (sa - sb)) / 8
        middle = 2 * np.pi - np.arccos(np.clip(cosine, -1.0, 1.0))
        to = np.arctan2(sign * (cb - ca), d + sign * (sa - sb))
        start = _turned(sign * (to - a) + middle / 2)
        end = _turned(sign * (b - a) - start + middle)
        parts = np.stack(np.broadcast_arrays(start, middle, end), axis=-1)
        found.append(np.where((np.abs(cosine) <= 1)[..., np.newaxis], parts, np.inf))
    return np.stack(found)


def _parts(start: Array, square: Array, end: Array) -> Array:
    """Return arc, straight, arc, shape (..., 3); inf where the straight has no length in real numbers."""
    straight = np.sqrt(np.maximum(square, 0.0))
    parts = np.stack(np.broadcast_arrays(_turned(start), straight, _turned(end)), axis=-1)
    return np.where((square >= -1e-12)[..., np.newaxis], parts, np.inf)


def _turned(angle: Array) -> Array:
    """Return an angle from 0 to below 2 pi [rad]; a whole turn by rounding is none."""
    within = np.mod(angle, 2 * np.pi)
    return np.where(within > 2 * np.pi - 1e-7, 0.0, within)


def arcs(start: Pose, word: str, parts: Array, radius_m: float) -> Array:
    """Return the places [m] along a word of arcs and straights, and the course there [rad], shape (n, 3)."""
    arc_step = min(STEP_M, float(np.sqrt(8 * radius_m * CHORD_M)))
    places = [np.array([[start.east_m, start.north_m, start.course_rad]])]
    for letter, part in zip(word, parts, strict=True):
        east, north, course = places[-1][-1]
        length = part * radius_m
        steps = int(np.ceil(length / (STEP_M if letter == "S" else arc_step) - 1e-9))
        if length < 1e-6 or not steps:
            continue
        along = np.linspace(0.0, length, steps + 1)[1:]
        side = {"L": -1, "S": 0, "R": 1}[letter]
        courses = course + side * along / radius_m
        if side:
            off = side * radius_m
            east_m = east + off * (np.cos(course) - np.cos(courses))
            north_m = north - off * (np.sin(course) - np.sin(courses))
        else:
            east_m, north_m = east + along * np.sin(course), north + along * np.cos(course)
        places.append(np.column_stack([east_m, north_m, courses]))
    return np.concatenate(places)


def _timed(flown: Array, air_mps: float, wind: Wind) -> Way:
    """Return places and courses as a way at one airspeed [m/s]; times are those of the arcs' own length."""
    steps, bend = np.diff(flown[:, :2], axis=0), np.diff(flown[:, 2]) / 2
    length = np.hypot(*steps.T) / np.sinc(bend / np.pi)  # a chord is its arc times sin(x) / x at half the angle
    speed = ground_speed_mps(air_mps, flown[:-1, 2] + bend, wind)
    return Way(flown[:, :2], np.concatenate([[0.0], np.cumsum(length / speed)]))


def over_way(
    aircraft: Aircraft, before: Pose, after: Pose, wind: Wind, airspeed_mps: float | None, moved: Way | None = None
) -> Way:
    """Return the way of a multirotor between two poses by way of two rests; `moved` goes from one to the other."""
    rests = rests_m(aircraft, before, after)
    gap = rests[1] - rests[0]
    distance = float(np.hypot(*gap))
    if moved is None:
        speed = max(before.speed_mps, after.speed_mps)
        if distance > 1e-6:
            speed = float(moving_mps(aircraft, before, after, np.arctan2(*gap), wind, airspeed_mps))
        moving, unit = _spread(distance), gap / distance if distance > 1e-6 else np.zeros(2)
        moved = Way(rests[0] + moving[:, np.newaxis] * unit, _moved_s(moving, speed, aircraft.acceleration_mps2))
    ways = rest_way(aircraft, before, before=False), moved, rest_way(aircraft, after, before=True)
    whole = joined(*ways)
    rest = len(ways[0].times_s) - 1
    return Way(whole.places_m, whole.times_s, (rest, rest + len(moved.times_s) - 1))


def rest_way(aircraft: Aircraft, pose: Pose, *, before: bool) -> Way:
    """Return the straight on which a multirotor speeds up from rest before a pose, or brakes to rest after it."""
    push, speed = aircraft.acceleration_mps2, pose.speed_mps
    along = _spread(speed**2 / (2 * push))
    if before:
        return Way(pose.ahead_m(along - along[-1]), np.sqrt(2 * along / push))
    return Way(pose.ahead_m(along), (speed - np.sqrt(np.maximum(speed**2 - 2 * push * along, 0.0))) / push)


def rests_m(aircraft: Aircraft, before: Pose, after: Pose) -> Array:
    """Return where a multirotor comes to rest after a pose and where it leaves from rest for another [m], (2, 2)."""
    stop, run = (pose.speed_mps**2 / (2 * aircraft.acceleration_mps2) for pose in (before, after))
    return np.stack([before.ahead_m(stop), after.ahead_m(-run)])


def moving_mps(
    aircraft: Aircraft, before: Pose, after: Pose, course_rad: npt.ArrayLike, wind: Wind, airspeed_mps: float | None
) -> Array:
    """Return the ground speed [m/s] at which a multirotor moves over from pose to pose on courses [rad], any shape.

    Raises
    ------
    InfeasibleError
        E32 where the wind beats the airspeed.
    """
    if airspeed_mps is not None:
        return ground_speed_mps(airspeed_mps, course_rad, wind)
    possible = ground_speed_mps(aircraft.airspeeds_mps[1], course_rad, wind)
    return np.minimum(max(before.speed_mps, after.speed_mps), possible)


def _spread(length_m: float) -> Array:
    """Return distances [m] from 0 to a length, near enough to each other; one alone where there is no length."""
    if length_m <= 1e-6:
        return np.zeros(1)
    return np.linspace(0.0, length_m, int(np.ceil(length_m / STEP_M)) + 1)


def _moved_s(along_m: Array, speed_mps: float, push_mps2: float) -> Array:
    """Return when [s] each distance [m] is reached on the way from rest to rest."""
    total = along_m[-1]
    if total <= 0:
        return np.zeros(len(along_m))
    peak = min(speed_mps, float(np.sqrt(push_mps2 * total)))
    ramp = peak**2 / (2 * push_mps2)
    whole = float(rest_to_rest_s(total, speed_mps, push_mps2))
    early, late = np.minimum(along_m, ramp), np.minimum(total - along_m, ramp)
    rising, falling = np.sqrt(2 * early / push_mps2), whole - np.sqrt(2 * late / push_mps2)
    cruising = peak / push_mps2 + (along_m - ramp) / peak
    return np.where(along_m <= ramp, rising, np.where(along_m >= total - ramp, falling, cruising))


def _wing_airspeed_mps(aircraft: Aircraft, wanted_mps: float) -> float:
    """Return the airspeed [m/s] a wing turns at: what is wanted, within its airspeeds."""
    return float(np.clip(wanted_mps, *aircraft.airspeeds_mps))
