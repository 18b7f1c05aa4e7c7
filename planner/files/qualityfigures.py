"""What summary.json says about accuracy and acceptance.

Lives here: errors, clauses, checkpoints, calibration, volumes and confidence as plain values, by the names of the
schema. Must not know how they were found, nor files.
"""

from dataclasses import asdict
from typing import Any

import numpy as np

from planner.assessment import Assessment, Pad
from planner.files.surewords import sure_figures
from planner.forecast.calibration import PARAMETERS, Calibration
from planner.forecast.calibrationlines import Help, Trial
from planner.forecast.checkpoints import Layout
from planner.forecast.confidence import SURE_CHANCE, Confidence
from planner.ground.geodesy import Frame
from planner.mission import Mission

_OF_CELLS = ("cell_sd_m", "cell_m", "chance", "chance_density")
"""Values of single cells are no figures of a job."""


_ERRORS = (
    "description",
    "position_horizontal_sd_m",
    "position_vertical_sd_m",
    "base_ppm",
    "roll_pitch_sd_deg",
    "heading_sd_deg",
    "boresight_sd_deg",
    "lever_arm_sd_m",
    "timing_sd_s",
)


def quality_figures(assessment: Assessment) -> dict[str, Any]:
    """Return the parts of summary.json that tell of accuracy and acceptance, by their names in its schema."""
    quality, frame = assessment.quality, assessment.scene.frame
    known, sure = quality.calibration, quality.confidence
    return {
        "navigation": _navigation(assessment.mission),
        "vertical": asdict(assessment.forecast.accuracy),
        "acceptance": [asdict(clause) for clause in quality.acceptance],
        "checkpoints": _checkpoints(quality.checkpoints),
        "calibration": None if known is None else _calibration(known, quality.helpful, frame),
        "volumes": [_volume(pad) for pad in quality.pads],
        "confidence": None if sure is None else _confidence(sure) | {"asked": sure_figures(assessment)},
    }


def _figures(noun: Any) -> dict[str, Any]:
    """Return the fields of a noun but those of single cells."""
    return {name: value for name, value in vars(noun).items() if name not in _OF_CELLS}


def _navigation(mission: Mission) -> dict[str, Any]:
    """Return the errors on the navigation card, and the distance from the base station that goes with them."""
    card = mission.navigation
    errors = {name: getattr(card, name) for name in _ERRORS}
    return {"card": card.name} | errors | {"base_distance_m": mission.base_distance_m}


def _checkpoints(layout: Layout) -> dict[str, Any]:
    """Return what the layout keeps to and can prove; the points have files of their own."""
    placed = {"placed": len(layout.points), "rules": [vars(rule) for rule in layout.rules]}
    return {name: value for name, value in vars(layout).items() if name != "points"} | placed


def _calibration(known: Calibration, helpful: Help | None, frame: Frame) -> dict[str, Any]:
    """Return how well the lines calibrate themselves, and which others were tried."""
    adjustment = ("definition", "patches", "sightings", "slope_rms_deg", "correlations")
    best = None if helpful is None or helpful.best is None else helpful.best.line.words
    return (
        _strength(known)
        | {name: getattr(known, name) for name in adjustment}
        | {
            "parameters": PARAMETERS,
            "advice": None if helpful is None else helpful.advice,
            "best": best,
            "trials": [_trial(trial, frame) for trial in (() if helpful is None else helpful.trials)],
        }
    )


def _strength(known: Calibration) -> dict[str, Any]:
    left_m = dict(zip(PARAMETERS, known.left_m.tolist(), strict=True))
    return {"sd": vars(known.sd), "left_m": left_m, "undetermined": known.undetermined}


def _trial(trial: Trial, frame: Frame) -> dict[str, Any]:
    """Return a line that was tried: where it lies, and what the calibration would be with it."""
    line = trial.line
    lon, lat = frame.to_lonlat(*np.array([line.start_m, line.end_m]).T)
    ends = {"start_deg": [lon[0], lat[0]], "end_deg": [lon[1], lat[1]]}
    return {"line": line.words, "agl_m": line.agl_m} | ends | _strength(trial.strength)


def _volume(pad: Pad) -> dict[str, Any]:
    return {"name": pad.name, "volume": _figures(pad.volume), "change": _figures(pad.change)}


def _confidence(sure: Confidence) -> dict[str, Any]:
    return _figures(sure) | {"sure_chance": SURE_CHANCE}
