"""Hazards in: obstacles, keep-out and sensitive areas of a mission, added to its scene.

Lives here: the files of hazards, and areas that paths must not or had better not cross. Must not know paths.
"""

from collections.abc import Callable, Iterable
from dataclasses import replace
from pathlib import Path
from typing import TypeVar

import numpy as np
import shapely

from planner.errors import Fault, InfeasibleError, InputError
from planner.files.areafiles import read_area
from planner.files.hazardfields import Drafted, drafted, ground_under, scene_heights_m, stated_heights
from planner.files.obstaclefiles import obstacle_of
from planner.ground.obstacles import KeepOut, Obstacle, Sensitive
from planner.ground.surface import Scene
from planner.hazards import Hazards

T = TypeVar("T")


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
            drafted(path, scene.frame, "hazards.obstacles"), obstacle_of(hazards, scene, terrain_sd_m)
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
    ground_m, _ = ground_under(feature, scene.ground)
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
