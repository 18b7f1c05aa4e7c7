from dataclasses import replace

import numpy as np
import pytest
from flat_jobs import SENSOR, SLOWER_RATE, a_mission
from hypothesis import given, settings
from hypothesis import strategies as st

from planner.errors import InfeasibleError
from planner.flight.demands import edge_rmse_m
from planner.flight.flat import Task
from planner.flight.grids import grids
from planner.flight.search import search
from planner.flight.tradeoffs import DENSITY_SHARES, Saving, clause_costs, pareto, tradeoffs, unbeaten
from planner.mission import FlightChoice, Limits

NARROW = replace(SENSOR, usable_fov_deg=24, ratings=(*SENSOR.ratings, SLOWER_RATE))
LOW = Limits(ceiling_agl_m=46.0, clearance_m=40.0)
TASK = Task(200.0, 1.0, 500.0, 300.0, 280.0, 40.3, 46.0)


def saves(share, along):
    """A plan whose lines take a hundred minutes, and one line a share of a minute."""
    assert share < 1 or along == 1
    return Saving(100 * (1 - share))


def asking(rmse_m=None, **changes):
    mission = a_mission(**{"sensor": NARROW, "limits": LOW} | changes)
    return replace(mission, requirement=replace(mission.requirement, vertical_rmse_m=rmse_m))


@settings(max_examples=60, deadline=None)
@given(st.lists(st.tuples(*[st.integers(0, 6)] * 3), min_size=1, max_size=40))
def test_what_is_unbeaten_is_what_pairs_say(rows):
    values = np.array(rows, dtype=float)
    kept = unbeaten(values)
    for k, row in enumerate(values):
        beaten = np.all(values <= row, axis=1) & np.any(values < row, axis=1)
        equal_before = np.any(np.all(values[:k] == row, axis=1))
        assert kept[k] == (not beaten.any() and not equal_before)


def triple(option):
    return option.time_s, -option.density_per_m2, option.vertical_rmse_m


def test_the_front_is_all_of_the_grid_that_nothing_beats():
    mission = asking()
    every = []
    for share in DENSITY_SHARES:
        for grid in grids(mission, replace(TASK, target_per_m2=share * 200)):
            fits = grid.fits & (grid.short <= 0)
            every += zip(grid.time_s[fits], -grid.density_per_m2[fits], grid.rmse_m[fits], strict=True)
    values = np.array(every)
    wanted = {tuple(row) for row in values if not np.any(np.all(values <= row, axis=1) & np.any(values < row, axis=1))}
    assert {triple(option) for option in pareto(mission, TASK, 0.0)} == wanted


def test_the_shortened_front_has_no_two_alike_and_stays_unbeaten():
    whole, short = pareto(asking(), TASK, 0.0), pareto(asking(), TASK, 0.2)
    assert 1 < len(short) < len(whole)
    assert set(short) <= set(whole)
    logs = np.log([(option.time_s, option.density_per_m2, option.vertical_rmse_m) for option in short])
    for k in range(1, len(logs)):
        assert np.abs(logs[:k] - logs[k]).max(axis=1).min() >= 0.2
    assert list(short) == sorted(short, key=triple)


def test_options_bring_what_they_say():
    mission = asking()
    for option in pareto(mission, TASK, 0.3):
        held = FlightChoice(
            agl_m=option.agl_m,
            pulse_rate_hz=option.pulse_rate_hz,
            speed_mps=option.speed_mps,
            line_spacing_m=option.line_spacing_m,
        )
        task = replace(TASK, least_agl_m=option.agl_m, greatest_agl_m=option.agl_m, target_per_m2=option.density_per_m2)
        found = search(replace(mission, flight=held), task)
        assert found.density_per_m2 >= option.density_per_m2 * (1 - 1e-9)
        assert found.time_s <= option.time_s * (1 + 1e-9)
        half, spacing = np.radians(option.usable_half_angle_deg), np.array([[option.line_spacing_m]])
        rmse = edge_rmse_m(mission, np.array([option.agl_m]), half, spacing)
        assert option.vertical_rmse_m == pytest.approx(float(rmse[0, 0]))


def test_the_quickest_settings_are_no_quicker_than_the_front():
    mission = asking()
    found = tradeoffs(mission, TASK, saves)
    assert found.time_s == search(mission, TASK).time_s
    enough = [option.time_s for option in found.front if option.density_per_m2 >= 200]
    assert min(enough) <= found.time_s * 1.06


def test_a_clause_costs_what_planning_without_its_tenth_saves():
    dense = replace(TASK, target_per_m2=900.0)
    mission = asking(density_per_m2=900.0)
    base = search(mission, dense)
    costs = {cost.clause: cost for cost in clause_costs(mission, dense, saves)}
    eased = search(asking(density_per_m2=810.0), replace(dense, target_per_m2=810.0))
    assert costs["density_per_m2"].flat_share == pytest.approx(eased.time_s / base.time_s)
    assert costs["density_per_m2"].saved.minutes == pytest.approx(100 * (1 - eased.time_s / base.time_s))
    assert costs["density_per_m2"].saved.minutes > 1
    assert costs["density_per_m2"].relaxed == pytest.approx(810)
    lower = search(
        asking(density_per_m2=900.0, limits=replace(LOW, clearance_m=36.0)), replace(dense, least_agl_m=36.3)
    )
    assert costs["clearance_m"].flat_share == pytest.approx(lower.time_s / base.time_s)
    assert set(costs) == {"density_per_m2", "sidelap_min", "percentile", "ceiling_agl_m", "clearance_m"}
    saved = [cost.saved.minutes for cost in costs.values()]
    assert saved == sorted(saved, reverse=True)
    assert min(saved) >= 0


def test_a_held_height_leaves_ceiling_and_clearance_without_a_price():
    mission = asking(flight=FlightChoice(agl_m=44.0))
    costs = clause_costs(mission, replace(TASK, least_agl_m=44.0, greatest_agl_m=44.0), saves)
    assert {cost.clause for cost in costs} == {"density_per_m2", "sidelap_min", "percentile"}


def test_an_accuracy_out_of_reach_that_a_tenth_brings_back_is_told():
    least = search(asking(rmse_m=0.001), TASK).least_rmse_m
    costs = {cost.clause: cost for cost in clause_costs(asking(rmse_m=0.97 * least), TASK, saves)}
    assert costs["vertical_rmse_m"].opens == ("accuracy",)
    assert costs["density_per_m2"].opens == ()


def test_a_quality_level_is_relaxed_in_what_it_asks():
    mission = asking()
    level = replace(mission.requirement, density_per_m2=None, quality_level="QL1")
    costs = {
        cost.clause: cost
        for cost in clause_costs(replace(mission, requirement=level), replace(TASK, target_per_m2=8.0), saves)
    }
    # USGS Lidar Base Specification 2025 rev. A, table 1 (R): QL1 asks 8 returns per square metre and 10 cm
    assert (costs["density_per_m2"].asked, costs["vertical_rmse_m"].asked) == (8.0, 0.1)
    assert costs["vertical_rmse_m"].relaxed == pytest.approx(0.11)


def test_nothing_to_trade_where_nothing_meets_the_density():
    with pytest.raises(InfeasibleError, match="E19 the sensor reaches"):
        tradeoffs(asking(density_per_m2=9e6), replace(TASK, target_per_m2=9e6), saves)
    assert pareto(asking(density_per_m2=9e6), replace(TASK, target_per_m2=9e6)) == ()
