"""Safety as plain values: eyes, rules of the air, ground beneath, hours, and the crew's checklist.

Lives here: what summary.json and plan.geojson say of them. Must not know how any of it was measured.
"""

from collections.abc import Sequence
from dataclasses import asdict
from typing import Any

import numpy as np

from planner.assessment import Assessment, Exposure, EyeFigures
from planner.files.checklistwords import checklist_contents
from planner.files.groundfiles import ground_risk_figures
from planner.safety.exposurelimits import RULES
from planner.safety.exposures import HazardDistances
from planner.safety.rules import RuleResult
from planner.safety.windowcautions import DayWindows
from planner.safety.windows import Span

_DISTANCES = ("naked_m", "aided_m", "naked_linear_m", "aided_linear_m", "naked_in_air_m", "from_memory")


def safety_figures(assessment: Assessment) -> dict[str, Any]:
    """Return safety by the names of summary.json, cautions first."""
    safety = assessment.safety
    checklist = checklist_contents(assessment, safety.risk)
    return {
        "cautions": [
            vars(caution) | {"read_on": None if caution.read_on is None else caution.read_on.isoformat()}
            for caution in assessment.cautions
        ],
        "unsafe": [asdict(fault) for fault in assessment.unsafe],
        "eyes": [_eye_dict(eye) for eye in safety.eyes],
        "exposure": None if safety.exposure is None else _exposure_dict(safety.exposure),
        "rules": [_rule_dict(result) for result in safety.rules],
        "ground_risk": None if safety.risk is None else ground_risk_figures(safety.risk),
        "windows": None if safety.windows is None else _windows_dict(safety.windows),
        "checklist": [
            {"section": section.title} | {name: getattr(row, name) for name in ("mark", "text", "with_whom", "why")}
            for section in checklist["sections"]
            for row in section.rows
        ],
    }


def _eye_dict(eye: EyeFigures) -> dict[str, Any]:
    plain = ("pulse_rate_hz", "line_rate_hz", "speed_mps", "laser_class", "stated_m", "nearest_m")
    return {name: getattr(eye, name) for name in plain} | {
        "light_on_naked_ato_m": None if eye.light_on_m is None else eye.light_on_m[0],
        "light_on_aided_ato_m": None if eye.light_on_m is None else eye.light_on_m[1],
        "flown": None if eye.flown is None else _distances_dict(eye.flown),
        "stopped": None if eye.stopped is None else _distances_dict(eye.stopped),
    }


def _distances_dict(found: HazardDistances) -> dict[str, dict[str, Any]]:
    """Return computed distances by set of rules."""
    return {rules: {name: getattr(found, name)[k] for name in _DISTANCES} for k, rules in enumerate(RULES)}


def _exposure_dict(exposure: Exposure) -> dict[str, float]:
    """Return areas in which somebody's eyes would be over a limit [m2], and the worst found."""
    cell_m2 = exposure.cells.cell_m**2
    worst = {"naked": exposure.naked, "aided": exposure.aided, "stopped": exposure.stopped}
    areas = {f"{name}_over_m2": float((values > 1).sum()) * cell_m2 for name, values in worst.items()}
    most = {f"{name}_most": float(np.nanmax(values, initial=0.0)) for name, values in worst.items()}
    return areas | most


def _rule_dict(result: RuleResult) -> dict[str, Any]:
    return vars(result) | {"date_read": result.date_read.isoformat()}


def _windows_dict(windows: DayWindows) -> dict[str, Any]:
    def spans(found: Sequence[Span] | None) -> list[dict[str, str]] | None:
        if found is None:
            return None
        return [{"begins_utc": f"{span.begins}Z", "ends_utc": f"{span.ends}Z"} for span in found]

    return {
        "satellites": spans(windows.satellites),
        "tide": spans(windows.tide),
        "common": spans(windows.common),
    }
