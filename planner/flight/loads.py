"""Whole lines into battery loads: the exact split of an ordered tour, and the clock of the day.

Lives here: the split by dynamic programming, and swapping and charging. Must not know paths or how a cost came about.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from planner.aircraft import Aircraft
from planner.errors import Fault, InfeasibleError

Array = npt.NDArray[np.float64]
Counts = npt.NDArray[np.int64]
Sight = Callable[[Array], npt.NDArray[np.bool_]]
"""Tells of points, shape (n, 3), whether each is within sight of each take-off place, shape (n, places)."""


@dataclass(frozen=True)
class TourCosts:
    """What the lines of an ordered tour cost, from each of some take-off places.

    Each cost is a pair on the first axis: the time, and the energy drawn, both [s].

    Attributes
    ----------
    lines : ndarray, shape (2, n)
        Along each line.
    turns : ndarray, shape (2, n - 1)
        From each line to the next.
    out, back : ndarray, shape (2, n, places)
        From take-off to each line, and from each line to landing.
    worst_back_s, worst_turn_back_s : ndarray, shape (n, places) and (n - 1, places)
        Energy of the worst return from anywhere on a line, and on the turn to the next [s].
    usable_s : float
        Energy of a battery less the reserve [s].
    swap_s : float
        Time between two sorties [s].
    unseen : ndarray of int, shape (n, places)
        How many pieces of the tour on and beside each line are not in sight of each place.
    """

    lines: Array
    turns: Array
    out: Array
    back: Array
    worst_back_s: Array
    worst_turn_back_s: Array
    usable_s: float
    swap_s: float
    unseen: Counts

    def single_s(self) -> Array:
        """Return the energy of a sortie with one line alone [s], from the best place, shape (n,)."""
        home = np.maximum(self.back[1], self.worst_back_s)
        return np.asarray((self.out[1] + self.lines[1][:, np.newaxis] + home).min(axis=1))


@dataclass(frozen=True)
class Load:
    """Lines first to last - 1 of a tour on one battery, from a take-off place by its number."""

    first: int
    last: int
    place: int


def unseen_pieces(sight: Sight, lines_m: Sequence[Array], turns_m: Sequence[Array]) -> Counts:
    """Return how much on and beside each line of a tour is not in sight of each place, shape (n, places).

    A line that is not wholly in sight counts one, and each of the turns beside it one more. Counted so, a line is never
    better off for being parted from its neighbours: only another place helps.

    Parameters
    ----------
    sight : Sight
        What is in sight.
    lines_m, turns_m : sequence of ndarray, shape (k, 3)
        Points of the n lines with their leads, and of the n - 1 turns between them [m].
    """
    pieces, count = [*lines_m, *turns_m], len(lines_m)
    starts = np.cumsum([0, *(len(piece) for piece in pieces[:-1])])
    lost = (~np.logical_and.reduceat(sight(np.concatenate(pieces)), starts)).astype(np.int64)
    unseen = lost[:count]
    unseen[:-1] += lost[count:]
    unseen[1:] += lost[count:]
    return unseen


def split_tour(costs: TourCosts) -> list[Load]:
    """Return the split of a tour into sorties that takes least time, each within the battery after its worst return.

    Sight goes before time: of all splits those with least out of sight of their places are compared. Dynamic
    programming over the number of lines flown: exact for the order given. Among equals the fewest sorties.

    Raises
    ------
    InfeasibleError
        E28 where a line alone draws more than a battery gives.
    """
    count = costs.lines.shape[1]
    best: list[tuple[int, float, int]] = [(0, 0.0, 0)] + [(0, np.inf, 0)] * count
    came: list[Load | None] = [None] * (count + 1)
    for first in range(count):
        unseen_before, before_s, sorties = best[first]
        if not np.isfinite(before_s):
            continue
        swap = costs.swap_s if first else 0.0
        for last, times in _sorties_from(costs, first):
            unseen = costs.unseen[first:last].sum(axis=0)
            for place in np.flatnonzero(np.isfinite(times)).tolist():
                time_s = round(before_s + float(times[place]) + swap, 6)
                reached = unseen_before + int(unseen[place]), time_s, sorties + 1
                if came[last] is None or reached < best[last]:
                    best[last], came[last] = reached, Load(first, last, place)
    loads: list[Load] = []
    at = count
    while at:
        load = came[at]
        if load is None:
            raise _no_battery(costs)
        loads.append(load)
        at = load.first
    return loads[::-1]


def _sorties_from(costs: TourCosts, first: int) -> list[tuple[int, Array]]:
    """Return the ends of sorties that begin with a line, and the time of each from each place, inf where too long."""
    flown = np.zeros(2)
    worst = np.zeros(costs.out.shape[2])
    found = []
    for last in range(first + 1, costs.lines.shape[1] + 1):
        line = last - 1
        if line > first:
            flown = flown + costs.turns[:, line - 1]
            worst = np.maximum(worst, costs.worst_turn_back_s[line - 1])
        flown = flown + costs.lines[:, line]
        if flown[1] > costs.usable_s:
            break
        worst = np.maximum(worst, costs.worst_back_s[line])
        drawn = costs.out[1, first] + flown[1] + np.maximum(costs.back[1, line], worst)
        times = costs.out[0, first] + flown[0] + costs.back[0, line]
        found.append((last, np.where(drawn <= costs.usable_s + 1e-6, times, np.inf)))
    return found


def _no_battery(costs: TourCosts) -> InfeasibleError:
    single = costs.single_s()
    which = int(np.argmax(single))
    what = (
        f"line {which + 1} of the tour needs {single[which] / 60:.1f} min with its way there and back, "
        f"a battery gives {costs.usable_s / 60:.1f} min after the reserve"
    )
    fix = "split the line, take off nearer to it, fly faster, or use a larger battery"
    return InfeasibleError(Fault("E28", what, fix=fix))


def start_times_s(aircraft: Aircraft, durations_s: Sequence[float], shares_used: Sequence[float]) -> list[float]:
    """Return when each sortie takes off [s], the first at 0, with the batteries and chargers at hand.

    Between two sorties lies at least the time of a swap. A battery goes onto the first charger that is free when it
    lands, and charging takes its share of a full charge.

    Parameters
    ----------
    aircraft : Aircraft
        Batteries, chargers and their times.
    durations_s, shares_used : sequence of float
        Time of each sortie [s], and the share of its battery that it uses.

    Raises
    ------
    InfeasibleError
        E28 where batteries run out and none can be charged.
    """
    at_hand = aircraft.batteries or len(durations_s)
    if not aircraft.chargers and at_hand < len(durations_s):
        what = f"{len(durations_s)} sorties need as many batteries, {at_hand} at hand and no charger"
        raise InfeasibleError(Fault("E28", what, fix="bring more batteries or a charger, or fly on another day"))
    ready, free = [0.0] * at_hand, [0.0] * aircraft.chargers
    starts: list[float] = []
    landed = -aircraft.swap_s
    for duration, share in zip(durations_s, shares_used, strict=True):
        ready.sort()
        starts.append(max(landed + aircraft.swap_s, ready.pop(0)))
        landed = starts[-1] + duration
        if free:
            free.sort()
            charged = max(landed, free[0]) + share * aircraft.charge_s
            free[0] = charged
            ready.append(charged)
    return starts
