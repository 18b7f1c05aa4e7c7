"""Mount, crab, motion and lever arm; and every pattern fired through them."""

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

sys.path.insert(0, str(Path(__file__).parent))
from surfaces import embree_ranges, grid_of, lidar_dem, plane, rough

from planner.aircraft import Aircraft
from planner.equipment import RangeRating, Sensor
from planner.errors import InfeasibleError
from planner.ground.raycast import first_hit
from planner.ground.surface import Layers, cells_on
from planner.ranging import pulses
from planner.ranging.attitude import (
    SAMPLES_HZ,
    angles_of,
    crab_rad,
    flown_leg,
    mount_rotation,
    rotation,
    straight_leg,
    sway,
    to_world,
)
from planner.ranging.beams import ScanPattern, scan_pattern
from planner.ranging.detection import Seeing
from planner.ranging.fates import AMBIGUOUS, RETURNS, SHADOWED, TOO_FAR
from planner.ranging.linkbudget import Reach
from planner.ranging.patterns import beam_directions

FAR = Reach(1e6, 0.0, 1.0, 0.0)
STILL_AIR = (0.0, 0.0)
TRACK = np.array([[-40.0, 0.0, 80.0], [40.0, 0.0, 80.0]])  # eastward

PATTERNS = {
    "heads": ScanPattern(
        "rotating", 200e3, 10.0, np.pi, np.radians(40), beam_elevations_rad=tuple(np.radians(np.linspace(-15, 15, 16)))
    ),
    "conical": ScanPattern("conical", 200e3, 40.0, np.radians(25), np.radians(25)),
    "rosette": ScanPattern("rosette", 200e3, 90.0, np.radians(30), np.radians(30), wedge_ratio=0.618034),
    "matrix": ScanPattern(
        "matrix", 40 * 128 * 32, 40.0, np.radians(30), np.radians(30), frame_pixels=(128, 32), along_half_angle_rad=0.15
    ),
    "profiling": ScanPattern("profiling", 20e3, 0.0, 0.0, 0.0),
    "polygon": ScanPattern("polygon", 200e3, 100.0, np.radians(40), np.radians(40)),
}


def sensor_of(**changes):
    rating = RangeRating(pulse_rate_hz=100e3, range_m=150, reflectance=0.1)
    figures = {
        "name": "made",
        "wavelength_nm": 905,
        "pattern": "oscillating_linear",
        "line_rates_hz": (100.0,),
        "optical_fov_deg": 60,
        "usable_fov_deg": 60,
        "divergence_mrad": 1,
        "divergence_width": "1/e2",
        "min_range_m": 1,
        "range_noise_m": 0.01,
        "ratings": (rating,),
    }
    return Sensor(**(figures | changes))


def aircraft_of(**changes):
    figures = {"name": "made", "min_speed_mps": 1, "max_speed_mps": 12, "climb_mps": 3, "descent_mps": 3}
    return Aircraft(**(figures | {"endurance_s": 1200} | changes))


def fly(sensor, aircraft, speed=8.0, wind=STILL_AIR, seed=1, points=TRACK):
    return flown_leg(
        points,
        speed,
        scan_pattern(sensor, sensor.ratings[0].pulse_rate_hz, sensor.line_rates_hz[0]),
        sensor,
        aircraft,
        wind,
        np.random.default_rng(seed),
    )


# --- rotations -----------------------------------------------------------------------------------------------------


@given(st.floats(-3.1, 3.1), st.floats(-1.5, 1.5), st.floats(-3.1, 3.1))
def test_angles_of_a_rotation_are_those_it_was_made_of(yaw, tilt, roll):
    matrix = rotation(yaw, tilt, roll)
    assert matrix @ matrix.T == pytest.approx(np.eye(3), abs=1e-12)
    assert np.linalg.det(matrix) == pytest.approx(1)
    assert angles_of(matrix) == pytest.approx(np.array([yaw, tilt, roll]), abs=1e-7)


def test_each_angle_turns_the_view_as_named():
    """Heading east, the view straight down: tilt looks ahead (east), roll looks right (south), from the definition."""
    down = np.array([0.0, 0.0, 1.0])
    east = np.pi / 2
    ahead, right = (to_world(np.array([[east, *angles]]))[0] @ down for angles in ((0.1, 0.0), (0.0, 0.1)))
    assert ahead == pytest.approx([np.sin(0.1), 0, -np.cos(0.1)], abs=1e-12)
    assert right == pytest.approx([0, -np.sin(0.1), -np.cos(0.1)], abs=1e-12)


def test_mounting_angles_and_boresight_add_up_about_one_axis():
    plain = angles_of(mount_rotation(sensor_of(forward_tilt_deg=20.0, boresight_deg=(0.0, 0.5, 0.0))))
    assert np.degrees(plain) == pytest.approx([0, 20.5, 0], abs=1e-9)
    turned = angles_of(mount_rotation(sensor_of(turned_deg=90.0, sideways_tilt_deg=10.0)))
    assert np.degrees(turned) == pytest.approx([90, 0, 10], abs=1e-9)


# --- wind ----------------------------------------------------------------------------------------------------------


def test_crab_in_a_cross_wind_is_the_textbook_triangle():
    """5 m/s across, 8 m/s through the air: crab asin(5/8) = 38.68 deg, swath by cos = 0.78 [wind triangle, C]."""
    ground_speed = np.sqrt(8.0**2 - 5.0**2)
    crab = crab_rad(0.0, ground_speed, 5.0, np.pi / 2)
    assert np.degrees(crab) == pytest.approx(38.68, abs=0.005)
    assert np.cos(crab) == pytest.approx(0.7806, abs=5e-5)
    assert crab_rad(0.0, ground_speed, 5.0, -np.pi / 2) == pytest.approx(-crab)


@pytest.mark.parametrize("from_deg", [0, 180])
def test_wind_along_the_track_turns_no_nose(from_deg):
    assert crab_rad(0.0, 8.0, 5.0, np.radians(from_deg)) == pytest.approx(0, abs=1e-12)


def test_a_tail_wind_faster_than_the_flight_is_refused():
    with pytest.raises(InfeasibleError, match=r"tail wind of 9.0 m/s outruns the ground speed of 8 m/s"):
        crab_rad(np.pi / 2, 8.0, 9.0, -np.pi / 2)


def test_a_crabbing_wing_narrows_its_swath_by_the_cosine_and_a_rotor_does_not():
    """Swath across the track = flat swath times cos(crab) [geometry, C]."""
    ground_speed = float(np.sqrt(39.0))
    widths = {}
    for nose in ("along_track", "into_wind"):
        leg = fly(sensor_of(), aircraft_of(nose=nose), ground_speed, wind=(5.0, 0.0), points=TRACK * [3, 1, 1])
        grid = plane(401)
        cells = cells_on(grid, 1.0)
        tally = pulses.fire_legs(Layers(grid, grid), cells, [leg], [FAR])
        east, north = cells.centres_m()
        middle = tally.aggregate[:, np.abs(east) < 20, RETURNS].sum(axis=1)
        widths[nose] = np.ptp(north[middle > 0])
    assert widths["into_wind"] / widths["along_track"] == pytest.approx(0.7806, abs=0.02)


# --- motion --------------------------------------------------------------------------------------------------------


def test_motion_has_the_stated_rms_correlation_and_spectrum():
    """Second-order Gauss-Markov: r(t) = s^2 (1 + t / T) exp(-t / T), rate s / T; 2e5 samples hold to per cents."""
    aircraft = aircraft_of(sway_roll_deg=2.0, sway_pitch_deg=1.0, sway_heading_deg=0.5, sway_correlation_s=0.5)
    step = 0.05
    motion = np.degrees(sway(aircraft, 200_000, step, np.random.default_rng(7)))
    assert motion.std(axis=0) == pytest.approx([0.5, 1.0, 2.0], rel=0.03)
    roll = motion[:, 2]
    for lag in (1, 10, 20):
        seen = np.mean(roll[lag:] * roll[:-lag]) / np.mean(roll**2)
        past = lag * step / 0.5
        assert seen == pytest.approx((1 + past) * np.exp(-past), abs=0.03)
    fine = np.degrees(sway(aircraft, 200_000, 0.005, np.random.default_rng(8)))[:, 2]
    assert np.diff(fine).std() / 0.005 == pytest.approx(2.0 / 0.5, rel=0.05)


def test_motion_is_the_same_for_the_same_seed_and_another_for_another():
    shaken = aircraft_of(sway_roll_deg=2.0)
    rigid = sensor_of(tilts_with_aircraft=True)
    first, again, other = (fly(rigid, shaken, seed=seed).angles_rad for seed in (1, 1, 2))
    assert np.array_equal(first, again)
    assert np.abs(first - other).max() > 0.01


def test_a_levelled_mount_takes_out_roll_and_pitch_and_keeps_heading():
    shaken = aircraft_of(sway_roll_deg=3.0, sway_pitch_deg=3.0, sway_heading_deg=3.0, pitch_per_speed_deg_s_per_m=1.0)
    levelled = np.degrees(fly(sensor_of(forward_tilt_deg=10.0), shaken).angles_rad)
    assert levelled[:, 1:] == pytest.approx(np.tile([10.0, 0.0], (len(levelled), 1)), abs=1e-9)
    assert levelled[:, 0].std() > 1
    rigid = np.degrees(fly(sensor_of(tilts_with_aircraft=True), shaken).angles_rad)
    assert rigid[:, 1].mean() == pytest.approx(-8.0, abs=2)
    assert rigid[:, 2].std() > 1


def test_the_lever_arm_turns_with_the_aircraft():
    leg = fly(sensor_of(lever_arm_m=(2.0, 0.5, 0.3)), aircraft_of())
    bare = fly(sensor_of(), aircraft_of())
    # Flying east: forward is east, right is south.
    assert leg.origins_m - bare.origins_m == pytest.approx(np.tile([2.0, -0.5, -0.3], (len(bare.origins_m), 1)))


def test_rolling_opens_gaps_that_a_steady_flight_does_not_have():
    grid = plane(301)
    cells = cells_on(grid, 1.0)
    legs = {}
    for rms in (0.0, 3.0):
        sensor = sensor_of(tilts_with_aircraft=True)
        tally = pulses.fire_legs(Layers(grid, grid), cells, [fly(sensor, aircraft_of(sway_roll_deg=rms))], [FAR])
        east, north = cells.centres_m()
        # The edge of the swath lies at 80 tan(30) = 46.2 m.
        strip = tally.aggregate[np.abs(np.abs(north) - 44) < 2][:, np.abs(east) < 30, RETURNS]
        legs[rms] = strip.min()
    assert legs[0.0] > 0
    assert legs[3.0] < legs[0.0]


# --- every pattern through every attitude -----------------------------------------------------------------------------


def rays_of(leg):
    """Return origins and directions of all pulses of a leg, put together without the counting kernels."""
    numbers = np.arange(leg.pulses)
    directions, angles = beam_directions(leg.pattern, numbers)
    used = np.abs(angles) <= leg.pattern.usable_half_angle_rad + 1e-12
    sample = (numbers + 0.5) / leg.pattern.pulse_rate_hz * leg.samples_hz
    turns = to_world(leg.angles_rad)[np.minimum(sample.astype(int), len(leg.origins_m) - 1)]
    at = np.arange(len(leg.origins_m)) + 0.5
    before = np.clip(np.floor(sample - 0.5).astype(int), 0, len(at) - 2)
    share = (sample - 0.5 - before)[:, None]
    origins = leg.origins_m[before] * (1 - share) + leg.origins_m[before + 1] * share
    return origins[used], np.einsum("nij,nj->ni", turns[used], directions[used])


@pytest.mark.parametrize("name", [name for name in PATTERNS if name != "polygon"])
def test_counts_of_patterns_off_the_plane_agree_with_embree_on_real_terrain(name):
    """Real terrain: the 1 m DEM of the `lidar` package; Embree through embreex, float32."""
    grid = lidar_dem()
    if grid is None:
        pytest.skip("the lidar package, which carries the DEM, is not installed")
    grid = grid_of(grid.heights_m - grid.heights_m.mean())
    cells = cells_on(grid, 4.0)
    height = grid.heights_m.max() + 70
    turned = (1.1, 0.1, -0.05)
    points = np.array([[-4.0, -2.0, height], [4.0, 2.0, height + 1]])
    leg = straight_leg(points, 8.0, PATTERNS[name], turned)
    tally = pulses.fire_legs(Layers(grid, grid), cells, [leg], [FAR])
    origins, directions = rays_of(leg)
    ranges = embree_ranges(grid, origins, directions)
    hits = origins + ranges[:, None] * directions
    hits = hits[np.isfinite(ranges)]
    counts = np.zeros((cells.rows, cells.cols))
    rows = ((cells.north_m - hits[:, 1]) / cells.cell_m).astype(int)
    cols = ((hits[:, 0] - cells.west_m) / cells.cell_m).astype(int)
    inside = (rows < cells.rows) & (cols < cells.cols)
    np.add.at(counts, (rows[inside], cols[inside]), 1)
    assert tally.fired == len(origins) > 5_000
    # Float32 moves a hit by up to a millimetre: some pulses change cell.
    assert np.abs(counts - tally.aggregate[..., RETURNS]).sum() <= 2e-3 * tally.fired


@pytest.mark.parametrize("attitude", [(0.3, 0.0, 0.0), (2.1, 0.14, -0.1)])
def test_sweep_and_rays_agree_cell_by_cell_on_a_planar_pattern(attitude, monkeypatch):
    """One law, two engines: the same counts but for pulses on an edge between cells and the motion within a line."""
    grid = rough(size=201, roof_m=2.0)
    cells = cells_on(grid, 2.0)
    height = grid.heights_m.max() + 60
    slow = 0.5  # so that a scan line hardly moves: 5 mm
    points = np.array([[-1.0, -1.0, height], [1.0, 1.0, height]])
    leg = straight_leg(points, slow, PATTERNS["polygon"], attitude)
    layers = Layers(grid, grid)
    swept = pulses.fire_legs(layers, cells, [leg], [FAR])
    monkeypatch.setattr(ScanPattern, "planar", property(lambda _: False))
    cast = pulses.fire_legs(layers, cells, [leg], [FAR])
    assert cast.fired == swept.fired
    assert cast.aggregate[..., RETURNS].sum() == swept.aggregate[..., RETURNS].sum()
    apart = np.abs(cast.aggregate[..., RETURNS] - swept.aggregate[..., RETURNS])
    assert apart.sum() <= 4e-3 * swept.fired


@pytest.mark.parametrize("dead_m", [0.0, 1.0])
def test_sweep_and_rays_agree_on_chances(dead_m, monkeypatch):
    """Where light fades the sweep takes places for pieces and the rays each pulse: the same expected returns.

    The blind band, where there is one, is narrower than the pieces of a scan line are long.
    """
    grid = rough(size=201, roof_m=2.0)
    cells = cells_on(grid, 2.0)
    height = grid.heights_m.max() + 60
    seen = Reach(95.0, 1e-4, 1.0, 0.0, seeing=Seeing(), zone_m=45.0, ambiguity_m=1e3, blind_after_m=dead_m)
    points = np.array([[-1.0, -1.0, height], [1.0, 1.0, height]])
    leg = straight_leg(points, 0.5, PATTERNS["polygon"], (0.3, 0.0, 0.0))
    layers = Layers(grid, grid)
    swept = pulses.fire_legs(layers, cells, [leg], [seen]).aggregate.sum(axis=(0, 1))
    monkeypatch.setattr(ScanPattern, "planar", property(lambda _: False))
    cast = pulses.fire_legs(layers, cells, [leg], [seen]).aggregate.sum(axis=(0, 1))
    assert 0.1 < cast[RETURNS] / cast.sum() < 0.9
    assert (cast[AMBIGUOUS] > 0) == (dead_m > 0)
    for channel in (RETURNS, TOO_FAR, AMBIGUOUS):
        # At the ends of a band pulses fall to either side by what the sensor moves within a line.
        assert swept[channel] == pytest.approx(cast[channel], rel=2e-3 if channel == AMBIGUOUS else 1e-3)


@pytest.mark.parametrize("name", list(PATTERNS))
def test_every_pulse_has_one_fate(name):
    """First returns and losses of a line add up to its pulses, exactly, on ground that catches all of them."""
    grid = rough(size=401)
    cells = cells_on(grid, 2.0)
    height = grid.heights_m.max() + 60
    reach = Reach(160.0, 1e-4, 1.0, 75.0, longest_valid_m=130.0, ambiguity_m=95.0)
    points = np.array([[-10.0, 5.0, height], [10.0, 5.0, height]])
    leg = straight_leg(points, 8.0, PATTERNS[name], (np.pi / 2, 0.1, 0.2))
    tally = pulses.fire_legs(Layers(grid, grid), cells, [leg], [reach])
    fates = tally.aggregate.sum(axis=(0, 1))
    assert fates.sum() - fates[SHADOWED] == tally.fired
    assert name == "profiling" or tally.aggregate[..., RETURNS].sum() < tally.fired


def test_strong_echoes_from_beyond_the_ambiguity_interval_are_counted_apart():
    """Straight below at 80 m, ambiguous beyond 90 m: past acos(80/90) = 27.27 deg all is ambiguous [geometry, C]."""
    grid = plane(301, spacing_m=0.5)
    cells = cells_on(grid, 0.5)
    reach = replace(FAR, ambiguity_m=90.0)
    leg = straight_leg(TRACK, 8.0, PATTERNS["polygon"], (np.pi / 2, 0.0, 0.0))
    tally = pulses.fire_legs(Layers(grid, grid), cells, [leg], [reach])
    _, north = cells.centres_m()
    east, _ = cells.centres_m()
    across = tally.aggregate[:, np.abs(east) < 10].sum(axis=1)
    inside = np.abs(north) < 80 * np.tan(np.arccos(80 / 90)) - 0.5
    outside = (np.abs(north) > 80 * np.tan(np.arccos(80 / 90)) + 0.5) & (np.abs(north) < 66)
    assert across[inside, AMBIGUOUS].max() == 0
    assert across[outside, RETURNS].max() == 0
    assert across[outside, AMBIGUOUS].min() > 0
    assert tally.aggregate[..., TOO_FAR].max() == 0


def test_samples_between_scan_lines_are_interpolated():
    leg = straight_leg(TRACK, 8.0, PATTERNS["conical"])
    assert leg.samples_hz == SAMPLES_HZ
    assert len(leg.origins_m) == 10 * SAMPLES_HZ
    hits = first_hit(plane(301), leg.origins_m[:5], np.tile([0.0, 0.0, -1.0], (5, 1)))
    assert hits == pytest.approx(80.0)
