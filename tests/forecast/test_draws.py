"""Draws of flights: spreads as asked, fields that keep their variance, the same numbers for a seed."""

from dataclasses import replace

import numpy as np
import pytest

from planner.cover import Surface
from planner.forecast.draws import (
    ASIDE,
    BY_CRAB,
    BY_HEADING,
    LARGEST_LOG_SD,
    SPEED,
    TURNED,
    UP,
    SiteDoubts,
    class_log_sds,
    course_of,
    make_draws,
    patchy,
)
from planner.ground.surface import CellGrid
from planner.ranging.attitude import straight_leg
from planner.ranging.beams import ScanPattern

CELLS = CellGrid(60, 90, -30.0, 70.0, 2, 2.0)
PATTERN = ScanPattern("rotating", 100e3, 50.0, np.pi, np.radians(35.0))
LEGS = [
    straight_leg(np.array([[0.0, 0.0, 80.0], [100.0, 0.0, 80.0]]), 8.0, PATTERN),
    straight_leg(np.array([[100.0, 30.0, 80.0], [0.0, 30.0, 80.0]]), 5.0, PATTERN),
]
MANY = 4000


def drawn(doubts=None, **more):
    sds = np.array([0.3, 0.0, 0.5])
    return make_draws(doubts or SiteDoubts(), CELLS, LEGS, sds, count=more.pop("count", MANY), **more)


def test_numbers_are_as_wide_as_the_doubts():
    doubts = SiteDoubts(terrain_sd_m=0.4, aside_sd_m=1.5, up_sd_m=0.7, roll_sd_deg=0.2, pitch_sd_deg=0.6)
    draws = drawn(doubts, terms=9, into_wind=True)
    spread = pytest.approx
    assert draws.count == MANY
    assert draws.rise_m.std() == spread(0.4 * np.sqrt(0.25), rel=0.05)
    assert draws.bumps_m.std() == spread(0.4 * np.sqrt(0.75), rel=0.02)
    assert draws.legs[..., ASIDE].std() == spread(1.5, rel=0.05)
    assert draws.legs[..., UP].std() == spread(0.7, rel=0.05)
    assert np.log(draws.legs[..., SPEED]).std() == spread(0.03, rel=0.05)
    crab, heading, pitch, roll = np.degrees(np.moveaxis(draws.angles_rad, -1, 0))
    assert [heading.std(), pitch.std(), roll.std()] == spread([0.5, 0.6, 0.2], rel=0.05)
    assert draws.class_log.std(axis=0) == spread(np.array([0.3, 0.0, 0.5]) * np.sqrt(0.5), rel=0.06)
    assert np.log(draws.extinction).std() == spread(0.3, rel=0.05)
    assert np.log(draws.terms).std() == spread(0.2, rel=0.02)
    # A cross wind of 1.5 m/s at 8 and at 5 m/s: small angles, and the same wind turns legs flown opposite ways apart.
    assert crab.std(axis=0) == spread(np.degrees([1.5 / 8, 1.5 / 5]), rel=0.1)
    assert np.corrcoef(crab.T)[0, 1] < -0.8


def test_only_a_nose_in_the_wind_is_turned_by_it():
    draws = drawn(count=20)
    assert (draws.angles_rad[..., 0] == 0).all()
    assert (draws.legs[..., BY_CRAB] == 1).all()
    np.testing.assert_array_equal(draws.legs[..., TURNED], draws.legs[..., BY_HEADING])


def test_terrain_errors_have_the_declared_spread_everywhere_and_let_go_with_distance():
    doubts = SiteDoubts(terrain_sd_m=0.5, terrain_common_share=0.0)
    draws = drawn(doubts, count=3000)
    east, north = np.array([-30.0, 3.0, 21.5, 45.0]), np.array([70.0, 51.0, 33.3, -20.0])
    height = np.array([patchy(draws, draws.bumps_m, draw, east, north) for draw in range(draws.count)])
    assert height.std(axis=0) == pytest.approx(0.5, rel=0.05)
    places = np.linspace(-30.0, 20.0, 26)
    near, far = (
        np.array([patchy(draws, draws.bumps_m, draw, places + off, 33.3) for draw in range(800)]) for off in (0.0, 50.0)
    )
    # C: weights a, b with a^2 + b^2 = 1 share one node at this distance; the mean of a b over the way between nodes.
    u = np.linspace(0, 1, 2001)
    assert (near * far).mean() / 0.25 == pytest.approx(np.mean(u * (1 - u) / (u**2 + (1 - u) ** 2)), abs=0.05)


def test_a_field_goes_through_its_nodes_and_is_continuous():
    draws = drawn(count=2)
    node = draws.doubts.patch_m
    on_node = patchy(draws, draws.bumps_m, 1, -30.0 + node * np.arange(4), 70.0 - node)
    np.testing.assert_allclose(on_node, draws.bumps_m[1, 1, :4], atol=1e-12)
    beside = [patchy(draws, draws.bumps_m, 1, -30.0 + node + off, 60.0) for off in (-1e-6, 1e-6)]
    assert beside[0] == pytest.approx(beside[1], abs=1e-6)


def test_one_source_does_not_change_the_numbers_of_another():
    one, other = drawn(count=5), drawn(SiteDoubts(terrain_sd_m=9.0), count=5, terms=3)
    np.testing.assert_array_equal(one.legs, other.legs)
    np.testing.assert_array_equal(one.extinction, other.extinction)
    assert (one.bumps_m != other.bumps_m).any()


def test_a_seed_gives_the_same_numbers():
    one, same, other = drawn(count=5, seed=4), drawn(count=5, seed=4), drawn(count=5, seed=5)
    np.testing.assert_array_equal(one.turns, same.turns)
    assert (one.turns != other.turns).any()


def test_tenths_of_a_class_come_back_as_tenths_of_the_draws():
    surface = Surface(reflectance=0.2, low=0.1, high=0.4)
    sds = class_log_sds([surface], 1064.0, SiteDoubts(reflectance_log_sd=0.25))
    assert sds[0] == 0.25
    bright = 0.2 * np.exp(np.random.default_rng(1).standard_normal(200_000) * sds[1])
    assert (bright < 0.1).mean() == pytest.approx(0.1, abs=0.003)
    assert (bright > 0.4).mean() == pytest.approx(0.1, abs=0.003)


def test_spreads_that_no_normal_has():
    black = Surface(reflectance=0.02, low=0.0, high=0.1)
    unknown = Surface(reflectance=0.2)
    sds = class_log_sds([black, unknown], 905.0, SiteDoubts())
    assert sds[1] == LARGEST_LOG_SD
    assert sds[2] == SiteDoubts().reflectance_log_sd


def test_courses():
    along, right, speed = course_of(LEGS)
    np.testing.assert_allclose(along, [[1, 0], [-1, 0]], atol=1e-12)
    np.testing.assert_allclose(right, [[0, -1], [0, 1]], atol=1e-12)
    assert speed == pytest.approx([8, 5])
    assert [part.shape for part in course_of([])] == [(0, 2), (0, 2), (0,)]


def test_a_doubt_below_nothing_is_refused():
    with pytest.raises(ValueError, match="greater than or equal to 0"):
        SiteDoubts(aside_sd_m=-1.0)
    with pytest.raises(ValueError, match="less than or equal to 1"):
        SiteDoubts(terrain_common_share=1.5)


def test_every_figure_stands_in_the_words():
    words = replace(SiteDoubts(), patch_m=33.0, aside_sd_m=0.77).in_words()
    for figure in ("terrain 0.3 m", "0.77 m sideways", "33 m apart", "common practice, no source"):
        assert figure in words


def test_a_leg_flies_otherwise_by_itself_whatever_else_is_flown():
    few, doubts = {"count": 20, "seed": 4}, SiteDoubts()
    both, turned = (make_draws(doubts, CELLS, legs, np.zeros(1), **few) for legs in (LEGS, LEGS[::-1]))
    alone = make_draws(doubts, CELLS, LEGS[1:], np.zeros(1), **few)
    for name in ("legs", "turns", "angles_rad"):
        np.testing.assert_array_equal(getattr(both, name)[:, 1:], getattr(alone, name))
        np.testing.assert_array_equal(getattr(both, name), getattr(turned, name)[:, ::-1])
    twice = make_draws(doubts, CELLS, [LEGS[0], LEGS[0]], np.zeros(1), **few)
    assert (twice.legs[:, 0, :3] != twice.legs[:, 1, :3]).all()
