"""Heights read onto the lattice: against planes, direct samples and real terrain; refusals with their code."""

import os
import subprocess
import sys
from importlib.util import find_spec
from pathlib import Path

import matplotlib.cbook
import numpy as np
import pyproj
import pytest
import rasterio
import shapely
from affine import Affine

from planner.errors import InputError
from planner.files.terrainfiles import inspect_terrain, read_heights
from planner.ground.geodesy import Frame, site_frame

UTM = Frame(pyproj.CRS.from_epsg(32632), 500_000.0, 5_000_000.0)
TURNED = Affine(0.9, 0.4, 499_980, -0.4, 0.9, 5_000_000)
BOX = (0.0, 0.0, 100.0, 60.0)


def write(path, heights, transform=None, crs="EPSG:32632", **more):
    """Write a raster whose north-west corner is 10 m out of BOX, pixels of 1 m unless told."""
    transform = transform or Affine(1, 0, 499_990, 0, -1, 5_000_070)
    heights = np.asarray(heights)
    units, scale = more.pop("units", None), more.pop("scale", None)
    profile = {"driver": "GTiff", "count": 1, "dtype": heights.dtype, "crs": crs, "transform": transform, **more}
    with rasterio.open(path, "w", height=heights.shape[0], width=heights.shape[1], **profile) as raster:
        raster.write(heights, 1)
        if units:
            raster.units = (units,)
        if scale:
            raster.scales, raster.offsets = (scale[0],), (scale[1],)
    return str(path)


def plane(transform=None, shape=(80, 120), slope=(0.3, -0.2)):
    """Heights of a plane at pixel centres, in UTM less the local origin."""
    transform = transform or Affine(1, 0, 499_990, 0, -1, 5_000_070)
    col, row = np.meshgrid(np.arange(shape[1]) + 0.5, np.arange(shape[0]) + 0.5)
    east, north = (
        transform.a * col + transform.b * row + transform.c,
        transform.d * col + transform.e * row + transform.f,
    )
    return 200 + slope[0] * (east - 500_000) + slope[1] * (north - 5_000_000)


def vertices(grid):
    rows, cols = grid.heights_m.shape
    return np.meshgrid(grid.west_m + np.arange(cols) * grid.spacing_m, grid.north_m - np.arange(rows) * grid.spacing_m)


@pytest.mark.parametrize("spacing_m", [1.0, 0.5, 0.75, 3.0])
def test_a_plane_is_read_exactly_whatever_the_spacing(tmp_path, spacing_m):
    grid = read_heights(write(tmp_path / "a.tif", plane()), UTM, BOX, spacing_m)
    east, north = vertices(grid)
    assert grid.known.all()
    np.testing.assert_allclose(grid.heights_m, 200 + 0.3 * east - 0.2 * north, atol=1e-9)


@pytest.mark.parametrize("box", [BOX, (0.3, 0.2, 99.1, 59.9), (-3.9, 2.0, 50.1, 9.0)])
def test_the_lattice_is_made_of_multiples_of_its_spacing_and_reaches_the_bounds(tmp_path, box):
    grid = read_heights(write(tmp_path / "a.tif", plane()), UTM, box, 0.7)
    assert (grid.west_m / 0.7) == pytest.approx(round(grid.west_m / 0.7), abs=1e-9)
    assert (grid.north_m / 0.7) == pytest.approx(round(grid.north_m / 0.7), abs=1e-9)
    for outer, bound in zip(
        (-grid.west_m, -grid.south_m, grid.east_m, grid.north_m), (-box[0], -box[1], *box[2:]), strict=True
    ):
        assert bound - 1e-9 <= outer < bound + 0.7


@pytest.mark.parametrize("transform", [Affine(1, 0, 499_990, 0, 1, 4_999_990), TURNED])
def test_south_up_and_turned_rasters(tmp_path, transform):
    grid = read_heights(write(tmp_path / "a.tif", plane(transform), transform), UTM, (20.0, 10.0, 60.0, 20.0), 1.0)
    east, north = vertices(grid)
    assert grid.known.mean() > 0.5
    np.testing.assert_allclose(grid.heights_m[grid.known], (200 + 0.3 * east - 0.2 * north)[grid.known], atol=1e-9)


def test_another_crs_and_longitudes_from_0_to_360(tmp_path):
    frame, step = site_frame(-7.0, 62.0), 1 / 7200
    lon, lat = np.meshgrid(-7.01 + (np.arange(150) + 0.5) * step, 62.01 - (np.arange(150) + 0.5) * step)
    heights = 300 + 4000 * (lon + 7) + 9000 * (lat - 62)
    sources = [
        write(tmp_path / f"{west:.0f}.tif", heights, Affine(step, 0, west, 0, -step, 62.01), "EPSG:4326")
        for west in (-7.01, 352.99)
    ]
    east, north = np.meshgrid(np.arange(-300, 301, 2.0), np.arange(300, -301, -2.0))
    at_lon, at_lat = frame.to_lonlat(east, north)
    for source in sources:
        grid = read_heights(source, frame, (-300, -300, 300, 300), 2.0)
        assert grid.known.all()
        np.testing.assert_allclose(grid.heights_m, 300 + 4000 * (at_lon + 7) + 9000 * (at_lat - 62), atol=1e-6)


@pytest.mark.parametrize("nodata", [-9999.0, np.nan])
def test_pixels_without_data_stay_unknown_and_lend_nothing(tmp_path, nodata):
    heights = plane(slope=(0, 0))
    heights[30:34, 40:46] = nodata  # local east 30 to 36, north 36 to 40
    grid = read_heights(write(tmp_path / "a.tif", heights, nodata=nodata), UTM, BOX, 0.25)
    east, north = vertices(grid)
    within = (east > 30.01) & (east < 35.99) & (north > 36.01) & (north < 39.99)
    beyond = (east < 29.99) | (east > 36.01) | (north < 35.99) | (north > 40.01)
    assert not grid.known[within].any()
    assert grid.known[beyond].all()
    assert (~grid.known).sum() * 0.25**2 == pytest.approx(24)
    np.testing.assert_allclose(grid.heights_m, 200.0, atol=1e-4)
    assert np.isnan(grid.at(33.0, 38.0))


def test_undeclared_nan_is_no_data(tmp_path):
    heights = plane()
    heights[30:34, 40:46] = np.nan
    assert not read_heights(write(tmp_path / "a.tif", heights), UTM, BOX, 1.0).known.all()


def test_a_single_pixel_hole_is_not_closed_by_interpolation(tmp_path):
    coarse = Affine(10, 0, 499_950, 0, -10, 5_000_100)
    heights = np.full((20, 20), 200.0)
    heights[6, 8] = -1.0
    grid = read_heights(write(tmp_path / "a.tif", heights, coarse, nodata=-1.0), UTM, BOX, 1.0)
    assert (~grid.known).sum() == 100
    assert grid.heights_m.min() == pytest.approx(200.0)


def test_bridges_lie_between_the_heights_round_the_hole(tmp_path):
    heights = plane()
    heights[20:50, 30:80] = -9999
    grid = read_heights(write(tmp_path / "a.tif", heights, nodata=-9999), UTM, BOX, 1.0)
    bridge = grid.heights_m[~grid.known]
    assert len(bridge) > 1000
    assert grid.heights_m[grid.known].min() <= bridge.min() < bridge.max() <= grid.heights_m[grid.known].max()


def test_beyond_the_raster_nothing_is_known_but_all_is_finite(tmp_path):
    grid = read_heights(write(tmp_path / "a.tif", plane()), UTM, (-400.0, -300.0, 400.0, 300.0), 2.0)
    east, north = vertices(grid)
    inside = (east >= -10) & (east <= 110) & (north >= -10) & (north <= 70)
    np.testing.assert_array_equal(grid.known, inside)
    assert np.isfinite(grid.heights_m).all()


def test_scaled_integers_are_unpacked(tmp_path):
    packed = np.rint((plane() - 100) * 100).astype(np.int16)
    grid = read_heights(write(tmp_path / "a.tif", packed, scale=(0.01, 100.0)), UTM, BOX, 1.0)
    east, north = vertices(grid)
    np.testing.assert_allclose(grid.heights_m, 200 + 0.3 * east - 0.2 * north, atol=0.006)


@pytest.mark.parametrize(
    ("label", "declared", "metres"),
    [
        (None, None, 1.0),
        ("metre", None, 1.0),
        ("ft", None, 0.3048),
        ("US survey foot", None, 1200 / 3937),
        (None, "foot", 0.3048),
        (None, "us_survey_foot", 1200 / 3937),
        ("ft", "metre", 1.0),
    ],
)
def test_heights_come_in_metres(tmp_path, label, declared, metres):
    source = write(tmp_path / "a.tif", plane(), units=label)
    grid = read_heights(source, UTM, BOX, 1.0, declared)
    east, north = vertices(grid)
    np.testing.assert_allclose(grid.heights_m, metres * (200 + 0.3 * east - 0.2 * north), atol=1e-9)


def test_a_declared_unit_beats_the_label_and_says_so(tmp_path):
    terrain = inspect_terrain(write(tmp_path / "a.tif", plane(), units="ft"), "metre")
    assert terrain.cautions == (
        "a.tif says that its heights are in foot; metre was taken, as terrain.vertical_unit says.",
    )


def test_the_vertical_crs_names_datum_and_unit(tmp_path):
    source = write(tmp_path / "a.tif", plane(), crs="EPSG:26915+6360")  # NAVD88 height in US survey feet
    terrain = inspect_terrain(source)
    assert (terrain.vertical, terrain.unit) == ("NAVD88 height (ftUS)", "us_survey_foot")
    assert terrain.crs.to_epsg() == 26915
    tilted = inspect_terrain(write(tmp_path / "b.tif", plane(), Affine(1e-5, 0, 7, 0, -1e-5, 60), "EPSG:4979"))
    assert tilted.vertical == "ellipsoid"


def test_e07_feet_across_and_no_word_about_heights(tmp_path):
    source = write(tmp_path / "a.tif", plane(), crs="EPSG:2225")
    refused(source, "E07", r"California zone 1 \(ftUS\) counts in US survey foot and nothing says")
    assert inspect_terrain(source, "us_survey_foot").unit == "us_survey_foot"


def test_e07_a_unit_that_is_none(tmp_path):
    refused(write(tmp_path / "a.tif", plane(), units="furlong"), "E07", 'heights in "furlong"')


def refused(source, code, message, box=BOX, unit=None):
    with pytest.raises(InputError, match=message) as caught:
        read_heights(source, UTM, box, 1.0, unit)
    assert [fault.code for fault in caught.value.faults] == [code]
    assert caught.value.faults[0].where == source
    assert caught.value.faults[0].fix


def test_e10_no_crs(tmp_path):
    refused(write(tmp_path / "a.tif", plane(), crs=None), "E10", "names no CRS")


def test_e11_no_data_at_all(tmp_path):
    refused(write(tmp_path / "a.tif", plane()), "E11", "no data within the site", box=(5000.0, 0.0, 5100.0, 50.0))


@pytest.mark.parametrize(
    ("heights", "message"),
    [
        (np.zeros((80, 120)), "all heights are 0"),
        (np.where(plane() > 205, -9999.0, plane()), r"heights from -9999 to 204\.\d+ m"),
        (plane() + 20000, "this looks like feet"),
        (plane() + 50000, r"ground lies between -450 and 9000 m"),
    ],
)
def test_e12_heights_that_cannot_be(tmp_path, heights, message):
    refused(write(tmp_path / "a.tif", heights), "E12", message)


@pytest.mark.filterwarnings("ignore::rasterio.errors.NotGeoreferencedWarning")
@pytest.mark.parametrize("transform", [Affine.identity(), Affine(1, 1, 500000, 1, 1, 5e6)])
def test_e16_no_usable_transform(tmp_path, transform):
    refused(write(tmp_path / "a.tif", plane(), transform), "E16", "no transform from pixels .* cannot be inverted")


def test_e45_not_a_raster(tmp_path):
    (tmp_path / "a.tif").write_text("no raster")
    refused(str(tmp_path / "a.tif"), "E45", "cannot be read")
    refused(str(tmp_path / "none.tif"), "E45", "cannot be read")


def test_outline_and_pixel_size(tmp_path):
    terrain = inspect_terrain(write(tmp_path / "a.tif", plane()))
    assert terrain.share_of(UTM, shapely.box(-10, -10, 110, 70)) == pytest.approx(1.0)
    assert terrain.share_of(UTM, shapely.box(50, 0, 150, 50)) == pytest.approx(0.6)
    assert terrain.share_of(UTM, shapely.box(500, 0, 550, 50)) == 0
    assert terrain.cell_m(UTM, 10.0, 10.0) == pytest.approx((1 / 0.9996, 1 / 0.9996), rel=1e-4)
    assert terrain.bounds_deg()[0] == pytest.approx(UTM.to_lonlat(-10, -10)[0].item(), abs=1e-6)


def test_another_proj_database_is_named(tmp_path):
    (tmp_path / "proj.db").write_bytes(b"")
    script = "from planner.files.terrainfiles import check_proj\ncheck_proj()"
    run = subprocess.run(
        [sys.executable, "-c", script],
        env=os.environ | {"PROJ_DATA": str(tmp_path)},
        cwd=Path(__file__).parents[2],
        capture_output=True,
        text=True,
        check=False,
    )
    assert run.returncode != 0
    assert f"E10 coordinate systems cannot be read: PROJ_DATA={tmp_path} points to another PROJ database" in run.stderr
    assert "unset PROJ_DATA and PROJ_LIB" in run.stderr


def jacksboro(tmp_path):
    """matplotlib's sample elevation model as a GeoTIFF; its ymin and ymax are swapped in the file."""
    data = matplotlib.cbook.get_sample_data("jacksboro_fault_dem.npz")
    north, west = float(data["ymin"]), float(data["xmin"])
    assert north > float(data["ymax"])
    rows, cols = data["elevation"].shape
    step = (float(data["xmax"]) - west) / cols
    transform = Affine(step, 0, west, 0, -(north - float(data["ymax"])) / rows, north)
    return write(tmp_path / "jacksboro.tif", data["elevation"], transform, "EPSG:4269")


def lidar_dem():
    spec = find_spec("lidar")
    if spec is None or not spec.submodule_search_locations:
        pytest.skip("the package `lidar`, whose data/dem.tif is read here, is not installed")
    return str(Path(spec.submodule_search_locations[0]) / "data" / "dem.tif")


@pytest.mark.parametrize("place", ["jacksboro", "lidar"])
def test_real_terrain_against_direct_samples(tmp_path, place):
    source = jacksboro(tmp_path) if place == "jacksboro" else lidar_dem()
    with rasterio.open(source) as raster:
        crs, middle = pyproj.CRS.from_wkt(raster.crs.to_wkt()), raster.xy(raster.height // 2, raster.width // 2)
        to_lonlat = pyproj.Transformer.from_crs(crs, 4326, always_xy=True)
        frame, half = site_frame(*to_lonlat.transform(*middle)), 600.0 if place == "jacksboro" else 120.0
        grid = read_heights(source, frame, (-half, -half, half, half), half / 200)
        rng = np.random.default_rng(11)
        row, col = rng.integers(0, grid.heights_m.shape[0], (2, 400))
        lon, lat = frame.to_lonlat(grid.west_m + col * grid.spacing_m, grid.north_m - row * grid.spacing_m)
        x, y = to_lonlat.transform(lon, lat, direction="INVERSE")
        pixels = raster.read(1).astype(float)
        across, down = (x - raster.bounds.left) / raster.res[0], (raster.bounds.top - y) / raster.res[1]
    assert grid.known.all()
    left, top = np.floor(across - 0.5).astype(int), np.floor(down - 0.5).astype(int)
    around = np.stack([pixels[top + r, left + c] for r in (0, 1) for c in (0, 1)])
    read = grid.heights_m[row, col]
    assert np.all((read >= around.min(axis=0) - 1e-3) & (read <= around.max(axis=0) + 1e-3))
    fx, fy = across - 0.5 - left, down - 0.5 - top
    weights = np.stack([(1 - fy) * (1 - fx), (1 - fy) * fx, fy * (1 - fx), fy * fx])
    np.testing.assert_allclose(read, (weights * around).sum(axis=0), atol=1e-3)


def test_lidar_terrain_at_its_own_pixel_centres():
    source = lidar_dem()
    with rasterio.open(source) as raster:
        pixels, corner = raster.read(1), raster.xy(0, 0)
    frame = Frame(pyproj.CRS.from_epsg(26915), corner[0], corner[1] - 399)
    grid = read_heights(source, frame, (0.0, 0.0, 399.0, 399.0), 1.0)
    np.testing.assert_allclose(grid.heights_m, pixels, atol=1e-4)


def test_a_raster_by_its_address(tmp_path, monkeypatch):
    monkeypatch.setenv("no_proxy", "127.0.0.1")
    write(tmp_path / "a.tif", plane(), tiled=True, blockxsize=64, blockysize=64)
    command = [sys.executable, "-u", "-m", "http.server", "0", "--bind", "127.0.0.1", "--directory", str(tmp_path)]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True) as server:
        port = int(server.stdout.readline().split(" port ")[1].split()[0])
        try:
            grid = read_heights(f"http://127.0.0.1:{port}/a.tif", UTM, BOX, 1.0)
        finally:
            server.terminate()
    np.testing.assert_array_equal(grid.heights_m, read_heights(str(tmp_path / "a.tif"), UTM, BOX, 1.0).heights_m)
