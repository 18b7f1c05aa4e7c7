"""Features of interest: outlines in the local frame, their names, and what is refused."""

import dataclasses

import geopandas
import numpy as np
import pytest
import shapely
from made_site import FRAME, UTM, write_site

from planner.errors import InputError
from planner.files.featurefiles import read_features
from planner.files.missionfile import read_mission

AREA = shapely.MultiPolygon([shapely.box(-80, -60, 80, 60)])
CREST = shapely.LineString([(-100, 0), (0, 0), (60, 30)])
YARD = shapely.box(10, -40, 30, -20)


def in_lonlat(shape):
    return shapely.transform(shape, lambda xy: np.column_stack(FRAME.to_lonlat(xy[:, 0], xy[:, 1])))


def write_ways(folder, *parts, name="ways.geojson", field="name", crs=None):
    """Write pairs of name and shape, given in the local frame."""
    names, shapes = zip(*parts, strict=True)
    table = geopandas.GeoDataFrame({field: list(names)}, geometry=[in_lonlat(shape) for shape in shapes], crs=4326)
    (table if crs is None else table.to_crs(crs)).to_file(folder / name)


@pytest.fixture
def job(tmp_path):
    return with_features(read_mission(write_site(tmp_path)))


def with_features(mission, file="ways.geojson", **site):
    return dataclasses.replace(mission, site=dataclasses.replace(mission.site, features_of_interest=file, **site))


def refused(mission, code, message):
    with pytest.raises(InputError, match=message) as caught:
        read_features(mission, FRAME, AREA)
    assert [fault.code for fault in caught.value.faults] == [code]
    assert caught.value.faults[0].fix
    return caught.value.faults[0]


def test_lines_get_their_width_and_polygons_stay(job, tmp_path):
    write_ways(tmp_path, ("the crest road", CREST), ("yard", YARD))
    (road, yard), cautions = read_features(with_features(job, feature_width_m=6), FRAME, AREA)
    assert (road.name, yard.name, cautions) == ("the crest road", "yard", [])
    assert yard.polygon.symmetric_difference(YARD).area < 1e-3
    # width times length, up to the wedge at the bend: flat ends add nothing
    assert road.polygon.area == pytest.approx(6 * CREST.length, rel=0.01)
    for (east, north), held in {(-50, 2.9): True, (-50, 3.1): False, (-99.9, 0): True, (-100.1, 0): False}.items():
        assert shapely.contains_xy(road.polygon, east, north) == held
    (narrow, _), _ = read_features(job, FRAME, AREA)
    assert narrow.polygon.area == pytest.approx(4 * CREST.length, rel=0.01)


def test_parts_of_one_name_are_one_feature(job, tmp_path):
    across = shapely.LineString([(0, -50), (0, 50)])
    write_ways(tmp_path, ("ways", CREST), ("yard", YARD), ("ways", shapely.MultiLineString([across])))
    features, _ = read_features(job, FRAME, AREA)
    assert [feature.name for feature in features] == ["ways", "yard"]
    alone = 4 * (CREST.length + across.length)
    assert alone - 20 < features[0].polygon.area < alone  # where they cross, once


@pytest.mark.parametrize(("name", "crs"), [("ways.gpkg", UTM), ("ways.shp", "EPSG:3035"), ("ways.kml", None)])
def test_formats_and_crs_mean_the_same(job, tmp_path, name, crs):
    write_ways(tmp_path, ("the crest road", CREST))
    if crs is None:
        places = " ".join(f"{lon},{lat}" for lon, lat in shapely.get_coordinates(in_lonlat(CREST)))
        line = f"<LineString><coordinates>{places}</coordinates></LineString>"
        (tmp_path / name).write_text(
            '<kml xmlns="http://www.opengis.net/kml/2.2"><Document><Placemark><name>the crest road</name>'
            f"{line}</Placemark></Document></kml>",
            encoding="utf-8",
        )
    else:
        write_ways(tmp_path, ("the crest road", CREST), name=name, crs=crs)
    first, second = (read_features(with_features(job, file), FRAME, AREA)[0] for file in ("ways.geojson", name))
    assert [feature.name for feature in second] == ["the crest road"]
    # a millimetre along both sides: GeoJSON keeps seven decimals of a degree, ellipsoids differ by a tenth
    assert first[0].polygon.symmetric_difference(second[0].polygon).area < 2 * CREST.length * 1e-3


def test_features_outside_the_area_are_told(job, tmp_path):
    far = shapely.box(200, 0, 220, 20)
    write_ways(tmp_path, ("the crest road", CREST), ("far barn", far))
    features, cautions = read_features(job, FRAME, AREA)
    assert [feature.name for feature in features] == ["the crest road"]
    assert cautions == ["ways.geojson: far barn: not in the area; nothing is reported on it."]
    write_ways(tmp_path, ("far barn", far), ("far yard", shapely.box(200, 50, 220, 70)))
    features, cautions = read_features(job, FRAME, AREA)
    assert features == ()
    assert cautions == ["ways.geojson: none of the features of interest lies in the area; nothing is reported on them."]


def test_without_a_file_there_is_no_feature(job):
    assert read_features(with_features(job, None), FRAME, AREA) == ((), [])


def test_what_has_no_name_is_refused(job, tmp_path):
    write_ways(tmp_path, ("the crest road", CREST), field="title")
    fault = refused(job, "E18", 'no field "name"; the file has title')
    assert fault.where.endswith("ways.geojson")
    write_ways(tmp_path, ("the crest road", CREST), (None, YARD), (" ", YARD))
    refused(job, "E18", "2 of the features of interest have no name")


def test_what_is_no_line_or_polygon_is_refused(job, tmp_path):
    write_ways(tmp_path, ("mast", shapely.Point(0, 0)))
    refused(job, "E02", "holds a Point: a feature of interest is a line or a polygon")
    bow = shapely.Polygon([(-50, -50), (50, 50), (50, -50), (-50, 50)])
    write_ways(tmp_path, ("bow", bow))
    refused(job, "E01", r"an outline crosses or touches itself: Self-intersection")
    (tmp_path / "ways.geojson").write_text('{"type": "FeatureCollection", "features": []}', encoding="utf-8")
    refused(job, "E02", "the file holds no feature")


def test_files_that_cannot_be_trusted_are_refused(job, tmp_path):
    fault = refused(job, "E45", "ways.geojson: no such file")
    assert "site.features_of_interest" in fault.fix
    write_ways(tmp_path, ("the crest road", CREST), name="ways.shp")
    (tmp_path / "ways.prj").unlink()
    refused(with_features(job, "ways.shp"), "E04", "no coordinate reference system")
    beyond = shapely.LineString([(47, 99.3), (47, 99.4)])
    geopandas.GeoDataFrame({"name": ["road"]}, geometry=[beyond], crs=4326).to_file(tmp_path / "ways.geojson")
    refused(job, "E05", "coordinates outside the domain of WGS 84")
