import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from planner.flight.profile import Floor, flight_floor_m, highest_nearby, lowest_profile_m
from planner.ground.clearance import nearest_obstacle
from planner.ground.nearest import nearest_surface
from planner.ground.obstacles import Obstacle
from planner.ground.surface import HeightGrid

floors = hnp.arrays(np.float64, st.integers(2, 25), elements=st.floats(-50, 300))
slopes = st.floats(0.01, 3)


def grid_of(heights, spacing_m=1.0, known=None):
    heights = np.asarray(heights, dtype=np.float64)
    return HeightGrid(heights, np.ones(heights.shape, bool) if known is None else known, 0.0, 0.0, spacing_m)


def floor_of(ground, agl_m, clearance_m, top=None):
    nearby = highest_nearby(ground, clearance_m, known_only=True)
    return Floor(ground, nearby, highest_nearby(top or ground, clearance_m), agl_m, clearance_m)


@given(floors, slopes, slopes)
def test_profile_keeps_floor_and_limits(floor, climb, descent):
    along = np.cumsum(np.linspace(1, 7, floor.size))
    profile = lowest_profile_m(along, floor, climb, descent)
    slope = np.diff(profile) / np.diff(along)
    assert np.all(profile >= floor)
    assert np.all(slope <= climb + 1e-6)
    assert np.all(slope >= -descent - 1e-6)


@given(floors, slopes, slopes)
def test_no_feasible_profile_is_lower_anywhere(floor, climb, descent):
    # Any feasible profile is at or above each of these, floor point by floor point.
    along = np.cumsum(np.linspace(1, 7, floor.size))
    ahead = along[np.newaxis, :] - along[:, np.newaxis]
    needed = floor[np.newaxis, :] - np.where(ahead > 0, climb * ahead, -descent * ahead)
    assert np.allclose(lowest_profile_m(along, floor, climb, descent), needed.max(axis=1), atol=1e-9)


def test_one_peak_is_a_tent_that_looks_both_ways():
    along = np.arange(0, 101, 10.0)
    floor = np.where(along == 50, 80.0, 50.0)
    profile = lowest_profile_m(along, floor, climb_slope=0.5, descent_slope=1.0)
    assert profile.tolist() == [55, 60, 65, 70, 75, 80, 70, 60, 50, 50, 50]


@given(st.integers(0, 2**32 - 1), st.floats(3, 40), st.sampled_from([1.0, 2.5]))
def test_highest_nearby_never_misses(seed, radius_m, spacing_m):
    rng = np.random.default_rng(seed)
    grid = grid_of(rng.normal(0, 20, (30, 40)), spacing_m)
    nearby = highest_nearby(grid, radius_m)
    east, north = rng.uniform(0, 39 * spacing_m, 20), rng.uniform(-29 * spacing_m, 0, 20)
    rows, cols = np.mgrid[0:30, 0:40]
    for e, n, found in zip(east, north, nearby.at(east, north), strict=True):
        distance = np.hypot(cols * spacing_m - e, -rows * spacing_m - n)
        assert found >= grid.heights_m[distance <= radius_m].max(initial=-np.inf)
        assert found <= grid.heights_m[distance <= radius_m + 3 * nearby.block_m + 3 * spacing_m].max(initial=-np.inf)


def test_a_wall_beside_the_track_lifts_it_no_higher_than_its_distance_asks():
    ground = np.zeros((101, 101))
    ground[:, 70:] = 60.0
    floor = floor_of(grid_of(ground), agl_m=50, clearance_m=30)
    # 30 m from an edge 20 m aside is sqrt(30^2 - 20^2) above it; over the top it is 30 m [C]
    assert floor.at(50.0, -50.0) == pytest.approx(60 + np.sqrt(500))
    assert floor.at(80.0, -50.0) == pytest.approx(110)
    assert floor.at(20.0, -50.0) == pytest.approx(50)
    assert floor.at([[20.0], [50.0]], -50.0).shape == (2, 1)


def test_a_slope_takes_the_distance_along_its_normal():
    # A plane of slope s keeps its distance c at c sqrt(1 + s^2) straight above [C].
    ground = np.tile(np.arange(101) * 0.75, (101, 1))
    floor = floor_of(grid_of(ground), agl_m=5, clearance_m=20)
    assert floor.at(50.3, -50.6) == pytest.approx(50.3 * 0.75 + 20 * 1.25)


@settings(deadline=None)
@given(st.integers(0, 2**32 - 1), st.floats(2, 15), st.floats(0.5, 15))
def test_the_floor_is_just_far_enough_from_all_that_is_near(seed, clearance_m, agl_m):
    rng = np.random.default_rng(seed)
    grid = grid_of(rng.normal(0, 4, (30, 40)) + 25 * (rng.random((30, 40)) > 0.97))
    mast = Obstacle("mast", "point", shapely.Point(20, -15), 0, 40, 1.0, 0.5, 1.0)
    floor = Floor(grid, highest_nearby(grid, 2), highest_nearby(grid, 15), agl_m, clearance_m, (mast,))
    east, north = rng.uniform(1, 38, 20), rng.uniform(-28, -1, 20)
    points = np.column_stack([east, north, floor.at(east, north)])
    surface = nearest_surface(grid, points).distance_m
    nearest = np.minimum(surface, nearest_obstacle([mast], points).distance_m)
    assert np.all(nearest >= clearance_m - 1e-6)
    held_by_agl = np.isclose(points[:, 2] - grid.at(east, north), agl_m)
    # a ball that touches the rim of the flat top of the mast counts as touching
    assert np.all(held_by_agl | (nearest <= clearance_m + 1e-6))


def test_a_clearance_wider_than_what_was_looked_at_is_refused():
    grid = grid_of(np.zeros((11, 11)))
    with pytest.raises(ValueError, match="reaches 10 m round, clearance_m is 20"):
        Floor(grid, highest_nearby(grid, 10), highest_nearby(grid, 10), 50, 20)


def test_unknown_ground_takes_the_highest_known_nearby():
    ground = np.zeros((101, 101))
    ground[:, 40:45] = 12.0
    known = np.ones(ground.shape, bool)
    known[:, 45:60] = False
    grid = grid_of(np.where(known, ground, -999.0), known=known)
    floor = floor_of(grid, agl_m=50, clearance_m=20)
    assert floor.at(50.0, -50.0) == pytest.approx(62)
    assert floor.at(1000.0, -50.0) == pytest.approx(50)


def test_chords_between_vertices_clear_a_ridge_narrower_than_them():
    ground = np.zeros((11, 101))
    ground[:, 52] = 6.0
    floor = floor_of(grid_of(ground), agl_m=40, clearance_m=2)
    along = np.arange(0, 101, 5.0)
    heights = flight_floor_m(floor, along, along, np.full(along.shape, -5.0))
    fine = np.linspace(0, 100, 2001)
    assert np.all(np.interp(fine, along, heights) >= floor.at(fine, np.full(fine.shape, -5.0)) - 1e-9)


def test_a_plane_needs_no_lift():
    ground = np.tile(np.arange(101) * 0.5, (11, 1))
    floor = floor_of(grid_of(ground), agl_m=40, clearance_m=2)
    along = np.arange(0, 101, 5.0)
    assert np.allclose(flight_floor_m(floor, along, along, np.full(along.shape, -5.0)), 40 + 0.5 * along)


def test_a_cliff_lifts_only_its_foot():
    ground = np.zeros((11, 101))
    ground[:, 53:] = -90.0
    floor = floor_of(grid_of(ground), agl_m=40, clearance_m=2)
    along = np.arange(0, 101, 5.0)
    heights = flight_floor_m(floor, along, along, np.full(along.shape, -5.0))
    fine = np.linspace(0, 100, 2001)
    assert heights.max() == pytest.approx(40)
    assert np.all(np.interp(fine, along, heights) >= floor.at(fine, np.full(fine.shape, -5.0)) - 1e-9)
