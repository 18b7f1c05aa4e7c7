"""What a forecast is worth when it comes to acceptance: clauses, checkpoints, calibration, volumes, confidence.

Lives here: these parts put together from one forecast. Must not know files.
"""

from collections.abc import Callable

import numpy as np
import numpy.typing as npt

from planner.assessment import Forecast, Pad, Plan, Quality
from planner.forecast.acceptance import Clause, Coverage, Heights, judge_acceptance
from planner.forecast.accuracy import TESTED_SLOPE_DEG
from planner.forecast.budgets import signal_ratios
from planner.forecast.calibration import Calibration, calibration_strength, sightings_of, usual_limits
from planner.forecast.calibrationlines import Help, candidate_lines, what_would_help
from planner.forecast.checkpoints import Layout, place_checkpoints
from planner.forecast.footing import Footing, read_footing
from planner.forecast.layoutrules import Land
from planner.forecast.parts import cell_classes, water_cells
from planner.forecast.sharing import SharedErrors, shared_errors
from planner.forecast.volumes import pad_errors, smallest_change, volume_error
from planner.ground.surface import Scene
from planner.mission import Mission
from planner.survey.legs import reach_m_of
from planner.survey.sureness import confidence_of

Progress = Callable[[str, int, int], None]
Array = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]

_STEPS = ("checkpoints", "acceptance", "calibration", "volumes", "confidence")


def quality_of(
    mission: Mission,
    scene: Scene,
    plan: Plan,
    forecast: Forecast,
    *,
    progress: Progress | None = None,
    threads: int = 2,
) -> Quality:
    """Return what a forecast is worth.

    Parameters
    ----------
    mission, scene, plan, forecast
        The job, and what comes back from the flight.
    progress : callable, optional
        Called with what is being done, steps done and steps in all.
    threads : int
        Parts of the site weighed at the same time; the result does not depend on it.
    """

    def tell(step: str) -> None:
        if progress:
            progress(f"weighing {step}", _STEPS.index(step), len(_STEPS))

    tell("checkpoints")
    footing = read_footing(forecast.cells, scene.layers)
    shared = _shared(mission, scene, forecast)
    checkpoints = _checkpoints(mission, scene, forecast, footing)
    tell("acceptance")
    acceptance = _acceptance(mission, scene, plan, forecast, shared)
    tell("calibration")
    calibration, helpful = _calibration(mission, plan, forecast, footing, shared)
    tell("volumes")
    pads = _pads(scene, forecast, shared)
    tell("confidence")
    known = forecast.seen, forecast.errors, forecast.density_per_m2, _dry(scene, forecast), forecast.cells
    sure = confidence_of(mission, scene, *known, threads)
    return Quality(acceptance, checkpoints, calibration, helpful, pads, sure)


def _shared(mission: Mission, scene: Scene, forecast: Forecast) -> SharedErrors:
    seen, classes = forecast.seen, cell_classes(scene.cover, forecast.cells)
    signal = signal_ratios(seen.looks, seen.faces, seen.legs, seen.lights, classes)
    cards = mission.sensor, mission.navigation
    return shared_errors(seen.looks, seen.faces, seen.legs, *cards, signal, mission.base_distance_m)


def _dry(scene: Scene, forecast: Forecast) -> Mask:
    """Return the judged cells without declared water."""
    return np.asarray(forecast.judged & ~water_cells(scene.cover, forecast.cells))


def _checkpoints(mission: Mission, scene: Scene, forecast: Forecast, footing: Footing) -> Layout:
    cells = forecast.cells
    land = Land(
        judged=forecast.judged,
        causes=forecast.cause,
        classes=cell_classes(scene.cover, cells),
        class_names=scene.cover.names if scene.cover else (),
        water=water_cells(scene.cover, cells),
        allowed=None if scene.walkable is None else cells.inside(scene.walkable),
    )
    limit, expected = mission.requirement.target_rmse_m, forecast.accuracy.rmse_m
    return place_checkpoints(cells, footing, land, mission.checkpoints, limit, expected)


def _acceptance(
    mission: Mission, scene: Scene, plan: Plan, forecast: Forecast, shared: SharedErrors
) -> tuple[Clause, ...]:
    gentle = np.degrees(np.arctan(np.hypot(*forecast.seen.faces.slopes.T))) <= TESTED_SLOPE_DEG
    tested = _dry(scene, forecast).ravel() & gentle
    shape, looks = forecast.judged.shape, forecast.seen.looks
    coverage = Coverage(
        first_per_m2=forecast.pooled_first_per_m2,
        single_first_per_m2=forecast.single_first_per_m2,
        passes=forecast.passes,
        causes=forecast.cause,
        judged=forecast.judged,
        water=forecast.judged & water_cells(scene.cover, forecast.cells),
        cell_m=forecast.cells.cell_m,
        disagreement_m=forecast.errors.disagreement_m.reshape(shape),
    )
    heights = Heights(
        tested_rmse_m=forecast.accuracy.tested_rmse_m,
        checkpoint_sd_m=mission.checkpoints.survey_sd_m,
        bias_m=_rms(shared.common_m[tested]),
        noise_m=_rms(shared.pulse_m[tested[looks.cell] & (looks.returns > 0)]),
        horizontal_rmse_m=forecast.accuracy.horizontal_rmse_m,
    )
    sidelap = plan.settings.sidelap if plan.settings and len(plan.lines) > 1 else None
    return judge_acceptance(mission.requirement, forecast.density, coverage, heights, sidelap, forecast.faces)


def _rms(values: Array) -> float | None:
    known = values[np.isfinite(values)]
    return float(np.sqrt(np.mean(known**2))) if known.size else None


def _calibration(
    mission: Mission, plan: Plan, forecast: Forecast, footing: Footing, shared: SharedErrors
) -> tuple[Calibration | None, Help | None]:
    seen = forecast.seen
    usable = (forecast.judged & footing.clear).ravel()
    upright = 1 / np.sqrt(1 + (seen.faces.slopes**2).sum(axis=1))
    normal_sd = shared.pulse_m * upright[seen.looks.cell]
    sightings = sightings_of(seen.looks, seen.faces, seen.legs, mission.sensor, usable, normal_sd)
    if not len(sightings.leg):
        return None, None
    limits = usual_limits(sightings, mission.navigation)
    calibration = calibration_strength(sightings, mission.navigation, limits)
    lines = candidate_lines(sightings, (mission.limits.clearance_m, mission.limits.ceiling_agl_m))
    reach = min((reach_m_of(mission, line.pulse_rate_hz) for line in plan.lines), default=np.inf)
    return calibration, what_would_help(sightings, mission.navigation, limits, lines, reach)


def _pads(scene: Scene, forecast: Forecast, shared: SharedErrors) -> tuple[Pad, ...]:
    """Return the volumes of the named features."""
    cells, seen = forecast.cells, forecast.seen
    sds = shared.common_m, shared.pass_m, shared.pulse_m
    found = []
    for feature in scene.features:
        inside = (cells.inside(feature.polygon) & forecast.judged).ravel()
        if inside.any():
            volume = volume_error(pad_errors(seen.looks, seen.faces, inside, sds, cells.cell_m))
            found.append(Pad(feature.name, volume, smallest_change(volume)))
    return tuple(found)
