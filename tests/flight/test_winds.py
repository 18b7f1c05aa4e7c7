import numpy as np
import pytest
from flat_jobs import HEXACOPTER, WING
from hypothesis import given, settings
from hypothesis import strategies as st

from planner.errors import InfeasibleError
from planner.flight.winds import CALM, Wind, airspeed_mps, ground_speed_mps, held_speed_mps
from planner.ranging.attitude import crab_rad


def test_wind_triangle_worked_by_hand():
    # 5 m/s across 8 m/s through the air: crab asin(5/8) = 38.68 deg, ground speed sqrt(64 - 25) = 6.245 m/s (C)
    wind = Wind(5.0, np.pi / 2)
    ground = float(ground_speed_mps(8.0, 0.0, wind))
    assert ground == pytest.approx(6.245, abs=0.001)
    assert np.degrees(crab_rad(0.0, ground, 5.0, np.pi / 2)) == pytest.approx(38.68, abs=0.01)
    # against and with the wind
    assert ground_speed_mps(8.0, np.pi / 2, wind) == pytest.approx(3.0)
    assert ground_speed_mps(8.0, -np.pi / 2, wind) == pytest.approx(13.0)
    # 45 deg off the bow: sqrt(64 - 12.5) - 3.536 = 3.641 m/s (C)
    assert ground_speed_mps(8.0, np.pi / 4, wind) == pytest.approx(3.641, abs=0.001)


@settings(deadline=None)
@given(st.floats(0, 9), st.floats(-4, 4), st.floats(-4, 4))
def test_both_ways_through_the_triangle_agree(speed, from_rad, course):
    wind = Wind(speed, from_rad)
    ground = ground_speed_mps(10.0, course, wind)
    assert airspeed_mps(ground, course, wind) == pytest.approx(10.0)
    assert 10 - speed - 1e-9 <= ground <= 10 + speed + 1e-9


def test_speed_on_a_line_is_held_as_far_as_the_air_allows():
    # at most 10 m/s through the air: 8 m/s is held with a wind of 5 behind, and falls to 5 against it
    wind = Wind(5.0, 0.0)
    assert held_speed_mps(HEXACOPTER, 8.0, np.pi, wind) == 8.0
    assert held_speed_mps(HEXACOPTER, 8.0, 0.0, wind) == pytest.approx(5.0)
    # a wing that must not fly slower than 12 m/s through the air is blown on to 17
    assert held_speed_mps(WING, 14.0, np.pi, wind) == pytest.approx(17.0)
    assert held_speed_mps(WING, 14.0, 0.0, CALM) == 14.0


@pytest.mark.parametrize("course_deg", [0, 20, 89])
def test_wind_that_beats_the_airspeed_is_refused(course_deg):
    with pytest.raises(InfeasibleError, match=r"E32 wind of 11 m/s from 0 deg beats an airspeed of 10\.0 m/s on a co"):
        ground_speed_mps(10.0, np.radians(course_deg), Wind(11.0, 0.0))
    assert ground_speed_mps(10.0, np.pi, Wind(11.0, 0.0)) == pytest.approx(21.0)


@pytest.mark.parametrize("course_deg", [0.0, 40.0, 90.0, 200.0])
def test_one_airspeed_both_ways_flies_the_faster_way_as_asked(course_deg):
    # a law of the wind triangle: with one airspeed the way with the wind is the faster one
    wind, course = Wind(3.0, np.radians(20.0)), np.radians(course_deg)
    there, back = (held_speed_mps(HEXACOPTER, 8.0, course + turn, wind, "air") for turn in (0.0, np.pi))
    assert max(there, back) == pytest.approx(8.0)
    assert airspeed_mps(there, course, wind) == pytest.approx(airspeed_mps(back, course + np.pi, wind))
    assert (there < back) == (np.cos(wind.from_rad - course) > 0)


def test_one_airspeed_both_ways_against_hand_worked_numbers():
    # C: due north against 3 m/s and back with it, 8 m/s asked: airspeed 8 - 3 = 5, against it 5 - 3 = 2 m/s
    wind = Wind(3.0, 0.0)
    assert held_speed_mps(HEXACOPTER, 8.0, np.pi, wind, "air") == pytest.approx(8.0)
    assert held_speed_mps(HEXACOPTER, 8.0, 0.0, wind, "air") == pytest.approx(2.0)
