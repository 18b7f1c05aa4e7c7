"""Thornwick: a plot of broad-leaved wood with a conifer block, a clearing and a hut."""

import numpy as np
import shapely

from places.shapes import Array, Lattice, Outlines, Raster, cover_parts, fractal, stored

LATTICE = Lattice("EPSG:32630", 568_500.0, 6_091_100.0, 800, 800)
CENTRE_M = (568_900.0, 6_090_700.0)
PLOT_M, MARGIN_M = 500.0, 40.0  # side of the plot, and how far the wood goes on round it
STEP_M = 1 / 8  # coarser than the rest: crowns are rough, and every bit of roughness is stored


def wood_parts() -> dict[str, list[shapely.Polygon]]:
    """Return the cover of Thornwick plot by class, in the raster's CRS: what comes later lies on top."""
    east, north = CENTRE_M
    half = PLOT_M / 2 + MARGIN_M
    hut = shapely.box(east + 31, north - 58, east + 41, north - 51)
    return {
        "broadleaf_dense": [shapely.box(east - half, north - half, east + half, north + half)],
        "conifer_dense": [shapely.box(east - half, north + 90, east - 60, north + half)],
        "grass_green": [shapely.Point(east + 10, north - 70).buffer(38)],
        "shingle_roof": [hut],
    }


def plant_wood(surface: Array, ground: Array, rng: np.random.Generator) -> Array:
    """Return the surface with crowns of 12 to 25 m, stems 5 m apart or more, none over the clearing and the hut."""
    parts = wood_parts()
    wood, clearing = parts["broadleaf_dense"][0], parts["grass_green"][0]
    west, south, east, north = wood.buffer(-6).bounds
    free = np.ones(ground.shape, dtype=bool)
    stems = np.column_stack([rng.uniform(west, east, 30_000), rng.uniform(south, north, 30_000)])
    gone = shapely.contains_xy(clearing.buffer(4), *stems.T)
    all_east, all_north = LATTICE.centres_m()
    for x, y in stems[~gone]:
        row, col = LATTICE.index(x, y)
        if not free[row, col]:
            continue
        free[row - 5 : row + 6, col - 5 : col + 6] = False
        height, radius = rng.uniform(12, 25), rng.uniform(3.0, 5.0)
        window = np.s_[row - 5 : row + 6, col - 5 : col + 6]
        off = np.hypot(all_east[window] - x, all_north[window] - y) / radius
        crown = np.where(off <= 1, ground[row, col] + height * (1 - 0.4 * off**2), -np.inf)
        surface[window] = np.maximum(surface[window], crown)
    return surface


def make_wood(seed: int = 71) -> tuple[Array, Array]:
    """Return bare earth and top surface of Thornwick plot [m], two arrays of shape (rows, cols)."""
    rng = np.random.default_rng(seed)
    east, north = LATTICE.centres_m()
    hollow = fractal(east.shape, 250.0, 5.0, rng)
    ground = 140 + 0.03 * (east - CENTRE_M[0]) - 0.02 * (north - CENTRE_M[1]) + 1.5 * hollow
    surface = plant_wood(ground.copy(), ground, rng)
    for hut in wood_parts()["shingle_roof"]:
        inside = shapely.contains_xy(hut, east, north)
        surface[inside] = ground[inside].max() + 4.0
    return ground, surface


def rasters() -> dict[str, Raster]:
    """Return every raster of the place by file name."""
    floor, crowns = (stored(heights, STEP_M) for heights in make_wood())
    return {
        "thornwick_ground.tif": Raster(LATTICE, "Thornwick plot (invented), bare earth, m above the geoid", floor),
        "thornwick_surface.tif": Raster(LATTICE, "Thornwick plot (invented), top surface, m above the geoid", crowns),
    }


def outlines() -> dict[str, Outlines]:
    """Return area of interest and cover by file name."""
    plot = shapely.Point(CENTRE_M).buffer(PLOT_M / 2, cap_style="square")
    return {
        "thornwick_area.geojson": Outlines(LATTICE.crs, [({"name": "Thornwick plot"}, plot)]),
        "thornwick_cover.geojson": Outlines(LATTICE.crs, cover_parts(wood_parts())),
    }
