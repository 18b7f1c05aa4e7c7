"""A tour that is there, flown again with lines that take less time: what becomes of its batteries and of the day.

Lives here: scaling a tour and splitting it anew. Must not know why lines are quicker, nor prices.
"""

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from planner.aircraft import Aircraft
from planner.flight.loads import Load, TourCosts, split_tour, start_times_s

Array = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Effort:
    """What flying a tour takes.

    Attributes
    ----------
    sorties : int
        Take-offs.
    air_s : float
        Time in the air, over all sorties [s].
    day_s : float
        From the first take-off to the last landing, swaps and waits for charged batteries included [s].
    """

    sorties: int
    air_s: float
    day_s: float


def effort(costs: TourCosts, aircraft: Aircraft, full_s: float, shares: Array | None = None) -> Effort:
    """Return what a tour takes in its order where each line needs only a share of its time and energy.

    A turn is as quick as the slower of the lines it joins; ways from and to the take-off places stay as they are.

    Parameters
    ----------
    costs : TourCosts
        Of the tour as it is.
    aircraft : Aircraft
        Its batteries and chargers.
    full_s : float
        What a full battery holds on the day [s of level flight].
    shares : ndarray, shape (n,), optional
        Share of each line's time and energy that is left; none leaves all.

    Raises
    ------
    InfeasibleError
        E28, as `split_tour` and `start_times_s`.
    """
    left = np.ones(costs.lines.shape[1]) if shares is None else shares
    costs = replace(costs, lines=costs.lines * left, turns=costs.turns * np.maximum(left[1:], left[:-1]))
    loads = split_tour(costs)
    times, drawn = (np.array([_of_load(costs, load, kind) for load in loads]) for kind in (0, 1))
    starts = start_times_s(aircraft, times.tolist(), (drawn / full_s).tolist())
    return Effort(len(loads), float(times.sum()), starts[-1] + float(times[-1]))


def _of_load(costs: TourCosts, load: Load, kind: int) -> float:
    """Return the time (0) or the energy (1) of a load [s]."""
    last = load.last - 1
    flown = costs.lines[kind, load.first : load.last].sum() + costs.turns[kind, load.first : last].sum()
    return float(costs.out[kind, load.first, load.place] + flown + costs.back[kind, last, load.place])
