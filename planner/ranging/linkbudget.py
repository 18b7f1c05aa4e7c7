"""How far the light reaches: range scaling by reflectance, incidence and air.

Lives here: extinction and the longest range to a surface. Must not know terrain or trajectories.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from planner.equipment import RangeRating
from planner.ranging.air import extinction_per_m
from planner.ranging.detection import Seeing
from planner.ranging.rangelaw import clear_air_limit_m, longest_range_m, strength_m

Array = npt.NDArray[np.float64]


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
    seeing : Seeing or None
        How surely a signal is seen; None for a hard edge at the longest range.
    zone_m, blind_before_m, blind_after_m : float
        Length of a zone of range, c over twice the pulse rate, and the ranges lost before and after its end [m].
    """

    strength_m: float
    extinction_per_m: float
    reflectance: float
    min_range_m: float
    longest_valid_m: float = np.inf
    ambiguity_m: float = np.inf
    returns_per_pulse: int = 1
    seeing: Seeing | None = None
    zone_m: float = np.inf
    blind_before_m: float = 0.0
    blind_after_m: float = 0.0

    def longest_m(self, cos_incidence: npt.ArrayLike) -> Array:
        """Return the longest valid range [m] for cosines of incidence, any shape; 0 where the surface faces away."""
        limit = clear_air_limit_m(self.strength_m, self.reflectance, cos_incidence)
        reach = longest_range_m(limit, self.extinction_per_m)
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
    return Reach(
        strength_m=float(strength_m(rating.range_m, rating.reflectance, rated_air)),
        extinction_per_m=extinction_per_m(wavelength_nm, visibility_km),
        reflectance=rating.reflectance if reflectance is None else reflectance,
        min_range_m=min_range_m,
    )
