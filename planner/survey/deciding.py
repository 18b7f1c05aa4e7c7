"""What a plan's decisions trade for what: the front of its settings, and the price of each clause.

Lives here: what weighing settings needs of a plan, its batteries and its rates. Must not know files or the forecast.
"""

from collections.abc import Sequence
from dataclasses import replace
from decimal import Decimal

import numpy as np
import numpy.typing as npt
import shapely

from planner.assessment import Plan
from planner.costing.costs import Costs, costs_of
from planner.errors import InfeasibleError
from planner.flight.energy import drawn_s
from planner.flight.flat import Task
from planner.flight.flightlines import FlightLine, Manner
from planner.flight.headingcurve import HeadingCurve, heading_curve
from planner.flight.headings import Going
from planner.flight.loads import TourCosts
from planner.flight.pieces import task_over
from planner.flight.quicker import effort
from planner.flight.search import search
from planner.flight.settings import Settings, flat_task
from planner.flight.tours import tour_of
from planner.flight.tradeoffs import Saving, SavingOf, Tradeoffs, tradeoffs
from planner.forecast.density import judging_cell_m
from planner.ground.surface import Scene, cells_on
from planner.mission import Mission
from planner.survey.flying import flyer_of
from planner.survey.tightening import tightened
from planner.survey.watching import sight_of

Array = npt.NDArray[np.float64]

LAID, CALIBRATING = "L", "X"
"""What names of lines begin with that cover the area, and of those for calibration, which are flown as fast."""

ASIDE, MOST_ASIDE = 49, 3.0
"""Places across a swath where ground is looked up, and how many times as wide as over level ground it may be."""

ONE_WAY = 0.02
"""Sine of the angle within which lines count as parallel."""


def planned_cell_m(mission: Mission, scene: Scene) -> float:
    """Return the side of the cell that counts the density before scan lines are known [m]."""
    requirement = mission.requirement
    return cells_on(scene.top, judging_cell_m(requirement, requirement.target_per_m2, 0.0)).cell_m


def tradeoffs_of(mission: Mission, scene: Scene, plan: Plan) -> Tradeoffs | None:
    """Return what a plan of ours trades for what over flat ground along its heading, and what its clauses cost.

    None for lines that somebody drew, and where no settings keep what is asked over flat ground.
    """
    if plan.settings is None:
        return None
    cell_m = planned_cell_m(mission, scene)
    planned = tightened(mission)
    flat = flat_task(planned, scene, plan.settings.heading_deg, cell_m)
    if scene.centreline is None:
        laid = [line for line in plan.lines if line.line_id.startswith(LAID)]
        half_m = plan.settings.agl_m * float(np.tan(np.radians(plan.settings.usable_half_angle_deg)))
        flat = task_over(flat, scene, laid, plan.settings.line_spacing_m, half_m)
    saving = saving_of(mission, scene, plan)
    deep = _as_deep(flat, scene, plan.settings, plan)
    try:
        found = tradeoffs(planned, deep if _meets(planned, deep) else flat, saving)
    except InfeasibleError:
        return None
    return replace(found, headings=headings_of(mission, scene, plan, plan.settings))


def _meets(mission: Mission, task: Task) -> bool:
    """Return whether any settings keep the density down to the deepest ground: a plan may leave some of it below."""
    try:
        return search(mission, task).density_per_m2 >= task.target_per_m2 * (1 - 1e-9)
    except InfeasibleError:
        return False


def _as_deep(flat: Task, scene: Scene, settings: Settings, plan: Plan) -> Task:
    """Return a task over ground that lies as far below nominal height as it does within the swaths of the plan.

    Beneath the lines it lies less far: that is what the ceiling leaves room for.
    """
    beneath = [one.agl_max_m for one in plan.figures if one.line_id.startswith(LAID) and np.isfinite(one.agl_max_m)]
    over_m = max(max(beneath, default=0.0) - settings.agl_m, 0.0)
    highest = min(max(flat.greatest_agl_m - over_m, settings.agl_m), flat.greatest_agl_m)
    return replace(flat, deeper_m=max(deepest_m(scene, settings, plan) - settings.agl_m, 0.0), greatest_agl_m=highest)


def deepest_m(scene: Scene, settings: Settings, plan: Plan) -> float:
    """Return how far the lowest ground within the opening lies below the laid lines [m]; what hides it is left out."""
    slope, deepest = float(np.tan(np.radians(settings.usable_half_angle_deg))), 0.0
    for line in plan.lines:
        if not line.line_id.startswith(LAID):
            continue
        points, right = line.kept_points_m(), np.array([np.cos(line.track_rad), -np.sin(line.track_rad)])
        aside = np.linspace(-1, 1, ASIDE) * MOST_ASIDE * settings.agl_m * slope
        east, north = (points[:, axis, np.newaxis] + aside * right[axis] for axis in (0, 1))
        below = points[:, 2:] - scene.ground.at(east, north)
        seen = (np.abs(aside) <= below * slope) & shapely.contains_xy(scene.planned, east, north)
        deepest = max(deepest, float(np.max(below, initial=0.0, where=seen & np.isfinite(below))))
    return deepest


def headings_of(mission: Mission, scene: Scene, plan: Plan, settings: Settings) -> HeadingCurve | None:
    """Return how long the settings take along each heading over one block; None where not all lines run one way."""
    ways = np.array([line.track_rad for line in plan.lines if line.line_id.startswith(LAID)])
    if scene.centreline is not None or np.any(np.abs(np.sin(ways - ways[:1])) > ONE_WAY):
        return None
    flyer, speed = flyer_of(mission, scene), settings.speed_mps
    climb_mps, descent_mps = flyer.rates_mps
    half_rad = float(np.radians(settings.usable_half_angle_deg))
    edge_m = settings.agl_m * float(np.tan(half_rad)) or settings.line_spacing_m / 2
    manner = Manner(
        speed_mps=speed,
        pulse_rate_hz=settings.pulse_rate_hz,
        line_rate_hz=settings.line_rate_hz,
        usable_half_angle_rad=half_rad,
        lead_m=mission.aircraft.settle_s * speed,
        extend_m=0.0,
        climb_slope=climb_mps / speed,
        descent_slope=descent_mps / speed,
        level_m=None,
    )
    ground_m = None if settings.following == "level" else scene.ground.at
    going = Going(flyer.aircraft, manner, flyer.wind, mission.flight.hold_speed, ground_m)
    centre = shapely.centroid(scene.planned)
    convergence_rad = scene.frame.convergence_rad(centre.x, centre.y)
    areas, rims_m = (scene.planned, scene.area), (edge_m, edge_m)
    widest_m = settings.line_spacing_m
    typical_m = (widest_m + (settings.closest_spacing_m or widest_m)) / 2
    return heading_curve(areas, typical_m, rims_m, going, convergence_rad, settings.heading_deg)


def plan_costs(mission: Mission, plan: Plan) -> Costs | None:
    """Return what a plan costs by the rates of its mission, with no sorties where it has none; None without rates."""
    return costs_of(mission.rates, _air_s(plan), len(plan.sorties))


def saving_of(mission: Mission, scene: Scene, plan: Plan) -> SavingOf:
    """Return what tells what a plan saves where its lines and the turns between them need a share of their time.

    That share is one of closed forms over flat ground; here it is applied to the time that the plan itself takes. Its
    own order of lines is split anew into batteries, with the ways there and back from its own take-off places. Lines
    for calibration change with the speed alone, for there are as many of them whatever the spacing; patches stay as
    they are: what they would become only a new plan with its forecast can tell. Whoever need not use what is eased can
    fly the plan as it is, so nothing is ever lost.
    """
    lines = [line for sortie in plan.sorties for line in sortie.lines]
    if not lines:
        return _of_lines_alone(mission, plan)
    costs, full_s = _tour_costs(mission, scene, plan, lines)
    try:
        before = effort(costs, mission.aircraft, full_s)
    except InfeasibleError:  # a sortie that uses its battery to the last second may not be found again
        return _of_lines_alone(mission, plan)

    def saving(share: float, along: float) -> Saving:
        try:
            after = effort(costs, mission.aircraft, full_s, _shares(lines, share, along))
        except InfeasibleError:  # more sorties in better sight than there are batteries
            after = before
        minutes = max(before.day_s - after.day_s, 0.0) / 60
        sorties = max(before.sorties - after.sorties, 0)
        return Saving(minutes, sorties, _money(mission, plan, max(before.air_s - after.air_s, 0.0), sorties))

    return saving


def _of_lines_alone(mission: Mission, plan: Plan) -> SavingOf:
    """Return savings of lines and turns, without batteries."""
    times = np.array([line.along_m()[-1] / line.speed_mps for line in plan.lines])

    def saving(share: float, along: float) -> Saving:
        left = float(times @ _shares(plan.lines, share, along)) / float(times.sum())
        saved_s = max(1 - left, 0.0) * _air_s(plan)
        return Saving(saved_s / 60, None, _money(mission, plan, saved_s, 0))

    return saving


def _shares(lines: Sequence[FlightLine], share: float, along: float) -> Array:
    """Return what is left of the time of each line, shape (n,)."""
    left = {LAID: share, CALIBRATING: along}
    return np.array([left.get(line.line_id[:1], 1.0) for line in lines])


def _tour_costs(mission: Mission, scene: Scene, plan: Plan, lines: Sequence[FlightLine]) -> tuple[TourCosts, float]:
    """Return what the plan's tour costs from its own take-off places, and what a full battery of the day holds [s]."""
    places = list({sortie.take_off_m.tobytes(): sortie.take_off_m for sortie in plan.sorties}.values())
    flyer, first = flyer_of(mission, scene), plan.sorties[0]
    full_s = drawn_s(flyer.aircraft, first.path) / first.battery_share_used
    usable_s = full_s * (1 - flyer.aircraft.battery_reserve_share)
    return tour_of(flyer, lines, places, usable_s, sight_of(mission, scene, places)).costs, full_s


def _money(mission: Mission, plan: Plan, air_s: float, sorties: int) -> Decimal | None:
    """Return what is saved with time in the air [s] and sorties: the plan's costs less those without them."""
    now = plan_costs(mission, plan)
    then = costs_of(mission.rates, max(_air_s(plan) - air_s, 0.0), max(len(plan.sorties) - sorties, 0))
    return None if now is None or then is None else now.total - then.total


def _air_s(plan: Plan) -> float:
    """Return the time in the air [s]; without sorties that of lines and turns in calm air."""
    times = plan.flight["time_s"]
    return float(times["total"] - times.get("swap", 0.0))
