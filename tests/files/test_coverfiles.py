"""Cover polygons to foliage: which square takes which class, and what is refused."""

import dataclasses
import math
from pathlib import Path

import geopandas
import numpy as np
import pytest
import shapely
from made_site import FRAME, UTM, ground_m, write_raster, write_site

from planner.errors import InputError
from planner.files.coverfiles import canopy_classes, read_cover
from planner.files.geofiles import input_files, read_scene
from planner.files.missionfile import read_mission
from planner.ground.surface import HeightGrid
from planner.mission import Canopy, Cover
from planner.ranging.canopy import optical_depth

AREA = shapely.MultiPolygon([shapely.box(-80, -60, 80, 60)])
WEST = shapely.box(-90, -70, 0, 70)
THORNWICK = Path(__file__).parents[2] / "missions" / "thornwick.toml"


def in_lonlat(shape):
    return shapely.transform(shape, lambda xy: np.column_stack(FRAME.to_lonlat(xy[:, 0], xy[:, 1])))


def write_cover(folder, *parts, name="cover.geojson", field="cover", crs=None):
    """Write pairs of class and shape, given in the local frame."""
    kinds, shapes = zip(*parts, strict=True)
    frame = geopandas.GeoDataFrame({field: list(kinds)}, geometry=[in_lonlat(shape) for shape in shapes], crs=4326)
    (frame if crs is None else frame.to_crs(crs)).to_file(folder / name)


def lattice(heights_m, known=None):
    """Return heights on vertices 2 m apart, from 100 m west and 80 m north of the site."""
    return HeightGrid(heights_m, np.ones(heights_m.shape, dtype=bool) if known is None else known, -100.0, 80.0, 2.0)


GROUND = lattice(np.zeros((81, 101)))
TOP = lattice(np.full((81, 101), 15.0))


def square(east, north):
    """Return row and column of the lattice square that holds a local point."""
    return int((80 - north) // 2), int((east + 100) // 2)


@pytest.fixture
def job(tmp_path):
    """A mission with both rasters, crowns of 12 m on the ground west of the knoll."""
    path = write_site(tmp_path, terrain={"surface": "top.tif"})

    def crowns(pixels):
        pixels[:, : pixels.shape[1] // 2] += 12

    write_raster(tmp_path, "top.tif", edit=crowns)
    return read_mission(path)


def with_cover(mission, **cover):
    return dataclasses.replace(mission, cover=Cover(**cover))


def cover_of(mission, ground=GROUND, top=TOP):
    return read_cover(mission, FRAME, AREA, ground, top)


def refused(mission, code, message):
    with pytest.raises(InputError, match=message) as caught:
        cover_of(mission)
    assert [fault.code for fault in caught.value.faults] == [code]
    assert caught.value.faults[0].fix
    return caught.value.faults[0]


def test_each_square_takes_the_class_at_its_centre(job, tmp_path):
    write_cover(tmp_path, ("broadleaf_dense", WEST), ("scrub", shapely.box(10.9, -30, 40, 30)))
    foliage, _ = cover_of(with_cover(job, polygons="cover.geojson"))
    assert foliage.shape == (80, 100)
    assert foliage[square(-50, 0)] == 0.5 * 5.0
    assert foliage[square(20, 0)] == 0.5 * 2.8
    assert foliage[square(11, 0)] == 0.5 * 2.8  # centre at 11, the polygon begins at 10.9
    assert foliage[square(9, 0)] == foliage[square(60, 0)] == 0
    assert foliage[square(-50, 71)] == foliage[square(-95, 0)] == 0
    inside = (foliage == 2.5).sum() * 4
    assert inside == pytest.approx(WEST.area, rel=0.01)


def test_the_later_of_two_polygons_counts_and_a_roof_is_opaque(job, tmp_path):
    hut = shapely.box(-40, -10, -30, 10)
    write_cover(tmp_path, ("mixed_wood", WEST), ("roof", hut))
    foliage, cautions = cover_of(with_cover(job, polygons="cover.geojson"))
    assert foliage[square(-35, 0)] == 0
    assert foliage[square(-45, 0)] == 2.0
    assert "taken for opaque, as no canopy class: roof" in cautions[0]
    write_cover(tmp_path, ("roof", hut), ("mixed_wood", WEST))
    assert cover_of(with_cover(job, polygons="cover.geojson"))[0][square(-35, 0)] == 2.0


def test_holes_stay_without_crowns(job, tmp_path):
    ring = WEST.difference(shapely.box(-40, -20, -20, 20))
    write_cover(tmp_path, ("scrub", ring))
    foliage, _ = cover_of(with_cover(job, polygons="cover.geojson"))
    assert foliage[square(-30, 0)] == 0
    assert foliage[square(-50, 0)] > 0


def test_the_default_holds_outside_all_polygons(job, tmp_path):
    write_cover(tmp_path, ("road", shapely.box(-4, -90, 4, 90)))
    foliage, cautions = cover_of(with_cover(job, polygons="cover.geojson", default="orchard"))
    assert foliage[square(1, 1)] == 0
    assert foliage[square(50, 1)] == 0.5 * 2.5
    assert not any("of the area" in text for text in cautions)
    everywhere, cautions = cover_of(with_cover(job, default="orchard"))
    assert (everywhere == 0.5 * 2.5).all()
    assert cautions == []


def test_season_and_classes_of_ones_own(job, tmp_path):
    write_cover(tmp_path, ("alder", WEST), ("scrub", shapely.box(0, -70, 90, 70)))
    own = {
        "alder": Canopy(penetration_leaf_on=0.1, penetration_leaf_off=0.5),
        "scrub": Canopy(k=0.6, lai_leaf_on=2, lai_leaf_off=1),
    }
    depths = {"leaf_on": (-math.log(0.1), 1.2), "leaf_off": (math.log(2), 0.6)}
    for season, (alder, scrub) in depths.items():
        foliage, _ = cover_of(with_cover(job, polygons="cover.geojson", canopy=own, season=season))
        assert foliage[square(-50, 0)] == pytest.approx(alder)
        assert foliage[square(50, 0)] == pytest.approx(scrub)


def test_a_harvested_crop_is_porous_not_opaque(job):
    foliage, _ = cover_of(with_cover(job, default="tall_crop", season="leaf_off"))
    assert (foliage > 0).all()
    assert (foliage < 1e-9).all()


def test_a_crown_stands_half_a_metre_off_known_ground(job):
    heights, known = np.full((81, 101), 0.5), np.ones((81, 101), dtype=bool)
    heights[20, 30] = 0.6
    heights[60, 60] = 9.0
    known[60, 61] = False
    foliage, _ = cover_of(with_cover(job, default="scrub"), top=lattice(heights, known))
    assert {tuple(place) for place in np.argwhere(foliage > 0)} == {
        *((row, col) for row in (19, 20) for col in (29, 30)),
        *((row, 59) for row in (59, 60)),
    }
    assert cover_of(with_cover(job, default="scrub"), top=lattice(np.full((81, 101), 0.4)))[0] is None


def test_without_cover_there_is_no_foliage(job):
    assert cover_of(job) == (None, [])


def test_a_file_in_another_crs_means_the_same(job, tmp_path):
    parts = ("conifer_open", WEST), ("roof", shapely.box(-40, -10, -30, 10))
    write_cover(tmp_path, *parts)
    write_cover(tmp_path, *parts, name="cover.gpkg", crs=UTM)
    write_cover(tmp_path, *parts, name="cover.shp", crs=UTM)
    first, second, third = (
        cover_of(with_cover(job, polygons=f"cover.{kind}"))[0] for kind in ("geojson", "gpkg", "shp")
    )
    assert (first > 0).sum() > 3000
    np.testing.assert_array_equal(first, second)
    np.testing.assert_array_equal(first, third)


def test_polygons_that_leave_some_of_the_area_are_told(job, tmp_path):
    write_cover(tmp_path, ("scrub", WEST))
    assert cover_of(with_cover(job, polygons="cover.geojson"))[1] == [
        "cover.geojson: the polygons cover 50.0% of the area; the rest is taken for opaque."
    ]
    write_cover(tmp_path, ("scrub", shapely.box(200, -60, 300, 60)))
    told = cover_of(with_cover(job, polygons="cover.geojson", default="orchard"))[1]
    assert told == ["cover.geojson: the polygons cover 0.0% of the area; the rest is taken for orchard."]
    write_cover(tmp_path, ("scrub", AREA.buffer(5)))
    assert cover_of(with_cover(job, polygons="cover.geojson"))[1] == []


@pytest.mark.parametrize(
    ("word", "nearest"), [("broadleaf dense", "broadleaf_dense"), ("Conifer", "conifer_"), ("shrub", "scrub")]
)
def test_a_slip_of_the_pen_is_refused_with_the_nearest_class(job, tmp_path, word, nearest):
    write_cover(tmp_path, (word, WEST))
    fault = refused(with_cover(job, polygons="cover.geojson"), "E18", f'"{word}" is no canopy class')
    assert f'did you mean "{nearest}' in fault.fix
    assert "tall_crop" in fault.fix


@pytest.mark.parametrize("word", ["roof", "road", "water", "building", "grass", "bare"])
def test_common_words_for_what_is_no_crown_are_opaque(job, tmp_path, word):
    write_cover(tmp_path, (word, AREA.geoms[0]))
    foliage, cautions = cover_of(with_cover(job, polygons="cover.geojson"))
    assert foliage is None
    assert cautions == [f"cover.geojson: taken for opaque, as no canopy class: {word}."]


def test_a_default_that_is_no_canopy_class_is_refused(job):
    fault = refused(with_cover(job, default="oak_wood"), "E18", '"oak_wood" is no canopy class')
    assert fault.where == "cover.default"


def test_a_missing_class_field_is_refused_with_the_fields_there_are(job, tmp_path):
    write_cover(tmp_path, ("scrub", WEST), field="kind")
    fault = refused(with_cover(job, polygons="cover.geojson"), "E18", 'no field "cover"')
    assert "the file has kind" in fault.fix
    assert cover_of(with_cover(job, polygons="cover.geojson", class_field="kind"))[0] is not None


def test_a_polygon_without_a_class_is_refused(job, tmp_path):
    write_cover(tmp_path, ("scrub", WEST), (None, shapely.box(10, 10, 20, 20)), (" ", shapely.box(30, 10, 40, 20)))
    refused(with_cover(job, polygons="cover.geojson"), "E18", "2 of the cover polygons say nothing")
    write_cover(tmp_path, (7, WEST))
    refused(with_cover(job, polygons="cover.geojson"), "E18", "1 of the cover polygons say nothing, or no word")


@pytest.mark.parametrize(("left_out", "needed"), [("ground", "bare earth"), ("surface", "top surface")])
def test_crowns_need_both_rasters(job, tmp_path, left_out, needed):
    one = dataclasses.replace(job, terrain=dataclasses.replace(job.terrain, **{left_out: None}))
    fault = refused(with_cover(one, default="scrub"), "E14", f"crowns need both rasters, .*{needed}")
    assert f"terrain.{left_out}" in fault.fix
    write_cover(tmp_path, ("roof", WEST))
    assert cover_of(with_cover(one, polygons="cover.geojson"))[0] is None  # roofs need none of it


def test_files_that_no_area_could_be_read_from_are_refused_as_areas_are(job, tmp_path):
    refused(with_cover(job, polygons="none.geojson"), "E45", "none.geojson: no such file")
    write_cover(tmp_path, ("scrub", WEST), name="cover.shp")
    (tmp_path / "cover.prj").unlink()
    refused(with_cover(job, polygons="cover.shp"), "E04", "no coordinate reference system")
    bow = shapely.Polygon([(-50, -50), (50, 50), (50, -50), (-50, 50)])
    write_cover(tmp_path, ("scrub", bow))
    refused(with_cover(job, polygons="cover.geojson"), "E01", "crosses or touches itself")


def test_the_scene_holds_the_foliage_and_the_job_its_file(job, tmp_path):
    write_cover(tmp_path, ("broadleaf_open", AREA.geoms[0]), name="cover.shp")
    mission = with_cover(job, polygons="cover.shp")
    scene = read_scene(mission)
    rows, cols = scene.ground.heights_m.shape
    assert scene.foliage.shape == (rows - 1, cols - 1)
    assert scene.layers.foliage is scene.foliage
    east = scene.ground.west_m + (np.arange(cols - 1) + 0.5) * scene.ground.spacing_m
    north = scene.ground.north_m - (np.arange(rows - 1) + 0.5) * scene.ground.spacing_m
    leafy = scene.foliage > 0
    covered = shapely.contains_xy(AREA, *np.meshgrid(east, north))
    np.testing.assert_array_equal(leafy[:, east < -3], covered[:, east < -3])
    assert not leafy[:, east > 3].any()
    solid = scene.layers.solid()
    assert float(solid.at(-50, 0)) == pytest.approx(ground_m(-50, 0), abs=0.1)
    names = [name for name, _ in input_files(mission)]
    assert {"cover.shp", "cover.dbf", "cover.prj", "cover.shx"} <= set(names)
    assert read_scene(job).foliage is None


def test_bundled_classes_lie_in_the_span_of_common_practice(job):
    classes = canopy_classes(job)
    share = {
        (name, season): math.exp(-optical_depth(canopy, season))
        for name, canopy in classes.items()
        for season in ("leaf_on", "leaf_off")
    }
    assert len(classes) == 8
    for name in classes:
        assert share[name, "leaf_on"] <= share[name, "leaf_off"]
    # Common practice, no source: 5 to 25 % of pulses reach the ground in leaf, 40 to 70 % without.
    for name in ("broadleaf_dense", "broadleaf_open", "conifer_dense", "conifer_open", "mixed_wood", "scrub"):
        assert 0.05 <= share[name, "leaf_on"] <= 0.255
    for name in ("broadleaf_dense", "broadleaf_open", "mixed_wood", "orchard", "scrub"):
        assert 0.40 <= share[name, "leaf_off"] <= 0.71


def test_the_thornwick_mission_has_wood_conifers_a_clearing_and_a_hut():
    mission = read_mission(THORNWICK)
    scene = read_scene(mission)
    assert sorted(np.unique(scene.foliage)) == [0, 2.25, 2.55]
    tall = scene.top.heights_m - scene.ground.heights_m
    assert 20 < tall.max() < 25
    take_off = scene.frame.from_lonlat(*mission.take_off_deg[0])
    assert scene.top.at(*take_off) == pytest.approx(scene.ground.at(*take_off), abs=0.01)
    grid = scene.ground
    axes = (grid.west_m + np.arange(tall.shape[1]), grid.north_m - np.arange(tall.shape[0]))
    plot = tall[shapely.contains_xy(scene.area, *np.meshgrid(*axes))]
    assert 0.6 < (plot > 0.5).mean() < 0.9  # crowns with gaps
    assert np.percentile(plot[plot > 6], [1, 99]) == pytest.approx([7.5, 23.5], abs=1.5)
    roof = ~scene.layers.bare()
    assert 40 < roof.sum() < 130  # one hut of 10 by 7 m
