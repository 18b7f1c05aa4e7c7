"""The sample terrain: real to its own description, and the same each time it is made."""

import importlib.util
import json
from pathlib import Path
from types import ModuleType

import numpy as np
import pyproj
import pytest
import rasterio
import shapely

ROOT = Path(__file__).resolve().parents[1]
SAMPLES, MISSIONS = ROOT / "terrain_samples", ROOT / "missions"
RASTERS = (
    "oskarfell_ground.tif",
    "oskarfell_surface.tif",
    "lowmere_ground.tif",
    "thornwick_ground.tif",
    "thornwick_surface.tif",
)
SITES = (("oskarfell_ground.tif", "oskarfell_area.geojson"), ("lowmere_ground.tif", "lowmere_area.geojson"))


@pytest.fixture(scope="module")
def script() -> ModuleType:
    spec = importlib.util.spec_from_file_location("make_terrain", SAMPLES / "make_terrain.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def heights_m(name: str) -> np.ndarray:
    with rasterio.open(SAMPLES / name) as file:
        return file.read(1).astype(np.float64)


def area_in(crs: str, name: str) -> shapely.Polygon:
    tree = json.loads((MISSIONS / name).read_text(encoding="utf-8"))
    lonlat = shapely.geometry.shape(tree["features"][0]["geometry"])
    to_grid = pyproj.Transformer.from_crs("EPSG:4326", crs, always_xy=True)
    return shapely.transform(lonlat, lambda xy: np.column_stack(to_grid.transform(xy[:, 0], xy[:, 1])))


def slope_deg(height: np.ndarray) -> np.ndarray:
    return np.degrees(np.arctan(np.hypot(*np.gradient(height))))


def test_the_script_makes_the_rasters_and_areas_that_are_here(script: ModuleType) -> None:
    made = script.rasters()
    assert set(made) == {path.name for path in SAMPLES.glob("*.tif")} == set(RASTERS)
    for name, (lattice, _, heights) in made.items():
        with rasterio.open(SAMPLES / name) as file:
            assert file.transform == lattice.transform
        np.testing.assert_allclose(heights, heights_m(name), rtol=0, atol=1e-3)
    for name, text in script.areas().items():
        made_deg, here_deg = (
            shapely.get_coordinates(shapely.from_geojson(source))
            for source in (text, (MISSIONS / name).read_text(encoding="utf-8"))
        )
        np.testing.assert_allclose(made_deg, here_deg, rtol=0, atol=1.5e-7)


@pytest.mark.parametrize("name", RASTERS)
def test_a_raster_is_small_placed_and_whole(name: str) -> None:
    assert (SAMPLES / name).stat().st_size < 2_000_000
    with rasterio.open(SAMPLES / name) as file:
        assert file.crs.to_epsg() == {"o": 32629, "l": 32631, "t": 32630}[name[0]]
        assert file.units == ("metre",)
        assert file.res == (1.0, 1.0)
        assert (file.read_masks(1) == 255).all()


@pytest.mark.parametrize(("raster", "area"), SITES)
def test_an_area_has_200_m_of_raster_round_it(raster: str, area: str) -> None:
    with rasterio.open(SAMPLES / raster) as file:
        extent, crs = shapely.box(*file.bounds), file.crs.to_string()
    assert extent.buffer(-200).contains(area_in(crs, area))


@pytest.mark.parametrize(
    ("area", "hectares"),
    [("oskarfell_area.geojson", 60 * 40 / 100), ("lowmere_area.geojson", 48), ("thornwick_area.geojson", 25)],
)
def test_an_area_is_one_anticlockwise_ring_of_the_size_in_the_brief(area: str, hectares: float) -> None:
    polygon = shapely.geometry.shape(
        json.loads((MISSIONS / area).read_text(encoding="utf-8"))["features"][0]["geometry"]
    )
    assert polygon.is_valid
    assert not polygon.interiors
    assert polygon.exterior.is_ccw  # RFC 7946, 3.1.6
    square_m, _ = pyproj.Geod(ellps="WGS84").geometry_area_perimeter(polygon)
    assert square_m / 1e4 == pytest.approx(hectares, rel=2e-3)


def test_the_quarry_has_four_benches_of_15_m_with_70_degree_faces(script: ModuleType) -> None:
    ground = heights_m("oskarfell_ground.tif")
    slope = slope_deg(ground)
    along, across = script.from_site(*script.QUARRY.centres_m())
    pit = (np.abs(along) < 290) & (np.abs(across) < 190)
    no_road = pit & (along < 100) & (across > 0)
    for floor in (140, 155, 170, 185):
        assert (pit & (np.abs(ground - floor) < 0.5) & (slope < 5)).sum() > 3000
        middle = no_road & (ground > floor + 4) & (ground < floor + 11) & (slope > 50)  # heaps lie at 37
        assert middle.sum() > 500
        assert np.median(slope[middle]) == pytest.approx(70, abs=0.5)
        assert (np.abs(slope[middle] - 70) < 2).mean() > 0.99
    between = (np.mod(ground - 140, 15) > 2) & (np.mod(ground - 140, 15) < 13)
    road = pit & between & (ground > 140) & (ground < 185) & (slope < 10)
    assert road.sum() > 2000
    assert np.median(slope[road]) == pytest.approx(np.degrees(np.arctan(0.10)), abs=0.5)


def test_the_rim_lies_near_200_m_and_the_hills_rise_beyond() -> None:
    ground = heights_m("oskarfell_ground.tif")
    with rasterio.open(SAMPLES / "oskarfell_ground.tif") as file:
        edge = area_in(file.crs.to_string(), "oskarfell_area.geojson").exterior.segmentize(5.0)
        rows, cols = rasterio.transform.rowcol(file.transform, *shapely.get_coordinates(edge).T)
    assert np.mean(ground[rows, cols]) == pytest.approx(200, abs=3)
    assert np.ptp(ground[rows, cols]) < 20
    assert ground.max() > 225


def test_the_top_surface_is_nowhere_below_the_ground_and_shows_roofs_and_crowns() -> None:
    above = heights_m("oskarfell_surface.tif") - heights_m("oskarfell_ground.tif")
    assert above.min() == 0
    assert 10 < above.max() < 15
    assert 0.002 < (above > 1).mean() < 0.05


def test_the_levee_is_6_m_high_with_sides_of_1_in_3(script: ModuleType) -> None:
    ground = heights_m("lowmere_ground.tif")
    east, north = script.LEVEE.centres_m()
    with rasterio.open(SAMPLES / "lowmere_ground.tif") as file:
        corridor = area_in(file.crs.to_string(), "lowmere_area.geojson")
    inside = shapely.contains_xy(corridor, east, north)
    crest = np.where(inside, ground, -np.inf).max(axis=0)
    crest = crest[np.isfinite(crest)][20:-20]  # the ends are cut square to the centreline, not to the raster
    plain = np.median(ground[(ground > 1.0) & (ground < 2.0)])
    assert np.median(crest) - plain == pytest.approx(6.0, abs=0.1)
    assert np.ptp(crest) < 0.1
    sides = inside & (ground > 3) & (ground < 7)
    tangent = np.hypot(*np.gradient(ground))[sides]
    assert np.median(tangent) == pytest.approx(1 / 3, abs=0.005)
    assert (np.abs(tangent - 1 / 3) < 0.02).mean() > 0.95


def test_the_levee_has_level_water_on_both_sides(script: ModuleType) -> None:
    ground = heights_m("lowmere_ground.tif")
    crest_row = np.argmax(ground, axis=0)
    above_crest = np.arange(ground.shape[0])[:, None] < crest_row
    river, mere = ground == script.RIVER_M, ground == script.MERE_M
    assert (river & above_crest).sum() > 400_000
    assert (river & ~above_crest).sum() < 2000  # ditch banks pass through the river's level
    assert (mere & ~above_crest).sum() > 60_000
