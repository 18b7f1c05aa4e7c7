"""What may turn out otherwise than planned: how much, and seeded draws of it.

Lives here: the doubts of a job, and the random numbers of many flights that might be flown. Must not know looks, or how
a draw is judged.
"""

import zlib
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from planner import doubts as declared
from planner.cover import Surface
from planner.equipment import NotNegative, frozen
from planner.ground.kernels import kernel
from planner.ground.surface import CellGrid
from planner.ranging.attitude import Leg, rotation
from planner.ranging.fates import pasted
from planner.ranging.reflectance import reflectance_at

Array = npt.NDArray[np.float64]

SOURCES = ("terrain", "wind and track", "attitude", "reflectance", "canopy", "visibility", "navigation")
"""Sources of doubt, as they are named and in the order they are removed."""

TENTHS = 2 * 1.2815515655446004
"""Standard deviations of a normal distribution from the value a tenth lies below to that a tenth lies above."""

LARGEST_LOG_SD = 1.0
"""Most spread that is believed of a class whose darkest surfaces are nearly black, one standard deviation of ln."""

# Places in the draw of a leg: metres to the right of the track and up, speed as a ratio to the planned, and cosine and
# sine of what turns it about the vertical: crab and heading offset together, heading offset alone, crab alone.
ASIDE, UP, SPEED, TURNED, BY_HEADING, BY_CRAB = 0, 1, 2, 3, 5, 7


# Places in what a draw does to a cell: metres of terrain, its slopes, brightness as a ratio, share of ground returns.
RISE, RISE_E, RISE_N, BRIGHTNESS, PASSED = range(5)


@frozen
class SiteDoubts(declared.Doubts):
    """The doubts that a mission declares, with that of its terrain.

    Attributes
    ----------
    terrain_sd_m : float
        Vertical error of the terrain's heights [m].
    """

    terrain_sd_m: NotNegative = 0.3

    def in_words(self) -> str:
        """Return every figure in a sentence, with its mark."""
        return (
            f"one standard deviation of each: terrain {self.terrain_sd_m:g} m, {100 * self.terrain_common_share:g} % "
            f"of the variance common to the site (height error as declared; the share: common practice, no source); "
            f"track {self.aside_sd_m:g} m sideways and {self.up_sd_m:g} m in height, speed "
            f"{100 * self.speed_log_sd:g} %, wind {self.wind_sd_mps:g} m/s, attitude a leg {self.roll_sd_deg:g} deg in "
            f"roll, {self.pitch_sd_deg:g} in pitch, {self.heading_sd_deg:g} in heading (common practice, no source); "
            f"reflectance by the tenths that each class states (as marked on its card), else "
            f"{100 * self.reflectance_log_sd:g} %, {100 * self.reflectance_patch_share:g} % of the variance between "
            f"patches; leaf area {100 * self.leaf_area_log_sd:g} %, visibility {100 * self.visibility_log_sd:g} %, "
            f"terms of the height error {100 * self.error_log_sd:g} % of their specification, all four as ratios; "
            f"a correlation of 0.3 is left between places {self.patch_m:g} m apart (common practice, no source)"
        )


@dataclass(frozen=True)
class Draws:
    """Flights that might be flown instead of the planned one; leading axis: draws.

    Attributes
    ----------
    doubts : SiteDoubts
        What they were drawn from.
    seed : int
        Seed they were drawn with.
    corner_m : tuple of float
        Local east and north of the north-west node of the coarse lattice [m].
    rise_m : ndarray, shape (n,)
        How much higher than its raster the terrain lies all over the site [m].
    bumps_m : ndarray, shape (n, rows, cols)
        What comes to it at the nodes of a coarse lattice of `doubts.patch_m`, between which `patchy` goes [m].
    legs : ndarray, shape (n, legs, 9)
        What a leg does otherwise: see `ASIDE` and what follows.
    turns : ndarray, shape (n, legs, 3, 3)
        Matrices from the turned axes of the sensor (forward, right, down) to the planned: pitch and roll offsets.
    angles_rad : ndarray, shape (n, legs, 4)
        Crab, and heading, pitch and roll offsets that `legs` and `turns` were made from [rad].
    class_log : ndarray, shape (n, classes)
        Ln of the brightness of each class as a ratio to the planned.
    patch_log : ndarray, shape (n, rows, cols)
        Standard deviates at the nodes, to be times `class_patch_log_sd`.
    class_patch_log_sd : ndarray, shape (classes,)
        Spread of ln of brightness between patches of a class.
    leaf_log : ndarray, shape (n, rows, cols)
        Ln of the leaf area as a ratio to the planned, at the nodes.
    extinction : ndarray, shape (n,)
        Extinction of the air as a ratio to the planned.
    terms : ndarray, shape (n, terms)
        Standard deviation of each term of the height error as a ratio to its specification.
    """

    doubts: SiteDoubts
    seed: int
    corner_m: tuple[float, float]
    rise_m: Array
    bumps_m: Array
    legs: Array
    turns: Array
    angles_rad: Array
    class_log: Array
    patch_log: Array
    class_patch_log_sd: Array
    leaf_log: Array
    extinction: Array
    terms: Array

    @property
    def count(self) -> int:
        """How many flights were drawn."""
        return len(self.rise_m)


def make_draws(
    doubts: SiteDoubts,
    cells: CellGrid,
    legs: Sequence[Leg],
    class_log_sd: Array,
    *,
    count: int = 100,
    seed: int = 1,
    into_wind: bool = False,
    terms: int = 0,
) -> Draws:
    """Draw flights that might be flown.

    All numbers are drawn at once, each source from a generator of its own, so that a source's numbers stay what they
    are when another's doubt changes. So does each leg: what it does otherwise hangs on where it runs, not on what else
    is flown, so that a flight and the same with a leg added differ by that leg alone.

    Parameters
    ----------
    doubts : SiteDoubts
        How far things may be off.
    cells : CellGrid
        The site.
    legs : sequence of Leg
        The flight.
    class_log_sd : ndarray, shape (classes,)
        Spread of ln of brightness of each class of surface, from `class_log_sds`.
    count, seed : int
        How many, and the seed.
    into_wind : bool
        Whether the nose is turned into the wind.
    terms : int
        Terms of the height error.
    """
    terrain, flight, _, surface, leaves, air, errors = (
        np.random.default_rng([seed, source]) for source in range(len(SOURCES))
    )
    nodes = (count, *(int(np.ceil(n * cells.cell_m / doubts.patch_m)) + 1 for n in (cells.rows, cells.cols)))
    common = doubts.terrain_common_share
    wind = flight.standard_normal((count, 1, 2)) * (doubts.wind_sd_mps if into_wind else 0.0)
    moved, angles = _flown_otherwise(doubts, legs, wind, seed)
    between = doubts.reflectance_patch_share
    return Draws(
        doubts=doubts,
        seed=seed,
        corner_m=(cells.west_m, cells.north_m),
        rise_m=terrain.standard_normal(count) * doubts.terrain_sd_m * np.sqrt(common),
        bumps_m=terrain.standard_normal(nodes) * doubts.terrain_sd_m * np.sqrt(1 - common),
        legs=moved,
        turns=rotation(np.zeros(angles.shape[:2]), angles[..., 2], angles[..., 3]),
        angles_rad=angles,
        class_log=surface.standard_normal((count, len(class_log_sd))) * class_log_sd * np.sqrt(1 - between),
        patch_log=surface.standard_normal(nodes),
        class_patch_log_sd=class_log_sd * np.sqrt(between),
        leaf_log=leaves.standard_normal(nodes) * doubts.leaf_area_log_sd,
        extinction=np.exp(air.standard_normal(count) * doubts.visibility_log_sd),
        terms=np.exp(errors.standard_normal((count, terms)) * doubts.error_log_sd),
    )


def _flown_otherwise(doubts: SiteDoubts, legs: Sequence[Leg], wind: Array, seed: int) -> tuple[Array, Array]:
    """Return what legs do otherwise, shape (n, legs, 9), and the angles behind it, shape (n, legs, 4).

    `wind` is what is added to it, shape (n, 1, 2) [m/s].
    """
    shape = (len(wind), len(legs))
    ahead, rightward, speed = course_of(legs)
    crab = np.arctan2((wind * rightward).sum(-1), np.maximum(speed + (wind * ahead).sum(-1), 0.1 * speed))
    sds = np.radians([doubts.heading_sd_deg, doubts.pitch_sd_deg, doubts.roll_sd_deg])
    offsets = _of_legs(legs, len(wind), seed, SOURCES.index("attitude")) * sds
    shifts = _of_legs(legs, len(wind), seed, SOURCES.index("wind and track"))
    moved = np.empty((*shape, 9))
    moved[..., ASIDE] = shifts[..., ASIDE] * doubts.aside_sd_m
    moved[..., UP] = shifts[..., UP] * doubts.up_sd_m
    moved[..., SPEED] = np.exp(shifts[..., SPEED] * doubts.speed_log_sd)
    heading = offsets[..., 0]
    for place, angle in ((TURNED, crab + heading), (BY_HEADING, heading), (BY_CRAB, crab)):
        moved[..., place], moved[..., place + 1] = np.cos(angle), np.sin(angle)
    return moved, np.concatenate([crab[..., np.newaxis], offsets], axis=-1)


def _of_legs(legs: Sequence[Leg], count: int, seed: int, source: int) -> Array:
    """Return three standard deviates a leg, shape (count, legs, 3); where legs run alike each has its own."""
    found, seen = np.empty((count, len(legs), 3)), dict[int, int]()
    for number, leg in enumerate(legs):
        runs = zlib.crc32((np.round(leg.points_m[[0, -1]], 3) + 0.0).tobytes())  # no negative zeros
        seen[runs] = seen.get(runs, 0) + 1
        own = np.random.default_rng([seed, source, runs, seen[runs]])
        found[:, number] = own.standard_normal((count, 3))
    return found


def course_of(legs: Sequence[Leg]) -> tuple[Array, Array, Array]:
    """Return unit vectors along and to the right of legs, east and north, shape (legs, 2), and speeds [m/s]."""
    runs = [(leg.points_m[-1] - leg.points_m[0])[:2] for leg in legs]
    along = np.array([run / np.hypot(*run) for run in runs]).reshape(-1, 2)
    flown = [np.hypot(*np.diff(leg.origins_m[[0, -1], :2], axis=0)[0]) for leg in legs]
    speeds = np.array([m / max(len(leg.origins_m) - 1, 1) * leg.samples_hz for m, leg in zip(flown, legs, strict=True)])
    return along, np.column_stack([along[:, 1], -along[:, 0]]), speeds


def class_log_sds(surfaces: Sequence[Surface], wavelength_nm: float, doubts: declared.Doubts) -> Array:
    """Return the spread of ln of brightness of each class of surface, shape (1 + classes,); first that of no class.

    A tenth of a normal distribution lies below its mean less 1.2816 standard deviations, and a tenth above it.
    """
    spreads = [doubts.reflectance_log_sd]
    for surface in surfaces:
        if surface.low is None or surface.high is None:
            spreads.append(doubts.reflectance_log_sd)
            continue
        low, high = (float(reflectance_at(shares, wavelength_nm)) for shares in (surface.low, surface.high))
        spread = np.log(high / low) / TENTHS if low > 0 else LARGEST_LOG_SD
        spreads.append(min(float(spread), LARGEST_LOG_SD))
    return np.array(spreads)


@pasted
def _weights(place):
    """Return weights of the nodes before and after a place between them, 0-1, and their slopes.

    Straight interpolation, scaled so that the squares add up to 1: the variance is that of the nodes everywhere.
    """
    scale = 1.0 / np.sqrt((1.0 - place) ** 2 + place * place)
    bend = (1.0 - 2.0 * place) * scale * scale * scale
    return (1.0 - place) * scale, place * scale, -scale + (1.0 - place) * bend, scale + place * bend


@pasted
def patch_of(nodes, draw, col, row):
    """Return a field at a place given in nodes, and its slopes toward growing columns and rows."""
    last_row, last_col = nodes.shape[1] - 2, nodes.shape[2] - 2
    top, left = min(max(int(row), 0), last_row), min(max(int(col), 0), last_col)
    west, east, west_slope, east_slope = _weights(col - left)
    north, south, north_slope, south_slope = _weights(row - top)
    nw, ne = nodes[draw, top, left], nodes[draw, top, left + 1]
    sw, se = nodes[draw, top + 1, left], nodes[draw, top + 1, left + 1]
    upper, lower = west * nw + east * ne, west * sw + east * se
    across = north * (west_slope * nw + east_slope * ne) + south * (west_slope * sw + east_slope * se)
    return north * upper + south * lower, across, north_slope * upper + south_slope * lower


@kernel
def fill_effects(place, fields, code, effects):
    """Fill what each draw does to a cell, but for its leaves."""
    rise, bumps, class_log, patch_log, patch_sd, node_m, west, north = fields
    col, row = (place[0] - west) / node_m, (north - place[1]) / node_m
    for draw in range(len(effects)):
        height, east, south = patch_of(bumps, draw, col, row)
        effects[draw, RISE] = rise[draw] + height
        effects[draw, RISE_E], effects[draw, RISE_N] = east / node_m, -south / node_m
        log = class_log[draw, code]
        if patch_sd[code] > 0.0:
            log += patch_sd[code] * patch_of(patch_log, draw, col, row)[0]
        effects[draw, BRIGHTNESS] = np.exp(log)


@kernel
def fill_passed(place, leaves, fields, slanted, effects):
    """Fill the ratio of what passes the crowns over a cell in each draw to what passes as planned."""
    node_m, west, north = fields[-3:]
    for draw in range(len(effects)):
        log = patch_of(leaves, draw, (place[0] - west) / node_m, (north - place[1]) / node_m)[0]
        effects[draw, PASSED] = np.exp(-slanted * (np.exp(log) - 1.0))


@kernel
def _fill_patchy(nodes, draw, cols, rows, out):
    for i in range(len(out)):
        out[i] = patch_of(nodes, draw, cols[i], rows[i])[0]


def patchy(draws: Draws, nodes: Array, draw: int, east_m: npt.ArrayLike, north_m: npt.ArrayLike) -> Array:
    """Return a field of a draw at local points, any shape.

    Parameters
    ----------
    draws : Draws
        Says where the nodes lie.
    nodes : ndarray, shape (n, rows, cols)
        One of its fields.
    draw : int
        Which draw.
    east_m, north_m : array_like
        The points [m].
    """
    east, north = np.broadcast_arrays(*(np.asarray(a, dtype=np.float64) for a in (east_m, north_m)))
    cols, rows = (east - draws.corner_m[0]) / draws.doubts.patch_m, (draws.corner_m[1] - north) / draws.doubts.patch_m
    out = np.empty(cols.size)
    _fill_patchy(nodes, draw, np.ravel(cols), np.ravel(rows), out)
    return out.reshape(cols.shape)
