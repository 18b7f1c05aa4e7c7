"""Fires every pulse of a flight at what lies below and counts what comes back, cell by cell.

Lives here: the tally of a flight, and legs fired side by side. Must not know flight lines or files.
"""

from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from itertools import islice
from typing import Any

import numpy as np
import numpy.typing as npt

from planner.ground.kernels import kernel
from planner.ground.raycast import ceilings_of
from planner.ground.surface import CellGrid, HeightGrid, Layers
from planner.ranging import casting, counting
from planner.ranging.attitude import Leg, to_world
from planner.ranging.canopy import Crowns, crowns_of
from planner.ranging.fates import CHANNELS, RETURNS, Light, light_of
from planner.ranging.linkbudget import Reach
from planner.ranging.looks import Faces, LegLooks, Looks, leg_looks, looks_of

Array = npt.NDArray[np.float64]
Progress = Callable[[int, int], None]

_NO_SQUARES = np.zeros((0, 0), dtype=bool)
_NO_CODES = np.zeros((0, 0), dtype=np.uint8)


_Sink = tuple[Array, Array, Array, npt.NDArray[np.int64], npt.NDArray[np.int64]]


@dataclass(frozen=True)
class Tally:
    """Pulses counted per cell.

    Attributes
    ----------
    aggregate : ndarray, shape (rows, cols, 7)
        All legs pooled, by channel (`fates`), where pulses meet the top surface; expected numbers.
    best : ndarray, shape (rows, cols, 7)
        The same for the one leg that sends most pulses at the cell.
    cases, most_cases : ndarray, shape (rows, cols, k - 1)
        Returns where pulses meet the top surface in each other case, pooled and of the leg that brings most.
    first, most_first : ndarray, shape (rows, cols)
        Expected first returns: all legs pooled, and of the leg that brings most. Whole numbers without crowns; a pulse
        that meets no leaf gives its first return beneath them.
    ground, most_ground : ndarray, shape (rows, cols)
        Expected returns from bare ground, likewise.
    open_ground, most_open_ground : ndarray, shape (rows, cols)
        The same were there no crowns.
    passes : ndarray of uint8, shape (rows, cols)
        Legs that bring at least one return.
    fired : int
        Pulses sent within the usable opening.
    looks : Looks or None
        Which leg saw which cell from where; None where nobody asked.
    """

    aggregate: Array
    best: Array
    cases: Array
    most_cases: Array
    first: Array
    most_first: Array
    ground: Array
    most_ground: Array
    open_ground: Array
    most_open_ground: Array
    passes: npt.NDArray[np.uint8]
    fired: int
    looks: Looks | None = None


@dataclass(frozen=True)
class _Target:
    """What is fired at, as kernels read it: see `casting`."""

    grid: HeightGrid
    lattice: tuple[Any, ...]
    squares: tuple[Any, ...]
    veil: tuple[Crowns, tuple[Any, ...]]


def _cell_index(vertices: int, cells: int, factor: int) -> npt.NDArray[np.int64]:
    index = np.arange(vertices) // factor
    index[index >= cells] = -1
    return index


def _lattice(grid: HeightGrid) -> tuple[Any, ...]:
    z = np.ascontiguousarray(grid.heights_m)
    return z, ceilings_of(z), float(z.max()), float(z.min()), grid.west_m, grid.north_m, grid.spacing_m


def _targets(layers: Layers, cells: CellGrid, codes: npt.NDArray[np.uint8]) -> list[_Target]:
    """Return what to fire at: the top surface, and where there are crowns also what lies beneath them."""
    rows, cols = layers.top.heights_m.shape
    index = (_cell_index(rows, cells.rows, cells.factor), _cell_index(cols, cells.cols, cells.factor))
    top, no_crowns = _lattice(layers.top), crowns_of(replace(layers, foliage=None))
    if layers.foliage is None:
        bare = _NO_SQUARES if layers.top is layers.ground else layers.bare()
        return [_Target(layers.top, top, (*index, bare, _NO_SQUARES, codes), (no_crowns, top))]
    hull = _Target(layers.top, top, (*index, _NO_SQUARES, layers.foliage > 0, codes), (no_crowns, top))
    solid = layers.solid()
    beneath = _Target(solid, _lattice(solid), (*index, layers.bare(), _NO_SQUARES, codes), (crowns_of(layers), top))
    return [hull, beneath]


def _empty_sink(cells: CellGrid, cases: int) -> _Sink:
    return (
        np.zeros((cells.rows, cells.cols, CHANNELS)),
        np.zeros((cells.rows, cells.cols, casting.SHARES)),
        np.zeros((cells.rows, cells.cols, cases)),
        np.full(cells.rows, cells.cols, dtype=np.int64),
        np.full(cells.rows, -1, dtype=np.int64),
    )


def _fire(
    targets: Sequence[_Target], sink: _Sink, seen: tuple[Faces, CellGrid] | None, leg: Leg, light: Light
) -> tuple[_Sink, int, LegLooks | None]:
    """Fire one leg into an empty sink, and find its looks at what is to be seen."""
    pattern = leg.pattern
    fired = 0
    for target in targets:
        into = (target.lattice, target.squares, target.veil, light, sink)
        if pattern.planar:
            most_tilt = float(np.abs(leg.angles_rad[:, 1]).max(initial=0.0))
            extremes = (target.lattice[3], target.lattice[2])
            steep = casting.steep_blocks(target.grid, most_tilt, counting.BLOCK, extremes)
            fired = counting.sweep_leg(*into, leg.origins_m, leg.angles_rad, pattern.figures(), steep)
        else:
            fired = casting.cast_pulses(
                *into,
                leg.origins_m,
                to_world(leg.angles_rad),
                leg.samples_hz / pattern.pulse_rate_hz,
                pattern.figures(),
                np.asarray(pattern.beam_elevations_rad),
                leg.pulses,
            )
    return sink, fired, leg_looks(*seen, leg, lambda cell: _first_returns(sink, cell)) if seen else None


def _first_returns(sink: _Sink, cell: npt.NDArray[np.int32]) -> Array:
    """Return the first returns of a leg in flat cells, shape (m,)."""
    tally, shares, *_ = sink
    met = tally.reshape(-1, CHANNELS)[cell, RETURNS]
    return np.asarray(met + shares.reshape(-1, casting.SHARES)[cell, casting.UNVEILED])


@kernel
def _merge(sink, aggregate, best, pooled, most, passes):
    """Add one leg to the whole, over the cells it touched, and empty its sink for the next.

    `pooled` and `most` hold first returns, ground returns, those without crowns, and returns in other cases.
    """
    tally, shares, cases, first_col, last_col = sink
    for row in range(tally.shape[0]):
        for col in range(first_col[row], last_col[row] + 1):
            sent = 0.0
            sent_best = 0.0
            for channel in range(tally.shape[2]):
                aggregate[row, col, channel] += tally[row, col, channel]
                sent += tally[row, col, channel]
                sent_best += best[row, col, channel]
            if sent > sent_best:
                best[row, col] = tally[row, col]
            first = tally[row, col, RETURNS] + shares[row, col, casting.UNVEILED]
            for place in range(3 + cases.shape[2]):
                if place == 0:
                    value = first
                elif place == 1:
                    value = shares[row, col, casting.GROUND]
                elif place == 2:
                    value = shares[row, col, casting.OPEN_GROUND]
                else:
                    value = cases[row, col, place - 3]
                pooled[row, col, place] += value
                most[row, col, place] = max(most[row, col, place], value)
            if first > 0.5 and passes[row, col] < 255:
                passes[row, col] += 1
            tally[row, col] = 0.0
            shares[row, col] = 0.0
            cases[row, col] = 0.0
        first_col[row], last_col[row] = tally.shape[1], -1


def fire_legs(
    layers: Layers,
    cells: CellGrid,
    legs: Sequence[Leg],
    lights: Sequence[Light | Reach],
    *,
    codes: npt.NDArray[np.uint8] | None = None,
    faces: Faces | None = None,
    threads: int = 2,
    progress: Progress | None = None,
) -> Tally:
    """Fire every pulse of every leg and count what comes back.

    A pulse is counted where it meets the top surface, crowns included. Where it may pass crowns, the share that meets
    no leaf is counted as first return, and the share that reaches the ground as ground return, where it lands beneath.

    Parameters
    ----------
    layers : Layers
        What pulses meet.
    cells : CellGrid
        Cells to count in, on the lattice of `layers`.
    legs : sequence of Leg
        The flight; order does not change the counts.
    lights : sequence of Light or Reach
        What returns, one a leg, all of as many cases; a reach alone is one case on ground of one brightness.
    codes : ndarray of uint8, shape (rows - 1, cols - 1), optional
        Class of each lattice square, places in the factors of the lights; all 0 unless given.
    faces : Faces, optional
        Faces of cells whose looks are to be kept.
    threads : int
        Legs fired at the same time.
    progress : callable, optional
        Called with legs done and legs in all.

    Returns
    -------
    Tally
        Whole pulses, and ground returns added in the order of legs, so the sum does not depend on scheduling.
    """
    shape = (cells.rows, cells.cols)
    lit = [light_of([light]) if isinstance(light, Reach) else light for light in lights]
    cases = len(lit[0].strength2_m2) - 1 if lit else 0
    aggregate, best = (np.zeros((*shape, CHANNELS)) for _ in range(2))
    pooled, most = (np.zeros((*shape, 3 + cases)) for _ in range(2))
    passes = np.zeros(shape, dtype=np.uint8)
    targets = _targets(layers, cells, _NO_CODES if codes is None else np.ascontiguousarray(codes))
    fired, looks = 0, []
    seen = None if faces is None else (faces, cells)
    with ThreadPoolExecutor(threads) as pool:
        waiting = iter(zip(legs, lit, strict=True))
        # A few legs ahead at most: each fills a sink of its own, which then serves the next.
        ahead = islice(waiting, threads + 1)
        queue = [pool.submit(_fire, targets, _empty_sink(cells, cases), seen, *leg) for leg in ahead]
        done = 0
        while queue:
            sink, sent, leg_look = queue.pop(0).result()
            _merge(sink, aggregate, best, pooled, most, passes)
            if (following := next(waiting, None)) is not None:
                queue.append(pool.submit(_fire, targets, sink, seen, *following))
            fired += sent
            looks += [leg_look] if leg_look else []
            done += 1
            if progress:
                progress(done, len(legs))
    if layers.top is layers.ground:  # nothing is known to stand on the ground
        pooled[..., 1:3], most[..., 1:3] = pooled[..., :1], most[..., :1]
    return Tally(
        aggregate,
        best,
        cases=pooled[..., 3:],
        most_cases=most[..., 3:],
        first=pooled[..., 0],
        most_first=most[..., 0],
        ground=pooled[..., 1],
        most_ground=most[..., 1],
        open_ground=pooled[..., 2],
        most_open_ground=most[..., 2],
        passes=passes,
        fired=fired,
        looks=looks_of(looks, cells.rows * cells.cols) if seen else None,
    )
