"""Curves of flight time against height and heading, as paths and ticks that the report draws.

Lives here: axes and places of these curves. Must not know what is decided by them.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from planner.files.reportplots import round_number

Shown = dict[str, Any]

WIDE, HIGH = 300.0, 128.0
LEFT, RIGHT, TOP, BOTTOM = 30.0, 6.0, 7.0, 31.0
"""Sides of a chart and the margins round its curves [units of its view box]."""


@dataclass(frozen=True)
class Curve:
    """Times at places along an axis; nan where there is none.

    Attributes
    ----------
    name : str
        What a legend calls it.
    across, minutes : tuple of float
        Places, growing, and times [min].
    """

    name: str
    across: tuple[float, ...]
    minutes: tuple[float, ...]


def curve_chart(curves: Sequence[Curve], chosen: float, step: float | None = None) -> Shown | None:
    """Return curves over one axis, with a ring on the first where its nearest place to the chosen one is.

    None where there are fewer than two places with a time.

    Parameters
    ----------
    curves : sequence of Curve
        The first is that of the plan.
    chosen : float
        Place of the plan.
    step : float or None
        Distance of ticks across; None chooses round ones.
    """
    across = np.concatenate([curve.across for curve in curves])
    times = np.concatenate([curve.minutes for curve in curves])
    known = np.isfinite(times)
    if np.unique(across[known]).size < 2:
        return None
    low, high = float(across[known].min()), float(across[known].max())
    ticks_across, ticks_up = _ticks(low, high, step), _ticks(float(times[known].min()), float(times[known].max()))
    bottom, top = ticks_up[0], ticks_up[-1]
    shown = [tick for tick in ticks_across if low <= tick <= high]

    def place(value: float, minutes: float) -> tuple[float, float]:
        right = LEFT + (value - low) / (high - low) * (WIDE - LEFT - RIGHT)
        return round(right, 1), round(HIGH - BOTTOM - (minutes - bottom) / (top - bottom) * (HIGH - TOP - BOTTOM), 1)

    return {
        "wide": WIDE,
        "high": HIGH,
        "left": LEFT,
        "right": WIDE - RIGHT,
        "bottom": HIGH - BOTTOM,
        "curves": [{"name": curve.name, "path": _path([*map(place, curve.across, curve.minutes)])} for curve in curves],
        "ring": _ring([*map(place, curves[0].across, curves[0].minutes)], curves[0].across, chosen),
        "across": [{"at": place(tick, bottom)[0], "label": f"{tick:g}"} for tick in shown],
        "up": [{"at": place(low, tick)[1], "label": f"{tick:g}"} for tick in ticks_up],
    }


def _ticks(low: float, high: float, step: float | None = None) -> list[float]:
    """Return round numbers from no more than `low` to no less than `high`, at least two."""
    step = step or round_number(max((high - low) / 3, 1e-3 * max(abs(high), 1.0)))
    first, last = np.floor(low / step + 1e-9), np.ceil(high / step - 1e-9)
    return [round(float(step * number), 9) for number in np.arange(first, max(last, first + 1) + 1)]


def _path(places: Sequence[tuple[float, float]]) -> str:
    """Return an SVG path through places; it is broken off where one is unknown."""
    parts, pen = [], "M"
    for across, up in places:
        if np.isfinite(up):
            parts.append(f"{pen}{across:g} {up:g}")
        pen = "L" if np.isfinite(up) else "M"
    return "".join(parts)


def _ring(places: Sequence[tuple[float, float]], across: Sequence[float], chosen: float) -> tuple[float, float] | None:
    """Return the place on a curve that is nearest to what was chosen; None where it has no time there."""
    nearest = places[int(np.argmin(np.abs(np.asarray(across) - chosen)))]
    return nearest if np.isfinite(nearest[1]) else None
