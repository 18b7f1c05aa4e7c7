import json
import zipfile
from dataclasses import replace

import numpy as np
import pytest
import shapely
from small_job import LAT_DEG, LON_DEG, small_assessment, small_mission, small_scene, tilted_geoid

from planner.errors import InputError
from planner.files.linefiles import read_lines
from planner.files.planfiles import collection_text, plan_geojson

UTM_29N = 32629
# Two ends of a 200 m line over the meadow, local frame of small_job.
ENDS_M = np.array([[-1250.0, 700.0], [-1250.0, 900.0]])


def _lonlat(ends_m=ENDS_M):
    return np.column_stack(small_scene().frame.to_lonlat(*ends_m.T))


def _ground_m(points_m):
    """Ground of small_job, in closed form."""
    return 20 + 0.1 * (points_m[:, 0] + 1200) - 0.05 * (points_m[:, 1] - 800)


def _geojson(path, *features, **members):
    rows = [
        {"type": "Feature", "properties": properties, "geometry": {"type": "LineString", "coordinates": coordinates}}
        for coordinates, properties in features
    ]
    path.write_text(json.dumps({"type": "FeatureCollection", "features": rows} | members))
    return path


def _kml(path, coordinates, mode=None, data="", name="K1"):
    altitude_mode = f"<altitudeMode>{mode}</altitudeMode>" if mode else ""
    path.write_text(
        f"""<?xml version="1.0" encoding="UTF-8"?>
<kml xmlns="http://www.opengis.net/kml/2.2"><Document><Folder><Placemark><name>{name}</name>{data}
<LineString>{altitude_mode}<coordinates>{coordinates}</coordinates></LineString>
</Placemark></Folder><Placemark><Point><coordinates>-7.41,62.03</coordinates></Point></Placemark></Document></kml>
"""
    )
    return path


def _kml_coordinates(height=""):
    return " ".join(f"{lon:.9f},{lat:.9f}{height}" for lon, lat in _lonlat())


def _frame(crs=UTM_29N, height_m=None, **columns):
    import geopandas

    ends = _lonlat() if height_m is None else np.column_stack([_lonlat(), [height_m, height_m]])
    line = geopandas.GeoSeries([shapely.LineString(ends)], crs=4326).to_crs(crs)
    return geopandas.GeoDataFrame({name: [value] for name, value in columns.items()}, geometry=line)


@pytest.mark.parametrize(
    ("heights", "geoid"),
    [("orthometric", None), ("orthometric", tilted_geoid()), ("ellipsoidal", None), ("ellipsoidal", tilted_geoid())],
    ids=["ortho", "ortho with geoid", "ellip", "ellip with geoid"],
)
def test_our_own_plan_comes_back(tmp_path, heights, geoid):
    assessment = small_assessment(heights, geoid)
    path = tmp_path / "plan.geojson"
    path.write_text(collection_text(plan_geojson(assessment)))
    lines = read_lines(path, small_mission(None, None), assessment.scene)
    assert len(lines) == 2
    for read, flown in zip(lines, assessment.plan.lines, strict=True):
        np.testing.assert_allclose(read.points_m, flown.points_m, rtol=0, atol=1e-3)
        assert (read.line_id, read.kept_m, read.speed_mps) == (flown.line_id, flown.kept_m, flown.speed_mps)
        assert (read.pulse_rate_hz, read.line_rate_hz) == (flown.pulse_rate_hz, flown.line_rate_hz)
        assert read.usable_half_angle_rad == pytest.approx(flown.usable_half_angle_rad, rel=1e-15)


def test_heights_cross_the_geoid(tmp_path):
    """A plan made over ellipsoidal terrain, read over orthometric terrain, loses the separation: 54 m here."""
    path = tmp_path / "plan.geojson"
    path.write_text(collection_text(plan_geojson(small_assessment("ellipsoidal"))))
    flown = small_assessment().plan.lines[0].points_m
    read = read_lines(path, small_mission(), small_scene("orthometric", tilted_geoid()))[0].points_m
    lon, lat = small_scene().frame.to_lonlat(flown[:, 0], flown[:, 1])
    # tilted_geoid: 50 m at its north-west corner, 2 m a degree southward and 1 m a degree eastward.
    separation = 50 + 2 * (LAT_DEG + 1 - lat) + (lon - LON_DEG + 1)
    np.testing.assert_allclose(read[:, 2], flown[:, 2] - separation, atol=1e-3)


def test_heights_without_a_link_are_refused(tmp_path):
    path = tmp_path / "plan.geojson"
    path.write_text(collection_text(plan_geojson(small_assessment("ellipsoidal"))))
    with pytest.raises(InputError, match=r"E13 plan\.geojson, feature 1: line heights are ellipsoidal") as caught:
        read_lines(path, small_mission(), small_scene("orthometric"))
    assert len(caught.value.faults) == 2, "the faults of all lines at once"
    assert "name a geoid" in caught.value.faults[0].fix


def test_flat_line_follows_the_ground_at_the_height_of_the_mission(tmp_path):
    path = _geojson(tmp_path / "drawn.geojson", (_lonlat().tolist(), None))
    (line,) = read_lines(path, small_mission(agl_m=60, speed_mps=5), small_scene())
    steps = np.hypot(*np.diff(line.points_m[:, :2], axis=0).T)
    assert steps.max() <= 5 + 1e-6
    np.testing.assert_allclose(line.points_m[:, 2], _ground_m(line.points_m) + 60, atol=1e-6)
    assert line.kept_m == pytest.approx((0, 200), abs=1e-6)
    assert (line.line_id, line.speed_mps, line.pulse_rate_hz, line.line_rate_hz) == ("L01", 5, 100e3, 50)
    assert line.usable_half_angle_rad == pytest.approx(np.radians(35))


@pytest.mark.parametrize(
    ("agl_m", "speed_mps", "message"),
    [(None, 5, "E13 .* the line has no heights"), (60, None, "E33 .* no speed")],
)
def test_what_neither_line_nor_mission_says_is_asked_for(tmp_path, agl_m, speed_mps, message):
    path = _geojson(tmp_path / "drawn.geojson", (_lonlat().tolist(), {}))
    with pytest.raises(InputError, match=message):
        read_lines(path, small_mission(agl_m, speed_mps), small_scene())


@pytest.mark.parametrize(
    ("reference", "above"), [("orthometric", "datum"), ("agl", "ground"), ("ellipsoidal", "ellipsoid")]
)
def test_declared_reference_of_drawn_heights(tmp_path, reference, above):
    coordinates = [[lon, lat, 90.0] for lon, lat in _lonlat()]
    path = _geojson(tmp_path / "drawn.geojson", (coordinates, {"height_reference": reference}))
    (line,) = read_lines(path, small_mission(), small_scene(geoid=tilted_geoid()))
    lon, lat = small_scene().frame.to_lonlat(line.points_m[:, 0], line.points_m[:, 1])
    separation = 50 + 2 * (LAT_DEG + 1 - lat) + (lon - LON_DEG + 1)
    expected = {"datum": 90.0, "ground": _ground_m(line.points_m) + 90, "ellipsoid": 90 - separation}[above]
    np.testing.assert_allclose(line.points_m[:, 2], expected, atol=1e-6)


def test_kml_heights_by_altitude_mode(tmp_path):
    """OGC 12-007r2: absolute is above mean sea level, relativeToGround above the ground beneath."""
    absolute = read_lines(_kml(tmp_path / "a.kml", _kml_coordinates(",95"), "absolute"), small_mission(), small_scene())
    assert absolute[0].line_id == "K1"
    np.testing.assert_allclose(absolute[0].points_m, np.column_stack([ENDS_M, [95, 95]]), atol=1e-3)
    path = _kml(tmp_path / "r.kml", _kml_coordinates(",40"), "relativeToGround")
    (relative,) = read_lines(path, small_mission(), small_scene())
    np.testing.assert_allclose(relative.points_m[:, 2], _ground_m(relative.points_m) + 40, atol=1e-6)


def test_kml_clamped_to_the_ground(tmp_path):
    """Zeros of a clamped line are no heights; anything else contradicts the mode and is refused."""
    flat = read_lines(_kml(tmp_path / "flat.kml", _kml_coordinates(",0")), small_mission(agl_m=60), small_scene())
    np.testing.assert_allclose(flat[0].points_m[:, 2], _ground_m(flat[0].points_m) + 60, atol=1e-6)
    with pytest.raises(InputError, match=r"E13 .* does not say what its heights are above"):
        read_lines(_kml(tmp_path / "z.kml", _kml_coordinates(",80")), small_mission(), small_scene())


def test_kmz_with_settings(tmp_path):
    data = (
        '<ExtendedData><Data name="speed_mps"><value>7.5</value></Data>'
        '<SchemaData><SimpleData name="line_rate_hz">100</SimpleData></SchemaData></ExtendedData>'
    )
    text = _kml(tmp_path / "doc.kml", _kml_coordinates(",95"), "absolute", data).read_text()
    with zipfile.ZipFile(tmp_path / "lines.kmz", "w") as archive:
        archive.writestr("doc.kml", text)
    (line,) = read_lines(tmp_path / "lines.kmz", small_mission(), small_scene())
    assert (line.speed_mps, line.line_rate_hz) == (7.5, 100)


def test_geopackage_every_layer(tmp_path):
    path = tmp_path / "lines.gpkg"
    settings = {"speed_mps": 6.5, "pulse_rate_hz": 200e3, "kept_from_m": 20.0, "kept_to_m": 180.0}
    _frame(height_m=95.0, id="A", height_reference="orthometric", **settings).to_file(path, layer="morning")
    _frame(crs=4326, height_m=40.0, id="A", height_reference="agl").to_file(path, layer="evening")
    first, second = read_lines(path, small_mission(), small_scene())
    np.testing.assert_allclose(first.points_m, np.column_stack([ENDS_M, [95, 95]]), atol=1e-3)
    assert (first.line_id, first.speed_mps, first.pulse_rate_hz, first.kept_m) == ("A", 6.5, 200e3, (20, 180))
    assert second.line_id == "A-2", "names stay unique"
    np.testing.assert_allclose(second.points_m[:, 2], _ground_m(second.points_m) + 40, atol=1e-6)


def test_geopackage_heights_of_unknown_reference(tmp_path):
    _frame(height_m=95.0).to_file(tmp_path / "lines.gpkg")
    with pytest.raises(InputError, match=r"E13 .*layer lines, feature 1: the file does not say"):
        read_lines(tmp_path / "lines.gpkg", small_mission(), small_scene())


def test_heights_beside_eastings_in_feet(tmp_path):
    """EPSG:2225 is in US survey feet; whether 300 is feet or metres nobody can know."""
    path = tmp_path / "lines.gpkg"
    _frame(crs=2225, height_m=300.0, height_reference="orthometric").to_file(path)
    with pytest.raises(InputError, match=r"E07 .* horizontal unit is US survey foot"):
        read_lines(path, small_mission(), small_scene())


def test_shapefile_with_ten_letter_names(tmp_path):
    path = tmp_path / "lines.shp"
    _frame(height_m=95.0, pulse_rate=200e3, height_ref="orthometric", speed_mps=4.5).to_file(path)
    (line,) = read_lines(path, small_mission(), small_scene())
    assert (line.pulse_rate_hz, line.speed_mps) == (200e3, 4.5)
    np.testing.assert_allclose(line.points_m, np.column_stack([ENDS_M, [95, 95]]), atol=1e-3)
    path.with_suffix(".prj").unlink()
    with pytest.raises(InputError, match=r"E04 lines\.shp, layer lines: no coordinate reference system"):
        read_lines(path, small_mission(), small_scene())


def test_multilinestring_comes_apart(tmp_path):
    ends = _lonlat().tolist()
    geometry = {"type": "MultiLineString", "coordinates": [ends, ends[::-1]]}
    path = tmp_path / "drawn.geojson"
    path.write_text(json.dumps({"type": "Feature", "properties": {"id": "B"}, "geometry": geometry}))
    there, back = read_lines(path, small_mission(), small_scene())
    assert (there.line_id, back.line_id) == ("B.1", "B.2")
    np.testing.assert_allclose(there.points_m, back.points_m[::-1], atol=1e-6)


def test_old_style_crs_member_is_heard(tmp_path):
    """GeoJSON of 2008 could name a CRS; to read such numbers as degrees would be wrong, not lenient."""
    ends = shapely.get_coordinates(_frame().geometry.iloc[0]).tolist()
    member = {"crs": {"type": "name", "properties": {"name": f"urn:ogc:def:crs:EPSG::{UTM_29N}"}}}
    (line,) = read_lines(_geojson(tmp_path / "old.geojson", (ends, {}), **member), small_mission(), small_scene())
    np.testing.assert_allclose(line.points_m[[0, -1], :2], ENDS_M, atol=1e-3)
    with pytest.raises(InputError, match=r"E04 null\.geojson: the `crs` member"):
        read_lines(_geojson(tmp_path / "null.geojson", (ends, {}), crs=None), small_mission(), small_scene())


@pytest.mark.parametrize(
    ("properties", "message"),
    [
        ({"speed_mps": 0}, "E33 .* speed_mps is 0, at or below 0"),
        ({"speed_mps": "fast"}, "E33 .* speed_mps is 'fast', not a number"),
        ({"usable_half_angle_deg": 41}, "E33 .* 41, the sensor opens 40 to each side"),
        ({"pulse_rate_hz": 150e3}, "E43 .* pulse_rate_hz 150000 .*\n.*one of 100000, 200000"),
        ({"line_rate_hz": 60}, "E43 .* line_rate_hz 60 .*\n.*one of 50, 100"),
        ({"kept_from_m": 10, "kept_to_m": 300}, r"E34 .* kept from 10 m to 300 m on a line of 200\.00 m"),
        ({"kept_from_m": -1}, "E34 .* kept from -1 m"),
        ({"height_reference": "msl"}, "E13 .* height_reference is 'msl'"),
        ({"heights_ortho_m": [90, 91, 92]}, "E45 .* one number for each of 2 positions"),
        ({"heights_ellip_m": "high"}, "E45 .* one number for each of 2 positions"),
    ],
)
def test_values_out_of_range(tmp_path, properties, message):
    path = _geojson(tmp_path / "drawn.geojson", (_lonlat().tolist(), properties))
    with pytest.raises(InputError, match=message):
        read_lines(path, small_mission(), small_scene())


@pytest.mark.parametrize(
    ("coordinates", "message"),
    [
        ([[LAT_DEG, LON_DEG], [LAT_DEG, LON_DEG + 0.001]], "E08 .* off the terrain"),
        ([[600000, 6880000], [600200, 6880000]], "E05 .* not on Earth; the other way round"),
        ([[LON_DEG, LAT_DEG], [LON_DEG, LAT_DEG]], "E02 .* without length"),
        ([[LON_DEG, LAT_DEG]], "E45 .* at least two positions"),
        ([[LON_DEG, LAT_DEG], [LON_DEG, LAT_DEG, 90]], "E45 .* not a GeoJSON geometry of numbers"),
        ([[LON_DEG, LAT_DEG], [LON_DEG, float("nan")]], "E45 .* not a finite number"),
        ([[LON_DEG, LAT_DEG], [LON_DEG + 0.01, LAT_DEG]], r"E09 .* ground is not known at -7\.40"),
    ],
)
def test_positions_that_cannot_be_flown(tmp_path, coordinates, message):
    with pytest.raises(InputError, match=message):
        read_lines(_geojson(tmp_path / "drawn.geojson", (coordinates, {})), small_mission(), small_scene())


@pytest.mark.parametrize(
    ("name", "text", "message"),
    [
        ("a.geojson", '{"type": "FeatureCollection",\n "features": [}', r"E45 a\.geojson:2: not JSON"),
        ("a.geojson", "[1, 2]", r"E45 a\.geojson:1: not a GeoJSON object"),
        ("a.geojson", '{"type": "FeatureCollection", "features": null}', r"E45 a\.geojson:1: not a GeoJSON object"),
        ("a.geojson", '{"type": "FeatureCollection", "features": [7]}', r"E45 a\.geojson, feature 1"),
        ("a.geojson", '{"type": "FeatureCollection", "features": []}', r"E02 a\.geojson: no line"),
        ("a.kml", "<kml>\n<Document>\n</kml>", r"E45 a\.kml:3: not XML"),
        ("a.kml", "<kml/>", r"E02 a\.kml: no line"),
        ("a.kmz", "no archive", r"E45 a\.kmz: the file cannot be read"),
        ("a.gpkg", "no database", r"E45 a\.gpkg: the file cannot be read"),
    ],
)
def test_malformed_files(tmp_path, name, text, message):
    (tmp_path / name).write_text(text)
    with pytest.raises(InputError, match=message):
        read_lines(tmp_path / name, small_mission(), small_scene())


def test_kml_coordinates_that_are_no_numbers(tmp_path):
    with pytest.raises(InputError, match=r"E45 a\.kml, placemark 1: coordinates that are not numbers"):
        read_lines(_kml(tmp_path / "a.kml", "-7.41, 62.03 -7.42,62.03"), small_mission(), small_scene())


def test_missing_file(tmp_path):
    with pytest.raises(InputError, match=r"E45 none\.geojson: the file cannot be read \(No such file"):
        read_lines(tmp_path / "none.geojson", small_mission(), small_scene())


def test_a_line_longer_than_the_terrain_with_heights_of_its_own(tmp_path):
    """Both ends lie off the terrain, the middle over it: flyable, since its heights are not above ground."""
    ends = _lonlat(np.array([[-1250.0, 0.0], [-1250.0, 1600.0]]))
    path = _geojson(tmp_path / "long.geojson", ([[*end, 90.0] for end in ends], {"height_reference": "orthometric"}))
    (line,) = read_lines(path, small_mission(), small_scene())
    assert line.kept_m[1] == pytest.approx(1600, abs=1e-3)


def test_a_bent_line_is_flown_leg_by_leg(tmp_path):
    """Out north, across east, back south, data kept from the middle of the first leg to the middle of the last."""
    corners = np.array([[-1250.0, 700.0], [-1250.0, 780.0], [-1250.0, 900.0], [-1180.0, 900.0], [-1180.0, 700.0]])
    properties = {"id": "M", "kept_from_m": 100, "kept_to_m": 370, "heights_ortho_m": [90, 91, 92, 93, 94]}
    path = _geojson(tmp_path / "drawn.geojson", (_lonlat(corners).tolist(), properties))
    legs = read_lines(path, small_mission(), small_scene())
    assert [leg.line_id for leg in legs] == ["M.1", "M.2", "M.3"]
    np.testing.assert_allclose([leg.kept_m for leg in legs], [(100, 200), (0, 70), (0, 100)], atol=1e-3)
    np.testing.assert_allclose(np.degrees([leg.track_rad for leg in legs]), [0, 90, 180], atol=1e-3)
    np.testing.assert_allclose([leg.points_m[-1, 2] for leg in legs], [92, 93, 94])


def test_wiggles_and_gentle_bends_stay_one_leg(tmp_path):
    north = np.linspace(700, 900, 101)
    track = np.column_stack([-1250 + 0.4 * np.sin(north) + 1e-4 * (north - 700) ** 2, north])  # turns by 2.3 degrees
    path = _geojson(tmp_path / "drawn.geojson", (_lonlat(track).tolist(), {}))
    assert len(read_lines(path, small_mission(), small_scene())) == 1


def test_a_curve_that_adds_up_comes_apart(tmp_path):
    """A quarter circle of many small bends: no leg may leave its first heading by more than the limit."""
    angle = np.linspace(0, np.pi / 2, 91)
    track = np.column_stack([-1250 + 150 * np.sin(angle), 700 + 150 * (1 - np.cos(angle))])
    path = _geojson(tmp_path / "drawn.geojson", (_lonlat(track).tolist(), {"heights_ortho_m": [90.0] * 91}))
    legs = read_lines(path, small_mission(), small_scene())
    assert len(legs) > 5
    assert sum(leg.kept_length_m for leg in legs) == pytest.approx(150 * np.pi / 2, rel=1e-3)


def test_repeated_vertices_are_one(tmp_path):
    first, last = _lonlat().tolist()
    path = _geojson(tmp_path / "drawn.geojson", ([first, first, last, last], {"heights_ortho_m": [90, 90, 95, 95]}))
    (line,) = read_lines(path, small_mission(), small_scene())
    np.testing.assert_allclose(line.points_m, np.column_stack([ENDS_M, [90, 95]]), atol=1e-3)


def test_heights_above_a_fixed_beam_keep_no_scan_lines(tmp_path):
    """A card without scan lines gives line rate 0, as the noun says."""
    mission = small_mission()
    sensor = replace(mission.sensor, pattern="profiling", line_rates_hz=(), optical_fov_deg=0, usable_fov_deg=0)
    path = _geojson(tmp_path / "drawn.geojson", (_lonlat().tolist(), {}))
    (line,) = read_lines(path, replace(mission, sensor=sensor), small_scene())
    assert (line.line_rate_hz, line.usable_half_angle_rad) == (0, 0)
