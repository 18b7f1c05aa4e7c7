"""Take-off places in an access area: where they may be, how they are spread, and which are kept."""

from dataclasses import replace

import numpy as np
import pytest
import shapely
from flat_jobs import FRAME, WING, a_scene
from hypothesis import given, settings
from hypothesis import strategies as st
from made_blocks import NO_ALIGNMENT, a_block, a_flyer

from planner.errors import InputError
from planner.flight.places import (
    EDGE_MARGIN_M,
    FOOTING_M,
    LEAST_APART_M,
    MOST_PLACES,
    REACH_M,
    STEEPEST_DEG,
    best_places,
    take_off_candidates,
    within_reach,
)
from planner.flight.sorties import quickest_sorties
from planner.ground.obstacles import KeepOut, Obstacle

FIELD = shapely.box(-250, -350, 250, -250)
YARD = shapely.box(400, 0, 412, 12)
LINES = shapely.MultiLineString([[(x, -200), (x, 200)] for x in (-100, 0, 100)])


def candidates(*access, scene=None, goal=LINES, clearance_m=30.0, margin_m=20.0, most=MOST_PLACES):
    scene = replace(scene or a_scene(), access=tuple(access))
    return take_off_candidates(scene, goal, clearance_m, margin_m, most)


def refused(message, *access, **given):
    with pytest.raises(InputError, match=message) as caught:
        candidates(*access, **given)
    [fault] = caught.value.faults
    assert (fault.code, fault.where) == ("E30", "aircraft.take_off_area")
    assert "name a place" in fault.fix


def test_places_lie_inside_with_a_margin_on_known_ground():
    holed = FIELD.difference(shapely.box(-50, -320, 50, -280))
    tilted = a_scene(lambda east, north: 100 + 0.05 * east - 0.02 * north)
    places = candidates(holed, YARD, scene=tilted)
    assert len(places) == MOST_PLACES
    edges = shapely.union_all([holed.boundary, YARD.boundary])
    for east, north, up in places:
        assert shapely.contains_xy(shapely.union_all([holed, YARD]), east, north)
        assert edges.distance(shapely.Point(east, north)) >= EDGE_MARGIN_M - 1e-6
        assert up == pytest.approx(100 + 0.05 * east - 0.02 * north)
    assert any(shapely.contains_xy(YARD, *place[:2]) for place in places)


def test_the_nearest_comes_first_and_none_is_a_double():
    places = candidates(FIELD)
    away = [LINES.distance(shapely.Point(place[:2])) for place in places]
    # lines end at north -200, the field begins at -250, its margin at -252 (C)
    assert away[0] == pytest.approx(50 + EDGE_MARGIN_M)
    assert away[0] == min(away)
    apart = [np.hypot(*(one - other)[:2]) for k, one in enumerate(places) for other in places[:k]]
    assert min(apart) >= LEAST_APART_M


def test_a_place_near_each_line_is_offered_and_the_rest_covers_the_area():
    places = np.array(candidates(FIELD, most=16))
    for x in (-100, 0, 100):
        assert np.hypot(places[:, 0] - x, places[:, 1] + 252).min() < 40
    corners = np.array([[w, s] for w in (-248, 248) for s in (-348, -252)])
    for corner in corners:
        assert np.hypot(*(places[:, :2] - corner).T).min() < 130


def test_the_same_input_gives_the_same_places_however_parts_are_ordered():
    first = candidates(FIELD, YARD)
    assert np.array_equal(first, candidates(FIELD, YARD))
    assert np.array_equal(first, candidates(YARD, FIELD))
    assert len(candidates(FIELD, YARD, most=5)) == 5


def test_a_small_yard_gives_few_places():
    assert 1 <= len(candidates(YARD)) <= 4  # 8 m by 8 m inside its margin, 5 m apart


def test_ground_that_is_far_counts_only_where_none_is_near():
    far = shapely.box(-590, -490, -560, -460)
    away = shapely.box(-20, -490, 20, -460)
    assert LINES.distance(far) > REACH_M > LINES.distance(away)
    assert within_reach(shapely.union_all([far, away]), LINES).equals(away)
    assert within_reach(far, LINES).equals(far)
    assert candidates(far)
    assert all(place[0] >= -20 for place in candidates(far, away))


@pytest.mark.parametrize(("steeper", "held"), [(-0.5, True), (0.5, False)])
def test_steep_ground_is_left_out(steeper, held):
    rise = np.tan(np.radians(STEEPEST_DEG + steeper))
    # level to the west of the middle
    bank = a_scene(lambda east, north: rise * np.maximum(east, 0.0))
    places = candidates(FIELD, scene=bank)
    assert any(place[0] > FOOTING_M for place in places) == held
    assert any(place[0] < -FOOTING_M for place in places)


def test_trees_roofs_and_obstacles_are_kept_away_from():
    wood = a_scene(top=lambda east, north: np.where(east > 0, 12.0, 0.0))
    # the lattice is 2 m: the wood begins between 0 and 2, and is looked at 2 m around
    assert all(place[0] <= 0 for place in candidates(FIELD, scene=wood))
    mast = Obstacle("mast", "point", shapely.Point(0, -300), 0.0, 40.0, 2.0, 0.0, 1.5)
    for place in candidates(FIELD, scene=replace(a_scene(), obstacles=(mast,))):
        assert np.hypot(place[0], place[1] + 300) >= 30 + 2 + 2 * 1.5 - 1e-6


def test_keep_outs_are_kept_away_from_where_they_reach_the_ground():
    school = KeepOut("school", shapely.box(-300, -400, 0, -200))
    assert all(place[0] >= 20 for place in candidates(FIELD, scene=replace(a_scene(), keep_outs=(school,))))
    lane = replace(school, floor_m=120.0, top_m=400.0)
    assert any(place[0] < 0 for place in candidates(FIELD, scene=replace(a_scene(), keep_outs=(lane,))))


def test_an_area_without_a_place_is_refused_with_what_rules_it_out():
    flat, everywhere = a_scene(), shapely.box(-600, -500, 600, 500)
    refused("nowhere 4 m wide", shapely.box(0, -300, 3.9, -280))
    refused(
        "lies off the terrain given", shapely.box(800, 0, 900, 50), goal=shapely.LineString([(850, 200), (900, 200)])
    )
    kept = replace(flat, keep_outs=(KeepOut("school", everywhere),))
    refused("wholly in keep-out areas or within 20 m of them", FIELD, YARD, scene=kept)
    beside = replace(flat, keep_outs=(KeepOut("road", shapely.box(-300, -360, 300, -351)),))
    refused("within 120 m of them", FIELD, scene=beside, margin_m=120.0)
    mast = Obstacle("mast", "point", shapely.Point(406, 6), 0.0, 40.0)  # as thin as they come
    refused("wholly within 30 m of obstacles", YARD, scene=replace(flat, obstacles=(mast,)))
    refused("no known ground as gentle as 10 deg", FIELD, scene=a_scene(lambda east, north: 0.2 * east))
    refused("overgrown or built over", FIELD, scene=a_scene(top=lambda east, north: 5.0 + 0 * east))


def day_s(lines, flyer, places):
    sorties = quickest_sorties(lines, flyer, FRAME, places)
    return sorties[-1].starts_s + sorties[-1].path.duration_s


@pytest.mark.parametrize("aircraft", ["hexacopter", "wing"])
def test_the_place_that_is_chosen_is_the_quickest_of_all_candidates(aircraft):
    lines = a_block(2, length_m=200.0)
    named = {"wing": {"aircraft": WING}, "hexacopter": {}}[aircraft]
    flyer = a_flyer(navigation=NO_ALIGNMENT, **named)
    scene = replace(a_scene(lambda east, north: 20 + 0.04 * east), access=(FIELD, YARD))
    places = take_off_candidates(
        scene, shapely.MultiLineString([line.points_m[:, :2] for line in lines]), 30.0, 20.0, 8
    )
    each = [day_s(lines, flyer, [place]) for place in places]
    assert max(each) - min(each) > 5.0  # it matters
    kept = [places[number] for number in best_places(places, lines, flyer)]
    assert len(kept) == 3
    assert day_s(lines, flyer, kept) == pytest.approx(min(each), abs=1e-6)
    assert day_s(lines, flyer, places) == pytest.approx(min(each), abs=1e-6)


@settings(deadline=None, max_examples=6)
@given(seed=st.integers(0, 1000))
def test_what_is_kept_loses_little_to_all(seed):
    spots = np.random.default_rng(seed).uniform([-300, -300, 0], [300, 300, 30], (6, 3))
    lines, flyer = a_block(2, length_m=200.0), a_flyer(navigation=NO_ALIGNMENT)
    kept = best_places(list(spots), lines, flyer)
    assert kept == sorted(kept)
    # Turning and speeding up are not in the bounds by which places are kept.
    best = min(day_s(lines, flyer, [spot]) for spot in spots)
    assert day_s(lines, flyer, [spots[number] for number in kept]) <= 1.05 * best


def test_sight_goes_before_time_in_what_is_kept():
    lines, flyer = a_block(4), a_flyer()
    places = [np.array([x, -400.0, 0.0]) for x in (0.0, 10.0, 20.0, 400.0)]

    def only_from_the_last(points):
        return np.column_stack([np.zeros((len(points), 3), bool), np.ones(len(points), bool)])

    assert 3 in best_places(places, lines, flyer, only_from_the_last, keep=1)
    assert 3 not in best_places(places, lines, flyer, keep=1)


def test_each_end_of_a_long_site_keeps_a_place():
    west, east = a_block(2, length_m=200.0), a_block(2, length_m=200.0)
    far = [replace(line, points_m=line.points_m + np.array([2000.0, 0.0, 0.0])) for line in east]
    places = [np.array([x, -200.0, 0.0]) for x in (-40.0, 0.0, 40.0, 2060.0)]
    assert 3 in best_places(places, [*west, *far], a_flyer(), keep=2)


def test_few_places_are_all_kept():
    places = [np.array([0.0, 0.0, 0.0]), np.array([50.0, 0.0, 0.0])]
    assert best_places(places, a_block(1), a_flyer()) == [0, 1]
    assert best_places(places * 3, [], a_flyer()) == [0, 1, 2]
