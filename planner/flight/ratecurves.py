"""How long a job takes over flat ground at each pulse rate from each height, or what keeps a rate out.

Lives here: the least time over all that is tried beside rate and height. Must not know which of them is flown.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from planner.flight.demands import PENALTY_S
from planner.flight.flat import Task
from planner.flight.grids import Grid, grids
from planner.mission import Mission

Array = npt.NDArray[np.float64]


@dataclass(frozen=True)
class RateCurve:
    """The least time at one pulse rate from each height.

    Attributes
    ----------
    pulse_rate_hz : float
        Pulses per second [Hz].
    agl_m : tuple of float
        Heights above flat ground [m], growing.
    time_s : tuple of float
        Lines, leads and turns of the quickest settings that keep all that any settings keep [s]; nan where none do.
    lacks : tuple of str
        What keeps the rate out where it has no time at all: "reach", "density", or demands by their names in
        `planner.flight.demands`.
    """

    pulse_rate_hz: float
    agl_m: tuple[float, ...]
    time_s: tuple[float, ...]
    lacks: tuple[str, ...] = ()

    @property
    def least_s(self) -> float:
        """Least time from any height [s]; nan without any."""
        known = [time for time in self.time_s if np.isfinite(time)]
        return min(known, default=float("nan"))


def rate_curves(mission: Mission, task: Task) -> tuple[RateCurve, ...]:
    """Return the curve of each pulse rate that the mission leaves open, in the order of the card.

    Parameters
    ----------
    mission : Mission
        What is asked; what it holds is held.
    task : Task
        As for `planner.flight.search.search`.
    """
    of_rates: dict[float, list[Grid]] = {}
    for grid in grids(mission, task):
        of_rates.setdefault(grid.rating.pulse_rate_hz, []).append(grid)
    least = {rate: min(float(_penalty_s(grid).min()) for grid in tried) for rate, tried in of_rates.items()}
    kept = min(least.values(), default=np.inf)
    return tuple(_curve(rate, tried, kept) for rate, tried in of_rates.items())


def _curve(pulse_rate_hz: float, tried: Sequence[Grid], kept_s: float) -> RateCurve:
    best = np.full(tried[0].agl_m.shape, np.inf)
    for grid in tried:
        penalty = _penalty_s(grid)
        keeps = np.isfinite(penalty) & (penalty <= kept_s)
        best = np.minimum(best, np.where(keeps, grid.time_s, np.inf).min(axis=1))
    times = np.where(np.isfinite(best), best, np.nan)
    lacks = () if np.isfinite(best).any() else _lacks(tried)
    return RateCurve(pulse_rate_hz, tuple(tried[0].agl_m.tolist()), tuple(times.tolist()), lacks)


def _lacks(tried: Sequence[Grid]) -> tuple[str, ...]:
    """Return what settings of a rate come short of, those that come nearest to all that is asked."""
    if not any(grid.fits.any() for grid in tried):
        return ("reach",)
    nearest = min(tried, key=lambda grid: float(_penalty_s(grid).min()))
    penalty = _penalty_s(nearest)
    if not np.isfinite(penalty).any():
        return ("density",)
    at = np.unravel_index(int(np.argmin(penalty)), penalty.shape)
    return tuple(name for name, mask in nearest.broken.items() if np.broadcast_to(mask, penalty.shape)[at])


def _penalty_s(grid: Grid) -> Array:
    """Return what broken demands count for [s]; inf where settings do not fit or fall short, shape (h, s)."""
    penalty = np.where(grid.fits & (grid.short <= 0), 0.0, np.inf)
    for name, mask in grid.broken.items():
        penalty = penalty + PENALTY_S[name] * mask
    return penalty
