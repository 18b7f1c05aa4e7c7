"""Crowns in the way of light: how much foliage a ray passes, and the returns of a pulse among leaves.

Lives here: the turbid-medium law, its walk along a ray, and how many contacts become returns. Must not know
sensors, legs or files.

Foliage stands evenly between ground and top surface of a lattice square, like mist; the chance that a thin ray
meets none of it falls exponentially with the foliage along its path (Monsi and Saeki 1953; in terms of the leaf
area index, Campbell and Norman 1998, ch. 15: both from memory).
"""

import math
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from planner.cover import Canopy, Season
from planner.ground.kernels import kernel
from planner.ground.raycast import triangle_plane
from planner.ground.surface import Layers

Array = npt.NDArray[np.float64]

LEAST_DEPTH = 1e-12
"""Optical depth of crowns that let all light through: 0 would mark them as opaque."""

BLOCK = 16
"""Squares along a side of the blocks that a ray leaves in one step where it passes above all their crowns."""

NEVER = 1e300  # squares a path would cross before it meets an edge that it never meets


def optical_depth(canopy: Canopy, season: Season) -> float:
    """Return the optical depth of crowns straight down: k LAI, or minus the logarithm of the share let through."""
    if season == "leaf_on":
        index, share = canopy.lai_leaf_on, canopy.penetration_leaf_on
    else:
        index, share = canopy.lai_leaf_off, canopy.penetration_leaf_off
    depth = canopy.k * (index or 0.0) if share is None else -math.log(share)
    return max(depth, LEAST_DEPTH)


def reach_ground_chance(depth: npt.ArrayLike, cos_angle: npt.ArrayLike) -> Array:
    """Return the chance that a thin ray reaches level ground through even crowns: exp(-depth / cos angle).

    Parameters
    ----------
    depth : array_like
        Optical depth straight down.
    cos_angle : array_like
        Cosine of the angle of the ray from the vertical, above 0.
    """
    return np.asarray(np.exp(-np.asarray(depth, dtype=np.float64) / np.asarray(cos_angle, dtype=np.float64)))


class Crowns(NamedTuple):
    """All crowns of a site, as kernels want them.

    Attributes
    ----------
    top, ground : ndarray, shape (rows, cols)
        Heights of top surface and bare earth at the lattice vertices [m].
    density_per_m : ndarray, shape (rows - 1, cols - 1)
        Optical depth per metre of path in each square; 0 where there is no crown. Shape (0, 0) without any crowns.
    lids_m : ndarray
        Highest crown in each block of `BLOCK` by `BLOCK` squares [m], -inf where it holds none.
    highest_m : float
        Highest crown of all [m].
    west_m, north_m, spacing_m : float
        Place of the lattice, as in `HeightGrid`.
    """

    top: Array
    ground: Array
    density_per_m: Array
    lids_m: Array
    highest_m: float
    west_m: float
    north_m: float
    spacing_m: float


def crowns_of(layers: Layers) -> Crowns:
    """Return the crowns of what pulses meet: foliage spread evenly over the mean crown height of each square."""
    top, ground = (np.ascontiguousarray(grid.heights_m, dtype=np.float64) for grid in (layers.top, layers.ground))
    place = layers.top.west_m, layers.top.north_m, layers.top.spacing_m
    if layers.foliage is None:
        return Crowns(top, ground, np.zeros((0, 0)), np.zeros((0, 0)), -np.inf, *place)
    tall = np.maximum(top - ground, 0.0)
    thick = (tall[:-1, :-1] + tall[1:, :-1] + tall[:-1, 1:] + tall[1:, 1:]) / 4
    leafy = (layers.foliage > 0) & (thick > 0)
    density = np.divide(layers.foliage, thick, out=np.zeros(leafy.shape), where=leafy)
    high = np.maximum(np.maximum(top[:-1, :-1], top[1:, :-1]), np.maximum(top[:-1, 1:], top[1:, 1:]))
    high = np.where(leafy, high, -np.inf)
    starts = (np.arange(0, size, BLOCK) for size in high.shape)
    lids = high
    for axis, at in enumerate(starts):
        lids = np.maximum.reduceat(lids, at, axis=axis)
    return Crowns(top, ground, density, lids, float(lids.max()), *place)


@kernel
def _height(z, row, col, x, y):
    """Return the height of the triangulated surface at a point of a square given in lattice units [m]."""
    corner, east, south = triangle_plane(z, row, col, x - col >= y - row)
    return corner + east * (x - col) + south * (y - row)


@kernel
def _share_between(above_in, above_out, below_in, below_out):
    """Return the share of a step on which two heights that change evenly are both above 0."""
    first, last = 0.0, 1.0
    for enter, leave in ((above_in, above_out), (below_in, below_out)):
        if enter < 0.0:
            if leave <= 0.0:
                return 0.0
            first = max(first, enter / (enter - leave))
        elif leave < 0.0:
            last = min(last, enter / (enter - leave))
    return max(last - first, 0.0)


@kernel
def _stretch_in_crown(top, ground, row, col, begin, way, start, stop):
    """Return how much of a path from `start` to `stop` in a square lies between ground and top surface.

    A place on the path is `begin` + `start` times `way`: x and y in lattice units, height [m].
    """
    (x, y, height), (dx, dy, dh) = begin, way
    # On each side of the square's diagonal both surfaces are plane, so heights change evenly along the path.
    slant = dx - dy
    cut = ((y - row) - (x - col)) / slant if slant != 0.0 else stop
    here = height + start * dh
    over_ground = here - _height(ground, row, col, x + start * dx, y + start * dy)
    under_top = _height(top, row, col, x + start * dx, y + start * dy) - here
    inside = 0.0
    for end in (cut if start < cut < stop else stop, stop):
        if end > start:
            here = height + end * dh
            next_over = here - _height(ground, row, col, x + end * dx, y + end * dy)
            next_under = _height(top, row, col, x + end * dx, y + end * dy) - here
            inside += (end - start) * _share_between(over_ground, next_over, under_top, next_under)
            start, over_ground, under_top = end, next_over, next_under
    return inside


@kernel
def transmission(crowns, point, sensor):
    """Return the chance that a thin ray between a point and the sensor passes all foliage on its way.

    It is exp(-depth), with the optical depth of the path, which is also its mean number of contacts with leaves.

    The path is walked from the point up towards the sensor, square by square, and left once it is above all crowns.
    It counts where it lies between the triangulated ground and top surface; the density of foliage is the mean of
    the square.

    Parameters
    ----------
    crowns : Crowns
        What `crowns_of` returns.
    point, sensor : indexable, 3 values
        Ends of the path: local east, north and height [m].
    """
    top, ground, density, lids, highest, west, north, spacing = crowns
    x, y, height = (point[0] - west) / spacing, (north - point[1]) / spacing, point[2]
    dx, dy, dh = (sensor[0] - point[0]) / spacing, (point[1] - sensor[1]) / spacing, sensor[2] - point[2]
    rows, cols = density.shape
    if rows == 0 or not (0.0 <= x <= cols and 0.0 <= y <= rows):
        return 1.0
    end = min((highest - height) / dh, 1.0) if dh > 0.0 else 1.0
    length = np.sqrt((dx * dx + dy * dy) * spacing * spacing + dh * dh)
    # Along an axis that the path does not move on, no edge is ever met.
    right, down = 1 if dx >= 0.0 else 0, 1 if dy >= 0.0 else 0
    per_dx, per_dy = 1.0 / dx if dx != 0.0 else NEVER, 1.0 / dy if dy != 0.0 else NEVER
    col, row = min(int(x), cols - 1), min(int(y), rows - 1)
    start, depth = 0.0, 0.0
    while start < end:
        # The whole block first: most of a path lies above the crowns of the blocks it crosses.
        low_col, low_row = col // BLOCK * BLOCK, row // BLOCK * BLOCK
        out_x = (low_col + right * BLOCK - x) * per_dx
        out_y = (low_row + down * BLOCK - y) * per_dy
        stop = max(min(out_x, out_y, end), start)
        if height + (start if dh > 0.0 else stop) * dh >= lids[row // BLOCK, col // BLOCK]:
            if out_x <= out_y:
                col = low_col + BLOCK if right else low_col - 1
                row = min(max(int(y + stop * dy), low_row), low_row + BLOCK - 1)
            else:
                row = low_row + BLOCK if down else low_row - 1
                col = min(max(int(x + stop * dx), low_col), low_col + BLOCK - 1)
        else:
            out_x = (col + right - x) * per_dx
            out_y = (row + down - y) * per_dy
            stop = max(min(out_x, out_y, end), start)
            if density[row, col] > 0.0:
                inside = _stretch_in_crown(top, ground, row, col, (x, y, height), (dx, dy, dh), start, stop)
                depth += inside * length * density[row, col]
            if out_x <= out_y:
                col += 2 * right - 1
            else:
                row += 2 * down - 1
        if col < 0 or row < 0 or col >= cols or row >= rows:
            break
        start = stop
    return np.exp(-depth)


@kernel
def expected_returns(mean, most):
    """Return the expected number of returns of a pulse that goes into crowns, those from the ground included.

    The model, ours, is "core and rim": the core of a beam and its rim are two thin beams that meet contacts with
    leaves independently, each a Poisson number of the same mean. The core decides whether the pulse reaches the
    ground: it does when the core meets nothing, so the chance is that of a thin ray. Else the core's contacts are
    the returns. Where it does, contacts of the rim come first and the ground is the last return; one return is kept
    for it. With one return a pulse the ground is that return.

    Parameters
    ----------
    mean : float or ndarray
        Mean number of contacts of a thin ray on its way to the ground: -ln of its `transmission`.
    most : int
        Most returns of a pulse that the sensor keeps.

    Returns
    -------
    float or ndarray
        Between 1, without foliage, and `most`: a pulse that a leaf stops gives a return too.
    """
    free = np.exp(-mean)
    chance = free
    core, rim = most * free, (most - 1) * free  # lost to kinds of pulses with fewer contacts than are kept
    for contacts in range(1, most):
        chance = chance * mean / contacts
        core = core + (most - contacts) * chance
        rim = rim + (most - 1 - contacts) * chance
    return (most - core) + free * (most - rim)


def sample_crown_returns(
    rng: np.random.Generator, mean: npt.ArrayLike, most: int
) -> tuple[npt.NDArray[np.bool_], npt.NDArray[np.int64]]:
    """Return for each pulse whether it reaches the ground, and its number of returns from crowns.

    The model of `expected_returns`, drawn.

    Parameters
    ----------
    rng : numpy Generator
        Source of chance; the same state gives the same returns.
    mean : array_like, any shape
        Mean number of contacts of a thin ray on its way to the ground.
    most : int
        Most returns of a pulse that the sensor keeps.
    """
    mean = np.asarray(mean, dtype=np.float64)
    core, rim = rng.poisson(mean), rng.poisson(mean)
    reaches = core == 0
    return np.asarray(reaches), np.asarray(np.where(reaches, np.minimum(rim, most - 1), np.minimum(core, most)))
