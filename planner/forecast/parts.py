"""The same flight under other conditions, and what becomes of the parts of a site.

Lives here: figures by case, by class of surface and by feature. Must not know how lines were planned.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from planner.forecast.gaps import CAUSES, code_of
from planner.ground.surface import CellGrid, Feature, GroundCover
from planner.requirement import Requirement

Array = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]
Codes = npt.NDArray[np.uint8]

UNCLASSED = "no class"
"""Name of ground whose class nobody gave: it is taken as bright as the card's range is rated for."""


@dataclass(frozen=True)
class CaseFigures:
    """What the flight brings in one case of air, light and wetness.

    Attributes
    ----------
    name, description : str
        Short name, and the conditions in words.
    density_per_m2 : ndarray, shape (rows, cols)
        Density as the requirement counts it [1/m2]; nan where the terrain is unknown.
    below : ndarray of bool, shape (rows, cols)
        Judged cells below the target, declared water left out.
    below_m2, below_pct : float
        Their area, and their share of what is judged [m2, percent].
    judged_per_m2 : float
        The judged percentile [1/m2].
    met : bool
        Whether it meets the target.
    """

    name: str
    description: str
    density_per_m2: Array
    below: Mask
    below_m2: float
    below_pct: float
    judged_per_m2: float
    met: bool


@dataclass(frozen=True)
class PartFigures:
    """A class of surface, or a feature of the site.

    Attributes
    ----------
    name : str
        What the reader calls it.
    area_m2 : float
        Judged cells of it [m2].
    below_m2 : tuple of float
        Area below the target in each case, in the order of the cases [m2].
    by_cause_m2 : mapping of str to float
        Area below as planned, by cause; adds up to the first of `below_m2` [m2].
    p05_per_m2 : float
        5th percentile of its cells as planned [1/m2].
    advice : str
        What can be done about it, in words; empty where nothing is below.
    """

    name: str
    area_m2: float
    below_m2: tuple[float, ...]
    by_cause_m2: Mapping[str, float]
    p05_per_m2: float
    advice: str


def cell_classes(cover: GroundCover | None, cells: CellGrid) -> Codes:
    """Return the class at the centre of each cell, shape (rows, cols); 0 where it is unknown."""
    if cover is None:
        return np.zeros((cells.rows, cells.cols), dtype=np.uint8)
    rows, cols = (np.arange(n) * cells.factor + cells.factor // 2 for n in (cells.rows, cells.cols))
    return np.asarray(cover.codes[np.ix_(rows, cols)])


def water_cells(cover: GroundCover | None, cells: CellGrid) -> Mask:
    """Return the cells whose centre is declared open water: what they lack is expected."""
    kinds = [False] if cover is None else [False, *(surface.kind == "water" for surface in cover.surfaces)]
    return np.asarray(np.array(kinds)[cell_classes(cover, cells)])


def judge_case(
    name: str, description: str, density: Array, judged: Mask, requirement: Requirement, cell_m: float
) -> CaseFigures:
    """Return the figures of one case; `judged` leaves declared water out."""
    target = requirement.target_per_m2
    values = np.nan_to_num(density[judged], nan=0.0)
    below = judged & ~(density >= target)
    at_percentile = float(np.percentile(values, requirement.percentile, method="lower")) if values.size else 0.0
    return CaseFigures(
        name=name,
        description=description,
        density_per_m2=density,
        below=below,
        below_m2=int(below.sum()) * cell_m**2,
        below_pct=100 * int(below.sum()) / max(int(judged.sum()), 1),
        judged_per_m2=at_percentile,
        met=at_percentile >= target,
    )


def figures_by_class(
    cover: GroundCover | None, cells: CellGrid, judged: Mask, cases: Sequence[CaseFigures], causes: Codes
) -> tuple[PartFigures, ...]:
    """Return the figures of each class of surface that is judged, largest area first."""
    classes = cell_classes(cover, cells)
    names = (UNCLASSED, *(cover.names if cover else ()))
    found = [_part(name, judged & (classes == code), cells, cases, causes) for code, name in enumerate(names)]
    return tuple(sorted((part for part in found if part.area_m2 > 0), key=lambda part: -part.area_m2))


def figures_by_feature(
    features: Sequence[Feature], cells: CellGrid, judged: Mask, cases: Sequence[CaseFigures], causes: Codes
) -> tuple[PartFigures, ...]:
    """Return the figures of each feature, in the order given: cells that it touches."""
    reach = cells.cell_m / 2
    return tuple(
        _part(feature.name, judged & cells.inside(feature.polygon.buffer(reach)), cells, cases, causes)
        for feature in features
    )


def _part(name: str, where: Mask, cells: CellGrid, cases: Sequence[CaseFigures], causes: Codes) -> PartFigures:
    cell_m2 = cells.cell_m**2
    by_cause = {cause: int((where & (causes == code_of(cause))).sum()) * cell_m2 for cause in CAUSES}
    water = by_cause.pop("water")
    by_cause = {cause: area for cause, area in by_cause.items() if area > 0}
    values = np.nan_to_num(cases[0].density_per_m2[where])
    return PartFigures(
        name=name,
        area_m2=int(where.sum()) * cell_m2,
        below_m2=tuple(int((case.below & where).sum()) * cell_m2 for case in cases),
        by_cause_m2=by_cause,
        p05_per_m2=float(np.percentile(values, 5.0, method="lower")) if values.size else 0.0,
        advice=advice_for(
            by_cause or ({"water": water} if water else {}),
            [int((case.below & where).sum()) for case in cases],
            [case.name for case in cases],
        ),
    )


_REMEDIES = {
    "no terrain": "bring terrain that covers it",
    "no line": "add a line over it",
    "outside swath": "bring lines closer, or add one",
    "minimum range": "fly higher over it",
    "shadow": "look from another side: a second pass across the first",
    "range ambiguity": "choose another pulse rate or height",
    "over range": "fly lower, or at a lower pulse rate that reaches farther",
    "water": "none: open water is expected to return little",
    "dim surface": "fly lower or at a lower pulse rate, on a dry day, or with another wavelength",
    "canopy": "fly when leaves are off, or slower with a narrower opening",
    "sparse": "fly slower, or add a second pass",
    "height error": "fly lower, or with a narrower opening; or add a second pass",
}


def advice_for(by_cause: Mapping[str, float], below: Sequence[int], names: Sequence[str]) -> str:
    """Return what can be done about a part, by its largest cause and the cases in which less of it is lost."""
    if not by_cause:
        return ""
    largest = max(by_cause, key=lambda cause: by_cause[cause])
    better = [name for name, count in zip(names[1:], below[1:], strict=True) if count < 0.5 * below[0]]
    hint = f"; less is lost as “{'”, “'.join(better)}”" if better else ""
    return _REMEDIES[largest] + hint
