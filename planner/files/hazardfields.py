"""Features of hazard files: their shapes in the local frame, their fields, and heights that say what they are above.

Lives here: reading fields, units and height references of any hazard. Must not know what kinds of hazards there are.
"""

import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pyproj
import shapely

from planner.errors import Fault, InputError
from planner.files.areafiles import NAME_FIELDS, check_domain, horizontal_crs, layers
from planner.ground.geodesy import LONLAT, Frame
from planner.ground.surface import HeightGrid, Scene

Array = npt.NDArray[np.float64]

FOOT_M = 0.3048
"""The international foot, by definition [m]."""
REFERENCES = {
    "above_ground": "above_ground",
    "agl": "above_ground",
    "orthometric": "orthometric",
    "ellipsoidal": "ellipsoidal",
}
TYPED = {"_agl_m": "above_ground", "_ortho_m": "orthometric", "_ellip_m": "ellipsoidal"}
"""Ends of field names that say what a height is above; others need the field `height_reference`."""
UNTYPED = {"_m": 1.0, "_ft": FOOT_M}


@dataclass(frozen=True)
class Drafted:
    """One feature of a hazard file.

    Attributes
    ----------
    name, where : str
        What it is called, and its place in the file.
    shape : shapely geometry
        Local coordinates [m]; a third one is as the file has it.
    fields : mapping
        What the file says of it, names in small letters.
    short_names : bool
        Whether the file keeps only ten letters of a field's name, as Shapefiles do.
    """

    name: str
    where: str
    shape: shapely.Geometry
    fields: Mapping[str, Any]
    short_names: bool = False

    def get(self, field: str) -> Any:
        """Return what a field says, None where it says nothing."""
        value = self.fields.get(field[:10] if self.short_names else field)
        if value is None or (isinstance(value, str) and not value.strip()):
            return None
        return None if isinstance(value, float) and np.isnan(value) else value

    def numbers(self, field: str) -> Array | None:
        """Return the number or numbers of a field, shape (k,); None where it says nothing. E33: not numbers."""
        value = self.get(field)
        if value is None:
            return None
        try:
            if isinstance(value, str):
                value = json.loads(f"[{value.strip().strip('[]')}]")
            found = np.atleast_1d(np.array(value, dtype=np.float64))
        except (TypeError, ValueError):
            found = np.array([np.nan])
        if found.ndim != 1 or not found.size or not np.isfinite(found).all():
            raise self.refusal("E33", f"{field} is {value!r}, not a number", "give a number, or leave the field empty")
        return found

    def not_negative(self, field: str, default: float) -> float:
        """Return the number of a field, or a default. E33: below 0, or several numbers."""
        found = self.numbers(field)
        if found is None:
            return default
        if found.size != 1 or found[0] < 0:
            said = ", ".join(f"{value:g}" for value in found)
            raise self.refusal("E33", f"{field} is {said}", "give one number, 0 or more")
        return float(found[0])

    def refusal(self, code: str, what: str, fix: str) -> InputError:
        """Return an error that names the feature."""
        return InputError(Fault(code, f"{self.name}: {what}", self.where, fix))


def drafted(path: Path, frame: Frame, key: str) -> Iterator[Drafted]:
    """Yield the features of a vector file, parts of collections one by one.

    Parameters
    ----------
    path : Path
        GeoJSON, GeoPackage, KML, KMZ or Shapefile.
    frame : Frame
        The local frame.
    key : str
        The mission's name for the file, for messages.

    Raises
    ------
    InputError
        E02 no feature, E04 no CRS, E05 coordinates that cannot be, E07 third coordinates beside eastings in feet,
        E45 file missing or unreadable.
    """
    if not path.is_file():
        fix = f"check {key}; it starts from the mission's folder"
        raise InputError(Fault("E45", f"{path.name}: no such file", str(path), fix))
    number = 0
    for _, table in layers(path):
        held = table[table.geometry.notna() & ~table.geometry.is_empty]
        if not len(held):
            continue
        crs = horizontal_crs(table.crs, path)
        to_lonlat = pyproj.Transformer.from_crs(crs, LONLAT, always_xy=True)
        rows = held.drop(columns=held.geometry.name).to_dict("records")
        for shape, row in zip(held.geometry, rows, strict=True):
            number += 1
            fields = {str(name).lower(): value for name, value in row.items()}
            where = f"{path.name}, feature {number}"
            named = (fields.get(name) for name in NAME_FIELDS)
            name = next((str(one).strip() for one in named if one is not None and one == one), "")
            for part in shapely.get_parts(shape):
                check_domain(shapely.get_coordinates(part), crs, path)
                one = Drafted(name or f"feature {number}", where, part, fields, path.suffix.lower() == ".shp")
                _check_height_unit(one, crs)
                yield Drafted(one.name, where, _local(part, to_lonlat, frame), fields, one.short_names)
    if not number:
        raise InputError(Fault("E02", "the file holds no feature", str(path), f"draw some, or leave out {key}"))


def _local(shape: shapely.Geometry, to_lonlat: pyproj.Transformer, frame: Frame) -> shapely.Geometry:
    def moved(xyz: Array) -> Array:
        return np.column_stack([*frame.from_lonlat(*to_lonlat.transform(xyz[:, 0], xyz[:, 1])), xyz[:, 2:]])

    return shapely.transform(shape, moved, include_z=bool(shape.has_z))


def _check_height_unit(feature: Drafted, crs: pyproj.CRS) -> None:
    unit = crs.axis_info[0].unit_name
    if feature.shape.has_z and crs.is_projected and unit != "metre":
        what = f"horizontal unit is {unit}, the unit of third coordinates is not said"
        raise feature.refusal("E07", what, "export the file in a CRS in metres, with heights in metres")


def stated_heights(feature: Drafted, stems: tuple[str, ...]) -> tuple[Array, str] | None:
    """Return the heights [m], shape (k,), that a feature states and what they are above; None where it states none.

    Parameters
    ----------
    feature : Drafted
        The feature.
    stems : tuple of str
        What names of the fields begin with, for example ``"height"`` for ``height_m`` and ``height_agl_m``.

    Raises
    ------
    InputError
        E33 not numbers, E34 two fields that say it, E40 no height reference or an unknown one.
    """
    found: list[tuple[str, Array, str | None]] = []
    for stem in stems:
        for end, reference in TYPED.items():
            values = feature.numbers(stem + end)
            found += [] if values is None else [(stem + end, values, reference)]
        for end, unit_m in UNTYPED.items():
            values = feature.numbers(stem + end)
            found += [] if values is None else [(stem + end, values * unit_m, None)]
    if not found:
        return None
    if len(found) > 1:
        names = " and ".join(name for name, _, _ in found)
        raise feature.refusal("E34", f"{names} both say how high it is", "keep one of them")
    name, values, typed = found[0]
    return values, typed or declared_reference(feature, name)


def declared_reference(feature: Drafted, of: str) -> str:
    """Return what `height_reference` says that a height is above; E40 where it says nothing known."""
    declared = feature.get("height_reference")
    if declared is None:
        fix = f"add height_reference ({', '.join(REFERENCES)}), or use a typed field such as height_agl_m"
        raise feature.refusal("E40", f"{of} without a height_reference: nothing says what it is above", fix)
    reference = REFERENCES.get(str(declared).strip().lower())
    if reference is None:
        fix = f"give one of {', '.join(REFERENCES)}"
        raise feature.refusal("E40", f"height_reference is {declared!r}, which is no reference known", fix)
    return reference


def scene_heights_m(
    feature: Drafted, heights_m: Array, reference: str, ground_m: Array, places_m: Array, scene: Scene
) -> Array:
    """Return heights as scene heights [m], shape (k,).

    Parameters
    ----------
    feature : Drafted
        Whose heights they are.
    heights_m, ground_m : ndarray, shape (k,)
        Heights, and scene heights of the ground that those above ground count from [m].
    reference : str
        What they are above.
    places_m : ndarray, shape (k, 2)
        East and north of each [m].
    scene : Scene
        The site.

    Raises
    ------
    InputError
        E13 no geoid links them to the scene's heights, E40 above ground that is not known.
    """
    if reference == "above_ground":
        if np.isnan(ground_m).any():
            what = "its height is above ground, and the ground there is not known"
            raise feature.refusal("E40", what, "give its top above a datum (top_ortho_m or top_ellip_m)")
        return np.asarray(ground_m + heights_m)
    if reference == scene.heights:
        return heights_m
    separation = np.array(np.nan)
    if scene.geoid is not None:
        separation = scene.geoid.at(*scene.frame.to_lonlat(places_m[:, 0], places_m[:, 1]))
    if np.isnan(separation).any():
        what = f"its height is {reference}, those of the terrain are {scene.heights}, and no geoid links them here"
        raise feature.refusal("E13", what, "name a geoid in the mission's [terrain], or give heights above ground")
    return np.asarray(heights_m + (separation if reference == "orthometric" else -separation))


def ground_under(feature: Drafted, ground: HeightGrid) -> tuple[Array, Array]:
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


def lies_on(ground: HeightGrid, shape: shapely.Geometry) -> bool:
    """Return whether a shape in local coordinates meets the rectangle of a height grid."""
    return bool(shape.intersects(shapely.box(ground.west_m, ground.south_m, ground.east_m, ground.north_m)))
