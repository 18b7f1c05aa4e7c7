"""Castlefen: a power line over rolling fields, eleven towers of 45 m, its conductors hanging between them."""

import numpy as np
import shapely
from shapely.affinity import affine_transform

from places.shapes import Array, Lattice, Outlines, Raster, fractal, stored

LATTICE = Lattice("EPSG:32631", 328_250.0, 5_800_620.0, 620, 1750, 2.0)
CENTRE_M = (330_000.0, 5_800_000.0)
SIZE_M = (3000.0, 80.0)
TURN_DEG = 8.0  # the line, anticlockwise from grid east
TOWERS, SPAN_M, TOWER_M = 11, 300.0, 45.0
SAG_M = 9.0  # of the lowest conductor on a hot day
DRAWN_AGL_M = 50.0  # of a line that somebody drew along the towers
PLAIN_M, SWING_M = 60.0, 45.0  # middle height of the fields, and how far they rise and fall from it
FARM_M = (620.0, 150.0)  # along and across the line, to its middle
STEP_M = 1 / 8
SEED = 71


def along_line(geometry: shapely.Geometry) -> shapely.Geometry:
    """Return a geometry drawn in axes of the power line (along, across) [m] in the raster's CRS."""
    c, s = np.cos(np.radians(TURN_DEG)), np.sin(np.radians(TURN_DEG))
    return affine_transform(geometry, [c, -s, s, c, *CENTRE_M])


def corridor() -> shapely.Polygon:
    """Return the area of interest in the raster's CRS."""
    (long, wide) = SIZE_M
    return along_line(shapely.box(-long / 2, -wide / 2, long / 2, wide / 2))


def tower_places() -> list[shapely.Point]:
    """Return the middles of the towers in the raster's CRS."""
    first = -SPAN_M * (TOWERS - 1) / 2
    return [along_line(shapely.Point(first + SPAN_M * number, 0)) for number in range(TOWERS)]


def make_fields() -> Array:
    """Return the bare earth [m], shape (rows, cols): long swells under the line, gentler ones beside it."""
    rng = np.random.default_rng(SEED)
    east, north = LATTICE.centres_m()
    c, s = np.cos(np.radians(TURN_DEG)), np.sin(np.radians(TURN_DEG))
    along = c * (east - CENTRE_M[0]) + s * (north - CENTRE_M[1])
    across = c * (north - CENTRE_M[1]) - s * (east - CENTRE_M[0])
    swell = SWING_M * np.sin(2 * np.pi * along / 1500) * np.cos(across / 900)
    return np.asarray(PLAIN_M + swell + 0.6 * fractal(east.shape, 90.0, 5.0, rng))


def rasters() -> dict[str, Raster]:
    """Return the raster of the place by file name."""
    title = "Castlefen fields (invented), bare earth without the power line, m above the geoid"
    return {"castlefen_ground.tif": Raster(LATTICE, title, stored(make_fields(), STEP_M))}


def outlines() -> dict[str, Outlines]:
    """Return area of interest, obstacles, keep-out area and a line drawn along the towers by file name."""
    places, sure = tower_places(), {"vertical_sd_m": 1.0, "horizontal_sd_m": 1.0}
    towers = [
        ({"name": f"tower {number}", "kind": "tower", "height_agl_m": TOWER_M, "radius_m": 4.0} | sure, place)
        for number, place in enumerate(places, 1)
    ]
    wire = {"name": "conductors", "kind": "wire", "height_agl_m": TOWER_M, "sag_m": SAG_M} | sure
    ends = [along_line(shapely.Point(end * SIZE_M[0] / 2, 0)) for end in (-1, 1)]
    flown = [(end.x, end.y, DRAWN_AGL_M) for end in ends]
    drawn = {"name": "over the towers", "height_reference": "agl", "speed_mps": 6.0}
    x, y = FARM_M
    farm = along_line(shapely.box(x - 45, y - 35, x + 45, y + 35))
    return {
        "castlefen_area.geojson": Outlines(LATTICE.crs, [({"name": "Castlefen line"}, corridor())]),
        "castlefen_obstacles.geojson": Outlines(LATTICE.crs, [*towers, (wire, shapely.LineString(places))]),
        "castlefen_lines.geojson": Outlines(LATTICE.crs, [(drawn, shapely.LineString(flown))]),
        "castlefen_keep_out.geojson": Outlines(LATTICE.crs, [({"name": "Fen Farm"}, farm)]),
    }
