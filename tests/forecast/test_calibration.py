"""Calibration strength: laws of geometry, hand-worked pairs of lines, and an adjustment carried out many times."""

from dataclasses import fields, replace
from itertools import pairwise

import numpy as np
import pytest

import planner.forecast.calibration as calibration
from planner.equipment import RangeRating, Sensor
from planner.forecast.calibration import (
    PARAMETERS,
    CalibrationSd,
    Sightings,
    calibration_strength,
    sightings_of,
    usual_limits,
)
from planner.forecast.calibrationlines import candidate_lines, what_would_help, with_lines
from planner.ground.surface import HeightGrid, Layers, cells_on
from planner.navigation import Navigation
from planner.ranging.attitude import angles_of, mount_rotation, rotation, straight_leg, to_world
from planner.ranging.beams import scan_pattern
from planner.ranging.looks import faces_of, leg_looks, looks_of
from planner.ranging.uncertainty import SOURCES, error_model, error_vectors

NORTH, SOUTH, EAST = 0.0, np.pi, np.pi / 2
AGL_M = 60.0
NOISE_M = 0.02
LIMITS = CalibrationSd(0.01, 0.01, 0.02, 0.01)


def a_card(**changes):
    """A card that knows all but what is calibrated, unless told otherwise."""
    sure = {
        "name": "sure",
        "position_horizontal_sd_m": 0.0,
        "position_vertical_sd_m": 0.0,
        "roll_pitch_sd_deg": 0.0,
        "heading_sd_deg": 0.0,
        "boresight_sd_deg": (0.01, 0.01, 0.02),
        "lever_arm_sd_m": (0.0, 0.0, 0.0),
        "timing_sd_s": 0.0,
    }
    return Navigation(**sure | changes)


def usual_card():
    return a_card(
        position_horizontal_sd_m=0.02,
        position_vertical_sd_m=0.03,
        roll_pitch_sd_deg=0.015,
        heading_sd_deg=0.05,
        lever_arm_sd_m=(0.01, 0.01, 0.01),
    )


def ground(slope_deg=0.0, seed=None, side_m=100.0, step_m=10.0):
    """Patches about the origin and their normals: level, rising to the north, or (with a seed) each its own way."""
    ticks = np.arange(-side_m / 2, side_m / 2 + 1e-9, step_m)
    east, north = (axis.ravel() for axis in np.meshgrid(ticks, ticks))
    slope = np.full(len(east), np.radians(slope_deg))
    aspect = np.zeros(len(east))
    up = np.zeros(len(east))
    if seed is not None:
        generator = np.random.default_rng(seed)
        aspect = generator.uniform(0, 2 * np.pi, len(east))
        up = generator.uniform(-10, 10, len(east))
    normals = np.column_stack([-np.sin(slope) * np.sin(aspect), -np.sin(slope) * np.cos(aspect), np.cos(slope)])
    return np.column_stack([east, north, up]), normals


def flown(patches, lines, mount=None, half_deg=45.0):
    """Sightings of patches from level lines (course, metres right of the middle, metres up), worked out one by one."""
    targets, normals = patches
    mount = np.eye(3) if mount is None else mount
    rows = []
    for leg, (course, aside_m, up_m) in enumerate(lines):
        along = np.array([np.sin(course), np.cos(course), 0.0])
        right = np.array([np.cos(course), -np.sin(course), 0.0])
        turn = to_world(np.array([[course, 0.0, 0.0]]))[0] @ mount
        for patch, target in enumerate(targets):
            foot = aside_m * right + np.array([0.0, 0.0, up_m])
            origin = foot + ((target - foot) @ turn[:, 0]) / (along @ turn[:, 0]) * along
            forward, sideways, down = (target - origin) @ turn
            assert abs(forward) < 1e-9
            if abs(np.arctan2(sideways, down)) <= np.radians(half_deg):
                rows.append((patch, leg, *origin, course, *target, *normals[patch]))
    table = np.array(sorted(rows))
    own = np.array([angles_of(rotation(course, 0.0, 0.0) @ mount) for course in table[:, 5]])
    return Sightings(
        patch=table[:, 0].astype(np.int64),
        leg=table[:, 1].astype(np.int64),
        origins_m=table[:, 2:5],
        angles_rad=own,
        courses_rad=table[:, 5],
        targets_m=table[:, 6:9],
        normals=table[:, 9:12],
        noise_m=np.full(len(table), NOISE_M),
        mount=mount,
    )


def strength(patches, lines, card=None, **changes):
    return calibration_strength(flown(patches, lines, **changes), card or a_card(), LIMITS)


def test_opposed_lines_over_flat_ground_determine_roll_and_nothing_else():
    """Roll moves a patch y aside by y up on one line, down on the other: variance s^2 / (2 sum y^2) (C, by hand).

    What each line's own roll is off by adds half its variance: the mean of two.
    """
    patches = ground()
    lines = [(NORTH, 0, AGL_M), (SOUTH, 0, AGL_M)]
    found = strength(patches, lines)
    by_noise = NOISE_M / np.sqrt(2 * np.sum(patches[0][:, 0] ** 2))
    assert np.radians(found.sd.roll_deg) == pytest.approx(by_noise, rel=1e-9)
    assert np.isinf([found.sd.pitch_deg, found.sd.heading_deg, found.sd.range_m]).all()
    assert found.undetermined == ("pitch", "heading", "range")
    assert np.isnan(found.correlations[0, 1:]).all()
    assert found.correlations[0, 0] == pytest.approx(1)
    # Only the farthest patch, 50 m aside and 60 m down, is moved so far.
    assert found.left_m[0] == pytest.approx(by_noise * np.hypot(50, AGL_M), rel=1e-9)
    swaying = strength(patches, lines, a_card(roll_pitch_sd_deg=0.015, position_vertical_sd_m=0.03))
    assert np.radians(swaying.sd.roll_deg) == pytest.approx(
        np.hypot(by_noise, np.radians(0.015) / np.sqrt(2)), rel=1e-6
    )


@pytest.mark.parametrize("slope_deg", [2.0, 10.0, 30.0])
def test_pitch_is_as_sure_as_slopes_are_steep(slope_deg):
    """Along a slope b, pitch moves a patch H sin b one way and the other (C, by hand): s^2 / (2 sum (H sin b)^2)."""
    patches = ground(slope_deg)
    found = strength(patches, [(NORTH, 0, AGL_M), (SOUTH, 0, AGL_M)])
    by_noise = NOISE_M / np.sqrt(2 * len(patches[0])) / (AGL_M * np.sin(np.radians(slope_deg)))
    assert np.radians(found.sd.pitch_deg) == pytest.approx(by_noise, rel=1e-9)
    assert found.slope_rms_deg == pytest.approx(slope_deg)
    # Heading moves patches alike on both: it takes lines side by side.
    assert np.isinf(found.sd.heading_deg)


@pytest.mark.parametrize("card", [a_card(), usual_card()])
@pytest.mark.parametrize("patches", [ground(), ground(25.0), ground(25.0, seed=3)])
def test_lines_flown_the_same_way_say_nothing_about_pitch(patches, card):
    found = strength(patches, [(NORTH, -15, AGL_M), (NORTH, 15, AGL_M)], card)
    # The lever arm, where it is doubtful, is carried along: it moves both lines alike too.
    assert np.isinf(found.sd.pitch_deg)
    assert "pitch" in found.undetermined


def test_heading_takes_lines_side_by_side_and_slopes():
    beside = [(NORTH, -15, AGL_M), (NORTH, 15, AGL_M)]
    assert np.isinf(strength(ground(), beside).sd.heading_deg)
    assert strength(ground(25.0, seed=3), beside).sd.heading_deg < 0.1


def test_range_offset_is_told_from_heights_only_at_different_angles():
    """Flat ground: an offset lifts a patch by cos(angle), the same from one track at one height."""
    one_height = [(NORTH, 0, AGL_M), (SOUTH, 0, AGL_M)]
    assert np.isinf(strength(ground(), one_height).sd.range_m)
    two_heights = strength(ground(), [*one_height, (NORTH, 0, 2 * AGL_M)])
    two_tracks = strength(ground(), [*one_height, (SOUTH, 30, AGL_M)])
    assert two_heights.sd.range_m < 0.1
    assert two_tracks.sd.range_m < 0.1
    # Straight down only, height makes no difference.
    below = ground()[0][np.abs(ground()[0][:, 0]) < 1], ground()[1][np.abs(ground()[0][:, 0]) < 1]
    assert np.isinf(strength(below, [*one_height, (NORTH, 0, 2 * AGL_M)]).sd.range_m)


def test_a_doubtful_lever_arm_hides_pitch_until_another_height_is_flown():
    """Forward arm and pitch move points along the track, by a length and by an angle: one height can't tell them."""
    opposed = [(NORTH, 0, AGL_M), (SOUTH, 0, AGL_M)]
    patches = ground(20.0)
    arm = a_card(lever_arm_sd_m=(0.1, 0.0, 0.0))
    hidden = strength(patches, opposed, arm).sd.pitch_deg
    # The slope makes heights differ by 36 m: level it by hand.
    level = patches[0] * [1, 1, 0], patches[1]
    assert strength(level, opposed, arm).sd.pitch_deg == pytest.approx(np.degrees(0.1 / AGL_M), rel=0.01)
    more = [*opposed, (NORTH, 0, 0.75 * AGL_M), (SOUTH, 0, 0.75 * AGL_M)]
    assert strength(level, more, arm).sd.pitch_deg < 0.5 * strength(level, opposed, arm).sd.pitch_deg
    assert strength(patches, more, arm).sd.pitch_deg < hidden


def test_an_opposed_and_a_cross_line_lower_every_deviation():
    patches, card = ground(15.0, seed=5), usual_card()
    lines = [(NORTH, -20, AGL_M), (NORTH, 20, AGL_M)]
    steps = [strength(patches, more, card) for more in (lines, [*lines, (SOUTH, 0, AGL_M)])]
    steps.append(strength(patches, [*lines, (SOUTH, 0, AGL_M), (EAST, 0, AGL_M)], card))
    for before, after in pairwise(steps):
        assert (after.sd.plain() < before.sd.plain()).all()
        assert set(after.undetermined) <= set(before.undetermined)


def test_twice_as_good_all_round_is_twice_as_sure():
    lines = [(NORTH, -20, AGL_M), (SOUTH, 20, AGL_M), (EAST, 0, AGL_M)]
    seen, card = flown(ground(15.0, seed=5), lines), usual_card()
    half = replace(
        card,
        position_horizontal_sd_m=0.01,
        position_vertical_sd_m=0.015,
        roll_pitch_sd_deg=0.0075,
        heading_sd_deg=0.025,
        lever_arm_sd_m=(0.005,) * 3,
    )
    one = calibration_strength(seen, card, LIMITS)
    other = calibration_strength(replace(seen, noise_m=seen.noise_m / 2), half, LIMITS)
    np.testing.assert_allclose(other.sd.plain(), one.sd.plain() / 2, rtol=1e-9)
    np.testing.assert_allclose(other.correlations, one.correlations, atol=1e-9)


def simulated(seen, errors, noise):
    """Misclosures of an adjustment: rays fired with errors at true planes, processed as if there were none.

    Errors, all as they should be added to what is assumed: boresight (3, about the inertial unit's axes), range, lever
    arm (3), then of each leg its position (3) and roll, pitch, heading; by rigorous rotations, nothing made linear.
    """
    turned = rotation(*errors[2::-1])
    own = errors[7:].reshape(-1, 6)[seen.leg]
    bodies = np.einsum("nij,kj->nik", to_world(seen.angles_rad), seen.mount)
    level = to_world(np.column_stack([seen.courses_rad, 0 * own[:, :2]]))
    true_bodies = level @ rotation(own[:, 5], own[:, 4], own[:, 3]) @ np.swapaxes(level, 1, 2) @ bodies
    places = seen.origins_m + own[:, :3] + true_bodies @ errors[4:7]
    looks = seen.rays_m / np.linalg.norm(seen.rays_m, axis=1, keepdims=True)
    beams = np.einsum("nij,nj->ni", true_bodies @ turned @ seen.mount, looks)
    ranges = np.sum((seen.targets_m - places) * seen.normals, axis=1) / np.sum(beams * seen.normals, axis=1)
    thought = np.einsum("nij,nj->ni", bodies @ seen.mount, looks)
    points = seen.origins_m + (ranges - errors[3])[:, None] * thought
    return np.sum((points - seen.targets_m) * seen.normals, axis=1) + noise


@pytest.mark.parametrize("tilt_deg", [0.0, 25.0])
def test_an_adjustment_carried_out_a_thousand_times_scatters_as_forecast(tilt_deg):
    """Least squares with its own design by differences, patch heights and all as unknowns: the slow twin (C).

    Sampling error of a deviation from 1000 runs: 1 / sqrt(2000) = 2.2 %; four of it are allowed.
    """
    mount = rotation(0.2, np.radians(tilt_deg), 0.05)
    lines = [(NORTH, -10, AGL_M), (SOUTH, 10, AGL_M), (EAST, 0, 1.3 * AGL_M)]
    seen = flown(ground(20.0, seed=9, side_m=60.0), lines, mount)
    card, runs = usual_card(), 1000
    leg_sd = np.array([0.02, 0.02, 0.03, *np.radians([0.015, 0.015, 0.05])])
    known = np.array([0.01, 0.01, 0.01, *np.tile(leg_sd, 3)])
    size, patches = 4 + len(known), int(seen.patch.max()) + 1
    steps = 1e-6 * np.eye(size)
    columns = [(simulated(seen, step, 0.0) - simulated(seen, -step, 0.0)) / 2e-6 for step in steps]
    heights = -np.eye(patches)[seen.patch]
    priors = np.hstack([np.zeros((len(known), 4)), np.diag(1 / known), np.zeros((len(known), patches))])
    design = np.vstack([np.column_stack([np.array(columns).T, heights]) / NOISE_M, priors])
    solution = np.linalg.pinv(design)
    generator = np.random.default_rng(21)
    bias = np.array([*np.radians([0.08, -0.06, 0.1]), 0.05])
    estimates = np.empty((runs, 4))
    for run in range(runs):
        errors = np.concatenate([bias, known * generator.standard_normal(len(known))])
        misclosures = simulated(seen, errors, NOISE_M * generator.standard_normal(len(seen.leg)))
        estimates[run] = (solution @ np.concatenate([misclosures / NOISE_M, np.zeros(len(known))]))[:4]
    found = calibration_strength(seen, card, LIMITS)
    twin = np.sqrt(np.diag(np.linalg.inv(design.T @ design)))[:4]
    np.testing.assert_allclose(found.sd.plain(), twin, rtol=1e-4)
    np.testing.assert_allclose(estimates.std(axis=0), found.sd.plain(), rtol=4 / np.sqrt(2 * runs))
    off = estimates.mean(axis=0) - bias
    assert (np.abs(off) < 5 * found.sd.plain() / np.sqrt(runs)).all()
    np.testing.assert_allclose(np.corrcoef(estimates.T), found.correlations, atol=4 / np.sqrt(runs))


def test_errors_move_points_as_they_do_in_the_error_budget():
    """Two derivations of one Jacobian: boresight and lever arm here, and term by term in the budget."""
    sensor = a_sensor(forward_tilt_deg=20, sideways_tilt_deg=5, turned_deg=30)
    card = a_card(boresight_sd_deg=(0.01, 0.02, 0.03), lever_arm_sd_m=(0.01, 0.02, 0.03))
    seen = flown(ground(20.0, seed=9, side_m=60.0), [(0.7, -10, AGL_M), (4.0, 10, AGL_M)], mount_rotation(sensor))
    model, vectors = error_model(sensor, card), np.empty((SOURCES, 3))
    design = calibration._design(seen)
    for i in range(0, len(seen.leg), 7):
        sight = tuple(seen.targets_m[i] - seen.origins_m[i])
        error_vectors(model, tuple(seen.angles_rad[i]), sight, (0.0, 0.0, 0.0), 1.0, vectors)
        along = np.abs(vectors @ seen.normals[i])
        np.testing.assert_allclose(along[9:12], np.abs(design[i, :3]) * np.radians([0.01, 0.02, 0.03]), atol=1e-12)
        np.testing.assert_allclose(along[12:15], np.abs(design[i, 4:7]) * [0.01, 0.02, 0.03], atol=1e-12)
        assert along[18] == pytest.approx(abs(design[i, 3]))


def a_sensor(**changes):
    figures = {
        "name": "made",
        "wavelength_nm": 905,
        "pattern": "oscillating_linear",
        "line_rates_hz": (50.0,),
        "optical_fov_deg": 70,
        "usable_fov_deg": 70,
        "divergence_mrad": 1,
        "divergence_width": "1/e2",
        "min_range_m": 1,
        "range_noise_m": 0.01,
        "ratings": (RangeRating(pulse_rate_hz=100e3, range_m=200, reflectance=0.2),),
    }
    return Sensor(**figures | changes)


def looked_at(sensor, height, courses, cell_m=2.0):
    """Sightings made the long way, from legs over a raster: both legs over its middle, 8 m/s, 60 m up."""
    ticks = np.arange(101.0)
    z = height(*np.meshgrid(ticks, ticks[::-1]))
    grid = HeightGrid(np.asarray(z), np.ones(z.shape, dtype=bool), 0.0, 100.0, 1.0)
    layers, cells = Layers(grid, grid), cells_on(grid, cell_m)
    faces = faces_of(layers, cells, np.ones((cells.rows, cells.cols), dtype=bool))
    legs = []
    for course in courses:
        half = 70.0 * np.array([np.sin(course), np.cos(course), 0.0])
        middle = np.array([50.0, 50.0, AGL_M])
        turned = angles_of(rotation(course, 0.0, 0.0) @ mount_rotation(sensor))
        legs.append(
            straight_leg(np.array([middle - half, middle + half]), 8.0, scan_pattern(sensor, 100e3, 50.0), turned)
        )
    looks = looks_of(
        [leg_looks(faces, cells, leg, lambda at: np.full(len(at), 50.0)) for leg in legs], len(faces.slopes)
    )
    usable = np.ones(len(faces.slopes), dtype=bool)
    usable[0] = False
    return sightings_of(looks, faces, legs, sensor, usable, 0.03), faces


def test_sightings_are_those_of_the_legs():
    sensor = a_sensor(forward_tilt_deg=15)
    seen, faces = looked_at(sensor, lambda east, north: 0.2 * east - 0.1 * north, [0.4, 0.4 + np.pi])
    assert (np.diff(seen.patch) >= 0).all()
    assert np.bincount(seen.patch).min() >= 2
    np.testing.assert_allclose(seen.normals, np.tile(np.array([-0.2, 0.1, 1.0]) / np.sqrt(1.05), (len(seen.leg), 1)))
    np.testing.assert_allclose(seen.noise_m, np.hypot(0.03 / np.sqrt(50), 0.02), rtol=1e-6)
    # The beams of this pattern lie in one plane: nothing is seen ahead of or behind it.
    assert np.abs(seen.rays_m[:, 0]).max() < 1e-9
    np.testing.assert_allclose(np.sort(np.unique(seen.courses_rad % (2 * np.pi))), [0.4, 0.4 + np.pi])
    # The first cell was not usable.
    assert not (seen.targets_m == faces.centres_m[0]).all(axis=1).any()


def test_half_a_sample_does_not_pass_for_a_view_ahead():
    """Level ground from level lines: pitch moves no point up or down, though looks are known to a sample only."""
    seen, _ = looked_at(a_sensor(), lambda east, north: 0 * east, [0.4, 0.4 + np.pi])
    assert np.isinf(calibration_strength(seen, usual_card(), LIMITS).sd.pitch_deg)


@pytest.mark.parametrize(
    ("changes", "seen"),
    [
        ({}, False),
        ({"forward_tilt_deg": 20}, False),  # pitch lifts what is ahead, on both lines alike
        ({"pattern": "conical", "optical_fov_deg": 40, "usable_fov_deg": 40}, True),  # one part ahead, the other behind
    ],
)
def test_level_ground_shows_pitch_to_views_ahead_and_back(changes, seen):
    sightings, _ = looked_at(a_sensor(**changes), lambda east, north: 0 * east, [0.4, 0.4 + np.pi])
    found = calibration_strength(sightings, a_card(), LIMITS)
    assert found.sd.pitch_deg < 0.01 if seen else np.isinf(found.sd.pitch_deg)


def test_the_sample_is_bounded_the_same_each_time_and_rich_in_slopes(monkeypatch):
    def ridge(east, north):
        return np.where(east < 10, 0.5 * east, 5.0)

    whole, _ = looked_at(a_sensor(), ridge, [0.4, 0.4 + np.pi])
    monkeypatch.setattr(calibration, "MOST_PATCHES", 200)
    one, _ = looked_at(a_sensor(), ridge, [0.4, 0.4 + np.pi])
    other, _ = looked_at(a_sensor(), ridge, [0.4, 0.4 + np.pi])
    assert len(np.unique(whole.patch)) > 1000
    assert len(np.unique(one.patch)) == 200
    steep = np.unique(one.patch[one.normals[:, 2] < np.cos(np.radians(5))])
    assert len(steep) == 100
    for field in fields(Sightings):
        np.testing.assert_array_equal(getattr(one, field.name), getattr(other, field.name))


@pytest.mark.parametrize("tilt_deg", [0.0, 20.0])
def test_lines_that_are_tried_see_what_flown_ones_would(tilt_deg):
    mount = rotation(0.0, np.radians(tilt_deg), 0.0)
    patches = ground(10.0, seed=2)
    lines = [(NORTH, 0, AGL_M), (NORTH, 20, AGL_M)]
    seen = flown(patches, lines, mount)
    opposed = candidate_lines(seen)[0]
    level = replace(opposed, start_m=np.array([0.0, 200.0]), end_m=np.array([0.0, -200.0]))
    both = with_lines(seen, [level])
    added = both.leg == 2
    real = flown(patches, [*lines, (SOUTH, 0, AGL_M)], mount)
    mine = real.leg == 2
    # The line that is tried follows the trend of the ground, here within two metres of level.
    assert len(set(both.patch[added]) ^ set(real.patch[mine])) < 0.1 * mine.sum()
    common = np.isin(both.patch[added], real.patch[mine])
    np.testing.assert_allclose(both.rays_m[added][:, 0], 0, atol=1e-9)
    np.testing.assert_allclose(
        both.origins_m[added][common], real.origins_m[mine][np.isin(real.patch[mine], both.patch[added])], atol=3.0
    )
    np.testing.assert_allclose(both.angles_rad[added][0], real.angles_rad[mine][0], atol=1e-12)
    card = usual_card()
    np.testing.assert_allclose(
        calibration_strength(both, card, LIMITS).sd.plain(),
        calibration_strength(real, card, LIMITS).sd.plain(),
        rtol=0.1,
    )


def test_lines_to_try_keep_to_the_limits_of_height():
    seen = flown(ground(), [(NORTH, -20, AGL_M), (NORTH, 20, AGL_M)])
    tried = candidate_lines(seen)
    assert [round(line.agl_m) for line in tried] == [60, 60, 75, 45]
    assert [line.words.split()[1] for line in tried] == ["opposed", "cross", "line", "line"]
    assert "25 % higher" in tried[2].words
    assert [round(line.agl_m) for line in candidate_lines(seen, (50.0, 70.0))] == [60, 60]
    cross = tried[1]
    assert abs(cross.end_m[1] - cross.start_m[1]) < 1e-9
    assert np.hypot(*(cross.end_m - cross.start_m)) == pytest.approx(100)
    # Patches side by side give a track no length.
    row = flown((ground()[0][:11], ground()[1][:11]), [(NORTH, -20, AGL_M), (NORTH, 20, AGL_M)])
    assert [line.words.split()[1] for line in candidate_lines(row)] == ["cross"]
    # Nothing returns from beyond reach.
    assert len(with_lines(seen, tried, reach_m=30.0).leg) == len(seen.leg)


def test_help_ranks_lines_and_says_by_how_much():
    seen, card = flown(ground(20.0, seed=4), [(NORTH, -20, AGL_M), (NORTH, 20, AGL_M)]), usual_card()
    found = what_would_help(seen, card, LIMITS, candidate_lines(seen))
    now = calibration_strength(seen, card, LIMITS)
    assert found.best is found.trials[0]
    # Lines flown the same way again can't bring pitch.
    assert found.best.line.words.split()[1] in ("opposed", "cross")
    assert np.isinf(now.sd.pitch_deg)
    assert np.isfinite(found.best.strength.sd.pitch_deg)
    assert found.advice.startswith(f"{found.best.line.words} would help most: roll {now.sd.roll_deg:.4f} deg to 0.0")
    assert "pitch undetermined to 0.0" in found.advice
    for trial in found.trials:
        assert (trial.strength.sd.plain() <= now.sd.plain() * (1 + 1e-9)).all()


def test_help_says_where_no_line_helps():
    level = flown(ground(), [(NORTH, 0, AGL_M), (SOUTH, 0, AGL_M), (EAST, 0, AGL_M), (EAST + np.pi, 5, 80.0)])
    found = what_would_help(level, a_card(), LIMITS, candidate_lines(level)[:1])
    assert found.best is None
    assert found.advice == (
        "none of the lines tried would help much; still less sure than the limits: pitch, heading, range; "
        "pitch and heading show only where ground or roofs slope (here 0.0 deg root mean square)"
    )


def test_limits_are_the_cards_or_a_centimetre_at_the_edge():
    seen = flown(ground(), [(NORTH, 0, AGL_M), (SOUTH, 0, AGL_M)])
    found = usual_limits(seen, a_card(boresight_sd_deg=(0.05, 0.0, 0.0)))
    assert found.roll_deg == pytest.approx(0.05)
    assert np.radians(found.pitch_deg) * AGL_M == pytest.approx(0.01)
    assert np.radians(found.heading_deg) * 50 == pytest.approx(0.01)
    assert found.range_m == 0.01


def test_a_flight_without_overlap_determines_nothing():
    seen = flown(ground(), [(NORTH, 0, AGL_M)])
    nothing = Sightings(**{f.name: getattr(seen, f.name)[:0] for f in fields(Sightings)} | {"mount": np.eye(3)})
    found = calibration_strength(nothing, usual_card(), LIMITS)
    assert np.isinf(found.sd.plain()).all()
    assert np.isinf(found.left_m).all()
    assert found.undetermined == PARAMETERS
    assert candidate_lines(nothing) == []
    assert what_would_help(nothing, usual_card(), LIMITS, []).best is None
    assert calibration_strength(seen, usual_card(), LIMITS).undetermined == PARAMETERS


def test_walls_are_no_patches():
    """A step of 6 m within a cell of 2 m is steeper than 60 degrees on the mean; beside it all is level."""
    seen, _ = looked_at(a_sensor(), lambda east, north: np.where(east > 50, 6.0, 0.0), [0.4, 0.4 + np.pi])
    assert (seen.normals[:, 2] > 0.999).all()
    assert len(np.unique(seen.patch)) > 1000
    assert not (np.abs(seen.targets_m[:, 0] - 51) < 0.9).any()


def test_a_face_turned_away_is_not_seen_from_a_line_that_is_tried():
    seen = flown(ground(), [(NORTH, 0, AGL_M), (SOUTH, 0, AGL_M)])
    hidden = (seen.targets_m[:, :2] == [40.0, 10.0]).all(axis=1)
    away = replace(seen, normals=np.where(hidden[:, None], [0.999, 0.0, 0.045], seen.normals))
    line = candidate_lines(seen)[0]
    assert hidden.sum() == 2
    assert len(with_lines(seen, [line]).leg) - len(with_lines(away, [line]).leg) == 1


def test_beams_that_lean_see_the_same_as_a_sensor_that_is_tilted():
    tilt = np.radians(20.0)
    tilted = flown(ground(15.0, seed=6), [(NORTH, 0, AGL_M), (NORTH, 20, AGL_M)], rotation(0.0, tilt, 0.0))
    level = np.column_stack([tilted.courses_rad, np.zeros((len(tilted.leg), 2))])
    leaning = replace(tilted, angles_rad=level, mount=np.eye(3))
    np.testing.assert_allclose(leaning.rays_m[:, 0], np.tan(tilt) * leaning.rays_m[:, 2])
    line = candidate_lines(tilted)[1]
    one, other = with_lines(tilted, [line]), with_lines(leaning, [line])
    both = set(one.patch[one.leg == 2]) & set(other.patch[other.leg == 2])
    assert len(both) > 50
    for patch in both:
        places = [a.origins_m[(a.leg == 2) & (a.patch == patch)][0] for a in (one, other)]
        np.testing.assert_allclose(*places, atol=1e-9)
