"""Where neighbouring courses are to be compared: open, gentle ground that both see, at both ends of what they share.

Lives here: which courses are neighbours, and the choice of places. Must not know files or what a document asks.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from planner.articles import CheckArea, CheckAreas
from planner.assessment import Forecast
from planner.flight.flightlines import FlightLine
from planner.forecast.budgets import LEAST_RETURNS
from planner.forecast.checkpoints import PREFERRED_SLOPE_DEG
from planner.forecast.footing import Footing
from planner.ranging.looks import Looks

Array = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]
Whole = npt.NDArray[np.int64]

PARALLEL_DEG = 5.0
"""Courses that differ by less in direction, flown either way, are neighbours or none: own choice."""
APART_M = 1.0
"""Courses nearer than this are one, flown twice or cut in two: own choice."""
STEEP_DEG = 10.0
"""Slope over which heights of courses compare badly: USGS Lidar Base Specification 2025 rev. A, swath separation."""
FEWEST_CELLS = 4
"""Cells that two courses must share to overlap at all: own choice."""


@dataclass(frozen=True)
class _Course:
    """A line as others lie beside it: direction without sense [rad], and its distance from the origin across it [m]."""

    direction_rad: float
    across_m: float


def place_check_areas(
    lines: Sequence[FlightLine], forecast: Forecast, footing: Footing, count: int, side_m: float
) -> CheckAreas:
    """Return places of check areas, as many in each overlap of neighbouring courses as are asked for.

    Courses are neighbours where they run side by side, see the same cells, and no third one does between them. In what
    they share the first place lies toward one end and the last toward the other, half way between both, on ground that
    nothing stands on and no break crosses, that meets its density and lies whole in both swaths. Ground up to
    `PREFERRED_SLOPE_DEG` comes first, ground over `STEEP_DEG` last.

    Parameters
    ----------
    lines : sequence of FlightLine
        The flight, in the order of the forecast's legs.
    forecast : Forecast
        What each course sees.
    footing : Footing
        What the ground of its cells offers.
    count : int
        Places wanted in each overlap.
    side_m : float
        Side of an area [m].
    """
    open_ground = forecast.judged & (forecast.cause == 0) & footing.clear & np.isfinite(footing.slope_deg)
    open_ground &= footing.break_m >= side_m / np.sqrt(2)
    margin = int(np.ceil(side_m / 2 / forecast.cells.cell_m - 0.5 - 1e-9))
    found: list[tuple[tuple[str, str], int]] = []
    overlaps, lacking = [], []
    for (first, second), shared in _neighbours(lines, forecast.seen.looks):
        names = lines[first].line_id, lines[second].line_id
        places = _whole(shared, open_ground, margin)
        chosen = _spread(places, shared, forecast, footing, (lines[first], lines[second]), count, side_m)
        overlaps.append(names)
        if len(chosen) < count:
            lacking.append(names)
        found += [(names, cell) for cell in chosen.tolist()]
    digits = max(2, len(str(len(found))))
    areas = tuple(
        _area(f"CA{number:0{digits}d}", names, forecast, footing, cell, side_m)
        for number, (names, cell) in enumerate(found, start=1)
    )
    return CheckAreas(areas, tuple(overlaps), tuple(lacking))


def _neighbours(lines: Sequence[FlightLine], looks: Looks) -> list[tuple[tuple[int, int], Whole]]:
    """Return pairs of courses that are neighbours, with the flat cells that both see."""
    courses = [_course(line) for line in lines]
    seen = _seen_by_both(looks, len(lines))
    again = _flown_again(courses, seen, np.bincount(looks.leg[looks.returns >= LEAST_RETURNS], minlength=len(lines)))
    pairs = {
        pair: cells
        for pair, cells in seen.items()
        if _abreast(courses[pair[0]], courses[pair[1]]) and not again.intersection(pair)
    }
    found = []
    for pair, cells in sorted(pairs.items()):
        if len(cells) >= FEWEST_CELLS and not any(
            _between(courses, pair, third) and all(
                len(pairs.get((min(one, third), max(one, third)), ())) >= len(cells) / 2 for one in pair
            )
            for third in range(len(lines))
        ):  # fmt: skip
            found.append((pair, cells))
    return found


def _course(line: FlightLine) -> _Course:
    direction = line.track_rad % np.pi
    east, north = line.kept_points_m()[:, :2].mean(axis=0)
    return _Course(direction, float(east * np.cos(direction) - north * np.sin(direction)))


def _parallel(one: _Course, other: _Course) -> bool:
    turned = abs(one.direction_rad - other.direction_rad)
    return bool(min(turned, np.pi - turned) < np.radians(PARALLEL_DEG))


def _abreast(one: _Course, other: _Course) -> bool:
    """Return whether two courses run side by side, some way apart."""
    return _parallel(one, other) and abs(_off_m(one, other)) > APART_M


def _flown_again(courses: Sequence[_Course], seen: Mapping[tuple[int, int], Whole], looks: Whole) -> set[int]:
    """Return courses that repeat an earlier one, as an opposed pair for calibration does."""
    return {
        second
        for (first, second), cells in seen.items()
        if _parallel(courses[first], courses[second])
        and abs(_off_m(courses[first], courses[second])) <= APART_M
        and len(cells) >= looks[second] / 2
    }


def _off_m(one: _Course, other: _Course) -> float:
    """Return how far a course lies to the right of another [m]; one that is almost due north may be told by south."""
    flipped = abs(one.direction_rad - other.direction_rad) > np.pi / 2
    return (-other.across_m if flipped else other.across_m) - one.across_m


def _between(courses: Sequence[_Course], pair: tuple[int, int], third: int) -> bool:
    """Return whether a third course lies between two that run side by side."""
    if third in pair:
        return False
    first, second = courses[pair[0]], courses[pair[1]]
    if not (_abreast(first, courses[third]) and _abreast(second, courses[third])):
        return False
    share = _off_m(first, courses[third]) / _off_m(first, second)
    return 0 < share < 1


def _seen_by_both(looks: Looks, legs: int) -> dict[tuple[int, int], Whole]:
    """Return for each pair of legs, the lower number first, the flat cells to which both bring a return."""
    brings = looks.returns >= LEAST_RETURNS
    cell, leg = looks.cell[brings], looks.leg[brings].astype(np.int64)
    once = np.diff(cell * legs + leg, prepend=-1) > 0  # patterns off the plane look twice
    cell, leg = cell[once], leg[once]
    pairs, cells = [], []
    for step in range(1, int(np.bincount(cell).max(initial=0))):
        both = np.flatnonzero(cell[step:] == cell[:-step])
        pairs.append(leg[both] * legs + leg[both + step])
        cells.append(cell[both])
    if not pairs:
        return {}
    pair, where = np.concatenate(pairs), np.concatenate(cells)
    order = np.argsort(pair, kind="stable")
    numbers, starts = np.unique(pair[order], return_index=True)
    return {
        (int(number // legs), int(number % legs)): np.sort(part)
        for number, part in zip(numbers, np.split(where[order], starts[1:]), strict=True)
    }


def _whole(shared: Whole, open_ground: Mask, margin: int) -> Whole:
    """Return those of the shared cells round which an area lies whole in both swaths, on open ground."""
    rows, cols = np.divmod(shared, open_ground.shape[1])
    top, left = rows.min() - margin, cols.min() - margin
    within = np.zeros((int(np.ptp(rows)) + 1 + 2 * margin, int(np.ptp(cols)) + 1 + 2 * margin), dtype=bool)
    within[rows - top, cols - left] = True
    whole = open_ground[rows, cols]
    for down in range(-margin, margin + 1):
        for right in range(-margin, margin + 1):
            whole = whole & within[rows - top + down, cols - left + right]
    return shared[whole]


def _spread(
    places: Whole,
    shared: Whole,
    forecast: Forecast,
    footing: Footing,
    pair: tuple[FlightLine, FlightLine],
    count: int,
    side_m: float,
) -> Whole:
    """Return so many of the places, from one end of the shared ground to the other, half way between the courses."""
    if not places.size:
        return places
    sin, cos = np.sin(pair[0].track_rad), np.cos(pair[0].track_rad)
    centres = forecast.seen.faces.centres_m[:, :2]
    every, along = (centres[cells] @ np.array([sin, cos]) for cells in (shared, places))
    middle = np.mean([line.kept_points_m()[:, :2].mean(axis=0) for line in pair], axis=0)
    aside = (centres[places] - middle) @ np.array([cos, -sin])
    slope_deg, reach = footing.slope_deg.flat[places], every.max() - every.min()
    # Gentle ground is worth a tenth of the way along, ground that is not steep half of it.
    steepness = np.select([slope_deg <= PREFERRED_SLOPE_DEG, slope_deg <= STEEP_DEG], [0.0, 0.1], 0.5) * reach
    chosen: list[int] = []
    for wanted in np.linspace(every.min(), every.max(), count):
        free = np.all(np.abs(along[:, np.newaxis] - along[chosen]) >= 2 * side_m, axis=1)
        if free.any():
            fault = np.where(free, np.hypot(along - wanted, aside) + steepness, np.inf)
            chosen.append(int(np.argmin(fault)))
    return places[np.array(chosen, dtype=np.int64)]


def _area(
    area_id: str, courses: tuple[str, str], forecast: Forecast, footing: Footing, cell: int, side_m: float
) -> CheckArea:
    east_m, north_m = forecast.seen.faces.centres_m[cell, :2].tolist()
    up_m, slope_deg = (float(values.flat[cell]) for values in (footing.up_m, footing.slope_deg))
    return CheckArea(area_id, courses, east_m, north_m, up_m, side_m, slope_deg)
