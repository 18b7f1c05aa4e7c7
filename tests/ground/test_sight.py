"""Sight from an eye, held to a slow march along each sight line and to a ridge worked by hand."""

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from planner.ground.sight import AT_HAND_M, HIDDEN, SEEN, UNTOLD, seen_from

sys.path.insert(0, str(Path(__file__).parents[1] / "ranging"))
from surfaces import grid_of, plane, rough


def marched(grid, eye, place, step_m=0.02):
    """Return the least height of a sight line above the surface [m], by small steps, nan where it leaves the grid."""
    count = int(np.linalg.norm(place - eye) / step_m) + 2
    line = eye + np.linspace(0, 1, count)[:-1, np.newaxis] * (place - eye)
    return float((line[:, 2] - grid.at(line[:, 0], line[:, 1])).min())


def test_what_is_seen_is_what_a_slow_march_sees():
    grid = rough(size=161)
    rng = np.random.default_rng(7)
    east, north = rng.uniform(-79, 79, (2, 250))
    places = np.column_stack([east, north, grid.at(east, north) + rng.uniform(0.5, 15, 250)])
    eye = np.array([-60.0, 10.0, float(grid.at(-60.0, 10.0)) + 1.7])
    seen = seen_from(grid, eye, places)
    gap = np.array([marched(grid, eye, place) for place in places])
    clear = np.linalg.norm(places - eye, axis=1) > AT_HAND_M
    sure = clear & (np.abs(gap) > 0.1)  # a grazing line is as good as either
    assert sure.sum() > 150
    assert (seen[sure] == np.where(gap[sure] > 0, SEEN, HIDDEN)).all()
    assert {SEEN, HIDDEN} <= set(seen.tolist())


def test_a_ridge_hides_the_azimuths_it_spans():
    # a wall 20 m high, 40 m east of the eye, from 30 m south to 30 m north: azimuths within atan(30 / 40) of east
    heights = np.zeros((201, 201))
    heights[70:131, 140:142] = 20.0
    azimuth = np.radians(np.arange(0, 360, 1.0))
    places = np.column_stack([80 * np.sin(azimuth), 80 * np.cos(azimuth), np.full(360, 15.0)])
    seen = seen_from(grid_of(heights), np.array([0.0, 0.0, 1.7]), places)
    off_east = np.abs((np.degrees(azimuth) - 90 + 180) % 360 - 180)
    half_deg = np.degrees(np.arctan2(30, 40))
    assert (seen[off_east < half_deg - 1.5] == HIDDEN).all()
    assert (seen[off_east > half_deg + 1.5] == SEEN).all()
    # over the wall: a line from 1.7 m up over 20 m at 41 m away is at 37.4 m at 80 m away
    high = places + np.array([0, 0, 25.0])
    assert (seen_from(grid_of(heights), np.array([0.0, 0.0, 1.7]), high) == SEEN).all()


def test_unknown_ground_hides_for_sure_only_what_known_ground_hides():
    heights = np.zeros((101, 101))
    heights[:, 60:62] = 10.0
    grid = grid_of(heights)
    known = np.ones_like(grid.known)
    known[40:61, 70:75] = False
    grid = replace(grid, known=known)
    eye = np.array([-20.0, 0.0, 1.7])
    low, high = np.array([[40.0, 0.0, 3.0]]), np.array([[40.0, 0.0, 40.0]])
    aside = np.array([[40.0, 45.0, 40.0]])
    assert seen_from(grid, eye, low)[0] == HIDDEN
    assert seen_from(grid, eye, high)[0] == UNTOLD
    assert seen_from(grid, eye, aside)[0] == SEEN


def test_what_lies_off_the_surface_or_nowhere_cannot_be_told():
    grid = plane(101)
    eye = np.array([0.0, 0.0, 1.7])
    places = np.array([[60.0, 0.0, 30.0], [np.nan, 0.0, 30.0], [40.0, 0.0, np.nan], [40.0, 0.0, 30.0]])
    assert seen_from(grid, eye, places).tolist() == [UNTOLD, UNTOLD, UNTOLD, SEEN]
    assert (seen_from(grid, np.array([70.0, 0.0, 1.7]), places) == UNTOLD).all()
    assert (seen_from(grid, np.array([0.0, 0.0, np.nan]), places) == UNTOLD).all()


def test_what_stands_at_hand_or_on_the_surface_is_seen():
    grid = plane(101)
    assert seen_from(grid, np.array([0.0, 0.0, 1.7]), np.array([[0.0, 0.0, 0.0], [30.0, 0.0, 0.0]])).tolist() == [1, 1]
    grass = plane(101)
    grass = replace(grass, heights_m=grass.heights_m + 0.5)
    assert seen_from(grass, np.array([0.0, 0.0, 1.7]), np.array([[2.0, 0.0, 0.0]]))[0] == SEEN


@pytest.mark.parametrize("threads", [1, 2])
def test_threads_do_not_change_what_is_seen(threads):
    grid = rough(size=101)
    rng = np.random.default_rng(3)
    places = np.column_stack([rng.uniform(-45, 45, (70_000, 2)), rng.uniform(0, 60, 70_000)])
    eye = np.array([5.0, -5.0, float(grid.heights_m.max()) + 2])
    assert (seen_from(grid, eye, places, threads) == seen_from(grid, eye, places, 1)).all()
