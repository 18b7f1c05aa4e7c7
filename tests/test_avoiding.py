"""Whole plans beside keep-out areas, and lines cut for the inertial unit."""

import json
import re

import jsonschema
import numpy as np
import pytest
import shapely
from made_site import box_deg, write_area, write_site
from test_flying import lonlat, square, write_features

from planner.errors import InfeasibleError
from planner.files.bundle import summary_dict, summary_schema
from planner.files.geofiles import read_scene
from planner.files.missionfile import read_mission
from planner.files.report import write_report
from planner.flight.cuts import straight_s
from planner.survey import assess, make_plan

SPARSE = {"density_per_m2": 40}
WIDE = {"heading_deg": 90, "line_spacing_m": 75}  # lines at 37.5 m to the north and to the south of the middle


def job(folder, *areas, **changes):
    """Return a job without a take-off place, so that lines alone are flown, beside keep-out areas."""
    write_features(folder, "areas.geojson", *areas)
    hazards = {"keep_out": "areas.geojson"} if areas else {}
    asked = {"requirement": SPARSE, "flight": WIDE, "doubts": {"draws": 0}, "hazards": hazards}
    mission = read_mission(write_site(folder, **(asked | changes)))
    return mission, read_scene(mission)


def farm(*place_m):
    return "Polygon", square(*place_m), {"name": "the farm"}


def off_m(plan, east_m, north_m, half_m):
    """Return how near the lines of a plan come to a square in plan [m]."""
    area = shapely.box(east_m - half_m, north_m - half_m, east_m + half_m, north_m + half_m)
    return min(shapely.LineString(line.points_m[:, :2]).distance(area) for line in plan.lines)


def test_a_plan_round_a_keep_out_area_has_its_gap_there_and_nowhere_else(tmp_path):
    asked, _ = job(tmp_path, farm(0.0, -37.5, 6.0))
    write_area(tmp_path, box_deg(110.0, 60.0))
    mission, scene = read_mission(asked.file), read_scene(asked)
    plan = make_plan(mission, scene)
    assert plan.path_faults == ()
    assert off_m(plan, 0.0, -37.5, 6.0) >= 10 - 0.01  # the square in the file goes through longitude and latitude
    lines = {line.line_id: line for line in plan.lines}
    assert sorted(lines) == ["L01", "L02a", "L02b", "X01", "X02", "X03"]
    # 12 m of farm, on either side 10 m of margin, 40 m of lead and at 8 m/s 8^2 / (2 x 1.5) m to stop (C)
    said = r"L02 is split into L02a and L02b with 154\.[678] m left out between for keep-out area the farm"
    assert [re.fullmatch(said, change) is not None for change in plan.changes] == [True]
    found = assess(mission, scene, plan)
    forecast = found.forecast
    east, north = np.meshgrid(*forecast.cells.centres_m())
    short = forecast.judged & (forecast.density_per_m2 < 40)
    assert short.any()
    # 16 m to the edge of the margin, 40 m of lead and 21 m to stop; L01 sees as far as its own half swath (C)
    assert np.abs(east[short]).max() < 16 + 40 + 21.4 + 1
    assert north[short].max() < 0
    assert short[np.hypot(east, north + 37.5) < 6].all()
    causes = forecast.cause[short]
    assert np.mean(causes == np.bincount(causes).argmax()) > 0.8
    assert {gap.cause for gap in forecast.gaps[:1]} == {"outside swath"}
    flight = summary_dict(found, [])["flight"]
    jsonschema.validate(flight, summary_schema()["properties"]["flight"])
    assert flight["changes"] == list(plan.changes)
    write_report(tmp_path / "report.html", found)
    page = (tmp_path / "report.html").read_text(encoding="utf-8")
    assert f"<li>{plan.changes[0]}.</li>" in page.split("What was changed for keep-out areas:")[1]


def test_an_area_that_no_line_meets_changes_nothing(tmp_path):
    (tmp_path / "free").mkdir()
    free = make_plan(*job(tmp_path / "free"))
    plan = make_plan(*job(tmp_path, farm(0.0, 0.0, 6.0)))
    assert plan.changes == ()
    assert [line.line_id for line in plan.lines] == [line.line_id for line in free.lines]
    for before, after in zip(free.lines, plan.lines, strict=True):
        assert after.points_m.tobytes() == before.points_m.tobytes()


def test_a_line_along_a_road_is_moved_off_it_and_keeps_its_clearance(tmp_path):
    road = [[lonlat(a, b) for a, b in ((-70, -28), (70, -28), (70, -18), (-70, -18), (-70, -28))]]
    flight = {"heading_deg": 90, "line_spacing_m": 45}
    mission, scene = job(tmp_path, ("Polygon", road, {"name": "the road"}), flight=flight)
    plan = make_plan(mission, scene)
    assert plan.path_faults == ()
    [moved] = [change for change in plan.changes if "shifted" in change]
    assert re.fullmatch(r"L02 is shifted 15\.0 m to the north for keep-out area the road", moved)
    [line] = [line for line in plan.lines if line.line_id == "L02"]
    assert line.kept_length_m == pytest.approx(180, abs=0.01)
    points = line.points_m
    assert np.ptp(points[:, 1]) == pytest.approx(0, abs=1e-6)
    assert points[0, 1] == pytest.approx(-7.5, abs=0.01)  # it was laid at -22.5, and -8 is clear (C)
    assert (points[:, 2] - scene.ground.at(points[:, 0], points[:, 1])).min() >= 60 - 1e-6


def test_an_area_over_everything_is_refused(tmp_path):
    mission, scene = job(tmp_path, farm(0.0, 0.0, 55.0))
    with pytest.raises(InfeasibleError, match=r"E31 .*leave no flight line: of each less than 20 m of data") as refused:
        make_plan(mission, scene)
    assert "give floor and top" in refused.value.faults[0].fix
    json.dumps(refused.value.as_dict())


@pytest.mark.parametrize("wind_mps", [0.0, 0.4])
def test_lines_too_long_for_the_inertial_unit_are_cut_where_that_is_asked(tmp_path, wind_mps):
    # At 2 m/s a line of 180 m and 20 m of lead lasts 100 s, and the card allows 90. With one airspeed both ways the
    # wind takes up to 0.7 m/s off the lines that go against it (C).
    flight = {"heading_deg": 90, "speed_mps": 2, "line_spacing_m": 75, "hold_speed": "air"}
    changes = {"navigation": {"card": "entry"}, "conditions": {"wind_mps": wind_mps, "wind_from_deg": 60}}
    plans = []
    for name, asked in (("whole", {}), ("cut", {"split_overlap_m": 15})):
        (tmp_path / name).mkdir()
        plans.append(make_plan(*job(tmp_path / name, flight=flight | asked, **changes)))
    whole, cut = plans
    assert max(straight_s(line) for line in whole.lines) > 90
    assert max(straight_s(line) for line in cut.lines) <= 90 * (1 + 1e-9)
    for line in whole.lines:
        course, ends = line.points_m[-1] - line.points_m[0], line.kept_points_m()[[0, -1]]
        along = course[:2] / np.hypot(*course[:2])
        parts = [part for part in cut.lines if part.line_id.startswith(line.line_id)]
        assert len(parts) > 1 or straight_s(line) <= 90
        spans = np.sort([np.sort(part.kept_points_m()[[0, -1], :2] @ along) for part in parts], axis=0)
        assert spans[[0, -1], [0, 1]] == pytest.approx(ends[:, :2] @ along)
        assert spans[:-1, 1] - spans[1:, 0] == pytest.approx(15)
