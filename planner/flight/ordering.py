"""The order and direction of lines: a short tour over all of them, found the same way every time.

Lives here: reversed lines, the cost of going from one to another, the search. Must not know batteries or paths.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import permutations

import numpy as np
import numpy.typing as npt

from planner.errors import InfeasibleError
from planner.flight.flightlines import FlightLine
from planner.flight.paths import Flyer, Path, approach, keeps_out, line_speed_mps, turn_between, way_back
from planner.flight.turns import rest_to_rest_s, shortest_length_m, turn_radius_m

Array = npt.NDArray[np.float64]
Tour = npt.NDArray[np.int64]

KICKS = 40  # for small tours; large ones get fewer, so that all take seconds
_KICKED_LINES = 1200
_FLOWN_LINES = 12
_GAIN_S = 1e-6
_NEVER_S = 1e9  # along what cannot be flown that way
_LONGEST_MOVED = 3


@dataclass(frozen=True)
class Ways:
    """What flying lines either way costs; state 2 k is line k as given, 2 k + 1 reversed, the last is take-off.

    Attributes
    ----------
    between_s : ndarray, shape (2 n + 1, 2 n + 1)
        From the end of one state to the start of another, and from and to take-off [s].
    along_s : ndarray, shape (2 n + 1,)
        Along a state [s]; 1e9 where it cannot be flown that way.
    """

    between_s: Array
    along_s: Array

    def tour_s(self, tour: Tour) -> float:
        """Return the time of a tour of states from take-off and back [s]."""
        home = len(self.along_s) - 1
        stops = np.concatenate([[home], tour, [home]])
        return float(self.between_s[stops[:-1], stops[1:]].sum() + self.along_s[tour].sum())


def reversed_line(line: FlightLine) -> FlightLine:
    """Return a line flown the other way."""
    length = float(line.along_m()[-1])
    kept = length - line.kept_m[1], length - line.kept_m[0]
    return replace(line, points_m=line.points_m[::-1], kept_m=kept)


def level_by_level(lines: Sequence[FlightLine]) -> tuple[FlightLine, ...]:
    """Return level lines with those of one height flown one after the other, each from its end that is nearer.

    Heights come in the order in which they are met, lines of one height by the way to the next.
    """
    by_height: dict[float, list[FlightLine]] = {}
    for line in lines:
        by_height.setdefault(round(float(line.points_m[0, 2]), 6), []).append(line)
    ordered: list[FlightLine] = []
    for block in by_height.values():
        left = [state for line in block for state in (line, reversed_line(line))]
        while left:
            starts = np.array([state.points_m[0, :2] for state in left])
            place = ordered[-1].points_m[-1, :2] if ordered else starts[0]
            nearest = int(np.argmin(np.round(np.hypot(*(starts - place).T), 6)))
            ordered.append(left[nearest])
            del left[nearest - nearest % 2 : nearest - nearest % 2 + 2]
    return tuple(ordered)


def order_lines(flyer: Flyer, lines: Sequence[FlightLine], take_offs_m: Array, seed: int = 1) -> tuple[FlightLine, ...]:
    """Return lines in an order, and flown in directions, that make one short tour.

    Starts from the order given, from the nearest next line, and from orders that leave out neighbours and come back
    for them, which saves a fixed wing its swing out; mends each by turning round and moving runs of lines, kicked
    out of its rut a number of times.

    Parameters
    ----------
    flyer : Flyer
        What flies.
    lines : sequence of FlightLine
        In any order; a line steeper one way than the aircraft climbs keeps its direction.
    take_offs_m : ndarray, shape (places, 3)
        Where it may take off [m].
    seed : int
        Of the kicks; the same seed gives the same order.

    Raises
    ------
    InfeasibleError
        E32 where the wind beats the airspeed on a line in both directions.
    """
    return tour_candidates(flyer, lines, take_offs_m, seed)[0]


def tour_candidates(
    flyer: Flyer, lines: Sequence[FlightLine], take_offs_m: Array, seed: int = 1
) -> list[tuple[FlightLine, ...]]:
    """Return different good tours, the shortest first: what batteries make of them may turn that round.

    Tours are sought from and to the nearest take-off of all and from and to each of them alone. Parameters and
    errors are those of `order_lines`.
    """
    if not lines:
        return [()]
    both = [state for line in lines for state in (line, reversed_line(line))]
    homes = [take_offs_m] if len(take_offs_m) == 1 else [take_offs_m, *(place[np.newaxis] for place in take_offs_m)]
    ways, *others = ways_between(flyer, both, homes)
    generator = np.random.default_rng(seed)
    found = []
    for one in (ways, *others):
        tours = [_mended(one, start) for start in _starts(one, both, flyer)]
        best = min(tours, key=lambda tour: round(one.tour_s(tour), 6))
        for _ in range(min(KICKS, _KICKED_LINES // len(lines))):
            tried = _mended(one, _kicked(best, generator))
            tours.append(tried)
            if one.tour_s(tried) < one.tour_s(best) - _GAIN_S:
                best = tried
        found += tours
    different = {tuple(tour.tolist()): round(ways.tour_s(tour), 6) for tour in found}
    ranked = sorted(different, key=lambda tour: (different[tour], tour))
    return [tuple(both[state] for state in tour) for tour in ranked]


def ways_between(flyer: Flyer, states: Sequence[FlightLine], homes: Sequence[Array]) -> list[Ways]:
    """Return what flying states costs, each line as given and reversed in turn, for each choice of take-off places.

    Parameters
    ----------
    flyer : Flyer
        What flies.
    states : sequence of FlightLine
        Lines, each as given and reversed.
    homes : sequence of ndarray, shape (places, 3)
        Places of which the quickest serves each state [m].
    """
    along = np.array([*(_along_s(flyer, line) for line in states), 0.0])
    stuck = np.minimum(along[:-1:2], along[1::2]) >= _NEVER_S
    for number in np.flatnonzero(stuck).tolist():  # says why, by raising it again
        line_speed_mps(flyer, states[2 * number])
    flown = along[:-1] < _NEVER_S
    count = len(states)
    between = np.zeros((count + 1, count + 1))
    between[:count, :count] = _turns_s(flyer, states, flown)
    barred = np.isinf(between)
    every = []
    for places in homes:
        own = between.copy()
        for state in np.flatnonzero(flown).tolist():
            line = states[state]
            own[count, state] = min(_weighed_s(flyer, approach(flyer, place, line)) for place in places)
            own[state, count] = min(_weighed_s(flyer, way_back(flyer, line, place)) for place in places)
        own[count] = np.minimum(own[count], _NEVER_S)
        own[:, count] = np.minimum(own[:, count], _NEVER_S)
        landing = own[:, count, np.newaxis] + flyer.aircraft.swap_s + own[count]  # in place of a turn that is barred
        own = np.where(barred, landing, own)
        every.append(Ways(own, along))
    return every


def _turns_s(flyer: Flyer, states: Sequence[FlightLine], flown: npt.NDArray[np.bool_]) -> Array:
    """Return the time of the turn from the end of each state to the start of each other [s], inf where areas bar it.

    Turns of few lines are flown; those of many are weighed as wide as in the wind, but as quick as in calm air.
    """
    turns = _calm_turns_s(flyer, states)
    if len(states) > 2 * _FLOWN_LINES:
        return turns + _round_zones_s(flyer, states)
    for before, after in permutations(np.flatnonzero(flown).tolist(), 2):
        if before // 2 != after // 2:
            turns[before, after] = _weighed_s(flyer, turn_between(flyer, states[before], states[after]))
    return turns


def _weighed_s(flyer: Flyer, path: Path) -> float:
    """Return the time of a path and what it costs for sensitive areas [s], inf where it enters a keep-out area."""
    if not keeps_out(flyer, path):
        return np.inf
    return path.duration_s + flyer.zones.dearer_m(path.points_m) / flyer.aircraft.ferry_mps


def _round_zones_s(flyer: Flyer, states: Sequence[FlightLine]) -> Array:
    """Return how much longer turns take for zones between their ends [s], inf where there is no way round."""
    starts = np.array([line.points_m[0] for line in states])
    ends = np.array([line.points_m[-1] for line in states])
    every = np.concatenate([starts, ends])
    zones = flyer.zones
    if not zones.near(every).any():
        return np.zeros((len(states), len(states)))
    graph = zones.graph(zones.between(float(every[:, 2].min()), float(every[:, 2].max())))
    gap = starts[:, :2] - ends[:, np.newaxis, :2]
    longer = graph.cheapest_m(ends[:, :2], starts[:, :2]) - np.hypot(gap[..., 0], gap[..., 1])
    return np.asarray(longer / np.array([line.speed_mps for line in states]))


def _calm_turns_s(flyer: Flyer, states: Sequence[FlightLine]) -> Array:
    aircraft = flyer.aircraft
    starts = np.array([line.points_m[0] for line in states])
    ends = np.array([line.points_m[-1] for line in states])
    courses = np.array([line.track_rad for line in states])
    speeds = np.array([line.speed_mps for line in states])
    units = np.column_stack([np.sin(courses), np.cos(courses)])
    faster = np.maximum(speeds[:, np.newaxis], speeds)
    if aircraft.kind == "multirotor":
        push = aircraft.acceleration_mps2
        room = (speeds**2 / (2 * push))[:, np.newaxis] * units
        gap = (starts[:, :2] - room) - (ends[:, :2] + room)[:, np.newaxis]
        moved = rest_to_rest_s(np.hypot(gap[..., 0], gap[..., 1]), faster, push)
        turns = moved + (speeds[:, np.newaxis] + speeds) / push
    else:
        gap = starts[:, :2] - ends[:, np.newaxis, :2]
        radius = turn_radius_m(faster + flyer.wind.speed_mps, aircraft.max_bank_deg)
        turns = shortest_length_m(gap[..., 0], gap[..., 1], courses[:, np.newaxis], courses, radius) / faster
    rise = starts[:, 2] - ends[:, np.newaxis, 2]
    climb, descent = flyer.rates_mps
    return np.asarray(np.maximum(turns, np.maximum(rise / climb, -rise / descent)))


def _along_s(flyer: Flyer, line: FlightLine) -> float:
    """Return the time along a state [s], or never where it is too steep or the wind too strong."""
    try:
        speed = line_speed_mps(flyer, line)
    except InfeasibleError:
        return _NEVER_S
    slopes = np.diff(line.points_m[:, 2]) / np.diff(line.along_m())
    climb, descent = flyer.rates_mps
    as_given = line.speed_mps  # a wind that slows the line only flattens the climb
    if slopes.max(initial=0.0) * as_given > climb * 1.001 or -slopes.min(initial=0.0) * as_given > descent * 1.001:
        return _NEVER_S
    return float(line.along_m()[-1]) / speed


def _starts(ways: Ways, states: Sequence[FlightLine], flyer: Flyer) -> list[Tour]:
    """Return tours to begin with."""
    count = len(states) // 2
    given = np.arange(count) * 2
    tours = [np.where(ways.along_s[given] < _NEVER_S, given, given + 1), _nearest(ways)]
    course = states[0].track_rad
    across = np.array([line.points_m[0, :2] @ [np.cos(course), -np.sin(course)] for line in states[::2]])
    sideways = np.argsort(across, kind="stable")
    apart = float(np.median(np.diff(across[sideways]))) if count > 1 else 0.0
    if flyer.aircraft.kind == "fixed_wing" and apart > 0:
        fastest_mps = states[0].speed_mps + flyer.wind.speed_mps
        wide = 2 * float(turn_radius_m(fastest_mps, flyer.aircraft.max_bank_deg))
        most = int(np.ceil(wide / apart))
        tours += [_alternating(ways, _interleaved(sideways, skip), states) for skip in range(2, most + 2)]
    tours.append(_alternating(ways, sideways, states))
    return tours


def _interleaved(order: Tour, skip: int) -> Tour:
    """Return an order that goes `skip` places on and one less back: 0, k, 1, k + 1, ... in blocks of 2 k."""
    found: list[int] = []
    for block in range(0, len(order), 2 * skip):
        for k in range(block, block + skip):
            found += [one for one in (k, k + skip) if one < len(order)]
    return np.asarray(order[np.array(found)])


def _alternating(ways: Ways, order: Tour, states: Sequence[FlightLine]) -> Tour:
    """Return an order of lines as states flown there and back by turns, as far as they can be."""
    course = states[2 * order[0]].track_rad
    tour = []
    for number, line in enumerate(order):
        same = np.cos(states[2 * line].track_rad - course) > 0
        state = 2 * line + int(same == bool(number % 2))
        tour.append(state if ways.along_s[state] < _NEVER_S else state ^ 1)
    return np.array(tour)


def _nearest(ways: Ways) -> Tour:
    """Return the tour that always goes on to the state it reaches first."""
    home = len(ways.along_s) - 1
    left, at = ways.along_s[:-1] < _NEVER_S, home
    tour = []
    while left.any():
        at = int(np.argmin(np.where(left, ways.between_s[at, :-1], np.inf)))
        tour.append(at)
        left[[at, at ^ 1]] = False
    return np.array(tour)


def _kicked(tour: Tour, generator: np.random.Generator) -> Tour:
    """Return a tour with two of its runs exchanged."""
    a, b, c = np.sort(generator.integers(0, len(tour) + 1, 3))
    return np.concatenate([tour[:a], tour[b:c], tour[a:b], tour[c:]])


def _mended(ways: Ways, tour: Tour) -> Tour:
    """Return a tour that neither turning round a run nor moving a short one betters."""
    moves = (_run_turned, _run_moved)
    dry = 0
    while dry < len(moves):
        tried = moves[dry](ways, tour)
        if ways.tour_s(tried) < ways.tour_s(tour) - _GAIN_S:
            tour, dry = tried, 0
        else:
            dry += 1
    return tour


def _run_turned(ways: Ways, tour: Tour) -> Tour:
    """Return the tour with the one run turned round that gains most (2-opt; a single line is only reversed)."""
    count, home = len(tour), len(ways.along_s) - 1
    stops = np.concatenate([[home], tour, [home]])
    back = np.concatenate([[home], tour ^ 1, [home]])
    hop, along = ways.between_s, ways.along_s
    gone = np.concatenate([[0.0], np.cumsum(hop[stops[1:-2], stops[2:-1]])])
    gone_back = np.concatenate([[0.0], np.cumsum(hop[back[2:-1], back[1:-2]])])
    flown = np.concatenate([[0.0], np.cumsum(along[back[1:-1]] - along[stops[1:-1]])])
    first, last = np.triu_indices(count)
    gain = hop[stops[first], stops[first + 1]] + hop[stops[last + 1], stops[last + 2]]
    gain -= hop[stops[first], back[last + 1]] + hop[back[first + 1], stops[last + 2]]
    gain += (gone[last] - gone[first]) - (gone_back[last] - gone_back[first]) - (flown[last + 1] - flown[first])
    best = int(np.argmax(gain))
    i, j = first[best], last[best] + 1
    return np.concatenate([tour[:i], tour[i:j][::-1] ^ 1, tour[j:]])


def _run_moved(ways: Ways, tour: Tour) -> Tour:
    """Return the tour with the one run of up to three lines moved elsewhere, either way round, that gains most."""
    count, home, hop = len(tour), len(ways.along_s) - 1, ways.between_s
    stops = np.concatenate([[home], tour, [home]])
    edges = np.arange(count + 1)
    best, found = _GAIN_S, tour
    for length in range(1, min(_LONGEST_MOVED, count - 1) + 1):
        at = np.arange(count - length + 1)
        runs = tour[at[:, np.newaxis] + np.arange(length)]
        saved = hop[stops[at], runs[:, 0]] + hop[runs[:, -1], stops[at + length + 1]]
        saved = saved - hop[stops[at], stops[at + length + 1]] + _inner_s(ways, runs)
        own = (edges >= at[:, np.newaxis]) & (edges <= at[:, np.newaxis] + length)
        for placed in (runs, runs[:, ::-1] ^ 1):
            added = hop[stops[:-1], placed[:, :1]] + hop[placed[:, -1:], stops[1:]] - hop[stops[:-1], stops[1:]]
            gain = np.where(own, -np.inf, (saved - _inner_s(ways, placed))[:, np.newaxis] - added)
            run, to = np.unravel_index(int(np.argmax(gain)), gain.shape)
            if gain[run, to] > best:
                best, found = float(gain[run, to]), _put(tour, int(run), placed[run], int(to))
    return found


def _inner_s(ways: Ways, runs: Tour) -> Array:
    """Return the time within runs of states, shape (n, length) [s]."""
    return np.asarray(ways.along_s[runs].sum(axis=1) + ways.between_s[runs[:, :-1], runs[:, 1:]].sum(axis=1))


def _put(tour: Tour, at: int, placed: Tour, to: int) -> Tour:
    """Return a tour without the run that begins `at`, and that run as it is placed before what is at `to`."""
    end = at + len(placed)
    if to > end:
        return np.concatenate([tour[:at], tour[end:to], placed, tour[to:]])
    return np.concatenate([tour[:to], placed, tour[to:at], tour[end:]])
