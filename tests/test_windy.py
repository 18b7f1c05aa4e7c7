"""Whole plans in the wind: lines up-wind and down-wind differ, and the forecast knows."""

import numpy as np
import pytest
from made_site import FRAME, write_site

from planner.files.geofiles import read_scene
from planner.files.missionfile import read_mission
from planner.survey import assess, make_plan

WIND_MPS = 1.0


def planned(folder, **flight):
    aircraft = {"card": "hexacopter", "take_off": [[float(value) for value in FRAME.to_lonlat(-60.0, -50.0)]]}
    held = {"agl_m": 60, "speed_mps": 8, "heading_deg": 0} | flight
    conditions = {"wind_mps": WIND_MPS, "wind_from_deg": 0}
    mission = read_mission(
        write_site(folder, aircraft=aircraft, flight=held, conditions=conditions, doubts={"draws": 0}, compare=[])
    )
    scene = read_scene(mission)
    return mission, scene, make_plan(mission, scene)


def northward(line):
    return abs(np.degrees(line.track_rad)) % 360 < 90 or abs(np.degrees(line.track_rad)) % 360 > 270


def test_held_over_the_ground_no_line_differs(tmp_path):
    _, _, plan = planned(tmp_path)
    assert {line.speed_mps for line in plan.lines} == {plan.settings.speed_mps}


def test_at_one_airspeed_lines_against_the_wind_are_slower_and_denser(tmp_path):
    mission, scene, plan = planned(tmp_path, hold_speed="air")
    lines = [line for line in plan.lines if line.line_id.startswith("L")]
    up = [line for line in lines if northward(line)]
    down = [line for line in lines if not northward(line)]
    assert up
    assert down
    # C: due north and south, 1 m/s of wind: 8 over the ground with it is 7 through the air, and 6 against it
    assert [line.speed_mps for line in down] == pytest.approx([8.0] * len(down), abs=0.01)
    assert [line.speed_mps for line in up] == pytest.approx([6.0] * len(up), abs=0.01)
    for sortie in plan.sorties:  # what is flown is what is told
        for line in sortie.lines:
            on = np.array(
                [
                    name == line.line_id and part == "line"
                    for name, part in zip(sortie.path.line_ids, sortie.path.parts, strict=True)
                ]
            )
            seconds = float(np.diff(sortie.path.times_s)[on].sum())
            assert seconds == pytest.approx(line.kept_length_m / line.speed_mps, rel=1e-6)
    of_line = {figure.line_id: figure.density_per_m2 * figure.swath_m for figure in plan.figures}
    assert of_line[up[0].line_id] == pytest.approx(8 / 6 * of_line[down[0].line_id], rel=0.01)
    found = assess(mission, scene, plan)
    [caution] = [each for each in found.cautions if each.caution_id == "wind on lines"]
    assert caution.status == "note"
    assert found.plan.flight["pulses"] > 0
