"""Lines that face walls: straight tracks along, toward and aslant to steep faces, and the choice among them.

Lives here: where such tracks run, and which are taken by what they add to coverage per second. Must not know heights,
what a pass brings to a face, or the forecast: it is told what each track brings.
"""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from typing import Literal

import numpy as np
import numpy.typing as npt

from planner.flight.patches import FIXED_WEIGHTS, SHORTEST_M, Cells, Track

Array = npt.NDArray[np.float64]
Manner = Literal["along", "toward", "aslant"]

SECTORS = 8
"""Directions that faces are told apart by: each has a wall of its own to fly along."""
CLOSING = 3.0
"""Progress of a cell is its share of the density asked for to this power: half a density covers nothing yet."""

TRIMMED_SHARE = 0.01
"""Of what a track adds, so much at either end is not worth a longer line."""

_STEP_SHARE = 0.5  # of the half width, between tracks along a wall
_OFF_SHARES = -0.25, 1.75  # of the half width, from the innermost and outermost face: where tracks along it begin, end
_MOST_ALONG, _MOST_TOWARD, _MOST_ASLANT = 8, 3, 2
_LEAST_SHARE = 0.01  # of all faces, in a group that tracks are laid for


@dataclass(frozen=True)
class FacingTrack:
    """A track that may show a group of faces.

    Attributes
    ----------
    track : Track
        Where it runs.
    manner : {"along", "toward", "aslant"}
        Parallel to the faces, at a stand-off; straight over their crest; at 45 degrees to them.
    """

    track: Track
    manner: Manner


def facing_tracks(places_m: Array, outward_rad: Array, half_width_m: float) -> tuple[FacingTrack, ...]:
    """Return the tracks that are tried for faces.

    Parameters
    ----------
    places_m : ndarray, shape (n, 3)
        Faces that fall short: east, north, up [m].
    outward_rad : ndarray, shape (n,)
        The way each faces, clockwise from grid north [rad].
    half_width_m : float
        How far aside a pass reaches over flat ground [m].
    """
    sector = np.rint(outward_rad / (2 * np.pi / SECTORS)).astype(np.int64) % SECTORS
    found: dict[tuple[int, ...], FacingTrack] = {}
    for number in range(SECTORS):
        members = np.flatnonzero(sector == number)
        for group in _groups(places_m, members, 2 * np.pi / SECTORS * number, half_width_m):
            mean = np.exp(1j * outward_rad[group]).sum()
            for one in _tracks(places_m[group], float(np.angle(mean)), half_width_m):
                track = one.track
                key = round(np.degrees(track.heading_rad) % 360), round(track.across_m), *map(round, track.span_m)
                found.setdefault(key, one)
    return tuple(found.values())


def _groups(places_m: Array, members: Cells, outward_rad: float, apart_m: float) -> Iterator[Cells]:
    """Yield faces of one sector that no gap wider than a distance [m] parts, along them or across; no small ones."""
    level = [members]
    for axis_rad in (outward_rad, outward_rad - np.pi / 2):
        split: list[Cells] = []
        for group in level:
            at = Track(axis_rad, 0.0, (0.0, 0.0)).seen_m(places_m[group])[0]
            order = np.argsort(at, kind="stable")
            breaks = np.flatnonzero(np.diff(at[order]) > apart_m) + 1
            split += np.split(group[order], breaks)
        level = split
    yield from (group for group in level if group.size and group.size >= _LEAST_SHARE * len(places_m))


def _tracks(places_m: Array, outward_rad: float, half_width_m: float) -> Iterator[FacingTrack]:
    """Yield tracks for one group of faces that look one way."""
    beside = Track(outward_rad - np.pi / 2, 0.0, (0.0, 0.0))  # to the right of it lies what the faces look at
    along, out = beside.seen_m(places_m)
    low, high = (end + share * half_width_m for end, share in zip((out.min(), out.max()), _OFF_SHARES, strict=True))
    for at in _spread(low, high, _STEP_SHARE * half_width_m, _MOST_ALONG):
        yield FacingTrack(replace(beside, across_m=at, span_m=(float(along.min()), float(along.max()))), "along")
    flown: tuple[tuple[float, Manner, int], ...] = (
        (np.pi, "toward", _MOST_TOWARD),
        (0.75 * np.pi, "aslant", _MOST_ASLANT),
        (-0.75 * np.pi, "aslant", _MOST_ASLANT),
    )
    for turn, manner, most in flown:
        over = Track(outward_rad + turn, 0.0, (0.0, 0.0))
        on, across = over.seen_m(places_m)
        span = float(on.min()) - half_width_m, float(on.max()) + half_width_m / 2
        for at in _spread(float(across.min()), float(across.max()), half_width_m, most):
            yield FacingTrack(replace(over, across_m=at, span_m=span), manner)


def _spread(low: float, high: float, step: float, most: int) -> list[float]:
    count = int(np.clip(np.ceil((high - low) / step), 1, most))
    return [float(at) for at in low + (high - low) * (np.arange(count) + 0.5) / count]


@dataclass(eq=False)
class Option:
    """A track as it may be flown, and what it brings.

    Attributes
    ----------
    facing : FacingTrack
        Where it runs.
    way : int
        Number of the way it is flown.
    speed_mps, fixed_s : float
        Ground speed [m/s], and what a line costs however short it is [s].
    cells : ndarray of int64, shape (k,)
        Faces that it sees, by their numbers.
    brings : ndarray, shape (k,)
        What it brings to each, as a share of the density asked for.
    looked : bool
        Whether what hides faces from it was looked at.
    """

    facing: FacingTrack
    way: int
    speed_mps: float
    fixed_s: float
    cells: Cells
    brings: Array
    looked: bool = field(default=False)


@dataclass(frozen=True)
class Chosen:
    """A track to be flown, no longer than what it adds asks for.

    Attributes
    ----------
    facing : FacingTrack
        Where it runs.
    option : Option
        What it is part of.
    seconds : float
        What it is taken to cost [s].
    adds_m2 : ndarray, shape (k,)
        What it adds to each face of the option [m2].
    """

    facing: FacingTrack
    option: Option
    seconds: float
    adds_m2: Array


@dataclass(frozen=True)
class Faces:
    """What tracks are chosen for.

    Attributes
    ----------
    places_m : ndarray, shape (n, 3)
        East, north, up [m].
    areas_m2 : ndarray, shape (n,)
        What each stands for [m2].
    rim_m : float
        How far data are kept past the outermost of them [m].
    pooled : bool
        Whether passes add up, or the best one counts.
    """

    places_m: Array
    areas_m2: Array
    rim_m: float
    pooled: bool


@dataclass(frozen=True)
class Aim:
    """How much is to be covered, and what that may cost.

    Attributes
    ----------
    enough_m2 : float
        Area that has to be covered [m2].
    budget_s : float
        Time that may be added [s].
    least_m2 : float
        Least that a track has to add [m2].
    most : int
        Tracks at most.
    """

    enough_m2: float
    budget_s: float
    least_m2: float
    most: int


def choose_facing(
    options: Sequence[Option], faces: Faces, have: Array, look: Callable[[Option], None], aim: Aim
) -> tuple[Chosen, ...]:
    """Return the tracks found that cover most within the time, the quickest of those that cover enough.

    Tracks are taken one by one by what they add per second. What counts is area times the share of the density asked
    for, to the power of `CLOSING`. That is done with what a line costs however short taken as it is, and as more, which
    takes fewer and longer ones.

    Parameters
    ----------
    options : sequence of Option
        What may be flown.
    faces : Faces
        What it is chosen for.
    have : ndarray, shape (n,)
        Share of the density asked for that each face has.
    look : callable
        Takes out of an option what is hidden from it.
    aim : Aim
        How much is to be covered, and what that may cost.
    """
    found = [_greedy(options, faces, have, look, aim, weight) for weight in FIXED_WEIGHTS]

    def rank(chosen: tuple[Chosen, ...]) -> tuple[float, float]:
        covered = have.copy()
        for one in chosen:
            covered[one.option.cells] = _after(one.option, faces, covered)
        area_m2 = float(faces.areas_m2[covered >= 1].sum())
        return -min(round(area_m2, 6), aim.enough_m2), sum(one.seconds for one in chosen)

    return min(found, key=rank)


def _greedy(
    options: Sequence[Option],
    faces: Faces,
    have: Array,
    look: Callable[[Option], None],
    aim: Aim,
    fixed_weight: float,
) -> tuple[Chosen, ...]:
    """Return tracks taken one by one by what they add per second, with the fixed cost of a line weighed."""
    have, left_s = have.copy(), aim.budget_s
    chosen: list[Chosen] = []

    def worth(option: Option) -> float:
        gains = _gains(option, faces, have)
        seconds, added = _trimmed(option, faces, gains)[1], float(gains.sum())
        enough = added >= aim.least_m2 and seconds <= left_s
        return added / (seconds + (fixed_weight - 1) * option.fixed_s) if enough else 0.0

    while options and len(chosen) < aim.most and float(faces.areas_m2[have >= 1].sum()) < aim.enough_m2:
        worths = [worth(option) for option in options]
        best = int(np.argmax(worths))
        while not options[best].looked and worths[best] > 0:
            look(options[best])
            worths[best] = worth(options[best])
            best = int(np.argmax(worths))
        if worths[best] <= 0:
            break
        option = options[best]
        gains = _gains(option, faces, have)
        track, seconds = _trimmed(option, faces, gains)
        chosen.append(Chosen(replace(option.facing, track=track), option, seconds, gains))
        left_s -= seconds
        have[option.cells] = _after(option, faces, have)
    return tuple(chosen)


def _after(option: Option, faces: Faces, have: Array) -> Array:
    before = have[option.cells]
    return np.asarray(before + option.brings if faces.pooled else np.maximum(before, option.brings))


def _gains(option: Option, faces: Faces, have: Array) -> Array:
    """Return what an option adds to each of its faces [m2]."""
    before, after = have[option.cells], _after(option, faces, have)
    progress = np.minimum(after, 1.0) ** CLOSING - np.minimum(before, 1.0) ** CLOSING
    return np.asarray(faces.areas_m2[option.cells] * progress)


def _trimmed(option: Option, faces: Faces, gains_m2: Array) -> tuple[Track, float]:
    """Return a track no longer than the faces that it adds most to ask for, and what it costs [s]."""
    track = option.facing.track
    if gains_m2.sum() > 0:
        along = track.seen_m(faces.places_m[option.cells])[0]
        order = np.argsort(along, kind="stable")
        share = np.cumsum(gains_m2[order]) / gains_m2.sum()
        first, last = np.searchsorted(share, [TRIMMED_SHARE, 1 - TRIMMED_SHARE])
        ends = along[order[[first, min(last, len(order) - 1)]]]
        start, end = (
            max(track.span_m[0], float(ends[0]) - faces.rim_m),
            min(track.span_m[1], float(ends[1]) + faces.rim_m),
        )
        short = max(SHORTEST_M - (end - start), 0.0) / 2
        track = replace(track, span_m=(start - short, end + short))
    return track, track.length_m / option.speed_mps + option.fixed_s
