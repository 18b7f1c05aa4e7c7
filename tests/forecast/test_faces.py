"""Steep faces: the area of the surface in a cell, and returns per square metre of it."""

import itertools

import numpy as np
import pytest
import shapely

from planner.facechoice import FaceChoice
from planner.forecast.faces import FACINGS, judge_faces, surface_area_m2
from planner.ground.surface import HeightGrid, Layers, Wall, cells_on
from planner.requirement import Requirement

SPACING_M = 0.5


def a_grid(height, rows=41, cols=61, spacing_m=SPACING_M):
    east, north = np.meshgrid(spacing_m * np.arange(cols), spacing_m * np.arange(rows)[::-1])
    z = np.asarray(height(east, north) + 0 * east, dtype=np.float64)
    return HeightGrid(z, np.ones(z.shape, dtype=bool), 0.0, (rows - 1) * spacing_m, spacing_m)


def a_plane(slope_deg, facing_deg=90.0):
    """A plane that falls towards a direction, clockwise from north."""
    fall, facing = np.tan(np.radians(slope_deg)), np.radians(facing_deg)
    return a_grid(lambda east, north: -fall * (east * np.sin(facing) + north * np.cos(facing)))


def judge(grid, first=10.0, judged=None, foliage=None, cell_m=1.0, asked=None, choice=None, walls=()):
    cells = cells_on(grid, cell_m)
    first = np.full((cells.rows, cells.cols), first) if np.isscalar(first) else first
    judged = np.ones(first.shape, dtype=bool) if judged is None else judged
    requirement = Requirement(**({"density_per_m2": 20.0} | (asked or {})))
    return judge_faces(first, judged, cells, Layers(grid, grid, foliage), requirement, choice, walls)


@pytest.mark.parametrize("facing_deg", [90, 200, 315, 45])
@pytest.mark.parametrize("slope_deg", [50, 60, 70, 85])
def test_a_tilted_plane_holds_its_plan_density_times_the_cosine(slope_deg, facing_deg):
    figures = judge(a_plane(slope_deg, facing_deg), 40.0)
    cos = np.cos(np.radians(slope_deg))
    assert figures.plan_area_m2 == 20 * 30
    assert figures.face_area_m2 == pytest.approx(600 / cos, rel=1e-9)
    assert figures.mean_per_m2 == pytest.approx(40 * cos, rel=1e-9)
    assert figures.p05_per_m2 == pytest.approx(40 * cos, rel=1e-9)


@pytest.mark.parametrize(("slope_deg", "is_face"), [(0, False), (44.9, False), (45, False), (45.1, True)])
def test_a_face_is_steeper_than_the_limit(slope_deg, is_face):
    figures = judge(a_plane(slope_deg))
    assert (figures is not None) == is_face
    if figures:
        assert figures.limit_deg == FaceChoice().steeper_than_deg == 45
        assert "45 deg" in figures.definition


@pytest.mark.parametrize("scan_deg", [-25.0, 0.0, 25.0])
def test_a_face_seen_from_the_air_against_range_and_incidence(scan_deg):
    """Perpendicular sampling of a face, worked out apart from any plan: one pulse a step along, by R dtheta / cos i.

    The plan density of a plane of slope B falling away from the scanner is that of level ground so far below times
    1 - tan B tan t, t the scan angle, positive down the slope.
    """
    slope, step, along_m, height_m = np.radians(60.0), 1e-4, 0.05, 70.0
    # Down a slope of 60 degrees a beam at more than 30 degrees runs off in parallel: it never meets the plane.
    scan = np.radians(scan_deg)
    plan = np.cos(scan) ** 2 / (height_m * step * along_m) * (1 - np.tan(slope) * np.tan(scan))
    range_m, incidence = height_m / np.cos(scan), slope + scan
    assert judge(a_plane(60.0), plan).mean_per_m2 == pytest.approx(
        np.cos(incidence) / (range_m * step * along_m), rel=1e-9
    )


def test_a_wall_is_a_ramp_one_square_wide():
    """A wall of 20 m by 20 m; its face is 400 m2, and every return on it is known."""
    wall = a_grid(lambda east, north: np.where(east > 15.1, 0.0, 20.0))
    cells = cells_on(wall, SPACING_M)
    first = np.zeros((cells.rows, cells.cols))
    first[:, 30] = 3000 / (cells.rows * cells.cell_m**2)  # 3000 returns, all on the wall's strip
    figures = judge(wall, first, cell_m=SPACING_M)
    assert figures.plan_area_m2 == pytest.approx(20 * SPACING_M)
    assert figures.face_area_m2 == pytest.approx(400, rel=0.001)
    assert figures.mean_per_m2 == pytest.approx(3000 / 400, rel=0.001)
    assert "ramp one raster square wide" in figures.definition
    # In cells twice as wide, half of each is level.
    assert judge(wall, cell_m=1.0).face_area_m2 == pytest.approx(400 + 20 * SPACING_M, rel=0.001)


def test_the_area_is_that_of_the_triangles_every_ray_meets():
    """The triangles as `HeightGrid.at` shows them, measured one by one by the cross product of their sides."""
    rng = np.random.default_rng(5)
    grid = a_grid(lambda east, north: rng.normal(0, 1, east.shape), rows=8, cols=9)
    cells = cells_on(grid, 1.0)
    want = np.zeros((cells.rows, cells.cols))
    for row, col in itertools.product(range(2 * cells.rows), range(2 * cells.cols)):
        east, north = (
            SPACING_M * (col + np.array([0, 1, 1, 0])),
            grid.north_m - SPACING_M * (row + np.array([0, 0, 1, 1])),
        )
        north_west, north_east, south_east, south_west = np.column_stack([east, north, grid.at(east, north)])
        for corner in (north_east, south_west):
            want[row // 2, col // 2] += np.linalg.norm(np.cross(corner - north_west, south_east - north_west)) / 2
    np.testing.assert_allclose(surface_area_m2(grid, cells), want, rtol=1e-12)


def test_only_judged_faces_on_known_terrain_without_crowns_count():
    grid = a_plane(60.0)
    cells = cells_on(grid, 1.0)
    first = np.full((cells.rows, cells.cols), 10.0)
    first[0] = np.nan
    judged = np.ones(first.shape, dtype=bool)
    judged[:, :10] = False
    foliage = np.zeros((40, 60))
    foliage[-1, 30] = 0.8  # one square of crown in the last row
    assert judge(grid, first, judged, foliage).plan_area_m2 == 19 * 20 - 1
    assert judge(grid, first, np.zeros_like(judged)) is None


def test_the_least_sampled_faces_show_in_the_percentile():
    first = np.full((20, 30), 40.0)
    first[:2] = 4.0  # a tenth of the cells
    figures = judge(a_plane(60.0), first)
    assert figures.p05_per_m2 == pytest.approx(2.0)
    assert figures.mean_per_m2 == pytest.approx(0.9 * 20 + 0.1 * 2)


@pytest.mark.parametrize("facing_deg", [0, 45, 90, 135, 180, 225, 270, 315, 20, 350])
def test_faces_nobody_marks_are_told_apart_by_the_way_they_fall(facing_deg):
    (wall,) = judge(a_plane(60.0, facing_deg)).walls
    assert wall.name == FACINGS[round(facing_deg / 45) % 8]
    assert wall.face_area_m2 == pytest.approx(600 / np.cos(np.radians(60)), rel=1e-9)


def test_coverage_is_the_share_of_face_area_that_has_the_density_asked_for_per_m2_of_face():
    """On 60 degrees 40 per m2 of plan are 20 per m2 of face, 30 are 15 (C)."""
    first = np.full((20, 30), 40.0)
    first[:5] = 30.0
    figures = judge(a_plane(60.0), first)
    assert (figures.target_per_m2, figures.least_pct, figures.met) == (20, None, None)
    assert figures.coverage_pct == pytest.approx(75)
    assert judge(a_plane(60.0), first, asked={"face_density_per_m2": 20.01}).coverage_pct == 0
    for percentile, met in ((25, True), (24.9, False)):
        asked = {"face_density_per_m2": 20.0, "face_percentile": percentile}
        figures = judge(a_plane(60.0), first, asked=asked)
        assert (figures.least_pct, figures.met) == (100 - percentile, met)
    assert judge(a_plane(60.0), first, asked={"face_density_per_m2": 15.0, "percentile": 3}).least_pct == 97


def test_coverage_weighs_cells_by_their_face_not_by_their_plan():
    """Two planes side by side, 75 and 50 degrees: secants 3.864 and 1.556, so the steep half is 71.3 % of the face."""
    rise = {75: np.tan(np.radians(75)), 50: np.tan(np.radians(50))}
    grid = a_grid(lambda east, north: -np.where(north < 10, rise[75] * east, rise[50] * east))
    first = np.zeros((20, 30))
    first[10:] = 1000.0
    sheer = np.zeros_like(first, dtype=bool)
    sheer[:9], sheer[11:] = True, True  # the step between the two is a third face
    assert judge(grid, first, judged=sheer).coverage_pct == pytest.approx(100 * 3.864 / (3.864 + 1.556), abs=0.1)


def test_a_marked_wall_is_what_is_steep_within_its_own_reach():
    """Two banks of 60 degrees, 6 m high and 20 m apart; one is marked along its foot."""
    grid = a_grid(
        lambda east, north: np.tan(np.radians(60)) * (np.clip(east - 5, 0, 3.5) + np.clip(east - 25, 0, 3.5)), cols=81
    )
    line = shapely.MultiLineString([[(5.0, 0.0), (5.0, 20.0)]])
    both = judge(grid)
    figures = judge(grid, walls=[Wall("the bank", line, 6.0)])
    assert both.face_area_m2 == pytest.approx(2 * figures.face_area_m2, rel=0.05)
    assert [wall.name for wall in figures.walls] == ["the bank"]
    assert figures.walls[0].face_area_m2 == figures.face_area_m2
    assert "marked wall" in figures.definition
    assert judge(grid, walls=[Wall("elsewhere", shapely.MultiLineString([[(15.0, 0.0), (15.0, 20.0)]]), 1.0)]) is None


def test_the_front_of_a_building_is_a_face_where_the_line_runs_though_its_cells_are_level_on_the_mean():
    """A step of 0.8 m, a square wide in cells of 2 m: 33 degrees at most on the mean, 58 in the square (C)."""
    grid = a_grid(lambda east, north: np.where(east > 15.1, 0.8, 0.0))
    wall = Wall("front", shapely.MultiLineString([[(15.25, 0.0), (15.25, 20.0)]]), 0.8)
    assert judge(grid, cell_m=2.0) is None
    figures = judge(grid, cell_m=2.0, walls=[wall])
    assert figures.plan_area_m2 == 20 * 2
    assert figures.face_area_m2 == pytest.approx(20 * (1.5 + np.hypot(0.5, 0.8)), rel=1e-6)


def test_a_lower_limit_lets_gentler_ground_be_a_face():
    assert judge(a_plane(40.0)) is None
    assert judge(a_plane(40.0), choice=FaceChoice(steeper_than_deg=35)).limit_deg == 35
