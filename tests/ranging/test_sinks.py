"""What makes counting fast changes no count: sure pulses counted whole, and arrays lent to kernels."""

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parent))
from surfaces import rough

from planner.ground.kernels import kernel, lent
from planner.ground.surface import Layers, cells_on
from planner.ranging.attitude import straight_leg
from planner.ranging.beams import ScanPattern
from planner.ranging.fates import RETURNS, SHADOWED, light_of
from planner.ranging.linkbudget import Reach
from planner.ranging.pulses import fire_legs
from planner.ranging.sinks import MIXED, SURE, counted, empty_sink, first_returns_in

REACH = Reach(90.0, 2e-3, 0.5, 26.0)
HEIGHT_M = 34.0

# All but `best`: of two legs that send alike, rounding picks one.
COUNTS = ("aggregate", "first", "ground", "open_ground", "cases", "most_first", "most_ground", "most_cases", "passes")


def a_leg(kind, turn_rad):
    opening = np.radians(25.0 if kind == "conical" else 35.0)
    pattern = ScanPattern(kind, 60e3, 40.7, opening, opening)
    along = np.array([np.sin(turn_rad), np.cos(turn_rad)])
    ends = np.array([[*(side * 20 * along), HEIGHT_M] for side in (-1, 1)])
    return straight_leg(ends, 8.0, pattern, (turn_rad, 0.0, 0.0))


@pytest.mark.parametrize("kind", ["oscillating_linear", "oscillating_sine", "conical"])
@pytest.mark.parametrize("standing", ["nothing", "blocks", "crowns"])
def test_pulses_counted_whole_are_those_whose_chances_are_one(kind, standing):
    """The same flight with nothing taken for sure: every chance of every case is looked up."""
    top = rough(size=121, relief_m=12.0, roof_m=6.0)
    top = replace(top, heights_m=top.heights_m - top.heights_m.max() + 12.0)
    tall = np.random.default_rng(4).choice([0.0, 0.0, 5.0], top.heights_m.shape)
    ground = top if standing == "nothing" else replace(top, heights_m=top.heights_m - tall)
    foliage = np.where(np.random.default_rng(5).random((120, 120)) < 0.3, 1.2, 0.0) if standing == "crowns" else None
    layers, cells = Layers(top, ground, foliage), cells_on(top, 2.0)
    legs = [a_leg(kind, 0.7), a_leg(kind, 2.1)]
    light = light_of([REACH, replace(REACH, extinction_per_m=6e-3), replace(REACH, strength_m=60.0)])
    unsure = light._replace(asked=np.full(1, np.inf))
    quick, slow = (fire_legs(layers, cells, legs, [each, each]) for each in (light, unsure))
    mostly = quick.aggregate[..., RETURNS].sum() / quick.fired
    assert 0.1 < mostly < len(legs)
    for name in COUNTS:
        np.testing.assert_allclose(getattr(quick, name), getattr(slow, name), rtol=1e-12, atol=1e-9)


def test_parts_are_left_out_where_all_is_sure():
    sink = empty_sink((2, 3), 1)
    sink.whole[1, 2, SURE] = 7
    sink.parts[1, 2] = 5.0
    assert counted.py_func(sink.whole, sink.parts, 1, 2, RETURNS) == 7
    sink.whole[1, 2, MIXED] = 1
    assert counted.py_func(sink.whole, sink.parts, 1, 2, RETURNS) == 12
    assert counted.py_func(sink.whole, sink.parts, 1, 2, SHADOWED) == 5
    assert first_returns_in(sink, np.array([4, 5])).tolist() == [0, 17]  # those from beneath crowns too


@kernel
def _mark(arrays, value):
    (first, _), second = lent(arrays)
    first[0], second[-1] = value, first[1]


def test_what_is_lent_is_the_array_itself_and_still_its_owners():
    first, second = np.array([1.0, 2.0]), np.array([3, 4])
    before = sys.getrefcount(first), sys.getrefcount(second)
    for _ in range(3):
        _mark(((first, 8.0), second), 9.0)
    assert (sys.getrefcount(first), sys.getrefcount(second)) == before
    assert first.tolist() == [9.0, 2.0]
    assert second.tolist() == [3, 2]
