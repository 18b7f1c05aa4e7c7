"""What the outputs say of published rules of survey work: figures, check areas as GeoJSON, and tables of pages.

Lives here: these by the names of the schema, and the words of their tables. Must not know how any rule was judged.
"""

from typing import Any

from planner.articles import Article, Articles, CheckArea
from planner.assessment import Assessment
from planner.files.planfiles import DEGREE_DIGITS, HEIGHT_DIGITS
from planner.ground.surface import Scene
from planner.surveyrules import Measure

MEASURE_WORDS: dict[Measure, str] = {
    "gnss_logging": "logging of satellites",
    "test_age": "test of the sensor",
    "point_spacing": "point spacing",
    "incidence": "angle of beams",
    "distance": "distance",
    "sidelap": "sidelap",
    "extent": "beyond the boundary",
    "course": "courses",
    "check_areas": "check areas",
    "inspection": "inspection",
}

NO_ACCEPTANCE = "The table says what was computed from the plan and its forecast; whether work keeps to the rules the \
surveyor in charge decides, and nothing here is an acceptance."

_MARKS = {"satisfied": "met", "not satisfied": "not met", "declare": "assumed"}


def article_figures(assessment: Assessment) -> dict[str, Any]:
    """Return the key of summary.json on rules of survey work, null where the mission names none."""
    found = assessment.survey_articles
    if found is None:
        return {"survey_rules": None}
    rules, areas = found.rules, found.check_areas
    return {
        "survey_rules": {
            "name": rules.name,
            "document": rules.document,
            "part": rules.part,
            "read_on": rules.read_on.isoformat(),
            "theta": found.theta,
            "required_per_m2": found.required_per_m2,
            "planned_per_m2": found.planned_per_m2,
            "articles": [_article(one) for one in found.articles],
            "overlaps": len(areas.overlaps),
            "overlaps_lacking": [list(pair) for pair in areas.lacking],
            "check_areas": [area_row(one, assessment.scene) for one in areas.areas],
        }
    }


def _article(one: Article) -> dict[str, Any]:
    rule = one.rule
    judged = {"asked": one.asked, "found": one.found, "status": one.status, "note": one.note}
    said = {"article": rule.article, "measure": rule.measure, "rule": rule.text}
    return said | judged | {"citation": rule.citation, "mark": rule.mark}


def area_row(area: CheckArea, scene: Scene) -> dict[str, Any]:
    """Return a check area by the names of its files, rounded as it is written."""
    lon, lat = (float(value) for value in scene.frame.to_lonlat(area.east_m, area.north_m))
    return {
        "id": area.area_id,
        "courses": list(area.courses),
        "longitude": round(lon, DEGREE_DIGITS),
        "latitude": round(lat, DEGREE_DIGITS),
        "height_m": round(area.up_m, HEIGHT_DIGITS),
        "side_m": round(area.side_m, HEIGHT_DIGITS),
        "slope_deg": round(area.slope_deg, 1),
    }


def check_areas_geojson(found: Articles, scene: Scene) -> dict[str, Any]:
    """Return check areas as an RFC 7946 FeatureCollection of points; heights are the scene's, in properties."""
    features = []
    for area in found.check_areas.areas:
        row = area_row(area, scene)
        geometry = {"type": "Point", "coordinates": [row["longitude"], row["latitude"]]}
        told = {"kind": "check area", "heights": scene.heights} | row
        features.append({"type": "Feature", "id": row["id"], "geometry": geometry, "properties": told})
    said = (
        "Places at which heights of two neighbouring courses are to be compared: squares or circles of the side given."
    )
    head = {"definition": said, "rules": found.rules.name}
    return {"type": "FeatureCollection", "name": "check_areas"} | head | {"features": features}


def article_contents(assessment: Assessment) -> dict[str, Any]:
    """Return what pages say of rules of survey work: `articles`, None where the mission names none."""
    found = assessment.survey_articles
    if found is None:
        return {"articles": None}
    rows = [_row(one) for one in found.articles]
    half = (len(rows) + 1) // 2
    counts = {status: sum(one.status == status for one in found.articles) for status in _MARKS}
    return {
        "articles": {
            "rules": found.rules,
            "theta": f"{found.theta:g}",
            "required": f"{found.required_per_m2:.4g}",
            "planned": f"{found.planned_per_m2:.4g}",
            "rows": rows,
            "halves": [rows[:half], rows[half:]],
            "counts": [(status, count) for status, count in counts.items() if count],
            "areas": [_area(area_row(one, assessment.scene)) for one in found.check_areas.areas],
            "heights": assessment.scene.heights,
            "standing": NO_ACCEPTANCE,
        }
    }


def _row(one: Article) -> dict[str, Any]:
    name = f"{one.rule.article} {MEASURE_WORDS[one.measure]}"
    return {"name": name, "said": one, "mark": _MARKS[one.status], "words": WORDS.get(one.status, one.status)}


WORDS = {"declare": "to be shown"}
"""What pages call a status that needs more words."""


def _area(row: dict[str, Any]) -> dict[str, str]:
    return {
        "id": row["id"],
        "courses": " and ".join(row["courses"]),
        "longitude": f"{row['longitude']:.6f}",
        "latitude": f"{row['latitude']:.6f}",
        "height": f"{row['height_m']:.1f}",
        "side": f"{row['side_m']:.2f}",
        "slope": f"{row['slope_deg']:.1f}",
    }
