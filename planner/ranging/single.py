"""One leg and one cell: what the leg sends there, from where, and what stands in the way.

Lives here: the cell as a face, the pulse aimed at it, the obstacle before it, and a tally cut down to it. Must not know
flight lines, requirements or files.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, fields, replace

import numpy as np
import numpy.typing as npt

from planner.ground.surface import CellGrid, HeightGrid, Layers
from planner.ranging.attitude import Leg, to_world
from planner.ranging.beams import ScanPattern
from planner.ranging.fates import CHANNELS, Light
from planner.ranging.patterns import SLACK_RAD, beam_directions
from planner.ranging.pulses import Tally, fire_legs

Array = npt.NDArray[np.float64]
Whole = npt.NDArray[np.int64]

_PULSES_AT_ONCE = 250_000
_BETWEEN_SAMPLES_M = 1.0  # a pulse leaves between two samples of the trajectory: its place is that much off at most
_LEVEL_RAD = 1e-10  # tilt of a scan plane that is none
_MOST_LINES, _WHOLE = 1000, 1e-7  # scan lines after which its phase must come back, and pulses that it may be off
_MOST_STARTS = 8  # places across a cell, either way, that are looked from for an obstacle


@dataclass(frozen=True)
class Spot:
    """A cell as one face.

    Attributes
    ----------
    centre_m : ndarray, shape (3,)
        East, north, and height of the top surface there [m].
    rise : (float, float)
        Mean rise of the top surface per metre eastward and northward.
    side_m : float
        Side of the cell [m].
    slopes_rad : (float, float)
        Slope of the flattest and of the steepest piece of top surface in it [rad].
    lowest_m, highest_m : float
        Least and greatest height of ground and top surface in the cell [m].
    leafy : bool
        Whether crowns stand at its centre: leaves face every way.
    """

    centre_m: Array
    rise: tuple[float, float]
    side_m: float
    slopes_rad: tuple[float, float]
    lowest_m: float
    highest_m: float
    leafy: bool


@dataclass(frozen=True)
class Aim:
    """How a leg looks at a spot: by the pulse that points nearest to its centre.

    Attributes
    ----------
    aimed : int
        Pulses that would meet the face, whatever stands before it.
    origin_m : ndarray, shape (3,)
        Place of the sensor [m].
    range_m : float
        From the sensor to the centre [m].
    scan_angle_rad : float
        Angle of the pulse from the middle of the scan, positive to the right [rad].
    cos_incidence : float
        Cosine of the angle between pulse and normal of the face; 0 where it faces away, 1 for leaves.
    samples : (int, int)
        First and last sample of the leg from which the cell can be met.
    """

    aimed: int
    origin_m: Array
    range_m: float
    scan_angle_rad: float
    cos_incidence: float
    samples: tuple[int, int]


@dataclass(frozen=True)
class Obstacle:
    """What hides a spot from the sensor.

    Attributes
    ----------
    distance_m, height_m : float
        Horizontal distance from the spot, and height above it [m].
    """

    distance_m: float
    height_m: float


def spot_of(layers: Layers, cells: CellGrid, place: tuple[int, int]) -> Spot:
    """Return a cell, given by its row and column, as one face."""
    (row, col), side = place, cells.factor
    part = slice(row * side, (row + 1) * side + 1), slice(col * side, (col + 1) * side + 1)
    top, ground = layers.top.heights_m[part], layers.ground.heights_m[part]
    east, north = cells.west_m + (col + 0.5) * cells.cell_m, cells.north_m - (row + 0.5) * cells.cell_m
    height = float(_bridged(layers.top).at(east, north))
    # Least squares: on a square lattice round its middle the two slopes do not mix.
    off = (np.arange(side + 1) - side / 2) * layers.top.spacing_m
    spread = float((off**2).sum() * (side + 1))
    rise = float((top * off).sum()) / spread, -float((top * off[:, np.newaxis]).sum()) / spread
    leafy = layers.foliage is not None and bool(layers.foliage[row * side + side // 2, col * side + side // 2] > 0)
    across, down = np.diff(top, axis=1) / layers.top.spacing_m, np.diff(top, axis=0) / layers.top.spacing_m
    steep = np.arctan([np.hypot(across[:-1], down[:, 1:]), np.hypot(across[1:], down[:, :-1])])
    slopes = float(steep.min()), float(steep.max())
    lowest, highest = float(min(ground.min(), top.min())), float(max(ground.max(), top.max()))
    return Spot(np.array([east, north, height]), rise, cells.cell_m, slopes, lowest, highest, leafy)


def aim_at(leg: Leg, spot: Spot) -> Aim | None:
    """Return how a leg looks at a spot; None where no pulse of it can come near."""
    turns, pattern = to_world(leg.angles_rad), leg.pattern
    way, seen = _seen_from(leg.origins_m, turns, np.array([*spot.centre_m[:2], (spot.lowest_m + spot.highest_m) / 2]))
    size = np.hypot(spot.side_m / np.sqrt(2), (spot.highest_m - spot.lowest_m) / 2) + _BETWEEN_SAMPLES_M
    wide = np.arcsin(np.minimum(size / way, 1.0))
    near = np.arccos(np.clip(seen[:, 2], -1.0, 1.0)) <= _widest_rad(pattern) + wide
    if pattern.planar:
        near &= np.abs(np.arcsin(np.clip(seen[:, 0], -1.0, 1.0))) <= wide
    way, seen = _seen_from(leg.origins_m, turns, spot.centre_m)
    aimed, closest, best = 0, -np.inf, None
    at_hand = np.flatnonzero(near)
    for samples, numbers in _pulses_of(leg, at_hand):
        directions, angles = beam_directions(pattern, numbers)  # type: ignore[no-untyped-call]
        usable = np.abs(angles) <= pattern.usable_half_angle_rad + SLACK_RAD
        samples, directions, angles = samples[usable], directions[usable], angles[usable]
        if not len(samples):
            continue
        closeness = (directions * seen[samples]).sum(axis=1)
        if closeness.max() > closest:
            at = int(np.argmax(closeness))
            closest, best = closeness[at], (int(samples[at]), float(angles[at]))
        about = closeness >= np.cos(np.minimum(2 * wide[samples], np.pi))
        rays = np.einsum("nij,nj->ni", turns[samples[about]], directions[about])
        aimed += int(_meets(leg.origins_m[samples[about]], rays, spot).sum())
    if best is None:
        return None
    origin = leg.origins_m[best[0]]
    back = (origin - spot.centre_m) / way[best[0]]
    normal = np.array([-spot.rise[0], -spot.rise[1], 1.0])
    cos = 1.0 if spot.leafy else float(np.clip(back @ normal / np.linalg.norm(normal), 0.0, 1.0))
    return Aim(aimed, origin, float(way[best[0]]), best[1], cos, (int(at_hand[0]), int(at_hand[-1])))


def obstacle_before(grid: HeightGrid, cells: CellGrid, place: tuple[int, int], aim: Aim) -> Obstacle | None:
    """Return what rises highest of all that hides a cell from the sensor of an aim; None where all of it is seen.

    Looked from its centre and from places all over it; the cell's own surface hides it, too, where it is turned away.
    Distance and height are those from the centre.
    """
    surface, (row, col) = _bridged(grid), place
    centre = np.array([cells.west_m + (col + 0.5) * cells.cell_m, cells.north_m - (row + 0.5) * cells.cell_m])
    starts = min(cells.factor, _MOST_STARTS)
    off = ((np.arange(starts) + 0.5) / starts - 0.5) * cells.cell_m
    shifts = [np.zeros(3), *(np.array([x, y, 0.0]) for x in off for y in off)]
    tops = [_top_before(surface, centre + shift[:2], aim.origin_m + shift) for shift in shifts]
    hiding = [top for top in tops if top is not None]
    if not hiding:
        return None
    # Equal heights are the centre's, which comes first.
    highest = max(hiding, key=lambda top: round(float(top[2]), 2))
    foot = float(surface.at(*centre))
    return Obstacle(float(np.hypot(*(highest[:2] - centre))), float(highest[2]) - foot)


def near_part(leg: Leg, aim: Aim) -> Leg:
    """Return the part of a leg that can meet the cell of an aim, fired as it is fired in the whole.

    It starts where the scan is in the phase of the leg's first line. A leg whose scan plane tilts comes back whole: how
    much it tilts at most decides, along all of it, which lines are fired ray by ray.
    """
    if not leg.pattern.planar or np.abs(leg.angles_rad[:, 1]).max(initial=0.0) > _LEVEL_RAD:
        return leg
    first, last = aim.samples
    periods = np.arange(1, _MOST_LINES + 1) * (2 if leg.pattern.swings else 1)
    odd = np.abs(np.remainder(periods * leg.pattern.pulses_per_line + 0.5, 1.0) - 0.5)
    period = int(periods[np.argmax(odd < _WHOLE)]) if (odd < _WHOLE).any() else first + 1
    part = slice(first - first % period, last + 1)
    return replace(leg, origins_m=leg.origins_m[part], angles_rad=leg.angles_rad[part])


def fire_at(
    layers: Layers, cells: CellGrid, leg: Leg, light: Light, place: tuple[int, int], codes: npt.NDArray[np.uint8] | None
) -> Tally:
    """Return the tally of one leg in one cell, of 1 by 1 cells.

    It is fired into all cells: first returns that lie in other cells than the pulse's end beneath the crowns stay what
    they are in a forecast.
    """
    whole = fire_legs(layers, cells, [leg], [light], codes=codes, threads=1)
    row, col = place
    cut = {
        each.name: getattr(whole, each.name)[row : row + 1, col : col + 1].copy()
        for each in fields(Tally)
        if each.name not in ("fired", "looks")
    }
    return replace(whole, **cut)


def pooled(tallies: Sequence[Tally], cases: int) -> Tally:
    """Return the tallies of several legs in one cell as that of all of them; `cases` is how many besides the first."""
    none, others = np.zeros((1, 1)), np.zeros((1, 1, cases))
    channels, passes = np.zeros((1, 1, CHANNELS)), np.zeros((1, 1), dtype=np.uint8)
    empty = Tally(channels, channels, others, others, none, none, none, none, none, none, passes, 0)
    every = [empty, *tallies]
    sums = ("aggregate", "cases", "first", "ground", "open_ground", "passes", "fired")
    most = ("most_cases", "most_first", "most_ground", "most_open_ground")
    return replace(
        max(every, key=lambda tally: float(tally.best.sum())),
        **{name: sum(getattr(tally, name) for tally in every) for name in sums},
        **{name: np.max([getattr(tally, name) for tally in every], axis=0) for name in most},
    )


def _bridged(grid: HeightGrid) -> HeightGrid:
    """Return a grid as rays meet it: holes bridged."""
    return replace(grid, known=np.ones(grid.known.shape, dtype=bool))


def _widest_rad(pattern: ScanPattern) -> float:
    """Return the largest angle of a pulse from the sensor's own downward axis [rad]."""
    if pattern.kind == "profiling":
        return 0.0
    if pattern.kind in ("conical", "rosette"):
        return pattern.optical_half_angle_rad
    if pattern.kind == "matrix":
        return float(np.arctan(np.hypot(np.tan(pattern.optical_half_angle_rad), np.tan(pattern.along_half_angle_rad))))
    ahead = np.cos(max(abs(beam) for beam in pattern.beam_elevations_rad))
    return float(np.arccos(ahead * np.cos(pattern.usable_half_angle_rad)))


def _seen_from(origins: Array, turns: Array, point: Array) -> tuple[Array, Array]:
    """Return distances [m] of a point and, in the sensor's axes, directions to it, shapes (n,) and (n, 3)."""
    lines = point - origins
    way = np.linalg.norm(lines, axis=1)
    return way, np.einsum("nij,ni->nj", turns, lines) / way[:, np.newaxis]


def _pulses_of(leg: Leg, samples: Whole) -> Iterator[tuple[Whole, Whole]]:
    """Yield the pulses of some samples, a handful at a time: the sample of each, and its number."""
    per_sample = leg.pattern.pulse_rate_hz / leg.samples_hz
    at_once = max(int(_PULSES_AT_ONCE / per_sample), 1)
    for start in range(0, len(samples), at_once):
        some = samples[start : start + at_once]
        first, last = (np.minimum(np.ceil(n * per_sample - 0.5), leg.pulses).astype(np.int64) for n in (some, some + 1))
        many = np.maximum(last - first, 0)
        before = np.cumsum(many) - many
        yield np.repeat(some, many), np.arange(many.sum()) - np.repeat(before - first, many)


def _meets(origins: Array, rays: Array, spot: Spot) -> npt.NDArray[np.bool_]:
    """Return which rays would meet the face of a spot, shape (n,)."""
    off = origins - spot.centre_m
    rise = np.array([*spot.rise, -1.0])
    fall = rays @ rise
    way = -(off @ rise) / np.where(fall == 0, np.nan, fall)
    aside = np.abs(off[:, :2] + way[:, np.newaxis] * rays[:, :2]).max(axis=1, initial=0.0)
    return np.asarray((way > 0) & (aside <= spot.side_m / 2))


def _top_before(grid: HeightGrid, start: Array, sensor: Array) -> Array | None:
    """Return east, north and height [m] of what most hides a place from the sensor; None where it is seen.

    The surface is made of plane pieces, so it rises highest where the way crosses an edge of one.
    """
    foot = float(grid.at(*start))
    x, y = (start[0] - grid.west_m) / grid.spacing_m, (grid.north_m - start[1]) / grid.spacing_m
    dx, dy = (sensor[0] - start[0]) / grid.spacing_m, (start[1] - sensor[1]) / grid.spacing_m
    length = float(np.hypot(*(sensor[:2] - start)))
    if length < 1e-6:  # straight above: nothing can stand between
        return None
    climb = (sensor[2] - foot) / length
    rise_m = float(grid.heights_m.max()) - foot
    end = min(1.0, rise_m / (climb * length)) if climb > 0 else 1.0
    crossings = [
        (np.arange(np.ceil(min(a, a + end * run)), np.floor(max(a, a + end * run)) + 1) - a) / run
        for a, run in ((x, dx), (y, dy), (x - y, dx - dy))
        if abs(run) > 1e-12
    ]
    share = np.concatenate(crossings)
    share = share[(share * length > 1e-6) & (share <= 1)]
    heights = grid.at(start[0] + share * (sensor[0] - start[0]), start[1] + share * (sensor[1] - start[1])) - foot
    share, heights = share[np.isfinite(heights)], heights[np.isfinite(heights)]
    if not len(share):
        return None
    slopes = heights / (share * length)
    at = int(np.argmax(slopes))
    if slopes[at] <= climb:
        return None
    return np.array([*(start + share[at] * (sensor[:2] - start)), heights[at] + foot])
