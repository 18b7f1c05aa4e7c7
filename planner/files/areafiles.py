"""Survey areas in: polygons from GeoJSON, GeoPackage, KML, KMZ and Shapefile, as longitude and latitude on WGS 84.

Lives here: reading polygons and refusing the ones that cannot be trusted. Must not know rasters, frames or missions.
"""

import json
import re
import warnings
import zipfile
from collections.abc import Iterator
from functools import lru_cache
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import numpy as np
import pyproj
import shapely

from planner.errors import Fault, InputError
from planner.ground.geodesy import LONLAT, WGS84

POLAR_DEG = 84.0
OUTSIDE_USE_DEG = 3.0
LEAST_AREA_M2 = 1.0
NAME_FIELDS = ("name", "id")

Ring = list[tuple[float, ...]]


def read_area(
    path: Path, layer: str | None = None, features: tuple[str, ...] | None = None
) -> tuple[shapely.MultiPolygon, pyproj.CRS]:
    """Return the polygons of a vector file and the CRS they were drawn in.

    Parameters
    ----------
    path : Path
        GeoJSON, GeoPackage, KML, KMZ or Shapefile.
    layer : str or None
        Layer (KML: folder) to read; None reads all.
    features : tuple of str or None
        Names of the features to keep, by the field ``name`` or ``id``; None keeps all.

    Returns
    -------
    area : shapely MultiPolygon
        Longitude and latitude on WGS 84 [deg], holes kept, overlapping parts merged.
    source_crs : pyproj.CRS
        Horizontal CRS of the file.

    Raises
    ------
    InputError
        E01-E05, E45, E46, E49.
    """
    if not path.is_file():
        raise _fault(
            "E45", f"{path.name}: no such file", str(path), "check site.area; it starts from the mission's folder"
        )
    for ring in _raw_rings(path):
        _check_closed(ring, path)
    polygons, crs = _polygons(path, layer, features)
    check_domain(np.concatenate([shapely.get_coordinates(polygon) for polygon in polygons]), crs, path)
    for polygon in polygons:
        _check_shape(polygon, crs, path)
    return _in_lonlat(polygons, crs, path), crs


def _fault(code: str, what: str, where: str, fix: str) -> InputError:
    return InputError(Fault(code, what, where, fix))


def _raw_rings(path: Path) -> Iterator[Ring]:
    """Yield rings as written in a text format: the vector library closes open ones without a word."""
    suffix = path.suffix.lower()
    if suffix in (".geojson", ".json"):
        yield from _geojson_rings(path)
    elif suffix in (".kml", ".kmz"):
        yield from _kml_rings(path)


def _geojson_rings(path: Path) -> Iterator[Ring]:
    mend = "export the file again as GeoJSON (RFC 7946)"
    try:
        tree = json.loads(path.read_text(encoding="utf-8-sig"))
    except json.JSONDecodeError as error:
        raise _fault("E45", f"not JSON: {error.msg}", f"{path}:{error.lineno}", mend) from error
    except UnicodeDecodeError as error:
        raise _fault("E45", "not UTF-8 text", f"{path}:1", mend) from error
    if not isinstance(tree, dict) or "type" not in tree:
        raise _fault("E45", "JSON, but not GeoJSON: the outermost object has no `type`", f"{path}:1", mend)
    try:
        for geometry in _geojson_geometries(tree):
            parts = {"Polygon": [geometry.get("coordinates")], "MultiPolygon": geometry.get("coordinates")}
            for polygon in parts.get(geometry["type"]) or []:
                yield from ([tuple(map(float, position)) for position in ring] for ring in polygon or [])
    except (TypeError, ValueError, KeyError, AttributeError) as error:
        raise _fault("E45", f"GeoJSON with a geometry that cannot be read: {error}", f"{path}:1", mend) from error


def _geojson_geometries(node: dict[str, Any]) -> Iterator[dict[str, Any]]:
    children = {
        "FeatureCollection": node.get("features"),
        "Feature": [node.get("geometry")],
        "GeometryCollection": node.get("geometries"),
    }
    if node["type"] not in children:
        yield node
        return
    for child in children[node["type"]] or []:
        if child is not None:
            yield from _geojson_geometries(child)


def _kml_rings(path: Path) -> Iterator[Ring]:
    mend = "export the file again as KML"
    try:
        if path.suffix.lower() == ".kmz":
            with zipfile.ZipFile(path) as archive:
                text = archive.read(next(name for name in archive.namelist() if name.lower().endswith(".kml")))
        else:
            text = path.read_bytes()
        root = ElementTree.fromstring(text)
    except (zipfile.BadZipFile, StopIteration) as error:
        raise _fault("E45", "not a KMZ: no zip archive with a .kml inside", str(path), mend) from error
    except ElementTree.ParseError as error:
        raise _fault("E45", f"not XML: {error}", f"{path}:{error.position[0]}", mend) from error
    for ring in root.iter():
        if ring.tag.rpartition("}")[2] == "LinearRing":
            written = "".join(node.text or "" for node in ring if node.tag.rpartition("}")[2] == "coordinates")
            try:
                yield [tuple(map(float, position.split(","))) for position in written.split()]
            except ValueError as error:
                raise _fault("E45", f"KML coordinates that cannot be read: {error}", str(path), mend) from error


def _check_closed(ring: Ring, path: Path) -> None:
    if len(ring) < 3:
        raise _fault("E02", f"a ring of {len(ring)} points has no area", str(path), "draw at least three corners")
    if ring[0][:2] != ring[-1][:2]:
        ends = " and ".join(f"{x:.7g} {y:.7g}" for x, y in (ring[0][:2], ring[-1][:2]))
        raise _fault("E03", f"a ring is not closed: it begins and ends at {ends}", str(path), "repeat its first corner")


def _polygons(
    path: Path, layer: str | None, features: tuple[str, ...] | None
) -> tuple[list[shapely.Polygon], pyproj.CRS]:
    """Return all polygons kept, in the CRS of the file."""
    polygons: list[shapely.Polygon] = []
    found: list[str] = []
    other_kinds: set[str] = set()
    crs_of: dict[str, pyproj.CRS] = {}
    for name, frame in layers(path, layer):
        kept = frame
        if features is not None:
            columns = [column for column in frame.columns if str(column).lower() in NAME_FIELDS]
            names = frame[columns].astype(str)
            found += [value for value in names.to_numpy().ravel().tolist() if value not in ("None", "nan", "")]
            kept = frame[names.isin(features).any(axis=1)]
        parts = [part for geometry in kept.geometry if geometry is not None for part in single_parts(geometry)]
        here = [shapely.force_2d(part) for part in parts if part.geom_type == "Polygon"]
        other_kinds |= {part.geom_type for part in parts} - {"Polygon"}
        if here:
            polygons += here
            crs_of[name] = horizontal_crs(frame.crs, path)
    missing = [name for name in features or () if name not in found]
    if missing:
        said = f"no feature named {', '.join(missing)}; the file names {', '.join(sorted(set(found))) or 'none'}"
        raise _fault("E02", said, str(path), "correct site.features")
    if not polygons:
        held = ", ".join(sorted(other_kinds))
        said = f"no polygon: the file holds {held} only, an area is needed" if held else "the file holds no feature"
        raise _fault("E02", said, str(path), "draw the area as a polygon, or buffer the line to one")
    first, *others = crs_of.values()
    if any(crs != first for crs in others):
        said = "layers in different CRS: " + ", ".join(f"{name} in {crs.name}" for name, crs in crs_of.items())
        raise _fault("E46", said, str(path), "name one with site.layer")
    return polygons, first


def layers(path: Path, layer: str | None = None) -> Iterator[tuple[str, Any]]:
    """Yield name and GeoDataFrame of each layer that holds geometry (KML folders are layers).

    Raises
    ------
    InputError
        E02 no such layer, E03 ring that cannot be read, E45 file that cannot be read.
    """
    import geopandas  # slow to import, and only needed here

    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # what matters is checked here, with a code
            names = [str(name) for name in geopandas.list_layers(path)["name"]]
            wanted = names if layer is None else [name for name in names if name == layer]
            frames = [(name, geopandas.read_file(path, layer=name)) for name in wanted]
    except shapely.GEOSException as error:
        raise _fault(
            "E03", f"a ring is not closed or too short: {error}", str(path), "repeat its first corner"
        ) from error
    except (RuntimeError, ValueError, OSError) as error:
        raise _fault("E45", f"cannot be read: {error}", str(path), "export the file again") from error
    if not frames:
        said = f"no layer named {layer}; the file holds {', '.join(names) or 'none'}"
        raise _fault("E02", said, str(path), "correct site.layer")
    for name, frame in frames:
        if "geometry" in frame:
            yield name, frame


def single_parts(geometry: shapely.Geometry) -> Iterator[shapely.Geometry]:
    """Yield single geometries out of nested collections; empty ones count, they are refused later."""
    if hasattr(geometry, "geoms"):
        for part in geometry.geoms:
            yield from single_parts(part)
    else:
        yield geometry


def horizontal_crs(crs: Any, path: Path) -> pyproj.CRS:
    """Return the horizontal part of a file's CRS; E04 where the file names none, or none linked to the Earth."""
    fix = "save the file with its CRS (a Shapefile needs its .prj); it is never guessed"
    if crs is None:
        raise _fault("E04", "the file names no coordinate reference system", str(path), fix)
    flat = pyproj.CRS(crs)
    if not (flat.is_projected or flat.is_geographic):
        raise _fault("E04", f"{flat.name} ({flat.type_name}) has no link to the Earth", str(path), fix)
    return flat.sub_crs_list[0] if flat.is_compound else flat.to_2d()


@lru_cache(maxsize=4)
def _to_lonlat(crs: pyproj.CRS) -> pyproj.Transformer:
    return pyproj.Transformer.from_crs(crs, LONLAT, always_xy=True)


def check_domain(xy: np.ndarray[Any, Any], crs: pyproj.CRS, path: Path) -> None:
    """Refuse (E05) coordinates, shape (n, 2), that cannot belong to the CRS, or that say so with swapped axes."""
    if not len(xy):
        raise _fault("E02", "the polygon is empty", str(path), "draw the area")
    largest = np.abs(xy).max(axis=0)
    x, y = xy[0]
    if crs.is_geographic:
        if largest[0] > 180 and 180 < xy[:, 0].max() < 190 and xy[:, 0].min() > 170 and largest[1] <= 90:
            raise _polar_or_split("crosses the 180 degree meridian", path)
        domain_holds = largest[0] <= 180 and largest[1] <= 90
        looks = "" if largest.max() <= 360 else "; numbers this large look like metres of a projected CRS"
        readings = f"read as longitude {x:.7g} latitude {y:.7g}, or swapped as longitude {y:.7g} latitude {x:.7g}"
    else:
        to_lonlat = _to_lonlat(crs)
        given, swapped = (to_lonlat.transform(*pair) for pair in ((x, y), (y, x)))
        domain_holds = bool(np.all(np.isfinite(given))) and _in_use(crs, *given)
        degrees = bool(largest[0] <= 180 and largest[1] <= 90)
        domain_holds &= not degrees
        looks = "; numbers this small look like degrees" if degrees else ""
        lonlats = [f"longitude {lon:.4f} latitude {lat:.4f}" for lon, lat in (given, swapped)]
        readings = f"{x:.7g} {y:.7g} read as east north is {lonlats[0]}, or swapped {lonlats[1]}"
    if not domain_holds:
        said = f"coordinates outside the domain of {crs.name}: {readings}{looks}"
        raise _fault("E05", said, str(path), "correct the CRS of the file, or its axis order")


def _in_use(crs: pyproj.CRS, lon: float, lat: float) -> bool:
    use = crs.area_of_use
    if use is None or use.west > use.east:
        return True
    margin = OUTSIDE_USE_DEG
    return use.west - margin <= lon <= use.east + margin and use.south - margin <= lat <= use.north + margin


def _check_shape(polygon: shapely.Polygon, crs: pyproj.CRS, path: Path) -> None:
    for ring in (polygon.exterior, *polygon.interiors):
        xy = shapely.get_coordinates(ring)
        if len(xy) < 4 or _is_flat(ring):
            raise _fault("E02", _at("a ring without area", xy[:1], crs), str(path), "draw at least three corners")
        twice = np.all(xy[1:] == xy[:-1], axis=1)
        if twice.any():
            spot = xy[1:][twice][:1]
            raise _fault("E03", _at("two corners in one place", spot, crs), str(path), "delete one of the two")
    if not polygon.is_valid:
        reason = shapely.is_valid_reason(polygon)
        kind, _, place = reason.partition("[")
        spot = np.array([re.findall(r"[-+\d.eE]+", place)[:2]], dtype=float)
        said = "the outline crosses or touches itself" if "elf-inters" in kind else kind.lower()
        raise _fault("E01", _at(said, spot, crs), str(path), "redraw the outline so that it does not meet itself there")


def _is_flat(ring: shapely.LinearRing) -> bool:
    """Return whether all corners lie on one line; the signed area would call a bow-tie flat as well."""
    hull = shapely.convex_hull(ring)
    return bool(hull.area <= 1e-9 * hull.length**2)


def _at(said: str, xy: np.ndarray[Any, Any], crs: pyproj.CRS) -> str:
    """Return a sentence with its place in longitude and latitude."""
    if not len(xy):
        return said
    lon, lat = _to_lonlat(crs).transform(*xy[0])
    return f"{said} at longitude {lon:.6f} latitude {lat:.6f}"


def _in_lonlat(polygons: list[shapely.Polygon], crs: pyproj.CRS, path: Path) -> shapely.MultiPolygon:
    to_lonlat = _to_lonlat(crs)
    moved = [
        shapely.transform(polygon, lambda xy: np.column_stack(to_lonlat.transform(xy[:, 0], xy[:, 1])))
        for polygon in polygons
    ]
    west, south, east, north = shapely.total_bounds(moved)
    if east - west > 180:
        raise _polar_or_split("crosses the 180 degree meridian", path)
    if max(-south, north) > POLAR_DEG:
        raise _polar_or_split(f"reaches latitude {max(south, north, key=abs):.2f}, beyond {POLAR_DEG:g}", path)
    whole = moved[0] if len(moved) == 1 else shapely.union_all(moved)
    area_m2 = abs(WGS84.geometry_area_perimeter(shapely.orient_polygons(whole))[0])
    if area_m2 < LEAST_AREA_M2:
        raise _fault(
            "E02", f"the area is {area_m2:.2g} m2, under {LEAST_AREA_M2:g} m2", str(path), "draw a larger area"
        )
    return whole if whole.geom_type == "MultiPolygon" else shapely.MultiPolygon([whole])


def _polar_or_split(said: str, path: Path) -> InputError:
    return _fault("E49", f"the area {said}", str(path), "plan each side as a job of its own, between 84 S and 84 N")
