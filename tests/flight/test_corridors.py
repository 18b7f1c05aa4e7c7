"""Corridors: outlines, where a centreline is broken into legs, and what their swaths cover."""

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
import shapely
from flat_jobs import a_grid, a_mission, a_scene
from hypothesis import assume, example, given, settings
from hypothesis import strategies as st

from planner.flight.corridors import (
    fly_legs,
    lay_along,
    leg_ends,
    longest_block,
    swaths_along,
)
from planner.flight.flightlines import Manner
from planner.flight.profile import Floor, highest_nearby
from planner.flight.settings import choose_flight, flat_task
from planner.flight.strips import Corridor, outline, tightest_bend
from planner.mission import Site

MANNER = Manner(8.0, 300e3, 100.0, np.radians(40), 40.0, 0.0, 0.5, 0.3, None)
LEADS_AND_TURN_M = 150.0
BENT = shapely.LineString([(-400, 0), (-100, 0), (150, 144.3), (150, 400)])  # to the left by 30 and by 60 deg


def floor_over(heights):
    grid = a_grid(heights)
    nearby = highest_nearby(grid, 30.0)
    return Floor(grid, nearby, nearby, 80.0, 30.0)


FLAT = floor_over(np.zeros((200, 200)))


def drawn(seed, legs, shortest_m, longest_m, most_bend_deg):
    """Return a random centreline."""
    draw = np.random.default_rng(seed)
    headings = draw.uniform(0, 2 * np.pi) + np.cumsum(np.radians(draw.uniform(-most_bend_deg, most_bend_deg, legs)))
    steps = draw.uniform(shortest_m, longest_m, legs)[:, np.newaxis] * np.column_stack(
        [np.sin(headings), np.cos(headings)]
    )
    return shapely.LineString(np.vstack([[0.0, 0.0], np.cumsum(steps, axis=0)]))


def arc(radius_m, sweep_deg, step_m=2.0):
    turned = np.linspace(0, np.radians(sweep_deg), int(radius_m * np.radians(sweep_deg) / step_m) + 2)
    return shapely.LineString(radius_m * np.column_stack([1 - np.cos(turned), np.sin(turned)]))


def lay(corridor, width_m, sidelap=0.2):
    """Return legs whose outermost swaths reach over the edge by the sidelap."""
    rim = width_m / 2 * (1 - sidelap)
    return lay_along(corridor, width_m * (1 - sidelap), (rim, rim), LEADS_AND_TURN_M)


def swaths(lines, width_m):
    tracks = (shapely.LineString(line.kept_points_m()[[0, -1], :2]) for line in lines)
    return shapely.union_all([track.buffer(width_m / 2, cap_style="flat") for track in tracks])


def test_an_outline_holds_what_is_within_the_width_on_its_side():
    # distance from the line by shapely, side from the sign of the offset: an independent reading of the width
    area = outline(BENT, 20, 45)
    assert area.is_valid
    draw = np.random.default_rng(5)
    places = draw.uniform([-420, -70], [220, 420], (4000, 2))
    for place in shapely.points(places):
        along = BENT.project(place)
        if not 1 < along < BENT.length - 1:
            continue
        foot, ahead = BENT.interpolate(along), BENT.interpolate(along + 0.5)
        back = BENT.interpolate(along - 0.5)
        way, off = np.subtract(ahead.coords[0], back.coords[0]), np.subtract(place.coords[0], foot.coords[0])
        width = 20 if way[0] * off[1] - way[1] * off[0] > 0 else 45
        if abs(place.distance(BENT) - width) > 0.1:  # rounding of the arcs
            assert area.contains(place) == (place.distance(BENT) < width)


@settings(max_examples=60, deadline=None)
@example(seed=979, legs=5)
@given(seed=st.integers(0, 10**6), legs=st.integers(2, 6))
def test_an_outline_has_no_hairs(seed, legs):
    line = drawn(seed, legs, 80, 300, 55)
    assume(line.is_simple and line.buffer(36).interiors[:] == [])
    (whole,) = outline(line, 20, 35).geoms
    assert not whole.interiors
    assert whole.buffer(0.01).length == pytest.approx(whole.length, rel=0.01)  # a slit would be closed


def test_an_outline_is_flat_at_its_ends_and_keeps_to_its_side():
    area = outline(shapely.LineString([(0, 0), (0, 100)]), 10, 30)
    assert area.bounds == pytest.approx((-10, 0, 30, 100))
    assert area.area == pytest.approx(4000)


@settings(max_examples=40, deadline=None)
@given(
    seed=st.integers(0, 10**6),
    legs=st.integers(1, 8),
    bend_deg=st.sampled_from([8.0, 35.0, 75.0]),
    sides_m=st.tuples(st.floats(5, 50), st.floats(5, 50)),
    swath_m=st.floats(40, 160),
    buffer_m=st.sampled_from([0.0, 15.0]),
)
def test_flat_swaths_cover_the_corridor(seed, legs, bend_deg, sides_m, swath_m, buffer_m):
    line = drawn(seed, legs, 60, 400, bend_deg)
    bend = tightest_bend(line, *sides_m)
    assume(line.is_simple and bend.radius_m > bend.width_m)
    lines = fly_legs(lay(Corridor(line, *sides_m, buffer_m), swath_m), FLAT, MANNER)
    area = outline(line, *sides_m)
    covered = swaths(lines, swath_m)
    assert covered.intersection(area).area >= 0.9999 * area.area
    planned = area.buffer(buffer_m)
    assert covered.intersection(planned).area >= 0.999 * planned.area


@settings(max_examples=60, deadline=None)
@given(seed=st.integers(0, 10**6), legs=st.integers(2, 7), swath_m=st.floats(50, 400))
def test_every_knee_of_more_than_twelve_degrees_ends_a_leg(seed, legs, swath_m):
    line = drawn(seed, legs, 60, 400, 50)
    ends = leg_ends(Corridor(line, 20, 20), swath_m * 0.8, (swath_m * 0.4, swath_m * 0.4), LEADS_AND_TURN_M)
    # the vector from one segment to the next, by its dot product: not the headings that the code takes
    ways = np.diff(shapely.get_coordinates(line), axis=0)
    units = ways / np.hypot(*ways.T)[:, np.newaxis]
    bends_deg = np.degrees(np.arccos(np.clip((units[1:] * units[:-1]).sum(axis=1), -1, 1)))
    assert (ends[0], ends[-1]) == (0, legs)
    assert {number + 1 for number in np.flatnonzero(bends_deg > 12.001).tolist()} <= set(ends)


def test_gentle_bends_break_a_leg_only_where_that_is_shorter():
    # 6 degrees between two segments of 400 m: the middle lies 800 / 2 * sin(3 deg) = 20.9 m beside the chord (C)
    line = shapely.LineString([(0, 0), (0, 400), (400 * np.sin(np.radians(6)), 400 + 400 * np.cos(np.radians(6)))])
    corridor = Corridor(line, 20, 20)
    wide, narrow = 45.0, 21.0  # how far a track may lie from the edge: one holds 40 + 20.9 m, or only 40
    assert leg_ends(corridor, 60.0, (wide, wide), LEADS_AND_TURN_M) == [0, 2]
    assert leg_ends(corridor, 60.0, (narrow, narrow), LEADS_AND_TURN_M) == [0, 1, 2]
    # two legs of two tracks or one of three: 2 * 800 + 4 turns against 3 * 800 + 3 turns (C)
    assert leg_ends(corridor, 30.0, (10.0, 10.0), 700.0) == [0, 1, 2]
    assert leg_ends(corridor, 30.0, (10.0, 10.0), 900.0) == [0, 2]
    (leg,) = lay_along(corridor, 60.0, (wide, wide), LEADS_AND_TURN_M)
    assert leg.layout.across_m.size == 1


def test_an_arc_is_flown_on_chords_not_from_vertex_to_vertex():
    # 90 degrees of radius 300 m; a chord of length L leaves the arc by L^2 / 8 R, which must fit what the swath is
    # wider than the corridor: 100 (1 - 0.2) - 60 = 20 m, so L <= 219 m and 3 legs at least for 471 m (C)
    corridor = Corridor(arc(300, 90), 30, 30)
    assert [leg.layout.across_m.size for leg in lay(corridor, 100)] == [1, 1, 1]
    jittered = shapely.get_coordinates(arc(300, 90, 4.0)) + np.random.default_rng(2).normal(0, 0.3, (119, 2))
    assert len(lay(Corridor(shapely.LineString(jittered), 30, 30), 100)) == 3


def test_lines_of_one_leg_are_parallel_evenly_apart_and_flown_there_and_back():
    legs = lay(Corridor(BENT, 90, 90), 80)
    lines = fly_legs(legs, FLAT, MANNER)
    assert [line.line_id for line in lines] == [f"L{number:02d}" for number in range(1, len(lines) + 1)]
    at = 0
    for layout in [leg.layout for leg in legs]:
        own = lines[at : at + layout.across_m.size]
        at += len(own)
        right = np.array([np.cos(layout.heading_rad), -np.sin(layout.heading_rad)])
        across = np.array([line.points_m[:, :2] @ right for line in own if len(line.points_m)], dtype=object)
        for track in across:
            assert np.ptp(track.astype(float)) < 1e-6
        apart = np.diff([track[0] for track in across])
        assert apart == pytest.approx(np.full(len(own) - 1, layout.spacing_m))
        assert layout.spacing_m <= 64 + 1e-9
        turns = [np.cos(one.track_rad - other.track_rad) for one, other in pairwise(own)]
        assert turns == pytest.approx([-1.0] * (len(own) - 1))
    assert at == len(lines)
    assert np.degrees([leg.layout.heading_rad for leg in legs]) == pytest.approx([90, 60, 0], abs=0.1)


def test_two_tracks_share_the_width_evenly():
    # 70 m are more than one swath of 80 m reaches less 20 % at both edges, 64 m: two tracks, a quarter from each edge
    north = shapely.LineString([(0, 0), (0, 500)])
    (leg,) = lay(Corridor(north, 40, 30), 80)
    assert leg.layout.across_m == pytest.approx([-40 + 17.5, 30 - 17.5], abs=0.01)
    (buffered,) = lay(Corridor(north, 35, 25, 5.0), 80)
    assert buffered.layout.across_m == pytest.approx([-40 + 17.5, 30 - 17.5], abs=0.01)


@pytest.mark.parametrize(("sides_m", "swath_m"), [((30, 30), 100.0), ((70, 40), 60.0), ((20, 100), 80.0)])
def test_little_is_flown_beside_the_centreline_times_the_lines(sides_m, swath_m):
    line = shapely.LineString([(-900, 0), (-100, 0), (500, 346.4), (500, 1100)])
    legs = lay(Corridor(line, *sides_m), swath_m)
    lines = fly_legs(legs, FLAT, MANNER)
    (count,) = {leg.layout.across_m.size for leg in legs}
    # kept data only, so leads are out on both sides; no longer than what reaches the outer corners of the knees
    assert sum(each.kept_length_m for each in lines) == pytest.approx(line.length * count, rel=0.1)
    assert all(np.ptp(each.along_m()) == pytest.approx(each.kept_length_m + 2 * MANNER.lead_m) for each in lines)


def test_lines_on_the_inner_side_of_a_knee_end_where_their_strips_meet():
    # 60 degrees to the right; each track covers half a spacing to either side, so it may pass the bisector by
    # half a spacing times tan(30 deg), no farther: a plain offset would pass it by its whole offset times that (C)
    line = shapely.LineString([(0, -600), (0, 0), (600 * np.sin(np.pi / 3), 600 * np.cos(np.pi / 3))])
    first, second = (leg.layout for leg in lay(Corridor(line, 100, 100), 60))
    assert (first.across_m.size, second.across_m.size) == (5, 5)
    for offset, (_, end) in zip(first.across_m, first.spans_m, strict=True):
        bisector = -offset * np.tan(np.pi / 6)
        past = first.spacing_m / 2 * np.tan(np.pi / 6)
        assert end <= bisector + past * 1.5 + 0.1  # the outermost strip is as wide as its rim
        if offset > 1:
            assert end < 0
    assert first.spans_m[0, 1] > 40  # the outer corner is flown over


def test_level_lines_keep_one_height_on_all_legs():
    rising = floor_over(np.add.outer(np.zeros(601), np.linspace(0, 60, 601)))
    manner = Manner(8.0, 300e3, 100.0, np.radians(40), 40.0, 0.0, 0.5, 0.3, 80.0)
    lines = fly_legs(lay(Corridor(BENT, 30, 30), 100), rising, manner)
    assert len(lines) == 3
    assert np.ptp(np.concatenate([line.points_m[:, 2] for line in lines])) == 0


def test_swaths_of_all_legs_are_met_together():
    # 80 m up with 40 degrees to either side: 67.1 m a half swath, the facing halves of two lines twice that (C)
    scene = a_scene(area=outline(BENT, 90, 90))
    legs = lay(Corridor(BENT, 90, 90), 134.0)
    found = swaths_along(scene, legs, fly_legs(legs, FLAT, MANNER), 0.0)
    assert found.least_shared_m() == pytest.approx(2 * 80 * np.tan(np.radians(40)), rel=1e-6)
    assert found.deepest_m(100.0) == pytest.approx(80)
    one = lay(Corridor(BENT, 30, 30), 134.0)
    assert swaths_along(scene, one, fly_legs(one, FLAT, MANNER), 0.0).least_shared_m() == np.inf


def test_a_swath_that_ends_within_its_leg_asks_for_closer_lines():
    # ground that falls 1 in 2 to the east of the line's plane: uphill a ray at 40 degrees from 80 m up ends at
    # 80 tan 40 / (1 + 0.5 tan 40) = 47.3 m aside, short of an edge at 60 m but not of one at 45 m (C)
    def hill(east, _north):
        return -0.5 * east

    scene = a_scene(hill)
    nearby = highest_nearby(scene.ground, 30.0)
    floor = Floor(scene.ground, nearby, nearby, 80.0, 30.0)
    north = shapely.LineString([(0, -300), (0, 300)])
    aside = 80 * np.tan(np.radians(40)) / (1 + 0.5 * np.tan(np.radians(40)))
    wide, narrow = (lay_along(Corridor(north, side, side), 130.0, (65.0, 65.0), 0.0) for side in (60.0, 45.0))
    assert swaths_along(scene, wide, fly_legs(wide, floor, MANNER), 0.0).least_shared_m() == pytest.approx(
        2 * aside, rel=1e-3
    )
    assert swaths_along(scene, narrow, fly_legs(narrow, floor, MANNER), 0.0).least_shared_m() == np.inf


def job_along(line, width_m, buffer_m=0.0):
    site = Site(centreline="line.geojson", width_left_m=width_m, width_right_m=width_m, buffer_m=buffer_m)
    mission = replace(a_mission(density_per_m2=50.0), site=site)
    return mission, replace(a_scene(area=outline(line, width_m, width_m), buffer_m=buffer_m), centreline=line)


def test_a_search_is_asked_for_the_width_along_the_length():
    # 40 m and 5 m of buffer to either side, reached over by 20 %: 50 / 0.8 m across; 700 m and two ends along (C)
    line = shapely.LineString([(-350, 0), (0, 0), (0, 350)])
    task = flat_task(*job_along(line, 20.0, 5.0), 35.0, 1.0)
    assert (task.length_m, task.across_m, task.judged_across_m) == pytest.approx((710, 62.5, 40))


@pytest.mark.parametrize(("amplitude_m", "wave_m", "width_m"), [(60, 400, 20), (20, 150, 10)])
def test_a_winding_corridor_is_covered_by_few_lines(amplitude_m, wave_m, width_m):
    east = np.arange(-450, 451, 3.0)
    winding = np.column_stack([east, amplitude_m * np.sin(2 * np.pi * east / wave_m)])
    line = shapely.LineString(winding).simplify(0.1)
    mission, scene = job_along(line, width_m)
    chosen, lines = choose_flight(mission, scene, 1.0)
    half_m = chosen.agl_m * np.tan(np.radians(chosen.usable_half_angle_deg))
    assert swaths(lines, 2 * half_m).intersection(scene.area).area >= 0.9999 * scene.area.area
    assert len(lines) <= 4  # over a hundred segments
    longest = max(lines, key=lambda each: each.kept_length_m)
    convergence = scene.frame.convergence_rad(*longest.points_m[:, :2].mean(axis=0))
    off = np.radians(chosen.heading_deg) - longest.track_rad - convergence
    assert abs(np.sin(off)) < 1e-3
    assert chosen.bound_by["heading_deg"] == "longest leg of the centreline"


def test_the_longest_block_is_the_lines_of_the_longest_leg():
    line = shapely.LineString([(0, 0), (0, 200), (300, 200), (300, 700), (500, 700)])
    lines = fly_legs(lay(Corridor(line, 60, 60), 80), FLAT, MANNER)
    block = longest_block(lines)
    assert len(block) == 2
    assert {round(abs(np.sin(each.track_rad)), 9) for each in block} == {0.0}
    assert min(each.points_m[:, 0].min() for each in block) > 200  # not the parallel ones of the first leg


def test_the_tightest_bend_is_that_of_a_circle():
    bend = tightest_bend(arc(60, 120), 30, 45)  # turns to the right: 45 m are inside
    assert (bend.side, bend.width_m) == ("right", 45)
    assert bend.radius_m == pytest.approx(60, rel=0.06)
    mirrored = shapely.transform(arc(60, 120), lambda en: en * [-1, 1])
    assert tightest_bend(mirrored, 30, 45).side == "left"
    # the circle that touches both legs of a right angle and ends with the shorter one, 50 m, has radius 50 m (C)
    knee = shapely.LineString([(0, 0), (0, 50), (80, 50)])
    assert tightest_bend(knee, 10, 10).radius_m == pytest.approx(50)
    assert tightest_bend(knee, 10, 10).place_m == pytest.approx([0, 50])
    assert tightest_bend(shapely.LineString([(0, 0), (0, 50)]), 10, 10).radius_m == np.inf
