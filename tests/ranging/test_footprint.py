"""Beam widths and shares of light, against closed forms, brute force and published numbers.

Marks: [R] read in the source, [M] from memory of it, [C] computed from the formula shown.
"""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from planner.ranging import footprint
from planner.ranging.principles import round_trip_s

LAW = settings(deadline=None, max_examples=60)
PARTS = st.floats(1e-4, 3)


def light_on(mask, width_m, profile, side=1201):
    """Return the share of a beam of a width on the points that `mask` picks, summed on a fine square grid."""
    at = np.linspace(-2.0, 2.0, side) * width_m
    x, y = np.meshgrid(at, at)
    square = (x**2 + y**2) / (width_m / 2) ** 2
    light = np.exp(-2 * square) if profile == "gaussian" else (square <= 1).astype(float)
    return light[mask(x, y)].sum() / light.sum()


def test_gaussian_widths_convert():
    # d(1/e2) = 1.69864 FWHM, d(1/e) = 1.20112 FWHM, d(1/e2) = sqrt(2) d(1/e) [C]
    assert footprint.TO_1_E2["fwhm"] == pytest.approx(1.69864, abs=6e-6)
    assert footprint.TO_1_E2["fwhm"] / footprint.TO_1_E2["1/e"] == pytest.approx(1.20112, abs=6e-6)
    assert footprint.TO_1_E2["1/e"] == pytest.approx(2**0.5)


@pytest.mark.parametrize(("width", "share"), [("1/e2", 0.864665), ("1/e", 0.632121), ("fwhm", 0.5)])
def test_stated_widths_hold_their_share_of_a_gaussian_beam(width, share):
    # [C]
    assert footprint.enclosed_share(1.0, footprint.TO_1_E2[width]) == pytest.approx(share, abs=6e-7)


@pytest.mark.parametrize(
    ("aperture_mm", "width_mm", "share"),
    # Light through a centred aperture, Gaussian beam [C]
    [(7, 7, 0.864665), (7, 10, 0.624689), (7, 70, 0.0198013), (50, 70, 0.639552)],
)
def test_light_through_an_aperture(aperture_mm, width_mm, share):
    assert footprint.enclosed_share(aperture_mm, width_mm) == pytest.approx(share, rel=2e-6)


@pytest.mark.parametrize(("agl_m", "mrad", "width_m"), [(1000, 1.0, 1.0), (100, 0.5, 0.05)])
def test_footprint_straight_below(agl_m, mrad, width_m):
    # Baltsavias 1999, ISPRS J. 54(2-3):199-214 [M], numbers [C]
    assert footprint.beam_width_m(agl_m, mrad / 1000) == pytest.approx(width_m)
    assert footprint.flat_footprint_m(agl_m, mrad / 1000, 0.0) == pytest.approx((width_m, width_m), rel=1e-6)


def test_footprint_off_nadir_on_flat_ground():
    # Baltsavias 1999: h gamma / cos^2, h = 100 m, 0.5 mrad, 30 deg: 0.0667 m [M, number C]
    _, within = footprint.flat_footprint_m(100, 0.5e-3, math.radians(30))
    assert within == pytest.approx(0.0667, abs=5e-5)


@pytest.mark.parametrize(
    ("scan_deg", "across_m", "within_m", "stretch_ns"),
    # H = 100 m, 1 mrad [C]
    [
        (0, 0.1, 0.1, 0.0),
        (20, 0.106418, 0.113247, 0.2584),
        (30, 0.115470, 0.133333, 0.4448),
        (45, 0.141421, 0.200000, 0.9435),
    ],
)
def test_flat_footprints_match_the_computed_table(scan_deg, across_m, within_m, stretch_ns):
    scan = math.radians(scan_deg)
    across, within = footprint.flat_footprint_m(100, 1e-3, scan)
    assert (across, within) == pytest.approx((across_m, within_m), abs=1e-6)
    assert footprint.footprint_axes_m(across, scan) == pytest.approx((across_m, within_m), abs=1e-6)
    assert round_trip_s(footprint.depth_m(across, scan)) * 1e9 == pytest.approx(stretch_ns, abs=6e-5)


def test_a_steep_roof_is_a_metre_deep_to_a_wide_beam():
    # 45 deg and a footprint of 1 m: detectors differ by about 0.4 m (Wagner and others 2004, ISPRS [R, abstract]);
    # within half the depth either way (Baltsavias 1999: h = 1000 m, 1 mrad, 45 deg, 0.5 m [C]).
    half = footprint.depth_m(footprint.beam_width_m(1000, 1e-3), math.radians(45)) / 2
    assert half == pytest.approx(0.5)
    assert half > 0.4


def test_stretched_echoes_are_lower():
    assert footprint.peak_share(3e-9, [0.0, 4e-9]) == pytest.approx([1.0, 0.6])


@LAW
@given(st.floats(1, 3000), st.floats(1e-4, 5e-3), st.floats(1e-3, 0.05))
def test_a_waist_widens_less_than_a_cone_and_alike_far_away(range_m, divergence_rad, exit_m):
    cone = footprint.beam_width_m(range_m, divergence_rad, exit_m)
    waist = footprint.waist_width_m(range_m, divergence_rad, exit_m)
    assert max(exit_m, divergence_rad * range_m) <= waist <= cone
    assert footprint.waist_width_m(1e9, divergence_rad, exit_m) == pytest.approx(1e9 * divergence_rad, rel=1e-6)


@pytest.mark.parametrize(("part", "share"), [(0.05, 0.0797), (0.1, 0.1585), (0.3, 0.4515)])
def test_gaussian_wire_matches_the_computed_values(part, share):
    # erf(sqrt(2) d / w) [C]
    assert footprint.wire_share(part, 1.0) == pytest.approx(share, abs=6e-5)


def test_wire_across_a_beam_at_60_m():
    # 12 mm, 1.6 mrad, 60 m: 4 d / (pi w) = 0.16 even, 0.20 Gaussian [C]
    width = footprint.beam_width_m(60, 1.6e-3)
    assert footprint.wire_share(0.012, width, "top_hat") == pytest.approx(0.16, abs=0.005)
    assert footprint.wire_share(0.012, width) == pytest.approx(0.20, abs=0.005)


@pytest.mark.parametrize("profile", ["gaussian", "top_hat"])
@pytest.mark.parametrize("part", [0.2, 0.6, 0.9])
def test_shares_match_brute_force(part, profile):
    wire = light_on(lambda x, _: np.abs(x) <= part / 2, 1.0, profile)
    disc = light_on(lambda x, y: x**2 + y**2 <= (part / 2) ** 2, 1.0, profile)
    assert footprint.wire_share(part, 1.0, profile) == pytest.approx(wire, abs=0.006)
    assert footprint.disc_share(part, 1.0, profile) == pytest.approx(disc, abs=0.006)


def test_thin_targets_follow_their_laws():
    # Even light: 4 d / (pi w) and (D / w)^2; Gaussian: 1.596 d / w and 2 (D / w)^2 [C]
    assert footprint.wire_share(1e-4, 1.0, "top_hat") == pytest.approx(4e-4 / math.pi)
    assert footprint.wire_share(1e-4, 1.0) == pytest.approx(1.596e-4, rel=2e-4)
    assert footprint.disc_share(1e-4, 1.0, "top_hat") == pytest.approx(1e-8)
    assert footprint.disc_share(1e-4, 1.0) == pytest.approx(2e-8)


@LAW
@given(PARTS, PARTS, st.sampled_from(["gaussian", "top_hat"]))
def test_shares_grow_with_the_target_up_to_the_whole(one, other, profile):
    small, large = sorted((one, other))
    for share in (footprint.wire_share, footprint.disc_share):
        assert 0 <= share(small, 1.0, profile) <= share(large, 1.0, profile) <= 1
    assert footprint.disc_share(large, 1.0, profile) <= footprint.wire_share(large, 1.0, profile)


def test_round_targets_send_back_less_than_flat_ones():
    # The mean of cos(incidence) over what is seen of a round wire and of a ball.
    across = (np.arange(100_000) + 0.5) / 100_000
    height = np.sqrt(1 - across**2)
    assert pytest.approx(height.mean(), abs=1e-6) == footprint.ROUND_WIRE
    assert pytest.approx((height * 2 * across).mean(), abs=1e-6) == footprint.BALL
