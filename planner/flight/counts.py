"""What the emptiest cells count, where the mean says more: scan lines and pulses come in whole numbers.

Lives here: the counting of each kind of pattern, and speed or density from it. Must not know terrain, lines or
missions.
"""

from dataclasses import dataclass
from statistics import NormalDist

import numpy as np
import numpy.typing as npt

from planner.ranging.beams import ScanPattern

Array = npt.NDArray[np.float64]

LEAST_PERCENTILE = 0.1  # no cell at all below a count asks for more than a normal spread can say


@dataclass(frozen=True)
class Grain:
    """How coarse the points of a pattern lie on the ground.

    Attributes
    ----------
    lines_hz : float
        Lines of points laid per second, all beams, arcs or pixel rows together [Hz].
    combs : int
        Sets of evenly spaced lines that lie anyhow to one another: 1 for one beam that scans, the beams of a fan, the
        rows of a frame, 2 arcs of a cone; 0 where a path runs criss-cross, as a rosette's does.
    aligned : bool
        Whether the points of all lines lie at the same places across the flight, as of one beam or in a frame.
    spread : float
        Standard deviations below the mean at which the share of cells begins that may hold less.
    """

    lines_hz: float
    combs: int
    aligned: bool
    spread: float


def grain_of(pattern: ScanPattern, percentile: float) -> Grain:
    """Return the grain of a pattern, judged at a percentile of cells [percent].

    A rosette's path crosses the neighbourhood of its middle line about twice a turn, as a cone's does, and is
    sqrt(1 + r^2) times as long where the second wedge makes r turns to one of the first. Derived here.
    """
    spread = -NormalDist().inv_cdf(max(percentile, LEAST_PERCENTILE) / 100)
    beams = len(pattern.beam_elevations_rad)
    lines_a_turn, combs = {
        "conical": (2.0, 2),
        "rosette": (2 * np.hypot(1.0, pattern.wedge_ratio), 0),
        "matrix": (float(pattern.frame_pixels[1]), pattern.frame_pixels[1]),
    }.get(pattern.kind, (float(beams), beams))
    aligned = combs == 1 or pattern.kind == "matrix"
    return Grain(float(pattern.line_rate_hz * lines_a_turn), combs, aligned, spread)


def counting_floor(cell_m: npt.ArrayLike, along_spacing_m: npt.ArrayLike, across_spacing_m: npt.ArrayLike) -> Array:
    """Return the least share of its mean count that a cell can hold, any shape, 0-1.

    A cell [m] set anywhere on scan lines and pulses at these spacings [m] holds at least the whole part of the mean
    number of each; a percentile of cells sees those counts, not the mean.
    """
    along = np.asarray(cell_m) / np.asarray(along_spacing_m)
    across = np.asarray(cell_m) / np.asarray(across_spacing_m)
    return np.asarray(np.floor(along + 1e-9) / along * np.floor(across + 1e-9) / across)


def fastest_mps(grain: Grain, least_per_m_s: npt.ArrayLike, cell_m: float, target_per_m2: float) -> Array:
    """Return the highest speed [m/s] at which the emptiest cells still count a density, any shape.

    `least_per_m_s` is the least density at 1 m/s [1/(m s)]. Of K in it a cell of side c meets P = c K / f points on
    each of M = c f / v lines. One comb: a cell holds floor(P) points on each of floor(M) lines, so
    v = c f / ceil(target c^2 / floor(P)). The counts of n combs that lie anyhow have a standard deviation of at most
    1/2 each: (P - z / (2 sqrt n)) (M - z sqrt n / 2), with floor(P) where points are aligned. Criss-cross, N = P M
    points come in bunches of max(P, 1) at random: N - z sqrt(N max(P, 1)). 0 where lines may miss the cell at any
    speed. Derived here.
    """
    least = _finite(least_per_m_s)
    pulses, target = cell_m * least / grain.lines_hz, target_per_m2 * cell_m**2
    with np.errstate(divide="ignore", invalid="ignore"):
        if grain.combs == 0:
            bunch = np.maximum(pulses, 1.0)
            points = bunch * (grain.spread / 2 + np.sqrt(grain.spread**2 / 4 + target / bunch)) ** 2
            return np.asarray(least * cell_m**2 / points)
        sure = _sure_pulses(grain, pulses)
        lines = target / sure
        lines = np.ceil(lines - 1e-9) if grain.combs == 1 else lines + grain.spread * np.sqrt(grain.combs) / 2
        return np.asarray(np.where(sure > 0, cell_m * grain.lines_hz / np.maximum(lines, 1.0), 0.0))


def counted_density_per_m2(
    grain: Grain, least_per_m_s: npt.ArrayLike, cell_m: float, speed_mps: npt.ArrayLike
) -> Array:
    """Return the density [1/m2] the emptiest cells count at a speed [m/s], any shape; the way back of `fastest_mps`."""
    least, speed = _finite(least_per_m_s), np.asarray(speed_mps, dtype=np.float64)
    pulses, lines = cell_m * least / grain.lines_hz, cell_m * grain.lines_hz / speed
    if grain.combs == 0:
        points = pulses * lines
        sure = points - grain.spread * np.sqrt(points * np.maximum(pulses, 1.0))
        return np.asarray(np.maximum(sure, 0.0) / cell_m**2)
    return np.asarray(_sure_pulses(grain, pulses) * _sure_lines(grain, lines) / cell_m**2)


def needed_per_m_s(grain: Grain, cell_m: float, target_per_m2: float, speed_mps: npt.ArrayLike) -> Array:
    """Return the density at 1 m/s [1/(m s)] with which the emptiest cells count a density at a speed [m/s], any shape.

    The least K of `counted_density_per_m2`; inf where a cell may lie between lines.
    """
    lines = cell_m * grain.lines_hz / np.asarray(speed_mps, dtype=np.float64)
    target = target_per_m2 * cell_m**2
    with np.errstate(divide="ignore", invalid="ignore"):
        if grain.combs == 0:
            single = (grain.spread / 2 + np.sqrt(grain.spread**2 / 4 + target)) ** 2
            bunched = np.where(lines > grain.spread**2, target / (1 - grain.spread / np.sqrt(lines)), np.inf)
            return np.asarray(np.where(single <= lines, single, bunched) / lines * grain.lines_hz / cell_m)
        pulses = target / _sure_lines(grain, lines)
        pulses = np.ceil(pulses - 1e-9) if grain.aligned else pulses + grain.spread / (2 * np.sqrt(grain.combs))
    return np.asarray(grain.lines_hz / cell_m * pulses)


def _finite(least_per_m_s: npt.ArrayLike) -> Array:
    least = np.asarray(least_per_m_s, dtype=np.float64)
    return np.where(np.isfinite(least), least, 0.0)


def _sure_pulses(grain: Grain, pulses: Array) -> Array:
    if grain.aligned:
        return np.asarray(np.floor(pulses + 1e-9))
    return np.asarray(np.maximum(pulses - grain.spread / (2 * np.sqrt(grain.combs)), 0.0))


def _sure_lines(grain: Grain, lines: Array) -> Array:
    if grain.combs == 1:
        return np.asarray(np.floor(lines + 1e-9))
    return np.asarray(np.maximum(lines - grain.spread * np.sqrt(grain.combs) / 2, 0.0))
