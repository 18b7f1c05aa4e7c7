"""The points of a flight: every pulse fired at its own time, and each of its returns where it comes from.

Lives here: echoes of one leg, ray by ray, crowns included, and their relative intensity. Must not know flight lines,
coordinate systems or files.
"""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from planner.ground.kernels import kernel
from planner.ground.raycast import ceilings_of
from planner.ground.surface import HeightGrid, Layers
from planner.ranging.attitude import Leg, to_world
from planner.ranging.canopy import Crowns, crowns_of, sample_crown_returns, transmission
from planner.ranging.casting import land
from planner.ranging.fates import Light, chance_at, light_of
from planner.ranging.linkbudget import Reach
from planner.ranging.patterns import KIND, OPENING, PULSES, SWINGS, USABLE, beam_direction, pulse_number

Array = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]

PULSES_AT_ONCE = 250_000
"""Pulses in one batch of echoes: about a hundred megabytes."""

FULL_INTENSITY = 65535.0
FULL_INTENSITY_RANGE_M = 10.0
"""Range at which a face met squarely has full intensity [m]; nearer ones saturate."""

LEAF_COSINE = 0.5
"""Mean cosine of incidence on leaves that face every way alike."""

_SEARCH_STEPS = 40
_SEARCH_M = 1e-3
_SEARCH_SHARE = 1e-6
_DARKEST = 1e-300  # least share of light let through whose logarithm is finite

# Columns of the array of rays: where from, where to, scan angle, ranges of the first hit and of the solid surface,
# cosine of incidence on the solid surface, foliage on the way to it, and the chances to be seen from each.
_ORIGIN, _TOWARDS, _ANGLE, _ENTRY, _END, _COSINE, _FOLIAGE = slice(0, 3), slice(3, 6), 6, 7, 8, 9, 10
_FIRST, _SOLID = 11, 12


@dataclass(frozen=True)
class Echoes:
    """Returns of some pulses of a leg, in the order of pulses, and of range within a pulse.

    Attributes
    ----------
    fired : int
        Pulses sent within the usable opening, with or without a return.
    points_m : ndarray, shape (n, 3)
        East, north, up of each return, local [m].
    entry_m : ndarray, shape (n, 3)
        Where the pulse of each return meets the top surface, local [m]. The forecast counts the first return there;
        the first return itself may lie deeper in the crown. nan where the top surface gives no return - met too
        obliquely, say - but the ground beneath it does.
    time_s : ndarray, shape (n,)
        Time the pulse left, from the start of the leg [s].
    pulse : ndarray of int64, shape (n,)
        Number of the pulse (pixel, for frames), from 0 at the start of the leg.
    return_number, number_of_returns : ndarray of uint8, shape (n,)
        Place of the return among those of its pulse, from 1, and how many there are.
    scan_angle_rad : ndarray, shape (n,)
        Angle across the track, the roll of the sensor included, positive to the right [rad].
    range_m : ndarray, shape (n,)
        Distance from the sensor [m].
    cos_incidence : ndarray, shape (n,)
        Cosine of incidence on the face; `LEAF_COSINE` for returns from crowns.
    is_ground, is_crown : ndarray of bool, shape (n,)
        Whether the return comes from bare ground, or from a crown; else it is a roof or the like.
    """

    fired: int
    points_m: Array
    entry_m: Array
    time_s: Array
    pulse: npt.NDArray[np.int64]
    return_number: npt.NDArray[np.uint8]
    number_of_returns: npt.NDArray[np.uint8]
    scan_angle_rad: Array
    range_m: Array
    cos_incidence: Array
    is_ground: Mask
    is_crown: Mask


def relative_intensity(range_m: npt.ArrayLike, cos_incidence: npt.ArrayLike) -> Array:
    """Return the signal of returns, 0 to `FULL_INTENSITY`, relative only: nothing is claimed of reflectance.

    An extended diffuse face returns power as cos(incidence) / range^2 (Wehr and Lohr 1999, ISPRS J. 54:68-82); full
    intensity is that of a face met squarely at `FULL_INTENSITY_RANGE_M`. Air, reflectance and what earlier returns
    took of the pulse are left out.
    """
    nearness = FULL_INTENSITY_RANGE_M / np.asarray(range_m, dtype=np.float64)
    return np.asarray(FULL_INTENSITY * np.minimum(np.asarray(cos_incidence) * nearness**2, 1.0))


@kernel
def _foliage_between(crowns, point, sensor):
    """Return the foliage on a path as an optical depth: the mean number of contacts of a thin ray with leaves."""
    return -np.log(max(transmission(crowns, point, sensor), _DARKEST))


@kernel
def _place(origins, place, origin):
    """Fill where the sensor is at a place among samples, counted from the start of the first."""
    last = len(origins) - 1
    before = min(max(int(np.floor(place - 0.5)), 0), max(last - 1, 0))
    share = place - 0.5 - before
    for axis in range(3):
        origin[axis] = origins[before, axis]
        if last > 0:
            origin[axis] += share * (origins[before + 1, axis] - origins[before, axis])


@kernel
def _turned(turn, forward, right, down):
    """Return east, north and up of a direction in the sensor's axes."""
    return (
        turn[0, 0] * forward + turn[0, 1] * right + turn[0, 2] * down,
        turn[1, 0] * forward + turn[1, 1] * right + turn[1, 2] * down,
        turn[2, 0] * forward + turn[2, 1] * right + turn[2, 2] * down,
    )


@kernel
def _in_opening(figures, planar, number, angle, least, most):
    """Return whether a pulse lies within the usable opening, by the rule of the forecast for such a pattern."""
    if not planar:
        return abs(angle) <= figures[USABLE] + 1e-12
    pulses = figures[PULSES]
    line = np.floor((number + 0.5) / pulses)
    place = number + 0.5 - line * pulses
    if figures[SWINGS] > 0 and line % 2 == 1:
        place = pulses - place
    return least <= place < most


@kernel
def _fire(surfaces, crowns, light, flight, pattern, span, filled):
    """Fire a span of pulses and fill a row for each that may return; returns rows, and pulses fired.

    Parameters
    ----------
    surfaces : tuple
        Lattices of top and solid surface, which squares are bare ground, which are unknown (empty for none), and
        classes of squares (empty where all are one).
    crowns, light : tuple
        As in `canopy` and `fates`.
    flight : tuple
        Places [m], matrices to east, north, up, and rolls [rad] of the sensor at each sample; pulses a sample.
    pattern : tuple
        Figures and elevations as for `beam_direction`, and whether its scan lines are planes.
    filled : tuple of ndarray, shapes (n, 13), (n,) and (n,)
        Rays, numbers of pulses, and whether they end on bare ground.
    """
    rays, pulses, on_bare = filled
    top, solid, bare, unknown, codes = surfaces
    origins, turns, rolls, per_sample = flight
    figures, elevations, planar = pattern
    kind, opening = int(figures[KIND]), figures[OPENING]
    least = pulse_number(kind, -figures[USABLE], opening, figures[PULSES])
    most = pulse_number(kind, figures[USABLE], opening, figures[PULSES])
    rows = fired = 0
    origin = np.empty(3)
    for number in range(span[0], span[1]):
        forward, right, down, angle = beam_direction(figures, elevations, number)
        if not _in_opening(figures, planar, number, angle, least, most):
            continue
        fired += 1
        place = (number + 0.5) / per_sample
        sample = min(int(place), len(origins) - 1)
        _place(origins, place, origin)
        east, northing, rise = _turned(turns[sample], forward, right, down)
        entry, row, col, plane2 = land(top, origin, east, northing, rise)
        if entry == 0.0 or (unknown.size > 0 and unknown[row, col]):
            continue
        if crowns.density_per_m.size > 0 and crowns.density_per_m[row, col] > 0.0:  # leaves face every way
            plane2 = -1.0
        first_chance = chance_at(light, codes[row, col] if codes.size > 0 else 0, entry, plane2)
        end, solid_chance, foliage = entry, first_chance, 0.0
        if crowns.density_per_m.size > 0:
            below, low_row, low_col, low_plane2 = land(solid, origin, east, northing, rise)
            if below == 0.0 or (unknown.size > 0 and unknown[low_row, low_col]):
                solid_chance = 0.0
            elif below > entry:
                end, row, col, plane2 = below, low_row, low_col, low_plane2
                solid_chance = chance_at(light, codes[row, col] if codes.size > 0 else 0, end, plane2)
                point = (origin[0] + end * east, origin[1] + end * northing, origin[2] + end * rise)
                foliage = _foliage_between(crowns, point, origin)
        if not first_chance + solid_chance > 0.0:
            continue
        ray = rays[rows]
        ray[0], ray[1], ray[2] = origin
        ray[3], ray[4], ray[5] = east, northing, rise
        ray[6], ray[7], ray[8] = angle + rolls[sample], entry, end
        ray[9], ray[10] = 1.0 if plane2 < 0.0 else np.sqrt(plane2) / end, foliage
        ray[11], ray[12] = first_chance, solid_chance
        pulses[rows] = number
        on_bare[rows] = bare[row, col]
        rows += 1
    return rows, fired


@kernel
def _ranges_in_crowns(crowns, rays, which, shares, out):
    """Fill the ranges at which rays have passed given shares of the foliage between first hit and solid surface."""
    for i in range(len(which)):
        ray = rays[which[i]]
        low, high, wanted = ray[7], ray[8], shares[i] * ray[10]
        off_low, off_high = -wanted, ray[10] - wanted
        if not off_low < 0.0 < off_high:
            high = low
        side = 0
        for _ in range(_SEARCH_STEPS):
            if high - low < _SEARCH_M:
                break
            # False position; an end that stays gets half its weight (the Illinois rule), so that both ends close in.
            at = low - off_low / (off_high - off_low) * (high - low)
            point = (ray[0] + at * ray[3], ray[1] + at * ray[4], ray[2] + at * ray[5])
            off = _foliage_between(crowns, point, ray[:3]) - wanted
            if off < 0.0:
                off_high = off_high / 2 if side < 0 else off_high
                low, off_low, side = at, off, -1
            else:
                off_low = off_low / 2 if side > 0 else off_low
                high, off_high, side = at, off, 1
            if abs(off) <= _SEARCH_SHARE * ray[10]:
                low = high = at
        out[i] = (low + high) / 2


def _lattice(grid: HeightGrid) -> tuple[Array, Array, float, float, float, float, float]:
    """Return a grid as kernels read it: see `casting`."""
    z = np.ascontiguousarray(grid.heights_m, dtype=np.float64)
    return z, ceilings_of(z), float(z.max()), float(z.min()), grid.west_m, grid.north_m, grid.spacing_m


def _unknown(layers: Layers) -> Mask:
    """Return which lattice squares have an unknown corner; empty where there are none."""
    known = layers.top.known & layers.ground.known
    squares = known[:-1, :-1] & known[1:, :-1] & known[:-1, 1:] & known[1:, 1:]
    return np.zeros((0, 0), dtype=bool) if squares.all() else ~squares


def _pulses_of(leg: Leg) -> int:
    """Return how many pulses the forecast fires on a leg, in all directions; whole scan lines where it sweeps them."""
    if leg.pattern.planar:
        return max(int(np.ceil(len(leg.origins_m) * leg.pattern.pulses_per_line - 0.5)), 0)
    return leg.pulses


def echoes_of(
    layers: Layers,
    leg: Leg,
    light: Light | Reach,
    returns_per_pulse: int,
    generator: np.random.Generator,
    *,
    codes: npt.NDArray[np.uint8] | None = None,
    at_once: int = PULSES_AT_ONCE,
) -> Iterator[Echoes]:
    """Fire every pulse of a leg and yield its returns, some pulses at a time.

    It is the forecast's flight, but for one thing: the sensor is where it is when the pulse leaves, not where it is
    in the middle of its scan line, which moves points along the track by half of speed / line rate at most.

    Whether a pulse is within reach is judged where it meets the top surface and where it meets what is solid. Where
    crowns lie between the two, chance tells whether it reaches the ground and how many returns it has from crowns
    (see `canopy.expected_returns`); these lie evenly in the foliage along its path. A pulse that meets a crown within
    reach has a return in any case. Pulses that meet unknown ground give none.

    Parameters
    ----------
    layers : Layers
        What pulses meet.
    leg : Leg
        The flight.
    light : Light or Reach
        What returns, in the first of its cases.
    returns_per_pulse : int
        Most returns of a pulse that the sensor keeps.
    generator : numpy Generator
        Source of chance among crowns; the same state gives the same echoes.
    codes : ndarray of uint8, shape (rows - 1, cols - 1), optional
        Class of each lattice square, places in the factors of the light.
    at_once : int
        Pulses fired for one batch; where there are crowns the draw depends on it.

    Yields
    ------
    Echoes
        Returns of the next pulses; may hold none.
    """
    crowns, pattern = crowns_of(layers), leg.pattern
    lit = light_of([light]) if isinstance(light, Reach) else light
    classes = np.zeros((0, 0), dtype=np.uint8) if codes is None else np.ascontiguousarray(codes)
    surfaces = _lattice(layers.top), _lattice(layers.solid()), layers.bare(), _unknown(layers), classes
    per_sample = pattern.pulses_per_line if pattern.planar else pattern.pulse_rate_hz / leg.samples_hz
    flight = leg.origins_m, to_world(leg.angles_rad), np.ascontiguousarray(leg.angles_rad[:, 2]), per_sample
    scan = pattern.figures(), np.asarray(pattern.beam_elevations_rad), pattern.planar
    count = _pulses_of(leg)
    for first in range(0, count, at_once):
        last = min(first + at_once, count)
        rays, pulses = np.empty((last - first, 13)), np.empty(last - first, dtype=np.int64)
        on_bare = np.empty(last - first, dtype=np.bool_)
        filled = rays, pulses, on_bare
        rows, fired = _fire(surfaces, crowns, lit, flight, scan, (first, last), filled)
        yield _echoes(
            (rays[:rows], pulses[:rows], on_bare[:rows]),
            fired,
            crowns,
            returns_per_pulse,
            generator,
            pattern.pulse_rate_hz,
        )


def _echoes(
    fired_at: tuple[Array, npt.NDArray[np.int64], Mask],
    fired: int,
    crowns: Crowns,
    most: int,
    generator: np.random.Generator,
    pulse_rate_hz: float,
) -> Echoes:
    """Return the returns of pulses that `_fire` filled in: draw those from crowns and lay all out in order."""
    rays, pulses, on_bare = fired_at
    seen = generator.random(len(rays))
    first, solid = seen < rays[:, _FIRST], seen < rays[:, _SOLID]
    if crowns.density_per_m.size > 0:
        through, contacts = sample_crown_returns(generator, rays[:, _FOLIAGE], most)
        through &= solid
        contacts = np.where(first, np.maximum(contacts, ~through), 0)
    else:
        through, contacts = solid, np.zeros(len(rays), dtype=np.int64)
    returns = contacts + through
    of = np.repeat(np.arange(len(rays)), returns)
    number = np.arange(len(of)) - np.repeat(np.cumsum(returns) - returns, returns) + 1
    in_crown = number <= contacts[of]
    ranges = rays[of, _END]
    if in_crown.any():
        which, shares = of[in_crown], generator.random(int(in_crown.sum()))
        ranges_in_crowns = np.empty(len(which))
        # Pulses are in order already: this sorts the shares within each.
        _ranges_in_crowns(crowns, rays, which, shares[np.lexsort((shares, which))], ranges_in_crowns)
        ranges[in_crown] = ranges_in_crowns
    origin, towards = rays[of, _ORIGIN], rays[of, _TOWARDS]
    entry = np.where(first, rays[:, _ENTRY], np.nan)[of]
    return Echoes(
        fired=fired,
        points_m=origin + ranges[:, np.newaxis] * towards,
        entry_m=origin + entry[:, np.newaxis] * towards,
        time_s=np.asarray((pulses[of] + 0.5) / pulse_rate_hz, dtype=np.float64),
        pulse=pulses[of],
        return_number=number.astype(np.uint8),
        number_of_returns=returns[of].astype(np.uint8),
        scan_angle_rad=rays[of, _ANGLE],
        range_m=ranges,
        cos_incidence=np.where(in_crown, LEAF_COSINE, rays[of, _COSINE]),
        is_ground=~in_crown & on_bare[of],
        is_crown=in_crown,
    )
