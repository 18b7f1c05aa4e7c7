"""What the text beside the offline map says.

Lives here: figures, legends and lines of the panel. Must not know layers, pictures or pages.
"""

from collections import Counter
from typing import Any

import numpy as np

from planner.assessment import Assessment
from planner.files.flightwords import RESERVE_WORDS, sortie_rows
from planner.files.mapaccuracy import chance_legend, error_legend
from planner.files.mapclasses import case_legends, kinds_differ, legend, unjudged_returns
from planner.files.mapflight import take_off_places
from planner.files.mapsafety import drawn_places, drawn_volumes, exposure_legend
from planner.files.safetywords import OPEN, cited_text, counted, grouped, lonlat_of, measure_text, untold, value_text
from planner.forecast.acceptance import Status
from planner.forecast.confidence import SURE_CHANCE
from planner.ground.surroundings import KINDS
from planner.safety.cautions import Caution
from planner.survey.guarding import LOOKED_M

STATUSES: tuple[Status, ...] = ("met", "not met", "assumed")
"""What acceptance is counted by; clauses that are only reported have no limit to keep to."""


def panel_of(assessment: Assessment, gaps_drawn: int) -> dict[str, Any]:
    """Return what the text beside the map says, by the names of its page; so many gaps are outlined."""
    forecast, mission = assessment.forecast, assessment.mission
    minutes = round(assessment.plan.flight["time_s"]["total"] / 60)
    return (
        _accuracy_of(assessment)
        | _flight_of(assessment)
        | {"safety": _safety_of(assessment)}
        | {
            "mission": mission,
            "met": assessment.met,
            "density": forecast.density,
            "sure": forecast.sure is not None,
            "judged": mission.requirement.returns,
            "unjudged": unjudged_returns(assessment) if kinds_differ(assessment) else None,
            "faces": forecast.faces,
            "coverage": forecast.coverage,
            "line_count": len(assessment.plan.lines),
            "time": f"{minutes // 60}:{minutes % 60:02d}",
            "assumptions": assessment.assumptions,
            "legend": legend(assessment),
            "cases": forecast.cases,
            "case_legends": case_legends(assessment),
            "any_feature": bool(forecast.by_feature),
            "gaps_drawn": gaps_drawn,
            "gap_count": len(forecast.gaps),
            "unsafe": assessment.unsafe,
            "any_over": any(figures.unsafe or figures.ceiling_over_m > 0 for figures in assessment.plan.figures),
        }
    )


def _flight_of(assessment: Assessment) -> dict[str, Any]:
    """Return what is said of sorties, and which hazards have a layer."""
    scene = assessment.scene
    return {
        "sorties": sortie_rows(assessment),
        "batteries": assessment.plan.flight.get("batteries", 0),
        "started": assessment.mission.conditions.start is not None,
        "reserve_words": RESERVE_WORDS,
        "obstacle_kinds": {thing.kind for thing in scene.obstacles},
        "any_keep_out": bool(scene.keep_outs),
        "any_sensitive": bool(scene.sensitive),
        "any_access": bool(scene.access),
        "take_offs": len(take_off_places(assessment)),
    }


def _safety_of(assessment: Assessment) -> dict[str, Any]:
    """Return what is said of safety: cautions in groups, rules in a row each, and which layers there are."""
    safety, scene, exposure = assessment.safety, assessment.scene, assessment.safety.exposure
    given = {kind: len(scene.beneath[kind]) for kind in KINDS if scene.beneath.get(kind)}
    drawn = drawn_places(assessment)
    return {
        "counts": counted(assessment.cautions),
        "groups": [
            {"title": group.title, "open": list(map(_caution, group.open)), "folded": list(map(_caution, group.folded))}
            for group in grouped(assessment.cautions, safety.rules)
        ],
        "untold": untold(safety),
        "rules": [
            {"figures": one, "measured": value_text(one.measured), "limit": value_text(one.limit)}
            for one in sorted(safety.rules, key=lambda one: [*OPEN, "within"].index(one.status))
        ],
        "risk": safety.risk,
        "exposure": exposure_legend(assessment),
        "exposure_ends_m": LOOKED_M if exposure is not None and np.isnan(exposure.nearest_m).any() else None,
        "volumes": len(scene.airspace or ()),
        "volumes_drawn": len(drawn_volumes(assessment)),
        "beneath": [
            {"kind": kind, "words": KINDS[kind], "given": count, "drawn": len(drawn[kind])}
            for kind, count in given.items()
        ],
        "overs": sum(
            caution.status == "over" and lonlat_of(caution.where) is not None for caution in assessment.cautions
        ),
    }


def _caution(caution: Caution) -> dict[str, Any]:
    return {"said": caution, "measure": measure_text(caution), "cited": cited_text(caution)}


def _accuracy_of(assessment: Assessment) -> dict[str, Any]:
    """Return what is said of accuracy, acceptance, checkpoints and chances."""
    quality = assessment.quality
    counts = Counter(clause.status for clause in quality.acceptance)
    return {
        "accuracy": assessment.forecast.accuracy,
        "acceptance": {status: counts[status] for status in STATUSES},
        "broken": [clause for clause in quality.acceptance if clause.status == "not met"],
        "layout": quality.checkpoints,
        "confidence": quality.confidence,
        "sure_chance": SURE_CHANCE,
        "error_legend": error_legend(assessment),
        "chance_legend": chance_legend(assessment),
    }
