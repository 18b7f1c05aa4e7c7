"""Sites in: an area as drawn, or a corridor made from a centreline and a width to either side of it.

Lives here: reading centrelines and refusing those that no corridor can follow. Must not know rasters or flights.
"""

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pyproj
import shapely

from planner.errors import Fault, InputError
from planner.files.areafiles import (
    NAME_FIELDS,
    POLAR_DEG,
    check_domain,
    horizontal_crs,
    layers,
    read_area,
    single_parts,
)
from planner.flight.strips import outline, tightest_bend
from planner.ground.geodesy import LONLAT, Frame, site_frame
from planner.mission import Mission

DETAIL_M = 0.1  # what a centreline does within this is left out
LEAST_LENGTH_M = 10.0
JOIN_M = 0.1  # parts that come so near one another are joined
MEND = "draw one line from end to end, or name the parts that join with site.features"


@dataclass(frozen=True)
class Drawn:
    """Where a job is, as its vector file says.

    Attributes
    ----------
    path : Path
        The file.
    area_deg : shapely MultiPolygon
        The area that is judged, longitude and latitude on WGS 84 [deg].
    crs : pyproj.CRS
        Horizontal CRS of the file.
    centreline_deg : shapely LineString or None
        Line along which the area is a corridor [deg]; None where the area was drawn.
    """

    path: Path
    area_deg: shapely.MultiPolygon
    crs: pyproj.CRS
    centreline_deg: shapely.LineString | None = None


def read_site(mission: Mission) -> Drawn:
    """Return the area of a mission, or the corridor along its centreline.

    A corridor has flat ends and round outer sides at its knees; its centreline is simplified by 0.1 m at most.

    Raises
    ------
    InputError
        As `read_area`; of a centreline E02 nothing there or too short, E04 no CRS, E05 coordinates that cannot be, E34
        a heading held beside it, E45 file missing or unreadable, E46 parts in different CRS, E47 parts that do not
        join, a line that meets itself or bends more tightly than the corridor is wide, E49 beyond 84 degrees or across
        180 degrees.
    """
    site, folder = mission.site, mission.file.parent
    if site.centreline is None:
        path = folder / str(site.area)
        area_deg, crs = read_area(path, site.layer, site.features)
        return Drawn(path, area_deg, crs)
    _refuse_heading(mission)
    path = folder / site.centreline
    left, right = float(site.width_left_m or 0.0), float(site.width_right_m or 0.0)
    drawn, crs = _read_line(path, site.layer, site.features)
    west, south, east, north = drawn.bounds
    frame = site_frame((west + east) / 2, (south + north) / 2)
    line = in_local(drawn, frame).simplify(DETAIL_M)
    _check_line(line, left, right, frame, path)
    area = outline(line, left, right)
    return Drawn(path, _in_lonlat(area, frame), crs, _in_lonlat(line, frame))


def in_local(geometry: shapely.Geometry, frame: Frame) -> shapely.Geometry:
    """Return a geometry in longitude and latitude [deg] as local east and north [m]."""
    return shapely.transform(geometry, lambda xy: np.column_stack(frame.from_lonlat(xy[:, 0], xy[:, 1])))


def _in_lonlat(geometry: shapely.Geometry, frame: Frame) -> shapely.Geometry:
    return shapely.transform(geometry, lambda en: np.column_stack(frame.to_lonlat(en[:, 0], en[:, 1])))


def _fault(code: str, what: str, path: Path, fix: str) -> InputError:
    return InputError(Fault(code, what, str(path), fix))


def _refuse_heading(mission: Mission) -> None:
    flight = mission.flight
    name, held = "heading_deg", flight.heading_deg if flight.heading_deg is None else f"{flight.heading_deg:g}"
    if flight.heading_along is not None:
        name, held = "heading_along", flight.heading_along
    if held is not None:
        what = f"{name} {held} is held, and the lines of a corridor run along its centreline"
        fix = f"leave {name} out, or give the site as an area"
        raise InputError(Fault("E34", what, f"{mission.file.name} [flight] {name}", fix))


def _read_line(
    path: Path, layer: str | None, features: tuple[str, ...] | None
) -> tuple[shapely.LineString, pyproj.CRS]:
    """Return the parts of a centreline joined, longitude and latitude [deg], and the CRS they were drawn in."""
    if not path.is_file():
        fix = "check site.centreline; it starts from the mission's folder"
        raise _fault("E45", f"{path.name}: no such file", path, fix)
    parts, crs = _parts(path, layer, features)
    xy = np.concatenate([shapely.get_coordinates(part) for part in parts])
    check_domain(xy, crs, path)
    to_lonlat = pyproj.Transformer.from_crs(crs, LONLAT, always_xy=True)
    moved = [np.column_stack(to_lonlat.transform(*shapely.get_coordinates(part).T)) for part in parts]
    west, south, east, north = shapely.total_bounds(shapely.multipoints(np.concatenate(moved)))
    if east - west > 180 or max(-south, north) > POLAR_DEG:
        where = "crosses the 180 degree meridian" if east - west > 180 else f"reaches beyond latitude {POLAR_DEG:g}"
        fix = "plan each side as a job of its own, between 84 S and 84 N"
        raise _fault("E49", f"the centreline {where}", path, fix)
    return _joined(moved, path), crs


def _parts(
    path: Path, layer: str | None, features: tuple[str, ...] | None
) -> tuple[list[shapely.LineString], pyproj.CRS]:
    """Return all lines kept, in the order and the CRS of the file."""
    lines: list[shapely.LineString] = []
    found: list[str] = []
    kinds: set[str] = set()
    crs_of: dict[str, pyproj.CRS] = {}
    for name, table in layers(path, layer):
        kept = _named(table, features, found)
        parts = [part for geometry in kept.geometry if geometry is not None for part in single_parts(geometry)]
        here = [shapely.force_2d(part) for part in parts if part.geom_type == "LineString" and not part.is_empty]
        kinds |= {part.geom_type for part in parts} - {"LineString"}
        if here:
            lines += here
            crs_of[name] = horizontal_crs(table.crs, path)
    if missing := [name for name in features or () if name not in found]:
        said = f"no feature named {', '.join(missing)}; the file names {', '.join(sorted(set(found))) or 'none'}"
        raise _fault("E02", said, path, "correct site.features")
    if not lines:
        held = f"the file holds {', '.join(sorted(kinds))} only" if kinds else "the file holds no feature"
        fix = "draw the centreline as a line; polygons are an `area`"
        raise _fault("E02", f"no line: {held}, a centreline is needed", path, fix)
    first, *others = crs_of.values()
    if any(crs != first for crs in others):
        said = "layers in different CRS: " + ", ".join(f"{name} in {crs.name}" for name, crs in crs_of.items())
        raise _fault("E46", said, path, "name one with site.layer")
    return lines, first


def _named(table: Any, features: tuple[str, ...] | None, found: list[str]) -> Any:
    """Return the rows of a table that have a name asked for, all where none is asked for; adds the names found."""
    if features is None:
        return table
    columns = [column for column in table.columns if str(column).lower() in NAME_FIELDS]
    names = table[columns].astype(str)
    found += [value for value in names.to_numpy().ravel().tolist() if value not in ("None", "nan", "")]
    return table[names.isin(features).any(axis=1)]


def _joined(parts: list[np.ndarray[Any, Any]], path: Path) -> shapely.LineString:
    """Return parts of longitudes and latitudes as one line, each beginning where the one before it ends."""
    frame = site_frame(*parts[0][0].tolist())
    whole = parts[0]
    for number, part in enumerate(parts[1:], start=2):
        ends = np.column_stack(frame.from_lonlat(*np.array([whole[-1], part[0]]).T))
        gap = float(np.hypot(*(ends[1] - ends[0])))
        if gap > JOIN_M:
            lon, lat = part[0]
            what = (
                f"part {number} of the centreline begins {gap:.1f} m from the end of part {number - 1}, at longitude "
                f"{lon:.6f} latitude {lat:.6f}"
            )
            raise _fault("E47", what, path, MEND)
        whole = np.concatenate([whole, part[1:]])
    return shapely.LineString(whole)


def _check_line(line: shapely.LineString, left_m: float, right_m: float, frame: Frame, path: Path) -> None:
    """Refuse a centreline, in local coordinates [m], that is too short or that no corridor of its width can follow."""
    if line.length < LEAST_LENGTH_M:
        what = f"the centreline is {line.length:.2g} m long, under {LEAST_LENGTH_M:g} m"
        raise _fault("E02", what, path, "draw a longer line, or give the site as an area")
    bend = tightest_bend(line, left_m, right_m)
    if bend.radius_m < bend.width_m:
        what = (
            f"the centreline bends to a radius of {bend.radius_m:.1f} m at {_place(bend.place_m, frame)}, and the "
            f"corridor is {bend.width_m:g} m wide on the inner side, the {bend.side}"
        )
        fix = f"smooth the bend, or lower width_{bend.side}_m, or split the line there and plan each part by itself"
        raise _fault("E47", what, path, fix)
    if not line.is_simple:
        what = f"the centreline crosses or touches itself at {_place(_meeting(line), frame)}"
        raise _fault("E47", what, path, "split it there, and plan each part as a job of its own")


def _meeting(line: shapely.LineString) -> np.ndarray[Any, Any]:
    """Return where a line meets itself [m], shape (2,): the first place where more than two of its pieces end."""
    pieces = shapely.get_parts(shapely.unary_union(line))
    ends = np.concatenate([shapely.get_coordinates(piece)[[0, -1]] for piece in pieces])
    places, first, count = np.unique(ends, axis=0, return_index=True, return_counts=True)
    met = np.flatnonzero(count > 2)  # a line that turns straight back has been refused as a bend
    return np.asarray(places[met[np.argmin(first[met])]])


def _place(en: np.ndarray[Any, Any], frame: Frame) -> str:
    lon, lat = frame.to_lonlat(*en)
    return f"longitude {lon:.6f} latitude {lat:.6f}"
