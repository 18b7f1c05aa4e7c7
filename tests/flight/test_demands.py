from dataclasses import replace

import numpy as np
import pytest
from flat_jobs import SENSOR, a_mission, a_scene

from planner.cover import Surface
from planner.equipment import RangeRating
from planner.flight.demands import (
    DarkGround,
    darkest_counted,
    edge_rmse_m,
    least_eye_agl_m,
    meets_blind_band,
)
from planner.flight.settings import choose_flight
from planner.flight.swath import reach_half_angle_rad
from planner.ground.surface import GroundCover
from planner.mission import Conditions, FlightChoice, Limits
from planner.ranging.beams import scan_pattern
from planner.ranging.principles import reach_within
from planner.ranging.zones import Receiver, check_zones
from planner.requirement import Checkpoints

CELL_M = 1.0
TERRAIN = FlightChoice(following="terrain")
ROUGH = {"position_horizontal_sd_m": 0.0, "position_vertical_sd_m": 0.03, "roll_pitch_sd_deg": 0.1}
ROUGH |= {"heading_sd_deg": 0.0, "boresight_sd_deg": (0.0, 0.0, 0.0), "lever_arm_sd_m": (0.0, 0.0, 0.0)}
ROUGH |= {"timing_sd_s": 0.0, "base_ppm": 0.0}
THIN = replace(SENSOR, divergence_mrad=1e-6)


def asking(rmse_m=None, coverage="aggregate", **changes):
    mission = a_mission(**{"sensor": THIN, "density_per_m2": 60.0, "flight": TERRAIN} | changes)
    asked = replace(mission.requirement, vertical_rmse_m=rmse_m, coverage=coverage)
    navigation = replace(mission.navigation, **ROUGH)
    return replace(mission, requirement=asked, navigation=navigation, checkpoints=Checkpoints(survey_sd_m=0.01))


def first_order_m(height_m, aside_m, passes=1):
    """Vertical error by the textbook: position, roll on the lever of the offset, range along the beam."""
    cosine = height_m / np.hypot(height_m, aside_m)
    variance = 0.03**2 + (aside_m * np.radians(0.1)) ** 2 + (0.015 * cosine) ** 2
    return np.sqrt(variance / passes)


def test_one_pass_must_do_half_way_between_lines():
    found = edge_rmse_m(asking(coverage="single"), np.array([80.0]), np.radians(40), np.array([[100.0]]))
    # textbook propagation over flat ground (M): s_z^2 = s_GNSS^2 + (H tan t s_roll)^2 + (cos t s_range)^2
    assert found[0, 0] == pytest.approx(np.hypot(first_order_m(80, 50), 0.01), rel=1e-3)


def test_two_passes_meet_at_the_edge():
    height, angle = 80.0, np.radians(40)
    edge = height * np.tan(angle)
    found = edge_rmse_m(asking(), np.array([height]), angle, np.array([[edge, 0.6 * edge]]))
    # C: spacing of half a swath leaves two passes everywhere, 0.3 of a swath three
    wanted = [np.hypot(first_order_m(height, edge, passes), 0.01) for passes in (2, 3)]
    assert found[0] == pytest.approx(wanted, rel=1e-3)


def test_rmse_between_lines_is_that_of_places_taken_one_by_one():
    height, angle = 80.0, np.radians(10)
    edge = height * np.tan(angle)
    spacing = 1.8 * edge
    places = (np.arange(4000) + 0.5) / 4000 * spacing
    alone = (places > edge) != (spacing - places > edge)
    nearest = np.minimum(places, spacing - places)
    variance = np.where(alone, first_order_m(height, nearest) ** 2, first_order_m(height, edge, 2) ** 2)
    found = edge_rmse_m(asking(), np.array([height]), angle, np.array([[spacing]]))
    assert found[0, 0] == pytest.approx(np.hypot(np.sqrt(variance.mean()), 0.01), rel=1e-3)


def chosen(mission, scene=None):
    return choose_flight(mission, a_scene() if scene is None else scene, CELL_M)[0]


def rmse_of(mission, settings):
    spacing = np.array([[settings.line_spacing_m]])
    half = np.radians(settings.usable_half_angle_deg)
    return float(edge_rmse_m(mission, np.array([settings.agl_m]), half, spacing)[0, 0])


def test_settings_keep_the_accuracy_asked_for_and_say_so():
    free = chosen(asking())
    loose = rmse_of(asking(), free)
    mission = asking(rmse_m=0.8 * loose)
    kept = chosen(mission)
    assert rmse_of(mission, kept) <= 0.8 * loose
    said = f"vertical RMSE of {80 * loose:.3g} cm out to the swath edge: quicker settings break it"
    assert said in kept.bound_by.values()
    assert said not in free.bound_by.values()


def test_accuracy_that_no_settings_keep_forces_nothing_and_is_said():
    free, hopeless = chosen(asking()), chosen(asking(rmse_m=0.012))
    numbers = ("agl_m", "speed_mps", "pulse_rate_hz", "usable_half_angle_deg", "line_spacing_m")
    assert [getattr(hopeless, name) for name in numbers] == [getattr(free, name) for name in numbers]
    assert "no settings keep vertical RMSE of 1.2 cm" in hopeless.bound_by["usable_half_angle_deg"]
    assert hopeless.bound_by["usable_half_angle_deg"].endswith("cm at best")


@pytest.mark.parametrize("rate_hz", [1.5e6, 2.2e6])
def test_blind_bands_are_met_where_the_check_of_zones_finds_them(rate_hz):
    sensor = replace(
        SENSOR,
        dead_time_ns=(20.0, 30.0),
        zones_resolved=9,
        ratings=(RangeRating(pulse_rate_hz=rate_hz, range_m=400, reflectance=0.1),),
    )
    reach = reach_within(sensor, sensor.ratings[0], 23.0)
    receiver = Receiver(dead_before_s=20e-9, dead_after_s=30e-9, zones=9)
    near = np.linspace(20.0, 300.0, 141)
    for length in (1.0, 20.0, 90.0):
        found = meets_blind_band(reach, near, near + length)
        wanted = [bool(check_zones(receiver, rate_hz, low, low + length).blind_m) for low in near]
        assert found.tolist() == wanted


def test_a_plan_keeps_its_ranges_clear_of_blind_bands():
    # C: at 1.5 MHz echoes from 99.9 m meet the next pulse, dead for 20 ns before and after: 96.9 to 102.9 m are lost
    fast = replace(
        SENSOR,
        dead_time_ns=(20.0, 20.0),
        zones_resolved=3,
        ratings=(RangeRating(pulse_rate_hz=1.5e6, range_m=300, reflectance=0.1),),
    )
    mission = a_mission(sensor=fast, density_per_m2=400, flight=TERRAIN, limits=Limits(ceiling_agl_m=100))
    blind, seeing = chosen(replace(mission, sensor=replace(fast, dead_time_ns=(0.0, 0.0)))), chosen(mission)
    receiver = Receiver(20e-9, 20e-9, zones=3)

    def lost(settings):
        farthest = settings.agl_m / np.cos(np.radians(settings.usable_half_angle_deg))
        return check_zones(receiver, 1.5e6, settings.agl_m, farthest).blind_m

    assert lost(blind)
    assert not lost(seeing)
    assert any("ranges clear of blind bands" in words for words in seeing.bound_by.values())


def test_a_height_held_in_a_blind_band_is_flown_and_said():
    fast = replace(
        SENSOR,
        dead_time_ns=(20.0, 20.0),
        zones_resolved=3,
        ratings=(RangeRating(pulse_rate_hz=1.5e6, range_m=300, reflectance=0.1),),
    )
    settings = chosen(a_mission(sensor=fast, density_per_m2=60, flight=replace(TERRAIN, agl_m=98.0)))
    assert settings.agl_m == 98
    assert "no settings keep ranges clear of blind bands" in settings.bound_by["usable_half_angle_deg"]


def with_hazard(distance_m, laser_class="3R"):
    rating = replace(SENSOR.ratings[0], hazard_distance_m=distance_m, laser_class=laser_class)
    return replace(SENSOR, ratings=(rating,))


def test_a_stated_hazard_distance_lifts_the_flight():
    low = chosen(a_mission(density_per_m2=1000, flight=TERRAIN))
    lifted = chosen(a_mission(sensor=with_hazard(85.0), density_per_m2=1000, flight=TERRAIN))
    # C: 85 m, an eye at 2 m and 0.3 m of terrain doubt
    assert low.agl_m < 87.3 <= lifted.agl_m
    assert lifted.bound_by["agl_m"] == "stated hazard distance of 85 m: quicker settings break it"
    assert least_eye_agl_m(a_mission(), with_hazard(85.0).ratings[0]) == pytest.approx(87.3)


def test_class_1_needs_no_distance():
    sensor = with_hazard(65.0, "1")
    assert least_eye_agl_m(a_mission(sensor=sensor), sensor.ratings[0]) == 0


ROAD, FIELD = Surface(reflectance=0.05), Surface(reflectance=0.4)


def covered_scene(share):
    """The 600 m by 400 m of a scene, the west of which is road."""
    scene = a_scene()
    codes = np.full(tuple(n - 1 for n in scene.ground.heights_m.shape), 2, dtype=np.uint8)
    east = scene.ground.west_m + (np.arange(codes.shape[1]) + 0.5) * scene.ground.spacing_m
    codes[:, east < -300 + 600 * share] = 1
    return replace(scene, cover=GroundCover(codes, ("road", "field"), (ROAD, FIELD)))


def test_the_darkest_cover_that_counts():
    mission = a_mission()
    assert darkest_counted(mission, a_scene()) is None
    assert darkest_counted(mission, covered_scene(0.1)) == DarkGround("road", 0.05, everywhere=True)
    # 4 % of the area may lie below the density
    assert darkest_counted(mission, covered_scene(0.04)) == DarkGround("field", 0.4, everywhere=True)


def test_a_wet_day_darkens_it():
    wet = darkest_counted(replace(a_mission(), conditions=Conditions(wet=True)), covered_scene(0.1))
    # Angstrom 1925 (M): 0.05 / (1.33^2 x 0.95 + 0.05) = 0.0289; 0.2 mm of water take 0.3 % of it at 905 nm (C)
    assert wet.reflectance == pytest.approx(0.0289, abs=2e-4)


def test_water_is_not_judged_and_does_not_count():
    scene = covered_scene(0.5)
    pond = Surface(kind="water", reflectance=0.01)
    watery = replace(scene, cover=replace(scene.cover, surfaces=(pond, FIELD)))
    assert darkest_counted(a_mission(), watery) == DarkGround("field", 0.4, everywhere=True)


def test_ground_without_a_class_is_as_bright_as_rated():
    scene = covered_scene(0.04)
    bare = replace(
        scene, cover=GroundCover(np.where(scene.cover.codes == 1, 1, 0).astype(np.uint8), ("road",), (ROAD,))
    )
    assert darkest_counted(a_mission(), bare) is None


def test_ground_known_to_be_bright_lets_the_flight_lie_higher_than_ground_of_which_nothing_is_known():
    sensor = replace(SENSOR, ratings=(replace(SENSOR.ratings[0], range_m=80.0),))
    mission = a_mission(sensor=sensor, density_per_m2=60, flight=TERRAIN)
    bright = covered_scene(0.0)
    half = replace(bright, cover=replace(bright.cover, codes=np.where(bright.cover.codes > 0, 2, 0).astype(np.uint8)))
    half.cover.codes[:, ::2] = 0
    known, unknown, patchy = (chosen(mission, scene) for scene in (bright, a_scene(), half))
    assert darkest_counted(mission, half) == DarkGround("field", 0.4, everywhere=False)
    # To a reflectance of 0.4 the range rated at 0.15 is longer by sqrt(0.4 / 0.15) in clear air (C).
    assert unknown.agl_m * 1.2 < known.agl_m <= 80 * np.sqrt(0.4 / 0.15)
    assert patchy == unknown


def test_the_flight_reaches_dark_ground_where_it_can():
    bright, dark = (chosen(a_mission(density_per_m2=60, flight=TERRAIN), covered_scene(share)) for share in (0.0, 0.2))
    rating = SENSOR.ratings[0]
    pattern = scan_pattern(SENSOR, rating.pulse_rate_hz, 100.0)
    to_road = replace(reach_within(SENSOR, rating, 23.0), reflectance=0.05)
    reached = [
        float(np.degrees(np.nan_to_num(reach_half_angle_rad(to_road, settings.agl_m, pattern))))
        for settings in (bright, dark)
    ]
    assert bright.usable_half_angle_deg > reached[0]
    assert dark.usable_half_angle_deg <= reached[1] + 1e-6
    assert any(words.startswith("reach to road, reflectance 0.05") for words in dark.bound_by.values())


def test_dark_ground_out_of_all_reach_changes_nothing_and_is_said():
    held = replace(TERRAIN, agl_m=100.0)
    bright, dark = (chosen(a_mission(density_per_m2=60, flight=held), covered_scene(share)) for share in (0.0, 0.2))
    assert replace(bright, bound_by={}) == replace(dark, bound_by={})
    assert "no settings keep reach to road, reflectance 0.05" in dark.bound_by["usable_half_angle_deg"]
