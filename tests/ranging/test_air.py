"""Air against published attenuation tables and its own laws.

Marks: [R] read in the source, [M] from memory of it, [C] computed from the formula shown.
"""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from planner.ranging import air

LAW = settings(deadline=None, max_examples=60)
VISIBILITIES = st.floats(0.02, 100)
WAVELENGTHS = st.floats(780, 1600)

# Kim, McArthur and Korevaar, SPIE 4214:26-37 (2001), exponents, with 3.912 / V [C]: 1/km and dB/km
KIM_TABLE = [
    (0.5, 905, 7.82400, 33.979),
    (0.5, 1064, 7.82400, 33.979),
    (0.5, 1550, 7.82400, 33.979),
    (1, 905, 3.04969, 13.2446),
    (1, 1064, 2.81261, 12.2150),
    (1, 1550, 2.33031, 10.1204),
    (2, 905, 1.40806, 6.1151),
    (2, 1064, 1.26540, 5.4955),
    (2, 1550, 0.98716, 4.2872),
    (5, 905, 0.44347, 1.9260),
    (5, 1064, 0.36875, 1.6014),
    (5, 1550, 0.24014, 1.0429),
    (10, 905, 0.20475, 0.8892),
    (10, 1064, 0.16590, 0.7205),
    (10, 1550, 0.10173, 0.4418),
    (23, 905, 0.08902, 0.3866),
    (23, 1064, 0.07213, 0.3133),
    (23, 1550, 0.04423, 0.1921),
    (50, 905, 0.03527, 0.1532),
    (50, 1064, 0.02722, 0.1182),
    (50, 1550, 0.01491, 0.0648),
]

# Kim and others 2001, table of 785 nm by Kruse's exponents [M], and the same recomputed with 3.91 / V [C], dB/km
KRUSE_785 = [
    (0.05, 315.0, 314.55),
    (0.2, 75.3, 75.18),
    (0.5, 28.9, 28.79),
    (0.77, 18.3, 18.22),
    (1, 13.8, 13.79),
    (1.9, 6.9, 6.91),
    (2, 6.6, 6.53),
    (2.8, 4.6, 4.52),
    (4, 3.1, 3.05),
    (5.9, 2.0, 1.98),
    (10, 1.1, 1.07),
    (18.1, 0.6, 0.59),
    (20, 0.54, 0.535),
    (23, 0.47, 0.465),
    (50, 0.19, 0.192),
]

# Kim and others 2001, table of their own exponents at 785 and 1550 nm [M], and recomputed [C], dB/km
KIM_785_1550 = [
    (0.05, (340, 340), (339.8, 339.8)),
    (0.2, (85, 85), (84.95, 84.95)),
    (0.5, (34, 34), (33.98, 33.98)),
    (1, (14, 10), (14.22, 10.12)),
    (2, (7, 4), (6.72, 4.29)),
    (4, (3, 2), (3.00, 1.54)),
    (10, (1, 0.4), (1.07, 0.44)),
    (23, (0.5, 0.2), (0.465, 0.192)),
]


@pytest.mark.parametrize(("visibility_km", "wavelength_nm", "per_km", "db_per_km"), KIM_TABLE)
def test_haze_matches_the_computed_table(visibility_km, wavelength_nm, per_km, db_per_km):
    extinction = air.haze_extinction_per_m(wavelength_nm, visibility_km)
    assert extinction * 1000 == pytest.approx(per_km, abs=6e-6)
    assert air.db_from_extinction(extinction) == pytest.approx(db_per_km, abs=6e-4)


@pytest.mark.parametrize(("wavelength_nm", "per_m"), [(905, 8.90224e-5), (1064, 7.21304e-5), (1550, 4.42294e-5)])
def test_standard_clear_air_takes_what_was_computed(wavelength_nm, per_m):
    # Kim air at 23 km [C]
    assert air.haze_extinction_per_m(wavelength_nm, 23) == pytest.approx(per_m, abs=6e-11)


@pytest.mark.parametrize(("visibility_km", "published", "computed"), KRUSE_785)
def test_kruse_haze_matches_the_published_table(visibility_km, published, computed):
    db_per_km = air.db_from_extinction(air.haze_extinction_per_m(785, visibility_km, "kruse"))
    assert db_per_km == pytest.approx(published, rel=0.03)
    assert db_per_km == pytest.approx(computed, rel=0.006)  # 3.912 for 3.91, and printed digits


@pytest.mark.parametrize(("visibility_km", "published", "computed"), KIM_785_1550)
def test_kim_haze_matches_the_published_table(visibility_km, published, computed):
    db_per_km = air.db_from_extinction(air.haze_extinction_per_m([785, 1550], visibility_km))
    assert db_per_km == pytest.approx(computed, rel=0.006)
    last_digit = np.array([10.0 ** np.floor(np.log10(value)) for value in published])
    assert np.all(np.abs(db_per_km - published) <= np.minimum(last_digit / 2 * 1.01, 0.505))


def test_kim_exponent_has_its_branches_and_hardly_a_step_at_6_km():
    # Branches [R], as in the companion code of a textbook on optical wireless links.
    assert air.kim_exponent([0.2, 0.5, 0.75, 1, 3, 6, 49, 50, 90]) == pytest.approx(
        [0, 0, 0.25, 0.5, 0.82, 1.3, 1.3, 1.6, 1.6]
    )
    # 0.34134 and 0.34120 1/km at 905 nm, a metre nearer and farther than 6 km [C]
    assert air.haze_extinction_per_m(905, [5.999, 6.001]) * 1000 == pytest.approx([0.34134, 0.34120], abs=6e-6)


def test_kruse_exponent_jumps_at_6_km():
    # From 1.063 to 1.3; 0.38400 1/km just below 6 km at 905 nm [C]
    assert air.kruse_exponent([6 - 1e-9, 6, 50]) == pytest.approx([1.063, 1.3, 1.6], abs=5e-4)
    assert air.haze_extinction_per_m(905, 6 - 1e-9, "kruse") * 1000 == pytest.approx(0.38400, abs=6e-6)


@LAW
@given(WAVELENGTHS, VISIBILITIES, VISIBILITIES, st.sampled_from(["kim", "kruse"]))
def test_haze_thins_with_visibility(wavelength_nm, one_km, other_km, exponent):
    near, far = sorted((one_km, other_km))
    thick, thin = air.haze_extinction_per_m(wavelength_nm, [near, far], exponent)
    assert thick >= thin * (1 - 1e-12)


@LAW
@given(VISIBILITIES)
def test_longer_waves_pass_haze_no_worse(visibility_km):
    by_wavelength = air.haze_extinction_per_m([905, 1064, 1550], visibility_km)
    assert np.all(np.diff(by_wavelength) <= 0)


def test_visibility_of_airfields_is_made_longer():
    # WMO: meteorological optical range by 5 % contrast, extinction 2.996 / MOR at 550 nm [R]; ratio 1.306 [C]
    assert air.visibility_from_mor_km(1.0) == pytest.approx(1.306, abs=5e-4)
    assert air.haze_extinction_per_m(550, air.visibility_from_mor_km(10)) == pytest.approx(2.996 / 10_000)


@LAW
@given(st.floats(0.02, 0.499), WAVELENGTHS)
def test_thick_fog_is_the_most_of_the_published_span(visibility_km, wavelength_nm):
    # 8.5 to 17 dB km, Pierce and others, SPIE 4530 (2001) [R, abstract]
    haze = air.db_from_extinction(air.haze_extinction_per_m(wavelength_nm, visibility_km))
    assert haze * visibility_km == pytest.approx(17.0, rel=1e-3)


@pytest.mark.parametrize(
    ("rate_mm_h", "france", "japan"),
    # ITU-R P.1814, rain [M], computed [C]
    [(2.5, 1.988, 2.814), (12.5, 5.844, 7.757), (25, 9.299, 12.005), (50, 14.795, 18.578)],
)
def test_rain_matches_the_recommendation(rate_mm_h, france, japan):
    assert air.rain_db_per_km(rate_mm_h, "france") == pytest.approx(france, abs=6e-4)
    assert air.rain_db_per_km(rate_mm_h) == pytest.approx(japan, abs=6e-4)


@pytest.mark.parametrize(("rate_mm_h", "wet", "dry"), [(1, 3.944, 5.580), (5, 12.57, 51.43)])
def test_snowfall_matches_the_recommendation(rate_mm_h, wet, dry):
    # ITU-R P.1814, snow at 1550 nm [M], computed [C]
    assert air.wet_snow_db_per_km(1550, rate_mm_h) == pytest.approx(wet, rel=5e-4)
    assert air.dry_snow_db_per_km(1550, rate_mm_h) == pytest.approx(dry, rel=5e-4)


def test_parts_of_the_weather_add_up():
    weather = {"rain_mm_h": 2.5, "wet_snow_mm_h": 1.0, "dry_snow_mm_h": 1.0}
    parts = air.extinction_parts_per_m(1550, 23, **weather)
    assert list(parts) == ["haze", "rain", "wet_snow", "dry_snow"]
    in_db = {name: float(air.db_from_extinction(part)) for name, part in parts.items()}
    assert in_db == pytest.approx({"haze": 0.1921, "rain": 2.814, "wet_snow": 3.944, "dry_snow": 5.580}, abs=6e-4)
    assert air.extinction_per_m(1550, 23, **weather) == pytest.approx(sum(parts.values()))


def test_fair_weather_has_haze_alone():
    assert air.extinction_per_m(905, 10) == pytest.approx(float(air.haze_extinction_per_m(905, 10)), rel=1e-15)


def test_decibels_and_extinction_are_inverse():
    assert air.extinction_from_db(4.342945) == pytest.approx(1e-3, rel=1e-7)
    assert air.db_from_extinction(air.extinction_from_db([0.0, 3.0, 40.0])) == pytest.approx([0, 3, 40])


def test_unknown_stays_unknown():
    assert np.isnan(air.haze_extinction_per_m(905, [np.nan, 0.3])).tolist() == [True, False]
    assert np.isnan(air.kruse_exponent(np.nan))


@pytest.mark.parametrize(
    ("wavelength_nm", "at_0", "at_15", "cm_per_100m"),
    # IAG Resolution 3 (1999), closed form [M], numbers [C]
    [
        (532, 305.73, 289.81, 2.90),
        (905, 293.68, 278.40, 2.78),
        (1064, 291.98, 276.79, 2.77),
        (1550, 289.66, 274.58, 2.75),
    ],
)
def test_group_refractivity_matches_the_computed_table(wavelength_nm, at_0, at_15, cm_per_100m):
    slower = air.group_refractivity_ppm(wavelength_nm, [0, 15], 1013.25)
    assert slower == pytest.approx([at_0, at_15], abs=0.006)
    assert slower[1] * 1e-6 * 1e4 == pytest.approx(cm_per_100m, abs=0.006)


@pytest.mark.parametrize(
    ("height_ortho_m", "temperature_c", "pressure_hpa"),
    # Standard atmosphere, ISO 2533:1975 [M]
    [(0, 15.0, 1013.25), (1000, 8.5, 898.75), (2000, 2.0, 794.95), (5000, -17.5, 540.20)],
)
def test_standard_air_matches_its_table(height_ortho_m, temperature_c, pressure_hpa):
    assert air.standard_air(height_ortho_m) == pytest.approx((temperature_c, pressure_hpa), abs=0.03)


@pytest.mark.parametrize("wavelength_nm", [905, 1064, 1550])
def test_what_a_nominal_index_leaves(wavelength_nm):
    # Some 2 mm in 100 m for 20 K and 5 mm for 2000 m of height are rules of thumb without a source [C]
    colder, warmer = air.range_error_mm_per_100m(wavelength_nm, ([-5, 35], 1013.25))
    assert colder == pytest.approx(2.05, abs=0.05)
    assert warmer == pytest.approx(-1.8, abs=0.05)
    assert air.range_error_mm_per_100m(wavelength_nm, air.standard_air(2000)) == pytest.approx(-4.9, abs=0.1)


@LAW
@given(WAVELENGTHS, st.floats(-30, 45), st.floats(600, 1050))
def test_nothing_is_left_where_the_index_is_right(wavelength_nm, temperature_c, pressure_hpa):
    day = (temperature_c, pressure_hpa)
    assert air.range_error_mm_per_100m(wavelength_nm, day, day) == 0


@LAW
@given(st.floats(-30, 45), st.floats(600, 1050))
def test_what_is_left_is_what_two_speeds_of_light_make_of_one_time(temperature_c, pressure_hpa):
    true, taken = (
        1 + float(air.group_refractivity_ppm(905, *at)) * 1e-6
        for at in ((temperature_c, pressure_hpa), (15.0, 1013.25))
    )
    time_s = 2 * 100.0 * true / 299_792_458
    measured_m = 299_792_458 / taken * time_s / 2
    left = float(air.range_error_mm_per_100m(905, (temperature_c, pressure_hpa)))
    assert (measured_m - 100) * 1000 == pytest.approx(left, abs=1e-8)
