"""An ordered tour: the pieces of its path from every take-off place, and what they cost.

Lives here: the way from lines to the costs that battery loads are made of. Must not know how a tour is split.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from planner.flight.climbs import joined_path
from planner.flight.energy import drawn_s, worst_return_s
from planner.flight.flightlines import FlightLine
from planner.flight.loads import Load, Sight, TourCosts, unseen_pieces
from planner.flight.paths import Flyer, Path, along_line, approach, keeps_out, turn_between, way_back

Array = npt.NDArray[np.float64]

NEVER = np.inf, np.inf


@dataclass(frozen=True)
class Tour:
    """An ordered tour: the pieces of its path, and what they cost.

    Attributes
    ----------
    lines : tuple of FlightLine
        In the order flown.
    along, turns : list of Path
        Along each line, and from each to the next.
    out, back : list of list of Path
        To each line from each place, and from each line to each place.
    costs : TourCosts
        What all this costs.
    """

    lines: tuple[FlightLine, ...]
    along: list[Path]
    turns: list[Path]
    out: list[list[Path]]
    back: list[list[Path]]
    costs: TourCosts


def tour_of(
    flyer: Flyer, lines: Sequence[FlightLine], places: Sequence[Array], usable_s: float, sight: Sight | None = None
) -> Tour:
    """Return an ordered tour with the cost of all its pieces.

    A turn that cannot be led round keep-out areas costs more than any battery gives, so that a sortie ends before it;
    so does the way from or to a take-off place where another place has one that keeps out.
    """
    along = [along_line(flyer, line) for line in lines]
    turns = [turn_between(flyer, before, after) for before, after in pairwise(lines)]
    out = [[approach(flyer, place, line) for place in places] for line in lines]
    back = [[way_back(flyer, line, place) for place in places] for line in lines]
    unseen = np.zeros((len(lines), len(places)), dtype=np.int64)
    if sight is not None and len(places) > 1:
        unseen = unseen_pieces(sight, [path.points_m for path in along], [path.points_m for path in turns])
    costs = TourCosts(
        lines=np.array([_cost_s(flyer, path) for path in along]).T,
        turns=np.array([_cost_s(flyer, path) if keeps_out(flyer, path) else NEVER for path in turns]).reshape(-1, 2).T,
        out=np.moveaxis(np.array([_choices_s(flyer, paths) for paths in out]), 2, 0),
        back=np.moveaxis(np.array([_choices_s(flyer, paths) for paths in back]), 2, 0),
        worst_back_s=_worst_s(flyer, along, places),
        worst_turn_back_s=_worst_s(flyer, turns, places),
        usable_s=usable_s,
        swap_s=flyer.aircraft.swap_s,
        unseen=unseen,
    )
    return Tour(tuple(lines), along, turns, out, back, costs)


def _choices_s(flyer: Flyer, paths: Sequence[Path]) -> list[tuple[float, float]]:
    """Return the cost of ways of which one is to be taken [s], those that keep out if any does."""
    kept = [keeps_out(flyer, path) for path in paths]
    return [_cost_s(flyer, path) if keep or not any(kept) else NEVER for path, keep in zip(paths, kept, strict=True)]


def _cost_s(flyer: Flyer, path: Path) -> tuple[float, float]:
    """Return the time and the energy of a piece [s]."""
    return path.duration_s, drawn_s(flyer.aircraft, path)


def _worst_s(flyer: Flyer, paths: Sequence[Path], places: Sequence[Array]) -> Array:
    """Return the energy of the worst return from anywhere on each path to each place [s], shape (n, places)."""
    worst = np.zeros((len(paths), len(places)))
    for number, path in enumerate(paths):
        for k, place in enumerate(places):
            away = path.points_m - place
            home = worst_return_s(flyer.aircraft, flyer.wind, np.hypot(away[:, 0], away[:, 1]), away[:, 2])
            worst[number, k] = home.max()
    return worst


def load_path(tour: Tour, load: Load) -> Path:
    """Return the whole path of a load, from take-off to landing."""
    pieces = [tour.out[load.first][load.place]]
    for line in range(load.first, load.last):
        pieces += [tour.along[line], *tour.turns[line : min(line + 1, load.last - 1)]]
    return joined_path([*pieces, tour.back[load.last - 1][load.place]])


def load_drawn_s(tour: Tour, load: Load) -> tuple[float, float]:
    """Return the energy of a load [s]: as planned, and with the worst return."""
    costs, last = tour.costs, load.last - 1
    flown = costs.lines[1, load.first : load.last].sum() + costs.turns[1, load.first : last].sum()
    until_last = float(costs.out[1, load.first, load.place] + flown)
    back = float(costs.back[1, last, load.place])
    worst = max(
        float(costs.worst_back_s[load.first : load.last, load.place].max()),
        float(costs.worst_turn_back_s[load.first : last, load.place].max(initial=0.0)),
    )
    return until_last + back, until_last + max(back, worst)
