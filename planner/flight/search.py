"""The fastest set of height, angle, rates, spacing and speed over flat ground that meets a density.

Lives here: the grid of settings and the closed forms that judge it. Must not know terrain, lines or layouts.
"""

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from planner.equipment import WHOLE_OPENING, RangeRating
from planner.errors import Best, Fault, InfeasibleError
from planner.flight.counts import counted_density_per_m2, fastest_mps, grain_of, needed_per_m_s
from planner.flight.sorties import turn_time_s
from planner.flight.swath import (
    farthest_alone_m,
    farthest_cosine,
    frames_join_mps,
    least_aggregate_density_per_m2,
    least_single_density_per_m2,
    reach_half_angle_rad,
    sidelap,
    swath_width_m,
)
from planner.mission import Mission
from planner.ranging.beams import ScanPattern, scan_pattern, scan_tilt_rad
from planner.ranging.linkbudget import Reach
from planner.ranging.principles import reach_within
from planner.ranging.ratings import by_rate

Array = npt.NDArray[np.float64]

HEIGHTS, ANGLES = 31, 24  # most values of each on the grid
DEPTHS = 4  # heights judged from nominal height down to the lowest ground: density dips before passes double
MORE_SIDELAP = (0.0, 0.06, 0.12, 0.2, 0.3)  # added to the least sidelap: evener density can be worth closer lines
SPEED_STEP_MPS = 0.1  # speeds are rounded down to what a pilot can set
SHORT_S = 1e9  # a shortfall outweighs all time: the least shortfall first, then the shortest time


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
    """

    target_per_m2: float
    cell_m: float
    length_m: float
    across_m: float
    judged_across_m: float
    least_agl_m: float
    greatest_agl_m: float
    deeper_m: float = 0.0


@dataclass(frozen=True)
class Candidate:
    """One set of settings; `time_s` is for flat ground and ranks candidates only."""

    rating: RangeRating
    line_rate_hz: float
    agl_m: float
    half_angle_rad: float
    spacing_m: float
    speed_mps: float
    density_per_m2: float
    time_s: float
    reach_angle_rad: float
    cost: float


def widest_tilt_rad(mission: Mission) -> float:
    """Return the tilt [rad] that is farthest from straight down over the speeds the mission allows."""
    speeds = speeds_mps(mission)
    return max((scan_tilt_rad(mission.sensor, mission.aircraft, speed) for speed in speeds), key=abs)


def reach(mission: Mission, rating: RangeRating) -> Reach:
    """Return the reach of a rating in the air of the mission, to a surface as bright as the rating's."""
    return reach_within(mission.sensor, rating, mission.conditions.visibility_km)


def height_reached_m(mission: Mission, rating: RangeRating) -> float:
    """Return the greatest height [m] from which the light of a rating comes back.

    From the middle of the scan, each beam of a fan; from all of an opening that is accepted whole.
    """
    cosine = np.maximum(farthest_cosine(flown_pattern(mission, rating), 0.0), 0.0)
    return float(reach(mission, rating).longest_m(cosine) * cosine)


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


def reached_rad(mission: Mission, rating: RangeRating, agl_m: npt.ArrayLike) -> Array:
    """Return the largest scan angle [rad] that reaches flat ground from heights [m], any shape; 0 for none."""
    return np.nan_to_num(reach_half_angle_rad(reach(mission, rating), agl_m, flown_pattern(mission, rating)))


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


def search(mission: Mission, task: Task) -> Candidate:
    """Return the quickest settings that meet the density, or raise with the best that can be reached.

    Values the mission holds are held; where they alone keep the density out of reach, the nearest is returned.

    Raises
    ------
    InfeasibleError
        E19: no settings meet the density. E41: the held spacing is wider than any swath.
    """
    scan = _profiling if mission.sensor.pattern == "profiling" else _scanning
    found = [
        scan(mission, task, rating, line_rate)
        for rating in ratings_allowed(mission)
        for line_rate in line_rates_allowed(mission)
    ]
    candidates = [candidate for candidate in found if candidate is not None]
    if not candidates:
        raise _no_swath(mission, task)
    best = min(candidates, key=lambda candidate: candidate.cost)
    if best.density_per_m2 < task.target_per_m2 * (1 - 1e-9) and mission.flight.speed_mps is None:
        raise InfeasibleError(
            Fault(
                "E19",
                f"the sensor reaches {best.density_per_m2:.4g} returns/m2 at the least speed "
                f"{best.speed_mps:g} m/s and {best.agl_m + task.deeper_m:.0f} m above the lowest ground, "
                f"{task.target_per_m2:.4g} asked",
                fix="ask for less, judge larger cells, hold fewer settings, or take a sensor with a higher pulse rate",
            ),
            best=Best(
                "density_per_m2",
                asked=task.target_per_m2,
                reachable=best.density_per_m2,
                limited_by=f"least speed {best.speed_mps:g} m/s at pulse rate {best.rating.pulse_rate_hz:g} Hz, "
                "over flat ground",
            ),
        )
    return best


def _no_swath(mission: Mission, task: Task) -> InfeasibleError:
    """Return why no swath will do: the held spacing is too wide, or the light hardly reaches the ground."""
    heights = f"{task.least_agl_m:.0f} to {task.greatest_agl_m:.0f} m above ground"
    if mission.flight.line_spacing_m:
        what = f"lines {mission.flight.line_spacing_m:g} m apart leave a gap: no swath is as wide at {heights}"
        return InfeasibleError(Fault("E41", what, fix="leave line_spacing_m out, or hold a smaller one"))
    reached = max(height_reached_m(mission, rating) for rating in ratings_allowed(mission))
    return InfeasibleError(
        Fault(
            "E21",
            f"the light reaches the ground from at most {reached:.1f} m straight below; no swath is left at {heights}",
            fix="fly lower, hold a lower pulse rate, or take a sensor with a longer range",
        ),
        best=Best("agl_m", asked=task.least_agl_m, reachable=reached, limited_by="range of the sensor"),
    )


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


def _scanning(mission: Mission, task: Task, rating: RangeRating, line_rate_hz: float) -> Candidate | None:
    """Return the best candidate of one rating and line rate; None where no swath is wide enough."""
    heights = _heights_m(mission, task)
    depths = np.linspace(0.0, task.deeper_m, DEPTHS if task.deeper_m > 0 else 1)
    low, high = speeds_mps(mission)
    reaches = [reached_rad(mission, rating, heights + depth) for depth in depths]
    reached = reaches[0]
    held_m, least_q = mission.flight.line_spacing_m, mission.requirement.sidelap_min
    shares = np.array([min(least_q + more, 0.95) for more in MORE_SIDELAP])
    best: Candidate | None = None
    for angle in _angles_rad(mission):
        width = swath_width_m(heights, angle)[:, np.newaxis]
        spacing = np.broadcast_to(held_m, width.shape) if held_m else width * (1 - shares)
        overlap = sidelap(width, spacing)
        fits = (reached >= angle - 1e-9)[:, np.newaxis] & (overlap >= -1e-9)
        if not fits.any():
            continue
        least = np.min(
            [
                least_per_m_s(mission, rating, angle, heights + depth, angles, spacing)
                for depth, angles in zip(depths, reaches, strict=True)
            ],
            axis=0,
        )
        pattern = flown_pattern(mission, rating, line_rate_hz, angle)
        wanted = fastest_flown_mps(mission, task, pattern, least, heights[:, np.newaxis])
        speed = np.full(least.shape, low) if low == high else round_down_mps(np.clip(wanted, low, high), low)
        grain = grain_of(pattern, mission.requirement.percentile)
        joined = speed <= frames_join_mps(pattern, heights)[:, np.newaxis]
        swing = swing_mps(mission, pattern, heights)[:, np.newaxis]
        density = np.where(joined, counted_density_per_m2(grain, least, task.cell_m, speed + swing), 0.0)
        alone = alone_m(mission, task, pattern, heights[:, np.newaxis], speed)
        span = np.maximum(task.across_m - width, task.judged_across_m - 2 * alone)
        time = flat_time_s(mission, task, spacing, span, speed)
        short = np.maximum(1 - density / task.target_per_m2, 0.0) + np.maximum(least_q - overlap - 1e-9, 0.0)
        cost = np.where(fits, time + np.where(short > 1e-9, SHORT_S * (1 + short), 0.0), np.inf)
        at = np.unravel_index(int(np.argmin(cost)), cost.shape)
        if best is None or cost[at] < best.cost * (1 - 1e-12):
            best = Candidate(
                rating,
                line_rate_hz,
                agl_m=float(heights[at[0]]),
                half_angle_rad=float(angle),
                spacing_m=float(spacing[at]),
                speed_mps=float(speed[at]),
                density_per_m2=float(density[at]),
                time_s=float(time[at]),
                reach_angle_rad=float(reached[at[0]]),
                cost=float(cost[at]),
            )
    return best


def _profiling(mission: Mission, task: Task, rating: RangeRating, line_rate_hz: float) -> Candidate | None:
    """Return the settings of a fixed beam: one line a judging cell, density pulse rate / (speed spacing)."""
    if height_reached_m(mission, rating) < task.least_agl_m:
        return None
    low, high = speeds_mps(mission)
    rate, target = rating.pulse_rate_hz, task.target_per_m2
    spacing = mission.flight.line_spacing_m or min(task.cell_m, rate / (target * low))
    speed = float(round_down_mps(np.clip(rate / (target * spacing), low, high), low))
    density = rate / (speed * spacing)
    span = np.asarray(task.across_m - spacing)
    time = float(flat_time_s(mission, task, np.asarray(spacing), span, np.asarray(speed)))
    short = max(1 - density / target, 0.0)
    cost = time + (SHORT_S * (1 + short) if short > 1e-9 else 0.0)
    agl = mission.flight.agl_m or float(_heights_m(mission, task)[0])
    return Candidate(rating, line_rate_hz, agl, 0.0, spacing, speed, density, time, 0.0, cost)


def speeds_mps(mission: Mission) -> tuple[float, float]:
    """Return the least and greatest speed [m/s] that the mission leaves open; both are the held one."""
    held = mission.flight.speed_mps
    return (held, held) if held else (mission.aircraft.min_speed_mps, mission.aircraft.max_speed_mps)


def _heights_m(mission: Mission, task: Task) -> Array:
    """Return nominal heights to try [m]: the held one, or whole metres between the limits, both limits included."""
    if mission.flight.agl_m:
        return np.array([mission.flight.agl_m])
    reached = max(height_reached_m(mission, rating) for rating in ratings_allowed(mission))
    low, high = task.least_agl_m, min(task.greatest_agl_m, reached)
    step = max(1.0, np.ceil((high - low) / (HEIGHTS - 2)))
    whole = np.arange(np.ceil(low), max(high, np.ceil(low)) + 1e-9, step)
    return np.asarray(np.unique(np.concatenate([whole, [np.floor(high) if np.floor(high) >= low else low]])))


def _angles_rad(mission: Mission) -> Array:
    """Return usable half angles to try [rad]: the card's, and whole degrees below it where there is a choice."""
    widest = mission.sensor.usable_fov_deg / 2
    if mission.sensor.pattern in WHOLE_OPENING:
        return np.radians([widest])
    step = max(1.0, np.ceil(widest / ANGLES))
    degrees = np.concatenate([[widest], np.arange(np.ceil(widest) - 1, max(widest / 8, 0.5), -step)])
    return np.asarray(np.radians(degrees))
