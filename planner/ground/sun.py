"""Where the sun stands: elevation and azimuth by time and place, and the times it rises, sets and lights a day.

Lives here: the position of the sun and the events of a day. Must not know terrain, light or rules; reads no clock.

The sun's longitude and distance are those of Reda and Andreas, Solar position algorithm for solar radiation
applications, Solar Energy 76(5):577-589 (2004), NREL/TP-560-34302 ("SPA" below), with the small periodic terms left
out. Over 1950-2050 that is within 0.002 deg of the whole algorithm.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]
Times = npt.NDArray[np.datetime64]

RISEN_DEG = -0.8333
"""Elevation of the sun's centre at sunrise and sunset: 34' of refraction and 16' of its half width (SPA A.2)."""

CIVIL_DEG = -6.0
"""Elevation of the sun's centre at civil dawn and dusk."""

# SPA table A4.2, terms of at least 750e-8 rad in longitude, 1500e-8 au in distance: amplitude [1e-8], phase [rad],
# rate [rad / 1000 years]; one block a power of time.
_LONGITUDE = (
    np.array(
        [
            (175347046, 0, 0),
            (3341656, 4.6692568, 6283.07585),
            (34894, 4.6261, 12566.1517),
            (3497, 2.7441, 5753.3849),
            (3418, 2.8289, 3.5231),
            (3136, 3.6277, 77713.7715),
            (2676, 4.4181, 7860.4194),
            (2343, 6.1352, 3930.2097),
            (1324, 0.7425, 11506.7698),
            (1273, 2.0371, 529.691),
            (1199, 1.1096, 1577.3435),
            (990, 5.233, 5884.927),
            (902, 2.045, 26.298),
            (857, 3.508, 398.149),
            (780, 1.179, 5223.694),
            (753, 2.533, 5507.553),
        ]
    ),
    np.array([(628331966747, 0, 0), (206059, 2.678235, 6283.07585), (4303, 2.6351, 12566.1517)]),
    np.array([(52919, 0, 0), (8720, 1.0721, 6283.0758)]),
)
_DISTANCE = (
    np.array(
        [
            (100013989, 0, 0),
            (1670700, 3.0984635, 6283.07585),
            (13956, 3.05525, 12566.1517),
            (3084, 5.1985, 77713.7715),
            (1628, 1.1739, 5753.3849),
            (1576, 2.8469, 7860.4194),
        ]
    ),
    np.array([(103019, 1.10749, 6283.07585), (1721, 1.0644, 12566.1517)]),
)

_J2000 = np.datetime64("2000-01-01T12:00:00", "us")
_DAY = np.timedelta64(86_400_000_000, "us")
_TERRESTRIAL_LEAD_S = 69.0  # terrestrial less universal time, 2015-2025; 40 s off in 1950 moves the sun 0.0005 deg
_HALVINGS = 20  # of 12 h: to 0.04 s


@dataclass(frozen=True)
class SolarSpectrum:
    """Sunlight of a standard clear day, each of shape (n,).

    Attributes
    ----------
    wavelength_nm : ndarray
        Rising [nm].
    extraterrestrial, global_tilted, direct : ndarray
        Above the air; on a plane tilted 37 deg that faces a sun of air mass 1.5; the direct beam of it alone
        [W / (m2 nm)].
    """

    wavelength_nm: Array
    extraterrestrial: Array
    global_tilted: Array
    direct: Array


@dataclass(frozen=True)
class SunPosition:
    """Where the sun's centre stands, each of the shape of times and places broadcast.

    Attributes
    ----------
    elevation_deg : ndarray
        Above the horizontal, as geometry has it [deg].
    apparent_elevation_deg : ndarray
        As seen through the air of the standard atmosphere at the place's height [deg].
    azimuth_deg : ndarray
        Clockwise from true north, 0-360 [deg].
    distance_au : ndarray
        Earth to sun [astronomical units].
    """

    elevation_deg: Array
    apparent_elevation_deg: Array
    azimuth_deg: Array
    distance_au: Array


@dataclass(frozen=True)
class SunDay:
    """The sun's events of days, each of the shape of dates and places broadcast; times in UTC, to the second.

    Attributes
    ----------
    dawn, sunrise, noon, sunset, dusk : ndarray of datetime64
        Civil dawn and dusk, rise and set of the upper edge, passage of the meridian. NaT for what does not happen.
    noon_elevation_deg, midnight_elevation_deg : ndarray
        True elevation at noon, and at the darker of the two midnights [deg]: they tell a day without sunset from one
        without sunrise.
    """

    dawn: Times
    sunrise: Times
    noon: Times
    sunset: Times
    dusk: Times
    noon_elevation_deg: Array
    midnight_elevation_deg: Array


def sun_position(
    utc: npt.ArrayLike, lon_deg: npt.ArrayLike, lat_deg: npt.ArrayLike, height_m: npt.ArrayLike = 0.0
) -> SunPosition:
    """Return where the sun stands.

    Parameters
    ----------
    utc : array_like of datetime64, or of datetime without a zone
        Times in UTC; NaT gives nan.
    lon_deg, lat_deg : array_like
        Longitude (east positive) and latitude [deg].
    height_m : array_like, optional
        Height above sea level [m]; it only thins the air that bends the light.

    Returns
    -------
    SunPosition
        All arguments broadcast.
    """
    days = (np.asarray(utc, dtype="datetime64[us]") - _J2000) / _DAY
    elevation, azimuth, distance = _seen(days, lon_deg, lat_deg)
    lifted = elevation + refraction_deg(elevation, *standard_air(height_m))
    return SunPosition(*map(np.asarray, np.broadcast_arrays(elevation, lifted, azimuth, distance)))


def refraction_deg(elevation_deg: npt.ArrayLike, pressure_hpa: npt.ArrayLike, temperature_c: npt.ArrayLike) -> Array:
    """Return by how much air lifts the sun [deg] at a true elevation [deg]; 0 once all of it has set (SPA eq. 42)."""
    elevation = np.asarray(elevation_deg, dtype=np.float64)
    shown = np.maximum(elevation, RISEN_DEG)
    air = np.asarray(pressure_hpa, dtype=np.float64) / 1010 * 283 / (273 + np.asarray(temperature_c, dtype=np.float64))
    lift = air * 1.02 / (60 * np.tan(np.radians(shown + 10.3 / (shown + 5.11))))
    return np.asarray(np.where(elevation < RISEN_DEG, 0.0, lift))


def standard_air(height_m: npt.ArrayLike) -> tuple[Array, Array]:
    """Return pressure [hPa] and temperature [C] at a height [m] below 11 km: International Standard Atmosphere."""
    fall = 0.0065 * np.asarray(height_m, dtype=np.float64)
    return np.asarray(1013.25 * (1 - fall / 288.15) ** 5.25588), np.asarray(15.0 - fall)


def sun_day(day: npt.ArrayLike, lon_deg: npt.ArrayLike, lat_deg: npt.ArrayLike) -> SunDay:
    """Return sunrise, sunset, civil twilight and noon of days.

    A day runs from midnight to midnight by the sun at its own longitude, so the date is that of the place wherever
    its clocks follow the sun to within half a day. Within 1 deg of a pole the sun climbs by season, not by hour: an
    event there may be missed or doubled.

    Parameters
    ----------
    day : array_like of datetime64 or date
        Local dates.
    lon_deg, lat_deg : array_like
        Longitude (east positive) and latitude [deg].

    Returns
    -------
    SunDay
        All arguments broadcast.
    """
    date, lon, lat = np.broadcast_arrays(
        np.asarray(day, dtype="datetime64[D]"),
        np.asarray(lon_deg, dtype=np.float64),
        np.asarray(lat_deg, dtype=np.float64),
    )
    noon = (date.astype("datetime64[us]") - _J2000) / _DAY + 0.5 - lon / 360
    for _ in range(3):  # the sun is at most 17 min off its mean, and changes pace slowly
        right_ascension, _, sidereal, _ = _equatorial(noon)
        hour_angle = sidereal + lon - np.degrees(right_ascension)
        noon = noon - (np.mod(hour_angle + 180, 360) - 180) / 360
    before, after = noon - 0.5, noon + 0.5
    dark = np.minimum(_elevation_deg(before, lon, lat), _elevation_deg(after, lon, lat))
    return SunDay(
        dawn=_crossing(before, noon, lon, lat, CIVIL_DEG),
        sunrise=_crossing(before, noon, lon, lat, RISEN_DEG),
        noon=_utc(noon),
        sunset=_crossing(noon, after, lon, lat, RISEN_DEG),
        dusk=_crossing(noon, after, lon, lat, CIVIL_DEG),
        noon_elevation_deg=_elevation_deg(noon, lon, lat),
        midnight_elevation_deg=dark,
    )


def _seen(days: npt.ArrayLike, lon_deg: npt.ArrayLike, lat_deg: npt.ArrayLike) -> tuple[Array, Array, Array]:
    """Return true elevation and azimuth [deg] and distance [au]; `days` as of `_equatorial`."""
    right_ascension, declination, sidereal, distance = _equatorial(days)
    hour_angle = np.radians(sidereal + np.asarray(lon_deg, dtype=np.float64)) - right_ascension
    latitude = np.radians(np.asarray(lat_deg, dtype=np.float64))
    sin_lat, cos_lat = np.sin(latitude), np.cos(latitude)
    # Parts of the sun's direction: up, north and east (SPA 3.14, 3.15).
    up = sin_lat * np.sin(declination) + cos_lat * np.cos(declination) * np.cos(hour_angle)
    north = cos_lat * np.sin(declination) - sin_lat * np.cos(declination) * np.cos(hour_angle)
    east = -np.cos(declination) * np.sin(hour_angle)
    level = np.hypot(north, east)
    # Seen from the surface, not the centre, of the earth, the sun stands lower by its parallax (SPA 3.12).
    elevation = np.degrees(np.arctan2(up, level)) - 8.794 / 3600 / distance * level
    return elevation, np.mod(np.degrees(np.arctan2(east, north)), 360), distance


def _equatorial(days: npt.ArrayLike) -> tuple[Array, Array, Array, Array]:
    """Return right ascension and declination [rad], Greenwich sidereal time [deg], distance [au].

    `days` count from 2000-01-01 12:00 UTC. Equations 9 to 31 of SPA; nutation by its four largest terms (Meeus,
    Astronomical Algorithms, 2nd ed. 1998, ch. 22).
    """
    days = np.asarray(days, dtype=np.float64)
    century = (days + _TERRESTRIAL_LEAD_S / 86400) / 36525
    longitude = np.degrees(_series(_LONGITUDE, century / 10)) + 180
    distance = _series(_DISTANCE, century / 10)
    node = np.radians(125.04452 - 1934.136261 * century)
    sun, moon = np.radians(280.4665 + 36000.7698 * century), np.radians(218.3165 + 481267.8813 * century)
    nutation = -17.20 * np.sin(node) - 1.32 * np.sin(2 * sun) - 0.23 * np.sin(2 * moon) + 0.21 * np.sin(2 * node)
    tilting = 9.20 * np.cos(node) + 0.57 * np.cos(2 * sun) + 0.10 * np.cos(2 * moon) - 0.09 * np.cos(2 * node)
    tilt = np.radians(23.4392911 - 0.0130042 * century + tilting / 3600)
    apparent = np.radians(longitude + (nutation - 0.09 - 20.4898 / distance) / 3600)
    sidereal = 280.46061837 + 360.98564736629 * days + nutation / 3600 * np.cos(tilt)
    right_ascension = np.arctan2(np.sin(apparent) * np.cos(tilt), np.cos(apparent))
    return right_ascension, np.arcsin(np.sin(tilt) * np.sin(apparent)), sidereal, distance


def _series(terms: tuple[Array, ...], millennia: Array) -> Array:
    """Return a sum of periodic terms, shape of `millennia` (SPA eq. 9-12)."""
    total = np.zeros_like(millennia)
    for power, block in enumerate(terms):
        amplitude, phase, rate = block.T
        total = total + np.cos(phase + rate * millennia[..., None]) @ amplitude * millennia**power
    return np.asarray(total / 1e8)


def _elevation_deg(days: Array, lon_deg: Array, lat_deg: Array) -> Array:
    return _seen(days, lon_deg, lat_deg)[0]


def _utc(days: Array) -> Times:
    """Return days from 2000-01-01 12:00 as times, rounded to the second; nan becomes NaT."""
    known = np.isfinite(days)
    seconds = np.rint(np.where(known, days, 0.0) * 86_400).astype("timedelta64[s]")
    times = np.asarray(_J2000.astype("datetime64[s]") + seconds)
    return np.asarray(np.where(known, times, np.datetime64("NaT")))


def _crossing(start: Array, end: Array, lon_deg: Array, lat_deg: Array, limit_deg: float) -> Times:
    """Return when elevation crosses a limit between two times, by halving; NaT where both lie on one side of it."""
    above = _elevation_deg(start, lon_deg, lat_deg) > limit_deg
    crosses = above != (_elevation_deg(end, lon_deg, lat_deg) > limit_deg)
    for _ in range(_HALVINGS):
        middle = (start + end) / 2
        early = (_elevation_deg(middle, lon_deg, lat_deg) > limit_deg) == above
        start, end = np.where(early, middle, start), np.where(early, end, middle)
    return _utc(np.where(crosses, (start + end) / 2, np.nan))
