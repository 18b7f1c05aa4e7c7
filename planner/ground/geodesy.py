"""Frames: the working plane of a site, its link to longitude and latitude, and the geoid.

Lives here: coordinate frames, geodesic lengths and areas, geoid separation. Must not know rasters or files.
"""

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt
import pyproj
import shapely
from pyproj.enums import TransformDirection

Array = npt.NDArray[np.float64]

WGS84 = pyproj.Geod(ellps="WGS84")
LONLAT = pyproj.CRS.from_epsg(4326)


@dataclass(frozen=True)
class Frame:
    """The local working plane: east and north in metres from an origin near the site.

    Attributes
    ----------
    crs : pyproj.CRS
        Projected CRS in metres.
    origin_east_m, origin_north_m : float
        Origin of the local coordinates, in `crs` [m]; float32 cannot hold whole northings.
    """

    crs: pyproj.CRS
    origin_east_m: float = 0.0
    origin_north_m: float = 0.0

    @cached_property
    def _to_lonlat(self) -> pyproj.Transformer:
        return pyproj.Transformer.from_crs(self.crs, LONLAT, always_xy=True)

    def to_lonlat(self, east: npt.ArrayLike, north: npt.ArrayLike) -> tuple[Array, Array]:
        """Return longitude and latitude on WGS 84 [deg] of local `east`, `north` [m], any shape."""
        lon, lat = self._to_lonlat.transform(
            np.asarray(east, dtype=np.float64) + self.origin_east_m,
            np.asarray(north, dtype=np.float64) + self.origin_north_m,
        )
        return np.asarray(lon), np.asarray(lat)

    def from_lonlat(self, lon: npt.ArrayLike, lat: npt.ArrayLike) -> tuple[Array, Array]:
        """Return local east and north [m] of longitude and latitude on WGS 84 [deg], any shape."""
        east, north = self._to_lonlat.transform(
            np.asarray(lon, dtype=np.float64),
            np.asarray(lat, dtype=np.float64),
            direction=TransformDirection.INVERSE,
        )
        return np.asarray(east) - self.origin_east_m, np.asarray(north) - self.origin_north_m

    def convergence_rad(self, east: float, north: float) -> float:
        """Return grid convergence [rad] at a local point: grid heading = true heading - convergence."""
        lon, lat = self.to_lonlat(east, north)
        factors = pyproj.Proj(self.crs).get_factors(float(lon), float(lat))
        return float(np.radians(factors.meridian_convergence))


def site_frame(lon_deg: float, lat_deg: float) -> Frame:
    """Return a transverse Mercator centred on a point, scale 1 there.

    Plain UTM is off by up to 0.2 % of area at a zone edge ; centred
    on the site the error stays below 1e-6 within 9 km.
    """
    proj4 = f"+proj=tmerc +lat_0={lat_deg:.6f} +lon_0={lon_deg:.6f} +k=1 +x_0=0 +y_0=0 +datum=WGS84 +units=m +no_defs"
    return Frame(pyproj.CRS.from_proj4(proj4))


def geodesic_area_m2(frame: Frame, geometry: shapely.Geometry) -> float:
    """Return the area [m2] on the WGS 84 ellipsoid of a polygon or multipolygon in local coordinates."""
    in_lonlat = shapely.transform(geometry, lambda en: np.column_stack(frame.to_lonlat(en[:, 0], en[:, 1])))
    area, _ = WGS84.geometry_area_perimeter(shapely.orient_polygons(in_lonlat))
    return abs(float(area))


def geodesic_length_m(frame: Frame, east: npt.ArrayLike, north: npt.ArrayLike) -> float:
    """Return the length [m] on the WGS 84 ellipsoid of a polyline in local coordinates, shape (n,)."""
    return float(WGS84.line_length(*frame.to_lonlat(east, north)))


@dataclass(frozen=True)
class Geoid:
    """Geoid separation on a longitude-latitude grid.

    Attributes
    ----------
    name : str
        Name of the model, for reports.
    separation_m : ndarray, shape (rows, cols)
        Ellipsoidal less orthometric height [m], row 0 north.
    west_deg, north_deg, step_deg : float
        Longitude of column 0, latitude of row 0, spacing of both [deg].
    """

    name: str
    separation_m: Array
    west_deg: float
    north_deg: float
    step_deg: float

    def at(self, lon: npt.ArrayLike, lat: npt.ArrayLike) -> Array:
        """Return the separation [m] by bilinear interpolation, any shape; nan outside the grid."""
        rows, cols = self.separation_m.shape
        col = (np.asarray(lon, dtype=np.float64) - self.west_deg) / self.step_deg
        row = (self.north_deg - np.asarray(lat, dtype=np.float64)) / self.step_deg
        wraps = cols * self.step_deg >= 360 - 1e-9
        if wraps:
            col = np.mod(col, 360 / self.step_deg)
        left = np.clip(np.floor(col).astype(int), 0, cols - 1)
        right = (left + 1) % cols if wraps else np.clip(left + 1, 0, cols - 1)
        top = np.clip(np.floor(row).astype(int), 0, max(rows - 2, 0))
        across, down = col - left, row - top
        grid = self.separation_m
        upper = grid[top, left] * (1 - across) + grid[top, right] * across
        lower = grid[top + 1, left] * (1 - across) + grid[top + 1, right] * across
        outside = (row < 0) | (row > rows - 1) | (col < 0) | ((col > cols - 1) & (not wraps))
        return np.asarray(np.where(outside, np.nan, upper * (1 - down) + lower * down))
