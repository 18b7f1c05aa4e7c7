"""The forecast of a flight: what comes back cell by cell, how accurate it is, and what that means for the requirement.

Lives here: the parts of a forecast put together. Must not know how lines were planned, or files.
"""

from collections.abc import Callable, Sequence

import numpy as np
import numpy.typing as npt

from planner.assessment import Forecast
from planner.flight.flightlines import FlightLine
from planner.forecast import density as densities
from planner.forecast.accuracy import AccuracyFigures, judge_accuracy
from planner.forecast.budgets import CellErrors, cell_errors, signal_ratios
from planner.forecast.confidence import Seen, cells_that_may_fail
from planner.forecast.density import CoverageFigures
from planner.forecast.faces import judge_faces
from planner.forecast.gaps import CAUSES, code_of, decide_causes, outline_gaps
from planner.forecast.parts import (
    UNCLASSED,
    CaseFigures,
    cell_classes,
    figures_by_class,
    figures_by_feature,
    judge_case,
    water_cells,
)
from planner.ground.surface import CellGrid, Scene
from planner.mission import Mission
from planner.ranging.cases import cases_named
from planner.ranging.fates import RETURNS
from planner.ranging.pulses import Tally
from planner.survey.firing import Fired, fire
from planner.survey.sureness import Before, sure_of

Progress = Callable[[str, int, int], None]

PASSES = ("aggregate", "single")


def make_forecast(
    mission: Mission, scene: Scene, lines: Sequence[FlightLine], *, progress: Progress | None = None, threads: int = 2
) -> Forecast:
    """Fire every pulse of the lines at the terrain and judge the result, whoever drew the lines.

    Parameters
    ----------
    mission : Mission
        Sensor, requirement and air.
    scene : Scene
        The site.
    lines : sequence of FlightLine
        The flight.
    progress : callable, optional
        Called with what is being done, steps done and steps in all.
    threads : int
        Lines fired at the same time; the result does not depend on it.
    """
    fired = fire(mission, scene, lines, progress=progress, threads=threads)
    return judge(mission, scene, fired, threads=threads)


def judge(
    mission: Mission, scene: Scene, fired: Fired, *, before: Forecast | None = None, threads: int = 2
) -> Forecast:
    """Return what a flight that is fired means for the requirement.

    Where that asks for a confidence, cells are judged by what they have with it; of a flight whose lines were added to
    another one, the forecast before these spares drawing again for cells that they do not see.
    """
    requirement, cells, judged, tally = mission.requirement, fired.cells, fired.judged, fired.tally
    seen = Seen(fired.looks, fired.faces, fired.legs, fired.lights)
    water = judged & water_cells(scene.cover, cells)
    dry = judged & ~water
    known = densities.cells_known(scene.top, cells)
    pooled, single = (densities.density_per_m2(tally, cells, known, passes, "first") for passes in PASSES)
    first = pooled if requirement.coverage == "aggregate" else single
    ground = densities.density_per_m2(tally, cells, known, requirement.coverage, "ground")
    density = first if requirement.returns == "first" else ground
    errors, accuracy = _accuracy(mission, scene, seen, dry, cells)
    flown = None
    if before is not None and before.sure is not None:
        flown = Before(before.seen, before.sure, before.density_per_m2)
    sure = sure_of(mission, scene, seen, errors, density, dry, cells, threads, flown)
    held = density if sure is None else np.where(dry & ~np.isnan(density), sure.density_per_m2, density)
    figures, dense = densities.judge_density(first, ground, dry, requirement, scene, cells.cell_m, sure)
    causes = decide_causes(held, judged, water, tally, cells, scene.top, fired.legs, requirement)
    if sure is not None:
        causes[dry & (causes == 0) & ~sure.exact] = code_of("height error")
        few = int((dry & (causes > 0)).sum()) <= cells_that_may_fail(requirement.percentile, int(dry.sum()))
        dense = dense and few
    cases = _cases(mission, scene, tally, held, dry, cells.cell_m)
    faces = judge_faces(first, judged, cells, scene.layers, requirement, mission.faces, scene.walls)
    return Forecast(
        cells=cells,
        judged=judged,
        density_per_m2=density,
        first_per_m2=first,
        ground_per_m2=ground,
        passes=tally.passes,
        cause=causes,
        gaps=outline_gaps(causes, density, cells),
        density=figures,
        faces=faces,
        coverage=_coverage(scene, cells, judged, dry, causes),
        met=dense and accuracy.met is not False and not (faces and faces.met is False),
        cases=cases,
        by_class=figures_by_class(scene.cover, cells, judged, cases, causes),
        by_feature=figures_by_feature(scene.features, cells, judged, cases, causes),
        pooled_first_per_m2=pooled,
        single_first_per_m2=single,
        seen=seen,
        errors=errors,
        accuracy=accuracy,
        sure=sure,
    )


def _accuracy(
    mission: Mission, scene: Scene, seen: Seen, dry: npt.NDArray[np.bool_], cells: CellGrid
) -> tuple[CellErrors, AccuracyFigures]:
    """Return the errors of all cells, and the figures of those that are judged."""
    classes = cell_classes(scene.cover, cells)
    signal = signal_ratios(seen.looks, seen.faces, seen.legs, seen.lights, classes)
    cards = mission.sensor, mission.navigation
    errors = cell_errors(seen.looks, seen.faces, seen.legs, *cards, signal, mission.base_distance_m)
    names = (UNCLASSED, *(scene.cover.names if scene.cover else ()))
    marks = mission.checkpoints.survey_sd_m
    figures = judge_accuracy(errors, seen.faces, dry, mission.requirement, marks, classes, names, cells.cell_m)
    return errors, figures


def _cases(
    mission: Mission,
    scene: Scene,
    tally: Tally,
    density: npt.NDArray[np.float64],
    judged: npt.NDArray[np.bool_],
    cell_m: float,
) -> tuple[CaseFigures, ...]:
    """Return the figures of each case: the density as planned times what else returns from the top surface."""
    pooled = mission.requirement.coverage == "aggregate"
    counts, planned = (tally.cases, tally.aggregate) if pooled else (tally.most_cases, tally.best)
    returns = planned[..., RETURNS]
    found = []
    for number, (name, words) in enumerate(cases_named(mission, scene)):
        other = density
        plain = mission.requirement.returns == "first" and mission.requirement.confidence is None
        if number and plain and scene.foliage is None:
            other = np.where(np.isnan(density), np.nan, counts[..., number - 1] / cell_m**2)
        elif number:
            share = np.divide(counts[..., number - 1], returns, out=np.ones(returns.shape), where=returns > 0)
            other = density * share
        found.append(judge_case(name, words, other, judged, mission.requirement, cell_m))
    return tuple(found)


def _coverage(
    scene: Scene,
    cells: CellGrid,
    judged: npt.NDArray[np.bool_],
    dry: npt.NDArray[np.bool_],
    causes: npt.NDArray[np.uint8],
) -> CoverageFigures:
    cell_area = cells.cell_m**2
    water = causes == code_of("water")
    below = judged & (causes > 0) & ~water
    rim = densities.edge_rim(scene.area, cells, judged)
    judged_cells, rim_cells = int(judged.sum()), int(rim.sum())
    return CoverageFigures(
        area_m2=judged_cells * cell_area,
        below_m2=int(below.sum()) * cell_area,
        below_pct=100 * int(below.sum()) / max(int(dry.sum()), 1),
        expected_water_m2=int((judged & water).sum()) * cell_area,
        by_cause_m2={cause: int((causes == code_of(cause)).sum()) * cell_area for cause in CAUSES if cause != "water"},
        edge_below_pct=100 * int((below & rim).sum()) / max(rim_cells, 1),
    )
