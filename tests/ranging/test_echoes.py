"""Points of a flight: the forecast's own counts, closed forms of geometry and canopy, and chance that is seeded."""

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parent))
from surfaces import grid_of, plane, rough

from planner.ground.surface import Layers, cells_on
from planner.ranging.attitude import straight_leg
from planner.ranging.beams import ScanPattern
from planner.ranging.canopy import expected_returns
from planner.ranging.echoes import (
    FULL_INTENSITY,
    FULL_INTENSITY_RANGE_M,
    LEAF_COSINE,
    Echoes,
    echoes_of,
    relative_intensity,
)
from planner.ranging.fates import RETURNS
from planner.ranging.linkbudget import Reach
from planner.ranging.pulses import fire_legs

FAR = Reach(1e6, 0.0, 1.0, 0.0)
HALF = np.radians(35.0)
PATTERNS = {
    "oscillating_linear": ScanPattern("oscillating_linear", 30_011.0, 47.0, np.radians(40), HALF),
    "oscillating_sine": ScanPattern("oscillating_sine", 30_011.0, 47.0, np.radians(40), HALF),
    "polygon": ScanPattern("polygon", 30_011.0, 47.0, np.radians(40), HALF),
    "whole polygon": ScanPattern("polygon", 30_000.0, 50.0, np.radians(40), HALF),
    "whole mirror": ScanPattern("oscillating_linear", 30_000.0, 50.0, np.radians(40), HALF),
    "rotating": ScanPattern("rotating", 60_007.0, 31.0, np.pi, HALF),
    "fan": ScanPattern("rotating", 60_000.0, 20.0, np.pi, HALF, beam_elevations_rad=(-0.2, 0.0, 0.25)),
    "conical": ScanPattern("conical", 30_000.0, 40.0, 0.3, 0.3),
    "rosette": ScanPattern("rosette", 30_000.0, 40.0, 0.4, 0.4, wedge_ratio=0.7),
    "matrix": ScanPattern("matrix", 32_000.0, 20.0, 0.4, 0.4, frame_pixels=(40, 40), along_half_angle_rad=0.3),
    "profiling": ScanPattern("profiling", 20_000.0, 0.0, 0.0, 0.0),
}


def leg_of(pattern, height=70.0, speed=5.0, half_length=5.0, yaw=0.7, tilt=0.0, roll=0.0):
    track = np.array([np.sin(yaw), np.cos(yaw)])
    ends = [[*(side * half_length * track), height] for side in (-1, 1)]
    return straight_leg(np.array(ends), speed, pattern, (yaw, tilt, roll))


def all_echoes(layers, leg, reach=FAR, most=5, seed=4, **options):
    """Return all echoes of a leg as one."""
    parts = list(echoes_of(layers, leg, reach, most, np.random.default_rng(seed), **options))
    joined = {
        name: np.concatenate([getattr(part, name) for part in parts]) for name in vars(parts[0]) if name != "fired"
    }
    return Echoes(fired=sum(part.fired for part in parts), **joined)


def counted(points, cells):
    """Return how many points lie in each cell, and how many in none."""
    known = points[np.isfinite(points[:, 0])]
    rows = np.floor((cells.north_m - known[:, 1]) / cells.cell_m).astype(int)
    cols = np.floor((known[:, 0] - cells.west_m) / cells.cell_m).astype(int)
    inside = (rows >= 0) & (rows < cells.rows) & (cols >= 0) & (cols < cells.cols)
    counts = np.zeros((cells.rows, cells.cols), dtype=int)
    np.add.at(counts, (rows[inside], cols[inside]), 1)
    return counts, int((~inside).sum())


def entries(echoes):
    return echoes.entry_m[echoes.return_number == 1]


def wood(size=121, height_m=12.0, depth=0.8, glade=None):
    """Return a wood on flat ground, all over or with a glade between two columns of the lattice."""
    top = np.full((size, size), height_m)
    if glade:
        top[:, slice(*glade)] = 0.0
    corners = np.stack([top[:-1, :-1], top[1:, :-1], top[:-1, 1:], top[1:, 1:]])
    return Layers(grid_of(top), plane(size), np.where(corners.max(axis=0) > 0, depth, 0.0))


# --- the same flight as the forecast's -----------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["fan", "conical", "rosette", "matrix", "profiling"])
def test_cells_hold_what_the_forecast_counts_where_it_too_fires_ray_by_ray(name):
    grid = rough(size=201)
    reach = Reach(120.0, 0.0, 1.0, 62.0)  # loses some pulses to either side
    leg = leg_of(PATTERNS[name], height=grid.heights_m[100, 100] + 70, tilt=0.1, roll=-0.05)
    layers, cells = Layers(grid, grid), cells_on(grid, 2.0)
    tally = fire_legs(layers, cells, [leg], [reach])
    echoes = all_echoes(layers, leg, reach)
    counts, _ = counted(echoes.points_m, cells)
    assert echoes.fired == tally.fired
    assert 0 < counts.sum() < tally.fired or name == "profiling"
    assert np.array_equal(counts, tally.aggregate[..., RETURNS])
    assert np.array_equal(counts, tally.ground)
    assert echoes.is_ground.all()


@pytest.mark.parametrize("name", [name for name, pattern in PATTERNS.items() if pattern.planar])
def test_scan_lines_hold_what_the_forecast_counts(name):
    """The forecast holds the sensor still within a scan line: moved back by the way since, points are where it says.

    On flat ground that is exact, but for pulses on an edge between two cells.
    """
    layers, leg = Layers(plane(201), plane(201)), leg_of(PATTERNS[name], roll=0.05)
    cells = cells_on(layers.top, 1.0)
    tally = fire_legs(layers, cells, [leg], [FAR])
    echoes = all_echoes(layers, leg)
    assert echoes.fired == tally.fired == len(echoes.pulse) == tally.aggregate[..., RETURNS].sum()
    line_s = 1 / leg.pattern.line_rate_hz
    since = echoes.time_s - (np.floor((echoes.pulse + 0.5) / leg.pattern.pulses_per_line) + 0.5) * line_s
    assert np.abs(since).max() <= line_s / 2
    back = echoes.entry_m - since[:, None] * 5.0 * np.array([np.sin(0.7), np.cos(0.7), 0.0])
    counts, none = counted(back, cells)
    assert none == 0
    assert np.abs(counts - tally.aggregate[..., RETURNS]).sum() <= 4


@pytest.mark.parametrize("name", ["oscillating_sine", "polygon"])
def test_scan_lines_over_rough_ground_hold_what_the_forecast_counts(name):
    """At 0.1 m/s the sensor moves by 2 mm within a scan line: only pulses that near to an edge change cells."""
    grid = rough(size=201)
    layers, cells = Layers(grid, grid), cells_on(grid, 4.0)
    leg = leg_of(PATTERNS[name], height=grid.heights_m.max() + 60, speed=0.1, half_length=0.1, tilt=0.08)
    tally = fire_legs(layers, cells, [leg], [FAR])
    counts, _ = counted(all_echoes(layers, leg).points_m, cells)
    expected = tally.aggregate[..., RETURNS]
    assert counts.sum() == expected.sum() == tally.fired
    assert np.abs(counts - expected).sum() < 0.01 * expected.sum()


def test_points_lie_where_the_sensor_is_at_the_time_of_their_pulse():
    """Level and untilted, a scan line looks straight across: along the track a point is where the sensor is."""
    leg = leg_of(PATTERNS["oscillating_linear"], yaw=np.pi / 2)
    echoes = all_echoes(Layers(plane(201), plane(201)), leg)
    assert echoes.points_m[:, 0] == pytest.approx(-5.0 + 5.0 * echoes.time_s, abs=1e-9)
    assert echoes.points_m[:, 1] == pytest.approx(-70 * np.tan(echoes.scan_angle_rad), abs=1e-9)
    assert echoes.points_m[:, 2] == pytest.approx(0.0, abs=1e-9)
    assert echoes.range_m == pytest.approx(70 / np.cos(echoes.scan_angle_rad))
    assert echoes.cos_incidence == pytest.approx(np.cos(echoes.scan_angle_rad))
    assert echoes.time_s == pytest.approx((echoes.pulse + 0.5) / 30_011.0)


def test_scan_angle_is_from_the_vertical_not_from_the_sensor():
    echoes = all_echoes(Layers(plane(301), plane(301)), leg_of(PATTERNS["polygon"], roll=0.1))
    assert echoes.scan_angle_rad.max() == pytest.approx(HALF + 0.1, abs=2e-3)
    assert echoes.scan_angle_rad.min() == pytest.approx(-HALF + 0.1, abs=2e-3)


def test_points_lie_on_the_surface_within_reach():
    grid = rough(size=201)
    reach = Reach(120.0, 1e-3, 1.0, 62.0)
    echoes = all_echoes(Layers(grid, grid), leg_of(PATTERNS["rosette"], height=grid.heights_m[100, 100] + 70), reach)
    off = echoes.points_m[:, 2] - grid.at(echoes.points_m[:, 0], echoes.points_m[:, 1])
    assert np.abs(off).max() < 1e-9
    assert echoes.range_m.min() >= 62.0
    assert (echoes.range_m <= reach.longest_m(echoes.cos_incidence) + 1e-9).all()


def test_roofs_are_no_ground():
    ground = plane(201)
    top = grid_of(ground.heights_m + np.pad(np.full((41, 41), 6.0), 80))
    layers = Layers(top, ground)
    leg = leg_of(PATTERNS["conical"])
    tally = fire_legs(layers, cells_on(top, 2.0), [leg], [FAR])
    echoes = all_echoes(layers, leg)
    assert echoes.is_ground.sum() == tally.ground.sum()
    assert 0 < echoes.is_ground.sum() < len(echoes.pulse)
    assert (echoes.points_m[echoes.is_ground, 2] < 0.3).all()
    assert not echoes.is_crown.any()


def test_unknown_ground_gives_no_points():
    grid = plane(201)
    grid.known[90:111, 90:111] = False
    echoes = all_echoes(Layers(grid, grid), leg_of(PATTERNS["matrix"]))
    assert 0 < len(echoes.pulse) < echoes.fired
    assert np.abs(echoes.points_m[:, :2]).max(axis=1).min() > 10.0  # at the hole's rim


def test_batches_do_not_change_points():
    layers, leg = Layers(plane(201), plane(201)), leg_of(PATTERNS["oscillating_sine"])
    whole, parts = all_echoes(layers, leg), all_echoes(layers, leg, at_once=7001)
    for name, values in vars(whole).items():
        assert np.array_equal(values, getattr(parts, name)), name


def test_a_leg_too_short_for_a_scan_line_has_no_points():
    leg = leg_of(PATTERNS["polygon"], half_length=0.01)
    assert list(echoes_of(Layers(plane(), plane()), leg, FAR, 1, np.random.default_rng(1))) == []


# --- crowns --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["conical", "polygon"])
def test_ground_returns_through_crowns_are_those_of_the_forecast(name):
    """Each pulse reaches the ground or not: counts of cells scatter about the forecast like sums of such draws."""
    layers = wood(glade=(55, 70))
    leg = leg_of(PATTERNS[name], speed=0.5, half_length=1.0, yaw=0.0)
    cells = cells_on(layers.top, 4.0)
    tally = fire_legs(layers, cells, [leg], [FAR])
    echoes = all_echoes(layers, leg)
    first, _ = counted(entries(echoes), cells)
    at_edges = 0 if name == "conical" else 0.02 * tally.fired  # the sensor moves by 1 cm within a scan line
    assert first.sum() == tally.fired == echoes.fired
    assert np.abs(first - tally.aggregate[..., RETURNS]).sum() <= at_edges
    ground, _ = counted(echoes.points_m[echoes.is_ground], cells)
    chance = np.divide(tally.ground, tally.open_ground, out=np.zeros(ground.shape), where=tally.open_ground > 0)
    variance = tally.open_ground * chance * (1 - chance)
    drawn = variance > 10
    assert drawn.sum() > 30
    misfit = ((ground - tally.ground)[drawn] ** 2 / variance[drawn]).sum()
    assert abs(misfit - drawn.sum()) < 4 * np.sqrt(2 * drawn.sum())
    assert abs((ground - tally.ground).sum()) < 4 * np.sqrt(variance.sum())


@pytest.mark.parametrize("most", [1, 2, 5])
@pytest.mark.parametrize("depth", [0.2, 1.5])
def test_number_of_returns_is_what_the_canopy_expects(depth, most):
    echoes = all_echoes(wood(depth=depth), leg_of(PATTERNS["polygon"], half_length=2.0), most=most)
    first = echoes.return_number == 1
    counts = echoes.number_of_returns[first]
    expected = expected_returns(depth / np.cos(echoes.scan_angle_rad[first]), most)
    assert len(counts) == echoes.fired
    assert counts.max() <= most
    assert abs(counts.mean() - expected.mean()) <= 4 * counts.std() / np.sqrt(len(counts)) + 1e-12
    assert len(echoes.pulse) == counts.sum()


def test_returns_of_a_pulse_follow_each_other_down_to_the_ground():
    echoes = all_echoes(wood(glade=(55, 70)), leg_of(PATTERNS["rosette"], half_length=2.0), most=4)
    same = np.diff(echoes.pulse) == 0
    assert same.any()
    assert (np.diff(echoes.pulse) >= 0).all()
    assert (np.diff(echoes.range_m)[same] >= 0).all()
    assert (np.diff(echoes.return_number.astype(int))[same] == 1).all()
    assert (echoes.return_number[1:][~same] == 1).all()
    assert (echoes.return_number[echoes.is_ground] == echoes.number_of_returns[echoes.is_ground]).all()
    assert (echoes.return_number <= echoes.number_of_returns).all()
    assert not (echoes.is_ground & echoes.is_crown).any()
    assert echoes.points_m[echoes.is_ground, 2] == pytest.approx(0.0, abs=1e-9)
    assert (echoes.cos_incidence[echoes.is_crown] == LEAF_COSINE).all()


def test_leaves_are_met_evenly_through_an_even_crown():
    echoes = all_echoes(wood(depth=1.2), leg_of(PATTERNS["conical"], half_length=2.0), most=15)
    height = echoes.points_m[echoes.is_crown, 2]
    assert height.min() >= 0
    assert height.max() <= 12
    counts = np.histogram(height, bins=12, range=(0, 12))[0]
    misfit = ((counts - counts.mean()) ** 2 / counts.mean()).sum()
    assert misfit < 11 + 4 * np.sqrt(2 * 11)


def test_no_leaves_hang_in_the_open():
    """A slanted pulse that leaves one crown for the next meets leaves in both, and nothing in the glade."""
    layers = wood(depth=0.5, glade=(66, 70))
    fan = replace(PATTERNS["polygon"], optical_half_angle_rad=1.2, usable_half_angle_rad=1.2)
    echoes = all_echoes(layers, leg_of(fan, height=25.0, yaw=0.0))
    east, north, up = echoes.points_m[echoes.is_crown].T
    under = layers.top.at(east, north) - up
    assert ((east > 10.5) & np.isfinite(under)).sum() > 1000
    assert np.nanmin(under) > -0.01


def test_ground_beneath_a_crown_too_near_to_return_is_the_only_return():
    echoes = all_echoes(wood(), leg_of(PATTERNS["conical"]), Reach(1e6, 0.0, 1.0, 65.0))
    assert 0 < len(echoes.pulse) < echoes.fired
    assert echoes.is_ground.all()
    assert (echoes.number_of_returns == 1).all()
    assert np.isnan(echoes.entry_m).all()


def test_a_crown_returns_whatever_becomes_of_the_ground_below():
    echoes = all_echoes(wood(depth=0.1), leg_of(PATTERNS["conical"]), Reach(1e6, 0.0, 1.0, 0.0, longest_valid_m=68.0))
    assert (echoes.return_number == 1).sum() == echoes.fired
    assert echoes.is_crown.all()


def test_the_same_seed_gives_the_same_points():
    leg = leg_of(PATTERNS["matrix"], half_length=1.0)
    one, same, other = (all_echoes(wood(), leg, seed=seed).points_m for seed in (1, 1, 2))
    assert np.array_equal(one, same)
    assert one.shape != other.shape or not np.array_equal(one, other)


# --- intensity -----------------------------------------------------------------------------------------------------


def test_relative_intensity_falls_with_the_square_of_range_and_the_cosine():
    full, far = FULL_INTENSITY_RANGE_M, 4 * FULL_INTENSITY_RANGE_M
    assert relative_intensity([full / 2, full, far], 1.0) == pytest.approx(
        [FULL_INTENSITY, FULL_INTENSITY, FULL_INTENSITY / 16]
    )
    assert relative_intensity(far, [1.0, 0.5, 0.0]) == pytest.approx(np.array([1.0, 0.5, 0.0]) * FULL_INTENSITY / 16)
