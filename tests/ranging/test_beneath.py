"""Crowns in the engine: what is stopped, what comes through, and where it is counted."""

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parent))
from surfaces import plane

from planner.ground.surface import Layers, cells_on
from planner.ranging.attitude import straight_leg
from planner.ranging.beams import ScanPattern
from planner.ranging.fates import RETURNS
from planner.ranging.linkbudget import Reach
from planner.ranging.pulses import fire_legs

FAR = Reach(1e6, 0.0, 1.0, 0.0, returns_per_pulse=5)
PATTERNS = {
    "polygon": ScanPattern("polygon", 200e3, 101.7, np.radians(30), np.radians(30)),
    "conical": ScanPattern("conical", 200e3, 41.3, np.radians(25), np.radians(25)),
}


def wood(crown_m=20.0, depth=1.2, beside_m=None):
    """Return flat ground under a crown layer of even height, everywhere or west of a line only."""
    ground = plane(401)
    east = ground.west_m + np.arange(401)
    tall = np.full(401, crown_m) if beside_m is None else np.where(east <= beside_m, crown_m, 0.0)
    top = replace(ground, heights_m=ground.heights_m + tall[None, :])
    squares = (tall[:-1] > 0) & (tall[1:] > 0)
    return Layers(top, ground, np.where(squares, depth, 0.0)[None, :].repeat(400, axis=0))


def fire(layers, name, reach=FAR, cell_m=4.0):
    points = np.array([[0.0, -30.0, 90.0], [0.0, 30.0, 90.0]])
    cells = cells_on(layers.top, cell_m)
    return fire_legs(layers, cells, [straight_leg(points, 8.0, PATTERNS[name])], [reach]), cells


def across(values, cells):
    """Return the mean over the middle of the leg, from west to east."""
    east, north = cells.centres_m()
    return east, values[np.abs(north) < 10].mean(axis=0)


def test_ground_returns_through_even_crowns_follow_beer_and_lambert():
    """exp(-k LAI / cos t) of what lands at scan angle t: the law of Beer and Lambert for leaves, closed form [C]."""
    tally, cells = fire(wood(depth=1.2), "polygon")
    east, seen = across(tally.ground, cells)
    _, free = across(tally.open_ground, cells)
    inside = np.abs(east) < 90 * np.tan(np.radians(30)) - 6
    expected = np.exp(-1.2 / np.cos(np.arctan2(np.abs(east), 90.0)))
    assert seen[inside] / free[inside] == pytest.approx(expected[inside], rel=2e-3)


def test_leaf_off_over_leaf_on_is_the_ratio_of_the_closed_forms():
    """k = 0.5, LAI 1 against 4.5: straight below exp(1.75) = 5.75 times the ground returns [C]."""
    off, cells = fire(wood(depth=0.5), "polygon")
    on, _ = fire(wood(depth=2.25), "polygon")
    east, ratio = across(off.ground / np.maximum(on.ground, 1e-9), cells)
    assert ratio[np.abs(east) < 3] == pytest.approx(np.exp(1.75), rel=5e-3)


@pytest.mark.parametrize("name", list(PATTERNS))
@pytest.mark.parametrize("returns", [1, 5])
def test_a_cone_of_light_through_crowns_keeps_its_first_returns(name, returns):
    """First returns only move, from the hull to the ground: their sum stays the pulses that return, to 1e-9."""
    tally, _ = fire(wood(), name, replace(FAR, returns_per_pulse=returns))
    hulls = tally.aggregate[..., RETURNS].sum()
    assert hulls == tally.fired
    assert tally.first.sum() == pytest.approx(hulls, rel=1e-9)
    assert tally.first.min() > -1e-9


def test_conical_ground_share_is_one_number():
    """Every pulse of a cone of 25 degrees passes depth / cos 25 [closed form, C]."""
    tally, _ = fire(wood(depth=1.2), "conical")
    assert tally.ground.sum() / tally.fired == pytest.approx(np.exp(-1.2 / np.cos(np.radians(25))), rel=1e-9)


@pytest.mark.parametrize("returns", [1, 2])
def test_first_returns_light_up_what_an_opaque_crown_would_hide(returns):
    """East of a wood the ground behind its edge is reached by the share that passes the crowns: P, or P^2 for the
    first of several returns (core and rim of the beam)."""
    layers = wood(beside_m=10.0, depth=0.8)
    tally, cells = fire(layers, "polygon", replace(FAR, returns_per_pulse=returns), cell_m=1.0)
    bare, _ = fire(Layers(layers.ground, layers.ground), "polygon", cell_m=1.0)
    east, first = across(tally.first, cells)
    _, open_ground = across(bare.first, cells)
    # The last leaves stand at 10 m. The ray to a place x has them from the hull at 20 m down to the height
    # 90 (1 - 10 / x), 0.04 of optical depth to the metre.
    behind = (east > 10) & (east < 12)
    among = (20 - 90 * (1 - 10 / east[behind])) * 0.04 / np.cos(np.arctan2(east[behind], 90.0))
    expected = np.exp(-among * returns)
    assert expected.max() < 0.8
    assert first[behind] / open_ground[behind] == pytest.approx(expected, abs=0.01)
    assert first[(east > 16) & (east < 40)] == pytest.approx(open_ground[(east > 16) & (east < 40)], rel=0.05)


def test_the_slope_of_a_hull_costs_no_range():
    """Leaves face every way: a crown with a steep side returns from as far as one that faces the light."""
    ground = plane(201)
    east = ground.west_m + np.arange(201)
    tall = 15 + 8 * np.abs((east / 4 + 0.5) % 2 - 1)  # steep folds, some 63 degrees
    top = replace(ground, heights_m=ground.heights_m + tall[None, :])
    layers = Layers(top, ground, np.full((200, 200), 1.0))
    reach = Reach(95.0, 0.0, 1.0, 0.0, returns_per_pulse=5)
    opaque, _ = fire(Layers(top, ground), "polygon", reach)
    leafy, _ = fire(layers, "polygon", reach)
    assert opaque.aggregate[..., RETURNS].sum() < 0.95 * opaque.fired
    assert leafy.aggregate[..., RETURNS].sum() > 0.99 * leafy.fired
