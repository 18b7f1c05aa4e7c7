"""What sensor and aircraft of a mission do over flat ground: rates, reach, density, speed and time.

Lives here: the task of a search and the closed forms that judge one set of settings. Must not know terrain, lines or
what is chosen.
"""

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from planner.equipment import RangeRating
from planner.flight.counts import fastest_mps, grain_of, needed_per_m_s
from planner.flight.demands import DarkGround
from planner.flight.sorties import turn_time_s
from planner.flight.swath import (
    farthest_alone_m,
    farthest_cosine,
    frames_join_mps,
    least_aggregate_density_per_m2,
    least_single_density_per_m2,
    reach_half_angle_rad,
)
from planner.mission import Mission
from planner.ranging.beams import ScanPattern, scan_pattern, scan_tilt_rad
from planner.ranging.linkbudget import Reach
from planner.ranging.principles import reach_within
from planner.ranging.ratings import by_rate

Array = npt.NDArray[np.float64]

SPEED_STEP_MPS = 0.1  # speeds are rounded down to what a pilot can set


@dataclass(frozen=True)
class Task:
    """What a search is asked.

    Attributes
    ----------
    target_per_m2, cell_m : float
        Density to meet [1/m2] and side of the cell that counts it [m].
    length_m, across_m, judged_across_m : float
        The flown area along and across the heading, and the judged area across it [m].
    least_agl_m, greatest_agl_m : float
        Nominal heights allowed [m].
    deeper_m : float
        How far the ground that must meet the density lies below nominal height [m].
    dark : DarkGround or None
        Darkest surface that counts; None takes all for as bright as the rating's.
    """

    target_per_m2: float
    cell_m: float
    length_m: float
    across_m: float
    judged_across_m: float
    least_agl_m: float
    greatest_agl_m: float
    deeper_m: float = 0.0
    dark: DarkGround | None = None


def widest_tilt_rad(mission: Mission) -> float:
    """Return the tilt [rad] that is farthest from straight down over the speeds the mission allows."""
    speeds = speeds_mps(mission)
    return max((scan_tilt_rad(mission.sensor, mission.aircraft, speed) for speed in speeds), key=abs)


def reach(mission: Mission, rating: RangeRating, dark: DarkGround | None = None) -> Reach:
    """Return the reach of a rating in the air of the mission, to a surface as bright as the rating's.

    Where all the ground that counts is known to be brighter, it is the darkest of it. Rules of survey work may let only
    a share of the card's range be used.
    """
    lit, rules = reach_within(mission.sensor, rating, mission.conditions.visibility_km), mission.survey_rules
    if dark is not None and dark.everywhere:
        lit = replace(lit, reflectance=max(rating.reflectance, dark.reflectance))
    if rules is None:
        return lit
    return replace(lit, longest_valid_m=min(lit.longest_valid_m, rules.range_share * rating.range_m))


def used_words(mission: Mission) -> str:
    """Return in words that only a share of the card's range is used, empty where all of it is."""
    rules = mission.survey_rules
    if rules is None or rules.range_share >= 1:
        return ""
    return f", of the card's range {100 * rules.range_share:g} % being used as {rules.name} asks"


def height_reached_m(mission: Mission, rating: RangeRating, dark: DarkGround | None = None) -> float:
    """Return the greatest height [m] from which the light of a rating comes back.

    From the middle of the scan, each beam of a fan; from all of an opening that is accepted whole.
    """
    cosine = np.maximum(farthest_cosine(flown_pattern(mission, rating), 0.0), 0.0)
    return float(reach(mission, rating, dark).longest_m(cosine) * cosine)


def ratings_allowed(mission: Mission) -> tuple[RangeRating, ...]:
    """Return the rating to trust at each pulse rate of the card that the mission leaves open."""
    held = mission.flight.pulse_rate_hz
    return tuple(rating for rate, rating in by_rate(mission.sensor).items() if held is None or rate == held)


def line_rates_allowed(mission: Mission) -> tuple[float, ...]:
    """Return the scan-line rates of the card that the mission leaves open [Hz]; 0 for a fixed beam and for frames."""
    held = mission.flight.line_rate_hz
    if mission.sensor.pattern in ("profiling", "matrix"):
        return (0.0,)
    return tuple(rate for rate in mission.sensor.line_rates_hz if held is None or rate == held)


def flown_pattern(
    mission: Mission, rating: RangeRating, line_rate_hz: float = 0.0, half_angle_rad: float | None = None
) -> ScanPattern:
    """Return the scan pattern at given rates, tilted as far as flight tilts it; the card's usable half angle [rad]."""
    pattern = scan_pattern(mission.sensor, rating.pulse_rate_hz, line_rate_hz, half_angle_rad)
    return replace(pattern, forward_tilt_rad=widest_tilt_rad(mission))


def reached_rad(mission: Mission, rating: RangeRating, agl_m: npt.ArrayLike, dark: DarkGround | None = None) -> Array:
    """Return the largest scan angle [rad] that reaches flat ground from heights [m], any shape; 0 for none."""
    return np.nan_to_num(reach_half_angle_rad(reach(mission, rating, dark), agl_m, flown_pattern(mission, rating)))


def least_per_m_s(
    mission: Mission,
    rating: RangeRating,
    half_angle_rad: float,
    agl_m: Array,
    reached_rad: Array,
    spacing_m: Array,
) -> Array:
    """Return the least density between lines at 1 m/s [1/(m s)], as the mission pools passes, shape (h, s).

    Where the light does not reach the usable angle, the swath is taken as far as it does.

    Parameters
    ----------
    mission, rating, half_angle_rad
        What scans, and its usable half angle [rad].
    agl_m, reached_rad : ndarray, shape (h,)
        Heights [m], and the largest angle that reaches flat ground from each [rad].
    spacing_m : ndarray, shape (h, s)
        Line spacings to judge at each height [m].
    """
    pooled = mission.requirement.coverage == "aggregate"
    least = least_aggregate_density_per_m2 if pooled else least_single_density_per_m2
    pattern = flown_pattern(mission, rating, half_angle_rad=half_angle_rad)
    return least(pattern, agl_m[:, np.newaxis], 1.0, spacing_m, reached_rad[:, np.newaxis])


def flat_time_s(mission: Mission, task: Task, spacing_m: Array, span_m: Array, speed_mps: Array) -> Array:
    """Return the time [s] of lines, leads and turns whose outermost lie `span_m` apart [m] at most, any shape."""
    lines = np.ceil(np.maximum(span_m, 0.0) / spacing_m - 1e-9) + 1
    line = task.length_m / speed_mps + 2 * mission.aircraft.settle_s
    return np.asarray(lines * line + (lines - 1) * turn_time_s(mission.aircraft, speed_mps, spacing_m))


def alone_m(
    mission: Mission, task: Task, pattern: ScanPattern, agl_m: npt.ArrayLike, speed_mps: npt.ArrayLike
) -> Array:
    """Return how far beside an outermost line [m] its pass alone meets the density at a height and speed, any shape."""
    grain = grain_of(pattern, mission.requirement.percentile)
    needed = needed_per_m_s(grain, task.cell_m, task.target_per_m2, speed_mps)
    return farthest_alone_m(pattern, agl_m, needed)


def fastest_flown_mps(
    mission: Mission, task: Task, pattern: ScanPattern, least_per_m_s: npt.ArrayLike, agl_m: npt.ArrayLike
) -> Array:
    """Return the highest speed [m/s] that keeps the density and joins frames, from least densities at 1 m/s."""
    grain = grain_of(pattern, mission.requirement.percentile)
    dense = fastest_mps(grain, least_per_m_s, task.cell_m, task.target_per_m2) - swing_mps(mission, pattern, agl_m)
    return np.asarray(np.minimum(dense, frames_join_mps(pattern, agl_m)))


def swing_mps(mission: Mission, pattern: ScanPattern, agl_m: npt.ArrayLike) -> Array:
    """Return how fast the edge of the swath runs ahead on flat ground as the aircraft turns [m/s], root mean square.

    Heading at a rate w moves a point beside the track by w y, pitch one below a rigid mount by w h; the rate of the
    motion is its root mean square over its time scale.
    """
    aircraft, height = mission.aircraft, np.asarray(agl_m, dtype=np.float64)
    aside = np.radians(aircraft.sway_heading_deg) * np.tan(pattern.usable_half_angle_rad)
    ahead = np.radians(aircraft.sway_pitch_deg) if mission.sensor.tilts_with_aircraft else 0.0
    return np.asarray(height * np.hypot(aside, ahead) / aircraft.sway_correlation_s)


def round_down_mps(speed_mps: npt.ArrayLike, least_mps: float) -> Array:
    """Return speeds rounded down to what can be set, never below the least [m/s], any shape."""
    steps = np.floor(np.asarray(speed_mps) / SPEED_STEP_MPS + 1e-9)
    return np.asarray(np.maximum(np.round(steps * SPEED_STEP_MPS, 6), least_mps))


def speeds_mps(mission: Mission) -> tuple[float, float]:
    """Return the least and greatest speed [m/s] that the mission leaves open; both are the held one."""
    held = mission.flight.speed_mps
    return (held, held) if held else (mission.aircraft.min_speed_mps, mission.aircraft.max_speed_mps)
