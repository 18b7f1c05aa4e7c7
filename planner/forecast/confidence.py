"""How sure it is that a cell meets what is asked, and which source of doubt costs most.

Lives here: chances per cell and for the site, by the closed forms of `perturbed`. Must not know how lines were planned.
"""

from collections.abc import Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from planner.forecast import perturbed
from planner.forecast.draws import SOURCES, Draws, course_of
from planner.ground.surface import CellGrid
from planner.ranging.attitude import Leg, to_world
from planner.ranging.beams import ScanPattern, angular_pulse_rate
from planner.ranging.fates import Light
from planner.ranging.looks import Faces, Looks
from planner.requirement import Requirement

Array = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]
Codes = npt.NDArray[np.uint8]
Chances = npt.NDArray[np.float32]

SURE_CHANCE = 0.95
"""A cell with a smaller chance to meet what is asked is not sure."""

ROUNDING = 1e-9

_RATE_STEPS = 512
_EDGE_STEPS = 512
SPAN = 2048
"""Cells weighed by one thread in one go."""


@dataclass(frozen=True)
class Confidence:
    """Chances that the requirement is met, over flights that go a little otherwise than planned.

    Attributes
    ----------
    definition : str
        What was drawn, how wide, and what a chance is, in words.
    draws, seed : int
        How many flights were drawn, and the seed.
    chance, chance_density : ndarray of float32, shape (rows, cols)
        Share of draws in which a cell meets density and accuracy, and density alone; nan where it is not judged.
    area_under_m2, area_under_pct : float
        Judged area with a chance under `SURE_CHANCE`, and its share of what is judged [m2, percent].
    by_source_m2 : mapping of str to float
        Area under that chance that is gained when one source of doubt alone is taken away; below 0 where the doubt
        helps more cells than it harms [m2].
    costliest : str
        The source that costs most; empty where none costs anything.
    below_pct_p05, below_pct_p50, below_pct_p95 : float
        Share of the judged cells below the density: 5th, 50th and 95th percentile over draws [percent].
    chance_met : float
        Share of draws in which the judged percentile of density meets the target.
    """

    definition: str
    draws: int
    seed: int
    chance: Chances
    chance_density: Chances
    area_under_m2: float
    area_under_pct: float
    by_source_m2: Mapping[str, float]
    costliest: str
    below_pct_p05: float
    below_pct_p50: float
    below_pct_p95: float
    chance_met: float


@dataclass(frozen=True)
class Seen:
    """A flight as it was forecast: what is seen from where, by which legs, in which light.

    Attributes
    ----------
    looks, faces
        Which leg sees which cell from where, and the faces of cells.
    legs : sequence of Leg
        The flight.
    lights : sequence of Light
        What returns on each leg.
    """

    looks: Looks
    faces: Faces
    legs: Sequence[Leg]
    lights: Sequence[Light]


@dataclass(frozen=True)
class Ground:
    """What is known of each cell, shape (rows, cols).

    Attributes
    ----------
    judged : ndarray of bool
        Cells that are judged.
    density_per_m2 : ndarray
        Density as the requirement counts it and the forecast found it; nan on unknown terrain [1/m2].
    codes : ndarray of uint8
        Class of surface, places in the factors of the lights.
    optical_depth : ndarray or None
        Of the crowns straight down, 0 where there is none; None where the site has none.
    variances_m2 : ndarray, shape (rows, cols, terms), or None
        Variance of the height of a cell by term of its error; None where no accuracy is asked for [m2].
    """

    judged: Mask
    density_per_m2: Array
    codes: Codes
    optical_depth: Array | None = None
    variances_m2: npt.NDArray[np.floating[Any]] | None = None


def judge_confidence(
    seen: Seen,
    ground: Ground,
    cells: CellGrid,
    requirement: Requirement,
    draws: Draws,
    *,
    target_sd_m: float | None = None,
    threads: int = 2,
) -> Confidence:
    """Return the chances of cells and of the site.

    Every draw is judged once with all doubts and once without each, with the same random numbers.

    Parameters
    ----------
    seen : Seen
        The flight as forecast.
    ground : Ground
        What is known of each cell.
    cells : CellGrid
        The judging cells.
    requirement : Requirement
        Density, which returns and which passes.
    draws : Draws
        Flights that might be flown, of the legs of `seen` and the terms of `ground`.
    target_sd_m : float, optional
        Standard deviation of height that a cell may have; none where no accuracy is asked for [m].
    threads : int
        Parts of the site weighed at the same time; the result does not depend on it.

    Raises
    ------
    ValueError
        Where a leg has a fixed beam, which has no swath.
    """
    hits, below = _weigh(seen, ground, cells, requirement, draws, target_sd_m, threads)
    judged = ground.judged
    many = int(judged.sum())
    area_m2 = cells.cell_m**2
    unsure = (hits[judged.ravel()] < SURE_CHANCE * draws.count * (1 - ROUNDING)).sum(axis=0) * area_m2
    by_source = {name: float(unsure[1] - unsure[2 + place]) for place, name in enumerate(SOURCES)}
    costliest = max(by_source, key=lambda name: by_source[name])
    p05, p50, p95 = np.percentile(100 * below / max(many, 1), [5, 50, 95])
    may_fail = cells_that_may_fail(requirement.percentile, many)
    return Confidence(
        definition=_definition(requirement, draws, target_sd_m),
        draws=draws.count,
        seed=draws.seed,
        chance=_chances(hits[:, 1], draws, judged),
        chance_density=_chances(hits[:, 0], draws, judged),
        area_under_m2=float(unsure[1]),
        area_under_pct=float(100 * unsure[1] / (max(many, 1) * area_m2)),
        by_source_m2=by_source,
        costliest=costliest if by_source[costliest] > 0 else "",
        below_pct_p05=float(p05),
        below_pct_p50=float(p50),
        below_pct_p95=float(p95),
        chance_met=float((below <= may_fail).mean()),
    )


def cells_that_may_fail(percentile: float, many: int) -> int:
    """Return how many of the judged cells may lie below where the cell at a percentile must not [percent]."""
    return int(percentile / 100 * (max(many, 1) - 1) * (1 + ROUNDING))


def _chances(hits: npt.NDArray[np.int32], draws: Draws, judged: Mask) -> Chances:
    return np.where(judged, hits.reshape(judged.shape) / draws.count, np.nan).astype(np.float32)


def _definition(requirement: Requirement, draws: Draws, target_sd_m: float | None) -> str:
    asked = f"{requirement.target_per_m2:g} {requirement.returns} returns per square metre"
    asked += f" and a height error of at most {target_sd_m:.3g} m, one standard deviation" if target_sd_m else ""
    return (
        f"share of {draws.count} draws (seed {draws.seed}) in which a cell has {asked}; each draw changes terrain, "
        "track, speed, wind, attitude, brightness, leaves, air and terms of the height error; returns follow from the "
        f"counted ones by closed forms, what hides a cell stays as forecast; {draws.doubts.in_words()}"
    )


def _weigh(
    seen: Seen,
    ground: Ground,
    cells: CellGrid,
    requirement: Requirement,
    draws: Draws,
    target_sd_m: float | None,
    threads: int,
) -> tuple[npt.NDArray[np.int32], npt.NDArray[np.int64]]:
    """Return hits by cell and failing cells by draw: see `perturbed.weigh_cells`."""
    count = cells.rows * cells.cols
    *inputs, site, asked = kernel_inputs(seen, ground, cells, requirement, draws, target_sd_m)
    hits = np.zeros((count, perturbed.HITS), dtype=np.int32)
    spans = [(first, min(first + SPAN, count)) for first in range(0, count, SPAN)]

    def weigh(span: tuple[int, int]) -> npt.NDArray[np.int64]:
        failing = np.zeros(draws.count, dtype=np.int64)
        perturbed.weigh_cells(span, *inputs, draws.terms, site, asked, hits, failing)
        return failing

    with ThreadPoolExecutor(threads) as pool:
        below = sum(pool.map(weigh, spans), np.zeros(draws.count, dtype=np.int64))
    return hits, below


def kernel_inputs(
    seen: Seen,
    ground: Ground,
    cells: CellGrid,
    requirement: Requirement,
    draws: Draws,
    target_sd_m: float | None = None,
) -> tuple[Any, ...]:
    """Return what `perturbed.draw_cell` reads: looks, faces, flight, lights, drawn, fields, leaves, site, asked."""
    area_m2, looks = cells.cell_m**2, seen.looks
    lattice = draws.doubts.patch_m, *draws.corner_m
    return (
        (looks.starts, looks.leg, looks.sample, _first_rows(seen.legs)[looks.leg] + looks.sample, looks.returns),
        (seen.faces.centres_m, seen.faces.slopes),
        _flight(seen.legs, seen.lights),
        _stack(seen.lights),
        (draws.legs, draws.turns, draws.extinction),
        (draws.rise_m, draws.bumps_m, draws.class_log, draws.patch_log, draws.class_patch_log_sd, *lattice),
        draws.leaf_log,
        _site(ground, area_m2, counts_ground=requirement.returns == "ground"),
        (
            requirement.target_per_m2 * area_m2 * (1 - ROUNDING),
            requirement.coverage == "single",
            np.inf if target_sd_m is None else target_sd_m**2 * (1 + ROUNDING),
            area_m2,
        ),
    )


def _site(ground: Ground, area_m2: float, *, counts_ground: bool) -> tuple[Any, ...]:
    """Return what is known of cells as kernels read it."""
    flat = ground.judged.size
    crowns = np.zeros(flat) if ground.optical_depth is None else np.ravel(ground.optical_depth)
    variances = np.zeros((flat, 0)) if ground.variances_m2 is None else ground.variances_m2.reshape(flat, -1)
    return (
        np.ravel(ground.judged),
        np.ravel(ground.codes),
        crowns > 0,
        crowns if counts_ground else np.zeros(flat),
        np.ravel(ground.density_per_m2) * area_m2,
        variances,
    )


def _first_rows(legs: Sequence[Leg]) -> npt.NDArray[np.int64]:
    """Return where the samples of each leg start when those of all legs stand in one array."""
    return np.cumsum([0, *(len(leg.origins_m) for leg in legs)])[:-1]


def _flight(legs: Sequence[Leg], lights: Sequence[Light]) -> tuple[Any, ...]:
    """Return legs as kernels read them, samples of all legs in one array."""
    _, right, _ = course_of(legs)
    figures, sums = np.zeros((len(legs), 7)), np.zeros((len(legs), _RATE_STEPS + 1))
    axes, velocities, turnings = [np.zeros((0, 3, 3))], [np.zeros((0, 3))], [np.zeros((0, 2))]
    for number, leg in enumerate(legs):
        pattern = leg.pattern
        sums[number], step = _sent_up_to(pattern)
        looks = 1 if pattern.planar else 2
        usable, samples = pattern.usable_half_angle_rad, len(leg.origins_m)
        figures[number] = usable, leg.samples_hz, samples, *right[number], looks, step
        turned = to_world(leg.angles_rad)
        forward = _per_second(turned[:, :, 0], leg.samples_hz)
        axes.append(turned)
        velocities.append(_per_second(leg.origins_m, leg.samples_hz))
        # What is pooled along the flight has no scan plane that could turn.
        turning = np.einsum("nij,ni->nj", turned, forward)[:, 1:] if pattern.planar else np.zeros((samples, 2))
        turnings.append(turning)
    origins = np.concatenate([np.zeros((0, 3)), *(leg.origins_m for leg in legs)])
    together = (np.ascontiguousarray(np.concatenate(parts)) for parts in (axes, velocities, turnings))
    return origins, *together, figures, sums, _numbers(lights)


def _per_second(values: Array, samples_hz: float) -> Array:
    """Return how fast samples change, shape as they have."""
    return np.gradient(values, axis=0) * samples_hz if len(values) > 1 else np.zeros(values.shape)


def _sent_up_to(pattern: ScanPattern) -> tuple[Array, float]:
    """Return pulses per second from the middle to even steps of the angle across the flight, and the step [rad].

    Summed over even steps of w with angle = opening sin w, at whose end a rate that grows without bound does not.
    """
    opening = pattern.optical_half_angle_rad
    turn = (np.arange(8 * _RATE_STEPS) + 0.5) / (8 * _RATE_STEPS) * np.pi / 2
    rate = angular_pulse_rate(replace(pattern, usable_half_angle_rad=opening), opening * np.sin(turn))
    sums = np.cumsum(np.append(0.0, rate * opening * np.cos(turn) * (turn[1] - turn[0])))
    ends = opening * np.sin(np.append(0.0, turn + (turn[1] - turn[0]) / 2))
    angles = np.linspace(0.0, pattern.usable_half_angle_rad, _RATE_STEPS + 1)
    return np.interp(angles, ends, sums), float(angles[1])


def _numbers(lights: Sequence[Light]) -> npt.NDArray[np.int64]:
    """Return which of the lights that differ each leg has."""
    different = list({id(light): light for light in lights})
    return np.array([different.index(id(light)) for light in lights], dtype=np.int64)


def _stack(lights: Sequence[Light]) -> tuple[Array, Array, Array, Array]:
    """Return the planned case of lights that differ, in stacks: limits, chances, matt brightness and lobes.

    Strengths are such that tables of chances have steps of 1.
    """
    different = list({id(light): light for light in lights}.values())
    limits = [
        [
            *(light.nearest_m, light.longest_m, light.told_m, light.zone_m),
            *(light.blind_before_m, light.blind_after_m),
            light.strength2_m2[0] / light.step * _per_step(light),
            light.extinction_per_m[0],
        ]
        for light in different
    ]
    tables = [_evenly(light) for light in different]
    longest = max(len(table) for table in tables)
    return (
        np.array(limits),
        np.array([np.pad(table, (0, longest - len(table)), constant_values=1.0) for table in tables]),
        np.array([light.factors[0] for light in different]),
        np.array([light.lobes[0] for light in different]),
    )


def _per_step(light: Light) -> int:
    """Return by how many steps each one of a table of chances is replaced: a hard edge needs fine ones."""
    return _EDGE_STEPS if len(light.chances) == 2 else 1


def _evenly(light: Light) -> Array:
    """Return a table of chances without a jump: a hard edge becomes one as steep as a step is short."""
    chances = np.append(light.chances[:-1], 1.0)
    return np.append(np.full(_EDGE_STEPS, chances[0]), 1.0) if len(chances) == 2 else chances
