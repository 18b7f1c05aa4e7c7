"""The pulse engine against closed forms, a slow twin and Embree."""

import sys
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parent))
from surfaces import embree_ranges, grid_of, jacksboro, lidar_dem, plane, rough, slow_range, triangles_of

from planner.ground.raycast import ceilings_of, first_hit
from planner.ground.surface import Layers, cells_on
from planner.ranging import casting, sweep
from planner.ranging.attitude import straight_leg
from planner.ranging.beams import ScanPattern
from planner.ranging.counting import BLOCK
from planner.ranging.fates import RETURNS, SHADOWED, TOO_FAR, TOO_NEAR
from planner.ranging.linkbudget import Reach
from planner.ranging.pulses import fire_legs

FAR = Reach(1e6, 0.0, 1.0, 0.0)
millimetre = 1e-3


def pattern_of(kind="oscillating_linear", half_deg=40.0, pulse_rate_hz=300e3, line_rate_hz=100.0, optical_deg=None):
    optical = {"rotating": 180.0}.get(kind, half_deg if optical_deg is None else optical_deg)
    return ScanPattern(kind, pulse_rate_hz, line_rate_hz, np.radians(optical), np.radians(half_deg))


def leg_of(
    height=80.0, yaw=np.pi / 2, half_length=60.0, speed=8.0, tilt=0.0, roll=0.0, pattern=None, middle=(0.0, 0.0)
):
    track = np.array([np.sin(yaw), np.cos(yaw)])
    ends = [[*(np.array(middle) + side * half_length * track), height] for side in (-1, 1)]
    return straight_leg(np.array(ends), speed, pattern or pattern_of(), (yaw, tilt, roll))


def lattice_of(grid):
    """Return a grid as kernels read it."""
    z = grid.heights_m
    return z, ceilings_of(z), z.max(), z.min(), grid.west_m, grid.north_m, grid.spacing_m


def fire(grid, leg, reach=FAR, cell_m=None):
    cells = cells_on(grid, cell_m or grid.spacing_m)
    return fire_legs(Layers(grid, grid), cells, [leg], [reach]), cells


def profile_across(counts, cells, keep=20.0):
    """Return distance across an eastward track and density there, averaged along it."""
    east, north = cells.centres_m()
    middle = np.abs(east) < keep
    return north, counts[:, middle].mean(axis=1) / cells.cell_m**2


def scan_rays(leg, line):
    """Return origin and directions of the pulses of one scan line, built without our kernels."""
    p, pattern = leg.origins_m[line], leg.pattern
    yaw, tilt, roll = leg.angles_rad[line]
    place = np.arange(int((line + 2) * pattern.pulses_per_line)) + 0.5 - line * pattern.pulses_per_line
    place = place[(place >= 0) & (place < pattern.pulses_per_line)]
    if pattern.kind == "oscillating_sine":
        angle = pattern.optical_half_angle_rad * np.sin(np.pi * (place / pattern.pulses_per_line - 0.5))
    else:
        angle = pattern.optical_half_angle_rad * (2 * place / pattern.pulses_per_line - 1)
    if pattern.kind.startswith("oscillating") and line % 2:
        angle = -angle
    angle = angle[np.abs(angle) <= pattern.usable_half_angle_rad] + roll
    forward = np.array([np.sin(yaw), np.cos(yaw), 0.0])
    right = np.array([np.cos(yaw), -np.sin(yaw), 0.0])
    down = np.sin(tilt) * forward - np.cos(tilt) * np.array([0, 0, 1.0])
    return p, np.sin(angle)[:, None] * right + np.cos(angle)[:, None] * down


def sweep_ranges(grid, leg, line):
    """Return the sweep's range for each pulse of `scan_rays`, by walking its pieces."""
    origin, directions = scan_rays(leg, line)
    yaw, tilt, _ = leg.angles_rad[line]
    axes = (np.sin(yaw), np.cos(yaw), np.cos(tilt), np.sin(tilt))
    forward = np.array([axes[0], axes[1], 0.0])
    right = np.array([axes[1], -axes[0], 0.0])
    plane_down = axes[3] * forward - axes[2] * np.array([0, 0, 1.0])
    angles = np.arctan2(directions @ right, directions @ plane_down)
    start = np.empty(6, dtype=np.int64)
    lattice = lattice_of(grid)
    down = sweep.straight_down(lattice, origin, axes, start)
    ranges = np.full(len(angles), np.nan)
    for side in (1, -1):
        pieces, squares = np.empty((5000, 4)), np.empty((5000, 2), dtype=np.int64)
        count = sweep.cut_side(lattice, origin, axes, start, side, 1.5, 1e9, pieces, squares)
        ends = np.vstack([[0.0, down, 0.0, 0.0], pieces[:count]])
        front = np.maximum.accumulate(ends[:, sweep.ANGLE])
        for i in np.flatnonzero(side * angles >= 0):
            piece = np.searchsorted(front, side * angles[i], side="left")
            piece = max(piece, 1)
            if piece < len(ends):
                a, b = ends[piece - 1], ends[piece]
                ranges[i] = sweep.range_on_piece(a[0], a[1], b[0], b[1], side * angles[i])
    return origin, directions, ranges


# --- density on planes ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize("half_deg", [30.0, 35.0, 40.0])
@pytest.mark.parametrize("kind", ["oscillating_linear", "polygon", "oscillating_sine", "rotating"])
def test_flat_density_follows_the_closed_form(kind, half_deg):
    """D(t) = angular pulse rate cos^2 t / (v H): Baltsavias 1999 spacing h dt / cos^2 t, inverted [C]."""
    height, speed, rate = 80.0, 8.0, 640e3
    # Pulses per line that are not whole shift the phase from line to line, which averages counting noise away.
    pattern = pattern_of(kind, half_deg, rate, 80.3 if kind == "rotating" else 101.7)
    tally, cells = fire(plane(401), leg_of(height, speed=speed, half_length=100.0, pattern=pattern))
    north, density = profile_across(tally.aggregate[..., RETURNS], cells)
    angle = np.arctan2(np.abs(north), height)
    if kind == "oscillating_sine":
        per_rad = rate / (np.pi * np.sqrt(np.maximum(np.radians(half_deg) ** 2 - angle**2, 1e-9)))
    else:
        per_rad = rate / (2 * pattern.optical_half_angle_rad)
    expected = per_rad * np.cos(angle) ** 2 / (speed * height)
    inside = angle < np.radians(half_deg) - 0.03
    smooth = np.convolve(inside, np.ones(5), "same") == 5
    mean_over_five = np.convolve(density, np.ones(5) / 5, "same")[smooth]
    expected_over_five = np.convolve(expected, np.ones(5) / 5, "same")[smooth]
    assert mean_over_five == pytest.approx(expected_over_five, rel=5e-3)
    assert density[angle > np.radians(half_deg) + 0.02].max() == 0


@pytest.mark.parametrize("slope", [-0.5, -0.2, 0.2, 0.5])
def test_tilted_plane_density_follows_the_closed_form(slope):
    """Plan density D0 cos^2 t (1 - tan B tan t), falling away outward; + facing [C]."""
    height, speed = 80.0, 8.0
    pattern = pattern_of(line_rate_hz=101.7)
    tally, cells = fire(plane(401, north=slope), leg_of(height, speed=speed, half_length=100.0, pattern=pattern))
    north, density = profile_across(tally.aggregate[..., RETURNS], cells)
    centre = np.abs(north) < 40
    north, density = north[centre], density[centre]
    # H is taken vertically to the cell.
    above = height - slope * north
    angle = np.arctan2(north, above)
    nominal = 300e3 / (speed * 2 * np.radians(40.0) * above)
    expected = nominal * np.cos(angle) ** 2 * (1 + slope * np.tan(angle))
    kernel = np.ones(5) / 5
    got = np.convolve(density, kernel, "valid")
    assert got == pytest.approx(np.convolve(expected, kernel, "valid"), rel=5e-3)


@pytest.mark.parametrize("along", [-0.3, 0.3])
def test_a_slope_along_the_track_thins_nothing_at_constant_height_above_ground(along):
    grid = plane(401, east=along)
    leg = leg_of(80.0, half_length=100.0)
    climb = np.array([[0, 0, -100 * along], [0, 0, 100 * along]])
    follow = straight_leg(leg.points_m + climb, 8.0, leg.pattern, leg.angles_rad[0])
    flat, cells = fire(plane(401), leg)
    tally, _ = fire(grid, follow)
    expected = profile_across(flat.aggregate[..., RETURNS], cells)[1]
    assert profile_across(tally.aggregate[..., RETURNS], cells)[1] == pytest.approx(expected, rel=0.02, abs=0.5)


def test_every_pulse_is_counted_once_on_flat_ground():
    tally, _ = fire(plane(401), leg_of())
    assert tally.fired == 300_000 * 15  # 120 m at 8 m/s
    assert tally.aggregate.sum() == tally.aggregate[..., RETURNS].sum() == tally.fired


def test_pulses_per_line_need_not_be_whole():
    pattern = pattern_of("polygon", pulse_rate_hz=100_003.0, line_rate_hz=97.0)
    leg = leg_of(pattern=pattern)
    tally, _ = fire(plane(401), leg)
    assert abs(tally.fired - len(leg.origins_m) * pattern.pulses_per_line) < 2


# --- rays ----------------------------------------------------------------------------------------------------------


def rays_from_above(grid, count, seed=3):
    rng = np.random.default_rng(seed)
    span = (grid.east_m - grid.west_m) * 0.3
    origins = np.column_stack([rng.uniform(-span, span, (count, 2)), np.full(count, grid.heights_m.max() + 60)])
    off, turn = rng.uniform(-1.2, 1.2, count), rng.uniform(0, 2 * np.pi, count)
    return origins, np.column_stack([np.sin(off) * np.sin(turn), np.sin(off) * np.cos(turn), -np.cos(off)])


@pytest.mark.parametrize("name", ["jacksboro", "lidar", "rough"])
def test_100_000_rays_agree_with_embree(name):
    grid = {"jacksboro": jacksboro, "lidar": lidar_dem, "rough": rough}[name]()
    if grid is None:
        pytest.skip("the lidar package, which carries the DEM, is not installed")
    # Float32 cannot hold absolute heights of real terrain to the millimetre.
    grid = grid_of(grid.heights_m - grid.heights_m.mean(), grid.spacing_m)
    origins, directions = rays_from_above(grid, 100_000)
    ours, theirs = first_hit(grid, origins, directions), embree_ranges(grid, origins, directions)
    both = np.isfinite(ours) & np.isfinite(theirs)
    assert both.sum() > 50_000
    apart = np.abs(ours - theirs)
    scale = grid.spacing_m  # Embree's float32 error grows with the size of the model
    assert np.median(apart[both]) < millimetre * max(1.0, scale / 10)
    triangles = triangles_of(grid)
    doubtful = np.flatnonzero(
        (np.isfinite(ours) != np.isfinite(theirs)) | (both & (apart > 0.05 * max(1.0, scale / 10)))
    )
    assert len(doubtful) < 50
    for i in doubtful:  # float32 at an edge: the slow twin in float64 sides with us
        assert slow_range(triangles, origins[i], directions[i]) == pytest.approx(ours[i], abs=millimetre, nan_ok=True)


def test_rays_agree_with_a_slow_twin():
    grid = rough(size=41, relief_m=15.0)
    triangles = triangles_of(grid)
    origins, directions = rays_from_above(grid, 300)
    slow = [slow_range(triangles, o, d) for o, d in zip(origins, directions, strict=True)]
    assert first_hit(grid, origins, directions) == pytest.approx(np.array(slow), abs=millimetre / 1000, nan_ok=True)


def test_straight_down_and_level_rays():
    grid = rough(size=41)
    point = np.array([[3.3, -4.7, 200.0]])
    down = first_hit(grid, point, np.array([[0, 0, -1.0]]))
    assert 200 - down[0] == pytest.approx(float(grid.at(3.3, -4.7)))
    assert np.isnan(first_hit(grid, point, np.array([[1.0, 0, 0]]))).all()
    assert first_hit(grid, np.array([[3.3, -4.7, -50.0]]), np.array([[0, 0, -1.0]])) == 0


def test_a_ray_from_a_lattice_column_that_leans_off_it_by_rounding_alone():
    """Leaning -4e-17 eastward off a whole column, the next crossing lies behind the start: no walking back."""
    z = np.zeros((61, 61))
    z[:30] = 25.0  # a cliff: ground far to the north is higher than the ground under the start
    grid = grid_of(z)
    origin, triangles = np.array([10.0, -20.3, 30.0]), triangles_of(grid)
    for off in np.radians([20.0, 40.0, 60.0, 80.0]):
        direction = np.array([-3.9e-17, np.sin(off), -np.cos(off)])
        expected = slow_range(triangles, origin + np.array([1e-7, 0, 0]), direction)
        assert first_hit(grid, origin[None], direction[None])[0] == pytest.approx(expected, abs=1e-6)


@pytest.mark.parametrize("yaw_deg", [0, 45, 90, 135, 180, 270, 315])
@pytest.mark.parametrize("offset", [0.0, 0.5])
def test_no_pulse_is_lost_on_headings_and_places_of_the_lattice(yaw_deg, offset):
    """Scan planes along lattice edges, and origins over vertices, meet corners only: nothing may fall through."""
    leg = leg_of(80.0, np.radians(yaw_deg), 40.0, middle=(offset, offset), pattern=pattern_of(line_rate_hz=8.0))
    tally, _ = fire(plane(401), leg)
    assert tally.aggregate[..., RETURNS].sum() == tally.fired > 0


@pytest.mark.parametrize("kind", ["oscillating_linear", "oscillating_sine", "polygon"])
@pytest.mark.parametrize(
    ("tilt_deg", "roll_deg", "yaw_deg"), [(0, 0, 33), (8, 0, 90), (-8, 6, 211), (15, -15, 304), (0, 12, 0)]
)
def test_sweep_ranges_agree_with_a_slow_twin_at_any_attitude(kind, tilt_deg, roll_deg, yaw_deg):
    grid = rough(size=61, relief_m=15.0, roof_m=3.0)
    pattern = pattern_of(kind, 35.0, pulse_rate_hz=3011.0)
    leg = leg_of(60.0, np.radians(yaw_deg), 6.0, 8.0, np.radians(tilt_deg), np.radians(roll_deg), pattern)
    triangles = triangles_of(grid)
    for line in (0, 1, 40, 77):
        origin, directions, ranges = sweep_ranges(grid, leg, line)
        slow = [slow_range(triangles, origin, d) for d in directions]
        assert ranges == pytest.approx(np.array(slow), abs=millimetre / 1000, nan_ok=True)


@pytest.mark.parametrize("tilt_deg", [0, 8])
@pytest.mark.parametrize("name", ["lidar", "rough"])
def test_sweep_ranges_agree_with_embree(name, tilt_deg):
    grid = {"lidar": lidar_dem, "rough": rough}[name]()
    if grid is None:
        pytest.skip("the lidar package, which carries the DEM, is not installed")
    grid = grid_of(grid.heights_m - grid.heights_m.mean())
    leg = leg_of(grid.heights_m.max() + 70, 0.6, 60.0, 8.0, np.radians(tilt_deg))
    parts = [sweep_ranges(grid, leg, line) for line in range(0, 1500, 40)]
    origins = np.concatenate([np.tile(o, (len(d), 1)) for o, d, _ in parts])
    directions = np.concatenate([d for _, d, _ in parts])
    ours, theirs = np.concatenate([r for *_, r in parts]), embree_ranges(grid, origins, directions)
    assert len(ours) > 100_000
    both = np.isfinite(ours) & np.isfinite(theirs)
    apart = np.abs(ours - theirs)
    assert np.median(apart[both]) < millimetre
    wide = np.flatnonzero(both & (apart > 0.05))
    assert len(wide) < 2e-4 * len(ours)
    triangles = triangles_of(grid)
    exact = np.array([slow_range(triangles, origins[i], directions[i]) for i in wide[:40]])
    # Beside a wall steeper than 90 degrees less the tilt the plane cuts twice: the engine hands those lines over.
    second_branch = casting.steep_blocks(
        grid, leg.angles_rad[0, 1], BLOCK, (grid.heights_m.min(), grid.heights_m.max())
    ).size
    assert second_branch or exact == pytest.approx(ours[wide[:40]], abs=millimetre)


@pytest.mark.parametrize(
    ("tilt_deg", "roll_deg", "yaw_deg"), [(0, 0, 33), (8, 0, 33), (-8, 6, 126), (0, 17, 229), (5, 0, 270)]
)
def test_sweep_and_ray_walk_count_the_same_cells(tilt_deg, roll_deg, yaw_deg, monkeypatch):
    grid = rough(roof_m=2.0)
    leg = leg_of(110.0, np.radians(yaw_deg), 60.0, 8.0, np.radians(tilt_deg), np.radians(roll_deg))
    reach = Reach(150 / np.sqrt(0.1), 8.9e-5, 0.1, 3.0)
    swept, _ = fire(grid, leg, reach)
    monkeypatch.setattr(casting, "steep_blocks", lambda *_: np.ones((20, 20), dtype=bool))
    cast, _ = fire(grid, leg, reach)
    for channel in (RETURNS, TOO_NEAR, TOO_FAR):
        assert cast.aggregate[..., channel].sum() == swept.aggregate[..., channel].sum()
        moved = np.abs(cast.aggregate[..., channel] - swept.aggregate[..., channel]).sum()
        assert moved <= 2e-6 * swept.fired  # a pulse on the very edge between two cells
    assert swept.aggregate[..., TOO_FAR].sum() > 0


def test_steep_roof_edges_are_handed_to_the_ray_walk():
    grid = rough(roof_m=30.0)
    leg = leg_of(110.0, np.radians(33), half_length=12.0, tilt=np.radians(12))
    assert casting.steep_blocks(grid, leg.angles_rad[0, 1], BLOCK, (0.0, 70.0)).any()
    tally, cells = fire(grid, leg)
    counts = np.zeros((cells.rows, cells.cols))
    origins, directions = zip(*(scan_rays(leg, line) for line in range(len(leg.origins_m))), strict=True)
    ranges = [first_hit(grid, np.tile(o, (len(d), 1)), d) for o, d in zip(origins, directions, strict=True)]
    for o, d, r in zip(origins, directions, ranges, strict=True):
        hit = (o + r[:, None] * d)[np.isfinite(r)]
        np.add.at(
            counts,
            (
                ((grid.north_m - hit[:, 1]) / cells.cell_m).astype(int),
                ((hit[:, 0] - grid.west_m) / cells.cell_m).astype(int),
            ),
            1,
        )
    assert np.abs(counts - tally.aggregate[..., RETURNS]).sum() <= 1e-5 * tally.fired


# --- shadow, limits and tilt ----------------------------------------------------------------------------------------


def step_down(height=20.0, size=301):
    """Return ground that drops by a wall facing away from a track along north = 0: high to the south of north = 15."""
    z = np.zeros((size, size))
    north = (size - 1) / 2 - np.arange(size)
    z[north <= 15] = height
    return grid_of(z)


def test_shadow_behind_a_wall_is_where_geometry_says():
    """A ray that grazes the edge at horizontal distance x, h above the foot, lands h x / (H - h) farther out [C]."""
    height, wall = 80.0, 20.0
    tally, cells = fire(step_down(wall), leg_of(height, half_length=100.0, pattern=pattern_of(half_deg=35.0)))
    north, density = profile_across(tally.aggregate[..., RETURNS], cells)
    _, shadowed = profile_across(tally.aggregate[..., SHADOWED], cells)
    end = 15 * height / (height - wall)
    assert end == pytest.approx(20.0)
    dark = (north > 16) & (north < end - 0.5)
    assert density[dark].max() == 0
    assert shadowed[dark].min() > 100
    assert density[(north > end + 0.5) & (north < 50)].min() > 100
    assert shadowed[north > end + 0.5].max() == 0


@pytest.mark.parametrize("wall_deg", [60.0, 75.0])
def test_a_wall_facing_away_is_shadowed_beyond_its_own_angle(wall_deg):
    """A face of slope B turned away is hidden for scan angles over 90 - B (75 degrees: 15) [closed form, C]."""
    spacing, rise = 0.25, 6.0
    run = rise / np.tan(np.radians(wall_deg))
    size = 801
    north = ((size - 1) / 2 - np.arange(size)) * spacing
    lit = {}
    for angle_deg in (90 - wall_deg - 1.5, 90 - wall_deg + 1.5):
        height = 60.0
        edge = np.tan(np.radians(angle_deg)) * (height - rise / 2) - run / 2
        z = np.interp(north, [edge, edge + run], [rise, 0.0])
        grid = grid_of(np.repeat(z[:, None], size, axis=1), spacing)
        tally, cells = fire(grid, leg_of(height, half_length=40.0))
        across, density = profile_across(tally.aggregate[..., RETURNS], cells, keep=10.0)
        face = (across > edge + 0.3) & (across < edge + run - 0.3)
        assert face.sum() >= 3
        lit[angle_deg] = density[face].max()
    hidden, seen = lit[90 - wall_deg + 1.5], lit[90 - wall_deg - 1.5]
    assert hidden == 0
    assert seen > 0


def test_ground_beside_and_above_the_aircraft_blocks_what_lies_behind():
    size = 301
    north = (size - 1) / 2 - np.arange(size)
    z = np.where(north > 40, 120.0, 0.0)  # a pit wall higher than the aircraft
    z[north > 60] = -30.0
    grid = grid_of(np.repeat(z[:, None], size, axis=1))
    leg = leg_of(60.0, pattern=pattern_of(half_deg=75.0))
    tally, cells = fire(grid, leg)
    north, density = profile_across(tally.aggregate[..., RETURNS], cells)
    assert density[north > 41].max() == 0
    assert density[(north > 39) & (north < 41)].sum() > 100  # the wall itself takes the pulses
    _, shadowed = profile_across(tally.aggregate[..., SHADOWED], cells)
    assert shadowed[(north > 62) & (north < 120)].min() > 0


@pytest.mark.parametrize(("tilt_deg", "ahead_m"), [(8.0, 11.243), (-8.0, -11.243)])
def test_a_pitched_scanner_looks_ahead_by_h_tan_tilt(tilt_deg, ahead_m):
    """8 degrees at 80 m: 11 m ahead [C: 80 tan 8 deg = 11.243]."""
    leg = leg_of(80.0, tilt=np.radians(tilt_deg), pattern=pattern_of(half_deg=20.0))
    tally, cells = fire(plane(401), leg)
    east, _ = cells.centres_m()
    along = tally.aggregate[..., RETURNS].sum(axis=0)
    assert (along * east).sum() / along.sum() == pytest.approx(ahead_m, abs=0.06)


def test_usable_half_angle_on_flat_ground_is_the_published_form():
    """Flat Lambertian ground in clear air: t = acos((H / R0)^(2/3)); B at 80 m, R0 = 106 m: 34 deg [C]."""
    reach = Reach(106.0, 0.0, 1.0, 0.0)
    tally, cells = fire(plane(401, spacing_m=0.5), leg_of(80.0, half_length=40.0), reach)
    north, density = profile_across(tally.aggregate[..., RETURNS], cells, keep=10.0)
    edge = north[density > 50].max() + 0.25
    assert np.degrees(np.arctan2(edge, 80)) == pytest.approx(np.degrees(np.arccos((80 / 106) ** (2 / 3))), abs=0.2)
    _, lost = profile_across(tally.aggregate[..., TOO_FAR], cells, keep=10.0)
    assert lost[np.abs(north - edge - 5).argmin()] > 50


def test_echoes_nearer_than_the_minimum_range_are_lost():
    tally, cells = fire(plane(401), leg_of(80.0), Reach(1e6, 0.0, 1.0, 90.0))
    north, density = profile_across(tally.aggregate[..., RETURNS], cells)
    start = np.sqrt(90**2 - 80**2)
    assert density[np.abs(north) < start - 1].max() == 0
    assert density[(np.abs(north) > start + 1) & (np.abs(north) < 60)].min() > 100
    assert tally.aggregate.sum() == tally.fired


# --- bookkeeping ----------------------------------------------------------------------------------------------------


def test_counts_do_not_depend_on_threads_or_order():
    grid, reach = rough(), Reach(400.0, 9e-5, 0.3, 2.0)
    cells = cells_on(grid, 2.0)
    legs = [leg_of(110.0, yaw, middle=(0.0, north)) for yaw, north in ((1.2, -40.0), (4.3, 0.0), (1.2, 40.0))]
    one = fire_legs(Layers(grid, grid), cells, legs, [reach] * 3, threads=1)
    two = fire_legs(Layers(grid, grid), cells, legs[::-1], [reach] * 3, threads=2)
    for name in ("aggregate", "most_first", "passes"):
        assert np.array_equal(getattr(one, name), getattr(two, name))
    assert one.passes.max() == 3
    assert (one.most_first <= one.first).all()


def test_a_fixed_beam_draws_one_line_of_points():
    pattern = ScanPattern("profiling", 100.0, 0.0, 0.0, 0.0)
    tally, _ = fire(plane(201), leg_of(50.0, half_length=40.0, speed=5.0, pattern=pattern))
    assert tally.fired == 1600  # 80 m at 5 m/s and 100 Hz
    rows = np.flatnonzero(tally.aggregate[..., RETURNS].sum(axis=1))
    assert len(rows) == 1
    assert tally.aggregate[..., RETURNS].sum() == 1600


def test_coarser_cells_hold_the_same_pulses():
    grid = rough()
    fine, _ = fire(grid, leg_of(110.0))
    coarse, cells = fire(grid, leg_of(110.0), cell_m=3.0)
    assert cells.factor == 3
    side = cells.rows * 3
    summed = fine.aggregate[:side, :side].reshape(cells.rows, 3, cells.cols, 3, -1).sum(axis=(1, 3))
    assert np.array_equal(summed, coarse.aggregate)
