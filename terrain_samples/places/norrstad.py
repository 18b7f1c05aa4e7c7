"""Norrstad: a snow slope of 28 degrees of old snow, with new snow blown into a gully and a few ribs of rock."""

import numpy as np
import shapely
from shapely.affinity import affine_transform

from places.shapes import Array, Lattice, Outlines, Raster, cover_parts, fractal, smoothstep, stored, wobble

LATTICE = Lattice("EPSG:32632", 441_400.0, 6_840_600.0, 600, 600, 2.0)
CENTRE_M = (442_000.0, 6_840_000.0)
SIDE_M = 600.0
UPHILL_DEG = 68.0  # where the slope rises to, anticlockwise from grid east: it faces south-south-west
FOOT_M, SLOPE_DEG = 2100.0, 28.0  # height of the area's lower edge
STEP_M = 1 / 16


def on_slope(geometry: shapely.Geometry) -> shapely.Geometry:
    """Return a geometry drawn in slope axes (across, up the slope) [m] in the raster's CRS."""
    c, s = np.cos(np.radians(UPHILL_DEG)), np.sin(np.radians(UPHILL_DEG))
    return affine_transform(geometry, [s, c, -c, s, *CENTRE_M])


def from_slope(east: Array, north: Array) -> tuple[Array, Array]:
    """Return slope axes (across, up the slope) [m] of points in the raster's CRS."""
    c, s = np.cos(np.radians(UPHILL_DEG)), np.sin(np.radians(UPHILL_DEG))
    de, dn = east - CENTRE_M[0], north - CENTRE_M[1]
    return s * de - c * dn, c * de + s * dn


def slope_area() -> shapely.Polygon:
    """Return the area of interest in the raster's CRS: one side along the contours."""
    return on_slope(shapely.Point(0, 0).buffer(SIDE_M / 2, cap_style="square"))


def gully_middle_m(up: Array) -> Array:
    """Return how far across the slope the gully runs [m] at places up the slope [m]."""
    return 70 + 22 * np.sin(up / 130)


def slope_parts() -> dict[str, list[shapely.Polygon]]:
    """Return the cover of the slope by class, in the raster's CRS: what comes later lies on top."""
    rng = np.random.default_rng(40)
    up = np.linspace(-420, 420, 57)
    middle, half = gully_middle_m(up), 24 - 0.02 * up + wobble(up / 150, 1.5, rng)
    edges = np.concatenate([np.column_stack([middle - half, up]), np.column_stack([middle + half, up])[::-1]])
    angle = np.linspace(0, 2 * np.pi, 36, endpoint=False)
    ribs = []
    for across, along, size in ((-180, 150, 14), (-60, -40, 10), (190, 60, 16), (-230, -190, 12), (150, -230, 9)):
        radius = size * (1 + wobble(angle, 0.12, rng))
        ring = np.column_stack([across + 0.6 * radius * np.cos(angle), along + 1.8 * radius * np.sin(angle)])
        ribs.append(on_slope(shapely.Polygon(ring)))
    reach = SIDE_M / 2 + 150
    return {
        "snow_old": [on_slope(shapely.box(-reach, -reach, reach, reach))],
        "snow_new": [on_slope(shapely.Polygon(edges))],
        "rock": ribs,
    }


def make_slope(seed: int = 41) -> Array:
    """Return the top of the snow [m], shape (rows, cols): a shelf below, and the slope easing off above the area."""
    rng = np.random.default_rng(seed)
    east, north = LATTICE.centres_m()
    across, up = from_slope(east, north)
    tangent = np.tan(np.radians(SLOPE_DEG))
    below, above = -SIDE_M / 2 - 60, SIDE_M / 2 + 40
    profile = np.clip(up, below, above) + 0.1 * np.minimum(up - below, 0) + 0.8 * np.maximum(up - above, 0)
    ground = FOOT_M + tangent * (profile + SIDE_M / 2)
    gully = 3.0 * smoothstep(1 - np.abs(across - gully_middle_m(up)) / 45)
    return np.asarray(ground - gully + 1.5 * fractal(east.shape, 75.0, 5.2, rng))


def rasters() -> dict[str, Raster]:
    """Return the raster of the place by file name."""
    title = "Norrstad snow slope (invented), top of the snow, m above the geoid"
    return {"norrstad_ground.tif": Raster(LATTICE, title, stored(make_slope(), STEP_M))}


def outlines() -> dict[str, Outlines]:
    """Return area of interest and cover by file name."""
    return {
        "norrstad_area.geojson": Outlines(LATTICE.crs, [({"name": "Norrstad slope"}, slope_area())]),
        "norrstad_cover.geojson": Outlines(LATTICE.crs, cover_parts(slope_parts())),
    }
