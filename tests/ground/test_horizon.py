"""The horizon of the terrain, held to closed forms of walls and valleys and to a slow march over rough ground."""

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from planner.ground.horizon import AT_HAND_M, horizon_from

sys.path.insert(0, str(Path(__file__).parents[1] / "ranging"))
from surfaces import grid_of, plane, rough


def marched(grid, eye_m, azimuth_rad, step_m=0.02):
    """Return the greatest elevation angle [rad] along an azimuth, by small steps."""
    distance = np.arange(AT_HAND_M + step_m, 300, step_m)
    heights = grid.at(eye_m[0] + distance * np.sin(azimuth_rad), eye_m[1] + distance * np.cos(azimuth_rad))
    return float(np.nanmax(np.arctan2(heights - eye_m[2], distance)))


@pytest.mark.parametrize(("height", "distance"), [(20.0, 40), (5.0, 80), (60.0, 15)])
def test_a_wall_stands_as_high_as_its_height_by_its_distance(height, distance):
    heights = np.zeros((301, 301))
    heights[:, 150 + distance :] = height  # all that is east of a north-south line
    eye = np.array([0.0, 0.0, 2.0])
    horizon = horizon_from(grid_of(heights), eye)
    assert horizon.at(np.pi / 2) == pytest.approx(np.arctan((height - 2) / distance), abs=1e-12)
    for azimuth_deg in (40, 60, 80, 110, 130):
        # C: the wall is distance / sin(azimuth) away; a step reaches half a degree to both sides
        farther, nearer = sorted(abs(np.sin(np.radians(azimuth_deg + off))) for off in (-0.5, 0.5))
        middle = abs(np.sin(np.radians(azimuth_deg)))
        found = np.tan(horizon.at(np.radians(azimuth_deg)))
        assert (height - 2) / distance * middle - 1e-12 <= found <= (height - 2) / distance * nearer + 1e-12
        assert farther < middle < nearer


def test_a_valley_is_as_high_across_as_its_sides_are_steep_and_low_along():
    axis = np.arange(-200, 201.0)
    slope = np.tan(np.radians(35.0))
    valley = grid_of(np.tile(np.abs(axis) * slope, (401, 1)))  # runs north
    horizon = horizon_from(valley, np.array([0.0, 0.0, 0.0]))
    across, along = np.degrees(horizon.at(np.radians([90.0, 270.0]))), np.degrees(horizon.at([0.0, np.pi]))
    assert across == pytest.approx(35.0, abs=1e-9)
    assert np.abs(along).max() < 0.5  # a step of half a degree looks 0.35 deg up the sides: tan 35 sin 0.5
    # C: along an azimuth the sides rise by tan 35 deg times the sine of it
    assert np.degrees(horizon.at(np.radians(30.0))) == pytest.approx(np.degrees(np.arctan(slope * 0.5)), abs=0.5)
    # from 10 m up the floor there is less to see of it
    higher = horizon_from(valley, np.array([0.0, 0.0, 10.0]))
    assert (higher.elevation_rad <= horizon.elevation_rad).all()
    assert np.tan(higher.at(np.pi / 2)) == pytest.approx(slope - 10 / 200)


def test_flat_ground_never_rises_above_the_horizontal():
    horizon = horizon_from(plane(101), np.array([3.3, -2.2, 1.7]))
    assert (horizon.elevation_rad < 0).all()
    # C: lowest toward the nearest rim, 46.7 m to the east
    assert horizon.at(np.pi / 2) == pytest.approx(np.arctan(-1.7 / 46.7), abs=1e-3)
    on_it = horizon_from(plane(101), np.array([3.3, -2.2, 0.0]))
    assert np.abs(on_it.elevation_rad).max() < 1e-12


def test_a_slope_is_seen_as_steep_as_it_is():
    # C: a plane that rises by 0.2 eastward and 0.1 northward, seen from a point on it
    horizon = horizon_from(plane(201, 0.2, 0.1), np.zeros(3))
    azimuth = np.radians(np.arange(360))
    ahead = 0.2 * np.sin(azimuth) + 0.1 * np.cos(azimuth)
    assert (np.tan(horizon.elevation_rad) >= ahead - 1e-9).all()
    assert np.abs(np.tan(horizon.elevation_rad) - ahead).max() < 0.224 * np.radians(0.5) + 1e-9


def test_rough_ground_is_seen_as_a_slow_march_sees_it():
    grid = rough(size=161)
    eye = np.array([7.3, -12.6, float(grid.at(7.3, -12.6)) + 1.7])
    horizon = horizon_from(grid, eye)
    for step in range(0, 360, 7):
        seen = [marched(grid, eye, np.radians(step + off)) for off in (-0.5, -0.25, 0.0, 0.25, 0.5)]
        assert horizon.elevation_rad[step] >= max(seen) - 0.002
        assert horizon.elevation_rad[step] >= max(seen[0], seen[2], seen[4]) - 1e-9
        assert horizon.elevation_rad[step] <= max(seen) + 0.005


def test_a_mast_between_two_azimuths_is_not_missed():
    heights = np.zeros((401, 401))
    heights[50, 201] = 40.0  # 150 m north and 1 m east: azimuth 0.38 deg
    horizon = horizon_from(grid_of(heights), np.array([0.0, 0.0, 1.0]))
    assert np.tan(horizon.at(0.0)) == pytest.approx(39 / np.hypot(150, 1))


def test_azimuths_count_from_true_north():
    heights = np.zeros((201, 201))
    heights[:, 150:] = 20.0
    turn = np.radians(3.0)  # grid heading = true heading - convergence
    level, turned = (horizon_from(grid_of(heights), np.array([0, 0, 1.0]), angle) for angle in (0.0, turn))
    assert turned.at(np.pi / 2 + turn) == pytest.approx(level.at(np.pi / 2), abs=1e-9)


def test_beyond_what_is_known_the_horizon_is_what_was_seen():
    heights = np.zeros((201, 201))
    heights[:, 140:] = 20.0
    grid = grid_of(heights)
    known = np.ones_like(grid.known)
    known[:, 120:] = False
    part = horizon_from(replace(grid, known=known), np.array([0, 0, 1.0]))
    whole = horizon_from(grid, np.array([0, 0, 1.0]))
    assert whole.reach_m[90] == pytest.approx(100.0)
    assert part.reach_m[90] == pytest.approx(19.0, abs=1.0)
    assert part.at(np.pi / 2) < 0 < whole.at(np.pi / 2)
    assert part.reach_m[270] == whole.reach_m[270]
    nothing = horizon_from(replace(grid, known=np.zeros_like(known)), np.array([0, 0, 1.0]))
    assert (nothing.elevation_rad == -np.pi / 2).all()
    assert (nothing.reach_m == 0).all()
    # seen from off the lattice: what is on it counts, and how far the ground is known cannot be said
    aside = horizon_from(grid, np.array([-150.0, 0.0, 1.0]))
    assert aside.at(np.pi / 2) == pytest.approx(np.arctan(19 / 190))
    assert (aside.reach_m == 0).all()
