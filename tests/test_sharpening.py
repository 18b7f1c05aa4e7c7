"""Heights that are less exact than asked are mended with what the mission leaves open, or the cause is named."""

from dataclasses import replace

import pytest
from made_site import write_area, write_mission, write_raster

from planner.files.geofiles import read_scene
from planner.files.missionfile import read_mission
from planner.survey import make_forecast, make_plan
from planner.survey.mending import mend_plan

ROUGH = {"position_horizontal_sd_m": 0.02, "position_vertical_sd_m": 0.02, "roll_pitch_sd_deg": 0.05}
ASKED = {"density_per_m2": 100, "cell_m": 4}


def job(folder, navigation=ROUGH, **changes):
    """Return a job whose plan asks for no accuracy, with a unit whose attitude is poor, and that plan."""
    write_area(folder)
    write_raster(folder)
    given = {"requirement": ASKED, "flight": {"agl_m": 80, "speed_mps": None}, "doubts": {"draws": 0}}
    mission = read_mission(write_mission(folder, **(given | changes)))
    card = replace(mission.navigation, opposed_pair=False, cross_lines_every=None, **navigation)
    mission = replace(mission, navigation=card)
    scene = read_scene(mission)
    return mission, scene, make_plan(mission, scene)


def exact(mission, **asked):
    return replace(mission, requirement=replace(mission.requirement, **asked))


def test_a_wide_swath_is_narrowed_at_the_height_that_is_held(tmp_path):
    mission, scene, plan = job(tmp_path)
    strict = exact(mission, vertical_rmse_m=0.03)
    before = make_forecast(strict, scene, plan.lines)
    assert not before.accuracy.met
    assert before.accuracy.dominant_term == "roll and pitch"
    found = mend_plan(strict, scene, plan)
    assert found.forecast.met
    assert found.forecast.accuracy.tested_rmse_m <= 0.03
    (step,) = found.steps
    assert "deg to either side in place of" in step.what
    words = f"vertical RMSE {100 * before.accuracy.tested_rmse_m:.3g} cm of 3, "
    assert step.why.startswith(words)
    assert step.why.endswith("% of its square by roll and pitch")
    assert found.plan.settings.agl_m == 80
    assert found.plan.settings.usable_half_angle_deg < plan.settings.usable_half_angle_deg
    assert step.minutes_added > 0


def test_the_smallest_change_that_does_is_made(tmp_path):
    mission, scene, plan = job(tmp_path)
    times = [
        mend_plan(exact(mission, vertical_rmse_m=target), scene, plan).plan.flight["time_s"]["total"]
        for target in (0.04, 0.032, 0.028)
    ]
    assert times == sorted(times)
    assert times[0] == plan.flight["time_s"]["total"]  # which is exact enough as it is


def test_what_held_settings_leave_inexact_stays_with_the_cause_named(tmp_path):
    held = {"agl_m": 80, "speed_mps": None, "line_spacing_m": 60}
    mission, scene, plan = job(tmp_path, flight=held)
    found = mend_plan(exact(mission, vertical_rmse_m=0.03), scene, plan)
    assert found.plan is plan
    assert not found.forecast.met
    (step,) = found.steps
    assert step.what == "heights stay as they are"
    assert "limited by attitude of the navigation card" in step.why
    assert step.why.endswith("held by the mission: agl_m, line_spacing_m")
    assert step.below_before_m2 == step.below_after_m2


def test_positions_that_are_too_poor_are_named_as_the_limit(tmp_path):
    # One pass of a unit with 3 cm of height, with checkpoints of 1 cm, has 3.16 cm at least: root of the summed
    # squares (C). 3.3 cm leave 0.9 cm for all the rest, which 80 m of height do not.
    poor = {"position_vertical_sd_m": 0.03, "roll_pitch_sd_deg": 0.008, "base_ppm": 0.0}
    asked = ASKED | {"coverage": "single"}
    mission, scene, plan = job(tmp_path, poor, requirement=asked)
    found = mend_plan(exact(mission, vertical_rmse_m=0.033), scene, plan)
    assert not found.forecast.met
    assert found.forecast.accuracy.dominant_term == "position"
    assert "by position; limited by positions of the navigation card" in found.steps[-1].why
    assert "one pass has 3 cm of height by positions alone" in found.steps[-1].why


def test_places_that_are_inexact_are_mended_by_flying_lower(tmp_path):
    mission, scene, plan = job(tmp_path, flight={"agl_m": None, "speed_mps": None})
    before = make_forecast(mission, scene, plan.lines).accuracy.horizontal_rmse_m
    asked = round(0.7 * before, 3)
    found = mend_plan(exact(mission, horizontal_rmse_m=asked), scene, plan)
    assert found.forecast.accuracy.horizontal_rmse_m <= asked < before
    assert found.plan.settings.agl_m < plan.settings.agl_m
    assert found.steps[0].why.startswith(f"horizontal RMSE {100 * before:.3g} cm of {100 * asked:.3g}")


@pytest.mark.parametrize("asked", [{}, {"vertical_rmse_m": 0.2}])
def test_what_is_exact_enough_is_left_alone(tmp_path, asked):
    mission, scene, plan = job(tmp_path)
    found = mend_plan(exact(mission, **asked), scene, plan)
    assert found.plan is plan
    assert found.steps == ()
