"""Areas flown in pieces: when that pays, by how much, and what their swaths cover."""

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
import shapely
from flat_jobs import HEXACOPTER, WING, a_mission, a_scene
from hypothesis import assume, example, given, settings
from hypothesis import strategies as st

from planner.flight.corridors import beside_longest, blocks_of
from planner.flight.flat import Task
from planner.flight.flightlines import Manner, lay_out, long_side_rad
from planner.flight.headings import Going, blocks_time_s, layout_time_s
from planner.flight.pieces import Spread, quickest_pieces, task_in_pieces, task_over
from planner.flight.settings import choose_flight
from planner.flight.splitting import Piece, many
from planner.flight.winds import Wind
from planner.mission import FlightChoice

MANNER = Manner(8.0, 300e3, 100.0, np.radians(40), 40.0, 0.0, 0.5, 0.3, None)
CALM_HEX = Going(HEXACOPTER, MANNER)
WINDY_WING = Going(WING, replace(MANNER, speed_mps=15.0), Wind(4.0, 1.0))
HALF_M, ALONE_M, OVERLAP_M = 55.0, 50.0, 11.0
TURN_S = 2 * 8 / 1.5 + 90 / 8 + 8 / 1.5  # brake, speed up, and 90 m from rest to rest (C)


def lay(planned, judged, heading_rad):
    return lay_out(planned, judged, heading_rad, 90.0, (HALF_M, ALONE_M))


SPREAD = Spread(lay, 90.0, HALF_M, ALONE_M, OVERLAP_M, line_cost_m=80.0 + 8.0 * TURN_S)


def centred(area):
    west, south, east, north = area.bounds
    return shapely.affinity.translate(area, -(west + east) / 2, -(south + north) / 2)


L_SHAPE = shapely.union_all([shapely.box(0, 0, 1000, 150), shapely.box(0, 0, 150, 800)])
U_SHAPE = shapely.union_all([shapely.box(0, 0, 1000, 85), shapely.box(0, 0, 85, 700), shapely.box(915, 0, 1000, 700)])
COMB = shapely.union_all(
    [shapely.box(0, 0, 1000, 100), *(shapely.box(east, 0, east + 100, 800) for east in (0, 300, 600, 900))]
)
RING = shapely.box(0, 0, 1000, 800).difference(shapely.box(130, 130, 870, 670))
PARTS = shapely.MultiPolygon([shapely.box(0, 0, 250, 200), shapely.box(800, 600, 1050, 750)])
SHAPES = {"L": L_SHAPE, "U": U_SHAPE, "comb": COMB, "ring": RING, "parts": PARTS}
SHAPES = {name: many(centred(shape)) for name, shape in SHAPES.items()}
LEANING = {f"{name} askew": many(shapely.affinity.rotate(SHAPES[name], 23, (0, 0))) for name in ("L", "ring", "parts")}


def cells(places, side_m=160.0):
    squares = [shapely.box(side_m * x, side_m * y, side_m * x + side_m, side_m * y + side_m) for x, y in places]
    return many(shapely.union_all(squares))


def swaths(lines, half_m):
    tracks = (shapely.LineString(line.kept_points_m()[[0, -1], :2]) for line in lines)
    return shapely.union_all([track.buffer(half_m, cap_style="flat") for track in tracks])


def crossed_m(lines, area):
    """Return how much of the kept data lies off an area [m]."""
    return [shapely.LineString(line.kept_points_m()[:, :2]).difference(area).length for line in lines]


@given(st.lists(st.tuples(st.integers(-400, 400), st.integers(-400, 400)), min_size=3, max_size=9))
@settings(max_examples=30, deadline=None)
def test_what_is_convex_is_never_split(points):
    hull = shapely.MultiPoint(points).convex_hull
    assume(hull.geom_type == "Polygon" and hull.area > 5000)
    area = many(hull)
    pieces, time_s = quickest_pieces(area, area, SPREAD, CALM_HEX, long_side_rad(area), turns=True)
    assert pieces == ()
    assert time_s == layout_time_s(lay(area, area, long_side_rad(area)), CALM_HEX)


@given(
    places=st.sets(st.tuples(st.integers(0, 4), st.integers(0, 4)), min_size=2, max_size=12),
    going=st.sampled_from([CALM_HEX, WINDY_WING]),
    turns=st.booleans(),
    heading=st.sampled_from([0.0, np.pi / 2, 0.4]),
    lean_deg=st.sampled_from([0, 45]),
)
@example({(2, 4), (1, 4), (3, 0), (3, 3), (1, 0)}, CALM_HEX, False, np.pi / 2, 45)  # parts that touch in one point
@settings(max_examples=25, deadline=None)
def test_pieces_are_quicker_than_the_whole_and_their_swaths_cover_it(places, going, turns, heading, lean_deg):
    area = many(shapely.affinity.rotate(cells(places), lean_deg, (0, 0)))
    pieces, time_s = quickest_pieces(area, area, SPREAD, going, heading, turns=turns)
    whole_s = layout_time_s(lay(area, area, heading), going)
    assert time_s <= whole_s
    if not pieces:
        assert time_s == whole_s
        return
    assert len(pieces) > 1
    assert time_s < whole_s * (1 - 0.01 * (len(pieces) - 1))
    laid = [lay(piece.planned, piece.judged, piece.heading_rad) for piece in pieces]
    assert time_s == pytest.approx(blocks_time_s(laid, going))
    if not turns:
        assert {piece.heading_rad for piece in pieces} == {heading}
    reached = []
    for layout in laid:
        for across, span in zip(layout.across_m, layout.spans_m, strict=True):
            track = np.column_stack(layout.place_m(span, np.full(2, across)))
            reached.append(shapely.LineString(track).buffer(HALF_M, cap_style="flat"))
    assert shapely.union_all(reached).intersection(area).area >= 0.9999 * area.area


def test_an_ell_of_long_arms_saves_what_its_short_lines_cost():
    # C: arms of 1000 m, 90 m wide. As a whole 11 lines 90 m apart, one of 1000 m and ten of 90 m, each with 80 m of
    # leads, and ten turns. In pieces one line along each arm, the second from 11 m before the seam; between them it
    # brakes 21.3 m past its lead, so 106.3 m over and 30.3 m up the hexacopter moves from rest to rest
    area = many(shapely.union_all([shapely.box(0, 0, 1000, 90), shapely.box(0, 0, 90, 1000)]))
    whole_s = (1000 + 10 * 90 + 11 * 80) / 8 + 10 * TURN_S
    split_s = (1000 + 921 + 2 * 80) / 8 + 2 * 8 / 1.5 + np.hypot(106.3, 30.3) / 8 + 8 / 1.5
    pieces, time_s = quickest_pieces(area, area, SPREAD, CALM_HEX, np.pi / 2, turns=True)
    assert layout_time_s(lay(area, area, np.pi / 2), CALM_HEX) == pytest.approx(whole_s, rel=1e-3)
    assert time_s == pytest.approx(split_s, rel=0.01)
    assert sorted(np.degrees([piece.heading_rad for piece in pieces]) % 180) == pytest.approx([0, 90], abs=0.1)


def test_pieces_reach_over_their_seams_and_know_them():
    area = many(L_SHAPE)
    one, other = quickest_pieces(area, area, SPREAD, CALM_HEX, np.pi / 2, turns=True)[0]
    assert one.planned.intersection(other.planned).area > 0.9 * OVERLAP_M * 150
    assert one.judged.intersection(other.judged).area < 0.02 * area.area
    for piece in (one, other):
        assert 0 < piece.seam.area < 0.3 * piece.planned.area
        assert piece.planned.covers(piece.seam)


def test_a_search_for_pieces_is_asked_for_the_widest_and_the_length_of_all():
    # 100 m by 600 m along north and 300 m by 50 m along east: 600 + 300 x 50 / 100 m of 100 m (C)
    upright, lying = many(shapely.box(0, 0, 100, 600)), many(shapely.box(200, 0, 500, 50))
    pieces = [Piece(upright, many(shapely.box(10, 0, 90, 600)), 0.0, upright), Piece(lying, lying, np.pi / 2, lying)]
    task = task_in_pieces(Task(50.0, 1.0, 1.0, 1.0, 1.0, 30.0, 120.0), pieces)
    assert (task.length_m, task.across_m, task.judged_across_m) == pytest.approx((750, 100, 80))


def chosen(area, buffer_m=10.0, density=250.0, **choice):
    mission = a_mission(density_per_m2=density, flight=FlightChoice(following="terrain", **choice))
    scene = a_scene(area=area, buffer_m=buffer_m)
    return scene, *choose_flight(mission, scene, 1.0)


@pytest.mark.parametrize("name", [*SHAPES, *LEANING])
def test_swaths_over_flat_ground_cover_all_that_is_planned(name):
    scene, settings, lines = chosen((SHAPES | LEANING)[name])
    half_m = settings.agl_m * np.tan(np.radians(settings.usable_half_angle_deg))
    assert swaths(lines, half_m).intersection(scene.planned).area >= 0.9999 * scene.planned.area


@pytest.mark.parametrize(("name", "count"), [("L", 2), ("U", 3), ("parts", 2)])
def test_a_plan_says_in_how_many_pieces_it_is_split_and_what_that_saves(name, count):
    _, settings, lines = chosen(SHAPES[name], speed_mps=6.0)
    words = settings.bound_by["heading_deg"]
    assert words.startswith(f"longest piece; split in {count} pieces: ")
    assert words.endswith(" min less than one set of lines")
    assert float(words.split(": ")[1].split()[0]) > 0
    longest = max(lines, key=lambda line: line.kept_length_m)
    assert abs(np.sin(np.radians(settings.heading_deg) - longest.track_rad)) < 1e-3


def test_no_line_spans_the_gap_between_two_far_parts():
    _, _, lines = chosen(SHAPES["parts"])
    assert max(crossed_m(lines, SHAPES["parts"].buffer(60))) == 0
    near = [np.argmin(shapely.distance(SHAPES["parts"].geoms, shapely.Point(line.points_m[0, :2]))) for line in lines]
    assert sum(one != other for one, other in pairwise(near)) == 1  # one part after the other


def test_pieces_hold_the_heading_and_the_spacing_that_the_mission_holds():
    _, settings, lines = chosen(SHAPES["parts"], heading_deg=30.0, line_spacing_m=40.0)
    assert settings.heading_deg == 30.0
    assert settings.line_spacing_m == 40.0
    assert settings.bound_by["heading_deg"].startswith("held by the mission; split in 2 pieces: ")
    assert settings.bound_by["line_spacing_m"] == "held by the mission"
    assert all(abs(np.sin(line.track_rad - np.radians(30))) < 1e-3 for line in lines)
    assert max(crossed_m(lines, SHAPES["parts"].buffer(60))) == 0
    block = beside_longest(lines, 40.0)
    right = np.array([np.cos(block[0].track_rad), -np.sin(block[0].track_rad)])
    assert np.abs(np.diff([line.points_m[0, :2] @ right for line in block])) == pytest.approx(40.0)


def test_lines_beside_the_longest_are_those_of_its_piece():
    _, settings, lines = chosen(SHAPES["parts"], heading_deg=90.0)
    block = beside_longest(lines, settings.line_spacing_m)
    assert 1 < len(block) < len(lines)
    assert {bool(line.points_m[0, 1] < 0) for line in block} == {bool(block[0].points_m[0, 1] < 0)}
    _, settings, whole = chosen(many(shapely.box(-300, -200, 300, 200)))
    assert [line.line_id for line in beside_longest(whole, settings.line_spacing_m)] == [line.line_id for line in whole]


def test_blocks_are_all_lines_once():
    _, settings, lines = chosen(SHAPES["U"], speed_mps=6.0)
    blocks = blocks_of(lines, settings.line_spacing_m)
    assert len(blocks) == 3
    assert sorted(line.line_id for block in blocks for line in block) == [line.line_id for line in lines]
    longest = [max(line.kept_length_m for line in block) for block in blocks]
    assert longest == sorted(longest, reverse=True)


def test_what_lines_cover_in_blocks_is_what_a_search_is_asked_for():
    # C: parts of 270 m by 220 m and 250 + 20 m by 150 + 20 m, buffers included, flown along the long sides; the wider
    # one across 220 m and 270 + 270 x 170 / 220 m long
    scene, settings, lines = chosen(SHAPES["parts"], heading_deg=90.0)
    whole = Task(250.0, 1.0, 1070.0, 770.0, 750.0, 30.0, 120.0)
    half_m = settings.agl_m * np.tan(np.radians(settings.usable_half_angle_deg))
    task = task_over(whole, scene, lines, settings.line_spacing_m, half_m)
    assert task.across_m == pytest.approx(220, abs=1)
    assert task.judged_across_m == pytest.approx(200, abs=1)
    assert task.length_m == pytest.approx(270 + 270 * 170 / 220, rel=0.02)
    one = beside_longest(lines, settings.line_spacing_m)
    assert task_over(whole, scene, one, settings.line_spacing_m, half_m) is whole
