from dataclasses import replace
from itertools import pairwise, permutations, product

import numpy as np
import pytest
import shapely
from flat_jobs import FRAME, HEXACOPTER, SENSOR, WING, a_grid
from hypothesis import given, settings
from hypothesis import strategies as st
from made_blocks import NO_ALIGNMENT, a_block, a_flyer, a_line

from planner.errors import InfeasibleError, InputError
from planner.flight.cuts import drifting_lines
from planner.flight.flightlines import FlightLine, Manner, fly_lines, lay_out
from planner.flight.ordering import reversed_line
from planner.flight.profile import Floor, highest_nearby
from planner.flight.sorties import Day, flight_figures, plan_sorties, quickest_sorties, turn_radius_m, turn_time_s
from planner.flight.winds import Wind
from planner.ground.geodesy import WGS84


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


# Three sheets worked by hand (C), which the model of time and energy meets within 2 %.

FAR_SOUTH = [np.array([0.0, -1000.0, 0.0])]
ROOMY_WING = replace(WING, max_airspeed_mps=30, endurance_s=3600, mass_kg=7.0, power_w=343.23275)


def test_sheet_of_a_multirotor_in_calm_air():
    # Three lines of 600 m with 40 m of lead, 50 m apart, 8 m/s at 80 m; 20 s straight for alignment; ferry at 10 m/s.
    # Climb 80 / 4. The run-up begins 160 + 21.3 m before the first lead: 478.7 m from rest to rest take 47.9 + 6.7 s,
    # the run-up 5.3. Turns 2 x (5.3 + 50 / 8 + 5.3 + 5.3). Return: 5.3 of braking, 1524.6 m in 152.5 + 6.7.
    sheet = {"climb": 20, "ferry": 59.9, "align": 40, "lines": 225, "lead": 30, "turns": 44.5, "return": 164.5}
    sheet |= {"descent": 32, "total": 615.9}
    (sortie,) = plan_sorties(a_block(3), a_flyer(), FRAME, FAR_SOUTH)
    assert sortie.time_s == pytest.approx(sheet, rel=0.02)
    # 80 m of climb cost 0.15 s each; the battery holds 1500 s; no return is worse than the planned one
    assert sortie.battery_share_used == pytest.approx((615.9 + 12) / 1500, rel=0.02)
    assert sortie.reserve_share_left == pytest.approx(1 - sortie.battery_share_used)


def test_sheet_of_a_fixed_wing_in_calm_air():
    # Two lines of 1500 m with 40 m of lead, 200 m apart, 15 m/s at 80 m; ferry at 20 m/s, 20 deg of bank.
    # Radius 112.1 m at 20 m/s: a circle takes 35.2 s, one is enough to climb 80 m in 20 s or to sink it in 32.
    # Ferry 1210 m; turn half a circle of 63.0 m and 73.9 m straight; return sqrt(200^2 + 1210^2) = 1226 m.
    sheet = {"climb": 35.2, "ferry": 60.5, "align": 0, "lines": 200, "lead": 10.7, "turns": 18.1, "return": 61.3}
    sheet |= {"descent": 35.2, "total": 421.0}
    lines = a_block(2, apart_m=200, speed_mps=15.0, length_m=1500.0)
    (sortie,) = plan_sorties(lines, a_flyer(ROOMY_WING, NO_ALIGNMENT), FRAME, [np.array([0.0, -2000.0, 0.0])])
    assert sortie.time_s == pytest.approx(sheet, rel=0.02)
    # 7 kg at 343 W and half of it lost: 0.4 s a metre
    assert sortie.battery_share_used == pytest.approx((421 + 32) / 3600, rel=0.02)
    # from the turn, 2860 m away: 143 + 32 s where 96.5 were planned
    assert 1 - sortie.reserve_share_left == pytest.approx((453 - 96.5 + 175) / 3600, rel=0.02)


def test_sheet_of_a_cold_day_with_wind():
    # One line of 800 m flown north against 4 m/s, 8 m/s at 80 m; take-off at 20 m, floor at 60; -5 deg C at 1000 m.
    # Climb 40 / 4. Ferry 238.7 m at 10 - 4 m/s: 39.8 + 4 s, and 5.3 of run-up. Return 5.3 and 1161.3 m at 10 + 4:
    # 83 + 9.3 s, sinking on the way to 60 m, then 40 / 2.5.
    sheet = {"climb": 10, "ferry": 49.1, "align": 0, "lines": 100, "lead": 10, "turns": 0, "return": 97.6}
    sheet |= {"descent": 16, "total": 282.7}
    flyer = a_flyer(replace(HEXACOPTER, max_airspeed_mps=14), NO_ALIGNMENT, 60.0, Wind(4.0, 0.0))
    place = [np.array([0.0, -700.0, 20.0])]
    (sortie,) = plan_sorties(a_block(1, length_m=800.0), flyer, FRAME, place, Day(-5.0, 1000.0))
    assert sortie.time_s == pytest.approx(sheet, rel=0.02)
    # 60 m of climb cost 9 s; the battery holds 1500 x 0.8 x 0.9 = 1080 s
    assert sortie.battery_share_used == pytest.approx((282.7 + 9) / 1080, rel=0.02)
    # against the wind from the farthest point: 1140 / 6 + 60 / 2.5 = 214 s in place of 113.6
    assert 1 - sortie.reserve_share_left == pytest.approx((291.7 - 113.6 + 214) / 1080, rel=0.02)


@settings(deadline=None, max_examples=20)
@given(
    st.integers(1, 14), st.floats(200, 900), st.floats(0, 5), st.floats(-4, 4), st.floats(-15, 25), st.integers(1, 3)
)
def test_laws_of_sorties(count, length_m, wind_mps, from_rad, temperature_c, sets):
    flyer = a_flyer(
        replace(HEXACOPTER, max_airspeed_mps=16, batteries=sets, charge_s=3000.0), wind=Wind(wind_mps, from_rad)
    )
    lines = a_block(count, length_m=length_m)
    places = [np.array([-60.0, -200.0, 5.0]), np.array([300.0, 0.0, 8.0])]
    sorties = plan_sorties(lines, flyer, FRAME, places, Day(temperature_c, 300.0))
    # whole lines, each once, in order
    assert [name for sortie in sorties for name in sortie.line_ids] == [line.line_id for line in lines]
    figures = flight_figures(lines, flyer.aircraft, SENSOR, FRAME, sorties)
    time = figures["time_s"]
    assert sum(value for key, value in time.items() if key != "total") == pytest.approx(time["total"], abs=1.0)
    assert time["total"] == pytest.approx(sorties[-1].starts_s + sorties[-1].path.duration_s)
    assert time["swap"] >= flyer.aircraft.swap_s * (len(sorties) - 1) - 1e-6
    assert figures["batteries"] <= sets
    assert (figures["sorties"], figures["turns"]) == (len(sorties), count - len(sorties))
    for before, sortie in zip((None, *sorties[:-1]), sorties, strict=True):
        assert sortie.reserve_share_left >= 0.25 - 1e-6
        assert sortie.battery_share_used <= 1 - sortie.reserve_share_left + 1e-9
        assert sortie.path.duration_s == pytest.approx(sortie.time_s["total"])
        assert sortie.path.points_m[[0, -1]] == pytest.approx(np.stack([sortie.take_off_m] * 2), abs=1e-6)
        if before is not None:
            assert sortie.starts_s >= before.starts_s + before.path.duration_s + flyer.aircraft.swap_s - 1e-6


def test_a_line_longer_than_a_sortie_is_refused_with_both_times():
    # 9.6 km at 8 m/s take 1200 s; 75 % of 1500 s are 18.8 min
    line = a_line("L07", (0, 0), (0, 9600))
    message = r"E28 line L07 needs \d\d\.\d min .*, 18\.8 min are usable after the reserve of 25 %\n.*split the line"
    with pytest.raises(InfeasibleError, match=message) as refused:
        plan_sorties([*a_block(1), line], a_flyer(), FRAME, FAR_SOUTH)
    assert refused.value.best.reachable == pytest.approx(1125)


def test_a_line_longer_than_a_sortie_is_cut_with_an_overlap_where_asked():
    line = a_line("L07", (0, 0), (0, 9600))
    places = [np.array([0.0, y, 0.0]) for y in (0.0, 3200.0, 6400.0, 9600.0)]
    sorties = plan_sorties([line], a_flyer(), FRAME, places, Day(overlap_m=50.0))
    parts = [part for sortie in sorties for part in sortie.lines]
    # a half takes 600 s there, 480 back, and more than the 45 that are left to climb, ferry, align and sink
    assert [part.line_id for part in parts] == ["L07a", "L07b", "L07c"]
    for before, after in pairwise(parts):
        assert before.kept_points_m()[-1, 1] - after.kept_points_m()[0, 1] == pytest.approx(50)
    assert parts[0].kept_points_m()[0, 1] == pytest.approx(40)
    assert parts[-1].kept_points_m()[-1, 1] == pytest.approx(9560)
    assert drifting_lines([line], a_flyer().navigation) == ("L07",)
    with pytest.raises(InfeasibleError, match=r"E28 line L07 needs .*\n.*20 parts are still too long"):
        plan_sorties([line], a_flyer(), FRAME, [np.array([9e3, 0.0, 0.0])], Day(overlap_m=50.0))


def test_a_day_too_cold_to_fly_is_refused():
    with pytest.raises(InfeasibleError, match=r"E28 line L02 needs .* 0\.0 min are usable"):
        plan_sorties(a_block(2), a_flyer(), FRAME, FAR_SOUTH, Day(-90.0, 0.0, overlap_m=20.0))


def test_no_place_to_take_off_from_is_refused():
    with pytest.raises(InputError, match=r"E30 no place to take off from"):
        plan_sorties(a_block(2), a_flyer(), FRAME, [])
    assert plan_sorties([], a_flyer(), FRAME, FAR_SOUTH) == ()


def test_the_nearer_place_is_taken_off_from():
    places = [np.array([-900.0, 0.0, 0.0]), np.array([60.0, -300.0, 0.0])]
    (sortie,) = plan_sorties(a_block(2), a_flyer(), FRAME, places)
    assert sortie.take_off_m is not None
    assert sortie.take_off_m == pytest.approx(places[1])


def test_way_flown_is_geodesic():
    (sortie,) = plan_sorties(a_block(1), a_flyer(), FRAME, FAR_SOUTH)
    lon, lat = FRAME.to_lonlat(sortie.path.points_m[:, 0], sortie.path.points_m[:, 1])
    _, _, steps = WGS84.inv(lon[:-1], lat[:-1], lon[1:], lat[1:])
    assert sortie.distance_m == pytest.approx(np.sum(steps))
    # there and back along one meridian: from -1000 to 521.3 m
    assert sortie.distance_m == pytest.approx(2 * 1521.3, rel=1e-3)


def test_colder_or_higher_days_never_need_fewer_sorties():
    lines = a_block(16)
    counts = [
        len(plan_sorties(lines, a_flyer(), FRAME, FAR_SOUTH, Day(c, m))) for c, m in ((20, 0), (-5, 0), (-5, 1500))
    ]
    assert counts == sorted(counts)
    assert counts[0] < counts[-1]


@pytest.mark.parametrize(("aircraft", "speed_mps"), [(HEXACOPTER, 8.0), (ROOMY_WING, 15.0)], ids=["multirotor", "wing"])
@pytest.mark.parametrize("seed", [0, 1])
def test_order_and_loads_together_are_within_a_tenth_of_the_best(aircraft, speed_mps, seed):
    flyer = a_flyer(replace(aircraft, endurance_s=600.0, swap_s=120.0), NO_ALIGNMENT, wind=Wind(3.0, 1.0))
    ends = np.random.default_rng(seed).uniform(-400, 400, (3, 2, 2))
    lines = [a_line(f"L{k}", *end, speed_mps=speed_mps, lead=10.0) for k, end in enumerate(ends)]
    places = [np.array([-50.0, -400.0, 0.0]), np.array([300.0, 300.0, 0.0])]

    def day_s(sorties):
        return sorties[-1].starts_s + sorties[-1].path.duration_s

    ways = [(line, reversed_line(line)) for line in lines]
    best = min(
        day_s(plan_sorties([ways[k][way] for k, way in zip(order, directions, strict=True)], flyer, FRAME, places))
        for order in permutations(range(3))
        for directions in product((0, 1), repeat=3)
    )
    assert day_s(quickest_sorties(lines, flyer, FRAME, places)) <= 1.1 * best


def test_the_quickest_order_is_never_slower_than_the_one_given_and_always_the_same():
    flyer = a_flyer(ROOMY_WING, NO_ALIGNMENT)
    lines = a_block(10, speed_mps=15.0)
    given = plan_sorties(lines, flyer, FRAME, FAR_SOUTH)
    quickest, again = (quickest_sorties(lines, flyer, FRAME, FAR_SOUTH) for _ in range(2))
    assert quickest[-1].starts_s + quickest[-1].path.duration_s < given[-1].starts_s + given[-1].path.duration_s
    assert [sortie.line_ids for sortie in quickest] == [sortie.line_ids for sortie in again]
    assert sorted(name for sortie in quickest for name in sortie.line_ids) == [line.line_id for line in lines]
    assert quickest_sorties([], flyer, FRAME, FAR_SOUTH) == ()
    with pytest.raises(InputError, match="E30"):
        quickest_sorties(lines, flyer, FRAME, [])
    with pytest.raises(InfeasibleError, match="E28 line L"):
        quickest_sorties(lines, replace(flyer, aircraft=replace(ROOMY_WING, endurance_s=60.0)), FRAME, FAR_SOUTH)
