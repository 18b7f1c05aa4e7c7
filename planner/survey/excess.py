"""How much of a forecast falls short beyond what is allowed, and which lines it can do without.

Lives here: shortfalls as areas, and what would fall short again without a line. Must not know what is done about it.
"""

from collections.abc import Mapping, Sequence

import numpy as np

from planner.assessment import Forecast
from planner.forecast.confidence import cells_that_may_fail
from planner.forecast.parts import water_cells
from planner.ground.surface import Scene
from planner.mission import Mission

SPREAD_SHARE = 0.1
"""Of the judged area: where more than this lacks pulses, a new plan goes before patch lines."""

TOO_FEW = ("no line", "outside swath", "sparse")
"""Causes of cells that pulses alone would close."""

_ROUNDING = 1e-3  # returns: looks hold theirs in single precision


def spread(forecast: Forecast) -> bool:
    """Return whether pulses lack all over."""
    return area_m2(forecast, TOO_FEW) > SPREAD_SHARE * forecast.coverage.area_m2


def area_m2(forecast: Forecast, causes: Sequence[str]) -> float:
    """Return the area that falls short for some causes [m2]."""
    return sum(forecast.coverage.by_cause_m2[cause] for cause in causes)


def excess_m2(mission: Mission, scene: Scene, forecast: Forecast) -> float:
    """Return how much area falls short beyond what the requirement allows [m2]."""
    return max(forecast.coverage.below_m2 - allowed_m2(mission, scene, forecast), 0.0)


def allowed_m2(mission: Mission, scene: Scene, forecast: Forecast) -> float:
    """Return the area that may fall short: cells under the judged percentile [m2]."""
    dry = int((forecast.judged & ~water_cells(scene.cover, forecast.cells)).sum())
    return cells_that_may_fail(mission.requirement.percentile, dry) * forecast.cells.cell_m**2


def spare_lines(
    forecast: Forecast, before: Forecast, numbers: Mapping[str, int], names: Sequence[str], allowed_m2: float
) -> tuple[str, ...]:
    """Return the added lines that can be done without: what would fall short again is nothing, or is allowed.

    Returns of a line are those of its looks, to which cells between two swaths may owe a few more.

    Parameters
    ----------
    forecast, before : Forecast
        With all lines, and without those added.
    numbers : mapping of str to int
        Number of each line in the flight.
    names : sequence of str
        Lines that were added.
    allowed_m2 : float
        Area that may fall short [m2].
    """
    looks, cells = forecast.seen.looks, forecast.judged.size
    if not names:
        return ()
    gained = ((forecast.cause == 0) & (before.cause > 0)).ravel()
    first, density = forecast.first_per_m2.ravel(), forecast.density_per_m2.ravel()
    share = np.divide(density, first, out=np.ones(cells), where=first > 0)
    over = (density - forecast.density.target_per_m2) * forecast.cells.cell_m**2
    allowed = round((allowed_m2 - forecast.coverage.below_m2) / forecast.cells.cell_m**2)
    brought = {}
    for name in names:
        own = looks.leg == numbers[name]
        brought[name] = share * np.bincount(looks.cell[own], weights=looks.returns[own], minlength=cells)
    spare: list[str] = []
    for name in sorted(names, key=lambda name: float(brought[name][gained].sum())):
        lost = int((gained & (brought[name] > over + _ROUNDING)).sum())
        if lost <= max(allowed, 0):
            spare.append(name)
            gained &= brought[name] <= over + _ROUNDING
            over, allowed = over - brought[name], allowed - lost
    return tuple(spare)
