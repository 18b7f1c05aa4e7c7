from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from planner.flight.swath import (
    along_half_angle_rad,
    farthest_alone_m,
    farthest_cosine,
    frames_join_mps,
    least_aggregate_density_per_m2,
    least_single_density_per_m2,
    line_spacing_m,
    mean_aggregate_density_per_m2,
    points_per_line,
    reach_half_angle_rad,
    sidelap,
    single_pass_density_per_m2,
    strips_needed,
    swath_width_m,
)
from planner.ranging.beams import ScanPattern
from planner.ranging.linkbudget import Reach
from planner.ranging.patterns import beam_directions

B = ScanPattern("oscillating_linear", 300_000, 100, np.radians(40), np.radians(40))


@pytest.mark.parametrize(
    ("height_m", "opening_deg", "width_m"),
    [(500, 30, 267.95), (750, 30, 401.92), (1000, 30, 535.90), (100, 70, 140.04)],
)
def test_swath_width(height_m, opening_deg, width_m):
    # Baltsavias 1999, relation from memory (M), numbers computed (C)
    assert swath_width_m(height_m, np.radians(opening_deg / 2)) == pytest.approx(width_m, abs=0.005)


def test_points_and_spacings_of_scan_lines():
    # Baltsavias 1999 (M/C): N = F / fsc = 2000, SW / N = 0.13397 m
    points = points_per_line(100e3, 50)
    assert points == 2000
    assert swath_width_m(500, np.radians(15)) / points == pytest.approx(0.13397, abs=5e-6)


def test_mean_density_of_one_swath():
    # Baltsavias 1999 (M/C): F / (v SW) = 71.41 per m2
    pattern = ScanPattern("oscillating_linear", 100e3, 50, np.radians(35), np.radians(35))
    width = swath_width_m(100, np.radians(35))
    assert mean_aggregate_density_per_m2(pattern, 10, width) == pytest.approx(71.41, abs=0.005)


def test_number_of_strips():
    # Baltsavias 1999 (M/C): W = 1000, SW = 140.04, q = 0.3 -> ceil(9.773) = 10
    assert strips_needed(1000, 140.04, 0.3) == 10
    assert strips_needed(50, 140.04, 0.3) == 1


def test_spacing_of_the_japanese_rules():
    # Public Survey Work Rules 2025 art. 451 (R), numbers C: 30 % overlap, 45 deg, 50 m -> swath 100 m, spacing 70 m
    width = swath_width_m(50, np.radians(45))
    assert width == pytest.approx(100)
    assert line_spacing_m(width, 0.3) == pytest.approx(70)


@given(st.floats(1, 1000), st.floats(0, 0.89))
def test_spacing_and_sidelap_undo_each_other(width_m, share):
    assert sidelap(width_m, line_spacing_m(width_m, share)) == pytest.approx(share, abs=1e-12)


@given(st.floats(60, 5000), st.floats(20, 400), st.floats(0, 0.8))
def test_strips_cover_and_one_fewer_does_not(across_m, width_m, share):
    strips = int(strips_needed(across_m, width_m, share))
    spacing = line_spacing_m(width_m, share)
    assert width_m + (strips - 1) * spacing >= across_m - 1e-6
    assert strips == 1 or width_m + (strips - 2) * spacing < across_m


@pytest.mark.parametrize(("half_deg", "ratio"), [(20, 0.9207), (30, 0.8270), (35, 0.7692), (45, 0.6366)])
def test_edge_against_mean(half_deg, ratio):
    # Baltsavias 1999 (M), C: edge / mean = cos^2 T tan T / T of a constant-angle-step scanner
    half = np.radians(half_deg)
    pattern = ScanPattern("oscillating_linear", 100e3, 50, half, half)
    width = float(swath_width_m(80, half))
    edge = single_pass_density_per_m2(pattern, width / 2 * (1 - 1e-9), 80, 6)
    assert edge / mean_aggregate_density_per_m2(pattern, 6, width) == pytest.approx(ratio, abs=1e-4)


@pytest.mark.parametrize(("half_deg", "factor"), [(30, 1.3333), (35, 1.4903), (45, 2.0)])
def test_nadir_against_edge(half_deg, factor):
    # Local spacing h dt / cos^2 t (M/C)
    half = np.radians(half_deg)
    pattern = ScanPattern("polygon", 100e3, 50, half, half)
    nadir, edge = single_pass_density_per_m2(pattern, [0, 80 * np.tan(half) * (1 - 1e-9)], 80, 6)
    assert nadir / edge == pytest.approx(factor, abs=5e-5)


@pytest.mark.parametrize("kind", ["oscillating_linear", "polygon", "rotating", "oscillating_sine"])
@pytest.mark.parametrize("tilt_deg", [0, 12])
def test_density_across_the_swath_adds_up_to_the_pulses(kind, tilt_deg):
    opening = np.pi if kind == "rotating" else np.radians(50)
    pattern = ScanPattern(kind, 100e3, 50, opening, np.radians(40), np.radians(tilt_deg))
    half = float(swath_width_m(80, np.radians(40))) / 2 / np.cos(np.radians(tilt_deg))
    offsets = np.linspace(-half, half, 20_001) * (1 - 1e-12)
    per_metre = np.trapezoid(single_pass_density_per_m2(pattern, offsets, 80, 6), offsets)
    assert per_metre == pytest.approx(mean_aggregate_density_per_m2(pattern, 6, 1.0), rel=1e-4)


def test_rotating_scanner_wastes_what_looks_up():
    # C: 640 kHz all round is 160 kHz in 90 degrees
    around = ScanPattern("rotating", 640e3, 20, np.pi, np.radians(45))
    inside = ScanPattern("polygon", 160e3, 20, np.radians(45), np.radians(45))
    assert single_pass_density_per_m2(around, 30, 80, 5) == pytest.approx(single_pass_density_per_m2(inside, 30, 80, 5))


def test_mean_is_not_the_least():
    # C: B at 80 m, 8 m/s, 30 % sidelap: mean 399, least 302 per m2, just outside the overlap
    spacing = line_spacing_m(swath_width_m(80, np.radians(40)), 0.3)
    assert mean_aggregate_density_per_m2(B, 8, spacing) == pytest.approx(399, abs=0.5)
    assert least_aggregate_density_per_m2(B, 80, 8, spacing) == pytest.approx(302, abs=0.5)


@pytest.mark.parametrize("kind", ["oscillating_linear", "oscillating_sine"])
@pytest.mark.parametrize("share", [0.1, 0.3, 0.5, 0.55, 0.72])
def test_least_density_is_the_least_of_a_brute_force_sum(kind, share):
    pattern = ScanPattern(kind, 300e3, 100, np.radians(42), np.radians(40))
    spacing = float(line_spacing_m(swath_width_m(80, np.radians(40)), share))
    places = np.linspace(0, spacing, 40_001)[:, np.newaxis]
    passes = single_pass_density_per_m2(pattern, places - np.arange(-6, 8) * spacing, 80, 6)
    least = least_aggregate_density_per_m2(pattern, 80, 6, spacing)
    assert least == pytest.approx(passes.sum(axis=1).min(), rel=2e-4)
    assert least_single_density_per_m2(pattern, 80, 6, spacing) == pytest.approx(passes.max(axis=1).min(), rel=2e-4)


def test_lines_too_far_apart_leave_nothing_between():
    assert least_aggregate_density_per_m2(B, 80, 8, 1.01 * swath_width_m(80, np.radians(40))) == 0


def test_an_outer_line_alone_gives_what_is_asked_up_to_a_distance():
    alone = farthest_alone_m(B, 80, 1600)
    assert single_pass_density_per_m2(B, alone, 80, 1) >= 1600 * (1 - 1e-5)
    assert single_pass_density_per_m2(B, alone + 1.1, 80, 1) < 1600
    assert farthest_alone_m(B, [80, 80], [1e9, 0]) == pytest.approx([0, 80 * np.tan(np.radians(40))])


@pytest.mark.parametrize(("height_m", "range_m"), [(80, 106), (60, 150), (100, 150), (40, 70), (80, 250), (110, 130)])
def test_usable_angle_in_clear_air(height_m, range_m):
    # C: acos((H / R0)^(2/3)); 80 m over wet asphalt, R0 = 106 m: 34 deg
    angle = np.degrees(reach_half_angle_rad(Reach(range_m, 0.0, 1.0, 3.0), height_m, B))
    assert angle == pytest.approx(np.degrees(np.arccos((height_m / range_m) ** (2 / 3))), abs=1e-3)
    if range_m == 106:
        assert angle == pytest.approx(34, abs=0.5)


def test_usable_angle_beyond_reach_is_nan_and_shrinks_with_tilt():
    reach = Reach(150.0, 1e-4, 1.0, 3.0)
    assert np.isnan(reach_half_angle_rad(reach, 151, B))
    tilted = replace(B, forward_tilt_rad=np.radians(20))
    assert reach_half_angle_rad(reach, 100, tilted) < reach_half_angle_rad(reach, 100, B)


def directions_of(pattern, count=20_000):
    """Return the cosine of incidence of many pulses on flat ground, tilted forward as the pattern says."""
    directions, angles = beam_directions(pattern, np.arange(count))
    forward, _, down = directions.T
    inside = np.abs(angles) <= pattern.usable_half_angle_rad + 1e-9
    return (down * np.cos(pattern.forward_tilt_rad) - forward * np.sin(pattern.forward_tilt_rad))[inside]


@pytest.mark.parametrize("tilt_deg", [0, 8, -8])
@pytest.mark.parametrize(
    "pattern",
    [
        replace(B, kind="rotating", optical_half_angle_rad=np.pi, beam_elevations_rad=(-0.2, 0.0, 0.3)),
        replace(B, kind="conical", line_rate_hz=77),
        replace(B, kind="rosette", wedge_ratio=0.618034),
        replace(B, kind="matrix", frame_pixels=(200, 100), along_half_angle_rad=0.3),
    ],
    ids=lambda pattern: pattern.kind,
)
def test_the_farthest_pulse_is_the_farthest_of_all_that_are_fired(pattern, tilt_deg):
    tilted = replace(pattern, forward_tilt_rad=np.radians(tilt_deg))
    farthest = float(farthest_cosine(tilted, tilted.usable_half_angle_rad))
    assert farthest == pytest.approx(directions_of(tilted).min(), abs=0.006)
    assert farthest <= directions_of(tilted).min() + 1e-9


@pytest.mark.parametrize("elevations_deg", [(0.0,), (-15.0, 15.0), (-25.0, 5.0)])
@pytest.mark.parametrize("tilt_deg", [0, 10, -10])
def test_reach_of_a_fan_is_the_reach_of_its_farthest_beam(elevations_deg, tilt_deg):
    beams = tuple(np.radians(elevations_deg))
    fan = replace(B, kind="rotating", beam_elevations_rad=beams, forward_tilt_rad=np.radians(tilt_deg))
    reach = Reach(150.0, 1e-4, 1.0, 3.0)
    angle = reach_half_angle_rad(reach, 80, fan)
    cosine = farthest_cosine(fan, angle)
    assert reach.longest_m(cosine) * cosine == pytest.approx(80, rel=1e-6)


@pytest.mark.parametrize(("kind", "lowest"), [("conical", np.cos(0.6)), ("rosette", np.cos(0.6))])
def test_a_ring_is_reached_all_or_not_at_all(kind, lowest):
    # the whole ring lies at h / cos T: in clear air it comes back up to h = R0 cos(T)^1.5
    ring = replace(B, kind=kind, optical_half_angle_rad=0.6, usable_half_angle_rad=0.6)
    angles = reach_half_angle_rad(Reach(150.0, 0.0, 1.0, 3.0), 150 * lowest**1.5 * np.array([0.999, 1.001]), ring)
    assert angles[0] == 0.6
    assert np.isnan(angles[1])


def test_least_of_a_cone_lies_in_its_middle():
    # a ring of radius R: F / (pi v sqrt(R^2 - u^2)), so F / (pi v R) beneath the line (derived from the ring's length)
    cone = ScanPattern("conical", 200e3, 80, np.radians(25), np.radians(25))
    radius = 70 * np.tan(np.radians(25))
    assert least_aggregate_density_per_m2(cone, 70, 6, 1.9 * radius) == pytest.approx(200e3 / (np.pi * 6 * radius))
    assert farthest_alone_m(cone, 70, 1.001 * 200e3 / (np.pi * radius)) == 0
    assert farthest_alone_m(cone, 70, 0.999 * 200e3 / (np.pi * radius)) == pytest.approx(radius)


def test_frames_join_up_to_the_speed_that_moves_on_by_one_frame():
    frame = ScanPattern(
        "matrix", 20 * 320 * 240, 20, 0.3, 0.3, frame_pixels=(320, 240), along_half_angle_rad=np.radians(15)
    )
    assert frames_join_mps(frame, 50) == pytest.approx(20 * 2 * 50 * np.tan(np.radians(15)))
    assert np.isinf(frames_join_mps(B, 50))


def test_how_far_patterns_look_along_the_flight():
    assert along_half_angle_rad(B) == 0
    assert along_half_angle_rad(replace(B, forward_tilt_rad=-0.1)) == pytest.approx(0.1)
    fan = replace(B, kind="rotating", beam_elevations_rad=(-0.3, 0.2), forward_tilt_rad=0.1)
    assert along_half_angle_rad(fan) == pytest.approx(0.4)
    assert along_half_angle_rad(replace(B, kind="conical")) == B.optical_half_angle_rad
    assert along_half_angle_rad(replace(B, kind="matrix", along_half_angle_rad=0.2)) == 0.2
