"""What a flight may do to others, on the offline map: exposure of eyes, where things may fall, who and what is beneath.

Lives here: colours, shapes and popups of these layers. Must not know pages or how any of it was found.
"""

import math
from collections.abc import Iterator, Mapping, Sequence
from typing import Any, TypeVar

import numpy as np
import shapely

from planner.assessment import Assessment, Exposure
from planner.files.mapassets import Codes
from planner.files.mapclasses import OUTSIDE, CellLayer, Colours, Swatch, hex_of
from planner.files.mapshapes import Shape, feature, numbered, point, polygons, word_number
from planner.files.mapwords import Row, Said, thousands
from planner.files.safetywords import lonlat_of, measure_text
from planner.ground.surroundings import KINDS, AirspaceVolume, GroundPlace, Kind
from planner.safety.cautions import Caution
from planner.safety.groundrisk import Crossing, GroundRisk

Thing = TypeVar("Thing")

EXPOSURE_RGB: Colours = ((94, 16, 60), (217, 110, 38), (248, 214, 140), (45, 117, 172))
EXPOSURE_WORDS = (
    "naked",
    "behind 7x50 glasses",
    "naked, scanner stopped",
    "in none of these",
)
"""Colour of each class of exposure, and when an eye is over its limit there; worst first, the first that fits."""

SIDE_PX = 500
"""Most pixels along a side of that layer: exposure changes slowly, and where cells share a pixel the worst shows."""

MOST_DRAWN, MOST_VERTICES, DRAWN_TO_M = 400, 6000, 0.5
"""Most outlines of a layer and corners of them all, so that the file stays small, and how far these may be off [m]."""

RISK_INK, AIRSPACE_INK = "#b8430f", "#24408e"
BENEATH_INK: Mapping[Kind, str] = {
    "people": "#8a1c6e",
    "buildings": "#3b4650",
    "built_up": "#7b6a52",
    "roads": "#5f6b76",
}
STYLES: Mapping[str, Mapping[str, Any]] = {
    "risk": {"color": RISK_INK, "weight": 2, "dashArray": "2 5", "fill": False, "interactive": False},
    "overshoot": {"color": RISK_INK, "weight": 1, "fillColor": "url(#overshoot)", "fillOpacity": 1,
                  "interactive": False},
    "airspace": {"color": AIRSPACE_INK, "weight": 2.5, "dashArray": "14 4 3 4", "fillOpacity": 0},
    "people": {"color": BENEATH_INK["people"], "weight": 2, "fillColor": BENEATH_INK["people"], "fillOpacity": 0.28},
    "buildings": {"color": BENEATH_INK["buildings"], "weight": 1, "fillColor": BENEATH_INK["buildings"],
                  "fillOpacity": 0.45},
    "built_up": {"color": BENEATH_INK["built_up"], "weight": 2, "dashArray": "1 5", "fillOpacity": 0},
    "roads": {"color": BENEATH_INK["roads"], "weight": 1, "fillColor": BENEATH_INK["roads"], "fillOpacity": 0.22},
}  # fmt: skip


def exposure_codes(exposure: Exposure) -> Codes:
    """Return 1 over for a naked eye, 2 behind glasses, 3 of a scanner that stops, 4 none of these, 255 not known."""
    over = [np.nan_to_num(one) > 1 for one in (exposure.naked, exposure.aided, exposure.stopped)]
    codes = np.select(over, [1, 2, 3], 4)
    return np.where(np.isnan(exposure.nearest_m), OUTSIDE, codes).astype(np.uint8)


def exposure_layers(assessment: Assessment) -> dict[str, CellLayer]:
    """Return the layer of the exposure of eyes by its name, none where no energy is known."""
    exposure = assessment.safety.exposure
    if exposure is None:
        return {}
    return {"exposure": CellLayer(exposure_codes(exposure), EXPOSURE_RGB, "Exposure of eyes by cell", SIDE_PX)}


def exposure_legend(assessment: Assessment) -> list[Swatch]:
    """Return the swatches of exposure with their areas, worst first; empty where no energy is known."""
    exposure = assessment.safety.exposure
    if exposure is None:
        return []
    codes, cell_m2 = exposure_codes(exposure), exposure.cells.cell_m**2
    return [
        {"colour": hex_of(rgb), "label": label, "area_m2": float((codes == code).sum()) * cell_m2}
        for code, (rgb, label) in enumerate(zip(EXPOSURE_RGB, EXPOSURE_WORDS, strict=True), start=1)
    ]


def safety_layers(assessment: Assessment, words: list[Said]) -> dict[str, tuple[str, list[Shape]]]:
    """Return pane and shapes of each layer that has any, lowest first; `words` takes the texts of the popups."""
    found = {
        "airspace": ("airspace", _airspace(assessment, words)),
        "beneath": ("beneath", _beneath(assessment, words)),
        "risk": ("risk", _risk(assessment)),
        "overs": ("takeoff", _overs(assessment, words)),
    }
    return {name: (pane, numbered(shapes)) for name, (pane, shapes) in found.items() if shapes}


def drawn_volumes(assessment: Assessment) -> list[AirspaceVolume]:
    """Return the volumes of airspace that are drawn: all, or those nearest to the site."""
    volumes = assessment.scene.airspace or ()
    return _fitting(volumes, [volume.outline for volume in volumes], assessment.scene.planned)


def drawn_places(assessment: Assessment) -> dict[Kind, list[GroundPlace]]:
    """Return what is drawn of the things beneath by kind: all, or those nearest to where an aircraft may fall."""
    scene, risk = assessment.scene, assessment.safety.risk
    given = [(kind, place) for kind, places in scene.beneath.items() for place in places]
    near = scene.planned if risk is None else risk.buffer
    drawn = _fitting(given, [place.outline for _, place in given], near)
    return {kind: [place for its, place in drawn if its == kind] for kind in KINDS}


def _fitting(things: Sequence[Thing], outlines: Sequence[shapely.Geometry], near: shapely.Geometry) -> list[Thing]:
    """Return the things nearest to a place that there is room for, in the order given."""
    shapes = np.array(outlines, dtype=object)
    order = np.argsort(shapely.distance(shapes, near), kind="stable")[:MOST_DRAWN]
    kept = order[np.cumsum(shapely.get_num_coordinates(shapes[order])) <= MOST_VERTICES]
    return [things[number] for number in sorted(kept.tolist())]


def _airspace(assessment: Assessment, words: list[Said]) -> list[Shape]:
    frame, marks, outlines = assessment.scene.frame, [], []
    for volume in drawn_volumes(assessment):
        key = word_number(words, _volume_said(volume))
        if volume.outline.geom_type == "Point":
            place = point(frame, volume.outline.coords[0])
            marks.append(feature("point", place, symbol="aero", key=key, mark=word_number(words, Said(""))))
        else:
            outlines.append(feature("airspace", polygons(frame, volume.outline), key=key))
    return [*outlines, *marks]


def _volume_said(volume: AirspaceVolume) -> Said:
    rows = (
        ("Kind", volume.kind.replace("_", " ")),
        ("From", str(volume.floor)),
        ("Up to", str(volume.ceiling)),
        ("Day of the data", volume.dated.isoformat()),
    )
    return Said(volume.name, rows, "As drawn in the file given: look up the chart and the notices of the day.")


def _beneath(assessment: Assessment, words: list[Said]) -> list[Shape]:
    """Return what lies on the ground, wide things first, so that each can be clicked."""
    frame, risk, shapes = assessment.scene.frame, assessment.safety.risk, []
    drawn = drawn_places(assessment)
    met = {(one.kind, one.name): one for one in risk.crossings} if risk is not None else {}
    for kind in ("built_up", "roads", "buildings", "people"):
        for place in drawn[kind]:
            key = word_number(words, _place_said(kind, place, met.get((kind, place.name)), risk))
            outline = _reached(place)
            if outline.area > 0:
                shapes.append(feature(kind, polygons(frame, outline), key=key))
            else:  # a point, or a line without a width
                middle = outline.representative_point().coords[0]
                mark = word_number(words, Said(""))
                shapes.append(feature("point", point(frame, middle), symbol="beneath", key=key, mark=mark))
    return shapes


def _reached(place: GroundPlace) -> shapely.Geometry:
    """Return all that a place reaches, its corners no more than its size needs."""
    if place.radius_m <= 0:
        return shapely.simplify(place.outline, DRAWN_TO_M)
    quarter = math.acos(max(1 - DRAWN_TO_M / place.radius_m, 0.0))
    return place.outline.buffer(place.radius_m, quad_segs=math.ceil(math.pi / 4 / quarter))


def _place_said(kind: Kind, place: GroundPlace, met: Crossing | None, risk: GroundRisk | None) -> Said:
    rows: tuple[Row, ...] = (("Given as", KINDS[kind]),)
    if place.radius_m > 0:
        rows += (("Reaches sideways", f"{place.radius_m:g} m"),)
    if risk is not None:
        rows += tuple(_met_rows(met))
    return Said(place.name, rows, "As given: who is there on the day is not known here.")


def _met_rows(met: Crossing | None) -> Iterator[Row]:
    """Yield how the flight meets a thing; parts of one name and kind are told as one."""
    if met is None:
        yield "Under the flight", "no, nor in the ground risk buffer"
        return
    yield "Flown over", f"{met.over_m:.0f} m, {met.over_s:.0f} s in all" if met.passes else "no"
    if met.passes:
        yield "Passes", str(len(met.passes))
    if met.inside_m2 is not None:
        yield "Area in the buffer", f"{thousands(met.inside_m2)} m²"
    if met.inside_m is not None:
        yield "Length in the buffer", f"{thousands(met.inside_m)} m"
    if met.inside_m2 is None and met.inside_m is None:
        yield "In the ground risk buffer", "yes"


def _risk(assessment: Assessment) -> list[Shape]:
    """Return the footprint outside the area, and the outline of the buffer."""
    risk, frame = assessment.safety.risk, assessment.scene.frame
    if risk is None:
        return []
    drawn = (("overshoot", risk.overshoot), ("risk", risk.buffer))
    return [
        feature(role, polygons(frame, shapely.simplify(area, DRAWN_TO_M))) for role, area in drawn if not area.is_empty
    ]


def _overs(assessment: Assessment, words: list[Said]) -> list[Shape]:
    """Return a mark at each place where something is over its limit; what is over at one place has one mark."""
    found: dict[tuple[float, float], list[Caution]] = {}
    for caution in assessment.cautions:
        place = lonlat_of(caution.where)
        if caution.status == "over" and place is not None:
            found.setdefault(place, []).append(caution)
    shapes = []
    for place, cautions in found.items():
        rows = tuple((one.caution_id, measure_text(one) or "over") for one in cautions)
        key = word_number(words, Said(f"Over: {cautions[0].where}", rows, " ".join(one.text for one in cautions)))
        geometry = {"type": "Point", "coordinates": list(place)}
        shapes.append(feature("point", geometry, symbol="over", key=key, mark=word_number(words, Said(""))))
    return shapes
