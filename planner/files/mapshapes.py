"""Shapes of the offline map: GeoJSON features in longitude and latitude, and the numbers of their words.

Lives here: what all layers of shapes have in common. Must not know what is drawn, nor pages.
"""

from typing import Any, cast

import numpy as np
import numpy.typing as npt
import shapely

from planner.files.mapwords import Said
from planner.ground.geodesy import Frame

Shape = dict[str, Any]


def feature(role: str, geometry: Shape, **properties: Any) -> Shape:
    """Return a GeoJSON feature; its properties hold numbers and our own words only."""
    return {"type": "Feature", "properties": {"role": role, **properties}, "geometry": geometry}


def numbered(features: list[Shape]) -> list[Shape]:
    """Return features with the ids by which folium tells them apart."""
    return [shape | {"id": number} for number, shape in enumerate(features)]


def degrees(frame: Frame, points_m: npt.ArrayLike) -> list[list[float]]:
    """Return local points, shape (n, 2 or more) [m], as longitude, latitude to 1 cm [deg]."""
    points = np.asarray(points_m)
    pairs = np.column_stack(frame.to_lonlat(points[:, 0], points[:, 1]))
    return cast("list[list[float]]", pairs.round(7).tolist())


def point(frame: Frame, place_m: npt.ArrayLike) -> Shape:
    """Return a place, east and north [m], as a geometry."""
    return {"type": "Point", "coordinates": degrees(frame, np.asarray(place_m)[np.newaxis, :2])[0]}


def polygons(frame: Frame, area: shapely.Geometry) -> Shape:
    """Return a local polygon, or several, as a geometry."""
    return {"type": "MultiPolygon", "coordinates": [rings(frame, part) for part in shapely.get_parts(area)]}


def rings(frame: Frame, polygon: shapely.Polygon) -> list[list[list[float]]]:
    """Return the rings of a local polygon in degrees."""
    return [degrees(frame, ring.coords) for ring in (polygon.exterior, *polygon.interiors)]


def course(frame: Frame, points_m: npt.NDArray[np.float64]) -> Shape:
    """Return a line in plan, without the points that only change its height."""
    return {
        "type": "LineString",
        "coordinates": degrees(frame, shapely.LineString(points_m[:, :2]).simplify(0.05).coords),
    }


def word_number(words: list[Said], said: Said) -> int:
    """Add a text to the words of the page and return its number."""
    words.append(said)
    return len(words) - 1
