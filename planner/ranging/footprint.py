"""How wide a beam is where it lands, and how much of it a small thing catches.

Lives here: beam widths, the ellipse on a slope, and the share of light on discs and wires. Must not know sensors,
ranges that can be reached, or terrain.

Angles are in radians, lengths in metres; arguments are numbers or arrays of any shape that broadcast. The width of a
Gaussian beam is its diameter by 1/e2.
"""

import math
from typing import Literal

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]

Profile = Literal["gaussian", "top_hat"]

TO_1_E2 = {"1/e2": 1.0, "1/e": math.sqrt(2), "fwhm": math.sqrt(2 / math.log(2))}
"""Gaussian diameter (or divergence) by 1/e2 for one stated by another width."""

ROUND_WIRE, BALL = math.pi / 4, 2 / 3
"""Light that a diffuse round wire or ball sends back, for that of a flat face as large: own derivation (the mean of
cos(incidence) over what is seen). To be multiplied with its reflectance."""

_erf = np.vectorize(math.erf, otypes=[np.float64])


def _floats(values: npt.ArrayLike) -> Array:
    return np.asarray(values, dtype=np.float64)


def beam_width_m(range_m: npt.ArrayLike, divergence_rad: npt.ArrayLike, exit_m: npt.ArrayLike = 0.0) -> Array:
    """Return the width of a beam across its direction [m]: width at the exit plus full divergence times range."""
    return np.asarray(_floats(exit_m) + _floats(divergence_rad) * _floats(range_m))


def waist_width_m(range_m: npt.ArrayLike, divergence_rad: npt.ArrayLike, waist_m: npt.ArrayLike) -> Array:
    """Return the width of a beam with its waist at the exit [m]: the root of the sum of squares of the two."""
    return np.hypot(_floats(waist_m), _floats(divergence_rad) * _floats(range_m))


def enclosed_share(diameter_m: npt.ArrayLike, width_m: npt.ArrayLike) -> Array:
    """Return the share of a Gaussian beam inside a centred circle: 1 - exp(-2 (D / w)^2)."""
    return np.asarray(-np.expm1(-2 * (_floats(diameter_m) / _floats(width_m)) ** 2))


def footprint_axes_m(width_m: npt.ArrayLike, incidence_rad: npt.ArrayLike) -> tuple[Array, Array]:
    """Return the minor and major axes of the footprint on a plane [m]: w, and w / cos(incidence) along the slope."""
    width, tilt = np.broadcast_arrays(_floats(width_m), _floats(incidence_rad))
    return width, np.asarray(width / np.cos(tilt))


def flat_footprint_m(
    agl_m: npt.ArrayLike, divergence_rad: npt.ArrayLike, scan_rad: npt.ArrayLike
) -> tuple[Array, Array]:
    """Return the footprint on flat ground [m], across the scan plane and in it.

    H phi / cos(psi) and H (tan(psi + phi / 2) - tan(psi - phi / 2)), the latter close to H phi / cos^2(psi)
    (Baltsavias 1999, ISPRS J. 54:199-214), for a scan angle psi from straight down and a full divergence phi.
    """
    height, half, scan = _floats(agl_m), _floats(divergence_rad) / 2, _floats(scan_rad)
    across = 2 * height * half / np.cos(scan)
    within = height * (np.tan(scan + half) - np.tan(scan - half))
    return np.asarray(across), np.asarray(within)


def depth_m(width_m: npt.ArrayLike, incidence_rad: npt.ArrayLike) -> Array:
    """Return by how much range differs from one end of the footprint to the other [m]: w tan(incidence).

    The echo is drawn out by the time light needs there and back; half of it, either way, is the doubt of where within
    the footprint a detector triggers (Baltsavias 1999, ISPRS J. 54:199-214).
    """
    return np.asarray(_floats(width_m) * np.tan(_floats(incidence_rad)))


def peak_share(pulse_s: npt.ArrayLike, stretch_s: npt.ArrayLike) -> Array:
    """Return the peak of an echo that a slope drew out, for one that it did not: t / sqrt(t^2 + dt^2)."""
    pulse = _floats(pulse_s)
    return np.asarray(pulse / np.hypot(pulse, _floats(stretch_s)))


def disc_share(diameter_m: npt.ArrayLike, width_m: npt.ArrayLike, profile: Profile = "gaussian") -> Array:
    """Return the share of a beam's light on a small round target at its centre.

    (D / w)^2 of an even beam, at most all of it; `enclosed_share` of a Gaussian one.
    """
    if profile == "gaussian":
        return enclosed_share(diameter_m, width_m)
    return np.asarray(np.minimum(_floats(diameter_m) / _floats(width_m), 1.0) ** 2)


def wire_share(diameter_m: npt.ArrayLike, width_m: npt.ArrayLike, profile: Profile = "gaussian") -> Array:
    """Return the share of a beam's light on a wire that crosses its centre.

    Of a Gaussian beam erf(sqrt(2) d / w), for a thin wire 1.596 d / w; of an even one the strip of a circle,
    for a thin wire 4 d / (pi w). Off the centre a Gaussian beam puts less on it.
    """
    part = _floats(diameter_m) / _floats(width_m)
    if profile == "gaussian":
        return np.asarray(_erf(math.sqrt(2) * part))
    part = np.minimum(part, 1.0)
    return np.asarray(2 / np.pi * (np.arcsin(part) + part * np.sqrt(1 - part**2)))
