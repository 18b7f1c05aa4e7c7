"""What the report says of accuracy, acceptance, checkpoints, calibration, volumes and confidence.

Lives here: the words and number formats of these sections, and what their tables hold. Must not know how any of it was
judged.
"""

import math
import re
from collections.abc import Sequence
from typing import Any

import numpy as np
import numpy.typing as npt

from planner.assessment import Assessment, Pad
from planner.files import reportcharts as charts
from planner.files import reportplots as plots
from planner.files.checkpointfiles import INDEPENDENCE, checkpoints_geojson
from planner.forecast.accuracy import TESTED_SLOPE_DEG
from planner.forecast.calibration import PARAMETERS, Calibration
from planner.forecast.checkpoints import Layout
from planner.forecast.confidence import SURE_CHANCE
from planner.forecast.draws import SOURCES
from planner.forecast.parts import water_cells
from planner.forecast.passing import PROOF
from planner.ranging.uncertainty import COMMON, PASS, PULSE, SCOPE_OF, TERM_OF, TERMS

Mask = npt.NDArray[np.bool_]
Row = dict[str, Any]

UNKNOWN, UNDETERMINED = "not known", "not determined"

SCOPE_WORDS = {COMMON: "all passes", PASS: "each pass", PULSE: "each return"}
"""What shares an error."""

TERM_REMEDIES = {
    "position": "Keep the base station nearer, or bring better positions to the processing.",
    "roll and pitch": "Fly lower or with a narrower opening, or take navigation that holds roll and pitch better.",
    "heading": "Fly lower or with a narrower opening, or take navigation that holds the heading better.",
    "boresight": "Calibrate the boresight, and fly neighbouring lines in opposed directions so that the rest cancels.",
    "lever arm": "Measure the offset between sensor and antenna again, and more closely.",
    "scan angle": "Fly lower or with a narrower opening: what an angle is off by grows with the range.",
    "range": "Fly lower or at a lower pulse rate, in clear air and over dry ground: a stronger signal is less noisy.",
    "timing": "Fly slower, or bring sensor and navigation to one clock.",
    "footprint": "Fly lower or with a narrower beam, and avoid slopes seen at a slant.",
}
"""What lowers each term of the budget, one sentence each."""

SOURCE_REMEDIES = {
    "terrain": "Bring newer or more accurate terrain, or give the lines more overlap.",
    "wind and track": "Wait for less wind, or draw the lines closer together.",
    "attitude": "Take a steadier mount, or give the lines more overlap.",
    "reflectance": "Measure the surfaces on site, or fly lower or at a pulse rate that reaches farther.",
    "canopy": "Fly when leaves are off, or add a second pass.",
    "visibility": "Wait for clear air, or fly lower.",
    "navigation": "Take better navigation, or fly lower with a narrower opening.",
}
"""What lowers the cost of each source of doubt, one sentence each."""


def quality_contents(assessment: Assessment, view: plots.View) -> Row:
    """Return what the sections on quality say, by section.

    Parameters
    ----------
    assessment : Assessment
        Plan, forecast and what it is worth.
    view : View
        The rectangle of the site that pictures show.
    """
    quality = assessment.quality
    return {
        "requirement": assessment.mission.requirement,
        "dense": assessment.forecast.density.judged_per_m2 >= assessment.forecast.density.target_per_m2,
        "accuracy": _accuracy(assessment, view),
        "acceptance": _acceptance(assessment),
        "checkpoints": _checkpoints(assessment, view),
        "calibration": _calibration(assessment),
        "pads": [_pad(pad) for pad in quality.pads],
        "sureness": _sureness(assessment, view),
    }


def cm_text(value_m: float | None, target_m: float | None = None) -> str:
    """Return a length [m] in centimetres, with as many digits as show on which side of a target it lies."""
    if value_m is None or math.isnan(value_m):
        return UNKNOWN
    if math.isinf(value_m):
        return UNDETERMINED
    value = 100 * value_m
    if value == 0:
        return "0"
    texts = [f"{value:,.{digits}f}".replace(",", "\u202f") for digits in range(1 if value >= 0.95 else 2, 7)]
    if target_m is None:
        return next((text for text in texts if float(text.replace("\u202f", "")) > 0), texts[-1])
    kept = value_m <= target_m
    return next((text for text in texts if (float(text.replace("\u202f", "")) <= 100 * target_m) == kept), texts[-1])


def angle_text(value_deg: float) -> str:
    """Return a small angle [deg] with its sign of degrees; what is infinite or nan is not determined."""
    return f"{value_deg:.4f}°" if math.isfinite(value_deg) else UNDETERMINED


def volume_text(value_m3: float) -> str:
    """Return a volume [m3], whole from 100 on."""
    if not math.isfinite(value_m3):
        return UNKNOWN
    return f"{value_m3:,.{0 if value_m3 >= 100 else 1 if value_m3 >= 1 else 2}f}".replace(",", "\u202f")


def signed_area_text(area_m2: float) -> str:
    """Return a whole area [m2], less than nought with a minus."""
    return f"{'−' if round(area_m2) < 0 else ''}{abs(area_m2):,.0f}".replace(",", "\u202f")


def chance_text(chance: float) -> str:
    """Return a chance, 0-1, in percent; one that is not certain never reads as certain."""
    if chance > 0.999:
        return "over 99.9\u00a0%"
    return f"{100 * chance:.1f}\u00a0%" if chance >= 0.001 else "under 0.1\u00a0%"


def typeset(text: str) -> str:
    """Return our own plain text as it is printed: powers, degrees, and no line broken between number and unit."""
    raised = re.sub(r"(\bk?m|\^)([23])\b", lambda found: found[1].strip("^") + {"2": "²", "3": "³"}[found[2]], text)
    turned = re.sub(r"(?<=\d) deg\b", "°", raised)
    return re.sub(r"(?<=\d) (?=(?:%|[ck]?m)(?![a-z]))", "\u00a0", turned)


def listed(names: Sequence[str]) -> str:
    """Return names as a sentence has them: commas between, "and" before the last."""
    *firsts, last = names
    return f"{', '.join(firsts)} and {last}" if firsts else last


def _share_text(share_pct: float) -> str:
    """Return a share of a whole [percent], a small one as such."""
    return "< 0.1" if 0 < share_pct < 0.05 else f"{share_pct:.1f}"


FILTERS = {
    "cm": cm_text, "volume": volume_text, "chance": chance_text, "signed": signed_area_text, "typeset": typeset,
    "listed": listed,
}  # fmt: skip
"""How the page writes these numbers, by the name that it calls them by."""


def _tested(assessment: Assessment) -> Mask:
    """Return the judged cells that checkpoints may stand on and returns reach, flat."""
    forecast = assessment.forecast
    slopes_deg = np.degrees(np.arctan(np.hypot(*forecast.seen.faces.slopes.T)))
    dry = forecast.judged & ~water_cells(assessment.scene.cover, forecast.cells)
    return np.asarray(dry.ravel() & (slopes_deg <= TESTED_SLOPE_DEG) & ~np.isnan(forecast.errors.vertical_combined_m))


def _accuracy(assessment: Assessment, view: plots.View) -> Row:
    figures, errors, tested = assessment.forecast.accuracy, assessment.forecast.errors, _tested(assessment)
    single = assessment.mission.requirement.coverage == "single"
    return {
        "figures": figures,
        "single": single,
        "slope_deg": f"{TESTED_SLOPE_DEG:g}",
        "budget": _budget(assessment, tested) if tested.any() else [],
        "combined_m": _rms(errors.vertical_combined_m[tested]),
        "single_m": _rms(errors.vertical_single_m[tested]),
        "remedy": TERM_REMEDIES.get(figures.dominant_term or ""),
        "parts": [part for part in (("Slope", figures.by_slope), ("Surface", figures.by_class)) if part[1]],
        "map": charts.error_map(assessment, view),
    }


def _rms(values: npt.NDArray[np.float64]) -> float | None:
    return float(np.sqrt(np.mean(values**2))) if values.size else None


def _budget(assessment: Assessment, tested: Mask) -> list[Row]:
    """Return a row for each term, largest share of the variance that is judged first."""
    errors, requirement = assessment.forecast.errors, assessment.mission.requirement
    combined, single = (
        terms[tested].mean(axis=0, dtype=np.float64) for terms in (errors.terms_m2, errors.single_terms_m2)
    )
    judged = single if requirement.coverage == "single" else combined
    shares = 100 * judged / max(float(judged.sum()), np.finfo(float).tiny)
    rows = [
        {
            "term": term,
            "shared_by": " and ".join(SCOPE_WORDS[scope] for scope in sorted(set(SCOPE_OF[place == TERM_OF].tolist()))),
            "share_pct": float(shares[place]),
            "share": _share_text(float(shares[place])),
            "combined_m": math.sqrt(combined[place]),
            "single_m": math.sqrt(single[place]),
        }
        for place, term in enumerate(TERMS)
    ]
    return sorted(rows, key=lambda row: -row["share_pct"])


def _acceptance(assessment: Assessment) -> Row:
    clauses = assessment.quality.acceptance
    given = [clause.status for clause in clauses]
    counts = [(status, given.count(status)) for status in ("met", "not met", "assumed", "reported")]
    return {
        "clauses": clauses,
        "counts": [(status, count) for status, count in counts if count],
        "failed": [clause.clause for clause in clauses if clause.status == "not met"],
    }


def _checkpoints(assessment: Assessment, view: plots.View) -> Row:
    layout, scene = assessment.quality.checkpoints, assessment.scene
    written = checkpoints_geojson(layout, scene, scene.grid_crs)
    return {
        "layout": layout,
        "grid": written["grid"],
        "points": [feature["properties"] for feature in written["features"]],
        "ids": [point.point_id for point in layout.points],
        "pins": charts.checkpoint_pins(layout.points, view),
        "proof_pct": f"{100 * PROOF:g}",
        "independence": INDEPENDENCE,
        "title": _checkpoint_title(layout),
    }


def _checkpoint_title(layout: Layout) -> str:
    placed = len(layout.points)
    return f"{placed} of {layout.wanted} checkpoints" if placed < layout.wanted else f"Checkpoints: all {placed}"


def _calibration(assessment: Assessment) -> Row | None:
    calibration, helpful = assessment.quality.calibration, assessment.quality.helpful
    if calibration is None:
        return None
    trials = helpful.trials if helpful else ()
    advice = helpful.advice if helpful else ""
    tries = [{"words": trial.line.words, "agl_m": trial.line.agl_m, "sds": _sds(trial.strength)} for trial in trials]
    return {
        "figures": calibration,
        "rows": [
            {"name": name, "sd": sd, "left_m": float(left), "sure": name not in calibration.undetermined}
            for name, sd, left in zip(PARAMETERS, _sds(calibration), calibration.left_m, strict=True)
        ],
        "trials": tries,
        "best": bool(helpful and helpful.best),
        "advice": advice[:1].upper() + advice[1:],
        "parameters": PARAMETERS,
    }


def _sds(calibration: Calibration) -> list[str]:
    """Return the four standard deviations as text, in the order of `PARAMETERS`."""
    sd = calibration.sd
    range_text = cm_text(sd.range_m)
    angles = [angle_text(value) for value in (sd.roll_deg, sd.pitch_deg, sd.heading_deg)]
    return [*angles, f"{range_text} cm" if math.isfinite(sd.range_m) else UNDETERMINED]


def _pad(pad: Pad) -> Row:
    volume = pad.volume
    height_m = volume.error_95_m3 / volume.area_m2 if volume.area_m2 else math.nan
    parts = {
        "all passes": volume.common_m3,
        "each pass": volume.pass_m3,
        "each return": volume.pulse_m3,
        "where returns fall": volume.sampling_m3,
    }
    return {"name": pad.name, "volume": volume, "change": pad.change, "height_m": height_m, "parts": parts}


def _sureness(assessment: Assessment, view: plots.View) -> Row:
    confidence = assessment.quality.confidence
    if confidence is None:
        none_drawn = assessment.mission.doubts.draws == 0
        return {"confidence": None, "none_drawn": none_drawn}
    return {
        "confidence": confidence,
        "sure_pct": f"{100 * SURE_CHANCE:g}",
        "map": charts.chance_map(confidence.chance, assessment, view),
        "bars": charts.doubt_bars({name: confidence.by_source_m2[name] for name in SOURCES}),
        "remedy": SOURCE_REMEDIES.get(confidence.costliest),
        "helps": min(confidence.by_source_m2.values()) < 0,
        "draws_met": round(confidence.chance_met * confidence.draws),
    }
