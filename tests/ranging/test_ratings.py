"""Ratings of one pulse rate against one another.

Marks: [M] from memory of the source, [C] computed from the formula shown.
"""

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from planner.equipment import RangeRating
from planner.ranging.ratings import consistency, night_strength_m, weakest

LAW = settings(deadline=None, max_examples=60)


def rated(range_m, reflectance, **changes):
    return RangeRating(**({"pulse_rate_hz": 1e5, "range_m": range_m, "reflectance": reflectance} | changes))


@pytest.mark.parametrize(
    ("wavelength_nm", "dim_m"),
    # Range to 10 % of a card that reaches 1000 m to 80 %, Kim air at 23 km [C]
    [(905, 373.82), (1064, 369.99), (1550, 363.65)],
)
def test_a_pair_by_the_range_equation_agrees(wavelength_nm, dim_m):
    pair = consistency([rated(1000, 0.8), rated(dim_m, 0.1)], wavelength_nm)
    assert pair is not None
    assert pair.verdict == "agree"
    assert pair.stated_ratio == pytest.approx(pair.expected_ratio, rel=5e-5)
    assert pair.exponent == pytest.approx(2, abs=2e-4)
    assert pair.dim.reflectance == 0.1


def test_a_pair_in_clear_air_stands_as_the_root_of_reflectance():
    # R80 / R10 = 2.828 without air [C]
    pair = consistency([rated(100, 0.1, visibility_km=1e6), rated(282.8, 0.8, visibility_km=1e6)], 1550)
    assert pair is not None
    assert pair.expected_ratio == pytest.approx(2.828, abs=5e-4)
    assert pair.verdict == "agree"


def test_a_bright_range_cut_short_is_the_one_to_trust():
    pair = consistency([rated(200, 0.1), rated(450, 0.8)], 905)
    assert pair is not None
    assert pair.verdict == "bright falls short"
    assert pair.stated_ratio == 2.25 < pair.expected_ratio
    assert pair.exponent > 2
    assert pair.trusted is pair.bright
    assert "bright falls short" in str(pair)
    assert "ranges are taken from the rating at 80%" in str(pair)


def test_a_bright_range_that_goes_too_far_is_not_trusted():
    pair = consistency([rated(200, 0.1), rated(700, 0.8)], 905)
    assert pair is not None
    assert pair.verdict == "bright goes too far"
    assert pair.exponent < 2
    assert pair.trusted is pair.dim


@LAW
@given(st.floats(20, 1000), st.floats(20, 1000), st.floats(0.02, 0.45), st.floats(0.5, 1), st.floats(1, 80))
def test_the_trusted_rating_promises_no_more_than_the_other(dim_m, bright_m, dark, light, visibility_km):
    pair = consistency(
        [rated(dim_m, dark, visibility_km=visibility_km), rated(bright_m, light, visibility_km=visibility_km)], 905
    )
    assert pair is not None
    least = min(night_strength_m(one, 905) for one in (pair.dim, pair.bright))
    assert night_strength_m(pair.trusted, 905) == least
    assert (pair.trusted is pair.dim) == (pair.stated_ratio >= pair.expected_ratio * (1 - 1e-12)) or (
        pair.stated_ratio == pytest.approx(pair.expected_ratio)
    )
    # Only where bright is stated farther does the power of range tell which: less than 2, too far.
    if pair.stated_ratio > 1 and pair.verdict != "agree":
        assert (pair.exponent < 2) == (pair.verdict == "bright goes too far")


def test_equal_ranges_have_no_power_of_range():
    pair = consistency([rated(200, 0.1), rated(200, 0.8)], 905)
    assert pair is not None
    assert pair.exponent == math.inf
    assert pair.verdict == "bright falls short"


def test_light_is_allowed_for():
    # Noise of day 4 times that of night halves the range in clear air.
    by_night = rated(400, 0.1, light="night", visibility_km=1e6)
    by_day = rated(200 * math.sqrt(8), 0.8, light="day", visibility_km=1e6)
    pair = consistency([by_night, by_day], 905, day_noise=4.0)
    assert pair is not None
    assert pair.verdict == "agree"
    assert pair.exponent == pytest.approx(2, abs=1e-3)
    unaware = consistency([by_night, by_day], 905)
    assert unaware is not None
    assert unaware.verdict == "bright falls short"


def test_one_reflectance_says_nothing_of_consistency():
    twice = [rated(300, 0.2), rated(280, 0.2)]
    assert consistency(twice, 905) is None
    assert weakest(twice, 905).range_m == 280
