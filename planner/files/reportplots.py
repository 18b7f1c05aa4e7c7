"""Pictures of the report: the site seen from above, a histogram and bars, as numbers that its page draws.

Lives here: what turns cells, outlines and areas into inline pictures. Must not know the words of the report.
"""

import base64
import io
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import shapely

from planner.assessment import Assessment
from planner.files.mapassets import Codes
from planner.files.mapclasses import (
    CAUSE_RGB,
    DENSITY_RGB,
    Colours,
    cause_codes,
    density_breaks,
    density_codes,
    hex_of,
    palette,
)
from planner.forecast.gaps import Gap
from planner.forecast.parts import CaseFigures, PartFigures, water_cells
from planner.ground.surface import CellGrid

Shown = dict[str, Any]

CASE_RGB = ((75, 32, 8), (236, 160, 76), (116, 178, 209))
"""Below in this case only; below as planned too; below as planned only. Told apart by lightness as well as by hue."""

OUTSIDE = 255
"""Code of a cell that is not shown."""

_LARGE_PX, _SMALL_PX = 1000, 420
"""No picture of cells is wider or higher than this, large and as one of many [pixel]."""

_BINS_PER_TARGET, _MOST_BINS = 8, 48
"""Bins of the histogram up to the target, so that every class break is the edge of one; and in all."""


_NAME_PCT = 10.0
"""Share of the width of a picture that the name of a gap takes, twice its height [percent]."""


@dataclass(frozen=True)
class View:
    """The rectangle of the site that pictures show.

    Attributes
    ----------
    west_m, north_m : float
        Its upper left corner, local [m].
    width_m, height_m : float
        Its sides [m].
    """

    west_m: float
    north_m: float
    width_m: float
    height_m: float

    def path(self, rings: Sequence[npt.ArrayLike], *, close: bool) -> str:
        """Return local points, each shape (n, 2 or more) [m], as an SVG path in metres from the upper left corner."""
        parts = []
        for ring in rings:
            points = np.asarray(ring, dtype=np.float64)
            pairs = np.column_stack([points[:, 0] - self.west_m, self.north_m - points[:, 1]])
            parts.append("M" + "L".join(f"{x:.1f} {y:.1f}" for x, y in pairs) + ("Z" if close else ""))
        return "".join(parts)

    def place_pct(self, point: shapely.Point) -> tuple[float, float]:
        """Return where a local point lies, from the left and from the top [percent]."""
        left, top = (point.x - self.west_m) / self.width_m, (self.north_m - point.y) / self.height_m
        return round(100 * left, 2), round(100 * top, 2)


def view_of(assessment: Assessment) -> View:
    """Return the rectangle round the area of interest, with a narrow margin."""
    west, south, east, north = assessment.scene.area.bounds
    margin = 0.03 * max(east - west, north - south)
    return View(west - margin, north + margin, east - west + 2 * margin, north - south + 2 * margin)


def site_frame(assessment: Assessment, view: View) -> Shown:
    """Return what every picture of the site shares: its sides, the outline of the area, the lines and a scale bar."""
    area = shapely.simplify(assessment.scene.area, max(view.width_m, view.height_m) / 2000)
    rings = [ring.coords for part in shapely.get_parts(area) for ring in (part.exterior, *part.interiors)]
    bar_m = round_number(view.width_m / 4)
    return {
        "width": round(view.width_m, 1),
        "height": round(view.height_m, 1),
        "ratio": round(view.width_m / view.height_m, 4),
        "area": view.path(rings, close=True),
        "lines": view.path([line.kept_points_m()[[0, -1]] for line in assessment.plan.lines], close=False),
        "bar_m": f"{bar_m:g}",
        "bar_pct": round(100 * bar_m / view.width_m, 2),
    }


def density_map(assessment: Assessment, view: View) -> Shown:
    """Return the picture of the density as judged, in the classes of the map."""
    codes = density_codes(assessment.forecast.density_per_m2, assessment)
    return cells_image(codes, DENSITY_RGB, assessment.forecast.cells, view, _LARGE_PX)


def cause_map(assessment: Assessment, view: View, marked: Sequence[Gap]) -> Shown:
    """Return the picture of causes, and names of gaps on it, first come first served: they do not overlap."""
    image = cells_image(cause_codes(assessment), CAUSE_RGB, assessment.forecast.cells, view, _LARGE_PX)
    pins: list[Shown] = []
    for gap in marked:
        left, top = view.place_pct(gap.polygon.representative_point())
        high_pct = _NAME_PCT / 2 * view.width_m / view.height_m
        if all(abs(pin["left"] - left) > _NAME_PCT or abs(pin["top"] - top) > high_pct for pin in pins):
            pins.append({"name": gap.gap_id, "left": min(max(left, _NAME_PCT / 2), 100 - _NAME_PCT / 2), "top": top})
    return image | {"pins": pins}


def case_map(case: CaseFigures, planned: CaseFigures, cells: CellGrid, view: View) -> Shown:
    """Return the picture of what is below the target in one case, beside what is as planned."""
    codes = np.full(case.below.shape, OUTSIDE, dtype=np.uint8)
    for code, where in enumerate(
        (case.below & ~planned.below, case.below & planned.below, ~case.below & planned.below), start=1
    ):
        codes[where] = code
    return cells_image(codes, CASE_RGB, cells, view, _SMALL_PX)


def histogram(assessment: Assessment) -> Shown:
    """Return the bars and ticks of the histogram of cell densities, declared water left out; places in percent."""
    forecast = assessment.forecast
    target = forecast.density.target_per_m2
    counted = forecast.judged & ~water_cells(assessment.scene.cover, forecast.cells)
    values = np.nan_to_num(forecast.density_per_m2[counted]) / target * _BINS_PER_TARGET
    highest = float(values.max()) if values.size else 0.0
    bins = int(np.clip(np.floor(highest) + 1, 2 * _BINS_PER_TARGET, _MOST_BINS))
    counts = np.bincount(np.minimum(values, bins - 1).astype(int), minlength=bins)
    shares = 100 * counts / max(values.size, 1)
    rise = round_number(float(shares.max()) / 2) if shares.max() > 0 else 1.0
    top = max(rise, rise * np.ceil(shares.max() / rise))
    classes = np.digitize(np.arange(bins) / _BINS_PER_TARGET * target, density_breaks(target))
    step = _BINS_PER_TARGET * max(1, round(bins / _BINS_PER_TARGET / 6)) if bins > 2 * _BINS_PER_TARGET else 4
    return {
        "bars": [
            {"left": round(100 * n / bins, 3), "width": round(100 / bins, 3), "height": round(100 * share / top, 3),
             "colour": hex_of(DENSITY_RGB[2 + int(number)]), "cells": int(count)}
            for n, (share, number, count) in enumerate(zip(shares, classes, counts, strict=True))
        ],
        "across": [
            {"left": round(100 * n / bins, 3), "label": f"{n / _BINS_PER_TARGET * target:g}"}
            for n in range(0, bins, step)
        ],
        "up": [
            {"bottom": round(100 * tick / top, 3), "label": f"{tick:g}"} for tick in np.arange(0, top * 1.001, rise)
        ],
        "target": round(100 * _BINS_PER_TARGET / bins, 3),
        "cells": int(values.size),
        "bin": f"{target / _BINS_PER_TARGET:g}",
        "over": f"{(bins - 1) / _BINS_PER_TARGET * target:g}" if highest >= bins else None,
    }  # fmt: skip


def case_bars(parts: Sequence[PartFigures], cases: Sequence[CaseFigures]) -> list[Shown]:
    """Return a bar for each part and case; the longest of all is 100 percent. Parts that lack nothing have none."""
    lacking = [part for part in parts if max(part.below_m2, default=0.0) > 0]
    longest = max((max(part.below_m2) for part in lacking), default=1.0)
    return [
        {
            "name": part.name,
            "bars": [
                {"case": case.name, "below_m2": below, "share": 100 * below / part.area_m2 if part.area_m2 else 0.0,
                 "width": round(100 * below / longest, 2), "planned": number == 0}
                for number, (case, below) in enumerate(zip(cases, part.below_m2, strict=True))
            ],
        }
        for part in lacking
    ]  # fmt: skip


def cells_image(codes: Codes, colours: Colours, cells: CellGrid, view: View, side_px: int) -> Shown:
    """Return coded cells as a picture and its place in metres; where cells share a pixel the least code shows."""
    top = int(np.clip(np.floor((cells.north_m - view.north_m) / cells.cell_m), 0, cells.rows - 1))
    left = int(np.clip(np.floor((view.west_m - cells.west_m) / cells.cell_m), 0, cells.cols - 1))
    rows, cols = (int(np.ceil(side / cells.cell_m)) + 1 for side in (view.height_m, view.width_m))
    seen = codes[top : top + rows, left : left + cols]
    factor = max(1, int(np.ceil(max(seen.shape) / side_px)))
    for axis in (0, 1):
        seen = np.minimum.reduceat(seen, np.arange(0, seen.shape[axis], factor), axis=axis)
    side = cells.cell_m * factor
    return {
        "href": _png(palette(colours)[np.where(seen == OUTSIDE, 0, seen)]),
        "x": round(cells.west_m + left * cells.cell_m - view.west_m, 3),
        "y": round(view.north_m - (cells.north_m - top * cells.cell_m), 3),
        "width": round(seen.shape[1] * side, 3),
        "height": round(seen.shape[0] * side, 3),
    }


def _png(pixels: Codes) -> str:
    """Return red, green, blue, opacity, shape (rows, cols, 4), as a PNG data URI that names no program."""
    from matplotlib.image import imsave

    memory = io.BytesIO()
    imsave(memory, np.ascontiguousarray(pixels), format="png", origin="upper", pil_kwargs={"pnginfo": None})
    return f"data:image/png;base64,{base64.b64encode(memory.getvalue()).decode()}"


def round_number(most: float) -> float:
    """Return the largest of 1, 2 and 5 times a power of ten that is no more than `most`."""
    power = 10.0 ** np.floor(np.log10(most))
    return float(max(step * power for step in (1, 2, 5) if step * power <= most * (1 + 1e-9)))
