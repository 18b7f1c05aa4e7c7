"""Paths against what stands beside them, keep-out areas and the ceiling, from arrays alone."""

import datetime as dt
import math

import numpy as np
import pytest
import shapely

from planner.ground.clearance import (
    heights_above_m,
    nearest_keep_out,
    nearest_obstacle,
    nearest_of_scene,
    stations,
)
from planner.ground.geodesy import site_frame
from planner.ground.nearest import nearest_surface
from planner.ground.obstacles import KeepOut, Obstacle
from planner.ground.surface import HeightGrid, Scene
from planner.safety.airspace import (
    ceiling_caution,
    clearance_faults,
    keep_out_faults,
    off_terrain_faults,
    sensitive_cautions,
    take_off_fault,
    terrain_age_caution,
    wires_caution,
)

LEGS = ("line L01", "turn after line L01", "line L02")


def flat_scene(height_m=0.0, obstacles=()):
    z = np.full((401, 401), height_m)
    grid = HeightGrid(z, np.ones(z.shape, bool), -400.0, 400.0, 2.0)
    area = shapely.MultiPolygon([shapely.box(-100, -100, 100, 100)])
    return Scene(site_frame(0, 0), area, area, grid, grid, True, "orthometric", None, obstacles=obstacles)


def two_lines_and_a_turn(up_m=60.0):
    """Return a path north along east 0, round a half circle of 20 m, and back along east 40; with its legs."""
    angle = np.radians(np.arange(180, -1, -5))
    arc = np.column_stack([20 + 20 * np.cos(angle), 100 + 20 * np.sin(angle)])
    flat = np.vstack([[0, -100], arc, [40, -100]])
    path = np.column_stack([flat, np.full(len(flat), up_m)])
    places, segment = stations(path, 1.0)
    return places, np.where(segment == 0, 0, np.where(segment < len(path) - 2, 1, 2))


def place_of(places):
    return lambda number: f"east {places[number, 0]:.0f} north {places[number, 1]:.0f}"


def faults_near(scene, places, leg, clearance_m=30.0):
    found = nearest_of_scene(scene, places, 0.0)
    things = [found.names[number] for number in found.which]
    return clearance_faults(LEGS, leg, found.distance_m, things, clearance_m, place_of(places))


def test_a_mast_beside_a_turn_is_a_fault_of_the_turn_alone():
    places, leg = two_lines_and_a_turn()
    mast = Obstacle("mast 7", "point", shapely.Point(20, 145), 0.0, 80.0, horizontal_sd_m=1.0)
    [fault] = faults_near(flat_scene(obstacles=(mast,)), places, leg)
    # the turn ends at north 120, 25 m before the mast, of which 2 x 1 m are doubt [C]
    assert fault.code == "E23"
    assert fault.what.startswith("turn after line L01 comes within 23.0 m of mast 7, doubt taken off")
    assert "clearance_m asks for 30 m" in fault.what
    assert fault.where == "east 20 north 120"
    assert not faults_near(flat_scene(), places, leg)


def test_a_low_mast_is_passed_over():
    places, leg = two_lines_and_a_turn()
    stump = Obstacle("stump", "point", shapely.Point(20, 125), 0.0, 25.0, vertical_sd_m=2.0)
    # 31 m above its top at most, 5 m aside [C]
    assert not faults_near(flat_scene(obstacles=(stump,)), places, leg)
    assert len(faults_near(flat_scene(obstacles=(stump,)), places, leg, clearance_m=32.0)) == 1


def test_a_wire_across_two_lines_is_a_fault_of_both():
    places, leg = two_lines_and_a_turn()
    line = shapely.LineString([(-200, 0, 45), (200, 0, 45)])
    wire = Obstacle("line to the mill", "wire", line, 35.0, 45.0, sag_m=10.0, vertical_sd_m=1.0)
    over = faults_near(flat_scene(obstacles=(wire,)), places, leg)
    assert [fault.what.split(" comes")[0] for fault in over] == ["line L01", "line L02"]
    assert "within 13.0 m of line to the mill" in over[0].what
    under_it, _ = two_lines_and_a_turn(up_m=38.0)
    assert "line L01 may touch line to the mill" in faults_near(flat_scene(obstacles=(wire,)), under_it, leg)[0].what


def test_a_pit_wall_beside_a_line_is_nearer_than_the_floor_below_it():
    z = np.zeros((201, 201))
    z[:, 121:] = 60.0
    pit = HeightGrid(z, np.ones(z.shape, bool), -100.0, 100.0, 1.0)
    places, _ = stations(np.array([[0.0, -80, 50], [0, 80, 50]]))
    leg = np.zeros(len(places), np.int64)
    least, mean, most = heights_above_m(pit, places, leg, 1)[0]
    assert (least, mean, most) == pytest.approx((50, 50, 50))
    beside = nearest_surface(pit, places).distance_m
    # the wall leans from east 20 at the floor to 21 at 60 m: 20 + 50/60 m aside at flight height [C]
    assert beside == pytest.approx(np.full(len(places), (20 + 50 / 60) * 60 / math.hypot(1, 60)))
    [fault] = clearance_faults(LEGS, leg, beside, ["the ground"] * len(leg), 30.0, place_of(places))
    assert "line L01 comes within 20.8 m of the ground" in fault.what


def test_a_launch_from_a_hill_is_over_the_ceiling_above_the_valley():
    # Level at 110 m above a hill of 60 m: 170 m above the valley, 50 m over 120 m
    # ((EU) 2019/947 UAS.OPEN.010(2): 120 m from the closest point of the surface [R]).
    east = np.arange(-400.0, 401, 2)
    z = np.tile(np.clip(60 - 0.3 * np.abs(east), 0, None), (401, 1))
    hill = HeightGrid(z, np.ones(z.shape, bool), -400.0, 400.0, 2.0)
    places, segment = stations(np.array([[0.0, 0, 170], [390, 0, 170]]))
    highest = heights_above_m(hill, places, segment, 1)[0, 2]
    caution = ceiling_caution(float(highest), 120.0, 1)
    assert caution.status == "over"
    assert caution.measured == pytest.approx(170)
    assert "by up to 50.0 m" in caution.text


def test_a_turn_within_the_margin_of_a_keep_out_area():
    places, leg = two_lines_and_a_turn()
    school = KeepOut("the school", shapely.box(0, 128, 40, 200))
    found = nearest_keep_out([school], places)
    areas = [found.names[number] for number in found.which]
    [fault] = keep_out_faults(LEGS, leg, found.distance_m, areas, 10.0, place_of(places))
    assert (fault.code, fault.where) == ("E27", "east 20 north 120")
    assert "turn after line L01 comes within 8.0 m of keep-out area the school" in fault.what
    assert "keep_out_margin_m asks for 10 m" in fault.what
    assert not keep_out_faults(LEGS, leg, found.distance_m, areas, 0.0, place_of(places))


def test_a_line_through_a_keep_out_area_is_refused_without_margin_too():
    places, leg = two_lines_and_a_turn()
    low, high = (KeepOut("slab", shapely.box(-20, -20, 20, 20), floor, top) for floor, top in ((0, 50), (55, 90)))
    for area, codes in ((low, []), (high, ["E27"])):
        found = nearest_keep_out([area], places)
        faults = keep_out_faults(LEGS, leg, found.distance_m, ["slab"] * len(leg), 0.0, place_of(places))
        assert [fault.code for fault in faults] == codes
    assert faults[0].what == "line L01 enters keep-out area slab"


def test_nothing_to_meet_is_no_fault():
    places, leg = two_lines_and_a_turn()
    none = nearest_obstacle([], places)
    assert clearance_faults(LEGS, leg, none.distance_m, [""] * len(leg), 30.0, place_of(places)) == ()


def test_a_turn_off_the_terrain_is_named():
    places, leg = two_lines_and_a_turn()
    distance = np.where(places[:, 1] > 115, np.nan, 60.0)
    [fault] = off_terrain_faults(LEGS, leg, distance, place_of(places))
    assert (fault.code, fault.what.split(":")[0]) == ("E27", "turn after line L01 leaves the terrain given")
    assert fault.where.endswith("north 115")
    assert not clearance_faults(LEGS, leg, distance, ["the ground"] * len(leg), 30.0, place_of(places))


@pytest.mark.parametrize(
    ("distance_m", "to_keep_out_m", "said"),
    [
        (math.nan, math.inf, "beside the terrain given"),
        (0.0, 0.0, "lies in keep-out area yard"),
        (0.0, 4.0, "lies 4.0 m from keep-out area yard, keep_out_margin_m asks for 10 m"),
    ],
)
def test_a_take_off_place_must_be_known_and_allowed(distance_m, to_keep_out_m, said):
    fault = take_off_fault(distance_m, to_keep_out_m, "yard", 10.0, "here")
    assert fault is not None
    assert (fault.code, fault.where) == ("E30", "here")
    assert said in fault.what
    assert take_off_fault(0.0, 10.0, "yard", 10.0, "here") is None
    assert take_off_fault(0.0, math.inf, "", 0.0, "here") is None


@pytest.mark.parametrize(
    ("checked", "wires", "status", "words"),
    [
        (False, 0, "cannot tell", "none listed, and nobody says"),
        (False, 3, "cannot tell", "3 listed, and nobody says"),
        (True, 0, "note", "none listed, and the site was searched"),
        ("walked on 2027-03-02", 2, "note", "as declared (walked on 2027-03-02)"),
    ],
)
def test_no_wire_known_is_never_no_wire(checked, wires, status, words):
    caution = wires_caution(checked, wires)
    assert (caution.caution_id, caution.status) == ("wires", status)
    assert words in caution.text
    for promise in ("no wires on", "free of wires", "clear of"):
        assert promise not in caution.text


def test_sensitive_areas_are_told_where_they_are_crossed():
    [caution] = sensitive_cautions(["nests", "stables"], np.array([120.4, 0.0]))
    assert caution.text == "The flight crosses nests for 120 m."
    assert caution.measured == 120.4


def test_the_age_of_the_terrain_is_told():
    told = terrain_age_caution(dt.date(2026, 10, 2), dt.date(2027, 4, 12))
    assert (told.status, told.measured, told.unit) == ("note", 192.0, "days")  # 29 + 30 + 31 + 31 + 28 + 31 + 12 [C]
    assert "measured on 2026-10-02, 192 days before the flight" in told.text
    assert terrain_age_caution(None, dt.date(2027, 4, 12)).status == "cannot tell"
    assert "one date is wrong" in terrain_age_caution(dt.date(2027, 5, 1), dt.date(2027, 4, 12)).text
