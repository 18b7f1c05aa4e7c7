"""A set of settings laid over the ground as it is: spacing and speed drawn in until both agree with it.

Lives here: lines of chosen settings, their swaths and what these leave of spacing and speed. Must not know how settings
are chosen.
"""

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from planner.flight.corridors import Leg, fly_legs, lay_along, swaths_along
from planner.flight.demands import DarkGround
from planner.flight.flat import (
    Task,
    alone_m,
    fastest_flown_mps,
    flown_pattern,
    least_per_m_s,
    reached_rad,
    round_down_mps,
)
from planner.flight.flightlines import FlightLine, Manner, lay_out
from planner.flight.headings import Going, blocks_time_s, lines_time_s
from planner.flight.overlap import Swaths
from planner.flight.profile import Floor, HighestNearby
from planner.flight.search import Candidate
from planner.flight.sorties import turn_time_s
from planner.flight.splitting import Piece
from planner.flight.strips import Corridor
from planner.flight.swath import along_half_angle_rad, swath_width_m
from planner.flight.winds import Wind
from planner.ground.surface import Scene
from planner.mission import Following, Mission
from planner.ranging.beams import scan_tilt_rad

Array = npt.NDArray[np.float64]

LEAST_SHRINK = 0.4  # of the nominal spacing: one rise of the ground must not pull all lines together
SHRINK = 0.85  # of the spacing at most in one round: the lines then run elsewhere and may meet lower ground
ROUNDS = 8  # of laying lines anew with what the last ones met
CEILING_EASE_M = 0.5  # over the ceiling by less than this does not decide between two ways to fly
DEPTHS = 33  # heights judged from nominal height down to the deepest ground


@dataclass(frozen=True)
class SiteFlown:
    """What all flights over a scene share: heading or pieces with headings, the ground flown over and near it."""

    mission: Mission
    scene: Scene
    heading_rad: float
    true_heading_deg: float
    wind: Wind
    ground_nearby: HighestNearby
    top_nearby: HighestNearby
    clearance_m: float
    ground_m: Array
    dark: DarkGround | None
    corridor: Corridor | None = None
    pieces: tuple[Piece, ...] = ()

    @property
    def highest_m(self) -> float:
        """Highest ground that is flown over [m]."""
        return float(self.ground_m.max())


@dataclass(frozen=True)
class Flown:
    """A candidate laid over the site; speeds wanted are for the ground it was laid for and for the judged share."""

    candidate: Candidate
    following: Following
    legs: tuple[Leg, ...]
    lines: tuple[FlightLine, ...]
    swaths: Swaths
    spacing_wanted_m: float
    speed_wanted_mps: float
    speed_judged_mps: float
    spacing_asked_m: float
    rims_m: tuple[float, float]
    going: Going
    time_s: float
    over_ceiling_m: float

    @property
    def speed_mps(self) -> float:
        """Ground speed of all lines [m/s]."""
        return self.lines[0].speed_mps

    @property
    def spacing_m(self) -> float:
        """Most distance between neighbouring lines [m]."""
        return max(leg.layout.spacing_m for leg in self.legs)

    @property
    def abreast(self) -> int:
        """How many lines lie beside one another at most."""
        return max(leg.layout.across_m.size for leg in self.legs)

    @property
    def short(self) -> bool:
        """Whether more of the ground than the requirement allows stays below the density at the speed flown."""
        return self.speed_judged_mps < self.speed_mps * (1 - 1e-9)

    @property
    def faults(self) -> tuple[bool, bool]:
        """What counts before time: whether it is short, and whether it is over the ceiling."""
        return self.short, self.over_ceiling_m > CEILING_EASE_M


def lay_over(site: SiteFlown, task: Task, candidate: Candidate, following: Following, percent: float) -> Flown:
    """Lay a candidate's lines over the ground, drawing spacing and speed in until the ground agrees with both."""
    mission, scene = site.mission, site.scene
    held_spacing = mission.flight.line_spacing_m is not None
    spacing, speed = candidate.spacing_m, candidate.speed_mps
    floor = Floor(scene.ground, site.ground_nearby, site.top_nearby, candidate.agl_m, site.clearance_m, scene.obstacles)
    for number in range(ROUNDS):
        tilt = scan_tilt_rad(mission.sensor, mission.aircraft, speed)
        rims = _rims_m(mission, task, candidate, spacing, speed)
        manner = _manner(site, candidate, speed, tilt, following)
        legs = _legs(site, manner, spacing, rims)
        widest_m = max(leg.layout.spacing_m for leg in legs)
        lines = fly_legs(legs, floor, manner)
        swaths = swaths_along(scene, legs, lines, tilt)
        wanted_m = spacing if held_spacing or not candidate.half_angle_rad else _spacing_wanted_m(mission, swaths)
        wanted_mps = _speed_wanted_mps(mission, task, candidate, widest_m, swaths.deepest_m(percent))
        closest = max(wanted_m, LEAST_SHRINK * candidate.spacing_m)
        closer = widest_m > closest * (1 + 1e-6)
        low = mission.aircraft.min_speed_mps
        best_mps = float(round_down_mps(np.clip(wanted_mps, low, mission.aircraft.max_speed_mps), low))
        best_mps = mission.flight.speed_mps or best_mps
        # After the first round the speed only falls: slower lines climb steeper and so lie no higher.
        faster = number == 0 and best_mps > speed
        if not (closer or faster or best_mps < speed):
            break
        spacing = max(closest, SHRINK * widest_m) if closer else spacing
        speed = best_mps if faster else min(best_mps, speed)
    judged_m = swaths.deepest_m(100.0 - mission.requirement.percentile)
    judged_mps = _speed_wanted_mps(mission, task, candidate, widest_m, judged_m)
    heights = np.concatenate([line.points_m for line in lines])
    above = heights[:, 2] - scene.ground.at(heights[:, 0], heights[:, 1])
    over = float(np.max(above, initial=-np.inf, where=np.isfinite(above))) - mission.limits.ceiling_agl_m
    going = _going(site, manner)
    return Flown(
        candidate,
        following,
        legs,
        lines,
        swaths,
        spacing_wanted_m=wanted_m,
        speed_wanted_mps=wanted_mps,
        speed_judged_mps=judged_mps,
        spacing_asked_m=spacing,
        rims_m=rims,
        going=going,
        time_s=_time_s(site, legs, lines, going),
        over_ceiling_m=over,
    )


def _legs(site: SiteFlown, manner: Manner, spacing_m: float, rims_m: tuple[float, float]) -> tuple[Leg, ...]:
    """Return the tracks over the area, which is one leg or one for each of its pieces, or those of each of a corridor.

    The outermost swaths of a corridor reach over its edge by the least sidelap: beside a single line is no neighbour
    whose swath would help.
    """
    mission, scene, corridor = site.mission, site.scene, site.corridor
    held_spacing = mission.flight.line_spacing_m is not None
    if site.pieces:
        return tuple(
            Leg(lay_out(one.planned, one.judged, one.heading_rad, spacing_m, rims_m, held_spacing), one.seam)
            for one in site.pieces
        )
    if corridor is None:
        return (Leg(lay_out(scene.planned, scene.area, site.heading_rad, spacing_m, rims_m, held_spacing)),)
    turn_m = manner.speed_mps * float(turn_time_s(mission.aircraft, manner.speed_mps, spacing_m))
    line_cost_m = 2 * (manner.lead_m + manner.extend_m) + turn_m
    over_edge = rims_m[0] * (1 - mission.requirement.sidelap_min), rims_m[1]
    return lay_along(corridor, spacing_m, over_edge, line_cost_m, held_spacing)


def _time_s(site: SiteFlown, legs: tuple[Leg, ...], lines: tuple[FlightLine, ...], going: Going) -> float:
    """Return the time of all lines [s]; pieces are taken in the order and begun at the corners that lead on soonest."""
    if not site.pieces:
        return lines_time_s(lines, going)
    ends = np.cumsum([leg.layout.across_m.size for leg in legs]).tolist()
    return blocks_time_s([lines[start:end] for start, end in zip([0, *ends], ends, strict=False)], going)


def _going(site: SiteFlown, manner: Manner) -> Going:
    aircraft, limits = site.mission.aircraft, site.mission.limits
    climb, descent = limits.climb_mps or np.inf, limits.descent_mps or np.inf
    held = replace(aircraft, climb_mps=min(aircraft.climb_mps, climb), descent_mps=min(aircraft.descent_mps, descent))
    followed = site.scene.ground.at if manner.level_m is None else None
    return Going(held, manner, site.wind, site.mission.flight.hold_speed, followed)


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


def _manner(site: SiteFlown, candidate: Candidate, speed_mps: float, tilt_rad: float, following: Following) -> Manner:
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


def _spacing_wanted_m(mission: Mission, swaths: Swaths) -> float:
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
