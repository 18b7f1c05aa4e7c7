from itertools import pairwise

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.sparse import coo_array
from scipy.sparse.csgraph import dijkstra

from planner.flight.detours import NOWHERE, QUARTER, Zones, graph_of
from planner.ground.obstacles import KeepOut, Sensitive

NOTHING = frozenset()
PLACE = st.tuples(st.integers(-90, 90), st.integers(-90, 90))
TRIANGLE = st.lists(PLACE, min_size=3, max_size=3).map(shapely.MultiPoint).map(shapely.convex_hull)
AREA = TRIANGLE.filter(lambda shape: shape.geom_type == "Polygon" and shape.area > 20)


def zones(*outlines, margin_m=10.0, sensitive=()):
    keep_outs = tuple(KeepOut(f"K{k}", outline) for k, outline in enumerate(outlines))
    return Zones(keep_outs, tuple(sensitive), margin_m)


def length_m(way):
    return float(np.hypot(*np.diff(way, axis=0).T).sum())


def way_of(found, start, end):
    return found.graph(found.standing).way(np.array(start, dtype=float), np.array(end, dtype=float))


@pytest.mark.parametrize(("radius", "off"), [(20.0, 100.0), (60.0, 71.0), (1.0, 200.0)])
def test_round_a_disc_the_way_is_two_tangents_and_an_arc(radius, off):
    # C: tangents of sqrt(d^2 - r^2) from both sides, an arc of r 2 asin(r / d) between them
    def closed(r):
        return 2 * np.sqrt(off**2 - r**2) + r * 2 * np.arcsin(r / off)

    found = graph_of([shapely.Point(0, 0).buffer(radius, quad_segs=20)], (), 5.0)
    length = length_m(found.way(np.array([-off, 0.0]), np.array([off, 0.0])))
    widest = (radius + 5.0) / np.cos(np.pi / 4 / QUARTER)
    assert closed(radius + 5.0) - 0.1 <= length <= closed(widest)


def test_round_a_square_the_way_touches_two_corners():
    found = graph_of([shapely.box(-30, -50, 30, 40)], (), 0.05)
    way = found.way(np.array([-100.0, 0.0]), np.array([100.0, 0.0]))
    # C: over the nearer side, 40 m up: two slants of hypot(70, 40) and 60 m along it
    assert length_m(way) == pytest.approx(2 * np.hypot(70, 40) + 60, abs=0.2)
    assert np.all(way[1:-1, 1] > 39.9)


def test_into_a_bay_and_out_of_it():
    bay = shapely.Polygon([(-60, -60), (60, -60), (60, 60), (40, 60), (40, -40), (-40, -40), (-40, 60), (-60, 60)])
    found = graph_of([bay], (), 0.05)
    way = found.way(np.array([0.0, 0.0]), np.array([100.0, 0.0]))
    # C: over the arm of the bay: hypot(40, 60) up to its inner corner, 20 m across, hypot(40, 60) down
    assert length_m(way) == pytest.approx(2 * np.hypot(40, 60) + 20, abs=0.3)


def grid_length_m(blocked, start, end, step_m=4.0, half=120):
    """Return the length of the shortest way from knot to knot of a grid, by king's and knight's moves."""
    east, north = (one.ravel() for one in np.meshgrid(*[np.arange(-half, half + 1, step_m)] * 2))
    knots = np.column_stack([east, north])
    side = int(2 * half / step_m) + 1
    number = np.arange(len(knots)).reshape(side, side)
    begin, finish = [], []
    for down, right in ((0, 1), (1, 0), (1, 1), (1, -1), (1, 2), (2, 1), (1, -2), (2, -1)):
        here = number[: side - down, max(-right, 0) : side - max(right, 0)]
        there = number[down:, max(right, 0) : side - max(-right, 0)]
        begin.append(here.ravel())
        finish.append(there.ravel())
    begin, finish = np.concatenate(begin), np.concatenate(finish)
    moves = shapely.linestrings(np.stack([knots[begin], knots[finish]], axis=1))
    free = ~shapely.intersects(blocked, moves)
    weights = shapely.length(moves[free])
    steps = coo_array((weights, (begin[free], finish[free])), shape=(len(knots), len(knots))).tocsr()
    at, to = (int(np.argmin(np.hypot(*(knots - place).T))) for place in (start, end))
    return float(dijkstra(steps, directed=False, indices=at)[to])


@settings(deadline=None, max_examples=12)
@given(st.lists(AREA, min_size=1, max_size=4))
def test_ways_are_as_short_as_those_over_a_fine_grid(outlines):
    found = graph_of(outlines, (), 5.0)
    start, end = np.array([-120.0, -120.0]), np.array([120.0, 120.0])
    way, slow = found.way(start, end), grid_length_m(found.blocked, start, end)
    if way is None:
        assert shapely.intersects(found.blocked, shapely.points([start, end])).any()
        return
    assert not found.blocked.intersects(shapely.LineString(way))
    # C: king's and knight's moves are longer than straight by 1 / cos(13.3 deg) = 1.0275 at most, and miss narrow gaps
    assert length_m(way) <= slow + 1e-6
    alone = len(outlines) == 1
    assert not alone or length_m(way) >= slow / 1.0275 - 3 * 4.0


@settings(deadline=None, max_examples=40)
@given(st.lists(AREA, max_size=2), st.lists(st.tuples(AREA, st.floats(0.1, 5)), min_size=1, max_size=2))
def test_no_way_costs_more_than_straight_across_or_the_shortest_round(hard, dear):
    sensitive = tuple(Sensitive(f"S{k}", area, cost) for k, (area, cost) in enumerate(dear))
    found = graph_of(hard, sensitive, 5.0)
    start, end = np.array([-130.0, 0.0]), np.array([130.0, 10.0])
    way = found.way(start, end)

    def cost(places):
        lines = [shapely.LineString(pair) for pair in pairwise(places)]
        return sum(line.length + sum(a.cost * line.intersection(a.polygon).length for a in sensitive) for line in lines)

    assert not found.blocked.intersects(shapely.LineString(way))
    assert cost(way) == pytest.approx(float(found.cheapest_m(start[np.newaxis], end[np.newaxis])[0, 0]))
    straight = np.stack([start, end])
    if not found.blocked.intersects(shapely.LineString(straight)):
        assert cost(way) <= cost(straight) + 1e-6
    around = graph_of([*hard, *(area for area, _ in dear)], (), 5.0)
    longer = around.way(start, end)
    assert cost(way) <= length_m(longer) + 0.02  # corners are walked round 5 cm outside of what is blocked


@pytest.mark.parametrize("share", [0.97, 1.03])
def test_the_longer_way_is_chosen_exactly_when_it_costs_less(share):
    area = shapely.box(-10, -60, 10, 40)
    # C: round the nearer end, two slants of hypot(90, 40) and 20 m along it; across, 200 m of which 20 m cost 1 + c
    even = (2 * np.hypot(89.5, 40.5) + 21 - 200) / 20
    found = zones(sensitive=[Sensitive("nest", area, even * share)])
    way = way_of(found, (-100, 0), (100, 0))
    assert (len(way) > 2) == (share > 1)


def test_no_way_out_of_walls_or_into_an_area():
    ring = shapely.Point(0, 0).buffer(60).difference(shapely.Point(0, 0).buffer(40))
    assert way_of(zones(ring), (0, 0), (100, 0)) is None
    assert way_of(zones(ring), (0, 0), (100, 100)) is None
    assert way_of(zones(shapely.box(-5, -5, 5, 5)), (-100, 0), (12, 0)) is None  # within the margin
    within = way_of(zones(ring), (-20, 0), (20, 5))
    assert len(within) == 2


def test_outlines_of_thousands_of_corners_are_walked_along_fewer():
    angle = np.linspace(0, 2 * np.pi, 2000, endpoint=False)
    reach = 150 + 15 * np.sin(40 * angle) + np.sin(300 * angle)
    outline = shapely.Polygon(np.column_stack([reach * np.cos(angle), reach * np.sin(angle)]))
    found = zones(outline)
    graph = found.graph(found.standing)
    assert len(graph.corners_m) <= 300
    way = graph.way(np.array([-300.0, 0.0]), np.array([300.0, 0.0]))
    off = shapely.distance(outline, shapely.LineString(way))
    assert 10.0 < off < 15.0


def test_what_is_near_entered_and_in_the_way_at_a_height():
    layer = KeepOut("layer", shapely.box(0, 0, 10, 10), floor_m=100.0, top_m=200.0)
    found = Zones((layer, KeepOut("yard", shapely.box(50, 0, 60, 10))), (), 20.0)
    assert found.standing == {1}
    assert found.between(0.0, 79.0) == {1}
    assert found.between(0.0, 81.0) == found.between(219.0, 300.0) == {0, 1}
    assert found.between(221.0, 300.0) == {1}
    low = np.array([[5.0, -50.0, 79.0], [5.0, 50.0, 79.0]])
    assert found.entered(low) == NOTHING
    assert found.entered(low + np.array([0, 0, 2])) == {0}
    # C: 12 m aside and 16 m below the corner is 20 m off
    assert found.entered(low + np.array([-17.1, 0, 5])) == NOTHING
    assert found.entered(low + np.array([-16.9, 0, 5.1])) == {0}
    assert found.near(low).tolist() == [True, False]
    assert found.meets(frozenset({0, 1}), low[:, :2])
    assert not found.meets(frozenset({1}), low[:, :2])


def test_what_is_dear_is_what_lies_across():
    nest = Sensitive("nest", shapely.box(0, 0, 10, 10), 3.0)
    found = Zones((), (nest,), 20.0)
    across = np.array([[5.0, -50.0, 79.0], [5.0, 50.0, 79.0]])
    assert found.dearer_m(across) == pytest.approx(30.0)
    assert found.dearer_m(across + np.array([20, 0, 0])) == 0
    assert NOWHERE.dearer_m(across) == 0
    assert NOWHERE.entered(across) == NOTHING
