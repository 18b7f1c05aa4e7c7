"""Chances of detection and range noise, against published tables and their own laws.

Marks: [R] read in the source, [M] from memory of it, [C] computed from the formula shown.
"""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from planner.ranging import detection
from planner.ranging.detection import Seeing
from planner.ranging.principles import timing_range_noise_m
from planner.ranging.rangelaw import longest_range_m, signal_ratio

LAW = settings(deadline=None, max_examples=60)
RATIOS = st.floats(0, 20)
THRESHOLDS = st.floats(1, 8)
CHANCES = st.floats(0.001, 0.999)

# Threshold; false alarms at 100 MHz [Hz] (Rice 1944-45), in a gate of 2 us, of one sample; signal-to-noise ratio for
# chances of 0.5, 0.9, 0.99, 0.999 (Kamerman 1993; Richmond and Cain 2010, SPIE TT85) [M], numbers [C]
PD_TABLE = [
    (4, 19367.9, 3.7995e-2, 3.16712e-5, (4, 5.2816, 6.3263, 7.0902)),
    (4.5, 2313.17, 4.6157e-3, 3.39767e-6, (4.5, 5.7816, 6.8263, 7.5902)),
    (5, 215.158, 4.3023e-4, 2.86652e-7, (5, 6.2816, 7.3263, 8.0902)),
    (6, 0.879303, 1.7586e-6, 9.86588e-10, (6, 7.2816, 8.3263, 9.0902)),
]


@pytest.mark.parametrize(("threshold", "rate_hz", "in_gate", "in_sample", "ratios"), PD_TABLE)
def test_detection_matches_the_table(threshold, rate_hz, in_gate, in_sample, ratios):
    rate = detection.false_alarms_hz(threshold, 100e6)
    assert rate == pytest.approx(rate_hz, rel=3e-6)
    assert detection.gate_alarm_chance(rate, 2e-6) == pytest.approx(in_gate, rel=2e-5)
    assert detection.sample_alarm_chance(threshold) == pytest.approx(in_sample, rel=2e-6)
    assert detection.signal_to_noise_for([0.5, 0.9, 0.99, 0.999], threshold) == pytest.approx(ratios, abs=6e-5)
    assert detection.threshold_for(rate, 100e6) == pytest.approx(threshold)


def test_chances_at_the_usual_threshold():
    # Threshold 5 [C]
    chances = detection.detection_chance([4, 5, 6, 7, 8], 5)
    assert chances == pytest.approx([0.158655, 0.5, 0.841345, 0.97725, 0.99865], abs=6e-6)


def test_published_receiver_is_a_little_better_than_one_look():
    # Threshold 4.5, 90 % at 14.6 dB, false alarms 0.17 % (Measurement 242, 2025, 115904 [R, abstract]). One Gaussian
    # look needs 15.24 dB; 0.17 % is some 500 looks [C].
    needed_db = float(detection.power_db(detection.signal_to_noise_for(0.9, 4.5)))
    assert needed_db == pytest.approx(15.24, abs=0.005)
    assert 0 < needed_db - 14.6 < 0.7
    assert 0.0017 / detection.sample_alarm_chance(4.5) == pytest.approx(500.8, rel=2e-3)


def test_no_noise_crosses_more_often_than_at_a_threshold_of_0():
    assert detection.threshold_for([1e9, 100e6 / math.sqrt(3)], 100e6) == pytest.approx([0, 0], abs=1e-7)


@LAW
@given(CHANCES, THRESHOLDS)
def test_signal_for_a_chance_has_that_chance(chance, threshold):
    assert detection.detection_chance(detection.signal_to_noise_for(chance, threshold), threshold) == pytest.approx(
        chance, rel=1e-9
    )


def test_ends_of_the_scale_of_chances():
    assert detection.signal_to_noise_for([1.0, 0.0], 5).tolist() == [np.inf, -np.inf]
    assert np.isnan(detection.signal_to_noise_for([np.nan, 1.5, -0.1], 5)).all()
    assert np.isnan(detection.detection_chance(np.nan, 5))


def test_ranges_for_two_chances_stand_as_computed():
    # R(0.9) / R(0.5) = sqrt(5 / 6.2816) = 0.8922 in clear air [C]
    seeing = Seeing(threshold=5, rated_chance=0.9)
    by_chance = longest_range_m(1 / np.sqrt(seeing.ratio_for([0.9, 0.5])), 0.0)
    assert by_chance[0] == pytest.approx(1.0)
    assert by_chance[0] / by_chance[1] == pytest.approx(0.8922, abs=6e-5)


def test_sun_on_snow_takes_four_tenths_of_the_range():
    # Noise of day 2.8822 times that of night: range by day 0.58903 of that by night, clear air [C]
    by_day = Seeing(gain=float(detection.light_gain(1.0, 2.8822)))
    assert longest_range_m(1 / np.sqrt(by_day.ratio_for(0.9)), 0.0) == pytest.approx(0.58903, abs=1e-5)


def test_the_sun_is_not_counted_twice():
    # Rated by day and flown by day: as rated. Flown at night: better by the noise that is gone.
    assert Seeing(gain=float(detection.light_gain(3.0, 3.0))).chance(1.0) == pytest.approx(0.9)
    assert detection.light_gain(3.0, 1.0) == 3
    assert detection.light_gain(1.0, [1.0, 3.0]) == pytest.approx([1, 1 / 3])


@LAW
@given(CHANCES, THRESHOLDS, st.floats(0.2, 5))
def test_a_rated_signal_in_rated_light_has_the_rated_chance(rated_chance, threshold, gain):
    rated = Seeing(threshold, max(rated_chance, 0.2))
    assert rated.chance(1.0) == pytest.approx(rated.rated_chance, rel=1e-9)
    lit = Seeing(threshold, rated.rated_chance, gain)
    assert lit.chance(1 / gain) == pytest.approx(rated.rated_chance, rel=1e-9)
    assert lit.ratio_for(rated.rated_chance) == pytest.approx(1 / gain, rel=1e-9)


@LAW
@given(RATIOS, RATIOS, THRESHOLDS)
def test_stronger_signals_are_seen_more_surely(one, other, threshold):
    weak, strong = Seeing(threshold).chance(sorted((one, other)))
    assert 0 <= weak <= strong <= 1


def test_no_light_is_no_echo():
    assert Seeing(threshold=1).chance([0.0, -1.0]).tolist() == [0, 0]
    assert np.isnan(Seeing().chance(np.nan))


@pytest.mark.parametrize("seeing", [Seeing(), Seeing(4, 0.5), Seeing(6, 0.99, 0.3), Seeing(5, 0.9, 3.0)])
def test_looked_up_chances_are_those_of_the_curve(seeing):
    step, chances = seeing.table()
    assert chances.shape == (513,)
    assert chances[0] == 0
    assert chances[-1] == 1
    ratios = np.linspace(0, step * 600, 5003)
    at = np.minimum(ratios / step, 512)
    low = np.minimum(at.astype(int), 511)
    looked_up = chances[low] + (at - low) * (chances[low + 1] - chances[low])
    assert looked_up == pytest.approx(seeing.chance(ratios), abs=1e-4)


@pytest.mark.parametrize(
    ("rise_ns", "ratio", "noise_mm", "other_form_mm"),
    # c t / (2 SNR), and c t / (2 sqrt(2 SNR^2)) (Jelalian 1992 [M]), numbers [C]
    [(1, 10, 14.990, 10.599), (1, 20, 7.4948, 5.2996), (3, 10, 44.969, 31.798)],
)
def test_range_noise_of_an_edge(rise_ns, ratio, noise_mm, other_form_mm):
    noise = timing_range_noise_m(detection.timing_noise_s(rise_ns * 1e-9, ratio)) * 1000
    assert noise == pytest.approx(noise_mm, abs=6e-4)
    assert noise / math.sqrt(2) == pytest.approx(other_form_mm, abs=6e-4)


def test_range_noise_by_power():
    # Baltsavias 1999, ISPRS J. 54(2-3):199-214 [M]: (c t / 2) / sqrt(SNR), 1 ns, 100: 0.01499 m [C]
    noise_s = detection.timing_noise_s(1e-9, math.sqrt(100))
    assert timing_range_noise_m(noise_s) == pytest.approx(0.01499, abs=1e-6)


@LAW
@given(st.floats(0.001, 0.1), st.floats(0.01, 100), st.floats(0.01, 100), st.floats(1, 50))
def test_range_noise_grows_as_the_signal_falls(stated_m, one, other, stated_at):
    weak, strong = detection.grown_noise_m(stated_m, sorted((one, other)), stated_at)
    assert weak >= strong >= stated_m


def test_range_noise_by_distance():
    # A noise stated for a target at 100 m of a card that reaches 400 m: kept nearer, four times as much at 200 m.
    ratios = signal_ratio([50.0, 100.0, 200.0], 400.0, 0.0)
    assert detection.grown_noise_m(0.01, ratios, ratios[1]) == pytest.approx([0.01, 0.01, 0.04])
