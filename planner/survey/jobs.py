"""Whole jobs: a plan from a mission, and the assessment of a plan, ours or anybody's.

Lives here: planning, safety of lines, and all there is to say about a flight. Must not know files.
"""

from collections.abc import Callable, Collection, Sequence
from dataclasses import replace

import numpy as np

from planner.assessment import Assessment, Forecast, LineFigures, Plan
from planner.errors import Best, Fault, InfeasibleError, InputError, SafetyError
from planner.flight.flightlines import FlightLine
from planner.flight.settings import Settings
from planner.flight.sorties import Sortie, flight_figures
from planner.ground.geodesy import geodesic_length_m
from planner.ground.surface import Scene
from planner.mission import Mission
from planner.ranging.beams import scan_pattern, usable_share
from planner.ranging.principles import refuse_sensor
from planner.ranging.uncertainty import TERMS, flat_covariances_m2, gnss_floor_m, least_vertical_sd_m
from planner.safety.eyesafety import EYE_HEIGHT_M
from planner.survey.articles import article_cautions, articles_of
from planner.survey.attempts import first_flyable
from planner.survey.clearing import lines_to_fly
from planner.survey.deciding import plan_costs, planned_cell_m
from planner.survey.flying import flyer_of, legs_of, path_faults, sorties_of
from planner.survey.guarding import eye_faults, nearest_eye_m, safety_of
from planner.survey.outlook import make_forecast
from planner.survey.quality import quality_of
from planner.survey.remarks import cautions_of, method
from planner.survey.resuming import lines_left
from planner.survey.tightening import ruled_plan

Progress = Callable[[str, int, int], None]

MOST_PASSES = 4
"""Passes over one place that a flight is taken to make at most where it is asked what it can reach."""


def line_figures(mission: Mission, scene: Scene, line: FlightLine, faults: Sequence[Fault] = ()) -> LineFigures:
    """Return what one line does, for people; `faults` are those of the whole path."""
    east, north, up = line.points_m.T
    agl = up - scene.ground.at(east, north)
    agl_known = agl[np.isfinite(agl)]
    low, mean, high = (
        (float(agl_known.min()), float(agl_known.mean()), float(agl_known.max())) if agl_known.size else (np.nan,) * 3
    )
    kept = line.kept_points_m()
    pattern = scan_pattern(mission.sensor, line.pulse_rate_hz, line.line_rate_hz, line.usable_half_angle_rad)
    swath = 2 * mean * float(np.tan(line.usable_half_angle_rad))
    returns_per_m = pattern.pulse_rate_hz * usable_share(pattern) / line.speed_mps
    convergence = scene.frame.convergence_rad(float(east.mean()), float(north.mean()))
    too_near = any(fault.what.startswith(f"line {line.line_id} ") for fault in faults)
    return LineFigures(
        line_id=line.line_id,
        heading_deg=float(np.degrees(line.track_rad + convergence) % 360),
        length_m=geodesic_length_m(scene.frame, kept[:, 0], kept[:, 1]),
        agl_min_m=low,
        agl_mean_m=mean,
        agl_max_m=high,
        swath_m=swath,
        density_per_m2=returns_per_m / swath if swath > 0 else np.nan,
        ceiling_over_m=max(0.0, high - mission.limits.ceiling_agl_m) if agl_known.size else np.nan,
        unsafe=too_near or any(True for _ in eye_faults(mission, (line,), low - EYE_HEIGHT_M)),
    )


def plan_of(
    mission: Mission,
    scene: Scene,
    lines: tuple[FlightLine, ...],
    settings: Settings | None,
    sorties: tuple[Sortie, ...] = (),
    unflown: tuple[Fault, ...] = (),
    left: tuple[FlightLine, ...] | None = None,
) -> Plan:
    """Return a plan of lines, of which only those left are to be flown, held against terrain and eyes."""
    to_fly = lines if left is None else left
    legs = legs_of(to_fly, sorties)
    faults = path_faults(mission, scene, legs)
    figures = tuple(line_figures(mission, scene, line, faults) for line in lines)
    flight = flight_figures(to_fly, mission.aircraft, mission.sensor, scene.frame, sorties)
    nearest = nearest_eye_m(mission, scene, legs)
    return Plan(lines, settings, figures, flight, sorties, faults, unflown, nearest_eye_m=nearest)


def unsafe_lines(mission: Mission, plan: Plan) -> tuple[Fault, ...]:
    """Return the faults of the path, and one for each pulse rate whose hazard distance reaches an eye."""
    return (*plan.path_faults, *eye_faults(mission, plan.lines, plan.nearest_eye_m))


def make_plan(mission: Mission, scene: Scene, *, progress: Progress | None = None) -> Plan:
    """Choose settings and lay flight lines that should meet the requirement, clear of keep-out areas.

    Raises
    ------
    InfeasibleError
        Where no setting of sensor and aircraft meets it, carries the best achievable; E28 where batteries do not last,
        E31 where keep-out areas leave no line, E32 where the wind beats the airspeed.
    SafetyError
        Where the path, turns and ferries included, would break the clearance, a keep-out area or the stated hazard
        distance.
    InputError
        E30 where a take-off place cannot be used, E34 where the vertical accuracy asked for is finer than positions and
        checkpoints allow.
    """
    refuse_heights(mission)
    if progress:
        progress("choosing settings and lines", 0, 1)
    cell_m = planned_cell_m(mission, scene)

    def flyable(settings: Settings, laid: tuple[FlightLine, ...]) -> Plan:
        return _flyable(mission, scene, settings, laid)

    plan = ruled_plan(mission, scene, cell_m, lambda asked, over: first_flyable(asked, over, cell_m, flyable))
    if progress:
        progress("choosing settings and lines", 1, 1)
    return plan


def _flyable(mission: Mission, scene: Scene, settings: Settings, laid: tuple[FlightLine, ...]) -> Plan:
    """Return the plan of lines as laid; raises where batteries, clearance, keep-out areas or eyes do not allow it."""
    flyer = flyer_of(mission, scene, mission.flight.hold_speed)
    kept = lines_to_fly(mission, scene, settings, laid, flyer)
    lines, sorties = sorties_of(mission, scene, kept.lines, flyer, ordered=False)
    plan = plan_of(mission, scene, lines, settings, sorties)
    if faults := unsafe_lines(mission, plan):
        raise SafetyError(*faults)
    return replace(plan, changes=tuple(change.text for change in kept.changes))


def refuse_heights(mission: Mission) -> None:
    """Refuse a vertical accuracy that no flight can keep to, be it over level ground straight below."""
    target, marks = mission.requirement.target_rmse_m, mission.checkpoints.survey_sd_m
    if target is None:
        return
    navigation, base = mission.navigation, mission.base_distance_m
    passes = 1 if mission.requirement.coverage == "single" else MOST_PASSES
    flown = "one pass" if passes == 1 else f"{passes} passes"
    floor = float(np.hypot(gnss_floor_m(navigation, base, passes), marks))
    if target < floor:
        what = (
            f"a vertical RMSE of {100 * target:.3g} cm is asked for, positions and checkpoints alone leave "
            f"{100 * floor:.3g} cm over {flown} (navigation {navigation.name}, {base / 1000:g} km from the base, "
            f"checkpoints {100 * marks:.3g} cm)"
        )
        fix = "take a better navigation card, a nearer base, better checkpoints, or ask for less"
        raise InputError(Fault("E34", what, "requirement", fix))
    lowest = mission.limits.clearance_m
    reached = float(np.hypot(least_vertical_sd_m(mission.sensor, navigation, lowest, 0.0, base, passes), marks))
    if target < reached:
        by_term = flat_covariances_m2(mission.sensor, navigation, lowest, 0.0, base)[:, 2, 2]
        most = TERMS[int(by_term.argmax())]
        what = (
            f"a vertical RMSE of {100 * target:.3g} cm is asked for; straight below, at the clearance of {lowest:g} m, "
            f"{flown} of this sensor reach {100 * reached:.3g} cm, mostly by {most}"
        )
        fix = "take a sensor or navigation card with less of it, or ask for less"
        raise InfeasibleError(
            Fault("E20", what, "requirement", fix), best=Best("vertical_rmse_m", target, reached, most)
        )


def assess(
    mission: Mission, scene: Scene, plan: Plan, *, progress: Progress | None = None, threads: int = 2
) -> Assessment:
    """Forecast a plan and gather all there is to say about it.

    Raises
    ------
    InfeasibleError
        E20 where no flight of the sensor with its navigation keeps to the vertical accuracy asked for, E20 or E42
        where the ranging principle of the sensor cannot map.
    InputError
        E34 where the accuracy is finer than positions and checkpoints allow.
    """
    refuse_sensor(mission.sensor)
    refuse_heights(mission)
    forecast = make_forecast(mission, scene, plan.lines, progress=progress, threads=threads)
    return all_told(mission, scene, plan, forecast, progress=progress, threads=threads)


def all_told(
    mission: Mission,
    scene: Scene,
    plan: Plan,
    forecast: Forecast,
    *,
    progress: Progress | None = None,
    threads: int = 2,
) -> Assessment:
    """Return all there is to say about a plan whose forecast is made."""
    quality = quality_of(mission, scene, plan, forecast, progress=progress, threads=threads)
    unsafe = unsafe_lines(mission, plan)
    safety = safety_of(mission, scene, forecast.cells, plan)
    articles = articles_of(mission, scene, plan, forecast, quality)
    cautions = cautions_of(mission, scene, plan, safety, unsafe, forecast.accuracy)
    cautions = (*cautions, *article_cautions(articles))
    assumptions = (*mission.assumptions, *method(mission, scene))
    costs = plan_costs(mission, plan)
    found = Assessment(mission, scene, plan, forecast, quality, cautions, assumptions, unsafe, safety)
    return replace(found, survey_articles=articles, costs=costs)


def review(
    mission: Mission,
    scene: Scene,
    lines: Sequence[FlightLine],
    *,
    progress: Progress | None = None,
    threads: int = 2,
) -> Assessment:
    """Assess lines that somebody drew, by the same forecast that tests our own plans."""
    drawn, sorties, unflown = _flown(mission, scene, tuple(lines))
    plan = plan_of(mission, scene, drawn, None, sorties, unflown)
    return assess(mission, scene, plan, progress=progress, threads=threads)


def resume(
    mission: Mission,
    scene: Scene,
    lines: Sequence[FlightLine],
    done: Collection[str],
    *,
    progress: Progress | None = None,
    threads: int = 2,
) -> Assessment:
    """Assess a plan of which some lines are flown: new sorties for the others, the forecast of all.

    What is left keeps its order and its directions, so that the forecast of the whole stays what it was.

    Parameters
    ----------
    mission, scene : Mission, Scene
        The job, with the take-off places and the weather of the day.
    lines : sequence of FlightLine
        The whole plan.
    done : collection of str
        Names of the lines that are flown, see `planner.survey.resuming.lines_named`.

    Raises
    ------
    InputError
        E33 where nothing is left, E30 where a take-off place cannot be used, and as `assess`.
    """
    left = lines_left(lines, done)
    if not left:
        raise InputError(Fault("E33", "all lines of the plan are done", fix="plan anew where something is missing"))
    _, sorties, unflown = _flown(mission, scene, left)
    plan = plan_of(mission, scene, tuple(lines), None, sorties, unflown, left)
    found = assess(mission, scene, plan, progress=progress, threads=threads)
    flown = ", ".join(line.line_id for line in lines if line.line_id in done) or "none"
    said = (
        f"lines already flown as planned: {flown}; times, sorties and safety are of the {len(left)} lines left, "
        f"the forecast is of all {len(lines)}"
    )
    return replace(found, assumptions=(*found.assumptions, said))


def _flown(
    mission: Mission, scene: Scene, drawn: tuple[FlightLine, ...]
) -> tuple[tuple[FlightLine, ...], tuple[Sortie, ...], tuple[Fault, ...]]:
    """Return lines in the order given, their sorties, and why there are none: lines given are judged all the same."""
    try:
        return *sorties_of(mission, scene, drawn, flyer_of(mission, scene), ordered=True), ()
    except InfeasibleError as error:
        return drawn, (), error.faults
