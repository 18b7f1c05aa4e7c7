"""The lines of a plan, clear of keep-out areas and none too long for the inertial unit where that is asked.

Lives here: what avoidance, calibration lines and cuts need of a mission. Must not know sorties or the forecast.
"""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from planner.errors import Fault, InfeasibleError
from planner.flight.avoidance import LEAST_M, ClosedVolumes, Kept, Profile, keep_clear
from planner.flight.corridors import beside_longest, longest_block
from planner.flight.cuts import cut_drifting
from planner.flight.extra import calibration_lines
from planner.flight.flightlines import FlightLine
from planner.flight.ordering import reversed_line
from planner.flight.paths import Flyer, LeastHeight, line_speed_mps
from planner.flight.profile import FLOOR_STEP_M, Floor, highest_nearby
from planner.flight.settings import Settings
from planner.flight.stepping import least_stepped_agl_m
from planner.ground.clearance import upper_surface
from planner.ground.surface import Scene
from planner.mission import Mission


def lines_to_fly(
    mission: Mission, scene: Scene, settings: Settings, laid: tuple[FlightLine, ...], flyer: Flyer
) -> Kept:
    """Return lines as laid and those for calibration, clear of keep-out areas, cut where the mission asks for it.

    Raises
    ------
    InfeasibleError
        E31 where keep-out areas leave none of the lines that cover the area.
    """
    zones = closed_volumes(mission, scene)
    cleared = Kept(laid)
    if scene.keep_outs:
        stepped, level = settings.following == "stepped", settings.following != "terrain"
        least_m = least_stepped_agl_m(mission, settings.agl_m) if stepped else settings.agl_m
        profile = profile_of(mission, scene, least_m, flyer, level=level)
        cleared = keep_clear(laid, zones, profile.relaid, most_shift_m=most_shift_m(settings))
    if not cleared.lines:
        what = f"keep-out areas leave no flight line: of each less than {LEAST_M:g} m of data would be left"
        fix = "take out what a permission covers, give floor and top, lower keep_out_margin_m, or choose another area"
        raise InfeasibleError(Fault("E31", what, "hazards.keep_out", fix))
    block = beside_longest(laid, settings.line_spacing_m) if scene.centreline is None else longest_block(laid)
    extra = calibration_lines(block, flyer, zones, cleared.lines, ceiling_over(mission, scene))
    lines = (*cleared.lines, *extra.lines)
    if mission.flight.split_overlap_m is not None:
        lines = _cut(lines, flyer, mission.flight.split_overlap_m)
    return Kept(lines, (*cleared.changes, *extra.changes))


def ceiling_over(mission: Mission, scene: Scene) -> LeastHeight:
    """Return what gives the greatest height allowed over places east and north [m]; nan over unknown ground."""
    return lambda east, north: scene.ground.at(east, north) + mission.limits.ceiling_agl_m


def closed_volumes(mission: Mission, scene: Scene) -> ClosedVolumes:
    """Return what lines keep clear of, with the room that the aircraft takes before and after them."""
    stops = mission.aircraft.kind == "multirotor"
    braking = mission.aircraft.acceleration_mps2 if stops else np.inf
    return ClosedVolumes(scene.keep_outs, mission.hazards.keep_out_margin_m, braking)


def most_shift_m(settings: Settings) -> float:
    """Return how far a line may move sideways [m].

    Its swath then still meets that of the neighbour it leaves where they share least, and it stays nearer to its own
    track than to any other. Without neighbours it goes by the swath over flat ground.
    """
    closest_m = settings.closest_spacing_m or settings.line_spacing_m
    if settings.sidelap is None:
        flat_m = 2 * settings.agl_m * float(np.tan(np.radians(settings.usable_half_angle_deg)))
        return float(np.clip(flat_m - closest_m, 0.0, closest_m / 2))
    return closest_m * min(settings.sidelap / (1 - settings.sidelap), 0.5)


def profile_of(mission: Mission, scene: Scene, agl_m: float, flyer: Flyer, *, level: bool) -> Profile:
    """Return how a moved line gets its heights: by the floor, climb and descent that all lines are laid with."""
    clearance = mission.limits.clearance_m
    doubt = float(np.hypot(mission.terrain.vertical_sd_m, scene.frame_doubt_m))
    # What is this far from both ends of a step is far enough from all of it.
    kept_off = float(np.hypot(clearance + doubt, FLOOR_STEP_M / 2))
    known = highest_nearby(scene.ground, clearance, known_only=True)
    nearby = highest_nearby(upper_surface(scene), kept_off)
    floor = Floor(scene.ground, known, nearby, agl_m, kept_off, scene.obstacles)
    return Profile(floor, *flyer.rates_mps, level)


def _cut(lines: Sequence[FlightLine], flyer: Flyer, overlap_m: float) -> tuple[FlightLine, ...]:
    """Return lines cut such that none drifts, whichever way it is flown in the wind."""
    cut: list[FlightLine] = []
    for line in lines:
        slow = replace(line, speed_mps=_slowest_mps(flyer, line))
        cut += [replace(part, speed_mps=line.speed_mps) for part in cut_drifting([slow], flyer.navigation, overlap_m)]
    return tuple(cut)


def _slowest_mps(flyer: Flyer, line: FlightLine) -> float:
    """Return the lower of the ground speeds either way, of those that the wind allows [m/s]."""
    speeds = [line.speed_mps]
    for way in (line, reversed_line(line)):
        try:
            speeds.append(line_speed_mps(flyer, way))
        except InfeasibleError:  # said where the line is to be flown
            continue
    return min(speeds)
