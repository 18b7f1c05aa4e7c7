"""Errors of cells: how those of a job, of a pass and of a return pool over passes, and which of them dominates."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from planner.files.cards import load_navigation, load_sensor
from planner.forecast.budgets import LEAST_RETURNS, NO_TERM, cell_errors, signal_ratios
from planner.ground.surface import HeightGrid, Layers, cells_on
from planner.navigation import Navigation
from planner.ranging.attitude import Leg, straight_leg
from planner.ranging.beams import scan_pattern
from planner.ranging.detection import Seeing
from planner.ranging.fates import light_of
from planner.ranging.linkbudget import Reach
from planner.ranging.looks import Faces, Looks, faces_of
from planner.ranging.palette import LOBE_STEPS, Palette
from planner.ranging.pulses import fire_legs
from planner.ranging.rangelaw import clear_air_limit_m, signal_ratio
from planner.ranging.uncertainty import (
    COMMON,
    PASS,
    SCOPE_OF,
    SOURCES,
    TERMS,
    echo_noise_m,
    error_model,
    error_vectors,
    flat_covariances_m2,
    ground_covariances_m2,
    horizontal_variance_m2,
    least_vertical_sd_m,
    vertical_variance_m2,
)

HERE = Path()
NONE = (0.0, 0.0, 0.0)
A, B, K = (load_sensor(name, HERE) for name in "abk")
ENTRY = load_navigation("entry", HERE)
STRONG = 100.0  # signal ratio at which range noise is as the card says
SPEED_MPS = 8.0


def a_navigation(**more) -> Navigation:
    """Return a perfect navigation but for what is said."""
    perfect = {
        "position_horizontal_sd_m": 0.0,
        "position_vertical_sd_m": 0.0,
        "base_ppm": 0.0,
        "roll_pitch_sd_deg": 0.0,
        "heading_sd_deg": 0.0,
        "boresight_sd_deg": NONE,
        "lever_arm_sd_m": NONE,
        "timing_sd_s": 0.0,
    }
    return Navigation(name="test", **perfect | more)


def a_sensor(**more):
    """Return a sensor that measures all but perfectly but for what is said."""
    return replace(B, **{"range_noise_m": 1e-9, "angle_noise_deg": 0.0, "divergence_mrad": 1e-9} | more)


def a_leg(east, north, heading_deg=0.0, up=80.0, tilt_deg=0.0, roll_deg=0.0) -> Leg:
    """Return a short leg whose sample 10 is at a place."""
    pattern = scan_pattern(B, 300e3, 100.0)
    heading = np.radians(heading_deg)
    along = SPEED_MPS / 10 * (np.arange(21) - 10)
    origins = np.array([east, north, up]) + np.outer(along, [np.sin(heading), np.cos(heading), 0.0])
    angles = np.tile([heading, *np.radians([tilt_deg, roll_deg])], (21, 1))
    return Leg(origins[[0, -1]], pattern, origins, angles, 10.0)


def seen(cells, slopes=None):
    """Return looks from (leg, sample, returns) by cell, and faces at the origin of given slopes."""
    looks = [look for cell in cells for look in cell]
    leg, sample, returns = zip(*looks, strict=True) if looks else ((), (), ())
    starts = np.cumsum([0, *(len(cell) for cell in cells)])
    slopes = np.zeros((len(cells), 2)) if slopes is None else np.asarray(slopes, dtype=float)
    return (
        Looks(starts, np.array(leg, np.int32), np.array(sample, np.int32), np.array(returns, np.float32)),
        Faces(np.zeros((len(cells), 3)), slopes),
    )


def errors_at_origin(legs, returns, sensor, navigation, slope=(0.0, 0.0), base_m=0.0):
    """Return the errors of one cell at the origin, seen once by each leg."""
    looks, faces = seen([[(leg, 10, count) for leg, count in enumerate(returns)]], [slope])
    return cell_errors(looks, faces, legs, sensor, navigation, STRONG, base_m)


@pytest.mark.parametrize("slope", [(0.0, 0.0), (0.5, 0.0), (-0.2, 0.7)])
def test_one_pass_has_the_budget_of_its_point(slope):
    leg = a_leg(-40.0, 0.0, 20.0, tilt_deg=-6.0, roll_deg=2.0)
    found = errors_at_origin([leg], [30], A, ENTRY, slope, base_m=5000.0)
    velocity = SPEED_MPS * np.array([np.sin(np.radians(20)), np.cos(np.radians(20)), 0.0])
    model = error_model(A, ENTRY, 5000.0)
    [by_term] = ground_covariances_m2(model, leg.angles_rad[10], [[40.0, 0.0, -80.0]], velocity, A.range_noise_m)
    vertical = vertical_variance_m2(by_term, np.tile(slope, (len(TERMS), 1)))
    for terms in (found.terms_m2[0], found.single_terms_m2[0]):
        assert terms == pytest.approx(vertical, rel=1e-5)
    for sd in (found.vertical_single_m[0], found.vertical_combined_m[0]):
        assert sd == pytest.approx(np.sqrt(vertical.sum()), rel=1e-9)
    for sd in (found.horizontal_single_m[0], found.horizontal_combined_m[0]):
        assert sd == pytest.approx(np.sqrt(horizontal_variance_m2(by_term.sum(axis=0))), rel=1e-9)
    assert np.isnan(found.disagreement_m[0])


OWN = a_navigation(
    position_horizontal_sd_m=0.02,
    position_vertical_sd_m=0.03,
    roll_pitch_sd_deg=0.03,
    heading_sd_deg=0.08,
    timing_sd_s=1e-3,
)
SHARED = a_navigation(base_ppm=1.0, lever_arm_sd_m=(0.0, 0.0, 0.02))


@pytest.mark.parametrize("slope", [(0.0, 0.0), (0.4, -0.3)])
def test_opposite_passes_halve_what_is_their_own_and_keep_what_they_share(slope):
    legs = [a_leg(-30.0, 0.0, 0.0), a_leg(-30.0, 0.0, 180.0)]
    noisy = a_sensor(range_noise_m=0.02, angle_noise_deg=0.01, divergence_mrad=1.0)
    own = errors_at_origin(legs, [20, 20], noisy, OWN, slope)
    assert own.vertical_combined_m == pytest.approx(own.vertical_single_m / np.sqrt(2), rel=1e-9)
    assert own.horizontal_combined_m == pytest.approx(own.horizontal_single_m / np.sqrt(2), rel=1e-9)
    assert own.disagreement_m == pytest.approx(own.vertical_single_m * np.sqrt(2), rel=1e-9)
    shared = errors_at_origin(legs, [20, 20], a_sensor(), SHARED, slope, base_m=20e3)
    assert shared.vertical_combined_m == pytest.approx(shared.vertical_single_m, rel=1e-6)
    assert shared.horizontal_combined_m == pytest.approx(shared.horizontal_single_m, rel=1e-6)
    assert shared.disagreement_m == pytest.approx([0.0], abs=1e-7)


def test_boresight_cancels_between_opposite_passes_on_one_track_but_not_between_lines():
    # A roll of 0.02 deg lifts a point 30 m aside by 10.5 mm on the one side of the sensor and sinks it on the other.
    boresight = a_navigation(boresight_sd_deg=(0.02, 0.0, 0.0))
    lift = 30 * np.radians(0.02)
    track = errors_at_origin([a_leg(-30, 0, 0), a_leg(-30, 0, 180)], [9, 9], a_sensor(), boresight)
    assert track.vertical_single_m == pytest.approx([lift])
    assert track.vertical_combined_m == pytest.approx([0.0], abs=1e-7)
    assert track.disagreement_m == pytest.approx([2 * lift])
    # The cell lies to the right of both.
    lines = errors_at_origin([a_leg(-30, 0, 0), a_leg(30, 0, 180)], [9, 9], a_sensor(), boresight)
    assert lines.vertical_combined_m == pytest.approx([lift])
    assert lines.disagreement_m == pytest.approx([0.0], abs=1e-7)


def test_no_pair_of_opposite_passes_does_better_than_the_least_error():
    legs = [a_leg(-30, 0, 0), a_leg(-30, 0, 180)]
    found = errors_at_origin(legs, [9, 9], B, ENTRY, base_m=4000.0).vertical_combined_m
    angle = np.arctan(30 / 80)
    least = float(least_vertical_sd_m(B, ENTRY, 80.0, angle, 4000.0, passes=2))
    assert found[0] == pytest.approx(least, rel=1e-9)
    lines = [a_leg(-30, 0, 0), a_leg(30, 0, 180)]
    assert errors_at_origin(lines, [9, 9], B, ENTRY, base_m=4000.0).vertical_combined_m > found


def test_pooled_errors_are_those_of_drawn_flights():
    """Whole jobs drawn at random: shared errors once, those of a pass once a leg, those of a return once a leg."""
    legs = [a_leg(-40, 0, 10, tilt_deg=4), a_leg(25, 5, 190), a_leg(0, -30, 90, up=100, roll_deg=-3)]
    looks, faces = seen([[(0, 10, 30.0), (1, 10, 4.0), (1, 14, 8.0), (2, 10, 18.0)]], [(0.3, -0.2)])
    sensor = replace(A, lever_arm_m=(0.2, 0.1, 0.3), angle_noise_deg=0.02)
    navigation = replace(ENTRY, boresight_sd_deg=(0.03, 0.03, 0.08), lever_arm_sd_m=(0.01, 0.01, 0.02))
    model = error_model(sensor, navigation, 10e3)
    vectors = np.empty((4, SOURCES, 3))
    for vector, leg, sample in zip(vectors, looks.leg, looks.sample, strict=True):
        flown, rate = legs[leg], SPEED_MPS
        heading = flown.angles_rad[0, 0]
        velocity = (rate * np.sin(heading), rate * np.cos(heading), 0.0)
        error_vectors(
            model,
            tuple(flown.angles_rad[sample]),
            tuple(-flown.origins_m[sample]),
            velocity,
            float(sensor.range_noise_m),
            vector,
        )
    rng = np.random.default_rng(11)
    draws = 200_000
    shared = rng.standard_normal((draws, SOURCES)) * (SCOPE_OF == COMMON)
    means = np.array([vectors[0], vectors[1] / 3 + 2 * vectors[2] / 3, vectors[3]])
    which = np.stack([np.zeros(draws, int), np.where(rng.random(draws) < 1 / 3, 1, 2), np.full(draws, 3)])
    points = np.empty((3, draws, 3))
    for leg in range(3):
        lasting = shared + rng.standard_normal((draws, SOURCES)) * (SCOPE_OF == PASS)
        fresh = rng.standard_normal((draws, SOURCES)) * (SCOPE_OF > PASS)
        points[leg] = lasting @ means[leg] + np.einsum("ns,nsk->nk", fresh, vectors[which[leg]])
    heights = points[..., 2] - 0.3 * points[..., 0] + 0.2 * points[..., 1]
    found = cell_errors(looks, faces, legs, sensor, navigation, STRONG, 10e3)
    weights = np.array([0.5, 0.2, 0.3])
    pooled = np.tensordot(weights, points, 1)
    assert found.vertical_combined_m[0] == pytest.approx((weights @ heights).std(), rel=0.01)
    assert found.horizontal_combined_m[0] == pytest.approx(np.sqrt(pooled[:, :2].var(axis=0).sum()), rel=0.01)
    assert found.vertical_single_m[0] == pytest.approx(heights[0].std(), rel=0.01)
    assert found.horizontal_single_m[0] == pytest.approx(np.sqrt(points[0, :, :2].var(axis=0).sum()), rel=0.01)
    assert found.disagreement_m[0] == pytest.approx((heights[0] - heights[2]).std(), rel=0.01)
    assert found.terms_m2[0].sum() == pytest.approx(found.vertical_combined_m[0] ** 2, rel=1e-5)


def test_a_pass_without_returns_counts_for_nothing():
    legs = [a_leg(-30, 0), a_leg(30, 0, 180), a_leg(0, 0, 90)]
    looks, faces = seen(
        [
            [(0, 10, 12.0), (1, 10, 0.0)],
            [(0, 10, 12.0)],
            [(0, 10, 0.0), (1, 10, 0.0)],
            [],
            [(0, 10, 12.0), (2, 10, 0.9 * LEAST_RETURNS)],
            [(0, 10, 12.0), (2, 10, LEAST_RETURNS)],
        ]
    )
    found = cell_errors(looks, faces, legs, A, ENTRY, STRONG)
    assert np.isnan(found.vertical_combined_m).tolist() == [False, False, True, True, False, False]
    for name in ("vertical_single_m", "vertical_combined_m", "horizontal_single_m", "horizontal_combined_m"):
        values = getattr(found, name)
        assert values[0] == values[1]
        assert np.isnan(values[2:4]).all()
    assert np.isnan(found.terms_m2[2:4]).all()
    assert (found.dominant == NO_TERM).tolist() == [False, False, True, True, False, False]
    assert np.isnan(found.disagreement_m).tolist() == [True] * 5 + [False]


def test_the_single_pass_is_the_one_that_brings_most():
    legs = [a_leg(-60, 0), a_leg(0, 0)]  # from far aside, and from straight above
    far, near = (errors_at_origin([leg], [5], A, ENTRY).vertical_single_m[0] for leg in legs)
    assert far > near
    assert errors_at_origin(legs, [30, 10], A, ENTRY).vertical_single_m[0] == far
    assert errors_at_origin(legs, [10, 30], A, ENTRY).vertical_single_m[0] == near


STEEP = np.tan(np.radians(40))


@pytest.mark.parametrize(
    ("aside_m", "slope", "sensor", "navigation", "term"),
    [
        # straight above level ground: positions to 25 mm in height against 15 mm of range
        (0.0, (0.0, 0.0), B, ENTRY, "position"),
        (0.0, (0.0, 0.0), replace(B, range_noise_m=0.05), ENTRY, "range"),
        # 0.03 deg at 80 m is 42 mm of place, 35 mm of height on the slope; a narrow beam
        (0.0, (0.0, STEEP), replace(B, divergence_mrad=0.3), ENTRY, "roll and pitch"),
        # 3 mrad at 80 m: 60 mm of place, 50 mm of height
        (0.0, (0.0, STEEP), A, ENTRY, "footprint"),
        # 70 m aside 0.08 deg of heading are 98 mm along the track
        (70.0, (0.0, STEEP), replace(B, divergence_mrad=0.3), ENTRY, "heading"),
        (70.0, (0.0, 0.0), replace(B, divergence_mrad=0.3, angle_noise_deg=0.1), ENTRY, "scan angle"),
        (0.0, (0.0, STEEP), replace(B, divergence_mrad=0.3), replace(ENTRY, timing_sd_s=0.01), "timing"),
        (70.0, (0.0, 0.0), B, replace(ENTRY, boresight_sd_deg=(0.2, 0.0, 0.0)), "boresight"),
        (0.0, (0.0, 0.0), B, replace(ENTRY, lever_arm_sd_m=(0.0, 0.0, 0.1)), "lever arm"),
    ],
)
def test_the_dominant_term_is_the_one_that_the_place_makes_it(aside_m, slope, sensor, navigation, term):
    found = errors_at_origin([a_leg(-aside_m, 0.0)], [20], sensor, navigation, slope)
    assert TERMS[found.dominant[0]] == term
    assert found.terms_m2[0].argmax() == found.dominant[0]


def test_weak_echoes_make_a_cell_less_sure():
    leg = [a_leg(0, 0)]
    looks, faces = seen([[(0, 10, 12.0)]] * 2)
    found = cell_errors(looks, faces, leg, B, a_navigation(), [8.0, 2.0])
    ranges = np.sqrt(found.terms_m2[:, TERMS.index("range")])
    assert ranges == pytest.approx([0.015, 0.03], rel=1e-5)


def test_signals_at_looks_follow_the_range_equation():
    legs = [a_leg(-40, 0), a_leg(20, 0, 180), a_leg(0, 0, up=120)]
    slopes = np.array([(0.0, 0.0), (0.4, 0.1), (-3.0, 0.0)])
    looks, faces = seen([[(0, 10, 1.0), (1, 10, 1.0), (2, 10, 1.0)]] * 3, slopes)
    palettes = [
        Palette(np.array([rated, 0.4]), np.zeros((2, LOBE_STEPS)), np.zeros(2, bool), np.zeros(2, bool))
        for rated in (0.1, 0.2)
    ]
    reaches = [Reach(400.0, 2e-4, 0.1, 3.0, seeing=Seeing()), Reach(300.0, 1e-4, 0.2, 3.0, seeing=Seeing())]
    lights = [light_of([reach], [palette]) for reach, palette in zip(reaches, palettes, strict=True)]
    codes = np.array([[0], [1], [0]], dtype=np.uint8)
    found = signal_ratios(looks, faces, legs, [lights[0], lights[1], lights[0]], codes)
    expected = []
    for cell, (rise_e, rise_n) in enumerate(slopes):
        normal = np.array([-rise_e, -rise_n, 1.0]) / np.sqrt(1 + rise_e**2 + rise_n**2)
        for leg, case in ((0, 0), (1, 1), (2, 0)):
            sight = legs[leg].origins_m[10]
            distance = np.linalg.norm(sight)
            cos = max(normal @ sight / distance, 0.0)
            limit = clear_air_limit_m(reaches[case].strength_m, palettes[case].matt[codes[cell, 0]], cos)
            expected.append(signal_ratio(distance, limit, reaches[case].extinction_per_m))
    assert found == pytest.approx(np.array(expected, dtype=float), rel=1e-9)
    assert found[6] == 0  # the face that falls eastward has its back to the leg in the west
    assert found[7] > 0


@pytest.mark.parametrize("sensor", [A, K], ids=["fan", "cone"])
def test_a_flight_over_a_plain_is_as_the_flat_form_says(sensor):
    z = np.zeros((121, 121))
    grid = HeightGrid(z, np.ones(z.shape, bool), 0.0, 120.0, 1.0)
    cells = cells_on(grid, 2.0)
    layers = Layers(grid, grid)
    faces = faces_of(layers, cells, np.ones((cells.rows, cells.cols), bool))
    rating = sensor.ratings[0]
    pattern = scan_pattern(sensor, rating.pulse_rate_hz / 10, sensor.line_rates_hz[0])
    legs = [straight_leg(np.array([[60.0, -40.0, 60.0], [60.0, 160.0, 60.0]]), SPEED_MPS, pattern)]
    light = light_of([Reach(4000.0, 0.0, 0.1, 3.0, seeing=Seeing())])
    looks = fire_legs(layers, cells, legs, [light], faces=faces).looks
    ratios = signal_ratios(looks, faces, legs, [light], np.zeros(cells.rows * cells.cols, np.uint8))
    found = cell_errors(looks, faces, legs, sensor, ENTRY, ratios)
    under = found.vertical_single_m.reshape(cells.rows, cells.cols)[20:40]
    off = np.arctan(np.abs(cells.centres_m()[0] - 60.0) / 60.0)
    swath = off < pattern.usable_half_angle_rad - 0.05
    assert swath.sum() > 10
    assert not np.isnan(under[:, swath]).any()
    if pattern.planar:
        expected = np.sqrt(flat_covariances_m2(sensor, ENTRY, 60.0, off)[..., 2, 2].sum(axis=-1))
        assert under[:, swath] == pytest.approx(np.broadcast_to(expected[swath], under[:, swath].shape), rel=0.002)
    else:
        # All beams of a cone are as far off straight down.
        expected = np.sqrt(flat_covariances_m2(sensor, ENTRY, 60.0, pattern.usable_half_angle_rad)[..., 2, 2].sum())
        assert np.median(under[:, swath]) == pytest.approx(expected, rel=0.03)
    assert echo_noise_m(sensor, 60.0, ratios.min()) == sensor.range_noise_m


@pytest.mark.parametrize("slope", [(0.0, 0.0), (0.6, -0.2)])
def test_the_slope_adds_to_what_level_ground_would_have(slope):
    # Variance along the normal, read vertically, against that of the height alone: n = (-s, 1) (C).
    legs, returns = [a_leg(-30.0, 0.0), a_leg(20.0, 0.0, 170.0)], [20, 9]
    sloping = errors_at_origin(legs, returns, A, ENTRY, slope)
    level = errors_at_origin(legs, returns, A, ENTRY)
    assert sloping.vertical_level_m == pytest.approx(level.vertical_combined_m, rel=1e-9)
    assert (sloping.vertical_combined_m[0] > level.vertical_combined_m[0] * 1.05) == any(slope)
