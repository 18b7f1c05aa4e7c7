"""Areas narrower than a swath: one line is laid, and the reader is told."""

from dataclasses import replace

import pytest
import shapely
from made_site import box_deg, write_area, write_mission, write_raster

from planner.files.geofiles import read_scene
from planner.files.missionfile import read_mission
from planner.survey.jobs import make_plan
from planner.survey.oneswath import one_swath_caution


@pytest.fixture(scope="module")
def small(tmp_path_factory):
    """A field of 60 m by 30 m: 10 m of buffer leave it narrower than the 100.7 m that 60 m and 40 degrees give."""
    folder = tmp_path_factory.mktemp("small")
    write_raster(folder)
    write_area(folder, box_deg(30.0, 15.0))
    mission = read_mission(write_mission(folder, navigation={"card": "entry"}))
    scene = read_scene(mission)
    return scene, make_plan(mission, scene)


def test_one_line_is_laid_along_the_middle_and_said(small):
    scene, plan = small
    block = [line for line in plan.lines if line.line_id.startswith("L")]
    assert len(block) == 1
    track = shapely.LineString(block[0].kept_points_m()[:, :2])
    assert scene.area.centroid.distance(track) < 1
    (caution,) = one_swath_caution(scene, replace(plan, lines=tuple(block)))
    assert (caution.caution_id, caution.status) == ("one swath", "note")
    assert caution.text.startswith("The area is 30 m across and the narrowest swath ")
    assert caution.text.endswith("would cover it; no other shows an error of that pass.")


def test_more_lines_than_one_are_counted(small):
    scene, plan = small
    doubled = replace(plan, lines=plan.lines[:1] * 3)
    (caution,) = one_swath_caution(scene, doubled)
    assert caution.text.endswith("would cover it; the plan has 3, calibration lines included.")


def test_nothing_is_said_of_wider_areas_or_corridors(small):
    scene, plan = small
    wide = replace(scene, area=shapely.MultiPolygon([shapely.box(-80, -80, 80, 80)]))
    assert not list(one_swath_caution(wide, plan))
    corridor = replace(scene, centreline=shapely.LineString([(-30, 0), (30, 0)]))
    assert not list(one_swath_caution(corridor, plan))
