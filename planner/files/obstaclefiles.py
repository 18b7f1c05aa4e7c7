"""Obstacles as a hazard file draws them: kinds, shapes, tops and doubts of points, wires and polygons.

Lives here: the way from a feature to obstacles, and what is refused or told of it. Must not know other hazards.
"""

import difflib
from collections.abc import Callable
from typing import Literal

import numpy as np
import numpy.typing as npt
import shapely

from planner.files.hazardfields import (
    Drafted,
    declared_reference,
    ground_under,
    lies_on,
    scene_heights_m,
    stated_heights,
)
from planner.ground.obstacles import Obstacle
from planner.ground.surface import HeightGrid, Scene
from planner.hazards import Hazards

Array = npt.NDArray[np.float64]

WIRE_KINDS = ("wire", "cable")
KINDS = (*WIRE_KINDS, "mast", "tower", "pole", "chimney", "wind_turbine", "crane", "building", "tree", "other")
SAG_SHARE = 0.05
"""Sag of a wire that states none, of its span: common practice, no source; under long spans it is more."""
FEET_LIKE_M = 200.0
"""Height above ground past which a reader is asked whether feet were taken for metres."""
BURIED_M = 2.0
"""A top that lies deeper under the ground given is told: it counts from another datum, or the ground is newer."""


def obstacle_of(
    hazards: Hazards, scene: Scene, terrain_sd_m: float
) -> Callable[[Drafted], tuple[list[Obstacle], list[str]]]:
    """Return what makes the obstacles of a feature, and what the reader must be told of it."""

    def made(feature: Drafted) -> tuple[list[Obstacle], list[str]]:
        _check_kind(feature)
        _check_shape(feature)
        heights_m, reference = _heights(feature)
        above_ground = reference == "above_ground"
        if above_ground and not lies_on(scene.ground, feature.shape):
            return [], [f"{feature.name} lies beside the terrain given: its top is unknown, and it is left out."]
        ground_m, places_m = ground_under(feature, scene.ground)
        line = feature.shape.geom_type == "LineString"
        said: list[str] = []
        if line and above_ground:
            ground_m, said = _to_the_edge(feature, ground_m, places_m, scene.ground)
        tops_m = _tops_m(feature, heights_m, reference, ground_m, places_m, scene)
        doubts = _doubts(feature, hazards, terrain_sd_m if above_ground else 0.0)
        known = ground_m[~np.isnan(ground_m)]
        base_m = float(min(known.min() if known.size else scene.ground.heights_m.min(), tops_m.min()))
        said += _doubtful(feature, tops_m, ground_m, scene)
        if line:
            found, of_wire = _wire(feature, tops_m, ground_m, base_m, doubts)
            return found, said + of_wire
        kind: Literal["point", "area"] = "point" if feature.shape.geom_type == "Point" else "area"
        return [Obstacle(feature.name, kind, shapely.force_2d(feature.shape), base_m, float(tops_m[0]), **doubts)], said

    return made


def _tops_m(
    feature: Drafted, heights_m: Array, reference: str, ground_m: Array, places_m: Array, scene: Scene
) -> Array:
    """Return the scene heights of all supports of a wire, or of the one top of anything else [m]."""
    line = feature.shape.geom_type == "LineString"
    if line and heights_m.size not in (1, len(places_m)):
        what = f"{heights_m.size} heights for {len(places_m)} supports"
        raise feature.refusal("E40", what, "give one height for each vertex of the wire, or one for all")
    if reference == "above_ground" and (heights_m <= 0).any():
        raise feature.refusal("E33", f"stands {heights_m.min():g} m above ground", "give a height above 0")
    # Over uneven ground a prism ends as far above its highest part.
    beneath_m = ground_m if line else np.array([_most(ground_m)])
    heights_m = np.broadcast_to(heights_m, beneath_m.shape)
    return scene_heights_m(feature, heights_m, reference, beneath_m, places_m[: len(beneath_m)], scene)


def _doubts(feature: Drafted, hazards: Hazards, terrain_sd_m: float) -> dict[str, float]:
    """Return radius and doubts of a feature [m], the terrain's own doubt among them."""
    vertical = feature.not_negative("vertical_sd_m", hazards.default_vertical_sd_m)
    return {
        "radius_m": feature.not_negative("radius_m", 0.0),
        "vertical_sd_m": float(np.hypot(vertical, terrain_sd_m)),
        "horizontal_sd_m": feature.not_negative("horizontal_sd_m", hazards.default_horizontal_sd_m),
    }


def _most(values: Array) -> float:
    """Return the greatest known value, nan where none is."""
    known = values[~np.isnan(values)]
    return float(known.max()) if known.size else np.nan


def _check_kind(feature: Drafted) -> None:
    kind = feature.get("kind")
    line = feature.shape.geom_type in ("LineString", "LinearRing")
    word = str(kind).strip().lower().replace(" ", "_") if kind is not None else ("wire" if line else "other")
    if word not in KINDS:
        near = difflib.get_close_matches(word, KINDS, 1)
        hint = f'did you mean "{near[0]}"? ' if near else ""
        raise feature.refusal("E18", f'"{kind}" is no kind of obstacle', f"{hint}the kinds are {', '.join(KINDS)}")
    if line != (word in WIRE_KINDS):
        what = f"a {feature.shape.geom_type} cannot be of kind {word}"
        raise feature.refusal(
            "E18", what, "draw wires as lines from support to support, all else as points or polygons"
        )


def _check_shape(feature: Drafted) -> None:
    if feature.shape.geom_type not in ("Point", "LineString", "Polygon"):
        what = f"a {feature.shape.geom_type} is no shape of an obstacle"
        raise feature.refusal("E02", what, "draw it as a point, a line or a polygon")
    if not feature.shape.is_valid:
        what = f"its outline cannot be used: {shapely.is_valid_reason(feature.shape)}"
        raise feature.refusal("E01", what, "redraw the outline so that it does not meet itself")


def _heights(feature: Drafted) -> tuple[Array, str]:
    """Return the heights of a feature [m] and what they are above; E40 where it has none."""
    line = feature.shape.geom_type == "LineString"
    found = stated_heights(feature, ("heights", "height", "top") if line else ("height", "top"))
    if found is None and line and feature.shape.has_z:
        heights = shapely.get_coordinates(feature.shape, include_z=True)[:, 2]
        found = heights, declared_reference(feature, "third coordinates")
    if found is None:
        unclear = [name for name in ("height", "hoehe", "elevation", "ele", "top") if feature.get(name) is not None]
        what = f"no height: {unclear[0]} has neither unit nor reference" if unclear else "no height"
        fix = "give height_agl_m, top_ortho_m or top_ellip_m, or height_m or height_ft with height_reference"
        raise feature.refusal("E40", what, fix)
    if not line and found[0].size > 1:
        raise feature.refusal("E40", f"{found[0].size} heights for one obstacle", "give the height of its top")
    return found


def _to_the_edge(feature: Drafted, ground_m: Array, places_m: Array, ground: HeightGrid) -> tuple[Array, list[str]]:
    """Return the ground under supports, for those beside the terrain that at its nearest edge, and say so."""
    lattice = [ground.west_m, ground.south_m], [ground.east_m, ground.north_m]
    edge_m = np.clip(places_m, *lattice)
    beside = np.any(edge_m != places_m, axis=1)
    if not beside.any():
        return ground_m, []
    said = f"{feature.name}: supports beside the terrain, {beside.sum()}; the ground at its edge is taken for theirs."
    return np.where(beside, ground.at(edge_m[:, 0], edge_m[:, 1]), ground_m), [said]


def _wire(
    feature: Drafted, tops_m: Array, ground_m: Array, base_m: float, doubts: dict[str, float]
) -> tuple[list[Obstacle], list[str]]:
    """Return a wire and its supports, and what is taken for granted of its sag."""
    flat = shapely.get_coordinates(feature.shape)
    span_m = float(np.hypot(*np.diff(flat, axis=0).T).max())
    sag_m = feature.not_negative("sag_m", SAG_SHARE * span_m)
    said = []
    if feature.get("sag_m") is None:
        said.append(f"{feature.name} states no sag_m; {sag_m:.1f} m is taken, {SAG_SHARE:.0%} of its longest span.")
    outline = shapely.LineString(np.column_stack([flat, tops_m]))
    low_m = float(tops_m.min()) - sag_m
    wire = Obstacle(feature.name, "wire", outline, low_m, float(tops_m.max()), sag_m=sag_m, **doubts)
    feet_m = np.minimum(np.where(np.isnan(ground_m), base_m, ground_m), tops_m)
    supports = [
        Obstacle(f"{feature.name}, support {number}", "point", shapely.Point(place), float(foot), float(top), **doubts)
        for number, (place, foot, top) in enumerate(zip(flat, feet_m, tops_m, strict=True), 1)
    ]
    return [wire, *supports], said


def _doubtful(feature: Drafted, tops_m: Array, ground_m: Array, scene: Scene) -> list[str]:
    """Return what looks wrong about a feature and is believed all the same."""
    if not lies_on(scene.ground, feature.shape):
        return [f"{feature.name} lies beside the terrain given."]
    above_m = tops_m - (ground_m if len(ground_m) == len(tops_m) else _most(ground_m))
    stands_m = _most(above_m)
    if stands_m > FEET_LIKE_M:
        return [f"{feature.name} stands {stands_m:.0f} m above ground; if that was in feet, give it as height_ft."]
    if stands_m < -BURIED_M:
        return [f"the top of {feature.name} lies {-stands_m:.0f} m under the ground given; check its height reference."]
    return []
