"""What makes the sweep fast changes no count: pieces settled whole, and angles added up from piece to piece."""

import sys
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parent))
from surfaces import grid_of, rough

from planner.ground.surface import Layers, cells_on
from planner.ranging import casting
from planner.ranging.attitude import straight_leg
from planner.ranging.beams import ScanPattern
from planner.ranging.fates import AMBIGUOUS, RETURNS, SHADOWED, TOO_FAR, TOO_NEAR
from planner.ranging.linkbudget import Reach
from planner.ranging.pulses import fire_legs

FAR = Reach(1e6, 0.0, 1.0, 0.0)
HAZE = Reach(90.0, 2e-3, 0.5, 26.0, longest_valid_m=48.0, ambiguity_m=42.0)


def leg_over(height_m, kind, usable_deg, pulse_rate_hz=60e3, turned=(0.7, 0.0, 0.0), optical_deg=None):
    optical = {"rotating": 180.0}.get(kind, optical_deg or usable_deg)
    pattern = ScanPattern(kind, pulse_rate_hz, 40.7, np.radians(optical), np.radians(usable_deg))
    along = np.array([np.sin(turned[0]), np.cos(turned[0])])
    ends = np.array([[*(side * 20 * along), height_m] for side in (-1, 1)])
    return straight_leg(ends, 8.0, pattern, turned)


def counts_of(grid, leg, reach):
    tally = fire_legs(Layers(grid, grid), cells_on(grid, grid.spacing_m), [leg], [reach])
    return tally.aggregate, tally.fired


@pytest.mark.parametrize("kind", ["oscillating_linear", "oscillating_sine"])
@pytest.mark.parametrize("pulse_rate_hz", [7e3, 300e3])
@pytest.mark.parametrize("turned", [(0.7, 0.0, 0.0), (2.9, 0.05, -0.2)])
def test_every_fate_is_that_of_the_ray_walk(kind, pulse_rate_hz, turned, monkeypatch):
    """All limits bind at once, with pieces that hold pulses of two fates."""
    grid = rough(size=151, relief_m=20.0, roof_m=0.5)
    leg = leg_over(grid.heights_m[75, 75] + 30, kind, 35.0, pulse_rate_hz, turned, optical_deg=42.0)
    swept, fired = counts_of(grid, leg, HAZE)
    monkeypatch.setattr(casting, "steep_blocks", lambda *_: np.ones((20, 20), dtype=bool))
    cast, _ = counts_of(grid, leg, HAZE)
    for channel in (RETURNS, TOO_NEAR, TOO_FAR, AMBIGUOUS):
        assert np.abs(cast[..., channel] - swept[..., channel]).sum() <= max(2e-6 * fired, 2)
        assert cast[..., channel].sum() > 50


@pytest.mark.parametrize("usable_deg", [60.0, 88.0, 89.5, 100.0])
def test_wide_scans_among_jagged_ground_meet_what_rays_meet(usable_deg, monkeypatch):
    """Angles add up over hundreds of pieces that lean back and forth, past the level too."""
    heights = np.random.default_rng(8).uniform(0.0, 6.0, (121, 121))
    heights[:, 70:72] += 30.0  # a wall beside and above the sensor
    grid = grid_of(heights)
    leg = leg_over(14.0, "rotating", usable_deg)
    swept, fired = counts_of(grid, leg, FAR)
    assert swept[..., SHADOWED].sum() > 0
    monkeypatch.setattr(casting, "steep_blocks", lambda *_: np.ones((20, 20), dtype=bool))
    cast, _ = counts_of(grid, leg, FAR)
    assert cast[..., RETURNS].sum() > 0.3 * fired
    assert np.abs(cast[..., RETURNS] - swept[..., RETURNS]).sum() <= max(2e-6 * fired, 2)
