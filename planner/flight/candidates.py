"""What a candidate does over flat ground: how far out its lines lie, and how fast it keeps the density.

Lives here: closed forms of one set of settings at heights and spacings of its lines. Must not know terrain or lines.
"""

import numpy as np
import numpy.typing as npt

from planner.flight.flat import (
    Task,
    alone_m,
    fastest_flown_mps,
    flown_pattern,
    least_per_m_s,
    reached_rad,
)
from planner.flight.search import Candidate
from planner.flight.swath import swath_width_m
from planner.mission import Mission

Array = npt.NDArray[np.float64]

DEPTHS = 33  # heights judged from the least down to the deepest


def rims_of(
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


def heights_met_m(candidate: Candidate, shared_m: npt.ArrayLike, deepest_m: npt.ArrayLike) -> tuple[Array, Array]:
    """Return the heights above flat ground with swaths as two lines share them at least and the deepest, any shape.

    Neither is below nominal height: what rises above the ground that it counts from has more returns, not fewer.
    """
    meeting = np.asarray(shared_m) / (2 * np.tan(candidate.half_angle_rad))
    high = np.maximum(candidate.agl_m, deepest_m)
    return np.clip(meeting, candidate.agl_m, high), high


def fastest_between_mps(
    mission: Mission, task: Task, candidate: Candidate, spacing_m: float, least_m: float, deepest_m: float
) -> float:
    """Return the highest speed [m/s] that keeps the density between lines from a least to a greatest height [m]."""
    if not candidate.half_angle_rad:
        return candidate.rating.pulse_rate_hz / (task.target_per_m2 * spacing_m)
    heights = np.linspace(least_m, max(deepest_m, least_m), DEPTHS)
    return float(np.min(fastest_mps(mission, task, candidate, heights, np.full((heights.size, 1), spacing_m))))


def fastest_mps(mission: Mission, task: Task, candidate: Candidate, heights_m: Array, spacings_m: Array) -> Array:
    """Return the highest speed [m/s] that keeps the density at heights (h,) and spacings (h, s) [m], shape (h, s)."""
    rating, half_rad = candidate.rating, candidate.half_angle_rad
    reached = reached_rad(mission, rating, heights_m, task.dark)
    least = least_per_m_s(mission, rating, half_rad, heights_m, reached, spacings_m)
    pattern = flown_pattern(mission, rating, candidate.line_rate_hz, half_rad)
    return fastest_flown_mps(mission, task, pattern, least, candidate.agl_m)
