"""Returns per cell and what they say about the requirement.

Lives here: density figures and their definitions. Must not know how lines were planned.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import shapely

from planner.ground.surface import CellGrid, HeightGrid
from planner.mission import Requirement
from planner.ranging.pulses import Tally

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
    definition : str
        Which returns, which passes, which cell, which percentile, in words.
    target_per_m2, mean_per_m2, judged_per_m2, p05_per_m2, min_per_m2 : float
        Required density; mean; the judged percentile; 5th percentile; least cell [1/m2].
    judged_percentile : float
        Percentile that is held against the target [percent].
    cell_m : float
        Side of the judging cell [m].
    """

    definition: str
    target_per_m2: float
    mean_per_m2: float
    judged_percentile: float
    judged_per_m2: float
    p05_per_m2: float
    min_per_m2: float
    cell_m: float


@dataclass(frozen=True)
class CoverageFigures:
    """How much of the area falls short, and why.

    Attributes
    ----------
    area_m2 : float
        Judged cells times cell area [m2].
    below_m2, below_pct : float
        Part of it below the target [m2, percent].
    by_cause_m2 : dict of str to float
        The same by cause; adds up to `below_m2` exactly [m2].
    edge_below_pct : float
        Share below the target within 20 m of the edge of the area [percent].
    """

    area_m2: float
    below_m2: float
    below_pct: float
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


def density_per_m2(tally: Tally, cells: CellGrid, known: Mask, coverage: str) -> Array:
    """Return first returns per square metre of plan, all legs pooled or of the best leg; nan on unknown terrain."""
    counts = tally.aggregate[..., 0] if coverage == "aggregate" else tally.most_returns
    return np.where(known, counts / cells.cell_m**2, np.nan)


def judge_density(
    density: Array, judged: Mask, requirement: Requirement, target_per_m2: float, cell_m: float
) -> tuple[DensityFigures, bool]:
    """Return the figures of the judged cells and whether the requirement is met.

    The judged percentile is the density that this share of cells lies below, taken as the cell at or below it
    (no interpolation); unknown terrain counts as no returns.
    """
    values = np.nan_to_num(density[judged], nan=0.0)
    if values.size == 0:
        values = np.zeros(1)
    at_percentile, p05 = np.percentile(values, [requirement.percentile, 5.0], method="lower")
    passes = "all passes pooled" if requirement.coverage == "aggregate" else "the best single pass"
    definition = (
        f"first returns per square metre of plan area, {passes}, in square cells of {cell_m:g} m inside the area; "
        f"the {requirement.percentile:g}th percentile of cells is held against the target"
    )
    figures = DensityFigures(
        definition=definition,
        target_per_m2=target_per_m2,
        mean_per_m2=float(values.mean()),
        judged_percentile=requirement.percentile,
        judged_per_m2=float(at_percentile),
        p05_per_m2=float(p05),
        min_per_m2=float(values.min()),
        cell_m=cell_m,
    )
    return figures, bool(at_percentile >= target_per_m2)


def edge_rim(area: shapely.Geometry, cells: CellGrid, judged: Mask) -> Mask:
    """Return the judged cells within 20 m of the edge of the area, shape (rows, cols)."""
    core = area.buffer(-EDGE_RIM_M)
    return judged if core.is_empty else np.asarray(judged & ~cells.inside(core))
