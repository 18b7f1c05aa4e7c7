"""A scanned beam and one eye, against numbers of the formulas and against pulses fired one by one.

Marks: [C] computed from the formula shown.
"""

import math

import numpy as np
import pytest

from planner.ranging.beams import ScanPattern
from planner.safety.exposurelimits import RULES
from planner.safety.hazarddistance import Beam
from planner.safety.scancrossings import (
    Motion,
    beams_within,
    crossings,
    crossings_hz,
    longest_stay_s,
    scanned_train,
    worst_places,
)

D = 7e-3


def pattern_of(kind, rate_hz, half_deg, **more):
    return ScanPattern(kind, 3e5, rate_hz, math.radians(half_deg), math.radians(half_deg), **more)


TURNING = pattern_of("rotating", 100, 180)


@pytest.mark.parametrize(
    ("range_m", "aperture_only", "with_width"),
    # 300 kHz, 100 turns/s, 7 mm, w = 10 mm + 1 mrad R: v = 628.3 R, t = (D + w) / v, N = F t [C]
    [
        (2, (5.5704e-6, 1.671), (1.51197e-5, 4.536)),
        (10, (None, 0.334), (None, 1.289)),
        (50, (None, 0.0668), (None, 0.6398)),
    ],
)
def test_crossings_of_a_turning_beam(range_m, aperture_only, with_width):
    width_m = 0.010 + 1e-3 * range_m
    for (seconds, pulses), window_m in ((aperture_only, D), (with_width, D + width_m)):
        stay = float(longest_stay_s(TURNING, window_m / range_m))
        assert stay * 3e5 == pytest.approx(pulses, rel=2e-3)
        if seconds:
            assert stay == pytest.approx(seconds, rel=1e-4)


def met_by(pattern, range_m, width_m, share=0.5, motion=None, rate_hz=3e5, place="edge", exposure_s=100.0):
    at = np.atleast_1d(np.asarray(range_m, dtype=float))
    wide, part = np.broadcast_to(width_m, at.shape), np.broadcast_to(share, at.shape)
    return crossings(
        pattern, rate_hz, motion or Motion(pattern.line_rate_hz, 6.0), at, D, wide, part, exposure_s, place
    )


def test_pulses_of_a_crossing_are_whole_and_at_least_one():
    # 4.536 -> 5, 1.289 -> 2, 0.640 -> 1 pulses, if no bound by the light of rays is lower: 1 + 1.671 / 1 [C]
    ranges = np.array([2.0, 10.0, 50.0])
    assert met_by(TURNING, ranges, 0.010 + 1e-3 * ranges, share=0.1).pulses.tolist() == [5, 2, 1]
    assert met_by(TURNING, 2.0, 0.012, share=1.0).pulses == pytest.approx(1 + 1.671, rel=1e-3)


def test_crossings_follow_each_other_by_lines_and_speed():
    # n = 1 + (D + w) f / v: 1 + 0.067 * 100 / 6 [C]; in a hover T f
    met = met_by(TURNING, 50.0, 0.06)
    assert met.count == pytest.approx(1 + 0.067 * 100 / 6)
    assert met.row_s == pytest.approx(0.067 / 6 + met.stay_s)
    assert met_by(TURNING, 50.0, 0.06, motion=Motion(100, 0.0)).count == pytest.approx(100 * 100)
    assert met_by(TURNING, 50.0, 0.06, motion=Motion(100, 1e-9)).count == pytest.approx(100 * 100)
    assert met_by(TURNING, 50.0, 0.06, motion=Motion(100, 6.0, passes=3)).count == pytest.approx(3 * met.count)


def test_a_mirror_that_turns_back_stays_twice_as_long_half_as_often():
    there, back = pattern_of("polygon", 100, 40), pattern_of("oscillating_linear", 100, 40)
    assert longest_stay_s(back, 1e-3) == pytest.approx(2 * float(longest_stay_s(there, 1e-3)))
    assert crossings_hz(back, 1e-3) == crossings_hz(there, 1e-3) / 2


def test_a_resonant_mirror_dwells_at_its_ends():
    # half cos(pi f t) is within delta of its end for 2 acos(1 - delta / half) / (pi f) [C]
    sine = pattern_of("oscillating_sine", 80, 35)
    time = np.linspace(0, 1 / 40, 2_000_001)
    for delta in (1e-4, 1e-3, 0.1):
        within = (math.radians(35) * np.cos(np.pi * 80 * time) > math.radians(35) - delta).mean() / 40
        assert longest_stay_s(sine, delta) == pytest.approx(within, rel=2e-3)


KINDS = [
    pattern_of("polygon", 100, 40),
    pattern_of("oscillating_linear", 100, 40),
    pattern_of("oscillating_sine", 80, 35),
    pattern_of("rotating", 20, 180),
    pattern_of("conical", 60, 25),
    pattern_of("rosette", 120, 35, wedge_ratio=0.618034),
]


@pytest.mark.parametrize("pattern", KINDS, ids=lambda pattern: pattern.kind)
def test_no_beam_stays_longer_than_it_takes_to_come_back(pattern):
    windows = np.geomspace(1e-6, 100, 200)
    for place in worst_places(pattern):
        stay = longest_stay_s(pattern, windows, place)
        assert (np.diff(stay) >= 0).all()
        assert (stay * crossings_hz(pattern, windows, place) <= 1 + 1e-9).all()
        assert stay[-1] * crossings_hz(pattern, windows[-1], place) == pytest.approx(1.0)


def directions(pattern, time_s):
    """Return where the beam of a pattern looks over time, as plane angles across and along the flight [rad]."""
    f, half = pattern.line_rate_hz, pattern.optical_half_angle_rad
    line = time_s * f
    if pattern.kind in ("polygon", "rotating"):
        return half * (2 * (line % 1) - 1), np.zeros_like(line)
    if pattern.kind == "oscillating_linear":
        return half * (1 - 4 * np.abs(line / 2 % 1 - 0.5)), np.zeros_like(line)
    if pattern.kind == "oscillating_sine":
        return half * np.cos(np.pi * line), np.zeros_like(line)
    if pattern.kind == "conical":
        return np.sin(half) * np.cos(2 * np.pi * line), np.sin(half) * np.sin(2 * np.pi * line)
    one, other = 2 * np.pi * line, -2 * np.pi * pattern.wedge_ratio * line
    return half / 2 * (np.cos(one) + np.cos(other)), half / 2 * (np.sin(one) + np.sin(other))


SUNFLOWER = np.sqrt((np.arange(200) + 0.5) / 200) * np.exp(1j * np.arange(200) * np.pi * (3 - math.sqrt(5)))


def share_off_centre(offset_m, aperture_m, d63_m):
    """Return the share of a round Gaussian beam in an aperture whose centre is so far off, by 200 even points."""
    points = np.abs(offset_m[:, np.newaxis] + SUNFLOWER.real * aperture_m / 2 + 1j * SUNFLOWER.imag * aperture_m / 2)
    density = np.exp(-4 * points**2 / d63_m**2) / (np.pi * d63_m**2 / 4)
    return density.mean(axis=1) * np.pi * aperture_m**2 / 4


def fired(pattern, rate_hz, range_m, beam, eye, drift_mps=0.0, lasts_s=1.0, rng=None):
    """Return times and shares of all pulses that a pattern fires at an eye, from a random moment on."""
    time = np.arange(int(lasts_s * rate_hz)) / rate_hz + (rng.uniform(0, 1) if rng else 0.0)
    across, along = directions(pattern, time)
    offset = range_m * np.hypot(across - eye[0], along - eye[1] + drift_mps * (time - time.mean()) / range_m)
    d63_m = float(beam.mean_width_m(range_m, "linear")) / math.sqrt(2)
    near = offset < D / 2 + 3 * d63_m
    return time[near], share_off_centre(offset[near], D, d63_m)


def eyes_for(pattern, rng):
    """Return places of eyes: the ends, the middle, and some along the way."""
    moments = np.concatenate([[0.0, 0.5, 1.0], rng.uniform(0, 1, 9)]) / pattern.line_rate_hz
    return [*zip(*directions(pattern, moments), strict=True), (0.0, 0.0)]


@pytest.mark.parametrize(("range_m", "exit_mm"), [(0.5, 0.0), (3.0, 8.0), (20.0, 4.0)])
@pytest.mark.parametrize("pattern", KINDS, ids=lambda pattern: pattern.kind)
def test_bounds_hold_for_pulses_fired_one_by_one(pattern, range_m, exit_mm):
    """No eye meets more light in one crossing, in several, or in a hover than the closed forms allow."""
    rng, rate_hz, lasts_s = np.random.default_rng(7), 3e5, 0.4
    beam = Beam((2e-3, 2e-3), (exit_mm * 1e-3, exit_mm * 1e-3))
    share = float(beam.share(D, range_m, "linear"))
    places = [
        met_by(pattern, range_m, beam.widest_m(range_m), share, Motion(pattern.line_rate_hz, 0.0), rate_hz, place)
        for place in worst_places(pattern)
    ]
    for eye in eyes_for(pattern, rng):
        time, shares = fired(pattern, rate_hz, range_m, beam, eye, lasts_s=lasts_s, rng=rng)
        if not time.size:
            continue
        starts = np.flatnonzero(np.diff(time, prepend=-1) > 0.2 / (pattern.line_rate_hz * (1 + pattern.wedge_ratio)))
        most = np.add.reduceat(shares, starts).max()
        # beyond three widths of a Gaussian beam nothing is counted, and within a window of w by 1/e2 nearly all
        assert most <= max(float(met.pulses[0]) for met in places) * share * 1.01
        follow = [1 + math.floor(lasts_s * float(met.every_hz[0])) for met in places]
        allowed = max(float(met.pulses[0]) * more for met, more in zip(places, follow, strict=True)) * share
        assert shares.sum() <= allowed * 1.01


@pytest.mark.parametrize("kind", ["polygon", "conical"])
def test_a_passage_holds_no_more_crossings_than_counted(kind):
    pattern = pattern_of(kind, 60, 25)
    range_m, speed_mps, beam = 30.0, 8.0, Beam((3e-3, 3e-3))
    width_m, share = float(beam.widest_m(range_m)), float(beam.share(D, range_m, "linear"))
    met = met_by(pattern, range_m, width_m, share, Motion(60, speed_mps))
    rng = np.random.default_rng(3)
    ring = math.sin(math.radians(25))
    beside = [(ring * part, 0.0) for part in (1.0, 0.9999, 0.999, 0.9, 0.5)] if kind == "conical" else [(0.1, 0.0)] * 5
    for eye in beside:
        _, shares = fired(pattern, 3e5, range_m, beam, eye, speed_mps, 4.0, rng)
        assert shares.sum() <= float(met.pulses[0] * met.count[0]) * share * 1.01


def test_an_eye_beside_the_track_of_a_ring_is_crossed_longest():
    # a chord of 2 sqrt(2 r (D + w)): r = 30 sin 25, D + w = 0.1 m: 3.18 m, 32.8 crossings at 60 Hz, 6 m/s [C]
    met = met_by(pattern_of("conical", 60, 25), 30.0, 0.1 - D)
    assert met.count == pytest.approx(1 + 2 * math.sqrt(2 * 30 * math.sin(math.radians(25)) * 0.1) * 60 / 6)


FAN = pattern_of("rotating", 20, 180, beam_elevations_rad=tuple(np.radians(np.arange(-15, 16, 2)).tolist()))


def test_beams_of_a_head_come_together_only_near_it():
    # sixteen beams 2 deg apart: 34.9 mrad, so 7 mm holds one from 0.2 m on, three at 0.1 m [C]
    assert beams_within(FAN, [0.001, 0.0348, 0.0350, 0.0699, 0.6, 1e6]).tolist() == [1, 1, 2, 3, 16, 16]
    assert beams_within(TURNING, [1e-9, 1e6]).tolist() == [1, 1]


def test_a_head_shares_its_pulses_among_its_beams():
    near, far = (met_by(FAN, at, 0.0, share=1.0, rate_hz=6.4e5) for at in (0.1, 60.0))
    one = met_by(pattern_of("rotating", 20, 180), 60.0, 0.0, share=1.0, rate_hz=4e4)
    assert far.pulses == pytest.approx(one.pulses)
    assert near.pulses > 3 * far.pulses
    # all other beams follow, over 30 deg of 60 m
    assert (far.rounds[0], far.apart_s[0]) == pytest.approx((16, 60 * math.radians(30) / 6))


def train_of(met, rules="iec2014", nm=905.0, rate_hz=3e5):
    return scanned_train(met, rate_hz, 5e-9, 100.0, nm, rules)


@pytest.mark.parametrize("rules", RULES)
@pytest.mark.parametrize("nm", [905.0, 1550.0])
@pytest.mark.parametrize(
    "pattern", [*KINDS, FAN], ids=lambda pattern: f"{pattern.kind}-{len(pattern.beam_elevations_rad)}"
)
def test_no_span_holds_more_than_is_sent(pattern, nm, rules):
    ranges = np.geomspace(0.1, 500, 40)
    for place in worst_places(pattern):
        train = train_of(met_by(pattern, ranges, 0.005 + 1e-3 * ranges, place=place), rules, nm)
        assert (train.pulses >= 1 - 1e-9).all()
        assert (train.groups >= 1 - 1e-9).all()
        average = [row for row, rule in enumerate(train.rules) if rule == "average"][:-2]
        assert (train.pulses[average] <= np.ceil(train.spans_s[average] * 3e5)).all()


def test_a_crossing_of_light_without_breaks_is_a_pulse_as_long():
    pattern = pattern_of("polygon", 100, 40)
    met = met_by(pattern, 20.0, 0.02, rate_hz=None)
    assert met.pulses == pytest.approx(np.minimum(met.stay_s, longest_stay_s(pattern, D / 20.0) / 0.5))
    train = train_of(met, "eu2006", rate_hz=None)
    trained = train.rules.index("train")
    assert "single" not in train.rules
    assert train.groups[trained] == pytest.approx(met.count)


def test_iec_counts_what_falls_within_10_s():
    hover = met_by(TURNING, 20.0, 0.02, motion=Motion(100, 0.0))
    by_iec, by_eu = (train_of(hover, rules) for rules in RULES)
    crossing = by_iec.rules.index("train")
    assert by_iec.groups[crossing] == pytest.approx(1000, rel=1e-3)
    assert by_eu.groups[crossing] == pytest.approx(10_000)
