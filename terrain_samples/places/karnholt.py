"""Karnholt: an open pit 140 m deep, four faces of 72 degrees between berms, a level floor and plain ground round it."""

import numpy as np
import shapely

from places.shapes import Array, Lattice, Outlines, Raster, fractal, stored, wobble

LATTICE = Lattice("EPSG:32633", 559_040.0, 6_700_780.0, 780, 960, 2.0)
CENTRE_M = (560_000.0, 6_700_000.0)
SIZE_M = (1200.0, 900.0)
RIM_M, DEPTH_M = 320.0, 140.0
FACES, FACE_DEG, BERM_M = 4, 72.0, 14.0  # as many faces, one above the other, and the berms between them
PIT_M = (490.0, 345.0)  # half the length and the width at the rim
STEP_M = 1 / 8
SEED = 61


def pit_area() -> shapely.Polygon:
    """Return the area of interest in the raster's CRS: the pit and its rim."""
    (east, north), (long, wide) = CENTRE_M, SIZE_M
    return shapely.box(east - long / 2, north - wide / 2, east + long / 2, north + wide / 2)


def rim() -> shapely.Polygon:
    """Return the upper edge of the topmost face in the raster's CRS."""
    angle = np.linspace(0, 2 * np.pi, 90, endpoint=False)
    reach = 1 + wobble(angle, 0.02, np.random.default_rng(SEED))
    c, s = np.cos(angle), np.sin(angle)
    squared = (np.abs(c) ** 3 + np.abs(s) ** 3) ** (-1 / 3)  # between an ellipse and a rectangle
    ring = [CENTRE_M[axis] + PIT_M[axis] * squared * reach * part for axis, part in enumerate((c, s))]
    return shapely.Polygon(np.column_stack(ring))


def make_pit() -> Array:
    """Return the bare earth of the pit [m], shape (rows, cols)."""
    rng = np.random.default_rng(SEED)
    east, north = LATTICE.centres_m()
    edge = rim()
    inside = shapely.contains_xy(edge, east, north)
    within = np.zeros(east.shape)
    within[inside] = shapely.distance(edge.exterior, shapely.points(east[inside], north[inside]))
    high = DEPTH_M / FACES
    wide = high / np.tan(np.radians(FACE_DEG))
    starts = (wide + BERM_M) * np.arange(FACES)
    knots, depths = np.column_stack([starts, starts + wide]).ravel(), high * np.repeat(np.arange(FACES + 1), 2)[1:-1]
    plain = 2.0 * fractal(east.shape, 160.0, 5.0, rng) * np.exp(-within / 5)
    return np.asarray(RIM_M - np.interp(within, knots, depths) + plain)


def rasters() -> dict[str, Raster]:
    """Return the raster of the place by file name."""
    title = "Karnholt open pit (invented), bare earth, m above the geoid"
    return {"karnholt_ground.tif": Raster(LATTICE, title, stored(make_pit(), STEP_M))}


def outlines() -> dict[str, Outlines]:
    """Return the area of interest by file name."""
    return {"karnholt_area.geojson": Outlines(LATTICE.crs, [({"name": "Karnholt pit"}, pit_area())])}
