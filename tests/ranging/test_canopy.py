"""Light through crowns: closed forms, a slow integral along the path, thrown leaves, and the Poisson law."""

import math

import numpy as np
import pytest
from surfaces import grid_of

from planner.cover import Canopy
from planner.ground.surface import Layers
from planner.ranging.canopy import (
    BLOCK,
    crowns_of,
    expected_returns,
    optical_depth,
    reach_ground_chance,
    sample_crown_returns,
    transmission,
)

OAK = Canopy(lai_leaf_on=4.5, lai_leaf_off=1.0)


def stand(height_m=20.0, depth=2.25, size=121, spacing_m=1.0, east=0.0, north=0.0):
    """Return even crowns on a plane centred on the origin: rise per metre eastward and northward."""
    axis = (np.arange(size) - (size - 1) / 2) * spacing_m
    ground = east * axis[None, :] - north * axis[:, None]
    foliage = np.full((size - 1, size - 1), depth)
    return Layers(grid_of(ground + height_m, spacing_m), grid_of(ground, spacing_m), foliage)


def bumpy(seed, size=90):
    """Return hilly ground under crowns of 5 to 20 m with gaps, and a depth of its own for each square."""
    rng = np.random.default_rng(seed)
    y, x = np.mgrid[0:size, 0:size].astype(float)
    ground = 3 * np.sin(x / 17) + 2 * np.cos(y / 11)
    crowns = np.zeros((size, size))
    for x0, y0, height, radius in rng.uniform((0, 0, 5, 2), (size, size, 20, 5), (150, 4)):
        off = np.hypot(x - x0, y - y0) / radius
        crowns = np.maximum(crowns, np.where(off < 1, height * (1 - 0.4 * off**2), 0))
    leafy = np.maximum.reduce([crowns[:-1, :-1], crowns[1:, :-1], crowns[:-1, 1:], crowns[1:, 1:]]) > 0.5
    return Layers(grid_of(ground + crowns), grid_of(ground), np.where(leafy, rng.uniform(0.5, 3, leafy.shape), 0))


def ray_up(point, off_nadir_deg, azimuth_deg, rise_m=80.0):
    """Return the place of a sensor `rise_m` above a point, seen at these angles."""
    aside = rise_m * math.tan(math.radians(off_nadir_deg))
    azimuth = math.radians(azimuth_deg)
    return (point[0] + aside * math.sin(azimuth), point[1] + aside * math.cos(azimuth), point[2] + rise_m)


def depth_between(crowns, point, sensor):
    """Return the optical depth of the foliage on a path."""
    return -math.log(transmission(crowns, point, sensor))


def slow_depth(layers, point, sensor, step_m=0.004):
    """Return the foliage on a path by summing short steps, without our kernels."""
    ends = np.array([point, sensor], dtype=float)
    length = np.linalg.norm(ends[1] - ends[0])
    count = int(length / step_m)
    east, north, up = (ends[0] + (np.arange(count)[:, None] + 0.5) / count * (ends[1] - ends[0])).T
    top, ground = layers.top, layers.ground
    between = (up > ground.at(east, north)) & (up < top.at(east, north))
    row = np.floor((top.north_m - north) / top.spacing_m).astype(int)
    col = np.floor((east - top.west_m) / top.spacing_m).astype(int)
    tall = np.maximum(top.heights_m - ground.heights_m, 0)
    corners = tall[:-1, :-1] + tall[1:, :-1] + tall[:-1, 1:] + tall[1:, 1:]
    row, col = (np.clip(index, 0, size - 1) for index, size in zip((row, col), corners.shape, strict=True))
    density = layers.foliage[row, col] / np.where(corners[row, col] > 0, corners[row, col] / 4, np.inf)
    return float((density * between).sum() * length / count)


def test_depth_is_k_times_leaf_area_or_the_logarithm_of_the_share_let_through():
    assert optical_depth(OAK, "leaf_on") == 0.5 * 4.5
    assert optical_depth(OAK, "leaf_off") == 0.5 * 1.0
    measured = Canopy(penetration_leaf_on=0.25, penetration_leaf_off=0.6)
    assert optical_depth(measured, "leaf_on") == pytest.approx(math.log(4))
    assert reach_ground_chance(optical_depth(measured, "leaf_off"), 1.0) == pytest.approx(0.6)


@pytest.mark.parametrize("bare", [Canopy(lai_leaf_on=0, lai_leaf_off=0), Canopy(penetration_leaf_on=1, lai_leaf_off=0)])
def test_crowns_without_leaves_are_not_marked_opaque(bare):
    for season in ("leaf_on", "leaf_off"):
        assert 0 < optical_depth(bare, season) < 1e-9


def test_seasons_differ_as_the_closed_form_says():
    cos = np.cos(np.radians([0, 20, 40]))
    on, off = (reach_ground_chance(optical_depth(OAK, season), cos) for season in ("leaf_on", "leaf_off"))
    assert on[0] == pytest.approx(0.1054, abs=1e-4)
    assert off[0] == pytest.approx(0.6065, abs=1e-4)
    np.testing.assert_allclose(off / on, np.exp(0.5 * 3.5 / cos), rtol=1e-12)
    assert (np.diff(on) < 0).all()


def test_leaves_that_face_every_way_alike_have_the_default_extinction():
    # Mean shadow of a unit leaf across any ray, over a sphere of normals (spherical distribution: G = 1/2).
    cos = (np.arange(4000) + 0.5) / 4000
    assert pytest.approx(cos.mean(), abs=1e-9) == OAK.k


def test_the_law_holds_for_thrown_leaves():
    """Round leaves thrown at random into a box, and rays that meet none: no formula of ours takes part."""
    rng = np.random.default_rng(4)
    side, high, radius, index = 40.0, 6.0, 0.25, 1.5
    leaves = int(index * side**2 / (math.pi * radius**2))
    centre = rng.uniform(0, (side, side, high), (leaves, 3))
    normal = rng.normal(size=(leaves, 3))
    normal /= np.linalg.norm(normal, axis=1)[:, None]
    tilt = math.radians(35)
    ray = np.array([math.sin(tilt), 0.0, math.cos(tilt)])
    starts = np.column_stack([rng.uniform(5, 30, 600), rng.uniform(5, 35, 600), np.zeros(600)])
    free = 0
    for start in starts:
        far = ((centre - start) * normal).sum(1) / (normal @ ray)
        free += not (np.linalg.norm(start + far[:, None] * ray - centre, axis=1) < radius).any()
    chance = float(reach_ground_chance(optical_depth(Canopy(lai_leaf_on=index, lai_leaf_off=0), "leaf_on"), ray[2]))
    assert free / 600 == pytest.approx(chance, abs=4 * math.sqrt(chance * (1 - chance) / 600))


@pytest.mark.parametrize("spacing_m", [0.5, 1.0, 3.0])
@pytest.mark.parametrize("off_nadir_deg", [0, 10, 33.3, 44])
def test_even_crowns_follow_the_closed_form(spacing_m, off_nadir_deg):
    crowns = crowns_of(stand(spacing_m=spacing_m))
    for azimuth_deg in (0, 45, 90, 131, 180, 270, 300):
        for point in ((0.0, 0.0, 0.0), (0.2, -0.7, 0.0), (3.99, 2.5, 0.0)):
            found = transmission(crowns, point, ray_up(point, off_nadir_deg, azimuth_deg))
            asked = reach_ground_chance(2.25, math.cos(math.radians(off_nadir_deg)))
            assert found == pytest.approx(float(asked), abs=1e-9)


def test_crowns_on_a_slope_are_thickest_for_rays_along_it():
    layers = stand(east=0.3, north=-0.2)
    crowns = crowns_of(layers)
    point = (1.3, -2.6, float(layers.ground.at(1.3, -2.6)))
    assert transmission(crowns, point, ray_up(point, 0, 0)) == pytest.approx(math.exp(-2.25), abs=1e-9)
    for azimuth_deg in (20, 90, 200, 270):
        sensor = ray_up(point, 30, azimuth_deg)
        way = np.subtract(sensor, point) / np.linalg.norm(np.subtract(sensor, point))
        gained = way[2] - 0.3 * way[0] + 0.2 * way[1]  # height over ground per metre of path
        assert depth_between(crowns, point, sensor) == pytest.approx(2.25 / gained, abs=1e-9)


def test_part_of_the_way_counts_its_share():
    crowns = crowns_of(stand())
    cos = math.cos(math.radians(25))
    for share in (0.1, 0.5, 0.9):
        inside = (0.4, 0.3, 20.0 * share)
        up = depth_between(crowns, inside, ray_up(inside, 25, 70))
        assert up == pytest.approx(2.25 * (1 - share) / cos, abs=1e-9)
        ground = (0.4, 0.3, 0.0)
        assert depth_between(crowns, ground, ray_up(ground, 25, 70, 20 * share)) == pytest.approx(
            2.25 * share / cos, abs=1e-9
        )
    buried = (0.4, 0.3, -5.0)
    assert depth_between(crowns, buried, ray_up(buried, 25, 70)) == pytest.approx(2.25 / cos, abs=1e-9)
    over = (0.4, 0.3, 20.5)
    assert transmission(crowns, over, ray_up(over, 25, 70)) == 1


def test_either_end_may_be_named_first():
    crowns = crowns_of(bumpy(3))
    for azimuth_deg in (15, 160, 250):
        point = (2.2, -3.1, 1.0)
        sensor = ray_up(point, 35, azimuth_deg, 40)
        assert depth_between(crowns, sensor, point) == pytest.approx(depth_between(crowns, point, sensor), rel=1e-9)


def test_a_ray_from_open_ground_meets_the_edge_of_a_wood():
    size = 121
    tall = np.where(np.arange(size) - 60 >= 10, 20.0, 0.0) * np.ones((size, 1))
    foliage = np.where(np.arange(size - 1) - 60 >= 10, 2.25, 0.0) * np.ones((size - 1, 1))
    crowns = crowns_of(Layers(grid_of(tall), grid_of(np.zeros((size, size))), foliage))
    point, angle = (4.6, 0.3, 0.0), math.radians(40)
    inside_m = (20.0 - 5.4 / math.tan(angle)) / math.cos(angle)
    assert depth_between(crowns, point, ray_up(point, 40, 90)) == pytest.approx(2.25 / 20 * inside_m, abs=1e-9)
    assert transmission(crowns, point, ray_up(point, 40, 270)) == 1
    assert transmission(crowns, point, ray_up(point, 10, 90)) == 1  # passes over the edge


@pytest.mark.parametrize("seed", [1, 2])
def test_bumpy_crowns_agree_with_a_slow_sum_along_the_path(seed):
    layers = bumpy(seed)
    crowns = crowns_of(layers)
    rng = np.random.default_rng(seed + 10)
    assert crowns.lids_m.shape == (-(-89 // BLOCK),) * 2
    found, asked = [], []
    for _ in range(60):
        east, north = rng.uniform(-44, 44, 2)
        point = (east, north, float(layers.ground.at(east, north)))
        sensor = ray_up(point, rng.uniform(0, 45), rng.uniform(0, 360), 60)
        found.append(depth_between(crowns, point, sensor))
        asked.append(slow_depth(layers, point, sensor))
    assert np.mean(np.array(asked) > 0.5) > 0.4
    np.testing.assert_allclose(found, asked, rtol=2e-3, atol=5e-3)


def test_nothing_grows_outside_the_lattice_or_without_foliage():
    layers = stand(size=41)
    crowns = crowns_of(layers)
    assert transmission(crowns, (25.0, 0.0, 0.0), (25.0, 0.0, 80.0)) == 1
    edge = (19.5, 0.0, 0.0)
    leaving = 0.5 / math.sin(math.radians(30)) * 2.25 / 20  # half a metre of ground, then the lattice ends
    assert depth_between(crowns, edge, ray_up(edge, 30, 90)) == pytest.approx(leaving, abs=1e-9)
    none = crowns_of(Layers(layers.top, layers.ground))
    assert none.density_per_m.size == 0
    assert transmission(none, (0.0, 0.0, 0.0), (0.0, 0.0, 80.0)) == 1


def test_opaque_squares_hold_no_foliage():
    layers = stand(size=41)
    layers.foliage[:, :20] = 0
    crowns = crowns_of(layers)
    assert not crowns.density_per_m[:, :20].any()
    assert transmission(crowns, (-5.5, 0.5, 20.0), (-5.5, 0.5, 80.0)) == 1


def poisson(mean, count):
    return math.exp(-mean) * mean**count / math.factorial(count)


@pytest.mark.parametrize("most", [1, 2, 3, 7])
@pytest.mark.parametrize("mean", [0.0, 1e-9, 0.4, 2.25, 6.0])
def test_expected_returns_are_those_of_all_pairs_of_contacts(mean, most):
    asked = 0.0
    for core in range(60):
        for rim in range(60):
            returns = min(core, most) if core else min(rim, most - 1) + 1
            asked += poisson(mean, core) * poisson(mean, rim) * returns
    assert expected_returns(mean, most) == pytest.approx(asked, abs=1e-12)


def test_expected_returns_in_the_limits():
    means = np.array([0.0, 0.1, 1.0, 3.0, 200.0])
    np.testing.assert_allclose(expected_returns(means, 1), 1, rtol=1e-14)
    np.testing.assert_allclose(expected_returns(means, 5)[[0, -1]], [1, 5], rtol=1e-14)
    many = means[:-1]
    np.testing.assert_allclose(expected_returns(many, 60), many + np.exp(-many) * (many + 1), rtol=1e-12)


@pytest.mark.parametrize("most", [1, 3])
def test_drawn_returns_agree_with_the_expected_ones(most):
    mean = np.repeat([0.0, 0.7, 2.25], 40_000)
    reaches, crown = sample_crown_returns(np.random.default_rng(8), mean, most)
    returns = crown + reaches
    assert returns.min() == 1
    assert returns.max() == most
    assert (crown[~reaches] >= 1).all()
    for value in (0.0, 0.7, 2.25):
        here = mean == value
        chance = math.exp(-value)
        assert reaches[here].mean() == pytest.approx(chance, abs=5 * math.sqrt(chance * (1 - chance) / 40_000))
        spread = returns[here].std() / 200
        assert returns[here].mean() == pytest.approx(float(expected_returns(value, most)), abs=5 * spread + 1e-12)


def test_the_same_seed_draws_the_same_returns():
    first, second = (sample_crown_returns(np.random.default_rng(5), np.full((20, 30), 1.2), 4) for _ in range(2))
    for here, there in zip(first, second, strict=True):
        assert here.shape == (20, 30)
        np.testing.assert_array_equal(here, there)
