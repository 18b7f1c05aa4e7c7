"""A whole job over an area of two long arms: planned in pieces, forecast, and held against one set of lines."""

import json
from pathlib import Path

import numpy as np
import pytest
import shapely
from made_site import write_mission
from pyproj import Transformer

from planner.files.geofiles import read_scene
from planner.files.missionfile import read_mission
from planner.flight import settings as choosing
from planner.survey.jobs import make_plan
from planner.survey.outlook import make_forecast

TERRAIN = Path(__file__).parents[1] / "terrain_samples" / "castlefen_ground.tif"
MIDDLE = np.array([330000.0, 5800000.0])  # of the terrain, in its own frame
ARMS = shapely.union_all([shapely.box(-450, -300, 450, -210), shapely.box(-450, -300, -360, 250)])  # 90 m wide


def write_job(folder, **flight):
    """Write the area over the sample of terrain, and the mission."""
    to_lonlat = Transformer.from_crs("EPSG:32631", 4326, always_xy=True)
    leaning = shapely.affinity.rotate(ARMS, 15, origin=(0, 0))
    degrees = shapely.transform(leaning, lambda en: np.column_stack(to_lonlat.transform(*(en + MIDDLE).T)))
    feature = {"type": "Feature", "properties": {}, "geometry": shapely.geometry.mapping(degrees)}
    text = json.dumps({"type": "FeatureCollection", "features": [feature]})
    (folder / "area.geojson").write_text(text, encoding="utf-8")
    tables = {
        "site": {"buffer_m": 5},
        "terrain": {"ground": str(TERRAIN)},
        "requirement": {"density_per_m2": 120, "cell_m": 2.0},
        "flight": {"agl_m": None, "speed_mps": None} | flight,
        "aircraft": {"take_off": [list(degrees.centroid.coords[0])]},
    }
    return write_mission(folder, **tables)


def minutes(plan):
    return plan.flight["time_s"]["total"] / 60


@pytest.fixture(scope="module")
def job(tmp_path_factory):
    mission = read_mission(write_job(tmp_path_factory.mktemp("arms")))
    scene = read_scene(mission)
    return mission, scene, make_plan(mission, scene)


def block_of(plan):
    return [line for line in plan.lines if line.line_id.startswith("L")]


def test_each_arm_has_lines_along_it(job):
    _, scene, plan = job
    said = plan.settings.bound_by["heading_deg"]
    assert said.startswith("longest piece; split in 2 pieces: ")
    ways = np.degrees([line.track_rad for line in block_of(plan)]) % 180
    assert {int(round(way / 5) * 5) for way in ways.tolist()} == {75, 165}
    longest = max(block_of(plan), key=lambda line: line.kept_length_m)
    convergence = scene.frame.convergence_rad(*longest.points_m[:, :2].mean(axis=0))
    assert abs(np.sin(np.radians(plan.settings.heading_deg) - longest.track_rad - convergence)) < 1e-3


def test_the_day_is_shorter_than_with_one_set_of_lines(job, monkeypatch):
    mission, scene, plan = job
    monkeypatch.setattr(choosing, "in_pieces", lambda site, _: site)
    whole = make_plan(mission, scene)
    assert "split" not in whole.settings.bound_by["heading_deg"]
    assert minutes(plan) < 0.9 * minutes(whole)


def test_the_forecast_is_met_over_both_arms_and_their_corner(job):
    mission, scene, plan = job
    assert make_forecast(mission, scene, plan.lines, threads=2).met


def test_calibration_lines_cross_one_arm(job):
    _, _, plan = job
    longest = max(block_of(plan), key=lambda line: line.kept_length_m)
    extra = [line for line in plan.lines if line.line_id.startswith("X")]
    crossing = [line for line in extra if abs(np.cos(line.track_rad - longest.track_rad)) < 0.1]
    assert crossing
    assert max(line.kept_length_m for line in crossing) < 200
