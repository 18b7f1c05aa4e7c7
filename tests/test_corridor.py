"""A whole job along a centreline: planned, forecast and held against the corridor it must cover."""

import json

import numpy as np
import pytest
import rasterio
import shapely
from affine import Affine
from made_site import FRAME, UTM, write_mission
from pyproj import Transformer

from planner.files.geofiles import read_scene
from planner.files.missionfile import read_mission
from planner.survey.jobs import make_plan
from planner.survey.outlook import make_forecast

# 1 km with bends of 30 and 60 degrees; invented
COURSES_DEG = np.array([80.0, 110.0, 50.0])
LEGS_M = np.array([350.0, 350.0, 300.0])
STEPS = LEGS_M[:, np.newaxis] * np.column_stack([np.sin(np.radians(COURSES_DEG)), np.cos(np.radians(COURSES_DEG))])
LINE = np.vstack([[0.0, 0.0], np.cumsum(STEPS, axis=0)]) - STEPS.sum(axis=0) / 2


def write_job(folder, **changes):
    """Write a bent line over a plain that rises gently in waves, and the mission."""
    coordinates = np.column_stack(FRAME.to_lonlat(*LINE.T)).tolist()
    feature = {"type": "Feature", "properties": {}, "geometry": {"type": "LineString", "coordinates": coordinates}}
    text = json.dumps({"type": "FeatureCollection", "features": [feature]})
    (folder / "line.geojson").write_text(text, encoding="utf-8")
    middle = np.round(Transformer.from_crs(4326, UTM, always_xy=True).transform(*FRAME.to_lonlat(0.0, 0.0)), -1)
    east, north = np.meshgrid(np.arange(-797.5, 800, 5), np.arange(597.5, -600, -5))
    pixels = 300 + 0.02 * east + 4 * np.sin(east / 90) * np.cos(north / 70)
    place = Affine(5, 0, middle[0] - 800, 0, -5, middle[1] + 600)
    said = {"driver": "GTiff", "count": 1, "dtype": "float32", "crs": UTM, "transform": place}
    with rasterio.open(folder / "ground.tif", "w", height=pixels.shape[0], width=pixels.shape[1], **said) as raster:
        raster.write(pixels.astype(np.float32), 1)
    tables = {
        "site": {"area": None, "centreline": "line.geojson", "width_left_m": 30, "width_right_m": 30, "buffer_m": 5},
        "requirement": {"density_per_m2": 60, "cell_m": 2.0},
        "flight": {"agl_m": None, "speed_mps": None},
        "aircraft": {"take_off": [coordinates[0]]},
    }
    return write_mission(folder, **(tables | changes))


@pytest.fixture(scope="module")
def job(tmp_path_factory):
    mission = read_mission(write_job(tmp_path_factory.mktemp("corridor")))
    scene = read_scene(mission)
    plan = make_plan(mission, scene)
    return mission, scene, plan, make_forecast(mission, scene, plan.lines, threads=2)


def block_of(plan):
    return [line for line in plan.lines if line.line_id.startswith("L")]


def test_lines_run_along_the_legs_of_the_centreline(job):
    _, _, plan, _ = job
    block = [figures for figures in plan.figures if figures.line_id.startswith("L")]
    assert sorted({round(figures.heading_deg) % 180 for figures in block}) == sorted(COURSES_DEG)
    assert plan.settings.bound_by["heading_deg"] == "longest leg of the centreline"
    assert plan.settings.heading_deg % 180 in (pytest.approx(80, abs=0.5), pytest.approx(110, abs=0.5))
    assert plan.sorties
    assert not plan.path_faults


def test_cross_lines_lie_over_one_leg_only(job):
    _, _, plan, _ = job
    crossing = [line for line in plan.lines if line.line_id.startswith("X")]
    assert len(crossing) >= 2
    longest = max(block_of(plan), key=lambda line: line.kept_length_m)
    track = shapely.LineString(longest.points_m[:, :2])
    for line in crossing:
        assert abs(np.sin(line.track_rad - longest.track_rad)) == pytest.approx(1, abs=1e-6) or line.line_id == "X01"
        assert track.distance(shapely.LineString(line.points_m[:, :2])) < 1


def test_the_corridor_is_covered_and_meets_the_density(job):
    _, scene, _, forecast = job
    judged = forecast.judged
    assert judged.sum() * forecast.cells.cell_m**2 == pytest.approx(scene.area.area, rel=0.02)
    assert (forecast.first_per_m2[judged] > 0).mean() >= 0.999
    assert forecast.met


def test_little_is_flown_beside_the_corridor(job):
    # lines abreast times the length of the centreline, and what reaches the outer corners of both knees
    _, _, plan, _ = job
    lines = block_of(plan)
    abreast = len(lines) / len(LEGS_M)
    assert abreast == round(abreast)
    assert sum(line.kept_length_m for line in lines) == pytest.approx(abreast * LEGS_M.sum(), rel=0.1)
