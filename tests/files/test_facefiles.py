"""Marked walls: lines in the local frame, their names and heights, and what is refused."""

import dataclasses

import geopandas
import numpy as np
import pytest
import shapely
from made_site import FRAME, UTM, write_site

from planner.errors import InputError
from planner.facechoice import FaceChoice
from planner.files.facefiles import read_walls
from planner.files.geofiles import input_files, read_scene
from planner.files.missionfile import read_mission

AREA = shapely.MultiPolygon([shapely.box(-80, -60, 80, 60)])
FOOT = shapely.LineString([(-40, -10), (0, 0), (60, 30)])
FAR = shapely.LineString([(200, 0), (240, 10)])


def in_lonlat(shape):
    return shapely.transform(shape, lambda xy: np.column_stack(FRAME.to_lonlat(xy[:, 0], xy[:, 1])))


def write_walls(folder, *parts, name="walls.geojson", crs=None, **fields):
    """Write pairs of name and shape, given in the local frame, with further fields as lists."""
    names, shapes = zip(*parts, strict=True)
    columns = {"name": list(names)} | {field: values for field, values in fields.items() if values is not None}
    table = geopandas.GeoDataFrame(columns, geometry=[in_lonlat(shape) for shape in shapes], crs=4326)
    (table if crs is None else table.to_crs(crs)).to_file(folder / name)


@pytest.fixture
def job(tmp_path):
    return with_walls(read_mission(write_site(tmp_path)))


def with_walls(mission, file="walls.geojson", **faces):
    return dataclasses.replace(mission, faces=FaceChoice(walls=file, **faces))


def refused(mission, code, message):
    with pytest.raises(InputError, match=message) as caught:
        read_walls(mission, FRAME, AREA)
    assert [fault.code for fault in caught.value.faults] == [code]
    assert caught.value.faults[0].fix


@pytest.mark.parametrize(("name", "crs"), [("walls.geojson", None), ("walls.gpkg", UTM), ("walls.shp", "EPSG:3035")])
def test_a_wall_has_the_line_the_name_and_the_height_of_its_feature(job, tmp_path, name, crs):
    write_walls(tmp_path, ("north wall", FOOT), name=name, crs=crs, height_m=[12.5])
    ((wall,), cautions) = read_walls(with_walls(job, name), FRAME, AREA)
    assert (wall.name, wall.height_m, cautions) == ("north wall", 12.5, [])
    assert wall.line.hausdorff_distance(FOOT) < 0.01


def test_height_of_the_mission_holds_where_a_line_states_none(job, tmp_path):
    write_walls(tmp_path, ("a", FOOT), ("b", FOOT), height_m=[8.0, None])
    walls, _ = read_walls(with_walls(job, height_m=20), FRAME, AREA)
    assert [(wall.name, wall.height_m) for wall in walls] == [("a", 8), ("b", 20)]


def test_lines_of_one_name_are_one_wall_of_the_greater_height(job, tmp_path):
    other = shapely.LineString([(-60, 40), (-60, 50)])
    write_walls(tmp_path, ("pit", FOOT), ("pit", shapely.MultiLineString([other])), height_m=[8, 15])
    ((wall,), _) = read_walls(job, FRAME, AREA)
    assert wall.height_m == 15
    assert wall.line.length == pytest.approx(FOOT.length + other.length, abs=0.01)


def test_a_wall_out_of_the_area_is_left_out_with_a_caution(job, tmp_path):
    write_walls(tmp_path, ("near", FOOT), ("far", FAR), height_m=[8, 8])
    walls, (caution,) = read_walls(job, FRAME, AREA)
    assert [wall.name for wall in walls] == ["near"]
    assert caution == "walls.geojson: far: not in the area; nothing is reported on it."
    write_walls(tmp_path, ("far", FAR), height_m=[8])
    assert "none of the walls lies in the area" in read_walls(job, FRAME, AREA)[1][0]


def test_a_mission_without_walls_reads_nothing(job):
    assert read_walls(dataclasses.replace(job, faces=FaceChoice()), FRAME, AREA) == ((), [])


def test_walls_are_part_of_the_scene_and_of_the_inputs(tmp_path):
    path = write_site(tmp_path, faces={"walls": "walls.geojson", "height_m": 10})
    write_walls(tmp_path, ("bank", FOOT))
    mission = read_mission(path)
    assert [wall.name for wall in read_scene(mission).walls] == ["bank"]
    assert "walls.geojson" in dict(input_files(mission))


@pytest.mark.parametrize(
    ("shape", "name", "height", "code", "message"),
    [
        (shapely.box(0, 0, 10, 10), "a", 8.0, "E02", "a: is a Polygon: a wall is drawn as a line along its foot"),
        (shapely.Point(0, 0), "a", 8.0, "E02", "a: is a Point"),
        (FOOT, None, 8.0, "E18", "feature 1: a wall without a name"),
        (FOOT, "a", None, "E18", "a: no `height_m`: how high is the wall"),
        (FOOT, "a", 0.0, "E33", "a: height_m is 0"),
        (FOOT, "a", -3.0, "E33", "a: height_m is -3"),
        (FOOT, "a", 2500.0, "E33", "a: height_m is 2500"),
        (FOOT, "a", "tall", "E33", "a: height_m is 'tall', not a number"),
    ],
)
def test_walls_that_cannot_be_are_refused(job, tmp_path, shape, name, height, code, message):
    write_walls(tmp_path, (name, shape), height_m=None if height is None else [height])
    refused(job, code, message)


def test_a_file_that_is_not_there_is_refused_by_its_key(job):
    with pytest.raises(InputError, match=r"walls\.geojson: no such file") as caught:
        read_walls(job, FRAME, AREA)
    assert caught.value.faults[0].fix.startswith("check faces.walls")


def test_a_height_of_no_walls_and_a_share_of_no_density_are_refused(tmp_path):
    with pytest.raises(InputError, match="height_m 10 of no walls"):
        read_mission(write_site(tmp_path, faces={"height_m": 10}))
    with pytest.raises(InputError, match="face_percentile 5 of no face_density_per_m2"):
        read_mission(write_site(tmp_path, requirement={"density_per_m2": 100, "face_percentile": 5}))
