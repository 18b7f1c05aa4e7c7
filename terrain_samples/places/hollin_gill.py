"""Hollin Gill: a valley cut like a V, its sides at 35 degrees, a beck at its bottom and moor above."""

import numpy as np
import shapely
from shapely.affinity import affine_transform

from places.shapes import Array, Lattice, Outlines, Raster, fractal, stored

LATTICE = Lattice("EPSG:32630", 544_200.0, 6_036_600.0, 600, 800, 2.0)
CENTRE_M = (545_000.0, 6_036_000.0)
SIZE_M = (1000.0, 500.0)  # along and across the valley
TURN_DEG = 18.0  # the valley, anticlockwise from grid east; it falls that way
BECK_M, SIDE_DEG = 210.0, 35.0  # height of the beck halfway down the area, and the sides above it
FALL = 0.015  # of the beck, per metre
RIM_M = 255.0  # from the beck to the edge of the moor
STEP_M = 1 / 8
SEED = 52


def along_valley(geometry: shapely.Geometry) -> shapely.Geometry:
    """Return a geometry drawn in valley axes (along, across) [m] in the raster's CRS."""
    c, s = np.cos(np.radians(TURN_DEG)), np.sin(np.radians(TURN_DEG))
    return affine_transform(geometry, [c, -s, s, c, *CENTRE_M])


def from_valley(east: Array, north: Array) -> tuple[Array, Array]:
    """Return valley axes (along, across) [m] of points in the raster's CRS."""
    c, s = np.cos(np.radians(TURN_DEG)), np.sin(np.radians(TURN_DEG))
    de, dn = east - CENTRE_M[0], north - CENTRE_M[1]
    return c * de + s * dn, c * dn - s * de


def valley_area() -> shapely.Polygon:
    """Return the area of interest in the raster's CRS: from edge to edge of the moor."""
    (long, wide) = SIZE_M
    return along_valley(shapely.box(-long / 2, -wide / 2, long / 2, wide / 2))


def make_valley() -> Array:
    """Return the bare earth of the valley [m], shape (rows, cols): moor rising 1 in 12 beyond its edges."""
    rng = np.random.default_rng(SEED)
    east, north = LATTICE.centres_m()
    along, across = from_valley(east, north)
    away = np.abs(across - 5 * np.sin(along / 110))
    side = np.tan(np.radians(SIDE_DEG)) * np.minimum(away, RIM_M) + np.maximum(away - RIM_M, 0) / 12
    return np.asarray(BECK_M - FALL * along + side + 0.4 * fractal(east.shape, 80.0, 5.0, rng))


def rasters() -> dict[str, Raster]:
    """Return the raster of the place by file name."""
    title = "Hollin Gill (invented), bare earth, m above the geoid"
    return {"hollin_gill_ground.tif": Raster(LATTICE, title, stored(make_valley(), STEP_M))}


def outlines() -> dict[str, Outlines]:
    """Return the area of interest by file name."""
    return {"hollin_gill_area.geojson": Outlines(LATTICE.crs, [({"name": "Hollin Gill"}, valley_area())])}
