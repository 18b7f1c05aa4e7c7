"""How far the light reaches: range scaling by reflectance, incidence and air.

Lives here: extinction and the longest range to a surface. Must not know terrain or trajectories.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from planner.equipment import RangeRating

Array = npt.NDArray[np.float64]

CONTRAST_CONSTANT = 3.912  # ln(1 / 0.02): Koschmieder, visibility by 2 % contrast


def extinction_per_m(wavelength_nm: float, visibility_km: float) -> float:
    """Return the extinction coefficient of air [1/m].

    Kim, McArthur and Korevaar, SPIE 4214:26-37 (2001): (3.912 / V) (wavelength / 550 nm)^-q with q by visibility V
    [km] as 1.6 (V >= 50), 1.3 (6-50), 0.16 V + 0.34 (1-6), V - 0.5 (0.5-1), 0 below.
    """
    v = visibility_km
    if v >= 50:
        q = 1.6
    elif v >= 6:
        q = 1.3
    elif v >= 1:
        q = 0.16 * v + 0.34
    else:
        q = max(v - 0.5, 0.0)
    return float(CONTRAST_CONSTANT / v * (wavelength_nm / 550) ** -q / 1000)


@dataclass(frozen=True)
class Reach:
    """The range limits of a sensor at one pulse rate, in the air of the day.

    A pulse comes back where R exp(a R) <= strength sqrt(reflectance cos(incidence)): the range equation for an
    extended diffuse surface, solved for range (Baltsavias 1999, ISPRS J. 54:199-214; Wehr and Lohr 1999,
    ISPRS J. 54:68-82).

    Attributes
    ----------
    strength_m : float
        Constant of the sensor, fixed by one rated range [m].
    extinction_per_m : float
        Extinction coefficient a of the air [1/m].
    reflectance : float
        Reflectance taken for the surface, 0-1.
    min_range_m : float
        Shortest valid range [m].
    longest_valid_m, ambiguity_m : float
        Longest range that the principle of ranging can measure, and the range past which it takes one distance for
        another, however much light returns [m].
    returns_per_pulse : int
        Most returns kept of one pulse.
    """

    strength_m: float
    extinction_per_m: float
    reflectance: float
    min_range_m: float
    longest_valid_m: float = np.inf
    ambiguity_m: float = np.inf
    returns_per_pulse: int = 1

    def longest_m(self, cos_incidence: npt.ArrayLike) -> Array:
        """Return the longest valid range [m] for cosines of incidence, any shape; 0 where the surface faces away."""
        limit = self.strength_m * np.sqrt(self.reflectance * np.clip(cos_incidence, 0.0, 1.0))
        a = self.extinction_per_m
        reach = limit / (1 + a * limit)
        for _ in range(20):  # Newton on R exp(a R) = limit; converges quadratically from below or above
            growth = np.exp(a * reach)
            reach = reach - (reach * growth - limit) / (growth * (1 + a * reach))
        return np.asarray(np.minimum(reach, min(self.longest_valid_m, self.ambiguity_m)))


def reach_of(
    rating: RangeRating,
    wavelength_nm: float,
    min_range_m: float,
    visibility_km: float,
    reflectance: float | None = None,
) -> Reach:
    """Return the reach of a rated pulse rate in air of the given visibility [km].

    `reflectance` of the surface is the one the rating was stated for unless given.
    """
    rated_air = extinction_per_m(wavelength_nm, rating.visibility_km)
    strength = rating.range_m * np.exp(rated_air * rating.range_m) / np.sqrt(rating.reflectance)
    return Reach(
        strength_m=float(strength),
        extinction_per_m=extinction_per_m(wavelength_nm, visibility_km),
        reflectance=rating.reflectance if reflectance is None else reflectance,
        min_range_m=min_range_m,
    )
