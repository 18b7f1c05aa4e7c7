"""Cuts of areas and the pieces that are left: plane geometry for a cost that is handed in."""

from itertools import combinations

import numpy as np
import pytest
import shapely
from hypothesis import example, given, settings
from hypothesis import strategies as st

from planner.flight.splitting import grown, many, partitions, simple_outline, worth_cutting

L_SHAPE = shapely.Polygon([(0, 0), (1000, 0), (1000, 150), (150, 150), (150, 800), (0, 800)])
U_SHAPE = shapely.Polygon([(0, 0), (700, 0), (700, 800), (550, 800), (550, 150), (150, 150), (150, 800), (0, 800)])
T_SHAPE = shapely.union_all([shapely.box(0, 0, 1000, 120), shapely.box(430, 120, 550, 700)])
COMB = shapely.union_all(
    [shapely.box(0, 0, 1000, 100), *(shapely.box(east, 0, east + 100, 900) for east in (0, 300, 600, 900))]
)
RING = shapely.box(0, 0, 900, 700).difference(shapely.box(150, 150, 750, 550))
BENT = shapely.Polygon([(0, 0), (600, 0), (1000, 400), (920, 480), (570, 100), (0, 100)])  # arms 45 degrees apart
PARTS = shapely.MultiPolygon([shapely.box(0, 0, 300, 200), shapely.box(2000, 900, 2500, 1000)])


def altitude_m(piece):
    """Return the narrowest way across a piece [m]: what a sum of altitudes adds up (Huang 2001, M)."""
    hull = shapely.get_coordinates(shapely.convex_hull(piece))
    ways = np.arctan2(*np.diff(hull, axis=0).T)
    return float(np.ptp(hull @ np.array([np.cos(ways), -np.sin(ways)]), axis=0).min())


def cells(places):
    """Return squares of 200 m put together."""
    squares = [shapely.box(200 * col, 200 * row, 200 * col + 200, 200 * row + 200) for col, row in places]
    return many(shapely.union_all(squares))


PLACES = st.sets(st.tuples(st.integers(0, 4), st.integers(0, 4)), min_size=2, max_size=14)


@given(st.lists(st.tuples(st.floats(-500, 500), st.floats(-500, 500)), min_size=3, max_size=12))
@settings(max_examples=60, deadline=None)
def test_what_is_convex_is_not_worth_cutting(points):
    hull = shapely.MultiPoint(points).convex_hull
    if hull.geom_type == "Polygon" and hull.area > 1:
        assert not worth_cutting(many(hull))


@pytest.mark.parametrize("area", [L_SHAPE, U_SHAPE, T_SHAPE, COMB, RING, BENT, PARTS])
def test_what_is_not_convex_is_worth_cutting(area):
    assert worth_cutting(many(area))


@given(PLACES)
@example({(0, 0), (1, 1), (2, 2)})
@example({(0, 1), (4, 0), (0, 4), (2, 1), (3, 1), (1, 1), (3, 0), (1, 0)})  # cuts that lie in one line with edges
@settings(max_examples=40, deadline=None)
def test_pieces_are_the_area_once(places):
    area = cells(places)
    for pieces in partitions(area, altitude_m, 50.0, (0.0,)):
        assert sum(piece.area for piece in pieces) == pytest.approx(area.area, rel=1e-6)
        assert all(one.intersection(other).area < 1 for one, other in combinations(pieces, 2))
        assert shapely.union_all(pieces).symmetric_difference(area).area < 1


@given(PLACES)
@settings(max_examples=20, deadline=None)
def test_no_two_neighbours_cost_less_as_one_and_the_best_comes_first(places):
    found = partitions(cells(places), altitude_m, 0.0)
    costs = [sum(map(altitude_m, pieces)) for pieces in found]
    assert costs == pytest.approx(sorted(costs))
    for one, other in combinations(found[0], 2):
        if one.distance(other) < 1e-3:
            assert altitude_m(one) + altitude_m(other) <= altitude_m(many(one.union(other))) + 1e-6


@pytest.mark.parametrize(
    ("area", "altitudes_m"),
    [
        (L_SHAPE, [150, 150]),
        (U_SHAPE, [150, 150, 150]),
        (T_SHAPE, [120, 120]),
        (COMB, [100, 100, 100, 100, 100]),
        (RING, [150, 150, 150, 150]),
        (PARTS, [100, 200]),
    ],
    ids=["L", "U", "T", "comb", "ring", "parts"],
)
def test_shapes_of_arms_come_apart_into_their_arms(area, altitudes_m):
    # widths of the arms as drawn (C)
    best = partitions(many(area), altitude_m, 0.0)[0]
    assert sorted(map(altitude_m, best)) == pytest.approx(altitudes_m)


def test_arms_that_bend_come_apart_at_the_bend():
    # 100 m across the first arm; the second one is 113.1 m at its end and 102.9 m at the bend, at 45 degrees (C)
    best = partitions(many(BENT), altitude_m, 0.0)[0]
    assert len(best) == 2
    assert sum(map(altitude_m, best)) < 250 < altitude_m(BENT)


@pytest.mark.parametrize("way_deg", [0.0, 30.0, 115.0])
def test_cuts_along_a_given_direction_are_tried(way_deg):
    # of a piece of twice the area more than twice the cost: nothing is put together, all cuts stay
    found = partitions(many(L_SHAPE), lambda piece: piece.area**2, 0.0, (np.radians(way_deg),))
    steps = [np.diff(shapely.get_coordinates(piece), axis=0) for pieces in found for piece in pieces]
    ways_deg = np.degrees(np.concatenate([np.arctan2(*step.T) for step in steps])) % 180
    assert np.abs((ways_deg - way_deg + 90) % 180 - 90).min() < 0.01


def test_parts_that_cost_less_as_one_stay_one():
    near = shapely.MultiPolygon([shapely.box(0, 0, 300, 100), shapely.box(320, 0, 600, 100)])
    (whole,) = partitions(near, altitude_m, 50.0)[0]
    assert whole.area == pytest.approx(near.area)
    assert len(partitions(near, altitude_m, 10.0)[0]) == 2  # farther apart than what is tried


@given(st.integers(3, 60), st.floats(2, 40))
@settings(max_examples=30, deadline=None)
def test_a_simple_outline_has_few_vertices_and_says_how_far_it_is_off(bumps, height_m):
    turn = np.linspace(0, 2 * np.pi, 400, endpoint=False)
    radius = 500 + height_m * np.sin(bumps * turn)
    area = many(shapely.Polygon(np.column_stack([radius * np.cos(turn), radius * np.sin(turn)])))
    outline, off_m = simple_outline(area, 2.0, 30.0)
    assert shapely.get_num_coordinates(outline) <= 60
    assert outline.hausdorff_distance(area) <= off_m + 1e-6
    assert grown(outline, area, off_m).area == pytest.approx(area.area)


def test_a_piece_grows_within_the_area_only():
    piece = many(shapely.box(0, 0, 150, 150))
    larger = grown(piece, many(L_SHAPE), 20.0)
    assert larger.equals(shapely.box(0, 0, 170, 170).intersection(L_SHAPE))
