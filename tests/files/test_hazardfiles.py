"""Obstacles, keep-out and sensitive areas from files: heights typed, doubts kept, and what is refused."""

import json

import geopandas
import numpy as np
import pytest
import shapely
from made_site import FRAME, UTM

from planner.errors import InfeasibleError, InputError
from planner.files.datums import bundled_geoid
from planner.files.hazardfiles import read_hazards
from planner.ground.surface import HeightGrid, Scene
from planner.hazards import Hazards

AREA = shapely.MultiPolygon([shapely.box(-80, -60, 80, 60)])
GROUND_M = 500.0


def scene_of(heights="orthometric", geoid=True, rise=0.0):
    east = np.arange(-200.0, 201, 2)
    z = np.tile(GROUND_M + rise * east, (201, 1))
    grid = HeightGrid(z, np.ones(z.shape, bool), -200.0, 200.0, 2.0)
    return Scene(FRAME, AREA, AREA, grid, grid, True, heights, bundled_geoid() if geoid else None)


def position(east, north, *up):
    lon, lat = FRAME.to_lonlat(east, north)
    return [float(lon), float(lat), *up]


def feature(shape, coordinates, **properties):
    return {"type": "Feature", "geometry": {"type": shape, "coordinates": coordinates}, "properties": properties}


def mast(name="mast 1", east=0.0, north=0.0, **properties):
    return feature("Point", position(east, north), name=name, **properties)


def wire(*supports, **properties):
    return feature("LineString", [position(*support) for support in supports], name="the line", **properties)


def box(name, west, south, east, north, **properties):
    ring = shapely.get_coordinates(shapely.box(west, south, east, north))
    return feature("Polygon", [[position(*corner) for corner in ring]], name=name, **properties)


def read(folder, scene=None, hazards=None, sd_m=0.0, **files):
    """Write lists of features and read them as the hazards of a scene."""
    for key, features in files.items():
        text = json.dumps({"type": "FeatureCollection", "features": features})
        (folder / f"{key}.geojson").write_text(text, encoding="utf-8")
    names = {key: f"{key}.geojson" for key in files}
    declared = Hazards(**{**names, "default_vertical_sd_m": 0.0, "default_horizontal_sd_m": 0.0, **(hazards or {})})
    return read_hazards(declared, folder, scene or scene_of(), sd_m)


def refused(folder, *codes, kind=InputError, **files):
    with pytest.raises(kind, match=codes[0]) as caught:
        read(folder, **files)
    assert tuple(fault.code for fault in caught.value.faults) == codes
    assert all(fault.fix for fault in caught.value.faults)
    return caught.value.faults


@pytest.mark.parametrize(
    ("stated", "top_m"),
    [
        ({"height_m": 40, "height_reference": "above_ground"}, 540.0),
        ({"height_ft": 100, "height_reference": "above_ground"}, 530.48),  # a foot is 0.3048 m by definition
        ({"height_agl_m": 40}, 540.0),
        ({"height_m": 551.5, "height_reference": "orthometric"}, 551.5),
        ({"top_ortho_m": "551.5"}, 551.5),
    ],
)
def test_heights_say_what_they_are_above(tmp_path, stated, top_m):
    [found] = read(tmp_path, obstacles=[mast(kind="mast", **stated)]).obstacles
    assert (found.name, found.kind, found.base_m) == ("mast 1", "point", 500.0)
    assert found.top_m == pytest.approx(top_m)
    assert shapely.get_coordinates(found.outline)[0] == pytest.approx([0, 0], abs=1e-3)


def test_the_geoid_links_heights_of_both_kinds(tmp_path):
    above_m = float(bundled_geoid().at(*FRAME.to_lonlat(0.0, 0.0)))
    [ellipsoidal] = read(tmp_path, obstacles=[mast(top_ellip_m=600.0)]).obstacles
    assert ellipsoidal.top_m == pytest.approx(600 - above_m)
    [orthometric] = read(tmp_path, scene_of("ellipsoidal"), obstacles=[mast(top_ortho_m=600.0)]).obstacles
    assert orthometric.top_m == pytest.approx(600 + above_m)
    with pytest.raises(InputError, match=r"E13 .*mast 1: its height is ellipsoidal, .* no geoid links them"):
        read(tmp_path, scene_of(geoid=False), obstacles=[mast(top_ellip_m=600.0)])


def test_doubts_are_the_features_own_or_the_missions(tmp_path):
    both = [
        mast("known", height_agl_m=30, vertical_sd_m=0.3, horizontal_sd_m=0.5, radius_m=1.5),
        mast("unknown", top_ortho_m=530),
    ]
    usual = {"default_vertical_sd_m": 2.5, "default_horizontal_sd_m": 3.5}
    known, unknown = read(tmp_path, hazards=usual, sd_m=0.4, obstacles=both).obstacles
    # above ground counts from terrain that is itself in doubt: sqrt(0.3^2 + 0.4^2) [C]
    assert (known.vertical_sd_m, known.horizontal_sd_m, known.radius_m) == pytest.approx((0.5, 0.5, 1.5))
    assert (unknown.vertical_sd_m, unknown.horizontal_sd_m, unknown.radius_m) == (2.5, 3.5, 0.0)


def test_a_building_on_a_slope_is_as_high_as_above_its_highest_ground(tmp_path):
    [block] = read(tmp_path, scene_of(rise=0.1), obstacles=[box("barn", 10, 0, 30, 8, height_agl_m=9)]).obstacles
    assert block.kind == "area"
    assert (block.base_m, block.top_m) == pytest.approx((501, 512), abs=0.01)
    assert block.outline.area == pytest.approx(160, rel=1e-3)


@pytest.mark.parametrize(
    ("stated", "tops_m"),
    [
        ({"heights_agl_m": [20, 25, 22]}, (515, 525, 527)),
        ({"heights_m": [520, 525, 522], "height_reference": "orthometric"}, (520, 525, 522)),
        ({"height_agl_m": 20}, (515, 520, 525)),
    ],
)
def test_a_wire_hangs_from_its_supports(tmp_path, stated, tops_m):
    spans = wire((-50, 0), (0, 0), (50, 10), kind="wire", sag_m=4, radius_m=3, **stated)
    scene = read(tmp_path, scene_of(rise=0.1), obstacles=[spans])
    line, *supports = scene.obstacles
    assert shapely.get_coordinates(line.outline, include_z=True)[:, 2] == pytest.approx(tops_m, abs=0.01)
    assert (line.kind, line.sag_m, line.radius_m) == ("wire", 4, 3)
    assert (line.base_m, line.top_m) == pytest.approx((min(tops_m) - 4, max(tops_m)), abs=0.01)
    assert [one.name for one in supports] == [f"the line, support {k}" for k in (1, 2, 3)]
    assert [one.top_m for one in supports] == pytest.approx(tops_m, abs=0.01)
    assert [one.base_m for one in supports] == pytest.approx([495, 500, 505], abs=0.01)
    assert scene.cautions == ()


def test_third_coordinates_are_heights_of_a_wire_once_declared(tmp_path):
    supports = (-50, 0, 530.0), (50, 0, 540.0)
    scene = read(tmp_path, obstacles=[wire(*supports, height_reference="orthometric")])
    assert shapely.get_coordinates(scene.obstacles[0].outline, include_z=True)[:, 2].tolist() == [530, 540]
    # no sag stated: 5 % of the span of 100 m
    assert scene.obstacles[0].sag_m == pytest.approx(5, rel=1e-3)
    assert "the line states no sag_m; 5.0 m is taken" in scene.cautions[0]
    [fault] = refused(tmp_path, "E40", obstacles=[wire(*supports)])
    assert "third coordinates without a height_reference" in fault.what


def test_a_wire_may_go_on_beside_the_terrain(tmp_path):
    scene = read(tmp_path, obstacles=[wire((-50, 0), (300, 0), height_agl_m=20, sag_m=1)])
    assert scene.obstacles[0].top_m == pytest.approx(520)
    assert "the line: supports beside the terrain, 1;" in scene.cautions[0]


def test_every_obstacle_without_height_or_reference_is_named_at_once(tmp_path):
    faults = refused(
        tmp_path,
        "E40",
        "E40",
        "E40",
        "E40",
        obstacles=[
            mast("bare"),
            mast("good", height_agl_m=20),
            mast("unsaid", height_m=30),
            mast("odd", height_m=30, height_reference="take-off"),
            mast("unclear", height=30),
        ],
    )
    said = [fault.what for fault in faults]
    assert [text.split(":")[0] for text in said] == ["bare", "unsaid", "odd", "unclear"]
    assert said[0] == "bare: no height"
    assert "height_m without a height_reference" in said[1]
    assert "'take-off', which is no reference known" in said[2]
    assert "height has neither unit nor reference" in said[3]
    assert [fault.where for fault in faults][3] == "obstacles.geojson, feature 5"


@pytest.mark.parametrize(
    ("code", "item", "words"),
    [
        ("E18", mast(kind="maast", height_agl_m=20), '"maast" is no kind of obstacle'),
        ("E18", mast(kind="wire", height_agl_m=20), "a Point cannot be of kind wire"),
        ("E18", wire((0, 0), (9, 9), kind="building", height_agl_m=20), "a LineString cannot be of kind building"),
        ("E33", mast(height_agl_m=-20), "stands -20 m above ground"),
        ("E33", mast(height_agl_m=20, radius_m=-1), "radius_m is -1"),
        ("E33", mast(height_agl_m=20, vertical_sd_m=-1), "vertical_sd_m is -1"),
        ("E33", mast(height_agl_m="tall"), "height_agl_m is 'tall', not a number"),
        ("E33", wire((0, 0), (9, 9), height_agl_m=9, sag_m=-2), "sag_m is -2"),
        ("E34", mast(height_agl_m=20, top_ortho_m=520), "height_agl_m and top_ortho_m both say"),
        ("E40", wire((0, 0), (9, 9), heights_agl_m=[9, 9, 9]), "3 heights for 2 supports"),
    ],
)
def test_what_cannot_be_is_refused(tmp_path, code, item, words):
    [fault] = refused(tmp_path, code, obstacles=[item])
    assert words in fault.what


@pytest.mark.parametrize(
    ("item", "words", "kept"),
    [
        (mast(height_agl_m=400), "mast 1 stands 400 m above ground; if that was in feet", 1),
        (mast(top_ortho_m=450), "the top of mast 1 lies 50 m under the ground given", 1),
        (mast(east=900.0, top_ortho_m=550), "mast 1 lies beside the terrain given.", 1),
        (mast(east=900.0, height_agl_m=50), "its top is unknown, and it is left out", 0),
    ],
)
def test_what_looks_wrong_is_told(tmp_path, item, words, kept):
    scene = read(tmp_path, obstacles=[item])
    assert len(scene.obstacles) == kept
    assert words in scene.cautions[0]


def test_keep_out_areas_may_have_a_floor_and_a_top(tmp_path):
    areas = [
        box("school", 40, 0, 120, 120),
        box("slab", 100, -20, 120, 20, floor_agl_m=60, top_m=700, height_reference="orthometric"),
    ]
    school, slab = read(tmp_path, scene_of(rise=0.1), keep_out=areas).keep_outs
    assert (school.name, school.floor_m, school.top_m) == ("school", None, None)
    # above the lowest ground of the slab, at east 100
    assert (slab.floor_m, slab.top_m) == pytest.approx((570, 700), abs=0.01)


def test_keep_out_areas_within_the_area_are_told_and_over_all_of_it_refused(tmp_path):
    scene = read(tmp_path, keep_out=[box("school", 40, 0, 120, 120)])
    # 40 m by 60 m of 160 m by 120 m [C]
    assert "keep-out areas hold 12.5 % of the area" in scene.cautions[0]
    assert read(tmp_path, keep_out=[box("far", 90, 70, 120, 120)]).cautions == ()
    halves = [box("west", -100, -100, 1, 100), box("east", 0, -100, 100, 100)]
    [fault] = refused(tmp_path, "E31", kind=InfeasibleError, keep_out=halves)
    assert "cover the whole area" in fault.what
    halves[0]["properties"]["floor_agl_m"] = 150
    assert len(read(tmp_path, keep_out=halves).keep_outs) == 2


@pytest.mark.parametrize(
    ("code", "item", "words"),
    [
        ("E02", mast(), "a Point has no area"),
        ("E34", box("slab", 0, 0, 9, 9, floor_agl_m=60, top_agl_m=50), "not above its floor"),
        ("E40", box("slab", 0, 0, 9, 9, floor_m=60), "floor_m without a height_reference"),
    ],
)
def test_keep_out_areas_that_cannot_be_are_refused(tmp_path, code, item, words):
    [fault] = refused(tmp_path, code, keep_out=[box("yard", 20, 20, 30, 30), item])
    assert words in fault.what


def test_sensitive_areas_have_a_cost(tmp_path):
    found = read(tmp_path, sensitive=[box("nests", 0, 0, 20, 20, cost=3), box("stables", 30, 0, 40, 20)]).sensitive
    assert [(one.name, one.cost) for one in found] == [("nests", 3.0), ("stables", 1.0)]
    assert "cost is -1" in refused(tmp_path, "E33", sensitive=[box("nests", 0, 0, 20, 20, cost=-1)])[0].what


@pytest.mark.parametrize("suffix", ["shp", "gpkg", "kml"])
def test_other_formats_say_the_same(tmp_path, suffix):
    lonlat = [position(10, 20), position(-30, 5)]
    table = geopandas.GeoDataFrame(
        {"name": ["a", "b"], "kind": ["mast", "crane"], "height_m": [30.0, 44.0]},
        geometry=[shapely.Point(*one) for one in lonlat],
        crs=4326,
    )
    table["height_reference"[: 10 if suffix == "shp" else None]] = "above_ground"
    path = tmp_path / f"masts.{suffix}"
    (table if suffix == "kml" else table.to_crs(UTM)).to_file(path, driver="LIBKML" if suffix == "kml" else None)
    scene = read(tmp_path, hazards={"obstacles": path.name})
    assert [(one.name, one.top_m) for one in scene.obstacles] == [("a", 530), ("b", 544)]
    assert shapely.get_coordinates(scene.obstacles[1].outline)[0] == pytest.approx([-30, 5], abs=0.01)


def test_a_missing_file_is_named_by_its_key(tmp_path):
    with pytest.raises(InputError, match=r"E45 .*masts.geojson: no such file") as caught:
        read(tmp_path, hazards={"obstacles": "masts.geojson"})
    assert "hazards.obstacles" in caught.value.faults[0].fix
    assert "holds no feature" in refused(tmp_path, "E02", obstacles=[])[0].what


def test_hazards_are_empty_unless_named(tmp_path):
    scene = scene_of()
    assert read_hazards(Hazards(), tmp_path, scene, 0.3) == scene
    assert Hazards().wires_checked is False
    with pytest.raises(ValueError, match="wires_checked is an empty text"):
        Hazards(wires_checked=" ")
