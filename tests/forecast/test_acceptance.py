"""The compliance table, and the tests of evenness and voids beneath it."""

import math
from dataclasses import fields, replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from planner.forecast.acceptance import Coverage, Heights, expected_range, judge_acceptance
from planner.forecast.density import DensityFigures
from planner.forecast.gaps import code_of
from planner.forecast.standards import QUALITY_LEVELS, rmse_with_checkpoints_m, vertical_class, void_m2
from planner.forecast.voids import filled_shares, find_voids
from planner.requirement import Requirement

SHAPE = (40, 50)
NO_WATER = np.zeros(SHAPE, dtype=bool)
ALL = np.ones(SHAPE, dtype=bool)


def reached(density_per_m2, target_per_m2=8.0):
    """Return figures of an area of even density."""
    measured = {field.name: density_per_m2 for field in fields(DensityFigures) if field.name.endswith("_per_m2")}
    words = {"definition": "as defined", "ground_definition": "ground returns equal first returns"}
    return DensityFigures(
        **measured | words | {"target_per_m2": target_per_m2, "judged_percentile": 5.0, "cell_m": 1.0}
    )


def a_coverage(**changes):
    """Return an even area of 10 first returns per m2 in one pass, seen by two, with cells of 1 m."""
    plain = Coverage(
        np.full(SHAPE, 20.0), np.full(SHAPE, 10.0), np.full(SHAPE, 2), np.zeros(SHAPE, dtype=np.uint8), ALL, NO_WATER,
        1.0, np.full(SHAPE, 0.05),
    )  # fmt: skip
    return replace(plain, **changes)


GOOD = Heights(tested_rmse_m=0.04, checkpoint_sd_m=0.015, bias_m=0.005, noise_m=0.008)


def judge(requirement=None, coverage=None, heights=GOOD, **more):
    table = judge_acceptance(
        requirement or Requirement(quality_level="QL1"), reached(20.0), coverage or a_coverage(), heights, 0.3, **more
    )
    return {clause.clause: clause for clause in table}


def find(table, start):
    (clause,) = [clause for name, clause in table.items() if name.startswith(start)]
    return clause


# USGS Lidar Base Specification 2025 rev. A, tables 1, 2, 4 (R); void side and area from the spacing (C).
@pytest.mark.parametrize(
    ("name", "spacing_m", "density", "smooth_m", "difference_m", "rmse_m", "area_m2", "smooth_cell_m"),
    [
        ("QL0", 0.35, 8.0, 0.03, 0.04, 0.05, 1.96, 2.0),
        ("QL1", 0.35, 8.0, 0.06, 0.08, 0.10, 1.96, 2.0),
        ("QL2", 0.71, 2.0, 0.06, 0.08, 0.10, 8.0656, 2.0),
        ("QL3", 1.41, 0.5, 0.12, 0.16, 0.20, 31.8096, 4.0),
    ],
)
def test_quality_levels(name, spacing_m, density, smooth_m, difference_m, rmse_m, area_m2, smooth_cell_m):
    level = QUALITY_LEVELS[name]
    assert (level.spacing_m, level.density_per_m2, level.rmse_m) == (spacing_m, density, rmse_m)
    assert (level.smooth_surface_m, level.swath_difference_m) == (smooth_m, difference_m)
    assert void_m2(level.spacing_m) == pytest.approx(area_m2)
    assert level.smooth_cell_m == smooth_cell_m


@pytest.mark.parametrize("level", ["QL0", "QL1", "QL3"])
def test_the_two_standards_agree_where_they_meet(level):
    # ASPRS Edition 2 (2023), table of vertical classes: 0.60 #, 0.80 #, 1.60 # (R2), held against USGS table 2 (R).
    asked, limits = QUALITY_LEVELS[level], vertical_class(100 * QUALITY_LEVELS[level].rmse_m)
    assert limits.smooth_surface_m == pytest.approx(asked.smooth_surface_m)
    assert limits.swath_difference_m == pytest.approx(asked.swath_difference_m)
    assert limits.swath_most_m == pytest.approx(2 * asked.swath_difference_m)


@pytest.mark.parametrize(
    ("fit_cm", "survey_cm", "tested_cm", "status"),
    [(3.0, 2.0, 3.6056, "met"), (9.5, 3.0, 9.9624, "met"), (9.5, 3.5, 10.1242, "not met"), (10.0, 0.0, 10.0, "met")],
)
def test_checkpoint_error_counts(fit_cm, survey_cm, tested_cm, status):
    # ASPRS Edition 2: RMSEv = sqrt(RMSEv1^2 + RMSEv2^2) (R); values C.
    tested_m = rmse_with_checkpoints_m(fit_cm / 100, survey_cm / 100)
    assert tested_m == pytest.approx(tested_cm / 100, abs=1e-6)
    clause = find(judge(heights=Heights(tested_m, survey_cm / 100)), "vertical RMSE")
    assert (clause.status, clause.asked) == (status, "at most 10 cm")
    assert clause.forecast_value == tested_m


def test_scattered_returns_fill_their_cells_as_poisson_says():
    # 1 - exp(-4) = 0.98168 at the nominal density; 90 % at ln(10) / 4 = 0.5756 of it (C).
    nominal = 0.35**-2
    at_random, evenly = filled_shares(np.full(SHAPE, nominal), ALL, 1.0, 0.70)
    assert at_random == pytest.approx(0.98168, abs=1e-5)
    assert evenly == 1.0
    assert filled_shares(np.full(SHAPE, 0.5756 * nominal), ALL, 1.0, 0.70)[0] == pytest.approx(0.9, abs=1e-4)


def test_a_thrown_field_of_points_agrees_with_the_forecast():
    generator = np.random.default_rng(5)
    test_m, density, side = 0.70, 5.0, 280.0
    places = generator.uniform(0, side, (generator.poisson(density * side**2), 2))
    held = np.histogram2d(*places.T, bins=400, range=((0, side), (0, side)))[0] > 0
    expected, _ = filled_shares(np.full(SHAPE, density), ALL, 1.0, test_m)
    # 160 000 test cells: three standard deviations of their share.
    assert held.mean() == pytest.approx(expected, abs=3 * math.sqrt(expected * (1 - expected) / held.size))


@pytest.mark.parametrize("cell_m", [0.1, 0.175, 0.35, 0.7])
def test_small_judging_cells_are_pooled(cell_m):
    size = round(5.6 / cell_m)
    side = size // 8
    checks = (np.add.outer(np.arange(size) // side, np.arange(size) // side) % 2).astype(float)
    shares = filled_shares(16.0 * checks, np.ones((size, size), dtype=bool), cell_m, 0.70)
    # Test cells of the board hold 16 per m2 or none.
    assert shares[0] == pytest.approx(0.5 * (1 - math.exp(-16 * 0.49)))
    assert shares[1] == pytest.approx(0.5)


def test_unknown_ground_is_empty_and_cells_left_out_do_not_count():
    density = np.full(SHAPE, 50.0)
    density[:10] = np.nan
    counted = ALL.copy()
    assert filled_shares(density, counted, 1.0, 0.7)[1] == pytest.approx(0.75)
    counted[:10] = False
    assert filled_shares(density, counted, 1.0, 0.7)[1] == 1.0
    assert all(math.isnan(share) for share in filled_shares(density, NO_WATER, 1.0, 0.7))


@settings(deadline=None)
@given(st.floats(0.0, 50.0), st.floats(0.2, 5.0), st.floats(0.2, 5.0))
def test_scatter_never_fills_more_than_an_even_spread(density, cell_m, test_cell_m):
    at_random, evenly = filled_shares(np.full((7, 9), density), np.ones((7, 9), dtype=bool), cell_m, test_cell_m)
    assert 0.0 <= at_random <= evenly + 1e-12 <= 1.0 + 1e-12


def holes(*places, cell_m=1.0, causes=None, water=NO_WATER, density=8.0, judged=ALL):
    """Return the voids of an even area with rectangular holes, (rows, cols) each."""
    first = np.full(SHAPE, density)
    for rows, cols in places:
        first[rows, cols] = 0.0
    causes = np.zeros(SHAPE, dtype=np.uint8) if causes is None else causes
    return find_voids(first, causes, judged, water, cell_m, void_m2(0.35))


def test_a_void_is_as_large_as_four_spacings_square():
    assert holes().count == 0
    assert holes((slice(3, 4), slice(3, 4))).count == 0  # 1 m2, under 1.96
    found = holes((slice(3, 4), slice(3, 5)), (slice(20, 25), slice(20, 24)))
    assert (found.count, found.area_m2, found.largest_m2) == (2, 22.0, 20.0)
    # Corner to corner is not connected.
    assert holes((3, 3), (4, 4)).count == 0


@pytest.mark.parametrize(("density", "count"), [(1.5, 1), (1.6, 0)])
def test_ground_is_empty_where_a_void_is_likely(density, count):
    # -ln(0.05) / 1.96 m2 = 1.5284 per m2 (C): below it a void-sized square is empty with a chance over 5 %.
    assert holes(density=density).count == count


def test_cells_smaller_than_a_void_are_pooled():
    # Every second cell of 0.35 m holds two returns: no square of four by four is without.
    first = np.zeros(SHAPE)
    first[::2, ::2] = 2 / 0.35**2
    none = find_voids(first, np.zeros(SHAPE, dtype=np.uint8), ALL, NO_WATER, 0.35, void_m2(0.35))
    assert none.count == 0
    first[8:12, 8:12] = 0.0
    one = find_voids(first, np.zeros(SHAPE, dtype=np.uint8), ALL, NO_WATER, 0.35, void_m2(0.35))
    assert one.count == 1
    assert one.largest_m2 >= 1.96


def test_points_thrown_at_the_nominal_density_leave_no_voids_in_small_cells():
    # A void-sized square of scattered points is empty with a chance of exp(-16) (C); there are 12 500 here.
    counts = np.random.default_rng(3).poisson(0.35**-2 * 0.35**2, (447, 447))
    area = np.ones(counts.shape, dtype=bool)
    found = find_voids(counts / 0.35**2, np.zeros(counts.shape, dtype=np.uint8), area, ~area, 0.35, void_m2(0.35))
    assert found.count == 0


def test_ground_outside_the_area_makes_no_void():
    judged = ALL.copy()
    judged[:, 10:] = False
    assert holes((slice(0, 40), slice(10, 50)), judged=judged).count == 0


def test_a_corridor_narrower_than_a_void_has_voids():
    judged = NO_WATER.copy()
    judged[20:23] = True
    nothing, no_cause = np.zeros(SHAPE), np.zeros(SHAPE, dtype=np.uint8)
    found = find_voids(nothing, no_cause, judged, NO_WATER, 0.35, void_m2(0.35))
    assert (found.count, found.area_m2) == (1, pytest.approx(150 * 0.35**2))


@pytest.mark.parametrize("kind", ["water", "dim surface", "shadow"])
def test_voids_of_exempt_kinds_are_listed_apart(kind):
    causes = np.zeros(SHAPE, dtype=np.uint8)
    causes[5:8, 5:9] = code_of(kind)
    found = holes((slice(5, 8), slice(5, 9)), causes=causes)
    assert (found.count, found.area_m2) == (0, 0.0)
    assert found.exempt_m2 == {"water": 0.0, "dim surface": 0.0, "shadow": 0.0} | {kind: 12.0}
    assert found.accepted.sum() == 12


@pytest.mark.parametrize("cause", ["no terrain", "no line", "outside swath", "over range", "canopy", "sparse"])
def test_other_causes_excuse_no_void(cause):
    causes = np.full(SHAPE, code_of(cause), dtype=np.uint8)
    assert holes((slice(5, 8), slice(5, 9)), causes=causes).area_m2 == 12.0


def test_declared_water_does_not_excuse_the_ground_beside_it():
    water = NO_WATER.copy()
    water[5:15, 5:15] = True
    assert holes((slice(5, 15), slice(5, 15)), water=water).count == 0
    beside = holes((slice(5, 15), slice(5, 17)), water=water)
    assert (beside.count, beside.area_m2, beside.exempt_m2["water"]) == (1, 20.0, 100.0)
    # A single square metre at the shore is no void by itself.
    assert holes((slice(5, 15), slice(5, 15)), (8, 15), water=water).count == 0
    # Half of a void is: shadow takes one cell of two.
    causes = np.zeros(SHAPE, dtype=np.uint8)
    causes[30, 30] = code_of("shadow")
    assert holes((30, slice(30, 32)), causes=causes).area_m2 == 1.0


def test_a_good_flight_meets_its_level():
    table = judge()
    assert {clause.status for clause in table.values()} == {"met", "assumed", "reported"}
    assert find(table, "mean density of first returns, all passes").forecast == "20 per m2"
    assert find(table, "mean density of first returns, single").forecast_value == 10.0
    spread = find(table, "spatial distribution")
    assert spread.forecast_value == pytest.approx(100 * (1 - math.exp(-10 * 0.49)))
    assert "100.0 %" in spread.note
    assert find(table, "overlap").status == "reported"
    assert "75 m" in find(table, "overlap").note


@pytest.mark.parametrize(
    ("start", "coverage", "heights"),
    [
        ("mean density of first returns, all", {"first_per_m2": np.full(SHAPE, 7.9)}, GOOD),
        ("spatial distribution", {"single_first_per_m2": np.full(SHAPE, 4.6)}, GOOD),  # 2.25 a cell, under ln(10)
        ("difference between swaths", {"disagreement_m": np.full(SHAPE, 0.081)}, GOOD),
        ("smooth surface", {}, replace(GOOD, noise_m=0.02)),
        ("mean error", {}, replace(GOOD, bias_m=0.026)),
        ("checkpoint error", {}, replace(GOOD, checkpoint_sd_m=0.051)),
        ("vertical RMSE", {}, replace(GOOD, tested_rmse_m=0.101)),
    ],
)
def test_each_clause_can_fail_alone(start, coverage, heights):
    table = judge(coverage=a_coverage(**coverage), heights=heights)
    assert [name for name, clause in table.items() if clause.status == "not met"] == [find(table, start).clause]


def test_a_void_fails_the_level_and_is_only_reported_without_one():
    coverage = a_coverage()
    first = coverage.first_per_m2.copy()
    first[5:8, 5:8] = 0.0
    holed = a_coverage(first_per_m2=first)
    assert find(judge(coverage=holed), "data voids").status == "not met"
    own = find(judge(Requirement(density_per_m2=8.0), holed), "data voids")
    assert (own.status, own.forecast_value) == ("reported", 9.0)


def test_water_is_left_out_of_the_means():
    water = NO_WATER.copy()
    water[:20] = True
    first = np.where(water, 0.0, 20.0)
    table = judge(coverage=a_coverage(first_per_m2=first, single_first_per_m2=first / 2, water=water))
    assert find(table, "mean density of first returns, all").forecast_value == 20.0
    assert find(table, "spatial distribution").status == "met"
    assert find(table, "data voids, water").forecast == "1000.0 m2"


def test_a_requirement_without_level_has_its_own_clauses():
    table = judge(Requirement(density_per_m2=8.0, vertical_rmse_m=0.05, percentile=10, sidelap_min=0.35))
    density = find(table, "density of first returns, 10th percentile")
    assert (density.asked_value, density.status, density.note) == (8.0, "met", "as defined")
    assert find(table, "sidelap").status == "not met"
    assert find(table, "vertical RMSE").asked == "at most 5 cm"
    assert not any("spatial distribution" in name or "QL" in name for name in table)
    assert "vertical RMSE" not in judge(Requirement(density_per_m2=8.0))


def test_a_tighter_accuracy_than_the_levels_is_what_is_asked():
    clause = find(judge(Requirement(quality_level="QL1", vertical_rmse_m=0.03)), "vertical RMSE")
    assert (clause.asked_value, clause.status) == (0.03, "not met")
    assert "QL1 at most 10 cm" in clause.clause


def test_what_is_not_forecast_is_assumed():
    coverage = a_coverage(disagreement_m=None)
    table = judge_acceptance(Requirement(quality_level="QL1"), reached(20.0), coverage, Heights())
    assumed = {clause.clause.split(",")[0] for clause in table if clause.forecast == "not forecast"}
    assert assumed == {
        "sidelap", "vertical RMSE", "difference between swaths", "smooth surface precision", "conditions of collection",
    }  # fmt: skip
    assert all(clause.status == "assumed" for clause in table if clause.forecast == "not forecast")


@pytest.mark.parametrize(
    ("bias_m", "words"),
    [(0.005, "95 % within 7.84 cm"), (0.011, "no 95 % figure: an error of 1.1 cm is common"), (None, "zero mean")],
)
def test_95_percent_is_said_only_where_it_holds(bias_m, words):
    # 1.96 x 4 cm = 7.84 cm (C); mean error under a quarter of the RMSE: ASPRS Edition 2 (R2).
    assert words in find(judge(heights=replace(GOOD, bias_m=bias_m)), "vertical RMSE").note


def test_a_vertical_class_brings_its_clauses():
    # Class 5 cm: 5, 3, 4, 8 cm (R2).
    table = judge(Requirement(density_per_m2=8.0, vertical_class_cm=5.0))
    asked = {name.split(", ")[0]: clause.asked_value for name, clause in table.items() if "class 5 cm" in name}
    assert asked["vertical RMSE"] == pytest.approx(0.05)
    assert asked["smooth surface precision"] == pytest.approx(0.03)
    assert asked["difference between swaths"] == pytest.approx(0.04)
    most = find(table, "largest difference")
    assert most.asked == "at most 8 cm"
    # Normal differences of 5 cm: 10.96 % lie beyond 1.6 standard deviations (tables of the normal distribution, C).
    assert most.forecast_value == pytest.approx(10.96, abs=0.01)


def test_a_horizontal_limit_brings_its_clause():
    asked = Requirement(density_per_m2=8.0, horizontal_rmse_m=0.08)
    table = judge(asked, heights=replace(GOOD, horizontal_rmse_m=0.05))
    assert find(table, "horizontal RMSE").status == "met"
    assert find(judge(asked, heights=replace(GOOD, horizontal_rmse_m=0.09)), "horizontal RMSE").status == "not met"
    assert find(judge(asked), "horizontal RMSE").status == "assumed"


def test_differences_are_taken_where_two_passes_meet():
    passes = np.full(SHAPE, 1)
    passes[:, :2] = 2
    differences = np.full(SHAPE, 9.0)
    differences[:, 0], differences[:, 1] = 0.03, 0.05
    differences[0, 0] = np.nan
    clause = find(judge(coverage=a_coverage(passes=passes, disagreement_m=differences)), "difference between swaths")
    expected = math.sqrt((39 * 0.03**2 + 40 * 0.05**2) / 79)
    assert clause.forecast_value == pytest.approx(expected)


@pytest.mark.parametrize(("count", "factor"), [(2, 1.128), (5, 2.326), (10, 3.078), (25, 3.931), (100, 5.015)])
def test_the_range_of_normal_values(count, factor):
    # Factor d2 of control charts (M), from Tippett 1925.
    assert expected_range(count) == pytest.approx(factor, abs=6e-4)


def test_fewer_than_two_values_have_no_range():
    assert expected_range(1.5) == 0.0
