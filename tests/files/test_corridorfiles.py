"""Centrelines in: joined, simplified and made a corridor, and what is refused."""

import dataclasses

import geopandas
import numpy as np
import pytest
import shapely
from made_site import FRAME, LAT, LON, UTM, write_mission, write_raster, write_site

from planner.errors import InputError
from planner.files.corridorfiles import in_local, read_site
from planner.files.geofiles import input_files, read_scene
from planner.files.missionfile import read_mission
from planner.ground.geodesy import WGS84

LINE = shapely.LineString([(-70, -40), (0, -40), (60, 20)])
ARC = [(40 * np.sin(turned), 40 * (1 - np.cos(turned))) for turned in np.linspace(0, np.pi / 2, 60)]


def in_lonlat(shape):
    return shapely.transform(shape, lambda xy: np.column_stack(FRAME.to_lonlat(xy[:, 0], xy[:, 1])))


def kml(*shapes):
    lines = (" ".join(f"{lon:.9f},{lat:.9f},0" for lon, lat in in_lonlat(shape).coords) for shape in shapes)
    marks = (f"<Placemark><LineString><coordinates>{line}</coordinates></LineString></Placemark>" for line in lines)
    return f'<kml xmlns="http://www.opengis.net/kml/2.2"><Document>{"".join(marks)}</Document></kml>'


def write_lines(folder, *shapes, name="line.geojson", crs=None, names=None):
    """Write shapes given in the local frame."""
    if name.endswith(".kml"):
        (folder / name).write_text(kml(*shapes), encoding="utf-8")
        return
    table = geopandas.GeoDataFrame(
        {"name": names or [str(number) for number in range(len(shapes))]},
        geometry=[in_lonlat(shape) for shape in shapes],
        crs=4326,
    )
    (table if crs is None else table.to_crs(crs)).to_file(folder / name)


def a_job(folder, file="line.geojson", left_m=25.0, right_m=15.0, **changes):
    site = {"area": None, "centreline": file, "width_left_m": left_m, "width_right_m": right_m, "buffer_m": 0}
    return read_mission(write_mission(folder, site=site | changes.pop("site", {}), **changes))


def refused(job, code, message):
    with pytest.raises(InputError, match=message) as caught:
        read_site(job)
    assert [fault.code for fault in caught.value.faults] == [code]
    assert caught.value.faults[0].fix
    return caught.value.faults[0]


@pytest.mark.parametrize(
    ("name", "crs"), [("line.geojson", None), ("line.gpkg", UTM), ("line.shp", UTM), ("line.kml", None)]
)
def test_the_width_holds_in_true_metres_whatever_the_file(tmp_path, name, crs):
    # UTM is 0.04 % short in the middle of its zone; the area is measured on the ellipsoid, not in any plane
    write_lines(tmp_path, LINE, name=name, crs=crs)
    drawn = read_site(a_job(tmp_path, name))
    sector = np.radians(45) / 2 * 15**2  # outside the bend, to the right
    overlap = 25**2 * np.tan(np.radians(45) / 2)  # of the two strips inside it, to the left
    area_m2 = abs(WGS84.geometry_area_perimeter(shapely.orient_polygons(drawn.area_deg))[0])
    assert area_m2 == pytest.approx(40 * LINE.length + sector - overlap, rel=5e-4)
    assert in_local(drawn.centreline_deg, FRAME).equals_exact(LINE, 0.01)


def test_parts_that_touch_become_one_line(tmp_path):
    first, second = shapely.LineString([(-70, -40), (0, -40)]), shapely.LineString([(0, -40), (60, 20)])
    write_lines(tmp_path, first, second, name="parts.geojson")
    write_lines(tmp_path, shapely.MultiLineString([first, second]), name="multi.geojson")
    for name in ("parts.geojson", "multi.geojson"):
        assert in_local(read_site(a_job(tmp_path, name)).centreline_deg, FRAME).equals_exact(LINE, 0.01)


def test_named_features_are_kept_in_their_order(tmp_path):
    stray = shapely.LineString([(0, 0), (50, 50)])
    write_lines(tmp_path, stray, LINE, names=["path", "river"])
    drawn = read_site(a_job(tmp_path, site={"features": ["river"]}))
    assert in_local(drawn.centreline_deg, FRAME).equals_exact(LINE, 0.01)
    refused(a_job(tmp_path, site={"features": ["brook"]}), "E02", "no feature named brook; the file names path, river")


def test_a_finely_drawn_line_is_simplified_by_ten_centimetres_at_most(tmp_path):
    write_lines(tmp_path, shapely.LineString(ARC))
    line = in_local(read_site(a_job(tmp_path, left_m=20)).centreline_deg, FRAME)
    assert len(line.coords) < 20
    assert shapely.hausdorff_distance(line, shapely.LineString(ARC), densify=0.01) < 0.101


def test_a_scene_has_the_corridor_as_its_area_and_the_line_along_it(tmp_path):
    write_raster(tmp_path)
    write_lines(tmp_path, LINE)
    job = a_job(tmp_path, site={"buffer_m": 10})
    scene = read_scene(job)
    assert scene.area.contains(shapely.LineString(scene.centreline.coords[:-1]).interpolate(0.5, normalized=True))
    assert scene.centreline.length == pytest.approx(LINE.length, abs=0.01)
    for along, side, held in [(30, 24.9, True), (30, 25.1, False), (30, -14.9, True), (30, -15.1, False)]:
        east, north = scene.centreline.interpolate(along).coords[0]
        assert shapely.contains_xy(scene.area, east, north + side) == held  # the first leg runs east
        assert shapely.contains_xy(scene.planned, east, north + side)
    assert "line.geojson" in dict(input_files(job))


def test_an_area_has_no_centreline(tmp_path):
    job = read_mission(write_site(tmp_path))
    assert read_site(job).centreline_deg is None
    assert read_scene(job).centreline is None


@pytest.mark.parametrize(
    ("shapes", "code", "message"),
    [
        ([shapely.LineString([(0, 0), (5, 0)])], "E02", "the centreline is 5 m long, under 10 m"),
        ([shapely.box(0, 0, 50, 50)], "E02", "no line: the file holds Polygon only, a centreline is needed"),
        (
            [shapely.LineString([(-70, 0), (0, 0)]), shapely.LineString([(0, 30), (60, 30)])],
            "E47",
            "part 2 of the centreline begins 30.0 m from the end of part 1, at longitude 9.3000",
        ),
        (
            [shapely.LineString([(-70, 0), (0, 0)]), shapely.LineString([(60, 30), (0, 0)])],
            "E47",
            "part 2 of the centreline begins 67.1 m from the end of part 1",
        ),
    ],
    ids=["short", "polygon", "gap", "reversed"],
)
def test_lines_that_make_no_corridor_are_refused(tmp_path, shapes, code, message):
    write_lines(tmp_path, *shapes)
    refused(a_job(tmp_path), code, message)


def place_of(text):
    """Return local east and north [m] of the place a message names."""
    words = text.replace(",", " ").split()
    lon, lat = (float(words[words.index(word) + 1]) for word in ("longitude", "latitude"))
    return np.array(FRAME.from_lonlat(lon, lat))


def test_a_line_that_crosses_itself_is_refused_with_the_place(tmp_path):
    write_lines(tmp_path, shapely.LineString([(-80, 0), (80, 0), (80, 80), (20, 80), (20, -60)]))
    fault = refused(a_job(tmp_path), "E47", "crosses or touches itself at longitude 9.3")
    assert place_of(fault.what) == pytest.approx([20, 0], abs=0.2)
    write_lines(tmp_path, shapely.LineString([(-80, 0), (80, 0), (0, 0)]), name="back.geojson")
    fault = refused(a_job(tmp_path, "back.geojson"), "E47", "bends to a radius of 0.0 m")
    assert place_of(fault.what) == pytest.approx([80, 0], abs=0.2)


def test_a_bend_tighter_than_the_inner_width_is_refused_with_the_place(tmp_path):
    write_lines(tmp_path, shapely.LineString([(-60, 0), *ARC, (40, 100)]))  # radius 40 m, to the left
    assert read_site(a_job(tmp_path, left_m=35.0, right_m=80.0)).area_deg.is_valid
    fault = refused(a_job(tmp_path, left_m=45.0), "E47", r"bends to a radius of \d+\.\d m at longitude")
    radius = float(fault.what.split("radius of ")[1].split(" ")[0])
    assert radius == pytest.approx(40, rel=0.06)
    assert fault.what.endswith("the corridor is 45 m wide on the inner side, the left")
    assert "lower width_left_m" in fault.fix
    assert np.hypot(*(place_of(fault.what) - [0, 40])) == pytest.approx(40, abs=1)  # on the arc


def test_a_heading_beside_a_centreline_is_refused(tmp_path):
    write_lines(tmp_path, LINE)
    job = a_job(tmp_path, flight={"heading_deg": 35})
    fault = refused(job, "E34", "heading_deg 35 is held, and the lines of a corridor run along its centreline")
    assert fault.where == "job.toml [flight] heading_deg"
    job = a_job(tmp_path, flight={"heading_along": "contours"})
    fault = refused(job, "E34", "heading_along contours is held, and the lines of a corridor run along its centreline")
    assert fault.where == "job.toml [flight] heading_along"


def test_files_that_cannot_be_trusted_are_refused(tmp_path):
    refused(a_job(tmp_path), "E45", "line.geojson: no such file")
    (tmp_path / "text.geojson").write_text("no JSON", encoding="utf-8")
    refused(a_job(tmp_path, "text.geojson"), "E45", "cannot be read")
    write_lines(tmp_path, LINE, name="bare.shp", crs=UTM)
    (tmp_path / "bare.prj").unlink()
    refused(a_job(tmp_path, "bare.shp"), "E04", "names no coordinate reference system")
    swapped = geopandas.GeoDataFrame(geometry=[shapely.LineString([(4e5, 5e6), (4.001e5, 5e6)])], crs=4326)
    swapped.to_file(tmp_path / "metres.gpkg")
    refused(a_job(tmp_path, "metres.gpkg"), "E05", "numbers this large look like metres of a projected CRS")
    polar = shapely.LineString([(LON, 84.5), (LON, 84.51)])
    geopandas.GeoDataFrame(geometry=[polar], crs=4326).to_file(tmp_path / "polar.geojson")
    refused(a_job(tmp_path, "polar.geojson"), "E49", "the centreline reaches beyond latitude 84")
    wide = shapely.LineString([(-179, LAT), (179, LAT)])
    geopandas.GeoDataFrame(geometry=[wide], crs=4326).to_file(tmp_path / "wide.geojson")
    refused(a_job(tmp_path, "wide.geojson"), "E49", "the centreline crosses the 180 degree meridian")


def test_layers_in_different_frames_are_refused(tmp_path):
    first, second = shapely.LineString([(-70, -40), (0, -40)]), shapely.LineString([(0, -40), (60, 20)])
    for layer, shape, crs in (("a", first, 4326), ("b", second, UTM)):
        table = geopandas.GeoDataFrame({"name": [layer]}, geometry=[in_lonlat(shape)], crs=4326).to_crs(crs)
        table.to_file(tmp_path / "two.gpkg", layer=layer)
    refused(a_job(tmp_path, "two.gpkg"), "E46", "layers in different CRS: a in WGS 84, b in WGS 84 / UTM zone 32N")
    job = a_job(tmp_path, "two.gpkg")
    only = dataclasses.replace(job, site=dataclasses.replace(job.site, layer="a"))
    assert in_local(read_site(only).centreline_deg, FRAME).length == pytest.approx(70, abs=0.05)
