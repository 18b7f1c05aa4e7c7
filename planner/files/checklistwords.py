"""The crew's checklist for pages: facts of a job, and rows by section.

Lives here: what the checklist reads from an assessment, and its items as rows. Must not know pages or what is asked.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TypedDict

from planner.assessment import Assessment
from planner.safety.checkfacts import Facts
from planner.safety.checklist import BLANKS, checklist
from planner.safety.checktasks import SECTIONS
from planner.safety.groundrisk import GroundRisk
from planner.survey import rating_of
from planner.survey.flying import sensitive_m

MARKS = {"over": "over", "cannot tell": "cannot tell", "note": ""}
"""What stands beside an item that is still to be settled; in words, for print without colour."""


@dataclass(frozen=True)
class CheckRow:
    """One line of the checklist in words.

    Attributes
    ----------
    mark : str
        ``"over"`` or ``"cannot tell"`` where something is to be settled, else empty.
    text, with_whom, why : str
        What to verify, with whom, and what was found that asks for it.
    """

    mark: str
    text: str
    with_whom: str
    why: str


@dataclass(frozen=True)
class CheckSection:
    """The rows of one part of the work, those to be settled first."""

    title: str
    rows: tuple[CheckRow, ...]


class Checklist(TypedDict):
    """The checklist as a page takes it.

    Attributes
    ----------
    sections : list of CheckSection
        In the order of the work, those without rows left out.
    open : int
        How many rows are still to be settled.
    blanks : tuple of str
        Whose names and telephone numbers are filled in by hand.
    """

    sections: list[CheckSection]
    open: int
    blanks: tuple[str, ...]


def checklist_contents(assessment: Assessment, risk: GroundRisk | None = None) -> Checklist:
    """Return the rows of a job's checklist, by section.

    Parameters
    ----------
    assessment : Assessment
        The job with its cautions.
    risk : GroundRisk or None
        What lies beneath the flight; None where nobody looked.
    """
    items = checklist(assessment.cautions, facts_of(assessment, risk))
    sections = []
    for title in SECTIONS:
        rows = tuple(
            CheckRow(MARKS[one.status], one.text, one.with_whom, one.why) for one in items if one.section == title
        )
        if rows:
            sections.append(CheckSection(title, rows))
    return {"sections": sections, "open": sum(one.is_open for one in items), "blanks": BLANKS}


def facts_of(assessment: Assessment, risk: GroundRisk | None = None) -> Facts:
    """Return what of a job shapes its checklist."""
    mission, scene, plan = assessment.mission, assessment.scene, assessment.plan
    air, aircraft = mission.conditions, mission.aircraft
    ratings = [rating_of(mission, rate) for rate in sorted({line.pulse_rate_hz for line in plan.lines})]
    hazards_m = [one.hazard_distance_m for one in ratings if one.hazard_distance_m is not None]
    tallest, tallest_agl_m = _tallest(assessment)
    crossed_m = sensitive_m(scene, plan.lines, plan.sorties)
    fastest_mps = max((line.speed_mps for line in plan.lines), default=0.0)
    return Facts(
        date=mission.date,
        lines=len(plan.lines),
        lowest_agl_m=min((one.agl_min_m for one in plan.figures), default=float("nan")),
        highest_agl_m=max((one.agl_max_m for one in plan.figures), default=float("nan")),
        clearance_m=mission.limits.clearance_m,
        sorties=len(plan.sorties),
        take_off_places=len({tuple(one.take_off_m.tolist()) for one in plan.sorties}) or len(mission.take_off_deg),
        checkpoints=len(assessment.quality.checkpoints.points),
        sensor=mission.sensor.name,
        laser_classes=tuple(sorted({one.laser_class for one in ratings})) or ("unknown",),
        hazard_distance_m=max(hazards_m, default=None),
        reserve_share=aircraft.battery_reserve_share,
        batteries=aircraft.batteries,
        wind_mps=air.wind_mps,
        wind_most_mps=max(aircraft.airspeeds_mps[1] - fastest_mps, 0.0),
        temperature_c=air.temperature_c,
        surfaces=air.surfaces,
        falling=air.rain_mm_h > 0 or air.snow_mm_h > 0,
        night=air.night,
        alignment_s=mission.navigation.alignment_s,
        tallest=tallest,
        tallest_agl_m=tallest_agl_m,
        keep_outs=_once([one.name for one in scene.keep_outs]),
        sensitive=_once([one.name for one, metres in zip(scene.sensitive, crossed_m, strict=True) if metres > 0]),
        overflown=_once([one.name for one in risk.crossings if one.passes] if risk is not None else []),
        permissions=mission.rules.permissions,
    )


def _tallest(assessment: Assessment) -> tuple[str, float | None]:
    """Return name and height above its ground [m] of the tallest obstacle, none where that is not known."""
    scene, found = assessment.scene, []
    for thing in scene.obstacles:
        middle = thing.outline.representative_point()
        found.append((thing.top_m - float(scene.ground.at(middle.x, middle.y)), thing.name))
    known = [one for one in found if one[0] == one[0]]
    if known:
        height_m, name = max(known)
        return name, height_m
    return (found[0][1], None) if found else ("", None)


def _once(names: Sequence[str]) -> tuple[str, ...]:
    return tuple(dict.fromkeys(names))
