"""Strips along a line: their outline, their tightest bend, and the part of them that belongs to each leg.

Lives here: plane geometry of corridors. Must not know flight lines, missions or terrain.
"""

from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise

import numpy as np
import numpy.typing as npt
import shapely

Array = npt.NDArray[np.float64]

TIGHT_DETAIL = 0.02  # of the width on the inner side: wiggles within that are no bends
GRID_M = 1e-3  # corners are rounded to this, so that parts with a common edge become one
HAIR_M2 = 1.0  # a hole of a corridor that is smaller is rounding
FAN_STEP_RAD = np.radians(5.0)
FAN_OVER_RAD, FAN_OVER_M = 1e-3, 0.01  # of a fan over the boxes beside it: rounding must leave no hairs between them


@dataclass(frozen=True)
class Corridor:
    """A strip along a line.

    Attributes
    ----------
    centreline : shapely LineString
        Local coordinates [m]; legs run along it as it was drawn.
    left_m, right_m : float
        How far the strip reaches to either side, looking along the line [m].
    buffer_m : float
        How much farther it is flown, but not judged, on all sides [m].
    """

    centreline: shapely.LineString
    left_m: float
    right_m: float
    buffer_m: float = 0.0

    @property
    def width_m(self) -> float:
        """From edge to edge of what is judged [m]."""
        return self.left_m + self.right_m


def outline(centreline: shapely.LineString, left_m: float, right_m: float) -> shapely.MultiPolygon:
    """Return all that lies beside a line within a width to its left and its right, in local coordinates [m].

    Flat at both ends and round at the outside of bends, so that the width holds in every direction.
    """
    return _strip(shapely.get_coordinates(centreline), left_m, right_m)


def deflections_rad(points_m: Array) -> Array:
    """Return how far a polyline of shape (n, 2) turns to the right at each inner vertex [rad], shape (n - 2,)."""
    headings = headings_rad(points_m)
    return np.asarray((np.diff(headings) + np.pi) % (2 * np.pi) - np.pi)


@dataclass(frozen=True)
class Bend:
    """A bend of a centreline.

    Attributes
    ----------
    place_m : ndarray, shape (2,)
        Local east and north [m].
    radius_m : float
        Of the circle that touches three successive segments; of the one that touches both segments at a knee and ends
        where one of them does. inf where the line is straight [m].
    width_m : float
        How far the corridor reaches on the inner side [m].
    side : {"left", "right"}
        The inner side, looking along the line.
    """

    place_m: Array
    radius_m: float
    width_m: float
    side: str


def tightest_bend(centreline: shapely.LineString, left_m: float, right_m: float) -> Bend:
    """Return the bend of a line that is tightest for the width on its inner side; wiggles are left out."""
    bends = [_tightest(centreline, width, side) for width, side in ((right_m, "right"), (left_m, "left"))]
    return min(bends, key=lambda bend: bend.radius_m / bend.width_m)


def _tightest(centreline: shapely.LineString, width_m: float, side: str) -> Bend:
    points = shapely.get_coordinates(centreline.simplify(TIGHT_DETAIL * width_m))
    turns = deflections_rad(points) * (1.0 if side == "right" else -1.0)
    halves = np.concatenate([[0.0], np.tan(np.maximum(turns, 0.0) / 2), [0.0]])
    both = halves[:-1] + halves[1:]
    lengths = np.hypot(*np.diff(points, axis=0).T)
    radii = np.divide(lengths, both, out=np.full(lengths.shape, np.inf), where=both > 0)
    at = int(np.argmin(radii))
    return Bend(points[at + int(halves[at + 1] > halves[at])], float(radii[at]), width_m, side)


def _many(geometry: shapely.Geometry) -> shapely.MultiPolygon:
    """Return the polygons among parts of any kind."""
    parts = shapely.get_parts(geometry)
    return shapely.MultiPolygon([part for part in parts if part.geom_type == "Polygon" and part.area > 0])


def headings_rad(points_m: Array) -> Array:
    """Return the grid heading of each segment [rad], shape (n - 1,)."""
    east, north = np.diff(points_m, axis=0).T
    return np.asarray(np.arctan2(east, north))


def off_m(heading_rad: float | Array, distance_m: float) -> Array:
    """Return east and north of a distance along a heading [m], shape (..., 2)."""
    return distance_m * np.stack([np.sin(heading_rad), np.cos(heading_rad)], axis=-1)


def _stretched(points_m: Array, more_m: float) -> Array:
    """Return a polyline that goes on straight by a length at both ends [m]."""
    headings = headings_rad(points_m)
    longer = points_m.copy()
    longer[0] -= off_m(float(headings[0]), more_m)
    longer[-1] += off_m(float(headings[-1]), more_m)
    return longer


def _strip(points_m: Array, left_m: float, right_m: float) -> shapely.MultiPolygon:
    """Return all within a width to either side of a polyline: a box for each segment, a fan outside each bend."""
    headings = headings_rad(points_m)
    parts = []
    for (start, end), heading in zip(pairwise(points_m), headings, strict=True):
        left, right = off_m(heading - np.pi / 2, left_m), off_m(heading + np.pi / 2, right_m)
        parts.append(shapely.Polygon([start + left, end + left, end + right, start + right]))
    for place, heading, turn in zip(points_m[1:-1], headings, deflections_rad(points_m), strict=False):
        parts.append(_fan(place, heading, turn, left_m if turn > 0 else right_m))
    return _without_hairs(_many(shapely.union_all(parts, grid_size=GRID_M)))


def _without_hairs(shape: shapely.MultiPolygon) -> shapely.MultiPolygon:
    """Return a shape without the slits that rounding leaves at knees, where boxes and fans meet."""
    kept = [
        shapely.Polygon(part.exterior, [ring for ring in part.interiors if shapely.Polygon(ring).area > HAIR_M2])
        for part in shape.geoms
    ]
    return shapely.MultiPolygon(kept)


def _fan(place_m: Array, heading_rad: float, turn_rad: float, width_m: float) -> shapely.Polygon:
    """Return the sector outside a bend from one heading on through a turn, empty where there is none."""
    if abs(turn_rad) < 1e-9:
        return shapely.Polygon()
    side = np.sign(turn_rad)
    outward, over = heading_rad - side * np.pi / 2, side * FAN_OVER_RAD
    steps = int(np.ceil(abs(turn_rad) / FAN_STEP_RAD)) + 1
    rim = place_m + off_m(outward + np.linspace(-over, turn_rad + over, steps), width_m)
    inward = place_m - off_m(outward + turn_rad / 2, FAN_OVER_M)
    return shapely.Polygon([inward, *rim])


@lru_cache(maxsize=512)
def pieces_of(corridor: Corridor, start: int, end: int) -> tuple[shapely.MultiPolygon, shapely.MultiPolygon]:
    """Return what is flown and what is judged of the leg between two vertices of a centreline."""
    points, wider = shapely.get_coordinates(corridor.centreline), corridor.buffer_m
    left, right = corridor.left_m, corridor.right_m
    planned = _piece(_stretched(points, wider), start, end, left + wider, right + wider)
    return _many(planned), _many(_piece(points, start, end, left, right))


def _piece(points_m: Array, start: int, end: int, left_m: float, right_m: float) -> shapely.Geometry:
    """Return the part of a corridor that belongs to the leg between two vertices: up to the bisectors of its knees."""
    piece = _strip(points_m[start : end + 1], left_m, right_m)
    for knee in (start, end):
        if not 0 < knee < len(points_m) - 1:
            continue
        before, after = headings_rad(points_m[knee - 1 : knee + 2])
        (turn,) = deflections_rad(points_m[knee - 1 : knee + 2])
        outer, inner = (left_m, right_m) if turn > 0 else (right_m, left_m)
        place, own = points_m[knee], after if knee == start else before
        fan_from = before + turn / 2 if knee == start else before
        piece = _many(shapely.union(piece, _fan(place, fan_from, turn / 2, outer), grid_size=GRID_M))
        shortest = np.hypot(*np.diff(points_m[knee - 1 : knee + 2], axis=0).T).min()
        trim = min(inner * np.tan(abs(turn) / 2), shortest / 2)
        corner = place + off_m(own + np.sign(turn) * np.pi / 2, inner)
        back = off_m(own, trim if knee == start else -trim)
        # From before the knee to behind it: a common edge would leave a hair of the strip standing.
        beyond = shapely.Polygon([place, corner - back, corner + back])
        piece = _many(shapely.difference(piece, beyond, grid_size=GRID_M))
    return shapely.buffer(piece, GRID_M)  # what only touched itself may cross itself once it is turned
