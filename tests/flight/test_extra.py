from dataclasses import replace

import numpy as np
import pytest
import shapely
from made_blocks import NO_ALIGNMENT, a_block, a_flyer, a_line

from planner.flight.avoidance import ClosedVolumes, Kept, keep_clear
from planner.flight.extra import calibration_lines, cross_lines
from planner.flight.paths import Flyer
from planner.ground.obstacles import KeepOut

ASKING = replace(NO_ALIGNMENT, opposed_pair=True, cross_lines_every=15)


def test_a_silent_card_asks_for_nothing():
    assert calibration_lines(a_block(5), a_flyer()) == Kept(())
    assert calibration_lines([], a_flyer(navigation=ASKING)) == Kept(())


@pytest.mark.parametrize(("count", "across"), [(5, 2), (30, 2), (31, 3), (60, 4)])
def test_one_cross_line_for_so_many_and_both_ends_at_least(count, across):
    lines = a_block(count)
    extra = calibration_lines(lines, a_flyer(navigation=ASKING)).lines
    assert [line.line_id for line in extra] == [f"X{number:02d}" for number in range(1, across + 2)]
    opposed, *crossing = extra
    twin = next(line for line in lines if np.allclose(line.points_m[0, :2], opposed.points_m[-1, :2]))
    assert np.cos(opposed.track_rad - twin.track_rad) == pytest.approx(-1)
    assert opposed.kept_points_m()[::-1] == pytest.approx(twin.kept_points_m())
    norths = [line.points_m[0, 1] for line in crossing]
    assert norths == pytest.approx(np.linspace(-300, 300, across))
    for one in crossing:
        assert np.cos(one.track_rad - lines[0].track_rad) == pytest.approx(0, abs=1e-9)
        kept = np.sort(one.kept_points_m()[[0, -1], 0])
        assert kept == pytest.approx([0, 50 * (count - 1)])
        assert one.kept_m[0] == 40
        assert one.points_m[:, 2] == pytest.approx(80)


def test_cross_lines_follow_the_heights_they_cross_and_keep_the_floor_and_the_climb():
    lines = [
        replace(line, points_m=line.points_m + np.array([0, 0, 20.0 * number]))
        for number, line in enumerate(a_block(4))
    ]
    floor = lambda east, north: 60 + 80 * np.exp(-((east - 75) ** 2) / 2 / 30**2)  # noqa: E731
    for one in cross_lines(lines, Flyer(a_flyer().aircraft, ASKING, floor), 2).lines:
        east, up = one.points_m[:, 0], one.points_m[:, 2]
        assert np.all(up >= np.maximum(np.interp(east, [0, 50, 100, 150], [80, 100, 120, 140]), floor(east, 0)) - 0.3)
        rates = np.diff(up) / np.diff(one.along_m()) * one.speed_mps
        assert rates.max() <= 4 + 1e-9
        assert rates.min() >= -2.5 - 1e-9


def test_cross_lines_on_a_slope_run_up_it_where_the_aircraft_climbs_faster_than_it_sinks():
    # 24 m in 50 m at 8 m/s are 3.84 m/s: less than the 4 m/s of climb, more than the 2.5 m/s of descent (C).
    lines = [
        replace(line, points_m=line.points_m + np.array([0, 0, 24.0 * number]))
        for number, line in enumerate(a_block(4))
    ]
    for one in cross_lines(lines, Flyer(a_flyer().aircraft, ASKING, lambda east, north: 0.0 * east), 2).lines:
        assert one.points_m[-1, 0] > one.points_m[0, 0]
        assert one.points_m[:, 2] == pytest.approx(
            np.interp(one.points_m[:, 0], [0, 50, 100, 150], [80, 104, 128, 152])
        )


def test_a_cross_line_up_a_slope_steeper_than_the_climb_is_flown_slower_rather_than_lifted_far():
    # 40 m in 50 m at the block's 8 m/s would be 6.4 m/s of climb, where 4 are allowed: 4 / 0.8 = 5 m/s keep to it (C).
    lines = [
        replace(line, points_m=line.points_m + np.array([0, 0, 40.0 * number]))
        for number, line in enumerate(a_block(8))
    ]
    flyer = Flyer(a_flyer().aircraft, ASKING, lambda east, north: 0.0 * east)
    for one in cross_lines(lines, flyer, 2).lines:
        wanted = np.interp(one.points_m[:, 0], 50.0 * np.arange(8), 80 + 40.0 * np.arange(8))
        assert 2 < one.speed_mps <= 5.5
        assert (one.points_m[:, 2] - wanted).max() < 20
        rates = np.diff(one.points_m[:, 2]) / np.diff(one.along_m()) * one.speed_mps
        assert rates.max() <= 4 + 1e-9


def test_a_cross_line_lies_lower_than_the_lines_where_the_ceiling_asks_for_it():
    lines = a_block(8, up=118.0)
    ground = lambda east, north: 8.0 * np.sin(east / 20.0)  # noqa: E731
    ceiling = lambda east, north: ground(east, north) + 120.0  # noqa: E731
    flyer = Flyer(a_flyer().aircraft, ASKING, lambda east, north: ground(east, north) + 40.0)
    free, held = (cross_lines(lines, flyer, 2, ceiling=most).lines for most in (None, ceiling))
    for one, other in zip(free, held, strict=True):
        over, kept = ((line.points_m[:, 2] - ceiling(*line.points_m[:, :2].T)).max() for line in (one, other))
        assert over > 5
        assert kept <= 0.5
        assert (other.points_m[:, 2] >= flyer.floor(*other.points_m[:, :2].T)).all()


def test_a_block_of_one_line_still_gets_cross_lines():
    for one in cross_lines(a_block(1), a_flyer(), 2).lines:
        assert one.kept_length_m == pytest.approx(100)
        assert one.kept_points_m()[:, 0].mean() == pytest.approx(0, abs=1e-6)


def fence(start, end, name="the farm", **heights):
    """Return a keep-out box from corner to corner."""
    return KeepOut(name, shapely.box(*start, *end), **heights)


def off_m(line, area):
    """Return how near a line comes to an area in plan [m]."""
    return shapely.LineString(line.points_m[:, :2]).distance(area.polygon)


def test_a_cross_line_moves_along_the_block_by_as_little_as_it_takes():
    # the first lies at -300 and may go 0.4 of 600 m farther in, in 20 moves of 12 m; 10 m off the top at -270 are
    # kept from -260 on: the fourth move, to -252 (C)
    area = fence((60, -340), (90, -270))
    zones = ClosedVolumes((area,), 10.0)
    extra = calibration_lines(a_block(5), a_flyer(navigation=ASKING), zones)
    moved = extra.lines[1]
    assert moved.line_id == "X02"
    assert moved.points_m[:, 1] == pytest.approx(-252)
    assert np.sort(moved.kept_points_m()[[0, -1], 0]) == pytest.approx([0, 200])
    assert [change.text for change in extra.changes] == ["X02 is laid 48.0 m farther north for keep-out area the farm"]
    for line in extra.lines[1:]:
        assert off_m(line, area) >= 10


def test_a_cross_line_without_room_keeps_its_longer_part_or_is_left_out():
    # along the whole block; with 10 m of margin and 40 m of lead the part east of it begins at x = 30 (C)
    beside = fence((-25, -400), (-20, 400), "the road")
    extra = cross_lines(a_block(7), a_flyer(), 2, ClosedVolumes((beside,), 10.0))
    for line in extra.lines:
        assert np.sort(line.kept_points_m()[[0, -1], 0]) == pytest.approx([30, 300], abs=0.1)
        assert off_m(line, beside) >= 10
    assert [line.line_id for line in extra.lines] == ["X01", "X02"]
    through = fence((145, -400), (155, 400), "the road")
    extra = cross_lines(a_block(7), a_flyer(), 2, ClosedVolumes((through,), 10.0), first=2)
    assert extra.lines == ()
    assert [change.text for change in extra.changes] == [
        f"X0{number} is left out for keep-out area the road: less than 150 m of its data would be left"
        for number in (2, 3)
    ]


def test_the_line_flown_back_is_one_that_is_clear():
    lines = a_block(3)
    area = fence((40, -20), (60, 20))
    zones = ClosedVolumes((area,), 10.0)
    cleared = keep_clear(lines, zones).lines
    opposed, *_ = calibration_lines(lines, a_flyer(navigation=ASKING), zones, cleared).lines
    assert opposed.kept_length_m == pytest.approx(600)
    assert off_m(opposed, area) >= 10


def test_a_line_that_must_climb_into_an_area_is_not_flown_back():
    # up 40 m in 100 m at 8 m/s are 3.2 m/s: within the climb of 4 m/s, but back it sinks at 2.5 m/s and so stays
    # higher beyond the step, where the area begins at 110 m (C)
    line = a_line("L01", (0, -340), (0, 340))
    north = line.points_m[:, 1]
    line = replace(
        line, points_m=np.column_stack([line.points_m[:, :2], 80 + np.interp(north, [-50, 50], [0.0, 40.0])])
    )
    roof = fence((-50, -90), (50, -55), "the lane", floor_m=91.0)
    zones = ClosedVolumes((roof,), 10.0)
    assert zones.free_m(line.points_m)[1] == ()
    asking = replace(NO_ALIGNMENT, opposed_pair=True)
    found = calibration_lines([line], a_flyer(navigation=asking), zones)
    assert found.lines == ()
    assert [change.text for change in found.changes] == [
        "X01 is left out: no line can be flown back clear of keep-out areas"
    ]
