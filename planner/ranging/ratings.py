"""Several ranges that a maker states at one pulse rate: the one to trust, and whether they agree.

Lives here: the one rating of a pulse rate that reaches are taken from, and the consistency test of all. Must not know
flights.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

from planner.equipment import LaserClass, RangeRating, Sensor
from planner.ranging.air import extinction_per_m
from planner.ranging.rangelaw import clear_air_limit_m, longest_range_m, strength_m

AGREE = 0.03
"""Part by which stated and expected ratio may differ: ranges are printed to two or three digits."""

Verdict = Literal["agree", "bright falls short", "bright goes too far"]


@dataclass(frozen=True)
class Consistency:
    """What the two ratings of one pulse rate that differ most say of each other.

    Attributes
    ----------
    dim, bright : RangeRating
        That of the darker and that of the brighter target.
    expected_ratio : float
        Range to the bright target for that to the dim one, by the range equation from the dim one: in clear air
        sqrt(bright / dim reflectance).
    stated_ratio : float
        The same, as stated.
    exponent : float
        Power of range, beside air, by which the signal would have to fall for both to hold; 2 by the range equation.
    verdict : {"agree", "bright falls short", "bright goes too far"}
        Falls short: something else than light ends the range to bright targets (memory of the receiver, ambiguity of
        range, a rounded figure). Goes too far: one of the figures is wrong, or the two were stated for different
        conditions.
    trusted : RangeRating
        The one that promises less: ranges to all surfaces are taken from it.
    """

    dim: RangeRating
    bright: RangeRating
    expected_ratio: float
    stated_ratio: float
    exponent: float
    verdict: Verdict
    trusted: RangeRating

    @property
    def off_pct(self) -> float:
        """By how much the stated ratio misses the expected one [percent of it]."""
        return 100 * abs(self.stated_ratio / self.expected_ratio - 1)

    def __str__(self) -> str:
        """Return the outcome in a sentence."""
        return (
            f"ranges to {self.bright.reflectance:.0%} and {self.dim.reflectance:.0%} reflectance stand as "
            f"{self.stated_ratio:.2f} to 1, {self.expected_ratio:.2f} by the range equation: {self.verdict}; "
            f"all are taken from the {self.trusted.range_m:g} m at {self.trusted.reflectance:.0%}"
        )


def by_rate(sensor: Sensor) -> dict[float, RangeRating]:
    """Return the rating to trust at each pulse rate of a card [Hz], in the order of the card.

    Of several at one rate the range is taken from the one that promises least, stated anew for the darkest of their
    targets, in its own air and light: ground of unknown brightness counts as dark as that. One rated by day is
    compared as though it held at night, which makes it promise less. Class, energy and hazard distance are those that
    any of them states.
    """
    return {
        rate: _trusted([one for one in sensor.ratings if one.pulse_rate_hz == rate], sensor.wavelength_nm)
        for rate in sensor.pulse_rates_hz
    }


def weakest(ratings: Sequence[RangeRating], wavelength_nm: float) -> RangeRating:
    """Return the rating that promises least: the one that ranges to all surfaces are to be taken from."""
    return min(ratings, key=lambda rating: rated_strength_m(rating, wavelength_nm))


def rated_strength_m(rating: RangeRating, wavelength_nm: float) -> float:
    """Return the range to a white face in clear air that a rating stands for, in its own light [m]."""
    return float(strength_m(rating.range_m, rating.reflectance, extinction_per_m(wavelength_nm, rating.visibility_km)))


def _trusted(ratings: Sequence[RangeRating], wavelength_nm: float) -> RangeRating:
    """Return the ratings of one pulse rate as one."""
    weak = weakest(ratings, wavelength_nm)
    darkest = min(rating.reflectance for rating in ratings)
    range_m = (
        weak.range_m if darkest == weak.reflectance else _range_m(weak, darkest, weak.visibility_km, wavelength_nm)
    )
    classes: list[LaserClass] = [one.laser_class for one in ratings if one.laser_class != "unknown"]
    energies = [one.pulse_energy_uj for one in ratings if one.pulse_energy_uj is not None]
    distances = [one.hazard_distance_m for one in ratings if one.hazard_distance_m is not None]
    return replace(
        weak,
        range_m=range_m,
        reflectance=darkest,
        laser_class=classes[0] if classes else "unknown",
        pulse_energy_uj=energies[0] if energies else None,
        hazard_distance_m=distances[0] if distances else None,
    )


def _range_m(rating: RangeRating, reflectance: float, visibility_km: float, wavelength_nm: float) -> float:
    """Return the range [m] to another reflectance in another air that follows from a rating."""
    limit_m = clear_air_limit_m(rated_strength_m(rating, wavelength_nm), reflectance)
    return float(longest_range_m(limit_m, extinction_per_m(wavelength_nm, visibility_km)))


def consistency(ratings: Sequence[RangeRating], wavelength_nm: float) -> Consistency | None:
    """Return what the ratings of one pulse rate say of each other.

    The one that promises least is held against the one that promises most, of another reflectance and in like light:
    what sunlight takes is the receiver's, which a card need not state.

    Parameters
    ----------
    ratings : sequence of RangeRating
        Ratings of one pulse rate.
    wavelength_nm : float
        Laser wavelength [nm].

    Returns
    -------
    Consistency or None
        None where no other is of another reflectance than the one that promises least, in like light.
    """
    trusted = weakest(ratings, wavelength_nm)
    others = [one for one in ratings if one.light == trusted.light and one.reflectance != trusted.reflectance]
    if not others:
        return None
    boldest = max(others, key=lambda rating: rated_strength_m(rating, wavelength_nm))
    dim, bright = sorted((trusted, boldest), key=lambda rating: rating.reflectance)
    expected = _range_m(dim, bright.reflectance, bright.visibility_km, wavelength_nm) / dim.range_m
    stated = bright.range_m / dim.range_m
    dim_air, bright_air = (extinction_per_m(wavelength_nm, one.visibility_km) for one in (dim, bright))
    gained = math.log(bright.reflectance / dim.reflectance)
    lost_in_air = 2 * (bright_air * bright.range_m - dim_air * dim.range_m)
    return Consistency(
        dim=dim,
        bright=bright,
        expected_ratio=expected,
        stated_ratio=stated,
        exponent=(gained - lost_in_air) / math.log(stated) if stated != 1 else math.inf,
        verdict=_verdict(stated / expected),
        trusted=trusted,
    )


def _verdict(stated_for_expected: float) -> Verdict:
    if abs(stated_for_expected - 1) <= AGREE:
        return "agree"
    return "bright falls short" if stated_for_expected < 1 else "bright goes too far"
