"""Access areas from files: polygons in the local frame, and what is refused."""

import json
from dataclasses import replace

import geopandas
import numpy as np
import pytest
import shapely
from made_site import FRAME, UTM, box_deg, write_area, write_site

from planner.errors import InputError
from planner.files.accessfiles import read_access
from planner.files.geofiles import input_files, read_scene
from planner.files.missionfile import read_mission

LAYBY = shapely.box(120, -20, 150, 0)
FIELD = shapely.Polygon(
    shapely.box(-150, -120, -100, 100).exterior, [shapely.box(-140, -20, -110, 20).exterior.coords[::-1]]
)


def in_lonlat(shape):
    return shapely.transform(shape, lambda xy: np.column_stack(FRAME.to_lonlat(xy[:, 0], xy[:, 1])))


def written(folder, *shapes, name="access.geojson", crs=None):
    table = geopandas.GeoDataFrame(geometry=[in_lonlat(shape) for shape in shapes], crs=4326)
    (table if crs is None else table.to_crs(crs)).to_file(folder / name)
    return folder / name


def refused(path, message, *codes):
    with pytest.raises(InputError, match=message) as caught:
        read_access(path, FRAME)
    assert [fault.code for fault in caught.value.faults] == list(codes)


@pytest.mark.parametrize(("name", "crs"), [("a.geojson", None), ("a.gpkg", UTM), ("a.shp", "EPSG:3035")])
def test_formats_and_crs_mean_the_same(tmp_path, name, crs):
    parts = read_access(written(tmp_path, FIELD, LAYBY, name=name, crs=crs), FRAME)
    assert len(parts) == 2
    off = shapely.union_all(parts).symmetric_difference(shapely.union_all([FIELD, LAYBY]))
    assert off.area < 0.2  # edges that are straight in one CRS are bent in another


def test_parts_holes_and_overlaps(tmp_path):
    beside = shapely.box(140, -20, 180, 0)
    parts = read_access(written(tmp_path, shapely.MultiPolygon([FIELD, LAYBY]), beside), FRAME)
    assert sorted(len(part.interiors) for part in parts) == [0, 1]
    assert sum(part.area for part in parts) == pytest.approx(FIELD.area + 60 * 20, rel=1e-6)  # overlap once (C)


def test_points_and_lines_are_refused_all_at_once(tmp_path):
    track = shapely.LineString([(-100, 0), (100, 0)])
    path = written(tmp_path, LAYBY, track, shapely.Point(10, 10))
    refused(path, "feature 2: a LineString is no area(.|\n)*feature 3: a Point is no area", "E02", "E02")
    refused(written(tmp_path, track), "draw the ground .* as a polygon", "E02")


def test_files_that_cannot_be_trusted_are_refused(tmp_path):
    refused(tmp_path / "none.geojson", "no such file(.|\n)*check aircraft.take_off_area", "E45")
    bow = shapely.Polygon([(0, 0), (40, 40), (40, 0), (0, 40)])
    refused(written(tmp_path, bow), "crosses or touches itself", "E01")
    empty = {"type": "FeatureCollection", "features": []}
    (tmp_path / "empty.geojson").write_text(json.dumps(empty), encoding="utf-8")
    refused(tmp_path / "empty.geojson", "holds no feature(.|\n)*leave out aircraft.take_off_area", "E02")
    bare = written(tmp_path, LAYBY, name="bare.shp")
    bare.with_suffix(".prj").unlink()
    refused(bare, "names no coordinate reference system", "E04")


def test_a_scene_has_the_access_area_and_terrain_beneath_it(tmp_path):
    mission = read_mission(write_site(tmp_path))
    write_area(tmp_path, box_deg(20.0, 20.0))
    plain = read_scene(mission)
    assert plain.access == ()
    layby = shapely.box(178, -20, 190, 0)  # past the lattice of the lines alone, on the raster still
    assert np.isnan(plain.ground.at(184.0, -10.0))
    written(tmp_path, layby)
    mission = replace(mission, take_off_area="access.geojson")
    scene = read_scene(mission)
    assert shapely.union_all(scene.access).symmetric_difference(layby).area < 0.01
    assert np.isfinite(scene.ground.at(184.0, -10.0))
    assert "access.geojson" in [name for name, _ in input_files(mission)]
