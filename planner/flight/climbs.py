"""Heights on the way: above a floor, under climb and descent limits, with waits where the way is too short.

Lives here: the path itself, and how a way in plan becomes a piece of one. Must not know lines, turns or batteries.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from planner.flight.turns import Way

Array = npt.NDArray[np.float64]
LeastHeight = Callable[[Array, Array], Array]

FARTHEST_M = 5.0  # between neighbours of a path, along the way
NEAR_GROUND = ("climb", "descent")
"""Parts of a path that must come near the ground."""

_SLACK_S = 1e-6
_SAME_M = 1e-6


@dataclass(frozen=True)
class Path:
    """What an aircraft really flies: a dense polyline with times.

    Attributes
    ----------
    points_m : ndarray, shape (n, 3)
        East, north, up [m], no two neighbours farther apart than 5 m; chords leave their arcs by less than 0.1 m.
    times_s : ndarray, shape (n,)
        Seconds from the start, growing.
    parts : tuple of str
        Of each of the n - 1 segments: "climb", "ferry", "align", "lead", "line", "turn", "return", "descent", "hover".
    line_ids : tuple of str or None
        The line each segment belongs to, on lines and leads.
    short_m : float
        How far it stays below the least heights wanted, beside lines, take-off and landing [m].
    """

    points_m: Array
    times_s: Array
    parts: tuple[str, ...]
    line_ids: tuple[str | None, ...]
    short_m: float = 0.0

    @property
    def duration_s(self) -> float:
        """Time from first to last point [s]."""
        return float(self.times_s[-1] - self.times_s[0])

    def parts_s(self) -> dict[str, float]:
        """Return the time of each kind of segment [s]."""
        steps, sums = np.diff(self.times_s), dict.fromkeys(self.parts, 0.0)
        for part, step in zip(self.parts, steps, strict=True):
            sums[part] += float(step)
        return sums


def dense_path(points_m: Array, times_s: Array, parts: Sequence[str], line_ids: Sequence[str | None]) -> Path:
    """Return a path whose segments are cut until none is longer than 5 m; those without time are left out."""
    steps = np.diff(times_s)
    length = np.linalg.norm(np.diff(points_m, axis=0), axis=1)
    cuts = np.where(steps > 0, np.maximum(np.ceil(length / FARTHEST_M - 1e-9), 1), 0).astype(int)
    segment = np.repeat(np.arange(len(cuts)), cuts)
    share = (np.arange(len(segment)) - np.repeat(np.cumsum(cuts) - cuts, cuts) + 1) / np.repeat(cuts, cuts)
    points = points_m[segment] + share[:, np.newaxis] * (points_m[segment + 1] - points_m[segment])
    times = times_s[segment] + share * steps[segment]
    return Path(
        np.concatenate([points_m[:1], points]),
        np.concatenate([times_s[:1], times]),
        tuple(parts[k] for k in segment.tolist()),
        tuple(line_ids[k] for k in segment.tolist()),
    )


def joined_path(pieces: Sequence[Path]) -> Path:
    """Return pieces flown one after the other, each from where the last ended."""
    points, times = [pieces[0].points_m[:1]], [np.zeros(1)]
    clock = 0.0
    for piece in pieces:
        points.append(piece.points_m[1:])
        times.append(clock + piece.times_s[1:] - piece.times_s[0])
        clock += piece.duration_s
    return Path(
        np.concatenate(points),
        np.concatenate(times),
        tuple(part for piece in pieces for part in piece.parts),
        tuple(name for piece in pieces for name in piece.line_ids),
        max(piece.short_m for piece in pieces),
    )


@dataclass(frozen=True)
class Waits:
    """How height is gained before a way and lost after it.

    Attributes
    ----------
    first, last : Way or None
        A circle that is flown as often as it takes; None rises or sinks on the spot.
    first_part, last_part : str
        What the waits are called.
    floor : callable
        Least height [m] on the circles, at local east and north [m].
    """

    first: Way | None
    last: Way | None
    first_part: str
    last_part: str
    floor: LeastHeight


def lowest_m(times_s: Array, wanted_m: Array, climb_mps: float, descent_mps: float) -> Array:
    """Return the lowest heights [m] over wanted ones that climb and sink no faster than allowed, shape (n,)."""
    return _sunk_m(times_s, _risen_m(times_s, wanted_m, climb_mps), descent_mps)


def _risen_m(times_s: Array, wanted_m: Array, climb_mps: float) -> Array:
    """Return the lowest heights [m] from which all that is wanted later is reached by climbing no faster."""
    return np.asarray(np.maximum.accumulate((wanted_m - climb_mps * times_s)[::-1])[::-1] + climb_mps * times_s)


def _sunk_m(times_s: Array, wanted_m: Array, descent_mps: float) -> Array:
    """Return the lowest heights [m] reached from all that was wanted before by sinking no faster."""
    return np.asarray(np.maximum.accumulate(wanted_m + descent_mps * times_s) - descent_mps * times_s)


def climbed(
    way: Way,
    parts: Sequence[str],
    ends_m: tuple[float, float],
    wanted_m: Array,
    rates_mps: tuple[float, float],
    waits: Waits,
) -> Path:
    """Return a way with heights from one end height to the other, at least as high as wanted.

    Where the way is too short for the climb it waits at its first rest (a way without rests: before its start), for
    the descent at its last. What can wait on the spot flies slower instead, where the heights wanted rise or fall
    faster than it climbs or sinks: that takes as long, and stays lower. The rates come first: what no wait can cure, as
    a floor over the place where a line ends, stays below what is wanted (`Path.short_m`).

    Parameters
    ----------
    way : Way
        The way in plan.
    parts : sequence of str
        What its segments are called, shape (n - 1,).
    ends_m : (float, float)
        Height of its first and last point [m].
    wanted_m : ndarray, shape (n,)
        Least height wanted at each place [m]; -inf wants none.
    rates_mps : (float, float)
        Most climb and descent [m/s].
    waits : Waits
        What waiting looks like.
    """
    times, places, (climb, descent) = way.times_s, way.places_m, rates_mps
    rest, leave = way.rests or (0, len(times) - 1)
    wanted = _pinned(wanted_m, ends_m)
    if waits.first is None and waits.last is None:
        times = _slowed_s(times, wanted, (rest, leave), rates_mps)
    low = lowest_m(times, wanted, climb, descent)
    first_s = (low[rest] - ends_m[0]) / climb - (times[rest] - times[0])
    last_s = (low[leave] - ends_m[1]) / descent - (times[-1] - times[leave])
    pieces_parts: list[str] = list(parts)
    # The later wait goes in first, so that the place of the earlier one stays what it is.
    for at, needed_s, circle, part, level_m in (
        (leave, last_s, waits.last, waits.last_part, ends_m[1]),
        (rest, first_s, waits.first, waits.first_part, ends_m[0]),
    ):
        if needed_s > _SLACK_S:
            extra = _wait(places[at], needed_s, circle)
            places = np.concatenate([places[: at + 1], extra.places_m[1:], places[at + 1 :]])
            times = np.concatenate(
                [times[: at + 1], times[at] + extra.times_s[1:], times[at + 1 :] + extra.times_s[-1]]
            )
            fill = np.full(len(extra.times_s) - 1, level_m)
            if circle is not None:
                fill = np.maximum(fill, waits.floor(extra.places_m[1:, 0], extra.places_m[1:, 1]))
            wanted = np.concatenate([wanted[: at + 1], fill, wanted[at + 1 :]])
            if at == rest and len(fill):  # what is wanted at the place is wanted when leaving it
                wanted[at + len(fill)] = max(wanted[at + len(fill)], low[rest])
            pieces_parts[at:at] = [part] * len(fill)
    wanted = _pinned(wanted, ends_m)
    low = lowest_m(times, wanted, climb, descent)
    from_start = ends_m[0] + climb * (times - times[0])
    to_end = ends_m[1] + descent * (times[-1] - times)
    up = np.minimum(np.minimum(low, from_start), to_end)
    low_parts = np.isin(pieces_parts, NEAR_GROUND)
    away = ~(low_parts[1:] | low_parts[:-1])
    short = float(np.max((wanted - up)[1:-1][away], initial=0.0))
    path = dense_path(np.column_stack([places, up]), times, pieces_parts, [None] * len(pieces_parts))
    return replace(path, short_m=short)


def _slowed_s(times_s: Array, wanted_m: Array, rests: tuple[int, int], rates_mps: tuple[float, float]) -> Array:
    """Return times of a way flown slower where it would wait at its rests for heights wanted elsewhere along it [s].

    The time of a wait is spread evenly: for a climb from the first rest to the first place that asks for no more climb
    before it, for a descent from the last place that is high for its own sake to the last rest.
    """
    (rest, leave), (climb, descent) = rests, rates_mps
    ahead, behind = _risen_m(times_s, wanted_m, climb), _sunk_m(times_s, wanted_m, descent)
    steps = np.diff(times_s)
    own = [np.flatnonzero(high[rest : leave + 1] <= wanted_m[rest : leave + 1] + _SAME_M) for high in (ahead, behind)]
    risen = rest + int(own[0][0]) if own[0].size else leave
    sinks = rest + int(own[1][-1]) if own[1].size else rest
    for high, at, span, rate in ((ahead, rest, (rest, risen), climb), (behind, leave, (sinks, leave), descent)):
        run_s, needed_s = float(steps[slice(*span)].sum()), float(high[at] - wanted_m[at]) / rate
        if run_s > 0 and needed_s > _SLACK_S:
            steps[slice(*span)] *= 1 + needed_s / run_s
    return np.concatenate([times_s[:1], times_s[0] + np.cumsum(steps)])


def _pinned(wanted_m: Array, ends_m: tuple[float, float]) -> Array:
    """Return wanted heights that are no less than those of the ends at the ends [m]."""
    pinned = wanted_m.copy()
    pinned[0], pinned[-1] = max(pinned[0], ends_m[0]), max(pinned[-1], ends_m[1])
    return pinned


def _wait(place_m: Array, needed_s: float, circle: Way | None) -> Way:
    """Return a wait of at least a time [s] at a place."""
    if circle is None:
        return Way(np.stack([place_m, place_m]), np.array([0.0, needed_s]))
    rounds = int(np.ceil(needed_s / circle.times_s[-1] - 1e-9))
    places = np.concatenate([circle.places_m[:1], *[circle.places_m[1:]] * rounds])
    steps = np.tile(np.diff(circle.times_s), rounds)
    return Way(places, np.concatenate([[0.0], np.cumsum(steps)]))
