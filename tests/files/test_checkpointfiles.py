"""Checkpoints as GeoJSON and as a list, in the user's CRS; and the ground where they may stand."""

import csv
import io
import json

import geopandas
import jsonschema
import numpy as np
import pyproj
import pytest
import shapely
from small_job import small_scene, tilted_geoid
from test_planfiles import RFC_7946

from planner.errors import InputError
from planner.files.checkpointfiles import TO_FILL, checkpoints_csv, checkpoints_geojson, grid_crs, read_allowed
from planner.files.planfiles import collection_text
from planner.forecast.checkpoints import Checkpoint, Layout
from planner.forecast.layoutrules import Rule
from planner.ground.geodesy import LONLAT

UTM = pyproj.CRS(32629)
POINTS = (
    Checkpoint("CP01", -1250.0, 850.0, 12.5, 6.38, "grass_green", "NW", "open", "flat; open"),
    Checkpoint("CP02", -1150.0, 750.0, 27.5, 6.38, None, "SE", None, 'the "old" yard, in the open'),
)
LAYOUT = Layout(POINTS, 30, "ASPRS Edition 2, by area", (Rule("number", "2 of 30 wanted", False),), "sky", 0.25, 0.1)


def rows_of(text):
    return list(csv.DictReader(io.StringIO(text)))


@pytest.mark.parametrize("geoid", [None, tilted_geoid()], ids=["no geoid", "geoid"])
def test_collection_keeps_to_rfc_7946(geoid):
    collection = json.loads(collection_text(checkpoints_geojson(LAYOUT, small_scene(geoid=geoid), UTM)))
    jsonschema.validate(collection, RFC_7946)
    assert [feature["id"] for feature in collection["features"]] == ["CP01", "CP02"]
    assert [len(feature["geometry"]["coordinates"]) for feature in collection["features"]] == [3 if geoid else 2] * 2
    assert collection["rules"] == [{"rule": "number", "value": "2 of 30 wanted", "met": False}]
    assert (collection["wanted"], collection["bound_by"], collection["pass_chance"]) == (30, "sky", 0.25)
    assert "none of these marks may serve as control" in collection["definition"]


def test_heights_say_what_they_are_above():
    def first(scene):
        collection = checkpoints_geojson(LAYOUT, scene)
        return collection["features"][0], collection["heights"]

    bare, said = first(small_scene())
    assert bare["properties"]["height_ortho_m"] == 12.5
    assert "height_ellip_m" not in bare["properties"]
    assert "no third coordinate" in said
    linked, said = first(small_scene(geoid=tilted_geoid()))
    lon, lat, up = linked["geometry"]["coordinates"]
    assert up == linked["properties"]["height_ellip_m"]
    assert up - 12.5 == pytest.approx(float(tilted_geoid().at(lon, lat)), abs=1e-3)
    assert "geoid tilted plane" in said
    ellipsoidal, said = first(small_scene("ellipsoidal"))
    assert ellipsoidal["geometry"]["coordinates"][2] == ellipsoidal["properties"]["height_ellip_m"] == 12.5
    assert "height_ortho_m" not in ellipsoidal["properties"]
    assert "above the WGS 84 ellipsoid" in said


@pytest.mark.parametrize("code", [32629, 2157, 3035, 2227], ids=["metres", "other datum", "north first", "feet"])
def test_coordinates_in_the_users_crs(code):
    """Easting first whatever order the CRS names its axes in; PROJ takes them back to the written position."""
    crs = pyproj.CRS(code)
    for feature in checkpoints_geojson(LAYOUT, small_scene(), crs)["features"]:
        told = feature["properties"]
        back = pyproj.Transformer.from_crs(crs, LONLAT, always_xy=True).transform(told["easting"], told["northing"])
        assert back == pytest.approx((told["longitude"], told["latitude"]), abs=2e-8)
        assert feature["geometry"]["coordinates"] == [told["longitude"], told["latitude"]]


def test_position_is_that_of_the_frame():
    scene = small_scene()
    lon, lat = scene.frame.to_lonlat(-1250.0, 850.0)
    told = checkpoints_geojson(LAYOUT, scene, LONLAT)["features"][0]["properties"]
    assert (told["longitude"], told["latitude"]) == pytest.approx((float(lon), float(lat)), abs=1e-9)
    # No projected CRS of the user's own: the working one, whose origin is not that of the local frame.
    assert (told["easting"], told["northing"]) == pytest.approx((-1250 + 1200, 850 - 800), abs=2e-3)


def test_the_crs_is_named():
    scene = small_scene()
    assert checkpoints_geojson(LAYOUT, scene, UTM)["grid"] == "WGS 84 / UTM zone 29N (EPSG:32629), metre"
    assert checkpoints_geojson(LAYOUT, scene, pyproj.CRS(2227))["grid"].endswith("(EPSG:2227), US survey foot")
    assert checkpoints_geojson(LAYOUT, scene)["grid"].startswith("+proj=tmerc +lat_0=62.03")
    assert grid_crs(LONLAT, scene.frame) == grid_crs(None, scene.frame) == scene.frame.crs
    assert grid_crs(pyproj.CRS("EPSG:25829+5783"), scene.frame).to_epsg() == 25829


def test_the_list_says_the_same_and_leaves_room():
    scene = small_scene(geoid=tilted_geoid())
    rows = rows_of(checkpoints_csv(LAYOUT, scene, UTM))
    features = checkpoints_geojson(LAYOUT, scene, UTM)["features"]
    assert [row["reason"] for row in rows] == ["flat; open", 'the "old" yard, in the open']
    for row, feature in zip(rows, features, strict=True):
        told = feature["properties"]
        for name in ("easting", "northing", "longitude", "latitude", "height_ortho_m", "height_ellip_m", "slope_deg"):
            assert float(row[name]) == told[name]
        assert (row["id"], row["cover"]) == (told["id"], told["cover"] or "")
        assert row["grid"] == "WGS 84 / UTM zone 29N (EPSG:32629), metre"
        assert {row[name] for name in TO_FILL} == {""}
    assert {"surveyed_height", "method", "photo_north", "photo_east", "photo_south", "photo_west"} <= set(rows[0])


def test_a_layout_without_points_is_still_written():
    empty = Layout((), 30, "ASPRS Edition 2, by area", (), "slope", None, None)
    jsonschema.validate(checkpoints_geojson(empty, small_scene()), RFC_7946)
    assert checkpoints_csv(empty, small_scene()).splitlines()[0].startswith("id,easting,northing,grid")
    assert rows_of(checkpoints_csv(empty, small_scene())) == []


# Where they may stand


def write_allowed(path, *shapes, crs=4326):
    """Write polygons given in the local frame."""
    frame = small_scene().frame
    in_lonlat = [
        shapely.transform(shape, lambda en: np.column_stack(frame.to_lonlat(en[:, 0], en[:, 1]))) for shape in shapes
    ]
    geopandas.GeoDataFrame({"name": ["a"] * len(shapes)}, geometry=in_lonlat, crs=4326).to_crs(crs).to_file(path)


@pytest.mark.parametrize(("name", "crs"), [("where.geojson", 4326), ("where.gpkg", 32629), ("where.shp", 3035)])
def test_polygons_come_in_the_local_frame(tmp_path, name, crs):
    scene, parts = small_scene(), (shapely.box(-1290, 710, -1240, 760), shapely.box(-1150, 820, -1050, 950))
    write_allowed(tmp_path / name, *parts, crs=crs)
    allowed = read_allowed(tmp_path / name, scene.frame, scene.area)
    assert allowed.symmetric_difference(shapely.MultiPolygon(parts)).area < 1


def test_polygons_off_the_area_are_refused(tmp_path):
    scene = small_scene()
    write_allowed(tmp_path / "where.geojson", shapely.box(-1000, 700, -900, 800))
    with pytest.raises(InputError, match="where checkpoints may stand do not meet the area: these span") as caught:
        read_allowed(tmp_path / "where.geojson", scene.frame, scene.area)
    (fault,) = caught.value.faults
    assert fault.code == "E39"
    for shape in (shapely.box(-1000, 700, -900, 800), scene.area):
        corners = shapely.get_coordinates(shapely.box(*shape.bounds))
        for degrees in scene.frame.to_lonlat(*corners.T):
            assert f"{degrees.min():.4f} to {degrees.max():.4f}" in fault.what
    assert "checkpoints.within" in fault.fix
    # Touching along an edge is no ground to stand on.
    write_allowed(tmp_path / "where.geojson", shapely.box(-1100, 700, -1000, 900), shapely.box(-1210, 791, -1191, 809))
    with pytest.raises(InputError, match="do not meet the area"):
        read_allowed(
            tmp_path / "where.geojson", scene.frame, shapely.MultiPolygon([shapely.box(-1400, 700, -1300, 900)])
        )


def test_files_that_cannot_be_trusted_are_refused(tmp_path):
    scene = small_scene()
    with pytest.raises(InputError, match=r"gone\.geojson: no such file") as caught:
        read_allowed(tmp_path / "gone.geojson", scene.frame, scene.area)
    assert "checkpoints.within" in caught.value.faults[0].fix
    write_allowed(tmp_path / "where.shp", shapely.box(-1290, 710, -1240, 760))
    (tmp_path / "where.prj").unlink()
    with pytest.raises(InputError, match=r"E04 .*no coordinate reference system"):
        read_allowed(tmp_path / "where.shp", scene.frame, scene.area)
