"""Checkpoints: chances against the published law, and every rule of a layout held by brute force."""

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from planner.forecast.checkpoints import place_checkpoints
from planner.forecast.footing import Footing, read_footing
from planner.forecast.layoutrules import QUADRANTS, Land
from planner.forecast.passing import checkpoints_for_area, chi_square_below, largest_sd_passing, pass_chance
from planner.ground.surface import CellGrid, HeightGrid, Layers, cells_on
from planner.requirement import Checkpoints

ASKED = Checkpoints()
CELL_M = 2.0


def grid_of(heights_m, spacing_m=1.0):
    known = ~np.isnan(heights_m)
    return HeightGrid(np.nan_to_num(heights_m), known, -7.0, 11.0, spacing_m)


def lattice(rows, cols, spacing_m=1.0):
    """Return local east and north of the vertices of `grid_of`."""
    return np.meshgrid(-7.0 + spacing_m * np.arange(cols), 11.0 - spacing_m * np.arange(rows))


def footing_of(top_m, ground_m=None, wanted_m=1.0, spacing_m=1.0, foliage=None):
    top = grid_of(top_m, spacing_m)
    ground = top if ground_m is None else grid_of(ground_m, spacing_m)
    cells = cells_on(ground, wanted_m)
    return cells, read_footing(cells, Layers(top, ground, foliage))


def flat_footing(shape, **changes):
    """Return level, open ground without a break anywhere."""
    level = np.zeros(shape)
    everywhere = np.ones(shape, dtype=bool)
    return replace(Footing(level, level, level, np.full(shape, np.inf), everywhere, everywhere, True), **changes)


def land_of(shape, **changes):
    """Return land that meets its density all over."""
    none = np.zeros(shape, dtype=np.uint8)
    return replace(Land(np.ones(shape, dtype=bool), none, none, (), none > 0), **changes)


def cells_of(shape):
    return CellGrid(*shape, -100.0, 300.0, 1, CELL_M)


def rule(layout, name):
    return next(each for each in layout.rules if each.name == name)


def at_cells(layout, cells):
    """Return row and column of each point, from its coordinates."""
    rows = [round((cells.north_m - point.north_m) / cells.cell_m - 0.5) for point in layout.points]
    cols = [round((point.east_m - cells.west_m) / cells.cell_m - 0.5) for point in layout.points]
    return np.array(rows, dtype=int), np.array(cols, dtype=int)


def least_distance_m(layout):
    places = [(point.east_m, point.north_m) for point in layout.points]
    return min((math.dist(a, b) for n, a in enumerate(places) for b in places[:n]), default=math.inf)


# How many, and what they prove


@pytest.mark.parametrize(
    ("area_km2", "count"),
    [(0.01, 30), (1, 30), (1000, 30), (1001, 40), (2000, 40), (5500, 80), (9500, 120), (25000, 120)],
)
def test_number_by_area(area_km2, count):
    """ASPRS Edition 2: least 30 and most 120 (R), the steps between (M)."""
    assert checkpoints_for_area(area_km2) == count


@pytest.mark.parametrize(("true_cm", "chance"), [(4.0, 0.974), (4.5, 0.823), (6.0, 0.108)])
def test_chance_to_pass_at_thirty_points(true_cm, chance):
    """RMSE limit 5 cm, 30 checkpoints, by the chi-square law (C, to 0.01)."""
    assert pass_chance(30, true_cm / 100, 0.05) == pytest.approx(chance, abs=0.01)


@pytest.mark.parametrize(
    ("degrees", "value", "below"),
    [
        (1, 3.841, 0.95),
        (2, 5.991, 0.95),
        (5, 11.070, 0.95),
        (10, 18.307, 0.95),
        (30, 43.773, 0.95),
        (30, 50.892, 0.99),
        (30, 18.493, 0.05),
        (100, 124.342, 0.95),
        (1, 0.00393, 0.05),
        (3, 7.815, 0.95),
    ],
)
def test_chi_square_against_the_printed_table(degrees, value, below):
    """Percentage points of the chi-square distribution, as printed in tables of statistics (M)."""
    assert chi_square_below(value, degrees) == pytest.approx(below, abs=6e-5)


@pytest.mark.parametrize("degrees", [1, 2, 3, 29, 30, 119, 120])
def test_chi_square_against_its_density(degrees):
    """The integral of the density x^(k/2-1) e^(-x/2) / (2^(k/2) Gamma(k/2)) (C), in s = sqrt(x)."""
    s = np.linspace(0, math.sqrt(1.3 * degrees), 200_001)
    density = 2 * s ** (degrees - 1) * np.exp(-(s**2) / 2 - math.lgamma(degrees / 2) - degrees / 2 * math.log(2))
    assert chi_square_below(1.3 * degrees, degrees) == pytest.approx(np.trapezoid(density, s), abs=1e-8)


def test_chance_against_drawn_errors():
    """200 000 tests drawn from a normal law, of heights and of checkpoints: within four standard errors."""
    draw = np.random.default_rng(5)
    errors = draw.normal(0, 0.045, (200_000, 12)) - draw.normal(0, 0.02, (200_000, 12))
    passed = np.mean(np.sqrt((errors**2).mean(axis=1)) <= 0.05)
    chance = pass_chance(12, 0.045, 0.05, 0.02)
    assert passed == pytest.approx(chance, abs=4 * math.sqrt(chance * (1 - chance) / 200_000))


@settings(deadline=None)
@given(st.integers(1, 150), st.floats(0.001, 0.999), st.floats(0.01, 1.0))
def test_largest_sd_is_the_chance_turned_round(count, chance, limit_m):
    sd_m = largest_sd_passing(count, limit_m, chance)
    assert pass_chance(count, sd_m, limit_m) == pytest.approx(chance, abs=1e-9)
    assert pass_chance(count, sd_m * 1.01, limit_m) < chance < pass_chance(count, sd_m * 0.99, limit_m)


def test_error_of_the_survey_counts_by_squares():
    """RMSEv^2 = fit^2 + survey^2 (ASPRS Edition 2, R)."""
    assert pass_chance(30, 0.03, 0.05, 0.04) == pytest.approx(pass_chance(30, 0.05, 0.05))
    alone = largest_sd_passing(30, 0.05, 0.05)
    assert math.hypot(largest_sd_passing(30, 0.05, 0.05, 0.02), 0.02) == pytest.approx(alone)
    assert largest_sd_passing(30, 0.05, 0.05, 0.07) == 0


def test_limits_of_the_chance():
    assert pass_chance(30, 0.0, 0.05) == 1
    assert chi_square_below(0.0, 30) == 0
    assert 0 <= chi_square_below(1e-9, 120) < 1e-12
    assert chi_square_below(1e6, 30) == pytest.approx(1)
    proved = [largest_sd_passing(count, 0.05, 0.05) for count in (3, 10, 30, 100, 1000)]
    assert proved == sorted(proved, reverse=True)  # more points prove more, and never better than the limit
    assert proved[-1] > 0.05


def test_numbers_without_meaning_are_refused():
    with pytest.raises(ValueError, match="0 degrees of freedom: a test takes one checkpoint at least"):
        pass_chance(0, 0.04, 0.05)
    with pytest.raises(ValueError, match="chance 1 is not between 0 and 1"):
        largest_sd_passing(30, 0.05, 1.0)


# What the ground offers


@pytest.mark.parametrize(("wanted_m", "spacing_m"), [(1.0, 1.0), (2.0, 1.0), (3.0, 1.0), (1.0, 0.5), (4.0, 4.0)])
def test_a_plane_has_its_slope_and_no_break(wanted_m, spacing_m):
    east, north = lattice(61, 49, spacing_m)
    cells, footing = footing_of(100 + 0.06 * east - 0.08 * north, wanted_m=wanted_m, spacing_m=spacing_m)
    inner = (slice(1, -1), slice(1, -1))
    assert footing.slope_deg[inner] == pytest.approx(np.full((cells.rows - 2, cells.cols - 2), 5.7106), abs=1e-3)
    assert footing.uneven_m[inner].max() < 1e-9
    assert np.isinf(footing.break_m).all()
    assert footing.open_sky.all()
    assert footing.clear.all()


@pytest.mark.parametrize("factor", [1, 2, 3])
def test_height_at_the_centre_is_that_of_the_triangulated_ground(factor):
    heights = np.random.default_rng(3).normal(50, 2, (31, 40))
    heights[10, 12] = np.nan
    cells, footing = footing_of(heights, wanted_m=float(factor))
    east_m, north_m = cells.centres_m()
    expected = grid_of(heights).at(*np.meshgrid(east_m, north_m))
    known = ~np.isnan(footing.up_m)
    assert footing.up_m[known] == pytest.approx(expected[known])
    row, col = 10 // factor, 12 // factor
    assert np.isnan(footing.up_m[row, col])  # a corner unknown: no height, no slope round it, and a break
    assert np.isnan(footing.slope_deg[row, col])
    assert footing.break_m[row, col] == 0


def test_unevenness_is_the_departure_from_the_plane():
    """One cell of nine lies h higher: the mean takes h / 9 of it, so that 8 h / 9 is left there (C).

    Cells of 2 m on a lattice of 1 m: the one raised vertex in the middle raises the mean of its four squares by h / 4.
    """
    heights = np.zeros((21, 21))
    heights[11, 11] = 0.09
    _, footing = footing_of(heights, wanted_m=2.0)
    assert footing.uneven_m[5, 5] == pytest.approx(0.09 / 4 * 8 / 9)
    assert footing.uneven_m[5, 8] == 0


@pytest.mark.parametrize("drop_m", [0.5, 3.0])
def test_a_step_in_the_ground_is_a_break(drop_m):
    east, _ = lattice(41, 61)
    cells, footing = footing_of(np.where(east > 20.5, drop_m, 0.0))
    east_m, _ = cells.centres_m()
    # A wall is a ramp between east 20 and 21: its foot and its crest are the breaks, half a cell from its middle.
    off = np.where(east_m < 20, 20 - east_m, east_m - 21)
    far = off > 6
    assert (footing.break_m[20, far] >= 3).all()
    assert (footing.break_m[20, off < 3] < 3).all()
    assert (footing.break_m[20] <= np.maximum(off, 0.5)).all()


def test_a_bank_is_a_break_at_its_crest_and_foot():
    """0.4 rise per metre between level ground: breaks at both edges, none within the even slope."""
    east, _ = lattice(41, 91)
    _, footing = footing_of(0.4 * np.clip(east - 20, 0, 30))
    assert footing.break_m[20, 27] < 1
    assert footing.break_m[20, 57] < 1
    assert footing.break_m[20, 42] > 10


@settings(deadline=None, max_examples=20)
@given(st.integers(0, 2**32 - 1), st.sampled_from([1.0, 2.0]))
def test_distance_to_breaks_against_brute_force(seed, cell_m):
    """Never farther than the truth, and up to 2.7 % short, besides half a cell."""
    heights = np.zeros((45, 57))
    spots = np.random.default_rng(seed).integers(4, 40, (3, 2))
    for row, col in spots:
        heights[row, col] = 5.0
    cells, footing = footing_of(heights, wanted_m=cell_m)
    rows, cols = np.nonzero(footing.break_m == 0)
    grid = np.stack(np.meshgrid(np.arange(cells.rows), np.arange(cells.cols), indexing="ij"), axis=-1)
    true_m = cell_m * np.hypot(*(grid[:, :, None, :] - np.column_stack([rows, cols])).transpose(3, 0, 1, 2)).min(axis=2)
    found_m = footing.break_m + cell_m / 2
    off = footing.break_m > 0
    assert (found_m[off] <= true_m[off] + 1e-9).all()
    assert (found_m[off] >= true_m[off] / 1.0275 - 1e-9).all()


def test_sky_beside_a_wall():
    """A wall of 10 m hides more than 15 degrees up to 10 / tan 15 = 37.32 m off (C); 2.7 % is left for the search."""
    top = np.zeros((61, 121))
    top[:, 60:] = 10.0
    cells, footing = footing_of(top, np.zeros_like(top))
    east_m, _ = cells.centres_m()
    off = (-7.0 + 59.0) - east_m[:59]  # from the foot of the wall; the cell of the ramp already reaches the top
    open_sky = footing.open_sky[30, :59]
    assert not open_sky[off < 10 / math.tan(math.radians(15)) - 2].any()
    assert open_sky[off > 1.0275 * 10 / math.tan(math.radians(15)) + 1].all()
    assert footing.top_known
    assert not footing.clear[30, 62]  # on the roof


def test_grass_hides_nothing_and_rising_ground_does():
    east, _ = lattice(61, 121)
    level = np.zeros(east.shape)
    _, meadow = footing_of(level + 0.25 * (np.indices(east.shape).sum(axis=0) % 2), level)
    assert meadow.open_sky.all()
    assert meadow.clear.all()
    _, valley = footing_of(0.5 * np.clip(east - 80, 0, 10))
    assert not valley.open_sky[30, 85]
    assert valley.open_sky[30, 5]


def test_crowns_and_roofs_are_not_open_ground():
    ground = np.zeros((21, 31))
    top = ground.copy()
    top[5:9, 5:9] = 4.0
    foliage = np.zeros((20, 30))
    foliage[12, 20] = 1.0
    _, footing = footing_of(top, ground, foliage=foliage)
    assert not footing.clear[6, 6]
    assert not footing.clear[12, 20]
    assert footing.clear[12, 10]
    assert footing.break_m[12, 22] < 3  # near a crown is near a break


# Where they stand


def l_shaped(cells_across=150):
    """An L with two classes, a pond, a gap, a steep bank, a barn and a wood; heights from a lattice of 2 m."""
    n = cells_across
    ground = grid_of(np.zeros((n + 1, n + 1)), CELL_M)
    east, north = lattice(n + 1, n + 1, CELL_M)
    height = 200 + 0.05 * east - 0.02 * north + 4 / (1 + np.exp(-(east - 180) / 4))
    top = height.copy()
    top[100:108, 60:72] += 3.0
    foliage = np.zeros((n, n))
    foliage[20:40, 20:30] = 1.0
    top[21:40, 21:30] += 4.0
    ground, top = replace(ground, heights_m=height), replace(ground, heights_m=top)
    cells = cells_on(ground, CELL_M)
    footing = read_footing(cells, Layers(top, ground, foliage))
    judged = np.zeros((n, n), dtype=bool)
    judged[5:-5, 5 : n // 2 + 10], judged[n // 2 :, 5:-5] = True, True
    causes = np.where(judged, 0, 255).astype(np.uint8)
    causes[60:80, 30:50] = 11
    classes = np.ones((n, n), dtype=np.uint8)
    classes[110:, :] = 2
    water = np.zeros((n, n), dtype=bool)
    water[118:132, 90:110] = True
    return cells, footing, Land(judged, causes, classes, ("grass_green", "gravel"), water)


@pytest.fixture(scope="module")
def place():
    return l_shaped()


@pytest.mark.parametrize("wanted", [None, 5, 12, 20, 30])
def test_all_rules_hold_on_an_l_shaped_area(place, wanted):
    cells, footing, land = place
    layout = place_checkpoints(cells, footing, land, Checkpoints(count=wanted), 0.05, 0.035)
    count = 30 if wanted is None else wanted
    assert (len(layout.points), layout.wanted, layout.bound_by) == (count, count, "")
    rows, cols = at_cells(layout, cells)
    assert land.judged[rows, cols].all()
    assert (land.causes[rows, cols] == 0).all()
    assert not land.water[rows, cols].any()
    assert footing.clear[rows, cols].all()
    assert footing.open_sky[rows, cols].all()
    assert footing.slope_deg[rows, cols].max() <= 10
    assert footing.break_m[rows, cols].min() >= 3
    # The box of the judged cells is 140 cells of 2 m each way.
    assert least_distance_m(layout) >= 0.1 * math.hypot(280, 280) - 1e-9
    held = [sum(point.quadrant == quadrant for point in layout.points) for quadrant in QUADRANTS]
    assert min(held) >= min(math.ceil(0.2 * count), count // 4)
    covers = [point.cover for point in layout.points]
    for code, name in enumerate(land.class_names, start=1):
        share = (land.classes[land.judged & ~land.water] == code).mean()
        assert covers.count(name) == pytest.approx(share * count, abs=max(2, 0.1 * count))
    unmet = {each.name for each in layout.rules if not each.met}
    assert unmet == (set() if count >= 30 else {"standard"})


def test_points_say_where_they_are(place):
    cells, footing, land = place
    layout = place_checkpoints(cells, footing, land, ASKED)
    assert [point.point_id for point in layout.points[:2]] == ["CP01", "CP02"]
    norths = [point.north_m for point in layout.points]
    assert norths == sorted(norths, reverse=True)
    rows, cols = at_cells(layout, cells)
    east_m, north_m = cells.centres_m()
    weights = land.judged.sum(axis=0), land.judged.sum(axis=1)
    centre = np.average(east_m, weights=weights[0]), np.average(north_m, weights=weights[1])
    for point, row, col in zip(layout.points, rows, cols, strict=True):
        assert (point.up_m, point.slope_deg) == (footing.up_m[row, col], footing.slope_deg[row, col])
        assert point.quadrant == ("N" if point.north_m >= centre[1] else "S") + (
            "E" if point.east_m >= centre[0] else "W"
        )
        assert point.cover == land.class_names[land.classes[row, col] - 1]
        assert point.setting == "open"
        assert f"{point.cover} at {point.slope_deg:.1f} deg" in point.reason


def test_the_same_land_gets_the_same_layout(place):
    cells, footing, land = place
    assert place_checkpoints(cells, footing, land, ASKED) == place_checkpoints(cells, footing, land, ASKED)


def test_points_spread_better_than_the_spacing_asks(place):
    """Twelve points can stand 1.5 times the least spacing apart, and do."""
    cells, footing, land = place
    layout = place_checkpoints(cells, footing, land, Checkpoints(count=12))
    assert least_distance_m(layout) > 1.5 * 0.1 * math.hypot(280, 280)


def test_points_keep_clear_of_gaps_where_they_can(place):
    cells, footing, land = place
    layout = place_checkpoints(cells, footing, land, Checkpoints(count=20))
    lacking = np.argwhere(~(land.judged & (land.causes == 0)))
    for row, col in zip(*at_cells(layout, cells), strict=True):
        assert np.hypot(*(lacking - (row, col)).T).min() > 3


@settings(deadline=None, max_examples=40)
@given(st.integers(0, 2**32 - 1), st.integers(3, 40), st.floats(0.02, 0.95))
def test_no_rule_is_broken_on_any_land(seed, wanted, fit_share):
    draw = np.random.default_rng(seed)
    shape = (int(draw.integers(3, 60)), int(draw.integers(3, 60)))
    lost = [draw.random(shape) > fit_share ** (1 / 3) for _ in range(3)]
    footing = flat_footing(
        shape, slope_deg=np.where(lost[0], 11.0, draw.uniform(0, 9, shape)), break_m=np.where(lost[1], 1.0, 8.0)
    )
    judged = draw.random(shape) < 0.9
    judged[0, 0] = True
    land = land_of(
        shape,
        judged=judged,
        causes=np.where(lost[2], 11, 0).astype(np.uint8),
        classes=draw.integers(0, 4, shape).astype(np.uint8),
        class_names=("a", "b", "c"),
        water=draw.random(shape) < 0.1,
        allowed=draw.random(shape) < 0.9,
    )
    cells = cells_of(shape)
    layout = place_checkpoints(cells, footing, land, Checkpoints(count=wanted), 0.05, 0.04)
    fit = judged & ~np.any(lost, axis=0) & ~land.water & land.allowed
    assert len(layout.points) <= wanted
    assert bool(layout.points) == fit.any()
    assert (layout.bound_by == "") == (len(layout.points) == wanted)
    rows, cols = at_cells(layout, cells)
    assert fit[rows, cols].all()
    box = np.argwhere(judged)
    assert least_distance_m(layout) >= 0.1 * CELL_M * math.hypot(*(np.ptp(box, axis=0) + 1)) - 1e-9
    for name in ("slope", "breaks", "gaps", "access", "open ground", "sky", "spacing"):
        assert not layout.points or rule(layout, name).met
    quadrants = [point.quadrant for point in layout.points]
    least = min(math.ceil(0.2 * len(quadrants)), len(quadrants) // 4)
    held = all(quadrants.count(quadrant) >= least for quadrant in QUADRANTS)
    assert not layout.points or rule(layout, "quadrants").met == held


def test_a_strip_takes_all_that_its_length_can():
    """A strip of 3 by 600 cells: ten places a tenth of its diagonal apart have room, and no eleventh (C)."""
    shape = (3, 600)
    layout = place_checkpoints(cells_of(shape), flat_footing(shape), land_of(shape), ASKED)
    assert len(layout.points) == 10
    assert layout.bound_by == "spacing; 100 % of the area is fit"
    assert not rule(layout, "number").met
    assert rule(layout, "spacing").met


def test_where_few_fit_they_are_packed():
    """A square of side 1 takes 30 points and more at a spacing of 0.1414; 45 of at most 57 by hexagons (C)."""
    shape = (150, 150)
    layout = place_checkpoints(cells_of(shape), flat_footing(shape), land_of(shape), Checkpoints(count=45))
    assert len(layout.points) == 45
    assert all(each.met for each in layout.rules)


def test_a_class_of_some_size_gets_its_point():
    shape = (100, 100)
    classes = np.ones(shape, dtype=np.uint8)
    classes[40:65, 20:42], classes[90:, 96:] = 2, 3  # 5.5 % and 0.4 %
    land = land_of(shape, classes=classes, class_names=("grass", "gravel", "mud"))
    layout = place_checkpoints(cells_of(shape), flat_footing(shape), land, Checkpoints(count=8))
    covers = [point.cover for point in layout.points]
    assert (covers.count("gravel"), covers.count("mud")) == (1, 0)
    assert rule(layout, "cover") == type(layout.rules[0])("cover", "grass 7, gravel 1", True)
    steep = np.where(classes == 2, 30.0, 0.0)
    layout = place_checkpoints(cells_of(shape), flat_footing(shape, slope_deg=steep), land, Checkpoints(count=8))
    assert rule(layout, "cover").value == "grass 8, gravel 0 (no fit place)"


def test_flat_and_even_ground_comes_first():
    shape = (80, 80)
    rows, cols = np.indices(shape)
    slope = np.where((rows // 4 + cols // 4) % 2, 8.0, 1.0)
    layout = place_checkpoints(
        cells_of(shape), flat_footing(shape, slope_deg=slope), land_of(shape), Checkpoints(count=12)
    )
    assert max(point.slope_deg for point in layout.points) == 1.0
    rough = flat_footing(shape, uneven_m=np.where((rows // 4 + cols // 4) % 2, 0.02, 0.01))
    layout = place_checkpoints(cells_of(shape), rough, land_of(shape), Checkpoints(count=12), 0.05)
    assert rule(layout, "even ground").value.startswith("12 of 12 within 1.7 cm of a plane over 6 m")
    rougher = flat_footing(shape, uneven_m=np.full(shape, 0.02))
    layout = place_checkpoints(cells_of(shape), rougher, land_of(shape), Checkpoints(count=12), 0.05)
    assert len(layout.points) == 12
    assert rule(layout, "even ground") == type(layout.rules[0])(
        "even ground", "0 of 12 within 1.7 cm of a plane over 6 m, by the terrain given", False
    )


def test_where_nothing_fits_the_rule_is_named():
    shape = (40, 40)
    steep = flat_footing(shape, slope_deg=np.full(shape, 25.0))
    layout = place_checkpoints(cells_of(shape), steep, land_of(shape), ASKED, 0.05, 0.04)
    assert layout.points == ()
    assert layout.bound_by == "slope, which rules out 100 % of the area; the 0.0 % that is fit takes no more"
    assert (layout.pass_chance, layout.proved_m) == (None, None)
    assert rule(layout, "number").value == "0 of 30 wanted"


def test_access_binds_where_little_is_allowed():
    shape = (100, 100)
    allowed = np.zeros(shape, dtype=bool)
    allowed[30:50, 5:65] = True
    layout = place_checkpoints(cells_of(shape), flat_footing(shape), land_of(shape, allowed=allowed), ASKED)
    rows, cols = at_cells(layout, cells_of(shape))
    assert allowed[rows, cols].all()
    assert 8 <= len(layout.points) < 30
    assert layout.bound_by == "access, which rules out 88 % of the area; the 12.0 % that is fit takes no more"
    assert not rule(layout, "quadrants").met
    assert rule(layout, "access").met


def test_one_surface_cannot_tell_what_stands_on_it():
    shape = (60, 60)
    layout = place_checkpoints(cells_of(shape), flat_footing(shape, top_known=False), land_of(shape), ASKED)
    for name in ("open ground", "sky"):
        assert rule(layout, name).value == "cannot be told from one surface alone: look on site"
        assert not rule(layout, name).met
    assert {point.setting for point in layout.points} == {None}
    assert {point.cover for point in layout.points} == {None}


def test_number_and_what_it_proves():
    shape = (60, 60)
    own = place_checkpoints(
        cells_of(shape), flat_footing(shape), land_of(shape), Checkpoints(count=10, survey_sd_m=0.03), 0.05, 0.04
    )
    assert own.wanted_by == "the user's number"
    assert rule(own, "standard").value == "10 checkpoints; fewer than 30: no ASPRS Edition 2 statement"
    assert own.pass_chance == pytest.approx(pass_chance(10, 0.05, 0.05))  # 3 and 4 cm are 5 cm together
    assert own.proved_m == pytest.approx(largest_sd_passing(10, 0.05, 0.05, 0.03))
    # Checkpoints are at least twice as accurate as what they test (ASPRS Edition 2, R2).
    survey = rule(own, "checkpoint survey")
    assert (survey.value, survey.met) == ("3.0 cm; at most 2.5 cm, half of the limit", False)
    by_area = place_checkpoints(cells_of(shape), flat_footing(shape), land_of(shape), ASKED)
    assert by_area.wanted_by == "ASPRS Edition 2, by area"
    assert rule(by_area, "standard").met
    assert (by_area.pass_chance, by_area.proved_m) == (None, None)


def test_a_narrow_sky_is_taken_only_where_the_open_one_gives_too_few():
    shape = (100, 100)
    open_half = np.zeros(shape, dtype=bool)
    open_half[:, :50] = True
    land, cells = land_of(shape), cells_of(shape)
    few, many = (
        place_checkpoints(cells, flat_footing(shape, open_sky=open_half), land, Checkpoints(count=count))
        for count in (8, 30)
    )
    for layout in (few, many):
        rows, cols = at_cells(layout, cells)
        hidden = ["total station" in point.reason for point in layout.points]
        assert hidden == (~open_half[rows, cols]).tolist()
        assert rule(layout, "sky").met == (not any(hidden))
    assert rule(few, "sky").met
    assert len(many.points) == 30
    assert "satellites are hidden" in rule(many, "sky").value
