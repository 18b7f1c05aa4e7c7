"""What heights and coordinates count from: geoid grids in, and the datums of all inputs held against each other.

Lives here: geoid files, vertical and horizontal datum checks. Must not know areas, lattices or heights.
"""

import math
from functools import cache
from pathlib import Path

import numpy as np
import pyproj
import rasterio
import shapely
from pyproj.transformer import AreaOfInterest, TransformerGroup
from rasterio.errors import RasterioError

from planner.errors import Fault, InputError
from planner.files.terrainfiles import TerrainFile
from planner.ground.geodesy import LONLAT, Frame, Geoid
from planner.mission import Mission

EGM96_FILE = Path(__file__).parents[1] / "data" / "geoid" / "egm96_15.tif"
EGM96_NAMES = ("egm96", "mean sea level", "msl", "unknown")
DRIFT_M = {  # from memory: distance from WGS 84 by 2026, which pyproj takes for zero
    "European Terrestrial Reference System 1989": 0.9,
    "ETRS89": 0.9,
    "North American Datum 1983": 1.5,
    "NAD83": 1.5,
    "Geocentric Datum of Australia 1994": 1.8,
    "GDA94": 1.8,
    "Geocentric Datum of Australia 2020": 0.3,
    "GDA2020": 0.3,
}


def bundled_geoid() -> Geoid:
    """Return EGM96 on a quarter-degree grid, to the centimetre."""
    return _read_geoid(EGM96_FILE, "EGM96")


def site_geoid(mission: Mission, frame: Frame, flown: shapely.MultiPolygon) -> Geoid | None:
    """Return the geoid that the mission names, or None; it must cover the flown ground in local coordinates."""
    wanted = mission.terrain.geoid
    if wanted is None:
        return None
    path = mission.file.parent / wanted
    geoid = bundled_geoid() if wanted == "egm96" else _read_geoid(path, path.stem)
    west, south, east, north = flown.bounds
    lon, lat = frame.to_lonlat([west, east, west, east], [south, south, north, north])
    span_deg = geoid.step_deg * geoid.separation_m.shape[1]
    last_deg = geoid.west_deg + (span_deg if span_deg >= 360 else span_deg - geoid.step_deg)
    if not np.all(np.isfinite(geoid.at(lon, lat)) & (lon <= last_deg)):
        raise _fault("E13", f"geoid {geoid.name} does not cover the site", str(path), "name a geoid grid that does")
    return geoid


def check_vertical(mission: Mission, terrains: list[TerrainFile]) -> None:
    """Refuse (E13) height references that contradict the declaration, each other or the geoid."""
    declared, geoid = mission.terrain.heights, mission.terrain.geoid
    for terrain in terrains:
        if terrain.vertical is None:
            continue
        on_ellipsoid = terrain.vertical == "ellipsoid"
        if on_ellipsoid != (declared == "ellipsoidal"):
            said = f"terrain.heights says {declared}, the raster counts from {terrain.vertical}"
            raise _fault("E13", said, terrain.source, "correct terrain.heights, or convert the raster")
        if not on_ellipsoid and geoid == "egm96" and not any(name in terrain.vertical.lower() for name in EGM96_NAMES):
            said = f"geoid egm96 does not fit the raster's {terrain.vertical}"
            raise _fault("E13", said, terrain.source, "name the grid file of its own geoid in terrain.geoid")
    named = {terrain.vertical for terrain in terrains if terrain.vertical}
    if len(named) > 1:
        said = f"ground and surface count from different datums: {' and '.join(sorted(named))}"
        raise _fault("E13", said, "terrain", "convert one raster to the datum of the other")


def height_link(mission: Mission) -> list[str]:
    """Return the caution on heights that cannot be given without a geoid."""
    if mission.terrain.geoid is not None:
        return []
    missing = {"orthometric": "ellipsoidal heights", "ellipsoidal": "heights above sea level"}[mission.terrain.heights]
    return [f"No geoid is named for the {mission.terrain.heights} terrain: {missing} cannot be given."]


def frame_doubt(
    area_crs: pyproj.CRS, terrains: list[TerrainFile], area_deg: shapely.MultiPolygon
) -> tuple[float, list[str]]:
    """Return the horizontal doubt [m] between area and rasters, and the cautions that say so."""
    doubt_m, cautions = 0.0, []
    ours = _datum(area_crs)
    for theirs, crs in {_datum(terrain.crs): terrain.crs for terrain in terrains}.items():
        if ours == theirs:
            continue
        between_m = _drift_m(area_crs, area_deg) + _drift_m(crs, area_deg)
        doubt_m = max(doubt_m, between_m)
        if between_m:
            cautions.append(
                f"The area is on {ours}, the terrain on {theirs}; "
                f"both are laid over each other with a doubt of {between_m:.1f} m."
            )
    return doubt_m, cautions


def _fault(code: str, what: str, where: str, fix: str) -> InputError:
    return InputError(Fault(code, what, where, fix))


@cache
def _read_geoid(path: Path, name: str) -> Geoid:
    """Return a geoid grid from any raster in longitude and latitude with square steps."""
    fix = "name a longitude-latitude grid (GeoTIFF or GTX) of geoid separations in metres"
    try:
        with rasterio.open(path) as grid:
            step, skew_x, west, skew_y, down, north = grid.transform[:6]
            if (grid.crs and not grid.crs.is_geographic) or skew_x or skew_y or not math.isclose(step, -down):
                raise _fault("E13", "the geoid grid is not a north-up longitude-latitude grid", str(path), fix)
            separation = grid.read(1, masked=True).astype(np.float64).filled(np.nan) * grid.scales[0] + grid.offsets[0]
    except (RasterioError, OSError) as error:
        raise _fault("E13", f"the geoid grid cannot be read: {error}", str(path), fix) from error
    first = west + step / 2
    return Geoid(name, separation, first - 360 if first > 180 else first, north - step / 2, step)


def _datum(crs: pyproj.CRS) -> str:
    geodetic = crs.geodetic_crs
    return geodetic.name if geodetic else crs.name


def _drift_m(crs: pyproj.CRS, area_deg: shapely.MultiPolygon) -> float:
    """Return how far a frame may lie from WGS 84 [m]: the table of plate drift, else what the conversion admits."""
    name = _datum(crs)
    datum = crs.datum.name if crs.datum else ""
    if any(
        word in f"{name} {datum}" for word in ("WGS 84", "World Geodetic System 1984", "ITRF", "International Terr")
    ):
        return 0.0
    for known, drift_m in DRIFT_M.items():
        if name.startswith(known) or datum.startswith(known):
            return drift_m
    ways = TransformerGroup(crs, LONLAT, always_xy=True, area_of_interest=AreaOfInterest(*area_deg.bounds)).transformers
    return max(ways[0].accuracy, 0.0) if ways else 0.0
