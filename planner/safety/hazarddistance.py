"""From how far on a beam is weak enough: its width, the light through an aperture, and the distance that follows.

Lives here: beams of any stated width, closed forms of the hazard distance, the search for it, optical aids. Must not
know limits, trains of pulses or sensors.

Lengths in metres, full angles in radians. No credit is given for air, unless a function says so.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

from planner.equipment import DivergenceWidth
from planner.ranging.footprint import TO_1_E2, Profile

Array = npt.NDArray[np.float64]
Growth = Literal["linear", "quadratic"]
Pair = tuple[float, float]

NEAREST_M, FARTHEST_M = 0.1, 1e6
"""No eye comes nearer to the scanner's vertex (IEC 60825-1:2014 table 10, from memory); farther none is looked for."""
_STEPS = 1700
_ZOOMS, _PARTS = 3, 200  # to a part in a thousand million


@dataclass(frozen=True)
class Beam:
    """A beam as it is stated.

    Attributes
    ----------
    divergence_rad, exit_m : tuple of float
        Full divergence [rad] and width at the exit [m] along two axes.
    width : {"1/e2", "1/e", "fwhm"}
        What a width of a Gaussian beam means; a top hat is as wide as it is.
    profile : {"gaussian", "top_hat"} or None
        How light is spread; None is unknown, and whichever puts more light into an aperture is taken.
    """

    divergence_rad: Pair
    exit_m: Pair = (0.0, 0.0)
    width: DivergenceWidth = "1/e2"
    profile: Profile | None = "gaussian"

    def mean_width_m(self, range_m: npt.ArrayLike, growth: Growth) -> Array:
        """Return the geometric mean of the two stated widths at ranges [m].

        Linear: exit plus divergence times range. Quadratic: a waist at the exit, the root of the sum of squares, which
        is never wider.
        """
        distance = np.asarray(range_m, dtype=np.float64)
        grow = np.add if growth == "linear" else np.hypot
        one, other = (grow(at, angle * distance) for at, angle in zip(self.exit_m, self.divergence_rad, strict=True))
        return np.asarray(np.sqrt(one * other))

    def widest_m(self, range_m: npt.ArrayLike) -> Array:
        """Return the wider axis of the beam at ranges [m], by 1/e2 and growing linearly: what crosses an eye."""
        distance = np.asarray(range_m, dtype=np.float64)
        spread = 1.0 if self.profile == "top_hat" else TO_1_E2[self.width]
        one, other = (at + angle * distance for at, angle in zip(self.exit_m, self.divergence_rad, strict=True))
        return np.asarray(spread * np.maximum(one, other))

    def share(self, aperture_m: npt.ArrayLike, range_m: npt.ArrayLike, growth: Growth = "quadratic") -> Array:
        """Return the share of the beam's light that goes through a centred round aperture [m], any shapes.

        1 - exp(-(D / d)^2) of a Gaussian beam, d its width by 1/e; (D / w)^2 of a top hat, at most all. An elliptical
        beam counts as a round one of the same area, which puts no less light through any round aperture.
        """
        with np.errstate(divide="ignore"):
            part = (np.asarray(aperture_m, dtype=np.float64) / self.mean_width_m(range_m, growth)) ** 2
        shares = []
        if self.profile != "top_hat":
            shares.append(-np.expm1(-part * 2 / TO_1_E2[self.width] ** 2))
        if self.profile != "gaussian":
            shares.append(np.minimum(part, 1.0))
        return np.asarray(np.max(shares, axis=0))


@dataclass(frozen=True)
class OpticalAid:
    """Glasses that gather light into an eye; 7x50 is the usual case (ANSI Z136.1, from memory)."""

    magnification: float = 7.0
    objective_m: float = 0.05

    def collecting_m(self, aperture_m: npt.ArrayLike) -> Array:
        """Return the diameter whose light goes through an eye's aperture [m]: at most the objective.

        Its square over that of the aperture is the gain min(M^2, (D0 / Da)^2).
        """
        return np.asarray(np.minimum(self.magnification * np.asarray(aperture_m, dtype=np.float64), self.objective_m))

    def gain(self, aperture_m: float) -> float:
        """Return how much more light of a wide beam goes through an eye's aperture [m], glass taken as clear."""
        return float((self.collecting_m(aperture_m) / aperture_m) ** 2)


def aid_transmission(wavelength_nm: float) -> float:
    """Return the share of light that glasses let pass: 0.9 to 700 nm, 0.7 above (ANSI Z136.1 table 9, from memory).

    Past 2800 nm glass takes nearly all; no credit is given for that.
    """
    return 0.9 if wavelength_nm < 700 else 0.7


def linear_distance_m(amount: float, limit_per_m2: float, divergence_rad: Pair, exit_m: Pair = (0.0, 0.0)) -> float:
    """Return the distance at which a Gaussian beam's axis falls to a limit, widths growing linearly [m].

    Solves (a + phi R)(b + chi R) = 4 Q / (pi H): for a round beam R = (sqrt(4 Q / (pi H)) - a) / phi (IEC TR 60825-14,
    ICAO Doc 9815, from memory).

    Parameters
    ----------
    amount, limit_per_m2 : float
        Energy and limit of exposure [J, J/m2], or power and limit of irradiance [W, W/m2].
    divergence_rad, exit_m : tuple of float
        Full divergence [rad] and width at the exit [m] by 1/e, two axes; full widths of a top hat.

    Returns
    -------
    float
        Distance [m], 0 where the limit is met at the exit.
    """
    (a, b), (phi, chi) = exit_m, divergence_rad
    short = 4 * amount / (math.pi * limit_per_m2) - a * b
    if short <= 0:
        return 0.0
    square, slope = phi * chi, a * chi + b * phi
    return (math.sqrt(slope**2 + 4 * square * short) - slope) / (2 * square)


def quadratic_distance_m(amount: float, limit_per_m2: float, divergence_rad: Pair, exit_m: Pair = (0.0, 0.0)) -> float:
    """Return the distance at which a Gaussian beam's axis falls to a limit, with a waist at the exit [m].

    Solves (a^2 + phi^2 R^2)(b^2 + chi^2 R^2) = (4 Q / (pi H))^2: for a round beam R = sqrt(4 Q / (pi H) - a^2) / phi
    (ANSI Z136.1, from memory). Arguments as for `linear_distance_m`; never less than its distance.
    """
    (a, b), (phi, chi) = [(x**2, y**2) for x, y in (exit_m, divergence_rad)]
    short = (4 * amount / (math.pi * limit_per_m2)) ** 2 - a * b
    if short <= 0:
        return 0.0
    square, slope = phi * chi, a * chi + b * phi
    return math.sqrt((math.sqrt(slope**2 + 4 * square * short) - slope) / (2 * square))


def attenuated_distance_m(
    amount: float, limit_per_m2: float, divergence_rad: Pair, exit_m: Pair, extinction_per_m: float
) -> float:
    """Return `linear_distance_m` with credit for the extinction of air [1/m]."""
    (a, b), (phi, chi) = exit_m, divergence_rad

    def over(range_m: Array) -> Array:
        peak = 4 * amount * np.exp(-extinction_per_m * range_m) / (np.pi * (a + phi * range_m) * (b + chi * range_m))
        return np.asarray(peak / limit_per_m2)

    return farthest_over_m(over, 1e-6)


def farthest_over_m(over: Callable[[Array], Array], nearest_m: float = NEAREST_M) -> float:
    """Return the farthest range at which an exposure is over its limit [m], 0 where it is nowhere.

    Parameters
    ----------
    over : callable
        Gives exposure over limit at an array of ranges [m]; it need not fall all the way.
    nearest_m : float
        Nearest range that is looked at [m].

    Returns
    -------
    float
        Range [m]; inf where the exposure is still over the limit at 1000 km.
    """
    ranges = np.geomspace(nearest_m, FARTHEST_M, _STEPS)
    beyond = np.flatnonzero(over(ranges) > 1)
    if not beyond.size:
        return 0.0
    if beyond[-1] == _STEPS - 1:
        return math.inf
    low, high = ranges[beyond[-1]], ranges[beyond[-1] + 1]
    for _ in range(_ZOOMS):
        between = np.linspace(low, high, _PARTS + 1)
        last = int(np.flatnonzero(over(between[:-1]) > 1)[-1])
        low, high = between[last], between[last + 1]
    return float(high)
