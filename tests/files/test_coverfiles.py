"""Cover polygons and rasters to foliage and surfaces: which square takes which class, and what is refused."""

import dataclasses
import math
import re
from pathlib import Path

import geopandas
import numpy as np
import pyproj
import pytest
import rasterio
import shapely
from affine import Affine
from made_site import FRAME, UTM, ground_m, write_raster, write_site

from planner.cover import Canopy, Cover, Surface
from planner.errors import InputError
from planner.files.coverfiles import canopy_classes, read_cover
from planner.files.geofiles import input_files, read_scene
from planner.files.missionfile import read_mission
from planner.files.surfacecards import bundled_surfaces
from planner.ground.surface import Feature, HeightGrid
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


def write_pixels(folder, pixels, cell_m=100.0, name="pixels.tif", **profile):
    """Write pixels round the middle of the site, in its own plane unless the profile says another."""
    rows, cols = pixels.shape
    place = Affine(cell_m, 0, -cols / 2 * cell_m, 0, -cell_m, rows / 2 * cell_m)
    said = {"driver": "GTiff", "count": 1, "dtype": "uint8", "crs": FRAME.crs.to_wkt(), "transform": place} | profile
    with rasterio.open(folder / name, "w", width=cols, height=rows, **said) as raster:
        for band in range(1, raster.count + 1):
            raster.write(pixels.astype(said["dtype"]), band)


def write_shares(folder, *shares, **profile):
    """Write shares as pixels from west to east, 40 m wide and over all the height of the site, middle at its middle."""
    write_pixels(folder, np.tile(np.array(shares), (8, 1)), 40.0, "shares.tif", **({"dtype": "float32"} | profile))


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
    foliage, _, cautions = read_cover(mission, FRAME, AREA, ground, top)
    return foliage, cautions


def surfaces_of(mission, lattice=GROUND):
    """Return the name of the class of each square, empty where it has none, and the cautions."""
    _, cover, cautions = read_cover(mission, FRAME, AREA, lattice, lattice)
    assert len(cover.names) == len(cover.surfaces)
    assert set(np.unique(cover.codes)) - {0} == set(range(1, len(cover.names) + 1))
    return np.array(["", *cover.names])[cover.codes], cautions


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
    write_cover(tmp_path, ("mixed_wood", WEST), ("slate_roof", hut))
    foliage, _ = cover_of(with_cover(job, polygons="cover.geojson"))
    assert foliage[square(-35, 0)] == 0
    assert foliage[square(-45, 0)] == 2.0
    write_cover(tmp_path, ("slate_roof", hut), ("mixed_wood", WEST))
    assert cover_of(with_cover(job, polygons="cover.geojson"))[0][square(-35, 0)] == 2.0


def test_holes_stay_without_crowns(job, tmp_path):
    ring = WEST.difference(shapely.box(-40, -20, -20, 20))
    write_cover(tmp_path, ("scrub", ring))
    foliage, _ = cover_of(with_cover(job, polygons="cover.geojson"))
    assert foliage[square(-30, 0)] == 0
    assert foliage[square(-50, 0)] > 0


def test_the_default_holds_outside_all_polygons(job, tmp_path):
    write_cover(tmp_path, ("asphalt_old", shapely.box(-4, -90, 4, 90)))
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


def test_without_cover_there_is_no_foliage_and_no_surface(job):
    assert read_cover(job, FRAME, AREA, GROUND, TOP) == (None, None, [])


def test_a_file_in_another_crs_means_the_same(job, tmp_path):
    parts = ("conifer_open", WEST), ("slate_roof", shapely.box(-40, -10, -30, 10))
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
        "cover.geojson: 50.0% of the area has a class; the rest has the card's rated reflectance, and what stands "
        "there is opaque."
    ]
    write_cover(tmp_path, ("scrub", shapely.box(200, -60, 300, 60)))
    told = cover_of(with_cover(job, polygons="cover.geojson", default="orchard"))[1]
    assert told == ["cover.geojson: 0.0% of the area has a class; the rest is taken for orchard."]
    write_cover(tmp_path, ("scrub", AREA.buffer(5)))
    assert cover_of(with_cover(job, polygons="cover.geojson"))[1] == []


@pytest.mark.parametrize(
    ("word", "nearest"),
    [
        ("broadleaf dense", "broadleaf_dense"),
        ("Conifer", 'conifer_dense" or "conifer_open'),
        ("shrub", "scrub"),
        ("grass", 'grass_green" or "grass_dry'),
        ("Asphalt_Old", "asphalt_old"),
        ("waterr_open", "water_open"),
    ],
)
def test_a_slip_of_the_pen_is_refused_with_the_nearest_class(job, tmp_path, word, nearest):
    write_cover(tmp_path, (word, WEST))
    fault = refused(with_cover(job, polygons="cover.geojson"), "E18", f'"{word}" is no class of cover')
    assert f'did you mean "{nearest}' in fault.fix
    assert fault.where == "cover.geojson"
    for table in ("[cover.surfaces.<class>]", "[cover.canopy.<class>]"):
        assert table in fault.fix


def test_every_unknown_word_is_refused_at_once_each_where_it_stands(job, tmp_path):
    write_cover(tmp_path, ("hovercraft", WEST), ("scrub", WEST), ("xylophone", WEST))
    write_pixels(tmp_path, np.ones((2, 2)))
    wrong = with_cover(
        job, polygons="cover.geojson", default="oak_wood", raster="pixels.tif", classes={"1": "slate", "2": "heath"}
    )
    with pytest.raises(InputError, match="hovercraft") as caught:
        cover_of(wrong)
    assert [(fault.code, fault.what.split('"')[1], fault.where) for fault in caught.value.faults] == [
        ("E18", "hovercraft", "cover.geojson"),
        ("E18", "xylophone", "cover.geojson"),
        ("E18", "slate", "cover.classes.1"),
        ("E18", "oak_wood", "cover.default"),
    ]
    assert "surface classes: bare_soil_dry, " in caught.value.faults[0].fix


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
    write_cover(tmp_path, ("slate_roof", WEST))
    assert cover_of(with_cover(one, polygons="cover.geojson"))[0] is None  # roofs need none of it


def test_files_that_no_area_could_be_read_from_are_refused_as_areas_are(job, tmp_path):
    refused(with_cover(job, polygons="none.geojson"), "E45", "none.geojson: no such file")
    write_cover(tmp_path, ("scrub", WEST), name="cover.shp")
    (tmp_path / "cover.prj").unlink()
    refused(with_cover(job, polygons="cover.shp"), "E04", "no coordinate reference system")
    bow = shapely.Polygon([(-50, -50), (50, 50), (50, -50), (-50, 50)])
    write_cover(tmp_path, ("scrub", bow))
    refused(with_cover(job, polygons="cover.geojson"), "E01", "crosses or touches itself")


def test_each_square_takes_the_surface_at_its_centre(job, tmp_path):
    write_cover(tmp_path, ("tar_roof", shapely.box(10.9, -30, 40, 30)), ("alder", WEST), ("grass_dry", WEST))
    mission = with_cover(job, polygons="cover.geojson", canopy={"alder": Canopy(lai_leaf_on=3, lai_leaf_off=1)})
    names, cautions = surfaces_of(mission)
    assert names[square(20, 0)] == names[square(11, 0)] == "tar_roof"
    assert names[square(9, 0)] == names[square(60, 0)] == ""
    assert names[square(-50, 0)] == "grass_dry"
    assert not [text for text in cautions if "alder" in text]  # covered by the later polygon
    _, cover, _ = read_cover(mission, FRAME, AREA, GROUND, TOP)
    assert cover.names == ("tar_roof", "grass_dry")
    assert cover.surfaces == tuple(bundled_surfaces()[name] for name in cover.names)
    assert cover.codes.dtype == np.uint8


def test_a_canopy_class_is_also_a_surface_and_one_of_ones_own_needs_its_surface(job, tmp_path):
    assert (surfaces_of(with_cover(job, default="orchard"))[0] == "orchard").all()
    own = {"canopy": {"alder": Canopy(lai_leaf_on=3, lai_leaf_off=1)}, "default": "alder"}
    foliage, cover, cautions = read_cover(with_cover(job, **own), FRAME, AREA, GROUND, TOP)
    assert (foliage == 1.5).all()
    assert cover is None
    assert cautions[0].startswith("No surface class is called alder: there the card's rated reflectance holds.")
    leaf = Surface(reflectance=0.4, soaks=False)
    foliage, cover, cautions = read_cover(with_cover(job, **own, surfaces={"alder": leaf}), FRAME, AREA, GROUND, TOP)
    assert (foliage == 1.5).all()
    assert (cover.names, cover.surfaces, cautions) == (("alder",), (leaf,), [])


def test_a_surface_of_ones_own_replaces_the_bundled_one_of_that_name(job):
    own = Surface(reflectance=0.05)
    _, cover, _ = read_cover(with_cover(job, default="tar_roof", surfaces={"tar_roof": own}), FRAME, AREA, GROUND, TOP)
    assert cover.surfaces == (own,)
    assert own != bundled_surfaces()["tar_roof"]


def test_a_class_raster_is_looked_up_under_the_polygons_and_over_the_default(job, tmp_path):
    write_pixels(tmp_path, np.array([[1, 20], [255, 1]]), nodata=255)
    write_cover(tmp_path, ("tar_roof", shapely.box(-10, 10, 10, 30)))
    mission = with_cover(
        job,
        raster="pixels.tif",
        classes={"1": "heath", "20": "mixed_wood", "3": "gravel"},
        polygons="cover.geojson",
        default="mud",
    )
    names, cautions = surfaces_of(mission)
    assert cautions == []
    assert (names[square(-50, 50)], names[square(50, 50)], names[square(50, -50)]) == ("heath", "mixed_wood", "heath")
    assert names[square(-50, -50)] == "mud"
    assert names[square(-5, 20)] == names[square(5, 20)] == "tar_roof"
    foliage, _ = cover_of(mission)
    np.testing.assert_array_equal(foliage > 0, names == "mixed_wood")


@pytest.mark.parametrize("crs", [UTM, "EPSG:4326", "EPSG:3035"])
def test_a_class_raster_in_another_crs_means_the_same_to_one_pixel(job, tmp_path, crs):
    to_crs = pyproj.Transformer.from_crs(4326, crs, always_xy=True)
    corners = np.array(to_crs.transform(*FRAME.to_lonlat(*np.array([[-150, 150, 150, -150], [-150, -150, 150, 150]]))))
    (west, south), (east, north) = corners.min(axis=1), corners.max(axis=1)
    place = Affine((east - west) / 300, 0, west, 0, -(north - south) / 300, north)
    x, y = west + (np.arange(300) + 0.5) * place.a, north + (np.arange(300) + 0.5) * place.e
    lonlat = to_crs.transform(*np.meshgrid(x, y), direction="INVERSE")
    local_east, local_north = FRAME.from_lonlat(*lonlat)
    write_pixels(tmp_path, 1 + (local_east > 0) + 2 * (local_north > 0), crs=crs, transform=place)
    words = {"1": "heath", "2": "gravel", "3": "mud", "4": "coal"}
    names, _ = surfaces_of(with_cover(job, raster="pixels.tif", classes=words))
    for (e, n), word in zip([(-1, -1), (1, -1), (-1, 1), (1, 1)], words.values(), strict=True):
        # a pixel is 1.0 to 1.5 m wide, and only its own centre tells its quarter
        quarter = [names[square(e * a, n * b)] for a in range(3, 80, 2) for b in range(3, 60, 2)]
        assert set(quarter) == {word}


def test_codes_without_a_class_are_listed(job, tmp_path):
    write_pixels(tmp_path, np.array([[7, 1], [0, 12]]))
    mission = with_cover(job, raster="pixels.tif", classes={"1": "heath"})
    fault = refused(mission, "E18", "codes 0, 7, 12 of the raster stand for no class")
    assert "[cover.classes]" in fault.fix
    assert fault.where.endswith("pixels.tif")


def test_rasters_that_are_no_cover_are_refused(job, tmp_path):
    codes = with_cover(job, raster="pixels.tif", classes={"1": "heath"})
    write_pixels(tmp_path, np.full((2, 2), 1.5), dtype="float32")
    fault = refused(codes, "E18", r"pixels.tif holds 1.5: class codes are whole numbers")
    assert "cover.reflectance" in fault.fix
    write_pixels(tmp_path, np.ones((2, 2)), count=3)
    refused(codes, "E18", "pixels.tif has 3 bands: a raster of cover has one")
    write_pixels(tmp_path, np.ones((2, 2)), crs=None)
    refused(codes, "E10", "the raster names no CRS")
    refused(with_cover(job, reflectance="none.tif"), "E45", "the raster cannot be read")


def test_rasters_that_miss_the_area_are_told(job, tmp_path):
    far = Affine(100, 0, 10_000, 0, -100, 10_000)
    write_pixels(tmp_path, np.ones((2, 2)), transform=far)
    _, cover, cautions = read_cover(
        with_cover(job, raster="pixels.tif", classes={"1": "heath"}), FRAME, AREA, GROUND, TOP
    )
    assert cover is None
    assert cautions == [
        "pixels.tif: 0.0% of the area has a class; the rest has the card's rated reflectance, and what stands there "
        "is opaque."
    ]
    write_pixels(tmp_path, np.full((2, 2), 0.2), transform=far, dtype="float32")
    names, cautions = surfaces_of(with_cover(job, reflectance="pixels.tif", default="heath"))
    assert (names == "heath").all()
    assert cautions == ["pixels.tif: reflectance on 0.0% of the area; elsewhere the classes hold."]


def test_a_reflectance_raster_wins_where_it_has_data(job, tmp_path):
    write_shares(tmp_path, 0.052, -1, 0.237, 0.4, nodata=-1)
    names, cautions = surfaces_of(with_cover(job, reflectance="shares.tif", default="mixed_wood"))
    assert [str(names[square(east, 1)]) for east in (-51, -21, 21, 51, 95)] == [
        "reflectance 0.052",
        "mixed_wood",
        "reflectance 0.24",
        "reflectance 0.4",
        "mixed_wood",
    ]
    assert cautions == ["shares.tif: reflectance on 75.0% of the area; elsewhere the classes hold."]
    foliage, cover, _ = read_cover(
        with_cover(job, reflectance="shares.tif", default="mixed_wood"), FRAME, AREA, GROUND, TOP
    )
    assert (foliage > 0).all()  # crowns stay
    assert [cover.surfaces[cover.names.index(f"reflectance {rho}")].reflectance for rho in (0.052, 0.24)] == [
        (0.052,) * 3,
        (0.24,) * 3,
    ]
    _, cautions = surfaces_of(with_cover(job, reflectance="shares.tif"))
    assert cautions == ["shares.tif: reflectance on 75.0% of the area; elsewhere the card's rated reflectance holds."]


def test_reflectance_is_kept_to_one_part_in_twenty_in_fewer_than_200_levels(job, tmp_path):
    shares = np.concatenate([np.linspace(0, 1, 6000), [0.0, 0.0994, 0.0996, 0.5, 1.0]])
    shares.resize(80 * 100)
    write_pixels(tmp_path, shares.reshape(80, 100), 2.0, dtype="float32")
    grid = HeightGrid(np.zeros((81, 101)), np.ones((81, 101), dtype=bool), -100.0, 80.0, 2.0)
    _, cover, _ = read_cover(with_cover(job, reflectance="pixels.tif"), FRAME, AREA, grid, grid)
    assert 185 <= len(cover.names) <= 200
    assert len(set(cover.names)) == len(cover.names)
    kept = np.array([surface.reflectance[0] for surface in cover.surfaces])[cover.codes - 1]
    np.testing.assert_allclose(kept, shares.reshape(80, 100), rtol=0.0503, atol=0.0005)


@pytest.mark.parametrize(
    ("shares", "profile", "message", "fix"),
    [
        ((5, 23, 40), {}, "reflectance from 5 to 40; it is a share, 0-1; this looks like percent", "divide by 100"),
        ((0.5, 1.6, 0.2), {}, "reflectance from 0.2 to 1.6; .* this looks like percent", "divide by 100"),
        ((0.5, 1.2, 0.2), {}, "reflectance from 0.2 to 1.2; it is a share, 0-1$", "no data"),
        ((0.5, -9999, 0.2), {}, "reflectance from -9999 to 0.5; it is a share, 0-1$", "no data"),
        ((500, 2300, 4000), {"dtype": "uint16"}, "reflectance from 500 to 4000; it is a share, 0-1$", "write shares"),
    ],
)
def test_what_is_no_share_is_refused_and_percent_is_named(job, tmp_path, shares, profile, message, fix):
    write_shares(tmp_path, *shares, **profile)
    with pytest.raises(InputError, match=r"shares\.tif") as caught:
        surfaces_of(with_cover(job, reflectance="shares.tif"))
    [fault] = caught.value.faults
    assert fault.code == "E33"
    assert re.search(message, fault.what)
    assert fix in fault.fix


def test_a_scale_stated_in_the_file_holds(job, tmp_path):
    write_shares(tmp_path, 5, 23, 40, 50, dtype="uint8")
    with rasterio.open(tmp_path / "shares.tif", "r+") as raster:
        raster.scales = (0.01,)
    names, _ = surfaces_of(with_cover(job, reflectance="shares.tif"))
    assert names[square(-21, 1)] == "reflectance 0.23"


def test_the_scene_holds_surfaces_and_features_and_the_job_lists_their_files(job, tmp_path):
    write_pixels(tmp_path, np.array([[1, 2], [2, 1]]))
    write_shares(tmp_path, 0.1, 0.2)
    write_cover(tmp_path, ("crest road", shapely.LineString([(-50, 0), (50, 0)])), name="ways.shp", field="name")
    mission = with_cover(job, raster="pixels.tif", classes={"1": "heath", "2": "mud"}, reflectance="shares.tif")
    mission = dataclasses.replace(
        mission, site=dataclasses.replace(job.site, features_of_interest="ways.shp", feature_width_m=6)
    )
    scene = read_scene(mission)
    rows, cols = scene.ground.heights_m.shape
    assert scene.cover.codes.shape == (rows - 1, cols - 1)
    assert scene.cover.names == ("heath", "mud", "reflectance 0.1", "reflectance 0.2")
    [road] = scene.features
    assert isinstance(road, Feature)
    assert road.name == "crest road"
    assert road.polygon.area == pytest.approx(100 * 6, rel=1e-3)
    names = {name for name, _ in input_files(mission)}
    assert {"pixels.tif", "shares.tif", "ways.shp", "ways.dbf", "ways.prj", "ways.shx"} <= names
    bare = read_scene(job)
    assert (bare.cover, bare.features) == (None, ())


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
    known = scene.top.known
    roof = ~scene.layers.bare() & known[:-1, :-1] & known[1:, :-1] & known[:-1, 1:] & known[1:, 1:]
    assert 40 < roof.sum() < 130  # one hut of 10 by 7 m
