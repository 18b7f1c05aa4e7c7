"""A flight fired at the terrain: counts and looks before anything is judged, to which further lines can be added.

Lives here: the pulses of a flight in the judging cells, and what lines flown after it add. Must not know verdicts,
plans or files.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from planner.flight.counts import grain_of
from planner.flight.flightlines import FlightLine
from planner.forecast.density import judging_cell_m
from planner.ground.surface import CellGrid, Scene, cells_on
from planner.mission import Mission
from planner.ranging.attitude import Leg
from planner.ranging.fates import Light
from planner.ranging.looks import Faces, Looks, faces_of, looks_of
from planner.ranging.pulses import Tally, fire_legs
from planner.survey.legs import leg_of, lights_of

Progress = Callable[[str, int, int], None]
Array = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]


@dataclass(frozen=True)
class Fired:
    """A flight whose pulses are fired and counted, before anything is judged; lines can be added at its end.

    Attributes
    ----------
    lines, legs, lights : tuple of FlightLine, of Leg, of Light
        The flight, and what returns on each line.
    cells : CellGrid
        The judging cells.
    judged : ndarray of bool, shape (rows, cols)
        Those inside the area.
    faces : Faces
        What is looked at.
    tally : Tally
        What came back.
    """

    lines: tuple[FlightLine, ...]
    legs: tuple[Leg, ...]
    lights: tuple[Light, ...]
    cells: CellGrid
    judged: Mask
    faces: Faces
    tally: Tally

    @property
    def looks(self) -> Looks:
        """From where each leg sees each judged cell."""
        return self.tally.looks or looks_of([], self.cells.rows * self.cells.cols)


def fire(
    mission: Mission, scene: Scene, lines: Sequence[FlightLine], *, progress: Progress | None = None, threads: int = 2
) -> Fired:
    """Return a flight fired at the terrain; parameters as for `planner.survey.outlook.make_forecast`."""
    legs, lights = [leg_of(mission, scene, line) for line in lines], lights_of(mission, scene, lines)
    cells = _judging_cells(mission, scene, lines, legs)
    judged = cells.inside(scene.area)
    faces = faces_of(scene.layers, cells, judged)
    tally = _tally(scene, cells, faces, legs, lights, progress, threads)
    return Fired(tuple(lines), tuple(legs), tuple(lights), cells, judged, faces, tally)


def fire_more(
    mission: Mission,
    scene: Scene,
    fired: Fired,
    lines: Sequence[FlightLine],
    *,
    progress: Progress | None = None,
    threads: int = 2,
) -> Fired:
    """Return a flight with lines added at its end, for the cost of these; what it was before stays as it is.

    The counts are those of the whole flight fired at once, to the rounding of sums. Where the new lines call for larger
    judging cells all is fired anew.
    """
    if not lines:
        return fired
    every = (*fired.lines, *lines)
    legs, lights = [leg_of(mission, scene, line) for line in lines], lights_of(mission, scene, lines)
    if _judging_cells(mission, scene, every, (*fired.legs, *legs)) != fired.cells:
        return fire(mission, scene, every, progress=progress, threads=threads)
    more = _tally(scene, fired.cells, fired.faces, legs, lights, progress, threads)
    tally = _both(fired.tally, more, len(fired.lines))
    lit = (*fired.lights, *lights)
    return Fired(every, (*fired.legs, *legs), lit, fired.cells, fired.judged, fired.faces, tally)


def fire_changed(
    mission: Mission, scene: Scene, fired: Fired, lines: Sequence[FlightLine], *, threads: int = 2
) -> Fired:
    """Return the flight of lines of which some are fired: where these stay as they were only the others are."""
    known = {line.line_id: line for line in fired.lines}
    more = [line for line in lines if line.line_id not in known]
    as_before = len(lines) == len(known) + len(more)
    if as_before and all(_same(line, known.get(line.line_id, line)) for line in lines):
        whole = fire_more(mission, scene, fired, more, threads=threads)
        return in_order(whole, [line.line_id for line in lines])
    # a battery that is cut elsewhere changes lines that were there
    return fire(mission, scene, lines, threads=threads)


def _same(line: FlightLine, other: FlightLine) -> bool:
    """Return whether two lines are flown alike."""
    flown = (line.kept_m, line.speed_mps) == (other.kept_m, other.speed_mps)
    return flown and np.array_equal(line.points_m, other.points_m)


def _tally(
    scene: Scene,
    cells: CellGrid,
    faces: Faces,
    legs: Sequence[Leg],
    lights: Sequence[Light],
    progress: Progress | None,
    threads: int,
) -> Tally:
    return fire_legs(
        scene.layers,
        cells,
        legs,
        lights,
        codes=scene.cover.codes if scene.cover else None,
        faces=faces,
        threads=threads,
        progress=(lambda done, total: progress("firing pulses", done, total)) if progress else None,
    )


def _both(first: Tally, more: Tally, legs: int) -> Tally:
    """Return the tally of a flight of so many legs and of further ones, which come last."""
    touched = _touched(more)
    ahead = first.best[touched].sum(axis=-1) < more.best[touched].sum(axis=-1)
    best = _copied(first.best)
    best[touched] = np.where(ahead[..., np.newaxis], more.best[touched], first.best[touched])

    def added(name: str) -> Array:
        return _joined(getattr(first, name), getattr(more, name), touched, np.add)

    def most(name: str) -> Array:
        return _joined(getattr(first, name), getattr(more, name), touched, np.maximum)

    nothing_stands = first.ground is first.first
    pooled, single = added("first"), most("most_first")
    return Tally(
        added("aggregate"),
        best,
        cases=added("cases"),
        most_cases=most("most_cases"),
        first=pooled,
        most_first=single,
        ground=pooled if nothing_stands else added("ground"),
        most_ground=single if nothing_stands else most("most_ground"),
        open_ground=pooled if nothing_stands else added("open_ground"),
        most_open_ground=single if nothing_stands else most("most_open_ground"),
        passes=np.minimum(first.passes.astype(np.int64) + more.passes, np.iinfo(np.uint8).max).astype(np.uint8),
        fired=first.fired + more.fired,
        looks=_looks_of_both(first.looks, more.looks, legs) if first.looks and more.looks else None,
    )


def _touched(tally: Tally) -> tuple[slice, slice]:
    """Return the rows and columns of cells in which anything is counted."""
    anything = tally.aggregate.any(axis=-1) | (tally.first > 0) | (tally.open_ground > 0)
    spans = [np.flatnonzero(anything.any(axis=axis)) for axis in (1, 0)]
    rows, cols = (slice(int(span[0]), int(span[-1]) + 1) if span.size else slice(0) for span in spans)
    return rows, cols


def _copied(values: Array) -> Array:
    """Return a copy that takes up memory only for planes in which something is counted."""
    if values.ndim < 3:
        return values.copy()
    planes = np.zeros((values.shape[-1], *values.shape[:-1]))
    for number in np.flatnonzero([values[..., plane].any() for plane in range(values.shape[-1])]):
        planes[number] = values[..., number]
    return np.moveaxis(planes, 0, -1)


def _joined(first: Array, more: Array, touched: tuple[slice, slice], pool: np.ufunc) -> Array:
    both = _copied(first)
    both[touched] = pool(first[touched], more[touched])
    return both


def _looks_of_both(first: Looks, more: Looks, legs: int) -> Looks:
    """Return the looks of a flight of so many legs and of further ones, cell by cell in order of legs."""
    order = np.argsort(np.concatenate([first.cell, more.cell]), kind="stable")
    leg = np.concatenate([first.leg, more.leg + np.int32(legs)])[order]
    sample, returns = (
        np.concatenate([getattr(first, name), getattr(more, name)])[order] for name in ("sample", "returns")
    )
    return Looks(first.starts + more.starts, leg, sample, returns)


def _judging_cells(mission: Mission, scene: Scene, lines: Sequence[FlightLine], legs: Sequence[Leg]) -> CellGrid:
    """Return the cells that lines are judged in."""
    requirement = mission.requirement
    rows_hz = [grain_of(leg.pattern, requirement.percentile).lines_hz or leg.pattern.pulse_rate_hz for leg in legs]
    scan_spacing = max((line.speed_mps / rate for line, rate in zip(lines, rows_hz, strict=True)), default=0.0)
    return cells_on(scene.top, judging_cell_m(requirement, requirement.target_per_m2, scan_spacing))


def in_order(fired: Fired, line_ids: Sequence[str]) -> Fired:
    """Return a flight with its lines in another order; what is counted stays as it is."""
    numbers = {line.line_id: number for number, line in enumerate(fired.lines)}
    order = [numbers[line_id] for line_id in line_ids]
    if order == list(range(len(order))):
        return fired
    lines, legs = tuple(fired.lines[number] for number in order), tuple(fired.legs[number] for number in order)
    lights = tuple(fired.lights[number] for number in order)
    looks, tally = fired.tally.looks, fired.tally
    if looks is not None:
        leg = np.argsort(order).astype(np.int32)[looks.leg]
        placed = np.lexsort((leg, looks.cell))
        tally = replace(tally, looks=Looks(looks.starts, leg[placed], looks.sample[placed], looks.returns[placed]))
    return Fired(lines, legs, lights, fired.cells, fired.judged, fired.faces, tally)
