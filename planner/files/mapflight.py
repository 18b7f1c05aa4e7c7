"""What is flown between the lines, from where, and what stands in the way, on the offline map.

Lives here: the layers of paths, take-off places, obstacles and areas with their popups. Must not know pages or how legs
were judged.
"""

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import numpy as np
import numpy.typing as npt
import shapely

from planner.assessment import Assessment
from planner.files.flightwords import KIND_WORDS, SortieRow, above_ground_text, doubt_text, sortie_rows, span_text
from planner.files.mapshapes import Shape, degrees, feature, numbered, point, polygons, word_number
from planner.files.mapwords import Said, take_off_said
from planner.files.sortiefiles import between_lines, thinned
from planner.ground.obstacles import Obstacle
from planner.ground.surface import Scene

PATH_INK, OBSTACLE_INK, KEEP_OUT_INK, SENSITIVE_INK = "#00707a", "#6b2c00", "#c1121f", "#6d5200"
ACCESS_INK = "#2f6b1f"

STYLES: Mapping[str, Mapping[str, Any]] = {
    "path-casing": {"color": "#ffffff", "weight": 3.5, "opacity": 0.7, "interactive": False},
    "path": {"color": PATH_INK, "weight": 1.5, "dashArray": "6 4", "interactive": False},
    "path-hit": {"color": "#ffffff", "weight": 14, "opacity": 0, "className": "line-hit"},
    "obstacle": {"color": OBSTACLE_INK, "weight": 2, "fillColor": OBSTACLE_INK, "fillOpacity": 0.35},
    "wire": {"color": OBSTACLE_INK, "weight": 2.5, "dashArray": "10 3 2 3"},
    "keep-out": {"color": KEEP_OUT_INK, "weight": 2.5, "fillColor": "url(#keep-out)", "fillOpacity": 1},
    "sensitive": {"color": SENSITIVE_INK, "weight": 2, "dashArray": "8 4 2 4", "fillOpacity": 0},
    "access": {"color": ACCESS_INK, "weight": 1.2, "fill": False, "interactive": False},
}

_ARROW_AT, _SHORTEST_M = 0.4, 25.0
"""Where along a piece its arrow stands, so that those of way out and way back stand apart, and pieces with one [m]."""


def flight_layers(assessment: Assessment, words: list[Said]) -> dict[str, tuple[str, list[Shape]]]:
    """Return pane and shapes of each layer that has any, lowest first; `words` takes the texts of the popups."""
    found = {
        "access": ("hazards", _access(assessment)),
        "sensitive": ("hazards", _sensitive(assessment, words)),
        "keepouts": ("hazards", _keep_outs(assessment, words)),
        "obstacles": ("hazards", _obstacles(assessment, words)),
        "paths": ("paths", _paths(assessment, words)),
    }
    return {name: (pane, numbered(shapes)) for name, (pane, shapes) in found.items() if shapes}


def take_off_places(assessment: Assessment) -> dict[tuple[float, float], list[int]]:
    """Return the take-off places, longitude and latitude [deg], with the sorties that leave from each.

    They are those of the mission, or where it names none those that were chosen, in the order used.
    """
    frame = assessment.scene.frame
    found: dict[tuple[float, float], list[int]] = {}
    for lon, lat in assessment.mission.take_off_deg:
        found[(lon, lat)] = []
    if found:
        return found
    for sortie in assessment.plan.sorties:
        lon, lat = degrees(frame, sortie.take_off_m[np.newaxis])[0]
        found.setdefault((lon, lat), []).append(sortie.number)
    return found


def take_off_shapes(assessment: Assessment, words: list[Said]) -> list[Shape]:
    """Return the take-off places, numbered from 1."""
    shapes = []
    for number, (place, sorties) in enumerate(take_off_places(assessment).items(), start=1):
        said = take_off_said(number, *place)
        if sorties:
            rows = (*said.rows, ("Sorties", ", ".join(map(str, sorties))))
            said = replace(said, rows=rows, note="Chosen by the plan where take-off is allowed: walk there and look.")
        key, mark = word_number(words, said), word_number(words, Said(str(number)))
        geometry = {"type": "Point", "coordinates": list(place)}
        shapes.append(feature("point", geometry, symbol="takeoff", key=key, mark=mark))
    return numbered(shapes)


def _access(assessment: Assessment) -> list[Shape]:
    scene = assessment.scene
    return [feature("access", polygons(scene.frame, area)) for area in scene.access]


def _paths(assessment: Assessment, words: list[Said]) -> list[Shape]:
    """Return the ways of sorties off the flight lines, with arrows."""
    frame = assessment.scene.frame
    under, inked, hits, marks = [], [], [], []
    for sortie, row in zip(assessment.plan.sorties, sortie_rows(assessment), strict=True):
        pieces = between_lines(thinned(sortie.path))
        drawn = {"type": "MultiLineString", "coordinates": [degrees(frame, piece) for piece in pieces]}
        under.append(feature("path-casing", drawn))
        inked.append(feature("path", drawn))
        hits.append(feature("path-hit", drawn, key=word_number(words, _path_said(row)), tab=True))
        name = word_number(words, Said(""))
        for piece in pieces:
            line = shapely.LineString(piece[:, :2])
            if line.length >= _SHORTEST_M:
                place, turn = _arrow(line, assessment.scene)
                marks.append(feature("point", point(frame, place), symbol="way", turn=turn, mark=name))
    return [*under, *inked, *hits, *marks]


def _arrow(line: shapely.LineString, scene: Scene) -> tuple[npt.NDArray[np.float64], float]:
    """Return where along a piece its arrow stands [m], and its direction from true north [deg]."""
    at_m = _ARROW_AT * line.length
    before, here, after = (np.array(line.interpolate(at_m + ahead).coords[0]) for ahead in (-1.0, 0.0, 1.0))
    convergence = scene.frame.convergence_rad(float(here[0]), float(here[1]))
    return here, round(float(np.degrees(np.arctan2(*(after - before)) + convergence) % 360), 1)


def _path_said(row: SortieRow) -> Said:
    rows = (
        ("Lines", row.lines),
        ("Take-off" + (", after the first" if row.leaves.startswith("+") else ""), row.leaves.lstrip("+")),
        ("Minutes, take-off to landing", row.minutes),
        ("Way flown", row.distance),
        ("Battery used, as planned", row.used),
        ("Left after the worst return", row.left),
    )
    return Said(f"Sortie {row.number}", rows)


def _obstacles(assessment: Assessment, words: list[Said]) -> list[Shape]:
    """Return the obstacles: prisms, then wires, then what stands upright, so that each can be clicked."""
    scene, shapes = assessment.scene, []
    for kind in ("area", "wire", "point"):
        for thing in scene.obstacles:
            if thing.kind != kind:
                continue
            key = word_number(words, _obstacle_said(thing, scene))
            if kind == "area":
                shapes.append(feature("obstacle", polygons(scene.frame, thing.outline), key=key))
            elif kind == "wire":
                line = {"type": "LineString", "coordinates": degrees(scene.frame, np.array(thing.outline.coords))}
                shapes.append(feature("wire", line, key=key))
            else:
                place = np.array(thing.outline.coords[0])
                mark = word_number(words, Said(""))
                shapes.append(feature("point", point(scene.frame, place), symbol="mast", key=key, mark=mark))
    return shapes


def _obstacle_said(thing: Obstacle, scene: Scene) -> Said:
    sag = (("Most sag between supports", f"{thing.sag_m:.1f} m"),) if thing.kind == "wire" else ()
    radius = (("Radius", f"{thing.radius_m:.1f} m"),) if thing.radius_m > 0 else ()
    rows = (
        ("Kind", KIND_WORDS[thing.kind]),
        (f"Top, {scene.heights}", f"{thing.top_m:.1f} m"),
        ("Above ground, at its middle", above_ground_text(thing, scene)),
        *radius,
        *sag,
        ("Doubt, one standard deviation", doubt_text(thing)),
    )
    return Said(thing.name, rows, "An obstacle: what is flown is held to the clearance from it, doubt included.")


def _keep_outs(assessment: Assessment, words: list[Said]) -> list[Shape]:
    scene, margin_m = assessment.scene, assessment.mission.hazards.keep_out_margin_m
    shapes = []
    for area in scene.keep_outs:
        rows = (("Closed", span_text(area, scene)), ("Kept away by", f"{margin_m:g} m"))
        key = word_number(words, Said(area.name, rows, "A keep-out area: no part of the path may enter it."))
        shapes.append(feature("keep-out", polygons(scene.frame, area.polygon), key=key))
    return shapes


def _sensitive(assessment: Assessment, words: list[Said]) -> list[Shape]:
    scene, shapes = assessment.scene, []
    for area in scene.sensitive:
        rows = (("Cost of a metre over it", f"{1 + area.cost:g} of one elsewhere"),)
        key = word_number(words, Said(area.name, rows, "A sensitive area: better not crossed, and allowed."))
        shapes.append(feature("sensitive", polygons(scene.frame, area.polygon), key=key))
    return shapes
