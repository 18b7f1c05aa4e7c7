"""Oskarfell: a quarry of four benches with a haul road, heaps, a sump, buildings and clumps of trees."""

import numpy as np
import numpy.typing as npt
import shapely
from shapely.affinity import affine_transform

from places.shapes import Array, Lattice, Outlines, Raster, distance_m, fractal, smoothstep, stored, wobble

LATTICE = Lattice("EPSG:32629", 582_730.0, 6_879_320.0, 1120, 1240)
CENTRE_M = (583_350.0, 6_878_760.0)
TURN_DEG = 20.0  # long axis of the pit, anticlockwise from grid east
ALONG = (np.cos(np.radians(TURN_DEG)), np.sin(np.radians(TURN_DEG)))
SIZE_M = (600.0, 400.0)
RIM_M, BENCH_M, BENCHES = 200.0, 15.0, 4
FLOOR_M = RIM_M - BENCHES * BENCH_M
FACE = np.tan(np.radians(70.0))
REPOSE = np.tan(np.radians(37.0))
RAMP_WIDTH_M, RAMP_GRADE = 14.0, 0.10


def in_site(geometry: shapely.Geometry) -> shapely.Geometry:
    """Return a geometry drawn in quarry axes (along, across the pit) [m] in the raster's CRS."""
    c, s = ALONG
    return affine_transform(geometry, [c, -s, s, c, *CENTRE_M])


def from_site(east: Array, north: Array) -> tuple[Array, Array]:
    """Return quarry axes (along, across the pit) [m] of points in the raster's CRS."""
    c, s = ALONG
    de, dn = east - CENTRE_M[0], north - CENTRE_M[1]
    return c * de + s * dn, c * dn - s * de


def bench_width_m(angle: Array) -> Array:
    """Return the plan width of one face with its bench [m]: the east side is worked widest."""
    return 18.0 + 5.0 * np.cos(angle)


def rim_radius_m(angle: Array, rng: np.random.Generator) -> Array:
    """Return the distance of the top bench's toe from the pit centre [m], a blunt irregular oval."""
    blunt = (np.abs(np.cos(angle) / 256) ** 2.6 + np.abs(np.sin(angle) / 162) ** 2.6) ** (-1 / 2.6)
    return blunt + wobble(angle, 3.5, rng)


def haul_road(angle: Array, rim_m: Array) -> tuple[shapely.LineString, Array]:
    """Return the centreline of the haul road down the walls and the height of its vertices [m]."""
    start = np.searchsorted(angle, np.radians(212))
    order = np.arange(start, start + angle.size) % angle.size
    points: list[tuple[float, float]] = []
    heights: list[float] = []
    height = RIM_M
    for k in order:
        radius = rim_m[k] + 4 - bench_width_m(angle[k]) * (RIM_M - height) / BENCH_M
        point = (radius * np.cos(angle[k]), radius * np.sin(angle[k]))
        if points:
            height -= RAMP_GRADE * float(np.hypot(point[0] - points[-1][0], point[1] - points[-1][1]))
        if height <= FLOOR_M:
            break
        points.append(point)
        heights.append(height)
    return in_site(shapely.LineString(points)), np.array(heights)


def lay_road(ground: Array, path: shapely.LineString, heights_m: Array, width_m: float, side: float) -> Array:
    """Return the ground cut and filled to a road: flat across `width_m`, side slopes rising or falling by `side`."""
    east, north = LATTICE.centres_m()
    corners = shapely.get_coordinates(path)
    stations = np.concatenate([[0], np.cumsum(np.hypot(*np.diff(corners, axis=0).T))])
    away = distance_m(path, LATTICE, 25.0)
    near = np.isfinite(away)
    along = shapely.line_locate_point(path, shapely.points(east[near], north[near]))
    road = np.interp(along, stations, heights_m)
    slack = side * np.maximum(0.0, away[near] - width_m / 2)
    out = ground.copy()
    out[near] = np.clip(ground[near], road - slack, road + slack)
    return out


def dig_pit(natural: Array, rim_away: Array, toes: list[shapely.Polygon], rng: np.random.Generator) -> Array:
    """Return the ground with the benches cut: each a flat outside its toe, each face rising from it at 70 degrees."""
    ground = natural
    for level, toe in enumerate(toes, start=1):
        ground = np.minimum(ground, RIM_M - level * BENCH_M + FACE * distance_m(toe, LATTICE, 14.0))
    rubble = 0.12 * fractal(natural.shape, 40.0, 3.2, rng)
    return np.asarray(ground + rubble * smoothstep(1 - rim_away / 20))


def add_stockpiles(ground: Array) -> Array:
    """Return the ground with heaps at the angle of repose on the pit floor and beside the yard."""
    heaps = [  # ends of the ridge in quarry axes, base and height [m]
        ((-120, -28), (-120, -28), FLOOR_M, 9.0),
        ((-92, -40), (-84, -40), FLOOR_M, 7.0),
        ((-128, 12), (-118, 18), FLOOR_M, 8.0),
        ((60, -36), (60, -36), FLOOR_M, 6.0),
        ((95, 8), (118, -2), FLOOR_M, 8.5),
        ((-268, -112), (-262, -100), RIM_M, 6.0),
    ]
    for start, end, base, height in heaps:
        ridge = in_site(shapely.LineString([start, end]) if start != end else shapely.Point(start))
        ground = np.maximum(ground, base + height - REPOSE * distance_m(ridge, LATTICE, 14.0))
    return ground


def add_roofs(surface: Array, ground: Array) -> Array:
    """Return the surface with gabled buildings; a wall is a ramp one cell wide."""
    east, north = LATTICE.centres_m()
    buildings = [  # centre in quarry axes, length, width, turn [deg], eaves, ridge [m]
        ((-270, -158), 28, 14, 8, 6.0, 8.5),
        ((-243, -184), 18, 9, 98, 3.2, 4.8),
        ((-292, -186), 12, 8, 8, 3.0, 4.4),
        ((-222, -186), 9, 5, 50, 3.0, 3.6),
        ((18, 26), 20, 12, 30, 9.0, 12.0),
    ]
    for centre, length, width, turn, eaves, ridge in buildings:
        place = in_site(shapely.Point(centre))
        heading = np.radians(turn + TURN_DEG)
        de, dn = east - place.x, north - place.y
        along = np.abs(de * np.cos(heading) + dn * np.sin(heading)) / (length / 2)
        across = np.abs(dn * np.cos(heading) - de * np.sin(heading)) / (width / 2)
        roof = ground[LATTICE.index(place.x, place.y)] + ridge - (ridge - eaves) * across
        surface = np.where((along <= 1) & (across <= 1), np.maximum(surface, roof), surface)
    return surface


def add_trees(surface: Array, ground: Array, allowed: npt.NDArray[np.bool_], rng: np.random.Generator) -> Array:
    """Return the surface with tree crowns scattered in clumps over the `allowed` cells."""
    east, north = LATTICE.centres_m()
    clumps = (fractal(ground.shape, 160.0, 3.6, rng) > 1.0) & allowed
    rows, cols = np.nonzero(clumps)
    for k in rng.choice(rows.size, 420, replace=False):
        row, col = rows[k], cols[k]
        height, radius = rng.uniform(4, 13), rng.uniform(1.8, 4.2)
        window = np.s_[max(row - 5, 0) : row + 6, max(col - 5, 0) : col + 6]
        off = np.hypot(east[window] - east[row, col], north[window] - north[row, col]) / radius
        crown = np.where(off <= 1, ground[row, col] + height * (1 - 0.55 * off**2), -np.inf)
        surface[window] = np.maximum(surface[window], crown)
    return surface


def make_quarry(seed: int = 62) -> tuple[Array, Array]:
    """Return bare earth and top surface of Oskarfell quarry [m], two arrays of shape (rows, cols)."""
    rng = np.random.default_rng(seed)
    east, north = LATTICE.centres_m()
    angle = np.linspace(0, 2 * np.pi, 360, endpoint=False)
    rim_m = rim_radius_m(angle, rng)
    toes = []
    for level in range(BENCHES):
        radius = rim_m - level * bench_width_m(angle) + wobble(angle, 0.9, rng)
        toes.append(in_site(shapely.Polygon(np.column_stack([radius * np.cos(angle), radius * np.sin(angle)]))))
    along, across = from_site(east, north)
    rim_away = np.hypot(along, across) - np.interp(np.arctan2(across, along), angle, rim_m, period=2 * np.pi)

    uphill = north - CENTRE_M[1]
    hills = 0.05 * uphill + 11.0 * fractal(east.shape, 420.0, 4.2, rng) + 0.25 * fractal(east.shape, 30.0, 3.2, rng)
    natural = RIM_M + hills * (0.16 + 0.84 * smoothstep((rim_away - 10) / 220))
    yard = in_site(shapely.box(-305, -205, -212, -92))
    bank = 0.5 * distance_m(yard, LATTICE, 40.0)
    natural = np.clip(natural, RIM_M - bank, RIM_M + bank)

    ramp, ramp_heights = haul_road(angle, rim_m)
    gate = shapely.get_coordinates(ramp)[0]
    lane = shapely.LineString(
        [(LATTICE.west_m, LATTICE.north_m - 930), (582_880, 6_878_445), (582_985, 6_878_520), gate]
    )
    bends = lane.segmentize(10.0)
    lane_heights = np.array([natural[LATTICE.index(*xy)] for xy in shapely.get_coordinates(bends)])
    smooth = np.convolve(np.pad(lane_heights, 6, mode="edge"), np.full(13, 1 / 13), mode="valid")
    smooth[-1] = RIM_M

    ground = dig_pit(lay_road(natural, bends, smooth, 8.0, 0.6), rim_away, toes, rng)
    ground = lay_road(ground, ramp, ramp_heights, RAMP_WIDTH_M, FACE)
    ground = add_stockpiles(ground)
    pool = 1 + wobble(angle, 0.05, rng)
    sump = in_site(shapely.Polygon(np.column_stack([34 * pool * np.cos(angle) - 45, 17 * pool * np.sin(angle) + 6])))
    ground = np.minimum(ground, FLOOR_M - 1.5 + 0.5 * distance_m(sump, LATTICE, 20.0))

    free = (rim_away > 14) & (distance_m(bends, LATTICE, 20.0) > 10) & (bank > 3)
    surface = add_roofs(add_trees(ground.copy(), ground, free, rng), ground)
    return ground, surface


def quarry_area() -> shapely.Polygon:
    """Return the quarry's area of interest in the raster's CRS."""
    along, across = np.array(SIZE_M) / 2
    return in_site(shapely.box(-along, -across, along, across))


def rasters() -> dict[str, Raster]:
    """Return every raster of the place by file name."""
    ground, surface = (stored(heights) for heights in make_quarry())
    place = "Oskarfell quarry (invented)"
    return {
        "oskarfell_ground.tif": Raster(LATTICE, f"{place}, bare earth, m above the geoid", ground),
        "oskarfell_surface.tif": Raster(LATTICE, f"{place}, top surface, m above the geoid", surface),
    }


def outlines() -> dict[str, Outlines]:
    """Return the area of interest by file name."""
    return {"oskarfell_area.geojson": Outlines(LATTICE.crs, [({"name": "Oskarfell quarry"}, quarry_area())])}
