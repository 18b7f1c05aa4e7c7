"""Ratings of one pulse rate against one another.

Marks: [M] from memory of the source, [C] computed from the formula shown.
"""

import math
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from planner.equipment import RangeRating
from planner.files.cards import bundled, load_sensor
from planner.ranging.ratings import by_rate, consistency, rated_strength_m, weakest

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
    assert "all are taken from the 450 m at 80%" in str(pair)


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
    least = min(rated_strength_m(one, 905) for one in (pair.dim, pair.bright))
    assert rated_strength_m(pair.trusted, 905) == least
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


def test_light_that_differs_is_not_compared_and_the_day_is_trusted():
    # What the sun takes is the receiver's: twice the range by night is no contradiction.
    by_night, by_day = rated(400, 0.1, light="night"), rated(560, 0.8)
    assert consistency([by_night, by_day], 905) is None
    assert weakest([by_night, by_day], 905) is by_day


def test_one_reflectance_says_nothing_of_consistency():
    twice = [rated(300, 0.2), rated(280, 0.2, visibility_km=40)]
    assert consistency(twice, 905) is None
    assert weakest(twice, 905).range_m == 280


def test_of_three_the_weakest_is_held_against_the_boldest():
    three = [rated(200, 0.1), rated(220, 0.2), rated(600, 0.8)]
    said = consistency(three, 905)
    assert said is not None
    assert (said.dim, said.bright, said.trusted) == (three[1], three[2], three[1])
    assert said.verdict == "bright goes too far"
    assert said.off_pct == pytest.approx(100 * (said.stated_ratio / said.expected_ratio - 1))


def card(*ratings):
    return replace(load_sensor("E", Path()), ratings=ratings)


def test_bundled_cards_are_trusted_as_the_first_rating_of_each_rate_stands():
    for name in bundled("sensors"):
        sensor = load_sensor(name, Path())
        alone = {rate: [one for one in sensor.ratings if one.pulse_rate_hz == rate] for rate in sensor.pulse_rates_hz}
        for rate, rating in by_rate(sensor).items():
            assert rating == alone[rate][0]


def test_the_dim_rating_is_trusted_where_the_bright_one_goes_too_far():
    dim, bright = rated(200, 0.1, laser_class="1"), rated(700, 0.8, hazard_distance_m=3.0, pulse_energy_uj=0.5)
    [trusted] = by_rate(card(dim, bright)).values()
    # what either states of the laser holds for the pulse rate
    assert trusted == replace(dim, hazard_distance_m=3.0, pulse_energy_uj=0.5)


def test_a_bright_rating_that_is_trusted_is_stated_anew_for_the_dark_target():
    # 450 m at 80 % in clear air is 450 / sqrt(8) = 159.1 m at 10 % [C]
    clear = {"visibility_km": 1e6}
    [trusted] = by_rate(card(rated(200, 0.1, **clear), rated(450, 0.8, **clear))).values()
    assert trusted.reflectance == 0.1
    assert trusted.range_m == pytest.approx(450 / math.sqrt(8), rel=1e-4)


@LAW
@given(
    st.lists(
        st.builds(
            rated,
            st.floats(20, 1000),
            st.sampled_from([0.05, 0.1, 0.2, 0.6, 0.8]),
            visibility_km=st.floats(1, 80),
            light=st.sampled_from(["day", "night"]),
        ),
        min_size=1,
        max_size=5,
        unique_by=lambda one: (one.reflectance, one.visibility_km, one.light),
    )
)
def test_the_trusted_rating_promises_no_more_than_any_and_counts_unknown_ground_as_dark(ratings):
    sensor = card(*ratings)
    [trusted] = by_rate(sensor).values()
    least = min(rated_strength_m(one, sensor.wavelength_nm) for one in ratings)
    assert rated_strength_m(trusted, sensor.wavelength_nm) == pytest.approx(least, rel=1e-9)
    assert trusted.reflectance == min(one.reflectance for one in ratings)


def test_each_rate_is_trusted_apart_in_the_order_of_the_card():
    slow, fast = rated(300, 0.1, pulse_rate_hz=5e4), rated(200, 0.1)
    sensor = card(fast, slow, rated(500, 0.8), rated(700, 0.8, pulse_rate_hz=5e4))
    assert sensor.pulse_rates_hz == (1e5, 5e4)
    assert list(by_rate(sensor)) == [1e5, 5e4]
    assert by_rate(sensor)[5e4].range_m < 300
    assert by_rate(sensor)[1e5].range_m < 200
