"""Swaths over flat ground: width, sidelap, spacing, strips and density, closed forms both ways.

Lives here: relations between height, angle, spacing and density. Must not know terrain, lines or missions.
"""

from collections.abc import Callable

import numpy as np
import numpy.typing as npt

from planner.equipment import WHOLE_OPENING
from planner.ranging.beams import ScanPattern, angular_pulse_rate, usable_share
from planner.ranging.linkbudget import Reach

Array = npt.NDArray[np.float64]

PLACES = 33  # between a line and the middle to its neighbour; the density is smooth between swath edges
MOST_PASSES = 50  # on either side; swaths that overlap more than this are not told apart


def swath_width_m(agl_m: npt.ArrayLike, half_angle_rad: npt.ArrayLike) -> Array:
    """Return the swath width 2 h tan T [m], any shape (Baltsavias 1999, ISPRS J. 54:199-214)."""
    return np.asarray(2 * np.asarray(agl_m) * np.tan(half_angle_rad))


def line_spacing_m(width_m: npt.ArrayLike, sidelap_share: npt.ArrayLike) -> Array:
    """Return the line spacing [m] that leaves a share of each swath [m] to its neighbour."""
    return np.asarray(np.asarray(width_m) * (1 - np.asarray(sidelap_share)))


def sidelap(width_m: npt.ArrayLike, spacing_m: npt.ArrayLike) -> Array:
    """Return the share of a swath [m] that its neighbour at a spacing [m] covers too; negative for a gap."""
    return np.asarray(1 - np.asarray(spacing_m) / np.asarray(width_m))


def strips_needed(
    across_m: npt.ArrayLike, width_m: npt.ArrayLike, sidelap_share: npt.ArrayLike
) -> npt.NDArray[np.int64]:
    """Return how many strips of a swath width [m] cover an area `across_m` wide, at least 1.

    n = ceil((W - q SW) / (SW (1 - q))), Baltsavias 1999.
    """
    width, share = np.asarray(width_m, dtype=np.float64), np.asarray(sidelap_share, dtype=np.float64)
    strips = np.ceil((np.asarray(across_m) - share * width) / (width * (1 - share)) - 1e-9)
    return np.maximum(strips, 1).astype(np.int64)


def points_per_line(pulse_rate_hz: npt.ArrayLike, line_rate_hz: npt.ArrayLike) -> Array:
    """Return pulses per scan line, F / f, need not be whole (Baltsavias 1999)."""
    return np.asarray(np.asarray(pulse_rate_hz) / np.asarray(line_rate_hz))


def farthest_cosine(pattern: ScanPattern, angle_rad: npt.ArrayLike) -> Array:
    """Return the cosine of incidence on flat ground of the farthest pulse sent at scan angles [rad], any shape.

    A plane tilted by t meets the ground at cos(angle) cos t; a beam that looks e ahead of it at
    cos e cos(angle) cos t - sin e sin t. A whole opening T must be reached at once: a ring or rosette tilted by t is
    farthest at cos(T + t), a frame in a corner: (cos t - tan A sin t) / sqrt(1 + tan^2 T + tan^2 A) with A half its
    opening along the flight. Derived here.
    """
    angle, tilt = np.asarray(angle_rad, dtype=np.float64), pattern.forward_tilt_rad
    opening = pattern.optical_half_angle_rad
    if pattern.kind in ("conical", "rosette"):
        return np.full(angle.shape, np.cos(opening + abs(tilt)))
    if pattern.kind == "matrix":
        aside, ahead = np.tan(opening), np.tan(pattern.along_half_angle_rad)
        corner = (np.cos(tilt) - ahead * abs(np.sin(tilt))) / np.sqrt(1 + aside**2 + ahead**2)
        return np.full(angle.shape, corner)
    beams = np.asarray(pattern.beam_elevations_rad)
    cosines = np.cos(beams) * np.cos(angle)[..., np.newaxis] * np.cos(tilt) - np.sin(beams) * np.sin(tilt)
    return np.asarray(cosines.min(axis=-1))


def reach_half_angle_rad(reach: Reach, agl_m: npt.ArrayLike, pattern: ScanPattern) -> Array:
    """Return the largest scan angle [rad] whose pulses come back from flat ground, any shape; nan for none.

    A pulse must cross h / cos(incidence). Reach times that cosine grows with it, so the least cosine is found by
    halving; without air it is (h / R0)^(2/3). A pattern that is accepted whole has all of its opening or none.
    """
    height = np.asarray(agl_m, dtype=np.float64)
    low, high = np.zeros(height.shape), np.ones(height.shape)
    for _ in range(50):
        middle = (low + high) / 2
        enough = reach.longest_m(middle) * middle >= height
        low, high = np.where(enough, low, middle), np.where(enough, middle, high)
    none = reach.longest_m(1.0) < height
    if pattern.kind in WHOLE_OPENING:
        none |= farthest_cosine(pattern, 0.0) < high
        return np.where(none, np.nan, pattern.optical_half_angle_rad)
    beams, tilt = np.asarray(pattern.beam_elevations_rad), pattern.forward_tilt_rad
    ahead = (high[..., np.newaxis] + np.sin(beams) * np.sin(tilt)) / (np.cos(beams) * np.cos(tilt))
    cosine = np.maximum(ahead.max(axis=-1), -1.0)
    return np.where(none | (cosine > 1), np.nan, np.arccos(np.minimum(cosine, 1.0)))


def along_half_angle_rad(pattern: ScanPattern) -> float:
    """Return how far a pattern looks along the flight from straight down, ahead or back, its tilt included [rad]."""
    if pattern.kind in ("conical", "rosette"):
        own = pattern.optical_half_angle_rad
    elif pattern.kind == "matrix":
        own = pattern.along_half_angle_rad
    else:
        own = float(np.abs(pattern.beam_elevations_rad).max())
    return own + abs(pattern.forward_tilt_rad)


def frames_join_mps(pattern: ScanPattern, agl_m: npt.ArrayLike) -> Array:
    """Return the highest speed [m/s] at which each frame begins where the last one ended, any shape.

    A frame covers 2 h tan A along the flight; the corners of a tilted one are left out. inf where nothing comes in
    frames.
    """
    height = np.asarray(agl_m, dtype=np.float64)
    if pattern.kind != "matrix":
        return np.full(height.shape, np.inf)
    return np.asarray(pattern.line_rate_hz * 2 * height * np.tan(pattern.along_half_angle_rad))


def single_pass_density_per_m2(
    pattern: ScanPattern, offset_m: npt.ArrayLike, agl_m: npt.ArrayLike, speed_mps: npt.ArrayLike
) -> Array:
    """Return the density [1/m2] one pass leaves on flat ground at a distance [m] beside its track, any shape.

    D(y) = rate(t) cos^2 t / (v h), t = atan(y / h), h the height along the tilted scan plane.
    """
    height = np.asarray(agl_m) / np.cos(pattern.forward_tilt_rad)
    angle = np.arctan2(np.asarray(offset_m, dtype=np.float64), height)
    return np.asarray(angular_pulse_rate(pattern, angle) * np.cos(angle) ** 2 / (np.asarray(speed_mps) * height))


def least_aggregate_density_per_m2(
    pattern: ScanPattern,
    agl_m: npt.ArrayLike,
    speed_mps: npt.ArrayLike,
    spacing_m: npt.ArrayLike,
    reached_rad: npt.ArrayLike = np.inf,
) -> Array:
    """Return the least density [1/m2] anywhere between equally spaced lines, all passes pooled, any shape.

    Beyond the angle [rad] that the light reaches, nothing comes back.
    """
    return _least(pattern, np.add, agl_m, speed_mps, spacing_m, reached_rad)


def least_single_density_per_m2(
    pattern: ScanPattern,
    agl_m: npt.ArrayLike,
    speed_mps: npt.ArrayLike,
    spacing_m: npt.ArrayLike,
    reached_rad: npt.ArrayLike = np.inf,
) -> Array:
    """Return the least density [1/m2] anywhere between equally spaced lines, the best one pass taken, any shape.

    Beyond the angle [rad] that the light reaches, nothing comes back.
    """
    return _least(pattern, np.maximum, agl_m, speed_mps, spacing_m, reached_rad)


def mean_aggregate_density_per_m2(pattern: ScanPattern, speed_mps: npt.ArrayLike, spacing_m: npt.ArrayLike) -> Array:
    """Return the mean density [1/m2] of all passes, F f / (v S): the height falls out."""
    return np.asarray(pattern.pulse_rate_hz * usable_share(pattern) / (np.asarray(speed_mps) * np.asarray(spacing_m)))


def farthest_alone_m(pattern: ScanPattern, agl_m: npt.ArrayLike, needed_per_m_s: npt.ArrayLike) -> Array:
    """Return how far beside an outermost line [m] its pass alone leaves at least a density at 1 m/s [1/(m s)].

    Any shapes that broadcast; 0 where the line falls short beneath itself, as a cone or a slow-ended mirror does first.
    """
    agl, needed = (np.asarray(values, dtype=np.float64)[..., np.newaxis] for values in (agl_m, needed_per_m_s))
    half_width = swath_width_m(agl / np.cos(pattern.forward_tilt_rad), pattern.usable_half_angle_rad) / 2
    offsets = half_width * np.linspace(0.0, 1 - 1e-9, PLACES)
    enough = single_pass_density_per_m2(pattern, offsets, agl, 1.0) >= needed * (1 - 1e-6)
    so_far = np.logical_and.accumulate(enough, axis=-1)
    return np.asarray(np.max(np.where(so_far, offsets, 0.0), axis=-1))


def _least(
    pattern: ScanPattern,
    pool: Callable[[Array, Array], Array],
    *places_flown: npt.ArrayLike,
) -> Array:
    """Return the least pooled density over the places between lines; the least is often just past a swath edge."""
    agl, speed, spacing, reached = (
        np.asarray(values, dtype=np.float64)[..., np.newaxis] for values in np.broadcast_arrays(*places_flown)
    )
    height = agl / np.cos(pattern.forward_tilt_rad)
    half_width = height * np.tan(np.minimum(reached, pattern.usable_half_angle_rad))
    edge = np.abs(half_width - spacing * np.round(half_width / spacing)) / spacing
    shares = np.broadcast_to(np.linspace(0.0, 0.5, PLACES), (*edge.shape[:-1], PLACES))
    places = np.concatenate([shares, np.abs(edge - 1e-9), edge + 1e-9], axis=-1) * spacing
    passes = int(min(np.ceil(np.max(half_width / spacing, initial=0.0)) + 1, MOST_PASSES))
    density = np.zeros(places.shape)
    for line in range(-passes, passes + 1):
        offsets = places - line * spacing
        one = single_pass_density_per_m2(pattern, offsets, agl, speed)
        density = pool(density, np.where(np.abs(offsets) <= half_width, one, 0.0))
    return np.asarray(density.min(axis=-1))
