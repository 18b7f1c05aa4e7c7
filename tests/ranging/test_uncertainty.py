"""The error budget of a point against finite differences, rigorous rotations, and published numbers."""

import itertools
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from planner.files.cards import bundled, load_navigation, load_sensor
from planner.navigation import Navigation
from planner.ranging.attitude import rotation, to_world
from planner.ranging.detection import Seeing
from planner.ranging.principles import phase_range_noise_m, triangulation_noise_m
from planner.ranging.uncertainty import (
    SOURCES,
    TERM_OF,
    TERMS,
    echo_noise_m,
    error_model,
    error_vectors,
    flat_covariances_m2,
    gnss_floor_m,
    ground_covariances_m2,
    horizontal_variance_m2,
    least_vertical_sd_m,
    vertical_variance_m2,
)

LAW = settings(deadline=None, max_examples=60)
HERE = Path()
NONE = (0.0, 0.0, 0.0)
WORLD = np.array([[0.0, 1, 0], [1, 0, 0], [0, 0, -1]])
ALL_SENSORS = {name: load_sensor(name, HERE) for name in bundled("sensors")}
ENTRY = load_navigation("entry", HERE)


def a_navigation(h_m=0.0, v_m=0.0, angles_deg=0.0, heading_deg=0.0, **more) -> Navigation:
    """Return a navigation whose calibration and clock are perfect unless said."""
    perfect = {"boresight_sd_deg": NONE, "lever_arm_sd_m": NONE, "timing_sd_s": 0.0, "base_ppm": 1.0}
    return Navigation(
        name="test",
        position_horizontal_sd_m=h_m,
        position_vertical_sd_m=v_m,
        roll_pitch_sd_deg=angles_deg,
        heading_sd_deg=heading_deg,
        **perfect | more,
    )


def a_sensor(range_m=1e-9, scan_deg=0.0, divergence_mrad=1e-9, **more):
    """Return a sensor whose range, scan angle and beam are all but perfect unless said."""
    figures = {"range_noise_m": range_m, "angle_noise_deg": scan_deg, "divergence_mrad": divergence_mrad}
    return replace(ALL_SENSORS["b"], **figures | more)


# All errors large enough to tell, the sensor far from the place that the trajectory is of, and mounted askew.
ASKEW = a_sensor(
    0.02,
    0.02,
    2.0,
    forward_tilt_deg=12.0,
    sideways_tilt_deg=-4.0,
    turned_deg=20.0,
    boresight_deg=(0.5, -0.4, 0.8),
    lever_arm_m=(0.3, -0.2, 0.5),
    usable_fov_deg=60,
)
SHAKY = a_navigation(
    0.03, 0.04, 0.05, 0.1, boresight_sd_deg=(0.02, 0.03, 0.06), lever_arm_sd_m=(0.01, 0.02, 0.03), timing_sd_s=2e-3
)


def placed(sensor, body_rad, measured_m, velocity_mps, errors):
    """Return ground points, shape (n, 3), with errors, shape (n, SOURCES) in units of their own: direct georeferencing.

    Written apart from the module, with whole rotations for every error. Source 15 turns the scan angle.
    """
    errors = np.atleast_2d(errors).T
    mount = rotation(*np.radians([sensor.turned_deg, sensor.forward_tilt_deg, sensor.sideways_tilt_deg])) @ rotation(
        *np.radians(sensor.boresight_deg)[::-1]
    )
    length = np.linalg.norm(measured_m)
    beam = measured_m / length
    turned = np.einsum("nij,j->ni", rotation(0 * errors[15], 0 * errors[15], errors[15]), beam)
    aside = np.cross(beam, [1.0, 0, 0])
    aside /= np.linalg.norm(aside)
    for direction, place in ((aside, 20), (np.cross(beam, aside), 21)):
        turned = turned + np.tan(errors[place])[:, None] * direction
    turned *= ((length + errors[18]) / np.linalg.norm(turned, axis=1))[:, None]
    roll, pitch, heading = errors[9:12]
    within = np.einsum("nij,jk,nk->ni", rotation(heading, pitch, roll), mount, turned)
    arm = np.asarray(sensor.lever_arm_m) + errors[12:15].T
    attitude = rotation(body_rad[0] + errors[8], body_rad[1] + errors[7], body_rad[2] + errors[6])
    place = (errors[0:3] + errors[3:6]).T + errors[19][:, None] * np.asarray(velocity_mps)
    return place + np.einsum("ij,njk,nk->ni", WORLD, attitude, within + arm)


def vectors_of(sensor, navigation, body_rad, measured_m, velocity_mps, noise_m=1.0, base_m=0.0):
    """Return what the module says of a look, shape (SOURCES, 3), and its sigmas."""
    model = error_model(sensor, navigation, base_m)
    turn = rotation(*body_rad) @ model.mount
    yaw, tilt, roll = np.arctan2(turn[1, 0], turn[0, 0]), -np.arcsin(turn[2, 0]), np.arctan2(-turn[2, 1], turn[2, 2])
    out = np.empty((SOURCES, 3))
    error_vectors(model, (yaw, tilt, roll), tuple(WORLD @ turn @ measured_m), tuple(velocity_mps), noise_m, out)
    return out, model.sigmas


def alike(found, expected):
    """Return whether rows agree but for their sign, which an error does not have."""
    scale = np.abs(expected).max(initial=1e-3)
    return np.minimum(np.abs(found - expected).max(axis=1), np.abs(found + expected).max(axis=1)) < 1e-6 * scale


@LAW
@given(
    st.tuples(st.floats(-3, 3), st.floats(-0.25, 0.25), st.floats(-0.25, 0.25)),
    st.floats(-0.7, 0.7),
    st.floats(5.0, 200.0),
)
def test_the_jacobian_is_that_of_finite_differences(body_rad, scan_rad, range_m):
    measured = range_m * np.array([0.0, np.sin(scan_rad), np.cos(scan_rad)])
    velocity = (5.0, -4.0, 1.0)
    found, sigmas = vectors_of(ASKEW, SHAKY, body_rad, measured, velocity, base_m=4000.0)
    one_by_one = [source for source in range(SOURCES) if source not in (16, 17, 20, 21, 22)]
    step = 1e-6 * np.eye(SOURCES)[one_by_one]
    ahead, behind = (placed(ASKEW, body_rad, measured, velocity, sign * step) for sign in (1, -1))
    slopes = (ahead - behind) / 2e-6
    assert alike(found[one_by_one] / sigmas[one_by_one, None], slopes).all()
    assert (found[16:18] == 0).all()  # a fan has one scan angle
    # The beam's two directions have no axes of their own: their covariance is compared.
    both = 1e-6 * np.eye(SOURCES)[[20, 21]]
    across = (
        placed(ASKEW, body_rad, measured, velocity, both) - placed(ASKEW, body_rad, measured, velocity, -both)
    ) / 2e-6
    assert found[20:].T @ found[20:] / sigmas[20] ** 2 == pytest.approx(
        across.T @ across, rel=1e-6, abs=1e-6 * range_m**2
    )


CASES = [
    # body yaw, pitch, roll; scan angle [deg]; range [m]; slopes toward east and north
    (0, 0, 0, 0, 80, 0.0, 0.0),
    (90, -8, 0, 30, 90, 0.0, 0.0),
    (200, -8, 3, -30, 90, 0.1, -0.2),
    (30, 4, -2, 25, 120, 0.577, 0.0),
    (30, 4, -2, 25, 120, -0.577, 0.0),
    (30, 4, -2, 25, 120, 0.0, 0.577),
    (300, 0, 0, 28, 60, -0.3, 0.3),
    (145, -10, 5, -15, 45, 0.0, -0.84),
    (260, -6, 1, 10, 250, 0.2, 0.2),
    (10, -3, -4, -29, 150, -0.5, -0.1),
]


@pytest.mark.parametrize("case", CASES)
def test_a_monte_carlo_with_whole_rotations_agrees(case):
    *degrees, range_m, rise_e, rise_n = case
    *body, scan = np.radians(degrees)
    measured, velocity = range_m * np.array([0.0, np.sin(scan), np.cos(scan)]), (6.0, 5.0, 0.5)
    vectors, sigmas = vectors_of(ASKEW, SHAKY, body, measured, velocity, noise_m=0.02, base_m=8000.0)
    covariance = vectors.T @ vectors
    rng = np.random.default_rng(7)
    unit = rng.standard_normal((100_000, SOURCES))
    unit -= unit.mean(axis=0)  # and uncorrelated to the last digit, so that chance does not hide what curvature does
    unit = np.linalg.solve(np.linalg.cholesky(unit.T @ unit / len(unit)), unit.T).T
    scaled = unit * np.where(np.arange(SOURCES) == 18, 0.02, sigmas)
    moved = placed(ASKEW, body, measured, velocity, scaled) - placed(ASKEW, body, measured, velocity, np.zeros(SOURCES))
    heights = moved[:, 2] - rise_e * moved[:, 0] - rise_n * moved[:, 1]
    assert np.sqrt(vertical_variance_m2(covariance, (rise_e, rise_n))) == pytest.approx(heights.std(), rel=0.005)
    assert np.sqrt(horizontal_variance_m2(covariance)) == pytest.approx(
        np.sqrt(moved[:, 0].var() + moved[:, 1].var()), rel=0.005
    )


# Monte Carlo of 2e6 draws with rigorous rotations [C]: height [m], angle [deg]; along, across, vertical [mm].
# GNSS 20 mm and 30 mm, roll and pitch 0.015 deg, heading 0.05 deg, range 15 mm, scan angle 0.01 deg.
PUBLISHED = [
    (50, 0, 23.90, 25.43, 33.53),
    (50, 30, 34.75, 26.52, 33.94),
    (80, 0, 28.98, 32.17, 33.53),
    (80, 15, 34.50, 32.40, 34.01),
    (80, 30, 49.65, 33.02, 35.74),
    (120, 0, 37.25, 42.74, 33.54),
    (120, 30, 70.97, 43.38, 39.29),
    (120, 45, 111.21, 44.01, 49.40),
]


@pytest.mark.parametrize(("agl_m", "angle_deg", "along_mm", "across_mm", "vertical_mm"), PUBLISHED)
def test_flat_ground_matches_the_monte_carlo_table(agl_m, angle_deg, along_mm, across_mm, vertical_mm):
    covariance = flat_covariances_m2(
        a_sensor(0.015, 0.01), a_navigation(0.02, 0.03, 0.015, 0.05), agl_m, np.radians(angle_deg)
    )
    across, along, vertical = 1000 * np.sqrt(np.diag(covariance.sum(axis=0)))
    assert [along, across, vertical] == pytest.approx([along_mm, across_mm, vertical_mm], rel=0.005)


@pytest.mark.parametrize(
    ("slopes", "vertical_mm"),
    [((-1, 0), 60.9), ((1, 0), 39.4), ((0, 1), 67.7), ((0, -1), 67.7), ((0, 0), 44.0)],
    ids=["falls away", "faces", "climbs along track", "falls along track", "flat"],
)
def test_a_slope_of_30_degrees_matches_the_monte_carlo_values(slopes, vertical_mm):
    # 2e6 draws [C]: 80 m, 35 deg off nadir, range 25 mm, roll and pitch 0.030 deg, heading 0.08 deg, GNSS 15 and 25 mm.
    # Slope and position error added as if independent would give 51.3 mm on both slopes across the track.
    covariance = flat_covariances_m2(a_sensor(0.025), a_navigation(0.015, 0.025, 0.03, 0.08), 80, np.radians(35))
    rise = np.tan(np.radians(30)) * np.array(slopes)
    assert 1000 * np.sqrt(vertical_variance_m2(covariance.sum(axis=0), rise)) == pytest.approx(vertical_mm, rel=0.01)


@LAW
@given(st.floats(20, 150), st.floats(-0.75, 0.75))
def test_flat_ground_follows_the_textbook_form(agl_m, angle_rad):
    # Textbook first-order propagation [C], written with the height H and the angle t off nadir.
    angles, heading, scan = np.radians([0.02, 0.06, 0.008])
    covariance = flat_covariances_m2(
        a_sensor(0.018, 0.008), a_navigation(0.01, 0.02, 0.02, 0.06), agl_m, angle_rad
    ).sum(axis=0)
    aside = agl_m * np.tan(angle_rad)
    across = 0.01**2 + agl_m**2 * (angles**2 + scan**2) + (np.sin(angle_rad) * 0.018) ** 2
    along = 0.01**2 + (agl_m * angles) ** 2 + (aside * heading) ** 2
    vertical = 0.02**2 + aside**2 * (angles**2 + scan**2) + (np.cos(angle_rad) * 0.018) ** 2
    assert np.diag(covariance) == pytest.approx([across, along, vertical], rel=1e-9)


@pytest.mark.parametrize(("agl_m", "published_deg"), [(1200, 23), (2000, 13), (3000, 8)])
def test_attitude_overtakes_positioning_beyond_the_published_angles(agl_m, published_deg):
    # Goulden and Hopkinson 2010, PERS 76:589-601, abstract [R]: satellite positioning stops dominating beyond these
    # scan angles. Their pairs put the ratio of position to angle error near 464 m [C].
    angles = np.radians(np.arange(0.0, 45.0, 0.05))
    navigation = a_navigation(0.0, 0.05, np.degrees(0.05 / 464))
    position, attitude = flat_covariances_m2(a_sensor(), navigation, agl_m, angles)[:, :2, 2, 2].T
    crossing = np.degrees(angles[np.argmax(attitude > position)])
    assert crossing == pytest.approx(published_deg, abs=2.0)
    assert crossing == pytest.approx(np.degrees(np.arctan(464 / agl_m)), abs=0.06)


@pytest.mark.parametrize(
    ("agl_m", "radial_cm"),
    [(500, 13.1), (1000, 17.5), (1500, 23.0), (2000, 29.0), (2500, 35.2), (3000, 41.6), (4000, 54.5), (5000, 67.6)],
)
def test_horizontal_error_follows_the_table_of_the_first_asprs_edition(agl_m, radial_cm):
    # ASPRS Positional Accuracy Standards, Edition 1 (2014), annex B.6 [M]: inertial unit of 0.00427 deg,
    # RMSEr^2 = GNSS^2 + (tan(IMU) H / 0.5589417)^2, reproduced with 0.1131 m of radial GNSS error. Equal errors about
    # three axes move a point at an angle t off nadir by H sqrt(2 + tan^2 t): the constant stands for 47.6 deg.
    angle = np.arctan(np.sqrt(1 / 0.55894170**2 - 2))
    navigation = a_navigation(0.1131 / np.sqrt(2), 0.0, 0.00427, 0.00427)
    covariance = flat_covariances_m2(a_sensor(), navigation, agl_m, angle).sum(axis=0)
    assert 100 * np.sqrt(horizontal_variance_m2(covariance)) == pytest.approx(radial_cm, abs=0.2)


@pytest.mark.parametrize("name", ["a", "b", "c"])
def test_height_straight_below_does_not_hang_on_the_flying_height(name):
    # Published behaviour (Bakula and others 2020, ISPRS Archives, abstract [R]): flying height has very small effect.
    vertical = flat_covariances_m2(ALL_SENSORS[name], ENTRY, [40.0, 120.0], 0.0)[..., 2, 2].sum(axis=-1)
    assert vertical[1] == pytest.approx(vertical[0], rel=1e-9)


def test_a_footprint_is_a_quarter_of_the_beam_each_way():
    # 0.5 mrad at 100 m: 12.5 mm horizontal, 7.22 mm of height on a slope of 30 deg [C], after the quarter of an even
    # disc's width (Lichti and Gordon [R2]).
    covariance = flat_covariances_m2(a_sensor(divergence_mrad=0.5), a_navigation(), 100, 0.0)[TERMS.index("footprint")]
    assert np.sqrt(np.diag(covariance)) == pytest.approx([0.0125, 0.0125, 0.0], abs=1e-12)
    slope = (np.tan(np.radians(30)), 0.0)
    assert np.sqrt(vertical_variance_m2(covariance, slope)) == pytest.approx(0.00722, abs=5e-6)


def test_a_beam_scatters_its_light_by_a_quarter_of_its_width():
    # Brightness exp(-8 (r / w)^2) of a beam w wide by 1/e2, and that of an even disc: root mean square of one axis.
    x, y = np.meshgrid(np.linspace(-3, 3, 1201), np.linspace(-3, 3, 1201))
    for bright in (np.exp(-8 * (x**2 + y**2)), (x**2 + y**2 <= 0.25).astype(float)):
        assert np.sqrt((bright * x**2).sum() / bright.sum()) == pytest.approx(1 / 4, rel=0.005)
    # The same beam stated by its other widths (1/e2 = 1.69864 fwhm = sqrt(2) times 1/e [C]).
    for stated, width in ((1.0, "1/e2"), (1 / np.sqrt(2), "1/e"), (1 / 1.69864, "fwhm")):
        sensor = a_sensor(divergence_mrad=stated, divergence_width=width)
        assert error_model(sensor, ENTRY).sigmas[-1] == pytest.approx(0.25e-3, rel=1e-5)


def test_positions_worsen_with_the_distance_from_the_base_station():
    # 1 ppm is 1 cm per 10 km.
    navigation = a_navigation(0.01, 0.03)
    near, far = (
        flat_covariances_m2(a_sensor(), navigation, 80, 0.0, distance)[TERMS.index("position")]
        for distance in (0, 10e3)
    )
    assert np.diag(far - near) == pytest.approx([1e-4] * 3, rel=1e-9)
    assert gnss_floor_m(navigation) == pytest.approx(0.03)
    assert gnss_floor_m(navigation, 40e3) == pytest.approx(0.05)
    assert gnss_floor_m(navigation, 10e3, passes=9) == pytest.approx(np.sqrt(2) * 0.01)
    least = flat_covariances_m2(ALL_SENSORS["c"], navigation, np.linspace(20, 120, 9), 0.3, 10e3)[..., 2, 2].sum(
        axis=-1
    )
    assert (np.sqrt(least) > gnss_floor_m(navigation, 10e3)).all()


@pytest.mark.parametrize("name", ["a", "b", "c"])
def test_the_least_error_is_that_of_one_pass_and_falls_to_what_passes_share(name):
    sensor, heights, angles = ALL_SENSORS[name], np.array([[30.0], [110.0]]), np.radians([0.0, 20.0, 35.0])
    one = least_vertical_sd_m(sensor, ENTRY, heights, angles, 4000.0)
    whole = flat_covariances_m2(sensor, ENTRY, heights, angles, 4000.0)[..., 2, 2].sum(axis=-1)
    assert one == pytest.approx(np.sqrt(whole), rel=1e-9)
    several = [least_vertical_sd_m(sensor, ENTRY, heights, angles, 4000.0, passes) for passes in (1, 2, 4, 10**9)]
    for fewer, more in itertools.pairwise(several):
        assert (more < fewer).all()
    # 1 ppm of 4 km, and 5 mm of lever arm, which stay.
    assert several[-1] == pytest.approx(np.full(one.shape, np.hypot(0.004, 0.005)), rel=1e-6)
    assert (one > gnss_floor_m(ENTRY, 4000.0)).all()


@LAW
@given(st.floats(-3, 3), st.floats(-3, 3), st.floats(-0.6, 0.6))
def test_a_budget_turns_with_the_flight(yaw, turn, scan_rad):
    sights = 80 * np.array([[0.0, np.sin(scan_rad), -np.cos(scan_rad)]])
    rotate = np.array([[np.cos(turn), np.sin(turn), 0], [-np.sin(turn), np.cos(turn), 0], [0, 0, 1.0]])
    model, velocity = error_model(ASKEW, SHAKY, 1000.0), np.array([3.0, 2.0, 0.0])
    one = ground_covariances_m2(model, [yaw, 0.1, -0.05], sights, velocity, 0.02)[0]
    other = ground_covariances_m2(model, [yaw + turn, 0.1, -0.05], sights @ rotate.T, rotate @ velocity, 0.02)[0]
    assert other == pytest.approx(rotate @ one @ rotate.T, abs=1e-12)
    assert (np.linalg.eigvalsh(one) > -1e-15).all()


@pytest.mark.parametrize("name", ["a", "d", "e", "k", "m"])
def test_scan_angles_turn_the_fan_or_stray_across_the_beam(name):
    sensor = replace(ALL_SENSORS[name], angle_noise_deg=0.01)
    sight = 80 * to_world(np.array([0.0, 0.0, 0.0])[None])[0] @ [0.3, 0.4, np.sqrt(0.75)]
    model = error_model(sensor, a_navigation())
    [found] = ground_covariances_m2(model, np.zeros(3), [sight], np.zeros(3), 0.0)[:, TERMS.index("scan angle")]
    spread = np.sort(np.sqrt(np.clip(np.linalg.eigvalsh(found), 0, None)))
    whole = 80 * np.radians(0.01)
    fan = sensor.pattern in ("rotating", "oscillating_linear", "polygon", "oscillating_sine")
    assert spread == pytest.approx([0, 0, whole * np.sqrt(1 - 0.3**2)] if fan else [0, whole, whole], abs=1e-9)
    assert found @ sight == pytest.approx(np.zeros(3), abs=1e-9)


def test_clocks_that_disagree_shift_points_along_the_track():
    # 8 m/s and 1 ms: 8 mm.
    model = error_model(a_sensor(), a_navigation(timing_sd_s=1e-3))
    [found] = ground_covariances_m2(model, np.zeros(3), [[20.0, 0, -80]], [0.0, 8.0, 0.0], 0.0)
    assert np.sqrt(np.diag(found[TERMS.index("timing")])) == pytest.approx([0, 0.008, 0], abs=1e-12)


def test_pulses_of_weak_light_are_timed_worse():
    # Noise as stated at half the rated range in clear air, where the signal is fourfold (common practice, no source);
    # it grows as the signal falls. Past the threshold there is no echo to be timed.
    sensor = a_sensor(0.015)
    assert echo_noise_m(sensor, 60.0, [100.0, 4.0, 2.0, 1.0]) == pytest.approx([0.015, 0.015, 0.03, 0.06])
    least = 5 / Seeing().rated_signal_to_noise
    assert echo_noise_m(sensor, 60.0, [0.0, 1e-6]) == pytest.approx(0.06 / least)
    assert least == pytest.approx(5 / 6.2816, rel=1e-4)


def test_noise_of_phases_and_spots_follows_the_principle():
    by_principle = {sensor.principle: sensor for sensor in ALL_SENSORS.values()}
    phase, spot = by_principle["phase_shift"], by_principle["triangulation"]
    stated = float(
        phase_range_noise_m(np.radians(phase.phase_shift.phase_noise_deg), max(phase.phase_shift.modulation_hz))
    )
    # Stated for the weakest echo that counts.
    assert echo_noise_m(phase, 10.0, [50.0, 1.0]) == pytest.approx([stated, stated])
    assert echo_noise_m(phase, 10.0, 0.9) == pytest.approx(stated / 0.9)
    ranges = np.array([1.0, 2.0])
    assert echo_noise_m(spot, ranges, 0.9) == pytest.approx(triangulation_noise_m(ranges, spot.triangulation))


def test_every_term_has_a_source():
    assert set(TERM_OF) == set(range(len(TERMS)))
