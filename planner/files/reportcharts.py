"""Pictures of what a forecast is worth: errors and chances cell by cell, marks of checkpoints, bars of doubts.

Lives here: classes and colours of these pictures. Must not know the words of the report.
"""

from collections.abc import Mapping, Sequence
from itertools import pairwise

import numpy as np
import numpy.typing as npt
import shapely

from planner.assessment import Assessment
from planner.files.mapclasses import hex_of
from planner.files.reportplots import OUTSIDE, Shown, View, cells_image
from planner.forecast.checkpoints import Checkpoint
from planner.forecast.confidence import SURE_CHANCE

Array = npt.NDArray[np.float64]
Chances = npt.NDArray[np.float32]

ERROR_SHARES = (0.5, 0.75, 1.0, 1.5, 2.0)
"""Class breaks of the vertical error as shares of the target; 1 is the target itself."""

ERROR_BREAKS_M = (0.01, 0.02, 0.03, 0.05, 0.1)
"""Class breaks where no target is asked for [m]."""

CHANCE_BREAKS = (0.5, 0.8, SURE_CHANCE)

ERROR_RGB = ((75, 32, 8), (140, 60, 12), (196, 98, 24), (118, 178, 209), (160, 205, 226), (205, 229, 239))
PLAIN_ERROR_RGB = ((40, 20, 84), (76, 54, 128), (112, 92, 160), (150, 134, 190), (188, 178, 214), (224, 218, 236))
CHANCE_RGB = ((75, 32, 8), (176, 84, 18), (236, 160, 76), (205, 229, 239))
"""Worst first, each class lighter than the one before, so that they stay apart without hue; the hue of errors turns at
the target, and not at all where there is none."""

_LARGE_PX = 1000


def error_breaks_m(target_m: float | None) -> list[float]:
    """Return the class breaks of the vertical error [m]; a target is one of them."""
    return list(ERROR_BREAKS_M) if target_m is None else [share * target_m for share in ERROR_SHARES]


def error_map(assessment: Assessment, view: View) -> Shown:
    """Return the picture of the vertical error of each judged cell, for the passes that are judged, with its classes.

    A cell whose error is the target is in the class that ends there.
    """
    forecast, requirement = assessment.forecast, assessment.mission.requirement
    errors, target_m = forecast.errors, requirement.target_rmse_m
    single = requirement.coverage == "single"
    values = (errors.vertical_single_m if single else errors.vertical_combined_m).reshape(forecast.judged.shape)
    breaks, colours = error_breaks_m(target_m), PLAIN_ERROR_RGB if target_m is None else ERROR_RGB
    codes = (len(colours) - np.digitize(values, breaks, right=True)).astype(np.uint8)
    without = np.isnan(values)
    codes[~forecast.judged | without] = OUTSIDE
    texts = [f"{100 * value:.3g}" for value in breaks]
    names = [f"up to {texts[0]}", *(f"{low} to {high}" for low, high in pairwise(texts)), f"over {texts[-1]}"]
    ends = [*breaks, None]
    classes = [
        {"colour": hex_of(rgb), "label": name, "target": end is not None and end == target_m}
        for rgb, name, end in zip(colours[::-1], names, ends, strict=True)
    ]
    empty = bool((forecast.judged & without).any())
    return cells_image(codes, colours, forecast.cells, view, _LARGE_PX) | {"classes": classes, "empty": empty}


def chance_map(chance: Chances, assessment: Assessment, view: View) -> Shown:
    """Return the picture of the chance of each judged cell, shape (rows, cols), with its classes.

    A chance is a share of draws kept in single precision: breaks are too, so that 95 draws of 100 are 95 percent.
    """
    forecast, without = assessment.forecast, np.isnan(chance)
    codes = (1 + np.digitize(chance, np.asarray(CHANCE_BREAKS, dtype=np.float32))).astype(np.uint8)
    codes[without] = OUTSIDE
    texts = [f"{100 * value:g}" for value in CHANCE_BREAKS]
    names = [f"under {texts[0]}", *(f"{low} to {high}" for low, high in pairwise(texts)), f"{texts[-1]} and more"]
    classes = [{"colour": hex_of(rgb), "label": name} for rgb, name in zip(CHANCE_RGB, names, strict=True)]
    empty = bool((forecast.judged & without).any())
    return cells_image(codes, CHANCE_RGB, forecast.cells, view, _LARGE_PX) | {"classes": classes, "empty": empty}


def checkpoint_pins(points: Sequence[Checkpoint], view: View) -> list[Shown]:
    """Return the number and place of each checkpoint; the last figures of its name are its number."""
    places = [view.place_pct(shapely.Point(point.east_m, point.north_m)) for point in points]
    names = [point.point_id.removeprefix("CP").lstrip("0") for point in points]
    return [{"name": name, "left": left, "top": top} for name, (left, top) in zip(names, places, strict=True)]


def doubt_bars(by_source_m2: Mapping[str, float]) -> list[Shown]:
    """Return a bar for each source of doubt, costliest first; the longest is 100 percent, a gain has none."""
    longest = max(by_source_m2.values(), default=0.0)
    ranked = sorted(by_source_m2.items(), key=lambda pair: -pair[1])
    return [
        {"name": name, "area_m2": area, "width": round(100 * area / longest, 2) if area > 0 else 0.0}
        for name, area in ranked
    ]
