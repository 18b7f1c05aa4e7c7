"""Terrain rasters in: heights of any raster brought onto the vertex lattice of the local frame, in metres.

Lives here: what a raster says about itself, and its heights. Must not know missions, areas or plans.
"""

import os
import warnings
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pyproj
import rasterio
import rasterio.crs
import shapely
from affine import Affine
from rasterio.errors import CRSError, NotGeoreferencedWarning, RasterioError
from rasterio.fill import fillnodata
from rasterio.windows import Window

from planner.errors import Fault, InputError
from planner.ground.geodesy import LONLAT, WGS84, Frame
from planner.ground.surface import HeightGrid

Array = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]

LOWEST_M, HIGHEST_M = -450.0, 9000.0
METRES_PER_UNIT = {"metre": 1.0, "foot": 0.3048, "us_survey_foot": 1200 / 3937}
UNIT_NAMES = {
    "metre": ("m", "metre", "meter", "metres", "meters"),
    "foot": ("ft", "foot", "feet", "international foot"),
    "us_survey_foot": ("us-ft", "ftus", "us survey foot", "us_survey_foot", "foot_us", "us survey feet"),
}
BLOCK_VERTICES = 1 << 20
FILL_SEARCH_PIXELS = 100
PROJ_VARIABLES = ("PROJ_DATA", "PROJ_LIB")


@lru_cache(maxsize=16)
def _between(source: pyproj.CRS, target: pyproj.CRS) -> pyproj.Transformer:
    """Return the transformer, made once: looking one up takes longer than moving a hundred thousand points."""
    return pyproj.Transformer.from_crs(source, target, always_xy=True)


@dataclass(frozen=True)
class TerrainFile:
    """What a height raster says about itself.

    Attributes
    ----------
    source : str
        Path or URL.
    crs : pyproj.CRS
        Horizontal CRS.
    vertical : str or None
        Name of the vertical datum, ``"ellipsoid"`` for a three-dimensional CRS, None where the file is silent.
    unit : {"metre", "foot", "us_survey_foot"}
        Unit of the heights.
    transform : Affine
        From column and row (pixel corner) to `crs`.
    width, height : int
        Columns and rows.
    files : tuple of str
        The raster and the sidecar files read with it.
    cautions : tuple of str
        What the reader must be told.
    """

    source: str
    crs: pyproj.CRS
    vertical: str | None
    unit: str
    transform: Affine
    width: int
    height: int
    files: tuple[str, ...]
    cautions: tuple[str, ...] = ()

    def _xy(self, col: float, row: float) -> tuple[float, float]:
        to = self.transform
        return to.a * col + to.b * row + to.c, to.d * col + to.e * row + to.f

    def pixels(self, frame: Frame, east: npt.ArrayLike, north: npt.ArrayLike) -> tuple[Array, Array]:
        """Return column and row (0 at the outer corner) of local points [m], any shape; inf where unreachable."""
        to_raster = _between(frame.crs, self.crs)
        x, y = to_raster.transform(
            np.asarray(east, dtype=np.float64) + frame.origin_east_m,
            np.asarray(north, dtype=np.float64) + frame.origin_north_m,
        )
        if self.crs.is_geographic:  # rasters may count longitude from 0 to 360
            middle = self._xy(self.width / 2, self.height / 2)[0]
            x = middle + np.mod(x - middle + 180, 360) - 180
        back = ~self.transform
        return np.asarray(back.a * x + back.b * y + back.c), np.asarray(back.d * x + back.e * y + back.f)

    def places(self, frame: Frame, col: npt.ArrayLike, row: npt.ArrayLike) -> tuple[Array, Array]:
        """Return local east and north [m] of columns and rows (0 at the outer corner), any shape."""
        across, down, to = np.asarray(col, dtype=np.float64), np.asarray(row, dtype=np.float64), self.transform
        x, y = to.a * across + to.b * down + to.c, to.d * across + to.e * down + to.f
        east, north = _between(self.crs, frame.crs).transform(x, y)
        return np.asarray(east - frame.origin_east_m), np.asarray(north - frame.origin_north_m)

    def share_of(self, frame: Frame, geometry: shapely.Geometry) -> float:
        """Return the share of a polygon in local coordinates that lies within the raster's outline, 0-1."""
        fine = shapely.segmentize(geometry, 100.0)
        in_pixels = shapely.transform(fine, lambda en: np.column_stack(self.pixels(frame, en[:, 0], en[:, 1])))
        if not np.all(np.isfinite(shapely.get_coordinates(in_pixels))):
            return 0.0
        within = shapely.clip_by_rect(shapely.make_valid(in_pixels), 0, 0, self.width, self.height)
        return float(within.area / in_pixels.area)

    def bounds_deg(self) -> tuple[float, float, float, float]:
        """Return west, south, east and north of the raster on WGS 84 [deg]."""
        corners = [self._xy(col, row) for col in (0, self.width) for row in (0, self.height)]
        xs, ys = zip(*corners, strict=True)
        to_lonlat = _between(self.crs, LONLAT)
        west, south, east, north = to_lonlat.transform_bounds(min(xs), min(ys), max(xs), max(ys))
        return west, south, east, north

    def cell_m(self, frame: Frame, east_m: float, north_m: float) -> tuple[float, float]:
        """Return the shorter and the longer side of the pixel [m] at a local point."""
        col, row = map(float, self.pixels(frame, east_m, north_m))
        to_lonlat = _between(self.crs, LONLAT)
        at = [to_lonlat.transform(*self._xy(col + c, row + r)) for c, r in ((0, 0), (1, 0), (0, 1))]
        sides = [WGS84.inv(*at[0], *other)[2] for other in at[1:]]
        return min(sides), max(sides)


def check_proj() -> None:
    """Refuse (E10) to go on where the environment sends rasterio to another installation's PROJ database."""
    try:
        rasterio.crs.CRS.from_epsg(4326)
    except CRSError as error:
        named = [f"{name}={os.environ[name]}" for name in PROJ_VARIABLES if name in os.environ]
        said = f"coordinate systems cannot be read: {' and '.join(named)} points to another PROJ database"
        raise _fault("E10", said if named else str(error), "", f"unset {' and '.join(PROJ_VARIABLES)}") from error


def inspect_terrain(source: str, unit: str | None = None) -> TerrainFile:
    """Return what a raster says about itself.

    Parameters
    ----------
    source : str
        Path or http(s) URL of a raster; heights are in band 1.
    unit : {"metre", "foot", "us_survey_foot"} or None
        Declared unit of the heights; None reads it from the file, metre if the file is silent.

    Raises
    ------
    InputError
        E07 unit of heights or ground unclear, E10 no CRS or PROJ unusable, E16 no usable transform, E45 unreadable.
    """
    check_proj()
    with opened(source) as raster:
        transform = raster.transform
        if transform == Affine.identity() or not np.isfinite(transform.determinant) or transform.determinant == 0:
            said = "the raster has no transform from pixels to coordinates, or one that cannot be inverted"
            raise _fault("E16", said, source, "georeference it, or supply its world file")
        if raster.crs is None:
            raise _fault("E10", "the raster names no CRS", source, "assign its CRS; it is never guessed")
        whole = pyproj.CRS.from_wkt(raster.crs.to_wkt(version="WKT2_2019"))
        horizontal, vertical, crs_unit = _split(whole, source)
        label = raster.units[0] or ""
        written = _unit_name(label) or crs_unit
        if label and _unit_name(label) is None and unit is None:
            fix = "name terrain.vertical_unit: metre, foot or us_survey_foot"
            raise _fault("E07", f'heights in "{label}", which is not a unit known here', source, fix)
        return TerrainFile(
            source=source,
            crs=horizontal,
            vertical=vertical,
            unit=_heights_unit(unit, written, horizontal, source),
            transform=transform,
            width=raster.width,
            height=raster.height,
            files=tuple(raster.files),
            cautions=_unit_cautions(unit, written, source),
        )


def _fault(code: str, what: str, where: str, fix: str) -> InputError:
    return InputError(Fault(code, what, where, fix))


def is_remote(source: str) -> bool:
    """Return whether a declared raster is an address, not a path."""
    return "://" in source or source.startswith("/vsi")


def located(source: str, folder: Path) -> str:
    """Return where a declared raster is: its address as it stands, a path from `folder`."""
    return source if is_remote(source) else str(folder / source)


def opened(source: str) -> Any:
    """Return the open raster (E45 where it cannot be); with compound CRS, whose vertical part older GeoTIFFs hide."""
    with warnings.catch_warnings(), rasterio.Env(GTIFF_REPORT_COMPD_CS="YES"):
        warnings.simplefilter("ignore", NotGeoreferencedWarning)  # refused with a code instead
        try:
            return rasterio.open(source)
        except (RasterioError, OSError) as error:
            raise _fault("E45", f"the raster cannot be read: {error}", source, "check the path or address") from error


def _split(whole: pyproj.CRS, source: str) -> tuple[pyproj.CRS, str | None, str | None]:
    """Return horizontal CRS, name of the vertical datum, and unit of the vertical axis."""
    if whole.is_compound:
        flat, upright = whole.sub_crs_list[:2]
        named = "ellipsoid" if "ellips" in upright.name.lower() else upright.name
        vertical: str | None = named
        unit = _unit_name(upright.axis_info[0].unit_name)
    else:
        flat = whole.source_crs if whole.is_bound and whole.source_crs else whole
        upward = [axis for axis in flat.axis_info if axis.direction == "up"]
        vertical = "ellipsoid" if upward else None
        unit = _unit_name(upward[0].unit_name) if upward else None
        flat = flat.to_2d() if upward else flat
    if not (flat.is_projected or flat.is_geographic):
        said = f"{flat.name} ({flat.type_name}) has no link to the Earth"
        raise _fault("E10", said, source, "assign the CRS the raster was made in")
    if any(axis.unit_name in ("unknown", "") or not axis.unit_conversion_factor for axis in flat.axis_info):
        raise _fault("E07", f"{flat.name} does not name its unit of length", source, "assign a CRS with its unit")
    return flat, vertical, unit


def _unit_name(written: str | None) -> str | None:
    folded = (written or "").strip().lower()
    return next((unit for unit, names in UNIT_NAMES.items() if folded in names), None)


def _heights_unit(declared: str | None, written: str | None, horizontal: pyproj.CRS, source: str) -> str:
    """Return the unit of the heights; feet across the ground and no word about heights is a question, not metres."""
    if declared or written:
        return declared or written or "metre"
    across = horizontal.axis_info[0].unit_name
    if horizontal.is_projected and _unit_name(across) != "metre":
        said = f"{horizontal.name} counts in {across} and nothing says which unit its heights have"
        raise _fault("E07", said, source, "name terrain.vertical_unit: metre, foot or us_survey_foot")
    return "metre"


def _unit_cautions(declared: str | None, written: str | None, source: str) -> tuple[str, ...]:
    if declared is None or written is None or declared == written:
        return ()
    name = source.rpartition("/")[2]
    return (f"{name} says that its heights are in {written}; {declared} was taken, as terrain.vertical_unit says.",)


def read_heights(
    source: str, frame: Frame, bounds_m: tuple[float, float, float, float], spacing_m: float, unit: str | None = None
) -> HeightGrid:
    """Return the heights of a raster at the vertices of a lattice in the local frame.

    Bilinear between pixel centres. Pixels without data take no part: a vertex is known where the pixel that it
    lies in has data, so that a hole keeps its size. Unknown vertices hold a bridge.

    Parameters
    ----------
    source : str
        Path or http(s) URL.
    frame : Frame
        The local frame.
    bounds_m : (float, float, float, float)
        West, south, east, north that the lattice must reach, local [m]; grown to multiples of the spacing.
    spacing_m : float
        Distance between vertices [m].
    unit : {"metre", "foot", "us_survey_foot"} or None
        Declared unit of the raster's heights.

    Raises
    ------
    InputError
        As `inspect_terrain`; E11 no data at all within the bounds; E12 heights that cannot be.
    """
    terrain = inspect_terrain(source, unit)
    west, south, east, north = (
        round_(value / spacing_m) * spacing_m
        for round_, value in zip((np.floor, np.floor, np.ceil, np.ceil), bounds_m, strict=True)
    )
    cols, rows = (max(2, int(np.rint(length / spacing_m)) + 1) for length in (east - west, north - south))
    heights, known = np.empty((rows, cols)), np.empty((rows, cols), dtype=np.bool_)
    step = max(1, BLOCK_VERTICES // cols)
    with opened(source) as raster:
        for top in range(0, rows, step):
            rows_here = slice(top, min(top + step, rows))
            mesh = np.meshgrid(
                west + np.arange(cols) * spacing_m, north - np.arange(rows_here.start, rows_here.stop) * spacing_m
            )
            heights[rows_here], known[rows_here] = _sample(raster, *terrain.pixels(frame, *mesh))
    heights *= METRES_PER_UNIT[terrain.unit]
    _check_plausible(heights[known], terrain)
    return HeightGrid(_bridged(heights, known), known, float(west), float(north), spacing_m)


def _sample(raster: Any, col: Array, row: Array) -> tuple[Array, Mask]:
    """Return value and knowledge at raster positions (0 at the outer corner), same shape; 0 where unknown."""
    inside = (col >= 0) & (col <= raster.width) & (row >= 0) & (row <= raster.height)
    if not inside.any():
        return np.zeros(col.shape), inside
    x, y = np.where(inside, col, 0) - 0.5, np.where(inside, row, 0) - 0.5
    left, top = np.floor(x).astype(int), np.floor(y).astype(int)
    across, down = x - left, y - top
    first_col, last_col = max(left[inside].min(), 0), min(left[inside].max() + 1, raster.width - 1)
    first_row, last_row = max(top[inside].min(), 0), min(top[inside].max() + 1, raster.height - 1)
    window = Window(first_col, first_row, last_col - first_col + 1, last_row - first_row + 1)
    pixels = raster.read(1, window=window).astype(np.float64) * raster.scales[0] + raster.offsets[0]
    valid = (raster.read_masks(1, window=window) > 0) & np.isfinite(pixels)
    pixels[~valid] = 0.0
    total, weight = np.zeros(col.shape), np.zeros(col.shape)
    for right, below in ((0, 0), (1, 0), (0, 1), (1, 1)):
        at = (
            np.clip(top + below, first_row, last_row) - first_row,
            np.clip(left + right, first_col, last_col) - first_col,
        )
        share = np.where(right, across, 1 - across) * np.where(below, down, 1 - down) * valid[at]
        total += share * pixels[at]
        weight += share
    nearest = (
        np.clip(np.floor(y + 0.5).astype(int), first_row, last_row) - first_row,
        np.clip(np.floor(x + 0.5).astype(int), first_col, last_col) - first_col,
    )
    known = inside & valid[nearest]
    return np.divide(total, weight, out=np.zeros(col.shape), where=known), known


def _check_plausible(known_m: Array, terrain: TerrainFile) -> None:
    """Refuse heights in metres that no ground has."""
    if not known_m.size:
        raise _fault("E11", "the raster holds no data within the site", terrain.source, "supply terrain of the site")
    low, high = float(known_m.min()), float(known_m.max())
    if low == high == 0:
        raise _fault("E12", "all heights are 0", terrain.source, "supply a raster that holds heights")
    if low >= LOWEST_M and high <= HIGHEST_M:
        return
    said = f"heights from {low:.6g} to {high:.6g} m; ground lies between {LOWEST_M:g} and {HIGHEST_M:g} m"
    fix = "mark its nodata value in the file"
    if terrain.unit == "metre" and low >= LOWEST_M and high * METRES_PER_UNIT["foot"] <= HIGHEST_M:
        said += "; this looks like feet"
        fix = "name terrain.vertical_unit, or " + fix
    raise _fault("E12", said, terrain.source, fix)


def _bridged(heights: Array, known: Mask) -> Array:
    """Return heights with unknown vertices filled from their neighbours, so that rays can cross."""
    if known.all():
        return heights
    held = np.where(known, heights, np.nan).astype(np.float32)
    near = fillnodata(held, mask=known.astype(np.uint8), max_search_distance=FILL_SEARCH_PIXELS)
    near[np.isnan(near)] = np.median(heights[known])
    return np.where(known, heights, near)
