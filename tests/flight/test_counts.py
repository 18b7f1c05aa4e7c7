import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from planner.flight.counts import (
    Grain,
    counted_density_per_m2,
    counting_floor,
    fastest_mps,
    grain_of,
    needed_per_m_s,
)
from planner.ranging.beams import ScanPattern

RATES = st.floats(10, 200)
COMBS = st.sampled_from([(0, False), (1, True), (2, False), (16, False), (16, True)])
SPREAD = 1.645


def test_counting_floor():
    assert counting_floor(1.0, 0.2, 0.25) == pytest.approx(1.0)
    assert counting_floor(1.0, 0.4, 0.25) == pytest.approx(2 / 2.5)
    assert counting_floor(1.0, 1.1, 0.1) == 0


@given(st.floats(0.2, 5), st.floats(0.03, 3), st.floats(0.03, 3), st.floats(0, 1), st.floats(0, 1))
def test_no_cell_holds_fewer_than_the_counting_floor(cell_m, along_m, across_m, phase_along, phase_across):
    lines, pulses = (
        np.ceil(phase + cell_m / step + 1e-6) - np.ceil(phase)
        for step, phase in ((along_m, phase_along), (across_m, phase_across))
    )
    mean = cell_m**2 / (along_m * across_m)
    assert lines * pulses >= counting_floor(cell_m, along_m, across_m) * mean - 1e-6


@given(st.floats(100, 5000), RATES, COMBS, st.floats(0.5, 4), st.floats(1, 500))
def test_fastest_speed_meets_the_density_and_no_higher_one_does(least, lines_hz, combs, cell_m, target):
    grain = Grain(lines_hz, *combs, SPREAD)
    speed = fastest_mps(grain, least, cell_m, target)
    if speed == 0:
        assert cell_m * least / lines_hz < 1
    else:
        assert counted_density_per_m2(grain, least, cell_m, speed) >= target * (1 - 1e-6)
        assert counted_density_per_m2(grain, least, cell_m, speed * 1.001) < target * (1 + 1e-6)


@given(RATES, COMBS, st.floats(0.5, 4), st.floats(1, 500), st.floats(1, 20))
def test_density_needed_at_a_speed_is_the_least_that_counts_enough(lines_hz, combs, cell_m, target, speed):
    grain = Grain(lines_hz, *combs, SPREAD)
    needed = float(needed_per_m_s(grain, cell_m, target, speed))
    if np.isinf(needed):
        assert counted_density_per_m2(grain, 1e9, cell_m, speed) == 0 or combs[0] == 0
    else:
        assert counted_density_per_m2(grain, needed, cell_m, speed) >= target * (1 - 1e-6)
        assert counted_density_per_m2(grain, needed * 0.999, cell_m, speed) < target * (1 + 1e-6)


@given(COMBS, st.floats(200, 5000), st.floats(1, 10))
def test_what_is_counted_is_never_more_than_the_mean(combs, least, speed):
    assert counted_density_per_m2(Grain(100.0, *combs, SPREAD), least, 1.0, speed) <= least / speed * (1 + 1e-9)


@pytest.mark.parametrize("combs", [2, 16])
def test_combs_that_lie_anyhow_hold_the_count_in_the_share_of_cells_asked(combs):
    # combs at random phases, along and across; 4000 cells drawn; bound holds for 95 of 100 (derived in counts.py)
    draw = np.random.default_rng(5)
    for lines, pulses in ((7.3, 3.1), (31.6, 4.5), (50.2, 9.9)):
        step = combs / lines
        rows = np.floor(1 / step + draw.random((4000, combs)))
        columns = np.floor(pulses + draw.random((4000, combs)))
        held = np.percentile((rows * columns).sum(axis=1), 5)
        sure = counted_density_per_m2(Grain(lines, combs, False, SPREAD), pulses * lines, 1.0, 1.0)
        assert 0.5 * held <= sure <= held * 1.02


def test_points_at_random_hold_the_count_in_the_share_of_cells_asked():
    draw = np.random.default_rng(5)
    for bunches, bunch in ((60.0, 4), (300.0, 1)):
        held = np.percentile(draw.poisson(bunches, 20_000) * bunch, 5)
        grain = Grain(bunches, 0, False, SPREAD)
        assert counted_density_per_m2(grain, bunches * bunch, 1.0, 1.0) == pytest.approx(held, rel=0.03)


def test_grain_of_each_pattern():
    head = ScanPattern("rotating", 300e3, 20, np.pi, 0.7, beam_elevations_rad=(-0.1, 0.0, 0.1))
    assert grain_of(head, 5) == Grain(60.0, 3, False, pytest.approx(1.6449, abs=1e-4))
    frame = ScanPattern("matrix", 20 * 320 * 240, 20, 0.3, 0.3, frame_pixels=(320, 240), along_half_angle_rad=0.2)
    assert grain_of(frame, 5) == Grain(20 * 240, 240, True, pytest.approx(1.6449, abs=1e-4))
    assert grain_of(ScanPattern("conical", 300e3, 60, 0.4, 0.4), 5).lines_hz == 120
    assert grain_of(ScanPattern("oscillating_sine", 300e3, 60, 0.4, 0.4), 5).lines_hz == 60
    rosette = grain_of(ScanPattern("rosette", 300e3, 60, 0.4, 0.4, wedge_ratio=1.0), 5)
    assert rosette.lines_hz == pytest.approx(120 * np.sqrt(2))
    assert (rosette.combs, grain_of(frame, 0).spread) == (0, pytest.approx(3.09, abs=0.01))
