"""The triangulated height grid, the judging cells and the link to ellipsoidal heights."""

import numpy as np
import pytest
import shapely

from planner.ground.geodesy import Geoid, site_frame
from planner.ground.surface import HeightGrid, Scene, cells_on


def rough_grid(known=None, spacing_m=2.0):
    heights = np.random.default_rng(5).normal(100.0, 8.0, (7, 9))
    known = np.ones(heights.shape, dtype=bool) if known is None else known
    return HeightGrid(heights, known, west_m=-6.0, north_m=40.0, spacing_m=spacing_m)


def slow_height(grid, east, north):
    """Height by solving the plane of the triangle that holds the point, one point at a time."""
    for row in range(grid.heights_m.shape[0] - 1):
        for col in range(grid.heights_m.shape[1] - 1):
            corners = {
                (r, c): (grid.west_m + c * grid.spacing_m, grid.north_m - r * grid.spacing_m)
                for r in (row, row + 1)
                for c in (col, col + 1)
            }
            for odd in ((row, col + 1), (row + 1, col)):  # diagonal from north-west to south-east
                three = [(row, col), odd, (row + 1, col + 1)]
                if not shapely.intersects_xy(shapely.Polygon([corners[at] for at in three]).buffer(1e-9), east, north):
                    continue
                if not all(grid.known[at] for at in three):
                    return np.nan
                plane = np.linalg.solve([[*corners[at], 1.0] for at in three], [grid.heights_m[at] for at in three])
                return float(plane @ [east, north, 1.0])
    return np.nan


def scattered(count, seed):
    rng = np.random.default_rng(seed)
    return rng.uniform(-7.0, 11.0, count), rng.uniform(27.0, 41.0, count)


def test_height_is_that_of_the_triangle_plane():
    grid = rough_grid()
    east, north = scattered(100, 1)
    slow = [slow_height(grid, e, n) for e, n in zip(east, north, strict=True)]
    assert 30 < np.isfinite(slow).sum() < 100
    np.testing.assert_allclose(grid.at(east, north), slow, atol=1e-9)


def test_height_is_unknown_where_a_corner_of_the_triangle_is():
    known = np.random.default_rng(2).random((7, 9)) > 0.15
    grid = rough_grid(known)
    east, north = scattered(100, 3)
    slow = [slow_height(grid, e, n) for e, n in zip(east, north, strict=True)]
    np.testing.assert_allclose(grid.at(east, north), slow, atol=1e-9)


def test_height_at_vertices_is_the_vertex():
    grid = rough_grid()
    east, north = np.meshgrid(grid.west_m + 2.0 * np.arange(9), grid.north_m - 2.0 * np.arange(7))
    np.testing.assert_allclose(grid.at(east, north), grid.heights_m, atol=1e-9)
    assert (grid.east_m, grid.south_m) == (10.0, 28.0)


def test_the_diagonal_runs_from_north_west_to_south_east():
    heights = np.array([[0.0, 10.0], [10.0, 0.0]])
    grid = HeightGrid(heights, np.ones((2, 2), dtype=bool), west_m=0.0, north_m=1.0, spacing_m=1.0)
    assert grid.at(0.5, 0.5) == pytest.approx(0.0)
    assert grid.at(0.75, 0.75) == pytest.approx(5.0)


@pytest.mark.parametrize(("wanted_m", "factor"), [(0.5, 1), (2.0, 1), (2.01, 2), (4.0, 2), (5.0, 3)])
def test_cells_are_the_least_whole_multiple_of_the_spacing(wanted_m, factor):
    cells = cells_on(rough_grid(), wanted_m)
    assert (cells.factor, cells.cell_m) == (factor, factor * 2.0)
    assert (cells.rows, cells.cols) == (6 // factor, 8 // factor)


def test_cells_count_by_their_centre():
    cells = cells_on(rough_grid(), 2.0)
    east, north = cells.centres_m()
    area = shapely.box(-5.0, 30.5, 1.0, 37.0)
    slow = [[area.contains(shapely.Point(e, n)) for e in east] for n in north]
    np.testing.assert_array_equal(cells.inside(area), slow)
    assert (east[0], north[0]) == (-5.0, 39.0)


def scene(heights, geoid):
    grid, area = rough_grid(), shapely.MultiPolygon([shapely.box(0, 30, 5, 35)])
    return Scene(site_frame(6.0, 50.0), area, area, grid, grid, True, heights, geoid)


def test_separation_of_a_scene():
    geoid = Geoid("level", np.full((4, 4), 47.5), west_deg=5.0, north_deg=51.0, step_deg=0.5)
    assert scene("orthometric", None).separation_m(1.0, 2.0) is None
    np.testing.assert_allclose(scene("orthometric", geoid).separation_m([1.0, 2.0], [3.0, 4.0]), 47.5)
    np.testing.assert_allclose(scene("ellipsoidal", geoid).separation_m([1.0, 2.0], [3.0, 4.0]), 0.0)
