"""What shares the errors of heights: the parts make up the whole budget of a cell."""

import sys
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parent))
from test_budgets import ENTRY, STRONG, A, a_leg, a_navigation, a_sensor, seen

from planner.forecast.budgets import cell_errors
from planner.forecast.sharing import shared_errors

LEGS = [a_leg(-40.0, 0.0, 20.0, tilt_deg=-6.0), a_leg(25.0, 0.0, 190.0), a_leg(0.0, 60.0, 100.0)]
RETURNS = np.array([30.0, 12.0, 5.0])


@pytest.mark.parametrize("slope", [(0.0, 0.0), (0.5, -0.3)])
def test_the_parts_make_up_the_height_of_all_passes(slope):
    # Pooling as `budgets` states it: common errors with their mean sign, those of a pass and of one return by weight.
    looks, faces = seen([[(leg, 10, count) for leg, count in enumerate(RETURNS)]], [slope])
    parts = shared_errors(looks, faces, LEGS, A, ENTRY, STRONG, 5000.0)
    whole = cell_errors(looks, faces, LEGS, A, ENTRY, STRONG, 5000.0)
    weights = RETURNS / RETURNS.sum()
    pooled = parts.common_m[0] ** 2 + (weights**2 * (parts.pass_m**2 + parts.pulse_m**2)).sum()
    assert whole.vertical_combined_m[0] == pytest.approx(np.sqrt(pooled), rel=1e-6)


@pytest.mark.parametrize(
    ("sensor", "navigation", "alone"),
    [
        (a_sensor(), a_navigation(base_ppm=5.0), "common_m"),
        (a_sensor(), a_navigation(position_vertical_sd_m=0.03), "pass_m"),
        (a_sensor(range_noise_m=0.02), a_navigation(), "pulse_m"),
    ],
)
def test_each_error_has_its_scope(sensor, navigation, alone):
    looks, faces = seen([[(0, 10, 20.0), (1, 10, 20.0)]])
    parts = shared_errors(looks, faces, LEGS[:2], sensor, navigation, STRONG, 4000.0)
    for name in ("common_m", "pass_m", "pulse_m"):
        assert (getattr(parts, name) > 1e-3).all() == (name == alone)


def test_a_cell_without_returns_has_no_height():
    looks, faces = seen([[(0, 10, 0.0)], [(0, 10, 3.0)]])
    common = shared_errors(looks, faces, LEGS, A, ENTRY, STRONG).common_m
    assert np.isnan(common).tolist() == [True, False]
