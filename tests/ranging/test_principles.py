"""Ways of measuring a distance, against published relations and their own laws.

Siegwart is Siegwart and Nourbakhsh, Introduction to Autonomous Mobile Robots, MIT Press 2004, section 4.1.6 [R].
Baltsavias is Baltsavias 1999, ISPRS J. 54(2-3):199-214, formulas from memory [M]. [C] computed from the inputs shown.
"""

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from planner.equipment import PhaseShift, RangeRating, Sensor, Triangulation
from planner.files.cards import load_sensor
from planner.ranging import principles
from planner.ranging.principles import Band

HERE = Path(__file__).parent
MM, PS, NS, MHZ = 1e-3, 1e-12, 1e-9, 1e6

LAW = settings(deadline=None, max_examples=60)
RANGES = st.floats(0.01, 5000)
TONES = st.floats(0.1e6, 500e6)


def triangle(**figures: float) -> Triangulation:
    plain = {"baseline_m": 0.1, "focal_length_m": 0.016, "receiver_length_m": 0.02}
    return Triangulation(**(plain | {"spot_noise_m": 5e-6, "most_noise_m": 0.05} | figures))


def sensor(**changes: object) -> Sensor:
    plain = {
        "name": "X",
        "wavelength_nm": 1550,
        "pattern": "profiling",
        "optical_fov_deg": 0,
        "usable_fov_deg": 0,
        "divergence_mrad": 1,
        "divergence_width": "1/e2",
        "min_range_m": 1,
        "ratings": (RangeRating(pulse_rate_hz=1e5, range_m=100, reflectance=0.2),),
    }
    return Sensor(**(plain | changes))


def phase_sensor(*modulation_hz: float, noise_deg: float = 0.5, **changes: object) -> Sensor:
    unit = PhaseShift(modulation_hz=modulation_hz, phase_noise_deg=noise_deg)
    return sensor(principle="phase_shift", phase_shift=unit, **changes)


# Time of flight


@pytest.mark.parametrize(
    ("range_m", "time_s", "within_s"),
    [
        (1 * MM, 6.6713 * PS, 1e-16),  # Siegwart eq. 4.7, p. 105 [C]
        (100, 667.128 * NS, 1e-12),  # Siegwart eq. 4.7, p. 105 [C]
        (149.896, 1e-6, 1e-11),  # Baltsavias, R = c t / 2 [C]
        (0.149896, 1 * NS, 1e-14),  # Siegwart eq. 4.7, p. 105 [C]
    ],
)
def test_light_takes_its_time_there_and_back(range_m, time_s, within_s):
    assert principles.round_trip_s(range_m) == pytest.approx(time_s, abs=within_s)


def test_a_millimetre_is_about_three_picoseconds_one_way():
    # Common practice, no source.
    assert principles.round_trip_s(1 * MM) / 2 == pytest.approx(3 * PS, rel=0.15)


@LAW
@given(RANGES)
def test_range_and_time_undo_each_other(range_m):
    assert principles.range_from_time_m(principles.round_trip_s(range_m)) == pytest.approx(range_m, rel=1e-12)


def test_timing_jitter_becomes_range_noise():
    # Baltsavias: range resolution c dt / 2 for 0.1 ns; pulse precision for a 1 ns rise at a power ratio of 100 [C].
    assert principles.timing_range_noise_m(0.1 * NS) == pytest.approx(14.990 * MM, abs=1e-6)
    assert principles.timing_range_noise_m(1 * NS / math.sqrt(100)) == pytest.approx(0.01499, abs=1e-5)


def test_a_good_pulsed_unit_is_below_a_centimetre_at_short_range():
    # Common practice, no source.
    assert np.all(principles.range_noise_m(load_sensor("C", HERE), [5, 10, 20]) < 0.01)


# Phase shift


def test_modulation_wavelength():
    assert principles.modulation_wavelength_m(5 * MHZ) == pytest.approx(60, abs=0.05)  # Siegwart p. 109 [R]


@pytest.mark.parametrize(
    ("modulation_mhz", "interval_m", "within_m"),
    [
        # Half the wavelength, by Siegwart eq. 4.10, p. 110 [C].
        (1, 149.896, 5e-4),  # also Baltsavias: longest CW range, half the long wavelength [C]
        (5, 29.979, 5e-4),
        (10, 14.990, 5e-4),
        (20, 7.4948, 5e-5),
        (100, 1.49896, 5e-6),
        (150, 0.99931, 5e-6),
        (50, 3, 3e-3),  # an independent statement in a public forum [R]
    ],
)
def test_one_frequency_repeats_after_half_its_wavelength(modulation_mhz, interval_m, within_m):
    assert principles.ambiguity_interval_m([modulation_mhz * MHZ]) == pytest.approx(interval_m, abs=within_m)


def test_the_first_pair_that_is_confused_is_half_a_wavelength_apart():
    # Siegwart p. 110 takes 5 m and 65 m for the pair at 60 m; its own eq. 4.10 gives 5 m and 35 m [C].
    tone = principles.SPEED_OF_LIGHT_MPS / 60
    near, far, book = principles.phase_rad([5, 35, 65], tone)
    assert far - near == pytest.approx(2 * np.pi)
    assert book - near == pytest.approx(4 * np.pi)


def test_phase_of_a_range_beyond_the_interval():
    # Siegwart eq. 4.10, p. 110: 40 m at 5 MHz [C].
    lag = principles.phase_rad(40, 5 * MHZ)
    assert lag == pytest.approx(8.383, abs=5e-4)
    assert lag % (2 * np.pi) == pytest.approx(2.100, abs=5e-4)
    assert principles.range_from_phase_m(lag % (2 * np.pi), 5 * MHZ) == pytest.approx(10.021, abs=5e-4)
    interval = principles.ambiguity_interval_m([5 * MHZ])
    assert principles.apparent_range_m(40, interval) == pytest.approx(10.021, abs=5e-4)
    assert principles.wraps(40, interval) == 1


def test_range_of_a_continuous_wave():
    # Baltsavias: R = (c / f) phi / (4 pi), 10 MHz and half a turn [C].
    assert principles.range_from_phase_m(np.pi, 10 * MHZ) == pytest.approx(7.4948, abs=5e-5)


def test_noise_of_a_continuous_wave():
    # Baltsavias: wavelength / (4 pi) / sqrt(S), 10 MHz, a power ratio of 10 000 [C].
    assert principles.phase_range_noise_m(1 / math.sqrt(10_000), 10 * MHZ) == pytest.approx(0.02386, abs=5e-6)


@LAW
@given(st.floats(0, 1, exclude_max=True), TONES)
def test_range_and_phase_undo_each_other_inside_the_interval(share, tone_hz):
    range_m = share * principles.ambiguity_interval_m([tone_hz])
    lag = principles.phase_rad(range_m, tone_hz)
    assert lag < 2 * np.pi * (1 + 1e-12)
    assert principles.range_from_phase_m(lag, tone_hz) == pytest.approx(range_m, rel=1e-12)


@LAW
@given(RANGES, st.floats(0.3, 1500))
def test_wraps_and_apparent_range_make_up_the_range(range_m, interval_m):
    apparent, count = principles.apparent_range_m(range_m, interval_m), principles.wraps(range_m, interval_m)
    assert 0 <= apparent < interval_m
    assert count * interval_m + apparent == pytest.approx(range_m, rel=1e-12)


def test_wraps_of_many_ranges_keep_their_shape_and_what_is_unknown():
    ranges = np.array([[0.0, 14.0], [15.0, np.nan]])
    assert np.array_equal(principles.wraps(ranges, 5.0), [[0, 2], [3, np.nan]], equal_nan=True)
    assert np.array_equal(principles.apparent_range_m(ranges, 5.0), [[0, 4], [0, np.nan]], equal_nan=True)


# Several frequencies together


def test_two_frequencies_repeat_with_their_difference():
    # c / (2 df), 10 and 11 MHz [C].
    assert principles.ambiguity_interval_m([10 * MHZ, 11 * MHZ]) == pytest.approx(149.896, abs=5e-4)


@LAW
@given(st.integers(1, 10**6), st.lists(st.integers(1, 400), min_size=1, max_size=4))
def test_all_phases_come_back_after_the_common_interval_and_not_before(step_hz, factors):
    tones = [float(step_hz * factor) for factor in factors]
    interval = principles.ambiguity_interval_m(tones)
    turns = principles.phase_rad(interval, tones) / (2 * np.pi)
    assert turns == pytest.approx(np.rint(turns), abs=1e-9)
    assert math.gcd(*(int(turn) for turn in np.rint(turns))) == 1


def test_the_common_interval_is_exact_for_decimals():
    assert principles.ambiguity_interval_m([0.3, 0.2]) == principles.SPEED_OF_LIGHT_MPS / (2 * 0.1)


def test_one_frequency_has_no_wraps_to_confuse():
    assert principles.wrap_margin([1 * MHZ], 1.0, 1000) == math.inf


@LAW
@given(st.integers(2, 300))
def test_a_coarse_frequency_picks_the_wrap_while_its_noise_is_below_half_the_fine_interval(times):
    # both noises against half the fine interval: sqrt(u_coarse^2 + u_fine^2) sigma / (2 pi) = u_fine / 2
    noise = 0.01
    coarse, fine = (principles.phase_range_noise_m(noise, hertz) for hertz in (1 * MHZ, times * MHZ))
    half = principles.ambiguity_interval_m([times * MHZ]) / 2
    assert principles.wrap_margin([1 * MHZ, times * MHZ], noise, 1e9) == pytest.approx(
        float(half / np.hypot(coarse, fine)), rel=1e-9
    )


@LAW
@given(st.lists(st.integers(1, 60), min_size=2, max_size=4, unique=True))
def test_wrap_margin_agrees_with_a_slow_search_along_the_strand(factors):
    common = math.gcd(*factors)
    whole = np.array(factors) // common
    # turns of each phase between two ranges: the gap is how near they come to whole turns at any other wraps
    turns = np.linspace(0, 1, 400 * whole.max() + 1)[:, None] * whole
    nearest = np.rint(turns)
    other = nearest.any(axis=1) & (nearest != whole).any(axis=1)
    gap = np.linalg.norm(turns - nearest, axis=1)[other].min(initial=1.0)
    margin = principles.wrap_margin([factor * MHZ for factor in factors], np.pi, 1e9)
    assert margin == pytest.approx(min(gap, 0.45), abs=0.005)


def test_wrong_wraps_are_as_rare_as_the_margin_says():
    factors, aim, shots = np.array([1, 8]), 1.5, 4000
    noise_rad = principles.wrap_margin(list(factors * MHZ), 1.0, 1e9) / aim
    random = np.random.default_rng(7)
    true = random.uniform(0, 1, shots)  # shares of the common interval
    read = true[:, None] * factors + random.normal(0, noise_rad / (2 * np.pi), (shots, 2))
    tried = np.linspace(0, 1, 800, endpoint=False)
    off = read[:, None, :] - tried[None, :, None] * factors
    found = tried[np.sum((off - np.rint(off)) ** 2, axis=2).argmin(axis=1)]
    missed = np.abs(found - true - np.rint(found - true)) > 0.5 / factors.max()
    expected = math.erfc(aim / math.sqrt(2))
    assert missed.mean() == pytest.approx(expected, abs=4 * math.sqrt(expected * (1 - expected) / shots))


@LAW
@given(st.floats(1, 200), st.floats(1, 200))
def test_a_shorter_reach_confuses_no_more_wraps(one_m, other_m):
    near, far = (principles.wrap_margin([10 * MHZ, 11 * MHZ], 0.01, reach) for reach in sorted((one_m, other_m)))
    assert near >= far


def test_too_many_wraps_within_reach_are_told_apart_by_no_phase():
    assert principles.wrap_margin([10_000_001, 100_000_003], 1e-9, 1e9) == 0


# Triangulation


@pytest.mark.parametrize(("range_m", "noise_m"), [(1, 3.125 * MM), (2, 12.5 * MM)])
def test_noise_grows_with_the_square_of_range(range_m, noise_m):
    # Siegwart eq. 4.13, p. 114: f = 16 mm, b = 100 mm, spot noise 5 um [C].
    assert principles.triangulation_noise_m(range_m, triangle()) == pytest.approx(noise_m)


@LAW
@given(RANGES)
def test_range_and_spot_undo_each_other(range_m):
    place = principles.spot_m(range_m, triangle())
    assert principles.range_from_spot_m(place, triangle()) == pytest.approx(range_m, rel=1e-12)


def test_the_far_end_of_the_receiver_sees_infinity():
    assert principles.range_from_spot_m([0.0, np.inf], triangle()) == pytest.approx([np.inf, 0.0])


@LAW
@given(st.floats(0.1, 50), st.floats(0.3, 2.8))
def test_a_projected_beam_is_found_where_it_meets_the_target(range_m, projection_rad):
    # Siegwart eq. 4.12, p. 114, against the crossing drawn out: light from -b, lens at 0.
    unit = triangle()
    along = range_m / math.tan(projection_rad) - unit.baseline_m
    place = unit.focal_length_m * along / range_m
    found = principles.structured_light_m(place, unit, projection_rad)
    assert found == pytest.approx([along, range_m], rel=1e-9, abs=1e-9)


def test_a_beam_square_to_the_baseline_falls_where_the_plain_relation_says():
    # Siegwart eq. 4.12 against eq. 4.11.
    unit, ranges = triangle(), np.array([0.2, 1.0, 5.0])
    found = principles.structured_light_m(-principles.spot_m(ranges, unit), unit, np.pi / 2)
    assert found[:, 1] == pytest.approx(ranges)
    assert found[:, 0] == pytest.approx(-unit.baseline_m)


@LAW
@given(st.floats(0.1, 20), st.floats(0.3, 2.8))
def test_noise_is_the_slope_of_the_projected_relation(range_m, projection_rad):
    # Siegwart eqs. 4.13 and 4.14, pp. 114-115, against the slope of eq. 4.12 by differences.
    unit = triangle()
    place = unit.focal_length_m / math.tan(projection_rad) - unit.baseline_m * unit.focal_length_m / range_m
    step = 1e-5

    def found(moved: float, turned: float) -> float:
        return float(principles.structured_light_m(place + moved, unit, projection_rad + turned)[1])

    by_place = step * unit.baseline_m * unit.focal_length_m / range_m**2 * range_m / 10
    slope = (found(by_place, 0) - found(-by_place, 0)) / (2 * by_place)
    assert principles.triangulation_noise_m(range_m, unit) == pytest.approx(abs(slope) * unit.spot_noise_m, rel=1e-3)
    by_angle = step * unit.baseline_m / range_m
    slope = (found(0, by_angle) - found(0, -by_angle)) / (2 * by_angle)
    noise = principles.projection_noise_m(range_m, 1e-4, unit, projection_rad)
    assert noise == pytest.approx(abs(slope) * 1e-4, rel=1e-3)


def test_a_small_infrared_unit_is_blind_under_about_eight_centimetres():
    # Common practice, no source; the sizes are what a housing of a few centimetres can hold.
    unit = triangle(baseline_m=0.02, focal_length_m=0.015, receiver_length_m=0.00375)
    assert principles.triangulation_nearest_m(unit) == pytest.approx(0.08, rel=0.1)


def test_the_reading_folds_at_the_nearest_range():
    unit, width = triangle(baseline_m=0.02, focal_length_m=0.015, receiver_length_m=0.00375), 1e-5
    ranges = np.linspace(0.02, 0.8, 78_001)
    readings = principles.receiver_reading_m(principles.spot_m(ranges, unit), width, unit)
    fold = ranges[readings.argmax()]
    assert fold == pytest.approx(principles.triangulation_nearest_m(unit), rel=0.01)
    assert np.all(np.diff(readings[ranges > fold]) < 0)
    assert np.all(np.diff(readings[ranges < fold]) >= 0)
    # one reading, two distances: half lost over the end, or seen whole from about twice as far
    half = principles.receiver_reading_m(unit.receiver_length_m, width, unit)
    far = principles.range_from_spot_m(half, unit)
    assert far > 1.9 * fold
    assert principles.receiver_reading_m(principles.spot_m(far, unit), width, unit) == pytest.approx(half)


@LAW
@given(st.floats(0.3, 30), st.floats(1e-6, 1e-4))
def test_the_reading_is_the_spots_place_while_all_of_it_is_seen(range_m, width_m):
    unit = triangle()
    place = principles.spot_m(range_m, unit)
    assert principles.receiver_reading_m(place, width_m, unit) == pytest.approx(place)


def test_the_longest_range_has_the_most_noise():
    unit = triangle()
    assert principles.triangulation_noise_m(principles.triangulation_farthest_m(unit), unit) == pytest.approx(0.05)


# Returned light


def test_a_dark_surface_seems_farther_than_it_is():
    # Wehr and Lohr 1999, ISPRS J. 54:68-82: range goes with the square root of reflectance [M]; numbers [C].
    assert principles.intensity_guess_m(10, 0.5, [0.1, 0.5, 0.8]) == pytest.approx([22.361, 10, 7.906], abs=5e-4)
    assert principles.worst_guess_error_m(10, 0.1, 0.5) == pytest.approx(12.361, abs=5e-4)


@LAW
@given(RANGES, st.lists(st.floats(0.02, 1), min_size=2, max_size=6))
def test_no_guess_within_a_span_errs_more_than_the_worst(range_m, span):
    spread = np.array(span)
    errors = np.abs(principles.intensity_guess_m(range_m, spread[:, None], spread) - range_m)
    worst = principles.worst_guess_error_m(range_m, spread.min(), spread.max())
    assert errors.max() == pytest.approx(worst, abs=1e-9)


# The band of a sensor


@LAW
@given(st.sampled_from(["A", "H", "T"]), RANGES, RANGES)
def test_noise_never_falls_with_range(card, one_m, other_m):
    near, far = principles.range_noise_m(load_sensor(card, HERE), sorted((one_m, other_m)))
    assert 0 < near <= far


def test_noise_keeps_shape_and_what_is_unknown():
    for card in "CHT":
        noise = principles.range_noise_m(load_sensor(card, HERE), [[1.0, np.nan], [2.0, 3.0]])
        assert np.array_equal(np.isnan(noise), [[False, True], [False, False]])


def test_time_of_flight_is_limited_by_light_alone():
    assert principles.usable_band(load_sensor("B", HERE)) == Band(3.0, math.inf, math.inf)


def test_band_and_noise_of_the_phase_shift_card():
    card = load_sensor("H", HERE)
    band = principles.usable_band(card)
    assert band == Band(1.0, math.inf, principles.ambiguity_interval_m([1 * MHZ]))
    assert band.farthest_m > max(rating.range_m for rating in card.ratings)
    assert principles.range_noise_m(card, 50) == pytest.approx(2.5 * MM, abs=1e-5)
    first, second = card.ratings
    # amplitude noise falls with the square root of averaging time, power with the square of range
    assert second.range_m / first.range_m == pytest.approx(
        (first.pulse_rate_hz / second.pulse_rate_hz) ** 0.25, rel=0.005
    )


def test_band_and_noise_of_the_triangulation_card():
    card = load_sensor("T", HERE)
    band = principles.usable_band(card)
    assert band.min_range_m == 0.35
    assert band.farthest_m == pytest.approx(6.12, abs=0.01)
    assert principles.range_noise_m(card, [2, 4, band.farthest_m]) == pytest.approx([1.6 * MM, 6.4 * MM, 15 * MM])


def test_the_band_starts_where_the_spot_leaves_the_receiver_whatever_the_card_says():
    hopeful = replace(load_sensor("T", HERE), min_range_m=0.1)
    assert principles.usable_band(hopeful).min_range_m == pytest.approx(0.3125)


def test_every_principle_that_measures_may_map():
    for card in "ABCHT":
        assert principles.refuse_principle(load_sensor(card, HERE)) is None


def test_range_guessed_from_light_is_refused_with_its_error():
    fault = principles.refuse_principle(sensor(principle="reflected_intensity", range_noise_m=0.02))
    assert fault is not None
    assert fault.code == "E20"
    assert "at 100 m, a surface of reflectance 0.1 taken for one of 0.5 is placed 123.6 m too far" in fault.what


@pytest.mark.parametrize(
    ("modulation_mhz", "noise_deg", "refused"),
    [
        ((10,), 5.0, False),
        ((1, 100), 0.5, False),  # half the gap is 1.8 deg: 0.6 deg at most
        ((1, 100), 0.7, True),
        ((1, 10, 100), 5.0, False),
        ((1, 10, 100), 7.0, True),  # half the gap is 18 deg: 6 deg at most
    ],
)
def test_wraps_that_noise_confuses_are_refused(modulation_mhz, noise_deg, refused):
    card = phase_sensor(*(tone * MHZ for tone in modulation_mhz), noise_deg=noise_deg)
    fault = principles.refuse_principle(card)
    assert (fault is not None) == refused
    if fault:
        assert fault.code == "E42"
        assert f"{noise_deg:g} deg leaves 2.57 standard deviations" in fault.what


def test_a_band_that_ends_before_it_starts_is_refused():
    short = principles.refuse_principle(phase_sensor(200 * MHZ))
    assert short is not None
    assert short.code == "E42"
    assert "200 MHz repeat after 0.7495 m, nearer than its shortest range, 1 m" in short.what
    card = load_sensor("T", HERE)
    assert card.triangulation is not None
    rough = replace(card, triangulation=replace(card.triangulation, most_noise_m=1e-5))
    noisy = principles.refuse_principle(rough)
    assert noisy is not None
    assert noisy.code == "E18"
    assert "noise passes 1e-05 m beyond 0.158 m, nearer than its shortest range, 0.35 m" in noisy.what


def test_a_band_below_the_lowest_flight_is_refused():
    far = principles.refuse_height(load_sensor("T", HERE), 30.3)
    assert far is not None
    assert far.code == "E21"
    assert far.what == (
        "card T: range noise passes 0.015 m beyond 6.12 m; the lowest flight allowed is 30.3 m above ground"
    )
    repeats = principles.refuse_height(phase_sensor(10 * MHZ), 30.3)
    assert repeats is not None
    assert repeats.code == "E42"
    assert "ranges at 10 MHz repeat after 14.99 m; the lowest flight allowed is 30.3 m" in repeats.what
    assert principles.refuse_height(load_sensor("T", HERE), 3.0) is None
    assert principles.refuse_height(load_sensor("H", HERE), 30.3) is None
