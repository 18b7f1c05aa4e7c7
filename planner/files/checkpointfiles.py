"""Checkpoints in and out: where they may stand, and the layout as GeoJSON (RFC 7946) and as a list to take along.

Lives here: how a layout is written down, and the polygons it must keep to. Must not know how places were chosen.
"""

import csv
import io
from pathlib import Path
from typing import Any

import numpy as np
import pyproj
import shapely

from planner.errors import Fault, InputError
from planner.files.areafiles import read_area
from planner.files.planfiles import DEGREE_DIGITS, HEIGHT_DIGITS, json_value
from planner.files.planheights import line_heights_m
from planner.forecast.checkpoints import Checkpoint, Layout
from planner.ground.geodesy import LONLAT, Frame
from planner.ground.surface import Scene

GRID_DIGITS = 3
"""Decimals of easting and northing: a millimetre where the unit is the metre."""

TO_FILL = (
    "surveyed_easting",
    "surveyed_northing",
    "surveyed_height",
    "height_reference",
    "method",
    "photo_north",
    "photo_east",
    "photo_south",
    "photo_west",
)
"""Columns of the list that stay empty for the one who surveys the points; a photograph is taken each way."""

INDEPENDENCE = (
    "Checkpoints test the delivered heights: none of these marks may serve as control, nor in adjusting the flight."
)


def grid_crs(given: pyproj.CRS | None, frame: Frame) -> pyproj.CRS:
    """Return the CRS of eastings and northings: the user's own where it is projected, else the working CRS."""
    if given is None:
        return frame.crs
    flat = given.sub_crs_list[0] if given.is_compound else given
    return flat if flat.is_projected else frame.crs


def crs_words(crs: pyproj.CRS) -> str:
    """Return name, code and unit of a CRS; one that has no name is told by its parameters."""
    code = crs.to_authority(min_confidence=100)
    name = crs.srs if crs.name == "unknown" else crs.name
    unit = crs.axis_info[0].unit_name
    return f"{name} ({':'.join(code)}), {unit}" if code else f"{name}, {unit}"


def checkpoints_geojson(layout: Layout, scene: Scene, crs: pyproj.CRS | None = None) -> dict[str, Any]:
    """Return the layout as an RFC 7946 FeatureCollection of points, with its rules and what it can prove.

    A position has a third coordinate only where heights above the ellipsoid are known; the height of the ground stands
    in properties that say what it is above.

    Parameters
    ----------
    layout : Layout
        The checkpoints.
    scene : Scene
        Gives the frame and what its heights are above.
    crs : pyproj.CRS or None
        The user's CRS, for easting and northing; geographic or None: the working CRS. Always east before north.
    """
    grid = grid_crs(crs, scene.frame)
    rows = [checkpoint_row(point, scene, grid) for point in layout.points]
    head = {
        "definition": INDEPENDENCE,
        "heights": _heights_statement(scene),
        "grid": crs_words(grid),
        "wanted": layout.wanted,
        "wanted_by": layout.wanted_by,
        "bound_by": layout.bound_by,
        "rules": [{"rule": rule.name, "value": rule.value, "met": rule.met} for rule in layout.rules],
        "pass_chance": json_value(layout.pass_chance),
        "proved_m": json_value(layout.proved_m),
    }
    return {"type": "FeatureCollection", "name": "checkpoints"} | head | {"features": [_feature(row) for row in rows]}


def checkpoints_csv(layout: Layout, scene: Scene, crs: pyproj.CRS | None = None) -> str:
    """Return the layout as comma-separated text, one row a point, with empty columns for what is surveyed.

    Parameters are those of `checkpoints_geojson`. Each row names its CRS, since rows get separated from their files.
    """
    grid = grid_crs(crs, scene.frame)
    rows = [checkpoint_row(point, scene, grid) | {"grid": crs_words(grid)} for point in layout.points]
    text = io.StringIO()
    columns = [*_COLUMNS, *TO_FILL]
    writer = csv.DictWriter(text, columns, restval="", lineterminator="\n")
    writer.writeheader()
    writer.writerows(rows)
    return text.getvalue()


def checkpoint_row(point: Checkpoint, scene: Scene, grid: pyproj.CRS) -> dict[str, Any]:
    """Return what is known of a checkpoint by the names of the list, rounded as it is written.

    `grid` is the CRS of easting and northing, from `grid_crs`; cover, setting and heights are None where unknown.
    """
    lon, lat = (float(value) for value in scene.frame.to_lonlat(point.east_m, point.north_m))
    easting, northing = pyproj.Transformer.from_crs(LONLAT, grid, always_xy=True).transform(lon, lat)
    heights_m = line_heights_m(np.array([[point.east_m, point.north_m, point.up_m]]), scene)
    ortho_m, ellip_m = (None if height is None else round(float(height[0]), HEIGHT_DIGITS) for height in heights_m)
    return {
        "id": point.point_id,
        "easting": round(easting, GRID_DIGITS),
        "northing": round(northing, GRID_DIGITS),
        "longitude": round(lon, DEGREE_DIGITS),
        "latitude": round(lat, DEGREE_DIGITS),
        "height_ortho_m": ortho_m,
        "height_ellip_m": ellip_m,
        "slope_deg": round(point.slope_deg, 1),
        "cover": point.cover,
        "setting": point.setting,
        "quadrant": point.quadrant,
        "reason": point.reason,
    }


def read_allowed(path: Path, frame: Frame, area: shapely.MultiPolygon) -> shapely.MultiPolygon:
    """Return the polygons where checkpoints may stand, in local coordinates [m].

    Parameters
    ----------
    path : Path
        GeoJSON, GeoPackage, KML, KMZ or Shapefile.
    frame : Frame
        The local frame.
    area : shapely MultiPolygon
        Area of interest, local coordinates [m].

    Raises
    ------
    InputError
        E39 polygons that do not meet the area; E01-E05, E45, E46, E49 as for an area.
    """
    if not path.is_file():
        fix = "check checkpoints.within; it starts from the mission's folder"
        raise InputError(Fault("E45", f"{path.name}: no such file", str(path), fix))
    allowed_deg, _ = read_area(path)
    allowed = shapely.transform(allowed_deg, lambda xy: np.column_stack(frame.from_lonlat(xy[:, 0], xy[:, 1])))
    if not allowed.intersection(area).area > 0:
        area_deg = shapely.transform(area, lambda en: np.column_stack(frame.to_lonlat(en[:, 0], en[:, 1])))
        boxes = f"these span {_box(allowed_deg)}, the area {_box(area_deg)} (longitude, latitude)"
        said = f"the polygons where checkpoints may stand do not meet the area: {boxes}"
        fix = "draw them inside the area, or leave out checkpoints.within to allow all of it"
        raise InputError(Fault("E39", said, str(path), fix))
    return allowed


def _box(shape: shapely.Geometry) -> str:
    west, south, east, north = shape.bounds
    return f"{west:.4f} to {east:.4f}, {south:.4f} to {north:.4f}"


_COLUMNS = (
    "id",
    "easting",
    "northing",
    "grid",
    "longitude",
    "latitude",
    "height_ortho_m",
    "height_ellip_m",
    "slope_deg",
    "cover",
    "setting",
    "quadrant",
    "reason",
)


def _feature(row: dict[str, Any]) -> dict[str, Any]:
    known = {key: value for key, value in row.items() if value is not None or not key.startswith("height_")}
    height = [] if row["height_ellip_m"] is None else [row["height_ellip_m"]]
    position = [row["longitude"], row["latitude"], *height]
    geometry = {"type": "Point", "coordinates": position}
    return {"type": "Feature", "id": row["id"], "geometry": geometry, "properties": {"kind": "checkpoint"} | known}


def _heights_statement(scene: Scene) -> str:
    if scene.heights == "ellipsoidal":
        return "Heights are those of the terrain given, in metres above the WGS 84 ellipsoid, as third coordinates are."
    if scene.geoid is None:
        return (
            "height_ortho_m is that of the terrain given, in metres above its own datum; the geoid that links it to "
            "the ellipsoid is unknown, so that positions have no third coordinate."
        )
    return (
        f"height_ortho_m is that of the terrain given, in metres; height_ellip_m and third coordinates are metres "
        f"above the WGS 84 ellipsoid, by geoid {scene.geoid.name}."
    )
