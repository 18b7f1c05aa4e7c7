from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
import shapely
from flat_jobs import HEXACOPTER, WING

from planner.aircraft import GRAVITY_MPS2
from planner.flight.corners import CUT_M, bent_way, led_way
from planner.flight.detours import ALLOWANCE_M, Zones
from planner.flight.turns import CHORD_M, Pose, rest_to_rest_s, turn_radius_m, turn_way
from planner.flight.winds import CALM, Wind
from planner.ground.obstacles import KeepOut, Sensitive

BENDS = np.array([[0.0, 200.0], [150.0, 200.0], [170.0, 50.0]])
START, END = Pose(0, 0, 0, 0), Pose(400.0, 40.0, np.pi / 2, 0)
FASTER = replace(HEXACOPTER, max_airspeed_mps=18)


def speeds_of(way):
    return np.hypot(*np.diff(way.places_m, axis=0).T) / np.diff(way.times_s)


@pytest.mark.parametrize("wind", [CALM, Wind(4.0, 0.5)], ids=["calm", "wind"])
def test_a_multirotor_takes_corners_no_faster_than_it_banks_and_pushes(wind):
    way = bent_way(FASTER, START, BENDS, END, wind, 12.0)
    speed, times = speeds_of(way), np.diff(way.times_s)
    assert way.places_m[[0, -1]] == pytest.approx(np.stack([START.place_m, END.place_m]), abs=1e-6)
    assert np.diff(way.times_s).min() > 0
    assert speed.max() <= 12.0 + wind.speed_mps + 1e-9
    # along the way: speeds of neighbours differ by no more than the push makes of the time from middle to middle
    apart = (times[1:] + times[:-1]) / 2
    assert np.all(np.abs(np.diff(speed)) <= HEXACOPTER.acceleration_mps2 * apart + 0.05)
    # across it: v^2 / r stays below g tan bank, where r is that of the circle through three neighbours
    for k in range(1, len(way.places_m) - 1):
        a, b, c = way.places_m[k - 1 : k + 2]
        sides = np.hypot(*(b - a)), np.hypot(*(c - b)), np.hypot(*(c - a))
        bend = 2 * abs(np.cross(np.append(b - a, 0), np.append(c - b, 0))[2]) / np.prod(sides)
        if bend > 1e-3:
            slower = min(speed[k - 1 : k + 1])
            assert slower**2 * bend <= 1.05 * GRAVITY_MPS2 * np.tan(np.radians(FASTER.max_bank_deg))


def test_corners_are_cut_by_less_than_outlines_are_grown():
    way = bent_way(FASTER, START, BENDS, END, CALM, 12.0)
    corners = shapely.LineString([START.place_m, *BENDS, END.place_m])
    off = shapely.distance(shapely.points(BENDS), shapely.LineString(way.places_m))
    assert CUT_M - 1e-6 <= off.min() <= off.max() <= CUT_M + CHORD_M
    assert CUT_M + CHORD_M < ALLOWANCE_M
    assert shapely.hausdorff_distance(shapely.LineString(way.places_m), corners) <= CUT_M + CHORD_M


def test_a_bend_that_is_none_costs_next_to_nothing():
    straight = Pose(0, 400.0, 0, 0)
    way = bent_way(FASTER, START, np.array([[0.0, 150.0]]), straight, CALM, 10.0)
    # sampled speeds: a little slower than the closed form
    least = float(rest_to_rest_s(400.0, 10.0, FASTER.acceleration_mps2))
    assert least - 1e-6 <= way.times_s[-1] <= least + 1.0
    assert way.rests == (0, len(way.times_s) - 1)


@pytest.mark.parametrize("wind", [CALM, Wind(4.0, 0.5)], ids=["calm", "wind"])
def test_a_wing_flies_through_bends_no_tighter_than_it_banks(wind):
    bends = np.array([[0.0, 400.0], [300.0, 600.0], [700.0, 500.0]])
    way = bent_way(WING, Pose(0, 0, 0, 15.0), bends, Pose(900.0, 0.0, np.pi, 15.0), wind)
    steps = np.diff(way.places_m, axis=0)
    length, course = np.hypot(*steps.T), np.unwrap(np.arctan2(*steps.T))
    bend = np.abs(np.diff(course)) / ((length[1:] + length[:-1]) / 2)
    assert bend.max() <= 1.02 / float(turn_radius_m(15.0 + wind.speed_mps, WING.max_bank_deg))
    assert shapely.distance(shapely.points(bends), shapely.LineString(way.places_m)).max() < 1e-3
    air = np.hypot(
        *(
            steps / np.diff(way.times_s)[:, np.newaxis]
            + wind.speed_mps * np.array([np.sin(wind.from_rad), np.cos(wind.from_rad)])
        ).T
    )
    assert air == pytest.approx(np.full(len(air), 15.0), abs=0.1)


@pytest.mark.parametrize("aircraft", [HEXACOPTER, WING], ids=["multirotor", "wing"])
def test_a_way_that_meets_no_zone_is_the_plain_one_and_looks_at_no_corner(aircraft):
    zones = Zones((KeepOut("yard", shapely.box(2000, 0, 2100, 100)),), (), 10.0)
    poses = Pose(0, 0, 0, 13.0), Pose(300.0, 0.0, np.pi, 13.0)
    way = led_way(aircraft, *poses, CALM, None, zones, zones.standing)
    assert way.places_m == pytest.approx(turn_way(aircraft, *poses).places_m)
    assert not zones._graphs


@pytest.mark.parametrize("aircraft", [HEXACOPTER, WING], ids=["multirotor", "wing"])
@pytest.mark.parametrize("reach", [20.0, 60.0, 180.0])
def test_ways_keep_the_margin_and_are_not_much_longer_than_round_the_outline(aircraft, reach):
    yard = shapely.box(-reach, 300, reach, 300 + reach)
    zones = Zones((KeepOut("yard", yard),), (), 15.0)
    before, after = Pose(0, 0, 0, 13.0), Pose(20.0, 1000.0, 0.0, 13.0)
    way = led_way(aircraft, before, after, CALM, None, zones, zones.standing)
    flown = shapely.LineString(way.places_m)
    assert flown.distance(yard) >= 15.0
    shortest = zones.graph(zones.standing).cheapest_m(before.place_m[np.newaxis], after.place_m[np.newaxis])[0, 0]
    radius = float(turn_radius_m(13.0, aircraft.max_bank_deg))
    assert flown.length <= shortest + 2 * np.pi * radius


def test_a_wing_takes_the_dearer_side_only_where_the_other_is_longer():
    before, after = Pose(0, 0, 0, 13.0), Pose(0.0, 900.0, 0.0, 13.0)
    free = turn_way(WING, before, after)
    for cost, crossed in ((0.01, True), (5.0, False)):
        nest = Sensitive("nest", shapely.box(-100, 400, 40, 500), cost)
        way = led_way(WING, before, after, CALM, None, Zones((), (nest,)), frozenset())
        assert shapely.LineString(way.places_m).intersects(nest.polygon) == crossed
        assert way.times_s[-1] >= free.times_s[-1] - 1e-6


def test_nothing_leads_out_of_walls():
    ring = shapely.Point(0, 0).buffer(500).difference(shapely.Point(0, 0).buffer(450))
    zones = Zones((KeepOut("walls", ring),), (), 10.0)
    for aircraft in (HEXACOPTER, WING):
        assert led_way(aircraft, Pose(0, 0, 0, 13.0), Pose(900, 0, 0, 13.0), CALM, None, zones, zones.standing) is None


def test_neighbours_on_a_bent_way_are_near_enough():
    way = bent_way(FASTER, START, BENDS, END, CALM, 12.0)
    assert max(np.hypot(*(b - a)) for a, b in pairwise(way.places_m)) <= 5.0
