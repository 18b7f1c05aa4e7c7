"""The sample terrain: real to its own description, and the same each time it is made."""

import importlib
import json
import tomllib
from collections.abc import Iterator
from pathlib import Path
from types import ModuleType
from typing import Any

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
    "petrow_ground.tif",
    "petrow_surface.tif",
    "norrstad_ground.tif",
    "vass_ground.tif",
    "hollin_gill_ground.tif",
    "karnholt_ground.tif",
    "castlefen_ground.tif",
)
EPSG = {"oskarfell": 32629, "lowmere": 32631, "thornwick": 32630, "petrow": 32633, "norrstad": 32632, "vass": 32633}
EPSG |= {"hollin_gill": 32630, "karnholt": 32633, "castlefen": 32631}
CELL_M = dict.fromkeys(("norrstad", "vass", "hollin_gill", "karnholt", "castlefen"), 2.0)
SITES = tuple(
    (f"{place}_ground.tif", f"{place}_area.geojson", margin_m)
    for place, margin_m in (
        ("oskarfell", 200),
        ("lowmere", 200),
        ("petrow", 150),
        ("norrstad", 200),
        ("vass", 195),
        ("hollin_gill", 200),
        ("karnholt", 300),
        ("castlefen", 200),
    )
)
COVERED = ("thornwick", "lowmere", "petrow", "norrstad", "vass")


def place_of(name: str) -> str:
    return name.rsplit("_", 1)[0]


@pytest.fixture(scope="module")
def script() -> Iterator[ModuleType]:
    """The script as it runs from its own folder: its places are modules of its own."""
    with pytest.MonkeyPatch.context() as patch:
        patch.syspath_prepend(str(SAMPLES))
        yield importlib.import_module("make_terrain")


def heights_m(name: str) -> np.ndarray:
    with rasterio.open(SAMPLES / name) as file:
        return file.read(1).astype(np.float64)


def drawn_in(crs: str, name: str) -> list[tuple[dict[str, Any], shapely.Geometry]]:
    """Fields and shape of every feature of a file of the missions, in a projected CRS."""
    to_grid = pyproj.Transformer.from_crs("EPSG:4326", crs, always_xy=True)

    def onto_grid(xy: np.ndarray) -> np.ndarray:
        return np.column_stack(to_grid.transform(xy[:, 0], xy[:, 1]))

    features = json.loads((MISSIONS / name).read_text(encoding="utf-8"))["features"]
    return [
        (one["properties"], shapely.transform(shapely.geometry.shape(one["geometry"]), onto_grid)) for one in features
    ]


def area_in(crs: str, name: str) -> shapely.Polygon:
    return drawn_in(crs, name)[0][1]


def cover_of(place: str) -> dict[str, shapely.Geometry]:
    """What lies on top, by class, in the place's own CRS: each polygon less those that come after it."""
    seen: dict[str, shapely.Geometry] = {}
    above = shapely.Polygon()
    for fields, part in reversed(drawn_in(f"EPSG:{EPSG[place]}", f"{place}_cover.geojson")):
        seen[fields["cover"]] = seen.get(fields["cover"], shapely.Polygon()).union(part.difference(above))
        above = above.union(part)
    return seen


def cells_in(name: str, geometry: shapely.Geometry) -> np.ndarray:
    """Heights of the cells of a raster whose centres lie in a geometry."""
    with rasterio.open(SAMPLES / name) as file:
        heights, to_crs = file.read(1).astype(np.float64), file.transform
    cols, rows = np.meshgrid(np.arange(heights.shape[1]) + 0.5, np.arange(heights.shape[0]) + 0.5)
    return heights[shapely.contains_xy(geometry, to_crs.c + to_crs.a * cols, to_crs.f + to_crs.e * rows)]


def slope_deg(height: np.ndarray, cell_m: float = 1.0) -> np.ndarray:
    return np.degrees(np.arctan(np.hypot(*np.gradient(height, cell_m))))


def test_the_script_makes_the_rasters_and_outlines_that_are_here(script: ModuleType) -> None:
    made = script.rasters()
    assert set(made) == {path.name for path in SAMPLES.glob("*.tif")} == set(RASTERS)
    for name, (lattice, _, heights) in made.items():
        with rasterio.open(SAMPLES / name) as file:
            assert file.transform == lattice.transform
        np.testing.assert_allclose(heights, heights_m(name), rtol=0, atol=1e-3)
    for name, text in script.outlines().items():
        made_deg, here_deg = (
            shapely.get_coordinates(shapely.from_geojson(source))
            for source in (text, (MISSIONS / name).read_text(encoding="utf-8"))
        )
        np.testing.assert_allclose(made_deg, here_deg, rtol=0, atol=1.5e-7)


@pytest.mark.parametrize("name", RASTERS)
def test_a_raster_is_small_placed_and_whole(name: str) -> None:
    place = place_of(name)
    assert (SAMPLES / name).stat().st_size < (2_000_000 if place in ("oskarfell", "lowmere") else 400_000)
    with rasterio.open(SAMPLES / name) as file:
        assert file.crs.to_epsg() == EPSG[place]
        assert file.units == ("metre",)
        assert file.res == (CELL_M.get(place, 1.0),) * 2
        assert (file.read_masks(1) == 255).all()


@pytest.mark.parametrize(("raster", "area", "margin_m"), SITES)
def test_an_area_has_raster_round_it_for_turns(raster: str, area: str, margin_m: float) -> None:
    with rasterio.open(SAMPLES / raster) as file:
        extent, crs = shapely.box(*file.bounds), file.crs.to_string()
    assert extent.buffer(-margin_m).contains(area_in(crs, area))


@pytest.mark.parametrize(
    ("area", "hectares"),
    [
        ("oskarfell_area.geojson", 60 * 40 / 100),
        ("lowmere_area.geojson", 48),
        ("thornwick_area.geojson", 25),
        ("petrow_area.geojson", 16),
        ("norrstad_area.geojson", 36),
        ("vass_area.geojson", 48),
        ("hollin_gill_area.geojson", 50),
        ("karnholt_area.geojson", 120 * 90 / 100),
        ("castlefen_area.geojson", 24),
    ],
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
    along, across = script.oskarfell.from_site(*script.oskarfell.LATTICE.centres_m())
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
    east, north = script.lowmere.LATTICE.centres_m()
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
    river, mere = ground == script.lowmere.RIVER_M, ground == script.lowmere.MERE_M
    assert (river & above_crest).sum() > 400_000
    assert (river & ~above_crest).sum() < 2000  # ditch banks pass through the river's level
    assert (mere & ~above_crest).sum() > 60_000


def test_the_crest_road_is_a_named_line_on_asphalt_at_the_top_of_the_levee() -> None:
    crs = f"EPSG:{EPSG['lowmere']}"
    named = {fields["name"]: line for fields, line in drawn_in(crs, "lowmere_features.geojson")}
    assert set(named) == {"crest road", "way up"}
    assert named["crest road"].length == pytest.approx(4000, rel=0.01)
    cover = cover_of("lowmere")
    assert cover["asphalt_new"].covers(named["crest road"])
    assert named["way up"].intersection(cover["gravel"]).length > 0.95 * named["way up"].length
    road = cover["asphalt_new"].intersection(area_in(crs, "lowmere_area.geojson"))
    assert road.area == pytest.approx(4 * named["crest road"].length, rel=0.01)
    heights = cells_in("lowmere_ground.tif", road)
    assert heights.min() > 7.25
    assert heights.max() < 7.6


@pytest.mark.parametrize(
    ("place", "kind", "share"),
    [("petrow", "tar_roof", 0.12), ("vass", "water_open", 0.22), ("lowmere", "asphalt_new", 0.033)],
)
def test_what_does_not_return_takes_its_share_of_the_area(place: str, kind: str, share: float) -> None:
    area = area_in(f"EPSG:{EPSG[place]}", f"{place}_area.geojson")
    assert cover_of(place)[kind].intersection(area).area / area.area == pytest.approx(share, abs=0.001)


def test_the_roofs_of_the_village_are_flat_and_7_m_tall() -> None:
    above = heights_m("petrow_surface.tif") - heights_m("petrow_ground.tif")
    assert above.min() == 0
    roofs = above[above > 0]
    assert np.median(roofs) == pytest.approx(7.0, abs=0.05)
    assert np.percentile(np.abs(roofs - 7.0), 95) < 0.5
    drawn = [(fields["cover"], part) for fields, part in drawn_in("EPSG:32633", "petrow_cover.geojson")]
    farms = [part for kind, part in drawn if kind.endswith(("roof", "roof_clay"))]
    assert len(farms) == 161
    assert shapely.union_all(farms).area == pytest.approx(sum(farm.area for farm in farms))  # none in another
    for farm in farms[::20]:
        assert np.ptp(cells_in("petrow_surface.tif", farm)) == 0
    assert sum(farm.area for farm in farms) == pytest.approx(roofs.size, rel=0.01)


def test_the_snow_slope_rises_320_m_at_28_degrees_from_2100_m() -> None:
    area = area_in("EPSG:32632", "norrstad_area.geojson")
    inside = cells_in("norrstad_ground.tif", area)
    assert inside.min() == pytest.approx(2100, abs=8)
    assert np.ptp(inside) == pytest.approx(600 * np.tan(np.radians(28)), abs=15)
    with rasterio.open(SAMPLES / "norrstad_ground.tif") as file:
        slope = slope_deg(file.read(1).astype(np.float64), 2.0)
        middle = slope[250:350, 250:350]
    assert np.median(middle) == pytest.approx(28, abs=1)
    assert np.percentile(np.abs(middle - 28), 95) < 6  # no cliff, no bench


def test_water_of_the_wetland_is_level_and_all_else_stands_above_it(script: ModuleType) -> None:
    level = script.vass.WATER_M
    cover = cover_of("vass")
    assert (cells_in("vass_ground.tif", cover["water_open"].buffer(-0.1)) == level).all()
    shore = cells_in("vass_ground.tif", cover["reed"].difference(cover["water_open"].buffer(1.0)))
    assert shore.min() > level
    assert np.median(shore) - level == pytest.approx(0.5, abs=0.2)


def test_the_valley_has_sides_of_35_degrees_and_falls_190_m_from_moor_to_beck() -> None:
    area = area_in("EPSG:32630", "hollin_gill_area.geojson")
    assert np.ptp(cells_in("hollin_gill_ground.tif", area)) == pytest.approx(190, abs=8)
    with rasterio.open(SAMPLES / "hollin_gill_ground.tif") as file:
        heights, to_crs = file.read(1).astype(np.float64), file.transform
    rows, cols = np.nonzero(np.ones_like(heights))
    inside = shapely.contains_xy(area.buffer(-30), *(to_crs @ (cols + 0.5, rows + 0.5))).reshape(heights.shape)
    sides = slope_deg(heights, 2.0)[inside]
    assert np.median(sides) == pytest.approx(35, abs=0.5)
    assert (np.abs(sides - 35) < 5).mean() > 0.9


def test_the_open_pit_is_140_m_deep_behind_faces_of_72_degrees() -> None:
    area = area_in("EPSG:32633", "karnholt_area.geojson")
    inside = cells_in("karnholt_ground.tif", area)
    rim, floor = np.median(inside[inside > 300]), np.median(inside[inside < 190])
    assert rim - floor == pytest.approx(140, abs=2)
    with rasterio.open(SAMPLES / "karnholt_ground.tif") as file:
        slope = slope_deg(file.read(1).astype(np.float64), 2.0)
    faces = slope[slope > 60]
    assert faces.size > 8000
    assert np.percentile(faces, 75) == pytest.approx(72, abs=1.5)  # cells at the ends of a face see less of it


def test_the_fields_under_the_power_line_rise_and_fall_by_45_m() -> None:
    inside = cells_in("castlefen_ground.tif", area_in("EPSG:32631", "castlefen_area.geojson"))
    assert np.ptp(inside) / 2 == pytest.approx(45, abs=2)


def test_the_power_line_hangs_between_eleven_towers_of_45_m_in_the_middle_of_its_corridor() -> None:
    drawn = drawn_in("EPSG:32631", "castlefen_obstacles.geojson")
    towers = [shape for fields, shape in drawn if fields["kind"] == "tower" and fields["height_agl_m"] == 45]
    [(wire, conductors)] = [(fields, shape) for fields, shape in drawn if fields["kind"] == "wire"]
    assert len(towers) == 11
    assert np.allclose(shapely.get_coordinates(towers), shapely.get_coordinates(conductors))
    spans = np.hypot(*np.diff(shapely.get_coordinates(conductors), axis=0).T)
    np.testing.assert_allclose(spans, 300, atol=0.1)
    assert wire["sag_m"] > 0
    area = area_in("EPSG:32631", "castlefen_area.geojson")
    assert area.centroid.distance(conductors) < 0.1
    [(_, farm)] = drawn_in("EPSG:32631", "castlefen_keep_out.geojson")
    assert 40 < area.distance(farm) < 200


@pytest.mark.parametrize("place", COVERED)
def test_a_cover_polygon_is_sound_and_its_class_is_known(place: str) -> None:
    data = ROOT / "planner" / "data"
    known = tomllib.loads((data / "surfaces.toml").read_text(encoding="utf-8")).keys()
    drawn = drawn_in(f"EPSG:{EPSG[place]}", f"{place}_cover.geojson")
    assert {fields["cover"] for fields, _ in drawn} <= known
    assert all(part.is_valid and part.geom_type == "Polygon" for _, part in drawn)
    for mission in MISSIONS.glob(f"{place}*.toml"):
        default = tomllib.loads(mission.read_text(encoding="utf-8")).get("cover", {}).get("default")
        assert default is None or default in known
