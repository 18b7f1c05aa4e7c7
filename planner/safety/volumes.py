"""Airspace and places on the ground as the user drew them, and whether a flight meets them.

Lives here: floors and ceilings by each reference, flight levels by the day's pressure, and places inside a volume for
certain, perhaps or not. Must not know rules, files or authorities.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import shapely

from planner.ground.surroundings import AirspaceVolume, Level

Array = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]

FOOT_M = 0.3048
# International Standard Atmosphere, ISO 2533:1975.
SEA_LEVEL_HPA, SEA_LEVEL_K, LAPSE_K_PER_M, EXPONENT = 1013.25, 288.15, 0.0065, 5.25588
TROPOPAUSE_M = 11_000.0
PRESSURE_DOUBT_M = 8.4
"""What 1 hPa of doubt about the pressure is worth near the ground [m]."""
TEMPERATURE_DOUBT = 0.04
"""Doubt of the height of a level above the barometer, for some 11 K between real and standard air on the way."""
SEA_LEVEL_RANGE_HPA = (950.0, 1050.0)
TEMPERATURE_RANGE_C = (-40.0, 45.0)
"""What weather does to air at sea level: common practice, no source."""


@dataclass(frozen=True)
class Barometer:
    """Air pressure at one place and time.

    Attributes
    ----------
    pressure_hpa, temperature_c : float
        Air there [hPa, degrees Celsius].
    ortho_m : float
        Height of the place above mean sea level [m].
    """

    pressure_hpa: float
    temperature_c: float
    ortho_m: float


def flight_level_ortho_m(level: float, air: Barometer) -> float:
    """Return the height of a flight level above mean sea level [m], up to the tropopause.

    A flight level is a pressure: that of the standard atmosphere at so many hundred feet. Its height follows from the
    air at the barometer by the hypsometric equation for a column that cools by 6.5 K a kilometre (ISO 2533).
    """
    standard_m = min(level * 100 * FOOT_M, TROPOPAUSE_M)
    pressure = SEA_LEVEL_HPA * (1 - LAPSE_K_PER_M * standard_m / SEA_LEVEL_K) ** EXPONENT
    kelvin = air.temperature_c + 273.15
    return float(air.ortho_m + kelvin / LAPSE_K_PER_M * (1 - (pressure / air.pressure_hpa) ** (1 / EXPONENT)))


def level_span_m(level: float, air: Barometer | None) -> tuple[float, float]:
    """Return the lowest and the highest that a flight level may lie above mean sea level [m]; None: any weather."""
    if air is None:
        weathers = [Barometer(p, t, 0.0) for p in SEA_LEVEL_RANGE_HPA for t in TEMPERATURE_RANGE_C]
        heights = [flight_level_ortho_m(level, weather) for weather in weathers]
        return min(heights), max(heights)
    height = flight_level_ortho_m(level, air)
    doubt = PRESSURE_DOUBT_M + TEMPERATURE_DOUBT * abs(height - air.ortho_m)
    return height - doubt, height + doubt


def above_level_m(
    level: Level, agl_m: Array, ortho_m: Array, air: Barometer | None, doubt_m: float
) -> tuple[Array, Array]:
    """Return the least and the most that places may lie above a level [m], each shape (n,); nan cannot be told.

    Parameters
    ----------
    level : Level
        The floor or ceiling.
    agl_m, ortho_m : ndarray, shape (n,)
        Heights above the ground beneath and above mean sea level [m], nan where unknown.
    air : Barometer or None
        The day's air.
    doubt_m : float
        How far heights may be off [m].
    """
    if level.reference in ("sfc", "unl"):
        far = np.full(len(agl_m), np.inf if level.reference == "sfc" else -np.inf)
        return far, far
    if level.reference == "agl":
        return agl_m - level.value - doubt_m, agl_m - level.value + doubt_m
    low_m, high_m = level_span_m(level.value, air) if level.reference == "fl" else (level.value, level.value)
    return ortho_m - high_m - doubt_m, ortho_m - low_m + doubt_m


def inside_volume(
    volume: AirspaceVolume, places_m: Array, agl_m: Array, ortho_m: Array, air: Barometer | None, doubt_m: float
) -> tuple[Mask, Mask]:
    """Return which places lie in a volume for certain, and which perhaps, each shape (n,); its ends belong to it.

    Parameters
    ----------
    volume : AirspaceVolume
        The volume.
    places_m : ndarray, shape (n, 3)
        East, north, up [m].
    agl_m, ortho_m, air, doubt_m
        As in `above_level_m`.
    """
    shapely.prepare(volume.outline)
    beneath = shapely.intersects_xy(volume.outline, places_m[:, 0], places_m[:, 1])
    floor_low, floor_high = above_level_m(volume.floor, agl_m, ortho_m, air, doubt_m)
    top_low, top_high = above_level_m(volume.ceiling, agl_m, ortho_m, air, doubt_m)
    certain = beneath & (floor_low >= 0) & (top_high <= 0)
    outside = (floor_high < 0) | (top_low > 0)
    return np.asarray(certain), np.asarray(beneath & ~outside & ~certain)


def distances_m(outlines: list[shapely.Geometry], reaches_m: list[float], places_m: Array) -> tuple[Array, Array]:
    """Return the horizontal distance of each place to the nearest outline, 0 within, and the number of that outline.

    Parameters
    ----------
    outlines, reaches_m : list
        What is kept away from, and how far each reaches sideways from its outline [m].
    places_m : ndarray, shape (n, 3)
        East, north, up [m].

    Returns
    -------
    distance_m, which : ndarray, shape (n,)
        Distance [m], inf where there is no outline, and number, -1 where there is none.
    """
    nearest, which = np.full(len(places_m), np.inf), np.full(len(places_m), -1)
    points, reach_m = shapely.points(places_m[:, :2]), np.asarray(reaches_m, dtype=np.float64)
    for one in np.unique(reach_m):
        numbers = np.flatnonzero(reach_m == one)
        tree = shapely.STRtree([outlines[number] for number in numbers.tolist()])
        (place, found), away = tree.query_nearest(points, return_distance=True, all_matches=False)
        away = np.maximum(away - one, 0.0)
        nearer = away < nearest[place]
        nearest[place[nearer]], which[place[nearer]] = away[nearer], numbers[found[nearer]]
    return nearest, which
