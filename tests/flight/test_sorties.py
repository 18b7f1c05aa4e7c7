from dataclasses import replace

import numpy as np
import pytest
import shapely
from flat_jobs import FRAME, HEXACOPTER, SENSOR, WING, a_grid

from planner.flight.flightlines import FlightLine, Manner, fly_lines, lay_out
from planner.flight.profile import Floor, highest_nearby
from planner.flight.sorties import flight_figures, turn_radius_m, turn_time_s


def straight_lines(speed_mps=8.0, half_angle_deg=40.0):
    area = shapely.MultiPolygon([shapely.box(-100, -300, 100, 300)])
    grid = a_grid(np.zeros((400, 400)))
    floor = Floor(grid, highest_nearby(grid, 30), highest_nearby(grid, 30), 80, 30)
    manner = Manner(speed_mps, 300e3, 100, np.radians(half_angle_deg), 40, 0, 0.5, 0.5, None)
    return fly_lines(lay_out(area, area, 0.0, 70, (50, 50)), floor, manner)


@pytest.mark.parametrize(("speed_mps", "radius_m"), [(8, 17.9), (10, 28.0)])
def test_turn_radius(speed_mps, radius_m):
    # v^2 / (g tan bank) at 20 degrees (C)
    assert turn_radius_m(speed_mps, 20) == pytest.approx(radius_m, abs=0.05)


def test_multirotor_turn_worked_by_hand():
    # brake 8 / 1.5 = 5.333 s, speed up 5.333 s; 70 m over at up to 8 m/s: 70 / 8 + 8 / 1.5 = 14.083 s
    assert turn_time_s(HEXACOPTER, 8, 70) == pytest.approx(24.75, abs=0.005)
    # 24 m over never reaches 8 m/s: 2 sqrt(24 / 1.5) = 8 s
    assert turn_time_s(HEXACOPTER, 8, 24) == pytest.approx(8 + 2 * 16 / 3, abs=0.005)


def test_fixed_wing_turn_worked_by_hand():
    radius = float(turn_radius_m(15, 20))
    half_circle = np.pi * radius / 15
    assert turn_time_s(WING, 15, 2 * radius) == pytest.approx(half_circle)
    assert turn_time_s(WING, 15, 2 * radius + 150) == pytest.approx(half_circle + 10)
    # back on the same track: 60 degrees out, 300 round: 7/3 of a half circle
    assert turn_time_s(WING, 15, 0) == pytest.approx(7 / 3 * half_circle)


@pytest.mark.parametrize("aircraft", [HEXACOPTER, replace(HEXACOPTER, acceleration_mps2=0.5)])
def test_multirotor_turns_take_longer_the_farther_they_go(aircraft):
    assert np.all(np.diff(turn_time_s(aircraft, 8, np.linspace(0, 300, 50))) > 0)


def test_figures_worked_by_hand():
    # three lines of 600 m at 8 m/s with 40 m of lead at both ends, 50 m apart
    figures = flight_figures(straight_lines(), HEXACOPTER, SENSOR, FRAME)
    turn = 2 * 8 / 1.5 + 50 / 8 + 8 / 1.5
    assert figures["lines"] == 3
    assert figures["turns"] == 2
    assert figures["line_length_m"] == pytest.approx(1800, abs=0.05)
    assert figures["time_s"]["lines"] == pytest.approx(225)
    assert figures["time_s"]["lead"] == pytest.approx(30)
    assert figures["time_s"]["turns"] == pytest.approx(2 * turn)
    assert figures["pulses"] == pytest.approx(300e3 * 225, abs=1)
    assert figures["returns_expected"] == figures["pulses"]


def test_parts_of_time_add_up_exactly():
    time = flight_figures(straight_lines(7.3), WING, SENSOR, FRAME)["time_s"]
    assert time["total"] == time["lines"] + time["lead"] + time["turns"]


def test_data_of_half_an_hour():
    # LAS point format 6 (M), C: 300 kHz for 30 min = 0.54 G pulses = 16 GB of LAS at 30 bytes a point
    points = np.array([[0.0, 0.0, 80.0], [0.0, 14_400.0, 80.0]])
    line = FlightLine("L01", points, (0.0, 14_400.0), 8.0, 300e3, 100.0, np.radians(40))
    figures = flight_figures([line], HEXACOPTER, SENSOR, FRAME)
    assert figures["pulses"] == 540_000_000
    assert figures["data_bytes"] == 16_200_000_000
    assert figures["time_s"]["turns"] == 0


def test_only_the_usable_share_returns():
    rotating = replace(SENSOR, pattern="rotating", optical_fov_deg=360, usable_fov_deg=90, line_rates_hz=(20.0,))
    figures = flight_figures(straight_lines(half_angle_deg=45), HEXACOPTER, rotating, FRAME)
    assert figures["returns_expected"] == pytest.approx(figures["pulses"] / 4, abs=1)


def test_a_high_step_between_lines_takes_its_climb():
    low, high = straight_lines()[:2]
    raised = replace(high, points_m=high.points_m + np.array([0, 0, 200]))
    turns = flight_figures([low, raised], HEXACOPTER, SENSOR, FRAME)["time_s"]["turns"]
    assert turns == pytest.approx(200 / HEXACOPTER.climb_mps)
