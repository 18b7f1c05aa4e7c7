"""Plans that fall short are mended until the forecast agrees; what no line can close is named and stays."""

import dataclasses
import html
from dataclasses import replace
from itertools import pairwise

import jsonschema
import numpy as np
import pytest
from made_site import write_area, write_mission, write_raster

from planner.files.bundle import summary_dict, summary_schema
from planner.files.geofiles import read_scene
from planner.files.missionfile import read_mission
from planner.files.report import write_report
from planner.flight.avoidance import Profile
from planner.flight.cuts import stretch_of
from planner.flight.patches import Track
from planner.forecast.gaps import code_of
from planner.survey import make_forecast, make_plan
from planner.survey.clearing import profile_of
from planner.survey.closing import shortfall_of, ways_of
from planner.survey.excess import SPREAD_SHARE
from planner.survey.firing import fire, fire_more, in_order
from planner.survey.flying import flyer_of
from planner.survey.jobs import plan_of
from planner.survey.mending import mend, mend_plan
from planner.survey.outlook import judge
from planner.survey.patching import patched_plan

HELD = {"agl_m": 45, "speed_mps": 6, "line_spacing_m": 38, "heading_deg": 90, "following": "terrain"}
OPEN = {"agl_m": None, "speed_mps": None}
ALL = {"density_per_m2": 350, "percentile": 0}


def job(folder, edit=None, **changes):
    """Return a job whose lines are those of its block alone."""
    write_area(folder)
    write_raster(folder, edit=edit)
    asked = {"requirement": ALL, "flight": HELD, "doubts": {"draws": 0}, "limits": {"clearance_m": 25}}
    mission = read_mission(write_mission(folder, **(asked | changes)))
    alone = replace(mission.navigation, opposed_pair=False, cross_lines_every=None)
    mission = replace(mission, navigation=alone)
    return mission, read_scene(mission)


def cut_short(mission, scene, plan, share=0.4):
    """Return a plan whose second line keeps only a share of its data."""
    lines = list(plan.lines)
    start, end = lines[1].kept_m
    lines[1] = stretch_of(lines[1], lines[1].line_id, start, start + share * (end - start))
    return plan_of(mission, scene, tuple(lines), plan.settings)


def below(forecast):
    return forecast.judged & ~(forecast.density_per_m2 >= forecast.density.target_per_m2)


@pytest.fixture(scope="module")
def meadow(tmp_path_factory):
    mission, scene = job(tmp_path_factory.mktemp("meadow"))
    plan = make_plan(mission, scene)
    assert [line.line_id for line in plan.lines] == ["L01", "L02", "L03"]
    return mission, scene, plan


@pytest.fixture(scope="module")
def patched(meadow):
    mission, scene, plan = meadow
    short = cut_short(mission, scene, plan)
    return short, mend(mission, scene, short)


@pytest.mark.parametrize("coverage", ["aggregate", "single"])
@pytest.mark.parametrize("last", [1, 2])
def test_lines_added_to_a_fired_flight_make_the_whole_flight(meadow, coverage, last):
    mission, scene, plan = meadow
    mission = replace(mission, requirement=replace(mission.requirement, coverage=coverage))
    whole = fire(mission, scene, plan.lines)
    grown = fire_more(mission, scene, fire(mission, scene, plan.lines[:-last]), plan.lines[-last:])
    same_tallies(grown.tally, whole.tally)
    one, other = judge(mission, scene, grown), make_forecast(mission, scene, plan.lines)
    assert (one.cause == other.cause).all()
    np.testing.assert_allclose(one.density_per_m2, other.density_per_m2, rtol=1e-12)
    assert np.array_equal(one.errors.vertical_combined_m, other.errors.vertical_combined_m, equal_nan=True)
    assert one.density.judged_per_m2 == pytest.approx(other.density.judged_per_m2, rel=1e-12)
    assert one.accuracy.rmse_m == other.accuracy.rmse_m


def same_tallies(one, other):
    for field in dataclasses.fields(one):
        ours, theirs = getattr(one, field.name), getattr(other, field.name)
        if field.name == "looks":
            assert all(np.array_equal(a, b) for a, b in zip(vars(ours).values(), vars(theirs).values(), strict=True))
        else:
            np.testing.assert_allclose(ours, theirs, rtol=1e-12, atol=0, err_msg=field.name)


def test_what_is_fired_before_stays_as_it_was(meadow):
    mission, scene, plan = meadow
    first, again = (fire(mission, scene, plan.lines[:2]) for _ in range(2))
    fire_more(mission, scene, first, plan.lines[2:])
    same_tallies(first.tally, again.tally)
    assert fire_more(mission, scene, first, ()) is first


def test_lines_in_another_order_are_seen_from_by_their_new_numbers(meadow):
    mission, scene, plan = meadow
    order = [2, 0, 1]
    lines = [plan.lines[number] for number in order]
    turned = in_order(fire(mission, scene, plan.lines), [line.line_id for line in lines])
    same_tallies(turned.tally, fire(mission, scene, lines).tally)
    assert turned.lines == tuple(lines)


def test_a_plan_that_is_met_is_left_as_it_is(meadow):
    mission, scene, plan = meadow
    found, plain = mend_plan(mission, scene, plan), make_forecast(mission, scene, plan.lines)
    assert found.forecast.met
    assert found.plan is plan
    assert found.steps == ()
    assert np.array_equal(found.forecast.density_per_m2, plain.density_per_m2, equal_nan=True)


def test_a_strip_that_a_cut_line_leaves_is_closed_whole_by_patch_lines(meadow, patched):
    _, _, plan = meadow
    short, found = patched
    before, after = found.mending[0].below_before_m2, found.mending[-1].below_after_m2
    assert 0 < before <= SPREAD_SHARE * found.forecast.coverage.area_m2
    assert after == 0
    assert found.forecast.met
    assert not below(found.forecast).any()
    names = [line.line_id for line in found.plan.lines]
    added = [name for step in found.mending for name in step.lines_added]
    assert sorted(names) == sorted([*(line.line_id for line in plan.lines), *added])
    assert added
    assert set(added) <= {"P01", "P02", "P03"}
    # Along the track of the line that was cut, where the strip is.
    first = next(line for line in found.plan.lines if line.line_id == added[0])
    assert abs(np.cos(first.track_rad - short.lines[1].track_rad)) > 0.98
    assert sum(line.kept_length_m for line in found.plan.lines if line.line_id in added) < plan.lines[1].kept_length_m


def test_lines_that_are_there_keep_their_order_and_speed(patched):
    short, found = patched
    kept = [line for line in found.plan.lines if not line.line_id.startswith("P")]
    assert [line.line_id for line in kept] == [line.line_id for line in short.lines]
    for line, before in zip(kept, short.lines, strict=True):
        assert np.array_equal(line.points_m, before.points_m)
        assert line.speed_mps == before.speed_mps


def test_areas_of_steps_are_those_of_the_forecasts(meadow, patched):
    mission, scene, _ = meadow
    short, found = patched
    steps = found.mending
    assert steps[0].below_before_m2 == make_forecast(mission, scene, short.lines).coverage.below_m2
    assert steps[-1].below_after_m2 == make_forecast(mission, scene, found.plan.lines).coverage.below_m2
    assert steps[-1].below_after_m2 == found.forecast.coverage.below_m2
    for one, following in pairwise(steps):
        assert one.below_after_m2 == following.below_before_m2
    minutes = (found.plan.flight["time_s"]["total"] - short.flight["time_s"]["total"]) / 60
    assert sum(step.minutes_added for step in steps) == pytest.approx(minutes)


def test_patch_lines_keep_what_the_mission_holds_and_the_clearance(meadow, patched):
    _, scene, _ = meadow
    _, found = patched
    for line in found.plan.lines:
        assert line.speed_mps == 6
        above = line.points_m[:, 2] - scene.ground.at(line.points_m[:, 0], line.points_m[:, 1])
        assert above.min() >= 45 - 1e-6
    assert found.unsafe == ()


def test_the_report_tells_each_step_and_is_silent_where_there_is_none(patched, tmp_path):
    _, found = patched
    write_report(tmp_path / "mended.html", found)
    page = html.unescape((tmp_path / "mended.html").read_text(encoding="utf-8"))
    assert "How the plan was mended" in page
    for step in found.mending:
        assert step.what in page
        assert step.why in page
        assert f">{step.below_before_m2:.0f}</td>" in page
        assert f">{step.minutes_added:+.1f}</td>" in page
    write_report(tmp_path / "plain.html", replace(found, mending=()))
    assert "How the plan was mended" not in (tmp_path / "plain.html").read_text(encoding="utf-8")


def test_steps_are_in_the_summary_and_its_schema(patched):
    _, found = patched
    summary = summary_dict(found, ())
    jsonschema.validate(summary, summary_schema())
    assert [step["what"] for step in summary["mending"]] == [step.what for step in found.mending]
    assert summary["mending"][0]["lines_added"] == list(found.mending[0].lines_added)


def test_mending_does_not_depend_on_threads(meadow, patched):
    mission, scene, _ = meadow
    short, found = patched
    again = mend_plan(mission, scene, short, threads=1)
    assert again.steps == found.mending
    for line, other in zip(again.plan.lines, found.plan.lines, strict=True):
        assert np.array_equal(line.points_m, other.points_m)


def test_the_gap_falls_to_what_no_line_reaches_exactly(tmp_path):
    def hole(pixels):
        pixels[100:104, 110:114] = -9999  # 8 m by 8 m, in the south-east of the area

    mission, scene = job(tmp_path, edit=hole, terrain={"holes": "unknown"})
    plan = make_plan(mission, scene)
    unknown = make_forecast(mission, scene, plan.lines)
    assert (unknown.cause[below(unknown)] == code_of("no terrain")).all()
    found = mend_plan(mission, scene, cut_short(mission, scene, plan))
    assert found.steps[0].lines_added
    assert not found.forecast.met
    assert (below(found.forecast) == below(unknown)).all()
    last = found.steps[-1]
    assert last.why == f"unreachable: {unknown.coverage.below_m2:.0f} m2 no terrain"
    assert last.below_before_m2 == last.below_after_m2 == unknown.coverage.below_m2 > 0


def test_no_more_lines_are_flown_than_the_percentile_asks_for(meadow):
    mission, scene, plan = meadow
    short = cut_short(mission, scene, plan)
    share = 100 * make_forecast(mission, scene, short.lines).coverage.below_pct / 100
    for percentile in (share + 0.1, share - 0.5):
        asked = replace(mission, requirement=replace(mission.requirement, percentile=percentile))
        found = mend_plan(asked, scene, short)
        assert found.forecast.met
        assert bool(found.steps) == (percentile < share)
        assert len([line for line in found.plan.lines if line.line_id.startswith("P")]) == (percentile < share)


def test_what_lacks_pulses_all_over_is_planned_anew_with_what_is_open(tmp_path):
    mission, scene = job(tmp_path, flight={"agl_m": 60}, requirement={"density_per_m2": 500})
    thin = make_plan(replace(mission, requirement=replace(mission.requirement, density_per_m2=150.0)), scene)
    found = mend_plan(mission, scene, thin)
    assert found.forecast.met
    step = found.steps[0]
    assert step.what.startswith("planned anew: ")
    assert step.why.endswith("% of the area lacks pulses")
    assert step.lines_added == ()
    assert step.minutes_added > 0
    assert found.plan.settings.agl_m == 60
    assert found.plan.settings.speed_mps < thin.settings.speed_mps or len(found.plan.lines) > len(thin.lines)


def test_what_a_held_spacing_leaves_thin_all_over_is_said_and_not_filled_up(tmp_path):
    held = {"agl_m": 60, "speed_mps": 8, "line_spacing_m": 60}
    mission, scene = job(tmp_path, flight=held, requirement={"density_per_m2": 1500})
    plan = make_plan(mission, scene)
    found = mend_plan(mission, scene, plan)
    assert found.plan is plan
    (step,) = found.steps
    assert step.lines_added == ()
    assert step.why.endswith("% of the area lacks pulses, with agl_m, speed_mps, line_spacing_m held by the mission")


@pytest.mark.parametrize("heading_deg", [0, 37, 90])
def test_a_patch_line_brings_what_closed_forms_say(meadow, heading_deg):
    mission, scene, plan = meadow
    way = ways_of(mission, scene, plan.settings, flyer_of(mission, scene), ("sparse",), 120.0)[0]
    track = Track(np.radians(heading_deg), -5.0, (-50.0, 50.0))
    forecast = make_forecast(mission, scene, [way.line("P01", track)])
    cells = all_cells(mission, scene, forecast)
    along, aside = track.seen_m(cells.places_m)
    told = way.brings_per_m2(track, cells)
    hidden = way.hidden(track, cells, scene.top)
    flown = np.nan_to_num(forecast.density_per_m2.ravel()[cells.flat])
    inner = (np.abs(along) < 40) & (np.abs(aside) < 30) & ~hidden
    assert inner.sum() > 3000
    # Single cells hold whole returns, and the line sways.
    assert told[inner].sum() == pytest.approx(flown[inner].sum(), rel=0.02)
    assert np.corrcoef(told[inner], flown[inner])[0, 1] > 0.8
    assert (flown[(np.abs(along) < 40) & (told == 0) & (np.abs(aside) > 50)] == 0).mean() > 0.95


def all_cells(mission, scene, forecast):
    """Return all judged cells as if they fell short."""
    everything = replace(forecast, cause=np.where(forecast.judged, code_of("sparse"), 0).astype(np.uint8))
    return shortfall_of(mission, scene, everything)


def test_a_bank_hides_what_lies_behind_it_from_a_low_line_on_the_other_side(meadow):
    mission, scene, plan = meadow
    way = ways_of(mission, scene, plan.settings, flyer_of(mission, scene), ("shadow",), 120.0)[0]
    cells = all_cells(mission, scene, make_forecast(mission, scene, plan.lines[:1]))
    level = replace(way, profile=replace(way.profile, floor=replace(way.profile.floor, agl_m=20.0, clearance_m=5.0)))
    east = cells.places_m[:, 0]
    # The bank rises by 10 m from 36 to 39 m east. An eye 20 m over its top and 39 m from its edge sees the meadow again
    # 19.5 m beyond the edge (C).
    foot = (np.abs(cells.places_m[:, 1]) < 20) & (east > 24) & (east < 32)
    from_east, from_west = Track(0.0, 78.0, (-50.0, 50.0)), Track(0.0, 0.0, (-50.0, 50.0))
    assert level.hidden(from_east, cells.at(foot), scene.top).all()
    assert not level.hidden(from_west, cells.at(foot), scene.top).any()


def test_a_patch_line_that_would_be_unsafe_is_left_out_with_the_reason(meadow):
    mission, scene, plan = meadow
    flyer = flyer_of(mission, scene)
    safe = profile_of(mission, scene, 45.0, flyer, level=False)
    low = Profile(replace(safe.floor, agl_m=5.0, clearance_m=5.0), safe.climb_mps, safe.descent_mps)
    over = replace(plan.lines[1], line_id="P01")
    under = replace(low.relaid(plan.lines[2]), line_id="P02")
    found = patched_plan(mission, scene, plan, [(over, safe), (under, low)], flyer)
    assert found.added == ("P01",)
    ((name, why),) = found.refused
    assert name == "P02"
    assert why.startswith("line P02 ")
    assert "25" in why
    assert "P02" not in {line.line_id for line in found.plan.lines}


def test_a_patch_line_over_the_ceiling_is_left_out(meadow):
    mission, scene, plan = meadow
    high = profile_of(mission, scene, 150.0, flyer_of(mission, scene), level=False)
    line = replace(high.relaid(plan.lines[0]), line_id="P01")
    found = patched_plan(mission, scene, plan, [(line, high)], flyer_of(mission, scene))
    assert found.plan is plan
    assert found.added == ()
    assert found.refused[0][1].startswith("line P01 would be 3")  # 30 m over 120 m, more over the bank
    assert found.refused[0][1].endswith(" m over the ceiling")


def test_a_patch_line_is_put_where_the_way_grows_least(meadow):
    mission, scene, plan = meadow
    flyer = flyer_of(mission, scene)
    profile = profile_of(mission, scene, 45.0, flyer, level=False)
    third = replace(plan.lines[2], line_id="P01")
    without = plan_of(mission, scene, tuple(line for line in plan.lines if line.line_id != "L03"), plan.settings)
    found = patched_plan(mission, scene, without, [(third, profile)], flyer)
    assert [line.line_id for line in found.plan.lines] == ["L01", "L02", "P01"]
    assert np.allclose(found.plan.lines[2].points_m, plan.lines[2].points_m)


def test_counting_on_less_reach_is_flown_where_patch_lines_take_longer(tmp_path):
    mission, scene = job(tmp_path, flight=OPEN, requirement={"density_per_m2": 150, "percentile": 0, "cell_m": 2})
    plan = make_plan(mission, scene)
    before = make_forecast(mission, scene, plan.lines)
    lost_m2 = before.coverage.by_cause_m2["over range"]
    assert lost_m2 > before.coverage.below_m2 / 2 > 0
    found = mend_plan(mission, scene, plan)
    assert found.forecast.met
    (step,) = found.steps
    assert step.why == f"to close {lost_m2:.0f} m2 over range, sooner than by patch lines"
    assert step.what.startswith("planned anew: ")
    farthest = [
        each.settings.agl_m / np.cos(np.radians(each.settings.usable_half_angle_deg)) for each in (found.plan, plan)
    ]
    assert farthest[0] < 0.95 * farthest[1]
