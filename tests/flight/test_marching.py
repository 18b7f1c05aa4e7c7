"""The march across an area against loops that try everything one by one."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from planner.flight.marching import march, pairs_of, reaches_m

ACROSS = np.linspace(0.0, 1000.0, 101)


@given(st.floats(0, 950), st.floats(12, 400))
def test_even_ground_takes_the_textbook_number_of_tracks_evenly(span_m, reach_m):
    # n = ceil((W - SW) / S) + 1 for outermost tracks half a swath inside: Baltsavias 1999, ISPRS J. 54:199-214 (M), C
    places = march(ACROSS, np.full(ACROSS.shape, reach_m), 20.0, 20.0 + span_m)
    assert places.size == int(np.ceil(span_m / reach_m - 1e-9)) + 1
    assert np.diff(places) == pytest.approx(span_m / max(places.size - 1, 1), rel=1e-6)


@settings(deadline=None)
@given(st.lists(st.floats(15, 200), min_size=5, max_size=12), st.floats(200, 990))
def test_no_gap_is_wider_than_its_reach_and_no_fewer_tracks_would_do(heights, last_m):
    # Reaches that fall by less than 1 m a metre: then a track that lies farther on also reaches farther on, so that
    # going as far as each reach lets one takes fewest (C, by induction).
    reach = np.interp(ACROSS, np.linspace(0, 1000, len(heights)), heights)
    reach = np.maximum.accumulate(reach + 0.9 * ACROSS) - 0.9 * ACROSS
    places = march(ACROSS, reach, 10.0, last_m)
    assert places[0] == 10.0
    assert places[-1] == pytest.approx(last_m)
    gaps = np.diff(places)
    allowed = np.interp(places[:-1], ACROSS, reach)
    assert np.all(gaps <= allowed * (1 + 1e-6))
    assert np.all(gaps[:-1] / allowed[:-1] == pytest.approx(gaps[0] / allowed[0], rel=1e-6))
    farthest = 10.0
    for _ in range(places.size - 2):
        farthest += float(np.interp(farthest, ACROSS, reach))
    assert places.size == 1 or farthest < last_m
    assert places.size <= np.ceil((last_m - 10.0) / reach.min() - 1e-9) + 1


def test_where_one_track_reaches_both_edges_it_lies_between_them():
    assert march(ACROSS, np.full(ACROSS.shape, 50.0), 60.0, 40.0) == pytest.approx([50.0])


def test_pairs_share_what_a_loop_over_all_of_them_finds():
    rng = np.random.default_rng(4)
    count, stations = 12, 30
    across = 7.0 * np.arange(count)
    halves = rng.uniform(20, 60, (2, count, stations))
    halves[rng.random(halves.shape) < 0.2] = np.nan
    deepest = rng.uniform(50, 90, (2, count))
    inside = rng.random((2 * count - 1, stations)) < 0.7
    pairs = pairs_of(across, halves, deepest, inside, 40.0)
    assert pairs.apart_m == pytest.approx(7.0 * np.arange(1, 7))
    for first in range(count):
        for number in range(1, 7):
            found = pairs.shared_m[first, number - 1], pairs.deepest_m[first, number - 1]
            if first + number >= count:
                assert found == (np.inf, -np.inf)
                continue
            sums = [
                halves[1, first, k] + halves[0, first + number, k]
                for k in range(stations)
                if inside[2 * first + number, k]
            ]
            assert found[0] == min(value for value in sums if np.isfinite(value))
            assert found[1] == max(deepest[1, first], deepest[0, first + number])


def test_the_next_track_lies_at_the_last_distance_with_enough_and_a_straight_line_on():
    across, ones = 10.0 * np.arange(6), np.ones((2, 6, 3))
    pairs = pairs_of(across, ones, np.zeros((2, 6)), np.ones((11, 3), dtype=bool), 40.0)
    ample = np.tile([0.5, -0.1, 0.3, -0.1], (6, 1))
    ample[1] = [-0.2, -0.1, -0.3, -0.1]
    ample[2] = 0.4
    # 30 m, and on to where 0.3 falling to -0.1 over 10 m meets nothing; none enough: the least; all enough: all
    assert reaches_m(pairs, ample, 6.0)[:3] == pytest.approx([37.5, 6.0, 40.0])
