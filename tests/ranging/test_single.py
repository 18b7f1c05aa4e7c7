"""One leg and one cell: geometry by hand, and counts against the whole forecast."""

from dataclasses import fields, replace

import numpy as np
import pytest
from surfaces import grid_of, plane

from planner.ground.surface import Layers, cells_on
from planner.ranging.attitude import straight_leg
from planner.ranging.beams import ScanPattern
from planner.ranging.fates import SHADOWED, light_of
from planner.ranging.linkbudget import Reach
from planner.ranging.pulses import Tally, fire_legs
from planner.ranging.single import aim_at, fire_at, near_part, obstacle_before, pooled, spot_of

HEIGHT_M = 40.0
REACH = Reach(2000.0, 0.0, 0.1, 1.0)
SWEEP = ScanPattern("oscillating_linear", 40e3, 50.0, np.radians(40), np.radians(40))
PATTERNS = {
    "sweep": SWEEP,
    "sine": replace(SWEEP, kind="oscillating_sine"),
    "two beams": replace(SWEEP, kind="rotating", beam_elevations_rad=(-0.1, 0.1)),
    "cone": replace(SWEEP, kind="conical", optical_half_angle_rad=0.4, usable_half_angle_rad=0.4),
    "rosette": replace(SWEEP, kind="rosette", wedge_ratio=1.618, usable_half_angle_rad=np.radians(40)),
}


def layers_of(grid):
    return Layers(grid, grid)


def northward(east_m=0.0, tilt_rad=0.0, pattern=SWEEP):
    track = np.array([[east_m, -60.0, HEIGHT_M], [east_m, 60.0, HEIGHT_M]])
    return straight_leg(track, 5.0, pattern, (0.0, tilt_rad, 0.0))


def cell_at(cells, east_m, north_m):
    return int((cells.north_m - north_m) / cells.cell_m), int((east_m - cells.west_m) / cells.cell_m)


def walled(wall_m=12.0):
    """Level ground with a wall from 10 to 14 m east of the middle, its faces one square wide."""
    z = np.zeros((161, 161))
    z[:, 90:95] = wall_m
    return grid_of(z)


def test_range_and_angles_over_level_ground_are_those_of_a_right_triangle():
    layers = layers_of(plane(161))
    cells = cells_on(layers.top, 2.0)
    spot = spot_of(layers, cells, cell_at(cells, 21.0, 1.0))
    aim = aim_at(northward(), spot)
    aside = float(spot.centre_m[0])
    step_m, angle_step = 5.0 / 50, np.radians(80) / 800  # from line to line, and from pulse to pulse
    assert aim.range_m == pytest.approx(np.hypot(aside, HEIGHT_M), abs=step_m)
    assert aim.scan_angle_rad == pytest.approx(np.arctan2(aside, HEIGHT_M), abs=2 * angle_step)
    assert aim.cos_incidence == pytest.approx(HEIGHT_M / aim.range_m, rel=1e-9)


def test_incidence_is_to_the_slope():
    layers = layers_of(plane(161, east=0.5))  # rises to the east: a sensor in the west looks at it more straight
    cells = cells_on(layers.top, 2.0)
    spot = spot_of(layers, cells, cell_at(cells, 21.0, 1.0))
    assert spot.rise == pytest.approx((0.5, 0.0), abs=1e-12)
    assert np.degrees(spot.slopes_rad) == pytest.approx(np.degrees(np.arctan(0.5)))
    aim = aim_at(northward(), spot)
    off_plumb = np.arctan2(spot.centre_m[0], HEIGHT_M - spot.centre_m[2])
    assert np.arccos(aim.cos_incidence) == pytest.approx(off_plumb - np.arctan(0.5), abs=0.005)


@pytest.mark.parametrize("name", PATTERNS)
@pytest.mark.parametrize("tilt_rad", [0.0, 0.2])
def test_as_many_pulses_are_aimed_at_open_ground_as_meet_it(name, tilt_rad):
    layers, leg = layers_of(plane(161, east=0.1, north=-0.05)), northward(3.0, tilt_rad, PATTERNS[name])
    cells = cells_on(layers.top, 4.0)
    place = cell_at(cells, 12.0, 8.0)
    tally = fire_at(layers, cells, leg, light_of([REACH]), place, None)
    met = tally.aggregate.sum() - tally.aggregate[..., SHADOWED].sum()
    assert met > 50
    assert aim_at(leg, spot_of(layers, cells, place)).aimed == pytest.approx(met, abs=0.03 * met + 3)


def test_a_leg_that_never_comes_near_has_no_aim():
    layers = layers_of(plane(161))
    cells = cells_on(layers.top, 2.0)
    assert aim_at(northward(), spot_of(layers, cells, cell_at(cells, 60.0, 0.0))) is None
    assert aim_at(northward(), spot_of(layers, cells, cell_at(cells, 0.0, 75.0))) is None


@pytest.mark.parametrize(("foot_m", "height_m"), [(4.0, 12.0), (8.0, 12.0), (4.0, 18.0)])
def test_a_wall_is_named_by_its_near_edge_and_height(foot_m, height_m):
    grid = walled(height_m)
    cells = cells_on(grid, 1.0)
    place = cell_at(cells, 10.0 - foot_m, 0.5)
    aim = aim_at(northward(30.0), spot_of(layers_of(grid), cells, place))
    found = obstacle_before(grid, cells, place, aim)
    # The edge stands 10 m east of the middle; the cell's middle half a metre past its corner.
    assert found.distance_m == pytest.approx(foot_m - 0.5, abs=0.02)
    assert found.height_m == pytest.approx(height_m, rel=1e-9)


def test_what_the_wall_does_not_hide_is_seen():
    grid = walled()
    cells = cells_on(grid, 1.0)
    for east_m, leg in ((5.0, northward(-10.0)), (25.0, northward(30.0)), (-20.0, northward(0.0))):
        place = cell_at(cells, east_m, 0.5)
        assert obstacle_before(grid, cells, place, aim_at(leg, spot_of(layers_of(grid), cells, place))) is None


def test_pulses_that_the_wall_stops_were_aimed_at_the_cell():
    grid = walled()
    layers, cells = layers_of(grid), cells_on(grid, 1.0)
    place, leg = cell_at(cells, 7.0, 0.5), northward(30.0)
    tally = fire_at(layers, cells, leg, light_of([REACH]), place, None)
    hidden = float(tally.aggregate[0, 0, SHADOWED])
    assert tally.first.sum() == 0
    assert hidden > 30
    assert aim_at(leg, spot_of(layers, cells, place)).aimed == pytest.approx(hidden, abs=4)


def test_a_face_turned_away_hides_itself():
    grid = grid_of(np.tile(np.where(np.arange(161) < 80, 0.0, -3.0 * (np.arange(161) - 80.0)), (161, 1)))
    cells = cells_on(grid, 1.0)
    place = cell_at(cells, 10.5, 0.5)
    aim = aim_at(
        northward(-20.0, pattern=replace(SWEEP, usable_half_angle_rad=1.3, optical_half_angle_rad=1.3)),
        spot_of(layers_of(grid), cells, place),
    )
    assert aim.cos_incidence == 0.0
    assert obstacle_before(grid, cells, place, aim) is not None


def test_legs_fired_one_by_one_pool_to_the_whole_flight():
    grid = walled()
    layers, cells = layers_of(grid), cells_on(grid, 2.0)
    legs, light = (
        [northward(30.0), northward(-10.0), northward(20.0)],
        light_of([REACH, replace(REACH, strength_m=99.0)]),
    )
    whole = fire_legs(layers, cells, legs, [light] * 3)
    for place in (cell_at(cells, 7.0, 0.5), cell_at(cells, 12.0, 3.0), cell_at(cells, -60.0, 0.5)):
        alone = pooled([fire_at(layers, cells, leg, light, place, None) for leg in legs], 1)
        for each in fields(Tally):
            if each.name == "looks":  # nobody asked for them
                continue
            expected = getattr(whole, each.name)
            expected = expected if each.name == "fired" else expected[place]
            np.testing.assert_allclose(np.squeeze(getattr(alone, each.name)), np.squeeze(expected), rtol=1e-12)


def test_no_leg_leaves_an_empty_tally():
    nothing = pooled([], 2)
    assert nothing.cases.shape == (1, 1, 2)
    assert nothing.aggregate.sum() == nothing.first.sum() == nothing.fired == 0


@pytest.mark.parametrize("pulse_rate_hz", [40e3, 40_010.0, 40_000.1])
@pytest.mark.parametrize("kind", ["oscillating_linear", "rotating"])
def test_the_near_part_of_a_leg_brings_the_cell_what_the_whole_does(kind, pulse_rate_hz):
    grid = walled()
    layers, cells, light = layers_of(grid), cells_on(grid, 1.0), light_of([REACH])
    leg = northward(20.0, pattern=replace(SWEEP, kind=kind, pulse_rate_hz=pulse_rate_hz))
    for place in (cell_at(cells, 7.0, 10.5), cell_at(cells, 12.0, 30.5), cell_at(cells, 22.0, 40.5)):
        part = near_part(leg, aim_at(leg, spot_of(layers, cells, place)))
        assert len(part.origins_m) < len(leg.origins_m)
        whole, alone = (fire_at(layers, cells, each, light, place, None) for each in (leg, part))
        np.testing.assert_allclose(alone.aggregate, whole.aggregate, rtol=1e-12)
        np.testing.assert_allclose(alone.first, whole.first, rtol=1e-12)


def test_a_tilting_leg_is_fired_whole():
    grid = walled()
    cells = cells_on(grid, 1.0)
    leg = northward(20.0, 0.1)
    aim = aim_at(leg, spot_of(layers_of(grid), cells, cell_at(cells, 22.0, 0.5)))
    assert near_part(leg, aim) is leg
