"""Scenes read from a mission: frame, lattice, and every contradiction between the inputs."""

import datetime as dt
import hashlib
import re
import shutil
from pathlib import Path

import geopandas
import numpy as np
import pyproj
import pytest
import rasterio
import shapely
from affine import Affine
from geographiclib.geodesic import Geodesic
from made_site import NAVIGATION

from planner.aircraft import Aircraft
from planner.equipment import RangeRating, Sensor
from planner.errors import InputError
from planner.files.datums import bundled_geoid
from planner.files.geofiles import input_files, read_scene
from planner.ground.geodesy import geodesic_area_m2, site_frame
from planner.mission import FlightChoice, Limits, Mission, Site, Terrain
from planner.requirement import Requirement

LON, LAT = 9.3, 47.2
FRAME = site_frame(LON, LAT)
GTX = Path("/usr/share/proj/egm96_15.gtx")


def box_deg(east_m=100.0, north_m=80.0):
    """A box round the site, given by half its sides [m], as longitude and latitude."""
    ring = shapely.get_coordinates(shapely.box(-east_m, -north_m, east_m, north_m))
    return shapely.Polygon(np.column_stack(FRAME.to_lonlat(*ring.T)))


def write_area(folder, polygon=None, name="area.geojson"):
    geopandas.GeoDataFrame({"name": ["a"]}, geometry=[polygon or box_deg()], crs=4326).to_file(folder / name)
    return name


def write_raster(folder, name="ground.tif", crs="EPSG:32632", half_m=400.0, cell_m=2.0, edit=None, height_m=500.0):
    """A level raster round the site with a slight slope; `edit` changes the pixels."""
    flat = pyproj.CRS.from_user_input(crs)
    flat = flat.sub_crs_list[0] if flat.is_compound else flat.to_2d()
    x, y = pyproj.Transformer.from_crs(4326, flat, always_xy=True).transform(LON, LAT)
    step_x = step_y = cell_m
    if flat.is_geographic:
        step_x, step_y = cell_m / 111320 / np.cos(np.radians(LAT)), cell_m / 111320
    side = int(2 * half_m / cell_m)
    pixels = (height_m + 0.01 * np.add.outer(np.arange(side), np.arange(side))).astype(np.float32)
    if edit:
        edit(pixels)
    transform = Affine(step_x, 0, x - side / 2 * step_x, 0, -step_y, y + side / 2 * step_y)
    profile = {"driver": "GTiff", "count": 1, "dtype": "float32", "nodata": -9999, "crs": crs, "transform": transform}
    with rasterio.open(folder / name, "w", width=side, height=side, **profile) as raster:
        raster.write(pixels, 1)
    return name


def mission(folder, **parts):
    """A job in `folder`; `parts` replace fields of site, terrain, requirement, limits and flight."""
    site = {"area": "area.geojson", "buffer_m": 10} | parts.pop("site", {})
    terrain = {"ground": "ground.tif", "heights": "orthometric", "geoid": "egm96"} | parts.pop("terrain", {})
    rating = RangeRating(pulse_rate_hz=100e3, range_m=200, reflectance=0.2)
    sensor = Sensor(
        name="T",
        wavelength_nm=905,
        pattern="oscillating_linear",
        line_rates_hz=(50,),
        optical_fov_deg=80,
        usable_fov_deg=70,
        divergence_mrad=1,
        divergence_width="1/e2",
        min_range_m=3,
        range_noise_m=0.02,
        ratings=(rating,),
    )
    aircraft = Aircraft(name="H", min_speed_mps=1, max_speed_mps=8, climb_mps=4, descent_mps=3, endurance_s=1500)
    return Mission(
        name="Job",
        date=dt.date(2027, 4, 12),
        file=folder / "job.toml",
        sensor=sensor,
        navigation=NAVIGATION,
        aircraft=aircraft,
        site=Site(**site),
        terrain=Terrain(**terrain),
        requirement=Requirement(**({"density_per_m2": 100} | parts.pop("requirement", {}))),
        limits=Limits(**parts.pop("limits", {})),
        flight=FlightChoice(**({"speed_mps": 6} | parts.pop("flight", {}))),
    )


@pytest.fixture
def folder(tmp_path):
    write_area(tmp_path)
    write_raster(tmp_path)
    return tmp_path


def refused(job, code, message):
    with pytest.raises(InputError, match=message) as caught:
        read_scene(job)
    assert [fault.code for fault in caught.value.faults] == [code]
    assert caught.value.faults[0].fix
    assert caught.value.exit_code == 2


def test_a_scene_lies_in_a_frame_centred_on_the_area(folder):
    scene = read_scene(mission(folder))
    assert scene.frame.to_lonlat(0, 0) == pytest.approx((LON, LAT), abs=1e-6)
    assert scene.area.bounds == pytest.approx((-100, -80, 100, 80), abs=0.2)
    assert scene.planned.area == pytest.approx(200 * 160 + 2 * 10 * 360 + np.pi * 100, rel=1e-3)
    assert scene.ground is scene.top
    assert (scene.ground_is_bare, scene.heights, scene.geoid.name) == (True, "orthometric", "EGM96")
    assert (scene.frame_doubt_m, scene.cautions) == (0.0, ())
    assert scene.ground.at(0, 0) == pytest.approx(500 + 0.01 * 399, abs=0.02)


def test_area_in_the_frame_is_geodesic(folder):
    scene = read_scene(mission(folder))
    outside = Geodesic.WGS84.Polygon()
    for lon, lat in shapely.get_coordinates(box_deg())[:-1]:
        outside.AddPoint(lat, lon)
    expected = abs(outside.Compute()[2])
    assert geodesic_area_m2(scene.frame, scene.area) == pytest.approx(expected, rel=1e-6)
    assert scene.area.area == pytest.approx(expected, rel=1e-4)


def test_the_lattice_reaches_overshoot_and_half_a_swath_past_the_plan(folder):
    scene = read_scene(mission(folder))
    margin = 5 * 6 + 120 * np.tan(np.radians(35))  # settling at the speed flown; ceiling and half of the usable angle
    west, south, east, north = scene.planned.bounds
    ground = scene.ground
    for reach, bound in (
        (-ground.west_m, -west),
        (-ground.south_m, -south),
        (ground.east_m, east),
        (ground.north_m, north),
    ):
        assert bound + margin <= reach <= bound + margin + ground.spacing_m


def test_holes_of_the_area_stay_holes(folder):
    outer, inner = box_deg(), box_deg(20, 20)
    write_area(folder, shapely.Polygon(outer.exterior, [inner.exterior.coords]))
    scene = read_scene(mission(folder, site={"area": "area.geojson", "buffer_m": 0}))
    assert scene.area.area == pytest.approx(200 * 160 - 40 * 40, rel=1e-3)
    assert not scene.planned.contains(shapely.Point(0, 0))


@pytest.mark.parametrize(
    ("pixel_m", "requirement", "spacing_m"),
    [
        (2.0, {"density_per_m2": 100}, 1.0),  # cell 1 m
        (0.5, {"density_per_m2": 100}, 0.5),
        (0.4, {"density_per_m2": 100}, 1 / 3),
        (1.0, {"density_per_m2": 4}, 2.5 / 3),  # cell 2.5 m expects 25 returns
        (1.0, {"quality_level": "QL2", "density_per_m2": None}, np.sqrt(12.5) / 4),
        (1.0, {"density_per_m2": 100, "cell_m": 0.4}, 0.4),
        (0.05, {"density_per_m2": 100}, 0.25),
    ],
)
def test_the_spacing_is_a_whole_part_of_the_cell_and_no_coarser_than_the_raster(
    folder, pixel_m, requirement, spacing_m
):
    write_area(folder, box_deg(8, 8))
    write_raster(folder, half_m=50 if pixel_m < 0.1 else 120, cell_m=pixel_m)
    job = mission(folder, site={"buffer_m": 0}, requirement=requirement, flight={"speed_mps": 1})
    assert read_scene(job).ground.spacing_m == pytest.approx(spacing_m, rel=1e-9)


def test_ground_and_surface_share_a_lattice(folder):
    write_raster(folder, "roofs.tif", cell_m=1.0, height_m=512.0)
    scene = read_scene(mission(folder, terrain={"surface": "roofs.tif"}))
    ground, top = scene.ground, scene.top
    assert (ground.west_m, ground.north_m, ground.spacing_m) == (top.west_m, top.north_m, top.spacing_m)
    assert ground.heights_m.shape == top.heights_m.shape
    assert top.at(0, 0) - ground.at(0, 0) == pytest.approx(12 + 0.01 * 400, abs=0.1)
    alone = read_scene(mission(folder, terrain={"ground": None, "surface": "roofs.tif"}))
    assert not alone.ground_is_bare
    assert alone.ground is alone.top


def test_a_surface_under_the_ground_is_told(folder):
    write_raster(folder, "cellar.tif", height_m=470.0)
    scene = read_scene(mission(folder, terrain={"surface": "cellar.tif"}))
    assert any("30.0 m or more below the bare earth" in text for text in scene.cautions)


def test_a_named_working_crs_with_a_local_origin(folder):
    scene = read_scene(mission(folder, site={"working_crs": "EPSG:32632"}))
    assert scene.frame.crs.to_epsg() == 32632
    assert scene.frame.origin_north_m > 5e6
    assert max(np.abs(scene.area.bounds)) < 300
    centre = scene.area.centroid
    assert scene.frame.to_lonlat(centre.x, centre.y) == pytest.approx((LON, LAT), abs=1e-5)


@pytest.mark.parametrize(
    ("wanted", "code", "message"),
    [
        ("EPSG:4326", "E06", "working_crs WGS 84 .* has no plane of metres"),
        ("EPSG:999999", "E06", "is not a known CRS"),
        ("EPSG:3857", "E06", r"has scale 1\.4\d+ at the site"),
        ("EPSG:2225", "E07", "counts in US survey foot, not in metres"),
    ],
)
def test_e06_e07_working_crs_proposes_a_zone(folder, wanted, code, message):
    job = mission(folder, site={"working_crs": wanted})
    refused(job, code, message)
    with pytest.raises(InputError, match="EPSG:32632"):
        read_scene(job)


def test_e05_swapped_axes_are_seen_by_the_raster(folder):
    swapped = shapely.transform(box_deg(), lambda xy: xy[:, ::-1])
    write_area(folder, swapped)
    refused(
        mission(folder), "E05", r"meets it with longitude and latitude swapped: the area spans 47\.\d+ to 47\.\d+, 9\."
    )


def test_e08_names_both_boxes(folder):
    write_area(folder, shapely.affinity.translate(box_deg(), 0.5, 0.0))
    refused(
        mission(folder), "E08", r"do not meet: the area spans 9\.7987 .* the raster 9\.29\d+ to 9\.30\d+, 47\.19\d+"
    )


def test_e09_says_how_much_is_covered(folder):
    write_raster(folder, half_m=120.0)  # flown half sides: 100 and 80 + buffer 10 + overshoot 30 = 140 and 120
    with pytest.raises(InputError, match=r"covers only (\d+\.\d) % of the ground that is flown") as caught:
        read_scene(mission(folder))
    fault = caught.value.faults[0]
    assert fault.code == "E09"
    flown = shapely.box(-100, -80, 100, 80).buffer(10).buffer(30)
    share = flown.intersection(shapely.box(-120, -120, 120, 120)).area / flown.area
    assert float(fault.what.split(" %")[0].rsplit(" ", 1)[1]) == pytest.approx(100 * share, abs=0.6)


def hole(pixels):
    pixels[195:205, 200:220] = -9999  # 20 m by 40 m at the site
    pixels[170:174, 200:202] = -9999


def test_e11_hole_in_the_flown_ground(folder):
    write_raster(folder, edit=hole)
    refused(mission(folder), "E11", r"under 0\.08\d+ ha .* largest hole has 0\.0(8|79)\d* ha, at longitude 9\.300\d+")


def test_a_hole_that_the_mission_accepts_stays_unknown(folder):
    write_raster(folder, edit=hole)
    scene = read_scene(mission(folder, terrain={"holes": "unknown"}))
    assert np.isnan(scene.ground.at(20.0, 0.0))
    assert np.isfinite(scene.ground.at(-20.0, 0.0))
    assert any("Nothing is known about height or clearance there" in text for text in scene.cautions)


def test_a_hole_outside_the_flown_ground_is_no_fault(folder):
    def far(pixels):
        pixels[:20] = -9999

    write_raster(folder, half_m=220.0, edit=far)
    assert not read_scene(mission(folder)).ground.known.all()


def test_e12_reaches_through(folder):
    write_raster(folder, height_m=12000.0)
    refused(mission(folder), "E12", "this looks like feet")
    assert read_scene(mission(folder, terrain={"vertical_unit": "foot"})).ground.at(0, 0) == pytest.approx(3659, abs=1)


@pytest.mark.parametrize(
    ("crs", "terrain", "message"),
    [
        ("EPSG:4979", {}, "terrain.heights says orthometric, the raster counts from ellipsoid"),
        ("EPSG:32632+5773", {"heights": "ellipsoidal"}, "says ellipsoidal, the raster counts from EGM96 height"),
        ("EPSG:32632+3855", {}, "geoid egm96 does not fit the raster's EGM2008 height"),
        ("EPSG:25832+5783", {}, "geoid egm96 does not fit the raster's DHHN92 height"),
    ],
)
def test_e13_height_references_that_contradict(folder, crs, terrain, message):
    write_raster(folder, crs=crs)
    refused(mission(folder, terrain=terrain), "E13", message)


def test_e13_two_vertical_datums(folder):
    write_raster(folder, crs="EPSG:32632+3855")
    write_raster(folder, "top.tif", crs="EPSG:32632+5773")
    refused(
        mission(folder, terrain={"surface": "top.tif", "geoid": None}),
        "E13",
        "EGM2008 height and EGM96 height|EGM96 height and EGM2008 height",
    )


def test_egm96_heights_take_the_bundled_geoid(folder):
    write_raster(folder, crs="EPSG:32632+5773")
    scene = read_scene(mission(folder))
    assert scene.separation_m(0.0, 0.0) == pytest.approx(47.6, abs=1.5)  # eastern Switzerland: from memory


@pytest.mark.parametrize(
    ("heights", "message"),
    [
        ("orthometric", "ellipsoidal heights cannot be given"),
        ("ellipsoidal", "heights above sea level cannot be given"),
    ],
)
def test_without_a_geoid_a_caution_says_what_is_missing(folder, heights, message):
    scene = read_scene(mission(folder, terrain={"heights": heights, "geoid": None}))
    assert message in "".join(scene.cautions)
    assert scene.geoid is None


def write_geoid(folder, west=8.0, crs="EPSG:4326", step=(0.1, 0.1)):
    separation = np.add.outer(np.arange(30) * -0.2, np.arange(30) * 0.1).astype(np.float32) + 40
    transform = Affine(step[0], 0, west - step[0] / 2, 0, -step[1], 48.5 + step[1] / 2)
    profile = {"driver": "GTiff", "count": 1, "dtype": "float32", "width": 30, "height": 30, "crs": crs}
    with rasterio.open(folder / "geoid.tif", "w", transform=transform, **profile) as raster:
        raster.write(separation, 1)


@pytest.mark.parametrize("west", [8.0, 368.0])
def test_a_geoid_file_of_the_users_own(folder, west):
    write_geoid(folder, west)
    write_raster(folder, crs="EPSG:32632+3855")
    scene = read_scene(mission(folder, terrain={"geoid": "geoid.tif"}))
    assert scene.geoid.name == "geoid"
    assert scene.separation_m(0.0, 0.0) == pytest.approx(40 + (LON - 8.0) - 2 * (48.5 - LAT), abs=1e-3)


@pytest.mark.parametrize(
    ("geoid", "message"),
    [
        ({"west": 10.0}, "does not cover the site"),
        ({"west": 5.0}, "does not cover the site"),
        ({"crs": "EPSG:32632"}, "not a north-up longitude-latitude grid"),
        ({"step": (0.1, 0.05)}, "not a north-up longitude-latitude grid"),
        (None, "cannot be read"),
    ],
)
def test_e13_geoid_files_that_do_not_serve(folder, geoid, message):
    if geoid is not None:
        write_geoid(folder, **geoid)
    refused(mission(folder, terrain={"geoid": "geoid.tif"}), "E13", message)


def test_e17_names_the_memory(folder):
    job = mission(folder, site={"buffer_m": 5000}, requirement={"cell_m": 0.25})
    write_raster(folder, half_m=5500, cell_m=0.5 * 20)
    refused(job, "E17", r"million heights at 0\.25 m, over 120 million; some \d+ GB of memory")


@pytest.mark.parametrize(
    ("crs", "name", "doubt_m"),
    [
        ("EPSG:25832", "ETRS89", 0.9),
        ("EPSG:6319", r"NAD83\(2011\)", 1.5),
        ("EPSG:4283", "GDA94", 1.8),
        ("EPSG:7844", "GDA2020", 0.3),
    ],
)
def test_frames_that_are_only_taken_for_the_same(folder, crs, name, doubt_m):  # sizes: from memory
    flat = pyproj.CRS.from_user_input(crs).to_2d()
    write_raster(folder, crs=flat.to_wkt())
    scene = read_scene(mission(folder))
    assert scene.frame_doubt_m == doubt_m
    assert re.search(f"on WGS 84, the terrain on {name}.*doubt of {doubt_m} m", " ".join(scene.cautions))


def test_one_frame_for_area_and_raster_leaves_no_doubt(folder):
    geopandas.GeoDataFrame(geometry=[box_deg()], crs=4326).to_crs(25832).to_file(folder / "area.gpkg")
    write_raster(folder, crs="EPSG:25832")
    assert read_scene(mission(folder, site={"area": "area.gpkg"})).frame_doubt_m == 0.0


def test_an_old_national_frame_brings_the_doubt_of_its_conversion(folder):
    write_raster(folder, crs="EPSG:4149")  # CH1903
    scene = read_scene(mission(folder))
    assert 0 < scene.frame_doubt_m < 10


def test_e15_coarse_terrain_is_a_caution(folder):
    write_raster(folder, cell_m=30.0, half_m=900.0)
    scene = read_scene(mission(folder, flight={"agl_m": 60, "speed_mps": 6}))
    assert any(
        "E15 ground.tif has pixels of 30 m, over a third of 60 m above ground" in text for text in scene.cautions
    )
    assert not any(
        "E15" in text for text in read_scene(mission(folder, flight={"agl_m": 110, "speed_mps": 6})).cautions
    )


def test_input_files_are_named_from_the_missions_folder(folder):
    (folder / "job.toml").write_text("name = 'Job'")
    (folder / "maps").mkdir()
    geopandas.GeoDataFrame({"name": ["a"]}, geometry=[box_deg()], crs=4326).to_file(folder / "maps" / "area.shp")
    write_geoid(folder)
    job = mission(folder, site={"area": "maps/area.shp"}, terrain={"surface": "../up.tif", "geoid": "geoid.tif"})
    shutil.copy(folder / "ground.tif", folder.parent / "up.tif")
    names = [name for name, _ in input_files(job)]
    parts = [f"maps/area.{suffix}" for suffix in ("cpg", "dbf", "prj", "shp", "shx")]
    assert names == ["../up.tif", "geoid.tif", "ground.tif", "job.toml", *parts]
    assert all(path.is_file() for _, path in input_files(job))


def test_bundled_data_and_addresses_are_not_input_files(folder):
    job = mission(folder, terrain={"ground": "https://example.org/ground.tif"})
    assert [name for name, _ in input_files(job)] == ["area.geojson"]


def test_the_same_job_in_another_folder_gives_the_same_scene(folder, tmp_path_factory):
    other = tmp_path_factory.mktemp("other")
    for name in ("area.geojson", "ground.tif"):
        shutil.copy(folder / name, other / name)
    hashes = {
        hashlib.sha256(read_scene(mission(place)).ground.heights_m.tobytes()).hexdigest() for place in (folder, other)
    }
    assert len(hashes) == 1


def test_a_mission_given_from_the_working_folder(folder, monkeypatch):
    monkeypatch.chdir(folder)
    assert read_scene(mission(Path())).area.area > 0
    assert [name for name, _ in input_files(mission(Path()))] == ["area.geojson", "ground.tif"]


EGM96_VALUES = [  # latitude, longitude, separation [m] of the published EGM96 test points: from memory
    (38.6281550, 269.7791550, -31.628),
    (-14.6212170, 305.0211140, -2.969),
    (46.8743190, 102.4487290, -43.575),
    (-23.6174460, 133.8747120, 15.871),
    (38.6254730, 359.9995000, 50.066),
    (-0.4667440, 0.0023000, 17.329),
]


@pytest.mark.parametrize(("lat", "lon", "separation_m"), EGM96_VALUES)
def test_bundled_geoid_at_published_points(lat, lon, separation_m):
    assert bundled_geoid().at(lon, lat) == pytest.approx(separation_m, abs=0.1)  # bilinear over a quarter degree


def test_bundled_geoid_against_proj():
    if not GTX.is_file():
        pytest.skip("proj-data's egm96_15.gtx is not installed")
    lon, lat = np.random.default_rng(3).uniform([[-180], [-89.9]], [[180], [89.9]], (2, 2000))
    shift = pyproj.Transformer.from_pipeline(
        "+proj=pipeline +step +proj=unitconvert +xy_in=deg +xy_out=rad "
        f"+step +proj=vgridshift +grids={GTX} +multiplier=1 +step +proj=unitconvert +xy_in=rad +xy_out=deg"
    )
    _, _, height = shift.transform(lon, lat, np.zeros(2000))
    np.testing.assert_allclose(height, bundled_geoid().at(lon, lat), atol=0.0051)


def test_bundled_geoid_is_a_small_file():
    path = Path(__file__).parents[2] / "planner" / "data" / "geoid" / "egm96_15.tif"
    assert path.stat().st_size < 1_000_000
    assert bundled_geoid().separation_m.shape == (721, 1440)
