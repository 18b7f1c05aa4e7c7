"""Fires every pulse of a leg at the ground and counts what comes back, cell by cell.

Lives here: legs as arrays, the tally of a flight, and the loop over scan lines. Must not know flight lines or files.
"""

from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from itertools import islice

import numpy as np
import numpy.typing as npt

from planner.ground.kernels import kernel
from planner.ground.surface import CellGrid, HeightGrid
from planner.ranging import casting, sweep
from planner.ranging.beams import ScanPattern
from planner.ranging.linkbudget import Reach

Array = npt.NDArray[np.float64]
Counts = npt.NDArray[np.int32]
Progress = Callable[[int, int], None]

RETURNS, TOO_NEAR, SHADOWED, TOO_FAR = 0, 1, 2, 3
"""Channels of a tally: pulses that return, and pulses lost to each cause where they would have met the cell."""

BLOCK = 32  # squares a side of the blocks that are checked for faces too steep for the sweep

NEARLY_LEVEL_RAD = 1.55  # how far out a scan line is walked goes with the tangent, which must stay finite (89 degrees)


@dataclass(frozen=True)
class Leg:
    """A straight stretch of trajectory with the sensor on.

    Attributes
    ----------
    points_m : ndarray, shape (k, 3)
        East, north, up in the order flown [m].
    speed_mps : float
        Horizontal ground speed [m/s].
    yaw_rad : float
        Direction the sensor faces, clockwise from grid north [rad].
    tilt_rad : float
        Tilt of the scan plane from straight down, positive forward, mount and aircraft together [rad].
    roll_rad : float
        Roll of the scan in its own plane, positive turns the middle of the scan to the right [rad].
    pattern : ScanPattern
        How pulses are spread.
    """

    points_m: Array
    speed_mps: float
    yaw_rad: float
    tilt_rad: float
    roll_rad: float
    pattern: ScanPattern

    def origins_m(self) -> Array:
        """Return the sensor's place at the middle of each scan line (each pulse, for a fixed beam), shape (n, 3) [m].

        One origin a scan line: within a line the aircraft moves by speed / line rate, centimetres to decimetres,
        which shifts points along track but not their number.
        """
        along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(self.points_m[:, :2], axis=0).T))])
        rate = self.pattern.line_rate_hz or self.pattern.pulse_rate_hz
        lines = int(np.floor(along[-1] / self.speed_mps * rate + 1e-9))
        stations = (np.arange(lines) + 0.5) / rate * self.speed_mps
        return np.column_stack([np.interp(stations, along, self.points_m[:, axis]) for axis in range(3)])


@dataclass(frozen=True)
class Tally:
    """Pulses counted per cell.

    Attributes
    ----------
    aggregate : ndarray of int32, shape (rows, cols, 4)
        All legs pooled, by channel.
    best : ndarray of int32, shape (rows, cols, 4)
        The same for the one leg that sends most pulses at the cell.
    most_returns : ndarray of int32, shape (rows, cols)
        Returns of the leg that brings most.
    passes : ndarray of uint8, shape (rows, cols)
        Legs that bring at least one return.
    fired : int
        Pulses sent within the usable opening.
    """

    aggregate: Counts
    best: Counts
    most_returns: Counts
    passes: npt.NDArray[np.uint8]
    fired: int


@kernel
def _count_side(pieces, squares, count, side, scan, limits, down_m, cell_rows, cell_cols, tally, first_col, last_col):
    """Share out the pulses of one side of a scan line over the cells its pieces lie in."""
    kind, opening, usable, pulses, shift, roll = scan
    nearest, strength2, extinction = limits
    front_angle = 0.0
    at_zero = min(max(-roll, -usable), usable)
    front = prior = int(np.ceil(sweep.pulse_number(kind, at_zero, opening, pulses) - shift))
    across_a, down_a = 0.0, down_m
    for k in range(count):
        angle = pieces[k, sweep.ANGLE]
        across_b, down_b = pieces[k, sweep.ACROSS], pieces[k, sweep.DOWN]
        scan_angle = min(max(side * angle - roll, -usable), usable)
        place = int(np.ceil(sweep.pulse_number(kind, scan_angle, opening, pulses) - shift))
        if place != prior:
            visible_from = front
            visible = side * (place - front) if angle > front_angle else 0
            row, col = cell_rows[squares[k, 0]], cell_cols[squares[k, 1]]
            if row >= 0 and col >= 0:
                shadowed = abs(place - prior) - visible
                first_col[row] = min(first_col[row], col)
                last_col[row] = max(last_col[row], col)
                cell = tally[row, col]
                cell[SHADOWED] += max(shadowed, 0)
                if visible > 0:
                    plane2 = pieces[k, sweep.PLANE2]
                    far = np.sqrt(max(across_a * across_a + down_a * down_a, across_b * across_b + down_b * down_b))
                    length = np.sqrt((across_b - across_a) ** 2 + (down_b - down_a) ** 2)
                    if far - length >= nearest and sweep.in_reach(far, plane2, strength2, extinction):
                        cell[RETURNS] += visible
                    else:
                        low = min(visible_from, place)
                        for number in range(low, low + visible):
                            beam = side * (sweep.pulse_angle(kind, number + shift, opening, pulses) + roll)
                            distance = sweep.range_on_piece(across_a, down_a, across_b, down_b, beam)
                            if distance < nearest:
                                cell[TOO_NEAR] += 1
                            elif sweep.in_reach(distance, plane2, strength2, extinction):
                                cell[RETURNS] += 1
                            else:
                                cell[TOO_FAR] += 1
        if angle > front_angle:
            front_angle = angle
            front = place
        prior = place
        across_a, down_a = across_b, down_b


@kernel
def _line_scan(kind, opening, usable, pulses, roll, swings, index):
    """Return the scan of one line: its phase depends on how many pulses went before.

    Pulse m of a leg leaves at time (m + 1/2) / pulse rate, so that a whole number of pulses lies evenly in its line.
    """
    shift = np.ceil(index * pulses - 0.5) + 0.5 - index * pulses
    if swings and index % 2 == 1:  # the mirror comes back: the same places counted from the other end
        shift = (pulses - shift) % 1.0
    return kind, opening, usable, pulses, shift, roll


@kernel
def _sweep_leg(
    z, top, bottom, west, north, spacing, origins, axes, scan, swings, limits, steep, cell_rows, cell_cols, tally, spans
):
    """Fire all scan lines of a leg; returns pulses fired within the usable opening."""
    kind, opening, usable, pulses, _, roll = scan
    room = 4 * (z.shape[0] + z.shape[1])
    pieces = np.empty((room, 4))
    squares = np.empty((room, 2), dtype=np.int64)
    start = np.empty(6, dtype=np.int64)
    cos_tilt = axes[2]
    widest = min(usable + abs(roll), NEARLY_LEVEL_RAD)
    fired = 0
    for i in range(len(origins)):
        origin = origins[i]
        line = _line_scan(kind, opening, usable, pulses, roll, swings, i)
        first = int(np.ceil(sweep.pulse_number(kind, -usable, opening, pulses) - line[4]))
        last = int(np.ceil(sweep.pulse_number(kind, usable, opening, pulses) - line[4]))
        fired += last - first
        farthest = np.tan(widest) * (origin[2] - bottom) / cos_tilt
        down = sweep.straight_down(z, top, west, north, spacing, origin, axes, start)
        by_cast = not down > 0.0 or (
            steep.size > 0 and casting.meets_steep(steep, west, north, spacing * BLOCK, origin, axes, down, farthest)
        )
        for side in (1, -1):
            if by_cast:
                break
            count = sweep.cut_side(
                z, west, north, spacing, origin, axes, start, side, widest, farthest, pieces, squares
            )
            if count < 0:
                by_cast = True
                break
            _count_side(
                pieces, squares, count, side, line, limits, down, cell_rows, cell_cols, tally, spans[0], spans[1]
            )
        if by_cast:
            casting.cast_line(
                z,
                top,
                west,
                north,
                spacing,
                origin,
                axes,
                line,
                first,
                last,
                limits,
                cell_rows,
                cell_cols,
                tally,
                spans,
            )
    return fired


@kernel
def _merge(tally, first_col, last_col, aggregate, best, most_returns, passes):
    """Add one leg to the whole, over the cells it touched."""
    for row in range(tally.shape[0]):
        for col in range(first_col[row], last_col[row] + 1):
            sent = 0
            sent_best = 0
            for channel in range(4):
                aggregate[row, col, channel] += tally[row, col, channel]
                sent += tally[row, col, channel]
                sent_best += best[row, col, channel]
            if sent > sent_best:
                best[row, col] = tally[row, col]
            returns = tally[row, col, 0]
            most_returns[row, col] = max(most_returns[row, col], returns)
            if returns > 0 and passes[row, col] < 255:
                passes[row, col] += 1


def _cell_index(vertices: int, cells: int, factor: int) -> npt.NDArray[np.int64]:
    index = np.arange(vertices) // factor
    index[index >= cells] = -1
    return index


def _fire(
    grid: HeightGrid, cells: CellGrid, leg: Leg, reach: Reach, extremes: tuple[float, float]
) -> tuple[Counts, npt.NDArray[np.int64], int]:
    """Fire one leg into a tally of its own."""
    rows, cols = grid.heights_m.shape
    tally = np.zeros((cells.rows, cells.cols, 4), dtype=np.int32)
    spans = np.stack([np.full(cells.rows, cells.cols), np.full(cells.rows, -1)]).astype(np.int64)
    pattern = leg.pattern
    axes = (np.sin(leg.yaw_rad), np.cos(leg.yaw_rad), np.cos(leg.tilt_rad), np.sin(leg.tilt_rad))
    scan = (
        sweep.SINE if pattern.kind == "oscillating_sine" else sweep.LINEAR,
        pattern.optical_half_angle_rad or 1.0,
        pattern.usable_half_angle_rad,
        pattern.pulses_per_line,
        0.0,
        leg.roll_rad,
    )
    limits = (reach.min_range_m, reach.strength_m**2 * reach.reflectance, reach.extinction_per_m)
    ground = (grid.heights_m, extremes[1], grid.west_m, grid.north_m, grid.spacing_m)
    index = (_cell_index(rows, cells.rows, cells.factor), _cell_index(cols, cells.cols, cells.factor))
    origins = leg.origins_m()
    if pattern.kind == "profiling":
        fired = casting.cast_beam(*ground, origins, axes, leg.roll_rad, limits, *index, tally, spans)
    else:
        fired = _sweep_leg(
            grid.heights_m,
            extremes[1],
            extremes[0],
            *ground[2:],
            origins,
            axes,
            scan,
            pattern.kind.startswith("oscillating"),
            limits,
            casting.steep_blocks(grid, leg.tilt_rad, BLOCK, extremes),
            *index,
            tally,
            spans,
        )
    return tally, spans, fired


def fire_legs(
    grid: HeightGrid,
    cells: CellGrid,
    legs: Sequence[Leg],
    reaches: Sequence[Reach],
    *,
    threads: int = 2,
    progress: Progress | None = None,
) -> Tally:
    """Fire every pulse of every leg and count what comes back.

    Parameters
    ----------
    grid : HeightGrid
        The surface that pulses meet.
    cells : CellGrid
        Cells to count in, on the lattice of `grid`.
    legs : sequence of Leg
        The flight; order does not change the counts.
    reaches : sequence of Reach
        Range limits, one a leg.
    threads : int
        Legs fired at the same time.
    progress : callable, optional
        Called with legs done and legs in all.

    Returns
    -------
    Tally
        Whole pulses, so the sum does not depend on scheduling.
    """
    shape = (cells.rows, cells.cols)
    aggregate, best = (np.zeros((*shape, 4), dtype=np.int32) for _ in range(2))
    most_returns, passes = np.zeros(shape, dtype=np.int32), np.zeros(shape, dtype=np.uint8)
    extremes = float(grid.heights_m.min()), float(grid.heights_m.max())
    fired = 0
    with ThreadPoolExecutor(threads) as pool:
        waiting = iter(zip(legs, reaches, strict=True))
        # A few legs ahead at most: each holds a tally of its own.
        queue = [pool.submit(_fire, grid, cells, *leg, extremes) for leg in islice(waiting, threads + 1)]
        done = 0
        while queue:
            tally, spans, sent = queue.pop(0).result()
            if (following := next(waiting, None)) is not None:
                queue.append(pool.submit(_fire, grid, cells, *following, extremes))
            _merge(tally, spans[0], spans[1], aggregate, best, most_returns, passes)
            fired += sent
            done += 1
            if progress:
                progress(done, len(legs))
    return Tally(aggregate, best, most_returns, passes, fired)
