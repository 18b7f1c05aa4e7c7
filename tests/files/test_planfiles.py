import itertools
import json
import math
from dataclasses import replace

import jsonschema
import numpy as np
import pyproj
import pytest
import rasterio
import shapely
from geographiclib.geodesic import Geodesic
from made_sorties import flown
from small_job import LAT_DEG, LON_DEG, compared, small_assessment, tilted_geoid

from planner.files.drawnlines import PATH_KIND
from planner.files.linefiles import read_lines
from planner.files.planfiles import collection_text, gaps_geojson, grid_values, json_value, plan_geojson, write_grid
from planner.files.sortiefiles import THINNED_M, between_lines, thinned
from planner.flight.paths import Path
from planner.ground.geodesy import site_frame

POSITION = {"type": "array", "minItems": 2, "maxItems": 3, "items": {"type": "number"}}
RING = {"type": "array", "minItems": 4, "items": POSITION}


def _geometry(kind, coordinates):
    return {
        "type": "object",
        "properties": {"type": {"const": kind}, "coordinates": coordinates},
        "required": ["type", "coordinates"],
        "additionalProperties": False,
    }


# RFC 7946 sections 3 and 7.1, as a schema: the members a FeatureCollection needs and those it must not have.
RFC_7946 = {
    "type": "object",
    "required": ["type", "features"],
    "not": {"anyOf": [{"required": [name]} for name in ("crs", "coordinates", "geometries", "geometry", "properties")]},
    "properties": {
        "type": {"const": "FeatureCollection"},
        "features": {
            "type": "array",
            "items": {
                "type": "object",
                "required": ["type", "geometry", "properties"],
                "additionalProperties": False,
                "properties": {
                    "type": {"const": "Feature"},
                    "id": {"type": ["string", "number"]},
                    "properties": {"type": "object"},
                    "geometry": {
                        "oneOf": [
                            _geometry("Point", POSITION),
                            _geometry("LineString", {"type": "array", "minItems": 2, "items": POSITION}),
                            _geometry("Polygon", {"type": "array", "items": RING}),
                            _geometry("MultiPolygon", {"type": "array", "items": {"type": "array", "items": RING}}),
                        ]
                    },
                },
            },
        },
    },
}


def _of_kind(collection, kind):
    return [feature for feature in collection["features"] if feature["properties"]["kind"] == kind]


def _signed_area(ring):
    x, y = np.array(ring)[:, :2].T - np.array(ring)[0, :2, None]
    return float(np.sum(x[:-1] * y[1:] - x[1:] * y[:-1])) / 2


@pytest.mark.parametrize("geoid", [None, tilted_geoid()], ids=["no geoid", "geoid"])
@pytest.mark.parametrize("writer", [plan_geojson, gaps_geojson])
def test_collections_keep_to_rfc_7946(writer, geoid):
    collection = json.loads(collection_text(writer(small_assessment(geoid=geoid))))
    jsonschema.validate(collection, RFC_7946)
    polygons = [f["geometry"] for f in collection["features"] if "Polygon" in f["geometry"]["type"]]
    assert polygons
    for geometry in polygons:
        parts = [geometry["coordinates"]] if geometry["type"] == "Polygon" else geometry["coordinates"]
        for outer, *holes in parts:
            assert outer[0] == outer[-1]
            assert _signed_area(outer) > 0, "outer rings run counterclockwise (RFC 7946, 3.1.6)"
            assert all(_signed_area(hole) < 0 for hole in holes), "holes run clockwise"


def test_a_feature_a_line_so_that_a_line_number_names_one():
    collection = plan_geojson(small_assessment())
    assert len(collection_text(collection).splitlines()) == len(collection["features"]) + 2


def test_length_against_geographiclib():
    """Karney's geographiclib, run here on the written positions: within 0.01 %."""
    first = _of_kind(plan_geojson(small_assessment()), "flight line")[0]
    kept = first["geometry"]["coordinates"][2:11]  # vertices at 50 m to 250 m, the kept span
    steps = [Geodesic.WGS84.Inverse(a[1], a[0], b[1], b[0])["s12"] for a, b in itertools.pairwise(kept)]
    assert first["properties"]["length_m"] == pytest.approx(sum(steps), rel=1e-4)
    assert first["properties"]["kept_to_m"] - first["properties"]["kept_from_m"] == 200


def test_area_of_a_known_polygon():
    """Geographiclib 2.1, WGS 84 (C): the polygon of 0.01 degrees at 45 N, 7 E has 876163.448 m2."""
    frame = site_frame(7.005, 45.005)
    corners = frame.from_lonlat([7, 7.01, 7.01, 7], [45, 45, 45.01, 45.01])
    assessment = small_assessment()
    scene = replace(
        assessment.scene, frame=frame, area=shapely.MultiPolygon([shapely.Polygon(zip(*corners, strict=True))])
    )
    (area,) = _of_kind(plan_geojson(replace(assessment, scene=scene)), "area")
    assert area["properties"]["area_m2"] == pytest.approx(876163.448033, rel=1e-7)


def test_heights_say_what_they_are_above():
    bare = _of_kind(plan_geojson(small_assessment()), "flight line")[0]
    assert {len(position) for position in bare["geometry"]["coordinates"]} == {2}
    assert bare["properties"]["height_reference"] is None
    assert "heights_ellip_m" not in bare["properties"]
    assert "no third coordinate" in plan_geojson(small_assessment())["heights"]

    assessment = small_assessment(geoid=tilted_geoid())
    line, written = assessment.plan.lines[0], _of_kind(plan_geojson(assessment), "flight line")[0]
    lon, lat, z = np.array(written["geometry"]["coordinates"]).T
    # tilted_geoid: 50 m at its north-west corner, 2 m a degree southward and 1 m a degree eastward.
    separation = 50 + 2 * (LAT_DEG + 1 - lat) + (lon - LON_DEG + 1)
    np.testing.assert_allclose(z, line.points_m[:, 2] + separation, atol=6e-4)
    np.testing.assert_allclose(written["properties"]["heights_ellip_m"], z)
    np.testing.assert_allclose(written["properties"]["heights_ortho_m"], line.points_m[:, 2], atol=6e-4)
    assert written["properties"]["height_reference"] == "ellipsoidal"
    # Ground of small_job in closed form; 20 m at the take-off point, which is the CRS's own origin.
    ground = 20 + 0.1 * (line.points_m[:, 0] + 1200) - 0.05 * (line.points_m[:, 1] - 800)
    np.testing.assert_allclose(written["properties"]["heights_agl_m"], line.points_m[:, 2] - ground, atol=6e-4)
    np.testing.assert_allclose(written["properties"]["heights_ato_m"], line.points_m[:, 2] - 20, atol=6e-4)


def test_ellipsoidal_terrain_gives_altitudes_without_a_geoid():
    assessment = small_assessment("ellipsoidal")
    written = _of_kind(plan_geojson(assessment), "flight line")[0]
    z = np.array(written["geometry"]["coordinates"])[:, 2]
    np.testing.assert_allclose(z, assessment.plan.lines[0].points_m[:, 2], atol=6e-4)
    assert "heights_ortho_m" not in written["properties"]


def test_a_line_off_the_geoid_grid_has_no_altitude():
    """Off the grid the link is unknown: better no altitude than one of another kind."""
    far = replace(tilted_geoid(), west_deg=100.0)
    assert {
        len(position)
        for line in _of_kind(plan_geojson(small_assessment(geoid=far)), "flight line")
        for position in line["geometry"]["coordinates"]
    } == {2}


def _paths(collection):
    return [feature for feature in collection["features"] if feature["properties"]["kind"] == PATH_KIND]


@pytest.mark.parametrize("geoid", [None, tilted_geoid()], ids=["no geoid", "geoid"])
def test_each_sortie_has_its_path_with_times_and_heights(geoid):
    job = flown(small_assessment(geoid=geoid))
    collection = plan_geojson(job)
    jsonschema.validate(json.loads(json.dumps(collection, allow_nan=False)), RFC_7946)
    paths = _paths(collection)
    assert [path["id"] for path in paths] == ["S01", "S02"]
    for path, sortie in zip(paths, job.plan.sorties, strict=True):
        said, places = path["properties"], np.array(path["geometry"]["coordinates"])
        assert (said["role"], said["sortie"], said["lines"]) == ("path", sortie.number, list(sortie.line_ids))
        arrays = ("times_s", "heights_ortho_m", "heights_agl_m", "heights_ato_m")
        assert {len(said[name]) for name in arrays} == {len(places)} == {len(said["parts"]) + 1}
        assert said["times_s"][-1] == pytest.approx(sortie.path.duration_s, abs=0.01)
        assert (said["heights_ato_m"][0], said["heights_agl_m"][-1]) == pytest.approx((0, 0), abs=1e-3)
        # A third coordinate is a height above the ellipsoid, or there is none.
        assert places.shape[1] == (2 if geoid is None else 3)
        if geoid is not None:
            assert places[:, 2].tolist() == said["heights_ellip_m"]
            assert places[0, 2] - said["heights_ortho_m"][0] == pytest.approx(53, abs=1e-3)


def test_a_line_names_its_sortie_and_counts_from_its_take_off():
    job = flown(small_assessment())
    lower = replace(job.plan.sorties[1], take_off_m=job.plan.sorties[1].take_off_m - [0, 0, 8])
    job = replace(job, plan=replace(job.plan, sorties=(job.plan.sorties[0], lower)))
    first, second = (feature["properties"] for feature in plan_geojson(job)["features"][:2])
    assert (first["sortie"], second["sortie"]) == (1, 2)
    # The ground at the first place is 20 m, and 12 m where the second sortie takes off.
    for said, ground in ((first, 20.0), (second, 12.0)):
        assert said["heights_ortho_m"][0] - said["heights_ato_m"][0] == pytest.approx(ground, abs=2e-3)
    assert plan_geojson(small_assessment())["features"][0]["properties"]["sortie"] is None


def test_paths_are_no_lines_to_fly_again(tmp_path):
    job = flown(small_assessment(geoid=tilted_geoid()))
    file = tmp_path / "plan.geojson"
    file.write_text(collection_text(plan_geojson(job)), encoding="utf-8")
    assert [line.line_id for line in read_lines(file, job.mission, job.scene)] == ["L01", "L02"]


def test_a_thinned_path_tells_the_place_at_any_time():
    # A straight run, a turn of 15 m radius, a run that slows down, a hover, and a climb at 4 m/s.
    times = np.arange(0, 121, 0.5)
    angle = np.clip((times - 30) / 10, 0, 1) * np.pi
    braking = np.clip(times - 40, 0, 20)
    east = 5 * np.clip(times, 0, 30) + 15 * np.sin(angle) - (5 * braking - 0.125 * braking**2)
    points = np.column_stack([east, 15 * (1 - np.cos(angle)), 4 * np.clip(times - 90, 0, 30)])
    parts = tuple(
        ("line", "turn", "return", "hover", "descent")[int(np.digitize(t, [30, 40, 60, 90]))] for t in times[:-1]
    )
    path = Path(points, times, parts, (None,) * len(parts))
    thin = thinned(path)
    back = np.column_stack([np.interp(times, thin.times_s, thin.points_m[:, axis]) for axis in range(3)])
    assert np.linalg.norm(back - points, axis=1).max() < THINNED_M
    assert len(thin.points_m) < 50, "of 241"
    kept = np.searchsorted(times, thin.times_s[:-1])
    assert thin.parts == tuple(parts[k] for k in kept)
    assert (thin.points_m[0] == points[0]).all()
    assert (thin.points_m[-1] == points[-1]).all()
    assert sorted({*thin.times_s} & {30.0, 40.0, 60.0, 90.0}) == [30, 40, 60, 90], "each part ends at its end"


def test_what_is_drawn_between_lines_leaves_lines_and_hovering_out():
    job = flown(small_assessment())
    line, sortie = job.plan.lines[0], job.plan.sorties[0]
    out, back = between_lines(thinned(sortie.path))
    assert out[-1] == pytest.approx(line.points_m[0])
    assert back[0] == pytest.approx(line.points_m[-1])
    assert out[0] == pytest.approx(sortie.take_off_m)
    assert back[-1] == pytest.approx(sortie.take_off_m)


def test_take_off_without_known_ground_gives_no_height_above_it():
    assessment = small_assessment()
    far = replace(assessment, mission=replace(assessment.mission, take_off_deg=((LON_DEG + 1, LAT_DEG),)))
    collection = plan_geojson(far)
    assert "heights_ato_m" not in _of_kind(collection, "flight line")[0]["properties"]
    (point,) = _of_kind(collection, "take-off")
    assert point["geometry"]["coordinates"] == [LON_DEG + 1, LAT_DEG]


def test_gaps_keep_their_figures():
    first, second = gaps_geojson(small_assessment())["features"]
    assert first["properties"] == {
        "id": "G001",
        "cause": "sparse",
        "expected": False,
        "area_m2": 256.0,
        "mean_density_per_m2": 31.25,
    }
    assert second["properties"]["mean_density_per_m2"] is None


def test_a_gap_of_open_water_is_marked_as_expected():
    gaps = [feature["properties"] for feature in gaps_geojson(compared())["features"]]
    assert {gap["cause"]: gap["expected"] for gap in gaps} == {"water": True, "dim surface": False}


def test_values_that_json_cannot_hold():
    assert json_value({"a": np.float64("nan"), "b": (math.inf, np.int64(3), True, None)}) == {
        "a": None,
        "b": [None, 3, True, None],
    }
    assert json_value(0.1 + 0.2) == 0.3


@pytest.mark.parametrize("name", ["density_per_m2", "passes"])
def test_grid_lies_where_its_cells_lie(tmp_path, name):
    assessment = small_assessment()
    array = getattr(assessment.forecast, name)
    nodata = math.nan if name == "density_per_m2" else None
    write_grid(tmp_path / "grid.tif", {"what it is": array}, assessment, "1/m2", nodata)
    with rasterio.open(tmp_path / "grid.tif") as grid:
        values = grid.read(1)
        assert grid.dtypes[0] == ("float32" if nodata is not None else "uint8")
        assert grid.descriptions == ("what it is",)
        assert grid.units == ("1/m2",)
        assert grid.profile["tiled"]
        assert grid.compression.value == "DEFLATE"
        np.testing.assert_allclose(values, array, rtol=1e-7)
        east, north = assessment.forecast.cells.centres_m()
        to_raster = pyproj.Transformer.from_crs("EPSG:4326", grid.crs.to_wkt(), always_xy=True)
        for row, col in ((0, 1), (19, 23), (7, 3)):
            centre = to_raster.transform(*assessment.scene.frame.to_lonlat(east[col], north[row]))
            a, _, c, _, e, f = grid.transform[:6]
            assert (c + a * (col + 0.5), f + e * (row + 0.5)) == pytest.approx(centre, abs=1e-4)


def test_a_grid_is_read_where_it_was_written(tmp_path):
    assessment = small_assessment()
    density, cells, frame = assessment.forecast.density_per_m2, assessment.forecast.cells, assessment.scene.frame
    write_grid(tmp_path / "grid.tif", {"one": density, "two": 2 * density}, assessment, "1/m2", math.nan)
    east, north = cells.centres_m()
    for row, col in ((0, 1), (19, 23), (7, 3)):
        found = grid_values(tmp_path / "grid.tif", frame, (east[col] + 3, north[row] - 3))
        assert found == pytest.approx([density[row, col], 2 * density[row, col]])
    assert np.isnan(grid_values(tmp_path / "grid.tif", frame, (east[0], north[0]))).all(), "unknown"
    assert np.isnan(grid_values(tmp_path / "grid.tif", frame, (east[0] - 8, north[0]))).all(), "off the grid"


def test_grid_of_another_shape_is_a_bug(tmp_path):
    with pytest.raises(ValueError, match=r"grid of \(3, 3\) cells"):
        write_grid(tmp_path / "grid.tif", {"": np.zeros((3, 3))}, small_assessment(), "", None)
    assert not list(tmp_path.iterdir())
