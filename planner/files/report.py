"""The report: one HTML file that says in words, tables and pictures what the forecast found, on screen and on paper.

Lives here: the words of the report, its number formats and what each table holds. Must not know how anything was
planned or judged.
"""

import math
from pathlib import Path
from typing import Any

from planner.assessment import Assessment
from planner.files import reportplots as plots
from planner.files.articlefigures import article_contents
from planner.files.costfigures import cost_text
from planner.files.mapclasses import CAUSE_INK, CAUSE_RGB, hex_of, legend
from planner.files.pages import write_page
from planner.files.reportdecisions import decision_contents
from planner.files.reportflight import flight_contents
from planner.files.reportquality import FILTERS, quality_contents
from planner.files.reportsafety import safety_contents
from planner.files.surewords import sure_text
from planner.forecast.gaps import CAUSES, Gap
from planner.forecast.parts import PartFigures

UNKNOWN = "not known"

LISTED_GAPS = 10
"""Gaps that are listed with their places, largest first."""

WORST_PARTS = 3
"""Parts of the site that are named at the top, worst first."""

CAUSE_WORDS = {
    "no terrain": (
        "The terrain raster holds no heights here, so nothing can be forecast.",
        "Bring terrain that covers it, or take it out of the area.",
    ),
    "no line": (
        "No kept part of a line passes abeam.",
        "Add a line over it, or keep data on a longer part of the nearest.",
    ),
    "outside swath": (
        "Lines pass, but it lies beyond the usable edge of every swath.",
        "Bring the lines closer together, or add one.",
    ),
    "minimum range": (
        "It comes nearer to the sensor than the shortest range that it measures.",
        "Fly higher over it.",
    ),
    "shadow": (
        "Something that stands higher hides it from the lines.",
        "Add a second pass from another side, across the first.",
    ),
    "range ambiguity": (
        "Echoes arrive while a later pulse leaves, or nothing tells which pulse they belong to.",
        "Choose another pulse rate, or another height.",
    ),
    "over range": (
        "It lies farther away than the sensor reaches in this air and light.",
        "Fly lower, or at a lower pulse rate that reaches farther.",
    ),
    "water": (
        "Open water sends most of the light away from the sensor: expected, and no failure.",
        "None is needed; what lies under the water takes another kind of survey.",
    ),
    "dim surface": (
        "The surface sends back too little light at this wavelength: it is dark, wet, or seen at a slant.",
        "Fly on a dry day, lower, or at a lower pulse rate; or take another wavelength.",
    ),
    "canopy": (
        "Crowns catch the light before it reaches the ground.",
        "Fly when leaves are off, or slower and with a narrower opening; or add a second pass.",
    ),
    "sparse": (
        "Pulses reach it, but too few of them.",
        "Fly slower, at a higher pulse rate that still reaches, or add a second pass.",
    ),
    "height error": (
        "It has its density with the confidence asked for, but not together with the height error.",
        "Fly lower, with a narrower opening, or add a second pass.",
    ),
}
"""What each cause means and what can be done, one sentence each."""


def write_report(path: Path, assessment: Assessment) -> None:
    """Write the report of an assessment as one HTML file that needs nothing else.

    Parameters
    ----------
    path : Path
        File to write, UTF-8.
    assessment : Assessment
        Plan, forecast and cautions. Same assessment, same bytes.
    """
    filters = FILTERS | {
        "area": area_text, "added": added_text, "per_m2": density_text, "metres": metres_text,
        "share": share_text,
    }  # fmt: skip
    write_page(path, "report", _contents(assessment), filters)


def area_text(area_m2: float) -> str:
    """Return an area [m2], whole from 100 on, thousands set apart by a narrow space."""
    digits = 0 if abs(area_m2) >= 100 or float(area_m2).is_integer() else 2
    return f"{area_m2:,.{digits}f}".replace(",", "\u202f")


def added_text(area_m2: float) -> str:
    """Return a change of area [m2] with its sign; none for no change."""
    sign = "+" if area_m2 > 0 else "−" if area_m2 < 0 else ""
    return sign + area_text(abs(area_m2))


def density_text(value_per_m2: float, target_per_m2: float | None = None) -> str:
    """Return a density [1/m2], with as many digits as show on which side of a target it lies."""
    if math.isnan(value_per_m2):
        return UNKNOWN
    if value_per_m2 == 0:
        return "0"
    least = 1 if value_per_m2 >= 10 else 2
    texts = [f"{value_per_m2:.{digits}f}" for digits in range(least, 7)]
    if target_per_m2 is None:
        return texts[0]
    met = value_per_m2 >= target_per_m2
    return next((text for text in texts if (float(text) >= target_per_m2) == met), texts[-1])


def metres_text(value_m: float, digits: int = 0) -> str:
    """Return a length [m]."""
    return UNKNOWN if math.isnan(value_m) else f"{value_m:,.{digits}f}".replace(",", "\u202f")


def share_text(value_pct: float) -> str:
    """Return a share [percent]; a share that is not nought never reads as nought."""
    if value_pct == 0:
        return "0"
    texts = [f"{value_pct:.{digits}f}" for digits in range(2, 8)]
    return next((text for text in texts if float(text) != 0), texts[-1]).replace("-", "−")


def _contents(assessment: Assessment) -> dict[str, Any]:
    """Return what the page says."""
    forecast, mission = assessment.forecast, assessment.mission
    minutes = round(assessment.plan.flight["time_s"]["total"] / 60)
    view = plots.view_of(assessment)
    return (
        quality_contents(assessment, view)
        | flight_contents(assessment)
        | decision_contents(assessment)
        | safety_contents(assessment)
        | article_contents(assessment)
        | {
            "mission": mission,
            "wavelength": f"{mission.sensor.wavelength_nm:g} nm",
            "met": assessment.met,
            "density": forecast.density,
            "sure": sure_text(assessment),
            "coverage": forecast.coverage,
            "faces": forecast.faces,
            "judged": mission.requirement.returns,
            "cases": _cases(assessment),
            "parts": _parts(assessment),
            "worst_parts": _worst_parts(assessment),
            "causes": _causes(assessment),
            "gaps": _gaps(assessment),
            "gap_count": len(_failures(assessment)),
            "plan": assessment.plan,
            "time": f"{minutes // 60}:{minutes % 60:02d}",
            "assumptions": assessment.assumptions,
            "unsafe": assessment.unsafe,
            "costs": cost_text(assessment),
            "pictures": _pictures(assessment, view),
        }
    )


def _cases(assessment: Assessment) -> list[dict[str, Any]]:
    """Return a row for each case, as planned first, with what it adds to that."""
    cases = assessment.forecast.cases
    return [
        {
            "figures": case,
            "added_m2": case.below_m2 - cases[0].below_m2,
            "added_pct": case.below_pct - cases[0].below_pct,
            "planned": number == 0,
        }
        for number, case in enumerate(cases)
    ]


def _parts(assessment: Assessment) -> list[dict[str, Any]]:
    """Return the tables of parts: classes of surface, then features, each with the bars of its cases."""
    forecast = assessment.forecast
    tables = (
        ("By class of surface", "class", "Class of surface", forecast.by_class),
        ("By named feature", "feature", "Feature", forecast.by_feature),
    )
    return [
        {
            "title": title,
            "key": key,
            "heading": heading,
            "rows": [{"figures": part, "causes": _by_area(part)} for part in parts],
            "bars": plots.case_bars(parts, forecast.cases),
        }
        for title, key, heading, parts in tables
        if parts
    ]


def _by_area(part: PartFigures) -> list[tuple[str, float, str]]:
    """Return the causes of a part with area [m2] and colour, largest first."""
    causes = sorted(part.by_cause_m2.items(), key=lambda pair: -pair[1])
    return [(cause, area, _colour(cause)) for cause, area in causes if area > 0]


def _causes(assessment: Assessment) -> list[dict[str, Any]]:
    """Return a row for each cause that takes any area, largest first."""
    coverage = assessment.forecast.coverage
    found = [(cause, area) for cause, area in coverage.by_cause_m2.items() if area > 0 and cause != "water"]
    return [
        {
            "name": cause,
            "area_m2": area,
            "share_pct": 100 * area / coverage.below_m2,
            "colour": _colour(cause),
            "meaning": CAUSE_WORDS[cause][0],
            "remedy": CAUSE_WORDS[cause][1],
        }
        for cause, area in sorted(found, key=lambda pair: -pair[1])
    ]


def _worst_parts(assessment: Assessment) -> list[dict[str, Any]]:
    """Return the features, or where none is named the classes, that lack most of their area as planned."""
    forecast = assessment.forecast
    parts = [part for part in forecast.by_feature or forecast.by_class if part.below_m2 and part.below_m2[0] > 0]
    parts.sort(key=lambda part: -part.below_m2[0] / part.area_m2)
    return [
        vars(part) | {"cause": next((cause for cause, _, _ in _by_area(part) if cause != "water"), UNKNOWN)}
        for part in parts[:WORST_PARTS]
    ]


def _failures(assessment: Assessment) -> list[Gap]:
    """Return the gaps that are no declared water, largest first."""
    return [gap for gap in assessment.forecast.gaps if gap.cause != "water"]


def _gaps(assessment: Assessment) -> list[dict[str, Any]]:
    """Return a row for each of the largest gaps; the place is a point inside it, on WGS 84 [deg]."""
    rows = []
    for gap in _failures(assessment)[:LISTED_GAPS]:
        inside = gap.polygon.representative_point()
        lon, lat = assessment.scene.frame.to_lonlat(inside.x, inside.y)
        place = {"lon_deg": f"{float(lon):.6f}", "lat_deg": f"{float(lat):.6f}"}
        rows.append({"figures": gap, "colour": _colour(gap.cause), **place})
    return rows


def _pictures(assessment: Assessment, view: plots.View) -> dict[str, Any]:
    """Return what the page draws of the site as planned and in each case."""
    forecast = assessment.forecast
    return {
        "frame": plots.site_frame(assessment, view),
        "density": plots.density_map(assessment, view),
        "causes": plots.cause_map(assessment, view, _failures(assessment)[:LISTED_GAPS]),
        "cases": [plots.case_map(case, forecast.cases[0], forecast.cells, view) for case in forecast.cases],
        "histogram": plots.histogram(assessment),
        "classes": legend(assessment)["density"],
        "case_colours": [hex_of(rgb) for rgb in plots.CASE_RGB],
        "cause_names": [
            {"name": cause, "colour": hex_of(rgb), "ink": hex_of(ink)}
            for cause, rgb, ink in zip(CAUSES, CAUSE_RGB, CAUSE_INK, strict=True)
            if cause in {gap.cause for gap in forecast.gaps}
        ],
    }


def _colour(cause: str) -> str:
    """Return the colour that the map gives a cause."""
    return hex_of(CAUSE_RGB[CAUSES.index(cause)])
