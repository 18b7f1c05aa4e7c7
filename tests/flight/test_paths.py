from dataclasses import replace

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from made_blocks import HEXACOPTER, NO_ALIGNMENT, STRAIGHT, WING, a_block, a_flyer, a_line, level

from planner.errors import InfeasibleError
from planner.flight.climbs import dense_path, joined_path, lowest_m
from planner.flight.detours import NOWHERE, Zones
from planner.flight.joining import joinable_line
from planner.flight.paths import Flyer, along_line, approach, fly_path, turn_between, way_back
from planner.flight.turns import turn_radius_m
from planner.flight.winds import CALM, Wind
from planner.ground.clearance import nearest_keep_out, stations
from planner.ground.obstacles import KeepOut, Sensitive
from planner.navigation import Navigation

EIGHT = replace(STRAIGHT, alignment="figure_eight", alignment_s=30.0)
ROOMY_WING = replace(WING, max_airspeed_mps=30)
ROOMY_HEXACOPTER = replace(HEXACOPTER, max_airspeed_mps=18)
TAKE_OFF = np.array([-150.0, -200.0, 12.0])


def hills(east, north):
    """Return a floor of two hills that stand in the way of ferries and turns."""
    near = 55 * np.exp(-((east + 60) ** 2 + (north + 250) ** 2) / 2 / 60**2)
    far = 65 * np.exp(-((east - 50) ** 2 + (north - 520) ** 2) / 2 / 50**2)
    return 40 + near + far


@pytest.mark.parametrize("aircraft", [ROOMY_HEXACOPTER, ROOMY_WING], ids=["multirotor", "wing"])
@pytest.mark.parametrize("wind", [CALM, Wind(5.0, 1.0)], ids=["calm", "wind"])
@pytest.mark.parametrize("navigation", [NO_ALIGNMENT, STRAIGHT, EIGHT], ids=["none", "straight", "eight"])
def test_a_path_is_one_that_can_be_flown(aircraft, wind, navigation):
    speed = 8.0 if aircraft.kind == "multirotor" else 15.0
    path = fly_path(Flyer(aircraft, navigation, hills, wind), a_block(3, speed_mps=speed), TAKE_OFF)
    steps, times = np.diff(path.points_m, axis=0), np.diff(path.times_s)
    assert len(path.parts) == len(path.line_ids) == len(times)
    assert path.points_m[[0, -1]] == pytest.approx(np.stack([TAKE_OFF, TAKE_OFF]), abs=1e-6)
    assert path.times_s[0] == 0
    assert times.min() > 0
    assert np.linalg.norm(steps, axis=1).max() <= 5.0 + 1e-9
    assert (steps[:, 2] / times).max() <= aircraft.climb_mps + 1e-6
    assert (steps[:, 2] / times).min() >= -aircraft.descent_mps - 1e-6
    ground = np.hypot(*steps[:, :2].T) / times
    assert ground.max() <= aircraft.airspeeds_mps[1] + wind.speed_mps
    # the floor is kept in the middle of every turn and ferry, but for what bulges between two samples of it
    parts = np.array(path.parts)
    away = np.isin(parts, ["ferry", "align", "turn", "return"])
    up, floor = path.points_m[:, 2], hills(path.points_m[:, 0], path.points_m[:, 1])
    assert np.all((up - floor)[1:-1][away[1:] & away[:-1]] >= -0.1)


@pytest.mark.parametrize("aircraft", [ROOMY_HEXACOPTER, ROOMY_WING], ids=["multirotor", "wing"])
def test_data_are_kept_on_lines_only_and_lines_are_flown_whole(aircraft):
    lines = a_block(3, speed_mps=14.0)
    path = fly_path(Flyer(aircraft, EIGHT, hills), lines, TAKE_OFF)
    length = np.linalg.norm(np.diff(path.points_m, axis=0), axis=1)
    for line in lines:
        own = np.array([name == line.line_id for name in path.line_ids])
        kept = own & (np.array(path.parts) == "line")
        assert length[kept].sum() == pytest.approx(600)
        assert length[own & ~kept].sum() == pytest.approx(80)
        assert np.diff(path.times_s)[own].sum() == pytest.approx(680 / 14)
    named = [name is not None for name in path.line_ids]
    assert named == [part in ("line", "lead") for part in path.parts]


@pytest.mark.parametrize("wind", [CALM, Wind(5.0, 1.0)], ids=["calm", "wind"])
def test_a_wing_never_turns_tighter_than_its_bank_at_the_fastest_ground_speed(wind):
    path = fly_path(Flyer(ROOMY_WING, EIGHT, hills, wind), a_block(3, speed_mps=15.0), TAKE_OFF)
    steps = np.diff(path.points_m[:, :2], axis=0)
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*steps.T))])
    course = np.unwrap(np.arctan2(*steps.T))
    # over 20 m: climbs cut chords in two, which bends every other vertex only
    later = np.searchsorted(along, along[:-1] + 20.0).clip(max=len(course) - 1)
    tightest = float(turn_radius_m(15.0 + wind.speed_mps, WING.max_bank_deg))
    assert np.max(np.abs(course[later] - course)) <= (20.0 + 5.0) / tightest


def test_up_wind_and_down_wind_lines_differ_only_where_the_air_allows_no_more():
    south_wind = Wind(4.0, np.pi)  # behind the first line
    lines = a_block(2)
    free, bound = a_flyer(ROOMY_HEXACOPTER, wind=south_wind), a_flyer(wind=south_wind)
    assert [along_line(free, line).duration_s for line in lines] == pytest.approx([85, 85])
    # at most 10 m/s through the air: 6 against the wind
    assert [along_line(bound, line).duration_s for line in lines] == pytest.approx([85, 680 / 6])


def test_a_climb_that_the_turn_is_too_short_for_is_waited_for():
    low, high = a_block(2)
    high = replace(high, points_m=high.points_m + np.array([0, 0, 200]))
    turn = turn_between(a_flyer(floor_m=0), low, high)
    # C: 200 m at 4 m/s; the multirotor climbs all the way, over the ground only as fast as that lets it
    assert turn.duration_s == pytest.approx(50)
    assert np.diff(turn.points_m[:, 2]) / np.diff(turn.times_s) == pytest.approx(4.0)
    wing = turn_between(a_flyer(ROOMY_WING, floor_m=0), *(replace(line, speed_mps=15.0) for line in (low, high)))
    circle = 2 * np.pi * 15 / (9.80665 * np.tan(np.radians(20)))
    whole = turn_between(a_flyer(ROOMY_WING), *(replace(line, speed_mps=15.0) for line in a_block(2))).duration_s
    assert wing.duration_s == pytest.approx(whole + circle * np.ceil((50 - whole) / circle))


def test_take_off_climbs_to_the_floor_before_it_moves_over():
    path = approach(a_flyer(navigation=NO_ALIGNMENT, floor_m=60), np.array([0.0, -900.0, 10.0]), a_block(1)[0])
    rising = np.array(path.parts) == "climb"
    # C: 50 m at 4 m/s straight up
    assert path.parts_s()["climb"] == pytest.approx(12.5)
    assert np.all(path.points_m[:-1][rising, :2] == [0.0, -900.0])
    home = way_back(a_flyer(navigation=NO_ALIGNMENT, floor_m=60), a_block(1)[0], np.array([0.0, 900.0, 10.0]))
    assert home.parts_s()["descent"] == pytest.approx(20)


@pytest.mark.parametrize("homeward", [True, False])
def test_down_and_up_a_steep_side_the_height_above_it_stays_what_it_was(homeward):
    # 28 deg: steeper than the aircraft sinks or climbs at its ferry speed
    def side(north):
        return np.tan(np.radians(28)) * np.asarray(north)

    flyer = Flyer(HEXACOPTER, NO_ALIGNMENT, lambda _east, north: side(north) + 40.0, CALM)
    line = a_line("L01", (-300, 600), (300, 600), up=side(600) + 80.0)
    place = np.array([300.0 if homeward else -300.0, -300.0, side(-300)])
    path = way_back(flyer, line, place) if homeward else approach(flyer, place, line)
    above = path.points_m[:, 2] - side(path.points_m[:, 1])
    assert above.max() < 90
    # C: no longer than the height takes at the most that the aircraft climbs or sinks, but for stopping and starting
    rate = HEXACOPTER.descent_mps if homeward else HEXACOPTER.climb_mps
    assert path.duration_s == pytest.approx((side(900) + 80) / rate, rel=0.08)


def test_take_off_beneath_the_start_of_a_line():
    line = a_line("L01", (0, 0), (0, 500))
    path = fly_path(a_flyer(navigation=NO_ALIGNMENT), [line], np.array([0.0, -64 / 3, 0.0]))
    assert path.parts_s()["climb"] == pytest.approx(20)
    assert path.parts_s()["ferry"] == pytest.approx(8 / 1.5)


def test_alignment_fills_its_time_before_and_after():
    straight = fly_path(a_flyer(), a_block(1), TAKE_OFF).parts_s()["align"]
    assert straight == pytest.approx(2 * 20)
    eight = fly_path(a_flyer(navigation=EIGHT), a_block(1), TAKE_OFF).parts_s()["align"]
    # C: an eight at 8 m/s and 15 deg of bank takes 4 pi v / (g tan bank) = 38.3 s, the fewest that fill 30 s
    assert eight == pytest.approx(2 * 4 * np.pi * 8 / (9.80665 * np.tan(np.radians(15))))
    longer = replace(EIGHT, alignment_s=40.0)
    assert fly_path(a_flyer(navigation=longer), a_block(1), TAKE_OFF).parts_s()["align"] == pytest.approx(2 * eight)
    assert isinstance(longer, Navigation)


def test_wind_that_beats_the_airspeed_on_the_way_is_refused():
    with pytest.raises(InfeasibleError, match=r"E32 wind of 11 m/s from 180 deg beats an airspeed of 10\.0 m/s"):
        fly_path(a_flyer(wind=Wind(11.0, np.pi)), a_block(2), TAKE_OFF)


@settings(deadline=None)
@given(st.lists(st.floats(-50, 150), min_size=2, max_size=30), st.floats(0.5, 6), st.floats(0.5, 6))
def test_lowest_heights_keep_rates_and_touch_what_is_wanted(wanted, climb, descent):
    times, wanted = np.arange(len(wanted)) * 3.0, np.array(wanted)
    low = lowest_m(times, wanted, climb, descent)
    assert np.all(low >= wanted - 1e-9)
    rates = np.diff(low) / 3.0
    assert rates.max() <= climb + 1e-9
    assert rates.min() >= -descent - 1e-9
    # slow twin: each height is the least that some wanted one asks for
    apart = times[:, np.newaxis] - times
    asked = wanted - np.where(apart > 0, descent * apart, -climb * apart)
    assert low == pytest.approx(asked.max(axis=1))


def test_dense_paths_keep_vertices_and_drop_segments_without_time():
    points = np.array([[0.0, 0, 0], [12, 0, 0], [12, 0, 0], [12, 0, 7]])
    path = dense_path(points, np.array([0.0, 4, 4, 6]), ["line", "turn", "climb"], ["L01", None, None])
    assert path.parts == ("line",) * 3 + ("climb",) * 2
    assert path.times_s == pytest.approx([0, 4 / 3, 8 / 3, 4, 5, 6])
    assert path.points_m[[0, 3, 5]] == pytest.approx(points[[0, 1, 3]])
    both = joined_path([path, replace(path, points_m=path.points_m + np.array([12, 0, 7]))])
    assert both.duration_s == 12
    assert both.parts_s() == pytest.approx({"line": 8, "climb": 4})


def gap_m(path, outline):
    """Return the least distance in plan between a path and an outline [m]: between segments, not places."""
    return shapely.LineString(path.points_m[:, :2]).distance(outline)


def random_yards(seed, lines, take_off, margin):
    """Return squares, turned at random, that lines with their run-ups and the take-off place keep clear of."""
    generator = np.random.default_rng(seed)
    kept = shapely.union_all([shapely.LineString(line.points_m[:, :2]).buffer(150) for line in lines])
    kept = kept.union(shapely.Point(take_off[:2]).buffer(110))
    found = []
    while len(found) < 5:
        east, north = generator.uniform(-700, 900), generator.uniform(-900, 900)
        half = generator.uniform(10, 120)
        square = shapely.affinity.rotate(
            shapely.box(east - half, north - half, east + half, north + half), 30 * len(found)
        )
        if square.distance(kept) > margin:
            found.append(KeepOut(f"K{len(found)}", square))
    return found


@pytest.mark.parametrize("aircraft", [ROOMY_HEXACOPTER, ROOMY_WING], ids=["multirotor", "wing"])
@pytest.mark.parametrize("navigation", [NO_ALIGNMENT, STRAIGHT, EIGHT], ids=["none", "straight", "eight"])
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_the_whole_path_keeps_the_margin_to_every_area(aircraft, navigation, seed):
    speed = 8.0 if aircraft.kind == "multirotor" else 15.0
    lines = [
        a_line("L01", (0, -300), (0, 300), speed_mps=speed),
        a_line("L02", (420, 300), (420, -300), speed_mps=speed),
    ]
    take_off = np.array([-600.0, -700.0, 12.0])
    yards = random_yards(seed, lines, take_off, 10.0)
    flyer = Flyer(aircraft, navigation, hills, Wind(3.0, 1.0), zones=Zones(tuple(yards), (), 10.0))
    path = fly_path(flyer, lines, take_off)
    assert min(gap_m(path, yard.polygon) for yard in yards) >= 10.0
    free = fly_path(replace(flyer, zones=NOWHERE), lines, take_off)
    assert path.duration_s >= free.duration_s - 1e-6 or navigation.alignment_s > 0
    steps, times = np.diff(path.points_m, axis=0), np.diff(path.times_s)
    assert times.min() > 0
    assert np.hypot(*steps[:, :2].T).max() <= 5.0 + 1e-9
    assert (np.hypot(*steps[:, :2].T) / times).max() <= aircraft.airspeeds_mps[1] + 3.0 + 1e-6
    if aircraft.kind == "fixed_wing":
        length, course = np.hypot(*steps[:, :2].T), np.unwrap(np.arctan2(steps[:, 0], steps[:, 1]))
        along = np.concatenate([[0.0], np.cumsum(length)])
        later = np.searchsorted(along, along[:-1] + 20.0).clip(max=len(course) - 1)
        tightest = float(turn_radius_m(15.0 + 3.0, WING.max_bank_deg))
        assert np.max(np.abs(course[later] - course)) <= (20.0 + 5.0) / tightest


@pytest.mark.parametrize("aircraft", [ROOMY_HEXACOPTER, ROOMY_WING], ids=["multirotor", "wing"])
def test_an_area_with_a_top_is_flown_over_from_above_and_round_from_below(aircraft):
    line = a_line("L01", (0, 300), (0, 900), up=100, speed_mps=13.0)
    yard = shapely.box(-50, -100, 50, 0)
    take_off = np.array([0.0, -600.0, 20.0])
    for top, over in ((70.0, True), (95.0, False)):
        zones = Zones((KeepOut("yard", yard, top_m=top),), (), 15.0)
        path = approach(Flyer(aircraft, NO_ALIGNMENT, level(95), zones=zones), take_off, line)
        assert (gap_m(path, yard) < 15.0) == over
        near = nearest_keep_out(zones.keep_outs, stations(path.points_m)[0]).distance_m.min()
        assert near >= 15.0 - 1e-6


def test_of_two_ways_round_a_sensitive_area_and_across_the_cheaper_is_flown():
    line = a_line("L01", (0, 300), (0, 900))
    take_off = np.array([0.0, -600.0, 20.0])
    nest = shapely.box(-100, -150, 80, 150)
    # C: round it hypot(80, 450) + 300 + hypot(80, 150 less the run-up of 21 m), some 27 m more than straight: even at
    # a cost of 0.09 for each of 300 m
    for cost, across in ((0.05, True), (0.15, False)):
        flyer = Flyer(ROOMY_HEXACOPTER, NO_ALIGNMENT, level(80), zones=Zones((), (Sensitive("nest", nest, cost),)))
        assert (gap_m(approach(flyer, take_off, line), nest) == 0) == across


@pytest.mark.parametrize("navigation", [STRAIGHT, EIGHT], ids=["straight", "eight"])
@pytest.mark.parametrize("aircraft", [ROOMY_HEXACOPTER, ROOMY_WING], ids=["multirotor", "wing"])
def test_alignment_that_would_enter_an_area_is_held_elsewhere(aircraft, navigation):
    line = a_line("L01", (0, 0), (0, 600), speed_mps=13.0)
    take_off = np.array([-900.0, -200.0, 12.0])
    plain = approach(Flyer(aircraft, navigation, level(80)), take_off, line)
    held = plain.points_m[:-1][np.array(plain.parts) == "align"][:, :2]
    middle = held[len(held) // 4]
    zones = Zones((KeepOut("yard", shapely.box(middle[0] - 8, middle[1] - 8, middle[0] + 8, middle[1] + 8)),), (), 10.0)
    flyer = Flyer(aircraft, navigation, level(80), zones=zones)
    path = approach(flyer, take_off, line)
    assert gap_m(plain, zones.keep_outs[0].polygon) < 10.0 <= gap_m(path, zones.keep_outs[0].polygon)
    assert path.parts_s()["align"] >= plain.parts_s()["align"] - 1e-6


def test_what_is_walled_in_is_flown_as_if_nothing_were_there():
    walls = shapely.Point(-150, -200).buffer(90).difference(shapely.Point(-150, -200).buffer(60))
    zones = Zones((KeepOut("walls", walls),), (), 10.0)
    path = fly_path(replace(a_flyer(), zones=zones), a_block(2), TAKE_OFF)
    assert path.points_m == pytest.approx(fly_path(a_flyer(), a_block(2), TAKE_OFF).points_m)


def steep(east, north):
    """Return a floor on a side that falls toward east, 35 degrees in its middle."""
    return 500 - 400 * np.tan(np.radians(35)) * np.tanh(east / 400) + 0.0 * north


@pytest.mark.parametrize("navigation", [NO_ALIGNMENT, STRAIGHT, EIGHT], ids=["none", "straight", "eight"])
@pytest.mark.parametrize("aircraft", [ROOMY_HEXACOPTER, ROOMY_WING], ids=["multirotor", "wing"])
@pytest.mark.parametrize("heading_deg", [0.0, 45.0, 90.0, 180.0, 270.0])
def test_no_part_of_a_path_lies_below_the_floor_on_steep_sides(aircraft, navigation, heading_deg):
    speed, heading = (8.0 if aircraft.kind == "multirotor" else 15.0), np.radians(heading_deg)
    unit = np.array([np.sin(heading), np.cos(heading)])
    flyer = Flyer(aircraft, navigation, steep)
    laid = a_line("L01", -150 * unit, 150 * unit, speed_mps=speed)
    up = lowest_m(laid.along_m() / speed, steep(*laid.points_m[:, :2].T), *flyer.rates_mps)
    laid = replace(laid, points_m=np.column_stack([laid.points_m[:, :2], up]))
    line = joinable_line(flyer, laid)
    assert np.all(line.points_m[:, 2] >= laid.points_m[:, 2] - 1e-9)
    path = fly_path(flyer, [line], np.array([-300.0, 0.0, 650.0]))
    near_ground = np.isin(path.parts, ["climb", "descent"])
    high = ~(np.append(near_ground, False) | np.append(False, near_ground))
    east, north, height = path.points_m[high].T
    assert np.min(height - steep(east, north)) >= -0.02  # chords of 5 m where the side bends
    rates = np.diff(path.points_m[:, 2]) / np.diff(path.times_s)
    assert rates.max() <= aircraft.climb_mps + 1e-6
    assert rates.min() >= -aircraft.descent_mps - 1e-6


def test_lines_along_a_side_are_joined_as_they_are():
    flyer = Flyer(ROOMY_HEXACOPTER, STRAIGHT, steep)
    line = a_line("L01", (0, -300), (0, 300), up=500)
    assert joinable_line(flyer, line) is line
    # C: down the side, 8 m/s fall 5.6 m a second beneath; the start must lie higher by (5.6 - 2.5)^2 / (2 * 0.7 * 1.5)
    slope = np.tan(np.radians(35))
    plane = replace(flyer, floor=lambda east, north: 500 - slope * east + 0.0 * north)
    down = a_line("L02", (-100, 0), (100, 0))
    up = lowest_m(down.along_m() / 8, plane.floor(*down.points_m[:, :2].T), *flyer.rates_mps)
    down = replace(down, points_m=np.column_stack([down.points_m[:, :2], up]))
    short = (8 * slope - 2.5) ** 2 / (2 * slope * 1.5)
    assert joinable_line(plane, down).points_m[0, 2] - up[0] == pytest.approx(short, abs=0.1)
