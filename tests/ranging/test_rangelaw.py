"""The range equation against published vectors, its inverse and its laws.

Marks: [R] read in the source, [M] from memory of it, [C] computed from the formula shown.
"""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from planner.ranging import rangelaw
from planner.ranging.air import haze_extinction_per_m
from planner.ranging.footprint import disc_share, wire_share
from planner.ranging.rangelaw import AREA, LINE, POINT

LAW = settings(deadline=None, max_examples=60)
LIMITS = st.floats(0.5, 20_000)
HAZES = st.floats(0, 0.05)

REFLECTANCES = (0.05, 0.10, 0.20, 0.30, 0.50, 0.60, 1.00)

# R(80 %) = 1000 m, Kim air at V = 23 km [C]
VECTORS = [
    (905, 23, (266.86, 373.82, 521.75, 632.73, 804.45, 875.66, 1107.40)),
    (1064, 23, (263.64, 369.99, 517.70, 628.98, 801.94, 873.94, 1109.26)),
    (1550, 23, (258.34, 363.65, 510.93, 622.68, 797.68, 870.98, 1112.49)),
]

# The same card's range to 10 % in haze [C]
HAZY = [(905, 5, 333.36), (905, 1, 206.12), (1064, 5, 335.75), (1064, 1, 210.32), (1550, 5, 340.53), (1550, 1, 220.87)]


def card_strength_m(wavelength_nm):
    return rangelaw.strength_m(1000, 0.8, haze_extinction_per_m(wavelength_nm, 23))


@pytest.mark.parametrize(
    ("x", "w"),
    # Defining values, and Omega (OEIS A030178) [M]
    [(0.0, 0.0), (1.0, 0.5671432904097838), (math.e, 1.0), (2 * math.e**2, 2.0), (100 * math.e**100, 100.0)],
)
def test_lambert_w_at_known_places(x, w):
    assert rangelaw.lambert_w(x) == pytest.approx(w, rel=1e-14, abs=1e-300)


@LAW
@given(st.floats(-300, 300))
def test_lambert_w_undoes_its_definition(decades):
    x = 10.0**decades
    w = float(rangelaw.lambert_w(x))
    assert math.log(w) + w == pytest.approx(math.log(x), rel=1e-13, abs=1e-13)


def test_lambert_w_agrees_with_scipy():
    special = pytest.importorskip("scipy.special")
    x = np.concatenate([[0.0], np.logspace(-300, 300, 4001), np.linspace(0, 10, 1001)])
    assert rangelaw.lambert_w(x) == pytest.approx(special.lambertw(x).real, rel=1e-14)


def test_lambert_w_outside_its_domain():
    assert np.isnan(rangelaw.lambert_w([-0.1, np.nan])).all()
    assert rangelaw.lambert_w(np.inf) == np.inf


@pytest.mark.parametrize(("wavelength_nm", "visibility_km", "ranges_m"), VECTORS)
def test_ranges_by_reflectance_match_the_vectors(wavelength_nm, visibility_km, ranges_m):
    limits = rangelaw.clear_air_limit_m(card_strength_m(wavelength_nm), REFLECTANCES)
    longest = rangelaw.longest_range_m(limits, haze_extinction_per_m(wavelength_nm, visibility_km))
    assert longest == pytest.approx(ranges_m, abs=0.006)


@pytest.mark.parametrize(("wavelength_nm", "visibility_km", "range_m"), HAZY)
def test_ranges_in_haze_match_the_vectors(wavelength_nm, visibility_km, range_m):
    limit = rangelaw.clear_air_limit_m(card_strength_m(wavelength_nm), 0.1)
    longest = rangelaw.longest_range_m(limit, haze_extinction_per_m(wavelength_nm, visibility_km))
    assert longest == pytest.approx(range_m, abs=0.006)


def test_ranges_in_clear_air_go_with_the_root_of_reflectance():
    # Wehr and Lohr 1999, ISPRS J. 54:68-82: correction sqrt(rho / 0.8), 5 % gives 0.25 [M]; the rest [C]
    limits = rangelaw.clear_air_limit_m(rangelaw.strength_m(1000, 0.8, 0.0), REFLECTANCES)
    assert rangelaw.longest_range_m(limits, 0.0) == pytest.approx(
        [250.0, 353.6, 500.0, 612.4, 790.6, 866.0, 1118.0], abs=0.05
    )
    # R80 / R10 = 2.828 [C]
    assert 1000 / rangelaw.longest_range_m(limits, 0.0)[1] == pytest.approx(2.828, abs=5e-4)


@pytest.mark.parametrize("agl_m", [50, 120, 290])
def test_usable_half_angle_over_flat_ground(agl_m):
    # acos((H / R0)^(2/3)) in clear air, R0 the range straight down [C]
    cos = (agl_m / 300) ** (2 / 3)
    longest = rangelaw.longest_range_m(rangelaw.clear_air_limit_m(300.0, 1.0, cos), 0.0)
    assert longest == pytest.approx(agl_m / cos)


@LAW
@given(LIMITS, HAZES, st.sampled_from([AREA, LINE, POINT]))
def test_the_longest_range_is_where_the_signal_meets_its_limit(limit_m, extinction_per_m, fall):
    longest = rangelaw.longest_range_m(limit_m, extinction_per_m, fall)
    assert longest <= limit_m * (1 + 1e-12)
    assert longest * np.exp(2 * extinction_per_m * longest / fall) == pytest.approx(limit_m, rel=1e-11)
    if fall == AREA:
        assert rangelaw.signal_ratio(longest, limit_m, extinction_per_m) == pytest.approx(1.0)


@LAW
@given(st.floats(5, 5000), st.floats(0.01, 1), HAZES)
def test_a_card_reaches_its_own_rating(range_m, reflectance, extinction_per_m):
    strength = rangelaw.strength_m(range_m, reflectance, extinction_per_m)
    limit = rangelaw.clear_air_limit_m(strength, reflectance)
    assert rangelaw.longest_range_m(limit, extinction_per_m) == pytest.approx(range_m)


@LAW
@given(LIMITS, HAZES, st.floats(1, 5000), st.floats(1, 5000))
def test_signals_fall_with_range(limit_m, extinction_per_m, one_m, other_m):
    near, far = rangelaw.signal_ratio(sorted((one_m, other_m)), limit_m, extinction_per_m)
    assert near >= far


@LAW
@given(LIMITS, st.floats(1e-18, 1e-9))
def test_hardly_any_haze_is_as_clear_air(limit_m, extinction_per_m):
    assert rangelaw.longest_range_m(limit_m, extinction_per_m) == pytest.approx(limit_m, rel=1e-4)


def test_shapes_broadcast_and_the_unknown_stays():
    limits = rangelaw.clear_air_limit_m(500.0, [[0.1], [0.5]], [1.0, 0.0, -0.5, np.nan])
    longest = rangelaw.longest_range_m(limits, [1e-4, 1e-4, 0.0, 1e-4])
    assert longest.shape == (2, 4)
    assert np.all(longest[:, 1:3] == 0)
    assert np.all(longest[:, 0] > 0)
    assert np.isnan(longest[:, 3]).all()


@pytest.mark.parametrize("extinction_per_m", [0.0, 9e-5, 3e-3])
@pytest.mark.parametrize("profile", ["gaussian", "top_hat"])
def test_thin_wires_and_small_targets_follow_their_closed_forms(extinction_per_m, profile):
    face_m, spread, wire_m, ball_m = 600.0, 5e-3, 1e-3, 0.02
    line_m = wire_share(1e-6, 1.0, profile) * 1e6 * wire_m / spread
    point_m2 = disc_share(1e-6, 1.0, profile) * 1e12 * (ball_m / spread) ** 2
    by_halving = rangelaw.longest_to_part_m(
        face_m, extinction_per_m, lambda range_m: wire_share(wire_m, spread * range_m, profile)
    )
    limit = rangelaw.thin_target_limit_m(face_m, line_m, LINE)
    assert by_halving == pytest.approx(rangelaw.longest_range_m(limit, extinction_per_m, LINE), rel=1e-4)
    by_halving = rangelaw.longest_to_part_m(
        face_m, extinction_per_m, lambda range_m: disc_share(ball_m, spread * range_m, profile)
    )
    limit = rangelaw.thin_target_limit_m(face_m, point_m2, POINT)
    assert by_halving == pytest.approx(rangelaw.longest_range_m(limit, extinction_per_m, POINT), rel=2e-2)


def test_wires_fall_by_the_third_and_small_targets_by_the_fourth_power():
    distance = np.array([100.0, 200.0])
    face = rangelaw.signal_ratio(distance, 500.0, 0.0)
    assert face[0] / face[1] == pytest.approx(2**2)
    wire = face * wire_share(1e-4, 1e-3 * distance)
    ball = face * disc_share(1e-4, 1e-3 * distance)
    assert wire[0] / wire[1] == pytest.approx(2**3, rel=1e-5)
    assert ball[0] / ball[1] == pytest.approx(2**4, rel=1e-5)


def test_a_wire_as_wide_as_the_beam_is_a_face():
    longest = rangelaw.longest_to_part_m(300.0, 1e-4, lambda range_m: wire_share(5.0, 1e-3 * range_m, "top_hat"))
    assert longest == pytest.approx(rangelaw.longest_range_m(300.0, 1e-4))


def test_a_target_that_returns_nothing_is_never_reached():
    limits = np.array([0.0, np.nan, 200.0])
    longest = rangelaw.longest_to_part_m(limits, 0.0, lambda range_m: wire_share(0.01, 1e-3 * range_m + 1e-3))
    assert longest[0] == 0
    assert np.isnan(longest[1])
    assert 0 < longest[2] < 200


@pytest.mark.parametrize(
    ("power_w", "range_m", "reflectance", "aperture_m", "efficiency", "extinction_per_m", "received_w"),
    # Baltsavias 1999, Wehr and Lohr 1999, ISPRS J. 54 [M], numbers [C]
    [(2000, 1000, 0.2, 0.1, 1.0, 0.0, 1.000e-6), (75, 100, 0.1, 0.040, 0.6, 8.90224e-5, 1.76824e-7)],
)
def test_received_power_matches_the_vectors(
    power_w, range_m, reflectance, aperture_m, efficiency, extinction_per_m, received_w
):
    power = rangelaw.received_power_w(power_w, range_m, reflectance, aperture_m, efficiency, extinction_per_m)
    assert power == pytest.approx(received_w, rel=4e-6)


@LAW
@given(st.floats(5, 3000), st.floats(5, 3000), st.floats(0.02, 1), st.floats(0.05, 1), HAZES)
def test_signals_go_as_received_powers(one_m, other_m, reflectance, cos, extinction_per_m):
    power = [
        float(rangelaw.received_power_w(100, at, reflectance, 0.05, 0.5, extinction_per_m, cos))
        for at in (one_m, other_m)
    ]
    limit = rangelaw.clear_air_limit_m(400.0, reflectance, cos)
    signal = rangelaw.signal_ratio([one_m, other_m], limit, extinction_per_m)
    assert power[0] * signal[1] == pytest.approx(power[1] * signal[0], rel=1e-9)
