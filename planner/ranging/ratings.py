"""Whether the ranges that a maker states for several reflectances agree with one another.

Lives here: the consistency test of a card's ratings at one pulse rate, and the one to trust. Must not know flights.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from planner.equipment import RangeRating
from planner.ranging.air import extinction_per_m
from planner.ranging.rangelaw import clear_air_limit_m, longest_range_m, strength_m

AGREE = 0.03
"""Part by which stated and expected ratio may differ: ranges are printed to two or three digits."""

Verdict = Literal["agree", "bright falls short", "bright goes too far"]


@dataclass(frozen=True)
class Consistency:
    """What two ratings of one pulse rate say of each other.

    Attributes
    ----------
    dim, bright : RangeRating
        The ratings of the darkest and of the brightest target.
    expected_ratio : float
        Range to the bright target for that to the dim one, by the range equation from the dim one: in clear air and
        like light sqrt(bright / dim reflectance).
    stated_ratio : float
        The same, as stated.
    exponent : float
        Power of range, beside air, by which the signal would have to fall for both to hold; 2 by the range equation.
    verdict : {"agree", "bright falls short", "bright goes too far"}
        Falls short: something else than light ends the range to bright targets (memory of the receiver, ambiguity of
        range, a rounded figure). Goes too far: one of the figures is wrong, or the two were stated for different
        conditions.
    trusted : RangeRating
        The one that promises less: ranges to other surfaces are to be taken from it.
    """

    dim: RangeRating
    bright: RangeRating
    expected_ratio: float
    stated_ratio: float
    exponent: float
    verdict: Verdict
    trusted: RangeRating

    def __str__(self) -> str:
        """Return the outcome in a sentence."""
        return (
            f"ranges to {self.bright.reflectance:.0%} and {self.dim.reflectance:.0%} reflectance stand as "
            f"{self.stated_ratio:.3f}, {self.expected_ratio:.3f} expected ({self.verdict}; signal falls by range to "
            f"the power {self.exponent:.2f}); ranges are taken from the rating at {self.trusted.reflectance:.0%}"
        )


def night_strength_m(rating: RangeRating, wavelength_nm: float, day_noise: float = 1.0) -> float:
    """Return the strength of a rating by night [m]: one stated in daylight is stronger by the root of the noise of day.

    `day_noise` is the noise in the daylight of the rating for that at night.
    """
    air = extinction_per_m(wavelength_nm, rating.visibility_km)
    return float(strength_m(rating.range_m, rating.reflectance, air)) * math.sqrt(_noise(rating, day_noise))


def weakest(ratings: Sequence[RangeRating], wavelength_nm: float, day_noise: float = 1.0) -> RangeRating:
    """Return the rating that promises least: the one that ranges to all surfaces are to be taken from."""
    return min(ratings, key=lambda rating: night_strength_m(rating, wavelength_nm, day_noise))


def consistency(ratings: Sequence[RangeRating], wavelength_nm: float, day_noise: float = 1.0) -> Consistency | None:
    """Return what the darkest and the brightest of the ratings of one pulse rate say of each other.

    Parameters
    ----------
    ratings : sequence of RangeRating
        Ratings of one pulse rate.
    wavelength_nm : float
        Laser wavelength [nm].
    day_noise : float
        Noise in daylight for that at night; needed where the ratings were stated in different light.

    Returns
    -------
    Consistency or None
        None where all ratings are for one reflectance.
    """
    dim, bright = (pick(ratings, key=lambda rating: rating.reflectance) for pick in (min, max))
    if dim.reflectance == bright.reflectance:
        return None
    dim_air, bright_air = (extinction_per_m(wavelength_nm, one.visibility_km) for one in (dim, bright))
    noise = _noise(bright, day_noise) / _noise(dim, day_noise)
    strength = strength_m(dim.range_m, dim.reflectance, dim_air) / math.sqrt(noise)
    expected = float(longest_range_m(clear_air_limit_m(strength, bright.reflectance), bright_air)) / dim.range_m
    stated = bright.range_m / dim.range_m
    gained = math.log(bright.reflectance / dim.reflectance / noise)
    lost_in_air = 2 * (bright_air * bright.range_m - dim_air * dim.range_m)
    return Consistency(
        dim=dim,
        bright=bright,
        expected_ratio=expected,
        stated_ratio=stated,
        exponent=(gained - lost_in_air) / math.log(stated) if stated != 1 else math.inf,
        verdict=_verdict(stated / expected),
        trusted=weakest((dim, bright), wavelength_nm, day_noise),
    )


def _noise(rating: RangeRating, day_noise: float) -> float:
    """Return the noise in the light of a rating, for that at night."""
    return day_noise if rating.light == "day" else 1.0


def _verdict(stated_for_expected: float) -> Verdict:
    if abs(stated_for_expected - 1) <= AGREE:
        return "agree"
    return "bright falls short" if stated_for_expected < 1 else "bright goes too far"
