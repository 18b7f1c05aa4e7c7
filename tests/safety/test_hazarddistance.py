"""Hazard distances against published vectors, and against a slow computation that shares no code.

Marks: [R] read in the source, [M] from memory of it, [C] computed from the formula shown.
"""

import math
from itertools import product

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from planner.equipment import RangeRating, Sensor
from planner.safety.exposurelimits import RULES
from planner.safety.exposures import AID, HazardDistances, hazard_distances, source_of
from planner.safety.hazarddistance import (
    Beam,
    OpticalAid,
    aid_transmission,
    attenuated_distance_m,
    farthest_over_m,
    linear_distance_m,
    quadratic_distance_m,
)

LAW = settings(deadline=None, max_examples=25)
ROOT2 = math.sqrt(2)


# Published and computed vectors of the closed forms.


def round_beam(divergence_rad, exit_m=0.0):
    return (divergence_rad, divergence_rad), (exit_m, exit_m)


@pytest.mark.parametrize(
    ("energy_j", "limit", "divergence_rad", "exit_m", "linear_m", "quadratic_m", "aided_m", "in_air_m"),
    # IEC TR 60825-14 and ANSI Z136.1 [M], numbers [C]; 1e-6 J at 905 nm, 1e-5 J at 1064 nm, 1e-5 J at 1550 nm
    [
        (1e-6, 5.1408e-3, 1e-3, 0.010, 5.7376, 12.1521, 82.169, 5.7336),
        (1e-5, 5e-2, 0.5e-3, 0.005, 21.9154, 30.3083, 176.916, 21.8843),
        (1e-5, 1e4, 0.3e-3, 0.005, 0, 0, 0, 0),
    ],
)
def test_computed_vectors(energy_j, limit, divergence_rad, exit_m, linear_m, quadratic_m, aided_m, in_air_m):
    beam = round_beam(divergence_rad, exit_m)
    assert linear_distance_m(energy_j, limit, *beam) == pytest.approx(linear_m, abs=6e-5)
    assert quadratic_distance_m(energy_j, limit, *beam) == pytest.approx(quadratic_m, abs=6e-5)
    gathered = energy_j * AID.gain(7e-3) * 0.7
    assert linear_distance_m(gathered, limit, *beam) == pytest.approx(aided_m, abs=6e-4)
    assert attenuated_distance_m(energy_j, limit, *beam, 8.902e-5) == pytest.approx(in_air_m, abs=6e-5)


@pytest.mark.parametrize(
    ("power_w", "w_m2", "mrad", "published_m", "rel"),
    [
        # 1 W visible, 1 mrad: 225 m (740 ft), laser safety course text p. 110 [R]; 5 W: 500 m (1640 ft), a training
        # page [R]; limit 25.4 W/m2
        (1, 25.4, 1, 225, 0.008),
        (5, 25.4, 1, 500, 0.008),
        # 1 W, 1 mrad at 555 nm: flash blindness 1.1 km, glare 5 km, distraction 50 km, a training page [R];
        # 1, 0.05 and 5e-4 W/m2
        (1, 1, 1, 1100, 0.03),
        (1, 0.05, 1, 5000, 0.01),
        (1, 5e-4, 1, 50e3, 0.01),
    ],
)
def test_published_distances(power_w, w_m2, mrad, published_m, rel):
    assert linear_distance_m(power_w, w_m2, *round_beam(mrad * 1e-3)) == pytest.approx(published_m, rel=rel)


@pytest.mark.parametrize(
    ("power_w", "w_cm2", "mrad", "exit_mm", "published_m"),
    # Table of nominal hazard zones, OSHA Technical Manual III:6 after ANSI Z136.1 appendix B [M]
    [(100, 5.1e-3, 2, 2, 790), (100, 1.6e-3, 2, 2, 1410), (500, 0.1, 2, 20, 399), (5, 1e-6, 1, 2, 25.2e3)],
)
def test_agency_table(power_w, w_cm2, mrad, exit_mm, published_m):
    found = quadratic_distance_m(power_w, w_cm2 * 1e4, *round_beam(mrad * 1e-3, exit_mm * 1e-3))
    assert found == pytest.approx(published_m, rel=2e-3)


def test_published_irradiance_of_a_beam():
    # 10 W in 1 cm: 12.7 W/cm2 [R]; 2 mW through 7 mm: 5.19e-3 W/cm2 [R]: the limit at which the distance falls to 0
    for power_w, width_m, w_cm2 in ((10, 0.01, 12.7), (2e-3, 7e-3, 5.19e-3)):
        beam = round_beam(1e-3, width_m)
        assert linear_distance_m(power_w, w_cm2 * 1e4 * 1.005, *beam) == 0.0
        assert 0 < linear_distance_m(power_w, w_cm2 * 1e4 * 0.995, *beam) < 0.1


def test_feet_form_of_the_same_formula():
    # NOHD_ft = 32.8 / phi_mrad sqrt(1.27 P / MPE) in W and W/cm2, aviation advisory circular [M]
    feet = 32.8 / 0.8 * math.sqrt(1.27 * 3 / 2.55e-3)
    assert linear_distance_m(3, 25.5, *round_beam(0.8e-3)) == pytest.approx(feet * 0.3048, rel=2e-3)


def test_elliptical_closed_forms_solve_their_equations():
    divergence, exit_m, amount, limit = (1e-3, 4e-3), (0.01, 0.003), 1e-5, 5e-3
    reach = linear_distance_m(amount, limit, divergence, exit_m)
    area = math.pi / 4 * (0.01 + 1e-3 * reach) * (0.003 + 4e-3 * reach)
    assert amount / area == pytest.approx(limit)
    reach = quadratic_distance_m(amount, limit, divergence, exit_m)
    area = math.pi / 4 * math.hypot(0.01, 1e-3 * reach) * math.hypot(0.003, 4e-3 * reach)
    assert amount / area == pytest.approx(limit)


def test_glasses():
    # 7x50: min(49, (50 / 7)^2 = 51.02) = 49; far away sqrt(49 * 0.7) = 5.857 times as far [M, numbers C]
    assert AID.gain(7e-3) == pytest.approx(49)
    assert OpticalAid(10, 0.05).gain(7e-3) == pytest.approx(51.02, abs=0.01)
    assert AID.gain(1e-3) == pytest.approx(49)
    assert [aid_transmission(nm) for nm in (532, 905, 1550)] == [0.9, 0.7, 0.7]
    near, far = (linear_distance_m(1e-6 * more, 5e-3, *round_beam(1e-3)) for more in (1, 49 * 0.7))
    assert far / near == pytest.approx(5.857, abs=1e-3)


def test_the_search_finds_the_farthest_of_several_crossings():
    assert farthest_over_m(lambda at: 1 + np.sin(at) * (at < 18)) == pytest.approx(5 * math.pi, rel=1e-6)
    assert farthest_over_m(lambda at: np.full_like(at, 0.5)) == 0.0
    assert farthest_over_m(lambda at: np.full_like(at, 2.0)) == math.inf


# Beams.


@pytest.mark.parametrize(
    ("aperture_mm", "width_mm", "share"),
    # 1 - exp(-2 (D / w)^2), w by 1/e2 [C]
    [(7, 7, 0.864665), (7, 10, 0.624689), (7, 70, 0.0198013), (50, 70, 0.639552)],
)
def test_light_through_an_aperture(aperture_mm, width_mm, share):
    beam = Beam((0.0, 0.0), (width_mm * 1e-3, width_mm * 1e-3))
    assert beam.share(aperture_mm * 1e-3, 10.0) == pytest.approx(share, rel=2e-6)


def light_in_circle(diameter_m, one_m, other_m, side=801):
    """Return the share of a Gaussian beam of two widths by 1/e in a centred circle, summed on a fine square grid."""
    at = (np.arange(side) + 0.5) / side * diameter_m - diameter_m / 2
    x, y = np.meshgrid(at, at)
    density = 4 / (np.pi * one_m * other_m) * np.exp(-4 * (x / one_m) ** 2 - 4 * (y / other_m) ** 2)
    return float((density * (x**2 + y**2 <= diameter_m**2 / 4)).sum() * (diameter_m / side) ** 2)


@pytest.mark.parametrize("aspect", [1, 2, 5, 20])
@pytest.mark.parametrize("wide_m", [2e-3, 7e-3, 40e-3])
def test_an_elliptical_beam_counts_as_its_round_equal_which_is_never_less(aspect, wide_m):
    narrow_m = wide_m / aspect
    beam = Beam((0.0, 0.0), (wide_m, narrow_m), "1/e")
    counted, summed = float(beam.share(7e-3, 1.0)), light_in_circle(7e-3, wide_m, narrow_m)
    assert counted >= summed * (1 - 1e-3)
    if aspect == 1:
        assert counted == pytest.approx(summed, rel=2e-3)


def test_far_away_an_ellipse_is_exact():
    beam = Beam((4e-3, 1e-3), (0.0, 0.0), "1/e")
    assert beam.share(7e-3, 200.0) == pytest.approx(light_in_circle(7e-3, 0.8, 0.2), rel=1e-3)


@pytest.mark.parametrize(("width", "part"), [("1/e2", 0.864665), ("1/e", 0.632121), ("fwhm", 0.5)])
def test_any_stated_width_means_its_share(width, part):
    assert Beam((1e-3, 1e-3), width=width).share(0.05, 50.0) == pytest.approx(part, abs=1e-6)


def test_a_top_hat_is_as_wide_as_it_is_and_an_unknown_profile_the_worse_of_two():
    flat, bell, unknown = (
        Beam((1e-3, 1e-3), width="fwhm", profile=profile) for profile in ("top_hat", "gaussian", None)
    )
    for range_m in (2.0, 7.0, 60.0):
        shares = [float(beam.share(7e-3, range_m)) for beam in (flat, bell, unknown)]
        assert shares[0] == pytest.approx(min((7e-3 / (1e-3 * range_m)) ** 2, 1.0))
        assert shares[2] == max(shares)


# Whole hazard distances, each against a slow computation.


def sensor_of(nm, rate_hz, energy_uj, mrad, width, exit_mm, profile="gaussian", across_mrad=None):
    """Return a card of a fixed beam."""
    return Sensor(
        name="made",
        wavelength_nm=nm,
        pattern="profiling",
        optical_fov_deg=0,
        usable_fov_deg=0,
        divergence_mrad=mrad,
        divergence_across_mrad=across_mrad,
        divergence_width=width,
        exit_beam_mm=(exit_mm, exit_mm) if exit_mm else None,
        beam_profile=profile,
        pulse_length_ns=5,
        min_range_m=1,
        range_noise_m=0.02,
        ratings=[RangeRating(pulse_rate_hz=rate_hz, range_m=100, reflectance=0.1, pulse_energy_uj=energy_uj)],
    )


def distances(*beam, **more) -> HazardDistances:
    sensor = sensor_of(*beam, **more)
    return hazard_distances(source_of(sensor, sensor.ratings[0], 0.0), None)


def slow_limit(nm, seconds, rules):
    """Return the limit of exposure [J/m2] by plain cases; tables as cited in `exposurelimits` [R, M]."""
    if nm > 1400:
        return 1e4 if seconds < 10 else max(1e4, 1000 * seconds)
    if seconds > 10:
        c7 = 1.0
        return (10 if nm < 700 else 10 * (5 if nm > 1050 else 10 ** (0.002 * (nm - 700))) * c7) * seconds
    if nm > 1050:
        short, joint = (2e-2, 13e-6) if rules == "iec2014" else (5e-2, 50e-6)
        return short if seconds <= joint else 90 * seconds**0.75
    short, joint = (2e-3, 5e-6) if rules == "iec2014" else (5e-3, 18e-6)
    c4 = 1 if nm < 700 else 10 ** (0.002 * (nm - 700))
    return c4 * (short if seconds <= joint else 18 * seconds**0.75)


def slow_aperture_m(nm, seconds, rules):
    if nm < 1400:
        return 7e-3
    if seconds <= (0.35 if rules == "iec2014" else 0.3):
        return 1e-3
    return 1.5e-3 * seconds**0.375 if seconds < 10 else 3.5e-3


def slow_mean_exposure_j_m2(energy_j, d63_m, aperture_m):
    """Return the exposure that a round Gaussian pulse puts on an aperture, rings summed by the midpoint rule."""
    radius = (np.arange(4000) + 0.5) / 4000 * aperture_m / 2
    density = energy_j / (math.pi * d63_m**2 / 4) * np.exp(-((2 * radius / d63_m) ** 2))
    energy = (density * 2 * math.pi * radius).sum() * (aperture_m / 2 / 4000)
    return float(energy / (math.pi * aperture_m**2 / 4))


def slow_distance_m(nm, rate_hz, energy_uj, mrad, width, exit_mm, rules):
    """Return where a stare of 100 s falls to its limit, by halving, all rules written out."""
    to_63 = {"1/e2": 1 / ROOT2, "1/e": 1.0, "fwhm": 1.2011224}[width]
    group_s = {"iec2014": 5e-6, "eu2006": 18e-6} if nm < 1050 else {"iec2014": 13e-6, "eu2006": 50e-6}

    def over(range_m):
        d63_m = math.hypot(exit_mm * 1e-3, mrad * 1e-3 * range_m) * to_63

        def exposure(seconds):
            return slow_mean_exposure_j_m2(energy_uj * 1e-6, d63_m, slow_aperture_m(nm, seconds, rules))

        worst = exposure(5e-9) / slow_limit(nm, 5e-9, rules)
        for seconds in (0.25, 0.3, 0.35, 10.0, 100.0):
            worst = max(worst, math.ceil(rate_hz * seconds) * exposure(seconds) / slow_limit(nm, seconds, rules))
        if nm < 1400:
            together = max(math.ceil(rate_hz * group_s[rules] - 1e-9), 1)
            groups = rate_hz * (10.0 if rules == "iec2014" else 100.0) / together
            factor = groups**-0.25
            if rules == "iec2014":
                factor = 1 if groups <= 600 else min(max(5 * factor, 0.4), 1)
            worst = max(worst, together * exposure(5e-9) / (slow_limit(nm, 5e-9, rules) * factor))
        return worst

    low, high = 0.1, 0.1
    if over(low) <= 1:
        return 0.0
    while over(high) > 1:
        low, high = high, high * 2
    for _ in range(40):
        middle = (low + high) / 2
        low, high = (middle, high) if over(middle) > 1 else (low, middle)
    return high


BEAMS = [(0.5, "1/e2", 5.0), (2.0, "fwhm", 12.0)]
CASES = [
    (nm, rate_hz, energy_uj, *beam)
    for nm, beam, (rate_hz, energy_uj) in product(
        (532, 905, 1064, 1535, 1550), BEAMS, [(20, 50.0), (1e4, 1.0), (1e5, 0.2), (5e5, 5.0)]
    )
]


def test_there_are_forty_cases():
    assert len(set(CASES)) == 40


@pytest.mark.parametrize(
    "case", CASES, ids=lambda case: "-".join(f"{part:g}" if part != str(part) else part for part in case)
)
def test_hazard_distances_match_a_slow_computation(case):
    found = distances(*case)
    for rules, naked_m in zip(RULES, found.naked_m, strict=True):
        assert naked_m == pytest.approx(slow_distance_m(*case, rules), rel=1e-5)
    assert found.counted_m == max(found.naked_m)


def test_the_cases_are_no_empty_ones():
    reached = [min(distances(*case).naked_m) for case in CASES]
    assert sum(distance > 0 for distance in reached) >= 28


# Laws.

ENERGIES = st.floats(-3, 3).map(lambda log: 10**log)
MRAD = st.floats(0.1, 10)
NM = st.sampled_from([532.0, 905.0, 1064.0, 1535.0, 1550.0])
HZ = st.floats(1, 4).map(lambda log: 10**log)
WIDTHS = st.sampled_from(["1/e2", "1/e", "fwhm"])
CLOSE = 1 + 1e-6


@LAW
@given(NM, HZ, ENERGIES, st.floats(1, 10), MRAD, WIDTHS, st.sampled_from([0.0, 5.0]))
def test_more_energy_is_never_a_shorter_distance(nm, rate_hz, energy_uj, more, mrad, width, exit_mm):
    weak = distances(nm, rate_hz, energy_uj, mrad, width, exit_mm)
    strong = distances(nm, rate_hz, energy_uj * more, mrad, width, exit_mm)
    assert all(a <= b * CLOSE for a, b in zip(weak.naked_m, strong.naked_m, strict=True))
    assert all(a <= b * CLOSE for a, b in zip(weak.aided_m, strong.aided_m, strict=True))


@LAW
@given(NM, HZ, ENERGIES, MRAD, st.floats(1, 5), WIDTHS)
def test_a_wider_beam_is_never_a_longer_distance(nm, rate_hz, energy_uj, mrad, wider, width):
    narrow, wide = (distances(nm, rate_hz, energy_uj, angle, width, 4.0) for angle in (mrad, mrad * wider))
    assert all(b <= a * CLOSE for a, b in zip(narrow.naked_m, wide.naked_m, strict=True))


@LAW
@given(NM, HZ, ENERGIES, MRAD, st.sampled_from([0.0, 5.0]), st.sampled_from(["gaussian", "top_hat", None]))
def test_aids_waists_and_clear_air_are_on_the_safe_side(nm, rate_hz, energy_uj, mrad, exit_mm, profile):
    sensor = sensor_of(nm, rate_hz, energy_uj, mrad, "1/e2", exit_mm, profile)
    found = hazard_distances(source_of(sensor, sensor.ratings[0], 0.0), None, 1e-3)
    for row in range(2):
        assert found.naked_m[row] <= found.aided_m[row] * CLOSE
        assert found.naked_linear_m[row] <= found.naked_m[row] * CLOSE
        assert found.aided_linear_m[row] <= found.aided_m[row] * CLOSE
        assert found.naked_in_air_m[row] <= found.naked_m[row] * CLOSE
    assert (found.counted_m, found.counted_aided_m) == (max(found.naked_m), max(found.aided_m))


@settings(LAW, max_examples=8)
@given(NM, ENERGIES, MRAD)
def test_an_unknown_profile_and_exit_are_never_shorter(nm, energy_uj, mrad):
    silent = distances(nm, 1e3, energy_uj, mrad, "fwhm", 0.0, None)
    for profile, exit_mm in product(("gaussian", "top_hat"), (0.0, 8.0)):
        stated = distances(nm, 1e3, energy_uj, mrad, "fwhm", exit_mm, profile)
        assert stated.counted_m <= silent.counted_m * CLOSE


def test_far_away_the_distance_is_the_closed_form():
    # one pulse a second is a train of 100 in 100 s: by IEC one alone, 5.1408e-3 J/m2 at 905 nm
    found = distances(905, 1, 5000.0, 0.5, "1/e", 5.0)
    closed = quadratic_distance_m(5e-3, 5.140792e-3, *round_beam(0.5e-3, 5e-3))
    assert closed > 2000
    assert found.naked_m[0] == pytest.approx(closed, rel=1e-5)
    assert found.naked_linear_m[0] == pytest.approx(
        linear_distance_m(5e-3, 5.140792e-3, *round_beam(0.5e-3, 5e-3)), rel=1e-5
    )
    assert found.aided_m[0] / found.naked_m[0] == pytest.approx(5.857, rel=1e-3)


def test_an_elliptical_beam_of_a_card_is_as_far_as_its_round_equal():
    ellipse = distances(905, 1e4, 1.0, 4.0, "1/e2", 0.0, across_mrad=1.0)
    assert ellipse.naked_m == pytest.approx(distances(905, 1e4, 1.0, 2.0, "1/e2", 0.0).naked_m)


def test_what_rests_on_memory_is_said():
    # a single pulse of low rate binds by a row that was read in the directive; a mean over 100 s by one that was not
    assert distances(1550, 1, 10_000.0, 0.1, "1/e2", 0.0).from_memory == (True, False)
    assert distances(905, 1e5, 0.5, 1.0, "1/e2", 0.0).from_memory[0]
