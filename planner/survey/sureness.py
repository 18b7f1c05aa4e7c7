"""How sure a forecast is: flights drawn from the doubts of a job, and what cells have in most of them.

Lives here: draws and what they are weighed on, put together from one forecast. Must not know how lines were planned,
or files.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from planner.errors import Fault, InputError
from planner.forecast.accuracy import TESTED_SLOPE_DEG
from planner.forecast.budgets import CellErrors
from planner.forecast.confidence import Confidence, Ground, Seen, judge_confidence
from planner.forecast.draws import Draws, SiteDoubts, class_log_sds, make_draws
from planner.forecast.parts import cell_classes
from planner.forecast.sure import Sure, hold
from planner.ground.surface import CellGrid, Scene
from planner.mission import Mission
from planner.ranging.uncertainty import TERMS

Array = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]
Indices = npt.NDArray[np.int64]
Chances = npt.NDArray[np.float32]

MOST_WEIGHED = 400_000
"""Cells that chances are weighed in; of more, an even sample."""

MOST_WEIGHED_SURE = 160_000
"""The same where a confidence is asked for, which takes more draws."""

MOST_HELD = 60_000
"""Cells that what is sure is found in, plan by plan; of more, an even sample, each for those about it."""

LEAST_DRAWS = 250
"""Flights drawn at least where a confidence is asked for.

A chance p counted over n draws is known to the root of p (1 - p) / n: 0.95 to 0.014 and 0.90 to 0.019, so that the two
are told apart by two standard errors of their difference.
"""


@dataclass(frozen=True)
class Before:
    """A flight of which all is known, to which lines are added.

    Attributes
    ----------
    seen : Seen
        What is seen from where.
    sure : Sure
        What cells have with the confidence asked for.
    density_per_m2 : ndarray, shape (rows, cols)
        Density as the requirement counts it [1/m2].
    """

    seen: Seen
    sure: Sure
    density_per_m2: Array


def draw_count(mission: Mission) -> int:
    """Return how many flights are drawn; 0 where nobody asks."""
    asked = mission.requirement.confidence is not None
    return max(mission.doubts.draws, LEAST_DRAWS) if asked else mission.doubts.draws


def sure_of(
    mission: Mission,
    scene: Scene,
    seen: Seen,
    errors: CellErrors,
    density_per_m2: Array,
    dry: Mask,
    cells: CellGrid,
    threads: int = 2,
    before: Before | None = None,
) -> Sure | None:
    """Return what cells have with the confidence asked for, by draws of the mission's seed; None where none is.

    Where lines were added to a flight that is known, only cells that these see are drawn for: the draws of the other
    lines are what they were.

    Parameters
    ----------
    mission, scene : Mission, Scene
        The job.
    seen, errors, density_per_m2
        Of a forecast: what is seen from where, errors of cells, density as the requirement counts it.
    dry : ndarray of bool, shape (rows, cols)
        Judged cells without declared water.
    cells : CellGrid
        The judging cells.
    threads : int
        Parts of the site weighed at the same time; the result does not depend on it.
    before : Before, optional
        The flight without its last lines.

    Raises
    ------
    InputError
        E34 where a confidence is asked of a beam without a swath.
    """
    confidence = mission.requirement.confidence
    if confidence is None:
        return None
    if any(leg.pattern.kind == "profiling" for leg in seen.legs):
        what = f"a confidence of {confidence:g} is asked for, and the beam of {mission.sensor.name} has no swath"
        raise InputError(Fault("E34", what, "requirement", "leave confidence out, or take a sensor that scans"))
    blocks, sample = _sampled(dry, MOST_HELD)
    new = sample if before is None else sample & _changed(before, seen, density_per_m2)
    ground = _ground(mission, scene, seen, errors, density_per_m2, new, cells)
    draws = _draws(mission, scene, seen, cells)
    target = _target_sd_m(mission)
    asked = mission.requirement, draws, confidence
    found = hold(seen, ground, cells, *asked, target_sd_m=target, threads=threads)
    if before is not None:
        found = replace(
            found,
            density_per_m2=np.where(new, found.density_per_m2, before.sure.density_per_m2),
            exact=np.where(new, found.exact, before.sure.exact),
        )
    return found if blocks is None else _sure_all_over(found, density_per_m2, dry, sample, blocks)


def _changed(before: Before, seen: Seen, density_per_m2: Array) -> Mask:
    """Return which cells, shape (rows, cols), lines added to a flight change: all where other lines changed too."""
    known = {id(leg) for leg in before.seen.legs}
    new = np.array([id(leg) not in known for leg in seen.legs])
    if int((~new).sum()) < len(before.seen.legs) or before.density_per_m2.shape != density_per_m2.shape:
        return np.ones(density_per_m2.shape, dtype=bool)
    # The rim of a swath may bring returns to a cell whose middle it does not see.
    changed = ~((before.density_per_m2 == density_per_m2) | np.isnan(density_per_m2))
    changed.ravel()[seen.looks.cell[new[seen.looks.leg]]] = True
    return np.asarray(changed)


def confidence_of(
    mission: Mission,
    scene: Scene,
    seen: Seen,
    errors: CellErrors,
    density_per_m2: Array,
    dry: Mask,
    cells: CellGrid,
    threads: int = 2,
) -> Confidence | None:
    """Return chances of cells and of the site; None where no draws are asked for, or a beam has no swath.

    Parameters are those of `sure_of`.
    """
    if not draw_count(mission) or any(leg.pattern.kind == "profiling" for leg in seen.legs):
        return None
    blocks, sample = _sampled(dry, MOST_WEIGHED if mission.requirement.confidence is None else MOST_WEIGHED_SURE)
    ground = _ground(mission, scene, seen, errors, density_per_m2, sample, cells)
    draws = _draws(mission, scene, seen, cells)
    target = _target_sd_m(mission)
    found = judge_confidence(seen, ground, cells, mission.requirement, draws, target_sd_m=target, threads=threads)
    return found if blocks is None else _spread_out(found, dry, sample, blocks)


def _target_sd_m(mission: Mission) -> float | None:
    """Return the standard deviation of height that a cell may have, the checkpoints' own taken off [m]."""
    target = mission.requirement.target_rmse_m
    if target is None:
        return None
    return float(np.sqrt(max(target**2 - mission.checkpoints.survey_sd_m**2, 0.0)))


def _ground(
    mission: Mission,
    scene: Scene,
    seen: Seen,
    errors: CellErrors,
    density_per_m2: Array,
    sample: Mask,
    cells: CellGrid,
) -> Ground:
    """Return what is known of cells; a height error is asked for only on ground that checkpoints stand on."""
    variances = None
    if mission.requirement.target_rmse_m is not None:
        terms = errors.single_terms_m2 if mission.requirement.coverage == "single" else errors.terms_m2
        tested = np.degrees(np.arctan(np.hypot(*seen.faces.slopes.T))) <= TESTED_SLOPE_DEG
        variances = np.where(tested[:, np.newaxis], terms, np.float32(0)).reshape(*sample.shape, len(TERMS))
    return Ground(
        judged=sample,
        density_per_m2=density_per_m2,
        codes=cell_classes(scene.cover, cells),
        optical_depth=_at_centres(scene.foliage, cells),
        variances_m2=variances,
    )


def _draws(mission: Mission, scene: Scene, seen: Seen, cells: CellGrid) -> Draws:
    doubts = SiteDoubts(**vars(mission.doubts), terrain_sd_m=mission.terrain.vertical_sd_m)
    surfaces, nm = scene.cover.surfaces if scene.cover else (), mission.sensor.wavelength_nm
    how: Mapping[str, Any] = {
        "count": draw_count(mission),
        "seed": mission.conditions.seed,
        "into_wind": mission.aircraft.nose == "into_wind",
        "terms": len(TERMS),
    }
    return make_draws(doubts, cells, seen.legs, class_log_sds(surfaces, nm, doubts), **how)


def _sampled(cells: Mask, most: int) -> tuple[Indices | None, Mask]:
    """Return the square block of each cell and one cell of each block, or no blocks and all where these are few."""
    stride = math.ceil(math.sqrt(cells.sum() / most))
    if stride <= 1:
        return None, cells
    row, col = (np.arange(n) // stride for n in cells.shape)
    blocks = row[:, np.newaxis] * (col[-1] + 1) + col
    flat = np.flatnonzero(cells)
    sample = np.zeros(cells.size, dtype=bool)
    sample[flat[np.unique(blocks.ravel()[flat], return_index=True)[1]]] = True
    return blocks, sample.reshape(cells.shape)


def _sure_all_over(found: Sure, density_per_m2: Array, cells: Mask, sample: Mask, blocks: Indices) -> Sure:
    """Return what is sure of a sample as of all cells: of its own density each has the share of that of its block."""
    here = np.nan_to_num(density_per_m2)
    share = np.divide(found.density_per_m2, here, out=np.zeros(here.shape), where=sample & (here > 0))
    by_block = np.zeros((2, int(blocks.max()) + 1))
    by_block[0, blocks[sample]], by_block[1, blocks[sample]] = share[sample], found.exact[sample]
    of_cell = by_block[:, blocks]
    return replace(
        found,
        density_per_m2=np.where(cells, here * of_cell[0], np.nan),
        exact=~cells | (of_cell[1] > 0),
    )


def _spread_out(found: Confidence, cells: Mask, sample: Mask, blocks: Indices) -> Confidence:
    """Return a confidence weighed in a sample as one of all cells: each stands for those of its block."""
    share = float(cells.sum() / sample.sum())

    def all_over(chance: Chances) -> Chances:
        by_block = np.full(int(blocks.max()) + 1, np.nan, dtype=np.float32)
        by_block[blocks[sample]] = chance[sample]
        return np.where(cells, by_block[blocks], np.float32(np.nan))

    return replace(
        found,
        definition=f"{found.definition}; weighed in {int(sample.sum())} cells, each for the {share:.1f} about it",
        chance=all_over(found.chance),
        chance_density=all_over(found.chance_density),
        area_under_m2=found.area_under_m2 * share,
        by_source_m2={name: area * share for name, area in found.by_source_m2.items()},
    )


def _at_centres(values: Array | None, cells: CellGrid) -> Array | None:
    """Return values of lattice squares at the centres of cells, shape (rows, cols)."""
    if values is None:
        return None
    rows, cols = (np.arange(n) * cells.factor + cells.factor // 2 for n in (cells.rows, cells.cols))
    return np.asarray(values[np.ix_(rows, cols)])
