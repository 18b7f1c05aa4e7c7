"""Returns per cell and what they say about the requirement.

Lives here: density figures of first and of ground returns, and their definitions. Must not know how lines were planned.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import rasterio.features
import shapely
from affine import Affine

from planner.forecast.sure import Sure
from planner.ground.surface import CellGrid, HeightGrid, Scene
from planner.ranging.pulses import Tally
from planner.requirement import Requirement

Array = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]

EDGE_RIM_M = 20.0
"""Width of the rim inside the area that is also reported apart [m]."""

LINE_SPACINGS_PER_CELL = 5
RETURNS_PER_CELL = 25
LEAST_CELL_M = 1.0


@dataclass(frozen=True)
class DensityFigures:
    """The density of the judged cells, with the definition it was judged by.

    Attributes
    ----------
    definition, ground_definition : str
        Which returns are judged, which passes, which cell, which percentile; and what a ground return is: in words.
    target_per_m2, mean_per_m2, judged_per_m2, p05_per_m2, min_per_m2 : float
        Required density; and, of the returns that the requirement counts: mean; the judged percentile; 5th
        percentile; least cell [1/m2].
    judged_percentile : float
        Percentile that is held against the target [percent].
    cell_m : float
        Side of the judging cell [m].
    first_mean_per_m2, first_p05_per_m2, first_min_per_m2 : float
        Mean, 5th percentile and least cell of first returns, whichever returns are judged [1/m2].
    ground_mean_per_m2, ground_p05_per_m2, ground_min_per_m2 : float
        The same of ground returns [1/m2].
    """

    definition: str
    target_per_m2: float
    mean_per_m2: float
    judged_percentile: float
    judged_per_m2: float
    p05_per_m2: float
    min_per_m2: float
    cell_m: float
    first_mean_per_m2: float
    first_p05_per_m2: float
    first_min_per_m2: float
    ground_mean_per_m2: float
    ground_p05_per_m2: float
    ground_min_per_m2: float
    ground_definition: str


@dataclass(frozen=True)
class CoverageFigures:
    """How much of the area falls short, and why.

    Attributes
    ----------
    area_m2 : float
        Judged cells times cell area [m2].
    below_m2, below_pct : float
        Part of it below the target, and its share of what is judged without declared water [m2, percent].
    expected_water_m2 : float
        Declared water below the target: expected, no failure [m2].
    by_cause_m2 : dict of str to float
        The same by cause; adds up to `below_m2` exactly [m2].
    edge_below_pct : float
        Share below the target within 20 m of the edge of the area [percent].
    """

    area_m2: float
    below_m2: float
    below_pct: float
    expected_water_m2: float
    by_cause_m2: dict[str, float]
    edge_below_pct: float


def judging_cell_m(requirement: Requirement, target_per_m2: float, line_spacing_m: float) -> float:
    """Return the side of the judging cell [m].

    The user's, else the larger of 1 m, five scan-line spacings and the size that expects 25 returns: a smaller
    cell shows counting noise, not lack of points.

    Parameters
    ----------
    requirement : Requirement
        May name a cell.
    target_per_m2 : float
        Density asked for [1/m2].
    line_spacing_m : float
        Distance between scan lines on the ground [m].
    """
    if requirement.cell_m is not None:
        return requirement.cell_m
    return max(LEAST_CELL_M, LINE_SPACINGS_PER_CELL * line_spacing_m, float(np.sqrt(RETURNS_PER_CELL / target_per_m2)))


def cells_known(grid: HeightGrid, cells: CellGrid) -> Mask:
    """Return which cells lie on known terrain throughout, shape (rows, cols)."""
    known = grid.known
    squares = known[:-1, :-1] & known[1:, :-1] & known[:-1, 1:] & known[1:, 1:]
    side = cells.factor
    used = squares[: cells.rows * side, : cells.cols * side]
    return np.asarray(used.reshape(cells.rows, side, cells.cols, side).all(axis=(1, 3)))


def density_per_m2(tally: Tally, cells: CellGrid, known: Mask, coverage: str, returns: str) -> Array:
    """Return returns per square metre of plan, shape (rows, cols); nan on unknown terrain.

    Parameters
    ----------
    tally : Tally
        What came back.
    cells : CellGrid
        The judging cells.
    known : ndarray of bool, shape (rows, cols)
        Cells on known terrain, from `cells_known`.
    coverage : {"aggregate", "single"}
        All legs pooled, or the one that brings most of these returns to the cell.
    returns : {"first", "ground"}
        Which returns; ground returns are expected numbers.
    """
    if returns == "ground":
        counts = tally.ground if coverage == "aggregate" else tally.most_ground
    else:
        counts = tally.first if coverage == "aggregate" else tally.most_first
    return np.where(known, counts / cells.cell_m**2, np.nan)


def judge_density(
    first_per_m2: Array,
    ground_per_m2: Array,
    judged: Mask,
    requirement: Requirement,
    scene: Scene,
    cell_m: float,
    sure: Sure | None = None,
) -> tuple[DensityFigures, bool]:
    """Return the figures of the judged cells and whether the requirement is met.

    The judged percentile is the density that this share of cells lies below, taken as the cell at or below it
    (no interpolation); unknown terrain counts as no returns.

    Parameters
    ----------
    first_per_m2, ground_per_m2 : ndarray, shape (rows, cols)
        Both densities, pooled as the requirement says; nan on unknown terrain [1/m2].
    judged : ndarray of bool, shape (rows, cols)
        Cells inside the area.
    requirement : Requirement
        Which of the two is held against which target.
    scene : Scene
        Says what is known to stand on the ground.
    cell_m : float
        Side of the judging cell [m].
    sure : Sure, optional
        What cells have with the confidence asked for, which is judged instead.
    """
    by_kind = {"first": _values(first_per_m2, judged), "ground": _values(ground_per_m2, judged)}
    values = by_kind[requirement.returns]
    held = values if sure is None else _values(sure.density_per_m2, judged)
    at_percentile = float(np.percentile(held, requirement.percentile, method="lower"))
    passes = "all passes pooled" if requirement.coverage == "aggregate" else "the best single pass"
    definition = (
        f"{requirement.returns} returns per square metre of plan area, {passes}, in square cells of {cell_m:g} m "
        f"inside the area; the {requirement.percentile:g}th percentile of cells is held against the target"
    )
    if sure is not None:
        definition += f", by the density that a cell has with {sure.in_words()}"
    mean, p05, least = _spread(values)
    first_mean, first_p05, first_least = _spread(by_kind["first"])
    ground_mean, ground_p05, ground_least = _spread(by_kind["ground"])
    figures = DensityFigures(
        definition=definition,
        target_per_m2=requirement.target_per_m2,
        mean_per_m2=mean,
        judged_percentile=requirement.percentile,
        judged_per_m2=at_percentile,
        p05_per_m2=p05,
        min_per_m2=least,
        cell_m=cell_m,
        first_mean_per_m2=first_mean,
        first_p05_per_m2=first_p05,
        first_min_per_m2=first_least,
        ground_mean_per_m2=ground_mean,
        ground_p05_per_m2=ground_p05,
        ground_min_per_m2=ground_least,
        ground_definition=_ground_definition(scene),
    )
    return figures, at_percentile >= requirement.target_per_m2


def means_within(density: Array, outlines: Sequence[shapely.Polygon], cells: CellGrid) -> Array:
    """Return the mean density of the cells inside each outline, shape (n,) [1/m2].

    Outlines are in local coordinates and do not overlap; unknown terrain counts as no returns. nan for an outline
    that holds no cell centre.
    """
    if not outlines:
        return np.zeros(0)
    transform = Affine(cells.cell_m, 0, cells.west_m, 0, -cells.cell_m, cells.north_m)
    marks = rasterio.features.rasterize(
        zip(outlines, range(1, len(outlines) + 1), strict=True), density.shape, transform=transform, dtype=np.int32
    ).ravel()
    members = np.bincount(marks, minlength=len(outlines) + 1)[1:]
    sums = np.bincount(marks, np.nan_to_num(density).ravel(), minlength=len(outlines) + 1)[1:]
    return np.where(members > 0, sums / np.maximum(members, 1), np.nan)


def _values(density: Array, judged: Mask) -> Array:
    """Return the densities of the judged cells, shape (n,), one empty cell where there is none."""
    values = np.nan_to_num(density[judged], nan=0.0)
    return values if values.size else np.zeros(1)


def _spread(values: Array) -> tuple[float, float, float]:
    """Return mean, 5th percentile and least value."""
    return float(values.mean()), float(np.percentile(values, 5.0, method="lower")), float(values.min())


def _ground_definition(scene: Scene) -> str:
    """Return what a ground return is on this site."""
    counted = "returns from bare ground, counted in the same cells and passes as first returns"
    equal = "so ground returns equal first returns"
    if not scene.ground_is_bare:
        return (
            f"{counted}; no bare-earth raster was declared: the top surface is taken for ground, "
            f"roofs and crowns included, {equal}"
        )
    if scene.top is scene.ground:
        return f"{counted}; no top surface was declared: nothing is known to stand on the ground, {equal}"
    if scene.foliage is None:
        return f"{counted}; whatever stands on the ground is taken for opaque and gives none"
    return (
        f"{counted}; these are expected numbers: a pulse that meets crowns counts by its chance to pass through them, "
        "in the cell where it meets the ground, so that a cell behind a crown may hold more of them than first "
        "returns; what else stands on the ground is opaque and gives none"
    )


def edge_rim(area: shapely.Geometry, cells: CellGrid, judged: Mask) -> Mask:
    """Return the judged cells within 20 m of the edge of the area, shape (rows, cols)."""
    core = area.buffer(-EDGE_RIM_M)
    return judged if core.is_empty else np.asarray(judged & ~cells.inside(core))
