"""Patch lines: the few short lines, of any heading, that cover cells which fall short.

Lives here: clusters of cells, tracks over them, and the choice of tracks by area gained per second. Must not know what
a pass brings, heights or the forecast: it is told which cells a pass along a track closes.
"""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]
Cells = npt.NDArray[np.int64]
Mask = npt.NDArray[np.bool_]

SHORTEST_M = 20.0
"""Least data of a patch line [m]: less is not worth its turn and leads; common practice, no source."""
MOST_CLUSTERS = 16
"""Clusters of each size that tracks are laid over, the largest."""
MOST_TRACKS = 24
"""Tracks of one heading that are tried over a cluster."""

FIXED_WEIGHTS = 1.0, 4.0, 16.0
"""Times the fixed cost of a line that sets of lines are chosen with; the quickest of them is flown."""

_STEP_SHARE = 0.5  # of the half width between two tracks that are tried
_TURNS = 12  # headings at which full bands of cells are looked for
_BANDS = 3  # of which so many are tried
_LONG = 1.5  # times the spread across: what is longer has a main axis
_ALIKE_RAD = float(np.radians(3.0))  # headings nearer to each other than this are one


@dataclass(frozen=True)
class Track:
    """A straight stretch in plan along which data are kept.

    Attributes
    ----------
    heading_rad : float
        Direction, clockwise from grid north [rad].
    across_m : float
        Distance to the right of the origin [m].
    span_m : (float, float)
        Where along the heading it begins and ends [m].
    """

    heading_rad: float
    across_m: float
    span_m: tuple[float, float]

    @property
    def length_m(self) -> float:
        """From begin to end [m]."""
        return self.span_m[1] - self.span_m[0]

    def seen_m(self, places_m: Array) -> tuple[Array, Array]:
        """Return how far along the heading, and how far to the right of the track, places of shape (n, 2 or 3) lie."""
        sin, cos = np.sin(self.heading_rad), np.cos(self.heading_rad)
        east, north = places_m[:, 0], places_m[:, 1]
        return np.asarray(east * sin + north * cos), np.asarray(east * cos - north * sin - self.across_m)

    def places_m(self, along_m: npt.ArrayLike) -> Array:
        """Return local east and north of distances along the heading, shape (n, 2) [m]."""
        along = np.asarray(along_m, dtype=np.float64)
        sin, cos = np.sin(self.heading_rad), np.cos(self.heading_rad)
        return np.column_stack([along * sin + self.across_m * cos, along * cos - self.across_m * sin])


Judge = Callable[[Track, Cells], Mask]
"""Tells of cells, given by their numbers, which of them something holds for seen from a track."""


@dataclass(frozen=True)
class Pass:
    """One way to fly a patch line.

    Attributes
    ----------
    half_width_m : float
        How far aside a pass reaches over flat ground [m].
    speed_mps : float
        Ground speed [m/s].
    fixed_s : float
        What a line costs however short it is: leads and a turn [s].
    closes : callable
        Tells which cells a pass brings to what they lack, were nothing in the way.
    sees : callable
        Tells which cells nothing hides.
    """

    half_width_m: float
    speed_mps: float
    fixed_s: float
    closes: Judge
    sees: Judge


@dataclass(frozen=True)
class Patch:
    """A track to be flown.

    Attributes
    ----------
    track : Track
        Where it runs.
    way : int
        Number of the way it is flown, among the passes given.
    cells : ndarray of int64, shape (k,)
        The cells that it closes.
    """

    track: Track
    way: int
    cells: Cells


@dataclass
class _Candidate:
    """A track that may be flown: the cells it closes, and whether they were looked at for what hides them."""

    track: Track
    way: int
    cells: Cells
    looked: bool = False


def lay_patches(
    places_m: Array,
    areas_m2: Array,
    block_rad: float,
    passes: Sequence[Pass],
    *,
    enough_m2: float,
    rim_m: float,
    most: int,
    barred: Sequence[Track] = (),
) -> tuple[Patch, ...]:
    """Return the smallest set of patch lines found, in the order of what they gain per second.

    Lines are taken one by one by area gained per second flown, no more area counted than is still needed. Then those
    are left out without which the others still reach what all reach together, or what is enough. That is done with what
    a line costs however short taken as it is, and as more, which takes fewer and longer ones: the quickest set stands.

    Parameters
    ----------
    places_m : ndarray, shape (n, 3)
        Cells that fall short: east, north, up [m].
    areas_m2 : ndarray, shape (n,)
        What each stands for [m2].
    block_rad : float
        Heading of the lines that are there, clockwise from grid north [rad].
    passes : sequence of Pass
        Ways to fly a patch.
    enough_m2 : float
        Area that has to be closed [m2].
    rim_m : float
        How far data are kept past the outermost cells [m].
    most : int
        Lines at most.
    barred : sequence of Track
        Tracks that cannot be flown, nor others nearly the same.
    """
    candidates = [
        one
        for one in _candidates(places_m, block_rad, passes)
        if not any(_alike(one.track, other, passes[one.way].half_width_m) for other in barred)
    ]
    found = [
        _needed(_greedy(candidates, places_m, areas_m2, passes, enough_m2, rim_m, most, weight), areas_m2, enough_m2)
        for weight in FIXED_WEIGHTS
    ]

    def rank(chosen: tuple[Patch, ...]) -> tuple[float, float]:
        seconds = sum(one.track.length_m / passes[one.way].speed_mps + passes[one.way].fixed_s for one in chosen)
        return -min(round(_closed_m2(chosen, areas_m2), 6), enough_m2), seconds

    return min(found, key=rank)


def _greedy(
    candidates: Sequence[_Candidate],
    places_m: Array,
    areas_m2: Array,
    passes: Sequence[Pass],
    enough_m2: float,
    rim_m: float,
    most: int,
    fixed_weight: float,
) -> list[Patch]:
    """Return tracks taken one by one by what they gain per second, with the fixed cost of a line weighed."""
    left, needed = np.ones(len(places_m), dtype=bool), enough_m2
    chosen: list[Patch] = []

    def worth(one: _Candidate) -> tuple[float, float]:
        """Return the area that a track still gains [m2], and the weighed time that it takes [s]."""
        gained, way = one.cells[left[one.cells]], passes[one.way]
        if not gained.size:
            return 0.0, 1.0
        length = _trimmed(one.track, places_m[gained], rim_m).length_m
        return float(areas_m2[gained].sum()), length / way.speed_mps + fixed_weight * way.fixed_s

    worths = np.array([worth(one) for one in candidates]).reshape(-1, 2)
    while len(worths) and needed > 0 and len(chosen) < most:
        scores = np.minimum(worths[:, 0], needed) / worths[:, 1]
        best = int(np.argmax(scores))
        if scores[best] <= 0:
            break
        one = candidates[best]
        if not one.looked:
            one.cells, one.looked = one.cells[passes[one.way].sees(one.track, one.cells)], True
            worths[best] = worth(one)
            continue
        gained = one.cells[left[one.cells]]
        chosen.append(Patch(_trimmed(one.track, places_m[gained], rim_m), one.way, gained))
        left[gained] = False
        needed -= float(areas_m2[gained].sum())
        new = np.zeros(len(left), dtype=bool)
        new[gained] = True
        for number in [number for number, other in enumerate(candidates) if new[other.cells].any()]:
            worths[number] = worth(candidates[number])
    return chosen


def closable(places_m: Array, block_rad: float, passes: Sequence[Pass]) -> Mask:
    """Return which cells some line that may be laid closes, shape (n,); parameters as for `lay_patches`."""
    found = np.zeros(len(places_m), dtype=bool)
    for one in _candidates(places_m, block_rad, passes):
        new = one.cells[~found[one.cells]]
        if new.size:
            found[new[passes[one.way].sees(one.track, new)]] = True
    return found


def _candidates(places_m: Array, block_rad: float, passes: Sequence[Pass]) -> Iterator[_Candidate]:
    """Yield the tracks that are tried, each with the cells it would close were nothing in the way."""
    for way, one in enumerate(passes):
        tried = set()
        for members in _clusters(places_m, one.half_width_m):
            for track in _tracks(places_m[members], block_rad, one.half_width_m):
                key = round(track.heading_rad, 2), round(track.across_m), *(round(end) for end in track.span_m)
                if key in tried:
                    continue
                tried.add(key)
                along, aside = track.seen_m(places_m)
                within = (along >= track.span_m[0]) & (along <= track.span_m[1])
                cells = np.flatnonzero(within & (np.abs(aside) <= 2 * one.half_width_m))
                cells = cells[one.closes(track, cells)]
                if cells.size:
                    yield _Candidate(track, way, cells)


def _clusters(places_m: Array, half_width_m: float) -> Iterator[Cells]:
    """Yield the cells of clusters: of neighbours, of what a swath may join, and all at once."""
    yield np.arange(len(places_m))
    for apart_m in (half_width_m / 4, half_width_m):
        found = _joined(places_m, apart_m)
        if len(found) > 1:
            yield from sorted(found, key=lambda cells: (-len(cells), int(cells[0])))[:MOST_CLUSTERS]


def _joined(places_m: Array, apart_m: float) -> list[Cells]:
    """Return the cells of each patch of squares of a side [m] that touch by side or corner and hold any."""
    squares = np.floor(places_m[:, :2] / apart_m).astype(np.int64)
    held, square_of = np.unique(squares, axis=0, return_inverse=True)
    numbers = {(int(col), int(row)): number for number, (col, row) in enumerate(held)}
    label = np.full(len(held), -1)
    patches = 0
    for first in range(len(held)):
        if label[first] >= 0:
            continue
        label[first], stack = patches, [first]
        while stack:
            col, row = (int(value) for value in held[stack.pop()])
            for near in [(col + i, row + j) for i in (-1, 0, 1) for j in (-1, 0, 1)]:
                number = numbers.get(near, -1)
                if number >= 0 and label[number] < 0:
                    label[number] = patches
                    stack.append(number)
        patches += 1
    of_cell = label[square_of.ravel()]
    order = np.argsort(of_cell, kind="stable")
    return np.split(order, np.flatnonzero(np.diff(of_cell[order])) + 1)


def _tracks(places_m: Array, block_rad: float, half_width_m: float) -> Iterator[Track]:
    """Yield tracks over and beside a cluster."""
    for heading in _headings_rad(places_m, block_rad, half_width_m):
        along, across = Track(heading, 0.0, (0.0, 0.0)).seen_m(places_m)
        low, high = float(across.min()) - half_width_m / 2, float(across.max()) + half_width_m / 2
        count = int(min(max(np.ceil((high - low) / (_STEP_SHARE * half_width_m)), 1), MOST_TRACKS - 2)) + 1
        middle, mean = (low + high) / 2, float(np.median(across))
        for at in dict.fromkeys([middle, mean, *np.linspace(low, high, count).tolist()]):
            yield Track(heading, at, (float(along.min()), float(along.max())))


def _headings_rad(places_m: Array, block_rad: float, half_width_m: float) -> list[float]:
    """Return headings to try over a cluster [rad].

    Along the block and across it, its main axis, and those of the fullest bands of any heading, half a half width wide.
    """
    found = [block_rad % np.pi, (block_rad + np.pi / 2) % np.pi]
    bands = []
    for heading in np.pi / _TURNS * np.arange(_TURNS):
        across = Track(float(heading), 0.0, (0.0, 0.0)).seen_m(places_m)[1]
        band = np.floor((across - across.min()) / (half_width_m / 2)).astype(np.int64)
        counts = np.bincount(band)
        bands.append((-int(counts.max()), band == int(counts.argmax())))
    fullest = [members for _, members in sorted(bands, key=lambda band: band[0])[:_BANDS]]
    for members in (np.ones(len(places_m), dtype=bool), *fullest):
        axis = _axis_rad(places_m[members])
        if axis is not None and all(_turn_rad(axis, one) > _ALIKE_RAD for one in found):
            found.append(axis)
    return found


def _axis_rad(places_m: Array) -> float | None:
    """Return the main axis of places [rad], from 0 to below pi; None where they have none."""
    spread = places_m[:, :2] - places_m[:, :2].mean(axis=0)
    values, axes = np.linalg.eigh(spread.T @ spread)
    return float(np.arctan2(axes[0, 1], axes[1, 1]) % np.pi) if values[1] > _LONG * values[0] else None


def _turn_rad(one_rad: float, other_rad: float) -> float:
    """Return the angle between two courses that may be flown either way [rad]."""
    return float(abs((one_rad - other_rad + np.pi / 2) % np.pi - np.pi / 2))


def _alike(one: Track, other: Track, half_width_m: float) -> bool:
    """Return whether two tracks are nearly the same."""
    beside = abs(one.across_m - other.across_m) < half_width_m / 4
    apart = max(one.span_m[0] - other.span_m[1], other.span_m[0] - one.span_m[1])
    return _turn_rad(one.heading_rad, other.heading_rad) < _ALIKE_RAD and beside and apart < 0


def _trimmed(track: Track, places_m: Array, rim_m: float) -> Track:
    """Return a track no longer than its cells ask for."""
    along = track.seen_m(places_m)[0]
    start, end = float(along.min()) - rim_m, float(along.max()) + rim_m
    short = max(SHORTEST_M - (end - start), 0.0) / 2
    return replace(track, span_m=(start - short, end + short))


def _closed_m2(chosen: Sequence[Patch], areas_m2: Array) -> float:
    return float(areas_m2[np.unique(np.concatenate([one.cells for one in chosen]))].sum()) if chosen else 0.0


def _needed(chosen: Sequence[Patch], areas_m2: Array, enough_m2: float) -> tuple[Patch, ...]:
    """Return patches without those that the rest can do without, the least gain first to go."""
    kept = list(chosen)
    wanted = min(enough_m2, _closed_m2(kept, areas_m2)) - 1e-6
    for one in sorted(chosen, key=lambda each: float(areas_m2[each.cells].sum())):
        rest = [other for other in kept if other is not one]
        if _closed_m2(rest, areas_m2) >= wanted:
            kept = rest
    return tuple(kept)
