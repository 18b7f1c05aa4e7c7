"""What a plan's clauses cost: the plan itself with quicker lines, its batteries and its rates."""

from dataclasses import replace
from decimal import Decimal

import numpy as np
import pytest
import shapely
from made_site import LAT, LON, write_site

from planner.files.geofiles import read_scene
from planner.files.missionfile import read_mission
from planner.flight.tradeoffs import Saving
from planner.rates import Rates
from planner.survey import make_plan, tradeoffs_of
from planner.survey.deciding import deepest_m, headings_of, plan_costs, saving_of

SHARES = (1.0, 0.9, 0.7, 0.4, 0.0)
RATES = Rates(currency="EUR", flight_hour=241.5, sortie=35.25, mobilise=800)


@pytest.fixture(scope="module")
def meadow(tmp_path_factory):
    """A dense survey of the meadow on small batteries."""
    mission = read_mission(
        write_site(
            tmp_path_factory.mktemp("meadow"),
            requirement={"density_per_m2": 900},
            flight={"agl_m": None, "speed_mps": None, "heading_deg": 90},
            aircraft={"take_off": [[LON, LAT]]},
        )
    )
    mission = replace(mission, aircraft=replace(mission.aircraft, endurance_s=480.0))
    scene = read_scene(mission)
    return mission, scene, make_plan(mission, scene)


@pytest.fixture(scope="module")
def saving(meadow):
    return saving_of(*meadow)


@pytest.fixture(scope="module")
def traded(meadow):
    return tradeoffs_of(*meadow)


def test_lines_that_take_their_time_save_nothing(saving):
    assert saving(1.0, 1.0) == Saving(0.0, 0, None)


def test_the_quicker_the_lines_the_more_is_saved_and_sorties_are_whole(meadow, saving):
    plan = meadow[2]
    assert len(plan.sorties) > 2
    saved = [saving(share, 1.0) for share in SHARES]
    assert [one.minutes for one in saved] == sorted(one.minutes for one in saved)
    assert [one.sorties for one in saved] == sorted(one.sorties for one in saved)
    assert all(isinstance(one.sorties, int) and 0 <= one.sorties < len(plan.sorties) for one in saved)
    assert saved[-1].sorties > 0
    assert saved[-1].minutes < plan.flight["time_s"]["total"] / 60


def test_a_sortie_saved_saves_its_ways_and_its_swap(meadow, saving):
    mission, _, plan = meadow
    laid_s = plan.flight["time_s"]["lines"] + plan.flight["time_s"]["lead"] + plan.flight["time_s"]["turns"]
    found = next(saving(share, 1.0) for share in np.arange(0.99, 0, -0.01) if saving(share, 1.0).sorties)
    assert found.minutes >= mission.aircraft.swap_s / 60
    assert found.minutes <= (laid_s + mission.aircraft.swap_s * found.sorties) / 60 + found.sorties * 5


def test_patches_are_left_as_they_are(meadow):
    mission, scene, plan = meadow
    sorties = tuple(
        replace(one, lines=tuple(replace(line, line_id=f"P{line.line_id}") for line in one.lines))
        for one in plan.sorties
    )
    patched = replace(plan, sorties=sorties, lines=tuple(line for one in sorties for line in one.lines))
    assert saving_of(mission, scene, patched)(0.5, 0.5) == Saving(0.0, 0, None)


def test_money_saved_is_what_the_plan_costs_less_what_it_would(meadow):
    mission, scene, plan = meadow
    priced = replace(mission, rates=RATES)
    now, saved = plan_costs(priced, plan), saving_of(priced, scene, plan)(0.4, 1.0)
    assert now.sorties == len(plan.sorties)
    left = now.total - saved.money - 800 - (now.sorties - saved.sorties) * Decimal("35.25")
    hundredths = (left / Decimal("2.415")).quantize(Decimal(1))  # of an hour, whole ones, at 241.50 an hour
    assert abs(hundredths * Decimal("2.415") - left) <= Decimal("0.005")
    assert 0 < left < now.flight


def test_only_sorties_charged_save_only_sorties(meadow, saving):
    mission, scene, plan = meadow
    by_sortie = saving_of(replace(mission, rates=Rates(currency="EUR", sortie=35)), scene, plan)
    for share in SHARES:
        assert by_sortie(share, 1.0).money == 35 * saving(share, 1.0).sorties


def test_without_a_take_off_place_minutes_of_lines_and_turns_are_saved(meadow):
    mission, scene, plan = meadow
    lines = tuple(line for line in plan.lines if line.line_id.startswith("L"))
    calm = {"lines": 500.0, "lead": 60.0, "turns": 40.0, "total": 600.0}
    bare = replace(plan, sorties=(), lines=lines, flight={**plan.flight, "time_s": calm})
    assert saving_of(mission, scene, bare)(0.75, 1.0) == Saving(pytest.approx(2.5), None, None)
    money = saving_of(replace(mission, rates=Rates(currency="EUR", flight_hour=60)), scene, bare)(0.7, 1.0).money
    assert money == Decimal("3.00")  # 3 min are 0.05 h


def test_batteries_that_cannot_be_told_leave_minutes_alone(meadow):
    mission, scene, plan = meadow
    drained = tuple(replace(one, battery_share_used=2 * one.battery_share_used) for one in plan.sorties)
    found = saving_of(mission, scene, replace(plan, sorties=drained))(0.5, 1.0)
    assert found.sorties is None
    assert 0 < found.minutes < 0.5 * plan.flight["time_s"]["total"] / 60


def test_relaxing_a_clause_never_costs_and_density_costs_here(traded):
    costs = {cost.clause: cost for cost in traded.clauses}
    assert {"density_per_m2", "sidelap_min", "percentile", "ceiling_agl_m", "clearance_m"} <= set(costs)
    for cost in costs.values():
        assert 0 < cost.flat_share <= 1
        assert cost.saved.minutes >= 0
        assert cost.saved.sorties >= 0
        assert cost.saved.money is None
        assert (cost.saved.minutes > 0) == (cost.flat_share < 1)
    assert costs["density_per_m2"].saved.minutes > 0.1


def test_lines_along_the_long_side_are_among_the_quickest_of_allheadings_of(meadow, traded):
    mission, scene, plan = meadow
    curve = traded.headings
    flown = curve.time_s[curve.heading_deg.index(plan.settings.heading_deg % 180)]
    assert flown <= min(curve.time_s) * 1.05
    assert tradeoffs_of(mission, scene, replace(plan, settings=None)) is None


def test_lines_for_calibration_change_with_the_speed_alone(meadow, saving):
    _, _, plan = meadow
    calibrating = [line.line_id for line in plan.lines if line.line_id.startswith("X")]
    assert calibrating
    assert saving(0.6, 0.6).minutes > saving(0.6, 1.0).minutes > saving(0.6, 1.4).minutes >= 0


def test_lines_that_run_several_ways_have_no_curve_ofheadings_of(meadow):
    mission, scene, plan = meadow
    laid = next(line for line in plan.lines if line.line_id.startswith("L"))
    across = replace(laid, line_id="L99", points_m=laid.points_m[:, [1, 0, 2]])
    assert headings_of(mission, scene, plan, plan.settings) is not None
    assert headings_of(mission, scene, replace(plan, lines=(*plan.lines, across)), plan.settings) is None


def test_the_deepest_ground_is_the_lowest_that_lies_within_the_opening_of_a_line(meadow):
    _, scene, plan = meadow
    slope = np.tan(np.radians(plan.settings.usable_half_angle_deg))
    grid = scene.ground
    rows, cols = np.nonzero(grid.known)
    east, north = grid.west_m + cols * grid.spacing_m, grid.north_m - rows * grid.spacing_m
    up, inside = grid.heights_m[rows, cols], shapely.contains_xy(scene.planned, east, north)
    deepest = 0.0
    for line in (line for line in plan.lines if line.line_id.startswith("L")):
        for at in line.kept_points_m():
            along = (east - at[0]) * np.sin(line.track_rad) + (north - at[1]) * np.cos(line.track_rad)
            aside = (east - at[0]) * np.cos(line.track_rad) - (north - at[1]) * np.sin(line.track_rad)
            seen = inside & (np.abs(along) <= grid.spacing_m) & (np.abs(aside) <= (at[2] - up) * slope)
            deepest = max(deepest, float(np.max(at[2] - up, initial=0.0, where=seen)))
    assert deepest_m(scene, plan.settings, plan) == pytest.approx(deepest, abs=0.5)
    assert deepest > plan.settings.agl_m
