"""A ball lowered onto surfaces and obstacles: it touches, and nothing is inside it."""

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from planner.ground.clearance import nearest_obstacle
from planner.ground.nearest import nearest_surface
from planner.ground.obstacles import Obstacle
from planner.ground.raycast import ceilings_of
from planner.ground.standoff import resting_on_ground_m, resting_on_obstacles_m
from planner.ground.surface import HeightGrid

LOW = np.array([-np.inf])


def grid_of(heights, spacing_m=1.0):
    z = np.asarray(heights, dtype=np.float64)
    return HeightGrid(z, np.ones(z.shape, bool), 0.0, 0.0, spacing_m)


def rest_m(grid, radius_m, east, north, at_least=None):
    east, north = np.atleast_1d(east), np.atleast_1d(north)
    at_least = np.full(east.shape, -np.inf) if at_least is None else at_least
    return resting_on_ground_m(grid, ceilings_of(grid.heights_m), radius_m, east, north, at_least)


@settings(deadline=None, max_examples=60)
@given(st.integers(0, 2**32 - 1), st.floats(0.3, 25), st.sampled_from([0.5, 1.0, 3.0]))
def test_a_ball_at_rest_is_just_as_far_away_as_its_radius(seed, radius_m, spacing_m):
    rng = np.random.default_rng(seed)
    heights = rng.normal(0, rng.uniform(0.1, 5), (25, 33)) + 20 * (rng.random((25, 33)) > 0.97)
    grid = grid_of(heights, spacing_m)
    east, north = rng.uniform(0, grid.east_m, 12), rng.uniform(grid.south_m, 0, 12)
    points = np.column_stack([east, north, rest_m(grid, radius_m, east, north)])
    assert nearest_surface(grid, points).distance_m == pytest.approx(np.full(12, radius_m), abs=1e-7)


def test_beside_a_wall_it_rests_on_the_edge_and_on_a_slope_on_the_face():
    wall = grid_of(np.where(np.arange(101) >= 70, 60.0, 0.0) * np.ones((101, 1)))
    assert rest_m(wall, 30, [50.0, 38.0, 85.0], np.full(3, -50.0)) == pytest.approx([60 + np.sqrt(500), 30, 90])
    slope = grid_of(np.tile(np.arange(101) * 0.75, (101, 1)))
    assert rest_m(slope, 20, 50.3, -50.6) == pytest.approx([50.3 * 0.75 + 25])


def test_what_is_asked_at_least_holds_where_the_ground_allows_less():
    flat = grid_of(np.zeros((31, 31)))
    assert rest_m(flat, 10, [15.0, 15.0, 200.0], [-15.0, -15.0, -15.0], np.array([12.0, 3.0, 7.0])).tolist() == [
        12,
        10,
        7,
    ]


def on(obstacle, radius_m, east, north):
    return resting_on_obstacles_m([obstacle], radius_m, np.array([east]), np.array([north]), LOW)[0]


def test_over_a_mast_and_beside_it():
    mast = Obstacle("mast", "point", shapely.Point(0, 0), 0, 50, 1.5, 2.0, 0.5)
    # top 50 m and 2 x 2 m of doubt; 1.5 m of radius and 2 x 0.5 m of doubt aside [C]
    assert on(mast, 30, 2.5, 0.0) == pytest.approx(84)
    assert on(mast, 30, 20.5, 0.0) == pytest.approx(54 + 24)
    assert on(mast, 30, 32.6, 0.0) == -np.inf
    assert resting_on_obstacles_m([mast], 30, np.array([]), np.array([]), np.array([])).size == 0


def test_over_a_building_and_a_wire():
    block = Obstacle("block", "area", shapely.box(0, 0, 10, 20), 0, 12)
    assert on(block, 25, 5.0, 5.0) == pytest.approx(37)
    assert on(block, 25, 17.0, 5.0) == pytest.approx(12 + 24)
    level = Obstacle("wire", "wire", shapely.LineString([(0, 0, 30), (100, 0, 30)]), 20, 30, sag_m=10)
    assert on(level, 25, 50.0, 7.0) == pytest.approx(30 + 24)
    assert on(level, 25, 107.0, 0.0) == pytest.approx(30 + 24)
    rising = Obstacle("wire", "wire", shapely.LineString([(0, 0, 0), (100, 0, 75)]), 0, 75)
    assert on(rising, 20, 50.0, 0.0) == pytest.approx(37.5 + 25)


@settings(deadline=None, max_examples=80)
@given(st.integers(0, 2**32 - 1), st.floats(1, 30))
def test_a_ball_at_rest_on_a_wire_touches_it(seed, radius_m):
    rng = np.random.default_rng(seed)
    supports = shapely.LineString(rng.uniform(0, 60, (3, 3)))
    doubts = rng.uniform(0, 2, 3)
    wire = Obstacle("wire", "wire", supports, 0, 60, *doubts, sag_m=rng.uniform(0, 10))
    east, north = rng.uniform(-20, 80, 30), rng.uniform(-20, 80, 30)
    up = resting_on_obstacles_m([wire], radius_m, east, north, np.full(30, -np.inf))
    near = np.isfinite(up)
    points = np.column_stack([east, north, up])
    assert nearest_obstacle([wire], points[near]).distance_m == pytest.approx(np.full(near.sum(), radius_m), abs=1e-5)
    far = np.column_stack([east, north, np.full(30, 30.0)])[~near]
    assert np.all(nearest_obstacle([wire], far).distance_m > radius_m - 1e-6)
