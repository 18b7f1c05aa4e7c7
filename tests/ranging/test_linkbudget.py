"""Reach against the range equation's published vectors."""

import numpy as np
import pytest

from planner.equipment import RangeRating
from planner.ranging.linkbudget import Reach, extinction_per_m, reach_of


@pytest.mark.parametrize(
    ("visibility_km", "wavelength_nm", "per_km"),
    [
        # Kim, McArthur and Korevaar 2001 exponents with 3.912 / V, computed table [C].
        (0.5, 905, 7.82400),
        (1, 905, 3.04969),
        (2, 1550, 0.98716),
        (5, 1064, 0.36875),
        (10, 905, 0.20475),
        (23, 905, 0.08902),
        (23, 1550, 0.04423),
        (50, 1064, 0.02722),
    ],
)
def test_extinction_matches_the_computed_table(visibility_km, wavelength_nm, per_km):
    assert extinction_per_m(wavelength_nm, visibility_km) * 1000 == pytest.approx(per_km, abs=6e-6)


@pytest.mark.parametrize(
    ("wavelength_nm", "reflectance", "range_m"),
    [
        # R(80 %) = 1000 m, Kim air at V = 23 km, computed vectors [C].
        (905, 0.05, 266.86),
        (905, 0.10, 373.82),
        (905, 1.00, 1107.40),
        (1064, 0.30, 628.98),
        (1550, 0.20, 510.93),
    ],
)
def test_reach_scales_with_reflectance(wavelength_nm, reflectance, range_m):
    rating = RangeRating(pulse_rate_hz=1e5, range_m=1000, reflectance=0.8, visibility_km=23)
    reach = reach_of(rating, wavelength_nm, 1.0, 23.0, reflectance)
    assert float(reach.longest_m(1.0)) == pytest.approx(range_m, abs=0.02)


@pytest.mark.parametrize(("visibility_km", "range_m"), [(5, 333.36), (1, 206.12)])
def test_reach_shrinks_in_haze(visibility_km, range_m):
    rating = RangeRating(pulse_rate_hz=1e5, range_m=1000, reflectance=0.8, visibility_km=23)
    assert float(reach_of(rating, 905, 1.0, visibility_km, 0.1).longest_m(1.0)) == pytest.approx(range_m, abs=0.02)


def test_reach_in_clear_air_follows_the_square_root_of_reflectance():
    # Wehr and Lohr 1999, ISPRS J. 54:68-82: range correction sqrt(rho / 0.8); 5 % gives 0.25 [M].
    reach = Reach(1000 / np.sqrt(0.8), 0.0, 0.05, 0.0)
    assert float(reach.longest_m(1.0)) == pytest.approx(250.0)


def test_reach_is_zero_on_a_face_turned_away_and_falls_with_incidence():
    reach = Reach(300.0, 9e-5, 0.2, 0.0)
    longest = reach.longest_m([[1.0, 0.5, 0.0], [-0.3, 0.25, 0.75]])
    assert longest.shape == (2, 3)
    assert longest[0, 2] == longest[1, 0] == 0
    assert longest[0, 0] > longest[1, 2] > longest[0, 1] > longest[1, 1] > 0
