"""Accuracy figures: which cells count, how checkpoints come in, and what is said of parts."""

import numpy as np
import pytest

from planner.forecast.accuracy import SLOPE_EDGES_DEG, TESTED_SLOPE_DEG, judge_accuracy
from planner.forecast.budgets import NO_TERM, CellErrors
from planner.ranging.looks import Faces
from planner.ranging.uncertainty import TERMS
from planner.requirement import Requirement

RANGE, ATTITUDE, POSITION = (TERMS.index(name) for name in ("range", "roll and pitch", "position"))


def cells_of(vertical_m, slopes_deg=0.0, term=RANGE, single_m=None, horizontal_m=0.05, disagreement_m=np.nan):
    """Return errors and faces of cells whose variance is nine tenths of one term and one of position."""
    vertical = np.asarray(vertical_m, dtype=float)
    single = np.full(vertical.shape, np.nan) if single_m is None else np.asarray(single_m, dtype=float)
    terms, single_terms = (np.zeros((len(vertical), len(TERMS)), np.float32) for _ in range(2))
    for shares, sds in ((terms, vertical), (single_terms, single)):
        shares[np.arange(len(vertical)), term] = 0.9 * sds**2
        shares[:, POSITION] += (0.1 * sds**2).astype(np.float32)
    errors = CellErrors(
        vertical_single_m=single,
        vertical_combined_m=vertical,
        horizontal_single_m=np.full(vertical.shape, 2.0 * horizontal_m),
        horizontal_combined_m=np.full(vertical.shape, horizontal_m),
        vertical_level_m=0.8 * vertical,
        terms_m2=terms,
        single_terms_m2=single_terms,
        dominant=np.where(np.isnan(vertical), NO_TERM, term).astype(np.uint8),
        disagreement_m=np.broadcast_to(np.asarray(disagreement_m, dtype=float), vertical.shape),
    )
    rise = np.tan(np.radians(np.broadcast_to(np.asarray(slopes_deg, dtype=float), vertical.shape)))
    return errors, Faces(np.zeros((len(vertical), 3)), np.column_stack([0.6 * rise, -0.8 * rise]))


def judge(
    errors, faces, target_m=None, checkpoint_m=0.0, coverage="aggregate", judged=None, classes=None, names=("all",)
):
    count = len(errors.vertical_combined_m)
    return judge_accuracy(
        errors,
        faces,
        np.ones(count, bool) if judged is None else np.asarray(judged),
        Requirement(density_per_m2=10.0, vertical_rmse_m=target_m, coverage=coverage),
        checkpoint_m,
        np.zeros(count, np.uint8) if classes is None else np.asarray(classes, np.uint8),
        names,
        2.0,
    )


@pytest.mark.parametrize(
    ("fit_cm", "survey_cm", "tested_cm", "met"),
    [(3.0, 2.0, 3.6056, True), (9.5, 3.0, 9.9624, True), (9.5, 3.5, 10.1242, False), (5.0, 0.0, 5.0, True)],
)
def test_checkpoints_add_as_the_second_asprs_edition_says(fit_cm, survey_cm, tested_cm, met):
    # ASPRS Positional Accuracy Standards, Edition 2 (2023): RMSEv^2 = fit^2 + checkpoint survey^2 [R]; numbers [C],
    # held against the 10 cm class.
    figures = judge(*cells_of([fit_cm / 100] * 4), target_m=0.1, checkpoint_m=survey_cm / 100)
    assert figures.rmse_m == pytest.approx(fit_cm / 100)
    assert 100 * figures.tested_rmse_m == pytest.approx(tested_cm, abs=5e-5)
    assert figures.met is met
    assert figures.target_rmse_m == 0.1
    assert figures.checkpoint_sd_m == survey_cm / 100


def test_an_error_is_the_root_of_the_mean_square_of_gentle_cells():
    sds, slopes = [0.03, 0.04, 0.5, np.nan], [0.0, 9.99, 10.01, 3.0]
    figures = judge(*cells_of(sds, slopes, disagreement_m=[0.02, np.nan, 5.0, np.nan]), target_m=0.035)
    assert TESTED_SLOPE_DEG == 10
    assert figures.rmse_m == pytest.approx(np.sqrt((0.03**2 + 0.04**2) / 2))
    assert figures.horizontal_rmse_m == pytest.approx(0.05)
    assert figures.disagreement_rms_m == pytest.approx(0.02)
    # Any slope, but no cell without returns.
    assert figures.cell_sigma_p50_m == pytest.approx(0.04)
    assert figures.cell_sigma_p95_m == pytest.approx(np.percentile([0.03, 0.04, 0.5], 95))
    assert figures.over_target_pct == pytest.approx(200 / 3)
    assert figures.met is False
    for words in ("up to 10 deg", "all passes", "2 m", "not averaged away", "checkpoints"):
        assert words in figures.definition


def test_cells_outside_the_area_say_nothing():
    judged = np.array([[True, False], [True, False]])
    figures = judge(*cells_of([0.03, 0.9, 0.03, 0.9]), judged=judged)
    assert figures.rmse_m == figures.cell_sigma_p95_m == pytest.approx(0.03)
    assert figures.by_class[0].area_m2 == 2 * 2.0**2


def test_the_requirement_says_which_passes_count():
    errors, faces = cells_of([0.02, 0.02], single_m=[0.05, 0.05])
    errors.single_terms_m2[:, ATTITUDE] = 1.0
    single = judge(errors, faces, target_m=0.03, coverage="single")
    assert (single.rmse_m, single.horizontal_rmse_m, single.met) == (pytest.approx(0.05), pytest.approx(0.1), False)
    assert single.dominant_term == "roll and pitch"
    assert "one return of the pass that brings most" in single.definition
    pooled = judge(errors, faces, target_m=0.03)
    assert (pooled.rmse_m, pooled.met, pooled.dominant_term) == (pytest.approx(0.02), True, "range")
    assert pooled.dominant_share_pct == pytest.approx(90, rel=1e-5)


def test_slopes_are_told_apart_and_each_names_its_term():
    slopes = [0.0, 9.0, 15.0, 25.0, 29.0, 60.0]
    terms = np.array([RANGE, RANGE, RANGE, ATTITUDE, ATTITUDE, TERMS.index("footprint")])
    figures = judge(*cells_of([0.03, 0.03, 0.04, 0.05, 0.07, 0.3], slopes, terms))
    assert [(part.name, part.area_m2, part.dominant_term) for part in figures.by_slope] == [
        ("up to 10 deg", 8.0, "range"),
        ("10 to 20 deg", 4.0, "range"),
        ("20 to 30 deg", 8.0, "roll and pitch"),
        ("over 30 deg", 4.0, "footprint"),
    ]
    assert [part.rmse_m for part in figures.by_slope] == pytest.approx([0.03, 0.04, np.sqrt(0.0037), 0.3])
    assert SLOPE_EDGES_DEG[1] == TESTED_SLOPE_DEG
    assert figures.dominant_term == "range"  # of the error that is tested


def test_classes_are_told_apart_largest_first():
    errors, faces = cells_of([0.02, 0.04, 0.04, np.nan], term=np.array([RANGE, ATTITUDE, ATTITUDE, RANGE]))
    figures = judge(errors, faces, classes=[0, 1, 1, 2], names=("no class", "grass", "water"))
    assert [(part.name, part.area_m2) for part in figures.by_class] == [("grass", 8.0), ("no class", 4.0)]
    assert figures.by_class[0].rmse_m == pytest.approx(0.04)
    assert figures.by_class[0].dominant_term == "roll and pitch"


@pytest.mark.parametrize(
    ("sds", "slope_deg"), [([np.nan, np.nan], 0.0), ([0.03, 0.03], 20.0)], ids=["nothing seen", "all too steep"]
)
def test_where_nothing_can_be_tested_nothing_is_said(sds, slope_deg):
    figures = judge(*cells_of(sds, slope_deg), target_m=0.05, checkpoint_m=0.01)
    assert figures.rmse_m is figures.tested_rmse_m is figures.met is figures.dominant_term is None
    assert figures.dominant_share_pct is figures.horizontal_rmse_m is figures.disagreement_rms_m is None
    assert (figures.cell_sigma_p50_m is None) == np.isnan(sds[0])


def test_without_a_target_nothing_is_met_or_missed():
    figures = judge(*cells_of([0.03]))
    assert figures.target_rmse_m is figures.met is figures.over_target_pct is None
    assert figures.rmse_m == pytest.approx(0.03)


def test_a_quality_level_brings_its_own_target():
    errors, faces = cells_of([0.03])
    requirement = Requirement(quality_level="QL0")
    figures = judge_accuracy(errors, faces, np.ones(1, bool), requirement, 0.01, np.zeros(1, np.uint8), ("all",), 1.0)
    # USGS Lidar Base Specification, table 4: 5 cm [R].
    assert figures.target_rmse_m == 0.05
    assert figures.met is True


def test_what_the_slope_makes_of_the_variance():
    # Were it level, 0.8 of the error, 0.64 of the variance, would be left (C).
    figures = judge(*cells_of([0.05] * 3, slopes_deg=25.0))
    assert [part.slope_share_pct for part in figures.by_slope] == [pytest.approx(36.0)]
