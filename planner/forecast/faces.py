"""Returns on steep faces, per square metre of face, and how much of them is covered.

Lives here: which cells are faces, the area of their surface, and the figures. Must not know how lines were planned.

A cell is counted in plan, so that a wall seems to hold as many returns as the strip of floor it stands on; what its
surface was sampled with is the number of returns over its true area.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import shapely

from planner.facechoice import FaceChoice
from planner.ground.surface import CellGrid, HeightGrid, Layers, Wall
from planner.requirement import Requirement

Array = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]

FACINGS = tuple(
    f"facing {way}"
    for way in ("north", "north-east", "east", "south-east", "south", "south-west", "west", "north-west")
)
"""Ways that faces are told apart by where nobody names them: each an eighth of the circle about its bearing."""

ACROSS = 0.5
"""Cosine of the angle up to which a cell off the line of a marked wall falls toward it or away: 60 degrees."""

ROUNDING = 1e-9


@dataclass(frozen=True)
class FaceCells:
    """The judging cells that count as faces; flat arrays, row by row.

    Attributes
    ----------
    flat : ndarray of int64, shape (n,)
        Flat number of each cell.
    areas_m2 : ndarray, shape (n,)
        Area of the surface in it [m2].
    wall : ndarray of int64, shape (n,)
        Number of its wall among `names`.
    names : tuple of str
        What walls are called: as the user names them, or by the way they face.
    marked : bool
        Whether the user marks them.
    """

    flat: npt.NDArray[np.int64]
    areas_m2: Array
    wall: npt.NDArray[np.int64]
    names: tuple[str, ...]
    marked: bool


@dataclass(frozen=True)
class WallFigures:
    """What one wall is sampled with.

    Attributes
    ----------
    name : str
        What it is called.
    face_area_m2 : float
        Area of its surface [m2].
    mean_per_m2, p05_per_m2 : float
        As in `FaceFigures` [1/m2].
    coverage_pct : float
        Share of its area with the density that faces are held against [percent].
    """

    name: str
    face_area_m2: float
    mean_per_m2: float
    p05_per_m2: float
    coverage_pct: float


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
    target_per_m2 : float
        Density that faces are held against, per square metre of face [1/m2].
    coverage_pct : float
        Wall coverage: share of the area of faces with that density or more [percent].
    least_pct : float or None
        Coverage that is asked for [percent]; None asks none.
    walls : tuple of WallFigures
        One by one: those that the user marks, else by the way they face.
    """

    definition: str
    limit_deg: float
    plan_area_m2: float
    face_area_m2: float
    mean_per_m2: float
    p05_per_m2: float
    target_per_m2: float = 0.0
    coverage_pct: float = 100.0
    least_pct: float | None = None
    walls: tuple[WallFigures, ...] = ()

    @property
    def met(self) -> bool | None:
        """Whether the coverage asked for is there; None where none is asked."""
        return None if self.least_pct is None else self.coverage_pct >= self.least_pct - ROUNDING


def surface_area_m2(grid: HeightGrid, cells: CellGrid) -> Array:
    """Return the area of the triangulated surface in each cell [m2], shape (rows, cols)."""
    return np.asarray(_by_cell(_doubled(grid, cells), cells).sum(axis=(1, 3)) * (grid.spacing_m**2 / 2))


def face_cells(
    judged: Mask, cells: CellGrid, layers: Layers, choice: FaceChoice, walls: Sequence[Wall] = ()
) -> FaceCells:
    """Return the judged cells that are faces, cells with crowns left out: their hull is no face.

    Where walls are marked these are the steep cells that fall toward a line or away from it and lie within the height
    of its wall over the tangent of the limit, for a wall reaches no farther from its foot or crest; and the cells that
    the line crosses where any lattice square is steep, for the front of a building is a ramp one square wide.

    Parameters
    ----------
    judged : ndarray of bool, shape (rows, cols)
        Cells inside the area.
    cells : CellGrid
        The judging cells.
    layers : Layers
        The surfaces.
    choice : FaceChoice
        How steep a face is.
    walls : sequence of Wall
        Those that are marked; none takes all that is steep.
    """
    solid, plan_m2 = layers.solid(), cells.cell_m**2
    areas = surface_area_m2(solid, cells)
    least = (1 + ROUNDING) / np.cos(np.radians(choice.steeper_than_deg))
    steep, open_ = areas > plan_m2 * least, judged.copy()
    if layers.foliage is not None:
        open_ &= ~_by_cell(layers.foliage > 0, cells).any(axis=(1, 3))
    if not walls:
        flat = np.flatnonzero(steep & open_)
        return FaceCells(flat, areas.ravel()[flat], _facing(solid, cells).ravel()[flat], FACINGS, marked=False)
    edged = _by_cell(_doubled(solid, cells) > 2 * least, cells).any(axis=(1, 3))
    flat = np.flatnonzero((steep | edged) & open_)
    off, across = _from_lines(flat, cells, solid, walls)
    reach = np.array([wall.height_m for wall in walls]) / np.tan(np.radians(choice.steeper_than_deg)) + cells.cell_m
    near = steep.ravel()[flat] & (off <= reach[:, np.newaxis]) & (across >= ACROSS)
    near |= off <= cells.cell_m / np.sqrt(2)
    held, nearest = near.any(axis=0), np.where(near, off, np.inf).argmin(axis=0)
    names = tuple(wall.name for wall in walls)
    return FaceCells(flat[held], areas.ravel()[flat][held], nearest[held], names, marked=True)


def _from_lines(
    flat: npt.NDArray[np.int64], cells: CellGrid, solid: HeightGrid, walls: Sequence[Wall]
) -> tuple[Array, Array]:
    """Return how far cells lie from the line of each wall [m], and how squarely they fall toward it or away, 0-1.

    Both have the shape (walls, n).
    """
    east, north = cells.centres_m()
    rows, cols = np.divmod(flat, cells.cols)
    places = shapely.points(east[cols], north[rows])
    falls = [values.ravel()[flat] for values in _falls(solid, cells)]
    steepness = np.hypot(*falls)
    off, across = [], []
    for wall in walls:
        ways = shapely.get_coordinates(shapely.shortest_line(places, wall.line)).reshape(-1, 2, 2)
        away = ways[:, 0] - ways[:, 1]
        distance = np.hypot(*away.T)
        off.append(distance)
        squarely = np.abs(away[:, 0] * falls[0] + away[:, 1] * falls[1])
        across.append(squarely / np.maximum(distance * steepness, 1e-12))
    return np.array(off), np.array(across)


def judge_faces(
    first_per_m2: Array,
    judged: Mask,
    cells: CellGrid,
    layers: Layers,
    requirement: Requirement,
    choice: FaceChoice | None = None,
    walls: Sequence[Wall] = (),
) -> FaceFigures | None:
    """Return the figures of the judged faces, or None where there is no face.

    Parameters
    ----------
    first_per_m2 : ndarray, shape (rows, cols)
        First returns per square metre of plan; nan on unknown terrain, which is left out here [1/m2].
    judged, cells, layers, choice, walls
        As for `face_cells`.
    requirement : Requirement
        Says what faces are held against.
    """
    choice = choice or FaceChoice()
    known = judged & ~np.isnan(first_per_m2)
    faces = face_cells(known, cells, layers, choice, walls)
    if not faces.flat.size:
        return None
    plan_m2, target = cells.cell_m**2, requirement.face_target_per_m2
    returns = first_per_m2.ravel()[faces.flat] * plan_m2
    per_m2 = returns / faces.areas_m2
    total_m2 = float(faces.areas_m2.sum())
    return FaceFigures(
        definition=_definition(faces, choice, target),
        limit_deg=choice.steeper_than_deg,
        plan_area_m2=faces.flat.size * plan_m2,
        face_area_m2=total_m2,
        mean_per_m2=float(returns.sum() / total_m2),
        p05_per_m2=_p05(per_m2),
        target_per_m2=target,
        coverage_pct=_covered_pct(per_m2, faces.areas_m2, target),
        least_pct=None if requirement.face_density_per_m2 is None else 100 - requirement.face_share_pct,
        walls=tuple(_of_walls(faces, per_m2, target)),
    )


def _of_walls(faces: FaceCells, per_m2: Array, target_per_m2: float) -> Iterator[WallFigures]:
    for number, name in enumerate(faces.names):
        own = faces.wall == number
        if own.any():
            areas, values = faces.areas_m2[own], per_m2[own]
            mean = float((values * areas).sum() / areas.sum())
            covered = _covered_pct(values, areas, target_per_m2)
            yield WallFigures(name, float(areas.sum()), mean, _p05(values), covered)


def _definition(faces: FaceCells, choice: FaceChoice, target_per_m2: float) -> str:
    limit = f"{choice.steeper_than_deg:g} deg on the mean (surface over plan area more than the secant of it)"
    near = ", falling toward the line of a marked wall or away from it no farther than its height reaches,"
    return (
        "first returns per square metre of face, passes counted as for the plan density, in cells inside the area "
        f"steeper than {limit}{near if faces.marked else ''} and without crowns; the area is that of the triangulated "
        "height raster, where a vertical wall is a ramp one raster square wide and an overhang is none; level ground "
        f"in the same cell counts with it; covered is the share of that area with {target_per_m2:g} per m2 or more"
    )


def _covered_pct(per_m2: Array, areas_m2: Array, target_per_m2: float) -> float:
    enough = per_m2 >= target_per_m2 * (1 - ROUNDING)
    return float(100 * areas_m2[enough].sum() / areas_m2.sum())


def _p05(values: Array) -> float:
    return float(np.percentile(values, 5.0, method="lower"))


def _falls(grid: HeightGrid, cells: CellGrid) -> tuple[Array, Array]:
    """Return how much each cell falls toward east and toward north, shape (rows, cols): down the plane of it."""
    side = cells.factor
    z = grid.heights_m[: cells.rows * side + 1 : side, : cells.cols * side + 1 : side]
    eastward = (z[:-1, :-1] + z[1:, :-1]) - (z[:-1, 1:] + z[1:, 1:])
    northward = (z[1:, :-1] + z[1:, 1:]) - (z[:-1, :-1] + z[:-1, 1:])
    return np.asarray(eastward), np.asarray(northward)


def _facing(grid: HeightGrid, cells: CellGrid) -> npt.NDArray[np.int64]:
    """Return the way that each cell faces, as a number among `FACINGS`, shape (rows, cols)."""
    bearing = np.arctan2(*_falls(grid, cells))
    return np.asarray(np.rint(bearing / (np.pi / 4)).astype(np.int64) % len(FACINGS))


def _doubled(grid: HeightGrid, cells: CellGrid) -> Array:
    """Return twice the area of the two triangles of each square over its plan, shape of squares under cells.

    The triangle north-east of the diagonal has its sides along the north and the east edge of the square.
    """
    z = grid.heights_m[: cells.rows * cells.factor + 1, : cells.cols * cells.factor + 1] / grid.spacing_m
    east, south = np.diff(z, axis=1), np.diff(z, axis=0)
    upper = np.sqrt(1 + east[:-1] ** 2 + south[:, 1:] ** 2)
    lower = np.sqrt(1 + east[1:] ** 2 + south[:, :-1] ** 2)
    return np.asarray(upper + lower)


def _by_cell(squares: npt.NDArray[np.generic], cells: CellGrid) -> npt.NDArray[np.generic]:
    """Return a value for each lattice square as (rows, factor, cols, factor)."""
    side = cells.factor
    return squares[: cells.rows * side, : cells.cols * side].reshape(cells.rows, side, cells.cols, side)
