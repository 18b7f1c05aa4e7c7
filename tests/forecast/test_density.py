"""Density figures and their definitions."""

import numpy as np
import pytest
import shapely

from planner.forecast.density import cells_known, edge_rim, judge_density, judging_cell_m
from planner.ground.surface import HeightGrid, cells_on
from planner.mission import Requirement


@pytest.mark.parametrize(
    ("target", "scan_spacing_m", "cell_m"),
    [
        (200.0, 0.06, 1.0),
        (200.0, 0.25, 1.25),  # five scan-line spacings
        (8.0, 0.1, 1.7678),  # 25 returns at 8 per m2: sqrt(25 / 8)
        (0.5, 0.1, 7.0711),
    ],
)
def test_the_judging_cell_is_wide_enough_to_count_in(target, scan_spacing_m, cell_m):
    asked = Requirement(density_per_m2=target)
    assert judging_cell_m(asked, target, scan_spacing_m) == pytest.approx(cell_m, abs=1e-4)
    assert judging_cell_m(Requirement(density_per_m2=target, cell_m=0.5), target, scan_spacing_m) == 0.5


def test_the_percentile_is_a_cell_that_exists():
    density = np.arange(100.0).reshape(10, 10)
    judged = np.ones(density.shape, dtype=bool)
    figures, met = judge_density(density, judged, Requirement(density_per_m2=5.0, percentile=5), 4.0, 1.0)
    assert figures.judged_per_m2 == 4.0
    assert met
    assert (figures.min_per_m2, figures.mean_per_m2) == (0.0, 49.5)
    assert "all passes pooled" in figures.definition
    assert "5th percentile" in figures.definition


def test_unknown_cells_count_as_empty_and_cells_outside_do_not_count():
    density = np.full((10, 10), 50.0)
    density[0, :6] = np.nan
    judged = np.ones(density.shape, dtype=bool)
    figures, met = judge_density(density, judged, Requirement(density_per_m2=40.0, coverage="single"), 40.0, 1.0)
    assert not met
    assert figures.min_per_m2 == 0
    judged[0] = False
    assert judge_density(density, judged, Requirement(density_per_m2=40.0), 40.0, 1.0)[1]


def test_a_cell_is_known_only_when_all_its_corners_are():
    known = np.ones((9, 9), dtype=bool)
    known[4, 4] = False
    grid = HeightGrid(np.zeros((9, 9)), known, 0.0, 8.0, 1.0)
    unknown = ~cells_known(grid, cells_on(grid, 2.0))
    assert np.argwhere(unknown).tolist() == [[1, 1], [1, 2], [2, 1], [2, 2]]


def test_the_rim_is_twenty_metres_wide():
    grid = HeightGrid(np.zeros((121, 121)), np.ones((121, 121), dtype=bool), 0.0, 120.0, 1.0)
    cells = cells_on(grid, 1.0)
    area = shapely.box(10, 10, 110, 110)
    judged = cells.inside(area)
    assert judged.sum() == 100 * 100
    assert edge_rim(area, cells, judged).sum() == 100 * 100 - 60 * 60
    small = shapely.box(10, 10, 40, 110)
    assert edge_rim(small, cells, cells.inside(small)).sum() == 30 * 100
