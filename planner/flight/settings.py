"""The settings of a flight and the limit that bound each.

Lives here: height, speed, rates, angle, heading and spacing, chosen for the ground as it is.
Must not know the forecast.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
import shapely

from planner.errors import InfeasibleError
from planner.flight.bounds import height_limits_m, reasons, refuse_unflyable
from planner.flight.flightlines import FlightLine, Layout, Manner, fly_lines, lay_out, long_side_rad, turned
from planner.flight.overlap import LocalSwaths, local_swaths
from planner.flight.profile import FLOOR_STEP_M, Floor, HighestNearby, highest_nearby
from planner.flight.search import (
    Candidate,
    Task,
    alone_m,
    fastest_flown_mps,
    flown_pattern,
    least_per_m_s,
    reached_rad,
    round_down_mps,
    search,
)
from planner.flight.sorties import flight_figures
from planner.flight.swath import along_half_angle_rad, swath_width_m
from planner.ground.clearance import upper_surface
from planner.ground.surface import Scene
from planner.mission import Following, Mission
from planner.ranging.beams import scan_tilt_rad

Array = npt.NDArray[np.float64]

LEAST_SHRINK = 0.4  # of the nominal spacing: one rise of the ground must not pull all lines together
SHRINK = 0.85  # of the spacing at most in one round: the lines then run elsewhere and may meet lower ground
ROUNDS = 8  # of laying lines anew with what the last ones met
DEPTH_ROUNDS = 3  # of searching anew with the ground found below nominal height
CEILING_EASE_M = 0.5  # over the ceiling by less than this does not decide between two ways to fly
DEPTHS = 33  # heights judged from nominal height down to the deepest ground
NEAR_M = 1.0  # change in depth that is not worth another search


@dataclass(frozen=True)
class Settings:
    """The nominal settings of a plan.

    Attributes
    ----------
    agl_m : float
        Nominal height above ground [m]; above the highest flown ground when `following` is ``"level"``.
    speed_mps : float
        Ground speed on lines [m/s].
    pulse_rate_hz, line_rate_hz : float
        Pulses and scan lines per second [Hz].
    usable_half_angle_deg : float
        Largest angle from the middle of the scan that is used [deg].
    line_spacing_m : float
        Distance between neighbouring lines [m].
    heading_deg : float
        Heading of the first line, clockwise from true north [deg].
    sidelap : float
        Least share of the local swath that the neighbour also covers, 0-1.
    following : {"terrain", "level"}
        Whether height follows the ground.
    bound_by : mapping of str to str
        For each setting the limit that fixed it, in words.
    """

    agl_m: float
    speed_mps: float
    pulse_rate_hz: float
    line_rate_hz: float
    usable_half_angle_deg: float
    line_spacing_m: float
    heading_deg: float
    sidelap: float
    following: str
    bound_by: Mapping[str, str]


@dataclass(frozen=True)
class _Site:
    """What all flights over a scene share: heading, the ground flown over and the ground near every place."""

    mission: Mission
    scene: Scene
    heading_rad: float
    true_heading_deg: float
    ground_nearby: HighestNearby
    top_nearby: HighestNearby
    clearance_m: float
    ground_m: Array

    @property
    def highest_m(self) -> float:
        return float(self.ground_m.max())


@dataclass(frozen=True)
class _Flown:
    """A candidate laid over the site; speeds wanted are for the ground it was laid for and for the judged share."""

    candidate: Candidate
    following: Following
    layout: Layout
    lines: tuple[FlightLine, ...]
    swaths: LocalSwaths
    spacing_wanted_m: float
    speed_wanted_mps: float
    speed_judged_mps: float
    time_s: float
    over_ceiling_m: float

    @property
    def speed_mps(self) -> float:
        return self.lines[0].speed_mps

    @property
    def short(self) -> bool:
        """Whether more of the ground than the requirement allows stays below the density at the speed flown."""
        return self.speed_judged_mps < self.speed_mps * (1 - 1e-9)


def choose_flight(mission: Mission, scene: Scene, cell_m: float) -> tuple[Settings, tuple[FlightLine, ...]]:
    """Return the quickest flight that keeps the density on the ground as it is, with its lines.

    What the mission holds is held. The rest comes from a grid of closed forms over flat ground; then lines are laid,
    their swaths followed to the top surface, spacing drawn in where the ground rises and speed lowered where it falls.

    Parameters
    ----------
    mission : Mission
        What is asked.
    scene : Scene
        The site.
    cell_m : float
        Side of the cell that counts the density [m].

    Raises
    ------
    InputError
        E18: a held rate is none of the card's. E33: a held speed the aircraft cannot fly.
    InfeasibleError
        E19 density, E21 range, E22 minimum range, E25 no height below the ceiling, E41 held spacing leaves gaps.
    SafetyError
        E23: the held height is below the clearance.
    """
    refuse_unflyable(mission)
    site = _site(mission, scene)
    kinds: tuple[Following, ...] = (mission.flight.following,) if mission.flight.following else ("terrain", "level")
    flown, refusals = [], []
    for following in kinds:
        try:
            flown.append(_fly(site, _task(site, cell_m), following))
        except InfeasibleError as refusal:
            refusals.append(refusal)
    if not flown:
        raise refusals[0]
    best = min(flown, key=lambda option: (option.short, option.over_ceiling_m > CEILING_EASE_M, option.time_s))
    return _settings(site, best, [option for option in flown if option is not best]), best.lines


def _site(mission: Mission, scene: Scene) -> _Site:
    centre = shapely.centroid(scene.planned)
    convergence = scene.frame.convergence_rad(centre.x, centre.y)
    held = mission.flight.heading_deg
    heading = long_side_rad(scene.planned) if held is None else float(np.radians(held)) - convergence
    clearance = mission.limits.clearance_m
    doubt = float(np.hypot(mission.terrain.vertical_sd_m, scene.frame_doubt_m))
    # What is this far from both ends of a step is far enough from all of it.
    kept_off = float(np.hypot(clearance + doubt, FLOOR_STEP_M / 2))
    return _Site(
        mission=mission,
        scene=scene,
        heading_rad=heading,
        true_heading_deg=float(np.degrees(heading + convergence)) % 360 if held is None else held % 360,
        ground_nearby=highest_nearby(scene.ground, clearance, known_only=True),
        top_nearby=highest_nearby(upper_surface(scene), kept_off),
        clearance_m=kept_off,
        ground_m=_planned_ground_m(scene),
    )


def _task(site: _Site, cell_m: float) -> Task:
    start, south, end, north = turned(site.scene.planned, site.heading_rad).bounds
    _, judged_south, _, judged_north = turned(site.scene.area, site.heading_rad).bounds
    low, high = height_limits_m(site.mission)
    target = site.mission.requirement.target_per_m2
    return Task(target, cell_m, end - start, north - south, judged_north - judged_south, low, high)


def _fly(site: _Site, task: Task, following: Following) -> _Flown:
    """Return the best flight of one kind.

    The density is kept to the deepest ground in the area; where no settings can, to all but the share of the ground
    that the requirement lets lie below; where none can do that either, at nominal height: the forecast then says
    where it falls short.
    """
    flown, refusals = [], []
    for percent in (100.0, 100.0 - site.mission.requirement.percentile, 0.0):
        try:
            flown.append(_fly_to_depth(site, task, following, percent))
        except InfeasibleError as refusal:
            refusals.append(refusal)
            continue
        enough = flown[-1].speed_wanted_mps >= flown[-1].speed_mps * (1 - 1e-9)
        if enough or site.mission.flight.speed_mps:
            break
    if not flown:
        raise refusals[0]
    return flown[-1]


def _fly_to_depth(site: _Site, task: Task, following: Following, percent: float) -> _Flown:
    """Return the flight found once the search knows how far the ground lies below nominal height."""
    level = following == "level"
    deeper = site.highest_m - float(np.percentile(site.ground_m, 100 - percent)) if level else 0.0
    over = float(np.ptp(site.ground_m)) if level else 0.0
    for _ in range(DEPTH_ROUNDS):
        ceiling = max(task.greatest_agl_m - over, task.least_agl_m)
        candidate = search(site.mission, replace(task, deeper_m=deeper, greatest_agl_m=ceiling))
        flown = _lay(site, task, candidate, following, percent)
        found = flown.swaths.deepest_m(percent) - candidate.agl_m
        low_enough = flown.over_ceiling_m <= 0 or candidate.agl_m <= task.least_agl_m + NEAR_M
        if found <= deeper + NEAR_M and (low_enough or site.mission.flight.agl_m):
            break
        deeper, over = max(found, deeper), over + max(flown.over_ceiling_m, 0.0)
    return flown


def _lay(site: _Site, task: Task, candidate: Candidate, following: Following, percent: float) -> _Flown:
    """Lay a candidate's lines over the ground, drawing spacing and speed in until the ground agrees with both."""
    mission, scene = site.mission, site.scene
    held_spacing = mission.flight.line_spacing_m is not None
    spacing, speed = candidate.spacing_m, candidate.speed_mps
    floor = Floor(scene.ground, site.ground_nearby, site.top_nearby, candidate.agl_m, site.clearance_m, scene.obstacles)
    for number in range(ROUNDS):
        tilt = scan_tilt_rad(mission.sensor, mission.aircraft, speed)
        rims = _rims_m(mission, task, candidate, spacing, speed)
        layout = lay_out(scene.planned, scene.area, site.heading_rad, spacing, rims, held_spacing)
        lines = fly_lines(layout, floor, _manner(site, candidate, speed, tilt, following))
        swaths = local_swaths(scene, layout, lines, tilt)
        wanted_m = spacing if held_spacing or not candidate.half_angle_rad else _spacing_wanted_m(mission, swaths)
        wanted_mps = _speed_wanted_mps(mission, task, candidate, layout.spacing_m, swaths.deepest_m(percent))
        closest = max(wanted_m, LEAST_SHRINK * candidate.spacing_m)
        closer = layout.spacing_m > closest * (1 + 1e-6)
        low = mission.aircraft.min_speed_mps
        best_mps = float(round_down_mps(np.clip(wanted_mps, low, mission.aircraft.max_speed_mps), low))
        best_mps = mission.flight.speed_mps or best_mps
        # After the first round the speed only falls: slower lines climb steeper and so lie no higher.
        faster = number == 0 and best_mps > speed
        if not (closer or faster or best_mps < speed):
            break
        spacing = max(closest, SHRINK * layout.spacing_m) if closer else spacing
        speed = best_mps if faster else min(best_mps, speed)
    judged_m = swaths.deepest_m(100.0 - mission.requirement.percentile)
    judged_mps = _speed_wanted_mps(mission, task, candidate, layout.spacing_m, judged_m)
    heights = np.concatenate([line.points_m for line in lines])
    above = heights[:, 2] - scene.ground.at(heights[:, 0], heights[:, 1])
    over = float(np.max(above, initial=-np.inf, where=np.isfinite(above))) - mission.limits.ceiling_agl_m
    time = flight_figures(lines, mission.aircraft, mission.sensor, scene.frame)["time_s"]["total"]
    return _Flown(candidate, following, layout, lines, swaths, wanted_m, wanted_mps, judged_mps, time, over)


def _rims_m(
    mission: Mission, task: Task, candidate: Candidate, spacing_m: float, speed_mps: float
) -> tuple[float, float]:
    """Return how far the outermost line may lie from the edge of the flown and of the judged area [m].

    The swath must reach the first; the pass alone must meet the density to the second. Both shrink with the spacing.
    """
    if not candidate.half_angle_rad:
        return spacing_m / 2, spacing_m / 2
    shrunk = min(spacing_m / candidate.spacing_m, 1.0)
    edge = float(swath_width_m(candidate.agl_m, candidate.half_angle_rad)) / 2
    pattern = flown_pattern(mission, candidate.rating, candidate.line_rate_hz, candidate.half_angle_rad)
    alone = float(alone_m(mission, task, pattern, candidate.agl_m, speed_mps))
    return edge * shrunk, min(alone, edge) * shrunk


def _manner(site: _Site, candidate: Candidate, speed_mps: float, tilt_rad: float, following: Following) -> Manner:
    aircraft, limits = site.mission.aircraft, site.mission.limits
    pattern = flown_pattern(site.mission, candidate.rating)
    ahead_rad = along_half_angle_rad(replace(pattern, forward_tilt_rad=tilt_rad))
    return Manner(
        speed_mps=speed_mps,
        pulse_rate_hz=candidate.rating.pulse_rate_hz,
        line_rate_hz=candidate.line_rate_hz,
        usable_half_angle_rad=candidate.half_angle_rad,
        lead_m=aircraft.settle_s * speed_mps,
        extend_m=candidate.agl_m * float(np.tan(ahead_rad)),
        climb_slope=min(aircraft.climb_mps, limits.climb_mps or np.inf) / speed_mps,
        descent_slope=min(aircraft.descent_mps, limits.descent_mps or np.inf) / speed_mps,
        level_m=site.highest_m + candidate.agl_m if following == "level" else None,
    )


def _spacing_wanted_m(mission: Mission, swaths: LocalSwaths) -> float:
    return (1 - mission.requirement.sidelap_min) * swaths.least_shared_m()


def _speed_wanted_mps(mission: Mission, task: Task, candidate: Candidate, spacing_m: float, deepest_m: float) -> float:
    """Return the highest speed [m/s] that keeps the density from nominal height down to the deepest ground counted."""
    if not candidate.half_angle_rad:
        return candidate.rating.pulse_rate_hz / (task.target_per_m2 * spacing_m)
    heights = np.linspace(candidate.agl_m, max(deepest_m, candidate.agl_m), DEPTHS)
    least = _least_per_m_s(mission, candidate, heights, spacing_m)
    pattern = flown_pattern(mission, candidate.rating, candidate.line_rate_hz, candidate.half_angle_rad)
    return float(fastest_flown_mps(mission, task, pattern, least, candidate.agl_m))


def _least_per_m_s(mission: Mission, candidate: Candidate, heights_m: Array, spacing_m: float) -> float:
    """Return the least density at 1 m/s [1/(m s)] from any of the heights [m]."""
    reached = reached_rad(mission, candidate.rating, heights_m)
    spacings = np.full((heights_m.size, 1), spacing_m)
    return float(least_per_m_s(mission, candidate.rating, candidate.half_angle_rad, heights_m, reached, spacings).min())


def _planned_ground_m(scene: Scene) -> Array:
    """Return the known heights of the ground that is flown over [m], shape (n,); all that is known if none is."""
    grid = scene.ground
    rows, cols = grid.heights_m.shape
    east = grid.west_m + np.arange(cols) * grid.spacing_m
    north = grid.north_m - np.arange(rows) * grid.spacing_m
    within = shapely.contains_xy(scene.planned, *np.meshgrid(east, north)) & grid.known
    return grid.heights_m[within if within.any() else grid.known]


def _settings(site: _Site, best: _Flown, others: list[_Flown]) -> Settings:
    candidate, spacing = best.candidate, best.layout.spacing_m
    shared = best.swaths.least_shared_m()
    nominal = float(swath_width_m(candidate.agl_m, candidate.half_angle_rad))
    least_sidelap = 1 - spacing / (shared if np.isfinite(shared) else nominal) if candidate.half_angle_rad else 0.0
    return Settings(
        agl_m=candidate.agl_m,
        speed_mps=best.speed_mps,
        pulse_rate_hz=candidate.rating.pulse_rate_hz,
        line_rate_hz=candidate.line_rate_hz,
        usable_half_angle_deg=float(np.degrees(candidate.half_angle_rad)),
        line_spacing_m=spacing,
        heading_deg=site.true_heading_deg,
        sidelap=max(least_sidelap, 0.0),
        following=best.following,
        bound_by=_bound_by(site.mission, best, others),
    )


def _bound_by(mission: Mission, best: _Flown, others: list[_Flown]) -> dict[str, str]:
    """Return for each setting what fixed it, in words."""
    words = reasons(mission, best.candidate, best.speed_mps, best.short, best.spacing_wanted_m, len(best.lines))
    words["following"] = "the other kind meets no settings"
    for other in others:
        if other.short != best.short:
            words["following"] = "keeps the density, the other kind does not"
        elif (other.over_ceiling_m > CEILING_EASE_M) != (best.over_ceiling_m > CEILING_EASE_M):
            words["following"] = f"keeps the ceiling, {other.following} exceeds it by {other.over_ceiling_m:.0f} m"
        else:
            words["following"] = (
                f"{best.time_s / 60:.1f} min against {other.time_s / 60:.1f} min flying {other.following}"
            )
    return words | {name: "held by the mission" for name in words if getattr(mission.flight, name, None) is not None}
