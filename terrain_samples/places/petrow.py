"""Petrow: a village of flat-roofed farms, 7 m tall, along lanes on a gentle slope."""

import numpy as np
import shapely
from shapely.affinity import affine_transform

from places.shapes import Array, Lattice, Outlines, Raster, cover_parts, fractal, stored

LATTICE = Lattice("EPSG:32633", 449_600.0, 5_920_400.0, 800, 800)
CENTRE_M = (450_000.0, 5_920_000.0)
SIDE_M = 400.0
TURN_DEG = 12.0  # the lanes, anticlockwise from grid east
ROOF_M = 7.0
TAR_SHARE = 0.12  # of the area
PLOT_M = (40.0, 32.0)  # along and across the lanes
LANES = 8
STEP_M = 1 / 16
SEED = 93

Farm = tuple[str, shapely.Polygon]


def in_village(geometry: shapely.Geometry) -> shapely.Geometry:
    """Return a geometry drawn in village axes (along, across the lanes) [m] in the raster's CRS."""
    c, s = np.cos(np.radians(TURN_DEG)), np.sin(np.radians(TURN_DEG))
    return affine_transform(geometry, [c, -s, s, c, *CENTRE_M])


def farm(long: float, deep: float, kind: int) -> shapely.Polygon:
    """Return the plan of a farm about its own middle [m]: a bar, two wings, or three round a yard."""
    whole = shapely.box(-long / 2, -deep / 2, long / 2, deep / 2)
    wing = 0.42 * deep
    yards = (
        shapely.box(-long, -deep, long, deep / 2 - wing),
        shapely.box(wing - long / 2, -deep, long, deep / 2 - wing),
        shapely.box(wing - long / 2, -deep, long / 2 - wing, deep / 2 - wing),
    )
    return whole.difference(yards[kind])


def farms() -> list[Farm]:
    """Return roof class and plan of every farm, sized so that tar roofs take their share of the area."""
    rng = np.random.default_rng(SEED)
    drawn: list[tuple[str, shapely.Polygon, tuple[float, float]]] = []
    for row in range(-7, 8):
        for col in range(-5, 6):
            x, y = col * PLOT_M[0] + rng.uniform(-4, 4), (row + 0.5) * PLOT_M[1] + rng.uniform(-1, 1)
            plan = farm(rng.uniform(20, 26), rng.uniform(16, 19), int(rng.choice(3, p=(0.4, 0.35, 0.25))))
            roof = "tile_roof_clay" if rng.uniform() < 0.15 else "tar_roof"
            if max(abs(x), abs(y)) < 240 and np.hypot(x, y - 16) > 30:  # the green in the middle stays free
                drawn.append((roof, plan, (x, y)))
    place = village_area()

    def placed(scale: float) -> list[Farm]:
        return [(roof, in_village(affine_transform(plan, [scale, 0, 0, scale, x, y]))) for roof, plan, (x, y) in drawn]

    low, high = 0.5, 1.4
    for _ in range(30):  # halve the doubt about the scale until it is far below a millimetre
        scale = (low + high) / 2
        tar = sum(plan.intersection(place).area for roof, plan in placed(scale) if roof == "tar_roof")
        low, high = (scale, high) if tar < TAR_SHARE * place.area else (low, scale)
    return placed(low)


def village_area() -> shapely.Polygon:
    """Return the area of interest in the raster's CRS."""
    return in_village(shapely.box(-SIDE_M / 2, -SIDE_M / 2, SIDE_M / 2, SIDE_M / 2))


def village_parts() -> dict[str, list[shapely.Polygon]]:
    """Return the cover of the village by class, in the raster's CRS: what comes later lies on top."""
    reach = SIDE_M / 2 + 60
    lanes = [shapely.box(-reach, row * PLOT_M[1] - 2, reach, row * PLOT_M[1] + 2) for row in range(-7, 8, 2)]
    street = shapely.box(-23.5, -reach, -16.5, reach)
    built = farms()
    return {
        "bare_soil_dry": [in_village(lane) for lane in lanes],
        "concrete_road": [in_village(street)],
        **{kind: [plan for roof, plan in built if roof == kind] for kind in ("tar_roof", "tile_roof_clay")},
    }


def obstacles() -> list[tuple[dict[str, str | float], shapely.Geometry]]:
    """Return a mast for aerials and the church tower, each with its height, in the raster's CRS."""
    mast = {"name": "aerial mast", "kind": "mast", "height_agl_m": 24.0, "radius_m": 0.5}
    tower = {"name": "church tower", "kind": "tower", "height_agl_m": 30.0, "radius_m": 3.5}
    sure = {"vertical_sd_m": 1.0, "horizontal_sd_m": 1.0}
    return [(mast | sure, in_village(shapely.Point(110, 72))), (tower | sure, in_village(shapely.Point(-10, 42)))]


def school_yard() -> shapely.Polygon:
    """Return the yard of the school beyond the last lane in the raster's CRS."""
    return in_village(shapely.box(-300, 180, -262, 215))


def make_village() -> tuple[Array, Array]:
    """Return bare earth and top surface of the village [m], two arrays of shape (rows, cols)."""
    rng = np.random.default_rng(SEED)
    east, north = LATTICE.centres_m()
    swell = fractal(east.shape, 300.0, 5.0, rng)
    ground = 62 + 0.015 * (east - CENTRE_M[0]) + 0.01 * (north - CENTRE_M[1]) + 1.2 * swell
    surface = ground.copy()
    for _, plan in farms():
        inside = shapely.contains_xy(plan, east, north)
        surface[inside] = ground[inside].mean() + ROOF_M
    return ground, surface


def rasters() -> dict[str, Raster]:
    """Return every raster of the place by file name."""
    ground, surface = (stored(heights, STEP_M) for heights in make_village())
    return {
        "petrow_ground.tif": Raster(LATTICE, "Petrow village (invented), bare earth, m above the geoid", ground),
        "petrow_surface.tif": Raster(LATTICE, "Petrow village (invented), top surface, m above the geoid", surface),
    }


def outlines() -> dict[str, Outlines]:
    """Return area of interest, cover, obstacles and keep-out area by file name."""
    return {
        "petrow_area.geojson": Outlines(LATTICE.crs, [({"name": "Petrow village"}, village_area())]),
        "petrow_cover.geojson": Outlines(LATTICE.crs, cover_parts(village_parts())),
        "petrow_obstacles.geojson": Outlines(LATTICE.crs, obstacles()),
        "petrow_keep_out.geojson": Outlines(LATTICE.crs, [({"name": "school yard"}, school_yard())]),
    }
