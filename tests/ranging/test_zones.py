"""Zones of range, blind bands and clear pulse rates, against published relations and brute force.

Marks: [R] read in the source, [C] computed from the formula shown.
"""

import math
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from planner.ranging import zones
from planner.ranging.zones import Receiver

LAW = settings(deadline=None, max_examples=60)
KHZ, MHZ, NS = 1e3, 1e6, 1e-9

DEAD_50_NS = Receiver(dead_before_s=50 * NS, dead_after_s=50 * NS)
RECEIVERS = st.builds(
    Receiver,
    dead_before_s=st.sampled_from([0.0, 20 * NS, 50 * NS]),
    dead_after_s=st.sampled_from([0.0, 10 * NS, 50 * NS]),
    zones=st.integers(1, 4),
    follows=st.booleans(),
)


@pytest.mark.parametrize(
    ("rate_khz", "length_m"),
    # c / (2 F) [C]; 300 kHz also [R]
    [
        (50, 2997.92),
        (100, 1498.96),  # Baltsavias 1999, ISPRS J. 54(2-3):199-214, number [C]
        (150, 999.31),
        (200, 749.48),
        (240, 624.57),
        (300, 499.65),
        (400, 374.74),
        (500, 299.79),
        (640, 234.21),
        (1000, 149.90),
        (2000, 74.95),
    ],
)
def test_zone_lengths_match_the_computed_table(rate_khz, length_m):
    assert zones.zone_length_m(rate_khz * KHZ) == pytest.approx(length_m, abs=0.0051)


def test_a_range_in_the_second_zone_seems_near():
    # 1 MHz, 200 m: zone 2, seems at 50.10 m [C]
    assert zones.zone_number(200, MHZ) == 2
    assert zones.unresolved_range_m(200, MHZ) == pytest.approx(50.10, abs=0.005)
    assert zones.zone_number([10, 149.8, 150, np.nan], MHZ) == pytest.approx([1, 1, 2, np.nan], nan_ok=True)


def test_blind_bands_match_the_computed_ones():
    # 1 MHz, 50 ns either way: [142.40, 157.39] and [292.30, 307.29] m, 14.99 m wide [C]
    bands = DEAD_50_NS.blind_bands_m(MHZ, 0, 310)
    assert bands == pytest.approx(np.array([[142.40, 157.39], [292.30, 307.29]]), abs=0.005)
    assert np.diff(bands) == pytest.approx(14.99, abs=0.005)


def test_only_bands_that_a_span_meets_are_told():
    assert DEAD_50_NS.blind_bands_m(MHZ, 160, 290).shape == (0, 2)
    assert len(DEAD_50_NS.blind_bands_m(MHZ, 157, 290)) == 1
    assert len(DEAD_50_NS.blind_bands_m(MHZ, 160, 293)) == 1
    assert Receiver().blind_bands_m(MHZ, 0, 1000).shape == (0, 2)


def test_a_valley_below_the_ground_sets_the_pulse_rate():
    # 120 m above ground, 30 m deeper valley, 35 deg: 150 / cos 35 = 183.12 m, below 818.6 kHz [C]
    farthest = 150 / math.cos(math.radians(35))
    assert farthest == pytest.approx(183.12, abs=0.005)
    ((low, high),) = zones.clear_spans_hz(Receiver(), (10 * KHZ, 2 * MHZ), 100, farthest)
    assert low == 10 * KHZ
    assert high == pytest.approx(818.6 * KHZ, abs=50)
    rates = (300 * KHZ, 800 * KHZ, 820 * KHZ, MHZ)
    assert zones.clear_rates_hz(Receiver(), rates, 100, farthest) == (300 * KHZ, 800 * KHZ)


@pytest.mark.parametrize(
    ("agl_m", "receiver", "is_clear"),
    # 1 MHz, 90 deg opening, edge at h sqrt(2): 120 m (169.7 m) is past the first zone, 100 m (141.4 m) is clear until
    # the ground falls 6 m; with 50 ns of dead time either way (from 142.4 m) 0.7 m is enough [C]
    [
        (120, Receiver(), False),
        (100, Receiver(), True),
        (105.9, Receiver(), True),
        (106, Receiver(), False),
        (100, DEAD_50_NS, True),
        (100.68, DEAD_50_NS, True),
        (100.7, DEAD_50_NS, False),
    ],
)
def test_falling_ground_meets_the_end_of_the_zone(agl_m, receiver, is_clear):
    check = zones.check_zones(receiver, MHZ, agl_m, agl_m * math.sqrt(2))
    assert check.is_clear == is_clear


def test_relief_must_fit_between_two_blind_bands():
    # R_max - R_min < R_u - width of the band [C]
    able = Receiver(50 * NS, 50 * NS, zones=3)
    free = float(zones.zone_length_m(MHZ)) - 14.99
    assert zones.check_zones(able, MHZ, 157.5, 157.5 + free - 0.2).is_clear
    for nearest in np.linspace(20, 290, 28):
        assert not zones.check_zones(able, MHZ, nearest, nearest + free + 0.2).is_clear


def test_a_check_says_what_is_lost_and_from_where():
    check = zones.check_zones(DEAD_50_NS, MHZ, 150, 320)
    assert (check.first_zone, check.last_zone) == (2, 3)
    assert check.zone_length_m == pytest.approx(149.896, abs=5e-4)
    assert check.blind_m == (pytest.approx((150, 157.39), abs=0.005), pytest.approx((292.30, 307.29), abs=0.005))
    assert check.unresolved_from_m == 150
    able = zones.check_zones(Receiver(zones=2), MHZ, 100, 320)
    assert able.blind_m == ()
    assert able.unresolved_from_m == pytest.approx(299.792, abs=5e-4)


def test_a_receiver_that_follows_the_ground_works_in_far_zones():
    span = (310, 430)  # within zone 3 at 1 MHz
    assert not zones.check_zones(Receiver(zones=2), MHZ, *span).is_clear
    assert zones.check_zones(Receiver(zones=1, follows=True), MHZ, *span).is_clear
    assert Receiver(zones=1, follows=True).told_m(MHZ, 310) == pytest.approx((299.792, 449.689), abs=5e-4)


def test_clear_rates_come_between_blind_ones():
    able = Receiver(50 * NS, 50 * NS, zones=8)
    spans = zones.clear_spans_hz(able, (100 * KHZ, 3 * MHZ), 200, 230)
    assert len(spans) > 2
    for (_, high), (low, _) in pairwise(spans):
        assert high < low
        assert not zones.check_zones(able, (high + low) / 2, 200, 230).is_clear


@LAW
@given(RECEIVERS, st.floats(20, 500), st.floats(0.5, 200), st.lists(st.floats(20 * KHZ, 3 * MHZ), min_size=8))
def test_clear_spans_hold_just_the_clear_rates(receiver, nearest_m, relief_m, rates):
    farthest_m = nearest_m + relief_m
    spans = zones.clear_spans_hz(receiver, (20 * KHZ, 3 * MHZ), nearest_m, farthest_m)
    assert all(low < high for low, high in spans)
    assert all(before[1] <= after[0] for before, after in pairwise(spans))
    for rate in rates:
        at_an_end = any(abs(rate - end) < 1 for span in spans for end in span)
        if not at_an_end:
            inside = any(low < rate < high for low, high in spans)
            assert zones.check_zones(receiver, rate, nearest_m, farthest_m).is_clear == inside


@LAW
@given(RECEIVERS, st.floats(100 * KHZ, 2 * MHZ), st.floats(1, 500), st.floats(1, 500))
def test_bands_hold_just_the_blind_ranges(receiver, rate, one_m, other_m):
    nearest, farthest = sorted((one_m, other_m))
    assume(farthest - nearest > 1)
    bands = receiver.blind_bands_m(rate, nearest, farthest)
    at = np.linspace(nearest, farthest, 997)
    off = np.abs(at[:, None] - bands.reshape(1, -1)).min(axis=1, initial=np.inf) > 1e-6
    inside = ((at[:, None] >= bands[:, 0]) & (at[:, None] <= bands[:, 1])).any(axis=1)
    assert np.array_equal(receiver.is_blind(at, rate)[off], inside[off])
    assert bool(zones.check_zones(receiver, rate, nearest, farthest).blind_m) == bool(len(bands))


def test_unknown_ranges_are_not_blind():
    assert DEAD_50_NS.is_blind([np.nan, 150.0, 100.0], MHZ).tolist() == [False, True, False]
    assert not Receiver().is_blind([149.896229, 299.792458], MHZ).any()
