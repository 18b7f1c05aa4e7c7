"""What the report says of sorties, batteries and hazards.

Lives here: the tables of these sections, and where the time of a flight goes. Must not know how any of it was planned.
"""

from collections.abc import Mapping, Sequence
from typing import Any

from planner.assessment import Assessment, MendStep
from planner.files.flightwords import (
    KIND_WORDS,
    RESERVE_WORDS,
    above_ground_text,
    doubt_text,
    sortie_rows,
    span_text,
)
from planner.flight.sorties import Sortie
from planner.ground.geodesy import geodesic_area_m2

Row = dict[str, Any]

PART_WORDS = {
    "climb": "climb",
    "ferry": "ferry to the first line",
    "align": "alignment",
    "lead": "lead-in and lead-out",
    "lines": "lines, data kept",
    "turns": "turns",
    "return": "way back",
    "descent": "descent",
    "swap": "on the ground between sorties",
}
"""Parts of the time of a flight in the order flown; together they are all of it."""


def flight_contents(assessment: Assessment) -> Row:
    """Return what the sections on sorties and hazards say, by section."""
    sorties, flight = assessment.plan.sorties, assessment.plan.flight
    aircraft = assessment.mission.aircraft
    return {
        "sorties": sortie_rows(assessment),
        "started": assessment.mission.conditions.start is not None,
        "sets": flight.get("batteries", 0),
        "reserve_words": RESERVE_WORDS,
        "reserve_pct": 100 * aircraft.battery_reserve_share,
        "swap_min": aircraft.swap_s / 60,
        "waits": _waits(sorties, aircraft.swap_s),
        "why_unflown": [fault.what for fault in assessment.plan.unflown],
        "time_budget": time_bars(flight["time_s"]),
        "total_min": flight["time_s"]["total"] / 60,
        "changes": assessment.plan.changes,
        "hazards": _hazards(assessment),
    }


def mending_rows(steps: Sequence[MendStep]) -> list[Row]:
    """Return a row for each step by which a plan was mended, in order."""
    return [
        {
            "what": step.what,
            "why": step.why,
            "before": f"{step.below_before_m2:.0f}",
            "after": f"{step.below_after_m2:.0f}",
            "minutes": f"{step.minutes_added:+.1f}" if step.minutes_added else "–",
        }
        for step in steps
    ]


def time_bars(time_s: Mapping[str, float]) -> list[Row]:
    """Return a bar for each part of the time of a flight: minutes, share and start of the whole [percent].

    Parts of no length have none; each bar begins where the one before ends.
    """
    total_s, bars, before_s = time_s["total"], [], 0.0
    for name, words in PART_WORDS.items():
        part_s = time_s.get(name, 0.0)
        if part_s > 0:
            share, left = 100 * part_s / total_s, 100 * before_s / total_s
            bars.append({"name": words, "minutes": part_s / 60, "share": share, "left": left})
        before_s += part_s
    return bars


def _waits(sorties: tuple[Sortie, ...], swap_s: float) -> list[Row]:
    """Return the sorties that wait on the ground for longer than a swap: no charged battery is at hand."""
    waits, landed_s = [], None
    for sortie in sorties:
        if landed_s is not None and sortie.starts_s - landed_s > swap_s + 1:
            waits.append({"number": sortie.number, "minutes": (sortie.starts_s - landed_s) / 60})
        landed_s = sortie.starts_s + sortie.path.duration_s
    return waits


def _hazards(assessment: Assessment) -> Row:
    """Return the obstacles and areas that the path was held against, and what is known of wires."""
    scene, declared = assessment.scene, assessment.mission.hazards
    return {
        "obstacles": [
            {
                "name": thing.name,
                "kind": KIND_WORDS[thing.kind],
                "top": f"{thing.top_m:.1f}",
                "above": above_ground_text(thing, scene),
                "sag": f", sags by up to {thing.sag_m:.1f} m" if thing.sag_m > 0 else "",
                "doubt": doubt_text(thing),
            }
            for thing in scene.obstacles
        ],
        "keep_outs": [
            {
                "name": area.name,
                "closed": span_text(area, scene),
                "area_m2": geodesic_area_m2(scene.frame, area.polygon),
            }
            for area in scene.keep_outs
        ],
        "sensitive": [
            {"name": area.name, "cost": f"{1 + area.cost:g}", "area_m2": geodesic_area_m2(scene.frame, area.polygon)}
            for area in scene.sensitive
        ],
        "heights": scene.heights,
        "margin_m": declared.keep_out_margin_m,
        "clearance_m": assessment.mission.limits.clearance_m,
        "wires": next((caution for caution in assessment.cautions if caution.caution_id == "wires"), None),
    }
