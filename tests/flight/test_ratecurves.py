from dataclasses import replace

import numpy as np
import pytest
from flat_jobs import SENSOR, SLOWER_RATE, a_mission

from planner.equipment import RangeRating
from planner.flight.flat import Task
from planner.flight.ratecurves import rate_curves
from planner.flight.search import search
from planner.mission import FlightChoice, Limits

NEAR_RATE = RangeRating(pulse_rate_hz=600e3, range_m=20, reflectance=0.15)
LIMITS = Limits(ceiling_agl_m=80.0, clearance_m=40.0)
TASK = Task(100.0, 1.0, 500.0, 300.0, 280.0, 40.3, 80.0)


def asking(sensor, **changes):
    return a_mission(**{"sensor": sensor, "limits": LIMITS, "density_per_m2": 100.0} | changes)


def test_the_least_of_all_curves_is_what_the_search_finds():
    mission = asking(replace(SENSOR, ratings=(*SENSOR.ratings, SLOWER_RATE)))
    curves = rate_curves(mission, TASK)
    assert [curve.pulse_rate_hz for curve in curves] == [300e3, 150e3]
    best, found = min(curves, key=lambda curve: curve.least_s), search(mission, TASK)
    assert best.least_s == pytest.approx(found.time_s)
    assert best.pulse_rate_hz == found.rating.pulse_rate_hz
    assert best.time_s[best.agl_m.index(found.agl_m)] == pytest.approx(found.time_s)


@pytest.mark.parametrize("agl_m", [45.0, 60.0, 75.0])
def test_a_point_of_a_curve_is_a_search_with_height_and_rate_held(agl_m):
    mission = asking(replace(SENSOR, ratings=(*SENSOR.ratings, SLOWER_RATE)))
    for curve in rate_curves(mission, TASK):
        held = replace(mission, flight=FlightChoice(agl_m=agl_m, pulse_rate_hz=curve.pulse_rate_hz))
        found = search(held, replace(TASK, least_agl_m=agl_m, greatest_agl_m=agl_m))
        at = int(np.argmin(np.abs(np.array(curve.agl_m) - agl_m)))
        if curve.agl_m[at] == agl_m:
            assert curve.time_s[at] == pytest.approx(found.time_s)


def test_a_rate_that_is_out_says_what_it_lacks():
    sensor = replace(SENSOR, ratings=(*SENSOR.ratings, NEAR_RATE))
    near = next(curve for curve in rate_curves(asking(sensor), TASK) if curve.pulse_rate_hz == 600e3)
    assert near.lacks == ("reach",)
    assert np.isnan(near.least_s)
    sparse = replace(SENSOR, ratings=(*SENSOR.ratings, replace(SLOWER_RATE, pulse_rate_hz=3e3)))
    assert rate_curves(asking(sparse), TASK)[1].lacks == ("density",)


def test_a_rate_whose_demands_others_keep_is_out():
    harmful = replace(SLOWER_RATE, hazard_distance_m=500.0, laser_class="3B")
    curves = rate_curves(asking(replace(SENSOR, ratings=(*SENSOR.ratings, harmful))), TASK)
    assert [curve.lacks for curve in curves] == [(), ("eyes",)]
