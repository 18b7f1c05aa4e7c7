"""Features of interest in: named lines and polygons on which a forecast is reported apart.

Lives here: what such a file must say, and the outline of each feature. Must not know what is reported.
"""

from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pyproj
import shapely

from planner.errors import Fault, InputError
from planner.files.areafiles import NAME_FIELDS, check_domain, horizontal_crs, layers, single_parts
from planner.ground.geodesy import LONLAT, Frame
from planner.ground.surface import Feature
from planner.mission import Mission


def read_features(mission: Mission, frame: Frame, area: shapely.MultiPolygon) -> tuple[tuple[Feature, ...], list[str]]:
    """Return the features of interest of a mission, and what the reader must be told.

    A line is given the width that the mission states, half to each side. Lines and polygons of one name are one
    feature. Those that miss the area are left out, with a caution.

    Parameters
    ----------
    mission : Mission
        Its `site` names the file; the path starts from its folder.
    frame : Frame
        The local frame.
    area : shapely MultiPolygon
        Area of interest, local coordinates [m].

    Raises
    ------
    InputError
        E01 outline that crosses itself, E02 points or nothing at all, E04 no CRS, E05 coordinates that cannot be,
        E18 no name, E45 file missing or unreadable.
    """
    if mission.site.features_of_interest is None:
        return (), []
    path = mission.file.parent / mission.site.features_of_interest
    outlines: dict[str, list[shapely.Geometry]] = {}
    for name, shape in _shapes(path, frame):
        wide = shape.geom_type != "Polygon"
        outline = shape.buffer(mission.site.feature_width_m / 2, cap_style="flat") if wide else shape
        outlines.setdefault(name, []).append(outline)
    features = [Feature(name, shapely.union_all(parts)) for name, parts in outlines.items()]
    within = tuple(feature for feature in features if feature.polygon.intersection(area).area > 0)
    missed = [feature.name for feature in features if feature not in within]
    return within, missed_cautions(path, "features of interest", missed, all_missed=not within)


def missed_cautions(path: Path, kind: str, missed: Sequence[str], *, all_missed: bool) -> list[str]:
    """Return what the reader must be told of named shapes of a file that miss the area; nothing where none does."""
    if not missed:
        return []
    held = f"none of the {kind} lies" if all_missed else f"{', '.join(missed)}: not"
    return [f"{path.name}: {held} in the area; nothing is reported on {'them' if len(missed) > 1 else 'it'}."]


def _fault(code: str, what: str, path: Path, fix: str) -> InputError:
    return InputError(Fault(code, what, str(path), fix))


def _shapes(path: Path, frame: Frame) -> Iterator[tuple[str, shapely.Geometry]]:
    """Yield name and shape of every line and polygon, in local coordinates [m]."""
    if not path.is_file():
        fix = "check site.features_of_interest; it starts from the mission's folder"
        raise _fault("E45", f"{path.name}: no such file", path, fix)
    nameless = found = 0
    for _, table in layers(path):
        held = table[table.geometry.notna()]
        if not len(held):
            continue
        to_lonlat = pyproj.Transformer.from_crs(horizontal_crs(table.crs, path), LONLAT, always_xy=True)
        for name, geometry in zip(_names(held, path), held.geometry, strict=True):
            nameless += not name
            found += 1
            for part in single_parts(geometry):
                _check_part(part, path)
                check_domain(shapely.get_coordinates(part), horizontal_crs(table.crs, path), path)
                flat = shapely.force_2d(part)
                yield name, shapely.transform(flat, lambda xy, to=to_lonlat: _local(xy, to, frame))
    if nameless:
        what = f"{nameless} of the features of interest have no name"
        raise _fault("E18", what, path, "name each one: it is what the report calls it")
    if not found:
        raise _fault("E02", "the file holds no feature", path, "draw lines or polygons, or leave the file out")


def _local(xy: np.ndarray[Any, Any], to_lonlat: pyproj.Transformer, frame: Frame) -> np.ndarray[Any, Any]:
    return np.column_stack(frame.from_lonlat(*to_lonlat.transform(xy[:, 0], xy[:, 1])))


def _names(table: Any, path: Path) -> list[str]:
    """Return the name of each feature, empty where it has none."""
    columns = {str(column).lower(): column for column in table.columns}
    field = next((columns[name] for name in NAME_FIELDS if name in columns), None)
    if field is None:
        fields = [str(column) for column in table.columns if column != table.geometry.name]
        what = f'no field "{NAME_FIELDS[0]}"; the file has {", ".join(fields) or "none"}'
        raise _fault("E18", what, path, "put the name of each feature in a field of that name")
    return ["" if value is None or value != value else str(value).strip() for value in table[field]]


def _check_part(part: shapely.Geometry, path: Path) -> None:
    if part.geom_type not in ("LineString", "LinearRing", "Polygon"):
        what = f"holds a {part.geom_type}: a feature of interest is a line or a polygon"
        raise _fault("E02", what, path, "draw it as a line or a polygon")
    if not part.is_valid:
        what = f"an outline crosses or touches itself: {shapely.is_valid_reason(part)}"
        raise _fault("E01", what, path, "redraw the outline so that it does not meet itself there")
