"""Rules for many pulses, against tables and each other.

Marks: [R] read in the source, [M] from memory of it, [C] computed from the formula shown. The rule for trains of IEC
60825-1:2014 rests on memory; that of Directive 2006/25/EC was read.
"""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from planner.safety.exposurelimits import RULES, class_1_limit_j, eye_limit_j_m2, grouping_s
from planner.safety.pulsetrains import counted_s, loads, most_pulses, pulse_limits, steady_train, train_factor

LAW = settings(deadline=None, max_examples=60)
RATES = st.floats(0.5, 6).map(lambda log: 10**log)
NM = st.sampled_from([532.0, 905.0, 1064.0, 1450.0, 1550.0])
PULSE_S = 5e-9


def class_1(nm, rate_hz, exposure_s=10.0, pulse_s=PULSE_S):
    return pulse_limits(rate_hz, pulse_s, exposure_s, nm, "iec2014", lambda spans: class_1_limit_j(nm, spans))


def eye(nm, rate_hz, rules, exposure_s=10.0, pulse_s=PULSE_S):
    return pulse_limits(rate_hz, pulse_s, exposure_s, nm, rules)


@pytest.mark.parametrize(
    ("count", "factor"),
    # 5 N^-0.25 between 1 and 0.4, from 600 pulses on [M], numbers [C]; the floor is met at 24414
    [(1, 1), (600, 1), (601, 1), (1000, 0.889140), (1e4, 0.5), (24414, 0.4), (1e5, 0.4)],
)
def test_c5_of_short_pulses(count, factor):
    assert train_factor(count, PULSE_S, 10, 905, "iec2014") == pytest.approx(factor, abs=2e-6)


def test_c5_meets_its_floor_at_24414_pulses():
    assert train_factor(24400, PULSE_S, 10, 905, "iec2014") > 0.4
    assert train_factor(24415, PULSE_S, 10, 905, "iec2014") == 0.4


def test_c5_spares_looks_one_turns_from():
    assert train_factor(1e4, PULSE_S, 0.25, 532, "iec2014") == 1.0
    assert train_factor(1e4, PULSE_S, 0.26, 532, "iec2014") == 0.5


@pytest.mark.parametrize(
    ("mrad", "exposure_s", "count", "factor"),
    # Pulses longer than Ti [M]: 1 to 5 mrad; N^-0.25, at least 0.4, to the largest angle (200 sqrt(t) mrad);
    # at least 0.2 above; 1 over 100 mrad [C]
    [(1.5, 10, 1e4, 1), (5, 10, 1e4, 1), (20, 10, 16, 0.5), (20, 10, 1e4, 0.4), (80, 0.01, 1e4, 0.2), (120, 10, 16, 1)],
)
def test_c5_of_long_pulses(mrad, exposure_s, count, factor):
    assert train_factor(count, 1e-3, exposure_s, 905, "iec2014", mrad) == pytest.approx(factor)


def test_cp_of_the_directive_falls_without_a_floor():
    # N^-1/4, Directive 2006/25/EC annex II [R]
    found = train_factor([1, 16, 1e4, 1e8], PULSE_S, 10, 905, "eu2006")
    assert found == pytest.approx([1, 0.5, 0.1, 0.01])


@pytest.mark.parametrize("rules", RULES)
def test_no_rule_for_trains_past_1400_nm(rules):
    assert train_factor(1e6, PULSE_S, 10, 1550, rules) == 1.0


@pytest.mark.parametrize(
    ("nm", "rate_hz", "single_nj", "average_nj", "train_nj", "limit_nj", "mean_mw"),
    # IEC 60825-1:2014 [M], stare of 10 s, numbers [C]. Where pulses are closer than Ti whole ones are counted: 2 in
    # 5 us at 300 kHz (1.5 give 52.8 nJ), 2 in 13 us at 100 kHz (1.3 give 236.9 nJ).
    [
        (905, 1e3, 197.92, 1011.8, 98.96, 98.96, 0.099),
        (905, 1e4, 197.92, 101.18, 79.17, 79.17, 0.792),
        (905, 1e5, 197.92, 10.118, 79.17, 10.118, 1.012),
        (905, 3e5, 197.92, 3.373, 79.17 / 2, 3.373, 1.012),
        (1064, 1e3, 770, 1968.2, 385, 385, 0.385),
        (1064, 1e5, 770, 19.682, 308 / 2, 19.682, 1.968),
        (1550, 1e4, 8e6, 1012.2, np.inf, 1012.2, 10.12),
        (1550, 1e5, 8e6, 101.22, np.inf, 101.22, 10.12),
    ],
)
def test_class_1_of_a_beam_at_rest(nm, rate_hz, single_nj, average_nj, train_nj, limit_nj, mean_mw):
    found = class_1(nm, rate_hz)
    assert found.single_j_m2 == pytest.approx(single_nj * 1e-9, rel=1e-4)
    # the shortest span summed holds one pulse, so the average never lets more pass than the single limit does
    assert found.average_j_m2 == pytest.approx(min(average_nj, single_nj) * 1e-9, rel=1e-4)
    assert found.train_j_m2 == pytest.approx(train_nj * 1e-9, rel=1e-4)
    assert found.counted_j_m2 == pytest.approx(limit_nj * 1e-9, rel=1e-4)
    assert found.counted_j_m2 * rate_hz == pytest.approx(mean_mw * 1e-3, rel=6e-3)


def test_the_time_base_is_told_by_the_last_digits():
    # 905 nm, 100 kHz: 10.118 nJ over 10 s, 10.025 nJ over 100 s [C]
    assert class_1(905, 1e5, 100.0).counted_j_m2 == pytest.approx(10.025e-9, rel=1e-4)


@pytest.mark.parametrize(("nm", "crossover_hz"), [(905, 5112), (1064, 2556)])
def test_single_and_average_meet(nm, crossover_hz):
    # AEL(10 s) / (10 F) = AEL(pulse) [C]
    assert class_1(nm, crossover_hz * 0.998).average_j_m2 == class_1(nm, crossover_hz).single_j_m2
    assert class_1(nm, crossover_hz * 1.002).average_j_m2 < class_1(nm, crossover_hz).single_j_m2


@pytest.mark.parametrize(
    ("nm", "rate_hz", "rules", "average", "train", "least"),
    # J/m2, stare of 10 s; Directive 2006/25/EC [R], IEC 60825-1:2014 [M], numbers [C]
    [
        (905, 1e3, "eu2006", 2.60179e-2, 1.28520e-3, 1.28520e-3),
        (905, 1e3, "iec2014", 2.60179e-2, 2.57040e-3, 2.57040e-3),
        (905, 1e4, "eu2006", 2.60179e-3, 7.22720e-4, 7.22720e-4),
        (905, 1e4, "iec2014", 2.60179e-3, 2.05632e-3, 2.05632e-3),
        (905, 1e5, "iec2014", 2.60179e-4, 2.05632e-3, 2.60179e-4),
        (1064, 1e3, "eu2006", 5.06107e-2, 5e-3, 5e-3),
        (1064, 1e3, "iec2014", 5.06107e-2, 1e-2, 1e-2),
        (1064, 1e5, "eu2006", 5.06107e-4, 4.72871e-4, 4.72871e-4),
    ],
)
def test_eye_limits_of_a_beam_at_rest(nm, rate_hz, rules, average, train, least):
    found = eye(nm, rate_hz, rules)
    assert found.average_j_m2 == pytest.approx(min(average, found.single_j_m2), rel=1e-5)
    assert found.train_j_m2 == pytest.approx(train, rel=1e-5)
    assert found.counted_j_m2 == pytest.approx(least, rel=1e-5)


def test_whole_pulses_in_a_grouping_time_are_stricter_than_a_mean():
    # 905 nm, 100 kHz, 18 us: 1.8 pulses leave the average to bind (2.60179e-4 J/m2), two, 5e5 such groups in 10 s,
    # 1.28520e-2 / (2 * 5e5^0.25) = 2.4166e-4 J/m2 [C]
    found = eye(905, 1e5, "eu2006")
    assert found.average_j_m2 == pytest.approx(2.60179e-4, rel=1e-5)
    assert found.counted_j_m2 == pytest.approx(2.4166e-4, rel=1e-4)


def test_an_example_in_the_style_of_ansi():
    # 905 nm, 1 kHz, 10 s: 1.3e-7 J/cm2 a pulse (CA 2.57, N 1e4, Cp 0.1) [M]; 1.2852e-7 [C]
    assert eye(905, 1e3, "eu2006").counted_j_m2 / 1e4 == pytest.approx(1.3e-7, rel=0.02)


@pytest.mark.parametrize(("nm", "rules"), [(nm, rules) for nm in (905, 1064, 1550) for rules in RULES])
def test_a_burst_within_the_grouping_time_counts_as_one_pulse(nm, rules):
    # all of an exposure within Ti or Tmin: the sum is held against one limit, or two pulses could be split in ever more
    span, limit = grouping_s(nm, rules), float(eye_limit_j_m2(nm, grouping_s(nm, rules), rules))
    for rate_hz in (10 / span, 100 / span):
        found = eye(nm, rate_hz, rules, exposure_s=span, pulse_s=1e-9)
        assert found.counted_j_m2 * rate_hz * span == pytest.approx(limit)


def test_very_short_pulses_are_held_against_their_own_limit_alone_and_the_groups_in_a_train():
    # 905 nm, 0.1 ns, 200 kHz: one alone 2.7e4 t^0.75 C4; four in 18 us, 5e5 such groups in 10 s [R, numbers C]
    found = eye(905, 2e5, "eu2006", pulse_s=1e-10)
    assert found.single_j_m2 == pytest.approx(2.7e4 * 1e-10**0.75 * 2.570396)
    assert found.train_j_m2 == pytest.approx(1.285198e-2 / (4 * 5e5**0.25), rel=1e-6)


def test_iec_counts_pulses_to_t2_and_the_directive_all():
    assert [counted_s(100, rules) for rules in RULES] == [pytest.approx(10), 100]
    assert [counted_s(0.5, rules) for rules in RULES] == [0.5, 0.5]


def test_most_pulses_are_whole_and_at_least_one():
    found = most_pulses(1e5, [1e-7, 1e-5, 1.3e-5, 5e-5, 1.0])
    assert found.tolist() == [1, 1, 2, 5, 1e5]
    assert most_pulses(None, [0.1, 2.0]).tolist() == [0.1, 2.0]


@pytest.mark.parametrize("rules", RULES)
@pytest.mark.parametrize("nm", [532, 905, 1064, 1550])
def test_light_without_breaks_is_held_against_the_longest_look(nm, rules):
    train = steady_train(None, PULSE_S, 100.0, nm, rules)
    limit = lambda spans: eye_limit_j_m2(nm, spans, rules)  # noqa: E731
    allowed_w_m2 = float(eye_limit_j_m2(nm, 100.0, rules)) / 100
    over = loads(train, lambda spans: np.full_like(spans, allowed_w_m2), limit, nm, rules)
    assert set(train.rules) == {"average"}
    assert over.max() == pytest.approx(1.0)


@LAW
@given(RATES, st.floats(0.01, 1), NM, st.sampled_from(RULES))
def test_more_pulses_never_let_each_bring_more(rate_hz, part, nm, rules):
    fewer, more = eye(nm, rate_hz * part, rules), eye(nm, rate_hz, rules)
    assert more.average_j_m2 <= fewer.average_j_m2 * (1 + 1e-9)
    assert more.counted_j_m2 <= fewer.counted_j_m2 * (1 + 1e-9)


@LAW
@given(RATES, st.floats(-3, 2), st.floats(0, 2), NM, st.sampled_from(RULES))
def test_longer_looks_never_allow_more(rate_hz, log_s, longer, nm, rules):
    short, long = 10**log_s, min(10 ** (log_s + longer), 3e4)
    less, more = (eye(nm, rate_hz, rules, exposure_s) for exposure_s in (long, short))
    assert less.counted_j_m2 <= more.counted_j_m2 * (1 + 1 / (rate_hz * short) + 1e-9)  # whole pulses count


@LAW
@given(RATES, NM, st.sampled_from(RULES))
def test_no_rule_lets_a_pulse_bring_more_than_one_alone_may(rate_hz, nm, rules):
    found = eye(nm, rate_hz, rules)
    assert found.counted_j_m2 <= found.single_j_m2


@LAW
@given(st.integers(2, 16), RATES, NM, st.sampled_from(RULES))
def test_beams_together_are_no_better_than_a_beam_of_as_many_pulses_apart(beams, rate_hz, nm, rules):
    limit = lambda spans: eye_limit_j_m2(nm, spans, rules)  # noqa: E731
    one = lambda spans: np.ones_like(spans)  # noqa: E731
    together = steady_train(rate_hz, PULSE_S, 10.0, nm, rules, [float(beams)])
    apart = steady_train(rate_hz, PULSE_S, 10.0, nm, rules)
    heavy, light = (loads(train, one, limit, nm, rules).max() for train in (together, apart))
    assert light <= heavy <= light * beams * (1 + 1e-9)
