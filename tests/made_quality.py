"""Invented accuracy and quality for forecasts that tests make by hand: errors rise to the east, chances to the north.

Nothing is fired: looks are empty, the figures are derived from the invented grids by the tool's own means.
"""

from collections.abc import Sequence
from typing import Any

import numpy as np
import numpy.typing as npt

from planner.assessment import Pad, Quality
from planner.forecast.acceptance import Clause
from planner.forecast.accuracy import judge_accuracy
from planner.forecast.budgets import NO_TERM, CellErrors
from planner.forecast.calibration import Calibration, CalibrationSd
from planner.forecast.calibrationlines import CandidateLine, Help, Trial
from planner.forecast.checkpoints import Checkpoint, Layout
from planner.forecast.confidence import SURE_CHANCE, Confidence, Seen
from planner.forecast.draws import SOURCES
from planner.forecast.layoutrules import Rule
from planner.forecast.parts import UNCLASSED
from planner.forecast.volumes import ChangeForecast, VolumeForecast
from planner.ground.surface import CellGrid, Scene
from planner.ranging.looks import Faces, Looks
from planner.ranging.uncertainty import TERMS
from planner.requirement import Requirement

Mask = npt.NDArray[np.bool_]
Array = npt.NDArray[np.float64]

CHECKPOINT_SD_M = 0.02
USERS_NOTE = 'read from the text: <b>5 cm</b> & "better"'
"""A note as a user's own text makes it: markup must stay text."""

_TERM_SD_M = dict(zip(TERMS, (0.025, 0.0, 0.008, 0.006, 0.003, 0.004, 0.012, 0.001, 0.002), strict=True))


def made_errors(cells: CellGrid, seen: Mask) -> CellErrors:
    """Return errors of cells: position leads in the west, roll and pitch in the east, a tenth of the cells unpaired."""
    across = np.tile((np.arange(cells.cols) + 0.5) / cells.cols, cells.rows)
    terms = np.tile(np.square(list(_TERM_SD_M.values())), (len(across), 1))
    terms[:, TERMS.index("roll and pitch")] = (0.06 * across) ** 2
    terms[~seen.ravel()] = np.nan
    combined = np.sqrt(terms.sum(axis=1))
    dominant = np.full(len(across), NO_TERM, dtype=np.uint8)
    dominant[seen.ravel()] = terms[seen.ravel()].argmax(axis=1)
    return CellErrors(
        vertical_single_m=1.3 * combined,
        vertical_combined_m=combined,
        horizontal_single_m=2.6 * combined,
        horizontal_combined_m=2 * combined,
        vertical_level_m=0.9 * combined,
        terms_m2=terms.astype(np.float32),
        single_terms_m2=(1.69 * terms).astype(np.float32),
        dominant=dominant,
        disagreement_m=np.where(across < 0.1, np.nan, 1.2 * combined),
    )


def accuracy_parts(
    cells: CellGrid,
    judged: Mask,
    first_per_m2: Array,
    *,
    requirement: Requirement,
    class_names: Sequence[str] = (UNCLASSED,),
) -> dict[str, Any]:
    """Return the parts of a forecast that tell of accuracy, by name; slopes rise from 0 in the south to 35 deg."""
    north = np.repeat(np.arange(cells.rows)[::-1] / cells.rows, cells.cols)
    slopes = np.column_stack([np.zeros(len(north)), np.tan(np.radians(35 * north))])
    east_m, north_m = np.meshgrid(*cells.centres_m())
    faces = Faces(np.column_stack([east_m.ravel(), north_m.ravel(), np.zeros(len(north))]), slopes)
    nothing = np.zeros(0, np.int32)
    looks = Looks(np.zeros(len(north) + 1, np.int64), nothing, nothing, np.zeros(0, np.float32))
    errors = made_errors(cells, first_per_m2 > 0)
    classes = (np.arange(len(north)) % len(class_names)).astype(np.uint8).reshape(judged.shape)
    return {
        "pooled_first_per_m2": first_per_m2,
        "single_first_per_m2": 0.6 * first_per_m2,
        "seen": Seen(looks, faces, (), ()),
        "errors": errors,
        "accuracy": judge_accuracy(
            errors, faces, judged, requirement, CHECKPOINT_SD_M, classes, class_names, cells.cell_m
        ),
    }


def made_quality(
    scene: Scene, cells: CellGrid, judged: Mask, *, pads: Sequence[str] = ("north pad",), word: str = ""
) -> Quality:
    """Return a quality with a part of each kind; `word` is added to what may hold a user's text."""
    return Quality(
        acceptance=made_clauses(word),
        checkpoints=made_layout(scene, cells, judged, word),
        calibration=made_calibration(heading_deg=np.inf),
        helpful=made_help(),
        pads=tuple(made_pad(name + word) for name in pads),
        confidence=made_confidence(cells, judged),
    )


def made_clauses(word: str = "") -> tuple[Clause, ...]:
    """Return a compliance table with each status once, and "met" twice."""
    return (
        Clause("density, 5th percentile", "at least 100 per m2", "112.5 per m2", "met", "", 100.0, 112.5),
        Clause("vertical RMSE, open ground", "at most 5.0 cm", "5.6 cm", "not met", USERS_NOTE + word, 0.05, 0.056),
        Clause("swath difference", "at most 8.0 cm", "4.1 cm", "met", "two passes, one return each", 0.08, 0.041),
        Clause("point classification", "as the contract says" + word, "not forecast", "assumed"),
        Clause("largest void", "", "36 m2", "reported", "no limit given", None, 36.0),
    )


def made_layout(scene: Scene, cells: CellGrid, judged: Mask, word: str = "") -> Layout:
    """Return four checkpoints of 30, spread over the judged cells from north to south."""
    east_m, north_m = np.meshgrid(*cells.centres_m())
    inside = np.flatnonzero(judged)
    picked = inside[(len(inside) * np.array([0.05, 0.35, 0.65, 0.95])).astype(int)]
    up_m = scene.ground.at(east_m.flat[picked], north_m.flat[picked])
    points = tuple(
        Checkpoint(
            point_id=f"CP{n + 1:02d}",
            east_m=float(east_m.flat[cell]),
            north_m=float(north_m.flat[cell]),
            up_m=float(up_m[n]),
            slope_deg=1.5 * n,
            cover=None if n == 0 else f"meadow{word}",
            quadrant=("NW", "NE", "SW", "SE")[n],
            setting="open" if n else None,
            reason=f"meadow{word} at {1.5 * n:.1f} deg; breaks 12 m off; nothing known above 15 deg",
        )
        for n, cell in enumerate(picked)
    )
    rules = (
        Rule("standard", "4 checkpoints; fewer than 30: no ASPRS Edition 2 statement", False),
        Rule("spacing", "52.0 m; at least 28.3 m, 10 % of the diagonal", True),
        Rule("cover", f"meadow{word} 4", True),
    )
    return Layout(points, 30, "ASPRS Edition 2, by area", rules, "spacing; 62 % of the area is fit", 0.83, 0.061)


def made_calibration(pitch_deg: float = 0.0105, heading_deg: float = 0.02) -> Calibration:
    """Return a calibration; an infinite heading has no correlations."""
    correlations = np.eye(4) + 0.1 * (1 - np.eye(4))
    unknown = ~np.isfinite(np.array([0.0021, pitch_deg, heading_deg, 0.0042]))
    correlations[unknown[:, None] | unknown] = np.nan
    left_m = np.array([0.0022, 0.012, 0.6 * heading_deg, 0.0042])
    lost = ("pitch", "heading") if np.isinf(heading_deg) else ("pitch",)
    return Calibration(
        sd=CalibrationSd(0.0021, pitch_deg, heading_deg, 0.0042),
        correlations=correlations,
        left_m=left_m,
        undetermined=lost,
        patches=480,
        sightings=1010,
        slope_rms_deg=4.2,
        definition="formal standard deviations of a least-squares adjustment of 480 plane patches",
    )


def made_help() -> Help:
    """Return two lines that were tried, the better one worth flying."""
    across = CandidateLine("a line across the middle", np.array([-50.0, 0.0]), np.array([50.0, 2.0]), 60.0)
    higher = CandidateLine("the busiest line, 25 % higher", np.array([0.0, -50.0]), np.array([0.0, 50.0]), 75.0)
    trials = (Trial(across, made_calibration(pitch_deg=0.004)), Trial(higher, made_calibration(pitch_deg=0.009)))
    return Help(trials, trials[0], "a line across the middle would help most: pitch 0.0105 deg to 0.0040 deg")


def made_pad(name: str) -> Pad:
    """Return the volume and the change of a feature of 16 cells, one of them without returns."""
    cell_sd_m, definition = np.full(16, 0.031), "error of the volume between the surface and what lies beneath"
    cell_sd_m[3] = np.nan
    volume = VolumeForecast(definition, 960.0, 64.0, 24.0, 47.04, 20.0, 12.0, 3.0, 4.8, 0.0, 0.025, cell_sd_m)
    change_m = 1.96 * np.sqrt(2) * cell_sd_m
    return Pad(name, volume, ChangeForecast("smallest change at 95 %", change_m, 0.086, 0.086, 0.069, 66.5))


def made_confidence(cells: CellGrid, judged: Mask) -> Confidence:
    """Return chances of 200 draws that rise from south to north, those of density alone a little higher."""
    chance = np.linspace(1.0, 0.3, cells.rows)[:, None] * np.ones(cells.cols)
    chance = np.where(judged, np.round(200 * chance) / 200, np.nan)
    under = int((chance < SURE_CHANCE).sum())
    area_m2 = under * cells.cell_m**2
    shares = dict(zip(SOURCES, (0.4, 0.2, 0.1, 0.05, 0.0, -0.02, 0.15), strict=True))
    return Confidence(
        definition="share of 200 draws (seed 1) in which a cell has its density and its height error",
        draws=200,
        seed=1,
        chance=chance.astype(np.float32),
        chance_density=np.minimum(1.0, chance + 0.05).astype(np.float32),
        area_under_m2=area_m2,
        area_under_pct=100 * under / int(judged.sum()),
        by_source_m2={source: share * area_m2 for source, share in shares.items()},
        costliest="terrain",
        below_pct_p05=0.4,
        below_pct_p50=1.7,
        below_pct_p95=6.2,
        chance_met=0.885,
    )
