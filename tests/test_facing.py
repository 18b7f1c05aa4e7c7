"""Walls of a pit: lines that face them raise what they are covered by, safely and for little time."""

import html
from dataclasses import replace

import jsonschema
import numpy as np
import pytest
import shapely
from made_site import box_deg, write_area, write_mission, write_raster

from planner.files.bundle import summary_dict, summary_schema
from planner.files.geofiles import read_scene
from planner.files.missionfile import read_mission
from planner.files.report import write_report
from planner.flight.patches import Track
from planner.ground.clearance import stations
from planner.ground.nearest import nearest_surface
from planner.ground.obstacles import KeepOut
from planner.ground.surface import HeightGrid, Wall
from planner.ranging.beams import angular_pulse_rate
from planner.survey import make_forecast, make_plan
from planner.survey.closing import ways_of
from planner.survey.facing import MOST_TIME_SHARE, face_walls
from planner.survey.firing import fire
from planner.survey.flying import flyer_of
from planner.survey.mending import mend
from planner.survey.outlook import judge
from planner.survey.walls import Walls, open_to, sights, walls_of

CLEARANCE_M = 15.0
DEPTH_M, HALF_M, STEEP_DEG = 24.0, 36.0, 76.0
ASKED = {"density_per_m2": 40, "face_density_per_m2": 500, "face_percentile": 5}
HELD = {"agl_m": 45, "speed_mps": 6, "heading_deg": 90, "line_spacing_m": 25, "following": "level"}


def dig(pixels):
    """Make the site a level field with a square pit of 24 m, its walls at 76 degrees."""
    rows, cols = pixels.shape
    east, north = np.meshgrid((np.arange(cols) + 0.5) - cols / 2, rows / 2 - (np.arange(rows) + 0.5))
    off = HALF_M - np.maximum(np.abs(east), np.abs(north))
    pixels[:] = 500 - np.clip(off * np.tan(np.radians(STEEP_DEG)), 0, DEPTH_M)


def job(folder, **changes):
    """Return a job whose lines are those of its block alone."""
    write_area(folder, box_deg(75, 75))
    write_raster(folder, edit=dig, cell_m=1.0)
    asked = {"requirement": ASKED, "flight": HELD, "doubts": {"draws": 0}, "limits": {"clearance_m": CLEARANCE_M}}
    mission = read_mission(write_mission(folder, **(asked | changes)))
    alone = replace(mission.navigation, opposed_pair=False, cross_lines_every=None)
    mission = replace(mission, navigation=alone, compare=())
    return mission, read_scene(mission)


@pytest.fixture(scope="module")
def pit(tmp_path_factory):
    mission, scene = job(tmp_path_factory.mktemp("pit"))
    plan = make_plan(mission, scene)
    fired = fire(mission, scene, plan.lines)
    return mission, scene, plan, fired, judge(mission, scene, fired)


@pytest.fixture(scope="module")
def faced(pit):
    mission, scene, plan, _, _ = pit
    return mend(mission, scene, plan)


def asking(mission, **requirement):
    return replace(mission, requirement=replace(mission.requirement, **requirement))


def faced_again(pit, mission=None, scene=None):
    own, site, plan, fired, forecast = pit
    mission, scene = mission or own, scene or site
    judged = judge(mission, scene, fired) if mission is not own or scene is not site else forecast
    return judged, face_walls(mission, scene, plan, fired, judged, flyer_of(mission, scene))


def minutes(plan):
    return plan.flight["time_s"]["total"] / 60


def test_a_pits_walls_gain_twenty_points_of_coverage_for_a_quarter_more_time_at_most(pit, faced):
    """The lines run east and west: the walls at their ends are seen by few beams."""
    mission, scene, plan, _, before = pit
    after = make_forecast(mission, scene, faced.plan.lines)
    assert before.density.judged_per_m2 >= 40
    assert (before.met, before.faces.met) == (False, False)
    assert after.faces.coverage_pct >= before.faces.coverage_pct + 20
    assert after.faces.coverage_pct >= 95
    assert after.faces.coverage_pct == faced.forecast.faces.coverage_pct
    assert faced.forecast.met
    assert 1 < minutes(faced.plan) / minutes(plan) <= 1.25
    thin = {wall.name for wall in before.faces.walls if wall.coverage_pct < 90 and wall.face_area_m2 > 100}
    assert thin == {"facing east", "facing west"}


def test_facing_lines_keep_clearance_ceiling_and_what_the_mission_holds(pit, faced):
    mission, scene, plan, _, _ = pit
    added = [line for line in faced.plan.lines if line.line_id.startswith("F")]
    assert added
    doubt_m = mission.terrain.vertical_sd_m
    for line in added:
        places = stations(line.points_m)[0]
        assert nearest_surface(scene.top, places).distance_m.min() >= CLEARANCE_M + doubt_m - 1e-6
        assert (line.speed_mps, line.pulse_rate_hz) == (6, plan.settings.pulse_rate_hz)
        assert np.ptp(line.points_m[:, 2]) < 1e-9  # `following` is held: each keeps one height
    assert faced.unsafe == ()
    over = max(figures.ceiling_over_m for figures in plan.figures)
    assert max(figures.ceiling_over_m for figures in faced.plan.figures) <= over + 0.5


def test_lines_that_are_there_stay_as_they_were(pit, faced):
    _, _, plan, _, _ = pit
    known = {line.line_id: line for line in plan.lines}
    kept = [line for line in faced.plan.lines if line.line_id in known]
    assert len(kept) == len(plan.lines)
    for line in kept:
        assert np.array_equal(line.points_m, known[line.line_id].points_m)


def test_steps_say_what_faces_what_and_outputs_tell_of_walls(faced, tmp_path):
    (step,) = faced.mending
    assert step.lines_added
    assert step.what.startswith(f"facing line {step.lines_added[0]} along faces facing ")
    assert step.why.startswith("to show walls: ")
    assert "per m2 of face, now" in step.why
    summary = summary_dict(faced, ())
    jsonschema.validate(summary, summary_schema())
    assert summary["faces"]["least_pct"] == 95
    assert {wall["name"] for wall in summary["faces"]["walls"]} >= {"facing east", "facing west"}
    (clause,) = [one for one in faced.quality.acceptance if one.clause == "faces with 500 per m2 of face"]
    assert (clause.status, clause.asked, clause.asked_value) == ("met", "at least 95 % of their area", 95)
    write_report(tmp_path / "report.html", faced)
    page = html.unescape((tmp_path / "report.html").read_text(encoding="utf-8"))
    assert ">Faces<" in page
    assert "facing west" in page


def test_a_mission_that_asks_nothing_of_faces_is_left_alone(pit):
    mission = asking(pit[0], face_density_per_m2=None, face_percentile=None)
    forecast, found = faced_again(pit, mission)
    assert found.plan is pit[2]
    assert found.steps == ()
    assert (forecast.faces.least_pct, forecast.faces.target_per_m2, forecast.met) == (None, 40, True)


def test_what_a_quarter_of_the_time_does_not_bring_is_said_and_not_flown(pit):
    forecast, found = faced_again(pit, asking(pit[0], face_density_per_m2=4000.0))
    assert found.time_s <= (1 + MOST_TIME_SHARE) * pit[2].flight["time_s"]["total"]
    assert found.covered_pct >= forecast.faces.coverage_pct
    assert not found.forecast.met
    assert found.steps[-1].lines_added == ()
    assert "reached too thinly by any line" in found.steps[-1].why


def test_a_wall_where_no_line_may_be_flown_is_named_as_out_of_reach(pit):
    """East of 30 m west of the middle all is closed: from there 69 m up a beam at 40 degrees comes to 28 m east."""
    mission, scene, plan, _, _ = pit
    closed = KeepOut("the works", shapely.box(-30, -300, 300, 300), None, None)
    line = shapely.MultiLineString([[(HALF_M, -30.0), (HALF_M, 30.0)]])
    scene = replace(scene, keep_outs=(closed,), walls=(Wall("east wall", line, DEPTH_M),))
    west = tuple(replace(one, kept_m=one.kept_m) for one in plan.lines[:1])
    fired = fire(mission, scene, west)
    forecast = judge(mission, scene, fired)
    found = face_walls(mission, scene, plan, fired, forecast, flyer_of(mission, scene))
    assert [wall.name for wall in forecast.faces.walls] == ["east wall"]
    assert found.plan is plan
    (step,) = found.steps
    area = forecast.faces.face_area_m2
    assert step.why.startswith(
        f"east wall: {area:.0f} m2 out of reach, in sight of no line tried within clearance 15 m"
    )
    assert step.why.endswith("clear of keep-out areas")


def test_only_the_walls_that_are_marked_are_faced(pit):
    scene = pit[1]
    wall = Wall("west wall", shapely.MultiLineString([[(-HALF_M, -30.0), (-HALF_M, 30.0)]]), DEPTH_M)
    forecast, found = faced_again(pit, scene=replace(scene, walls=(wall,)))
    assert [one.name for one in forecast.faces.walls] == ["west wall"]
    assert forecast.faces.face_area_m2 < 2000
    assert found.covered_pct >= 95
    (step,) = found.steps
    assert " along west wall (" in step.what
    (name,) = step.lines_added
    (line,) = [one for one in found.plan.lines if one.line_id == name]
    assert abs(np.cos(line.track_rad)) > 0.99  # north or south, as the wall runs


@pytest.fixture(scope="module")
def way(pit):
    mission, scene, plan, _, _ = pit
    return ways_of(mission, scene, plan.settings, flyer_of(mission, scene), (), 120.0)[0]


def one_face(slope, place=(0.0, 0.0, 480.0), tilts=None):
    """Return one face at a place, of a slope vector."""
    slopes = np.array([slope], dtype=float)
    upright = np.sqrt(1 + (slopes**2).sum(axis=1)) if tilts is None else np.array([tilts])
    none = np.zeros(1, dtype=np.int64)
    return Walls(np.array([place]), slopes, np.ones(1), upright, none.astype(np.uint8), none, none, ("a",), 1.0)


def seen_from(way, walls, heading_deg, aside_m, up_m=500.0):
    """Return the sight of the first face from a line at a height that passes it so far to the left of it."""
    track = Track(np.radians(heading_deg), -aside_m, (-60.0, 60.0))
    line = way.line("F", track)
    level = np.column_stack([line.points_m[:, :2], np.full(len(line.points_m), up_m)])
    (sight,) = sights(way, replace(line, points_m=level), track, walls)
    return sight


@pytest.mark.parametrize(("off_m", "drop_m"), [(8.0, 20.0), (12.0, 20.0), (16.0, 30.0)])
def test_a_vertical_wall_from_a_line_along_it_holds_the_rate_times_the_sine_over_speed_and_range(way, off_m, drop_m):
    """Beams of one turn lie R dt apart across the sight, R dt / sin t up the wall; turns lie a step apart along it.

    So F / (2 T) sin t / (v R) per square metre, with t the angle off straight down (C).
    """
    wall = one_face((-1e9, 0.0), (0.0, 0.0, 500.0 - drop_m))  # faces east
    range_m, t = np.hypot(off_m, drop_m), np.arctan2(off_m, drop_m)
    rate = 300_000 / (2 * np.radians(40))
    assert angular_pulse_rate(way.pattern, t) == pytest.approx(rate)
    found = seen_from(way, wall, 0.0, -off_m).per_m2[0]  # north-bound, off to the east
    assert found == pytest.approx(rate * np.sin(t) / (way.speed_mps * range_m), rel=1e-6)
    assert seen_from(way, wall, 0.0, off_m).per_m2[0] == 0  # from behind


def test_a_vertical_wall_is_not_met_from_a_line_straight_over_it_whose_scan_plane_hangs_down(way):
    assert seen_from(way, one_face((-1e9, 0.0)), 90.0, 0.0).per_m2[0] == 0
    ramp, slope = (one_face((-np.tan(np.radians(deg)), 0.0)) for deg in (80, 76))  # a wall in a raster; a quarry face
    assert seen_from(way, ramp, 90.0, 0.0).per_m2[0] == 0
    level = 300_000 / (2 * np.radians(40)) / (way.speed_mps * 20.0)
    assert seen_from(way, slope, 90.0, 0.0).per_m2[0] == pytest.approx(level * np.cos(np.radians(76)), rel=1e-6)


@pytest.mark.parametrize("tilt_deg", [10.0, 20.0])
def test_a_forward_tilt_sees_a_wall_that_is_flown_toward(way, tilt_deg):
    """Straight ahead at the foot of the tilt: F / (2 T) sin(tilt) / (v R cos(tilt)) is what crosses a vertical plane.

    On level ground below a plane tilted by b the density is rate / (v h) with h the height along the plane, and a
    vertical wall takes tan b of that (C).
    """
    tilted = replace(way, pattern=replace(way.pattern, forward_tilt_rad=np.radians(tilt_deg)))
    rate, drop_m = 300_000 / (2 * np.radians(40)), 20.0
    level = rate / (way.speed_mps * drop_m / np.cos(np.radians(tilt_deg)))
    wall = one_face((-1e9, 0.0))
    headings = [seen_from(tilted, wall, heading, 0.0) for heading in (90.0, 270.0)]
    best = max(sight.per_m2[0] for sight in headings)
    assert best == pytest.approx(level * np.tan(np.radians(tilt_deg)), rel=1e-6)


@pytest.mark.parametrize(("heading_deg", "right_m"), [(0, -5.0), (90, 0.0), (45, 0.0)])
def test_what_a_line_brings_to_walls_is_what_the_forecast_counts(pit, way, heading_deg, right_m):
    mission, scene, _, _, _ = pit
    track = Track(np.radians(heading_deg), right_m, (-45.0, 45.0))
    line = way.line("F01", track)
    forecast = make_forecast(mission, scene, [line])
    walls = walls_of(mission, scene, forecast)
    (sight,) = sights(way, line, track, walls)
    told = np.where(open_to(sight, walls, scene.top), sight.per_m2, 0.0)
    flown = forecast.first_per_m2.ravel()[walls.flat] / walls.tilts
    inner = np.abs(track.seen_m(walls.places_m)[0]) < 38
    # Cells hold whole returns, and those at foot and crest hold level ground as well.
    assert (told * walls.areas_m2)[inner].sum() == pytest.approx((flown * walls.areas_m2)[inner].sum(), rel=0.03)
    assert np.corrcoef(told[inner], flown[inner])[0, 1] > 0.95


def test_the_front_of_a_building_is_flown_along_and_not_over(tmp_path):
    """A house of 30 m by 20 m, 12 m high, between lines 30 m apart that run north."""

    def build(pixels):
        rows, cols = pixels.shape
        pixels[:] = 500
        pixels[rows // 2 - 10 : rows // 2 + 10, cols // 2 - 15 : cols // 2 + 15] = 512

    write_raster(tmp_path, "surface.tif", edit=build, cell_m=1.0)
    line = shapely.MultiLineString([[(-14.0, -10.0), (14.0, -10.0)]])
    requirement = {"density_per_m2": 40, "face_density_per_m2": 300}
    flight = HELD | {"heading_deg": 0, "line_spacing_m": 30}
    mission, scene = job(
        tmp_path, terrain={"ground": None, "surface": "surface.tif"}, requirement=requirement, flight=flight
    )
    scene = replace(scene, walls=(Wall("south front", line, 12.0),))
    plan = make_plan(mission, scene)
    fired = fire(mission, scene, plan.lines)
    forecast = judge(mission, scene, fired)
    # 28 m of front, 12 m high, and the cells beside its ends; roof and ground in the cells of its ramp
    assert 28 * 12 < forecast.faces.face_area_m2 < 30 * (12 + 2) + 12
    found = face_walls(mission, scene, plan, fired, forecast, flyer_of(mission, scene))
    assert found.covered_pct >= forecast.faces.coverage_pct + 20
    step = found.steps[0]
    assert " along south front (" in step.what
    (name, *_) = step.lines_added
    (added,) = [one for one in found.plan.lines if one.line_id == name]
    assert abs(np.sin(added.track_rad)) > 0.99
    assert added.points_m[:, 1].mean() < -10


def test_a_ridge_hides_a_face_from_the_low_side_only(way):
    """15 m of ridge, 10 to 12 m east: the sight from 16 m east and 20 m up passes it at 13 m, from the west nothing."""
    east = np.arange(-60.0, 61.0)
    ridge = np.tile(np.where((east >= 10) & (east <= 12), 495.0, 480.0), (121, 1))
    surface = HeightGrid(ridge, np.ones(ridge.shape, dtype=bool), -60.0, 60.0, 1.0)
    floor = one_face((0.0, 0.0))
    assert open_to(seen_from(way, floor, 0.0, 16.0), floor, surface)[0]
    assert not open_to(seen_from(way, floor, 0.0, -16.0), floor, surface)[0]
