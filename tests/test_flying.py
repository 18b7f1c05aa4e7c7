"""Whole plans against masts, keep-out areas and places to take off from."""

import json
from dataclasses import replace

import numpy as np
import pytest
import shapely
from made_site import FRAME, write_raster, write_site

from planner.errors import InfeasibleError, InputError, SafetyError
from planner.files.geofiles import read_scene
from planner.files.missionfile import read_mission
from planner.flight.flightlines import FlightLine
from planner.flight.sorties import quickest_sorties
from planner.survey import assess, make_plan, review
from planner.survey.flying import flyer_of, sensitive_m, sorties_of, take_offs_m
from planner.survey.watching import sight_cautions


def lonlat(east_m, north_m):
    return [float(value) for value in FRAME.to_lonlat(east_m, north_m)]


def write_features(folder, name, *features):
    """Write features, each a geometry type, its local coordinates and its properties."""
    shapes = [
        {"type": "Feature", "properties": properties, "geometry": {"type": kind, "coordinates": coordinates}}
        for kind, coordinates, properties in features
    ]
    (folder / name).write_text(json.dumps({"type": "FeatureCollection", "features": shapes}), encoding="utf-8")


def job(folder, **changes):
    aircraft = {"card": "hexacopter", "take_off": [lonlat(-60.0, -50.0)]}
    file = write_site(folder, **({"aircraft": aircraft, "doubts": {"draws": 0}} | changes))
    mission = read_mission(file)
    return mission, read_scene(mission)


def square(east_m, north_m, half_m):
    ring = [(-1, -1), (1, -1), (1, 1), (-1, 1), (-1, -1)]
    return [[lonlat(east_m + half_m * a, north_m + half_m * b) for a, b in ring]]


def mast(east_m, north_m, height_m):
    properties = {"name": "the mast", "kind": "mast", "height_agl_m": height_m, "radius_m": 1}
    return "Point", lonlat(east_m, north_m), properties | {"vertical_sd_m": 0, "horizontal_sd_m": 0}


def test_every_line_is_flown_once_on_batteries_that_keep_their_reserve(tmp_path):
    mission, scene = job(tmp_path)
    plan = make_plan(mission, scene)
    assert sorted(name for sortie in plan.sorties for name in sortie.line_ids) == sorted(
        line.line_id for line in plan.lines
    )
    for sortie in plan.sorties:
        assert sortie.reserve_share_left >= mission.aircraft.battery_reserve_share - 1e-9
    times = dict(plan.flight["time_s"])
    total = times.pop("total")
    assert sum(times.values()) == pytest.approx(total, abs=1.0)


def test_without_a_place_to_take_off_from_batteries_are_not_planned_and_that_is_said(tmp_path):
    mission, scene = job(tmp_path, aircraft={"card": "hexacopter"})
    found = assess(mission, scene, make_plan(mission, scene))
    assert found.plan.sorties == ()
    [caution] = [each for each in found.cautions if each.caution_id == "batteries"]
    assert "no take-off place is given" in caution.text


def test_lines_rise_over_a_mast(tmp_path):
    write_features(tmp_path, "masts.geojson", mast(0.0, 0.0, 45.0))
    mission, scene = job(tmp_path, hazards={"obstacles": "masts.geojson"})
    plan = make_plan(mission, scene)
    base = float(scene.ground.at(0.0, 0.0))
    points = np.vstack([sortie.path.points_m for sortie in plan.sorties])
    # A straight distance to the axis of the mast, from its foot to its top, of our own.
    up = np.clip(points[:, 2], base, base + 45.0)
    off = np.linalg.norm(np.column_stack([points[:, :2], points[:, 2] - up]), axis=1) - 1.0
    assert off.min() > mission.limits.clearance_m - 0.1


def test_a_mast_too_tall_for_the_ceiling_is_said(tmp_path):
    write_features(tmp_path, "masts.geojson", mast(0.0, 0.0, 100.0))
    mission, scene = job(tmp_path, hazards={"obstacles": "masts.geojson"})
    found = assess(mission, scene, make_plan(mission, scene))
    [ceiling] = [each for each in found.cautions if each.caution_id == "ceiling"]
    assert ceiling.status == "over"


def box(west_m, south_m, east_m, north_m):
    """Return an outline for files, and the same as a shape."""
    ring = [(west_m, south_m), (east_m, south_m), (east_m, north_m), (west_m, north_m), (west_m, south_m)]
    return [[lonlat(*corner) for corner in ring]], shapely.box(west_m, south_m, east_m, north_m)


SOUTH = {"card": "hexacopter", "take_off": [lonlat(-20.0, -160.0)]}


def test_an_area_between_take_off_and_lines_is_flown_round(tmp_path):
    outline, shape = box(-80.0, -135.0, 70.0, -115.0)
    write_features(tmp_path, "farm.geojson", ("Polygon", outline, {"name": "the farm"}))
    mission, scene = job(tmp_path, aircraft=SOUTH, hazards={"keep_out": "farm.geojson"})
    plan = make_plan(mission, scene)
    assert plan.sorties
    for sortie in plan.sorties:
        # the shape is in the frame of the made site, which is that of the scene but for millimetres
        assert shapely.LineString(sortie.path.points_m[:, :2]).distance(shape) >= mission.hazards.keep_out_margin_m
    free = make_plan(*job(tmp_path, aircraft=SOUTH))
    assert plan.flight["time_s"]["total"] > free.flight["time_s"]["total"]
    assert plan.sorties[0].battery_share_used > free.sorties[0].battery_share_used


def test_a_take_off_place_within_walls_is_refused(tmp_path):
    outline, _ = box(-50.0, -178.0, 10.0, -130.0)
    inner, _ = box(-38.0, -172.0, -2.0, -142.0)
    write_features(tmp_path, "yard.geojson", ("Polygon", outline + inner, {"name": "the yard"}))
    mission, scene = job(tmp_path, aircraft=SOUTH, hazards={"keep_out": "yard.geojson"})
    with pytest.raises(SafetyError, match=r"E27 .*of sortie 1 enters keep-out area the yard"):
        make_plan(mission, scene)


def test_lines_drawn_into_an_area_are_reviewed_and_named(tmp_path):
    write_features(tmp_path, "farm.geojson", ("Polygon", square(20.0, 0.0, 30.0), {"name": "the farm"}))
    mission, scene = job(tmp_path, hazards={"keep_out": "farm.geojson"})
    found = review(mission, scene, [line_north("L01", 20.0)])
    assert any(fault.code == "E27" and "line L01 enters keep-out area the farm" in fault.what for fault in found.unsafe)


def test_a_sensitive_area_beside_the_lines_is_flown_round_where_it_is_dear(tmp_path):
    outline, _ = box(-60.0, -135.0, 20.0, -115.0)
    crossed = []
    for cost in (0.001, 20.0):
        write_features(tmp_path, "nest.geojson", ("Polygon", outline, {"name": "the nest", "cost": cost}))
        mission, scene = job(tmp_path, aircraft=SOUTH, hazards={"sensitive": "nest.geojson"})
        assert [area.cost for area in scene.sensitive] == [cost]
        plan = make_plan(mission, scene)
        crossed.append(float(sensitive_m(scene, plan.lines, plan.sorties)[0]))
    assert crossed[0] > 3.0
    assert crossed[1] == 0


def test_taking_off_in_a_keep_out_area_is_refused(tmp_path):
    write_features(tmp_path, "farm.geojson", ("Polygon", square(-60.0, -50.0, 5.0), {"name": "the farm"}))
    mission, scene = job(tmp_path, hazards={"keep_out": "farm.geojson"})
    with pytest.raises(InputError, match=r"E30 .*the take-off place lies in keep-out area the farm"):
        make_plan(mission, scene)


def test_taking_off_far_away_is_refused(tmp_path):
    aircraft = {"card": "hexacopter", "take_off": [lonlat(20_000.0, 0.0)]}
    mission, scene = job(tmp_path, aircraft=aircraft)
    with pytest.raises(InputError, match=r"E30 .*beside the terrain given"):
        make_plan(mission, scene)


def test_more_wind_than_the_aircraft_flies_is_refused_and_reviewed(tmp_path):
    mission, scene = job(tmp_path, flight={"agl_m": 60, "speed_mps": 8, "heading_deg": 90})
    lines = make_plan(mission, scene).lines
    (tmp_path / "storm").mkdir()
    stormy = {"wind_mps": 14, "wind_from_deg": 0}
    windy, scene = job(tmp_path / "storm", conditions=stormy, flight={"agl_m": 60, "speed_mps": 8, "heading_deg": 90})
    with pytest.raises(InfeasibleError, match=r"E32 "):
        make_plan(windy, scene)
    found = review(windy, scene, lines)
    assert any(fault.code == "E32" for fault in found.plan.unflown)
    assert any("batteries are not planned" in each.text for each in found.cautions)


def test_nobody_looked_for_wires_is_a_caution(tmp_path):
    for said, status in ((False, "cannot tell"), ("walked the site on 1 April", "note")):
        (tmp_path / status).mkdir()
        mission, scene = job(tmp_path / status, hazards={"wires_checked": said})
        cautions = assess(mission, scene, make_plan(mission, scene)).cautions
        [wires] = [each for each in cautions if each.caution_id == "wires"]
        assert wires.status == status


def ridge(pixels):
    """Raise a ridge of 70 m from north to south through the middle of the site."""
    east = (np.arange(pixels.shape[1]) + 0.5) * 2.0 - 200
    pixels += 70 * np.exp(-(east**2) / 200).astype(np.float32)


def line_north(name, east_m):
    north = np.arange(-60.0, 61.0, 5.0)
    points = np.column_stack([np.full(len(north), east_m), north, np.full(len(north), 545.0)])
    return FlightLine(name, points, (10.0, 110.0), 6.0, 300e3, 100.0, np.radians(35))


def ridge_job(folder, *take_offs_m):
    card = {"card": "hexacopter", "take_off": [lonlat(*place) for place in take_offs_m]}
    mission, _ = job(folder, aircraft=card)
    write_raster(folder, edit=ridge)
    lines = [line_north(name, east_m) for name, east_m in (("W1", -75), ("E1", 55), ("W2", -55), ("E2", 75))]
    return mission, read_scene(mission), lines


def test_each_side_of_a_ridge_is_flown_from_its_own_side(tmp_path):
    mission, scene, lines = ridge_job(tmp_path, (-120.0, 0.0), (120.0, 0.0))
    _, sorties = sorties_of(mission, scene, lines, flyer_of(mission, scene), ordered=False)
    flown = {(round(float(sortie.take_off_m[0])), *sorted(sortie.line_ids)) for sortie in sorties}
    assert flown == {(-120, "W1", "W2"), (120, "E1", "E2")}
    [caution] = sight_cautions(mission, scene, sorties)
    assert caution.status == "within", caution.text
    # without sight lines one battery does it, from one side: that is what the ridge costs
    free = quickest_sorties(lines, flyer_of(mission, scene), scene.frame, take_offs_m(mission, scene))
    assert len(free) == 1


def test_what_the_one_place_does_not_see_is_flown_and_named(tmp_path):
    mission, scene, lines = ridge_job(tmp_path, (-120.0, 0.0))
    found = review(mission, scene, lines)
    assert {name for sortie in found.plan.sorties for name in sortie.line_ids} == {"W1", "E1", "W2", "E2"}
    [caution] = [each for each in found.cautions if each.caution_id == "sight line"]
    assert caution.status == "over"
    named = caution.text.split("; on ")[1].split(". ")[0].split(", ")
    assert {"line E1", "line E2"} <= set(named)
    assert not {"line W1", "line W2"} & set(named)


def test_how_far_the_aircraft_is_seen_depends_on_its_size(tmp_path):
    mission, scene, lines = ridge_job(tmp_path, (-120.0, 0.0))
    mission = replace(mission, aircraft=replace(mission.aircraft, max_dimension_m=0.2))
    _, sorties = sorties_of(mission, scene, lines[::2], flyer_of(mission, scene), ordered=False)
    [caution] = sight_cautions(mission, scene, sorties)
    # 327 x 0.2 + 20 = 85.4 m (M); the far ends of the lines lie 65 m aside, 60 m along and 46.9 m over the eye
    assert (caution.status, caution.limit) == ("over", pytest.approx(85.4))
    assert caution.measured >= np.linalg.norm([65.0, 60.0, 46.8])
    assert "it is farther for 0.0 %" not in caution.text


def test_without_sorties_nobody_can_tell_who_sees_the_flight(tmp_path):
    mission, scene, _ = ridge_job(tmp_path)
    [caution] = sight_cautions(mission, scene, ())
    assert (caution.status, caution.measured) == ("cannot tell", None)


def test_a_take_off_place_is_found_where_taking_off_is_allowed(tmp_path):
    write_features(tmp_path, "yard.geojson", ("Polygon", square(-110.0, -20.0, 15.0), {"name": "the yard"}))
    mission, scene = job(tmp_path, aircraft={"card": "hexacopter", "take_off_area": "yard.geojson"})
    assert mission.take_off_deg == ()
    plan = make_plan(mission, scene)
    assert plan.sorties
    for sortie in plan.sorties:
        east, north, up = sortie.take_off_m
        assert abs(east + 110) <= 15
        assert abs(north + 20) <= 15
        assert up == pytest.approx(float(scene.ground.at(east, north)))


def test_an_area_where_nobody_can_stand_is_refused(tmp_path):
    write_features(tmp_path, "yard.geojson", ("Polygon", square(-110.0, -20.0, 1.0), {"name": "the yard"}))
    mission, scene = job(tmp_path, aircraft={"card": "hexacopter", "take_off_area": "yard.geojson"})
    with pytest.raises(InputError, match=r"E30 .*take"):
        make_plan(mission, scene)
