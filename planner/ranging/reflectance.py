"""What comes back from a surface: reflectance by wavelength, dry and wet, and the mirror lobes of water, glass, metal.

Lives here: the optics of surfaces. Must not know ranges, sensors, terrain or files.

A reflectance factor here is what stands for the reflectance in the range equation of an extended diffuse surface,
where the cosine of incidence is a factor of its own: pi times the bidirectional reflectance back along the beam. Of
a matt surface it is the reflectance, 0-1; of a mirror-like one near normal incidence it may be far above 1.
"""

import math
from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from planner.cover import AT_NM, BEHIND_GLASS, Surface

Array = npt.NDArray[np.float64]

KNOWN_NM = (900.0, 1600.0)
"""Wavelengths [nm] past which the nearest stated reflectance is more a guess than an extension."""

WATER_BAND_NM = (1350.0, 1520.0)

WETTING_INDEX = 1.33
GLASS_INDEX = 1.51

# Refractive index of water: IAPWS 1997 form at 905 and 1064 nm; 1.318 at 1550 nm from Hale and Querry 1973, Appl.
# Opt. 12:555-563 (from memory), as the IAPWS form ends at 1.1 um.
_WATER_INDEX = (1.32689, 1.32447, 1.318)

# Absorption of liquid water [1/cm], as tabulated with PROSPECT-D (Feret, Gitelson, Noble and Jacquemoud 2017, Remote
# Sens. Environ. 193:204-215). The knots carry the 1 nm table within 4 % by interpolation of the logarithm.
_ABSORPTION_PER_CM = {
    900: 0.06407,
    905: 0.06699,
    920: 0.08528,
    927: 0.1066,
    940: 0.1818,
    948: 0.2542,
    951: 0.3153,
    957: 0.4068,
    962: 0.4611,
    970: 0.48,
    984: 0.4738,
    1000: 0.4072,
    1018: 0.3086,
    1049: 0.1687,
    1064: 0.1438,
    1081: 0.1456,
    1116: 0.2353,
    1125: 0.2811,
    1131: 0.3533,
    1146: 0.8597,
    1156: 1.131,
    1198: 1.283,
    1270: 1.08,
    1290: 1.196,
    1303: 1.37,
    1347: 3.097,
    1370: 4.389,
    1380: 6.242,
    1394: 13.16,
    1402: 18.54,
    1411: 23.6,
    1422: 27.56,
    1442: 30.46,
    1466: 28.99,
    1535: 12.65,
    1550: 10.64,
    1600: 6.987,
}


def reflectance_at(shares: tuple[float, float, float], wavelength_nm: npt.ArrayLike) -> Array:
    """Return shares stated at 905, 1064 and 1550 nm for any wavelength [nm], any shape.

    Straight lines over wavelength join the three; outside them the nearest holds. `wavelength_caution` says where
    that is doubtful.
    """
    return _read_off(wavelength_nm, AT_NM, shares)


def _read_off(wavelength_nm: npt.ArrayLike, at_nm: Sequence[float], values: Sequence[float]) -> Array:
    return np.asarray(np.interp(np.asarray(wavelength_nm, dtype=np.float64), at_nm, values))


def wavelength_caution(wavelength_nm: float) -> str | None:
    """Return what to tell the reader of reflectance at this wavelength [nm], None where it is as good as the table."""
    if not KNOWN_NM[0] <= wavelength_nm <= KNOWN_NM[1]:
        nearest = AT_NM[0] if wavelength_nm < AT_NM[0] else AT_NM[-1]
        return (
            f"Reflectance of surfaces is known at 905, 1064 and 1550 nm only; at {wavelength_nm:g} nm the values of "
            f"{nearest:g} nm are taken, which leaves, snow and water may belie."
        )
    if WATER_BAND_NM[0] <= wavelength_nm <= WATER_BAND_NM[1]:
        return (
            f"Reflectance at {wavelength_nm:g} nm is read between 1064 and 1550 nm, across a band where water absorbs "
            "most: leaves, snow and wet ground return less than forecast."
        )
    return None


def water_absorption_per_cm(wavelength_nm: npt.ArrayLike) -> Array:
    """Return the absorption of liquid water [1/cm] for wavelengths in 900-1600 nm, nearest outside."""
    logarithms = [math.log(value) for value in _ABSORPTION_PER_CM.values()]
    return np.asarray(np.exp(_read_off(wavelength_nm, list(_ABSORPTION_PER_CM), logarithms)))


def water_index(wavelength_nm: npt.ArrayLike) -> npt.NDArray[np.complex128]:
    """Return the complex index of refraction of water; its imaginary part is absorption times wavelength / 4 pi."""
    wavelength_cm = np.asarray(wavelength_nm, dtype=np.float64) * 1e-7
    extinction = water_absorption_per_cm(wavelength_nm) * wavelength_cm / (4 * math.pi)
    return np.asarray(_read_off(wavelength_nm, AT_NM, _WATER_INDEX) + 1j * extinction)


def fresnel(incidence_rad: npt.ArrayLike, index: npt.ArrayLike) -> Array:
    """Return the share of unpolarised light that a smooth boundary with air mirrors.

    Fresnel's equations, mean of both polarisations; ((n - 1) / (n + 1))^2 straight on.

    Parameters
    ----------
    incidence_rad : array_like
        Angle from the normal [rad], 0 to pi / 2.
    index : array_like, float or complex
        Index of refraction, broadcast against the angle.
    """
    m = np.asarray(index, dtype=np.complex128)
    cos = np.cos(incidence_rad)
    inside = np.sqrt(1 - (np.sin(incidence_rad) / m) ** 2)
    across = np.abs((cos - m * inside) / (cos + m * inside)) ** 2
    along = np.abs((m * cos - inside) / (m * cos + inside)) ** 2
    return np.asarray((across + along) / 2)


def wetted(reflectance: npt.ArrayLike, index: float = WETTING_INDEX) -> Array:
    """Return the reflectance of a rough surface whose pores are filled with water: rho / (n^2 (1 - rho) + rho).

    Light that scatters upward is partly turned back by the water's own surface and meets the ground again (Angstrom
    1925, Geogr. Ann. 7:323-342, from memory). What the boundary of air and water itself turns away, which Lekner and
    Dorf 1988, Appl. Opt. 27:1278-1280 (from memory) add, is left out: 2 to 4 % of the result.
    """
    rho = np.asarray(reflectance, dtype=np.float64)
    return np.asarray(rho / (index**2 * (1 - rho) + rho))


def film_transmission(film_mm: npt.ArrayLike, wavelength_nm: npt.ArrayLike) -> Array:
    """Return the share of light left after crossing a film of water [mm] twice: exp(-2 k d) (Beer and Lambert)."""
    film_cm = np.asarray(film_mm, dtype=np.float64) / 10
    return np.asarray(np.exp(-2 * water_absorption_per_cm(wavelength_nm) * film_cm))


def slope_variance(wind_mps: npt.ArrayLike) -> Array:
    """Return the mean square slope of a wavy sea: 0.003 + 0.00512 W, wind W at 12.5 m above it [m/s].

    Cox and Munk 1954, J. Opt. Soc. Am. 44:838-850, clean surface, both directions together, winds up to 14 m/s; an
    open sea. Ponds and sheltered reaches are smoother.
    """
    return np.asarray(0.003 + 0.00512 * np.asarray(wind_mps, dtype=np.float64))


def facet_lobe(share: npt.ArrayLike, incidence_rad: npt.ArrayLike, variance: npt.ArrayLike) -> Array:
    """Return the reflectance factor of mirror facets with normally distributed slopes, seen along the beam.

    Only facets at right angles to the beam return it, each with its reflectance straight on: with the density of
    slopes p = exp(-tan^2 / s2) / (pi s2) the factor is share exp(-tan^2 / s2) / (4 s2 cos^6) (Torrance and Sparrow
    1967, J. Opt. Soc. Am. 57:1105-1114, along one line of sight, slopes as by Cox and Munk 1954).

    Parameters
    ----------
    share : array_like
        Light that one facet mirrors straight on, 0-1.
    incidence_rad : array_like
        Angle between beam and the normal of the mean surface [rad]; nothing returns from pi / 2 on.
    variance : array_like
        Mean square slope s2 of the facets, above 0.
    """
    angle = np.abs(np.asarray(incidence_rad, dtype=np.float64))
    faces = np.cos(angle) > 1e-6
    cos = np.where(faces, np.cos(angle), 1.0)
    spread = np.asarray(variance, dtype=np.float64)
    lobe = np.asarray(share) * np.exp(-(cos**-2 - 1) / spread) / (4 * spread * cos**6)
    return np.asarray(np.where(faces, lobe, 0.0))


def both_faces(share: npt.ArrayLike) -> Array:
    """Return what a clear pane mirrors by both its faces together, echoes between them included: 2 R / (1 + R)."""
    face = np.asarray(share, dtype=np.float64)
    return np.asarray(2 * face / (1 + face))


def behind_glass(pane: Surface, wavelength_nm: npt.ArrayLike, incidence_rad: npt.ArrayLike) -> Array:
    """Return the reflectance factor of what lies behind a pane: its own, times the pane's transmission squared.

    The range measured is that of what lies behind, a little longer than to the pane; it is counted as the pane's. Off
    the normal both faces mirror more, so less passes: the stated transmission is scaled by 1 - `both_faces` against
    its value straight on.

    Parameters
    ----------
    pane : Surface
        Of kind glass.
    wavelength_nm, incidence_rad : array_like
        Wavelength [nm] and angle from the pane's normal [rad], broadcast.
    """
    if pane.transmittance is None:
        msg = f"kind {pane.kind} is not looked through"
        raise ValueError(msg)
    straight, slant = (1 - both_faces(fresnel(angle, GLASS_INDEX)) for angle in (0.0, incidence_rad))
    passed = reflectance_at(pane.transmittance, wavelength_nm) * slant / straight
    return np.asarray(passed**2 * reflectance_at(pane.behind or BEHIND_GLASS, wavelength_nm))


def covered(surface: Surface, coat: Surface) -> Surface:
    """Return what light meets when frost lies on a surface: the coat, save on water, which stays open."""
    return surface if surface.kind == "water" else coat


def matt_reflectance(
    surface: Surface, wavelength_nm: npt.ArrayLike, *, wet: bool = False, film_mm: float | None = None
) -> Array:
    """Return the matt part of a surface's reflectance, 0-1, dry or wet.

    Wet, a surface that soaks is darkened by `wetted`, and any but water by absorption in its film of water, of its
    own thickness unless `film_mm` [mm] is given.
    """
    rho = reflectance_at(surface.reflectance, wavelength_nm)
    if not wet or surface.kind == "water":
        return rho
    return (wetted(rho) if surface.soaks else rho) * _film(surface, wavelength_nm, film_mm)


def _film(surface: Surface, wavelength_nm: npt.ArrayLike, film_mm: float | None) -> Array:
    return film_transmission(surface.wet_film_mm if film_mm is None else film_mm, wavelength_nm)


def reflectance_factor(
    surface: Surface,
    wavelength_nm: npt.ArrayLike,
    incidence_rad: npt.ArrayLike,
    *,
    wet: bool = False,
    film_mm: float | None = None,
    wind_mps: float = 0.0,
) -> Array:
    """Return the reflectance factor of a surface for the range equation: matt part, mirror lobe, what shows through.

    Parameters
    ----------
    surface : Surface
        The class of cover.
    wavelength_nm, incidence_rad : array_like
        Wavelength [nm], and angle between beam and normal [rad]; broadcast.
    wet, film_mm : bool, float or None
        Whether the surface is wet, and the thickness of the water on it [mm], None as the class says.
    wind_mps : float
        Wind over water [m/s].

    Returns
    -------
    ndarray
        0 or above, of the broadcast shape; above 1 only where facets mirror. Of glass with what lies behind it.
    """
    matt = matt_reflectance(surface, wavelength_nm, wet=wet, film_mm=film_mm)
    if surface.kind == "diffuse":
        return np.broadcast_arrays(matt, np.asarray(incidence_rad))[0].copy()
    if surface.kind == "water":
        share = fresnel(0.0, water_index(wavelength_nm))
    elif surface.kind == "glass":
        share = both_faces(fresnel(0.0, GLASS_INDEX))
        film = _film(surface, wavelength_nm, film_mm) if wet else 1.0
        matt = matt + behind_glass(surface, wavelength_nm, incidence_rad) * film
    else:
        share = reflectance_at(surface.mirror or (0.0, 0.0, 0.0), wavelength_nm)
    variance = slope_variance(wind_mps) if surface.facet_variance is None else surface.facet_variance
    return np.asarray(matt + facet_lobe(share, incidence_rad, variance))
