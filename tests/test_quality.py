"""What a forecast is worth, on whole jobs: refusals, checkpoints in reach, chances in a sample, slopes as the cause."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from made_site import box_deg, write_area, write_site

import planner
from planner.errors import InfeasibleError, InputError
from planner.files.geofiles import read_scene
from planner.files.missionfile import read_mission
from planner.survey import assess, make_plan, sureness
from planner.survey import quality as qualities

MISSIONS = Path(planner.__file__).parents[1] / "missions"


@pytest.fixture(scope="module")
def meadow(tmp_path_factory):
    folder = tmp_path_factory.mktemp("meadow")
    asked = {"density_per_m2": 150, "vertical_rmse_m": 0.06}
    mission = read_mission(write_site(folder, requirement=asked, doubts={"draws": 40}))
    scene = read_scene(mission)
    return mission, scene, assess(mission, scene, make_plan(mission, scene))


@pytest.mark.parametrize(
    ("coverage", "asked_m", "words"),
    [("single", 0.025, r"2\.69 cm over one pass"), ("aggregate", 0.015, r"1\.6 cm over 4 passes")],
)
def test_a_target_under_the_floor_of_positions_is_refused_with_the_floor(tmp_path, coverage, asked_m, words):
    # Survey card: 2.5 cm of height, halved by four passes, 0.1 cm by 1 ppm of 1 km from the base; with checkpoints of
    # 1 cm the root of the sum of squares is 2.69 and 1.60 cm (C).
    asked = {"density_per_m2": 50, "vertical_rmse_m": asked_m, "coverage": coverage}
    mission = read_mission(write_site(tmp_path, requirement=asked))
    with pytest.raises(InputError, match=rf"E34 .*{100 * asked_m:g} cm is asked for, .* alone leave {words}"):
        make_plan(mission, read_scene(mission))


def test_a_target_that_the_sensor_cannot_reach_is_refused_with_its_term(tmp_path):
    asked = {"density_per_m2": 50, "vertical_rmse_m": 0.028, "coverage": "single"}
    mission = read_mission(write_site(tmp_path, requirement=asked, sensor={"card": "A"}))
    with pytest.raises(InfeasibleError, match=r"E20 .*one pass of this sensor reach \d\.\d+ cm, mostly by") as caught:
        make_plan(mission, read_scene(mission))
    best = caught.value.best
    assert best.quantity == "vertical_rmse_m"
    assert best.reachable > best.asked == 0.028
    assert best.limited_by in str(caught.value)


def test_the_accuracy_counts_in_the_verdict(meadow):
    mission, scene, found = meadow
    forecast = found.forecast
    assert forecast.accuracy.met
    assert forecast.met
    asked = forecast.accuracy.tested_rmse_m - 1e-4
    strict = replace(mission, requirement=replace(mission.requirement, vertical_rmse_m=asked))
    again = assess(strict, scene, found.plan)
    assert not again.forecast.met
    failed = [clause for clause in again.quality.acceptance if clause.status == "not met"]
    assert any(clause.clause.startswith("vertical RMSE") for clause in failed)


def test_checkpoints_stand_only_where_they_may(tmp_path):
    folder = tmp_path
    file = write_site(folder, checkpoints={"count": 4, "within": "commons.geojson"}, doubts={"draws": 0})
    write_area(folder, box_deg(30.0, 20.0), "commons.geojson")
    mission = read_mission(file)
    scene = read_scene(mission)
    found = assess(mission, scene, make_plan(mission, scene)).quality
    assert found.confidence is None
    assert found.checkpoints.points
    for point in found.checkpoints.points:
        assert abs(point.east_m) < 30.5
        assert abs(point.north_m) < 20.5


def test_checkpoint_polygons_outside_the_area_are_refused(tmp_path):
    file = write_site(tmp_path, checkpoints={"within": "far.geojson"})
    write_area(tmp_path, [[lon + 0.01, lat] for lon, lat in box_deg(30.0, 20.0)], "far.geojson")
    with pytest.raises(InputError, match=r"E39 .*do not meet the area"):
        read_scene(read_mission(file))


def test_chances_in_a_sample_of_cells_stand_for_all(meadow, monkeypatch):
    mission, scene, found = meadow
    whole = found.quality.confidence
    monkeypatch.setattr(sureness, "MOST_WEIGHED", int(found.forecast.judged.sum() / 3))
    part = qualities.quality_of(mission, scene, found.plan, found.forecast).confidence
    assert "cells, each for the 3.9 about it" in part.definition
    assert (np.isnan(part.chance) == np.isnan(whole.chance)).all()
    assert np.nanmean(part.chance) == pytest.approx(np.nanmean(whole.chance), abs=0.02)
    assert part.below_pct_p50 == pytest.approx(whole.below_pct_p50, abs=1.0)


def test_on_slopes_the_parts_that_move_points_sideways_take_over():
    # n'Cn / nz^2: on a slope s the horizontal variance comes in with tan^2 s (C).
    mission = read_mission(MISSIONS / "norrstad_905.toml")
    mission = replace(mission, doubts=replace(mission.doubts, draws=0), compare=())
    scene = read_scene(mission)
    accuracy = assess(mission, scene, make_plan(mission, scene)).forecast.accuracy
    by_slope = {part.name: part for part in accuracy.by_slope}
    steep = by_slope["20 to 30 deg"]
    assert steep.area_m2 == max(part.area_m2 for part in accuracy.by_slope)
    assert steep.slope_share_pct > 30
    assert steep.rmse_m > 0.05
    shares = [part.slope_share_pct for part in accuracy.by_slope]
    assert shares == sorted(shares)
