"""The briefing of the crew: a page of the job and its cautions, then one page a sortie, to be printed on A4.

Lives here: the words and numbers of these pages. Must not know how anything was planned, nor how a picture is drawn.
"""

import datetime as dt
import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np

from planner.assessment import Assessment, LineFigures
from planner.files.articlefigures import article_contents
from planner.files.briefingcautions import front_cautions, light_on_m, light_words
from planner.files.briefingpictures import FOOT_M, LETTERS, is_wide, line_spans, plan_picture, profile_picture
from planner.files.checklistwords import checklist_contents
from planner.files.flightwords import KIND_WORDS, RESERVE_WORDS, SortieRow, sortie_rows
from planner.files.pages import write_page
from planner.files.sortiefiles import sortie_figures, takes_off_at
from planner.files.surewords import sure_text
from planner.flight.flightlines import FlightLine
from planner.flight.sorties import Sortie
from planner.safety.airspace import ROUNDING_M
from planner.survey.encounters import NEAR_M, Encounters, Spot, encounters

Row = dict[str, Any]

MOST_ROWS = 10
"""Rows of lines that a page of a sortie holds; more lines are told in runs of alike ones."""

_LOOSE_ROWS, _NAMES_ROOM = 6, 100

KNOTS_PER_MPS = 3600 / 1852


@dataclass(frozen=True)
class Height:
    """A height or a distance in metres and in feet, both from the one number that is shown."""

    m: str
    ft: str


def height_text(value_m: float, digits: int = 0) -> Height:
    """Return metres and feet to the same number of digits; turned back, the feet give the metres shown."""
    if not math.isfinite(value_m):
        return Height("not known", "not known")
    shown = round(float(value_m), digits) + 0.0
    return Height(_grouped(shown, digits), _grouped(shown / FOOT_M, digits))


def write_briefing(path: Path, assessment: Assessment) -> None:
    """Write the briefing of an assessment as one HTML file that needs nothing else.

    Parameters
    ----------
    path : Path
        File to write, UTF-8.
    assessment : Assessment
        Plan, sorties and cautions. Same assessment, same bytes.
    """
    checklist = checklist_contents(assessment, assessment.safety.risk)
    contents = _front(assessment) | {"checklist": checklist, "pages": _sortie_pages(assessment)}
    write_page(path, "briefing", contents, {"height": height_text, "clock": clock_text})


def clock_text(time_s: float) -> str:
    """Return a time since take-off as minutes and seconds."""
    seconds = round(time_s)
    return f"{seconds // 60}:{seconds % 60:02d}"


def _front(assessment: Assessment) -> Row:
    """Return what the first page says: the job in figures, faults and cautions."""
    mission, plan, flight = assessment.mission, assessment.plan, assessment.plan.flight
    return (
        {
            "mission": mission,
            "sure": sure_text(assessment),
            "date": mission.date.isoformat(),
            "heights": assessment.scene.heights,
            "lines": len(plan.lines),
            "batteries": flight.get("batteries"),
            "total": _hours(flight["time_s"]["total"]),
            "swap": _hours(flight["time_s"]["swap"]) if plan.sorties else None,
            "sorties": [
                _day_row(row, sortie) for row, sortie in zip(sortie_rows(assessment), plan.sorties, strict=True)
            ],
            "reserve_words": RESERVE_WORDS,
            "reserve_pct": f"{100 * mission.aircraft.battery_reserve_share:.0f}",
            "started": mission.conditions.start is not None,
            "why_unflown": [fault.what for fault in plan.unflown],
            "faults": list(dict.fromkeys((*assessment.unsafe, *plan.path_faults))),
            "all_lines": [] if plan.sorties else [_row([pair], None) for pair in _pairs(assessment, plan.lines)],
            "foot_m": FOOT_M,
        }
        | front_cautions(assessment)
        | article_contents(assessment)
    )


def _day_row(row: SortieRow, sortie: Sortie) -> Row:
    """Return a sortie in words, the names of its lines no longer than two lines of the page hold."""
    names = sortie.line_ids
    if len(row.lines) > _NAMES_ROOM:
        return vars(row) | {"lines": f"{names[0]} … {names[-1]}, {len(names)} lines"}
    return vars(row)


def _sortie_pages(assessment: Assessment) -> list[Row]:
    """Return what the page of each sortie says."""
    places = [row["take_off"] for row in sortie_figures(assessment)]
    told = zip(assessment.plan.sorties, places, sortie_rows(assessment), light_words(assessment), strict=True)
    return [
        _sortie_page(assessment, sortie, place) | {"row": vars(row), "dark": dark} for sortie, place, row, dark in told
    ]


def _sortie_page(assessment: Assessment, sortie: Sortie, place: Row) -> Row:
    met = encounters(assessment.mission, assessment.scene, sortie)
    wind_most = math.floor(10 * met.wind_most_mps + 1e-6) / 10
    return {
        "wide": is_wide(sortie),
        "clock": _clock(sortie, assessment),
        "lasts": clock_text(sortie.path.duration_s),
        "reserve_low": sortie.reserve_share_left < assessment.mission.aircraft.battery_reserve_share - 1e-9,
        "take_off": _take_off(place),
        "settings": _settings(sortie.lines),
        "plan": plan_picture(assessment, sortie, met),
        "profile": profile_picture(assessment, sortie, met),
        "lines": folded_rows(assessment, sortie),
        "dense": len(sortie.lines) > _LOOSE_ROWS,
        "checks": _checks(assessment, sortie, met),
        "light": _light(assessment, sortie),
        "wind_most": wind_most,
        "wind_knots": _span([wind_most * KNOTS_PER_MPS], 1),
    }  # fmt: skip


def _light(assessment: Assessment, sortie: Sortie) -> Row | None:
    """Return above which heights over the take-off place the laser's light may be on; empty where any will do."""
    heights = light_on_m(assessment, sortie)
    if heights is None:
        return None
    return {name: height_text(up, 1) if up else None for name, up in zip(("naked", "aided"), heights, strict=True)}


def _clock(sortie: Sortie, assessment: Assessment) -> Row:
    """Return day, take-off and landing on the clock, in UTC; after the first take-off where no start is given."""
    leaves = takes_off_at(sortie, assessment)
    if leaves is None:
        first, last = sortie.starts_s, sortie.starts_s + sortie.path.duration_s
        return {"day": assessment.mission.date.isoformat(), "leaves": f"+{_hours(first)}", "lands": f"+{_hours(last)}",
                "said": "h:mm after the first take-off"}  # fmt: skip
    lands = leaves + dt.timedelta(seconds=round(sortie.path.duration_s))
    return {"day": f"{leaves:%Y-%m-%d}", "leaves": f"{leaves:%H:%M:%S}", "lands": f"{lands:%H:%M:%S}", "said": "UTC"}


def _take_off(place: Row) -> Row:
    """Return longitude, latitude and the height of the ground, with what it is measured from."""
    known = [
        {"height": height_text(place[name], 1), "over": over}
        for name, over in (("ground_ortho_m", "orthometric"), ("ground_ellip_m", "ellipsoidal"))
        if place[name] is not None
    ]
    return {"lon": f"{place['lon_deg']:.6f}", "lat": f"{place['lat_deg']:.6f}", "ground": known}


def _settings(lines: Sequence[FlightLine]) -> list[tuple[str, str]]:
    """Return the settings of the sensor and the speed over the lines of a sortie."""
    rates = [line.line_rate_hz for line in lines]
    speeds = [line.speed_mps for line in lines]
    angles = [float(np.degrees(line.usable_half_angle_rad)) for line in lines]
    return [
        ("Pulse rate", f"{_span([line.pulse_rate_hz / 1e3 for line in lines], 1)} kHz"),
        ("Scan rate", f"{_span(rates, 1)} lines/s" if max(rates) > 0 else "fixed beam"),
        ("Speed", f"{_span(speeds, 1)} m/s ({_span([one * KNOTS_PER_MPS for one in speeds], 1)} kn)"),
        ("Usable opening", f"±{_span(angles, 1)}°"),
    ]


def _pairs(assessment: Assessment, lines: Sequence[FlightLine]) -> list[tuple[FlightLine, LineFigures]]:
    """Return lines with their figures, which the plan keeps in the order of its own lines."""
    plan = assessment.plan
    figures = {line.line_id: one for line, one in zip(plan.lines, plan.figures, strict=True)}
    return [(line, figures[line.line_id]) for line in lines]


def folded_rows(assessment: Assessment, sortie: Sortie, most: int = MOST_ROWS) -> list[Row]:
    """Return the lines of a sortie in the order flown, in no more rows than fit: neighbours most alike share one."""
    runs = [[pair] for pair in _pairs(assessment, sortie.lines)]
    while len(runs) > most:
        unlike = [_unlikeness(first + second) for first, second in pairwise(runs)]
        which = unlike.index(min(unlike))
        runs[which : which + 2] = [runs[which] + runs[which + 1]]
    return [_row(run, sortie) for run in runs]


def _unlikeness(run: Sequence[tuple[FlightLine, LineFigures]]) -> float:
    """Return how far lines of a run differ in length, heights and speed; long runs count as less alike."""
    values = np.array([(one.length_m, one.agl_min_m, line.points_m[:, 2].max(), line.speed_mps) for line, one in run])
    return float((np.ptp(values, axis=0) / np.maximum(values.max(axis=0), 1.0)).sum()) + 0.05 * len(run)


def _row(run: Sequence[tuple[FlightLine, LineFigures]], sortie: Sortie | None) -> Row:
    """Return a row of the table of lines: one, or a run of alike ones with the span of each figure."""
    lines, figures = [line for line, _ in run], [one for _, one in run]
    headings = dict.fromkeys(f"{round(one.heading_deg) % 360:03d}°" for one in figures)
    agl = [min(one.agl_min_m for one in figures), max(one.agl_max_m for one in figures)]
    row = {
        "name": lines[0].line_id if len(lines) == 1 else f"{lines[0].line_id} … {lines[-1].line_id}",
        "count": len(lines),
        "heading": " / ".join(list(headings)[:2]) + ("…" if len(headings) > 2 else ""),
        "length": _span([one.length_m for one in figures]),
        "agl": _both(agl),
        "speed": _span([line.speed_mps for line in lines], 1),
        "unsafe": any(one.unsafe for one in figures),
    }
    if sortie is None:
        return row
    ups = [line.points_m[:, 2] - sortie.take_off_m[2] for line in lines]
    begins_s = {name: float(sortie.path.times_s[span.start]) for name, span in line_spans(sortie)}
    begins = begins_s.get(lines[0].line_id)
    above = _both([min(float(up.min()) for up in ups), max(float(up.max()) for up in ups)])
    return row | {"above": above, "begins": "" if begins is None else clock_text(begins)}


def _checks(assessment: Assessment, sortie: Sortie, met: Encounters) -> Row:
    """Return what is held against limits on this sortie, and what stands near its way."""
    limits, hazards = assessment.mission.limits, assessment.mission.hazards
    near, high, kept, tallest = met.nearest, met.highest, met.keep_out, met.tallest
    zero_m = float(sortie.take_off_m[2])
    return {
        "letters": LETTERS,
        "near": _spot(near, 1, math.floor) | {"to": met.nearest_to},
        "too_near": near is not None and near.value_m < limits.clearance_m - ROUNDING_M,
        "clearance": height_text(limits.clearance_m, 1),
        "unknown": met.unknown,
        "far": _spot(met.farthest, 0, math.ceil),
        "sight": None if met.sight_limit_m is None else height_text(math.floor(met.sight_limit_m)),
        "too_far": met.sight_limit_m is not None and met.farthest.value_m > met.sight_limit_m + ROUNDING_M,
        "high": _spot(high, 1, math.ceil),
        "too_high": high is not None and high.value_m > limits.ceiling_agl_m + ROUNDING_M,
        "ceiling": height_text(limits.ceiling_agl_m, 1),
        "top": height_text(float(sortie.path.points_m[:, 2].max()) - zero_m, 1),
        "tallest": tallest and {
            "name": tallest.name, "kind": KIND_WORDS[tallest.kind],
            "above_ground": height_text(met.tallest_agl_m, 1),
            "above": height_text(tallest.top_m - zero_m, 1),
        },
        "near_m": f"{NEAR_M:g}",
        "kept": _spot(kept, 1, math.floor) | {"to": met.keep_out_from},
        "inside": kept is not None and kept.value_m < hazards.keep_out_margin_m - ROUNDING_M,
        "margin": height_text(hazards.keep_out_margin_m, 1),
    }  # fmt: skip


def _spot(spot: Spot | None, digits: int, toward: Any) -> Row:
    """Return a place of a check: its value, turned toward the careful side where it is cut, clock and leg."""
    if spot is None:
        return {"known": False}
    scale = 10**digits
    careful = -1e-6 if toward is math.ceil else 1e-6
    value = toward(spot.value_m * scale + careful) / scale
    return {"known": True, "value": height_text(value, digits), "at": clock_text(spot.time_s), "leg": spot.leg}


def _both(values_m: Sequence[float]) -> Height:
    """Return the span of heights in metres and feet."""
    shown = [height_text(value) for value in values_m]
    texts = (list(dict.fromkeys(one.m for one in shown)), list(dict.fromkeys(one.ft for one in shown)))
    return Height("–".join(texts[0]), "–".join(texts[1]))


def _span(values: Sequence[float], digits: int = 0) -> str:
    """Return the least and greatest of values, one where they read alike; no nought behind the point."""
    texts = [_grouped(value, digits) for value in (min(values), max(values))]
    if digits:
        texts = [text.rstrip("0").rstrip(".") for text in texts]
    return "–".join(dict.fromkeys(texts))


def _grouped(value: float, digits: int = 0) -> str:
    """Return a number, thousands set apart by a narrow space, with a minus that is seen."""
    return f"{value:,.{digits}f}".replace(",", "\u202f").replace("-", "−")


def _hours(time_s: float) -> str:
    """Return a time as hours and minutes."""
    minutes = round(time_s / 60)
    return f"{minutes // 60}:{minutes % 60:02d}"
