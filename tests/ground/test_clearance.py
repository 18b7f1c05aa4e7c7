"""Distances in space, against every triangle and by hand."""

import numpy as np
import pytest
import shapely
from hypothesis import example, given, settings
from hypothesis import strategies as st

from planner.ground.clearance import (
    crossed_m,
    heights_above_m,
    nearest_keep_out,
    nearest_obstacle,
    nearest_of_scene,
    stations,
    upper_surface,
)
from planner.ground.geodesy import site_frame
from planner.ground.nearest import nearest_surface
from planner.ground.obstacles import KeepOut, Obstacle, Sensitive
from planner.ground.surface import HeightGrid, Scene

seeds = st.integers(0, 2**32 - 1)


def distances_m(obstacle, points):
    return nearest_obstacle([obstacle], points).distance_m


def grid_of(heights, spacing_m=1.0, west_m=0.0, north_m=0.0):
    z = np.asarray(heights, dtype=np.float64)
    return HeightGrid(z, np.ones(z.shape, bool), west_m, north_m, spacing_m)


def triangles_of(grid):
    """Return the triangles of a grid, shape (n, 3, 3), built without our kernels."""
    rows, cols = grid.heights_m.shape
    east = grid.west_m + np.arange(cols) * grid.spacing_m
    north = grid.north_m - np.arange(rows) * grid.spacing_m
    corner = np.dstack([*np.meshgrid(east, north), grid.heights_m])
    nw, ne, sw, se = (corner[a : rows - 1 + a, b : cols - 1 + b].reshape(-1, 3) for a in (0, 1) for b in (0, 1))
    return np.concatenate([np.stack([nw, ne, se], axis=1), np.stack([nw, sw, se], axis=1)])


def slow_distance(triangles, point):
    """Return the least distance to any triangle: foot on its plane where that is inside, else nearest edge point."""
    a, b, c = (triangles[:, k] - point for k in range(3))
    normal = np.cross(b - a, c - a)
    foot = normal * ((a * normal).sum(1) / (normal * normal).sum(1))[:, np.newaxis]
    sides = [(np.cross(q - p, foot - p) * normal).sum(1) >= 0 for p, q in ((a, b), (b, c), (c, a))]
    distances = [np.where(np.all(sides, axis=0), np.linalg.norm(foot, axis=1), np.inf)]
    for p, q in ((a, b), (b, c), (c, a)):
        u = q - p
        share = np.clip(-(p * u).sum(1) / (u * u).sum(1), 0, 1)
        distances.append(np.linalg.norm(p + share[:, np.newaxis] * u, axis=1))
    return min(found.min() for found in distances)


@settings(deadline=None, max_examples=60)
@given(seeds, st.sampled_from([0.5, 1.0, 3.0]), st.floats(0.01, 60))
@example(1, 1.0, 0.01)
def test_nearest_of_all_triangles(seed, spacing_m, above_m):
    rng = np.random.default_rng(seed)
    heights = rng.normal(0, rng.uniform(0.1, 6), (22, 37)) + 30 * (rng.random((22, 37)) > 0.98)
    grid = grid_of(heights, spacing_m, west_m=-7.0, north_m=11.0)
    east = rng.uniform(grid.west_m, grid.east_m, 8)
    north = rng.uniform(grid.south_m, grid.north_m, 8)
    points = np.column_stack([east, north, grid.at(east, north) + above_m])
    found = nearest_surface(grid, points)
    expected = [slow_distance(triangles_of(grid), point) for point in points]
    assert found.distance_m == pytest.approx(expected, abs=1e-9)
    assert np.linalg.norm(points - found.place_m, axis=1) == pytest.approx(expected, abs=1e-9)
    assert grid.at(*np.clip(found.place_m[:, :2], [grid.west_m, grid.south_m], [grid.east_m, grid.north_m]).T) == (
        pytest.approx(found.place_m[:, 2], abs=1e-6 * spacing_m * np.ptp(heights) + 1e-9)
    )


def test_a_pit_wall_is_nearer_than_the_ground_beneath():
    # Floor at 0 m, wall up to 60 m between east 100 and 101: 62 m over the floor, 21 m beside the top edge [C].
    heights = np.zeros((201, 201))
    heights[:, 101:] = 60.0
    grid = grid_of(heights, north_m=100.0)
    found = nearest_surface(grid, np.array([[80.0, 0.0, 62.0], [80.0, 0.0, 30.0], [60.0, 0.0, 20.0]]))
    slant = 60 / np.hypot(1, 60)  # the wall leans one metre
    assert found.distance_m == pytest.approx([np.hypot(21, 2), slant * (20 + 30 / 60), 20])
    assert found.place_m[0] == pytest.approx([101, 0, 60])


def test_a_plane_is_as_near_as_its_normal():
    # Distance to a plane of slope s from h above it: h / sqrt(1 + s^2) [C].
    grid = grid_of(np.tile(np.arange(201) * 0.75, (201, 1)))
    found = nearest_surface(grid, np.array([[100.3, -100.7, 100.3 * 0.75 + 40]]))
    assert found.distance_m == pytest.approx([40 / 1.25])
    assert found.names == ("ground",)


def test_under_the_ground_is_at_no_distance_and_beside_the_lattice_unknown():
    grid = grid_of(np.full((11, 11), 5.0))
    found = nearest_surface(grid, np.array([[5.0, -5.0, 5.0], [5.0, -5.0, -3.0], [10.1, -5.0, 9.0], [10.0, -10.0, 9]]))
    assert found.distance_m == pytest.approx([0, 0, np.nan, 4], nan_ok=True)


@pytest.mark.parametrize("threads", [1, 3])
def test_the_answer_does_not_depend_on_threads(threads):
    rng = np.random.default_rng(5)
    grid = grid_of(rng.normal(0, 3, (60, 60)))
    points = np.column_stack([rng.uniform(0, 59, 9000), rng.uniform(-59, 0, 9000), rng.uniform(0, 40, 9000)])
    once = nearest_surface(grid, points, threads=2)
    again = nearest_surface(grid, points, threads=threads)
    assert np.array_equal(once.distance_m, again.distance_m)
    assert np.array_equal(once.place_m, again.place_m)


def test_stations_keep_the_points_of_the_path():
    path = np.array([[0.0, 0, 10], [3, 0, 10], [3, 0, 10.5], [3, 0, 13]])
    places, segment = stations(path, 1.0)
    assert segment.tolist() == [0, 0, 0, 1, 2, 2, 2, 2]
    assert places[[0, 3, 4, 7]] == pytest.approx(path)
    assert np.linalg.norm(np.diff(places, axis=0), axis=1).max() <= 1.0
    one, numbers = stations(path[:1])
    assert (one.tolist(), numbers.tolist()) == ([[0, 0, 10]], [0])


@settings(deadline=None, max_examples=40)
@given(seeds, st.floats(2, 30), st.floats(0.2, 3))
def test_between_stations_nothing_is_much_nearer(seed, above_m, step_m):
    rng = np.random.default_rng(seed)
    grid = grid_of(rng.normal(0, 1, (40, 40)) + 15 * (rng.random((40, 40)) > 0.99))
    ends = np.column_stack([rng.uniform(0, 39, 2), rng.uniform(-39, 0, 2), [18 + above_m, 18 + above_m]])
    coarse, fine = (nearest_surface(grid, stations(ends, step)[0]).distance_m.min() for step in (step_m, step_m / 64))
    assert fine >= np.sqrt(coarse**2 - step_m**2 / 4) - 1e-9


def test_heights_above_ground_leg_by_leg():
    grid = grid_of(np.tile(np.arange(11.0), (11, 1)))
    places = np.array([[0.0, -5, 30], [5, -5, 30], [10, -5, 30], [2, -5, 20], [20, -5, 20]])
    found = heights_above_m(grid, places, np.array([0, 0, 0, 1, 2]), 3)
    assert found == pytest.approx(np.array([[20, 25, 30], [18, 18, 18], [np.nan] * 3]), nan_ok=True)


def mast(**given):
    return Obstacle("mast", "point", shapely.Point(0, 0), 0.0, 50.0, **given)


@pytest.mark.parametrize(
    ("point", "distance_m"),
    [((30, 0, 20), 30), ((0, 0, 75), 25), ((3, 4, 10), 5), ((30, 0, 90), 50), ((0, 0, 10), 0), ((0, 0, -8), 8)],
)
def test_a_mast_is_an_upright_line(point, distance_m):
    assert distances_m(mast(), np.array([point], float)) == pytest.approx([distance_m])


def test_doubt_grows_a_mast_by_two_standard_deviations():
    wide = mast(radius_m=1.5, vertical_sd_m=2.0, horizontal_sd_m=0.5)
    points = np.array([[32.5, 0, 20], [0, 0, 79], [2.5, 0, 40], [32.5, 0, 94]], float)
    # 1.5 m of radius and 2 x 0.5 m aside, 2 x 2 m above [C]
    assert distances_m(wide, points) == pytest.approx([30, 25, 0, 50])


def test_a_building_is_a_prism():
    block = Obstacle("block", "area", shapely.box(0, 0, 10, 20), 100.0, 112.0)
    points = np.array([[5, 5, 130], [5, 5, 105], [14, 23, 110], [14, 23, 124]], float)
    assert distances_m(block, points) == pytest.approx([18, 0, 5, 13])


def wire(sag_m=0.0, **given):
    spans = shapely.LineString([(0, 0, 30), (100, 0, 30), (100, 100, 50)])
    return Obstacle("wire", "wire", spans, 30.0 - sag_m, 50.0, sag_m=sag_m, **given)


def test_a_wire_is_a_band_as_deep_as_its_sag():
    points = np.array([[50, 0, 40], [50, 0, 26], [50, 0, 18], [50, 3, 34], [-3, 4, 30], [100, 50, 60]], float)
    assert distances_m(wire(), points)[:5] == pytest.approx([10, 4, 12, 5, 5])
    sagging = distances_m(wire(5.0), points)
    assert sagging[:5] == pytest.approx([10, 0, 7, 5, 5], abs=1e-6)
    # over the span that rises 20 m in 100 m, 20 m above it straight up [C]
    assert sagging[5] == pytest.approx(20 / np.hypot(1, 0.2))
    doubtful = distances_m(wire(5.0, vertical_sd_m=1.0, horizontal_sd_m=1.5), points)
    assert doubtful[:4] == pytest.approx([8, 0, 5, 2], abs=1e-6)


@settings(deadline=None, max_examples=60)
@given(seeds)
def test_a_wire_is_as_near_as_the_nearest_of_many_points_on_its_band(seed):
    rng = np.random.default_rng(seed)
    supports = rng.uniform(0, 60, (3, 3))
    sag_m = rng.uniform(0, 10)
    hanging = Obstacle("wire", "wire", shapely.LineString(supports), 0, 60, sag_m=sag_m)
    point = rng.uniform(-20, 80, (1, 3))
    share = np.linspace(0, 1, 2001)[:, np.newaxis, np.newaxis]
    spans = supports[:-1] + share * np.diff(supports, axis=0)
    low = spans[..., 2] - sag_m
    off = np.clip(point[0, 2], low, spans[..., 2]) - point[0, 2]
    expected = np.sqrt(((spans[..., :2] - point[0, :2]) ** 2).sum(-1) + off**2).min()
    found = distances_m(hanging, point)[0]
    assert expected - 0.06 <= found <= expected + 1e-6  # points of the band are up to 5 cm apart


def test_the_nearest_of_several_is_named():
    found = nearest_obstacle([mast(), wire()], np.array([[0, 2, 10], [50, 1, 31]], float))
    assert [found.names[k] for k in found.which] == ["mast", "wire"]
    none = nearest_obstacle([], np.zeros((2, 3)))
    assert (none.distance_m.tolist(), none.which.tolist()) == ([np.inf, np.inf], [-1, -1])


@settings(deadline=None, max_examples=40)
@given(seeds)
def test_boxes_round_prisms_pass_over_none_that_is_nearer(seed):
    rng = np.random.default_rng(seed)
    shapes = [shapely.Point(*rng.uniform(0, 100, 2)).buffer(rng.uniform(1, 30), quad_segs=1) for _ in range(6)]
    tops = rng.uniform(0, 40, 6)
    blocks = [Obstacle(str(k), "area", shapes[k], -5, tops[k], radius_m=k) for k in range(6)]
    points = rng.uniform(-20, 120, (50, 3))
    flat = np.array([[shape.distance(shapely.Point(point)) for shape in shapes] for point in points])
    off = np.maximum(np.maximum(points[:, 2:] - tops, -5 - points[:, 2:]), 0)
    expected = np.hypot(np.maximum(flat - np.arange(6), 0), off)
    found = nearest_obstacle(blocks, points)
    assert found.distance_m == pytest.approx(expected.min(axis=1))
    assert np.take_along_axis(expected, found.which[:, np.newaxis], 1)[:, 0] == pytest.approx(found.distance_m)


def test_a_keep_out_area_holds_between_its_heights():
    open_ended = KeepOut("school", shapely.box(0, 0, 10, 10))
    slab = KeepOut("gliders", shapely.box(0, 0, 10, 10), floor_m=100.0, top_m=200.0)
    points = np.array([[5, 5, 50], [13, 14, 90], [13, 14, 150]], float)
    assert nearest_keep_out([open_ended], points).distance_m == pytest.approx([0, 5, 5])
    assert nearest_keep_out([slab], points).distance_m == pytest.approx([50, np.sqrt(125), 5])


def test_metres_over_a_sensitive_area_count_each_crossing():
    meadow = Sensitive("nests", shapely.box(0, 0, 10, 10))
    there_and_back = np.array([[-5.0, 5, 60], [20, 5, 60], [-5, 5, 60]])
    assert crossed_m([meadow, Sensitive("far", shapely.box(50, 50, 60, 60))], there_and_back) == pytest.approx([20, 0])


def scene_of(ground, top, obstacles=(), frame_doubt_m=0.0):
    area = shapely.MultiPolygon([shapely.box(1, -9, 9, -1)])
    return Scene(
        site_frame(0, 0), area, area, ground, top, True, "orthometric", None,
        obstacles=obstacles, frame_doubt_m=frame_doubt_m,
    )  # fmt: skip


def test_terrain_doubt_and_datum_doubt_come_off_the_distance_to_terrain():
    ground = grid_of(np.zeros((11, 11)))
    roof = grid_of(np.where(np.arange(11) > 7, 10.0, 0.0) * np.ones((11, 1)))
    points = np.array([[5.0, -5, 8], [9, -5, 30], [5, -5, 0.2], [15, -5, 30]])
    plain = nearest_of_scene(scene_of(ground, roof), points, 0.0)
    assert [plain.names[k] for k in plain.which[:2]] == ["the top surface", "the top surface"]
    assert plain.distance_m == pytest.approx([28 / np.hypot(1, 10), 20, 0.2, np.nan], nan_ok=True)
    # 0.3 m up and 0.4 m aside may add to 0.5 m [C]
    doubtful = nearest_of_scene(scene_of(ground, roof, frame_doubt_m=0.4), points, 0.3)
    assert doubtful.distance_m[:2] == pytest.approx(plain.distance_m[:2] - 0.5)
    assert doubtful.distance_m[2] == 0
    [beside, *_] = nearest_of_scene(scene_of(ground, ground, (mast(),)), np.array([[3.0, -4, 20]]), 0.3).distance_m
    assert beside == pytest.approx(5)


def test_the_upper_surface_is_the_higher_of_both():
    ground, top = grid_of([[0.0, 1], [2, 3]]), grid_of([[5.0, 0], [2, 9]])
    assert upper_surface(scene_of(ground, top)).heights_m.tolist() == [[5, 1], [2, 9]]
    assert upper_surface(scene_of(ground, ground)) is ground
