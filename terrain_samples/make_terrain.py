"""Make the sample terrain: three invented places, one seed each.

``python terrain_samples/make_terrain.py`` rewrites every raster here and the areas and cover in ``missions/``.
Heights are stored in whole steps of 1/64 m: a binary fraction leaves the low bits of a float32 empty, so it packs well.
"""

import json
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pyproj
import rasterio
import shapely
from affine import Affine
from rasterio.features import geometry_mask
from shapely.affinity import affine_transform

Array = npt.NDArray[np.float64]

HERE = Path(__file__).resolve().parent
MISSIONS = HERE.parent / "missions"
HEIGHT_STEP_M = 1 / 64


@dataclass(frozen=True)
class Lattice:
    """Cell centres of a north-up raster.

    Attributes
    ----------
    crs : str
        Projected CRS in metres.
    west_m, north_m : float
        Outer edges of the north-west cell [m].
    rows, cols : int
        Number of cells.
    cell_m : float
        Side of a cell [m].
    """

    crs: str
    west_m: float
    north_m: float
    rows: int
    cols: int
    cell_m: float = 1.0

    @property
    def transform(self) -> Affine:
        """Link from column and row to east and north."""
        return Affine(self.cell_m, 0.0, self.west_m, 0.0, -self.cell_m, self.north_m)

    def centres_m(self) -> tuple[Array, Array]:
        """Return east and north of every cell centre [m], two arrays of shape (rows, cols)."""
        east = self.west_m + (np.arange(self.cols) + 0.5) * self.cell_m
        north = self.north_m - (np.arange(self.rows) + 0.5) * self.cell_m
        return tuple(np.meshgrid(east, north))

    def index(self, east: float, north: float) -> tuple[int, int]:
        """Return row and column of the cell that holds a point."""
        return int((self.north_m - north) // self.cell_m), int((east - self.west_m) // self.cell_m)


QUARRY = Lattice("EPSG:32629", 582_730.0, 6_879_320.0, 1120, 1240)
QUARRY_CENTRE_M = (583_350.0, 6_878_760.0)
QUARRY_TURN_DEG = 20.0  # long axis of the pit, anticlockwise from grid east
ALONG = (np.cos(np.radians(QUARRY_TURN_DEG)), np.sin(np.radians(QUARRY_TURN_DEG)))
QUARRY_SIZE_M = (600.0, 400.0)
RIM_M, BENCH_M, BENCHES = 200.0, 15.0, 4
FLOOR_M = RIM_M - BENCHES * BENCH_M
FACE = np.tan(np.radians(70.0))
REPOSE = np.tan(np.radians(37.0))
RAMP_WIDTH_M, RAMP_GRADE = 14.0, 0.10

LEVEE = Lattice("EPSG:32631", 298_000.0, 5_834_440.0, 700, 4600)
LEVEE_CENTRE_M = (300_300.0, 5_834_090.0)
LEVEE_LENGTH_M, LEVEE_CORRIDOR_M = 4000.0, 120.0
PLAIN_M, CREST_M, CREST_WIDTH_M, LEVEE_RUN = 1.5, 7.5, 6.0, 3.0
RIVER_M, DRAIN_M, MERE_M = 0.75, 0.25, 0.5

WOOD = Lattice("EPSG:32630", 568_500.0, 6_091_100.0, 800, 800)
WOOD_CENTRE_M = (568_900.0, 6_090_700.0)
PLOT_M, WOOD_MARGIN_M = 500.0, 40.0  # side of the plot, and how far the wood goes on round it
WOOD_STEP_M = 1 / 8  # coarser than the rest: crowns are rough, and every bit of roughness is stored


def fractal(shape: tuple[int, int], longest_m: float, slope: float, rng: np.random.Generator) -> Array:
    """Return spectral fractal ground: mean 0, standard deviation 1, power growing as wavelength to `slope`.

    Waves longer than `longest_m` are damped. Opposite edges match, as with any Fourier sum; nobody sees both at once.
    """
    rows, cols = shape
    noise = np.fft.rfft2(rng.standard_normal((rows, cols)))
    wavenumber = np.hypot(np.fft.fftfreq(rows)[:, None], np.fft.rfftfreq(cols)[None, :])
    field = np.fft.irfft2(noise * (wavenumber**2 + longest_m**-2.0) ** (-slope / 4), s=(rows, cols))
    return np.asarray((field - field.mean()) / field.std())


def smoothstep(x: Array) -> Array:
    """Return 0 below 0, 1 above 1 and a smooth rise between."""
    x = np.clip(x, 0.0, 1.0)
    return x * x * (3 - 2 * x)


def distance_m(geometry: shapely.Geometry, lattice: Lattice, reach_m: float) -> Array:
    """Return the distance of every cell to a geometry [m], shape (rows, cols): 0 inside it, inf beyond `reach_m`."""
    shape, transform = (lattice.rows, lattice.cols), lattice.transform
    beyond = geometry_mask([geometry.buffer(reach_m)], shape, transform)
    out = np.where(beyond, np.inf, 0.0)
    core = geometry.buffer(-2.0)
    edge = ~beyond if core.is_empty else ~beyond & geometry_mask([core], shape, transform)
    east, north = lattice.centres_m()
    out[edge] = shapely.distance(geometry, shapely.points(east[edge], north[edge]))
    return out


def in_site(geometry: shapely.Geometry) -> shapely.Geometry:
    """Return a geometry drawn in quarry axes (along, across the pit) [m] in the raster's CRS."""
    c, s = ALONG
    return affine_transform(geometry, [c, -s, s, c, *QUARRY_CENTRE_M])


def from_site(east: Array, north: Array) -> tuple[Array, Array]:
    """Return quarry axes (along, across the pit) [m] of points in the raster's CRS."""
    c, s = ALONG
    de, dn = east - QUARRY_CENTRE_M[0], north - QUARRY_CENTRE_M[1]
    return c * de + s * dn, c * dn - s * de


def wobble(angle: Array, size_m: float, rng: np.random.Generator) -> Array:
    """Return a smooth closed irregularity [m] of about `size_m` over `angle` [rad]."""
    waves = np.arange(2, 9)
    phase = rng.uniform(0, 2 * np.pi, waves.size)
    return np.asarray((size_m * 2 / waves * np.sin(waves * angle[:, None] + phase)).sum(axis=1))


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
    east, north = QUARRY.centres_m()
    corners = shapely.get_coordinates(path)
    stations = np.concatenate([[0], np.cumsum(np.hypot(*np.diff(corners, axis=0).T))])
    away = distance_m(path, QUARRY, 25.0)
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
        ground = np.minimum(ground, RIM_M - level * BENCH_M + FACE * distance_m(toe, QUARRY, 14.0))
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
        ground = np.maximum(ground, base + height - REPOSE * distance_m(ridge, QUARRY, 14.0))
    return ground


def add_roofs(surface: Array, ground: Array) -> Array:
    """Return the surface with gabled buildings; a wall is a ramp one cell wide."""
    east, north = QUARRY.centres_m()
    buildings = [  # centre in quarry axes, length, width, turn [deg], eaves, ridge [m]
        ((-270, -158), 28, 14, 8, 6.0, 8.5),
        ((-243, -184), 18, 9, 98, 3.2, 4.8),
        ((-292, -186), 12, 8, 8, 3.0, 4.4),
        ((-222, -186), 9, 5, 50, 3.0, 3.6),
        ((18, 26), 20, 12, 30, 9.0, 12.0),
    ]
    for centre, length, width, turn, eaves, ridge in buildings:
        place = in_site(shapely.Point(centre))
        heading = np.radians(turn + QUARRY_TURN_DEG)
        de, dn = east - place.x, north - place.y
        along = np.abs(de * np.cos(heading) + dn * np.sin(heading)) / (length / 2)
        across = np.abs(dn * np.cos(heading) - de * np.sin(heading)) / (width / 2)
        roof = ground[QUARRY.index(place.x, place.y)] + ridge - (ridge - eaves) * across
        surface = np.where((along <= 1) & (across <= 1), np.maximum(surface, roof), surface)
    return surface


def add_trees(surface: Array, ground: Array, allowed: npt.NDArray[np.bool_], rng: np.random.Generator) -> Array:
    """Return the surface with tree crowns scattered in clumps over the `allowed` cells."""
    east, north = QUARRY.centres_m()
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
    east, north = QUARRY.centres_m()
    angle = np.linspace(0, 2 * np.pi, 360, endpoint=False)
    rim_m = rim_radius_m(angle, rng)
    toes = []
    for level in range(BENCHES):
        radius = rim_m - level * bench_width_m(angle) + wobble(angle, 0.9, rng)
        toes.append(in_site(shapely.Polygon(np.column_stack([radius * np.cos(angle), radius * np.sin(angle)]))))
    along, across = from_site(east, north)
    rim_away = np.hypot(along, across) - np.interp(np.arctan2(across, along), angle, rim_m, period=2 * np.pi)

    uphill = north - QUARRY_CENTRE_M[1]
    hills = 0.05 * uphill + 11.0 * fractal(east.shape, 420.0, 4.2, rng) + 0.25 * fractal(east.shape, 30.0, 3.2, rng)
    natural = RIM_M + hills * (0.16 + 0.84 * smoothstep((rim_away - 10) / 220))
    yard = in_site(shapely.box(-305, -205, -212, -92))
    bank = 0.5 * distance_m(yard, QUARRY, 40.0)
    natural = np.clip(natural, RIM_M - bank, RIM_M + bank)

    ramp, ramp_heights = haul_road(angle, rim_m)
    gate = shapely.get_coordinates(ramp)[0]
    lane = shapely.LineString([(QUARRY.west_m, QUARRY.north_m - 930), (582_880, 6_878_445), (582_985, 6_878_520), gate])
    bends = lane.segmentize(10.0)
    lane_heights = np.array([natural[QUARRY.index(*xy)] for xy in shapely.get_coordinates(bends)])
    smooth = np.convolve(np.pad(lane_heights, 6, mode="edge"), np.full(13, 1 / 13), mode="valid")
    smooth[-1] = RIM_M

    ground = dig_pit(lay_road(natural, bends, smooth, 8.0, 0.6), rim_away, toes, rng)
    ground = lay_road(ground, ramp, ramp_heights, RAMP_WIDTH_M, FACE)
    ground = add_stockpiles(ground)
    pool = 1 + wobble(angle, 0.05, rng)
    sump = in_site(shapely.Polygon(np.column_stack([34 * pool * np.cos(angle) - 45, 17 * pool * np.sin(angle) + 6])))
    ground = np.minimum(ground, FLOOR_M - 1.5 + 0.5 * distance_m(sump, QUARRY, 20.0))

    free = (rim_away > 14) & (distance_m(bends, QUARRY, 20.0) > 10) & (bank > 3)
    surface = add_roofs(add_trees(ground.copy(), ground, free, rng), ground)
    return ground, surface


def levee_offset_m(east: Array) -> tuple[Array, Array]:
    """Return the north of the levee's centreline above the site centre [m] and its gradient, over `east` [m]."""
    x = east - LEVEE_CENTRE_M[0]
    long, short = 2 * np.pi / 2700, 2 * np.pi / 1150
    offset = 30 * np.sin(long * x + 0.6) + 6 * np.sin(short * x + 2.0)
    return offset, 30 * long * np.cos(long * x + 0.6) + 6 * short * np.cos(short * x + 2.0)


def make_levee(seed: int = 52) -> Array:
    """Return the bare earth of Lowmere levee [m], shape (rows, cols)."""
    rng = np.random.default_rng(seed)
    east, north = LEVEE.centres_m()
    offset, gradient = levee_offset_m(east)
    across = (north - LEVEE_CENTRE_M[1] - offset) / np.hypot(1.0, gradient)  # north of the centreline [m]
    x = east - LEVEE.west_m
    wave = fractal(east.shape, 300.0, 3.4, rng)
    ground = PLAIN_M + 0.14 * wave + 0.02 * fractal(east.shape, 12.0, 2.6, rng)

    cuts = np.cumsum(rng.uniform(130, 260, 40))  # field ditches run south from the drain
    for at in cuts[cuts < LEVEE.cols]:
        strip = np.s_[:, max(0, int(at) - 50) : int(at) + 50]
        bend = rng.uniform(-0.12, 0.12) * (across[strip] + 40)
        ditch = DRAIN_M + 0.15 + np.maximum(0.0, np.abs(x[strip] - at - bend) - 0.8) / 1.2
        ground[strip] = np.where(across[strip] < -40, np.minimum(ground[strip], ditch), ground[strip])
    drain = np.abs(across + 40 + 1.2 * np.sin(x / 90)) - 3.0
    ground = np.minimum(ground, DRAIN_M + 0.5 * np.maximum(0.0, drain))
    mere = np.hypot((x - 3050) / 420, (across + 185) / 75) + 0.15 * fractal(east.shape, 150.0, 5.0, rng)
    ground = np.where(mere < 1, MERE_M, np.minimum(ground, MERE_M + 20 * np.maximum(0.0, mere - 1)))
    middle, half = 118 + 9 * np.sin(x / 260), 68 + 7 * np.sin(x / 410 + 1)
    river = np.abs(across - middle) - half
    ground = np.minimum(ground, RIVER_M + 0.4 * np.maximum(0.0, river))

    side = np.maximum(0.0, np.abs(across) - CREST_WIDTH_M / 2)
    levee = CREST_M - side / LEVEE_RUN
    road = 0.06 * np.clip(1 - (across / 1.8) ** 2, 0.0, None)  # a cambered track along the crest
    ground = np.maximum(ground, levee + road)
    climb = (x - 1480) / 78  # one way up: a track climbing the south side at 1 in 13
    way = np.abs(across + 21 - 18 * climb) - 2.0
    track = PLAIN_M + (CREST_M - PLAIN_M) * climb
    slack = 0.5 * np.maximum(0.0, way)
    return np.asarray(np.where((climb > 0) & (climb < 1), np.clip(ground, track - slack, track + slack), ground))


def quarry_area() -> shapely.Polygon:
    """Return the quarry's area of interest in the raster's CRS."""
    along, across = np.array(QUARRY_SIZE_M) / 2
    return in_site(shapely.box(-along, -across, along, across))


def levee_area() -> shapely.Polygon:
    """Return the levee's corridor in the raster's CRS, its edges square to the centreline."""
    east = LEVEE_CENTRE_M[0] + np.linspace(-LEVEE_LENGTH_M / 2, LEVEE_LENGTH_M / 2, 81)
    offset, gradient = levee_offset_m(east)
    north = LEVEE_CENTRE_M[1] + offset
    aside = LEVEE_CORRIDOR_M / 2 * np.column_stack([-gradient, np.ones_like(gradient)]) / np.hypot(1, gradient)[:, None]
    line = np.column_stack([east, north])
    return shapely.Polygon(np.concatenate([line - aside, (line + aside)[::-1]]))


def wood_parts() -> dict[str, list[shapely.Polygon]]:
    """Return the cover of Thornwick plot by class, in the raster's CRS: what comes later lies on top."""
    east, north = WOOD_CENTRE_M
    half = PLOT_M / 2 + WOOD_MARGIN_M
    hut = shapely.box(east + 31, north - 58, east + 41, north - 51)
    return {
        "oak_wood": [shapely.box(east - half, north - half, east + half, north + half)],
        "conifer_dense": [shapely.box(east - half, north + 90, east - 60, north + half)],
        "grass": [shapely.Point(east + 10, north - 70).buffer(38)],
        "roof": [hut],
    }


def plant_wood(surface: Array, ground: Array, rng: np.random.Generator) -> Array:
    """Return the surface with crowns of 12 to 25 m, stems 5 m apart or more, none over the clearing and the hut."""
    parts = wood_parts()
    wood, clearing = parts["oak_wood"][0], parts["grass"][0]
    west, south, east, north = wood.buffer(-6).bounds
    free = np.ones(ground.shape, dtype=bool)
    stems = np.column_stack([rng.uniform(west, east, 30_000), rng.uniform(south, north, 30_000)])
    gone = shapely.contains_xy(clearing.buffer(4), *stems.T)
    all_east, all_north = WOOD.centres_m()
    for x, y in stems[~gone]:
        row, col = WOOD.index(x, y)
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
    east, north = WOOD.centres_m()
    hollow = fractal(east.shape, 250.0, 5.0, rng)
    ground = 140 + 0.03 * (east - WOOD_CENTRE_M[0]) - 0.02 * (north - WOOD_CENTRE_M[1]) + 1.5 * hollow
    surface = plant_wood(ground.copy(), ground, rng)
    for hut in wood_parts()["roof"]:
        inside = shapely.contains_xy(hut, east, north)
        surface[inside] = ground[inside].max() + 4.0
    return ground, surface


def stored(heights_m: Array, step_m: float = HEIGHT_STEP_M) -> npt.NDArray[np.float32]:
    """Return heights as the files hold them: float32 in whole steps of a binary fraction of a metre."""
    return (np.round(heights_m / step_m) * step_m).astype(np.float32)


def rasters() -> dict[str, tuple[Lattice, str, npt.NDArray[np.float32]]]:
    """Return every raster by file name: its lattice, one line for people, and its heights [m]."""
    ground, surface = (stored(heights) for heights in make_quarry())
    floor, crowns = (stored(heights, WOOD_STEP_M) for heights in make_wood())
    return {
        "oskarfell_ground.tif": (QUARRY, "Oskarfell quarry (invented), bare earth, m above the geoid", ground),
        "oskarfell_surface.tif": (QUARRY, "Oskarfell quarry (invented), top surface, m above the geoid", surface),
        "lowmere_ground.tif": (LEVEE, "Lowmere levee (invented), bare earth, m above the geoid", stored(make_levee())),
        "thornwick_ground.tif": (WOOD, "Thornwick plot (invented), bare earth, m above the geoid", floor),
        "thornwick_surface.tif": (WOOD, "Thornwick plot (invented), top surface, m above the geoid", crowns),
    }


def write_raster(path: Path, lattice: Lattice, title: str, heights_m: npt.NDArray[np.float32]) -> None:
    """Write heights as a tiled, compressed GeoTIFF."""
    profile = {"driver": "GTiff", "dtype": "float32", "count": 1, "height": lattice.rows, "width": lattice.cols}
    place = {"crs": lattice.crs, "transform": lattice.transform, "nodata": -9999.0}
    packing = {"tiled": True, "blockxsize": 256, "blockysize": 256, "compress": "deflate", "predictor": 3, "zlevel": 9}
    with rasterio.open(path, "w", **profile, **place, **packing) as file:
        file.write(heights_m, 1)
        file.set_band_unit(1, "metre")
        file.set_band_description(1, title)


def geojson(crs: str, parts: list[tuple[dict[str, str], shapely.Polygon]]) -> str:
    """Return polygons as RFC 7946 GeoJSON: longitude, latitude on WGS 84, outer ring anticlockwise, 1 cm digits."""
    to_lonlat = pyproj.Transformer.from_crs(crs, "EPSG:4326", always_xy=True)
    features = []
    for fields, part in parts:
        ring = shapely.get_coordinates(shapely.orient_polygons(part))
        lonlat = np.column_stack(to_lonlat.transform(ring[:, 0], ring[:, 1])).round(7).tolist()
        polygon = {"type": "Polygon", "coordinates": [lonlat]}
        features.append({"type": "Feature", "properties": fields, "geometry": polygon})
    return json.dumps({"type": "FeatureCollection", "features": features}) + "\n"


def areas() -> dict[str, str]:
    """Return every area of interest and every cover by file name, as GeoJSON text."""
    plot = shapely.Point(WOOD_CENTRE_M).buffer(PLOT_M / 2, cap_style="square")
    cover = [({"cover": kind}, part) for kind, parts in wood_parts().items() for part in parts]
    return {
        "oskarfell_area.geojson": geojson(QUARRY.crs, [({"name": "Oskarfell quarry"}, quarry_area())]),
        "lowmere_area.geojson": geojson(LEVEE.crs, [({"name": "Lowmere levee"}, levee_area())]),
        "thornwick_area.geojson": geojson(WOOD.crs, [({"name": "Thornwick plot"}, plot)]),
        "thornwick_cover.geojson": geojson(WOOD.crs, cover),
    }


def main() -> None:
    """Rewrite every raster beside this script, and every area and cover in the missions folder."""
    for name, (lattice, title, heights_m) in rasters().items():
        write_raster(HERE / name, lattice, title, heights_m)
        print(f"{name}: {(HERE / name).stat().st_size / 1e6:.2f} MB")
    for name, text in areas().items():
        (MISSIONS / name).write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()
