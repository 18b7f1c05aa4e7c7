"""What a flight may do to others: eyes beneath it, the ground it may fall on, rules of the air, and hours to fly in.

Lives here: safety's answers gathered for a job. Must not know the forecast or files.
"""

from collections.abc import Iterator, Sequence

import numpy as np
import numpy.typing as npt

from planner.assessment import Exposure, EyeFigures, Plan, Safety
from planner.errors import Fault
from planner.flight.flightlines import FlightLine
from planner.flight.sorties import Sortie
from planner.ground.clearance import nearest_of_scene, upper_surface
from planner.ground.surface import CellGrid, Scene
from planner.ground.wayside import highest_m, passing_m
from planner.mission import Mission
from planner.safety.cautions import Caution
from planner.safety.exposures import ground_exposure, hazard_distances, source_of
from planner.safety.eyesafety import (
    EYE_HEIGHT_M,
    computed_eye_fault,
    exposure_cautions,
    eye_fault,
    laser_on_height_m,
    switching_caution,
)
from planner.safety.groundrisk import ground_risk_cautions
from planner.safety.scancrossings import Motion
from planner.survey.airrules import rules_of
from planner.survey.beneath import ground_risk_of
from planner.survey.flying import NEAR_GROUND, Legs, terrain_doubt_m
from planner.survey.hours import windows_of
from planner.survey.legs import rating_of

Array = npt.NDArray[np.float64]

LOOKED_M = 500.0
"""Distance from the way up to which exposure is worked out cell by cell; beyond it nothing is told."""


def nearest_eye_m(mission: Mission, scene: Scene, legs: Legs) -> float:
    """Return the shortest distance in space from the flight to an eye of whoever stands beneath or beside it [m].

    On the ground, on roofs and on obstacles; all doubt of their heights taken off. Climb and descent at the take-off
    place are left out: there the light is switched by height. nan where nothing is flown, or over unknown ground alone.
    """
    places = legs.places_m[~legs.near_ground]
    if not len(places):
        return float("nan")
    distance = nearest_of_scene(scene, places, terrain_doubt_m(mission, scene)).distance_m
    known = distance[np.isfinite(distance)]
    return max(float(known.min()) - EYE_HEIGHT_M, 0.0) if known.size else float("nan")


def motions_of(lines: Sequence[FlightLine]) -> dict[float, Motion]:
    """Return how beam and aircraft move at each pulse rate flown [Hz]: the slowest scan and flight, which is worst."""
    found: dict[float, Motion] = {}
    for line in lines:
        before = found.get(line.pulse_rate_hz)
        slower = Motion(line.line_rate_hz, line.speed_mps)
        if before is not None:
            slower = Motion(min(before.line_rate_hz, slower.line_rate_hz), min(before.speed_mps, slower.speed_mps))
        found[line.pulse_rate_hz] = slower
    return dict(sorted(found.items()))


def eye_faults(mission: Mission, lines: Sequence[FlightLine], nearest_m: float) -> Iterator[Fault]:
    """Yield a fault for each pulse rate whose hazard distance, stated or computed, reaches an eye."""
    for rate, motion in motions_of(lines).items():
        rating = rating_of(mission, rate)
        stated = eye_fault(rating, nearest_m)
        computed = computed_eye_fault(mission.sensor, rating, motion, nearest_m)
        yield from (fault for fault in (stated or computed,) if fault is not None)


def eyes_of(mission: Mission, lines: Sequence[FlightLine], nearest_m: float) -> tuple[EyeFigures, ...]:
    """Return what is stated and computed for eyes at each pulse rate flown."""
    found = []
    for rate, motion in motions_of(lines).items():
        rating = rating_of(mission, rate)
        source = source_of(mission.sensor, rating, motion.line_rate_hz)
        found.append(
            EyeFigures(
                pulse_rate_hz=rate,
                line_rate_hz=motion.line_rate_hz,
                speed_mps=motion.speed_mps,
                laser_class=rating.laser_class,
                stated_m=rating.hazard_distance_m,
                flown=None if source is None else hazard_distances(source, motion),
                stopped=None if source is None else hazard_distances(source, None),
                nearest_m=nearest_m,
                light_on_m=laser_on_height_m(mission.sensor, rating, motion.line_rate_hz),
            )
        )
    return tuple(found)


def exposure_of(
    mission: Mission, scene: Scene, cells: CellGrid, lines: Sequence[FlightLine], sorties: Sequence[Sortie]
) -> Exposure | None:
    """Return the exposure of eyes in each cell, of whoever stands on its highest place; None where no energy is known.

    At several pulse rates the worst counts.
    """
    sources = [
        (source, motion)
        for rate, motion in motions_of(lines).items()
        if (source := source_of(mission.sensor, rating_of(mission, rate), motion.line_rate_hz)) is not None
    ]
    if not sources:
        return None
    heights = highest_m(upper_surface(scene), cells) + EYE_HEIGHT_M
    nearest = passing_m(cells, heights, list(_lit(lines, sorties)), LOOKED_M)
    near = np.where(np.isfinite(nearest), nearest, np.nan)
    found = [ground_exposure(source, motion, near) for source, motion in sources]
    naked, aided, stopped = (
        np.max([getattr(one, name) for one in found], axis=(0, 1))
        for name in ("flown_naked", "flown_aided", "stopped_naked")
    )
    return Exposure(cells, near, naked, aided, stopped)


def _lit(lines: Sequence[FlightLine], sorties: Sequence[Sortie]) -> Iterator[Array]:
    """Yield the ways on which the light may be on: all that is flown, but for climb and descent at take-off places."""
    for line in () if sorties else lines:
        yield line.points_m
    for sortie in sorties:
        on = np.array([part not in NEAR_GROUND for part in sortie.path.parts])
        edges = np.flatnonzero(np.diff(np.concatenate([[False], on, [False]]).astype(np.int8)))
        for first, last in edges.reshape(-1, 2).tolist():
            yield sortie.path.points_m[first : last + 1]


def safety_of(mission: Mission, scene: Scene, cells: CellGrid, plan: Plan) -> Safety:
    """Return what a plan may do to others, exposure told in the cells given, and when it may be flown."""
    lines, sorties, lasts_s = plan.lines, plan.sorties, float(plan.flight["time_s"]["total"])
    results, of_rules = rules_of(mission, scene, lines, sorties)
    risk = ground_risk_of(mission, scene, lines, sorties, scene.beneath)
    windows = windows_of(mission, scene, lines, sorties, lasts_s)
    return Safety(
        cautions=(
            *_eye_cautions(mission, lines, plan.nearest_eye_m),
            *of_rules,
            *(ground_risk_cautions(risk) if risk is not None else ()),
            *(windows.cautions if windows is not None else ()),
        ),
        eyes=eyes_of(mission, lines, plan.nearest_eye_m),
        exposure=exposure_of(mission, scene, cells, lines, sorties),
        rules=results,
        risk=risk,
        windows=windows,
    )


def _eye_cautions(mission: Mission, lines: Sequence[FlightLine], nearest_m: float) -> Iterator[Caution]:
    for rate, motion in motions_of(lines).items():
        rating = rating_of(mission, rate)
        yield from exposure_cautions(mission.sensor, rating, motion, nearest_m)
        yield switching_caution(mission.sensor, rating, motion.line_rate_hz)
