"""Settings tried in turn until a flight with them can be flown."""

from dataclasses import replace

import pytest
from made_site import LAT, LON, box_deg, write_area, write_mission, write_raster

from planner.errors import Fault, InfeasibleError, SafetyError
from planner.files.geofiles import read_scene
from planner.files.missionfile import read_mission
from planner.survey import make_plan
from planner.survey.attempts import SLOWER, first_flyable
from planner.survey.deciding import planned_cell_m
from planner.survey.jobs import plan_of

OPEN = {"agl_m": 60, "speed_mps": None, "following": "level"}


def job(folder, half_east_m, **changes):
    write_area(folder, box_deg(half_east_m, 60.0))
    write_raster(folder)
    asked = {"requirement": {"density_per_m2": 40}, "flight": OPEN, "doubts": {"draws": 0}}
    mission = read_mission(write_mission(folder, **(asked | changes)))
    return mission, read_scene(mission)


def tried(folder, refuse, **changes):
    """Return the speeds that were tried, and the plan or the refusal that came of them; `refuse` gives a fault."""
    mission, scene = job(folder, 80.0, **changes)
    speeds = []

    def flyable(settings, lines):
        speeds.append(settings.speed_mps)
        if fault := refuse(settings.speed_mps):
            raise fault
        return plan_of(mission, scene, lines, settings)

    try:
        found = first_flyable(mission, scene, planned_cell_m(mission, scene), flyable)
    except (InfeasibleError, SafetyError) as error:
        found = error
    return speeds, found


def test_what_can_be_flown_as_chosen_is_tried_once(tmp_path):
    speeds, plan = tried(tmp_path, lambda speed: None)
    assert speeds == [plan.settings.speed_mps]
    assert plan.settings.bound_by["speed_mps"] == "greatest speed of the aircraft"


def test_what_cannot_is_tried_slower_and_says_why(tmp_path):
    fault = SafetyError(Fault("E27", "turn after L01 enters keep-out area the farm"))
    speeds, plan = tried(tmp_path, lambda speed: fault if speed > 8 else None)
    assert speeds == pytest.approx([12.0, 12.0 * SLOWER[0], 12.0 * SLOWER[1]], abs=0.1)
    assert plan.settings.speed_mps == speeds[-1]
    assert plan.settings.bound_by["speed_mps"] == "at 12 m/s turn after L01 enters keep-out area the farm"


def test_what_never_can_is_refused_with_the_first_reason(tmp_path):
    speeds, error = tried(tmp_path, lambda speed: InfeasibleError(Fault("E28", f"no battery lasts at {speed:g} m/s")))
    assert len(speeds) == 1 + len(SLOWER)
    assert error.faults[0].what == "no battery lasts at 12 m/s"


def test_what_slower_flight_does_not_cure_is_refused_at_once(tmp_path):
    speeds, error = tried(tmp_path, lambda speed: InfeasibleError(Fault("E31", "keep-out areas leave no flight line")))
    assert len(speeds) == 1
    assert error.faults[0].code == "E31"


def test_a_held_speed_stays_what_it_is(tmp_path):
    fault = SafetyError(Fault("E27", "turn after L01 enters keep-out area the farm"))
    speeds, error = tried(tmp_path, lambda speed: fault, flight=OPEN | {"speed_mps": 9})
    assert speeds == [9.0]
    assert error is fault


def test_lines_whose_leads_would_leave_the_terrain_are_flown_slower(tmp_path):
    # The raster ends 200 m east and west of the middle. Data are kept to 120 m; at 12 m/s 5 s of lead and
    # 12^2 / (2 x 1.5) m to stop reach to 228 m, at 9 m/s to 192 m (C).
    aircraft = {"card": "hexacopter", "take_off": [[LON, LAT]]}
    mission, scene = job(tmp_path, 110.0, aircraft=aircraft)
    plan = make_plan(mission, scene)
    assert plan.path_faults == ()
    assert plan.settings.speed_mps == 9
    assert "leaves the terrain given" in plan.settings.bound_by["speed_mps"]
    held = replace(mission, flight=replace(mission.flight, speed_mps=12.0))
    with pytest.raises(SafetyError, match=r"E27(.|\n)*leaves the terrain given"):
        make_plan(held, scene)
