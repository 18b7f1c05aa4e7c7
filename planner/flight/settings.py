"""The settings of a flight and the limit that bound each.

Lives here: height, speed, rates, angle, heading and spacing, chosen for the ground as it is.
Must not know the forecast.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
import shapely

from planner.errors import InfeasibleError
from planner.flight.bounds import height_limits_m, refuse_unflyable
from planner.flight.boundwords import bound_by, turned_words
from planner.flight.corridors import longest_deg
from planner.flight.demands import DarkGround, darkest_counted
from planner.flight.flat import Task
from planner.flight.flightlines import FlightLine, Layout, lay_out, level_clearance_m, long_side_rad, turned
from planner.flight.headings import contours_rad, quickest_heading
from planner.flight.heights import fly_heights
from planner.flight.laying import CEILING_EASE_M, Flown, SiteFlown
from planner.flight.onground import places_on
from planner.flight.parting import part_lines
from planner.flight.pieces import in_pieces, split_words, task_in_pieces
from planner.flight.profile import FLOOR_STEP_M, highest_nearby
from planner.flight.strips import Corridor
from planner.flight.swath import swath_width_m
from planner.flight.winds import Wind
from planner.ground.clearance import upper_surface
from planner.ground.surface import Scene
from planner.mission import Following, Mission

Array = npt.NDArray[np.float64]

WORTH_TURNING = 0.01  # of the flight time: for less the long side is kept, so that plans stay what they are
CLIMBING_SHARE = 0.1  # of lines that would climb or sink too fast: with more, the ground is too steep to follow
ALIKE_RAD = float(np.radians(1.0))  # headings nearer to each other than this are one


@dataclass(frozen=True)
class Settings:
    """The nominal settings of a plan.

    Attributes
    ----------
    agl_m : float
        Nominal height above ground [m]; above the highest flown ground when `following` is ``"level"``, the middle of
        the band of heights above ground when it is ``"stepped"``.
    speed_mps : float
        Ground speed on lines [m/s].
    pulse_rate_hz, line_rate_hz : float
        Pulses and scan lines per second [Hz].
    usable_half_angle_deg : float
        Largest angle from the middle of the scan that is used [deg].
    line_spacing_m : float
        Distance between neighbouring lines [m].
    heading_deg : float
        Heading of the first line, of the longest leg where there are several, clockwise from true north [deg].
    sidelap : float or None
        Least share of the local swath that the neighbour also covers, 0-1; None where no line has a neighbour, or the
        sensor no swath.
    following : {"terrain", "level", "stepped"}
        Whether height follows the ground, is the same on all lines, or steps from one constant height to another.
    bound_by : mapping of str to str
        For each setting the limit that fixed it, in words.
    closest_spacing_m : float or None
        Least distance between neighbouring lines [m], `line_spacing_m` then is the most; None where they lie evenly.
    """

    agl_m: float
    speed_mps: float
    pulse_rate_hz: float
    line_rate_hz: float
    usable_half_angle_deg: float
    line_spacing_m: float
    heading_deg: float
    sidelap: float | None
    following: str
    bound_by: Mapping[str, str]
    closest_spacing_m: float | None = None


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
    heading_rad, words = _first_heading(mission, scene)
    site = _site(mission, scene, heading_rad, cell_m)
    first, others = _best_kind(site, cell_m)
    best = first
    held = mission.flight.heading_deg is not None or mission.flight.heading_along is not None
    for look in () if held or site.corridor is not None else (_quicker_site, _contour_site):
        other_site = look(site, best)
        found = None if other_site is None else _turned(other_site, best, cell_m)
        if other_site is not None and found is not None:
            site, (best, others) = other_site, found
            words = turned_words(best, first, "the quickest way" if look is _quicker_site else "contours")
    other_site = in_pieces(site, best) if site.corridor is None else site
    found = _turned(other_site, best, cell_m) if other_site.pieces else None
    if found is not None:
        words = split_words(words if held else "longest piece", best, found[0])
        site, (best, others) = other_site, found
    best, others = _parted(best, others)
    return _settings(site, best, others, words), best.lines


def _parted(best: Flown, others: list[Flown]) -> tuple[Flown, list[Flown]]:
    """Return the best flight and the others, each with lines as far apart as the local swath lets them be."""
    flown = [part_lines(option) if option.faults == best.faults else option for option in (best, *others)]
    best = min(flown, key=lambda option: (option.faults, option.time_s))
    return best, [option for option in flown if option is not best]


def _first_heading(mission: Mission, scene: Scene) -> tuple[float, str]:
    """Return the grid heading that others are held against, or that is held [rad], and why in words."""
    centre, held = shapely.centroid(scene.planned), mission.flight.heading_deg
    if held is not None:
        return float(np.radians(held)) - scene.frame.convergence_rad(centre.x, centre.y), "held by the mission"
    words = "long side of the flown area" if scene.centreline is None else "longest leg of the centreline"
    if mission.flight.heading_along == "contours":
        contours = contours_rad(scene.ground, scene.planned)
        if contours is not None:
            return contours, "along contours, held by the mission"
        words += ": its ground is flat or slopes as much whichever way, so that no contours lead"
    elif mission.flight.heading_along == "long_side":
        words += ", held by the mission"
    return long_side_rad(scene.planned), words


def _turned(other_site: SiteFlown, along: Flown, cell_m: float) -> tuple[Flown, list[Flown]] | None:
    """Return the flights along a heading that is worth leaving another one for; None where it is not."""
    try:
        best, others = _best_kind(other_site, cell_m)
    except InfeasibleError:
        return None
    saves = best.time_s < along.time_s * (1 - WORTH_TURNING)
    return (best, others) if best.faults < along.faults or (saves and best.faults == along.faults) else None


def _best_kind(site: SiteFlown, cell_m: float) -> tuple[Flown, list[Flown]]:
    """Return the best flight along a heading, and those of other kinds where they are open and there are any.

    Steps are tried where neither what follows the ground nor what is level keeps density and ceiling, and where climb
    or descent keep lines from following the ground; they must not be farther over the ceiling than either.
    """
    held = site.mission.flight.following
    kinds: tuple[Following, ...] = (held,) if held else ("terrain", "level")
    task = _task(site.mission, site.scene, site.heading_rad, site.dark, cell_m)
    flown, refusals = _flown_kinds(site, task, kinds)
    if not held and all(any(option.faults) or _climb_binds(site, option) for option in flown):
        least_m = max(min((option.over_ceiling_m for option in flown), default=np.inf), CEILING_EASE_M)
        flown += [one for one in _flown_kinds(site, task, ("stepped",))[0] if one.over_ceiling_m <= least_m]
    if not flown:
        raise refusals[0]
    best = min(flown, key=lambda option: (option.faults, option.time_s))
    return best, [option for option in flown if option is not best]


def _flown_kinds(site: SiteFlown, task: Task, kinds: Sequence[Following]) -> tuple[list[Flown], list[InfeasibleError]]:
    """Return the best flight of each kind that there is one of, and why there is none of others."""
    flown, refusals = [], []
    for following in kinds:
        try:
            flown.append(_fly_kind(site, task, following))
        except InfeasibleError as refusal:
            refusals.append(refusal)
    return flown, refusals


def _climb_binds(site: SiteFlown, flown: Flown) -> bool:
    """Return whether climb or descent keep lines that follow the ground from the greatest speed that is open."""
    aircraft = flown.going.aircraft
    if flown.following != "terrain":
        return False
    speed = site.mission.flight.speed_mps or aircraft.max_speed_mps
    rises = np.concatenate([np.diff(line.points_m[:, 2]) / np.diff(line.along_m()) for line in flown.lines])
    limits = (1 - 1e-6) * np.array([-aircraft.descent_mps, aircraft.climb_mps]) / speed
    return float(np.mean((rises < limits[0]) | (rises > limits[1]))) > CLIMBING_SHARE


def _quicker_site(site: SiteFlown, flown: Flown) -> SiteFlown | None:
    """Return the site with the heading that flies it quickest in the manner found; None where the long side will do."""
    scene, mission = site.scene, site.mission
    spacing, rims = flown.spacing_asked_m, flown.rims_m
    held_spacing = mission.flight.line_spacing_m is not None

    def lay(heading_rad: float) -> Layout:
        return lay_out(scene.planned, scene.area, heading_rad, spacing, rims, held_spacing)

    found_rad, time_s, long_side_s = quickest_heading(scene.planned, lay, flown.going, site.heading_rad)
    return _heading_for(site, found_rad) if time_s < long_side_s * (1 - WORTH_TURNING) else None


def _contour_site(site: SiteFlown, flown: Flown) -> SiteFlown | None:
    """Return the site flown along contours; None where it has none, or where nothing asks to keep from slopes."""
    if flown.following != "stepped" and not any(flown.faults) and not _climb_binds(site, flown):
        return None
    found_rad = contours_rad(site.scene.ground, site.scene.planned)
    if found_rad is None or abs(np.sin(found_rad - site.heading_rad)) < ALIKE_RAD:
        return None
    return _heading_for(site, found_rad)


def _heading_for(site: SiteFlown, heading_rad: float) -> SiteFlown:
    true_deg = site.true_heading_deg + float(np.degrees(heading_rad - site.heading_rad))
    return replace(site, heading_rad=heading_rad, true_heading_deg=true_deg % 360)


def _site(mission: Mission, scene: Scene, heading_rad: float, cell_m: float) -> SiteFlown:
    """Return what all flights over a scene share, at a grid heading [rad]."""
    centre = shapely.centroid(scene.planned)
    convergence = scene.frame.convergence_rad(centre.x, centre.y)
    held = mission.flight.heading_deg
    clearance = mission.limits.clearance_m
    doubt = float(np.hypot(mission.terrain.vertical_sd_m, scene.frame_doubt_m))
    # What is this far from both ends of a step is far enough from all of it.
    kept_off = float(np.hypot(clearance + doubt, FLOOR_STEP_M / 2))
    conditions = mission.conditions
    return SiteFlown(
        mission=mission,
        scene=scene,
        heading_rad=heading_rad,
        true_heading_deg=float(np.degrees(heading_rad + convergence)) % 360 if held is None else held % 360,
        wind=Wind(conditions.wind_mps, float(np.radians(conditions.wind_from_deg)) - convergence),
        ground_nearby=highest_nearby(scene.ground, clearance, known_only=True),
        top_nearby=highest_nearby(upper_surface(scene), level_clearance_m(kept_off)),
        clearance_m=kept_off,
        ground_m=_planned_ground_m(scene),
        places=places_on(scene.top, scene.layers.solid(), scene.area, cell_m),
        dark=darkest_counted(mission, scene),
        corridor=_corridor(mission, scene),
    )


def _corridor(mission: Mission, scene: Scene) -> Corridor | None:
    left, right = mission.site.width_left_m, mission.site.width_right_m
    if scene.centreline is None or left is None or right is None:
        return None
    return Corridor(scene.centreline, left, right, mission.site.buffer_m)


def flat_task(mission: Mission, scene: Scene, heading_deg: float, cell_m: float) -> Task:
    """Return what a search over flat ground is asked along a heading, clockwise from true north [deg].

    Parameters
    ----------
    mission, scene
        The job.
    heading_deg : float
        As `Settings.heading_deg`.
    cell_m : float
        Side of the cell that counts the density [m].
    """
    centre = shapely.centroid(scene.planned)
    heading_rad = float(np.radians(heading_deg)) - scene.frame.convergence_rad(centre.x, centre.y)
    return _task(mission, scene, heading_rad, darkest_counted(mission, scene), cell_m)


def _task(mission: Mission, scene: Scene, heading_rad: float, dark: DarkGround | None, cell_m: float) -> Task:
    corridor = _corridor(mission, scene)
    if corridor is not None:
        return _corridor_task(mission, corridor, corridor.width_m, dark, cell_m)
    start, south, end, north = turned(scene.planned, heading_rad).bounds
    _, judged_south, _, judged_north = turned(scene.area, heading_rad).bounds
    low, high = height_limits_m(mission)
    across = north - south, judged_north - judged_south
    return Task(mission.requirement.target_per_m2, cell_m, end - start, *across, low, high, dark=dark)


def _corridor_task(
    mission: Mission, corridor: Corridor, width_m: float, dark: DarkGround | None, cell_m: float
) -> Task:
    """Return what is asked along a corridor whose legs have a width [m]: swaths that reach over it by the sidelap."""
    requirement = mission.requirement
    across = (width_m + 2 * corridor.buffer_m) / (1 - requirement.sidelap_min)
    length = corridor.centreline.length + 2 * corridor.buffer_m
    return Task(requirement.target_per_m2, cell_m, length, across, width_m, *height_limits_m(mission), dark=dark)


def _fly_kind(site: SiteFlown, task: Task, following: Following) -> Flown:
    """Return the best flight of one kind, the one of a search that has the legs found in view among them."""
    flown = fly_heights(site, task, following)
    other = _task_of_legs(site, task, flown)
    if other is None:
        return flown
    try:
        return min(flown, fly_heights(site, other, following), key=lambda option: (option.faults, option.time_s))
    except InfeasibleError:
        return flown


def _task_of_legs(site: SiteFlown, task: Task, flown: Flown) -> Task | None:
    """Return what a search is asked where swaths are to hold the bends of a winding corridor, or for an area in pieces.

    None where neither is flown.
    """
    if site.pieces:
        return task_in_pieces(task, site.pieces)
    corridor = site.corridor
    if corridor is None or flown.abreast == 1:
        return None
    widths = [float(np.ptp(turned(leg.judged, leg.layout.heading_rad).bounds[1::2])) for leg in flown.legs]
    return _corridor_task(site.mission, corridor, max(widths), site.dark, task.cell_m)


def _planned_ground_m(scene: Scene) -> Array:
    """Return the known heights of the ground that is flown over [m], shape (n,); all that is known if none is."""
    grid = scene.ground
    rows, cols = grid.heights_m.shape
    east = grid.west_m + np.arange(cols) * grid.spacing_m
    north = grid.north_m - np.arange(rows) * grid.spacing_m
    within = shapely.contains_xy(scene.planned, *np.meshgrid(east, north)) & grid.known
    return grid.heights_m[within if within.any() else grid.known]


def _settings(site: SiteFlown, best: Flown, others: list[Flown], heading_words: str) -> Settings:
    candidate = best.candidate
    several = site.corridor is not None or (site.pieces and site.mission.flight.heading_deg is None)
    return Settings(
        agl_m=candidate.agl_m,
        speed_mps=best.speed_mps,
        pulse_rate_hz=candidate.rating.pulse_rate_hz,
        line_rate_hz=candidate.line_rate_hz,
        usable_half_angle_deg=float(np.degrees(candidate.half_angle_rad)),
        line_spacing_m=best.spacing_m,
        heading_deg=longest_deg(site.scene.frame, best.lines) if several else site.true_heading_deg,
        sidelap=_sidelap(best),
        following=best.following,
        bound_by=bound_by(site, best, others, heading_words),
        closest_spacing_m=None if best.even else best.closest_m,
    )


def _sidelap(flown: Flown) -> float | None:
    """Return the least share of the local swath that a neighbour covers, of a flat one where none is seen from edge on.

    None where there are no neighbours or no swath.
    """
    candidate = flown.candidate
    if flown.abreast == 1 or not candidate.half_angle_rad:
        return None
    seen = flown.swaths.least_sidelap()
    flat_m = float(swath_width_m(candidate.agl_m, candidate.half_angle_rad))
    return max(seen if np.isfinite(seen) else 1 - flown.spacing_m / flat_m, 0.0)
