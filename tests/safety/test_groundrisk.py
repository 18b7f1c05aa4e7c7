"""Ground risk: widths by each rule, the area they sweep, and what is found beneath and beside a flight."""

import dataclasses
import math

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from planner.ground.surroundings import GroundPlace
from planner.safety.falls import Fall, glide_m, thrown_m, widths_m
from planner.safety.groundrisk import Flown, ground_risk, ground_risk_cautions

AREA = shapely.box(-1e4, -1e4, 1e4, 1e4)
NARROW = Fall(beside_m=0.01)


def flown(points, heights_m=60.0, speed_mps=8.0, name="sortie 1"):
    """Return a path flown at one speed through points east and north [m]."""
    xy = np.array(points, dtype=float)
    way = np.hypot(*np.diff(xy, axis=0).T)
    height = np.broadcast_to(np.asarray(heights_m, dtype=float), len(xy))
    return Flown(name, np.column_stack([xy, 100 + height]), height, np.append(0.0, np.cumsum(way)) / speed_mps)


def risk_of(path, fall=NARROW, area=AREA, **beneath):
    return ground_risk([path], fall, area, beneath)


def winding(seed=3, places=400, step_m=5.0):
    rng = np.random.default_rng(seed)
    course = np.cumsum(rng.normal(0, 0.2, places))
    xy = step_m * np.cumsum(np.column_stack([np.sin(course), np.cos(course)]), axis=0)
    height = np.clip(60 + np.cumsum(rng.normal(0, 1.5, places)), 10, 120)
    return flown(xy, height)


def test_one_to_one_is_as_wide_as_the_flight_is_high():
    # JARUS guidelines on specific operations risk assessment, ground risk buffer [M]; 60 to 120 m is usual [M]
    for height in (30.0, 60.0, 120.0):
        line = [(0, 0), (800, 0)]
        found = risk_of(flown(line, height), dataclasses.replace(NARROW, beside_m=2.0))
        assert found.widest_m == height
        south, north = found.buffer.bounds[1], found.buffer.bounds[3]
        assert (-south, north) == pytest.approx((height + 2, height + 2), rel=2e-3)
        assert found.buffer.boundary.distance(found.footprint) == pytest.approx(height, rel=2e-3)


def test_level_flight_sweeps_what_a_plain_buffer_holds():
    bends = [(0, 0), (300, 0), (300, 40), (0, 40), (-50, 200), (400, 250)]
    for height in (10.0, 60.0, 120.0):
        plain = shapely.LineString(bends).buffer(height + NARROW.beside_m, quad_segs=64)
        swept = risk_of(flown(bends, height)).buffer
        assert swept.area == pytest.approx(plain.area, rel=5e-3)
        assert plain.difference(swept).area < 1e-6 * plain.area


def test_changing_height_sweeps_the_wedge_between_two_discs():
    # two discs R and r, d apart: two tangents of sqrt(d^2 - (R - r)^2), and the arcs left over; plane geometry [C]
    big, small, apart = 90.0, 30.0, 200.0
    lean = math.asin((big - small) / apart)
    exact = (big + small) * math.sqrt(apart**2 - (big - small) ** 2)
    exact += big**2 * (math.pi / 2 + lean) + small**2 * (math.pi / 2 - lean)
    found = risk_of(flown([(0, 0), (apart, 0)], [big - 0.01, small - 0.01]))
    assert found.buffer_area_m2 == pytest.approx(exact, rel=2e-3)


def test_nowhere_is_the_buffer_narrower_than_asked():
    path = winding()
    fall = Fall(rules=("one to one", "ballistic"), wind_mps=5.0, reaction_s=1.0)
    found = ground_risk([path], fall, AREA, {})
    width = widths_m(fall, path.heights_agl_m, np.full(len(path.times_s), 8.0)) + fall.beside_m
    discs = shapely.union_all(shapely.buffer(shapely.points(path.points_m[:, :2]), width, quad_segs=16))
    assert discs.difference(found.buffer).area < 1e-6
    # thinned by half a metre at most, on some 100 m of width
    assert found.buffer_area_m2 < 1.03 * shapely.union_all(discs).area
    assert found.footprint.difference(found.buffer).area < 1e-6


@settings(deadline=None, max_examples=10)
@given(st.integers(0, 10_000), st.floats(1.0, 200.0), st.floats(-3.0, 3.0))
def test_the_way_back_and_a_turned_map_change_nothing(seed, shift_m, turn):
    path = winding(seed, places=60)
    spin = np.array([[math.cos(turn), -math.sin(turn)], [math.sin(turn), math.cos(turn)]])
    moved = path.points_m[:, :2] @ spin.T + shift_m
    there = risk_of(path)
    back = risk_of(Flown("back", moved[::-1], path.heights_agl_m[::-1], path.times_s[-1] - path.times_s[::-1]))
    assert back.buffer_area_m2 == pytest.approx(there.buffer_area_m2, rel=0.02)
    assert back.widest_m == there.widest_m


def fallen_m(height_m, speed_mps, drag_per_m, wind_mps=0.0):
    """Return where a body lands whose drag grows with the square of its airspeed: small steps, no closed form."""
    east, up, along, down, step = 0.0, height_m, speed_mps, 0.0, 1e-3
    while up > 0:
        air = along - wind_mps
        pull = drag_per_m * math.hypot(air, down)
        along, down = along - pull * air * step, down + (9.80665 - pull * down) * step
        east, up = east + along * step, up - down * step
    return east


def test_thrown_as_far_as_a_body_without_drag():
    # sqrt(2 * 120 m / 9.80665 m/s2) = 4.9471 s, at 12 m/s 59.37 m [C]
    assert thrown_m(np.array(120.0), np.array(12.0)) == pytest.approx(59.365, abs=1e-3)
    assert thrown_m(np.array(60.0), np.array(8.0)) == pytest.approx(fallen_m(60.0, 8.0, 0.0), abs=0.01)
    reacted = thrown_m(np.array(120.0), np.array(12.0), wind_mps=5.0, reaction_s=2.0)
    assert reacted == pytest.approx(59.365 + 24 + 5 * 4.9471, abs=1e-2)


@pytest.mark.parametrize("drag_per_m", [0.005, 0.02, 0.1])
def test_drag_only_shortens_the_throw_in_still_air(drag_per_m):
    for height, speed in ((30.0, 5.0), (120.0, 12.0), (120.0, 25.0)):
        assert fallen_m(height, speed, drag_per_m) < thrown_m(np.array(height), np.array(speed))


def test_a_tail_wind_carries_no_farther_than_told_until_a_fall_takes_twice_as_long():
    # drag of 0.02 per m lets a body fall at 22 m/s at most: 1.4 times as long as without drag from 120 m [C]
    for wind in (5.0, 10.0):
        ground_speed = 12.0 + wind
        landed = fallen_m(120.0, ground_speed, 0.02, wind)
        assert landed < thrown_m(np.array(120.0), np.array(ground_speed), wind)


def test_a_glide_goes_with_the_wind_for_as_long_as_it_lasts():
    # 100 m at 12:1 is 1200 m through the air, 60 s at 20 m/s, in which a wind of 5 m/s adds 300 m [C]
    assert glide_m(np.array(100.0), 12.0, 20.0) == 1200
    assert glide_m(np.array(100.0), 12.0, 20.0, 5.0) == pytest.approx(1500)


def test_the_widest_rule_counts_at_each_place():
    heights, speeds = np.array([5.0, 120.0, -2.0]), np.array([12.0, 12.0, 0.0])
    fall = Fall(rules=("one to one", "ballistic"))
    # near the ground a throw is longer than the height, high up the height is longer: equal at 2 v^2 / g = 29.4 m [C]
    assert widths_m(fall, heights, speeds) == pytest.approx([12 * math.sqrt(10 / 9.80665), 120.0, 0.0])
    gliding = Fall(rules=("glide", "one to one"), glide_ratio=10, glide_mps=18, reaction_s=2)
    assert widths_m(gliding, heights, speeds) == pytest.approx([74.0, 1224.0, 0.0])
    assert "10:1" in gliding.words
    assert "widest" in gliding.words


@pytest.mark.parametrize(
    ("given_", "message"),
    [
        ({"rules": ()}, "by no rule has no width"),
        ({"rules": ("glide",), "glide_ratio": 12.0}, "needs glide_ratio and glide_mps"),
        ({"beside_m": 0.0}, "beside_m must be above 0"),
        ({"wind_mps": -1.0}, "wind_mps not below 0"),
    ],
)
def test_falls_without_a_width_are_refused(given_, message):
    with pytest.raises(ValueError, match=message):
        Fall(**given_)


def test_overshoot_is_the_strip_outside_the_area():
    area = shapely.box(0, -50, 300, 50)
    found = risk_of(flown([(-100, 0), (350, 0)]), Fall(beside_m=3.0), area)
    # 100 m to the west and 50 m to the east, 6 m wide, with a half disc at each end [C]
    assert found.overshoot_area_m2 == pytest.approx(150 * 6 + math.pi * 9, rel=2e-3)
    assert found.overshoot.intersection(area).area < 1e-9
    # the buffer is not cut there
    assert found.buffer.bounds[0] == pytest.approx(-163, abs=0.2)


def test_things_flown_over_are_told_with_length_and_time():
    path = flown([(0, 0), (400, 0), (400, 100), (0, 100)], 50.0, speed_mps=10.0)
    road = GroundPlace("the lane", shapely.LineString([(200, -500), (200, 500)]), 4.0)
    found = risk_of(path, roads=[road])
    [crossing] = found.crossings
    # twice across 8 m of road, at 196 to 204 m of the way, and at 696 to 704 m [C]
    assert crossing.over_m == pytest.approx(16, abs=0.05)
    assert [(one.flown, one.from_s, one.to_s) for one in crossing.passes] == [
        ("sortie 1", pytest.approx(19.6, abs=0.01), pytest.approx(20.4, abs=0.01)),
        ("sortie 1", pytest.approx(69.6, abs=0.01), pytest.approx(70.4, abs=0.01)),
    ]
    assert crossing.over_s == pytest.approx(1.6, abs=0.01)
    # 50 m to either side of both lines, and the 4 m by which the road reaches sideways [C]
    assert crossing.inside_m == pytest.approx(100 + 2 * 54, abs=0.3)
    assert crossing.inside_m2 is None


def test_a_place_in_the_buffer_alone_has_no_pass():
    path = flown([(0, 0), (400, 0)], 60.0)
    barn = GroundPlace("barn", shapely.box(100, 40, 120, 80))
    far = GroundPlace("far barn", shapely.box(100, 90, 120, 120))
    well = GroundPlace("well", shapely.Point(200, 65), 10.0)
    found = risk_of(path, buildings=[far, barn], people=[well])
    assert [one.name for one in found.crossings] == ["well", "barn"]
    assert all(one.passes == () and one.over_m == 0 for one in found.crossings)
    assert found.crossings[1].inside_m2 == pytest.approx(20 * 20, rel=0.01)
    assert (found.crossings[0].inside_m2, found.crossings[0].inside_m) == (None, None)


def test_parts_of_one_name_are_one_and_meet_once():
    path = flown([(0, 0), (400, 0)], 60.0)
    halves = [GroundPlace("yard", shapely.box(west, -20, west + 50, 20)) for west in (100, 150)]
    [yard] = risk_of(path, buildings=halves).crossings
    assert yard.over_m == pytest.approx(100, abs=0.1)
    assert len(yard.passes) == 1
    assert yard.inside_m2 == pytest.approx(2 * 50 * 40)


def test_a_hover_above_a_house_counts_its_time():
    xy = np.array([(0, 0), (100, 0), (100, 0), (200, 0)], dtype=float)
    path = Flown("sortie 2", xy, np.full(4, 60.0), np.array([0.0, 10, 40, 50]))
    [house] = risk_of(path, buildings=[GroundPlace("house", shapely.box(95, -5, 105, 5))]).crossings
    [one] = house.passes
    assert house.over_m == pytest.approx(10, abs=0.1)
    assert (one.from_s, one.to_s) == (pytest.approx(9.5, abs=0.01), pytest.approx(40.5, abs=0.01))


def test_a_climb_on_the_spot_has_the_disc_of_its_top():
    path = Flown("climb", np.zeros((3, 3)), np.array([0.0, 30.0, 80.0]), np.array([0.0, 10, 25]))
    assert risk_of(path).buffer_area_m2 == pytest.approx(math.pi * 80.01**2, rel=5e-3)


def test_where_an_aircraft_stops_it_may_still_be_as_fast_as_it_came():
    xy = np.array([(0, 0), (100, 0), (100, 0)], dtype=float)
    fall = Fall(rules=("ballistic",), beside_m=0.01)
    thrown = 20 * math.sqrt(2 * 50 / 9.80665)
    for times in ([0.0, 5, 30], [0.0, 25, 30]):
        leaves = times[1] == 25
        path = Flown("sortie 1", xy[::-1] if leaves else xy, np.full(3, 50.0), np.array(times))
        assert ground_risk([path], fall, AREA, {}).buffer.bounds[2] == pytest.approx(100 + thrown, rel=2e-3)


def test_sorties_are_told_apart():
    paths = [flown([(0, y), (300, y)], 60.0, name=f"sortie {number}") for number, y in ((1, 0), (2, 30))]
    house = GroundPlace("house", shapely.box(100, -10, 110, 40))
    found = ground_risk(paths, Fall(), AREA, {"buildings": [house]})
    assert [one.flown for one in found.crossings[0].passes] == ["sortie 1", "sortie 2"]


def test_unknown_height_takes_the_greatest_width_and_is_told():
    path = flown([(0, 0), (100, 0), (200, 0), (300, 0)], [40.0, np.nan, 70.0, 50.0])
    found = risk_of(path, people=[], buildings=[], built_up=[], roads=[])
    assert (found.widest_m, found.unknown_share) == (70.0, 0.25)
    assert shapely.contains_xy(found.buffer, 100, 69)
    first, *_ = ground_risk_cautions(found)
    assert first.status == "cannot tell"
    assert "unknown at 25.0 %" in first.text


def test_what_nobody_gave_cannot_be_told():
    path = flown([(0, 0), (400, 0)], 60.0)
    lane = GroundPlace("the lane", shapely.LineString([(200, -500), (200, 500)]), 4.0)
    first, roads = ground_risk_cautions(risk_of(path, roads=[lane]))
    assert (first.caution_id, first.status, first.measured) == ("ground risk", "cannot tell", 60.0)
    assert "Not given, so nothing can be told of them: people, buildings, built-up areas" in first.text
    assert "up to 60 m beside its way" in first.text
    assert "look at the population" in first.text
    assert (roads.caution_id, roads.status, roads.unit) == ("ground risk", "note", "m flown over roads")
    assert "the lane (once, 8 m in all)" in roads.text


def test_wings_without_a_glide_ratio_cannot_be_told():
    path, nothing = flown([(0, 0), (400, 0)], 60.0), {"people": [], "buildings": [], "built_up": [], "roads": []}
    gliding = Fall(rules=("one to one", "glide"), glide_ratio=12.0, glide_mps=18.0, wings=True)
    for fall, status in ((Fall(wings=True), "cannot tell"), (gliding, "note"), (Fall(), "note")):
        first, *_ = ground_risk_cautions(risk_of(path, fall, **nothing))
        assert first.status == status
        assert ("may glide much farther" in first.text) == (status == "cannot tell")


def test_all_given_is_a_note_and_still_no_promise():
    path = flown([(0, 0), (400, 0)], 60.0)
    many = [GroundPlace(f"house {n:02d}", shapely.box(20 * n, 30, 20 * n + 10, 40)) for n in range(12)]
    cautions = ground_risk_cautions(risk_of(path, people=[], buildings=many, built_up=[], roads=[]))
    assert [one.status for one in cautions] == ["note"] * 5
    assert "none is flown over; in the buffer beside: house 00" in cautions[2].text
    assert "and 4 more" in cautions[2].text
    words = " ".join(caution.text.lower() for caution in cautions)
    for promise in ("safe", "cleared", "approved", "compliant", "legal", "nobody is"):
        assert promise not in words
