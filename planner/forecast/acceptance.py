"""The published acceptance tests, run on the forecast: clause, number asked, number forecast, verdict.

Lives here: the table of clauses of a requirement. Must not know how lines were planned or how heights were forecast.
"""

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

from planner.forecast.density import DensityFigures
from planner.forecast.faces import FaceFigures
from planner.forecast.standards import (
    BIAS_SHARE,
    FILLED_SHARE,
    OVERLAP_M,
    QUALITY_LEVELS,
    QualityLevel,
    VerticalClass,
    vertical_class,
    void_m2,
)
from planner.forecast.voids import EXEMPT, Voids, filled_shares, find_voids
from planner.requirement import Requirement
from planner.wording import rmse_per_limit

Array = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]
Codes = npt.NDArray[np.uint8]

Status = Literal["met", "not met", "assumed", "reported"]
"""Assumed: asked for, and not forecast. Reported: forecast, and not held against a limit."""

NOT_FORECAST = "not forecast"
SIDELAP = "sidelap"
"""Name of the clause of the least sidelap."""
ROUNDING = 1e-9


@dataclass(frozen=True)
class Clause:
    """One row of the compliance table.

    Attributes
    ----------
    clause : str
        What is tested, and by which document.
    asked, forecast : str
        Both numbers with their units.
    status : {"met", "not met", "assumed", "reported"}
        The verdict.
    note : str
        How the number is defined, and what it rests on.
    asked_value, forecast_value : float or None
        The numbers alone, in metres, square metres, returns per m2 or percent as their text; None for none.
    """

    clause: str
    asked: str
    forecast: str
    status: Status
    note: str = ""
    asked_value: float | None = None
    forecast_value: float | None = None


@dataclass(frozen=True)
class Coverage:
    """What the flight brings to each judging cell; all arrays of shape (rows, cols).

    Attributes
    ----------
    first_per_m2, single_first_per_m2 : ndarray
        First returns of all passes pooled, and of the pass that brings most; nan on unknown terrain [1/m2].
    passes : ndarray of int
        How many passes see the cell.
    causes : ndarray of uint8
        Codes of `planner.forecast.gaps.CAUSES`.
    judged, water : ndarray of bool
        Cells inside the area; cells of declared open water.
    cell_m : float
        Side of the cells [m].
    disagreement_m : ndarray or None
        Root mean square height difference expected between two passes [m]; nan where fewer see the cell.
    """

    first_per_m2: Array
    single_first_per_m2: Array
    passes: npt.NDArray[np.integer]
    causes: Codes
    judged: Mask
    water: Mask
    cell_m: float
    disagreement_m: Array | None = None

    @property
    def land(self) -> Mask:
        """Judged cells without declared open water."""
        return self.judged & ~self.water


@dataclass(frozen=True)
class Heights:
    """What is expected of heights on open ground; None where it is not forecast.

    Attributes
    ----------
    tested_rmse_m : float or None
        RMSE against checkpoints, their own error included (`planner.forecast.standards.rmse_with_checkpoints_m`) [m].
    checkpoint_sd_m : float
        The part of it that is the checkpoints' own [m].
    bias_m : float or None
        Error that all passes of the job share, one standard deviation [m].
    noise_m : float or None
        One standard deviation of single returns of one pass about a smooth hard surface [m].
    horizontal_rmse_m : float or None
        Radial horizontal RMSE [m].
    """

    tested_rmse_m: float | None = None
    checkpoint_sd_m: float = 0.0
    bias_m: float | None = None
    noise_m: float | None = None
    horizontal_rmse_m: float | None = None


def judge_acceptance(
    requirement: Requirement,
    figures: DensityFigures,
    coverage: Coverage,
    heights: Heights,
    sidelap_least: float | None = None,
    faces: FaceFigures | None = None,
) -> tuple[Clause, ...]:
    """Return the compliance table of a requirement: its own clauses, then those of its level and class.

    Parameters
    ----------
    requirement : Requirement
        What is asked for.
    figures : DensityFigures
        The density as the requirement defines it.
    coverage : Coverage
        What the flight brings to each cell.
    heights : Heights
        What is expected of heights.
    sidelap_least : float or None
        Least share of a swath that its neighbour covers, 0-1; None where there is no neighbour or it is not known.
    faces : FaceFigures or None
        What steep faces are sampled with; None where there is none.
    """
    level = QUALITY_LEVELS.get(requirement.quality_level or "")
    spacing_m = level.spacing_m if level else 1 / math.sqrt(requirement.target_per_m2)
    voids = find_voids(
        coverage.first_per_m2, coverage.causes, coverage.judged, coverage.water, coverage.cell_m, void_m2(spacing_m)
    )
    table = [_density(requirement, figures), _sidelap(requirement, sidelap_least)]
    if requirement.face_density_per_m2 is not None:
        table.append(_faces(requirement, faces))
    if requirement.target_rmse_m is not None:
        name = f"vertical RMSE, {level.name} at most {_cm(level.rmse_m)}" if level else "vertical RMSE"
        table += [_rmse(name, requirement.target_rmse_m, heights), *_beside_rmse(requirement.target_rmse_m, heights)]
    if requirement.horizontal_rmse_m is not None:
        note = "radial: root of the summed squares of both axes, on open ground; checkpoints' own error not included"
        table.append(_at_most("horizontal RMSE", requirement.horizontal_rmse_m, heights.horizontal_rmse_m, note))
    if level:
        table += _level_clauses(level, coverage, heights, voids)
    if (class_cm := requirement.vertical_class_cm) is not None:
        table += _class_clauses(class_cm, vertical_class(class_cm), coverage, heights)
    return (*table, *_voids(spacing_m, voids, coverage.cell_m, judged=level is not None), _overlap(coverage))


def _cm(length_m: float) -> str:
    return f"{100 * length_m:.3g} cm"


def _at_most(clause: str, limit_m: float, value_m: float | None, note: str) -> Clause:
    """Return the clause of a length that has an upper limit; assumed where it is not forecast."""
    asked = f"at most {_cm(limit_m)}"
    if value_m is None or math.isnan(value_m):
        return Clause(clause, asked, NOT_FORECAST, "assumed", note, limit_m)
    status: Status = "met" if value_m <= limit_m * (1 + ROUNDING) else "not met"
    return Clause(clause, asked, _cm(value_m), status, note, limit_m, value_m)


def _at_least(clause: str, limit: float, value: float, unit: str, note: str) -> Clause:
    status: Status = "met" if value >= limit * (1 - ROUNDING) else "not met"
    return Clause(clause, f"at least {limit:.4g} {unit}", f"{value:.4g} {unit}", status, note, limit, value)


def _mean(values: Array, where: Mask) -> float:
    """Return the mean over cells, unknown ones as none; 0 where there are no cells."""
    return float(np.nan_to_num(values[where]).mean()) if where.any() else 0.0


def _density(requirement: Requirement, figures: DensityFigures) -> Clause:
    name = f"density of {requirement.returns} returns, {requirement.percentile:g}th percentile of cells"
    return _at_least(name, figures.target_per_m2, figures.judged_per_m2, "per m2", figures.definition)


def _faces(requirement: Requirement, faces: FaceFigures | None) -> Clause:
    name, least = f"faces with {requirement.face_target_per_m2:g} per m2 of face", 100 - requirement.face_share_pct
    if faces is None:
        note = "there is no face in the area: nothing is steep, or no marked wall shows in the terrain"
        return Clause(name, f"at least {least:g} % of their area", NOT_FORECAST, "assumed", note, least)
    return _at_least(name, least, faces.coverage_pct, "% of their area", faces.definition)


def _sidelap(requirement: Requirement, least: float | None) -> Clause:
    name, asked = SIDELAP, 100 * requirement.sidelap_min
    if least is None:
        return Clause(name, f"at least {asked:g} %", NOT_FORECAST, "assumed", "no neighbouring swath is known", asked)
    return _at_least(name, asked, 100 * least, "%", "least share of a swath that its neighbour covers too")


def _rmse(name: str, limit_m: float, heights: Heights) -> Clause:
    note = f"on open ground, with a checkpoint error of {_cm(heights.checkpoint_sd_m)}; {_at_95(heights)}"
    return _at_most(name, limit_m, heights.tested_rmse_m, note)


def _at_95(heights: Heights) -> str:
    """Return what the RMSE means at 95 %, where that may be said: normal errors without much bias."""
    rmse_m, bias_m = heights.tested_rmse_m, heights.bias_m
    if rmse_m is None or bias_m is None:
        return "no 95 % figure: it would need errors of zero mean"
    if bias_m > BIAS_SHARE * rmse_m:
        return f"no 95 % figure: an error of {_cm(bias_m)} is common to all passes, so the mean is not zero"
    return f"95 % within {_cm(rmse_m * rmse_per_limit(95, 'vertical'))} where errors are normal (1.96 RMSE)"


def _beside_rmse(limit_m: float, heights: Heights) -> Iterator[Clause]:
    """Yield the clauses that ASPRS Edition 2 puts beside an RMSE: mean error and checkpoints."""
    if heights.bias_m is not None:
        note = "one standard deviation of the error that all passes share: boresight, lever arm, range, base station"
        name = "mean error, ASPRS Edition 2: under 25 % of the RMSE asked for"
        yield _at_most(name, BIAS_SHARE * limit_m, heights.bias_m, note)
    name, sd_m = "checkpoint error, ASPRS Edition 2: at most half of the RMSE asked for", heights.checkpoint_sd_m
    fine: Status = "assumed" if sd_m <= limit_m / 2 * (1 + ROUNDING) else "not met"
    note = "as declared or assumed before the checkpoints are surveyed"
    yield Clause(name, f"at most {_cm(limit_m / 2)}", _cm(sd_m), fine, note, limit_m / 2, sd_m)


def _level_clauses(level: QualityLevel, coverage: Coverage, heights: Heights, voids: Voids) -> Iterator[Clause]:
    yield _at_least(
        f"mean density of first returns, all passes, {level.name} (ANPD)",
        level.density_per_m2,
        _mean(coverage.first_per_m2, coverage.land),
        "per m2",
        "first returns of all passes over the area without declared water; a mean says nothing of thin strips",
    )
    single = _mean(coverage.single_first_per_m2, coverage.land)
    note = "first returns of the pass that brings most to each cell, over the area without declared water"
    name = "mean density of first returns, single swath (NPD)"
    yield Clause(name, "no limit", f"{single:.4g} per m2", "reported", note, None, single)
    yield _distribution(level, coverage, voids)
    yield _swath_difference(level.name, level.swath_difference_m, coverage)
    yield _smooth_surface(level.name, level.smooth_surface_m, level.smooth_cell_m, coverage, heights)
    asked = "no cloud or fog below the aircraft, no snow, no flooding"
    yield Clause("conditions of collection", asked, NOT_FORECAST, "assumed", "to be seen on the day")


def _distribution(level: QualityLevel, coverage: Coverage, voids: Voids) -> Clause:
    test_m = 2 * level.spacing_m
    at_random, evenly = filled_shares(
        coverage.single_first_per_m2, coverage.land & ~voids.accepted, coverage.cell_m, test_m
    )
    name = f"spatial distribution, {level.name}: cells of {test_m:g} m that hold a first return of one swath"
    asked = 100 * FILLED_SHARE
    if math.isnan(at_random):
        return Clause(name, f"at least {asked:g} %", NOT_FORECAST, "assumed", "no ground is left to test", asked)
    note = (
        f"returns scattered at random; spread as evenly as can be it would be {100 * evenly:.1f} %. Best single pass, "
        f"without acceptable voids; clumps within judging cells of {coverage.cell_m:g} m are not seen"
    )
    return _at_least(name, asked, 100 * at_random, "%", note)


def _differences(coverage: Coverage) -> Array:
    """Return the expected differences between passes where two or more see the land, shape (n,) [m]."""
    if coverage.disagreement_m is None:
        return np.zeros(0)
    values = coverage.disagreement_m[coverage.land & (coverage.passes >= 2)]
    return np.asarray(values[np.isfinite(values)])


def _swath_difference(by: str, limit_m: float, coverage: Coverage) -> Clause:
    values = _differences(coverage)
    rms_m = float(np.sqrt(np.mean(values**2))) if values.size else None
    note = "root mean square over the area seen by two or more passes, all slopes, before any strip adjustment"
    return _at_most(f"difference between swaths, RMSDz, {by}", limit_m, rms_m, note)


def _smooth_surface(by: str, limit_m: float, cell_m: float, coverage: Coverage, heights: Heights) -> Clause:
    name = f"smooth surface precision, {by}"
    if heights.noise_m is None:
        return _at_most(name, limit_m, None, "precision on hard level ground is not forecast")
    count = _mean(coverage.single_first_per_m2, coverage.land) * cell_m**2
    note = (
        f"highest less lowest return of one pass in cells of {cell_m:g} m, as the standard tests it: of {count:.0f} "
        f"returns with a noise of {_cm(heights.noise_m)}; grows with their number"
    )
    return _at_most(name, limit_m, heights.noise_m * expected_range(count), note)


def expected_range(count: float) -> float:
    """Return the expected difference between largest and least of so many normal values, in standard deviations.

    The integral of 1 - F^n - (1 - F)^n with F the normal distribution (Tippett 1925, Biometrika 17, 364-387).
    """
    if count < 2:
        return 0.0
    steps = np.linspace(-9.0, 9.0, 1801)
    below = np.array([0.5 * math.erfc(-step / math.sqrt(2)) for step in steps])
    return float(np.trapezoid(1 - below**count - (1 - below) ** count, steps))


def _class_clauses(class_cm: float, limits: VerticalClass, coverage: Coverage, heights: Heights) -> Iterator[Clause]:
    by = f"ASPRS Edition 2 class {class_cm:g} cm"
    yield _rmse(f"vertical RMSE, {by}", limits.rmse_m, heights)
    yield _smooth_surface(by, limits.smooth_surface_m, 2.0, coverage, heights)
    yield _swath_difference(by, limits.swath_difference_m, coverage)
    values = _differences(coverage)
    name, asked = f"largest difference between swaths, {by}", f"at most {_cm(limits.swath_most_m)}"
    if not values.size:
        yield Clause(name, asked, NOT_FORECAST, "assumed", "", limits.swath_most_m)
        return
    beyond = [math.erfc(limits.swath_most_m / max(rms_m, 1e-12) / math.sqrt(2)) for rms_m in values]
    share = 100 * float(np.mean(beyond))
    note = "share of normal differences past the limit; the largest one depends on how many are compared"
    yield Clause(name, asked, f"{share:.2g} % beyond it", "reported", note, None, share)


def _voids(spacing_m: float, voids: Voids, cell_m: float, *, judged: bool) -> Iterator[Clause]:
    """Yield the clause of voids that nothing excuses, and one for each exempt kind that occurs."""
    least_m2 = void_m2(spacing_m)
    name = f"data voids of {least_m2:.3g} m2 or more: (4 ANPS)^2"
    shown = (
        f"{voids.count}, together {voids.area_m2:.1f} m2, largest {voids.largest_m2:.1f} m2" if voids.count else "none"
    )
    note = (
        "connected ground too thin to hold a first return in every square of that size, all passes pooled; "
        f"a void smaller than a judging cell of {cell_m:g} m is not seen"
    )
    verdict: Status = "not met" if voids.count else "met"
    yield Clause(name, "none", shown, verdict if judged else "reported", note, 0.0, voids.area_m2)
    for kind in EXEMPT:
        area_m2 = voids.exempt_m2[kind]
        if area_m2 > 0:
            note = "exempt by the USGS Lidar Base Specification" if judged else "exempt where that standard is followed"
            yield Clause(f"data voids, {kind}", "exempt", f"{area_m2:.1f} m2", "reported", note, None, area_m2)


def _overlap(coverage: Coverage) -> Clause:
    share = 100 * _mean((coverage.passes >= 2).astype(float), coverage.judged)
    note = (
        f"the USGS Lidar Base Specification asks for {OVERLAP_M:g} m between neighbouring swaths, written for crewed "
        "aircraft: at drone heights that can exceed a swath, so it is not applied"
    )
    return Clause(
        "overlap of swaths", "not applied", f"{share:.1f} % seen by two or more", "reported", note, None, share
    )
