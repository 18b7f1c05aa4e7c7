"""How near a way passes each cell, against every point of the way tried."""

from itertools import pairwise

import numpy as np
import pytest

from planner.ground.surface import CellGrid, HeightGrid
from planner.ground.wayside import highest_m, passing_m

CELLS = CellGrid(rows=7, cols=9, west_m=-10.0, north_m=12.0, factor=2, cell_m=3.0)


def test_distances_are_those_of_a_way_walked_in_small_steps():
    generator = np.random.default_rng(5)
    heights = generator.uniform(0, 20, (CELLS.rows, CELLS.cols))
    way = generator.uniform([-30, -30, 10], [30, 30, 50], (6, 3))
    share = np.linspace(0, 5, 50_001)
    walked = np.column_stack([np.interp(share, np.arange(6), way[:, axis]) for axis in range(3)])
    east, north = (grid.ravel() for grid in np.meshgrid(*CELLS.centres_m()))
    places = np.column_stack([east, north, heights.ravel()])
    slow = np.array([np.linalg.norm(walked - place, axis=1).min() for place in places]).reshape(heights.shape)
    found = passing_m(CELLS, heights, [way], 25.0)
    assert (slow < 25).any()
    assert (slow > 25).any()
    np.testing.assert_allclose(found[slow < 24.99], slow[slow < 24.99], atol=1e-3)
    assert np.isinf(found[slow > 25.01]).all()


def test_straight_below_a_level_line_the_distance_is_the_height_and_beside_it_the_hypotenuse():
    # C: Pythagoras
    heights = np.full((CELLS.rows, CELLS.cols), 2.0)
    east, _ = CELLS.centres_m()
    found = passing_m(CELLS, heights, [np.array([[east[4], -100.0, 32.0], [east[4], 100.0, 32.0]])], 500.0)
    assert found[:, 4] == pytest.approx(np.full(CELLS.rows, 30.0))
    assert found[:, 6] == pytest.approx(np.full(CELLS.rows, np.hypot(30.0, 6.0)))


def test_unknown_heights_tell_nothing_and_no_way_passes_nowhere():
    heights = np.zeros((CELLS.rows, CELLS.cols))
    heights[2, 3] = np.nan
    found = passing_m(CELLS, heights, [], 100.0)
    assert np.isnan(found[2, 3])
    assert np.isinf(np.delete(found.ravel(), 2 * CELLS.cols + 3)).all()


def test_the_highest_vertex_of_a_cell_counts_on_its_edges_too():
    heights = np.zeros((15, 19))
    heights[4, 6] = 9.0  # where four cells meet
    known = np.ones(heights.shape, dtype=bool)
    known[14, 18] = False
    found = highest_m(HeightGrid(heights, known, -10.0, 12.0, 1.5), CELLS)
    assert found.shape == (CELLS.rows, CELLS.cols)
    assert (found == 9).sum() == 4
    assert (found[1:3, 2:4] == 9).all()


@pytest.mark.parametrize("reach_m", [12.0, 60.0])
def test_many_blocks_of_cells_agree_with_every_segment_tried(reach_m):
    cells = CellGrid(rows=37, cols=50, west_m=-60.0, north_m=50.0, factor=2, cell_m=2.5)
    generator = np.random.default_rng(7)
    heights = generator.uniform(0, 15, (cells.rows, cells.cols))
    heights[generator.random(heights.shape) < 0.1] = np.nan
    ways = [generator.uniform([-80, -60, 5], [80, 60, 40], (8, 3)) for _ in range(3)]
    east, north = np.meshgrid(*cells.centres_m())
    places = np.dstack([east, north, heights])
    slow = np.full(heights.shape, np.inf)
    for way in ways:
        for start, end in pairwise(way):
            share = np.clip(((places - start) @ (end - start)) / ((end - start) @ (end - start)), 0, 1)
            slow = np.fmin(slow, np.linalg.norm(places - start - share[..., np.newaxis] * (end - start), axis=2))
    known = ~np.isnan(heights)
    found = passing_m(cells, heights, ways, reach_m)
    assert np.isnan(found[~known]).all()
    assert (slow[known] < reach_m).any()
    np.testing.assert_allclose(found[known], np.where(slow < reach_m, slow, np.inf)[known])
