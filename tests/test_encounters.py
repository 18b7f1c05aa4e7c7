"""What a sortie meets on its way, against places that can be told by hand."""

from dataclasses import replace

import numpy as np
import pytest
import shapely
from files.small_job import small_assessment
from made_sorties import flown

from planner.aircraft import Aircraft
from planner.flight.winds import CREEPING_MPS, Wind, airspeed_mps, ground_speed_mps
from planner.ground.obstacles import KeepOut, Obstacle
from planner.survey.encounters import NEAR_M, encounters, most_wind_mps


def bare(**changes):
    """The meadow flown by two sorties, with nothing on it but what is given; terrain without doubt."""
    job = flown(small_assessment())
    scene = replace(job.scene, **({"obstacles": (), "keep_outs": ()} | changes))
    mission = replace(job.mission, terrain=replace(job.mission.terrain, vertical_sd_m=0.0))
    return mission, scene, job.plan.sorties


def test_the_ground_is_nearest_square_to_its_slope():
    mission, scene, (sortie, _) = bare()
    met = encounters(mission, scene, sortie)
    path = sortie.path
    high = np.array([part not in ("climb", "descent") for part in path.parts])
    points = path.points_m[1:][high]
    # C: the meadow is the plane 20 + 0.1 east - 0.05 north: its distance is the height above it by the secant of slope.
    above = points[:, 2] - (20 + 0.1 * (points[:, 0] + 1200) - 0.05 * (points[:, 1] - 800))
    assert met.nearest_to == "the ground"
    # Where the descent begins counts for the descent: the last place before it is up to 1 m off, on a slope of 0.11.
    assert met.nearest.value_m == pytest.approx(above.min() / np.sqrt(1 + 0.1**2 + 0.05**2), abs=0.12)
    whole = path.points_m[:, 2] - (20 + 0.1 * (path.points_m[:, 0] + 1200) - 0.05 * (path.points_m[:, 1] - 800))
    assert met.highest.value_m == pytest.approx(whole.max(), abs=0.02)
    assert not met.unknown


def test_the_farthest_place_is_an_end_of_the_line():
    mission, scene, (sortie, _) = bare()
    met = encounters(mission, scene, sortie)
    ends = sortie.lines[0].points_m[[0, -1], :2]
    # C: take-off lies between both ends, and what is straight is farthest at an end.
    away = np.hypot(*(ends - sortie.take_off_m[:2]).T)
    assert met.farthest.value_m == pytest.approx(away.max(), abs=1e-6)
    at = np.array([np.interp(met.farthest.time_s, sortie.path.times_s, sortie.path.points_m[:, k]) for k in range(3)])
    assert at == pytest.approx(met.farthest.place_m, abs=1e-6)


def test_a_mast_beside_the_line_is_met_where_the_line_passes_abeam():
    _, _, (sortie, _) = bare()
    line = sortie.lines[0].kept_points_m()
    x, y = line[:, 0].mean(), line[:, 1].mean()
    mast = Obstacle("mast", "point", shapely.Point(x + 12, y), 0.0, 500.0, 1.0)
    low = Obstacle("shed", "point", shapely.Point(x + 14, y), 0.0, 30.0, 1.0)
    afar = Obstacle("afar", "point", shapely.Point(x - NEAR_M - 60, y), 0.0, 900.0, 1.0)
    mission, scene, _ = bare(obstacles=(low, mast, afar))
    met = encounters(mission, scene, sortie)
    # C: 12 m abeam less a radius of 1 m.
    assert (met.nearest_to, met.nearest.leg) == ("mast", f"line {sortie.lines[0].line_id}")
    assert met.nearest.value_m == pytest.approx(11.0, abs=0.02)
    assert met.nearest.place_m[1] == pytest.approx(y, abs=0.6)
    assert met.tallest is mast, "what stands farther off than NEAR_M is not near"
    assert met.tallest_agl_m == pytest.approx(500 - (20 + 0.1 * (x + 12 + 1200) - 0.05 * (y - 800)), abs=1e-6)
    alone = replace(scene, obstacles=(afar,))
    assert encounters(mission, alone, sortie).tallest is None
    assert np.isnan(encounters(mission, alone, sortie).tallest_agl_m)


def test_keep_out_areas_are_met_from_take_off_to_landing():
    mission, _, (sortie, _) = bare()
    x, y = sortie.take_off_m[:2]
    scene = replace(bare()[1], keep_outs=(KeepOut("yard", shapely.box(x + 30, y - 5, x + 40, y + 5)),))
    met = encounters(mission, scene, sortie)
    course = shapely.LineString(sortie.path.points_m[:, :2])
    # C: a yard without floor or top is as near as its outline in plan.
    assert met.keep_out_from == "yard"
    assert met.keep_out.value_m == pytest.approx(course.distance(scene.keep_outs[0].polygon), abs=0.02)
    assert encounters(mission, replace(scene, keep_outs=()), sortie).keep_out is None


def test_over_unknown_ground_no_distance_is_claimed():
    mission, scene, (sortie, _) = bare()
    known = np.zeros_like(scene.top.known)
    nowhere = replace(scene, top=replace(scene.top, known=known), ground=replace(scene.ground, known=known))
    met = encounters(mission, nowhere, sortie)
    assert (met.nearest, met.nearest_to, met.highest, met.unknown) == (None, "", None, True)
    known = scene.top.known.copy()
    known[:, : known.shape[1] // 2] = False  # the western half, where the first line is
    half = replace(scene, top=replace(scene.top, known=known))
    met = encounters(mission, half, sortie)
    assert met.unknown
    assert met.nearest.place_m[0] >= -1200


@pytest.mark.parametrize(
    ("kind", "speeds", "expected"),
    [
        ("multirotor", [5.0], 10.0),  # 15 through the air against the wind
        ("multirotor", [5.0, 9.0], 6.0),
        ("multirotor", [15.0], 0.0),
        ("fixed_wing", [12.0], 3.0),  # no slower through the air than 9 before the wind
        ("fixed_wing", [14.0], 1.0),
    ],
)
def test_the_most_wind_is_the_last_in_which_speeds_are_held_from_any_side(kind, speeds, expected):
    least = 9.0 if kind == "fixed_wing" else 1.0
    aircraft = Aircraft(
        name="A", kind=kind, min_speed_mps=least, max_speed_mps=15, climb_mps=3, descent_mps=3, endurance_s=1500
    )
    most = most_wind_mps(aircraft, speeds)
    assert most == pytest.approx(expected)
    low, high = aircraft.airspeeds_mps
    around = np.radians(np.arange(0, 360, 5))

    def held(wind_mps):
        needed = np.array([[airspeed_mps(v, 0.0, Wind(wind_mps, a)) for a in around] for v in speeds])
        return needed.min() >= low - 1e-9 and needed.max() <= high + 1e-9

    assert held(most)
    assert not held(most + 0.01)
    assert ground_speed_mps(aircraft.ferry_mps, 0.0, Wind(most, 0.0)) >= CREEPING_MPS


def test_the_way_home_bounds_the_wind_where_lines_do_not():
    slow = Aircraft(
        name="A", min_speed_mps=1, max_speed_mps=15, ferry_airspeed_mps=6, climb_mps=3, descent_mps=3, endurance_s=1500
    )
    # C: 6 m/s through the air against w leaves 6 - w, and what moves slower than creeping gets nowhere.
    assert most_wind_mps(slow, [5.0]) == pytest.approx(6 - CREEPING_MPS)
