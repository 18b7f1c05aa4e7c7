"""Ways that bend at corners, and ways led round zones by them.

Lives here: how fast and how wide each aircraft takes a corner, and which of its ways keeps out. Must not know lines or
heights.
"""

from collections.abc import Iterable, Iterator
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from planner.aircraft import GRAVITY_MPS2, Aircraft
from planner.flight.detours import ALLOWANCE_M, Zones
from planner.flight.turns import (
    Pose,
    Way,
    arcs,
    joined,
    moving_mps,
    over_way,
    rests_m,
    turn_radius_m,
    turn_way,
    turn_ways,
)
from planner.flight.winds import Wind

Array = npt.NDArray[np.float64]

CUT_M = 0.75
"""How far a multirotor cuts a corner at most [m]: less than outlines are grown beyond their margin."""

WIDER_RADII = (0.0, 0.25, 0.5, 1.0, 2.0)
"""How many radii of its turns outlines are grown for a fixed wing, one after the other."""

_STRAIGHT_RAD = 1e-6  # what bends less does not bend


def led_way(
    aircraft: Aircraft,
    before: Pose,
    after: Pose,
    wind: Wind,
    airspeed_mps: float | None,
    zones: Zones,
    avoided: frozenset[int],
) -> Way | None:
    """Return the way from one pose to another, round what is to be avoided; None where there is none.

    Parameters
    ----------
    aircraft, before, after, wind, airspeed_mps : Aircraft, Pose, Pose, Wind, float or None
        As for `planner.flight.turns.turn_way`, whose way it is where that meets no zone.
    zones : Zones
        Keep-out and sensitive areas.
    avoided : frozenset of int
        Numbers of the keep-outs that are in the way.

    Raises
    ------
    InfeasibleError
        E32 where the wind beats the airspeed somewhere on the way.
    """
    direct = turn_way(aircraft, before, after, wind, airspeed_mps)
    if not zones.near(direct.places_m).any() or (
        not zones.meets(avoided, direct.places_m) and not zones.dearer_m(direct.places_m)
    ):
        return direct
    asked = aircraft, before, after, wind, airspeed_mps, avoided
    if asked not in zones.led:
        zones.led[asked] = _cheapest(aircraft, before, after, wind, airspeed_mps, zones, avoided)
    return zones.led[asked]


def _cheapest(
    aircraft: Aircraft,
    before: Pose,
    after: Pose,
    wind: Wind,
    airspeed_mps: float | None,
    zones: Zones,
    avoided: frozenset[int],
) -> Way | None:
    """Return the cheapest way that keeps out, None for none."""
    best, least = None, np.inf
    for ways in _ways(aircraft, before, after, wind, airspeed_mps, zones, avoided):
        for way in ways:  # the shortest first: a longer one is only better where it is less dear
            cost = float(np.hypot(*np.diff(way.places_m, axis=0).T).sum())
            if cost >= least - 1e-6:
                break
            cost += zones.dearer_m(way.places_m)
            if cost < least - 1e-6 and not zones.meets(avoided, way.places_m):
                best, least = way, cost
    return best


def _ways(
    aircraft: Aircraft,
    before: Pose,
    after: Pose,
    wind: Wind,
    airspeed_mps: float | None,
    zones: Zones,
    avoided: frozenset[int],
) -> Iterator[Iterable[Way]]:
    """Yield ways among which there may be one that keeps out, each time the shortest first."""
    if aircraft.kind == "multirotor":
        bends = zones.graph(avoided).way(*rests_m(aircraft, before, after))
        if bends is not None:
            yield [bent_way(aircraft, before, bends[1:-1], after, wind, airspeed_mps)]
        return
    yield turn_ways(aircraft, before, after, wind, airspeed_mps)
    air = max(before.speed_mps, after.speed_mps) if airspeed_mps is None else airspeed_mps
    radius = float(turn_radius_m(air + wind.speed_mps, aircraft.max_bank_deg))
    for wider in WIDER_RADII:
        bends = zones.graph(avoided, ALLOWANCE_M + wider * radius).way(before.place_m, after.place_m)
        if bends is not None and len(bends) > 2:
            yield [bent_way(aircraft, before, bends[1:-1], after, wind, airspeed_mps)]


def bent_way(
    aircraft: Aircraft, before: Pose, bends_m: Array, after: Pose, wind: Wind, airspeed_mps: float | None = None
) -> Way:
    """Return the way from one pose to another past bends.

    A multirotor brakes, moves over and speeds up as in `turn_way`; on its way it takes each corner on an arc that cuts
    it by 0.75 m at most, no faster than its full bank allows on that arc. A fixed wing flies through each bend on a
    course halfway between those before and after it, on arcs and straights as in `turn_way`.

    Parameters
    ----------
    aircraft : Aircraft
        What flies.
    before, after : Pose
        Where the way begins and ends.
    bends_m : ndarray, shape (k, 2)
        East and north [m].
    wind : Wind
        Steady.
    airspeed_mps : float, optional
        As for `turn_way`.

    Raises
    ------
    InfeasibleError
        E32 where the wind beats the airspeed somewhere on the way.
    """
    if not len(bends_m):
        return turn_way(aircraft, before, after, wind, airspeed_mps)
    if aircraft.kind == "multirotor":
        flown, bank_mps = _cut_places(aircraft, np.insert(rests_m(aircraft, before, after), 1, bends_m, axis=0))
        courses = np.arctan2(*np.diff(flown, axis=0).T)
        most = np.minimum(bank_mps, moving_mps(aircraft, before, after, courses, wind, airspeed_mps))
        moved = Way(flown, _hurried_s(flown, most, aircraft.acceleration_mps2))
        return over_way(aircraft, before, after, wind, airspeed_mps, moved)
    air = max(before.speed_mps, after.speed_mps) if airspeed_mps is None else airspeed_mps
    unit = np.diff(np.vstack([before.place_m, bends_m, after.place_m]), axis=0)
    unit /= np.hypot(unit[:, 0], unit[:, 1])[:, np.newaxis]
    halfway = np.arctan2(*(unit[1:] + unit[:-1]).T).tolist()
    poses = [before, *(Pose.at(bend, course, air) for bend, course in zip(bends_m, halfway, strict=True)), after]
    return joined(*(turn_way(aircraft, *pair, wind, air) for pair in pairwise(poses)))


def _cut_places(aircraft: Aircraft, corners_m: Array) -> tuple[Array, Array]:
    """Return straights from corner to corner with arcs in the corners, and the most speed at full bank on each segment.

    Shapes are (n, 2) [m] and (n - 1,) [m/s], inf on straights.
    """
    legs = np.diff(corners_m, axis=0)
    kept = np.append(True, np.hypot(legs[:, 0], legs[:, 1]) > 1e-6)
    corners = corners_m[kept]
    legs = np.diff(corners, axis=0)
    length, courses = np.hypot(legs[:, 0], legs[:, 1]), np.arctan2(legs[:, 0], legs[:, 1])
    pull = GRAVITY_MPS2 * np.tan(np.radians(aircraft.max_bank_deg))
    places, speeds, start = [corners[:1]], [], corners[0]
    for number, course in enumerate(courses.tolist()):
        turn = 0.0
        if number + 1 < len(courses):
            turn = float(np.angle(np.exp(1j * (courses[number + 1] - course))))
        room, half = length[number : number + 2].min() / 2, max(abs(turn) / 2, _STRAIGHT_RAD)
        radius = min(CUT_M * np.cos(half) / (1 - np.cos(half)), room / np.tan(half))
        end = corners[number + 1] - (radius * np.tan(half) * legs[number] / length[number] if turn else 0.0)
        straight = arcs(Pose.at(start, course, 0.0), "S", np.array([np.hypot(*(end - start))]), 1.0)
        arc = arcs(Pose.at(end, course, 0.0), "R" if turn > 0 else "L", np.array([abs(turn)]), radius)
        places += [straight[1:, :2], arc[1:, :2]]
        speeds += [np.full(len(straight) - 1, np.inf), np.full(len(arc) - 1, np.sqrt(radius * pull))]
        start = arc[-1, :2]
    return np.concatenate(places), np.concatenate(speeds)


def _hurried_s(places_m: Array, most_mps: Array, push_mps2: float) -> Array:
    """Return when each place is reached [s] from rest to rest, no faster on each segment than allowed."""
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(places_m, axis=0).T))])
    square = np.concatenate([[0.0], np.minimum(most_mps[1:], most_mps[:-1]) ** 2, [0.0]])
    gained = 2 * push_mps2 * along
    square = np.minimum.accumulate(square - gained) + gained
    square = np.minimum.accumulate((square + gained)[::-1])[::-1] - gained
    speed = np.sqrt(np.maximum(square, 0.0))
    return np.concatenate([[0.0], np.cumsum(2 * np.diff(along) / (speed[1:] + speed[:-1]))])
