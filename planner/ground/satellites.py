"""Where navigation satellites stand in the sky, and how well they fix a place.

Lives here: orbits from almanac parameters, elevation and azimuth at a place, dilution of precision. Must not know
files, limits or flights.

Positions follow IS-GPS-200 (interface specification of the GPS signal), table 20-IV, as section 20.3.3.5.2.1 has it for
almanacs: what the almanac does not give is zero. The same section puts their error at 0.9 km when new, up to 3.6 km in
the next two weeks or so, and up to 300 km months later, nearly 1 deg of the sky. Bending of the ray, clocks and the
0.07 s that light takes are left out: together they turn the sky by less than 0.2 deg above 5 deg.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]
Times = npt.NDArray[np.datetime64]

GRAVITATION_M3_PER_S2 = 3.986005e14  # mu, IS-GPS-200 table 20-IV
EARTH_RATE_RAD_S = 7.2921151467e-5  # IS-GPS-200 table 20-IV
EQUATOR_M, FLATTENING = 6378137.0, 1 / 298.257223563  # WGS 84
LEAP_S = 18.0
"""GPS time less UTC since 2017-01-01; one less for each leap second before (IERS Bulletin C)."""
WEEK_S = 604800.0

_EPOCH = np.datetime64("1980-01-06T00:00:00", "s")
_TURNS = 12  # of Newton's method: 5 reach the last digit for any e below 0.3
_FLAT = 1e-9  # eigenvalue of a geometry below which it fixes no place: a PDOP of 30 000


@dataclass(frozen=True)
class Almanac:
    """Orbits of satellites, rough and long-lived; arrays of shape (satellites,).

    Attributes
    ----------
    number : ndarray of int64
        PRN of each satellite.
    week : ndarray of int64
        GPS week that `applies_s` lies in, counted from 1980 without rolling over.
    applies_s : ndarray
        Time of applicability, seconds of that week in GPS time [s].
    eccentricity : ndarray
        Of the ellipse.
    inclination_rad : ndarray
        Of the orbital plane to the equator [rad].
    node_rate_rad_s : ndarray
        Rate of right ascension [rad/s].
    axis_m : ndarray
        Semi-major axis [m].
    node_rad : ndarray
        Longitude of the ascending node at the start of the week [rad].
    perigee_rad : ndarray
        Argument of perigee [rad].
    anomaly_rad : ndarray
        Mean anomaly at the time of applicability [rad].
    cautions : tuple of str
        What the reader of the file must be told.
    """

    number: npt.NDArray[np.int64]
    week: npt.NDArray[np.int64]
    applies_s: Array
    eccentricity: Array
    inclination_rad: Array
    node_rate_rad_s: Array
    axis_m: Array
    node_rad: Array
    perigee_rad: Array
    anomaly_rad: Array
    cautions: tuple[str, ...] = ()

    @property
    def applies_at(self) -> np.datetime64:
        """Middle of the times of applicability, UTC."""
        return utc_of(float(np.median(self.week * WEEK_S + self.applies_s)))


@dataclass(frozen=True)
class Horizon:
    """How high the ground stands, in equal steps of azimuth clockwise from true north; arrays of shape (steps,).

    Attributes
    ----------
    elevation_rad : ndarray
        Greatest elevation angle of the surface within half a step of each azimuth [rad]; -pi / 2 where none is known.
    reach_m : ndarray
        Distance to which the surface is known without a gap along each azimuth [m]. What lies beyond is unknown, and
        the horizon at least what was seen.
    """

    elevation_rad: Array
    reach_m: Array

    def at(self, azimuth_rad: npt.ArrayLike) -> Array:
        """Return the elevation of the horizon [rad] toward azimuths from true north [rad], any shape."""
        steps = len(self.elevation_rad)
        nearest = np.rint(np.asarray(azimuth_rad, dtype=np.float64) / (2 * np.pi) * steps).astype(np.int64)
        return np.asarray(self.elevation_rad[nearest % steps])


@dataclass(frozen=True)
class Lookout:
    """A place that satellites are seen from.

    Attributes
    ----------
    lon_deg, lat_deg : float
        Longitude and latitude on WGS 84 [deg].
    height_m : float
        Height above the ellipsoid [m]; what a geoid is off by does not matter here.
    horizon : Horizon or None
        Horizon of the terrain; None where the mask is all.
    """

    lon_deg: float
    lat_deg: float
    height_m: float = 0.0
    horizon: Horizon | None = None


@dataclass(frozen=True)
class Sky:
    """Where satellites stand, each of shape (times, satellites).

    Attributes
    ----------
    elevation_rad : ndarray
        Above the horizontal plane at the place [rad].
    azimuth_rad : ndarray
        Clockwise from true north, 0 to 2 pi [rad].
    """

    elevation_rad: Array
    azimuth_rad: Array


@dataclass(frozen=True)
class Dilution:
    """Dilution of precision, each of the shape of the times; infinite where satellites fix no place.

    Attributes
    ----------
    geometric, position, horizontal, vertical, time : ndarray
        GDOP, PDOP, HDOP, VDOP and TDOP: error of what is found by error of a range.
    """

    geometric: Array
    position: Array
    horizontal: Array
    vertical: Array
    time: Array


def gps_seconds(utc: npt.ArrayLike) -> Array:
    """Return GPS time since 1980-01-06 [s] of UTC (datetime64), by the leap seconds of 2017 on."""
    since = np.asarray(utc, dtype="datetime64[ms]") - _EPOCH
    return np.asarray(since / np.timedelta64(1, "s") + LEAP_S)


def utc_of(gps_s: float) -> np.datetime64:
    """Return UTC, to the second, of GPS time since 1980-01-06 [s]."""
    return _EPOCH + np.timedelta64(round(gps_s - LEAP_S), "s")


def eccentric_anomaly(mean_rad: npt.ArrayLike, eccentricity: npt.ArrayLike) -> Array:
    """Return the eccentric anomaly [rad] of a mean anomaly [rad]: Kepler's equation M = E - e sin E, by Newton."""
    mean, e = np.asarray(mean_rad, dtype=np.float64), np.asarray(eccentricity, dtype=np.float64)
    found = mean + e * np.sin(mean)
    for _ in range(_TURNS):
        found = found - (found - e * np.sin(found) - mean) / (1 - e * np.cos(found))
    return np.asarray(found)


def positions_m(almanac: Almanac, utc: npt.ArrayLike) -> Array:
    """Return where satellites are in the earth-fixed frame [m] (IS-GPS-200 table 20-IV, section 20.3.3.5.2.1).

    Parameters
    ----------
    almanac : Almanac
        Their orbits.
    utc : array_like of datetime64, shape (times,)
        Times in UTC.

    Returns
    -------
    ndarray, shape (times, satellites, 3)
        Earth-centred, earth-fixed x, y, z of WGS 84 [m].
    """
    since = gps_seconds(utc)[:, np.newaxis] - (almanac.week * WEEK_S + almanac.applies_s)
    e = almanac.eccentricity
    motion = np.sqrt(GRAVITATION_M3_PER_S2 / almanac.axis_m**3)
    eccentric = eccentric_anomaly(np.mod(almanac.anomaly_rad + motion * since, 2 * np.pi), e)
    true = np.arctan2(np.sqrt(1 - e**2) * np.sin(eccentric), np.cos(eccentric) - e)
    latitude = true + almanac.perigee_rad
    radius = almanac.axis_m * (1 - e * np.cos(eccentric))
    node = (
        almanac.node_rad + (almanac.node_rate_rad_s - EARTH_RATE_RAD_S) * since - EARTH_RATE_RAD_S * almanac.applies_s
    )
    along, across = radius * np.cos(latitude), radius * np.sin(latitude)
    flat = across * np.cos(almanac.inclination_rad)
    return np.stack(
        [
            along * np.cos(node) - flat * np.sin(node),
            along * np.sin(node) + flat * np.cos(node),
            across * np.sin(almanac.inclination_rad),
        ],
        axis=-1,
    )


def place_m(lon_deg: float, lat_deg: float, height_m: float) -> Array:
    """Return the earth-fixed x, y, z [m] of a place on WGS 84, shape (3,)."""
    lon, lat = np.radians(lon_deg), np.radians(lat_deg)
    squared = FLATTENING * (2 - FLATTENING)
    normal = EQUATOR_M / np.sqrt(1 - squared * np.sin(lat) ** 2)
    level = (normal + height_m) * np.cos(lat)
    return np.array([level * np.cos(lon), level * np.sin(lon), (normal * (1 - squared) + height_m) * np.sin(lat)])


def sky_over(positions: Array, lookout: Lookout) -> Sky:
    """Return where satellites stand as seen from a place.

    Parameters
    ----------
    positions : ndarray, shape (times, satellites, 3)
        From `positions_m`.
    lookout : Lookout
        The place; its horizon is not looked at.
    """
    lon, lat = np.radians(lookout.lon_deg), np.radians(lookout.lat_deg)
    away = positions - place_m(lookout.lon_deg, lookout.lat_deg, lookout.height_m)
    east = away @ np.array([-np.sin(lon), np.cos(lon), 0.0])
    north = away @ np.array([-np.sin(lat) * np.cos(lon), -np.sin(lat) * np.sin(lon), np.cos(lat)])
    up = away @ np.array([np.cos(lat) * np.cos(lon), np.cos(lat) * np.sin(lon), np.sin(lat)])
    return Sky(np.arctan2(up, np.hypot(east, north)), np.mod(np.arctan2(east, north), 2 * np.pi))


def in_view(sky: Sky, mask_rad: float, horizon: Horizon | None = None) -> Mask:
    """Return which satellites stand no lower than a mask [rad] and the horizon, of the shape of the sky."""
    least = np.full(sky.elevation_rad.shape, mask_rad)
    if horizon is not None:
        least = np.maximum(least, horizon.at(sky.azimuth_rad))
    return np.asarray(sky.elevation_rad >= least)


def dilution(sky: Sky, used: Mask) -> Dilution:
    """Return the dilution of precision from the satellites in use.

    The geometry matrix G has a row for each satellite: the unit vector to it (east, north, up) and 1 for the clock of
    the receiver. With Q = inv(G' G), GDOP is sqrt(trace Q), and the others are of parts of it: position the first
    three, horizontal the first two, vertical the third, time the fourth (Langley, Dilution of precision, GPS World
    10(5):52-59, 1999).

    Parameters
    ----------
    sky : Sky
        Where satellites stand.
    used : ndarray of bool, shape (times, satellites)
        Which are in use.
    """
    level = np.cos(sky.elevation_rad)
    rows = np.stack(
        [
            level * np.sin(sky.azimuth_rad),
            level * np.cos(sky.azimuth_rad),
            np.sin(sky.elevation_rad),
            np.ones_like(level),
        ],
        axis=-1,
    )
    normal = np.einsum("tsi,tsj,ts->tij", rows, rows, used.astype(np.float64))
    fixes = (used.sum(axis=1) >= 4) & (np.linalg.eigvalsh(normal)[:, 0] > _FLAT)
    spread = np.linalg.inv(np.where(fixes[:, np.newaxis, np.newaxis], normal, np.eye(4)))
    parts = np.where(fixes[:, np.newaxis], np.diagonal(spread, axis1=1, axis2=2), np.inf)
    east, north, height, clock = parts.T
    level_part = east + north
    position = level_part + height
    return Dilution(*(np.sqrt(part) for part in (position + clock, position, level_part, height, clock)))
