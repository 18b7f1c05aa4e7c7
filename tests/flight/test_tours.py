from dataclasses import replace

import numpy as np
import pytest
import shapely
from made_blocks import NO_ALIGNMENT, a_block, a_flyer

from planner.flight.detours import Zones
from planner.flight.loads import split_tour
from planner.flight.tours import load_path, tour_of
from planner.ground.obstacles import KeepOut

SOUTH, WITHIN = np.array([-50.0, -500.0, 0.0]), np.array([100.0, -430.0, 0.0])
RING = KeepOut("ring", shapely.box(75, -520, 250, 520).boundary.buffer(4))


def ringed(*keep_outs):
    return replace(a_flyer(navigation=NO_ALIGNMENT), zones=Zones(keep_outs, (), 5.0))


def test_a_turn_that_areas_bar_ends_a_sortie_and_each_part_is_flown_from_its_own_side():
    lines = a_block(4)  # the ring goes between the second and the third
    free = split_tour(tour_of(ringed(), lines, [SOUTH, WITHIN], 1e4).costs)
    assert [(load.first, load.last) for load in free] == [(0, 4)]
    tour = tour_of(ringed(RING), lines, [SOUTH, WITHIN], 1e4)
    loads = split_tour(tour.costs)
    assert [(load.first, load.last, load.place) for load in loads] == [(0, 2, 0), (2, 4, 1)]
    for load in loads:
        flown = shapely.LineString(load_path(tour, load).points_m[:, :2])
        assert flown.distance(RING.polygon) >= 5.0


def test_a_detour_costs_its_time_and_its_energy():
    yard = KeepOut("yard", shapely.box(-100, -450, 60, -420))
    tours = [tour_of(ringed(*areas), a_block(1), [SOUTH], 1e4).costs for areas in ((), (yard,))]
    longer = tours[1].out[:, 0, 0] - tours[0].out[:, 0, 0]
    # C: straight from (-50, -500) to the run-up at (0, -361) is 148 m; round the yard by (-105, -415) it is 218 m
    assert longer[0] > (np.hypot(55, 50) + 35 + np.hypot(105, 54) - np.hypot(50, 139)) / 10
    assert longer[1] == pytest.approx(longer[0])


def test_where_every_way_is_barred_it_is_flown_all_the_same_for_the_fault_to_name_it():
    tour = tour_of(ringed(RING), a_block(4)[2:], [SOUTH], 1e4)
    [load] = split_tour(tour.costs)
    assert shapely.LineString(load_path(tour, load).points_m[:, :2]).crosses(RING.polygon)
