"""The search over flat ground against loops that try everything one by one."""

from dataclasses import replace

import numpy as np
import pytest
import shapely
from flat_jobs import HEXACOPTER, SENSOR, SLOWER_RATE, WING, a_mission, a_scene

from planner.flight.counts import counted_density_per_m2, grain_of
from planner.flight.demands import edge_rmse_m
from planner.flight.flat import Task, alone_m, flown_pattern
from planner.flight.search import search
from planner.flight.settings import choose_flight, flat_task
from planner.flight.swath import least_aggregate_density_per_m2, reach_half_angle_rad, strips_needed, swath_width_m
from planner.flight.turns import turn_time_s
from planner.mission import FlightChoice, Limits
from planner.ranging.principles import reach_within
from planner.requirement import Checkpoints

CELL_M = 1.0
NARROW = replace(
    SENSOR,
    usable_fov_deg=24,
    line_rates_hz=(60.0, 100.0),
    ratings=(SENSOR.ratings[0], replace(SLOWER_RATE, range_m=300)),
)
LOW = Limits(ceiling_agl_m=46.0, clearance_m=40.0)
SIDELAPS = (0.2, 0.26, 0.32, 0.4, 0.5)


def every_setting(mission, task):
    """Yield time and settings of all that meets the density, one by one, speeds tried from the fastest down."""
    sensor, craft = mission.sensor, mission.aircraft
    speeds = np.round(np.arange(round(craft.max_speed_mps * 10), round(craft.min_speed_mps * 10) - 1, -1) / 10, 6)
    for rating in sensor.ratings:
        reach = reach_within(sensor, rating, mission.conditions.visibility_km)
        for line_rate in sensor.line_rates_hz:
            for angle_deg in range(2, 13):
                half = np.radians(angle_deg)
                pattern = flown_pattern(mission, rating, line_rate, half)
                grain = grain_of(pattern, mission.requirement.percentile)
                for height in (41.0, 42.0, 43.0, 44.0, 45.0, 46.0):
                    if not reach_half_angle_rad(reach, height, pattern) >= half:
                        continue
                    swath = 2 * height * np.tan(half)
                    for share in SIDELAPS:
                        spacing = swath * (1 - share)
                        least = least_aggregate_density_per_m2(pattern, height, 1.0, spacing)
                        counted = counted_density_per_m2(grain, least, task.cell_m, speeds)
                        met = np.flatnonzero(counted >= task.target_per_m2 * (1 - 1e-9))
                        if not met.size:
                            continue
                        speed = float(speeds[met[0]])
                        alone = float(alone_m(mission, task, pattern, height, speed))
                        span = max(task.across_m - swath, task.judged_across_m - 2 * alone, 0.0)
                        lines = int(np.ceil(span / spacing - 1e-9)) + 1
                        turn = float(turn_time_s(craft, speed, spacing))
                        flown = lines * (task.length_m / speed + 2 * craft.settle_s) + (lines - 1) * turn
                        rmse = float(edge_rmse_m(mission, np.array([height]), half, np.array([[spacing]]))[0, 0])
                        yield flown, rmse, (rating.pulse_rate_hz, line_rate, angle_deg, height, share)


@pytest.mark.parametrize("aircraft", [HEXACOPTER, replace(WING, min_speed_mps=6)], ids=["multirotor", "wing"])
@pytest.mark.parametrize("density", [150.0, 900.0])
def test_no_settings_tried_one_by_one_are_quicker(aircraft, density):
    mission = a_mission(sensor=NARROW, aircraft=aircraft, density_per_m2=density, limits=LOW)
    task = Task(density, CELL_M, 500.0, 120.0, 110.0, 40.3, 46.0)
    found = search(mission, task)
    quickest = min(every_setting(mission, task))
    assert found.time_s == pytest.approx(quickest[0], rel=1e-9)
    assert found.density_per_m2 >= density * (1 - 1e-9)


def test_of_settings_that_keep_the_accuracy_none_tried_one_by_one_are_quicker():
    mission = a_mission(sensor=NARROW, density_per_m2=150, limits=LOW)
    task = Task(150.0, CELL_M, 500.0, 120.0, 110.0, 40.3, 46.0)
    every = list(every_setting(mission, task))
    free = search(mission, task)
    target = 0.97 * free.rmse_m
    asked = replace(mission, requirement=replace(mission.requirement, vertical_rmse_m=target))
    found = search(asked, task)
    assert found.time_s == pytest.approx(min(one[0] for one in every if one[1] <= target), rel=1e-9)
    assert found.time_s > free.time_s
    assert found.rmse_m <= target
    assert found.kept == ("accuracy",)


def test_the_least_error_that_is_told_is_the_least_of_all():
    mission = a_mission(sensor=NARROW, density_per_m2=150, limits=LOW)
    hopeless = replace(
        mission,
        requirement=replace(mission.requirement, vertical_rmse_m=0.001),
        checkpoints=Checkpoints(survey_sd_m=0.0),
    )
    task = Task(150.0, CELL_M, 500.0, 120.0, 110.0, 40.3, 46.0)
    found = search(hopeless, task)
    assert found.broken == ("accuracy",)
    assert found.least_rmse_m == pytest.approx(min(one[1] for one in every_setting(hopeless, task)), rel=1e-9)


@pytest.mark.parametrize("across_m", [120.0, 300.0, 640.0])
@pytest.mark.parametrize("share", [0.2, 0.4])
def test_a_flat_plan_has_the_textbook_number_of_strips(across_m, share):
    # Baltsavias 1999 (M): n = ceil((W - SW) / S) + 1 with S = SW (1 - q). So slow that one pass meets the density.
    choice = FlightChoice(agl_m=80.0, speed_mps=3.0, heading_deg=0.0, following="terrain")
    area = shapely.box(-across_m / 2, -150, across_m / 2, 150)
    mission = a_mission(sidelap_min=share, density_per_m2=20, flight=choice)
    settings, lines = choose_flight(mission, a_scene(area=area), CELL_M)
    swath = float(swath_width_m(80.0, np.radians(settings.usable_half_angle_deg)))
    assert len(lines) == max(np.ceil((across_m - swath) / (swath * (1 - share))), 0) + 1
    assert len(lines) == strips_needed(across_m, swath, share)


def test_the_task_of_a_heading_is_the_area_along_and_across_it():
    scene = a_scene(buffer_m=10.0)
    task = flat_task(a_mission(), scene, 90.0, CELL_M)
    assert (task.length_m, task.across_m, task.judged_across_m) == pytest.approx((620, 420, 400), abs=0.5)
    assert (task.least_agl_m, task.greatest_agl_m) == pytest.approx((30.3, 120))
    across = flat_task(a_mission(), scene, 0.0, CELL_M)
    assert (across.length_m, across.across_m) == pytest.approx((420, 620), abs=0.5)
