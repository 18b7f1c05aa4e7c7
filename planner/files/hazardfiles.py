"""Hazards in: obstacles, keep-out and sensitive areas of a mission, added to its scene.

Lives here: which hazards a file may hold and what is refused or told of them. Must not know paths or clearances.
"""

import difflib
from collections.abc import Callable, Iterable
from dataclasses import replace
from pathlib import Path
from typing import Literal, TypeVar

import numpy as np
import numpy.typing as npt
import shapely

from planner.errors import Fault, InfeasibleError, InputError
from planner.files.areafiles import read_area
from planner.files.hazardfields import Drafted, declared_reference, drafted, scene_heights_m, stated_heights
from planner.ground.obstacles import KeepOut, Obstacle, Sensitive
from planner.ground.surface import HeightGrid, Scene
from planner.hazards import Hazards

Array = npt.NDArray[np.float64]
T = TypeVar("T")

WIRE_KINDS = ("wire", "cable")
KINDS = (*WIRE_KINDS, "mast", "tower", "pole", "chimney", "wind_turbine", "crane", "building", "tree", "other")
SAG_SHARE = 0.05
"""Sag of a wire that states none, of its span: common practice, no source; under long spans it is more."""
FEET_LIKE_M = 200.0
"""Height above ground past which a reader is asked whether feet were taken for metres."""
BURIED_M = 2.0
"""A top that lies deeper under the ground given is told: it counts from another datum, or the ground is newer."""


def read_hazards(hazards: Hazards, folder: Path, scene: Scene, terrain_sd_m: float) -> Scene:
    """Return a scene with the hazards that a mission names, and what the reader must be told of them.

    Points, lines and polygons are obstacles when they say how high they are: `height_m` or `height_ft` with
    `height_reference`, or `height_agl_m`, `top_ortho_m`, `top_ellip_m`. Lines are wires: one height for all
    supports, or one each as `heights_m`, `heights_agl_m`, `heights_ortho_m`, `heights_ellip_m` or third coordinates
    with `height_reference`; their supports are obstacles too. Further fields: `name kind radius_m vertical_sd_m
    horizontal_sd_m sag_m`. Keep-out areas may have `floor_` and `top_` heights, sensitive ones a `cost`.

    Parameters
    ----------
    hazards : Hazards
        The file names and doubts.
    folder : Path
        Where file names start from.
    scene : Scene
        The site.
    terrain_sd_m : float
        One standard deviation of the terrain's height, part of every height above ground [m].

    Raises
    ------
    InputError
        E01-E05, E07, E45, E46, E49 of the files, E13 heights not linked to the scene's, E18 unknown kind, E33 value
        out of range, E34 contradictory, E40 no height or height reference; all faults of a file at once.
    InfeasibleError
        E31: keep-out areas without floor and top cover the whole area.
    """
    cautions: list[str] = []
    obstacles: list[Obstacle] = []
    keep_outs: list[KeepOut] = []
    sensitive: list[Sensitive] = []
    if hazards.obstacles is not None:
        path = folder / hazards.obstacles
        for found, said in _all(
            drafted(path, scene.frame, "hazards.obstacles"), _obstacle_of(hazards, scene, terrain_sd_m)
        ):
            obstacles += found
            cautions += [f"{path.name}: {text}" for text in said]
    if hazards.keep_out is not None:
        path = folder / hazards.keep_out
        keep_outs = _all(_polygons(path, scene, "hazards.keep_out"), lambda one: _keep_out(one, scene))
        cautions += _keep_out_cautions(path, keep_outs, scene)
    if hazards.sensitive is not None:
        path = folder / hazards.sensitive
        sensitive = _all(_polygons(path, scene, "hazards.sensitive"), _sensitive)
    return replace(
        scene,
        obstacles=tuple(obstacles),
        keep_outs=tuple(keep_outs),
        sensitive=tuple(sensitive),
        cautions=(*scene.cautions, *cautions),
    )


def _all(features: Iterable[Drafted], made: Callable[[Drafted], T]) -> list[T]:
    """Return what each feature makes, or refuse with the faults of all."""
    found: list[T] = []
    faults: list[Fault] = []
    for feature in features:
        try:
            found.append(made(feature))
        except InputError as error:
            faults += error.faults
    if faults:
        raise InputError(*faults)
    return found


def _obstacle_of(
    hazards: Hazards, scene: Scene, terrain_sd_m: float
) -> Callable[[Drafted], tuple[list[Obstacle], list[str]]]:
    """Return what makes the obstacles of a feature, and what the reader must be told of it."""

    def made(feature: Drafted) -> tuple[list[Obstacle], list[str]]:
        _check_kind(feature)
        _check_shape(feature)
        heights_m, reference = _heights(feature)
        above_ground = reference == "above_ground"
        if above_ground and not _on(scene.ground, feature.shape):
            return [], [f"{feature.name} lies beside the terrain given: its top is unknown, and it is left out."]
        ground_m, places_m = _ground_under(feature, scene.ground)
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


def _ground_under(feature: Drafted, ground: HeightGrid) -> tuple[Array, Array]:
    """Return ground heights [m], shape (k,), and places [m], shape (k, 2), at vertices and lattice points within."""
    places = shapely.get_coordinates(feature.shape)
    if feature.shape.geom_type == "Polygon":
        west, south, east, north = feature.shape.bounds
        cols = np.arange(np.ceil((west - ground.west_m) / ground.spacing_m), (east - ground.west_m) / ground.spacing_m)
        rows = np.arange(
            np.ceil((ground.north_m - north) / ground.spacing_m), (ground.north_m - south) / ground.spacing_m
        )
        grid = np.meshgrid(ground.west_m + cols * ground.spacing_m, ground.north_m - rows * ground.spacing_m)
        inner = np.column_stack([axis.ravel() for axis in grid])
        places = np.vstack([places, inner[shapely.contains_xy(feature.shape, inner)]])
    return ground.at(places[:, 0], places[:, 1]), places


def _on(ground: HeightGrid, shape: shapely.Geometry) -> bool:
    return bool(shape.intersects(shapely.box(ground.west_m, ground.south_m, ground.east_m, ground.north_m)))


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
    if not _on(scene.ground, feature.shape):
        return [f"{feature.name} lies beside the terrain given."]
    above_m = tops_m - (ground_m if len(ground_m) == len(tops_m) else _most(ground_m))
    stands_m = _most(above_m)
    if stands_m > FEET_LIKE_M:
        return [f"{feature.name} stands {stands_m:.0f} m above ground; if that was in feet, give it as height_ft."]
    if stands_m < -BURIED_M:
        return [f"the top of {feature.name} lies {-stands_m:.0f} m under the ground given; check its height reference."]
    return []


def _polygons(path: Path, scene: Scene, key: str) -> list[Drafted]:
    """Return the features of a file of polygons, refused as an area would be where they cannot be trusted."""
    features = list(drafted(path, scene.frame, key))
    read_area(path)
    return features


def _check_polygon(feature: Drafted) -> None:
    if feature.shape.geom_type != "Polygon":
        raise feature.refusal("E02", f"a {feature.shape.geom_type} has no area", "draw it as a polygon, or take it out")


def _keep_out(feature: Drafted, scene: Scene) -> KeepOut:
    _check_polygon(feature)
    ground_m, _ = _ground_under(feature, scene.ground)
    known = ground_m[~np.isnan(ground_m)]
    # Above uneven ground it holds from its lowest to its highest part.
    floor_m = _end_m(feature, "floor", known.min() if known.size else np.nan, scene)
    top_m = _end_m(feature, "top", known.max() if known.size else np.nan, scene)
    if floor_m is not None and top_m is not None and top_m <= floor_m:
        what = f"its top is at {top_m:.1f} m, not above its floor at {floor_m:.1f} m"
        raise feature.refusal("E34", what, "correct one of them, or leave both out")
    return KeepOut(feature.name, shapely.force_2d(feature.shape), floor_m, top_m)


def _end_m(feature: Drafted, stem: str, ground_m: float, scene: Scene) -> float | None:
    found = stated_heights(feature, (stem,))
    if found is None:
        return None
    centre = shapely.get_coordinates(feature.shape.centroid)
    return float(scene_heights_m(feature, found[0][:1], found[1], np.array([ground_m]), centre, scene)[0])


def _sensitive(feature: Drafted) -> Sensitive:
    _check_polygon(feature)
    return Sensitive(feature.name, shapely.force_2d(feature.shape), feature.not_negative("cost", 1.0))


def _keep_out_cautions(path: Path, keep_outs: list[KeepOut], scene: Scene) -> list[str]:
    """Return what share of the area lies in keep-out areas; E31 where all of it does at any height."""
    endless = [one.polygon for one in keep_outs if one.floor_m is None and one.top_m is None]
    if scene.area.difference(shapely.union_all(endless)).area < 1e-6 * scene.area.area:
        fix = "take out what a permission covers, give floor and top, or choose another area"
        raise InfeasibleError(Fault("E31", "keep-out areas cover the whole area, at any height", str(path), fix))
    held = scene.area.intersection(shapely.union_all([one.polygon for one in keep_outs])).area / scene.area.area
    if held == 0:
        return []
    text = f"keep-out areas hold {max(100 * held, 0.1):.1f} % of the area; what lies there can only be seen from beside"
    return [f"{path.name}: {text}, or from above or below where they have a top or a floor."]
