"""Vass: a wetland of meres and a slow channel in belts of reed and marsh, meadows round it."""

import numpy as np
import shapely
from shapely.affinity import scale, translate

from places.shapes import Array, Lattice, Outlines, Raster, cover_parts, distance_m, fractal, stored, wobble

LATTICE = Lattice("EPSG:32633", 405_400.0, 6_160_500.0, 500, 600, 2.0)
CENTRE_M = (406_000.0, 6_160_000.0)
SIZE_M = (800.0, 600.0)
WATER_SHARE = 0.22  # of the area
WATER_M, BANK_M = 3.5, 0.375  # height of the water, and of the bank that falls to it at 1 in 2
REED_M, MARSH_M = 22.0, 60.0  # how far from the water the reed and the marsh reach
SEED = 22


def wetland_area() -> shapely.Polygon:
    """Return the area of interest in the raster's CRS."""
    (east, north), (width, height) = CENTRE_M, SIZE_M
    return shapely.box(east - width / 2, north - height / 2, east + width / 2, north + height / 2)


def drawn_water(size: float) -> shapely.Geometry:
    """Return meres and channel about the middle of the area [m], the meres `size` times as large as drawn."""
    rng = np.random.default_rng(SEED)
    angle = np.linspace(0, 2 * np.pi, 72, endpoint=False)
    meres = []
    for x, y, long, wide in ((-190, 70, 150, 95), (170, -95, 120, 85), (255, 175, 60, 45), (-40, -190, 70, 40)):
        shore = 1 + wobble(angle, 0.07, rng)
        ring = np.column_stack([long * shore * np.cos(angle), wide * shore * np.sin(angle)])
        meres.append(translate(scale(shapely.Polygon(ring), size, size, origin=(0, 0)), x, y))
    x = np.linspace(-560, 560, 57)
    channel = shapely.LineString(np.column_stack([x, 30 * np.sin(x / 85) - 0.08 * x])).buffer(5.0, cap_style="flat")
    return shapely.union_all([*meres, channel])


def water() -> shapely.Geometry:
    """Return the open water in the raster's CRS, sized so that it takes its share of the area."""
    place = wetland_area()
    low, high = 0.5, 1.5
    for _ in range(30):
        size = (low + high) / 2
        wet = translate(drawn_water(size), *CENTRE_M)
        low, high = (size, high) if wet.intersection(place).area < WATER_SHARE * place.area else (low, size)
    return translate(drawn_water(low), *CENTRE_M)


def wetland_parts() -> dict[str, list[shapely.Polygon]]:
    """Return the cover of the wetland by class, in the raster's CRS: what comes later lies on top."""
    wet = water()
    belts = {"marsh": wet.buffer(MARSH_M, 6).simplify(0.5), "reed": wet.buffer(REED_M, 6).simplify(0.2)}
    belts["water_open"] = wet
    return {kind: list(shapely.get_parts(belt)) for kind, belt in belts.items()}


def make_wetland() -> Array:
    """Return the bare earth of the wetland [m], water level on water, shape (rows, cols)."""
    rng = np.random.default_rng(SEED)
    shape = (LATTICE.rows, LATTICE.cols)
    away = np.minimum(distance_m(water(), LATTICE, 200.0), 200.0)
    rough = 0.06 * fractal(shape, 60.0, 3.4, rng) + 0.25 * fractal(shape, 250.0, 5.0, rng)
    land = WATER_M + BANK_M + 0.008 * away + np.maximum(rough * np.minimum(away / REED_M, 1), 0.125 - BANK_M)
    return np.asarray(np.where(away > 0, np.minimum(land, WATER_M + 0.5 * away), WATER_M))


def rasters() -> dict[str, Raster]:
    """Return the raster of the place by file name."""
    title = "Vass wetland (invented), bare earth and water level, m above the geoid"
    return {"vass_ground.tif": Raster(LATTICE, title, stored(make_wetland()))}


def outlines() -> dict[str, Outlines]:
    """Return area of interest and cover by file name."""
    return {
        "vass_area.geojson": Outlines(LATTICE.crs, [({"name": "Vass wetland"}, wetland_area())]),
        "vass_cover.geojson": Outlines(LATTICE.crs, cover_parts(wetland_parts())),
    }
