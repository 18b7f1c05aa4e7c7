from dataclasses import replace

import numpy as np
import pytest
from flat_jobs import HEXACOPTER, WING
from hypothesis import example, given, settings
from hypothesis import strategies as st
from slow_turns import least_length_by_search

from planner.aircraft import GRAVITY_MPS2
from planner.flight.turns import Pose, circle_way, joined, shortest_word, turn_radius_m, turn_time_s, turn_way
from planner.flight.winds import Wind

ANGLE = st.floats(-np.pi, np.pi)
PLACE = st.floats(-300, 300)


def courses_of(way):
    steps = np.diff(way.places_m, axis=0)
    return np.unwrap(np.arctan2(steps[:, 0], steps[:, 1])), np.hypot(*steps.T)


def test_load_and_bank_of_a_level_turn():
    # M: load = 1 / cos bank, and the pull inward v^2 / r is g tan bank: 60 deg is 2 g of load and 1.732 g inward
    speed = 20.0
    inward = speed**2 / float(turn_radius_m(speed, 59.999999))
    assert np.hypot(inward, GRAVITY_MPS2) / GRAVITY_MPS2 == pytest.approx(2.0, rel=1e-6)
    assert turn_radius_m(2 * speed, 30) == pytest.approx(4 * turn_radius_m(speed, 30))


@pytest.mark.parametrize(("aircraft", "speed"), [(HEXACOPTER, 8.0), (WING, 15.0)])
@pytest.mark.parametrize("sideways", [0.5, 20.0, 60.0, 126.0, 127.0, 400.0])
def test_ways_take_as_long_as_the_closed_form_for_lines_abeam(aircraft, speed, sideways):
    for side in (1, -1):
        way = turn_way(aircraft, Pose(0, 0, 0, speed), Pose(side * sideways, 0, np.pi, speed))
        assert way.times_s[-1] == pytest.approx(float(turn_time_s(aircraft, speed, sideways)), rel=1e-6)
        assert way.places_m[-1] == pytest.approx([side * sideways, 0], abs=1e-6)


@settings(deadline=None, max_examples=150)
@given(PLACE, PLACE, ANGLE, ANGLE)
@example(0.0, 0.0, 0.0, np.pi)
@example(0.0, 0.0, 0.0, 0.0)
@example(0.0, -50.0, 0.0, 0.0)
def test_a_wing_arrives_in_place_and_on_course_and_never_turns_tighter_than_its_bank(east, north, start, end):
    way = turn_way(WING, Pose(0, 0, start, 15), Pose(east, north, end, 15))
    radius = float(turn_radius_m(15, WING.max_bank_deg))
    assert way.places_m[-1] == pytest.approx([east, north], abs=1e-4)
    if len(way.times_s) < 3:
        return
    courses, length = courses_of(way)
    bend = np.abs(np.diff(courses)) / ((length[1:] + length[:-1]) / 2)
    assert bend.max() <= 1.01 / radius
    half = 1.01 * length[[0, -1]] / radius / 2  # a chord points half its arc off
    assert abs(np.angle(np.exp(1j * (courses[0] - start)))) <= half[0] + 1e-6
    assert abs(np.angle(np.exp(1j * (courses[-1] - end)))) <= half[1] + 1e-6
    assert np.all(np.diff(way.times_s) > 0)
    assert length.max() <= 5.0


@pytest.mark.parametrize("seed", range(30))
def test_a_search_over_first_arcs_finds_the_same_shortest_way(seed):
    generator = np.random.default_rng(seed)
    (east, north), (start, end) = generator.uniform(-4, 4, 2), generator.uniform(-np.pi, np.pi, 2)
    _, parts = shortest_word(Pose(0, 0, start, 1), Pose(east, north, end, 1), 1.0)
    searched = least_length_by_search(east, north, start, end)
    assert parts.sum() == pytest.approx(searched, abs=0.05)  # the search is that coarse


def test_chords_leave_their_arcs_by_less_than_a_decimetre():
    for bank in (5.0, 20.0, 45.0):
        way = circle_way(replace(WING, max_bank_deg=50), Pose(0, 0, 0.3, 15), True, bank)
        radius = float(turn_radius_m(15, bank))
        _, length = courses_of(way)
        assert np.max(length**2 / (8 * radius)) < 0.1
        assert way.places_m[-1] == pytest.approx([0, 0], abs=1e-6)
        assert way.times_s[-1] == pytest.approx(2 * np.pi * radius / 15)


def test_turns_in_the_wind_are_as_wide_as_the_fastest_ground_speed_asks():
    wind = Wind(5.0, 0.0)
    calm = turn_way(WING, Pose(0, 0, 0, 15), Pose(400, 0, np.pi, 15))
    blown = turn_way(WING, Pose(0, 0, 0, 15), Pose(400, 0, np.pi, 15), wind)
    # the half circle reaches as far ahead as its radius: 15^2 and 20^2 over g tan 20 deg
    assert calm.places_m[:, 1].max() == pytest.approx(63.0, abs=0.2)
    assert blown.places_m[:, 1].max() == pytest.approx(112.1, abs=0.2)
    # C: across the wind on the straight of 400 - 224.2 m at sqrt(225 - 25) = 14.14 m/s
    steps = np.hypot(*np.diff(blown.places_m, axis=0).T) / np.diff(blown.times_s)
    assert np.median(steps[np.abs(np.diff(blown.places_m[:, 1])) < 1e-9]) == pytest.approx(14.142, abs=0.001)
    assert 9.9 <= steps.min() <= steps.max() <= 20.0


def test_a_multirotor_never_pulls_harder_than_its_acceleration():
    way = turn_way(HEXACOPTER, Pose(0, 0, 0.4, 8), Pose(120, 60, 2.4, 6))
    speeds = np.hypot(*np.diff(way.places_m, axis=0).T) / np.diff(way.times_s)
    middles = (way.times_s[1:] + way.times_s[:-1]) / 2
    pull = np.abs(np.diff(speeds)) / np.diff(middles)
    assert pull.max() <= 1.01 * HEXACOPTER.acceleration_mps2
    assert speeds.max() <= 8 + 1e-9
    rest, leave = way.rests
    assert way.places_m[rest] == pytest.approx(Pose(0, 0, 0.4, 8).ahead_m(8**2 / 3.0))
    assert way.places_m[leave] == pytest.approx(Pose(120, 60, 2.4, 6).ahead_m(-(6**2) / 3.0))


def test_joined_ways_go_on_where_the_last_ended():
    pose = Pose(10, 20, 1.0, 15)
    eight = joined(*(circle_way(WING, pose, right, 15.0) for right in (True, False)))
    radius = float(turn_radius_m(15, 15.0))
    assert eight.times_s[-1] == pytest.approx(4 * np.pi * radius / 15)
    assert eight.places_m[-1] == pytest.approx([10, 20], abs=1e-6)
    # as far to the right as to the left of the course
    aside = (eight.places_m - [10, 20]) @ [np.cos(1.0), -np.sin(1.0)]
    assert [aside.min(), aside.max()] == pytest.approx([-2 * radius, 2 * radius], rel=0.01)
