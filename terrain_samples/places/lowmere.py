"""Lowmere: a river levee with a road along its crest, a drain, a mere and ditched fields behind it."""

import numpy as np
import shapely

from places.shapes import Array, Lattice, Outlines, Raster, cover_parts, fractal, stored

LATTICE = Lattice("EPSG:32631", 298_000.0, 5_834_440.0, 700, 4600)
CENTRE_M = (300_300.0, 5_834_090.0)
ENDS_M, CORRIDOR_M = (300.0, 4300.0), 120.0  # from the raster's west edge; the corridor's width
PLAIN_M, CREST_M, CREST_WIDTH_M, SIDE_RUN = 1.5, 7.5, 6.0, 3.0
RIVER_M, DRAIN_M, MERE_M = 0.75, 0.25, 0.5
COVER_M = (150.0, 4450.0)  # the stretch whose cover is drawn, from the raster's west edge
ROAD_M = 4.0  # width of the crest road
CLIMB_FROM_M, CLIMB_LONG_M = 1480.0, 78.0  # where the way up begins, from the raster's west edge, and its length


def levee_offset_m(east: Array) -> tuple[Array, Array]:
    """Return the north of the levee's centreline above the site centre [m] and its gradient, over `east` [m]."""
    x = east - CENTRE_M[0]
    long, short = 2 * np.pi / 2700, 2 * np.pi / 1150
    offset = 30 * np.sin(long * x + 0.6) + 6 * np.sin(short * x + 2.0)
    return offset, 30 * long * np.cos(long * x + 0.6) + 6 * short * np.cos(short * x + 2.0)


def river_m(x: Array) -> tuple[Array, Array]:
    """Return how far north of the centreline the river's middle runs, and half its width [m], at `x` from the west."""
    return 118 + 9 * np.sin(x / 260), 68 + 7 * np.sin(x / 410 + 1)


def make_levee(seed: int = 52) -> Array:
    """Return the bare earth of Lowmere levee [m], shape (rows, cols)."""
    rng = np.random.default_rng(seed)
    east, north = LATTICE.centres_m()
    offset, gradient = levee_offset_m(east)
    across = (north - CENTRE_M[1] - offset) / np.hypot(1.0, gradient)  # north of the centreline [m]
    x = east - LATTICE.west_m
    wave = fractal(east.shape, 300.0, 3.4, rng)
    ground = PLAIN_M + 0.14 * wave + 0.02 * fractal(east.shape, 12.0, 2.6, rng)

    cuts = np.cumsum(rng.uniform(130, 260, 40))  # field ditches run south from the drain
    for at in cuts[cuts < LATTICE.cols]:
        strip = np.s_[:, max(0, int(at) - 50) : int(at) + 50]
        bend = rng.uniform(-0.12, 0.12) * (across[strip] + 40)
        ditch = DRAIN_M + 0.15 + np.maximum(0.0, np.abs(x[strip] - at - bend) - 0.8) / 1.2
        ground[strip] = np.where(across[strip] < -40, np.minimum(ground[strip], ditch), ground[strip])
    drain = np.abs(across + 40 + 1.2 * np.sin(x / 90)) - 3.0
    ground = np.minimum(ground, DRAIN_M + 0.5 * np.maximum(0.0, drain))
    mere = np.hypot((x - 3050) / 420, (across + 185) / 75) + 0.15 * fractal(east.shape, 150.0, 5.0, rng)
    ground = np.where(mere < 1, MERE_M, np.minimum(ground, MERE_M + 20 * np.maximum(0.0, mere - 1)))
    middle, half = river_m(x)
    river = np.abs(across - middle) - half
    ground = np.minimum(ground, RIVER_M + 0.4 * np.maximum(0.0, river))

    side = np.maximum(0.0, np.abs(across) - CREST_WIDTH_M / 2)
    levee = CREST_M - side / SIDE_RUN
    road = 0.06 * np.clip(1 - (across / 1.8) ** 2, 0.0, None)  # a cambered track along the crest
    ground = np.maximum(ground, levee + road)
    climb = (x - CLIMB_FROM_M) / CLIMB_LONG_M  # one way up: a track climbing the south side at 1 in 13
    way = np.abs(across + 21 - 18 * climb) - 2.0
    track = PLAIN_M + (CREST_M - PLAIN_M) * climb
    slack = 0.5 * np.maximum(0.0, way)
    return np.asarray(np.where((climb > 0) & (climb < 1), np.clip(ground, track - slack, track + slack), ground))


def beside_m(start_m: float, end_m: float, across_m: Array) -> Array:
    """Return points at `across_m` north of the centreline, evenly spread from `start_m` to `end_m` [m east], (n, 2)."""
    east = LATTICE.west_m + np.linspace(start_m, end_m, across_m.size)
    offset, gradient = levee_offset_m(east)
    north = CENTRE_M[1] + offset
    return np.column_stack([east, north]) + (
        across_m[:, None] * np.column_stack([-gradient, np.ones_like(gradient)]) / np.hypot(1, gradient)[:, None]
    )


def levee_area() -> shapely.Polygon:
    """Return the levee's corridor in the raster's CRS, its edges square to the centreline."""
    aside = np.full(81, CORRIDOR_M / 2)
    return shapely.Polygon(np.concatenate([beside_m(*ENDS_M, -aside), beside_m(*ENDS_M, aside)[::-1]]))


def strip(right_m: Array, left_m: Array) -> shapely.Polygon:
    """Return the polygon between two edges given as distances north of the centreline [m], from end to end."""
    return shapely.Polygon(np.concatenate([beside_m(*COVER_M, right_m), beside_m(*COVER_M, left_m)[::-1]]))


def crest_road() -> shapely.LineString:
    """Return the middle of the crest road along the whole corridor, in the raster's CRS."""
    return shapely.LineString(beside_m(*ENDS_M, np.zeros(81)))


def way_up() -> shapely.LineString:
    """Return the middle of the track up the south side, in the raster's CRS."""
    return shapely.LineString(beside_m(CLIMB_FROM_M, CLIMB_FROM_M + CLIMB_LONG_M, np.linspace(-21.0, -3.0, 9)))


def levee_parts() -> dict[str, list[shapely.Polygon]]:
    """Return the cover of the levee by class, in the raster's CRS: what comes later lies on top."""
    x = np.linspace(*COVER_M, 173)
    flat = np.ones(x.size)
    middle, half = river_m(x)
    drain = -40 - 1.2 * np.sin(x / 90)
    return {
        "grass_green": [strip(-46 * flat, middle - half)],
        "bare_soil_dry": [strip(-150 * flat, -46 * flat)],
        "water_open": [strip(drain - 3, drain + 3), strip(middle - half, middle + half)],
        "gravel": [way_up().buffer(2.0, cap_style="flat").simplify(0.1)],
        "asphalt_new": [strip(-ROAD_M / 2 * flat, ROAD_M / 2 * flat)],
    }


def rasters() -> dict[str, Raster]:
    """Return the raster of the place by file name."""
    title = "Lowmere levee (invented), bare earth, m above the geoid"
    return {"lowmere_ground.tif": Raster(LATTICE, title, stored(make_levee()))}


def outlines() -> dict[str, Outlines]:
    """Return area of interest, cover and named features by file name."""
    named = [({"name": "crest road"}, crest_road()), ({"name": "way up"}, way_up())]
    return {
        "lowmere_area.geojson": Outlines(LATTICE.crs, [({"name": "Lowmere levee"}, levee_area())]),
        "lowmere_cover.geojson": Outlines(LATTICE.crs, cover_parts(levee_parts())),
        "lowmere_features.geojson": Outlines(LATTICE.crs, named),
    }
