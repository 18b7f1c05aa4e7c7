"""Lines that meet keep-out areas: shortened, split, shifted or flown from the other side, so that they keep clear.

Lives here: where a line is clear, what is done to one that is not, and that in words. Must not know missions,
sorties or how lines were laid.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
import numpy.typing as npt
import shapely

from planner.flight.cuts import part_name, stretch_of
from planner.flight.flightlines import STATION_M, FlightLine
from planner.flight.profile import Floor, flight_floor_m, lowest_profile_m
from planner.ground.clearance import STEP_M, nearest_keep_out, stations
from planner.ground.obstacles import KeepOut

Array = npt.NDArray[np.float64]
Spans = tuple[tuple[float, float], ...]
Relay = Callable[[FlightLine], FlightLine]

LEAST_M = 20.0
"""Data of a part shorter than this are not worth its turn and leads: common practice, no source."""
LONG_SHARE = 0.25
"""A line is moved sideways only where that saves at least so much of its data: it costs its neighbours sidelap."""
SHIFTS = 15
"""Places to each side that are tried for a line moved sideways."""

_FINE_STEPS = 20  # between two stations near an area
_FINE_M = STEP_M / _FINE_STEPS
_TINY_M = 1e-6  # nothing but rounding is lost
_WORTH_M = 1.0  # a line is not moved or turned round to keep less than this more
_SIDES = ("north", "north-east", "east", "south-east", "south", "south-west", "west", "north-west")


@dataclass(frozen=True)
class ClosedVolumes:
    """What lines keep clear of.

    Attributes
    ----------
    keep_outs : tuple of KeepOut
        The areas.
    margin_m : float
        Least distance to them [m].
    braking_mps2 : float
        How fast what stops at the end of a line loses speed, and gains it before the next [m/s2]; inf for what flies
        on, whose turns find their own way.
    """

    keep_outs: tuple[KeepOut, ...] = ()
    margin_m: float = 0.0
    braking_mps2: float = np.inf

    def room_m(self, line: FlightLine) -> float:
        """Return how much straight way a line takes before its first and after its last point [m]."""
        return line.speed_mps**2 / (2 * self.braking_mps2)

    def free_of(self, line: FlightLine) -> tuple[Spans, tuple[str, ...]]:
        """Return where along a line it may begin and end, with room to gain speed and to stop, and what it meets.

        Returns as `free_m`, along the line; spans that the room takes whole are left out.
        """
        room = self.room_m(line)
        if not room or not self.keep_outs:
            return self.free_m(line.points_m)
        ahead = room * np.array([np.sin(line.track_rad), np.cos(line.track_rad), 0.0])
        first, last = line.points_m[0] - ahead, line.points_m[-1] + ahead
        spans, names = self.free_m(np.vstack([first, line.points_m, last]))
        return tuple((low, high - 2 * room) for low, high in spans if high - low > 2 * room), names

    def free_m(self, points_m: Array) -> tuple[Spans, tuple[str, ...]]:
        """Return where along a path it keeps the margin to all areas, and the names of those it comes too near.

        Parameters
        ----------
        points_m : ndarray, shape (n, 3)
            East, north, up [m]; no two neighbours over the same place.

        Returns
        -------
        spans : tuple of (float, float)
            From and to along the path in plan [m]: every place in between keeps the margin, ends included. Places
            that keep it by less than 0.1 m may be left out.
        names : tuple of str
            In the order met.
        """
        along, off = _along_m(points_m), self.margin_m + STEP_M
        track = shapely.LineString(points_m[:, :2])
        near = [area for area in self.keep_outs if area.polygon.distance(track) < off]
        if not near:
            return ((0.0, float(along[-1])),), ()
        coarse = stations(points_m)[0]
        beside = nearest_keep_out(near, coarse).distance_m < off
        stops = _along_m(coarse)
        pairs = np.flatnonzero(beside[:-1] | beside[1:])
        share = np.arange(1, _FINE_STEPS) / _FINE_STEPS
        fine = stops[pairs, np.newaxis] + share * np.diff(stops)[pairs, np.newaxis]
        stops = np.unique(np.concatenate([stops, fine.ravel()]))
        found = nearest_keep_out(near, _at_m(points_m, along, stops))
        # No place is farther than half a step from one of these.
        clear = found.distance_m >= self.margin_m + _FINE_M / 2
        turns = np.flatnonzero(np.diff(np.concatenate([[False], clear, [False]])))
        spans = tuple((float(stops[a]), float(stops[b - 1])) for a, b in zip(turns[::2], turns[1::2], strict=True))
        return spans, tuple(dict.fromkeys(near[number].name for number in found.which[~clear].tolist()))


@dataclass(frozen=True)
class Change:
    """What was done to a line.

    Attributes
    ----------
    line_id : str
        Name of the line as it was laid.
    what : str
        In words that go on from the name.
    removed_m : tuple of (float, float)
        Stretches of its data that are no longer kept, along the line as it was laid, moved or turned round [m].
    """

    line_id: str
    what: str
    removed_m: Spans = ()

    @property
    def text(self) -> str:
        """The change as a sentence without its stop."""
        return f"{self.line_id} {self.what}"


@dataclass(frozen=True)
class Kept:
    """Lines that keep clear, and what was done to make them.

    Attributes
    ----------
    lines : tuple of FlightLine
        In the order given, parts in the order flown.
    changes : tuple of Change
        One for each line that met an area, in the same order.
    """

    lines: tuple[FlightLine, ...]
    changes: tuple[Change, ...] = ()


@dataclass(frozen=True)
class Profile:
    """How a line that is moved gets its heights: as the lines of a layout get theirs.

    Attributes
    ----------
    floor : Floor
        What to stay above.
    climb_mps, descent_mps : float
        Most climb and descent [m/s].
    level : bool
        Whether lines keep one height; that of the line then holds where the floor is lower.
    """

    floor: Floor
    climb_mps: float
    descent_mps: float
    level: bool = False

    def relaid(self, line: FlightLine) -> FlightLine:
        """Return a line at the lowest heights allowed over its own track."""
        along, (east, north, up) = line.along_m(), line.points_m.T
        least = flight_floor_m(self.floor, along, east, north)
        if self.level:
            high = np.full(len(along), max(float(least.max()), float(up.max())))
        else:
            high = lowest_profile_m(along, least, self.climb_mps / line.speed_mps, self.descent_mps / line.speed_mps)
        return replace(line, points_m=np.column_stack([east, north, high]))


@dataclass(frozen=True)
class _Tried:
    """A line as laid, moved or turned round, and the stretches of its data that can be kept [m]."""

    line: FlightLine
    spans: Spans
    areas: tuple[str, ...]
    moved: str = ""

    @property
    def kept_m(self) -> float:
        return sum(end - start for start, end in self.spans)

    def removed_m(self) -> Spans:
        """Return the stretches of its data that are not kept."""
        ends = [self.line.kept_m[0], *(end for span in self.spans for end in span), self.line.kept_m[1]]
        return tuple((a, b) for a, b in zip(ends[::2], ends[1::2], strict=True) if b - a > _TINY_M)

    def parts(self, line_id: str) -> tuple[FlightLine, ...]:
        """Return the stretches as lines."""
        names = [part_name(line_id, number) for number in range(len(self.spans))] if len(self.spans) > 1 else [line_id]
        return tuple(stretch_of(self.line, name, *span) for name, span in zip(names, self.spans, strict=False))


def keep_clear(
    lines: Sequence[FlightLine],
    zones: ClosedVolumes,
    relaid: Relay | None = None,
    *,
    most_shift_m: float = 0.0,
    least_m: float = LEAST_M,
) -> Kept:
    """Return lines that keep clear of keep-out areas with their leads, and as much of their data as they can.

    What comes too near is taken out, and of the data beside it as much as the leads need. A line whose leads differ is
    also tried from the other side, one that runs along an area for long also to its left and right. The smallest move
    that keeps most is taken where it saves `LONG_SHARE` of the data, and none where plain shortening keeps as much.

    Parameters
    ----------
    lines : sequence of FlightLine
        Straight lines; those that meet nothing come back as they are.
    zones : ClosedVolumes
        The areas; they hold at the heights flown.
    relaid : callable or None
        Gives a line that was moved or turned round its heights anew, see `Profile`; None does neither.
    most_shift_m : float
        Farthest that a line may be moved sideways such that its neighbours' swaths still meet its own [m].
    least_m : float
        Parts with less data than this are left out [m].
    """
    kept: list[FlightLine] = []
    changes = []
    for line in lines:
        plain = _tried(line, zones, least_m)
        if not plain.areas:
            kept.append(line)
            continue
        best = plain if relaid is None else _best(plain, zones, relaid, most_shift_m, least_m)
        kept += best.parts(line.line_id)
        changes.append(Change(line.line_id, _words(line.line_id, best, plain.areas, least_m), best.removed_m()))
    return Kept(tuple(kept), tuple(changes))


def side_of(bearing_rad: float) -> str:
    """Return the side of the horizon that a bearing [rad] looks at, one of eight."""
    return _SIDES[round(float(np.degrees(bearing_rad)) / 45) % len(_SIDES)]


def _tried(line: FlightLine, zones: ClosedVolumes, least_m: float, moved: str = "") -> _Tried:
    free, areas = zones.free_of(line)
    start, end = line.kept_m
    lead_out = float(line.along_m()[-1]) - end
    spans = ((max(start, low + start), min(end, high - lead_out)) for low, high in free)
    return _Tried(line, tuple((a, b) for a, b in spans if b - a >= least_m or not areas), areas, moved)


def _best(plain: _Tried, zones: ClosedVolumes, relaid: Relay, most_shift_m: float, least_m: float) -> _Tried:
    """Return what keeps most data: a line as it is, from the other side or moved sideways."""
    line, best = plain.line, plain
    lead_in, lead_out = line.kept_m[0], float(line.along_m()[-1]) - line.kept_m[1]
    if abs(lead_in - lead_out) > _WORTH_M:
        other = _tried(relaid(_from_other_side(line)), zones, least_m, f"flown toward the {_toward(line, np.pi)}")
        best = _better(best, other)
    saved_m = LONG_SHARE * line.kept_length_m
    if best.kept_m + saved_m <= line.kept_length_m:
        moved = _best_moved(line, zones, relaid, most_shift_m, least_m)
        best = moved if moved is not None and moved.kept_m >= best.kept_m + saved_m else best
    return best


def _best_moved(line: FlightLine, zones: ClosedVolumes, relaid: Relay, most_m: float, least_m: float) -> _Tried | None:
    """Return the smallest move sideways that keeps most data; None where there is no room for any."""
    best = None
    step = max(1.0, most_m / SHIFTS)
    for distance in step * np.arange(1, int(most_m / step + 1e-9) + 1):
        for right in (1.0, -1.0):
            words = f"shifted {distance:.1f} m to the {_toward(line, right * np.pi / 2)}"
            tried = _tried(relaid(_shifted(line, right * distance)), zones, least_m, words)
            best = tried if best is None else _better(best, tried)
            if best.kept_m > line.kept_length_m - _WORTH_M:
                return best
    return best


def _better(best: _Tried, other: _Tried) -> _Tried:
    return other if other.kept_m > best.kept_m + _WORTH_M else best


def _toward(line: FlightLine, turn_rad: float) -> str:
    return side_of(line.track_rad + turn_rad)


def _shifted(line: FlightLine, right_m: float) -> FlightLine:
    aside = np.array([np.cos(line.track_rad), -np.sin(line.track_rad), 0.0])
    return replace(line, points_m=line.points_m + right_m * aside)


def _from_other_side(line: FlightLine) -> FlightLine:
    """Return a line over the same data flown the other way, with its leads in the order flown."""
    along = line.along_m()
    lead_in, lead_out = line.kept_m[0], float(along[-1]) - line.kept_m[1]
    first, last = line.kept_m[1] + lead_in, line.kept_m[0] - lead_out
    stops = np.linspace(first, last, int(np.ceil((first - last) / STATION_M)) + 1)
    unit = np.array([np.sin(line.track_rad), np.cos(line.track_rad)])
    up = np.interp(stops, along, line.points_m[:, 2])
    points = np.column_stack([line.points_m[0, :2] + stops[:, np.newaxis] * unit, up])
    return replace(line, points_m=points, kept_m=(lead_in, lead_in + line.kept_length_m))


def _words(line_id: str, best: _Tried, areas: tuple[str, ...], least_m: float) -> str:
    """Return what was done to a line, from its name on."""
    why = f"for keep-out area {areas[0]}" if len(areas) == 1 else f"for keep-out areas {_listed(areas)}"
    if not best.spans:
        return f"is left out {why}: less than {least_m:g} m of its data would be left"
    done = [best.moved] if best.moved else []
    start, end = best.line.kept_m
    ends = ((best.spans[0][0] - start, np.pi), (end - best.spans[-1][1], 0.0))
    short = [f"{lost:.1f} m at its {_toward(best.line, turn)} end" for lost, turn in ends if lost > _TINY_M]
    if short:
        done.append(f"shortened by {_listed(short)}")
    if len(best.spans) > 1:
        between = sum(later[0] - before[1] for before, later in pairwise(best.spans))
        names = [part_name(line_id, number) for number in range(len(best.spans))]
        done.append(f"split into {_listed(names)} with {between:.1f} m left out between")
    return f"is {_listed(done)} {why}"


def _listed(words: Sequence[str]) -> str:
    return " and ".join([", ".join(words[:-1]), words[-1]]) if len(words) > 1 else words[0]


def _along_m(points_m: Array) -> Array:
    return np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(points_m[:, :2], axis=0).T))])


def _at_m(points_m: Array, along_m: Array, stops_m: Array) -> Array:
    return np.column_stack([np.interp(stops_m, along_m, points_m[:, axis]) for axis in range(3)])
