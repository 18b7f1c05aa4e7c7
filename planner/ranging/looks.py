"""Which leg sees which cell from where: the geometry of a flight kept for error budgets and chances.

Lives here: the face that stands for a cell, looks of one leg and of a flight. Must not know what is made of them.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from planner.ground.kernels import kernel
from planner.ground.surface import CellGrid, Layers
from planner.ranging.attitude import Leg, to_world
from planner.ranging.beams import ScanPattern
from planner.ranging.patterns import CONE, FRAME, KIND, ROSETTE, TAN_ALONG, USABLE

Array = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]
Numbers = npt.NDArray[np.int32]
Counts = npt.NDArray[np.float32]

RIM_RAD = float(np.radians(5.0))
"""Looks reach this far past the usable opening [rad]: cells there may come into view of a flight a little off."""

_STEPS = 3  # corrections of the place from which a cell is seen: attitude changes little within their lengths


@dataclass(frozen=True)
class Faces:
    """The face that stands for each judging cell, in flat arrays, row by row.

    Attributes
    ----------
    centres_m : ndarray, shape (cells, 3)
        East, north, up of its middle on the solid surface: bare earth under crowns, else the top surface [m]; up is
        nan where a cell is not wanted or not known.
    slopes : ndarray, shape (cells, 2)
        Rise per metre toward east and toward north.
    """

    centres_m: Array
    slopes: Array


def faces_of(layers: Layers, cells: CellGrid, wanted: Mask) -> Faces:
    """Return the faces of cells, planes through the corners of each (least squares).

    Parameters
    ----------
    layers : Layers
        What pulses meet.
    cells : CellGrid
        The cells, on the lattice of `layers`.
    wanted : ndarray of bool, shape (rows, cols)
        Cells that looks are asked for.
    """
    solid, side = layers.solid(), cells.factor
    rows, cols = side * np.arange(cells.rows + 1), side * np.arange(cells.cols + 1)
    z = np.where(solid.known, solid.heights_m, np.nan)[np.ix_(rows, cols)]
    north_west, north_east, south_west, south_east = z[:-1, :-1], z[:-1, 1:], z[1:, :-1], z[1:, 1:]
    up = (north_west + north_east + south_west + south_east) / 4
    east_rise = (north_east + south_east - north_west - south_west) / (2 * cells.cell_m)
    north_rise = (north_west + north_east - south_west - south_east) / (2 * cells.cell_m)
    east, north = np.meshgrid(*cells.centres_m())
    centres = np.stack([east, north, np.where(wanted, up, np.nan)], axis=-1)
    return Faces(centres.reshape(-1, 3), np.stack([east_rise, north_rise], axis=-1).reshape(-1, 2))


@dataclass(frozen=True)
class Looks:
    """The looks of a whole flight, cell by cell and within a cell in order of legs.

    Patterns whose scan lines lie in planes see a cell once from a leg; others are given two looks, ahead and behind,
    with half the returns each.

    Attributes
    ----------
    starts : ndarray of int64, shape (cells + 1,)
        Looks at flat cell i are those from `starts[i]` up to, not with, `starts[i + 1]`.
    leg, sample : ndarray of int32, shape (n,)
        Number of the leg in the flight, and the sample of it from which the middle of the cell is seen.
    returns : ndarray of float32, shape (n,)
        First returns that the leg is expected to bring to the cell; 0 where it is hidden, out of range, or up to
        `RIM_RAD` outside the opening.
    """

    starts: npt.NDArray[np.int64]
    leg: Numbers
    sample: Numbers
    returns: Counts

    @property
    def cell(self) -> npt.NDArray[np.int64]:
        """Flat cell of each look, shape (n,)."""
        return np.repeat(np.arange(len(self.starts) - 1), np.diff(self.starts))


LegLooks = tuple[Numbers, Numbers, Counts]
"""Of one leg: flat cells in rising order, samples, and returns per look, each of shape (m,)."""


def looks_of(legs: Sequence[LegLooks], cells: int) -> Looks:
    """Return the looks of a flight from those of its legs, for a number of cells."""
    cell, sample, returns = (
        np.concatenate([leg[part] for leg in legs]) if legs else np.zeros(0, dtype)
        for part, dtype in enumerate((np.int32, np.int32, np.float32))
    )
    number = np.repeat(np.arange(len(legs), dtype=np.int32), [len(leg[0]) for leg in legs])
    order = np.argsort(cell, kind="stable")
    starts = np.concatenate([[0], np.cumsum(np.bincount(cell, minlength=cells))])
    return Looks(starts.astype(np.int64), number[order], sample[order], returns[order])


def leg_looks(faces: Faces, cells: CellGrid, leg: Leg, returns: Callable[[Numbers], Array]) -> LegLooks:
    """Return the looks of one leg.

    Parameters
    ----------
    faces, cells
        What is looked at.
    leg : Leg
        The leg.
    returns : callable
        Tells how many first returns it brings to flat cells, shape (m,).
    """
    known = int(np.count_nonzero(np.isfinite(faces.centres_m[:, 2])))
    moves = (leg.origins_m[-1, :2] != leg.origins_m[0, :2]).any()
    if not (known and moves):
        return np.zeros(0, np.int32), np.zeros(0, np.int32), np.zeros(0, np.float32)
    found = np.empty((2, 2 * known), dtype=np.int32)
    turns, figures, leans = to_world(leg.angles_rad), leg.pattern.figures(), forward_leans(leg.pattern)
    edge = min(leg.pattern.usable_half_angle_rad + RIM_RAD, np.pi / 2 - 1e-3)
    count = _looks(faces.centres_m, (cells.rows, cells.cols), leg.origins_m, turns, figures, leans, edge, found)
    cell, sample = found[:, :count].copy()
    _, place, times = np.unique(cell, return_inverse=True, return_counts=True)
    return cell, sample, (returns(cell) / times[place]).astype(np.float32)


def forward_leans(pattern: ScanPattern) -> Array:
    """Return the tangents of the angles ahead of the scan plane at which looks stand for a pattern, shape (1 or 2,).

    Two for patterns that spread along the flight, one standard deviation ahead of and behind the middle. For rings and
    rosettes, whose lean depends on the angle across, the shares of the chord of the circle.
    """
    if pattern.kind == "conical":
        return np.array([1.0, -1.0])
    both = np.array([1.0, -1.0]) / np.sqrt(3)
    if pattern.kind == "rosette":
        return np.asarray(both)
    if pattern.kind == "matrix":
        return np.asarray(np.tan(pattern.along_half_angle_rad) * both)
    beams = np.tan(pattern.beam_elevations_rad)
    return np.unique(beams.mean() + beams.std() * np.array([1.0, -1.0]))


@kernel
def _spans(base, rate, low, high, count):
    """Return the first and one past the last k of 0..count-1 with low <= base + rate k <= high."""
    if abs(rate) < 1e-12:
        return (0, count) if low <= base <= high else (0, 0)
    one, other = (low - base) / rate, (high - base) / rate
    first, last = int(np.ceil(min(one, other))), int(np.floor(max(one, other))) + 1
    return max(first, 0), min(last, count)


@kernel
def _ahead(kind, lean, aside, down, tan_half):
    """Return how far ahead of the middle plane of the sensor a cell stands that is looked at with a lean [m]."""
    if kind in (CONE, ROSETTE):
        return lean * np.sqrt(max((tan_half * down) ** 2 - aside**2, 0.0))
    if kind == FRAME:
        return lean * down
    return lean * np.sqrt(aside**2 + down**2)


@kernel
def _seen_from(centre, origins, turns, kind, lean, tan_half, edge, guess, step):
    """Return the sample of a leg that sees a place with a lean, -1 for none; `step` is metres per sample."""
    place, last = guess, len(origins) - 1
    for _ in range(_STEPS):
        sample = min(max(int(place + 0.5), 0), last)
        turn = turns[sample]
        east, north, up = centre[0] - origins[sample, 0], centre[1] - origins[sample, 1], centre[2] - origins[sample, 2]
        forward = east * turn[0, 0] + north * turn[1, 0] + up * turn[2, 0]
        aside = east * turn[0, 1] + north * turn[1, 1] + up * turn[2, 1]
        down = east * turn[0, 2] + north * turn[1, 2] + up * turn[2, 2]
        if down <= 0.0:
            return -1
        place = sample + (forward - _ahead(kind, lean, aside, down, tan_half)) / step
    off = np.arctan2(np.sqrt(aside**2 + forward**2) if kind in (CONE, ROSETTE) else abs(aside), down)
    return int(np.floor(place + 0.5)) if off <= edge and -0.5 <= place < last + 0.5 else -1


@kernel
def _looks(centres, shape, origins, turns, figures, leans, edge, found):
    """Fill cells and samples, shape (2, m), of one leg; return how many."""
    rows, cols = shape
    last = len(origins) - 1
    along_e, along_n = origins[last, 0] - origins[0, 0], origins[last, 1] - origins[0, 1]
    length = np.sqrt(along_e**2 + along_n**2)
    along_e, along_n = along_e / length, along_n / length
    highest, lowest = origins[:, 2].max(), np.nanmin(centres[:, 2])
    # Cells beyond this far aside, or before or after the leg, are not looked at however it sways.
    reach = np.tan(min(edge + 0.35, 1.5)) * max(highest - lowest, 1.0)
    kind, tan_half = int(figures[KIND]), np.tan(min(figures[USABLE], 1.5))
    if kind == FRAME:
        reach = max(reach, figures[TAN_ALONG] * (highest - lowest))
    spacing = centres[1, 0] - centres[0, 0] if cols > 1 else 1.0
    count = 0
    for row in range(rows):
        east, north = centres[row * cols, 0] - origins[0, 0], centres[row * cols, 1] - origins[0, 1]
        first, past = _spans(east * along_n - north * along_e, spacing * along_n, -reach, reach, cols)
        start, end = _spans(east * along_e + north * along_n, spacing * along_e, -reach, length + reach, cols)
        for col in range(max(first, start), min(past, end)):
            cell = row * cols + col
            if np.isnan(centres[cell, 2]):
                continue
            guess = (east + col * spacing) * along_e + north * along_n
            for lean in leans:
                sample = _seen_from(
                    centres[cell], origins, turns, kind, lean, tan_half, edge, guess / length * last, length / last
                )
                if sample >= 0:
                    found[0, count], found[1, count] = cell, min(sample, last)
                    count += 1
    return count
