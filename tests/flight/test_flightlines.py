from dataclasses import replace

import numpy as np
import pytest
import shapely
from flat_jobs import a_grid
from hypothesis import given, settings
from hypothesis import strategies as st

from planner.flight.flightlines import Manner, fly_lines, lay_out, long_side_rad
from planner.flight.profile import Floor, highest_nearby
from planner.flight.swath import strips_needed

MANNER = Manner(8.0, 300e3, 100.0, np.radians(40), 40.0, 0.0, 0.5, 0.3, None)
L_SHAPE = shapely.Polygon([(0, 0), (400, 0), (400, 90), (120, 90), (120, 300), (0, 300)])
HOLED = shapely.Polygon([(0, 0), (400, 40), (350, 330), (30, 260)], [[(150, 100), (250, 100), (250, 200), (150, 200)]])
PARTS = shapely.MultiPolygon([shapely.box(0, 0, 100, 80), shapely.box(180, 260, 330, 340)])


def multi(geometry):
    return geometry if geometry.geom_type == "MultiPolygon" else shapely.MultiPolygon([geometry])


def floor_over(heights, agl_m=80.0, clearance_m=30.0):
    grid = a_grid(heights)
    nearby = highest_nearby(grid, clearance_m)
    return Floor(grid, nearby, nearby, agl_m, clearance_m)


def flat():
    return floor_over(np.zeros((400, 400)))


@pytest.mark.parametrize("area", [L_SHAPE, HOLED, PARTS], ids=["concave", "holed", "two parts"])
@settings(max_examples=15, deadline=None)
@given(heading_deg=st.floats(-180, 180), share=st.floats(0.1, 0.6))
def test_flat_swaths_cover_all_that_is_planned(area, heading_deg, share):
    width = 120.0
    planned = multi(area.buffer(20))
    layout = lay_out(planned, multi(area), np.radians(heading_deg), width * (1 - share), (width / 2, width / 3))
    swaths = [
        shapely.LineString(line.kept_points_m()[[0, -1], :2]).buffer(width / 2, cap_style="flat")
        for line in fly_lines(layout, flat(), MANNER)
    ]
    assert shapely.union_all(swaths).intersection(planned).area >= 0.9999 * planned.area


@pytest.mark.parametrize("share", [0.2, 0.3, 0.5])
@pytest.mark.parametrize("across_m", [90.0, 350.0, 1000.0])
def test_textbook_number_of_strips_on_a_rectangle(across_m, share):
    # Baltsavias 1999 (M): n = ceil((W - q SW) / (SW (1 - q)))
    width = 140.04
    area = multi(shapely.box(0, 0, across_m, 2000))
    layout = lay_out(area, area, 0.0, width * (1 - share), (width / 2, width / 2))
    assert layout.across_m.size == strips_needed(across_m, width, share)


def test_one_line_down_the_middle_of_an_area_narrower_than_a_swath():
    area = multi(shapely.box(10, 0, 60, 500))
    layout = lay_out(area, area, 0.0, 80.0, (60.0, 50.0))
    assert layout.across_m.tolist() == [35.0]


def test_outer_lines_come_near_enough_to_the_judged_edge():
    area = multi(shapely.box(0, 0, 500, 500))
    layout = lay_out(area, area, 0.0, 90.0, (60.0, 25.0))
    assert layout.across_m[0] <= 25.0 + 1e-9
    assert layout.across_m[-1] >= 475.0 - 1e-9


def test_held_spacing_is_kept_and_free_spacing_spread():
    area = multi(shapely.box(0, 0, 500, 500))
    held = lay_out(area, area, 0.0, 90.0, (60.0, 60.0), hold_spacing=True)
    free = lay_out(area, area, 0.0, 90.0, (60.0, 60.0))
    assert np.allclose(np.diff(held.across_m), 90.0)
    assert np.allclose(np.diff(free.across_m), 380 / 5)


def test_heading_turns_lines_and_nothing_else():
    straight = lay_out(multi(L_SHAPE), multi(L_SHAPE), 0.3, 70.0, (50.0, 40.0))
    angle = 1.1
    spin = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])  # clockwise for row vectors
    spun = multi(shapely.transform(L_SHAPE, lambda en: en @ spin))
    turned = lay_out(spun, spun, 0.3 + angle, 70.0, (50.0, 40.0))
    assert np.allclose(straight.across_m, turned.across_m)
    assert np.allclose(straight.spans_m, turned.spans_m)


@pytest.mark.parametrize("angle_deg", [0, 20, 90, 135])
def test_long_side(angle_deg):
    box = shapely.affinity.rotate(shapely.box(0, 0, 100, 900), -angle_deg, origin=(0, 0))
    assert np.degrees(long_side_rad(box)) == pytest.approx(angle_deg, abs=1e-6)


def test_serpentine_order_ids_and_leads():
    area = multi(shapely.box(0, 0, 300, 600))
    lines = fly_lines(lay_out(area, area, 0.0, 70.0, (50.0, 50.0)), flat(), MANNER)
    assert [line.line_id for line in lines] == ["L01", "L02", "L03", "L04"]
    assert np.cos([line.track_rad for line in lines]) == pytest.approx([1, -1, 1, -1])
    for line in lines:
        assert line.kept_m[0] == pytest.approx(MANNER.lead_m)
        assert line.along_m()[-1] - line.kept_m[1] == pytest.approx(MANNER.lead_m)
        assert line.kept_length_m == pytest.approx(600)
        assert np.diff(line.along_m()).max() <= 5.5 + 1e-9


def test_a_tilted_scan_plane_lengthens_both_ends():
    area = multi(shapely.box(0, 0, 50, 600))
    tilted = replace(MANNER, extend_m=11.0)
    (line,) = fly_lines(lay_out(area, area, 0.0, 70.0, (50.0, 50.0)), flat(), tilted)
    kept = line.kept_points_m()
    assert kept[0, 1] == pytest.approx(-11)
    assert kept[-1, 1] == pytest.approx(611)


def test_heights_keep_floor_climb_and_descent_in_the_direction_flown():
    rows, cols = np.mgrid[0:400, 0:400]
    heights = 25 * np.sin(cols / 12) + 15 * np.cos(rows / 9)  # slopes up to 1.3, far over both limits
    floor = floor_over(heights, agl_m=50.0)
    area = multi(shapely.box(-200, -200, 200, 200))
    for line in fly_lines(lay_out(area, area, 0.7, 60.0, (50.0, 50.0)), floor, MANNER):
        slope = np.diff(line.points_m[:, 2]) / np.diff(line.along_m())
        assert slope.max() <= MANNER.climb_slope + 1e-9
        assert slope.min() >= -MANNER.descent_slope - 1e-9
        fine = np.linspace(0, line.along_m()[-1], 500)
        east, north, up = (np.interp(fine, line.along_m(), line.points_m[:, axis]) for axis in range(3))
        assert np.all(up >= floor.ground_m(east, north) + 50 - 0.35)  # the ground is looked at every metre


def test_level_lines_share_one_height_over_all_floors():
    heights = np.zeros((400, 400))
    heights[150:160, 150:160] = 25.0
    area = multi(shapely.box(-200, -200, 200, 200))
    lines = fly_lines(lay_out(area, area, 0.0, 60.0, (50.0, 50.0)), floor_over(heights), replace(MANNER, level_m=0.0))
    ups = np.concatenate([line.points_m[:, 2] for line in lines])
    assert np.ptp(ups) == 0
    assert ups[0] >= 80
    higher = fly_lines(
        lay_out(area, area, 0.0, 60.0, (50.0, 50.0)), floor_over(heights), replace(MANNER, level_m=300.0)
    )
    assert np.all(higher[0].points_m[:, 2] == 300)
