"""Lines beside keep-out areas, held against distances that shapely finds at places close together."""

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
import shapely
from flat_jobs import a_grid
from hypothesis import given, settings
from hypothesis import strategies as st
from made_blocks import a_block, a_line

from planner.flight.avoidance import LEAST_M, LONG_SHARE, ClosedVolumes, Profile, keep_clear, side_of
from planner.flight.flightlines import Layout, Manner, fly_lines
from planner.flight.profile import Floor, highest_nearby
from planner.ground.obstacles import KeepOut


def box(west, south, east, north, name="the farm", **heights):
    return KeepOut(name, shapely.box(west, south, east, north), **heights)


def off_m(line, area, step_m=0.3):
    """Return how near a line comes to an area in space [m]: an upright prism, open where it has no floor or top."""
    along = line.along_m()
    stops = np.append(np.arange(0, along[-1], step_m), along[-1])
    east, north, up = (np.interp(stops, along, line.points_m[:, axis]) for axis in range(3))
    low = -np.inf if area.floor_m is None else area.floor_m
    high = np.inf if area.top_m is None else area.top_m
    beside = shapely.distance(area.polygon, shapely.points(east, north))
    return float(np.hypot(beside, np.maximum(np.maximum(low - up, up - high), 0)).min())


def norths(line):
    """Return from where to where a line keeps its data [m]."""
    return line.kept_points_m()[[0, -1], 1]


def flat(line):
    """Return a line as it is: over level ground heights stay what they are."""
    return line


def climbing(name, start, end, slope, lead):
    line = a_line(name, start, end, lead=lead)
    return replace(line, points_m=line.points_m + np.outer(line.along_m() * slope, [0, 0, 1]))


@st.composite
def fields(draw):
    """Return lines every which way, areas of three to six corners that may have floor and top, and a margin."""
    number = st.floats(-400, 400)
    areas = []
    for name in "abc"[: draw(st.integers(0, 3))]:
        middle, reach = np.array([draw(number), draw(number)]), draw(st.floats(5, 150))
        corners = np.cumsum(draw(st.lists(st.floats(0.5, 2), min_size=3, max_size=6)))
        turns = corners / corners[-1] * 2 * np.pi
        ring = middle + reach * np.column_stack([np.sin(turns), np.cos(turns)])
        floor = draw(st.one_of(st.none(), st.floats(40, 140)))
        top = draw(st.one_of(st.none(), st.floats(1, 60)))
        areas.append(KeepOut(name, shapely.Polygon(ring), floor, None if top is None else (floor or 40) + top))
    lead = draw(st.floats(5, 60))
    lines = []
    for count in range(draw(st.integers(1, 3))):
        start, turn = np.array([draw(number), draw(number)]), draw(st.floats(0, 6.28))
        end = start + draw(st.floats(200, 700)) * np.array([np.sin(turn), np.cos(turn)])
        lines.append(climbing(f"L{count + 1:02d}", start, end, draw(st.floats(-0.2, 0.2)), lead))
    return lines, ClosedVolumes(tuple(areas), draw(st.floats(0, 40))), draw(st.floats(0, 60))


@settings(deadline=None, max_examples=60)
@given(fields())
def test_what_comes_out_keeps_clear_and_nothing_is_lost_unsaid(field):
    lines, zones, shift = field
    kept = keep_clear(lines, zones, flat, most_shift_m=shift)
    for line in kept.lines:
        for area in zones.keep_outs:
            assert off_m(line, area) >= zones.margin_m
    again = keep_clear(lines, zones, flat, most_shift_m=shift)
    assert again.changes == kept.changes
    assert [line.points_m.tobytes() for line in again.lines] == [line.points_m.tobytes() for line in kept.lines]
    names = [line.line_id for line in kept.lines]
    assert names == sorted(set(names))
    changes = {change.line_id: change for change in kept.changes}
    for line in lines:
        parts = [part for part in kept.lines if part.line_id.startswith(line.line_id)]
        near = min((off_m(line, area) for area in zones.keep_outs), default=np.inf)
        if line.line_id not in changes:
            assert parts == [line]
            assert parts[0] is line
            assert near >= zones.margin_m
            continue
        assert near < zones.margin_m + 0.2
        track = np.array([np.sin(line.track_rad), np.cos(line.track_rad)])  # a move aside leaves places along it
        spans = [tuple((part.kept_points_m()[[0, -1], :2] - line.points_m[0, :2]) @ track) for part in parts]
        told = sorted([*spans, *changes[line.line_id].removed_m])
        assert sum(end - start for start, end in told) == pytest.approx(line.kept_length_m, abs=1e-3)
        assert told[0][0] == pytest.approx(line.kept_m[0], abs=1e-6)
        assert told[-1][1] == pytest.approx(line.kept_m[1], abs=1e-6)
        assert all(before[1] == pytest.approx(after[0], abs=1e-6) for before, after in pairwise(told))
        for part in parts:
            assert part.kept_m[0] == pytest.approx(line.kept_m[0], abs=1e-6)
            assert part.along_m()[-1] - part.kept_m[1] == pytest.approx(line.kept_m[0], abs=1e-6)
            assert part.kept_length_m >= LEAST_M or part.kept_length_m == pytest.approx(line.kept_length_m)


@settings(deadline=None, max_examples=40)
@given(fields())
def test_a_line_is_moved_only_where_that_keeps_much_more(field):
    lines, zones, shift = field
    for line in lines:
        plain, moved = (keep_clear([line], zones, relaid, most_shift_m=shift) for relaid in (None, flat))
        totals = [sum(part.kept_length_m for part in kept.lines) for kept in (plain, moved)]
        if any("shifted" in change.what for change in moved.changes):
            assert totals[1] >= totals[0] + LONG_SHARE * line.kept_length_m - 1e-6
        else:
            assert [part.line_id for part in moved.lines] == [part.line_id for part in plain.lines]
            assert totals[0] == totals[1]


def test_a_line_through_an_area_is_split_and_loses_what_margin_and_leads_need():
    area = box(-20, -30, 20, 30)
    before, *rest = a_block(3)
    kept = keep_clear([before, *rest], ClosedVolumes((area,), 10.0))
    assert [line.line_id for line in kept.lines] == ["L01a", "L01b", "L02", "L03"]
    # 30 m to the edge, 10 of margin, 40 of lead (C)
    assert norths(kept.lines[0]) == pytest.approx([-300, -80], abs=0.1)
    assert norths(kept.lines[1]) == pytest.approx([80, 300], abs=0.1)
    [change] = kept.changes
    assert change.text == ("L01 is split into L01a and L01b with 160.1 m left out between for keep-out area the farm")


def test_an_area_in_the_way_of_a_lead_takes_no_more_than_that_lead():
    area = box(-20, 335, 20, 400)
    kept = keep_clear([a_line("L01", (0, -340), (0, 340))], ClosedVolumes((area,), 10.0))
    # free up to 325, with 40 m of lead up to 285 (C)
    assert norths(kept.lines[0]) == pytest.approx([-300, 285], abs=0.1)
    assert kept.changes[0].text == "L01 is shortened by 15.0 m at its north end for keep-out area the farm"


@pytest.mark.parametrize(
    ("heights", "end"),
    [
        ({"top_m": 69.0}, 300.0),  # 11 m under the line
        ({"floor_m": 91.0}, 300.0),
        ({"floor_m": 90.5, "top_m": 95.0}, 300.0),
        # 6 m under the line, so 8 m before its edge at 200 and 40 m of lead (C)
        ({"top_m": 74.0}, 152.0),
        ({"floor_m": 86.0, "top_m": 88.0}, 152.0),
        ({"floor_m": 70.0, "top_m": 75.0}, 200 - np.sqrt(75) - 40),
        ({}, 150.0),
    ],
)
def test_areas_hold_between_their_floor_and_top(heights, end):
    line = a_line("L01", (0, -340), (0, 340))
    kept = keep_clear([line], ClosedVolumes((box(-20, 200, 20, 400, **heights),), 10.0))
    assert norths(kept.lines[0]) == pytest.approx([-300, end], abs=0.1)
    assert (kept.lines[0] is line) == (end == 300)


@settings(deadline=None, max_examples=30)
@given(fields())
def test_room_to_stop_and_to_start_keeps_clear_too(field):
    # At 8 m/s, losing 2 m/s each second, a stop takes 8^2 / (2 x 2) = 16 m (C).
    lines, zones, shift = field
    for line in keep_clear(lines, replace(zones, braking_mps2=2.0), flat, most_shift_m=shift).lines:
        ahead = 16 * np.array([np.sin(line.track_rad), np.cos(line.track_rad), 0.0])
        longer = replace(line, points_m=np.vstack([line.points_m[0] - ahead, line.points_m, line.points_m[-1] + ahead]))
        for area in zones.keep_outs:
            assert off_m(longer, area) >= zones.margin_m - 1e-9


def test_a_line_toward_an_area_ends_where_it_can_still_be_stopped():
    area = box(-20, 200, 20, 400)
    line = a_line("L01", (0, -340), (0, 340))
    plain, braked = (keep_clear([line], ClosedVolumes((area,), 10.0, push)).lines[0] for push in (np.inf, 2.0))
    assert norths(plain)[1] - norths(braked)[1] == pytest.approx(16, abs=0.1)


def test_an_area_without_margin_is_still_not_entered():
    area = box(-20, -30, 20, 30)
    for line in keep_clear(a_block(1), ClosedVolumes((area,), 0.0)).lines:
        assert off_m(line, area) > 0


def test_what_is_left_too_short_is_left_out_and_said():
    area = box(-20, -300, 20, 265)
    kept = keep_clear(a_block(1), ClosedVolumes((area, box(-5, -340, 5, -300, "the yard")), 10.0))
    assert kept.lines == ()
    assert [change.text for change in kept.changes] == [
        "L01 is left out for keep-out areas the yard and the farm: less than 20 m of its data would be left"
    ]


def test_a_line_with_a_longer_lead_in_is_flown_from_the_side_that_has_room():
    line = replace(a_line("L01", (0, -360), (0, 320)), kept_m=(60.0, 660.0))
    zones = ClosedVolumes((box(-20, -400, 20, -350),), 10.0)
    # from -340 on it is clear: 20 m are lost with 60 m of lead, none with 20 (C)
    [plain] = keep_clear([line], zones).lines
    assert norths(plain) == pytest.approx([-280, 300], abs=0.1)
    kept = keep_clear([line], zones, flat)
    [back] = kept.lines
    assert norths(back) == pytest.approx([300, -300], abs=1e-6)
    assert (back.kept_m[0], back.along_m()[-1] - back.kept_m[1]) == pytest.approx((60, 20))
    assert kept.changes[0].text == "L01 is flown toward the south for keep-out area the farm"
    assert kept.changes[0].removed_m == ()
    # at the far end it is the lead-out that is short: nothing is gained by turning round
    [same] = keep_clear([line], ClosedVolumes((box(-20, 325, 20, 400),), 10.0), flat).lines
    assert norths(same) == pytest.approx([-300, 295], abs=0.1)


def test_a_line_along_an_area_moves_aside_by_the_smallest_step_that_clears_it():
    line, zones = a_line("L01", (0, -340), (0, 340)), ClosedVolumes((box(-5, -250, 8, 250),), 10.0)
    kept = keep_clear([line], zones, flat, most_shift_m=30.0)
    # 15 m to the west are enough but for 5 cm, 18 to the east; steps are 2 m (C)
    [moved] = kept.lines
    assert moved.points_m[:, 0] == pytest.approx(-16)
    assert norths(moved) == pytest.approx([-300, 300])
    assert kept.changes[0].text == "L01 is shifted 16.0 m to the west for keep-out area the farm"
    assert keep_clear([line], zones, flat, most_shift_m=14.0).lines == ()


def test_a_line_moves_no_farther_than_helps():
    # past the first area at 16 m; the second takes the same from it wherever it lies: its edge, margin and lead (C)
    zones = ClosedVolumes((box(-5, -250, 8, 150), box(-90, 290, 90, 320, "the road")), 10.0)
    kept = keep_clear([a_line("L01", (0, -340), (0, 340))], zones, flat, most_shift_m=30.0)
    [moved] = kept.lines
    assert moved.points_m[:, 0] == pytest.approx(-16)
    assert norths(moved) == pytest.approx([-300, 240], abs=0.1)
    assert kept.changes[0].text == (
        "L01 is shifted 16.0 m to the west and shortened by 60.0 m at its north end for keep-out areas "
        "the farm and the road"
    )


def test_a_line_that_loses_little_is_not_moved():
    # 160 m of 600 m: with the quarter that a move must save it is 10 m short (C)
    kept = keep_clear(a_block(1), ClosedVolumes((box(-20, -15, 20, 15),), 10.0), flat, most_shift_m=50.0)
    assert [line.line_id for line in kept.lines] == ["L01a", "L01b"]
    assert all("shifted" not in change.what for change in kept.changes)


def test_sides_of_the_horizon():
    assert [side_of(np.radians(angle)) for angle in (0, 22, 23, 90, 181, 270, 338, -45, 359)] == [
        "north",
        "north",
        "north-east",
        "east",
        "south",
        "west",
        "north",
        "north-west",
        "north",
    ]


@pytest.mark.parametrize("level", [False, True])
def test_a_moved_line_lies_as_if_it_had_been_laid_there(level):
    east, north = np.meshgrid(np.arange(-100, 101, 2.0), np.arange(400, -401, -2.0))
    ground = a_grid(0.05 * north + 30 * np.exp(-((east - 40) ** 2 + north**2) / 2 / 20**2))
    floor = Floor(ground, highest_nearby(ground, 30), highest_nearby(ground, 30), 60.0, 30.0)
    manner = Manner(8.0, 300e3, 100.0, 0.7, 40.0, 0.0, 4.0 / 8, 2.5 / 8, 60.0 if level else None)
    spans = np.array([[-300.0, 300.0]])
    # where a track lies on the lattice its stations are those of the one beside it
    laid, wanted = (fly_lines(Layout(0.0, 50.0, np.array([at]), spans), floor, manner)[0] for at in (20.0, 36.0))
    aside = replace(laid, points_m=laid.points_m + np.array([16.0, 0, 0]))
    moved = Profile(floor, 4.0, 2.5, level).relaid(aside)
    assert moved.points_m == pytest.approx(wanted.points_m)
    assert not np.allclose(moved.points_m[:, 2], laid.points_m[:, 2])
    assert np.all(moved.points_m[:, 2] >= floor.at(*moved.points_m[:, :2].T))
