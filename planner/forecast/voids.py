"""How evenly first returns lie: data voids, and the share of small cells that hold one.

Lives here: both tests, run on expected densities. Must not know requirements, standards' limits or flight lines.
"""

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import rasterio.features
import shapely

from planner.forecast.gaps import code_of

Array = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]
Codes = npt.NDArray[np.uint8]

EXEMPT = ("water", "dim surface", "shadow")
"""Causes whose voids are acceptable: USGS Lidar Base Specification 2025 rev. A, data voids (water, low near-infrared
reflectivity, lidar shadow)."""

EMPTY_CHANCE = 0.05
"""Chance of no return at all in an area as large as a void from which on ground of this density is taken for empty.

Returns are taken as scattered at random, so the chance is exp(-n) where n are expected: under 3.0 returns. At the
nominal density 16 are expected and the chance is one in nine million. A lower bar would call a void only what is
certain to be one; a higher one would call ground empty that most likely holds returns.
"""


@dataclass(frozen=True)
class Voids:
    """Areas without first returns that are large enough to count.

    Attributes
    ----------
    count : int
        Number of them that no exempt kind explains.
    area_m2, largest_m2 : float
        Their area together, and that of the largest [m2].
    exempt_m2 : dict of str to float
        Area of voids of the exempt kinds, by kind [m2].
    accepted : ndarray of bool, shape (rows, cols)
        Cells in voids that are of an exempt kind.
    """

    count: int
    area_m2: float
    largest_m2: float
    exempt_m2: dict[str, float]
    accepted: Mask


def filled_shares(first_per_m2: Array, counted: Mask, cell_m: float, test_cell_m: float) -> tuple[float, float]:
    """Return the share of test cells that hold a return: scattered at random, and spread as evenly as can be.

    Within a judging cell the returns lie somewhere between the two; n expected returns give 1 - exp(-n) at random
    and min(1, n) at most. Judging cells that are smaller than the test cell are pooled in whole blocks no larger
    than it. nan where nothing is counted.

    Parameters
    ----------
    first_per_m2 : ndarray, shape (rows, cols)
        Expected first returns [1/m2]; nan on unknown terrain counts as none.
    counted : ndarray of bool, shape (rows, cols)
        Cells that take part.
    cell_m, test_cell_m : float
        Sides of the judging cell and of the test cell [m].
    """
    if not counted.any():
        return math.nan, math.nan
    block = _cells_across(test_cell_m, cell_m)
    members = _blocks(counted.astype(float), block)
    sums = _blocks(np.where(counted, np.nan_to_num(first_per_m2), 0.0), block)
    expected = sums / np.maximum(members, 1) * test_cell_m**2
    shares = (np.average(filled, weights=members) for filled in (-np.expm1(-expected), np.minimum(expected, 1.0)))
    at_random, evenly = (float(share) for share in shares)
    return at_random, evenly


def find_voids(first_per_m2: Array, causes: Codes, judged: Mask, water: Mask, cell_m: float, least_m2: float) -> Voids:
    """Return the connected areas without first returns that are at least `least_m2` large.

    Ground is empty where a square as large as a void expects too few returns: at the density of the cell fewer than
    leave it empty by chance (`EMPTY_CHANCE`), or, where two cells and more fit along its side, fewer than one.
    What no exempt kind explains is refused where it is connected ground as large as a void by itself, or half of its
    void. Voids smaller than a judging cell cannot be told in it.

    Parameters
    ----------
    first_per_m2 : ndarray, shape (rows, cols)
        Expected first returns [1/m2]; nan on unknown terrain counts as none.
    causes : ndarray of uint8, shape (rows, cols)
        Codes of `planner.forecast.gaps.CAUSES`.
    judged, water : ndarray of bool, shape (rows, cols)
        Cells inside the area; cells of declared open water.
    cell_m : float
        Side of the judging cell [m].
    least_m2 : float
        Least area of a void [m2].
    """
    empty = _empty(np.where(judged, np.nan_to_num(first_per_m2), 0.0), judged, cell_m, least_m2)
    least_cells = least_m2 / cell_m**2
    labels, count = _patches(empty, least_cells)
    kinds = {kind: (causes == code_of(kind)) & ~water for kind in EXEMPT}
    kinds["water"] |= water
    unexplained = (labels > 0) & ~np.logical_or.reduce(list(kinds.values()))
    left = np.bincount(labels.ravel(), unexplained.ravel(), minlength=count + 1)
    mostly = 2 * left >= np.bincount(labels.ravel(), minlength=count + 1)
    refused, _ = _patches(unexplained, least_cells)
    refused, number = _patches((refused > 0) | (unexplained & mostly[labels]), 1)
    sizes_m2 = np.bincount(refused.ravel(), minlength=number + 1)[1:] * cell_m**2
    return Voids(
        count=number,
        area_m2=float(sizes_m2.sum()),
        largest_m2=float(sizes_m2.max(initial=0.0)),
        exempt_m2={kind: float((mask & (labels > 0)).sum() * cell_m**2) for kind, mask in kinds.items()},
        accepted=(labels > 0) & ~unexplained,
    )


def _cells_across(side_m: float, cell_m: float) -> int:
    """Return how many whole cells fit in a side, one at least."""
    return max(1, math.floor(side_m / cell_m + 1e-9))


def _blocks(values: Array, block: int) -> Array:
    """Return sums over squares of cells side by side; those at the far edges may be cut."""
    rows, cols = (-(-side // block) * block for side in values.shape)
    padded = np.zeros((rows, cols))
    padded[: values.shape[0], : values.shape[1]] = values
    return np.asarray(padded.reshape(rows // block, block, cols // block, block).sum(axis=(1, 3)))


def _empty(first_per_m2: Array, judged: Mask, cell_m: float, void_m2: float) -> Mask:
    """Return the judged cells that lie in a square of void size, half of it judged, which expects too few returns."""
    across = min(_cells_across(math.sqrt(void_m2), cell_m), *judged.shape)
    members = _window_sums(judged.astype(float), across)
    mean_per_m2 = _window_sums(first_per_m2, across) / np.maximum(members, 1)
    # Small cells tell where returns lie, so that a square of them is empty only if it holds none.
    bar = -math.log(EMPTY_CHANCE) if across == 1 else 1.0
    few = (2 * members >= across**2) & (mean_per_m2 * void_m2 < bar)
    return np.asarray(judged & (_window_sums(np.pad(few.astype(float), across - 1), across) > 0.5))


def _window_sums(values: Array, across: int) -> Array:
    """Return sums over all squares of cells, shape (rows - across + 1, cols - across + 1)."""
    views = np.lib.stride_tricks.sliding_window_view
    rows = views(values, across, axis=0).sum(axis=-1)
    return np.asarray(views(rows, across, axis=1).sum(axis=-1))


def _patches(mask: Mask, least_cells: float) -> tuple[npt.NDArray[np.int32], int]:
    """Return labels from 1 of the patches, edge to edge, of at least so many cells, and how many there are."""
    outlines = (
        shapely.geometry.shape(outline)
        for outline, _ in rasterio.features.shapes(mask.astype(np.uint8), mask=mask, connectivity=4)
    )
    large = [outline for outline in outlines if outline.area >= least_cells * (1 - 1e-9)]
    if not large:
        return np.zeros(mask.shape, dtype=np.int32), 0
    labels = rasterio.features.rasterize(zip(large, range(1, len(large) + 1), strict=True), mask.shape, dtype=np.int32)
    return labels, len(large)
