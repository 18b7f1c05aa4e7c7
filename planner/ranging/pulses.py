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

from planner.ground.raycast import ceilings_of
from planner.ground.surface import CellGrid, HeightGrid, Layers
from planner.ranging import casting, counting
from planner.ranging.attitude import Leg, to_world
from planner.ranging.canopy import Crowns, crowns_of
from planner.ranging.fates import RETURNS, Light, light_of
from planner.ranging.linkbudget import Reach
from planner.ranging.looks import Faces, LegLooks, Looks, leg_looks, looks_of
from planner.ranging.sinks import Sink, empty_sink, empty_totals, first_returns_in, pour

Array = npt.NDArray[np.float64]
Progress = Callable[[int, int], None]

_NO_SQUARES = np.zeros((0, 0), dtype=bool)
_NO_CODES = np.zeros((0, 0), dtype=np.uint8)


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


def _fire(
    targets: Sequence[_Target], cells: CellGrid, faces: Faces | None, leg: Leg, light: Light
) -> tuple[Sink, int, LegLooks | None]:
    """Fire one leg into a sink of its own, and find its looks at what is to be seen."""
    pattern, sink = leg.pattern, empty_sink((cells.rows, cells.cols), len(light.strength2_m2) - 1)
    fired = 0
    for target in targets:
        firing = casting.Firing(target.lattice, target.squares, target.veil, light, sink)
        if pattern.planar:
            most_tilt = float(np.abs(leg.angles_rad[:, 1]).max(initial=0.0))
            extremes = (target.lattice[3], target.lattice[2])
            steep = casting.steep_blocks(target.grid, most_tilt, counting.BLOCK, extremes)
            fired = counting.sweep_leg(firing, leg.origins_m, leg.angles_rad, pattern.figures(), steep)
        else:
            fired = casting.cast_pulses(
                firing,
                leg.origins_m,
                to_world(leg.angles_rad),
                leg.samples_hz / pattern.pulse_rate_hz,
                pattern.figures(),
                np.asarray(pattern.beam_elevations_rad),
                leg.pulses,
            )
    return sink, fired, leg_looks(faces, cells, leg, lambda cell: first_returns_in(sink, cell)) if faces else None


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
    totals = empty_totals(shape, cases)
    targets = _targets(layers, cells, _NO_CODES if codes is None else np.ascontiguousarray(codes))
    fired, looks = 0, []
    with ThreadPoolExecutor(threads) as pool:
        waiting = iter(zip(legs, lit, strict=True))
        # A few legs ahead at most: each fills a sink of its own.
        ahead = islice(waiting, threads + 1)
        queue = [pool.submit(_fire, targets, cells, faces, *leg) for leg in ahead]
        done = 0
        while queue:
            sink, sent, leg_look = queue.pop(0).result()
            pour(sink, totals)
            if (following := next(waiting, None)) is not None:
                queue.append(pool.submit(_fire, targets, cells, faces, *following))
            fired += sent
            looks += [leg_look] if leg_look else []
            done += 1
            if progress:
                progress(done, len(legs))
    aggregate, best, pooled, most, passes = totals
    first = aggregate[RETURNS] if layers.foliage is None else aggregate[RETURNS] + pooled[0]
    nothing_stands = layers.top is layers.ground  # as far as is known
    return Tally(
        np.moveaxis(aggregate, 0, -1),
        np.moveaxis(best, 0, -1),
        cases=np.moveaxis(pooled[3:], 0, -1),
        most_cases=np.moveaxis(most[3:], 0, -1),
        first=first,
        most_first=most[0],
        ground=first if nothing_stands else pooled[1],
        most_ground=most[0 if nothing_stands else 1],
        open_ground=first if nothing_stands else pooled[2],
        most_open_ground=most[0 if nothing_stands else 2],
        passes=passes,
        fired=fired,
        looks=looks_of(looks, cells.rows * cells.cols) if faces else None,
    )
