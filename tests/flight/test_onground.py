"""What lines bring to sloping ground, held against beams followed one by one and against closed forms on the flat."""

from dataclasses import replace

import numpy as np
import pytest
import shapely
from flat_jobs import a_scene
from made_blocks import a_block, a_line

from planner.flight.onground import Places, brought_per_m_s, places_on
from planner.flight.swath import least_aggregate_density_per_m2, single_pass_density_per_m2
from planner.ranging.beams import ScanPattern
from planner.ranging.linkbudget import Reach

B = ScanPattern("oscillating_linear", 300_000, 100, np.radians(40), np.radians(40))
FAR = Reach(strength_m=5000.0, extinction_per_m=0.0, reflectance=0.5, min_range_m=3.0)


def across(offsets_m, slope=0.0, base_m=0.0):
    """Return places beside a line along north through the origin, on a plane that rises toward east."""
    offsets = np.asarray(offsets_m, dtype=float)
    points = np.column_stack([offsets, np.zeros(len(offsets)), base_m + slope * offsets])
    return Places(points, np.column_stack([np.full(len(offsets), slope), np.zeros(len(offsets))]))


def followed_per_m_s(offsets_m, slope, up_m, bin_m=2.0, count=4_000_000):
    """Return the density that so many beams, evenly spread over the opening, leave on a plane at 1 m/s: counted."""
    angles = (np.arange(count) + 0.5) / count * np.radians(80) - np.radians(40)
    hits = up_m * np.tan(angles) / (1 + slope * np.tan(angles))  # where u = (up - slope u) tan(angle)
    counts = [np.count_nonzero(np.abs(hits - offset) < bin_m / 2) for offset in offsets_m]
    return np.array(counts) / count * 300_000 / bin_m


@pytest.mark.parametrize("slope", [-0.6, -0.2, 0.0, 0.3, 0.8])
def test_one_pass_over_a_slope_is_what_beams_counted_one_by_one_leave(slope):
    line = a_line("L01", (0, -300), (0, 300))
    offsets = np.array([-40.0, -15.0, 0.0, 20.0, 35.0])
    found = brought_per_m_s(across(offsets, slope), [line], B, FAR, pooled=True)
    assert found == pytest.approx(followed_per_m_s(offsets, slope, 80.0), rel=0.005)


def test_flat_ground_has_the_density_of_the_closed_form_for_all_passes_and_for_the_best():
    lines = a_block(9, apart_m=50.0)
    offsets = np.linspace(150, 250, 401)
    places = across(offsets)
    pooled, best = (brought_per_m_s(places, lines, B, FAR, pooled=pooled) for pooled in (True, False))
    assert pooled.min() == pytest.approx(least_aggregate_density_per_m2(B, 80.0, 1.0, 50.0), rel=0.01)
    nearest = np.abs(offsets - 50 * np.round(offsets / 50))
    assert best == pytest.approx(single_pass_density_per_m2(B, nearest, 80.0, 1.0))


def test_a_line_brings_nothing_behind_a_crest_beyond_its_kept_part_or_out_of_reach():
    line = a_line("L01", (0, -300), (0, 300))
    away = replace(across([60.0]), rises=np.array([[-1.7, 0.0]]))  # 80 m below and 60 aside: the beam falls by 80 in 60
    assert brought_per_m_s(away, [line], B, FAR, pooled=True) == 0
    assert brought_per_m_s(replace(away, rises=-0.7 * away.rises), [line], B, FAR, pooled=True) > 0
    beyond = replace(across([10.0]), points_m=np.array([[10.0, 280.0, 0.0]]))
    assert brought_per_m_s(beyond, [line], B, FAR, pooled=True) == 0
    near, dim = brought_per_m_s(across([0.0, 60.0]), [line], B, replace(FAR, strength_m=120.0), pooled=True)
    # Straight below 80 m is within 120 sqrt(0.5) = 84.9 m; at 60 m aside the way is 100 m (C).
    assert near > 0
    assert dim == 0


def test_places_lie_in_the_area_on_known_ground_with_its_slope():
    plane = a_scene(lambda east, north: 20 + 0.25 * east - 0.1 * north).top
    area = shapely.MultiPolygon([shapely.box(-150, -100, 150, 100)])
    places = places_on(plane, plane, area, 4.0)
    assert 1000 < len(places.points_m) <= 1600
    assert shapely.contains_xy(area, places.points_m[:, 0], places.points_m[:, 1]).all()
    assert places.rises == pytest.approx(np.tile([0.25, -0.1], (len(places.rises), 1)))
    assert places.points_m[:, 2] == pytest.approx(20 + places.points_m[:, :2] @ [0.25, -0.1])
