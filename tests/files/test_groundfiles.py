"""Roads, buildings and people from files: shapes in the local frame, how far they reach, and what is refused."""

import json

import geopandas
import numpy as np
import pytest
import shapely
from made_site import FRAME, UTM

from planner.errors import InputError
from planner.files.groundfiles import POINT_RADIUS_M, ROAD_WIDTH_M, ground_risk_figures, read_beneath
from planner.safety.falls import Fall
from planner.safety.groundrisk import Flown, ground_risk

LANE = shapely.LineString([(-100, 0), (0, 0), (60, 30)])
YARD = shapely.box(10, -40, 30, -20)
WELL = shapely.Point(5, 5)


def in_lonlat(shape):
    return shapely.transform(shape, lambda xy: np.column_stack(FRAME.to_lonlat(xy[:, 0], xy[:, 1])))


def write(folder, *shapes, file="roads.geojson", crs=None, **fields):
    table = geopandas.GeoDataFrame(fields, geometry=[in_lonlat(shape) for shape in shapes], crs=4326)
    (table if crs is None else table.to_crs(crs)).to_file(folder / file)


def refused(folder, code, message, **named):
    with pytest.raises(InputError, match=message) as caught:
        read_beneath(named or {"roads": "roads.geojson"}, folder, FRAME)
    assert {fault.code for fault in caught.value.faults} == {code}
    assert all(fault.fix for fault in caught.value.faults)
    return caught.value.faults


def test_points_lines_and_polygons_say_how_far_they_reach(tmp_path):
    shapes = [LANE, LANE, YARD, WELL, WELL]
    fields = {"name": ["lane", "track", "yard", "well", "tank"], "width_m": [None, 3.0, None, None, None]}
    write(tmp_path, *shapes, **fields, radius_m=[None, None, None, None, 2.5])
    [places] = read_beneath({"roads": "roads.geojson"}, tmp_path, FRAME).values()
    reaches = {one.name: one.radius_m for one in places}
    assert reaches == {"lane": ROAD_WIDTH_M / 2, "track": 1.5, "yard": 0.0, "well": POINT_RADIUS_M, "tank": 2.5}
    for one, shape in zip(places, shapes, strict=True):
        assert one.outline.hausdorff_distance(shape) < 0.02


def test_only_what_is_given_is_there(tmp_path):
    write(tmp_path, YARD, file="houses.gpkg", crs=UTM)
    named = {"people": None, "buildings": "houses.gpkg", "built_up": None}
    found = read_beneath(named, tmp_path, FRAME)
    assert list(found) == ["buildings"]
    assert [one.name for one in found["buildings"]] == ["feature 1"]
    assert read_beneath({}, tmp_path, FRAME) == {}


def test_collections_are_taken_apart_under_one_name(tmp_path):
    both = shapely.MultiPolygon([YARD, shapely.box(50, -40, 60, -20)])
    write(tmp_path, both, file="houses.geojson", id=["farm"])
    assert [one.name for one in read_beneath({"buildings": "houses.geojson"}, tmp_path, FRAME)["buildings"]] == [
        "farm",
        "farm",
    ]


def test_what_is_read_is_found_beneath_a_flight(tmp_path):
    write(tmp_path, LANE, YARD, file="roads.geojson", name=["lane", "yard"])
    beneath = read_beneath({"roads": "roads.geojson"}, tmp_path, FRAME)
    line = Flown("sortie 1", np.array([[-50.0, -100], [-50, 100]]), np.full(2, 40.0), np.array([0.0, 20]))
    risk = ground_risk([line], Fall(beside_m=0.1), shapely.box(-200, -200, 200, 200), beneath)
    assert (risk.given, [one.name for one in risk.crossings]) == (("roads",), ["lane"])
    assert risk.crossings[0].over_m == pytest.approx(ROAD_WIDTH_M + 0.2, abs=0.05)
    figures = json.loads(json.dumps(ground_risk_figures(risk)))
    assert (figures["widest_m"], figures["given"]) == (40.0, ["roads"])
    [crossing] = figures["crossings"]
    assert (crossing["name"], crossing["kind"], crossing["passes"], crossing["inside_m2"]) == ("lane", "roads", 1, None)
    assert crossing["over_s"] == pytest.approx(risk.crossings[0].over_m / 10)  # 200 m in 20 s


def test_values_out_of_range_come_all_at_once(tmp_path):
    write(tmp_path, LANE, WELL, file="roads.geojson", width_m=[-2.0, None], radius_m=[None, -1.0])
    faults = refused(tmp_path, "E33", "width_m is -2")
    assert [fault.where for fault in faults] == ["roads.geojson, feature 1", "roads.geojson, feature 2"]
    assert "radius_m is -1" in faults[1].what


def test_outlines_that_cross_themselves_are_refused(tmp_path):
    bow = shapely.Polygon([(-50, -50), (50, 50), (50, -50), (-50, 50)])
    write(tmp_path, bow, name=["bow"])
    refused(tmp_path, "E01", "bow: its outline cannot be used: Self-intersection")


def test_files_that_cannot_be_used_are_refused(tmp_path):
    [fault] = refused(tmp_path, "E45", "roads.geojson: no such file")
    assert "rules.roads" in fault.fix
    (tmp_path / "people.geojson").write_text('{"type": "FeatureCollection", "features": []}', encoding="utf-8")
    refused(tmp_path, "E02", "the file holds no feature", people="people.geojson")
    write(tmp_path, LANE, file="roads.shp", name=["lane"])
    (tmp_path / "roads.prj").unlink()
    refused(tmp_path, "E04", "no coordinate reference system", roads="roads.shp")
