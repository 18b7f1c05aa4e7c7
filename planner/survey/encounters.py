"""What a crew must know of a sortie's way: what it passes nearest to, how far and high it goes, what wind it stands.

Lives here: one noun a sortie, found along its whole path. Must not know the forecast, nor pages.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import shapely

from planner.aircraft import Aircraft
from planner.flight.sorties import Sortie
from planner.flight.winds import CREEPING_MPS
from planner.ground.clearance import nearest_keep_out, nearest_of_scene, stations
from planner.ground.obstacles import Obstacle
from planner.ground.surface import Scene
from planner.mission import Mission
from planner.survey.flying import legs_of, over_unknown, terrain_doubt_m
from planner.survey.watching import limit_m_of

Array = npt.NDArray[np.float64]

NEAR_M = 200.0
"""Obstacles no farther than this beside the way are near: common practice, no source."""


@dataclass(frozen=True)
class Spot:
    """A place on the way of a sortie.

    Attributes
    ----------
    value_m : float
        What was found there [m].
    place_m : ndarray, shape (3,)
        East, north, up [m].
    time_s : float
        Since take-off of the sortie [s].
    leg : str
        What the reader calls the leg, for example ``"line L03"``.
    """

    value_m: float
    place_m: Array
    time_s: float
    leg: str


@dataclass(frozen=True)
class Encounters:
    """What one sortie meets on its way.

    Attributes
    ----------
    number : int
        Of the sortie.
    nearest : Spot or None
        Least distance in space to ground, top surface or an obstacle, doubt taken off, climb and descent at the
        take-off place left out; None where none is known.
    nearest_to : str
        What that is, empty where it is not known.
    unknown : bool
        Whether part of the way lies over ground of unknown height.
    farthest : Spot
        Greatest horizontal distance from the take-off place.
    sight_limit_m : float or None
        How far the aircraft is made out on the day [m]; None where its card does not say how large it is.
    highest : Spot or None
        Greatest height above the ground beneath; None where no ground is known.
    tallest : Obstacle or None
        Of the obstacles within `NEAR_M` of the way the one with the highest top; None where there is none.
    tallest_agl_m : float
        How far that one stands above the ground beneath its middle [m]; nan where not known or none is near.
    keep_out : Spot or None
        Least distance to a keep-out area, 0 inside; None where there is none.
    keep_out_from : str
        Which one that is.
    wind_most_mps : float
        Greatest steady wind, from any side, in which all lines hold their ground speed and the way home is flown
        against it [m/s]; 0 where there is none. Gusts and batteries are not in it.
    """

    number: int
    nearest: Spot | None
    nearest_to: str
    unknown: bool
    farthest: Spot
    sight_limit_m: float | None
    highest: Spot | None
    tallest: Obstacle | None
    tallest_agl_m: float
    keep_out: Spot | None
    keep_out_from: str
    wind_most_mps: float


@dataclass(frozen=True)
class _Way:
    """Places along a sortie, close together."""

    places_m: Array
    times_s: Array
    legs: tuple[str, ...]
    low: npt.NDArray[np.bool_]

    def spot(self, which: int, value_m: float) -> Spot:
        return Spot(float(value_m), self.places_m[which], float(self.times_s[which]), self.legs[which])


def encounters(mission: Mission, scene: Scene, sortie: Sortie) -> Encounters:
    """Return what a sortie meets on its way from take-off to landing."""
    way = _way(sortie)
    unknown = over_unknown(scene, way.places_m)
    nearest, nearest_to = _nearest(mission, scene, way, unknown)
    keep_out, keep_out_from = _keep_out(scene, way)
    tallest = _tallest(scene, sortie)
    agl = way.places_m[:, 2] - scene.ground.at(way.places_m[:, 0], way.places_m[:, 1])
    from_pilot = np.hypot(*(way.places_m[:, :2] - sortie.take_off_m[:2]).T)
    far = int(np.argmax(from_pilot))
    high = int(np.argmax(np.where(np.isnan(agl), -np.inf, agl)))
    return Encounters(
        number=sortie.number,
        nearest=nearest,
        nearest_to=nearest_to,
        unknown=bool(unknown.any()),
        farthest=way.spot(far, from_pilot[far]),
        sight_limit_m=limit_m_of(mission),
        highest=way.spot(high, agl[high]) if np.isfinite(agl[high]) else None,
        tallest=tallest,
        tallest_agl_m=_above_ground_m(scene, tallest),
        keep_out=keep_out,
        keep_out_from=keep_out_from,
        wind_most_mps=most_wind_mps(mission.aircraft, [line.speed_mps for line in sortie.lines]),
    )


def most_wind_mps(aircraft: Aircraft, speeds_mps: list[float]) -> float:
    """Return the greatest wind, from any side, in which ground speeds are held and the way home is flown [m/s].

    By the wind triangle a ground speed v takes airspeeds from v - w with the wind behind to v + w against it. The way
    home must make headway against it at the ferry airspeed. No less than 0.
    """
    least, most = aircraft.airspeeds_mps
    against = min([most - speed for speed in speeds_mps] + [aircraft.ferry_mps - CREEPING_MPS])
    behind = min(speed - least for speed in speeds_mps) if least > 0 else np.inf
    return float(max(min(against, behind), 0.0))


def _way(sortie: Sortie) -> _Way:
    """Return places along a sortie no farther apart than 1 m, with the time and the leg of each."""
    path, legs = sortie.path, legs_of((), (sortie,))
    places, segment = stations(path.points_m)
    starts, steps = path.points_m[segment], np.diff(path.points_m, axis=0)[segment]
    length = np.linalg.norm(steps, axis=1)
    share = np.linalg.norm(places - starts, axis=1) / np.where(length > 0, length, 1.0)
    times = path.times_s[segment] + share * np.diff(path.times_s)[segment]
    return _Way(places, times, tuple(legs.names[number] for number in legs.leg.tolist()), legs.near_ground)


def _nearest(mission: Mission, scene: Scene, way: _Way, unknown: npt.NDArray[np.bool_]) -> tuple[Spot | None, str]:
    """Return where a way passes nearest to anything, and to what."""
    looked = np.flatnonzero(~(way.low | unknown))
    if not looked.size:
        return None, ""
    near = nearest_of_scene(scene, way.places_m[looked], terrain_doubt_m(mission, scene))
    distance = np.where(np.isfinite(near.distance_m), near.distance_m, np.inf)
    which = int(np.argmin(distance))
    if not np.isfinite(distance[which]):
        return None, ""
    return way.spot(int(looked[which]), distance[which]), near.names[int(near.which[which])]


def _keep_out(scene: Scene, way: _Way) -> tuple[Spot | None, str]:
    """Return where a way passes nearest to a keep-out area, and to which."""
    if not scene.keep_outs:
        return None, ""
    near = nearest_keep_out(scene.keep_outs, way.places_m)
    which = int(np.argmin(near.distance_m))
    return way.spot(which, near.distance_m[which]), near.names[int(near.which[which])]


def _tallest(scene: Scene, sortie: Sortie) -> Obstacle | None:
    """Return the obstacle near the way whose top is highest."""
    course = shapely.LineString(sortie.path.points_m[:, :2])
    near = [thing for thing in scene.obstacles if thing.outline.distance(course) <= NEAR_M + thing.reach_m]
    return max(near, key=lambda thing: thing.top_m, default=None)


def _above_ground_m(scene: Scene, thing: Obstacle | None) -> float:
    """Return how far an obstacle stands above the ground beneath its middle [m]."""
    if thing is None:
        return float("nan")
    middle = thing.outline.representative_point()
    return thing.top_m - float(scene.ground.at(middle.x, middle.y))
