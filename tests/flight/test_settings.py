from dataclasses import replace

import numpy as np
import pytest
import shapely
from flat_jobs import FRAME, HEXACOPTER, SENSOR, SLOWER_RATE, WING, a_mission, a_scene

from planner.equipment import RangeRating
from planner.errors import InfeasibleError, InputError, SafetyError
from planner.flight.settings import Settings, choose_flight
from planner.flight.sorties import flight_figures
from planner.flight.swath import least_aggregate_density_per_m2
from planner.ground.clearance import nearest_obstacle, stations
from planner.ground.geodesy import WGS84
from planner.ground.nearest import nearest_surface
from planner.ground.obstacles import Obstacle
from planner.mission import FlightChoice, Limits
from planner.ranging.beams import scan_pattern, scan_tilt_rad

CELL_M = 1.0
TWO_RATES = replace(SENSOR, ratings=(*SENSOR.ratings, SLOWER_RATE))


def least_density(settings, height_m, sensor=SENSOR):
    half = np.radians(settings.usable_half_angle_deg)
    pattern = scan_pattern(sensor, settings.pulse_rate_hz, settings.line_rate_hz, half)
    return float(least_aggregate_density_per_m2(pattern, height_m, settings.speed_mps, settings.line_spacing_m))


def minutes(mission, lines):
    return flight_figures(lines, mission.aircraft, mission.sensor, FRAME)["time_s"]["total"] / 60


def held(**choice):
    return a_mission(flight=FlightChoice(**choice))


def test_flat_ground_meets_the_density_everywhere_between_lines():
    settings, lines = choose_flight(a_mission(), a_scene(), CELL_M)
    assert least_density(settings, settings.agl_m) >= 200
    assert settings.sidelap >= 0.2
    assert 30.3 <= settings.agl_m <= 120
    assert {line.speed_mps for line in lines} == {settings.speed_mps}


def test_every_setting_says_what_bound_it():
    settings, _ = choose_flight(a_mission(), a_scene(), CELL_M)
    unbound = "bound_by", "sidelap", "closest_spacing_m"
    said = {name for name in Settings.__dataclass_fields__ if name not in unbound}
    assert set(settings.bound_by) == said
    assert all(settings.bound_by.values())


@pytest.mark.parametrize(
    ("changes", "setting", "words"),
    [
        ({"density_per_m2": 4000}, "agl_m", "clearance with terrain doubt"),
        (
            {"density_per_m2": 3000, "sensor": replace(SENSOR, min_range_m=60)},
            "agl_m",
            "minimum range of the sensor",
        ),
        (
            {"density_per_m2": 20, "sensor": replace(SENSOR, usable_fov_deg=10), "limits": Limits(ceiling_agl_m=100)},
            "agl_m",
            "ceiling above ground",
        ),
        ({"density_per_m2": 1000}, "speed_mps", "density"),
        ({"density_per_m2": 20}, "speed_mps", "greatest speed of the aircraft"),
        ({"density_per_m2": 20}, "usable_half_angle_deg", "usable opening of the card"),
        ({"density_per_m2": 20}, "line_spacing_m", "no more lines than wider spacing takes"),
        ({"density_per_m2": 1000}, "line_spacing_m", "density: closer lines even it out"),
        ({"density_per_m2": 200}, "line_spacing_m", "least sidelap on the local swath"),
        ({}, "pulse_rate_hz", "the card's only rate"),
        ({"sensor": TWO_RATES}, "pulse_rate_hz", "shortest flight time"),
        ({}, "heading_deg", "long side of the flown area"),
    ],
)
def test_the_limit_that_bound_a_setting_is_named(changes, setting, words):
    mission = a_mission(**{"flight": FlightChoice(following="terrain")} | changes)
    settings, _ = choose_flight(mission, a_scene(), CELL_M)
    assert settings.bound_by[setting] == words


def test_what_the_mission_holds_is_held():
    choice = {"agl_m": 70.0, "speed_mps": 5.0, "heading_deg": 35.0, "pulse_rate_hz": 150e3, "line_rate_hz": 100.0}
    choice |= {"line_spacing_m": 40.0, "following": "level"}
    mission = a_mission(sensor=TWO_RATES, flight=FlightChoice(**choice))
    settings, lines = choose_flight(mission, a_scene(), CELL_M)
    assert {name: getattr(settings, name) for name in choice} == choice
    assert {settings.bound_by[name] for name in choice} == {"held by the mission"}
    assert lines[0].pulse_rate_hz == 150e3


@pytest.mark.parametrize("density", [150.0, 400.0])
def test_no_held_height_is_quicker(density):
    free = a_mission(sensor=TWO_RATES, density_per_m2=density, flight=FlightChoice(following="terrain"))
    quickest = minutes(free, choose_flight(free, a_scene(), CELL_M)[1])
    for agl_m in (40.0, 80.0, 115.0):
        fixed = replace(free, flight=FlightChoice(agl_m=agl_m, following="terrain"))
        assert quickest <= 1.02 * minutes(fixed, choose_flight(fixed, a_scene(), CELL_M)[1])


def test_more_density_costs_time():
    times = []
    for density in (50.0, 200.0, 500.0):
        mission = a_mission(density_per_m2=density, flight=FlightChoice(following="terrain"))
        times.append(minutes(mission, choose_flight(mission, a_scene(), CELL_M)[1]))
    assert times[0] <= times[1] < times[2]


def test_usable_angle_is_cut_to_what_the_light_reaches():
    # C: B at 80 m over wet asphalt, R0 = 106 m in clear air: 34 deg, not 40
    asphalt = replace(SENSOR, ratings=(RangeRating(pulse_rate_hz=300e3, range_m=106, reflectance=0.05),))
    mission = a_mission(sensor=asphalt, flight=FlightChoice(agl_m=80.0))
    settings, _ = choose_flight(mission, a_scene(), CELL_M)
    assert 25 <= settings.usable_half_angle_deg <= 34.0


def test_heading_follows_the_long_side_and_is_true():
    long_area = shapely.affinity.rotate(shapely.box(-300, -80, 300, 80), 25, origin=(0, 0))
    settings, lines = choose_flight(a_mission(), a_scene(area=long_area), CELL_M)
    assert settings.heading_deg % 180 == pytest.approx(65, abs=0.05)
    scene = a_scene()
    scene = replace(scene, frame=replace(FRAME, origin_east_m=40_000.0))  # 40 km east: convergence 0.68 deg
    settings, lines = choose_flight(held(heading_deg=35.0), scene, CELL_M)
    start, end = (scene.frame.to_lonlat(*point[:2]) for point in lines[0].points_m[[0, -1]])
    azimuth, _, _ = WGS84.inv(*map(float, start), *map(float, end))
    assert settings.heading_deg == 35
    assert azimuth == pytest.approx(35, abs=0.02)


def test_leads_last_as_long_as_attitude_takes_to_settle():
    _, lines = choose_flight(a_mission(), a_scene(), CELL_M)
    for line in lines:
        assert line.kept_m[0] >= HEXACOPTER.settle_s * line.speed_mps - 1e-9
        assert line.along_m()[-1] - line.kept_m[1] >= HEXACOPTER.settle_s * line.speed_mps - 1e-9


def test_a_ridge_draws_lines_together():
    # plateau of 30 m with slopes of 1:4 both sides, lines along it at constant height
    def ridge(east, north):
        return np.clip(30 - (np.abs(north) - 30) / 4, 0, 30) + 0 * east

    choice = FlightChoice(agl_m=60.0, following="level", heading_deg=90.0)
    settings, lines = choose_flight(a_mission(flight=choice), a_scene(ridge), CELL_M)
    level = lines[0].points_m[0, 2]
    half = np.tan(np.radians(settings.usable_half_angle_deg))
    assert level >= 90
    assert settings.line_spacing_m <= 0.8 * 2 * 60 * half + 1e-6
    assert settings.sidelap >= 0.2 - 1e-6
    assert least_density(settings, level) >= 200


def test_deep_ground_slows_a_level_flight():
    def valley(east, north):
        return np.clip(np.abs(east) / 4, 0, 40) + 0 * north

    choice = FlightChoice(agl_m=50.0, following="level")
    settings, lines = choose_flight(a_mission(flight=choice), a_scene(valley), CELL_M)
    assert lines[0].points_m[0, 2] == pytest.approx(90)
    assert least_density(settings, 90) >= 200


def test_a_thin_wall_does_not_draw_lines_together():
    choice = FlightChoice(agl_m=60.0, following="level", heading_deg=90.0)
    flat, _ = choose_flight(a_mission(flight=choice), a_scene(), CELL_M)
    wall, _ = choose_flight(
        a_mission(flight=choice),
        a_scene(top=lambda east, north: np.where(np.abs(north - 70) < 1.5, 12.0, 0.0 * east)),
        CELL_M,
    )
    assert wall.line_spacing_m == pytest.approx(flat.line_spacing_m)


def test_the_flight_clears_listed_obstacles_with_their_doubt():
    mast = Obstacle("mast", "point", shapely.Point(40, 20), 0.0, 60.0, 1.0, 2.0, 1.0)
    span = shapely.LineString([(-350, -80, 55), (350, -60, 45)])
    wire = Obstacle("wire", "wire", span, 30, 55, sag_m=15, vertical_sd_m=1.0)
    scene = replace(a_scene(), obstacles=(mast, wire))
    for line in choose_flight(held(agl_m=60.0, following="terrain"), scene, CELL_M)[1]:
        assert nearest_obstacle(scene.obstacles, stations(line.points_m, 0.1)[0]).distance_m.min() >= 30.3


def test_the_flight_clears_what_stands_beside_it():
    def mast_block(east, north):
        return np.where(np.hypot(east - 40, north - 20) < 12, 85.0, 0.0)

    mission = held(agl_m=60.0, following="terrain")
    scene = a_scene(top=mast_block)
    for line in choose_flight(mission, scene, CELL_M)[1]:
        flown, _ = stations(line.points_m, 0.1)
        # 30 m of clearance and 0.3 m of terrain doubt, in any direction [C]
        assert nearest_surface(scene.top, flown).distance_m.min() >= 30.3


def test_terrain_following_obeys_climb_and_descent():
    mission = a_mission(limits=Limits(climb_mps=2.0, descent_mps=1.0), flight=FlightChoice(following="terrain"))
    scene = a_scene(lambda east, north: 25 * np.sin(east / 50) + 15 * np.cos(north / 60))
    for line in choose_flight(mission, scene, CELL_M)[1]:
        rate = np.diff(line.points_m[:, 2]) / np.diff(line.along_m()) * line.speed_mps
        assert rate.max() <= 2 + 1e-9
        assert rate.min() >= -1 - 1e-9


def test_of_following_and_level_the_one_that_keeps_the_ceiling():
    scene = a_scene(lambda east, north: 0.15 * (east + 600) + 0 * north)
    settings, _ = choose_flight(a_mission(), scene, CELL_M)
    assert settings.following == "terrain"
    assert "level" in settings.bound_by["following"]


def test_an_area_narrower_than_a_swath_takes_one_line():
    settings, lines = choose_flight(a_mission(density_per_m2=50), a_scene(area=shapely.box(-200, -5, 200, 5)), CELL_M)
    assert len(lines) == 1
    assert settings.bound_by["line_spacing_m"] == "one swath covers the area"


def test_a_rigid_mount_tilts_with_speed_and_lines_grow():
    pitching = replace(HEXACOPTER, pitch_per_speed_deg_s_per_m=1.0)
    rigid = replace(SENSOR, tilts_with_aircraft=True)
    choice = FlightChoice(agl_m=80.0, speed_mps=8.0, line_spacing_m=80.0, following="level")
    level_mount = choose_flight(a_mission(aircraft=pitching, flight=choice), a_scene(), CELL_M)[1]
    tilted = choose_flight(a_mission(sensor=rigid, aircraft=pitching, flight=choice), a_scene(), CELL_M)[1]
    # 8 degrees at 80 m: 11.2 m (C)
    assert abs(np.degrees(scan_tilt_rad(rigid, pitching, 8.0))) == pytest.approx(8)
    assert tilted[0].kept_length_m - level_mount[0].kept_length_m == pytest.approx(2 * 11.24, abs=0.02)


@pytest.mark.parametrize(
    ("pattern", "optical", "usable", "lines_hz"),
    [("rotating", 360, 90, 20.0), ("oscillating_sine", 84, 70, 60.0), ("polygon", 100, 90, 200.0)],
)
def test_other_patterns_meet_the_density(pattern, optical, usable, lines_hz):
    sensor = replace(SENSOR, pattern=pattern, optical_fov_deg=optical, usable_fov_deg=usable, line_rates_hz=(lines_hz,))
    mission = a_mission(sensor=sensor, density_per_m2=60, flight=FlightChoice(following="terrain"))
    settings, _ = choose_flight(mission, a_scene(), 2.0)
    assert least_density(settings, settings.agl_m, sensor) >= 60


def test_a_fixed_beam_flies_a_line_to_each_cell():
    beam = replace(SENSOR, pattern="profiling", optical_fov_deg=0, usable_fov_deg=0, line_rates_hz=())
    beam = replace(beam, ratings=(RangeRating(pulse_rate_hz=500, range_m=150, reflectance=0.15),))
    settings, lines = choose_flight(a_mission(sensor=beam, density_per_m2=5), a_scene(), 20.0)
    assert settings.line_spacing_m <= 20 + 1e-9
    assert 500 / (settings.speed_mps * settings.line_spacing_m) >= 5 - 1e-9
    assert lines[0].line_rate_hz == 0


def test_a_wing_keeps_its_speeds():
    settings, _ = choose_flight(a_mission(aircraft=WING, density_per_m2=40), a_scene(), CELL_M)
    assert 12 <= settings.speed_mps <= 20


def test_same_input_same_flight():
    scene = a_scene(lambda east, north: 20 * np.sin(east / 70) + 0 * north)
    (first, lines), (second, again) = (choose_flight(held(following="terrain"), scene, CELL_M) for _ in range(2))
    assert first == second
    assert all(np.array_equal(a.points_m, b.points_m) for a, b in zip(lines, again, strict=True))


def test_density_out_of_reach_is_refused_with_the_best():
    with pytest.raises(InfeasibleError, match=r"E19 .* returns/m2 at the least speed 2 m/s") as refusal:
        choose_flight(a_mission(density_per_m2=50_000), a_scene(), CELL_M)
    best = refusal.value.best
    assert best.quantity == "density_per_m2"
    assert best.asked == 50_000
    # two passes everywhere, lowest height, least speed
    nadir = 300e3 / (np.radians(80) * 2 * 31)
    assert 1.9 * nadir < best.reachable < 2.1 * nadir


@pytest.mark.parametrize(
    ("changes", "error", "message"),
    [
        (
            {"flight": FlightChoice(agl_m=155.0)},
            InfeasibleError,
            r"E21 no light returns from 155.0 m.*300 kHz up to 150",
        ),
        (
            {"sensor": replace(SENSOR, min_range_m=125, ratings=(replace(SLOWER_RATE, range_m=250),))},
            InfeasibleError,
            "E22 minimum range 125 m",
        ),
        ({"flight": FlightChoice(agl_m=25.0)}, SafetyError, r"E23 .*agl_m 25 is 5.3 m below clearance 30 m"),
        ({"limits": Limits(ceiling_agl_m=30.1)}, InfeasibleError, "E25 .*leaves no height below the ceiling of 30.1 m"),
        ({"flight": FlightChoice(line_spacing_m=400.0)}, InfeasibleError, "E41 lines 400 m apart leave a gap"),
        ({"flight": FlightChoice(pulse_rate_hz=250e3)}, InputError, "E18 .*pulse_rate_hz 250000 is none of"),
        ({"flight": FlightChoice(line_rate_hz=77.0)}, InputError, "E18 .*line_rate_hz 77 is none of"),
        ({"flight": FlightChoice(speed_mps=14.0)}, InputError, "E33 .*speed_mps 14 is outside .* 2 to 10 m/s"),
    ],
)
def test_refusals(changes, error, message):
    with pytest.raises(error, match=message):
        choose_flight(a_mission(**changes), a_scene(), CELL_M)


def test_a_quality_level_brings_its_density():
    mission = a_mission()
    level = replace(mission, requirement=replace(mission.requirement, density_per_m2=None, quality_level="QL1"))
    settings, _ = choose_flight(level, a_scene(), CELL_M)
    assert least_density(settings, settings.agl_m) >= 8


def test_ground_too_deep_to_reach_is_flown_and_said():
    def pit(east, north):
        return np.where(np.hypot(east, north) < 150, -90.0, 0.0)

    near = replace(SENSOR, ratings=(RangeRating(pulse_rate_hz=300e3, range_m=80, reflectance=0.15),))
    mission = a_mission(sensor=near, flight=FlightChoice(following="level"))
    settings, lines = choose_flight(mission, a_scene(pit), CELL_M)
    assert lines
    assert settings.bound_by["speed_mps"].startswith("density at nominal height; too much of the ground lies deeper")
