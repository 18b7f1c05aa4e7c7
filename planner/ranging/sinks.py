"""What the pulses of one leg are counted in, and what the legs of a flight add up to.

Lives here: sinks, and the pouring of sinks into totals. Must not know scans, rays or flight lines.
"""

import math
import mmap
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from planner.ground.kernels import kernel
from planner.ranging.fates import CHANNELS, GROUND, OPEN_GROUND, OTHERS, RETURNS, SHADOWED, UNVEILED, pasted

Array = npt.NDArray[np.float64]

SURE, SURE_GROUND, HIDDEN, MIXED = range(4)
"""Whole pulses of a cell: those that surely return in every case, those of them that meet bare ground, those that
something nearer hides from it; and 1 where anything besides is counted in parts of pulses."""


class Sink(NamedTuple):
    """What the pulses of one leg are counted in.

    Nearly all pulses return surely and are counted whole. Memory is taken up where a leg touches cells, that of
    `parts` only where it counts any there.

    Attributes
    ----------
    whole : ndarray of int32, shape (rows, cols, 4)
        Whole pulses: see `SURE`.
    parts : ndarray, shape (rows, cols, OTHERS + k)
        Expected pulses besides, by channel (`fates`), with returns in other cases from `OTHERS` on.
    first_col, last_col : ndarray of int64, shape (rows,)
        First and last column touched in each row of cells.
    """

    whole: npt.NDArray[np.int32]
    parts: Array
    first_col: npt.NDArray[np.int64]
    last_col: npt.NDArray[np.int64]


class Totals(NamedTuple):
    """What the legs of a flight add up to; planes of channels that nothing goes to take up no memory.

    Attributes
    ----------
    aggregate, best : ndarray, shape (CHANNELS, rows, cols)
        All legs pooled, and the one leg that sends most pulses at the cell.
    pooled : ndarray, shape (3 + k, rows, cols)
        All legs pooled: first returns from beneath crowns as `UNVEILED` counts them, ground returns, those without
        crowns, and returns in other cases.
    most : ndarray, shape (3 + k, rows, cols)
        Of the leg that brings most: first returns, and the same besides.
    passes : ndarray of uint8, shape (rows, cols)
        Legs that bring at least one return.
    """

    aggregate: Array
    best: Array
    pooled: Array
    most: Array
    passes: npt.NDArray[np.uint8]


def _blank(shape: tuple[int, ...], dtype: type[np.generic]) -> npt.NDArray[Any]:
    """Return an array of zeros in pages as small as they come: a leg touches a strip of it."""
    size = math.prod(shape) * np.dtype(dtype).itemsize
    return np.frombuffer(mmap.mmap(-1, max(size, 1)), dtype, math.prod(shape)).reshape(shape)


def empty_sink(shape: tuple[int, int], cases: int) -> Sink:
    """Return a sink for cells of a shape, with so many cases besides the planned one."""
    rows, cols = shape
    return Sink(
        _blank((rows, cols, 4), np.int32),
        _blank((rows, cols, OTHERS + cases), np.float64),
        np.full(rows, cols, dtype=np.int64),
        np.full(rows, -1, dtype=np.int64),
    )


def empty_totals(shape: tuple[int, int], cases: int) -> Totals:
    """Return totals of no legs, for cells of a shape, with so many cases besides the planned one."""
    aggregate, best = (np.zeros((CHANNELS, *shape)) for _ in range(2))
    pooled, most = (np.zeros((3 + cases, *shape)) for _ in range(2))
    return Totals(aggregate, best, pooled, most, np.zeros(shape, dtype=np.uint8))


@pasted
def counted(whole, parts, row, col, channel):
    """Return what a sink holds of a channel, or of another case from `OTHERS` on, in a cell."""
    value = parts[row, col, channel] if whole[row, col, MIXED] else 0.0
    if channel == RETURNS or channel >= OTHERS:
        value += whole[row, col, SURE]
    elif channel in (GROUND, OPEN_GROUND):
        value += whole[row, col, SURE_GROUND]
    elif channel == SHADOWED:
        value += whole[row, col, HIDDEN]
    return value


@pasted
def first_returns(whole, parts, row, col):
    """Return the expected first returns that a sink holds in a cell."""
    return counted(whole, parts, row, col, RETURNS) + (parts[row, col, UNVEILED] if whole[row, col, MIXED] else 0.0)


def first_returns_in(sink: Sink, cell: npt.NDArray[np.integer[Any]]) -> Array:
    """Return the expected first returns that a sink holds in flat cells, shape (m,)."""
    whole = sink.whole.reshape(-1, sink.whole.shape[-1])[cell]
    found: Array = whole[:, SURE].astype(np.float64)
    mixed = whole[:, MIXED] > 0
    parts = sink.parts.reshape(-1, sink.parts.shape[-1])[cell[mixed]]  # elsewhere reading alone would take up memory
    found[mixed] += parts[:, RETURNS] + parts[:, UNVEILED]
    return found


@kernel
def pour(sink, totals):
    """Add one leg to the whole, over the cells it touched."""
    whole, parts, first_col, last_col = sink
    aggregate, best, pooled, most, passes = totals
    for row in range(whole.shape[0]):
        for col in range(first_col[row], last_col[row] + 1):
            sent = sent_best = 0.0
            for channel in range(CHANNELS):
                value = counted(whole, parts, row, col, channel)
                if value != 0.0:
                    aggregate[channel, row, col] += value
                sent += value
                sent_best += best[channel, row, col]
            if sent > sent_best:
                for channel in range(CHANNELS):
                    value = counted(whole, parts, row, col, channel)
                    if best[channel, row, col] != value:
                        best[channel, row, col] = value
            first = first_returns(whole, parts, row, col)
            most[0, row, col] = max(most[0, row, col], first)
            if whole[row, col, MIXED]:
                pooled[0, row, col] += parts[row, col, UNVEILED]
            for place in range(1, len(pooled)):
                channel = GROUND + place - 1 if place < 3 else OTHERS + place - 3
                value = counted(whole, parts, row, col, channel)
                if value != 0.0:
                    pooled[place, row, col] += value
                    most[place, row, col] = max(most[place, row, col], value)
            if first > 0.5 and passes[row, col] < 255:
                passes[row, col] += 1
