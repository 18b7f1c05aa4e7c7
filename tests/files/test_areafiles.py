"""Areas read from every format alike, and refused with a code where they cannot be trusted."""

import json
import warnings
import zipfile

import geopandas
import numpy as np
import pyproj
import pytest
import shapely

from planner.errors import InputError
from planner.files.areafiles import read_area

SQUARE = [[7.0, 45.0], [7.01, 45.0], [7.01, 45.01], [7.0, 45.01], [7.0, 45.0]]
HOLE = [[7.004, 45.004], [7.004, 45.006], [7.006, 45.006], [7.006, 45.004], [7.004, 45.004]]
PIERCED = shapely.Polygon(SQUARE, [HOLE])


def feature(coordinates, kind="Polygon", **properties):
    return {"type": "Feature", "properties": properties, "geometry": {"type": kind, "coordinates": coordinates}}


def write_geojson(path, *features, **more):
    path.write_text(json.dumps({"type": "FeatureCollection", "features": features, **more}))
    return path


def kml(*folders):
    def ring(tag, ring):
        text = " ".join(f"{x},{y},0" for x, y in ring)
        return f"<{tag}><LinearRing><coordinates>{text}</coordinates></LinearRing></{tag}>"

    def placemark(name, outer, *inner):
        rings = ring("outerBoundaryIs", outer) + "".join(ring("innerBoundaryIs", each) for each in inner)
        return f"<Placemark><name>{name}</name><Polygon>{rings}</Polygon></Placemark>"

    body = "".join(f"<Folder><name>{name}</name>{placemark(*mark)}</Folder>" for name, mark in folders)
    return f'<?xml version="1.0"?>\n<kml xmlns="http://www.opengis.net/kml/2.2"><Document>{body}</Document></kml>'


def frame_of(*shapes, crs="EPSG:4326", **columns):
    return geopandas.GeoDataFrame(columns, geometry=list(shapes), crs=crs)


def write_area(folder, suffix):
    path = folder / f"area{suffix}"
    if suffix == ".kml":
        path.write_text(kml(("block", ("a", SQUARE, HOLE))))
    elif suffix == ".kmz":
        with zipfile.ZipFile(path, "w") as archive:
            archive.writestr("doc.kml", kml(("block", ("a", SQUARE, HOLE))))
    elif suffix == ".geojson":
        write_geojson(path, feature([SQUARE, HOLE], name="a"))
    else:
        frame_of(PIERCED, name=["a"]).to_file(path)
    return path


@pytest.mark.parametrize("suffix", [".geojson", ".gpkg", ".kml", ".kmz", ".shp"])
def test_every_format_gives_the_same_polygon(tmp_path, suffix):
    area, crs = read_area(write_area(tmp_path, suffix))
    assert area.geom_type == "MultiPolygon"
    assert shapely.equals_exact(shapely.normalize(area), shapely.normalize(shapely.MultiPolygon([PIERCED])), 1e-12)
    assert crs == pyproj.CRS.from_epsg(4326)


def test_projected_area_comes_back_in_longitude_and_latitude(tmp_path):
    path = tmp_path / "area.gpkg"
    frame_of(PIERCED).to_crs(32632).to_file(path)
    area, crs = read_area(path)
    assert crs.to_epsg() == 32632
    assert shapely.hausdorff_distance(area, PIERCED) < 1e-9


def test_three_dimensional_polygons_lose_their_height(tmp_path):
    area, _ = read_area(write_geojson(tmp_path / "a.geojson", feature([[[*xy, 120.0] for xy in SQUARE]])))
    assert not area.has_z


def test_all_folders_of_a_kml_are_read(tmp_path):
    path = tmp_path / "a.kml"
    east = [[x + 1, y] for x, y in SQUARE]
    path.write_text(kml(("west", ("a", SQUARE)), ("east", ("b", east))))
    assert len(read_area(path)[0].geoms) == 2
    assert read_area(path, layer="east")[0].bounds == pytest.approx((8.0, 45.0, 8.01, 45.01))
    assert read_area(path, features=("a",))[0].bounds == pytest.approx((7.0, 45.0, 7.01, 45.01))


def test_polygons_within_a_collection_are_found_and_points_ignored(tmp_path):
    parts = [{"type": "Point", "coordinates": [7, 45]}, {"type": "Polygon", "coordinates": [SQUARE]}]
    one = {"type": "Feature", "properties": {}, "geometry": {"type": "GeometryCollection", "geometries": parts}}
    assert read_area(write_geojson(tmp_path / "a.geojson", one))[0].equals(shapely.Polygon(SQUARE))


def test_overlapping_features_are_merged_not_counted_twice(tmp_path):
    east = [[x + 0.005, y] for x, y in SQUARE]
    area, _ = read_area(write_geojson(tmp_path / "a.geojson", feature([SQUARE]), feature([east])))
    assert area.area == pytest.approx(0.015 * 0.01)


def refused(path, code, message, **filters):
    with pytest.raises(InputError, match=message) as caught:
        read_area(path, **filters)
    assert [fault.code for fault in caught.value.faults] == [code]
    assert path.name in caught.value.faults[0].where
    assert caught.value.faults[0].fix
    assert caught.value.exit_code == 2


def test_e01_names_the_crossing_in_longitude_and_latitude(tmp_path):
    bow_tie = shapely.Polygon([(7.0, 45.0), (7.01, 45.01), (7.01, 45.0), (7.0, 45.01)])
    path = tmp_path / "a.geojson"
    path.write_text(shapely.to_geojson(bow_tie))
    refused(path, "E01", r"crosses or touches itself at longitude 7\.005000 latitude 45\.005000")


def test_e01_of_a_projected_file_is_told_in_longitude_and_latitude(tmp_path):
    lobes = shapely.Polygon([(500000, 5e6), (501000, 5001000), (501000, 5e6), (500000, 5001000)])
    frame_of(lobes, crs="EPSG:32632").to_file(tmp_path / "a.gpkg")
    lon, lat = pyproj.Transformer.from_crs(32632, 4326, always_xy=True).transform(500500, 5000500)
    refused(tmp_path / "a.gpkg", "E01", f"longitude {lon:.6f} latitude {lat:.6f}")


def test_e01_of_a_hole_that_leaves_its_outline(tmp_path):
    hole = [[7.004, 45.004], [7.004, 45.006], [7.02, 45.006], [7.02, 45.004], [7.004, 45.004]]
    refused(
        write_geojson(tmp_path / "a.geojson", feature([SQUARE, hole])), "E01", r"longitude 7\.010000 latitude 45\.00"
    )


@pytest.mark.parametrize(
    ("ring", "message"),
    [
        ([[7.0, 45.0], [7.01, 45.0]], "a ring of 2 points"),
        ([[7.0, 45.0], [7.01, 45.0], [7.0, 45.0]], "a ring without area at longitude 7"),
        ([[7.0, 45.0], [7.01, 45.01], [7.02, 45.02], [7.0, 45.0]], "a ring without area at longitude 7"),
        ([[7, 45], [7.0000001, 45], [7.0000001, 45.0000001], [7, 45]], r"the area is .* m2, under 1 m2"),
    ],
)
def test_e02_no_area(tmp_path, ring, message):
    path = write_geojson(tmp_path / "a.geojson", feature([ring]))
    refused(path, "E02", message)


def test_e02_a_line_is_not_an_area(tmp_path):
    path = write_geojson(tmp_path / "a.geojson", feature(SQUARE[:3], "LineString"))
    refused(path, "E02", "holds LineString only, an area is needed")


def test_e02_a_file_without_features(tmp_path):
    refused(write_geojson(tmp_path / "a.geojson"), "E02", "holds no feature")


def test_e02_names_that_are_not_there(tmp_path):
    path = write_geojson(tmp_path / "a.geojson", feature([SQUARE], name="pit"), feature([SQUARE], name="dump"))
    refused(path, "E02", "no feature named heap; the file names dump, pit", features=("heap",))
    refused(write_area(tmp_path, ".gpkg"), "E02", "no layer named x; the file holds area", layer="x")


def test_e03_an_open_ring_is_not_closed_in_silence(tmp_path):
    refused(
        write_geojson(tmp_path / "a.geojson", feature([SQUARE[:-1]])), "E03", r"begins and ends at 7 45 and 7 45\.01"
    )
    path = tmp_path / "a.kml"
    path.write_text(kml(("west", ("a", SQUARE[:-1]))))
    refused(path, "E03", r"begins and ends at 7 45 and 7 45\.01")


@pytest.mark.parametrize("suffix", [".geojson", ".gpkg"])
def test_e03_two_corners_in_one_place(tmp_path, suffix):
    double = shapely.Polygon([*SQUARE[:2], *SQUARE[1:]])
    path = tmp_path / f"a{suffix}"
    frame_of(double).to_file(path)
    refused(path, "E03", r"two corners in one place at longitude 7\.010000 latitude 45\.000000")


def test_e04_a_shapefile_without_prj_is_not_guessed(tmp_path):
    path = write_area(tmp_path, ".shp")
    path.with_suffix(".prj").unlink()
    refused(path, "E04", "names no coordinate reference system")


def test_e04_a_plane_without_link_to_the_earth(tmp_path):
    local = 'LOCAL_CS["mine grid",UNIT["metre",1],AXIS["Easting",EAST],AXIS["Northing",NORTH]]'
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        frame_of(shapely.box(0, 0, 100, 100), crs=pyproj.CRS.from_wkt(local)).to_file(tmp_path / "a.gpkg")
    refused(tmp_path / "a.gpkg", "E04", "no link to the Earth")


def test_e05_latitude_over_90_shows_both_readings(tmp_path):
    swapped = [[y + 60, x] for x, y in SQUARE]
    turned = [[x, y + 60] for x, y in SQUARE]
    path = write_geojson(tmp_path / "a.geojson", feature([turned]))
    refused(path, "E05", r"read as longitude 7 latitude 105, or swapped as longitude 105 latitude 7")
    assert read_area(write_geojson(tmp_path / "b.geojson", feature([swapped])))[0].bounds[0] == pytest.approx(105.0)


def test_e05_metres_labelled_as_degrees(tmp_path):
    metres = [[500000, 5e6], [500100, 5e6], [500100, 5000100], [500000, 5e6]]
    path = write_geojson(tmp_path / "a.geojson", feature([metres]))
    refused(path, "E05", "look like metres of a projected CRS")


def test_e05_degrees_labelled_as_metres(tmp_path):
    frame_of(shapely.Polygon(SQUARE), crs="EPSG:32632").to_file(tmp_path / "a.gpkg")
    refused(tmp_path / "a.gpkg", "E05", "look like degrees")


def test_e05_northing_before_easting(tmp_path):
    frame_of(shapely.box(5e6, 500000, 5000500, 500500), crs="EPSG:32632").to_file(tmp_path / "a.gpkg")
    refused(tmp_path / "a.gpkg", "E05", r"outside the domain of WGS 84 / UTM zone 32N.*or swapped longitude 9\.0")


@pytest.mark.parametrize(
    ("text", "message", "line"),
    [
        ('{"type": "FeatureCollection",\n"features": [\n}', "not JSON", ":3"),
        ('{"features": []}', "not GeoJSON", ":1"),
        ('{"type": "Polygon",\n "coordinates": [[["a", 1], [2, 3]]]}', "geometry that cannot be read", ":1"),
    ],
)
def test_e45_malformed_geojson_names_the_line(tmp_path, text, message, line):
    path = tmp_path / "a.geojson"
    path.write_text(text)
    with pytest.raises(InputError, match=f"E45 .*{line}: .*{message}"):
        read_area(path)


def test_e45_malformed_kml_names_the_line(tmp_path):
    path = tmp_path / "a.kml"
    path.write_text("<kml>\n<Document>\n</kml>")
    with pytest.raises(InputError, match=r"E45 .*a\.kml:3: not XML"):
        read_area(path)


@pytest.mark.parametrize(("name", "message"), [("a.kmz", "not a KMZ"), ("a.gpkg", "cannot be read")])
def test_e45_files_of_another_kind(tmp_path, name, message):
    (tmp_path / name).write_text("neither")
    refused(tmp_path / name, "E45", message)


def test_e45_no_such_file(tmp_path):
    refused(tmp_path / "none.geojson", "E45", "no such file")


def test_e46_layers_in_different_crs(tmp_path):
    path = tmp_path / "a.gpkg"
    frame_of(PIERCED).to_file(path, layer="one")
    frame_of(PIERCED).to_crs(32632).to_file(path, layer="two")
    refused(path, "E46", "one in WGS 84, two in WGS 84 / UTM zone 32N")
    assert read_area(path, layer="two")[1].to_epsg() == 32632


@pytest.mark.parametrize(
    ("corners", "message"),
    [
        ([(7, 84.5), (7.1, 84.5), (7.1, 84.6)], r"reaches latitude 84\.60, beyond 84"),
        ([(7, -86), (7.1, -86), (7.1, -85.9)], r"reaches latitude -86\.00, beyond 84"),
        ([(179.9, 10), (-179.9, 10), (-179.9, 10.1)], "crosses the 180 degree meridian"),
        ([(179.9, 10), (180.1, 10), (180.1, 10.1)], "crosses the 180 degree meridian"),
    ],
)
def test_e49_poles_and_the_180_degree_meridian(tmp_path, corners, message):
    ring = np.array([*corners, corners[0]], dtype=float).tolist()
    refused(write_geojson(tmp_path / "a.geojson", feature([ring])), "E49", message)
