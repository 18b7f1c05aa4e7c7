"""Causes and outlines of gaps: one each, adding up exactly."""

import numpy as np
import pytest
import shapely

from planner.forecast.gaps import CAUSES, NOT_JUDGED, code_of, decide_causes, outline_gaps
from planner.ground.surface import HeightGrid, cells_on
from planner.ranging.attitude import straight_leg
from planner.ranging.beams import ScanPattern
from planner.ranging.pulses import Tally
from planner.requirement import Requirement

TARGET = 100.0
DRY = np.zeros((20, 20), dtype=bool)
NO_CASES = np.zeros((0, 0, 0))
POOLED = Requirement(density_per_m2=TARGET)
SINGLE = Requirement(density_per_m2=TARGET, coverage="single")


def scene(size=21):
    z = np.zeros((size, size))
    grid = HeightGrid(z, np.ones(z.shape, dtype=bool), -(size - 1) / 2, (size - 1) / 2, 1.0)
    return grid, cells_on(grid, 1.0)


def leg_along_north(first, last, east=0.0):
    pattern = ScanPattern("polygon", 1e5, 100.0, 0.7, 0.7)
    return straight_leg(np.array([[east, first, 50.0], [east, last, 50.0]]), 5.0, pattern)


def tally_of(counts):
    counts = np.asarray(counts, dtype=float)
    first = counts[..., 0]
    passes = (first > 0).astype(np.uint8)
    return Tally(counts, counts, NO_CASES, NO_CASES, *[first.astype(float)] * 6, passes, int(counts.sum()))


def cause_of(returns, near, shadow, far):
    """Return the cause given to a cell with these counts, judged at 100 a cell."""
    grid, cells = scene()
    counts = np.zeros((cells.rows, cells.cols, 7))
    counts[5, 5] = returns, near, shadow, far, 0, 0, 0
    density = counts[..., 0].astype(float)
    judged = np.zeros(density.shape, dtype=bool)
    judged[5, 5] = True
    codes = decide_causes(density, judged, DRY, tally_of(counts), cells, grid, [leg_along_north(-10, 10)], POOLED)
    assert (codes[~judged] == NOT_JUDGED).all()
    return CAUSES[codes[5, 5] - 1] if codes[5, 5] else "met"


@pytest.mark.parametrize(
    ("counts", "cause"),
    [
        ((100, 0, 0, 0), "met"),
        ((99, 0, 0, 0), "sparse"),
        ((99, 1, 0, 0), "minimum range"),
        ((60, 0, 40, 0), "shadow"),
        ((60, 0, 0, 40), "over range"),
        # The one whose removal alone brings the cell back wins over one that comes earlier in the order.
        ((50, 10, 0, 50), "over range"),
        ((50, 50, 50, 50), "minimum range"),
        ((0, 0, 60, 60), "shadow"),
        ((90, 0, 1, 0), "shadow"),
    ],
)
def test_the_decisive_cause(counts, cause):
    assert cause_of(*counts) == cause


@pytest.mark.parametrize(
    ("first", "ground", "open_ground", "cause"),
    [(120, 100, 120, "met"), (120, 60, 120, "canopy"), (120, 0, 0, "shadow"), (50, 20, 50, "canopy")],
)
def test_the_decisive_cause_of_ground_returns(first, ground, open_ground, cause):
    """Ground under crowns is short by canopy, ground under a roof by shadow."""
    grid, cells = scene()
    shape = (cells.rows, cells.cols)
    counts = np.zeros((*shape, 7), dtype=float)
    counts[5, 5, 0] = first
    expected, free = np.zeros(shape), np.zeros(shape)
    expected[5, 5], free[5, 5] = ground, open_ground
    passes = np.ones(shape, dtype=np.uint8)
    hits = counts[..., 0]
    tally = Tally(counts, counts, NO_CASES, NO_CASES, hits, hits, expected, expected, free, free, passes, first)
    asked = Requirement(density_per_m2=TARGET, returns="ground")
    judged = np.zeros(shape, dtype=bool)
    judged[5, 5] = True
    codes = decide_causes(expected, judged, DRY, tally, cells, grid, [leg_along_north(-10, 10)], asked)
    assert (CAUSES[codes[5, 5] - 1] if codes[5, 5] else "met") == cause


def test_ground_that_no_scan_plane_passes_has_no_line_and_ground_abeam_lies_outside_the_swath():
    grid, cells = scene()
    shape = (cells.rows, cells.cols)
    codes = decide_causes(
        np.zeros(shape),
        np.ones(shape, dtype=bool),
        DRY,
        tally_of(np.zeros((*shape, 7))),
        cells,
        grid,
        [leg_along_north(-4, 4, east=42.0)],
        POOLED,
    )
    east, north = cells.centres_m()
    edge = 42 - 50 * np.tan(0.7)  # of the swath, on this side
    abeam, within, aside = np.abs(north) < 4, east > edge + 0.1, east < edge - 0.1
    assert within.any()
    assert aside.any()
    assert (codes[np.ix_(abeam, aside)] == code_of("outside swath")).all()
    # Within the opening nothing but shadow keeps every pulse away.
    assert (codes[np.ix_(abeam, within)] == code_of("shadow")).all()
    assert (codes[~abeam] == code_of("no line")).all()


def test_unknown_terrain_outranks_every_other_cause():
    grid, cells = scene()
    density = np.full((cells.rows, cells.cols), np.nan)
    judged = np.ones(density.shape, dtype=bool)
    counts = np.full((*density.shape, 7), 10)
    codes = decide_causes(density, judged, DRY, tally_of(counts), cells, grid, [leg_along_north(-9, 9)], SINGLE)
    assert (codes == code_of("no terrain")).all()


def test_outlines_add_up_to_the_cells_exactly():
    rng = np.random.default_rng(5)
    _, cells = scene(61)
    codes = rng.choice(np.array([0, 3, 5, 11, NOT_JUDGED], dtype=np.uint8), size=(cells.rows, cells.cols))
    density = rng.uniform(0, 90, codes.shape)
    gaps = outline_gaps(codes, density, cells)
    for cause in CAUSES:
        area = sum(gap.area_m2 for gap in gaps if gap.cause == cause)
        assert area == (codes == code_of(cause)).sum() * cells.cell_m**2
        outlined = sum(gap.polygon.area for gap in gaps if gap.cause == cause)
        assert outlined == pytest.approx(area)
    assert [gap.area_m2 for gap in gaps] == sorted((gap.area_m2 for gap in gaps), reverse=True)
    assert not shapely.union_all([gap.polygon for gap in gaps]).is_empty
    low = sum(gap.mean_density_per_m2 * gap.area_m2 for gap in gaps)
    assert low == pytest.approx(density[(codes > 0) & (codes != NOT_JUDGED)].sum())


def test_no_gap_where_all_is_met():
    _, cells = scene()
    assert outline_gaps(np.zeros((cells.rows, cells.cols), dtype=np.uint8), np.ones((20, 20)), cells) == ()
