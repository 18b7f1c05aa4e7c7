"""What air does to a laser pulse: how much of its light it takes away, and by how much it slows it.

Lives here: extinction by haze, fog, rain and snowfall, and the group index by temperature and pressure. Must not know
sensors, surfaces or flights.

Arguments are numbers or arrays of any shape that broadcast; nan stays nan. Extinction is of amounts of light, one way:
over a distance d, exp(-extinction d) of it is left. "P.1814" is Recommendation ITU-R P.1814 (2007), from memory.
"""

from typing import Literal

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]

CONTRAST_2_PERCENT = 3.912  # ln(1 / 0.02), Koschmieder: the visibility that laser models ask for
CONTRAST_5_PERCENT = 2.996  # ln(1 / 0.05): the meteorological optical range (WMO) that airfields report
REFERENCE_NM = 550.0  # where the eye sees best and visibility is meant

DB_PER_NEPER = 10 / np.log(10)
"""Decibels of light lost per unit of extinction times distance: 4.342945."""

SizeExponent = Literal["kim", "kruse"]


def _floats(values: npt.ArrayLike) -> Array:
    return np.asarray(values, dtype=np.float64)


def extinction_from_db(db_per_km: npt.ArrayLike) -> Array:
    """Return extinction [1/m] from attenuation [dB/km]."""
    return np.asarray(_floats(db_per_km) / DB_PER_NEPER / 1000)


def db_from_extinction(extinction_per_m: npt.ArrayLike) -> Array:
    """Return attenuation [dB/km] from extinction [1/m]."""
    return np.asarray(_floats(extinction_per_m) * DB_PER_NEPER * 1000)


def visibility_from_mor_km(optical_range_km: npt.ArrayLike) -> Array:
    """Return the visibility by 2 % contrast [km] of a meteorological optical range, by 5 % contrast [km].

    The same air looks clear 1.306 times as far by the lower contrast. The range an airfield reports, taken for a
    visibility by 2 %, overstates extinction by as much.
    """
    return np.asarray(_floats(optical_range_km) * (CONTRAST_2_PERCENT / CONTRAST_5_PERCENT))


def kruse_exponent(visibility_km: npt.ArrayLike) -> Array:
    """Return by which power of wavelength haze thins, Kruse's way: 1.6 (V >= 50), 1.3 (6-50), 0.585 V^(1/3) below.

    V is visibility by 2 % contrast [km]. Kruse, McGlauchlin and McQuistan, Elements of Infrared Technology (1962),
    from memory. It jumps from 1.063 to 1.3 at 6 km.
    """
    v = _floats(visibility_km)
    return np.where(np.isnan(v), v, np.select([v >= 50, v >= 6], [1.6, 1.3], 0.585 * np.cbrt(v)))


def kim_exponent(visibility_km: npt.ArrayLike) -> Array:
    """Return by which power of wavelength haze thins, Kim's way, in which thick fog treats all wavelengths alike.

    1.6 (V >= 50), 1.3 (6-50), 0.16 V + 0.34 (1-6), V - 0.5 (0.5-1), 0 below; V is visibility by 2 % contrast [km].
    Kim, McArthur and Korevaar, SPIE 4214:26-37 (2001).
    """
    v = _floats(visibility_km)
    branches = [np.full_like(v, 1.6), np.full_like(v, 1.3), 0.16 * v + 0.34]
    return np.where(np.isnan(v), v, np.select([v >= 50, v >= 6, v >= 1], branches, np.maximum(v - 0.5, 0.0)))


def haze_extinction_per_m(
    wavelength_nm: npt.ArrayLike, visibility_km: npt.ArrayLike, exponent: SizeExponent = "kim"
) -> Array:
    """Return the extinction of haze and fog [1/m]: (3.912 / V) (wavelength / 550 nm)^-q.

    In fog, V below 0.5 km, that is 17 / V dB/km at any wavelength by Kim's exponent: the most of what fog takes, from
    8.5 / V to 17 / V (Pierce and others, SPIE 4530, 2001).

    Parameters
    ----------
    wavelength_nm : array_like
        Laser wavelength [nm]. Lines of water vapour (905-915 and about 935 nm) are left out: they matter past 1 km.
    visibility_km : array_like
        Visibility by 2 % contrast [km], above 0; see `visibility_from_mor_km`.
    exponent : {"kim", "kruse"}
        Which q by visibility.

    Returns
    -------
    ndarray
        Extinction [1/m].
    """
    v = _floats(visibility_km)
    q = kim_exponent(v) if exponent == "kim" else kruse_exponent(v)
    return np.asarray(CONTRAST_2_PERCENT / v * (_floats(wavelength_nm) / REFERENCE_NM) ** -q / 1000)


def rain_db_per_km(rate_mm_h: npt.ArrayLike, fitted_in: Literal["japan", "france"] = "japan") -> Array:
    """Return what rain takes [dB/km] at any laser wavelength: 1.58 R^0.63 (Japan) or 1.076 R^0.67 (France).

    P.1814, rates R in mm/h. The first is the greater at every rate that falls.
    """
    factor, power = (1.58, 0.63) if fitted_in == "japan" else (1.076, 0.67)
    return np.asarray(factor * _floats(rate_mm_h) ** power)


def wet_snow_db_per_km(wavelength_nm: npt.ArrayLike, rate_mm_h: npt.ArrayLike) -> Array:
    """Return what wet snowfall takes [dB/km]: (1.023e-4 wavelength + 3.7855466) S^0.72, rates S in mm/h (P.1814)."""
    return np.asarray((1.023e-4 * _floats(wavelength_nm) + 3.7855466) * _floats(rate_mm_h) ** 0.72)


def dry_snow_db_per_km(wavelength_nm: npt.ArrayLike, rate_mm_h: npt.ArrayLike) -> Array:
    """Return what dry snowfall takes [dB/km]: (5.42e-5 wavelength + 5.4958776) S^1.38, rates S in mm/h (P.1814)."""
    return np.asarray((5.42e-5 * _floats(wavelength_nm) + 5.4958776) * _floats(rate_mm_h) ** 1.38)


def extinction_parts_per_m(
    wavelength_nm: float,
    visibility_km: float,
    rain_mm_h: float = 0.0,
    wet_snow_mm_h: float = 0.0,
    dry_snow_mm_h: float = 0.0,
) -> dict[str, float]:
    """Return what each part of the weather adds to extinction [1/m]; the air's extinction is their sum (P.1814).

    Parameters
    ----------
    wavelength_nm : float
        Laser wavelength [nm].
    visibility_km : float
        Visibility by 2 % contrast of the air between the drops and flakes [km]. A visibility that was observed through
        them holds their share already, and summing counts it twice: on the safe side.
    rain_mm_h, wet_snow_mm_h, dry_snow_mm_h : float
        Rates of precipitation [mm/h].

    Returns
    -------
    dict of str to float
        Extinction [1/m] of ``haze``, ``rain``, ``wet_snow`` and ``dry_snow``.
    """
    falling = {
        "rain": rain_db_per_km(rain_mm_h),
        "wet_snow": wet_snow_db_per_km(wavelength_nm, wet_snow_mm_h),
        "dry_snow": dry_snow_db_per_km(wavelength_nm, dry_snow_mm_h),
    }
    haze = float(haze_extinction_per_m(wavelength_nm, visibility_km))
    return {"haze": haze} | {name: float(extinction_from_db(db)) for name, db in falling.items()}


def extinction_per_m(
    wavelength_nm: float,
    visibility_km: float,
    rain_mm_h: float = 0.0,
    wet_snow_mm_h: float = 0.0,
    dry_snow_mm_h: float = 0.0,
) -> float:
    """Return the extinction of air in all weather [1/m]; arguments as for `extinction_parts_per_m`."""
    parts = extinction_parts_per_m(wavelength_nm, visibility_km, rain_mm_h, wet_snow_mm_h, dry_snow_mm_h)
    return sum(parts.values())


def group_refractivity_ppm(
    wavelength_nm: npt.ArrayLike, temperature_c: npt.ArrayLike, pressure_hpa: npt.ArrayLike
) -> Array:
    """Return by how much dry air slows light pulses and modulation, (n - 1) in parts per million.

    The vacuum speed overstates ranges by as much: 2.8 cm in 100 m at 15 C and 1013.25 hPa. Closed form of IAG
    Resolution 3 (1999), from memory, for 375 ppm of CO2.
    """
    inverse_um2 = (1000 / _floats(wavelength_nm)) ** 2
    standard = 287.6155 + 4.88660 * inverse_um2 + 0.06800 * inverse_um2**2
    kelvin = _floats(temperature_c) + 273.15
    return np.asarray(standard * 273.15 / kelvin * _floats(pressure_hpa) / 1013.25)


def standard_air(height_ortho_m: npt.ArrayLike) -> tuple[Array, Array]:
    """Return temperature [C] and pressure [hPa] of the standard atmosphere at heights above sea level [m], to 11 km.

    15 C less 6.5 K a kilometre; 1013.25 (1 - 0.0065 h / 288.15)^5.25588 hPa (ISO 2533:1975, from memory).
    """
    fall_k = 0.0065 * _floats(height_ortho_m)
    return np.asarray(15.0 - fall_k), np.asarray(1013.25 * (1 - fall_k / 288.15) ** 5.25588)


def range_error_mm_per_100m(
    wavelength_nm: npt.ArrayLike,
    air: tuple[npt.ArrayLike, npt.ArrayLike],
    nominal_air: tuple[npt.ArrayLike, npt.ArrayLike] = (15.0, 1013.25),
) -> Array:
    """Return what is left in ranges that were reduced with a nominal index of air [mm per 100 m].

    Measured less true: 1e5 (n / n_nominal - 1), positive in air that is colder or denser than the maker took. Dry air:
    humidity changes it by less than 0.1 mm.

    Parameters
    ----------
    wavelength_nm : array_like
        Laser wavelength [nm].
    air, nominal_air : tuple of array_like
        Temperature [C] and pressure [hPa] of the day, and those the maker's index holds for.

    Returns
    -------
    ndarray
        Error of range [mm per 100 m].
    """
    there = group_refractivity_ppm(wavelength_nm, *air)
    taken = group_refractivity_ppm(wavelength_nm, *nominal_air)
    return np.asarray(1e5 * (there - taken) * 1e-6 / (1 + taken * 1e-6))
