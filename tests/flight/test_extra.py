from dataclasses import replace

import numpy as np
import pytest
from made_blocks import NO_ALIGNMENT, a_block, a_flyer, a_line

from planner.flight.avoidance import Kept
from planner.flight.cuts import cut_drifting, cut_line, drifting_lines, straight_s
from planner.flight.extra import calibration_lines, cross_lines
from planner.flight.paths import Flyer

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


def test_a_block_of_one_line_still_gets_cross_lines():
    for one in cross_lines(a_block(1), a_flyer(), 2).lines:
        assert one.kept_length_m == pytest.approx(100)
        assert one.kept_points_m()[:, 0].mean() == pytest.approx(0, abs=1e-6)


def test_parts_of_a_line_share_their_overlap_and_cover_the_whole():
    line = a_line("L03", (0, 0), (300, 1000))
    parts = cut_line(line, 3, 30.0)
    assert [part.line_id for part in parts] == ["L03a", "L03b", "L03c"]
    along = np.array([np.sin(line.track_rad), np.cos(line.track_rad)])
    spans = np.array([part.kept_points_m()[[0, -1], :2] @ along for part in parts])
    assert spans[0, 0] == pytest.approx(line.kept_m[0])
    assert spans[-1, 1] == pytest.approx(line.kept_m[1])
    assert spans[:-1, 1] - spans[1:, 0] == pytest.approx([30, 30])
    assert np.ptp([part.kept_length_m for part in parts]) == pytest.approx(0, abs=1e-9)
    for part in parts:
        assert part.kept_m[0] == pytest.approx(40)
        assert part.along_m()[-1] - part.kept_m[1] == pytest.approx(40)
        assert part.points_m[:, 2] == pytest.approx(80)


def test_lines_are_cut_until_none_drifts():
    # 3 km at 8 m/s take 375 s, 120 allowed: 960 m with 80 m of lead
    line = a_line("L01", (0, 0), (0, 3000))
    card = NO_ALIGNMENT
    assert straight_s(line) == pytest.approx(375)
    assert drifting_lines([line, *a_block(1)], card) == ("L01",)
    cut = cut_drifting([line, *a_block(2)], card, 20.0)
    # (2920 - 20) / (880 - 20) = 3.4: four parts; lines of 680 m stay whole
    assert [part.line_id for part in cut] == ["L01a", "L01b", "L01c", "L01d", "L01", "L02"]
    assert drifting_lines(cut, card) == ()


def test_a_line_whose_leads_use_up_the_time_stays_whole():
    line = a_line("L01", (0, 0), (0, 1000), lead=470.0)
    assert cut_drifting([line], NO_ALIGNMENT) == (line,)
