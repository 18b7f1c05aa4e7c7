"""The offline map: one HTML file with lines, forecast, gaps and cautions, that opens with the network off.

Lives here: the layers of the map and the page around it. Must not know how anything was planned or judged.

No text of a user passes through folium, which would run it as template and as script: layers carry numbers only,
the words stand in a JSON block and in a page that escapes them.
"""

import json
from dataclasses import asdict
from pathlib import Path
from typing import Any, cast

import numpy as np
import numpy.typing as npt
import shapely

from planner.assessment import Assessment
from planner.files.mapaccuracy import accuracy_layers
from planner.files.mapassets import Picture, class_picture, guarded, inlined, relief_picture, text_of
from planner.files.mapclasses import CAUSE_INK, CellLayer, cell_layers, hex_of, palette, unjudged_density
from planner.files.mapflight import STYLES, flight_layers, take_off_shapes
from planner.files.mappanel import panel_of
from planner.files.mapsafety import STYLES as SAFETY_STYLES
from planner.files.mapsafety import exposure_layers, safety_layers
from planner.files.mapshapes import course, feature, numbered, point, polygons, rings, word_number
from planner.files.mapwords import Said, checkpoint_said, feature_said, gap_said, line_said, thousands
from planner.files.sortiefiles import sortie_of_lines
from planner.forecast.density import means_within
from planner.forecast.gaps import CAUSES, Gap

_MOST_GAPS, _MOST_VERTICES, _TABBED_GAPS = 1000, 30_000, 25
"""Gaps and gap vertices that are outlined, so that the file stays small, and gaps that the tab key visits."""

_LINE_INK, _LINE_OVER = "#16202b", "#b0005e"
_STYLES: dict[str, dict[str, Any]] = {
    "planned": {"color": "#3d4b57", "weight": 1.5, "dashArray": "2 6", "fill": False, "interactive": False},
    "area": {"color": "#16202b", "weight": 2.5, "fill": False, "interactive": False},
    # No tint, which would change the colours of the cells; it takes the click all the same.
    "feature": {"color": "#5b2a86", "weight": 3, "dashArray": "9 4", "fillOpacity": 0},
    "casing": {"color": "#ffffff", "weight": 6, "opacity": 0.85, "interactive": False},
    "lead": {"color": _LINE_INK, "weight": 1.5, "dashArray": "5 5", "interactive": False},
    "kept": {"color": _LINE_INK, "weight": 2.5, "interactive": False},
    "over": {"color": _LINE_OVER, "weight": 3.5, "interactive": False},
    "hit": {"color": "#ffffff", "weight": 18, "opacity": 0, "className": "line-hit"},
    "point": {},
} | {role: dict(style) for role, style in {**SAFETY_STYLES, **STYLES}.items()}


def write_map(path: Path, assessment: Assessment) -> None:
    """Write the map of an assessment as one HTML file that needs nothing else.

    Parameters
    ----------
    path : Path
        File to write, UTF-8.
    assessment : Assessment
        Plan, forecast and cautions. Same assessment, same bytes.
    """
    path.write_text(_page(assessment), encoding="utf-8", newline="\n")


def _page(assessment: Assessment) -> str:
    """Return the whole page."""
    import jinja2

    words: list[Said] = []
    html = _chart(assessment, words)
    pages = jinja2.Environment(autoescape=True, undefined=jinja2.StrictUndefined, trim_blocks=True, lstrip_blocks=True)
    pages.filters["thousands"] = thousands
    panel = pages.from_string(text_of("panel.html")).render(panel_of(assessment, len(_outlined_gaps(assessment))))
    title = pages.from_string("{{ name }}: survey map").render(name=assessment.mission.name)
    head = (
        f"<title>{title}</title>\n"
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n<link rel="icon" href="data:,">\n'
        f"<!--\n{text_of('leaflet_licence.txt')}-->"
    )
    html = inlined(html, ("leaflet.js", "leaflet.css", "map.js", "map.css"))
    html = guarded(html.replace("<html>", '<html lang="en">', 1).replace("</head>", f"{head}\n</head>", 1))
    texts = (
        json.dumps([asdict(said) for said in words])
        .replace("<", "\\u003c")
        .replace(">", "\\u003e")
        .replace("&", "\\u0026")
    )
    return html.replace(
        '<div id="panel"></div>', f'{panel}\n<script type="application/json" id="words">{texts}</script>', 1
    )


def _chart(assessment: Assessment, words: list[Said]) -> str:
    """Return the page as folium makes it, links still in place; `words` is filled with the texts of the popups."""
    import folium
    from branca.element import MacroElement
    from folium.template import Template

    scene, cells = assessment.scene, assessment.forecast.cells
    frame = scene.frame
    place = (frame, cells.west_m, cells.north_m, cells.cell_m)
    top = np.where(scene.top.known, scene.top.heights_m, np.nan)
    corners = np.reshape(scene.planned.bounds, (2, 2))
    risk = assessment.safety.risk
    beside = [] if risk is None else [np.reshape(risk.buffer.bounds, (2, 2))]
    seen = np.vstack([corners, *_flown_m(assessment), *beside])
    lon, lat = frame.to_lonlat(*np.array([seen.min(axis=0), seen.max(axis=0)]).T)

    chart: Any = folium.Map(tiles=None, attribution_control=False, max_zoom=23, zoom_snap=0.25, zoom_delta=0.5)
    chart.default_js = [("leaflet", "leaflet.js"), ("map_code", "map.js")]
    chart.default_css = [("leaflet_style", "leaflet.css"), ("map_style", "map.css")]
    chart._template = Template(text_of("chart.html"))
    chart.frame_deg = [[lat[0], lon[0]], [lat[1], lon[1]]]

    def picture(shown: Picture, pane: str, name: str, alt: str) -> Any:
        return folium.raster_layers.ImageOverlay(
            shown.url, shown.bounds_deg, pixelated=False, show=False, pane=pane, class_name=name, alt=alt
        )

    def shapes(features: list[dict[str, Any]], pane: str) -> Any:
        return folium.GeoJson(
            {"type": "FeatureCollection", "features": features},
            style_function=lambda shape: dict(_STYLES.get(shape["properties"]["role"], _gap_style(shape))),
            on_each_feature=folium.JsCode("surveyMap.describe"),
            point_to_layer=folium.JsCode("surveyMap.symbol"),
            smooth_factor=0.5, pane=pane, show=False,
        )  # fmt: skip

    relief = relief_picture(top, frame, scene.top.west_m, scene.top.north_m, scene.top.spacing_m)
    safety = safety_layers(assessment, words)
    # Polygons come before lines, so that lines take the clicks.
    chart.layers = {
        "relief": picture(relief, "relief", "relief", "Shaded relief"),
        **{
            name: picture(
                class_picture(layer.codes, palette(layer.colours), *place, layer.side_px), "cells", "cells", layer.alt
            )
            for name, layer in _cell_layers(assessment).items()
        },
        **{name: shapes(drawn, pane) for name, (pane, drawn) in safety.items() if name != "overs"},
        "areas": shapes(_area_features(assessment), "areas"),
        "features": shapes(_named_features(assessment, words), "features"),
        "gaps": shapes(_gap_features(assessment, words), "gaps"),
        **{name: shapes(drawn, pane) for name, (pane, drawn) in flight_layers(assessment, words).items()},
        "lines": shapes(_line_features(assessment, words), "lines"),
        "checkpoints": shapes(_checkpoint_features(assessment, words), "takeoff"),
        "takeoff": shapes(take_off_shapes(assessment, words), "takeoff"),
        **{name: shapes(drawn, pane) for name, (pane, drawn) in safety.items() if name == "overs"},
    }
    opening: Any = MacroElement()  # type: ignore[no-untyped-call]
    opening._template, opening.layers = Template(text_of("start.html")), chart.layers
    for name, part in (("chart", chart), *chart.layers.items(), ("opening", opening)):
        part._id = name  # else random, and the same input would not give the same bytes
    for part in (*chart.layers.values(), opening):
        chart.add_child(part)
    return cast("str", chart.get_root().render())


def _cell_layers(assessment: Assessment) -> dict[str, CellLayer]:
    """Return each way to colour the cells, by the name of its layer."""
    return cell_layers(assessment) | accuracy_layers(assessment) | exposure_layers(assessment)


def _flown_m(assessment: Assessment) -> list[npt.NDArray[np.float64]]:
    """Return the places of all that is flown, shape (n, 2) each [m]."""
    plan = assessment.plan
    lines, paths = (line.points_m for line in plan.lines), (sortie.path.points_m for sortie in plan.sorties)
    return [points_m[:, :2] for points_m in (*lines, *paths)]


def _area_features(assessment: Assessment) -> list[dict[str, Any]]:
    """Return the outlines of the flown and of the judged area."""
    scene = assessment.scene
    return numbered([
        feature(role, polygons(scene.frame, area))
        for role, area in (("planned", scene.planned), ("area", scene.area))
    ])  # fmt: skip


def _outlined_gaps(assessment: Assessment) -> list[tuple[Gap, shapely.Polygon]]:
    """Return the gaps to outline, largest first, with their outlines; the layer of causes shows all."""
    gaps = assessment.forecast.gaps[:_MOST_GAPS]
    outlines = np.array([gap.polygon for gap in gaps], dtype=object)
    if shapely.get_num_coordinates(outlines).sum() > _MOST_VERTICES:
        outlines = shapely.simplify(outlines, assessment.forecast.cells.cell_m)
    drawn, room = [], _MOST_VERTICES
    for gap, outline in zip(gaps, outlines, strict=True):
        vertices = int(shapely.get_num_coordinates(outline))
        if vertices <= room:
            room -= vertices
            drawn.append((gap, outline))
    return drawn


def _gap_features(assessment: Assessment, words: list[Said]) -> list[dict[str, Any]]:
    """Return the outlined gaps."""
    features = []
    drawn, cells = _outlined_gaps(assessment), assessment.forecast.cells
    others = means_within(unjudged_density(assessment), [gap.polygon for gap, _ in drawn], cells)
    for rank, ((gap, outline), other) in enumerate(zip(drawn, others, strict=True)):
        geometry = {"type": "Polygon", "coordinates": rings(assessment.scene.frame, outline)}
        key = word_number(words, gap_said(gap, float(other), assessment))
        features.append(feature("gap", geometry, cause=CAUSES.index(gap.cause), key=key, tab=rank < _TABBED_GAPS))
    return numbered(features)


def _named_features(assessment: Assessment, words: list[Said]) -> list[dict[str, Any]]:
    """Return the named features of the site: outline and name, both with their figures."""
    scene, forecast = assessment.scene, assessment.forecast
    outlines, names = [], []
    for named, part in zip(scene.features, forecast.by_feature, strict=True):
        key, mark = word_number(words, feature_said(part, forecast.cases)), word_number(words, Said(named.name))
        outlines.append(feature("feature", polygons(scene.frame, named.polygon), key=key))
        # The name stands on the largest part of what is judged of it.
        judged = shapely.get_parts(named.polygon.intersection(scene.area))
        place = max(judged, key=lambda shape: shape.area).representative_point()
        names.append(feature("point", point(scene.frame, place.coords[0]), symbol="feature", key=key, mark=mark))
    return numbered([*outlines, *names])


def _gap_style(shape: dict[str, Any]) -> dict[str, Any]:
    """Return the style of a gap by its cause."""
    cause = shape["properties"].get("cause", 0)
    return {"color": hex_of(CAUSE_INK[cause]), "weight": 1.5, "fillColor": f"url(#cause-{cause})", "fillOpacity": 1}


def _line_features(assessment: Assessment, words: list[Said]) -> list[dict[str, Any]]:
    """Return the lines: lead-in and lead-out, kept part, what takes the click, and the marks of direction."""
    frame = assessment.scene.frame
    sortie_of = sortie_of_lines(assessment.plan.sorties)
    under, inked, hits, marks = [], [], [], []
    for line, figures in zip(assessment.plan.lines, assessment.plan.figures, strict=True):
        kept = line.kept_points_m()
        drawn, whole = course(frame, kept), course(frame, line.points_m)
        ceiling, sortie = assessment.mission.limits.ceiling_agl_m, sortie_of.get(line.line_id)
        key = word_number(words, line_said(line, figures, ceiling, sortie))
        under.append(feature("casing", drawn))
        inked += [
            feature("lead", whole),
            feature("over" if figures.unsafe or figures.ceiling_over_m > 0 else "kept", drawn),
        ]
        hits.append(feature("hit", whole, key=key, tab=True))
        ends = (("name", line.points_m[0]), ("arrow", (kept[0] + kept[-1]) / 2), ("arrow", kept[-1]))
        marks += [
            feature("point", point(frame, place), symbol=symbol,
                    turn=round(figures.heading_deg, 1), mark=word_number(words, Said(line.line_id)))
            for symbol, place in ends
        ]  # fmt: skip
    return numbered([*under, *inked, *hits, *marks])


def _checkpoint_features(assessment: Assessment, words: list[Said]) -> list[dict[str, Any]]:
    """Return the checkpoints; the mark says the number alone."""
    scene, features = assessment.scene, []
    for number, spot in enumerate(assessment.quality.checkpoints.points, start=1):
        key, mark = word_number(words, checkpoint_said(spot, scene)), word_number(words, Said(str(number)))
        geometry = point(scene.frame, (spot.east_m, spot.north_m))
        features.append(feature("point", geometry, symbol="checkpoint", key=key, mark=mark))
    return numbered(features)
