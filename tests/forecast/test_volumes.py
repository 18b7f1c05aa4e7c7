"""Volumes and changes: pads worked by hand, limits of correlation, and heights drawn many times."""

from dataclasses import replace

import numpy as np
import pytest

from planner.forecast.volumes import (
    TO_95,
    PadErrors,
    level_of_detection_m,
    pad_errors,
    smallest_change,
    volume_error,
)
from planner.ranging.looks import Faces, Looks


def a_pad(cells=1600, cell_m=0.5, returns=25.0, common=0.0, of_pass=0.0, pulse=0.0, legs=1, slope=0.0, rough=0.0):
    """A level pad, by default 20 m by 20 m; cells are dealt out to legs in equal blocks, one leg to each."""
    of_cell = np.ones(cells)
    return PadErrors(
        cell=np.arange(cells),
        leg=np.arange(cells) * legs // cells,
        returns=returns * of_cell,
        pass_sd_m=of_pass * of_cell,
        pulse_sd_m=pulse * of_cell,
        common_sd_m=common * of_cell,
        slope=slope * of_cell,
        cell_m=cell_m,
        roughness_sd_m=rough,
    )


@pytest.mark.parametrize(
    ("errors", "sd_m3"),
    [
        ({"common": 0.03}, 12.0),  # 400 m2 times 0.03 m, whatever the number of cells
        ({"of_pass": 0.03}, 12.0),  # one leg sees it all
        ({"of_pass": 0.03, "legs": 4}, 6.0),  # four quarters of 3 m3 each, in quadrature
        ({"pulse": 0.05}, 0.1),  # 0.05 m / sqrt(40 000 returns) times 400 m2
        ({"slope": 0.5}, 0.5 * 0.5 / np.sqrt(12 * 40_000) * 400),
        ({"rough": 0.05}, 0.1),
        ({"common": 0.03, "of_pass": 0.04}, 20.0),  # 12 and 16
    ],
)
def test_a_pad_worked_by_hand(errors, sd_m3):
    """20 m by 20 m in 1600 cells of 25 returns (C, by hand)."""
    found = volume_error(a_pad(**errors))
    assert found.area_m2 == 400
    assert found.sd_m3 == pytest.approx(sd_m3, rel=1e-9)
    assert found.error_95_m3 == pytest.approx(1.96 * sd_m3, rel=1e-9)
    assert found.mean_sd_m == pytest.approx(sd_m3 / 400, rel=1e-9)
    parts = np.array([found.common_m3, found.pass_m3, found.pulse_m3, found.sampling_m3])
    assert np.linalg.norm(parts) == pytest.approx(sd_m3, rel=1e-9)


def test_the_two_limits_of_correlation_of_the_literature():
    """n cells alike: independent sqrt(n) L^2 s (Anderson 2019, eq. 11, R2), fully correlated n L^2 s (same, M)."""
    independent = volume_error(a_pad(cells=682_640, cell_m=0.25, returns=1.0, pulse=0.11584754 * 1.96))
    # A published worked example of a differenced survey, at 95 %: 11.725159819775277 m3 (R2).
    assert independent.sd_m3 == pytest.approx(11.725159819775277, rel=1e-9)
    assert volume_error(a_pad(cells=1000, cell_m=2.0, common=0.07)).sd_m3 == pytest.approx(1000 * 4 * 0.07)


def test_an_area_twice_as_large_has_twice_the_shared_and_root_two_times_the_independent_error():
    small, large = (
        a_pad(cells=400, common=0.02, of_pass=0.03, pulse=0.05),
        a_pad(cells=800, common=0.02, of_pass=0.03, pulse=0.05),
    )
    one, two = volume_error(small), volume_error(large)
    assert (two.common_m3 / one.common_m3, two.pass_m3 / one.pass_m3) == (pytest.approx(2), pytest.approx(2))
    assert two.pulse_m3 / one.pulse_m3 == pytest.approx(np.sqrt(2))


def crossed(seed=4):
    """A pad of uneven cells seen by three legs, some cells by one, two or none."""
    generator = np.random.default_rng(seed)
    cells = 120
    cell, leg = (axis.ravel() for axis in np.meshgrid(np.arange(cells), np.arange(3), indexing="ij"))
    seen = generator.random(len(cell)) < 0.6
    count = int(seen.sum())
    return PadErrors(
        cell=cell[seen],
        leg=leg[seen],
        returns=generator.integers(1, 9, count).astype(float),
        pass_sd_m=generator.uniform(0.01, 0.05, count),
        pulse_sd_m=generator.uniform(0.02, 0.08, count),
        common_sd_m=generator.uniform(0.01, 0.03, cells),
        slope=generator.uniform(0, 0.6, cells),
        cell_m=1.5,
        roughness_sd_m=0.04,
    )


def test_heights_drawn_many_times_scatter_as_forecast():
    """Every return drawn by itself, averaged in its cell, cells added up: the slow twin (C), within 3 %.

    Sampling error of a deviation from 12 000 runs is 0.65 %.
    """
    errors, runs = crossed(), 12_000
    generator = np.random.default_rng(8)
    cells = len(errors.common_sd_m)
    times = errors.returns.astype(int)
    of_return = np.repeat(np.arange(len(times)), times)
    cell = errors.cell[of_return]
    returns = np.bincount(cell, minlength=cells)
    heights = np.empty((runs, cells))
    for run in range(runs):
        shared, of_leg = generator.standard_normal(), generator.standard_normal(3)
        z = shared * errors.common_sd_m[cell] + (of_leg[errors.leg] * errors.pass_sd_m)[of_return]
        z += errors.pulse_sd_m[of_return] * generator.standard_normal(len(cell))
        z += errors.roughness_sd_m * generator.standard_normal(len(cell))
        z += errors.slope[cell] * errors.cell_m * (generator.random(len(cell)) - 0.5)
        heights[run] = np.bincount(cell, z, minlength=cells) / np.maximum(returns, 1)
    found = volume_error(errors)
    seen = returns > 0
    assert 0 < np.count_nonzero(~seen) < 20
    volumes = heights[:, seen].sum(axis=1) * errors.cell_m**2
    assert volumes.std() == pytest.approx(found.sd_m3, rel=0.03)
    assert np.mean(np.abs(volumes) <= found.error_95_m3) == pytest.approx(0.95, abs=0.01)
    np.testing.assert_allclose(heights.std(axis=0)[seen], found.cell_sd_m[seen], rtol=0.03)
    assert np.isnan(found.cell_sd_m[~seen]).all()
    assert found.unmeasured_m2 == np.count_nonzero(~seen) * 2.25
    assert found.area_m2 == np.count_nonzero(seen) * 2.25
    # The change between two such surveys, with pairs of those that were drawn.
    change = smallest_change(found)
    between = volumes[: runs // 2] - volumes[runs // 2 :]
    assert np.mean(np.abs(between) <= change.volume_m3) == pytest.approx(0.95, abs=0.015)
    moved = np.abs(heights[: runs // 2] - heights[runs // 2 :])[:, seen]
    assert np.mean(moved <= change.cell_m[seen]) == pytest.approx(0.95, abs=0.01)


def test_more_passes_make_a_surer_volume_but_never_surer_than_what_they_share():
    one = a_pad(cells=100, common=0.01, of_pass=0.04, pulse=0.05)
    found = [volume_error(one).sd_m3]
    for passes in (2, 4, 8, 64):
        many = PadErrors(
            cell=np.tile(one.cell, passes),
            leg=np.repeat(np.arange(passes), 100),
            returns=np.tile(one.returns, passes),
            pass_sd_m=np.tile(one.pass_sd_m, passes),
            pulse_sd_m=np.tile(one.pulse_sd_m, passes),
            common_sd_m=one.common_sd_m,
            slope=one.slope,
            cell_m=one.cell_m,
        )
        found.append(volume_error(many).sd_m3)
        assert volume_error(many).pass_m3 == pytest.approx(25 * 0.04 / np.sqrt(passes))
    assert (np.diff(found) < 0).all()
    assert found[-1] > 25 * 0.01


def test_two_looks_of_one_leg_are_one_pass():
    """Views ahead and back share the errors of their leg: halves of one pass (C, by hand)."""
    whole = a_pad(cells=50, of_pass=0.03, pulse=0.05, returns=8.0)
    twice = replace(
        whole,
        cell=np.repeat(whole.cell, 2),
        leg=np.repeat(whole.leg, 2),
        **{name: np.repeat(getattr(whole, name), 2) for name in ("pass_sd_m", "pulse_sd_m")},
        returns=np.repeat(whole.returns / 2, 2),
    )
    one, two = volume_error(whole), volume_error(twice)
    assert two.sd_m3 == pytest.approx(one.sd_m3)
    np.testing.assert_allclose(two.cell_sd_m, one.cell_sd_m)


def test_a_pad_is_cut_out_of_a_flight():
    looks = Looks(
        starts=np.array([0, 2, 2, 5, 6]),
        leg=np.array([0, 1, 0, 1, 2, 2], dtype=np.int32),
        sample=np.zeros(6, dtype=np.int32),
        returns=np.array([4, 6, 3, 0, 5, 9], dtype=np.float32),
    )
    faces = Faces(np.zeros((4, 3)), np.array([[0.0, 0.0], [0.0, 0.0], [0.3, 0.4], [0.0, 0.1]]))
    common, of_pass, of_pulse = np.arange(4) / 100, np.arange(6) / 10, np.arange(6) / 20
    found = pad_errors(looks, faces, np.array([False, True, True, True]), (common, of_pass, of_pulse), 2.0, 0.01)
    # The second cell has no look; the middle look at the third brings no return.
    assert found.cell.tolist() == [1, 1, 2]
    assert found.leg.tolist() == [0, 2, 2]
    assert found.returns.tolist() == [3, 5, 9]
    np.testing.assert_allclose(found.pass_sd_m, [0.2, 0.4, 0.5])
    np.testing.assert_allclose(found.pulse_sd_m, [0.1, 0.2, 0.25])
    np.testing.assert_allclose(found.common_sd_m, [0.01, 0.02, 0.03])
    np.testing.assert_allclose(found.slope, [0, 0.5, 0.1])
    assert volume_error(found).unmeasured_m2 == 4


def test_the_surface_beneath_is_included_where_it_is_known():
    pad = a_pad(common=0.03)
    without, with_base = volume_error(pad), volume_error(pad, base_sd_m=0.04)
    assert without.base_m3 == 0
    assert "not known and not included" in without.definition
    assert with_base.base_m3 == 16
    assert with_base.sd_m3 == pytest.approx(20.0)
    assert "with 0.04 m standard deviation all over, is included" in with_base.definition
    # What lies beneath is not measured again: it makes no doubt in the height of the surface.
    assert with_base.mean_sd_m == without.mean_sd_m


def test_the_level_of_detection_is_that_of_the_literature():
    """1.96 sqrt(s1^2 + s2^2): Brasington et al. 2003, Lane et al. 2003 (R2, M for the pages); 3-4-5 by hand."""
    assert level_of_detection_m(0.03, 0.04) == pytest.approx(1.96 * 0.05)
    both = level_of_detection_m([0.03, np.nan], 0.03)
    assert both[0] == pytest.approx(TO_95 * 0.03 * np.sqrt(2))
    assert np.isnan(both[1])


def test_changes_against_a_survey_alike_and_against_an_earlier_one():
    this = volume_error(a_pad(common=0.03, pulse=0.2))
    alike, earlier = smallest_change(this), smallest_change(this, earlier_sd_m=0.3)
    each = np.hypot(0.03, 0.2 / 5)
    np.testing.assert_allclose(alike.cell_m, 1.96 * np.sqrt(2) * each)
    assert alike.median_cell_m == pytest.approx(1.96 * np.sqrt(2) * each)
    assert alike.p95_cell_m == pytest.approx(alike.median_cell_m)
    assert alike.mean_m == pytest.approx(1.96 * np.sqrt(2) * this.mean_sd_m)
    # A mean over 1600 cells tells less than half a cell's change, but not less than what all cells share.
    assert 1.96 * np.sqrt(2) * 0.03 < alike.mean_m < alike.median_cell_m
    assert alike.volume_m3 == pytest.approx(400 * alike.mean_m)
    assert earlier.mean_m == pytest.approx(1.96 * np.hypot(0.3, this.mean_sd_m))
    assert "two surveys flown like this one" in alike.definition
    assert "an earlier one of 0.3 m standard deviation" in earlier.definition


def test_a_pad_that_nothing_reaches_says_so():
    errors = a_pad(cells=4, cell_m=1.0)
    found = volume_error(replace(errors, returns=np.zeros(4)))
    assert (found.area_m2, found.unmeasured_m2, found.sd_m3) == (0, 4, 0)
    assert np.isnan(found.mean_sd_m)
    assert np.isnan(smallest_change(found).median_cell_m)
