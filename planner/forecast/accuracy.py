"""What the error budgets of cells say about the requirement.

Lives here: accuracy figures, by slope and by class of surface, and their definition. Must not know how lines were
planned, nor how an error comes about.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from planner.forecast.budgets import CellErrors
from planner.ranging.looks import Faces
from planner.ranging.uncertainty import TERMS
from planner.requirement import Requirement

Array = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]
Codes = npt.NDArray[np.uint8]
Shares = npt.NDArray[np.float32]

TESTED_SLOPE_DEG = 10.0
"""Steepest ground that checkpoints stand on and swaths are compared on [deg]."""

SLOPE_EDGES_DEG = (-1.0, 10.0, 20.0, 30.0, 90.0)
"""Edges of the classes of slope that figures are also given for [deg]; an upper edge belongs to its class."""


@dataclass(frozen=True)
class PartAccuracy:
    """The vertical error of a part of the area.

    Attributes
    ----------
    name : str
        Class of slope or of surface.
    area_m2 : float
        Judged cells of it that returns reach [m2].
    rmse_m : float
        Root mean square vertical error [m].
    dominant_term : str
        What makes most of its variance.
    slope_share_pct : float
        Share of the variance that is there only because the ground slopes: errors of place read as height [percent].
    """

    name: str
    area_m2: float
    rmse_m: float
    dominant_term: str
    slope_share_pct: float


@dataclass(frozen=True)
class AccuracyFigures:
    """The errors of the judged cells, with the definition they were judged by; None where nothing can be said.

    Attributes
    ----------
    definition : str
        Which points, passes and cells, in words.
    target_rmse_m : float or None
        Vertical error asked for [m].
    checkpoint_sd_m : float
        Error of the heights that it is tested against [m].
    rmse_m, tested_rmse_m : float or None
        Root mean square vertical error of ground that checkpoints stand on: of points, and as a test will find it [m].
    cell_sigma_p50_m, cell_sigma_p95_m : float or None
        Median and 95th percentile of the vertical error of cells on ground of any slope [m].
    horizontal_rmse_m : float or None
        Root mean square radial horizontal error, on the ground of `rmse_m` [m].
    over_target_pct : float or None
        Share of cells, on ground of any slope, whose own error is over the target [percent].
    dominant_term, dominant_share_pct : str or None, float or None
        What makes most of the variance of `rmse_m`, and how much of it [percent].
    by_slope, by_class : tuple of PartAccuracy
        The same by slope, and by class of surface, largest area first.
    disagreement_rms_m : float or None
        Root mean square difference of height to expect between two passes, on the ground of `rmse_m` [m].
    met : bool or None
        Whether `tested_rmse_m` keeps to the target.
    """

    definition: str
    target_rmse_m: float | None
    checkpoint_sd_m: float
    rmse_m: float | None
    tested_rmse_m: float | None
    cell_sigma_p50_m: float | None
    cell_sigma_p95_m: float | None
    horizontal_rmse_m: float | None
    over_target_pct: float | None
    dominant_term: str | None
    dominant_share_pct: float | None
    by_slope: tuple[PartAccuracy, ...]
    by_class: tuple[PartAccuracy, ...]
    disagreement_rms_m: float | None
    met: bool | None


def judge_accuracy(
    errors: CellErrors,
    faces: Faces,
    judged: Mask,
    requirement: Requirement,
    checkpoint_sd_m: float,
    classes: Codes,
    class_names: Sequence[str],
    cell_m: float,
) -> AccuracyFigures:
    """Return the figures of the judged cells.

    The error of checkpoints is added as ASPRS Positional Accuracy Standards, Edition 2 (2023), does: root of the sum
    of squares.

    Parameters
    ----------
    errors, faces
        Of each cell.
    judged : ndarray of bool, shape (rows, cols) or (cells,)
        Cells inside the area.
    requirement : Requirement
        Which passes count, and the target.
    checkpoint_sd_m : float
        Error of the heights that are tested against [m].
    classes, class_names : ndarray of uint8, shape as `judged`, sequence of str
        Class of surface of each cell, and what the reader calls class 0, 1, ...
    cell_m : float
        Side of a cell [m].
    """
    single = requirement.coverage == "single"
    vertical = errors.vertical_single_m if single else errors.vertical_combined_m
    horizontal = errors.horizontal_single_m if single else errors.horizontal_combined_m
    terms = errors.single_terms_m2 if single else errors.terms_m2
    slopes_deg = np.degrees(np.arctan(np.hypot(*faces.slopes.T)))
    known = judged.ravel() & ~np.isnan(vertical)
    tested, every = known & (slopes_deg <= TESTED_SLOPE_DEG), vertical[known]
    target, rmse = requirement.target_rmse_m, _rms(vertical[tested])
    found = None if rmse is None else float(np.hypot(rmse, checkpoint_sd_m))
    dominant, share = _dominant(terms[tested])
    by_slope = {
        _slope_name(low, high): known & (slopes_deg > low) & (slopes_deg <= high)
        for low, high in pairwise(SLOPE_EDGES_DEG)
    }
    by_class = {name: known & (classes.ravel() == code) for code, name in enumerate(class_names)}
    return AccuracyFigures(
        definition=_definition(single, cell_m),
        target_rmse_m=target,
        checkpoint_sd_m=checkpoint_sd_m,
        rmse_m=rmse,
        tested_rmse_m=found,
        cell_sigma_p50_m=float(np.percentile(every, 50)) if every.size else None,
        cell_sigma_p95_m=float(np.percentile(every, 95)) if every.size else None,
        horizontal_rmse_m=_rms(horizontal[tested]),
        over_target_pct=None if target is None or not every.size else float(100 * (every > target).mean()),
        dominant_term=dominant,
        dominant_share_pct=share,
        by_slope=_parts(by_slope, errors, vertical, terms, cell_m),
        by_class=tuple(sorted(_parts(by_class, errors, vertical, terms, cell_m), key=lambda part: -part.area_m2)),
        disagreement_rms_m=_rms(errors.disagreement_m[tested]),
        met=None if target is None or found is None else found <= target,
    )


def _parts(
    where: Mapping[str, Mask], errors: CellErrors, vertical: Array, terms: Shares, cell_m: float
) -> tuple[PartAccuracy, ...]:
    """Return the figures of the parts that hold any cell."""
    found = []
    for name, inside in where.items():
        rmse, (dominant, _) = _rms(vertical[inside]), _dominant(terms[inside])
        if rmse is not None and dominant is not None:
            level, sloping = ((sd[inside] ** 2).sum() for sd in (errors.vertical_level_m, errors.vertical_combined_m))
            of_slope = max(0.0, 100 * float(1 - level / sloping))
            found.append(PartAccuracy(name, int(inside.sum()) * cell_m**2, rmse, dominant, of_slope))
    return tuple(found)


def _dominant(terms: Shares) -> tuple[str | None, float | None]:
    """Return what makes most of the variance of cells, shape (n, terms), and how much of it [percent]."""
    sums = terms.sum(axis=0, dtype=np.float64)
    if not sums.any():
        return None, None
    return TERMS[int(sums.argmax())], float(100 * sums.max() / sums.sum())


def _slope_name(low_deg: float, high_deg: float) -> str:
    if low_deg < 0:
        return f"up to {high_deg:g} deg"
    return f"{low_deg:g} to {high_deg:g} deg" if high_deg < 90 else f"over {low_deg:g} deg"


def _rms(values: Array) -> float | None:
    """Return the root mean square of what is known, None where nothing is."""
    known = values[~np.isnan(values)]
    return float(np.sqrt(np.mean(known**2))) if known.size else None


def _definition(single: bool, cell_m: float) -> str:
    passes = "one return of the pass that brings most" if single else "all passes, weighted by their returns"
    return (
        f"root mean square error of height on ground up to {TESTED_SLOPE_DEG:g} deg steep, of {passes}, one standard "
        f"deviation per square cell of {cell_m:g} m inside the area, along the normal of the face and read vertically; "
        "errors of boresight, lever arm and base station are common to all passes and not averaged away, returns "
        "within a pass are not averaged; cells without returns are left out; the error of checkpoints is added as root "
        "of the sum of squares"
    )
