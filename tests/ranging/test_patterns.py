"""Every scan pattern against its closed form on flat ground, one metre below unless a height is given."""

from itertools import pairwise

import numpy as np
import pytest
from scipy.integrate import quad

from planner.ranging.beams import ScanPattern, angular_pulse_rate, usable_share
from planner.ranging.patterns import beam_directions

RATE_HZ = 300_000.0
WIDE = np.radians(35.0)
ELEVATIONS = tuple(np.radians(np.arange(-15, 16, 2)))
GOLDEN = (np.sqrt(5) - 1) / 2


def a_pattern(kind, line_rate_hz=97.0, **figures):
    figures = {"optical_half_angle_rad": WIDE, "usable_half_angle_rad": WIDE} | figures
    return ScanPattern(kind, RATE_HZ, line_rate_hz, **figures)


# Rates whose pulses a line are no whole number, so that pulses fall everywhere in the lines.
PATTERNS = {
    "linear": a_pattern("oscillating_linear"),
    "sine": a_pattern("oscillating_sine", usable_half_angle_rad=np.radians(30)),
    "polygon": a_pattern("polygon"),
    "one beam": a_pattern("rotating", 19.7, optical_half_angle_rad=np.pi, usable_half_angle_rad=np.radians(45)),
    "sixteen beams": a_pattern(
        "rotating",
        19.7,
        optical_half_angle_rad=np.pi,
        usable_half_angle_rad=np.radians(45),
        beam_elevations_rad=ELEVATIONS,
    ),
    "cone": a_pattern("conical"),
    "rosette": a_pattern("rosette", 997.0, wedge_ratio=GOLDEN),
    "frame": a_pattern("matrix", RATE_HZ / (128 * 64), frame_pixels=(128, 64), along_half_angle_rad=np.radians(10)),
}
every_pattern = pytest.mark.parametrize("pattern", PATTERNS.values(), ids=PATTERNS)


def whole_lines(pattern, about=400_000):
    """Return the pulses of an even number of whole lines, turns or frames, about so many."""
    pair = 2 * pattern.pulses_per_line
    return np.arange(round(np.ceil(about / pair) * pair))


def across_per_s(pattern, start_rad, end_rad):
    """Return the pulses a second between two angles across the flight, from the density that planning works with."""
    return quad(lambda t: float(angular_pulse_rate(pattern, t)), start_rad, end_rad, epsrel=1e-4, limit=200)[0]


def ground(pattern, pulses):
    """Return how far ahead and aside of the sensor pulses meet the ground one metre below."""
    directions, _ = beam_directions(pattern, pulses)
    forward, right, down = directions[directions[:, 2] > 1e-9].T
    return forward / down, right / down


@every_pattern
def test_directions_are_unit_vectors_with_their_angle_across(pattern):
    directions, angles = beam_directions(pattern, np.arange(50_000))
    assert np.linalg.norm(directions, axis=1) == pytest.approx(1.0, abs=1e-12)
    turned = np.remainder(angles - np.arctan2(directions[:, 1], directions[:, 2]) + np.pi, 2 * np.pi) - np.pi
    assert np.abs(turned).max() < 1e-9
    assert np.abs(angles).max() <= pattern.optical_half_angle_rad + 1e-9


def test_a_fixed_beam_looks_straight_down():
    directions, angles = beam_directions(a_pattern("profiling", 0.0), np.arange(10))
    assert np.array_equal(directions, np.tile([0.0, 0.0, 1.0], (10, 1)))
    assert not angles.any()


@every_pattern
def test_density_across_the_swath_is_the_closed_form(pattern):
    # counts of 32 strips across the flight against the integral of the density that planning works with
    pulses = whole_lines(pattern)
    edges = np.tan(pattern.usable_half_angle_rad) * np.linspace(-1, 1, 33)
    held, _ = np.histogram(ground(pattern, pulses)[1], edges * (1 + 1e-12))
    angles = np.arctan(edges)
    rates = [across_per_s(pattern, *ends) for ends in pairwise(angles)]
    expected = np.array(rates) * len(pulses) / RATE_HZ
    assert np.all(np.abs(held - expected) < 3 * np.sqrt(expected))
    assert held.sum() == pytest.approx(len(pulses) * usable_share(pattern), rel=2e-3)


def test_a_cone_crowds_its_points_at_the_edges():
    # a ring of radius R with points evenly round it: density F / (pi v sqrt(R^2 - u^2)), the strips outside u hold
    # 2/pi acos(u / R) of them: the outer tenths of the half widths 28.7 %, the outer halves two thirds (derived here)
    cone = PATTERNS["cone"]
    radius = np.tan(WIDE)
    ahead, aside = ground(cone, whole_lines(cone))
    assert np.hypot(ahead, aside) == pytest.approx(radius, abs=1e-9)
    for share, outside in ((0.9, 0.2871), (0.5, 2 / 3)):
        assert outside == pytest.approx(2 / np.pi * np.arccos(share), abs=5e-5)
        assert np.mean(np.abs(aside) > share * radius) == pytest.approx(outside, abs=2e-3)
    # ahead of the sensor as much as behind, so that each strip is crossed by two arcs a turn
    assert np.mean(ahead > 0) == pytest.approx(0.5, abs=1e-3)
    density = angular_pulse_rate(cone, [0.0, np.arctan(0.6 * radius)]) * np.cos([0.0, np.arctan(0.6 * radius)]) ** 2
    assert density == pytest.approx(RATE_HZ / np.pi / radius / np.array([1.0, 0.8]))


def test_pixels_and_frames_lie_apart_as_their_angles_and_rate_say():
    # h = 60 m, v = 6 m/s: pixels 2 h tan T / n apart, frames v / f apart (pinhole camera; derived here)
    frame, height_m, speed_mps = PATTERNS["frame"], 60.0, 6.0
    pulses = np.arange(3 * 128 * 64)
    ahead, aside = (place.reshape(3, 64, 128) * height_m for place in ground(frame, pulses))
    assert np.diff(aside, axis=2) == pytest.approx(2 * height_m * np.tan(WIDE) / 128)
    assert np.diff(ahead, axis=1) == pytest.approx(-2 * height_m * np.tan(np.radians(10)) / 64)
    assert np.ptp(aside, axis=1).max() < 1e-9
    assert aside[0, 0, 0] == pytest.approx(-height_m * np.tan(WIDE) * (1 - 1 / 128))
    flown = ahead + (speed_mps * (pulses + 0.5) / frame.pulse_rate_hz).reshape(3, 64, 128)
    assert np.diff(flown, axis=0) == pytest.approx(speed_mps / frame.line_rate_hz)


def test_a_fan_of_beams_lays_hyperbolas():
    # a beam e ahead of the plane square to the axis turns round the cone of half angle 90 - e about the axis, which
    # level ground cuts in a hyperbola: ahead = h tan e / cos t, aside = h tan t (derived here)
    fan, height_m = PATTERNS["sixteen beams"], 60.0
    pulses = np.arange(200_000)
    _, angles = beam_directions(fan, pulses)
    down = np.abs(angles) < np.radians(80)
    beams = np.array(ELEVATIONS)[pulses[down] % 16]
    ahead, aside = (place * height_m for place in ground(fan, pulses[down]))
    assert ahead == pytest.approx(height_m * np.tan(beams) / np.cos(angles[down]), abs=1e-8)
    assert aside == pytest.approx(height_m * np.tan(angles[down]), abs=1e-8)
    assert ahead**2 - (np.tan(beams) * aside) ** 2 == pytest.approx((height_m * np.tan(beams)) ** 2, rel=1e-9)


def test_beams_of_a_fan_fire_in_turn_and_share_the_pulses():
    fan = PATTERNS["sixteen beams"]
    directions, _ = beam_directions(fan, np.arange(16 * 1000))
    assert np.arcsin(directions[:, 0]).reshape(1000, 16) == pytest.approx(np.tile(ELEVATIONS, (1000, 1)), abs=1e-12)
    # one beam's pulses in a turn: F / (n f)
    _, angles = beam_directions(fan, np.arange(3, 16 * 1000, 16))
    assert np.diff(angles)[:500] == pytest.approx(2 * np.pi * 16 * fan.line_rate_hz / RATE_HZ)


@pytest.mark.parametrize("share", [0.5, 6 / 7, np.sqrt(3) / 2])
def test_a_sinusoidal_mirror_dwells_at_its_ends(share):
    # t = T sin x: 2/pi asin(share) of the time within a share of the opening, a third within half of it (derived here)
    mirror = a_pattern("oscillating_sine")
    _, angles = beam_directions(mirror, whole_lines(mirror))
    within = 2 / np.pi * np.arcsin(share)
    assert np.mean(np.abs(angles) < share * WIDE) == pytest.approx(within, abs=1e-3)
    kept = ScanPattern("oscillating_sine", RATE_HZ, 97.0, WIDE, share * WIDE)
    assert usable_share(kept) == pytest.approx(within)


def test_a_polygon_scans_one_way_and_jumps_back():
    polygon = a_pattern("polygon", 100.0)
    angles = beam_directions(polygon, np.arange(9000))[1].reshape(3, 3000)
    assert np.diff(angles, axis=1) == pytest.approx(2 * WIDE * 100 / RATE_HZ)
    assert angles[1:] == pytest.approx(np.tile(angles[0], (2, 1)))
    assert angles[0, [0, -1]] == pytest.approx([-WIDE * 2999 / 3000, WIDE * 2999 / 3000])


@pytest.mark.parametrize("kind", ["oscillating_linear", "oscillating_sine"])
def test_an_oscillating_mirror_comes_back_the_way_it_went(kind):
    angles = beam_directions(a_pattern(kind, 100.0), np.arange(12_000))[1].reshape(4, 3000)
    assert np.all(np.diff(angles[[0, 2]], axis=1) > 0)
    assert angles[[1, 3]] == pytest.approx(angles[[0, 2]][:, ::-1])
    assert angles[2] == pytest.approx(angles[0])


def test_passes_of_an_oscillating_mirror_pair_up_towards_its_ends():
    # triangle wave: a place s of the half opening off the middle is met after (1 - s) / f and (1 + s) / f in turn, so
    # lines lie v / f apart in the middle and in pairs, 2 v / f apart, at the edges (derived here)
    mirror = a_pattern("oscillating_linear", 100.0)
    pulses = np.arange(18_000)
    _, angles = beam_directions(mirror, pulses)
    for share in (0.0, 0.5, 0.9):
        crossings = np.flatnonzero(np.diff(np.sign(angles - share * WIDE)))
        waits = np.diff(crossings) / RATE_HZ * 100.0
        assert waits[:2] == pytest.approx([1 - share, 1 + share], abs=2e-3)
        assert waits[2:4] == pytest.approx([1 - share, 1 + share], abs=2e-3)


def test_a_rosette_with_no_common_measure_never_repeats():
    # pulses a turn a whole number, so that only the ratio of the wedges can keep directions apart
    turning = {"line_rate_hz": 100.0, "kind": "rosette"}
    pulses = np.arange(120 * 3000)
    open_one, closed = (
        np.unique(np.round(beam_directions(a_pattern(wedge_ratio=ratio, **turning), pulses)[0], 10), axis=0)
        for ratio in (GOLDEN, 0.5)
    )
    assert len(open_one) == len(pulses)
    # two turns of the first wedge are one of the second; a few fall on either side of where digits are cut
    assert len(closed) < 1.01 * 2 * 3000


def test_radial_law_of_a_rosette():
    # two equal wedges: off the axis by T |cos x| with x even, so P(off < r) = 2/pi asin(r / T), in directions even
    # round the circle (sum of two turning vectors of length T / 2; derived here)
    rosette = PATTERNS["rosette"]
    directions, _ = beam_directions(rosette, np.arange(400_000))
    off = np.arccos(np.clip(directions[:, 2], -1.0, 1.0))
    assert off.max() <= WIDE + 1e-9
    for share in (0.1, 0.25, 0.5, 0.75, 0.95):
        assert np.mean(off < share * WIDE) == pytest.approx(2 / np.pi * np.arcsin(share), abs=2e-3)
    sectors, _ = np.histogram(np.arctan2(directions[:, 1], directions[:, 0]), 36, (-np.pi, np.pi))
    assert np.all(np.abs(sectors - 400_000 / 36) < 3 * np.sqrt(400_000 / 36))


@every_pattern
def test_the_density_across_holds_all_accepted_pulses(pattern):
    half = pattern.usable_half_angle_rad
    assert 2 * across_per_s(pattern, 0, half) == pytest.approx(RATE_HZ * usable_share(pattern), rel=2e-3)
    assert angular_pulse_rate(pattern, half * 1.0001) == 0


def test_a_fixed_beam_has_no_density_across():
    with pytest.raises(ValueError, match="no angular pulse rate"):
        angular_pulse_rate(a_pattern("profiling", 0.0), 0.0)
