"""A set of settings laid over the ground as it is: spacing and speed drawn in until both agree with it.

Lives here: lines of chosen settings, their swaths and what these leave of spacing and speed. Must not know how settings
are chosen.
"""

from dataclasses import dataclass, field, replace

import numpy as np
import numpy.typing as npt

from planner.flight.candidates import fastest_between_mps, rims_of
from planner.flight.corridors import Leg, fly_legs, lay_along, swaths_along
from planner.flight.cuts import cut_at_steps
from planner.flight.demands import DarkGround
from planner.flight.flat import (
    Task,
    fastest_flown_mps,
    flown_pattern,
    reach,
    round_down_mps,
)
from planner.flight.flightlines import FlightLine, Manner, lay_out
from planner.flight.headings import Going, blocks_time_s, lines_time_s
from planner.flight.onground import Places, brought_per_m_s
from planner.flight.ordering import level_by_level
from planner.flight.overlap import Swaths
from planner.flight.profile import Floor, HighestNearby
from planner.flight.search import Candidate
from planner.flight.sorties import turn_time_s
from planner.flight.splitting import Piece
from planner.flight.stepping import least_stepped_agl_m, steps_for
from planner.flight.strips import Corridor
from planner.flight.swath import along_half_angle_rad
from planner.flight.winds import Wind
from planner.ground.surface import Scene
from planner.mission import Following, Mission
from planner.ranging.beams import scan_tilt_rad

Array = npt.NDArray[np.float64]

LEAST_SHRINK = 0.4  # of the nominal spacing: one rise of the ground must not pull all lines together
SHRINK = 0.85  # of the spacing at most in one round: the lines then run elsewhere and may meet lower ground
ROUNDS = 8  # of laying lines anew with what the last ones met
CEILING_EASE_M = 0.5  # over the ceiling by less than this does not decide between two ways to fly
ROUNDING = 1e-6  # of a speed: lines whose last swath ends where the density does are not slowed for it


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
    places: Places
    dark: DarkGround | None
    corridor: Corridor | None = None
    pieces: tuple[Piece, ...] = ()
    searched: dict[Task, tuple[Candidate, ...]] = field(default_factory=dict, compare=False, repr=False)

    @property
    def highest_m(self) -> float:
        """Highest ground that is flown over [m]."""
        return float(self.ground_m.max())


@dataclass(frozen=True)
class Attempt:
    """What is laid over a site: a candidate, how heights are kept, and what percent of the ground keeps the density."""

    site: SiteFlown
    task: Task
    candidate: Candidate
    following: Following
    percent: float

    @property
    def lowest(self) -> Candidate:
        """The candidate at the least height above ground of lines: in steps that is the foot of their band."""
        if self.following != "stepped":
            return self.candidate
        return replace(self.candidate, agl_m=least_stepped_agl_m(self.site.mission, self.candidate.agl_m))


@dataclass(frozen=True)
class Flown:
    """A candidate laid over the site; speeds wanted are for the ground it was laid for and for the judged share."""

    attempt: Attempt
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
    def candidate(self) -> Candidate:
        """What is laid."""
        return self.attempt.candidate

    @property
    def following(self) -> Following:
        """How heights are kept."""
        return self.attempt.following

    @property
    def speed_mps(self) -> float:
        """Ground speed of all lines [m/s]."""
        return self.lines[0].speed_mps

    @property
    def spacing_m(self) -> float:
        """Most distance between neighbouring lines [m]."""
        return max(leg.layout.spacing_m for leg in self.legs)

    @property
    def even(self) -> bool:
        """Whether all neighbouring lines of a leg are as far apart as one another."""
        return all(leg.layout.even for leg in self.legs)

    @property
    def closest_m(self) -> float:
        """Least distance between neighbouring lines [m]; of even ones, that of the leg where they are closest."""
        if self.even:
            return min(leg.layout.spacing_m for leg in self.legs)
        return float(min(np.diff(leg.layout.across_m).min() for leg in self.legs if leg.layout.across_m.size > 1))

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
        """What counts before time: whether it is over the ceiling, which nothing mends, and whether it is short."""
        return self.over_ceiling_m > CEILING_EASE_M, self.short


def lay_over(site: SiteFlown, task: Task, candidate: Candidate, following: Following, percent: float) -> Flown:
    """Lay a candidate's lines over the ground, drawing spacing and speed in until the ground agrees with both."""
    mission, attempt = site.mission, Attempt(site, task, candidate, following, percent)
    held_spacing = mission.flight.line_spacing_m is not None
    spacing, speed, outer_m = candidate.spacing_m, candidate.speed_mps, np.inf
    for number in range(ROUNDS):
        flat, judged = rims_of(mission, task, attempt.lowest, spacing, speed)
        rims = min(flat, outer_m), min(judged, outer_m)
        legs = _legs(site, manner_of(attempt, speed), spacing, rims)
        widest_m = max(leg.layout.spacing_m for leg in legs)
        lines, swaths = lines_over(attempt, legs, speed)
        wanted_m = _spacing_wanted_m(attempt, spacing, swaths)
        wanted_mps, _ = _speeds_mps(attempt, legs, lines)
        closest = max(wanted_m, LEAST_SHRINK * candidate.spacing_m)
        closer = widest_m > closest * (1 + 1e-6)
        reached_m = _outer_m(swaths, percent)
        inward = rims[0] > reached_m * (1 + 1e-6) and site.corridor is None and not held_spacing
        best_mps = mission.flight.speed_mps or settable_mps(mission, wanted_mps)
        # After the first round the speed only falls: slower lines climb steeper and so lie no higher.
        faster = number == 0 and best_mps > speed
        if not (closer or inward or faster or best_mps < speed):
            break
        outer_m = min(outer_m, reached_m) if inward else outer_m
        spacing = max(closest, SHRINK * widest_m) if closer else spacing
        speed = best_mps if faster else min(best_mps, speed)
    return flown_over(attempt, legs, lines, swaths, spacing, rims)


def _outer_m(swaths: Swaths, percent: float) -> float:
    """Return how far outward a share [percent] of the outermost swaths reach at least [m]; inf where none is known."""
    outer = np.concatenate([leg.outer_m.ravel() for leg in swaths.legs])
    known = outer[np.isfinite(outer)]
    return float(np.percentile(known, 100 - percent)) if known.size else np.inf


def settable_mps(mission: Mission, speed_mps: float) -> float:
    """Return the greatest speed [m/s] up to a wanted one that can be set and that the aircraft flies."""
    low, high = mission.aircraft.min_speed_mps, mission.aircraft.max_speed_mps
    return float(round_down_mps(np.clip(speed_mps, low, high), low))


def lines_over(attempt: Attempt, legs: tuple[Leg, ...], speed_mps: float) -> tuple[tuple[FlightLine, ...], Swaths]:
    """Return the lines along the tracks of legs at a speed [m/s], one a track, and what their swaths reach."""
    site, candidate = attempt.site, attempt.candidate
    scene, manner = site.scene, manner_of(attempt, speed_mps)
    floor = Floor(scene.ground, site.ground_nearby, site.top_nearby, candidate.agl_m, site.clearance_m, scene.obstacles)
    lines = fly_legs(legs, floor, manner)
    return lines, swaths_along(scene, legs, lines, scan_tilt_rad(site.mission.sensor, site.mission.aircraft, speed_mps))


def flown_over(
    attempt: Attempt,
    legs: tuple[Leg, ...],
    lines: tuple[FlightLine, ...],
    swaths: Swaths,
    spacing_asked_m: float,
    rims: tuple[float, float],
) -> Flown:
    """Return a flight along the tracks of legs and what the ground says to it.

    Parameters
    ----------
    attempt, legs
        What is laid, and where.
    lines, swaths
        As from `lines_over`.
    spacing_asked_m, rims
        Spacing [m] that an even layout was asked for, and its rims [m].
    """
    site, mission, scene = attempt.site, attempt.site.mission, attempt.site.scene
    manner = manner_of(attempt, lines[0].speed_mps)
    if manner.steps is not None:
        lines = level_by_level(cut_at_steps(lines, manner.steps.overlap_m))
    heights = np.concatenate([line.points_m for line in lines])
    above = heights[:, 2] - scene.ground.at(heights[:, 0], heights[:, 1])
    over = float(np.max(above, initial=-np.inf, where=np.isfinite(above))) - mission.limits.ceiling_agl_m
    going = going_of(site, manner)
    wanted_mps, judged_mps = _speeds_mps(attempt, legs, lines)
    return Flown(
        attempt,
        legs,
        lines,
        swaths,
        spacing_wanted_m=_spacing_wanted_m(attempt, spacing_asked_m, swaths),
        speed_wanted_mps=wanted_mps,
        speed_judged_mps=judged_mps,
        spacing_asked_m=spacing_asked_m,
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
    if not site.pieces or going.manner.steps is not None:
        return lines_time_s(lines, going)
    ends = np.cumsum([leg.layout.across_m.size for leg in legs]).tolist()
    return blocks_time_s([lines[start:end] for start, end in zip([0, *ends], ends, strict=False)], going)


def going_of(site: SiteFlown, manner: Manner) -> Going:
    """Return what flies lines in a manner over a site."""
    aircraft, limits = site.mission.aircraft, site.mission.limits
    climb, descent = limits.climb_mps or np.inf, limits.descent_mps or np.inf
    held = replace(aircraft, climb_mps=min(aircraft.climb_mps, climb), descent_mps=min(aircraft.descent_mps, descent))
    followed = site.scene.ground.at if manner.level_m is None else None
    return Going(held, manner, site.wind, site.mission.flight.hold_speed, followed)


def manner_of(attempt: Attempt, speed_mps: float) -> Manner:
    """Return how lines are flown at a speed [m/s]."""
    site, candidate, following = attempt.site, attempt.candidate, attempt.following
    aircraft, limits = site.mission.aircraft, site.mission.limits
    pattern = flown_pattern(site.mission, candidate.rating)
    tilt_rad = scan_tilt_rad(site.mission.sensor, aircraft, speed_mps)
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
        steps=steps_for(site.mission, candidate, speed_mps, ahead_rad) if following == "stepped" else None,
    )


def _spacing_wanted_m(attempt: Attempt, spacing_m: float, swaths: Swaths) -> float:
    """Return the most spacing [m] with which the least shared swath keeps the sidelap; the given one where held."""
    mission = attempt.site.mission
    if mission.flight.line_spacing_m is not None or not attempt.candidate.half_angle_rad:
        return spacing_m
    return (1 - mission.requirement.sidelap_min) * swaths.least_shared_m()


def _speeds_mps(attempt: Attempt, legs: tuple[Leg, ...], lines: tuple[FlightLine, ...]) -> tuple[float, float]:
    """Return the highest speeds [m/s] that keep the density on the share of the ground laid for, and on that judged.

    Ground that no pass brings anything to is no reason to fly slower, but counts in what is judged: 0 where there is
    more of it than may lie below. Even lines keep the density over flat ground too, where places that are looked at
    may miss the least.
    """
    site, mission, candidate = attempt.site, attempt.site.mission, attempt.candidate
    spacing_m = max(leg.layout.spacing_m for leg in legs)
    flat_mps = fastest_between_mps(mission, attempt.task, candidate, spacing_m, candidate.agl_m, candidate.agl_m)
    if not candidate.half_angle_rad or not len(site.places.points_m):
        return flat_mps, flat_mps
    pattern = flown_pattern(mission, candidate.rating, candidate.line_rate_hz, candidate.half_angle_rad)
    pooled = mission.requirement.coverage == "aggregate"
    light = reach(mission, candidate.rating, attempt.task.dark)
    brought = np.sort(brought_per_m_s(site.places, lines, pattern, light, pooled=pooled))
    asked = (brought[brought > 0], attempt.percent), (brought, 100 - mission.requirement.percentile)
    least = [_kept_by(ordered, share) for ordered, share in asked]
    ground_mps = (1 + ROUNDING) * fastest_flown_mps(mission, attempt.task, pattern, least, candidate.agl_m)
    most_mps = flat_mps if all(leg.layout.even for leg in legs) else np.inf
    wanted, judged = np.minimum(ground_mps, most_mps).tolist()
    return wanted, judged if least[1] > 0 else 0.0


def _kept_by(ordered: Array, percent: float) -> float:
    """Return what a share [percent] of values in growing order have at least; 0 for none."""
    return float(ordered[int((1 - percent / 100) * (ordered.size - 1))]) if ordered.size else 0.0
