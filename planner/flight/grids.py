"""All sets of height, angle, rates and spacing that are tried, with the fastest speed of each over flat ground.

Lives here: the grid of settings and the closed forms that judge it. Must not know terrain, lines or layouts.
"""

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from planner.equipment import WHOLE_OPENING, RangeRating
from planner.flight.counts import counted_density_per_m2, grain_of
from planner.flight.demands import PENALTY_S, broken_demands, edge_rmse_m
from planner.flight.flat import (
    Task,
    alone_m,
    fastest_flown_mps,
    flat_time_s,
    flown_pattern,
    height_reached_m,
    least_per_m_s,
    line_rates_allowed,
    ratings_allowed,
    reach,
    reached_rad,
    round_down_mps,
    speeds_mps,
    swing_mps,
)
from planner.flight.swath import (
    frames_join_mps,
    reach_half_angle_rad,
    sidelap,
    swath_width_m,
)
from planner.mission import Mission

Array = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]

HEIGHTS, ANGLES = 31, 24  # most values of each on the grid
DEPTHS = 4  # heights judged from nominal height down to the lowest ground: density dips before passes double
MORE_SIDELAP = (0.0, 0.06, 0.12, 0.2, 0.3)  # added to the least sidelap: evener density can be worth closer lines
SHORT_S = 1e12  # a shortfall outweighs all time: the least shortfall first, then the shortest time


@dataclass(frozen=True)
class Grid:
    """Settings of one rating, line rate and usable angle over heights (h) and line spacings (s), on flat ground.

    Attributes
    ----------
    rating, line_rate_hz, half_angle_rad
        What they share.
    agl_m, reach_angle_rad : ndarray, shape (h,)
        Heights [m], and the angle that reaches flat ground from each [rad].
    spacing_m, speed_mps, density_per_m2, rmse_m, time_s : ndarray, shape (h, s)
        Line spacing, the fastest speed, what the emptiest cells count at it, vertical RMSE as from `edge_rmse_m`, and
        the time of lines, leads and turns.
    fits : ndarray of bool, shape (h, s)
        Whether the light reaches the swath's edge and swaths meet.
    short : ndarray, shape (h, s)
        Share of density or sidelap that is lacking.
    broken : dict of str to ndarray of bool
        Where each demand is broken, see `planner.flight.demands`; shapes broadcast to (h, s).
    """

    rating: RangeRating
    line_rate_hz: float
    half_angle_rad: float
    agl_m: Array
    reach_angle_rad: Array
    spacing_m: Array
    speed_mps: Array
    density_per_m2: Array
    rmse_m: Array
    time_s: Array
    fits: Mask
    short: Array
    broken: dict[str, Mask]

    @property
    def density_cost_s(self) -> Array:
        """Time [s], with a shortfall outweighing it; inf where settings do not fit."""
        return np.where(self.fits, self.time_s + np.where(self.short > 0, SHORT_S * (1 + self.short), 0.0), np.inf)

    @property
    def cost_s(self) -> Array:
        """The same with the demands [s]."""
        cost = self.density_cost_s
        for name, mask in self.broken.items():
            cost = cost + PENALTY_S[name] * mask
        return cost


def grids(mission: Mission, task: Task) -> Iterator[Grid]:
    """Yield all settings that are tried, a grid for each rating, line rate and usable angle in turn."""
    heights = _heights_m(mission, task)
    if mission.sensor.pattern == "profiling":
        yield from _beam_grids(mission, task, heights)
        return
    fans = [_fan(mission, heights, float(angle)) for angle in _angles_rad(mission)]
    for rating in ratings_allowed(mission):
        light = _light(mission, task, rating, heights)
        lit = [_lit(mission, task, rating, fan, heights, light) for fan in fans]
        for line_rate in line_rates_allowed(mission):
            for fan, (least, broken) in zip(fans, lit, strict=True):
                yield _flown_grid(mission, task, rating, line_rate, fan, heights, light[0][0], least, broken)


@dataclass(frozen=True)
class _Fan:
    """What follows from height and usable angle alone, shapes (h, s); the width is (h, 1)."""

    half_angle_rad: float
    width_m: Array
    spacing_m: Array
    overlap: Array
    rmse_m: Array


def _fan(mission: Mission, heights_m: Array, half_angle_rad: float) -> _Fan:
    held_m, least_q = mission.flight.line_spacing_m, mission.requirement.sidelap_min
    shares = np.array([min(least_q + more, 0.95) for more in MORE_SIDELAP])
    width = swath_width_m(heights_m, half_angle_rad)[:, np.newaxis]
    spacing = np.broadcast_to(held_m, width.shape) if held_m else width * (1 - shares)
    rmse = edge_rmse_m(mission, heights_m, half_angle_rad, spacing)
    return _Fan(half_angle_rad, width, spacing, sidelap(width, spacing), rmse)


def _light(mission: Mission, task: Task, rating: RangeRating, heights_m: Array) -> tuple[list[Array], Array | None]:
    """Return the angles that light reaches from each height, down to the deepest ground, and on dark ground [rad]."""
    reaches = [reached_rad(mission, rating, heights_m + depth, task.dark) for depth in _depths_m(task)]
    if task.dark is None or task.dark.reflectance >= rating.reflectance:
        return reaches, None
    dim = replace(reach(mission, rating), reflectance=task.dark.reflectance)
    return reaches, np.nan_to_num(reach_half_angle_rad(dim, heights_m, flown_pattern(mission, rating)))


def _depths_m(task: Task) -> Array:
    return np.linspace(0.0, task.deeper_m, DEPTHS if task.deeper_m > 0 else 1)


def _lit(
    mission: Mission,
    task: Task,
    rating: RangeRating,
    fan: _Fan,
    heights_m: Array,
    light: tuple[list[Array], Array | None],
) -> tuple[Array, dict[str, Mask]]:
    """Return the least density at 1 m/s down to the deepest ground, and the demands that are broken."""
    reaches, on_dark = light
    least = np.full(fan.spacing_m.shape, np.inf)
    for depth, below in zip(_depths_m(task).tolist(), reaches, strict=True):
        one = least_per_m_s(mission, rating, fan.half_angle_rad, heights_m + depth, below, fan.spacing_m)
        least = np.minimum(least, one)
    pattern = flown_pattern(mission, rating, half_angle_rad=fan.half_angle_rad)
    span = reach(mission, rating, task.dark), heights_m, task.deeper_m
    return least, broken_demands(mission, rating, pattern, *span, on_dark, fan.rmse_m)


def _flown_grid(
    mission: Mission,
    task: Task,
    rating: RangeRating,
    line_rate_hz: float,
    fan: _Fan,
    heights_m: Array,
    reached: Array,
    least: Array,
    broken: dict[str, Mask],
) -> Grid:
    """Return the fastest flight at each height and spacing of a fan."""
    column, (low, high) = heights_m[:, np.newaxis], speeds_mps(mission)
    pattern = flown_pattern(mission, rating, line_rate_hz, fan.half_angle_rad)
    wanted = fastest_flown_mps(mission, task, pattern, least, column)
    speed = np.full(least.shape, low) if low == high else round_down_mps(np.clip(wanted, low, high), low)
    grain = grain_of(pattern, mission.requirement.percentile)
    joined = speed <= frames_join_mps(pattern, heights_m)[:, np.newaxis]
    swing = swing_mps(mission, pattern, heights_m)[:, np.newaxis]
    density = np.where(joined, counted_density_per_m2(grain, least, task.cell_m, speed + swing), 0.0)
    alone = alone_m(mission, task, pattern, column, speed)
    span = np.maximum(task.across_m - fan.width_m, task.judged_across_m - 2 * alone)
    lacking = np.maximum(mission.requirement.sidelap_min - fan.overlap - 1e-9, 0.0)
    short = np.maximum(1 - density / task.target_per_m2, 0.0) + lacking
    return Grid(
        rating,
        line_rate_hz,
        fan.half_angle_rad,
        agl_m=heights_m,
        reach_angle_rad=reached,
        spacing_m=fan.spacing_m,
        speed_mps=speed,
        density_per_m2=density,
        rmse_m=fan.rmse_m,
        time_s=flat_time_s(mission, task, fan.spacing_m, span, speed),
        fits=(reached >= fan.half_angle_rad - 1e-9)[:, np.newaxis] & (fan.overlap >= -1e-9),
        short=np.where(short > 1e-9, short, 0.0),
        broken=broken,
    )


def _beam_grids(mission: Mission, task: Task, heights_m: Array) -> Iterator[Grid]:
    """Yield the settings of a fixed beam: one line a judging cell, density pulse rate / (speed spacing)."""
    low, high = speeds_mps(mission)
    column = np.ones((heights_m.size, 1))
    for rating in ratings_allowed(mission):
        rate, target = rating.pulse_rate_hz, task.target_per_m2
        spacing = mission.flight.line_spacing_m or min(task.cell_m, rate / (target * low))
        speed = float(round_down_mps(np.clip(rate / (target * spacing), low, high), low))
        density = rate / (speed * spacing)
        span = np.asarray(task.across_m - spacing)
        time = float(flat_time_s(mission, task, np.asarray(spacing), span, np.asarray(speed)))
        short = max(1 - density / target, 0.0)
        rmse = edge_rmse_m(mission, heights_m, 0.0, spacing * column)
        pattern, light = flown_pattern(mission, rating), reach(mission, rating, task.dark)
        _, on_dark = _light(mission, task, rating, heights_m)
        broken = broken_demands(mission, rating, pattern, light, heights_m, task.deeper_m, on_dark, rmse)
        within = heights_m <= height_reached_m(mission, rating, task.dark)
        yield Grid(
            rating,
            0.0,
            0.0,
            agl_m=heights_m,
            reach_angle_rad=np.zeros(heights_m.size),
            spacing_m=spacing * column,
            speed_mps=speed * column,
            density_per_m2=density * column,
            rmse_m=rmse,
            time_s=time * column,
            fits=within[:, np.newaxis],
            short=(short if short > 1e-9 else 0.0) * column,
            broken=broken,
        )


def _heights_m(mission: Mission, task: Task) -> Array:
    """Return nominal heights to try [m]: the held one, or whole metres between the limits, both limits included."""
    if mission.flight.agl_m:
        return np.array([mission.flight.agl_m])
    reached = max(height_reached_m(mission, rating, task.dark) for rating in ratings_allowed(mission))
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
