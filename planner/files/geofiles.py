"""The scene of a mission: area and terrain read, checked against each other, and brought into one local frame.

Lives here: which frame, which lattice, and what the inputs may not contradict. Must not know flights or forecasts.
"""

import math
import os
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pyproj
import rasterio.features
import shapely
from affine import Affine
from pyproj.exceptions import CRSError

from planner.errors import Fault, InputError
from planner.files.accessfiles import read_access
from planner.files.checkpointfiles import read_allowed
from planner.files.corridorfiles import in_local, read_site
from planner.files.coverfiles import read_cover
from planner.files.datums import check_vertical, frame_doubt, height_link, site_geoid
from planner.files.facefiles import read_walls
from planner.files.featurefiles import read_features
from planner.files.hazardfiles import read_hazards
from planner.files.peaks import over_peaks
from planner.files.sunlight import read_solar_spectrum
from planner.files.surroundingfiles import read_surroundings
from planner.files.terrainfiles import TerrainFile, check_proj, inspect_terrain, is_remote, located, read_heights
from planner.flight.paths import ALIGNMENT_BANK_DEG
from planner.flight.places import within_reach
from planner.flight.turns import turn_radius_m
from planner.ground.frames import frame_name, frame_shift
from planner.ground.geodesy import Frame, site_frame
from planner.ground.surface import HeightGrid, Scene
from planner.ground.surroundings import KINDS
from planner.mission import Mission
from planner.safety.marks import marks_doubt_m

LEAST_SPACING_M = 0.25
LEAST_MARGIN_M = 60.0
TAKE_OFF_MARGIN_M, FARTHEST_TAKE_OFF_M = 50.0, 3000.0  # terrain round a take-off place; past that no sight line reaches
MOST_VERTICES = 120_000_000
BYTES_PER_VERTEX = 40  # two height grids in float64, what is known of each, and the working copies
RETURNS_PER_CELL = 25
MOST_SCALE_ERROR = 0.002
Box = tuple[float, float, float, float]


@dataclass(frozen=True)
class _Sheet:
    """The plane part of a scene, before heights are read."""

    frame: Frame
    area: shapely.MultiPolygon
    planned: shapely.MultiPolygon
    flown: shapely.MultiPolygon


def read_scene(mission: Mission) -> Scene:
    """Return the site of a mission in one local frame.

    The lattice is chosen so that the judging cell is a whole multiple of its spacing and no detail of the finest
    raster is lost, down to 0.25 m. It reaches past the planned area by the settling distance of the aircraft and
    half a swath at the ceiling; what no raster covers there is unknown.

    Raises
    ------
    InputError
        E01-E14, E16-E18, E33, E34, E45-E47, E49 of the inputs.
    """
    check_proj()
    drawn = read_site(mission)
    area_deg, area_crs, centreline = drawn.area_deg, drawn.crs, drawn.centreline_deg
    sheet = _sheet(mission, area_deg)
    terrains = _terrains(mission)
    for terrain in terrains:
        _check_meeting(sheet, terrain, area_deg, drawn.path)
    check_vertical(mission, terrains)
    geoid = site_geoid(mission, sheet.frame, sheet.flown)
    spacing_m = _spacing_m(mission, sheet, terrains)
    allowed = mission.take_off_area
    access = () if allowed is None else read_access(_folder(mission) / allowed, sheet.frame)
    bounds = _lattice_bounds(mission, sheet, access)
    _check_size(bounds, spacing_m)
    grids = [
        read_heights(each.source, sheet.frame, bounds, spacing_m, mission.terrain.vertical_unit) for each in terrains
    ]
    upper = over_peaks(terrains[-1].source, sheet.frame, grids[-1], mission.terrain.vertical_unit)
    cautions = [text for terrain in terrains for text in terrain.cautions]
    for terrain, grid in zip(terrains, grids, strict=True):
        cautions += _check_holes(mission, sheet, terrain, grid)
    doubt_m, doubts = frame_doubt(area_crs, terrains, area_deg)
    cautions += doubts + _coarse(mission, sheet, terrains) + height_link(mission) + _upside_down(grids)
    foliage, cover, uncovered = read_cover(mission, sheet.frame, sheet.area, grids[0], grids[-1])
    features, missed = read_features(mission, sheet.frame, sheet.area)
    walls, missed_walls = read_walls(mission, sheet.frame, sheet.area)
    within = mission.checkpoints.within
    marked = frame_name(terrains[0].crs)
    centre = area_deg.centroid
    shift = frame_shift(mission.marks, marked, mission.date, centre.x, centre.y)
    projected = (crs for crs in (area_crs, *(each.crs for each in terrains)) if crs.is_projected)
    scene = Scene(
        frame=sheet.frame,
        area=sheet.area,
        planned=sheet.planned,
        ground=grids[0],
        top=grids[-1],
        ground_is_bare=mission.terrain.ground is not None,
        heights=mission.terrain.heights,
        geoid=geoid,
        centreline=None if centreline is None else in_local(centreline, sheet.frame),
        foliage=foliage,
        cover=cover,
        features=features,
        walls=walls,
        upper=None if upper is grids[-1] else upper,
        walkable=None if within is None else read_allowed(_folder(mission) / within, sheet.frame, sheet.area),
        grid_crs=next(projected, None),
        sunlight=read_solar_spectrum(),
        frame_doubt_m=doubt_m + marks_doubt_m(shift),
        frame_name=marked,
        marks_shift=shift,
        access=access,
        cautions=(*cautions, *uncovered, *missed, *missed_walls),
    )
    scene = read_surroundings(mission, _folder(mission), scene)
    return read_hazards(mission.hazards, _folder(mission), scene, mission.terrain.vertical_sd_m)


def input_files(mission: Mission) -> tuple[tuple[str, Path], ...]:
    """Return every local file a job reads: its name relative to the mission's folder, and its path.

    Sidecars (the parts of a Shapefile, world files, `.aux.xml`) are included; URLs and bundled data are not.
    """
    folder = _folder(mission)
    paths = {mission.file}
    for vector in _vectors(mission):
        if vector is not None:
            paths.add(folder / vector)
            if vector.lower().endswith(".shp"):
                paths |= set((folder / vector).parent.glob(f"{Path(vector).stem}.*"))
    covers = [source for source in (mission.cover.raster, mission.cover.reflectance) if source is not None]
    for source in (*_sources(mission), *(located(source, folder) for source in covers)):
        if not is_remote(source):
            paths |= {Path(name) for name in inspect_terrain(source, mission.terrain.vertical_unit or "metre").files}
    rules = mission.rules.profile, mission.requirement.survey_rules
    others = (mission.window.almanac, mission.window.tide, *rules)
    paths |= {folder / name for name in others if name is not None}
    if mission.terrain.geoid not in (None, "egm96"):
        paths.add(folder / str(mission.terrain.geoid))
    named = {Path(os.path.relpath(path, folder)).as_posix(): path for path in paths if path.is_file()}
    return tuple(sorted(named.items()))


def _vectors(mission: Mission) -> tuple[str | None, ...]:
    """Return the vector files of a mission, None for each that it does not name."""
    return (
        mission.site.area,
        mission.site.centreline,
        mission.cover.polygons,
        mission.site.features_of_interest,
        mission.faces.walls,
        mission.checkpoints.within,
        mission.hazards.obstacles,
        mission.hazards.keep_out,
        mission.hazards.sensitive,
        mission.take_off_area,
        mission.rules.airspace,
        *(getattr(mission.rules, kind) for kind in KINDS),
    )


def _fault(code: str, what: str, where: str, fix: str) -> InputError:
    return InputError(Fault(code, what, where, fix))


def _folder(mission: Mission) -> Path:
    return mission.file.parent


def _sources(mission: Mission) -> list[str]:
    """Return the declared rasters, ground first."""
    declared = [source for source in (mission.terrain.ground, mission.terrain.surface) if source is not None]
    return [located(source, _folder(mission)) for source in declared]


def _terrains(mission: Mission) -> list[TerrainFile]:
    return [inspect_terrain(source, mission.terrain.vertical_unit) for source in _sources(mission)]


def _many(geometry: shapely.Geometry) -> shapely.MultiPolygon:
    return geometry if geometry.geom_type == "MultiPolygon" else shapely.MultiPolygon([geometry])


def _sheet(mission: Mission, area_deg: shapely.MultiPolygon) -> _Sheet:
    west, south, east, north = area_deg.bounds
    centre = (west + east) / 2, (south + north) / 2
    wanted = mission.site.working_crs
    frame = site_frame(*centre) if wanted == "auto" else _named_frame(wanted, *centre)
    area = in_local(area_deg, frame)
    planned = _many(area.buffer(mission.site.buffer_m)) if mission.site.buffer_m else area
    overshoot_m = _overshoot_m(mission)
    flown = _many(planned.buffer(overshoot_m)) if overshoot_m else planned
    return _Sheet(frame, area, planned, flown)


def _overshoot_m(mission: Mission) -> float:
    """Return the straight flight before and after each line [m]."""
    return mission.aircraft.settle_s * (mission.flight.speed_mps or mission.aircraft.max_speed_mps)


def _manoeuvre_m(mission: Mission) -> float:
    """Return how far turns, alignment manoeuvres and braking after them reach past a line [m]."""
    speed = mission.flight.speed_mps or mission.aircraft.max_speed_mps
    turn = 2 * float(turn_radius_m(speed, min(ALIGNMENT_BANK_DEG, mission.aircraft.max_bank_deg)))
    if mission.navigation.alignment == "straight":
        turn = max(turn, speed * mission.navigation.alignment_s)
    brake = mission.aircraft.max_speed_mps**2 / (2 * mission.aircraft.acceleration_mps2)
    return turn + brake if mission.aircraft.kind == "multirotor" else 2 * turn


def _named_frame(wanted: str, lon: float, lat: float) -> Frame:
    """Return the frame of a working CRS by name; it must count metres and be true to scale at the site."""
    zone = int((lon + 180) // 6) % 60 + 1
    proposal = f'name a projected CRS in metres, for example EPSG:{(32600 if lat >= 0 else 32700) + zone}, or "auto"'
    try:
        crs = pyproj.CRS.from_user_input(wanted)
    except CRSError as error:
        raise _fault("E06", f'working_crs "{wanted}" is not a known CRS', "site.working_crs", proposal) from error
    if not crs.is_projected:
        said = f"working_crs {crs.name} ({crs.type_name}) has no plane of metres"
        raise _fault("E06", said, "site.working_crs", proposal)
    across = crs.axis_info[0].unit_name
    if across != "metre":
        raise _fault("E07", f"working_crs {crs.name} counts in {across}, not in metres", "site.working_crs", proposal)
    flat = crs.sub_crs_list[0] if crs.is_compound else crs.to_2d()
    factors = pyproj.Proj(flat).get_factors(lon, lat)
    scale = max(factors.meridional_scale, factors.parallel_scale, key=lambda value: abs(value - 1))
    if not abs(scale - 1) <= MOST_SCALE_ERROR:
        said = f"working_crs {flat.name} has scale {scale:.4f} at the site, more than {MOST_SCALE_ERROR:.1%} off"
        raise _fault("E06", said, f"longitude {lon:.4f} latitude {lat:.4f}", proposal)
    east, north = Frame(flat).from_lonlat(lon, lat)
    return Frame(flat, round(float(east), -2), round(float(north), -2))


def _check_meeting(sheet: _Sheet, terrain: TerrainFile, area_deg: shapely.MultiPolygon, area_path: Path) -> None:
    """Refuse rasters that miss the area, or that end within the flown ground."""
    share = terrain.share_of(sheet.frame, sheet.flown)
    if share >= 1 - 1e-6:
        return
    if share == 0 or terrain.share_of(sheet.frame, sheet.area) == 0:
        raster, area = terrain.bounds_deg(), area_deg.bounds
        boxes = f"the area spans {_box(area)}, the raster {_box(raster)} (longitude, latitude)"
        swapped = (area[1], area[0], area[3], area[2])
        if shapely.box(*swapped).intersects(shapely.box(*raster)):
            said = f"the area misses the raster as given and meets it with longitude and latitude swapped: {boxes}"
            raise _fault("E05", said, str(area_path), "correct the axis order of the area file")
        said = f"area and raster do not meet: {boxes}"
        raise _fault("E08", said, terrain.source, "check the CRS of both, or supply terrain of the site")
    said = (
        f"the raster covers only {_floored_percent(share)} % of the ground that is flown (area, buffer and overshoot)"
    )
    fix = "supply a larger raster, or a smaller site.buffer_m or aircraft.settle_s"
    raise _fault("E09", said, terrain.source, fix)


def _floored_percent(share: float) -> str:
    return f"{math.floor(share * 1000) / 10:g}"


def _box(bounds: Box) -> str:
    west, south, east, north = bounds
    return f"{west:.4f} to {east:.4f}, {south:.4f} to {north:.4f}"


def _spacing_m(mission: Mission, sheet: _Sheet, terrains: list[TerrainFile]) -> float:
    """Return the lattice spacing [m]: the judging cell, or the largest whole part of it that keeps raster detail."""
    wanted = mission.requirement
    cell_m = wanted.cell_m or max(1.0, math.sqrt(RETURNS_PER_CELL / wanted.target_per_m2))
    finest_m = min(terrain.cell_m(sheet.frame, *_middle(sheet))[0] for terrain in terrains)
    parts = math.ceil(cell_m / finest_m - 1e-3)  # a pixel of 0.9998 m on the ground is a pixel of 1 m
    return cell_m / max(1, min(parts, math.floor(cell_m / LEAST_SPACING_M)))


def _middle(sheet: _Sheet) -> tuple[float, float]:
    west, south, east, north = sheet.planned.bounds
    return (west + east) / 2, (south + north) / 2


def _lattice_bounds(mission: Mission, sheet: _Sheet, access: tuple[shapely.Polygon, ...]) -> Box:
    """Return the planned area's box grown by the overshoot and half a swath from the ceiling, take-offs in it [m]."""
    half = math.radians(mission.sensor.usable_fov_deg / 2)
    reach_m = max(rating.range_m for rating in mission.sensor.ratings)
    swath_m = min(mission.limits.ceiling_agl_m * math.tan(half), reach_m)
    margin = _overshoot_m(mission) + max(LEAST_MARGIN_M, swath_m, _manoeuvre_m(mission))
    west, south, east, north = sheet.planned.bounds
    boxes = [(west - margin, south - margin, east + margin, north + margin)]
    for lon, lat in mission.take_off_deg:
        place = shapely.Point(*(float(value) for value in sheet.frame.from_lonlat(lon, lat)))
        if place.distance(sheet.planned) <= FARTHEST_TAKE_OFF_M:
            boxes.append(place.buffer(TAKE_OFF_MARGIN_M).bounds)
    if access:
        near = within_reach(shapely.union_all(access), sheet.planned)
        near = near.intersection(sheet.planned.buffer(FARTHEST_TAKE_OFF_M))
        boxes += [near.buffer(TAKE_OFF_MARGIN_M).bounds] if not near.is_empty else []
    lows, highs = (np.array(boxes)[:, sides] for sides in ([0, 1], [2, 3]))
    return (*lows.min(axis=0).tolist(), *highs.max(axis=0).tolist())


def _check_size(bounds: Box, spacing_m: float) -> None:
    west, south, east, north = bounds
    vertices = ((east - west) / spacing_m + 1) * ((north - south) / spacing_m + 1)
    if vertices > MOST_VERTICES:
        memory = f"some {vertices * BYTES_PER_VERTEX / 1e9:.0f} GB of memory"
        said = (
            f"{vertices / 1e6:.0f} million heights at {spacing_m:g} m, over {MOST_VERTICES / 1e6:.0f} million; {memory}"
        )
        raise _fault("E17", said, "site.area", "split the site, or ask for a larger requirement.cell_m")


def _check_holes(mission: Mission, sheet: _Sheet, terrain: TerrainFile, grid: HeightGrid) -> list[str]:
    """Refuse (E11) unknown ground under the flown area, or say how much of it there is."""
    half, step = grid.spacing_m / 2, grid.spacing_m
    to_local = Affine(step, 0, grid.west_m - half, 0, -step, grid.north_m + half)
    if grid.known.all():
        return []
    flown = rasterio.features.geometry_mask([sheet.flown], grid.known.shape, to_local, invert=True)
    holes = (flown & ~grid.known).astype(np.uint8)
    if not holes.any():
        return []
    patches = rasterio.features.shapes(holes, mask=holes, connectivity=8, transform=to_local)
    largest = max((shapely.geometry.shape(shape) for shape, _ in patches), key=lambda polygon: polygon.area)
    lon, lat = sheet.frame.to_lonlat(*largest.point_on_surface().coords[0])
    total_ha = float(holes.sum()) * step**2 / 1e4
    said = (
        f"no terrain data under {total_ha:.4g} ha of the ground that is flown; "
        f"the largest hole has {largest.area / 1e4:.4g} ha, at longitude {lon:.6f} latitude {lat:.6f}"
    )
    if mission.terrain.holes == "refuse":
        fix = 'supply terrain without the hole, or set terrain.holes = "unknown" to leave it unknown'
        raise _fault("E11", said, terrain.source, fix)
    return [f"{Path(terrain.source).name}: {said}. Nothing is known about height or clearance there."]


def _coarse(mission: Mission, sheet: _Sheet, terrains: list[TerrainFile]) -> list[str]:
    """Return cautions (E15) on rasters too coarse for the height flown."""
    agl_m = mission.flight.agl_m or mission.limits.ceiling_agl_m
    cautions = []
    for terrain in terrains:
        cell_m = terrain.cell_m(sheet.frame, *_middle(sheet))[1]
        if cell_m > agl_m / 3:
            said = f"E15 {Path(terrain.source).name} has pixels of {cell_m:.0f} m, over a third of {agl_m:g} m"
            cautions.append(f"{said} above ground: banks, walls and single trees are not in it.")
    return cautions


def _upside_down(grids: list[HeightGrid]) -> list[str]:
    """Return a caution where the top surface lies below the ground on the whole."""
    ground, top = grids[0], grids[-1]
    both = ground.known & top.known
    if ground is top or not both.any():
        return []
    above_m = float(np.median((top.heights_m - ground.heights_m)[both]))
    if above_m >= -0.5:
        return []
    said = f"Half of the top surface lies {-above_m:.1f} m or more below the bare earth"
    return [f"{said}: the two rasters may be swapped, or count from different datums."]
