"""Density figures and their definitions."""

import re
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
import shapely

from planner.forecast.density import (
    cells_known,
    density_per_m2,
    edge_rim,
    judge_density,
    judging_cell_m,
    means_within,
)
from planner.forecast.gaps import outline_gaps
from planner.ground.geodesy import site_frame
from planner.ground.surface import HeightGrid, Scene, cells_on
from planner.requirement import Requirement


def flat(top_m=0.0):
    return HeightGrid(np.full((9, 9), top_m), np.ones((9, 9), dtype=bool), 0.0, 8.0, 1.0)


def a_scene(**changes):
    ground = flat()
    area = shapely.MultiPolygon([shapely.box(0, 0, 8, 8)])
    return replace(Scene(site_frame(6.0, 50.0), area, area, ground, ground, True, "orthometric", None), **changes)


def judge(density, requirement, *, ground=None, judged=None, scene=None):
    judged = np.ones(density.shape, dtype=bool) if judged is None else judged
    return judge_density(density, density if ground is None else ground, judged, requirement, scene or a_scene(), 1.0)


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
    figures, met = judge(np.arange(100.0).reshape(10, 10), Requirement(density_per_m2=4.0, percentile=5))
    assert figures.judged_per_m2 == figures.p05_per_m2 == 4.0
    assert met
    assert (figures.min_per_m2, figures.mean_per_m2) == (0.0, 49.5)
    assert "all passes pooled" in figures.definition
    assert "5th percentile" in figures.definition


def test_unknown_cells_count_as_empty_and_cells_outside_do_not_count():
    density = np.full((10, 10), 50.0)
    density[0, :6] = np.nan
    judged = np.ones(density.shape, dtype=bool)
    figures, met = judge(density, Requirement(density_per_m2=40.0, coverage="single"), judged=judged)
    assert not met
    assert figures.min_per_m2 == figures.ground_min_per_m2 == 0
    judged[0] = False
    assert judge(density, Requirement(density_per_m2=40.0), judged=judged)[1]


def test_the_verdict_is_on_the_returns_asked_for_and_the_figures_are_of_both():
    first, ground = np.full((10, 10), 80.0), np.full((10, 10), 20.0)
    ground[:, 0] = 8.0
    on_first, met = judge(first, Requirement(density_per_m2=50.0), ground=ground)
    assert met
    on_ground, met_on_ground = judge(first, Requirement(density_per_m2=50.0, returns="ground"), ground=ground)
    assert not met_on_ground
    assert on_first.definition.startswith("first returns")
    assert on_ground.definition.startswith("ground returns")
    assert (on_first.judged_per_m2, on_first.mean_per_m2, on_first.min_per_m2) == (80, 80, 80)
    assert (on_ground.judged_per_m2, on_ground.mean_per_m2, on_ground.min_per_m2) == (8, pytest.approx(18.8), 8)
    for figures in (on_first, on_ground):
        assert (figures.first_mean_per_m2, figures.first_p05_per_m2, figures.first_min_per_m2) == (80, 80, 80)
        both = (figures.ground_mean_per_m2, figures.ground_p05_per_m2, figures.ground_min_per_m2)
        assert both == (pytest.approx(18.8), 8, 8)


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({}, "no top surface was declared: nothing is known to stand on the ground, so ground returns equal first"),
        ({"ground_is_bare": False}, "no bare-earth raster was declared: .* so ground returns equal first returns"),
        ({"top": flat(5.0)}, "whatever stands on the ground is taken for opaque"),
        ({"top": flat(5.0), "foliage": np.ones((8, 8))}, "expected numbers: .* chance to pass"),
    ],
)
def test_what_a_ground_return_is_depends_on_what_is_known(changes, said):
    figures, _ = judge(np.ones((4, 4)), Requirement(density_per_m2=1.0), scene=a_scene(**changes))
    assert re.search(said, figures.ground_definition)


@pytest.mark.parametrize(
    ("coverage", "returns", "each"),
    [("aggregate", "first", 30), ("single", "first", 18), ("aggregate", "ground", 7.5), ("single", "ground", 4.5)],
)
def test_each_coverage_and_kind_has_its_own_count(coverage, returns, each):
    shape = (4, 4)
    tally = SimpleNamespace(
        first=np.full(shape, 30.0),
        most_first=np.full(shape, 18.0),
        ground=np.full(shape, 7.5),
        most_ground=np.full(shape, 4.5),
    )
    known = np.ones(shape, dtype=bool)
    known[1, 2] = False
    density = density_per_m2(tally, cells_on(flat(), 2.0), known, coverage, returns)
    assert np.isnan(density[1, 2])
    assert (density[known] == each / 4).all()


def test_the_mean_within_a_gap_is_the_mean_of_its_cells():
    """Two ways to one number: the patches as they were found, and their outlines laid back over the cells."""
    rng = np.random.default_rng(11)
    grid = HeightGrid(np.zeros((41, 61)), np.ones((41, 61), dtype=bool), -7.0, 33.0, 1.0)
    cells = cells_on(grid, 1.0)
    codes = rng.integers(0, 4, (cells.rows, cells.cols)).astype(np.uint8)
    density = rng.gamma(2, 5, codes.shape)
    density[3:5, 3:9] = np.nan
    gaps = outline_gaps(codes, density, cells)
    assert len(gaps) > 100
    means = means_within(density, [gap.polygon for gap in gaps], cells)
    np.testing.assert_allclose(means, [gap.mean_density_per_m2 for gap in gaps], rtol=1e-12)
    assert np.isnan(means_within(density, [shapely.box(900, 900, 901, 901)], cells)).all()
    assert means_within(density, [], cells).shape == (0,)


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
