"""A plan held against a profile of aviation rules: what its rules need to know, taken from mission, scene and paths.

Lives here: the facts that safety measures, and nothing that measures them. Must not know files or the forecast.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from planner.flight.flightlines import FlightLine
from planner.flight.sorties import Sortie
from planner.ground.clearance import stations, upper_surface
from planner.ground.nearest import nearest_surface
from planner.ground.obstacles import SIGMAS
from planner.ground.sight import seen_from
from planner.ground.surface import Scene
from planner.mission import Mission
from planner.safety.cautions import Caution
from planner.safety.flightfacts import FlightFacts
from planner.safety.rules import RuleResult, measure_rules, profile_cautions, rule_cautions
from planner.safety.volumes import Barometer
from planner.survey.flying import terrain_doubt_m
from planner.survey.hours import sortie_spans
from planner.survey.watching import EYE_M, leg_names, limit_m_of

Array = npt.NDArray[np.float64]
Numbers = npt.NDArray[np.int64]


@dataclass(frozen=True)
class _Way:
    """What is flown without a break: places, and for each its leg, speed, time and pilot's view."""

    places_m: Array
    legs: list[str]
    speed_mps: Array
    seconds_s: Array
    pilot_m: Array
    seen: npt.NDArray[np.int8]


def rules_of(
    mission: Mission,
    scene: Scene,
    lines: Sequence[FlightLine],
    sorties: Sequence[Sortie],
) -> tuple[tuple[RuleResult, ...], tuple[Caution, ...]]:
    """Return how a flight stands to each rule of the mission's profile, and all cautions of the profile and its rules.

    Parameters
    ----------
    mission, scene : Mission, Scene
        The job.
    lines, sorties : sequence of FlightLine, sequence of Sortie
        What is flown; the lines alone are looked at where there are no sorties.
    """
    facts = flight_facts(mission, scene, lines, sorties)
    profile = mission.rule_profile
    if profile is None:
        return (), ()
    results = () if facts is None else measure_rules(profile, facts)
    return results, (*profile_cautions(profile, mission.date), *rule_cautions(results))


def flight_facts(
    mission: Mission, scene: Scene, lines: Sequence[FlightLine], sorties: Sequence[Sortie]
) -> FlightFacts | None:
    """Return what rules need to know of a flight, None where nothing is flown; see `rules_of`."""
    ways = list(_ways(mission, scene, lines, sorties))
    if not ways:
        return None
    places = np.concatenate([way.places_m for way in ways])
    labels = [label for way in ways for label in way.legs]
    legs = tuple(dict.fromkeys(labels))
    number = {name: place for place, name in enumerate(legs)}
    agl = places[:, 2] - scene.ground.at(places[:, 0], places[:, 1])
    to_ground = nearest_surface(scene.ground, places).distance_m
    centre, rules = scene.area.centroid, mission.rules
    lon, lat = (float(value) for value in scene.frame.to_lonlat(centre.x, centre.y))
    base_m = min((float(sortie.take_off_m[2]) for sortie in sorties), default=np.nan)
    cloud_m = None if rules.cloud_base_agl_m is None or np.isnan(base_m) else base_m + rules.cloud_base_agl_m
    return FlightFacts(
        date=mission.date,
        lon_deg=lon,
        lat_deg=lat,
        places_m=places,
        lonlat_deg=np.column_stack(scene.frame.to_lonlat(places[:, 0], places[:, 1])),
        legs=legs,
        leg=np.array([number[label] for label in labels], dtype=np.int64),
        agl_m=agl,
        to_ground_m=np.where(np.isnan(agl), np.nan, to_ground),
        ortho_m=_ortho_m(scene, places),
        speed_mps=np.concatenate([way.speed_mps for way in ways]),
        vertical_doubt_m=SIGMAS * terrain_doubt_m(mission, scene),
        seconds_s=np.concatenate([way.seconds_s for way in ways]) if sorties else None,
        pilot_m=np.concatenate([way.pilot_m for way in ways]) if sorties else None,
        seen=np.concatenate([way.seen for way in ways]) if sorties else None,
        sight_limit_m=limit_m_of(mission),
        visibility_m=1000 * mission.conditions.visibility_km if _stated(mission, "visibility_km") else None,
        cloud_base_m=cloud_m,
        cloud_beside_m=rules.cloud_distance_m,
        air=_air(mission, scene, places, agl),
        sorties=_spans(mission, sorties),
        anti_collision_light_m=rules.anti_collision_light_m,
        mass_kg=mission.aircraft.mass_kg,
        aircraft_class=rules.aircraft_class,
        low_speed_mode=rules.low_speed_mode,
        structures=scene.obstacles,
        owner_request=rules.owner_request,
        airspace=scene.airspace,
        permissions=rules.permissions,
        people=scene.beneath.get("people"),
        built_up=scene.beneath.get("built_up"),
    )


def _ways(mission: Mission, scene: Scene, lines: Sequence[FlightLine], sorties: Sequence[Sortie]) -> Iterator[_Way]:
    """Yield what is flown, a place every metre; the lines alone where there are no sorties."""
    for line in () if sorties else lines:
        places, _ = stations(line.points_m)
        unknown = np.full(len(places), np.nan)
        untold = np.full(len(places), -1, dtype=np.int8)
        speeds = np.full(len(places), line.speed_mps)
        yield _Way(places, [f"line {line.line_id}"] * len(places), speeds, unknown, unknown, untold)
    top = upper_surface(scene) if sorties else scene.top
    for sortie in sorties:
        points, seconds = sortie.path.points_m, np.diff(sortie.path.times_s)
        places, segment = stations(points)
        eye = sortie.take_off_m + EYE_M
        run = np.hypot(*np.diff(points[:, :2], axis=0).T)
        # A wait takes time and no way.
        speeds = np.divide(run, seconds, out=np.zeros_like(run), where=seconds > 0)
        names = leg_names(sortie)
        yield _Way(
            places,
            [names[number] for number in segment.tolist()],
            speeds[segment],
            (seconds / np.bincount(segment, minlength=len(seconds)))[segment],
            np.linalg.norm(places - eye, axis=1),
            seen_from(top, eye, points[1:])[segment],
        )


def _ortho_m(scene: Scene, places_m: Array) -> Array | None:
    """Return heights above mean sea level [m], None where nothing links them to the scene's."""
    if scene.heights == "orthometric":
        return places_m[:, 2]
    if scene.geoid is None:
        return None
    lon, lat = scene.frame.to_lonlat(places_m[:, 0], places_m[:, 1])
    return np.asarray(places_m[:, 2] - scene.geoid.at(lon, lat))


def _air(mission: Mission, scene: Scene, places_m: Array, agl_m: Array) -> Barometer | None:
    """Return the air at the middle height of the ground beneath the flight, None where the mission states none."""
    ortho = _ortho_m(scene, places_m)
    if ortho is None or not _stated(mission, "pressure_hpa") or np.isnan(agl_m).all():
        return None
    conditions = mission.conditions
    return Barometer(conditions.pressure_hpa, conditions.temperature_c, float(np.nanmedian(ortho - agl_m)))


def _stated(mission: Mission, key: str) -> bool:
    """Return whether the mission itself states one of its conditions."""
    return not any(line.startswith(f"conditions.{key} =") for line in mission.assumptions)


def _spans(mission: Mission, sorties: Sequence[Sortie]) -> npt.NDArray[np.datetime64] | None:
    """Return take-off and landing of each sortie in UTC, shape (m, 2); None where they are not known."""
    spans = sortie_spans(mission, sorties)
    return np.array([[span.begins, span.ends] for span in spans], dtype="datetime64[s]") if spans else None
