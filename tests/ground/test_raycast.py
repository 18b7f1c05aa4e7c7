"""The walk of rays over blocks and squares, held to every triangle tried in turn, to Embree and to its own laws."""

import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from planner.ground.raycast import BLOCK_SQUARES, ceilings_of, first_hit, first_hit_under

sys.path.insert(0, str(Path(__file__).parents[1] / "ranging"))
from surfaces import embree_ranges, grid_of, plane, rough, slow_range, triangles_of


def towers(size=27, seed=3):
    """Return noise with towers on it: walls of 30 m within one square, some on the edges of blocks."""
    rng = np.random.default_rng(seed)
    z = rng.normal(0.0, 1.0, (size, size + 6))
    z[6:9, 7:9] += 30.0
    z[15:17, 15:26] += 30.0
    z[24:, :3] += 30.0
    return grid_of(z, 1.5)


def rays_around(grid, count, seed=0):
    """Return rays from above the ground, on and off the grid, in every direction."""
    rng = np.random.default_rng(seed)
    rows, cols = grid.heights_m.shape
    half = np.array([cols - 1, rows - 1]) / 2 * grid.spacing_m
    height = rng.uniform(grid.heights_m.max() - 20, grid.heights_m.max() + 20, count)
    origins = np.column_stack([rng.uniform(-1.3, 1.3, (count, 2)) * half, height])
    directions = rng.normal(size=(count, 3))
    return origins, directions / np.linalg.norm(directions, axis=1, keepdims=True)


def heights_along(grid, origin, direction, ranges):
    """Return how far points of a ray lie above the ground [m], nan off the grid."""
    points = origin + ranges[:, None] * direction
    return points[:, 2] - grid.at(points[:, 0], points[:, 1])


@pytest.mark.parametrize("grid", [towers(), rough(size=41, relief_m=15.0), plane(20, 0.4, -0.7, 3.0)])
def test_ranges_are_those_of_every_triangle_tried_in_turn(grid):
    origins, directions = rays_around(grid, 1500)
    over = origins[:, 2] - grid.at(origins[:, 0], origins[:, 1])
    free = ~(over < 0)
    triangles = triangles_of(grid)
    ours = first_hit(grid, origins, directions)
    assert (ours[~free] == 0).all()
    slow = np.array([slow_range(triangles, o, d) for o, d in zip(origins[free], directions[free], strict=True)])
    # Rays from beside the grid below its rim meet its side, which is no triangle.
    side = (ours[free] > 0) & np.isnan(over[free])
    side[side] = ~np.isclose(
        [
            heights_along(grid, o, d, np.array([r]))[0]
            for o, d, r in zip(origins[free][side], directions[free][side], ours[free][side], strict=True)
        ],
        0.0,
        atol=1e-7,
    )
    assert side.sum() < 0.2 * len(slow)
    assert np.isfinite(slow).sum() > 100
    assert ours[free][~side] == pytest.approx(slow[~side], abs=1e-8, nan_ok=True)


def test_rays_agree_with_embree():
    grid = rough(size=301)
    rng = np.random.default_rng(4)
    origins = np.column_stack([rng.uniform(-149, 149, (30_000, 2)), np.full(30_000, grid.heights_m.max() + 5)])
    off, turn = np.radians(rng.uniform(0, 85, 30_000)), rng.uniform(0, 2 * np.pi, 30_000)
    directions = np.column_stack([np.sin(off) * np.cos(turn), np.sin(off) * np.sin(turn), -np.cos(off)])
    ours, theirs = first_hit(grid, origins, directions), embree_ranges(grid, origins, directions)
    both = np.isfinite(ours) & np.isfinite(theirs)
    assert both.sum() > 15_000
    assert np.median(np.abs(ours - theirs)[both]) < 1e-3
    doubtful = np.flatnonzero((np.isfinite(ours) != np.isfinite(theirs)) | (both & (np.abs(ours - theirs) > 0.05)))
    assert len(doubtful) < 30
    triangles = triangles_of(grid)
    for i in doubtful:  # float32 at an edge: every triangle tried in float64 sides with us
        assert slow_range(triangles, origins[i], directions[i]) == pytest.approx(ours[i], abs=1e-6, nan_ok=True)


odd = st.one_of(st.sampled_from([0.0, -0.0, 1.0, -1.0, 1e-17, -3.9e-17, 1e-300, -1e-310, 1e-9]), st.floats(-1, 1))
place = st.one_of(st.integers(0, 16).map(float), st.floats(-3, 19))


@settings(max_examples=400, deadline=None)
@given(place, place, st.one_of(st.sampled_from([0.0, 5.0, 30.0]), st.floats(-3, 40)), odd, odd, odd)
def test_odd_rays_end_on_the_ground_with_nothing_in_the_way(x, y, height, east, north, up):
    length = np.sqrt(east**2 + north**2 + up**2)
    if length < 1e-3:
        return
    grid = STEPS
    origin = np.array([grid.west_m + x, grid.north_m - y, height])
    direction = np.array([east, north, up]) / length
    reach = first_hit(grid, origin[None], direction[None])[0]
    start = heights_along(grid, origin, direction, np.zeros(1))[0]
    if start < -1e-9:
        assert reach == 0
        return
    passed = np.linspace(0.0, reach if np.isfinite(reach) else 80.0, 4000)[:-1]
    at_x, at_y = x + passed * direction[0], y - passed * direction[1]
    inside = np.minimum(np.minimum(at_x, 16 - at_x), np.minimum(at_y, 16 - at_y)) > 1e-9
    over = heights_along(grid, origin, direction, passed)[inside]
    assert not (over < -1e-7).any()
    if np.isfinite(reach):
        landing = heights_along(grid, origin, direction, np.array([reach]))[0]
        entered = not inside.any()  # from beside the grid onto its side
        assert entered or landing == pytest.approx(0.0, abs=1e-7) or np.isnan(landing)


@pytest.mark.parametrize("lean", [0.0, 1e-17, -1e-17, 1e-300])
def test_rays_along_the_rim_stay_on_the_grid(lean):
    rim = np.array([[-8.0, 8.0, 5.0], [-8.0, -8.0, 5.0], [8.0, 8.0, 5.0], [-8.0, 8.0, 5.0]])
    along = np.array([[1.0, lean, 0.0], [1.0, lean, 0.0], [lean, -1.0, 0.0], [lean, -1.0, 0.0]])
    triangles = triangles_of(STEPS)
    inward = np.sign(rim) * [-1e-9, -1e-9, 0]
    slow = [slow_range(triangles, o, np.round(d)) for o, d in zip(rim + inward, along, strict=True)]
    assert np.isfinite(slow).all()
    assert first_hit(STEPS, rim, along) == pytest.approx(np.array(slow), abs=1e-6)


STEPS = grid_of(np.where(np.add.outer(np.arange(17) // 4, np.arange(17) // 8) % 2, 20.0, np.eye(17)))


def test_straight_down_meets_the_height_below_also_on_the_rim():
    grid = towers()
    rows, cols = grid.heights_m.shape
    row, col = (part.ravel() for part in np.meshgrid(np.arange(rows), np.arange(cols), indexing="ij"))
    origins = np.column_stack(
        [grid.west_m + col * grid.spacing_m, grid.north_m - row * grid.spacing_m, np.full(len(row), 75.0)]
    )
    down = np.tile([0.0, 0.0, -1.0], (len(row), 1))
    assert 75.0 - first_hit(grid, origins, down) == pytest.approx(grid.heights_m.ravel(), abs=1e-9)
    assert np.isnan(first_hit(grid, origins, -down)).all()
    assert (first_hit(grid, origins - [0, 0, 200.0], down) == 0).all()
    assert (first_hit(grid, origins - [0, 0, 200.0], -down) == 0).all()


def test_rays_from_beside_the_grid():
    grid = grid_of(np.full((30, 30), 10.0))
    west = np.array([[-100.0, 0.5, 4.0], [-100.0, 0.5, 11.0], [-100.0, 20.0, 4.0], [0.0, 0.0, 11.0]])
    level = np.tile([1.0, 0.0, 0.0], (4, 1))
    assert first_hit(grid, west, level) == pytest.approx([100 - 14.5, np.nan, np.nan, np.nan], nan_ok=True)
    slope = np.array([[0.8, 0.0, -0.6]])
    assert first_hit(grid, np.array([[-30.0, 0.0, 25.0]]), slope) == pytest.approx([25.0])
    assert np.isnan(first_hit(grid, np.array([[-30.0, 0.0, 13.0]]), -slope)).all()


def test_unknown_numbers_miss():
    grid = towers()
    origins, directions = rays_around(grid, 6)
    for i in range(3):
        origins[i, i] = np.nan
        directions[3 + i, i] = np.nan
    assert not (first_hit(grid, origins, directions) > 1e6).any()


def test_the_square_and_half_hit_are_those_below_the_landing_point():
    grid = towers()
    z, ceilings = grid.heights_m, ceilings_of(grid.heights_m)
    rng = np.random.default_rng(8)
    for _ in range(300):
        x, y = rng.uniform(2, 24, 2)
        dx, dy = rng.uniform(-0.3, 0.3, 2)
        reach, row, col, upper = first_hit_under(z, ceilings, z.max(), x, y, 60.0, dx, dy, -0.9)
        if np.isfinite(reach):
            east, south = x + reach * dx, y + reach * dy
            assert (row, col) == (int(south), int(east))
            assert upper == (east - col > south - row)
            over = heights_along(
                grid,
                np.array([grid.west_m + east * 1.5, grid.north_m - south * 1.5, 60 - 0.9 * reach]),
                np.zeros(3),
                np.zeros(1),
            )
            assert over == pytest.approx(0.0, abs=1e-9)


@pytest.mark.parametrize("shape", [(2, 2), (9, 9), (10, 17), (40, 33)])
def test_ceilings_hold_every_vertex_of_their_block(shape):
    z = np.random.default_rng(2).normal(size=shape)
    ceilings = ceilings_of(z)
    assert ceilings.shape == tuple(-(-(n - 1) // BLOCK_SQUARES) for n in shape)
    for row, col in np.ndindex(ceilings.shape):
        part = z[row * BLOCK_SQUARES :, col * BLOCK_SQUARES :][: BLOCK_SQUARES + 1, : BLOCK_SQUARES + 1]
        assert ceilings[row, col] == part.max()


def test_threads_share_the_rays_and_change_nothing():
    grid = rough(size=101)
    origins, directions = rays_around(grid, 150_001)
    one = first_hit(grid, origins, directions, threads=1)
    assert np.isfinite(one).sum() > 30_000
    assert one.tobytes() == first_hit(grid, origins, directions, threads=2).tobytes()


def test_the_walk_runs_without_the_compiler():
    program = (
        "import numpy as np; from planner.ground.raycast import first_hit;"
        "from planner.ground.surface import HeightGrid;"
        "z = np.arange(120.0).reshape(10, 12) % 7; grid = HeightGrid(z, z > -1, 0.0, 9.0, 1.0);"
        "o = np.array([[2.2, 3.1, 20], [5, 5, 20], [1, 1, -9], [-4, 4.5, 9], [5, 5, 3]], dtype=float);"
        "d = np.array([[.36, .48, -.8], [0, 0, -1], [0, 0, -1], [.8, 0, -.6], [0, 1, 0]], dtype=float);"
        "print(*first_hit(grid, o, d).tolist())"
    )
    said = []
    for disabled in ("0", "1"):
        run = subprocess.run(
            [sys.executable, "-W", "error", "-c", program],
            env={**os.environ, "NUMBA_DISABLE_JIT": disabled},
            capture_output=True,
            text=True,
            check=True,
        )
        said.append([float(word) for word in run.stdout.split()])
    assert len(said[0]) == 5
    assert said[1] == pytest.approx(said[0], abs=1e-12, nan_ok=True)
