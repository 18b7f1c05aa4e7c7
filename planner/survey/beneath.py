"""What lies beneath a flight: its paths as ground risk takes them, on this terrain and with this aircraft.

Lives here: what ground risk needs of a mission, a scene and a plan. Must not know the forecast.
"""

from collections.abc import Iterator, Mapping, Sequence

import numpy as np
import numpy.typing as npt

from planner.flight.flightlines import FlightLine
from planner.flight.sorties import Sortie
from planner.ground.clearance import stations
from planner.ground.surface import HeightGrid, Scene
from planner.ground.surroundings import GroundPlace, Kind
from planner.mission import Mission
from planner.safety.falls import Fall
from planner.safety.groundrisk import Flown, GroundRisk, ground_risk

Array = npt.NDArray[np.float64]

STRAYS_M = 1.0
"""How far an aircraft strays from its path, its own size apart [m]: common practice, no source."""
STEP_M = 5.0
"""Distance between places along lines that no sortie flies [m], as along paths."""
BEARINGS = 16
REACHES = np.arange(0.25, 4.01, 0.25)
"""How far the ground around is looked at, in heights above the ground beneath."""


def ground_risk_of(
    mission: Mission,
    scene: Scene,
    lines: Sequence[FlightLine],
    sorties: Sequence[Sortie],
    beneath: Mapping[Kind, Sequence[GroundPlace]],
) -> GroundRisk | None:
    """Return where the aircraft may fall along all that is flown, the lines alone where there are no sorties.

    None where nothing is flown.

    Parameters
    ----------
    mission, scene : Mission, Scene
        The job.
    lines, sorties : sequence of FlightLine, sequence of Sortie
        What is flown.
    beneath : mapping of str to sequence of GroundPlace
        What is known to lie on the ground.
    """
    flown = tuple(_flown(scene, lines, sorties))
    return ground_risk(flown, fall_of(mission), scene.area, beneath) if flown else None


def fall_of(mission: Mission) -> Fall:
    """Return how the aircraft of a mission is taken to come down in the day's wind.

    1:1 or thrown, and wings whose card says how far they glide so far, the widest counts. A glide is taken to be as
    slow as the aircraft flies through the air at least: then the wind carries it farthest.
    """
    aircraft = mission.aircraft
    beside_m = STRAYS_M + (aircraft.max_dimension_m or 0.0) / 2
    return Fall(
        rules=("one to one", "ballistic", "glide") if aircraft.glide_ratio else ("one to one", "ballistic"),
        glide_ratio=aircraft.glide_ratio,
        glide_mps=aircraft.airspeeds_mps[0],
        wind_mps=mission.conditions.wind_mps,
        wings=aircraft.kind == "fixed_wing",
        beside_m=beside_m,
    )


def _flown(scene: Scene, lines: Sequence[FlightLine], sorties: Sequence[Sortie]) -> Iterator[Flown]:
    for sortie in sorties:
        points = sortie.path.points_m
        yield Flown(f"sortie {sortie.number}", points, falling_heights_m(scene.ground, points), sortie.path.times_s)
    for line in () if sorties else lines:
        points, _ = stations(line.points_m, STEP_M)
        way_m = np.append(0.0, np.cumsum(np.linalg.norm(np.diff(points, axis=0), axis=1)))
        heights_m = falling_heights_m(scene.ground, points)
        yield Flown(f"line {line.line_id}", points, heights_m, way_m / line.speed_mps)


def falling_heights_m(ground: HeightGrid, places_m: Array) -> Array:
    """Return how high places are above the ground that they would fall on, shape (n,) [m]; nan over unknown ground.

    That beneath, or lower ground beside them as far as it lies within a slope of 1:1 from the place: on a hillside a
    fall to the lower side goes farther than the height above the ground beneath.

    Parameters
    ----------
    ground : HeightGrid
        Bare earth.
    places_m : ndarray, shape (n, 3)
        East, north, up [m].
    """
    east, north, up = places_m.T
    beneath_m = np.maximum(up - ground.at(east, north), 0.0)
    angle = 2 * np.pi * np.arange(BEARINGS) / BEARINGS
    farthest_m, before_m, reached_m = beneath_m, beneath_m[:, np.newaxis], np.zeros((len(up), 1))
    lowest_m = float(ground.heights_m.min())
    for reach in REACHES:
        away_m = reach * beneath_m[:, np.newaxis]
        if not (before_m >= 0).any() and not (away_m[:, 0] <= up - lowest_m).any():
            break  # no ground lies low enough to be met farther away
        around = ground.at(east[:, np.newaxis] + away_m * np.sin(angle), north[:, np.newaxis] + away_m * np.cos(angle))
        over_m = up[:, np.newaxis] - around - away_m
        # Where the slope of 1:1 meets the ground between two places looked at; even ground is met exactly.
        leaves = (before_m >= 0) & (over_m < 0)
        share = np.divide(before_m, before_m - over_m, out=np.ones_like(over_m), where=leaves)
        met_m = np.where(leaves | (over_m >= 0), reached_m + share * (away_m - reached_m), 0.0)
        farthest_m = np.maximum(farthest_m, met_m.max(axis=1))
        before_m, reached_m = over_m, away_m
    return np.asarray(farthest_m)
