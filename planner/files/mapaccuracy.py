"""Classes, colours and legends of the accuracy layers of the offline map.

Lives here: what colour a cell gets for its vertical error and for its chance to meet what is asked. Must not know
pages or pictures.
"""

import itertools
from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from planner.assessment import Assessment
from planner.files.mapassets import Codes
from planner.files.mapclasses import CASE_SIDE_PX, DENSITY_RGB, OUTSIDE, CellLayer, Colours, Swatch, hex_of
from planner.forecast.confidence import SURE_CHANCE

Array = npt.NDArray[np.float64]

ERROR_SHARES = (0.25, 0.5, 0.75, 1.0, 1.5, 2.0)
"""Class breaks of the vertical error as shares of the target; 1 is the target itself."""

ERROR_BREAKS_M = (0.01, 0.02, 0.03, 0.05, 0.1, 0.2)
"""The same where no vertical error is asked for [m]."""

CHANCE_BREAKS = (0.5, 0.8, SURE_CHANCE)

AGAINST_TARGET_RGB: Colours = (DENSITY_RGB[0], *DENSITY_RGB[2:])
"""No return, then errors from large to small: the colours of the density, blue keeps to the target."""
BY_SIZE_RGB: Colours = ((176, 196, 214), (24, 8, 46), (84, 22, 98), (150, 40, 100), (205, 72, 78), (236, 128, 58),
                        (252, 200, 100), (253, 246, 200))  # fmt: skip
"""No return, then errors from large to small where there is no target to part them."""
CHANCE_RGB: Colours = ((94, 40, 8), (217, 121, 38), (248, 208, 140), (45, 117, 172))
"""Chances from small to large; only blue is sure."""

_NO_RETURN = 1
_ROUNDING = 1e-6  # chances are shares of draws, held in single precision


def judged_errors_m(assessment: Assessment) -> Array:
    """Return the vertical error of cells from the passes that the requirement counts, shape (rows, cols) [m]."""
    errors = assessment.forecast.errors
    single = assessment.mission.requirement.coverage == "single"
    found = errors.vertical_single_m if single else errors.vertical_combined_m
    return found.reshape(assessment.forecast.judged.shape)


def error_breaks_m(target_rmse_m: float | None) -> list[float]:
    """Return the class breaks of the vertical error [m]; a target is one of them."""
    return list(ERROR_BREAKS_M) if target_rmse_m is None else [share * target_rmse_m for share in ERROR_SHARES]


def error_codes(assessment: Assessment) -> Codes:
    """Return 1 no return, 2.. classes from large errors to small, 255 outside the judged area."""
    errors_m, breaks = judged_errors_m(assessment), error_breaks_m(assessment.forecast.accuracy.target_rmse_m)
    # An error that equals the target keeps to it.
    smaller = len(breaks) - np.digitize(np.nan_to_num(errors_m), breaks, right=True)
    codes = np.where(np.isnan(errors_m), _NO_RETURN, _NO_RETURN + 1 + smaller)
    return np.where(assessment.forecast.judged, codes, OUTSIDE).astype(np.uint8)


def chance_codes(chance: npt.NDArray[np.float32]) -> Codes:
    """Return 1.. classes from small chances to large, 255 where a cell has none."""
    classes = 1 + np.digitize(np.nan_to_num(chance), np.array(CHANCE_BREAKS) - _ROUNDING)
    return np.where(np.isnan(chance), OUTSIDE, classes).astype(np.uint8)


def accuracy_layers(assessment: Assessment) -> dict[str, CellLayer]:
    """Return the layer of vertical errors, and that of chances where they are known, by name."""
    colours = _error_colours(assessment)
    layers = {"vertical": CellLayer(error_codes(assessment), colours, "Expected vertical error by cell")}
    if (sure := assessment.quality.confidence) is not None:
        said = "Chance to meet what is asked by cell"
        layers["chance"] = CellLayer(chance_codes(sure.chance), CHANCE_RGB, said, CASE_SIDE_PX)
    return layers


def error_legend(assessment: Assessment) -> list[Swatch]:
    """Return the swatches of vertical errors in centimetres, large ones first; `target`: the class ends at it."""
    target = assessment.forecast.accuracy.target_rmse_m
    breaks, (none, *colours) = error_breaks_m(target), _error_colours(assessment)
    labels, floors = _spans([f"{100 * edge:.3g}" for edge in breaks])[::-1], [*breaks[::-1], None]
    classes = [
        {"colour": hex_of(rgb), "label": label, "target": floor is not None and floor == target}
        for rgb, label, floor in zip(colours, labels, floors, strict=True)
    ]
    return [*classes, {"colour": hex_of(none), "label": "no return", "target": False}]


def chance_legend(assessment: Assessment) -> list[Swatch]:
    """Return the swatches of chances with their areas, large ones first; empty where chances are not known."""
    sure = assessment.quality.confidence
    if sure is None:
        return []
    codes, cell_m2 = chance_codes(sure.chance), assessment.forecast.cells.cell_m**2
    labels = [*_spans([f"{edge:g}" for edge in CHANCE_BREAKS])[:-1], f"{SURE_CHANCE:g} to 1"]
    return [
        {"colour": hex_of(rgb), "label": label, "area_m2": float((codes == code).sum()) * cell_m2}
        for code, (rgb, label) in enumerate(zip(CHANCE_RGB, labels, strict=True), start=1)
    ][::-1]


def _error_colours(assessment: Assessment) -> Colours:
    return BY_SIZE_RGB if assessment.forecast.accuracy.target_rmse_m is None else AGAINST_TARGET_RGB


def _spans(edges: Sequence[str]) -> list[str]:
    """Return the names of classes between edges, small ones first."""
    return [f"under {edges[0]}", *(f"{a} to {b}" for a, b in itertools.pairwise(edges)), f"{edges[-1]} and more"]
