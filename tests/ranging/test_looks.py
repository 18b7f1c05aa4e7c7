"""Looks against the geometry they claim and the counts of the pulse engine."""

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parent))
from surfaces import grid_of, plane, rough
from test_pulses import FAR, leg_of, pattern_of

from planner.ground.surface import Layers, cells_on
from planner.ranging.attitude import to_world
from planner.ranging.looks import RIM_RAD, faces_of
from planner.ranging.pulses import fire_legs


def swaying(leg, seed=1, sd_deg=0.5):
    """Return a leg whose attitude wanders smoothly."""
    wave = np.sin(np.linspace(0, 9, len(leg.angles_rad))[:, None] * [1.0, 1.3, 0.7] + seed)
    return replace(leg, angles_rad=leg.angles_rad + np.radians(sd_deg) * wave)


def fire(grid, legs, cell_m=2.0, wanted=True):
    cells = cells_on(grid, cell_m)
    faces = faces_of(Layers(grid, grid), cells, np.full((cells.rows, cells.cols), wanted))
    return fire_legs(Layers(grid, grid), cells, legs, [FAR] * len(legs), faces=faces), cells, faces


def in_sensor(faces, looks, legs):
    """Return forward, right, down of the cells as seen at each look, shape (n, 3) [m]."""
    origins = np.array([legs[leg].origins_m[sample] for leg, sample in zip(looks.leg, looks.sample, strict=True)])
    turns = np.array(
        [to_world(legs[leg].angles_rad[s : s + 1])[0] for leg, s in zip(looks.leg, looks.sample, strict=True)]
    )
    return np.einsum("nji,nj->ni", turns, faces.centres_m[looks.cell] - origins)


def test_a_plane_has_one_face():
    grid = plane(41, 0.2, -0.1)
    cells = cells_on(grid, 2.0)
    faces = faces_of(Layers(grid, grid), cells, np.ones((cells.rows, cells.cols), bool))
    assert np.allclose(faces.centres_m[:, 2], grid.at(faces.centres_m[:, 0], faces.centres_m[:, 1]))
    assert np.allclose(faces.slopes, [0.2, -0.1])


@pytest.mark.parametrize("tilt_deg", [0.0, 12.0, -8.0])
def test_scan_planes_of_looks_hold_the_cells(tilt_deg):
    legs = [swaying(leg_of(yaw=0.6, tilt=np.radians(tilt_deg), roll=0.05)), swaying(leg_of(yaw=2.0, middle=(10, 5)), 3)]
    tally, _, faces = fire(rough(4, 241, relief_m=15.0), legs)
    ahead, aside, down = in_sensor(faces, tally.looks, legs).T
    step = 8.0 / 100.0
    assert np.percentile(np.abs(ahead), 99) < step
    assert (np.arctan2(np.abs(aside), down) <= legs[0].pattern.usable_half_angle_rad + RIM_RAD + 1e-3).all()


def test_looks_bring_what_the_engine_counts():
    legs = [swaying(leg_of(yaw=0.6)), swaying(leg_of(yaw=2.0, middle=(10, 5)), 3)]
    tally, _, _ = fire(rough(4, 241, relief_m=15.0), legs)
    pooled = np.bincount(tally.looks.cell, tally.looks.returns, minlength=tally.first.size).reshape(tally.first.shape)
    ends = 1 - pooled.sum() / tally.first.sum()
    # a cell whose middle lies before the first or past the last scan line has no look: half a cell at each end of 120 m
    assert 0 <= ends < 2 * 2.0 / 120
    looked_at_by_all = np.bincount(tally.looks.cell, minlength=pooled.size).reshape(pooled.shape) == 2
    assert np.allclose(pooled[looked_at_by_all], tally.first[looked_at_by_all], rtol=1e-6)


def test_hidden_cells_keep_a_look_without_returns():
    z = np.zeros((121, 121))
    z[:, 70:73] = 25.0
    leg = leg_of(height=50.0, yaw=0.0)
    tally, _, faces = fire(grid_of(z, 1.0), [leg], cell_m=1.0)
    east = faces.centres_m[tally.looks.cell, 0]
    behind = (east > 13.5) & (east < 20) & (np.abs(faces.centres_m[tally.looks.cell, 1]) < 40)
    assert behind.any()
    assert (tally.looks.returns[behind] == 0).all()


@pytest.mark.parametrize(("kind", "half_deg"), [("conical", 20.0), ("rosette", 20.0)])
def test_circles_are_looked_from_both_sides(kind, half_deg):
    leg = leg_of(pattern=pattern_of(kind, half_deg, pulse_rate_hz=20e3, line_rate_hz=50.0))
    tally, _, faces = fire(grid_of(np.zeros((161, 161)), 1.0), [leg])
    ahead, aside, down = in_sensor(faces, tally.looks, [leg]).T
    off = np.degrees(np.arctan2(np.hypot(ahead, aside), down))
    middle = np.abs(np.degrees(np.arctan2(aside, down))) < half_deg - 1
    if kind == "conical":
        assert np.allclose(off[middle], half_deg, atol=0.5)
    assert off[middle].max() < half_deg + 0.5
    assert np.isclose((ahead[middle] > 0).mean(), 0.5, atol=0.05)


def test_nobody_looks_at_cells_that_are_not_wanted():
    tally, _, _ = fire(rough(4, 161), [leg_of()], wanted=False)
    assert tally.looks.returns.size == 0
