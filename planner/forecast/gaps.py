"""Cells below the requirement, one cause each, and the polygons they form.

Lives here: the closed list of causes, the rule that picks the decisive one, and gap polygons.
Must not know how lines were planned.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import rasterio.features
import shapely
from affine import Affine

from planner.ground.kernels import kernel
from planner.ground.surface import CellGrid, HeightGrid
from planner.ranging.attitude import Leg
from planner.ranging.fates import AMBIGUOUS, DIM, RETURNS, SHADOWED, TOO_FAR, TOO_NEAR, WATER
from planner.ranging.pulses import Tally
from planner.requirement import Requirement

Array = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]
Codes = npt.NDArray[np.uint8]

CAUSES = (
    "no terrain",
    "no line",
    "outside swath",
    "minimum range",
    "shadow",
    "range ambiguity",
    "over range",
    "water",
    "dim surface",
    "canopy",
    "sparse",
    "height error",
)
"""The closed list, in order of decision; code in cause.tif = position + 1. 0 = meets what is asked.

The last one is of cells that meet their density with the confidence asked for, but not together with the height error.
"""

ROUNDING = 1e-9

NOT_JUDGED = 255
"""Code in cause.tif of cells outside the area of interest."""


@dataclass(frozen=True)
class Gap:
    """One connected patch of cells below the requirement that share a cause.

    Attributes
    ----------
    gap_id : str
        Name of the patch, ``"G001"`` for the largest.
    cause : str
        One of `CAUSES`.
    polygon : shapely Polygon
        Outline in local coordinates [m].
    area_m2 : float
        Cells times cell area [m2].
    mean_density_per_m2 : float
        Mean density over its cells [1/m2].
    """

    gap_id: str
    cause: str
    polygon: shapely.Polygon
    area_m2: float
    mean_density_per_m2: float


def code_of(cause: str) -> int:
    """Return the code of a cause in cause.tif."""
    return CAUSES.index(cause) + 1


def _abeam(cells: CellGrid, grid: HeightGrid, legs: Sequence[Leg], wanted: Mask) -> tuple[Mask, Mask]:
    """Return which wanted cells some leg's scan passes over, however far aside, and which within its opening."""
    rows, cols = np.nonzero(wanted)
    east_all, north_all = cells.centres_m()
    east, north = east_all[cols], north_all[rows]
    height = grid.at(east, north)
    abeam, within = (np.zeros(len(rows), dtype=bool) for _ in range(2))
    for leg in legs:
        first, last = leg.points_m[0], leg.points_m[-1]
        track = np.arctan2(*(last[:2] - first[:2]))
        forward = np.array([np.sin(track), np.cos(track)])
        along = (east - first[0]) * forward[0] + (north - first[1]) * forward[1]
        length = float((last[:2] - first[:2]) @ forward)
        # A tilted plane meets ground of this height ahead of the aircraft.
        drop = leg.points_m[:, 2].mean() - np.nan_to_num(height, nan=first[2])
        ahead = np.tan(leg.angles_rad[:, 1].mean()) * drop
        beside = (along >= ahead) & (along <= length + ahead)
        across = (east - first[0]) * forward[1] - (north - first[1]) * forward[0]
        angle = np.arctan2(np.abs(across), np.maximum(drop, 0.0)) + np.abs(leg.angles_rad[:, 2].mean())
        abeam |= beside
        within |= beside & (angle < leg.pattern.usable_half_angle_rad)
    masks = np.zeros((2, *wanted.shape), dtype=bool)
    masks[:, rows, cols] = abeam, within
    return masks[0], masks[1]


def decide_causes(
    density: Array,
    judged: Mask,
    water: Mask,
    tally: Tally,
    cells: CellGrid,
    grid: HeightGrid,
    legs: Sequence[Leg],
    requirement: Requirement,
) -> Codes:
    """Return the decisive cause of every judged cell below the target, shape (rows, cols).

    The decisive cause is the one whose removal alone brings the cell to its density, else the first in the order
    of `CAUSES` that took any pulse, else the pulses were too few.

    Parameters
    ----------
    density : ndarray, shape (rows, cols)
        Density as judged, or what a cell has of it with the confidence asked for [1/m2]; nan on unknown terrain.
    judged : ndarray of bool, shape (rows, cols)
        Cells inside the area.
    water : ndarray of bool, shape (rows, cols)
        Cells of declared open water: what they lack has that cause, whatever else is lost.
    tally : Tally
        Pulses by channel.
    cells, grid, legs
        The cells, the surface and the legs that were fired.
    requirement : Requirement
        Which returns count, and whether all legs are pooled or the best one counts.
    """
    counts = tally.aggregate if requirement.coverage == "aggregate" else tally.best
    target_per_m2 = requirement.target_per_m2
    needed = target_per_m2 * cells.cell_m**2
    losses = _losses(tally, counts, requirement)
    kept = np.nan_to_num(density) * cells.cell_m**2 * (1 + ROUNDING)
    below = judged & ~(density >= target_per_m2)
    codes = np.full(judged.shape, NOT_JUDGED, dtype=np.uint8)
    codes[judged] = 0
    codes[below] = code_of("sparse")
    for cause, lost in reversed(losses):
        codes[below & (lost > 0)] = code_of(cause)
    for cause, lost in reversed(losses):
        codes[below & (lost > 0) & (kept + lost >= needed)] = code_of(cause)
    unseen = below & (counts.sum(axis=2) == 0)
    codes[unseen] = code_of("no line")
    abeam, within = _abeam(cells, grid, legs, unseen)
    codes[unseen & abeam] = code_of("outside swath")
    codes[unseen & within] = code_of("shadow")  # rays cast one by one do not say what they would have met behind
    codes[below & water] = code_of("water")
    codes[below & np.isnan(density)] = code_of("no terrain")
    return codes


def _losses(tally: Tally, lost: Array, requirement: Requirement) -> list[tuple[str, Array]]:
    """Return the returns that are lost to each cause in the order of `CAUSES`, each of shape (rows, cols)."""
    pooled = requirement.coverage == "aggregate"
    shadowed, canopy = lost[..., SHADOWED], np.zeros(lost.shape[:2])
    if requirement.returns == "ground":
        kept = tally.ground if pooled else tally.most_ground
        free = tally.open_ground if pooled else tally.most_open_ground
        # What is caught by a roof hides the ground beneath it.
        shadowed = shadowed + np.where(free == 0, lost[..., RETURNS], 0)
        canopy = free - kept
    return [
        ("minimum range", lost[..., TOO_NEAR]),
        ("shadow", shadowed),
        ("range ambiguity", lost[..., AMBIGUOUS]),
        ("over range", lost[..., TOO_FAR]),
        ("water", lost[..., WATER]),
        ("dim surface", lost[..., DIM]),
        ("canopy", canopy),
    ]


@kernel
def _label(codes, labels, stack):
    """Give each patch of equal code, edge to edge, a label; `stack` holds the cells still to be looked at."""
    rows, cols = codes.shape
    patches = 0
    for first in range(rows * cols):
        code = codes[first // cols, first % cols]
        if code == 0 or code == NOT_JUDGED or labels[first // cols, first % cols]:
            continue
        patches += 1
        labels[first // cols, first % cols] = patches
        stack[0] = first
        height = 1
        while height:
            height -= 1
            row, col = stack[height] // cols, stack[height] % cols
            for step_row, step_col in ((0, 1), (1, 0), (0, -1), (-1, 0)):
                r, c = row + step_row, col + step_col
                if 0 <= r < rows and 0 <= c < cols and codes[r, c] == code and labels[r, c] == 0:
                    labels[r, c] = patches
                    stack[height] = r * cols + c
                    height += 1
    return patches


def outline_gaps(codes: Codes, density: Array, cells: CellGrid) -> tuple[Gap, ...]:
    """Return the connected patches of one cause, largest first; their areas add up to the area below target."""
    labels = np.zeros(codes.shape, dtype=np.int32)
    patches = _label(codes, labels, np.empty(codes.size, dtype=np.int64))
    members = np.bincount(labels.ravel(), minlength=patches + 1)
    sums = np.bincount(labels.ravel(), np.nan_to_num(density).ravel(), minlength=patches + 1)
    code_at = np.zeros(patches + 1, dtype=np.uint8)
    code_at[labels.ravel()] = codes.ravel()
    transform = Affine(cells.cell_m, 0, cells.west_m, 0, -cells.cell_m, cells.north_m)
    outlines = rasterio.features.shapes(labels, mask=labels > 0, connectivity=4, transform=transform)
    found = []
    for outline, value in outlines:
        label = int(value)
        polygon = shapely.geometry.shape(outline)
        area = float(members[label] * cells.cell_m**2)
        found.append((area, float(sums[label] / members[label]), polygon, int(code_at[label])))
    found.sort(key=lambda gap: (-gap[0], gap[3], gap[2].bounds))
    return tuple(
        Gap(f"G{number:03d}", CAUSES[code - 1], polygon, area, mean)
        for number, (area, mean, polygon, code) in enumerate(found, start=1)
    )
