"""Lines as their files hold them: GeoJSON, KML, KMZ, GeoPackage, Shapefile.

Lives here: the containers, their reference systems and what each says of heights. Must not know missions,
terrain or what a line will be flown with.
"""

import json
import math
import xml.etree.ElementTree as ET
import zipfile
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pyproj
import shapely

from planner.errors import Fault, InputError
from planner.ground.geodesy import LONLAT

Array = npt.NDArray[np.float64]

KML_MODES = {"absolute": "orthometric", "relativeToGround": "agl"}
"""KML altitudeMode to height reference; `absolute` is above mean sea level (OGC 12-007r2)."""


PATH_KIND = "flight path"
"""Property `kind` of the way of a whole sortie in files of our own: no line to fly again."""


@dataclass(frozen=True)
class Drawn:
    """One polyline as its file holds it: `positions` (k, 2 or 3) are longitude, latitude [deg], height [m]."""

    positions: Array
    reference: str | None
    where: str
    properties: Mapping[str, Any] = field(default_factory=dict)

    def get(self, name: str) -> Any:
        """Return a property; None where absent or nan. Shapefiles keep the first ten letters of a name."""
        value = self.properties.get(name, self.properties.get(name[:10]))
        return None if isinstance(value, float) and math.isnan(value) else value

    def number(self, name: str) -> float | None:
        """Return a property as a number, None where absent."""
        value = self.get(name)
        if value is None or value == "":
            return None
        try:
            number = float(value)
        except (TypeError, ValueError):
            number = math.nan
        if not math.isfinite(number):
            raise refusal("E33", self.where, f"{name} is {value!r}, not a number", "give a number or leave it out")
        return number


def read_drawn(path: Path) -> Iterator[Drawn]:
    """Yield every line of a file, in file order; several parts of one feature come apart, paths of sorties stay out.

    Raises
    ------
    InputError
        E04 no CRS, E07 unit of heights not said, E45 malformed or unreadable.
    """
    readers = {".geojson": _geojson, ".json": _geojson, ".kml": _kml, ".kmz": _kml}
    for drawn in readers.get(path.suffix.lower(), _layers)(path):
        if drawn.get("kind") != PATH_KIND:
            yield drawn


def refusal(code: str, where: str, what: str, fix: str) -> InputError:
    """Return an `InputError` with one fault."""
    return InputError(Fault(code, what, where, fix))


def _geojson(path: Path) -> Iterator[Drawn]:
    try:
        document = json.loads(path.read_text(encoding="utf-8-sig"))
    except json.JSONDecodeError as error:
        raise refusal("E45", f"{path.name}:{error.lineno}", f"not JSON: {error.msg}", "export it again") from error
    except (OSError, UnicodeDecodeError) as error:
        raise _unreadable(path, error) from error
    features = document.get("features", [document]) if isinstance(document, dict) and "type" in document else None
    if not isinstance(features, list):
        raise refusal("E45", f"{path.name}:1", "not a GeoJSON object with a type", "export it as GeoJSON")
    crs = _geojson_crs(document, path)
    for number, feature in enumerate(features, 1):
        where = f"{path.name}, feature {number}"
        try:
            is_feature = feature["type"] == "Feature"
            properties = dict(feature.get("properties") or {}) if is_feature else {}
            properties.setdefault("id", feature.get("id"))
            parts = list(_geojson_parts(feature["geometry"] if is_feature else feature))
        except (KeyError, TypeError, ValueError, AttributeError) as error:
            raise refusal("E45", where, "not a GeoJSON geometry of numbers", "export it again") from error
        yield from _parts(parts, crs, "ellipsoidal", where, properties)


def _geojson_crs(document: Mapping[str, Any], path: Path) -> pyproj.CRS:
    """Return WGS 84, or what an old-style `crs` member names; null there means unknown."""
    if "crs" not in document:
        return LONLAT
    try:
        return pyproj.CRS.from_user_input(document["crs"]["properties"]["name"])
    except (KeyError, TypeError, pyproj.exceptions.CRSError) as error:
        fix = "leave the member out (RFC 7946: WGS 84) or export the file anew"
        raise refusal("E04", path.name, "the `crs` member names no known reference system", fix) from error


def _geojson_parts(geometry: Mapping[str, Any] | None) -> Iterator[Array]:
    kind = geometry["type"] if geometry else None
    if geometry is None or kind not in ("LineString", "MultiLineString", "GeometryCollection"):
        return
    if kind == "GeometryCollection":
        for inner in geometry["geometries"]:
            yield from _geojson_parts(inner)
        return
    for part in [geometry["coordinates"]] if kind == "LineString" else geometry["coordinates"]:
        yield np.array(part, dtype=np.float64)


def _kml(path: Path) -> Iterator[Drawn]:
    try:
        if path.suffix.lower() == ".kmz":
            with zipfile.ZipFile(path) as archive:
                text = archive.read(next(name for name in archive.namelist() if name.lower().endswith(".kml")))
        else:
            text = path.read_bytes()
        root = ET.fromstring(text)
    except ET.ParseError as error:
        raise refusal("E45", f"{path.name}:{error.position[0]}", f"not XML: {error}", "export it again") from error
    except (OSError, zipfile.BadZipFile, StopIteration) as error:
        raise _unreadable(path, error) from error
    placemarks = (element for element in root.iter() if _tag(element) == "Placemark")
    for number, placemark in enumerate(placemarks, 1):
        where = f"{path.name}, placemark {number}"
        properties = {"id": _child_text(placemark, "name")} | {
            str(item.get("name")): _child_text(item, "value") or item.text
            for item in placemark.iter()
            if _tag(item) in ("Data", "SimpleData")
        }
        lines = [element for element in placemark.iter() if _tag(element) == "LineString"]
        for part, line in enumerate(lines, 1):
            mode = _child_text(line, "altitudeMode")
            try:
                rows = [tuple(map(float, row.split(","))) for row in (_child_text(line, "coordinates") or "").split()]
                positions = np.array(rows, dtype=np.float64)
            except ValueError as error:
                raise refusal("E45", where, "coordinates that are not numbers", "export it again") from error
            # Heights of lines clamped to the ground are ignored by definition; exporters write zeros there.
            if mode not in KML_MODES and positions.ndim == 2 and not positions[:, 2:].any():
                positions = positions[:, :2]
            named = properties if len(lines) == 1 else properties | {"id": f"{properties['id'] or 'line'}.{part}"}
            yield Drawn(positions, KML_MODES.get(mode or ""), where, named)


def _tag(element: ET.Element) -> str:
    return element.tag.rsplit("}", 1)[-1]


def _child_text(element: ET.Element, tag: str) -> str | None:
    return next(((child.text or "").strip() for child in element if _tag(child) == tag), None)


def _layers(path: Path) -> Iterator[Drawn]:
    """Read every layer of a GeoPackage, Shapefile or whatever else GDAL knows."""
    import geopandas

    try:
        layers = geopandas.list_layers(path)
        names = layers.loc[layers.geometry_type.notna(), "name"]
        tables = [(name, geopandas.read_file(path, layer=name)) for name in names]
    except (OSError, RuntimeError, ValueError) as error:
        raise _unreadable(path, error) from error
    for name, table in tables:
        shapes = table.geometry
        for number, (shape, properties) in enumerate(
            zip(shapes, table.drop(columns=shapes.name).to_dict("records"), strict=True), 1
        ):
            where = f"{path.name}, layer {name}, feature {number}"
            if shape is None or shape.geom_type not in ("LineString", "MultiLineString"):
                continue
            if table.crs is None:
                fix = "add its .prj, or set the CRS in the program that wrote it"
                raise refusal("E04", f"{path.name}, layer {name}", "no coordinate reference system", fix)
            parts = [shapely.get_coordinates(part, include_z=part.has_z) for part in shapely.get_parts(shape)]
            yield from _parts(parts, table.crs, None, where, properties)


def _parts(
    parts: list[Array], crs: pyproj.CRS, reference: str | None, where: str, properties: Mapping[str, Any]
) -> Iterator[Drawn]:
    """Yield the parts of one feature, on WGS 84; several parts are told apart by a number behind the name."""
    for number, part in enumerate(parts, 1):
        named = properties if len(parts) == 1 else {**properties, "id": f"{properties.get('id') or 'line'}.{number}"}
        positions = part
        if crs != LONLAT and part.ndim == 2 and part.shape[1] >= 2:
            _check_height_unit(part, crs, where)
            to_lonlat = pyproj.Transformer.from_crs(crs, LONLAT, always_xy=True)
            positions = np.column_stack([*to_lonlat.transform(part[:, 0], part[:, 1]), part[:, 2:]])
        yield Drawn(positions, reference, where, named)


def _check_height_unit(part: Array, crs: pyproj.CRS, where: str) -> None:
    """Refuse heights beside eastings in feet: whether they are in feet too is nowhere said."""
    axis = crs.axis_info[0]
    if part.shape[1] == 3 and crs.is_projected and axis.unit_name != "metre":
        fix = "export the lines in a CRS in metres, with heights in metres"
        raise refusal("E07", where, f"horizontal unit is {axis.unit_name}, the unit of heights is not said", fix)


def _unreadable(path: Path, error: Exception) -> InputError:
    reason = error.strerror if isinstance(error, OSError) and error.strerror else type(error).__name__
    fix = "give lines as GeoJSON, KML, KMZ, GeoPackage or Shapefile"
    return refusal("E45", path.name, f"the file cannot be read ({reason})", fix)
