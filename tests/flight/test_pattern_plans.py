"""Plans of every scan pattern on flat ground, held against points that are laid pulse by pulse."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import shapely
from flat_jobs import FRAME as FRAME_OF_SITE
from flat_jobs import HEXACOPTER, WING, a_mission, a_scene

from planner.equipment import RangeRating
from planner.errors import InfeasibleError
from planner.files.cards import bundled, load_sensor
from planner.flight.capability import capability
from planner.flight.flat import flown_pattern
from planner.flight.settings import choose_flight
from planner.flight.sorties import flight_figures
from planner.flight.swath import along_half_angle_rad
from planner.mission import FlightChoice, Limits
from planner.ranging.beams import scan_pattern, scan_tilt_rad
from planner.ranging.patterns import beam_directions

CELL_M = 1.0
LONG_M = 10.0
CARDS = {name: load_sensor(name, Path()) for name in bundled("sensors")}
FRAME = CARDS["m"]


def planned(sensor, **changes):
    """Return settings and lines of a flight over flat ground, 300 m by 200 m, 200 points per m2 unless changed."""
    mission = a_mission(**({"sensor": sensor, "flight": FlightChoice(following="terrain")} | changes))
    return choose_flight(mission, a_scene(area=shapely.box(-150, -100, 150, 100)), CELL_M)


def rating_of(range_m):
    return RangeRating(pulse_rate_hz=300e3, range_m=range_m, reflectance=0.1)


def counts_between_lines(sensor, settings, tilt_rad):
    """Return how many points each cell between two neighbouring lines holds, all lines near enough pooled."""
    half = np.radians(settings.usable_half_angle_deg)
    pattern = scan_pattern(sensor, settings.pulse_rate_hz, settings.line_rate_hz, half)
    pattern = replace(pattern, forward_tilt_rad=tilt_rad)
    agl, spacing, draw = settings.agl_m, settings.line_spacing_m, np.random.default_rng(1)
    lead = agl * np.tan(along_half_angle_rad(pattern)) * 1.01
    shape = int(spacing // CELL_M), int(LONG_M // CELL_M)
    held = np.zeros(shape)
    reaching = int(np.ceil(agl * np.tan(half) * 1.1 / spacing))
    pulses = np.arange(int((LONG_M + 2 * lead + 1) / settings.speed_mps * pattern.pulse_rate_hz))
    directions, angles = beam_directions(pattern, pulses)
    kept = np.abs(angles) <= half + 1e-9
    forward, right, down = directions[kept].T
    below = down * np.cos(tilt_rad) - forward * np.sin(tilt_rad)
    ahead = agl * (forward * np.cos(tilt_rad) + down * np.sin(tilt_rad)) / below
    along = settings.speed_mps * (pulses[kept] + 0.5) / pattern.pulse_rate_hz + ahead - lead
    aside = agl * right / below
    for line in range(1 - reaching, reaching + 1):
        way = 1 if line % 2 else -1
        cols = np.floor((line * spacing + way * aside) / CELL_M).astype(int)
        rows = np.floor((along - draw.random()) / CELL_M).astype(int)  # lines do not begin on a common mark
        inside = (cols >= 0) & (cols < shape[0]) & (rows >= 0) & (rows < shape[1])
        cells = cols[inside] * shape[1] + (rows[inside] if way > 0 else shape[1] - 1 - rows[inside])
        held += np.bincount(cells, minlength=held.size).reshape(shape)
    return held


@pytest.mark.parametrize("name", ["d", "e", "f", "k", "m", "r"])
def test_points_laid_one_by_one_meet_the_density_that_was_planned(name):
    settings, lines = planned(CARDS[name], flight=FlightChoice(agl_m=45.0, following="terrain"), density_per_m2=300)
    held = counts_between_lines(CARDS[name], settings, 0.0)
    # rows of a frame and steps between frames can fall into step with each other: a little less than what n combs do
    assert np.percentile(held, 5) >= 300 * (0.97 if name == "m" else 1.0)
    assert np.percentile(held, 5) < 2.5 * 300
    assert settings.sidelap >= 0.2 - 1e-9
    assert {line.line_rate_hz for line in lines} == {settings.line_rate_hz}


def test_a_fan_on_a_rigid_mount_meets_the_density_while_it_pitches():
    pitching = replace(HEXACOPTER, pitch_per_speed_deg_s_per_m=1.0)
    settings, _ = planned(CARDS["f"], aircraft=pitching)
    tilt = scan_tilt_rad(CARDS["f"], pitching, settings.speed_mps)
    assert np.degrees(tilt) == pytest.approx(-settings.speed_mps)
    assert np.percentile(counts_between_lines(CARDS["f"], settings, tilt), 5) >= 200


@pytest.mark.parametrize("name", ["k", "m", "r"])
def test_patterns_accepted_whole_are_flown_with_all_of_their_opening_in_reach(name):
    sensor = CARDS[name]
    mission = a_mission(sensor=sensor)
    settings, _ = planned(sensor)
    assert settings.usable_half_angle_deg == pytest.approx(sensor.usable_fov_deg / 2)
    rating = next(rating for rating in sensor.ratings if rating.pulse_rate_hz == settings.pulse_rate_hz)
    down = beam_directions(flown_pattern(mission, rating, settings.line_rate_hz or 1.0), np.arange(20_000))[0][:, 2]
    # the farthest pulse crosses h / cos and returns from R0 sqrt(cos), a little less in air
    assert settings.agl_m / down.min() <= rating.range_m * np.sqrt(down.min())


@pytest.mark.parametrize(("name", "ahead_deg"), [("k", 25), ("r", 35), ("m", 10), ("f", 15), ("b", 0)])
def test_data_are_kept_until_the_last_place_has_been_seen_from_behind_and_ahead(name, ahead_deg):
    # a place at the end of the area is last seen from h tan(angle ahead) beyond it
    mount = replace(CARDS[name], tilts_with_aircraft=False)
    settings, lines = planned(mount, flight=FlightChoice(agl_m=60.0, heading_deg=90.0, following="terrain"))
    beyond = 60 * np.tan(np.radians(ahead_deg))
    assert settings.agl_m == 60
    assert lines[0].kept_length_m == pytest.approx(300 + 2 * beyond, abs=0.05)


def test_frames_are_flown_no_faster_than_they_join():
    # one frame a second, 2 h tan 10 deg long
    slow = replace(FRAME, frame_pixels=(1024, 512), ratings=(replace(FRAME.ratings[0], pulse_rate_hz=2.0),))
    settings, _ = planned(slow, density_per_m2=20)
    frame_m = 2 * settings.agl_m * np.tan(np.radians(10))
    assert settings.speed_mps <= 2 * frame_m
    assert settings.bound_by["speed_mps"] in ("frames that join", "greatest speed of the aircraft")
    low, _ = planned(slow, density_per_m2=20, flight=FlightChoice(agl_m=12.0), limits=Limits(clearance_m=10))
    assert low.speed_mps == pytest.approx(np.floor(2 * 2 * 12 * np.tan(np.radians(10)) * 10) / 10)
    assert low.bound_by["speed_mps"] == "frames that join"
    assert low.bound_by["line_rate_hz"] == "the pattern has no scan lines"


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        # 120 m: 2 * 120 * tan 10 deg * 0.2 = 8.46 m/s
        ({"aircraft": WING}, r"E19 .*join up to 8.46 m/s at 42.3 m a frame; the least speed of wing is 12 m/s"),
        ({"flight": FlightChoice(speed_mps=9.0)}, r"the held speed is 9 m/s\n.*take 0.21 frames a second or more"),
        ({"flight": FlightChoice(agl_m=31.0, speed_mps=8.0)}, r"join up to 2.19 m/s"),
    ],
)
def test_frames_slower_than_flight_needs_are_refused_with_what_would_do(changes, message):
    slow = replace(FRAME, ratings=(replace(FRAME.ratings[0], pulse_rate_hz=0.2, range_m=200),))
    with pytest.raises(InfeasibleError, match=message) as refusal:
        planned(slow, **changes)
    assert refusal.value.best.quantity == "speed_mps"
    assert refusal.value.best.reachable < refusal.value.best.asked


def test_an_opening_that_the_light_reaches_only_in_part_is_refused():
    # 40 m straight below is in reach, the ring at 45 degrees is not: 60 cos(45)^1.5 = 35.7 m
    ring = replace(CARDS["k"], optical_fov_deg=90, usable_fov_deg=90, ratings=(rating_of(60),))
    with pytest.raises(InfeasibleError, match=r"E21 no light returns from 40.0 m .*300 kHz up to 35.\d m"):
        planned(ring, flight=FlightChoice(agl_m=40.0))


def test_pixels_count_as_directions_in_what_flying_takes():
    settings, lines = planned(FRAME)
    figures = flight_figures(lines, HEXACOPTER, FRAME, FRAME_OF_SITE)
    flown_s = sum(line.kept_length_m for line in lines) / settings.speed_mps
    assert figures["pulses"] == pytest.approx(settings.pulse_rate_hz * 128 * 64 * flown_s, rel=1e-6)
    assert figures["returns_expected"] == figures["pulses"]


@pytest.mark.parametrize(("name", "per_s"), [("m", 20 * 128 * 64), ("k", 300e3), ("f", 640e3 / 4), ("r", 240e3)])
def test_capability_of_each_pattern_is_its_pulses_over_its_swath(name, per_s):
    sensor = CARDS[name]
    swath = 2 * 40 * np.tan(np.radians(sensor.usable_fov_deg / 2))
    said = capability(sensor, sensor.ratings[0], 40.0, 5.0)
    assert said.swath_m == pytest.approx(swath)
    assert said.density_per_m2 == pytest.approx(per_s / (5 * swath))
