"""Plans, gaps and grids as open files: GeoJSON (RFC 7946) and GeoTIFF.

Lives here: how lines, gaps and grids are written down. Must not know how they were found.

GeoJSON altitudes are heights above the WGS 84 ellipsoid. Where the link from scene heights to the ellipsoid is
unknown, positions carry no third coordinate and the heights stand in arrays whose names say what they are above.
"""

import json
import math
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import rasterio
import shapely
from rasterio import Affine

from planner.assessment import Assessment, LineFigures
from planner.files.drawnlines import PATH_KIND
from planner.files.planheights import line_heights_m
from planner.files.sortiefiles import sortie_of_lines, thinned
from planner.flight.flightlines import FlightLine
from planner.flight.sorties import Sortie
from planner.ground.geodesy import Frame, geodesic_area_m2
from planner.ground.surface import Scene

Array = npt.NDArray[np.float64]

DEGREE_DIGITS = 9
"""Decimals of longitude and latitude: 0.1 mm on the ground."""
HEIGHT_DIGITS = 3
TIME_DIGITS = 2
SAME_PLACE_M = 0.5
"""Take-off places nearer than this are one [m]."""
FIGURE_DIGITS = 9
"""Significant digits of a reported figure: the noise of the last bits stays out of the files."""


def json_value(value: Any) -> Any:
    """Return a value as JSON can hold it: nan and infinity are null, floats keep 9 significant digits."""
    if isinstance(value, Mapping):
        return {str(key): json_value(item) for key, item in value.items()}
    if isinstance(value, (list, tuple, np.ndarray)):
        return [json_value(item) for item in value]
    if isinstance(value, np.generic):
        return json_value(value.item())
    if isinstance(value, float):
        return float(f"{value:.{FIGURE_DIGITS}g}") if math.isfinite(value) else None
    return value


def collection_text(collection: Mapping[str, Any]) -> str:
    """Return a FeatureCollection as text, one feature a line, so that a line number names a feature."""
    head = json.dumps({key: item for key, item in collection.items() if key != "features"}, ensure_ascii=False)
    rows = (json.dumps(feature, ensure_ascii=False, allow_nan=False) for feature in collection["features"])
    return head[:-1] + ', "features": [\n' + ",\n".join(rows) + "\n]}\n"


def plan_geojson(assessment: Assessment) -> dict[str, Any]:
    """Return the plan as an RFC 7946 FeatureCollection: flight lines, area of interest, take-off points, paths.

    Every vertex of a line is written, lead-in and lead-out included. Settings are written unrounded and positions
    to 0.1 mm, so that a plan read back is the plan that was written. Heights above take-off are above the place from
    which the line's sortie takes off. The path of each sortie is thinned, see `planner.files.sortiefiles.thinned`.
    """
    mission, scene, plan = assessment.mission, assessment.scene, assessment.plan
    sortie_of, first_m = sortie_of_lines(plan.sorties), _take_off_height_m(assessment)
    ground_m = {sortie.number: float(sortie.take_off_m[2]) for sortie in plan.sorties}
    features = []
    for line, figures in zip(plan.lines, plan.figures, strict=True):
        number = sortie_of.get(line.line_id)
        take_off_m = first_m if number is None else ground_m[number]
        features.append(_line_feature(line, figures, scene, take_off_m, number))
    features.append(_area_feature(scene.frame, scene.area, {"kind": "area"}))
    features += [
        _feature({"type": "Point", "coordinates": _rounded(np.array(point))}, {"kind": "take-off", "id": f"T{n:02d}"})
        for n, point in enumerate(take_offs_deg(assessment), 1)
    ]
    features += [_path_feature(sortie, scene) for sortie in plan.sorties]
    if (risk := assessment.safety.risk) is not None:
        buffer = {"kind": "ground risk buffer", "model": risk.model, "widest_m": risk.widest_m}
        features.append(_area_feature(scene.frame, risk.buffer, buffer))
        if not risk.overshoot.is_empty:
            features.append(_area_feature(scene.frame, risk.overshoot, {"kind": "overshoot footprint"}))
    return {"type": "FeatureCollection", "name": mission.name, "heights": heights_statement(scene)} | {
        "features": features
    }


def gaps_geojson(assessment: Assessment) -> dict[str, Any]:
    """Return the gaps as an RFC 7946 FeatureCollection of polygons, largest first."""
    forecast = assessment.forecast
    features = [
        _feature(
            _polygon_geometry(assessment.scene.frame, gap.polygon),
            {
                "id": gap.gap_id,
                "cause": gap.cause,
                # Declared open water lacks returns by its nature: no failure of the flight.
                "expected": gap.cause == "water",
                "area_m2": json_value(gap.area_m2),
                "mean_density_per_m2": json_value(gap.mean_density_per_m2),
            },
        )
        for gap in forecast.gaps
    ]
    definition = {
        "definition": forecast.density.definition,
        "target_per_m2": json_value(forecast.density.target_per_m2),
    }
    return {"type": "FeatureCollection", "name": assessment.mission.name} | definition | {"features": features}


def heights_statement(scene: Scene) -> str:
    """Return in one sentence what heights the scene has and what GeoJSON altitudes mean."""
    if scene.heights == "ellipsoidal":
        return "Terrain heights are ellipsoidal; third coordinates are heights above the WGS 84 ellipsoid in metres."
    if scene.geoid is None:
        return (
            "Terrain heights are orthometric and the geoid that links them to the ellipsoid is unknown: positions have "
            "no third coordinate; heights_ortho_m holds the height of each vertex above the terrain's own datum."
        )
    return (
        f"Terrain heights are orthometric; third coordinates are heights above the WGS 84 ellipsoid in metres, by "
        f"geoid {scene.geoid.name}; a line that leaves the geoid grid has no third coordinate."
    )


def write_grid(
    path: Path,
    bands: Mapping[str, npt.NDArray[np.generic]],
    assessment: Assessment,
    unit: str,
    nodata: float | None,
) -> None:
    """Write values of the judging cells as a tiled, compressed GeoTIFF in the working CRS.

    Parameters
    ----------
    path : Path
        File to write.
    bands : mapping of str to ndarray, shape (rows, cols)
        What a value is, kept as the band's own description, and the values on the judging cells, row 0 north; bands
        of uint8 alone stay, all else becomes float32.
    assessment : Assessment
        Gives the cells and the frame.
    unit : str
        Unit of the values, kept as a tag of each band.
    nodata : float or None
        Value of cells without one, nan allowed.
    """
    cells, frame = assessment.forecast.cells, assessment.scene.frame
    for array in bands.values():
        if array.shape != (cells.rows, cells.cols):
            msg = f"grid of {array.shape} cells for a forecast of {(cells.rows, cells.cols)}"
            raise ValueError(msg)
    dtype = np.uint8 if all(array.dtype == np.uint8 for array in bands.values()) else np.float32
    west, north = frame.origin_east_m + cells.west_m, frame.origin_north_m + cells.north_m
    with rasterio.open(
        path,
        "w",
        driver="GTiff",
        height=cells.rows,
        width=cells.cols,
        count=len(bands),
        dtype=dtype,
        crs=rasterio.CRS.from_wkt(frame.crs.to_wkt()),
        transform=Affine(cells.cell_m, 0.0, west, 0.0, -cells.cell_m, north),
        nodata=nodata,
        tiled=True,
        blockxsize=256,
        blockysize=256,
        compress="deflate",
        interleave="band",
    ) as grid:
        for number, (description, array) in enumerate(bands.items(), start=1):
            grid.write(array.astype(dtype), number)
            grid.set_band_description(number, description)
            grid.set_band_unit(number, unit)


def grid_values(path: Path, frame: Frame, place_m: tuple[float, ...]) -> list[float]:
    """Return what the bands of a written grid say at a local place, east and north [m]; nan where a band has none."""
    with rasterio.open(path) as grid:
        spot = place_m[0] + frame.origin_east_m, place_m[1] + frame.origin_north_m
        (values,) = grid.sample([spot], masked=True)
        return [math.nan if hidden else float(value) for value, hidden in zip(values.data, values.mask, strict=True)]


def _line_feature(
    line: FlightLine, figures: LineFigures, scene: Scene, take_off_m: float | None, sortie: int | None
) -> dict[str, Any]:
    properties: dict[str, Any] = {
        "kind": "flight line",
        "id": line.line_id,
        "role": "mapping",
        "sortie": sortie,
        "heading_deg": json_value(figures.heading_deg),
        "length_m": json_value(figures.length_m),
        "kept_from_m": float(line.kept_m[0]),
        "kept_to_m": float(line.kept_m[1]),
        "speed_mps": float(line.speed_mps),
        "pulse_rate_hz": float(line.pulse_rate_hz),
        "line_rate_hz": float(line.line_rate_hz),
        "usable_half_angle_deg": math.degrees(line.usable_half_angle_rad),
    }
    measured = ("swath_m", "density_per_m2", "agl_min_m", "agl_mean_m", "agl_max_m", "ceiling_over_m")
    properties |= {name: json_value(getattr(figures, name)) for name in measured}
    properties["unsafe"] = figures.unsafe
    return _course_feature(line.points_m, properties, scene, take_off_m)


def _path_feature(sortie: Sortie, scene: Scene) -> dict[str, Any]:
    """Return the path of a sortie, with its times and what is flown from each vertex to the next."""
    path = thinned(sortie.path)
    properties = {
        "kind": PATH_KIND,
        "id": f"S{sortie.number:02d}",
        "role": "path",
        "sortie": sortie.number,
        "lines": list(sortie.line_ids),
        "times_s": [round(time, TIME_DIGITS) for time in path.times_s.tolist()],
        "parts": list(path.parts),
    }
    return _course_feature(path.points_m, properties, scene, float(sortie.take_off_m[2]))


def _course_feature(
    points_m: Array, properties: dict[str, Any], scene: Scene, take_off_m: float | None
) -> dict[str, Any]:
    """Return a course, shape (k, 3) [m], with its heights in each reference that is known."""
    east, north, up = points_m.T
    ortho_m, ellip_m = line_heights_m(points_m, scene)
    properties["height_reference"] = None if ellip_m is None else "ellipsoidal"
    if ortho_m is not None:
        properties["heights_ortho_m"] = _heights(ortho_m)
    if ellip_m is not None:
        properties["heights_ellip_m"] = _heights(ellip_m)
    properties["heights_agl_m"] = _heights(up - scene.ground.at(east, north))
    if take_off_m is not None:
        properties["heights_ato_m"] = _heights(up - take_off_m)
    positions = _rounded(np.column_stack(scene.frame.to_lonlat(east, north)))
    if ellip_m is not None:
        positions = [[*position, height] for position, height in zip(positions, _heights(ellip_m), strict=True)]
    return _feature({"type": "LineString", "coordinates": positions}, properties)


def take_offs_deg(assessment: Assessment) -> tuple[tuple[float, float], ...]:
    """Return the take-off places, longitude and latitude [deg]: those declared, then those chosen for sorties."""
    declared, frame = assessment.mission.take_off_deg, assessment.scene.frame
    places = [np.array(frame.from_lonlat(*place), dtype=np.float64) for place in declared]
    chosen: list[tuple[float, float]] = []
    for sortie in assessment.plan.sorties:
        place = sortie.take_off_m[:2]
        if all(np.hypot(*(place - other)) > SAME_PLACE_M for other in places):
            places.append(place)
            lon, lat = frame.to_lonlat(*place)
            chosen.append((float(lon), float(lat)))
    return (*declared, *chosen)


def _take_off_height_m(assessment: Assessment) -> float | None:
    """Return the scene height [m] of the ground at the first take-off place; None without one on known ground."""
    places, scene = take_offs_deg(assessment), assessment.scene
    if not places:
        return None
    height = float(scene.ground.at(*scene.frame.from_lonlat(*places[0])))
    return height if math.isfinite(height) else None


def _area_feature(
    frame: Frame, shape: shapely.Polygon | shapely.MultiPolygon, properties: Mapping[str, Any]
) -> dict[str, Any]:
    """Return a polygon with its geodesic area."""
    measured = {name: json_value(value) for name, value in properties.items()}
    measured["area_m2"] = json_value(geodesic_area_m2(frame, shape))
    return _feature(_polygon_geometry(frame, shape), measured)


def _feature(geometry: Mapping[str, Any], properties: Mapping[str, Any]) -> dict[str, Any]:
    """Return a Feature; its `id` member repeats the property, for programs that read only the one."""
    head = {"type": "Feature"} | ({"id": properties["id"]} if "id" in properties else {})
    return head | {"geometry": geometry, "properties": properties}


def _polygon_geometry(frame: Frame, shape: shapely.Polygon | shapely.MultiPolygon) -> dict[str, Any]:
    """Return a GeoJSON geometry in longitude and latitude, outer rings counterclockwise, holes clockwise."""
    in_lonlat = shapely.transform(
        shapely.force_2d(shape), lambda en: np.column_stack(frame.to_lonlat(en[:, 0], en[:, 1]))
    )
    parts = [
        [_rounded(np.asarray(ring.coords)) for ring in (part.exterior, *part.interiors)]
        for part in shapely.get_parts(shapely.orient_polygons(in_lonlat))
    ]
    if shape.geom_type == "Polygon":
        return {"type": "Polygon", "coordinates": parts[0]}
    return {"type": "MultiPolygon", "coordinates": parts}


def _rounded(positions: Array) -> list[Any]:
    rounded: list[Any] = np.round(positions, DEGREE_DIGITS).tolist()
    return rounded


def _heights(heights_m: Array) -> Sequence[float | None]:
    return [round(height, HEIGHT_DIGITS) if math.isfinite(height) else None for height in heights_m.tolist()]
