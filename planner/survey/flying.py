"""A flight as it is flown: sorties over lines, and the whole path held against terrain, obstacles and keep-out areas.

Lives here: what flight and safety need of a mission to plan sorties and to check them. Must not know the forecast.
"""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
import shapely

from planner.errors import Fault, InputError
from planner.flight.climbs import NEAR_GROUND
from planner.flight.detours import Zones
from planner.flight.flightlines import FlightLine
from planner.flight.joining import joinable_line
from planner.flight.paths import Flyer
from planner.flight.places import best_places, take_off_candidates
from planner.flight.profile import Floor, highest_nearby
from planner.flight.sorties import Day, Sortie, as_flown, plan_sorties, quickest_sorties
from planner.flight.winds import Hold, Wind
from planner.ground.clearance import crossed_m, nearest_keep_out, nearest_of_scene, stations, upper_surface
from planner.ground.surface import Scene
from planner.mission import Mission
from planner.safety.airspace import clearance_faults, keep_out_faults, off_terrain_faults, take_off_fault
from planner.survey.watching import leg_names, sight_of

__all__ = [
    "CHORD_M",
    "NEAR_GROUND",
    "Legs",
    "flyer_of",
    "legs_of",
    "over_unknown",
    "path_faults",
    "sensitive_m",
    "sorties_of",
    "take_offs_m",
    "terrain_doubt_m",
]

Array = npt.NDArray[np.float64]
Numbers = npt.NDArray[np.int64]

CHORD_M = 1.0
"""Height that turns and ferries keep over the least at their points, for the ground between these [m]."""


@dataclass(frozen=True)
class Legs:
    """Places along all that is flown, close together, and what each belongs to.

    Attributes
    ----------
    names : tuple of str
        What the reader calls the legs, for example ``"line L03"``.
    places_m : ndarray, shape (n, 3)
        East, north, up [m].
    leg : ndarray of int64, shape (n,)
        Number of the leg of each place.
    near_ground : ndarray of bool, shape (n,)
        Whether it must come near the ground, as in taking off and landing.
    """

    names: tuple[str, ...]
    places_m: Array
    leg: Numbers
    near_ground: npt.NDArray[np.bool_]


def flyer_of(mission: Mission, scene: Scene, hold: Hold = "ground") -> Flyer:
    """Return what flies, in the wind of the day, above the clearance, and which speed it holds on lines."""
    conditions, centre = mission.conditions, scene.planned.centroid
    convergence = scene.frame.convergence_rad(centre.x, centre.y)
    wind = Wind(conditions.wind_mps, float(np.radians(conditions.wind_from_deg)) - convergence)
    clearance = mission.limits.clearance_m + terrain_doubt_m(mission, scene) + CHORD_M
    nearby = highest_nearby(upper_surface(scene), clearance)
    known = highest_nearby(scene.ground, clearance, known_only=True)
    floor = Floor(scene.ground, known, nearby, clearance, clearance, scene.obstacles)
    aircraft, limits = mission.aircraft, mission.limits
    climb, descent = limits.climb_mps or np.inf, limits.descent_mps or np.inf
    held = replace(aircraft, climb_mps=min(aircraft.climb_mps, climb), descent_mps=min(aircraft.descent_mps, descent))
    zones = Zones(scene.keep_outs, scene.sensitive, mission.hazards.keep_out_margin_m)
    return Flyer(held, mission.navigation, floor.at, wind, hold, zones)


def terrain_doubt_m(mission: Mission, scene: Scene) -> float:
    """Return how far terrain may be off: its own vertical error and the doubt of mixed frames [m]."""
    return float(np.hypot(mission.terrain.vertical_sd_m, scene.frame_doubt_m))


def take_offs_m(mission: Mission, scene: Scene) -> list[Array]:
    """Return the take-off places, east, north and ground height [m].

    Raises
    ------
    InputError
        E30 where a place lies beside the terrain given, or in or too near a keep-out area.
    """
    places, faults = [], []
    for lon, lat in mission.take_off_deg:
        east, north = (float(value) for value in scene.frame.from_lonlat(lon, lat))
        up = float(scene.ground.at(east, north))
        place = np.array([east, north, up])
        near = nearest_keep_out(scene.keep_outs, place[np.newaxis])
        area = near.names[int(near.which[0])] if near.names and near.which[0] >= 0 else ""
        margin = mission.hazards.keep_out_margin_m
        where = f"lon {lon:.6f} lat {lat:.6f}"
        fault = take_off_fault(0.0 if np.isfinite(up) else np.nan, float(near.distance_m[0]), area, margin, where)
        places.append(place)
        faults += [fault] if fault else []
    if faults:
        raise InputError(*faults)
    return places


def sorties_of(
    mission: Mission, scene: Scene, lines: Sequence[FlightLine], flyer: Flyer, *, ordered: bool
) -> tuple[tuple[FlightLine, ...], tuple[Sortie, ...]]:
    """Return lines as they are flown, and the sorties that fly them; no sorties where no take-off place is given.

    Lines come back with the ground speed that the wind leaves them. Where their order is chosen, those that begin or
    end on a side too steep for climb and descent come back lifted, see `planner.flight.joining`.

    Of several take-off places, given or found where taking off is allowed, those that see a line go before quicker
    ones.

    Parameters
    ----------
    mission, scene : Mission, Scene
        The job.
    lines : sequence of FlightLine
        What is to be flown.
    flyer : Flyer
        What flies them, from `flyer_of`.
    ordered : bool
        Whether order and directions are given; else they are chosen.

    Raises
    ------
    InputError
        E30, see `take_offs_m`, and where no place of the area allowed can be used.
    InfeasibleError
        E28 where batteries cannot do it, E32 where the wind beats the airspeed.
    """
    places = take_offs_m(mission, scene)
    if scene.access and lines:
        places += chosen_places_m(mission, scene, lines, flyer)
    if not (places and lines):
        return as_flown(flyer, lines), ()
    elevation = float(np.mean([place[2] for place in places]))
    day = Day(mission.conditions.temperature_c, elevation, mission.flight.split_overlap_m)
    fly, sight = plan_sorties if ordered else quickest_sorties, sight_of(mission, scene, places)
    sorties = fly(tuple(lines), flyer, scene.frame, places, day, sight)
    flown = [line for sortie in sorties for line in sortie.lines]
    lifted = flown if ordered else [joinable_line(flyer, line) for line in flown]
    if any(one is not other for one, other in zip(flown, lifted, strict=True)):
        sorties = plan_sorties(lifted, flyer, scene.frame, places, day, sight)
    return tuple(line for sortie in sorties for line in sortie.lines), sorties


def chosen_places_m(mission: Mission, scene: Scene, lines: Sequence[FlightLine], flyer: Flyer) -> list[Array]:
    """Return the take-off places worth planning from in the area where taking off is allowed, see `sorties_of`."""
    goal = shapely.MultiLineString([line.points_m[:, :2] for line in lines])
    margin = mission.hazards.keep_out_margin_m
    found = take_off_candidates(scene, goal, mission.limits.clearance_m, margin)
    return [found[number] for number in best_places(found, lines, flyer, sight_of(mission, scene, found))]


def legs_of(lines: Sequence[FlightLine], sorties: Sequence[Sortie]) -> Legs:
    """Return the places of all that is flown: the paths of sorties, or the lines alone where there are none."""
    names: list[str] = []
    places, legs, near = [], [], []
    for points, labels, low in _pieces(lines, sorties):
        spread, segment = stations(points)
        numbers = {label: names.index(label) if label in names else -1 for label in dict.fromkeys(labels)}
        for label, number in numbers.items():
            if number < 0:
                numbers[label] = len(names)
                names.append(label)
        places.append(spread)
        legs.append(np.array([numbers[label] for label in labels], dtype=np.int64)[segment])
        near.append(np.array(low, dtype=bool)[segment])
    if not places:
        return Legs((), np.zeros((0, 3)), np.zeros(0, dtype=np.int64), np.zeros(0, dtype=bool))
    return Legs(tuple(names), np.concatenate(places), np.concatenate(legs), np.concatenate(near))


def _pieces(
    lines: Sequence[FlightLine], sorties: Sequence[Sortie]
) -> Iterator[tuple[Array, Sequence[str], Sequence[bool]]]:
    """Yield points, and for each segment the name of its leg and whether it must come near the ground."""
    if not sorties:
        for line in lines:
            count = len(line.points_m) - 1
            yield line.points_m, [f"line {line.line_id}"] * count, [False] * count
    for sortie in sorties:
        path = sortie.path
        yield path.points_m, leg_names(sortie), [part in NEAR_GROUND for part in path.parts]


def path_faults(mission: Mission, scene: Scene, legs: Legs) -> tuple[Fault, ...]:
    """Return a fault for each leg that comes too near to anything, enters a keep-out area or leaves the terrain."""
    if not len(legs.places_m):
        return ()
    where = _where(scene, legs.places_m)
    high = np.flatnonzero(~legs.near_ground)
    near = nearest_of_scene(scene, legs.places_m[high], terrain_doubt_m(mission, scene))
    distance = near.distance_m
    if mission.terrain.holes == "refuse":  # a hole is bridged for rays, but nobody knows what stands in it
        distance = np.where(over_unknown(scene, legs.places_m[high]), np.nan, distance)
    things = [near.names[number] if number >= 0 else "" for number in near.which.tolist()]
    faults = [
        *clearance_faults(
            legs.names,
            legs.leg[high],
            distance,
            things,
            mission.limits.clearance_m,
            lambda place: where(int(high[place])),
        ),
        *off_terrain_faults(legs.names, legs.leg[high], distance, lambda place: where(int(high[place]))),
    ]
    if scene.keep_outs:
        kept = nearest_keep_out(scene.keep_outs, legs.places_m)
        areas = [kept.names[number] if number >= 0 else "" for number in kept.which.tolist()]
        margin = mission.hazards.keep_out_margin_m
        faults += keep_out_faults(legs.names, legs.leg, kept.distance_m, areas, margin, where)
    return tuple(faults)


def over_unknown(scene: Scene, places_m: Array) -> npt.NDArray[np.bool_]:
    """Return which places, shape (n, 3) [m], have no known terrain beneath."""
    return np.isnan(scene.top.at(places_m[:, 0], places_m[:, 1]))


def sensitive_m(scene: Scene, lines: Sequence[FlightLine], sorties: Sequence[Sortie]) -> Array:
    """Return how far the flight runs over each sensitive area [m], shape (areas,)."""
    total = np.zeros(len(scene.sensitive))
    for points, *_ in _pieces(lines, sorties) if scene.sensitive else ():
        total += crossed_m(scene.sensitive, points)
    return total


def _where(scene: Scene, places_m: Array) -> Callable[[int], str]:
    def place(number: int) -> str:
        lon, lat = scene.frame.to_lonlat(places_m[number, 0], places_m[number, 1])
        return f"lon {float(lon):.6f} lat {float(lat):.6f}"

    return place
