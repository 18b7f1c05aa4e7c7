"""A whole plan at constant heights in steps: blocks, cut lines, and the review of what was planned."""

import numpy as np
import pytest
from made_site import write_area, write_mission, write_raster

from planner.files.bundle import summary_dict
from planner.files.geofiles import input_files, read_scene
from planner.files.linefiles import read_lines
from planner.files.missionfile import read_mission
from planner.files.planfiles import collection_text, plan_geojson
from planner.flight.steps import BAND
from planner.survey import assess, make_plan, review


def a_job(folder, edit=None, **flight):
    """Return mission and scene of the meadow, its ground edited, without draws."""
    write_area(folder)
    write_raster(folder, edit=edit)
    choice = {"agl_m": 50, "speed_mps": 6, "following": "stepped"} | flight
    path = write_mission(folder, flight=choice, doubts={"draws": 0}, limits={"clearance_m": 30})
    mission = read_mission(path)
    return mission, read_scene(mission)


def tilted(pixels):
    pixels += 0.3 * 2.0 * np.arange(pixels.shape[1], dtype=np.float32)  # rises by 0.3 toward the east


def test_a_tilted_meadow_is_flown_in_blocks_and_its_review_finds_the_same(tmp_path):
    mission, scene = a_job(tmp_path, edit=tilted, heading_along="contours")
    plan = make_plan(mission, scene)
    assert plan.settings.following == "stepped"
    assert plan.settings.heading_deg % 180 == pytest.approx(0, abs=6) or plan.settings.heading_deg % 180 > 174
    laid = [line for line in plan.lines if line.line_id.startswith("L")]
    for line in laid:
        kept = line.kept_points_m()
        above = kept[:, 2] - scene.ground.at(kept[:, 0], kept[:, 1])
        assert np.ptp(kept[:, 2]) == pytest.approx(0, abs=1e-6)
        assert (1 - BAND) * 50 - 0.1 <= above.min() <= above.max() <= (1 + BAND) * 50 + 0.1
    assert len({round(float(line.points_m[0, 2]), 3) for line in laid}) > 1

    ours = assess(mission, scene, plan)
    assert not [one for one in ours.cautions if one.caution_id == "height band"]
    (tmp_path / "plan.geojson").write_text(collection_text(plan_geojson(ours)), encoding="utf-8")
    lines = read_lines(tmp_path / "plan.geojson", mission, scene)
    theirs = review(mission, scene, lines)
    assert [line.line_id for line in lines] == [line.line_id for line in plan.lines]
    for one, other in zip(plan.lines, lines, strict=True):
        assert other.points_m == pytest.approx(one.points_m, abs=0.01)
        assert other.kept_m == pytest.approx(one.kept_m, abs=0.01)
    assert theirs.forecast.density.judged_per_m2 == pytest.approx(ours.forecast.density.judged_per_m2, abs=1.0)
    assert theirs.forecast.coverage.below_m2 == pytest.approx(ours.forecast.coverage.below_m2, abs=20.0)
    assert theirs.forecast.met == ours.forecast.met
    said = summary_dict(ours, input_files(mission))["settings"]
    assert said["following"] == "stepped"
    assert said["bound_by"]["following"].startswith("held by the mission; ")


def test_a_bank_that_no_part_can_climb_lets_the_band_go_and_that_is_said(tmp_path):
    def bank(pixels):
        pixels[:, 100:] += 30.0  # 30 m over 2 m, in the middle of lines that are too short to be cut

    mission, scene = a_job(tmp_path, edit=bank, heading_deg=90)
    plan = make_plan(mission, scene)
    found = assess(mission, scene, plan)
    (said,) = [one for one in found.cautions if one.caution_id == "height band"]
    assert said.status == "note"
    assert said.measured > said.limit == pytest.approx((1 + BAND) * 50)
    assert all(line.line_id in said.text for line in plan.lines if line.line_id.startswith("L"))
    assert "m of data from beyond 20 % of the height" in plan.settings.bound_by["following"]
    assert not found.unsafe
