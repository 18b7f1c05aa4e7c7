"""Returns on steep faces, per square metre of face.

Lives here: which cells are faces, the area of their surface, and the figures. Must not know how lines were planned.

A cell is counted in plan, so that a wall seems to hold as many returns as the strip of floor it stands on; what its
surface was sampled with is the number of returns over its true area.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from planner.ground.surface import CellGrid, HeightGrid, Layers

Array = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]

STEEP_FACE_DEG = 45.0
"""Cells steeper than this on the mean are faces [deg]."""

ROUNDING = 1e-9


@dataclass(frozen=True)
class FaceFigures:
    """The density of first returns on steep faces.

    Attributes
    ----------
    definition : str
        Which cells, which surface, which returns, in words.
    limit_deg : float
        Slope over which a cell is a face [deg].
    plan_area_m2, face_area_m2 : float
        Area of these cells in plan, and of the surface in them [m2].
    mean_per_m2, p05_per_m2 : float
        First returns per square metre of face: all of them over the whole face; 5th percentile of cells [1/m2].
    """

    definition: str
    limit_deg: float
    plan_area_m2: float
    face_area_m2: float
    mean_per_m2: float
    p05_per_m2: float


def surface_area_m2(grid: HeightGrid, cells: CellGrid) -> Array:
    """Return the area of the triangulated surface in each cell [m2], shape (rows, cols)."""
    z = grid.heights_m[: cells.rows * cells.factor + 1, : cells.cols * cells.factor + 1] / grid.spacing_m
    east, south = np.diff(z, axis=1), np.diff(z, axis=0)
    # The triangle north-east of the diagonal has its sides along the north and the east edge of the square.
    upper = np.sqrt(1 + east[:-1] ** 2 + south[:, 1:] ** 2)
    lower = np.sqrt(1 + east[1:] ** 2 + south[:, :-1] ** 2)
    return np.asarray(_by_cell(upper + lower, cells).sum(axis=(1, 3)) * (grid.spacing_m**2 / 2))


def judge_faces(first_per_m2: Array, judged: Mask, cells: CellGrid, layers: Layers) -> FaceFigures | None:
    """Return the figures of the judged faces, or None where there is no face.

    Parameters
    ----------
    first_per_m2 : ndarray, shape (rows, cols)
        First returns per square metre of plan; nan on unknown terrain, which is left out here [1/m2].
    judged : ndarray of bool, shape (rows, cols)
        Cells inside the area.
    cells : CellGrid
        The judging cells.
    layers : Layers
        The surfaces; cells with crowns are left out, whose hull is no face.
    """
    plan_m2 = cells.cell_m**2
    face_m2 = surface_area_m2(layers.solid(), cells)
    steep = face_m2 > plan_m2 / np.cos(np.radians(STEEP_FACE_DEG)) * (1 + ROUNDING)
    faces = judged & steep & ~np.isnan(first_per_m2)
    if layers.foliage is not None:
        faces &= ~_by_cell(layers.foliage > 0, cells).any(axis=(1, 3))
    if not faces.any():
        return None
    returns, areas = first_per_m2[faces] * plan_m2, face_m2[faces]
    return FaceFigures(
        definition=(
            "first returns per square metre of face, passes counted as for the plan density, in cells inside the area "
            f"steeper than {STEEP_FACE_DEG:g} deg on the mean (surface over plan area more than the secant of it) and "
            "without crowns; the area is that of the triangulated height raster, where a vertical wall is a ramp one "
            "raster square wide and an overhang is none; level ground in the same cell counts with it"
        ),
        limit_deg=STEEP_FACE_DEG,
        plan_area_m2=int(faces.sum()) * plan_m2,
        face_area_m2=float(areas.sum()),
        mean_per_m2=float(returns.sum() / areas.sum()),
        p05_per_m2=float(np.percentile(returns / areas, 5.0, method="lower")),
    )


def _by_cell(squares: npt.NDArray[np.generic], cells: CellGrid) -> npt.NDArray[np.generic]:
    """Return a value for each lattice square as (rows, factor, cols, factor)."""
    side = cells.factor
    return squares[: cells.rows * side, : cells.cols * side].reshape(cells.rows, side, cells.cols, side)
