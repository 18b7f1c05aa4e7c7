"""The flights of the bundled missions, checked anew: dense samples of every path, and distances of our own.

Nothing here is shared with what the planner keeps its distance by: terrain is read from its file, obstacles and
keep-out areas from their GeoJSON, and distances are the least of all there are. Bounds are those that missions and
cards declare, unless said otherwise.
"""

import json
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cache
from itertools import pairwise
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pyproj
import pytest
import rasterio
import shapely
from affine import Affine

from planner.assessment import Plan
from planner.errors import InputError, SafetyError
from planner.files.cards import load_aircraft
from planner.files.geofiles import read_scene
from planner.files.linefiles import read_lines
from planner.files.missionfile import read_mission
from planner.flight.flightlines import FlightLine
from planner.flight.sorties import Sortie
from planner.mission import Mission
from planner.survey import make_plan
from planner.survey.flying import legs_of, path_faults

Array = npt.NDArray[np.float64]

MISSIONS = Path(__file__).resolve().parents[1] / "missions"
SHORT_M = 0.1  # distances may fall short by it: scale of the projection, and rasters read at their cells alone
SAMPLE_M = 0.5
GRAVITY_MPS2 = 9.80665  # CGPM 1901 (R)
NEAR_GROUND = ("climb", "descent")  # there the path must come near the ground
WINGED = "vass, by a wing"
NAMES = ("castlefen", "hollin_gill", "karnholt", "norrstad_905", "oskarfell", "petrow", WINGED)


@dataclass(frozen=True)
class Flown:
    """A plan with its mission, and the way from its frame to the raster's."""

    mission: Mission
    plan: Plan
    terrain: Path
    to_lonlat: Callable[[Array, Array], tuple[Array, Array]]
    ground_at: Callable[[float, float], float]


def asked(name: str) -> Mission:
    if name != WINGED:
        return read_mission(MISSIONS / f"{name}.toml")
    mission = read_mission(MISSIONS / "vass.toml")
    wanted = replace(mission.requirement, density_per_m2=30.0)
    held = replace(mission.flight, speed_mps=16.0)
    bridged = replace(mission.terrain, holes="unknown")  # its turns reach past the raster of the wetland
    wing = load_aircraft("fixed_wing", MISSIONS)
    return replace(mission, terrain=bridged, aircraft=wing, requirement=wanted, flight=held)


@cache
def planned(name: str) -> Flown:
    mission = asked(name)
    scene = read_scene(mission)
    terrain = MISSIONS / (mission.terrain.surface or mission.terrain.ground or "")
    return Flown(mission, make_plan(mission, scene), terrain, scene.frame.to_lonlat, scene.ground.at)


@pytest.fixture(scope="module", params=NAMES)
def flown(request: pytest.FixtureRequest) -> Flown:
    return planned(request.param)


class Raster:
    """Heights of a file at its cells' middles, in its own CRS."""

    def __init__(self, path: Path) -> None:
        with rasterio.open(path) as file:
            self.heights_m = file.read(1).astype(np.float64)
            self.transform: Affine = file.transform
            self.crs = file.crs.to_string()

    def nearest_m(self, points_m: Array, within_m: float, raised_m: float) -> Array:
        """Return the distance of each of a few neighbouring points to all cells near them; inf past `within_m`."""
        cell = self.transform.a
        low, high = points_m[:, :2].min(axis=0) - within_m - cell, points_m[:, :2].max(axis=0) + within_m + cell
        cols = slice(max(int((low[0] - self.transform.c) / cell), 0), int((high[0] - self.transform.c) / cell) + 1)
        rows = slice(max(int((self.transform.f - high[1]) / cell), 0), int((self.transform.f - low[1]) / cell) + 1)
        heights = self.heights_m[rows, cols] + raised_m
        assert heights.size  # it flies where ground is known
        if points_m[:, 2].min() - heights.max() > within_m:
            return np.full(len(points_m), np.inf)
        east = self.transform.c + (cols.start + np.arange(heights.shape[1]) + 0.5) * cell
        north = self.transform.f - (rows.start + np.arange(heights.shape[0]) + 0.5) * cell
        east2 = (points_m[:, 0, None] - east) ** 2
        north2 = (points_m[:, 1, None] - north) ** 2
        up2 = (points_m[:, 2, None, None] - heights) ** 2
        return np.sqrt((north2[:, :, None] + east2[:, None, :] + up2).min(axis=(1, 2)))


def in_raster(flown: Flown, raster: Raster, places_m: Array) -> Array:
    """Return local points in the raster's CRS, heights as they are."""
    grid = pyproj.Transformer.from_crs("EPSG:4326", raster.crs, always_xy=True)
    return np.column_stack([*grid.transform(*flown.to_lonlat(places_m[:, 0], places_m[:, 1])), places_m[:, 2]])


def sampled(sortie: Sortie) -> tuple[Array, npt.NDArray[np.int64]]:
    """Return samples at most half a metre apart along a path, and the segment of each."""
    points = sortie.path.points_m
    counts = np.ceil(np.linalg.norm(np.diff(points, axis=0), axis=1) / SAMPLE_M).astype(int) + 1
    pieces = [np.linspace(points[k], points[k + 1], count) for k, count in enumerate(counts)]
    return np.concatenate(pieces), np.repeat(np.arange(len(counts)), counts)


def hazards_of(flown: Flown, key: str, crs: str) -> list[tuple[dict[str, float], shapely.Geometry]]:
    """Return fields and shape, in the raster's CRS, of the features of a hazard file."""
    name = getattr(flown.mission.hazards, key)
    if name is None:
        return []
    grid = pyproj.Transformer.from_crs("EPSG:4326", crs, always_xy=True)
    features = json.loads((MISSIONS / name).read_text(encoding="utf-8"))["features"]

    def moved(lonlat: Array) -> Array:
        return np.column_stack(grid.transform(lonlat[:, 0], lonlat[:, 1]))

    return [(one["properties"], shapely.transform(shapely.geometry.shape(one["geometry"]), moved)) for one in features]


def to_obstacle_m(fields: dict[str, float], shape: shapely.Geometry, raster: Raster, points_m: Array) -> Array:
    """Return distances to an upright cylinder, or to a wire at every metre, grown up and sideways by two sigmas."""
    vertices = shapely.get_coordinates(shape)
    cols, rows = ~raster.transform @ vertices.T
    tops = raster.heights_m[rows.astype(int), cols.astype(int)] + fields["height_agl_m"] + 2 * fields["vertical_sd_m"]
    reach = 2 * fields["horizontal_sd_m"] + fields.get("radius_m", 0.0)
    if shape.geom_type == "Point":
        aside = np.maximum(np.hypot(*(points_m[:, :2] - vertices[0]).T) - reach, 0.0)
        return np.hypot(aside, np.maximum(points_m[:, 2] - tops[0], 0.0))
    share = np.linspace(0, 1, 300)
    sag = 4 * share * (1 - share) * fields["sag_m"]
    nearest = np.full(len(points_m), np.inf)
    for k in range(len(vertices) - 1):
        flat = vertices[k] + share[:, None] * (vertices[k + 1] - vertices[k])
        straight = tops[k] + share * (tops[k + 1] - tops[k])
        box = shapely.box(*np.sort(vertices[k : k + 2], axis=0).ravel()).buffer(50.0)
        near = np.flatnonzero(shapely.contains_xy(box, points_m[:, :2]))
        for hung in (straight, straight - sag):
            for chunk in np.array_split(near, max(1, len(near) // 500)):
                aside = np.hypot(*(points_m[chunk, None, axis] - flat[:, axis] for axis in (0, 1)))
                apart = np.hypot(np.maximum(aside - reach, 0.0), points_m[chunk, None, 2] - hung)
                nearest[chunk] = np.minimum(nearest[chunk], apart.min(axis=1, initial=np.inf))
    return nearest


def test_every_path_keeps_its_clearance_to_terrain_and_obstacles(flown: Flown) -> None:
    if flown.mission.aircraft.kind == "fixed_wing":
        pytest.skip("its turns reach past the raster of the wetland, where no file tells what is near")
    raster, clearance = Raster(flown.terrain), flown.mission.limits.clearance_m
    obstacles = hazards_of(flown, "obstacles", raster.crs)
    assert flown.plan.sorties
    for sortie in flown.plan.sorties:
        points, segment = sampled(sortie)
        low = np.array([part in NEAR_GROUND for part in sortie.path.parts])
        points, segment = in_raster(flown, raster, points)[~low[segment]], segment[~low[segment]]
        for group in np.split(points, np.flatnonzero(np.diff(segment)) + 1):
            nearest = raster.nearest_m(group, clearance + 2, flown.mission.terrain.vertical_sd_m)
            assert nearest.min() > clearance - SHORT_M
        for fields, shape in obstacles:
            assert to_obstacle_m(fields, shape, raster, points).min() > clearance - SHORT_M


def test_no_path_enters_a_keep_out_area_or_its_margin(flown: Flown) -> None:
    raster = Raster(flown.terrain)
    for _, area in hazards_of(flown, "keep_out", raster.crs):
        for sortie in flown.plan.sorties:
            points = in_raster(flown, raster, sampled(sortie)[0])
            apart = shapely.distance(area, shapely.points(points[:, :2]))
            assert apart.min() > flown.mission.hazards.keep_out_margin_m - SHORT_M


def test_every_path_is_flown_within_the_rates_and_speeds_of_its_aircraft(flown: Flown) -> None:
    aircraft, limits = flown.mission.aircraft, flown.mission.limits
    climb = min(aircraft.climb_mps, limits.climb_mps or np.inf)
    descent = min(aircraft.descent_mps, limits.descent_mps or np.inf)
    fastest = max(aircraft.max_speed_mps, aircraft.airspeeds_mps[1]) + flown.mission.conditions.wind_mps
    for sortie in flown.plan.sorties:
        steps, seconds = np.diff(sortie.path.points_m, axis=0), np.diff(sortie.path.times_s)
        assert seconds.min() > 0
        rates = steps[:, 2] / seconds
        assert rates.max() < climb * (1 + 1e-6)
        assert rates.min() > -descent * (1 + 1e-6)
        assert (np.hypot(steps[:, 0], steps[:, 1]) / seconds).max() < fastest * (1 + 1e-6)


def test_a_path_begins_and_ends_on_the_ground_it_took_off_from(flown: Flown) -> None:
    for sortie in flown.plan.sorties:
        ends = sortie.path.points_m[[0, -1]]
        np.testing.assert_allclose(ends[:, :2], [sortie.take_off_m[:2]] * 2, atol=1e-6)
        if flown.mission.aircraft.kind == "multirotor":
            ground = flown.ground_at(*sortie.take_off_m[:2])
            np.testing.assert_allclose(ends[:, 2], ground, atol=1e-6)


def test_a_wing_turns_no_tighter_than_its_bank_allows(flown: Flown) -> None:
    aircraft = flown.mission.aircraft
    if aircraft.kind != "fixed_wing":
        pytest.skip("rotors turn on the spot")
    tightest = 0.0
    for sortie in flown.plan.sorties:
        steps, seconds = np.diff(sortie.path.points_m[:, :2], axis=0), np.diff(sortie.path.times_s)
        length, course = np.hypot(*steps.T), np.unwrap(np.arctan2(*steps.T))
        bend = np.abs(np.diff(course)) / ((length[1:] + length[:-1]) / 2)
        # Sideways acceleration in a level turn is g tan(bank): v^2 / r.
        sideways = bend * np.minimum(length[1:] / seconds[1:], length[:-1] / seconds[:-1]) ** 2
        tightest = max(tightest, sideways.max())
    allowed = GRAVITY_MPS2 * np.tan(np.radians(aircraft.max_bank_deg))
    assert 0.3 * allowed < tightest < 1.02 * allowed  # chords of an arc bend a little more than the arc


def test_the_kept_part_of_every_line_is_flown_once_from_end_to_end(flown: Flown) -> None:
    lines: dict[str, FlightLine] = {line.line_id: line for line in flown.plan.lines}
    seen = []
    for sortie in flown.plan.sorties:
        path = sortie.path
        for name in sortie.line_ids:
            kept = lines[name].kept_points_m()
            on_it = [k for k, part in enumerate(path.parts) if part == "line" and path.line_ids[k] == name]
            assert on_it == list(range(on_it[0], on_it[-1] + 1))
            over = path.points_m[on_it[0] : on_it[-1] + 2]
            np.testing.assert_allclose(over[[0, -1]], kept[[0, -1]], atol=1e-6)
            length = np.linalg.norm(np.diff(over, axis=0), axis=1).sum()
            assert length == pytest.approx(np.linalg.norm(np.diff(kept, axis=0), axis=1).sum(), abs=1e-3)
            seen.append(name)
    assert sorted(seen) == sorted(lines)


def test_batteries_give_what_the_paths_draw_and_keep_the_reserve(flown: Flown) -> None:
    aircraft, sorties = flown.mission.aircraft, flown.plan.sorties
    cold = aircraft.cold_loss_per_deg_c * max(15.0 - flown.mission.conditions.temperature_c, 0.0)
    for sortie in sorties:
        height = max(float(sortie.take_off_m[2]), 0.0) / 1000  # one take-off place, or places of one height
        full_s = aircraft.endurance_s * (1 - cold) * (1 - aircraft.height_loss_per_km * height)
        seconds, rises = np.diff(sortie.path.times_s), np.diff(sortie.path.points_m[:, 2])
        weights = [aircraft.hover_weight if part == "hover" else 1.0 for part in sortie.path.parts]
        drawn_s = seconds @ weights + aircraft.climb_cost_s_per_m * np.maximum(rises, 0).sum()
        assert sortie.battery_share_used == pytest.approx(drawn_s / full_s, rel=1e-3)
        assert aircraft.battery_reserve_share - 1e-9 <= sortie.reserve_share_left
        assert sortie.reserve_share_left <= 1 - sortie.battery_share_used + 1e-9
    for before, after in pairwise(sorties):
        assert after.starts_s >= before.starts_s + before.path.duration_s + aircraft.swap_s - 1e-6


def test_a_line_through_the_towers_at_50_m_is_refused() -> None:
    mission = asked("castlefen")
    scene = read_scene(mission)
    lines = read_lines(MISSIONS / "castlefen_lines.geojson", mission, scene)
    np.testing.assert_allclose(lines[0].points_m[:, 2] - scene.ground.at(*lines[0].points_m[:, :2].T), 50, atol=0.01)
    [refused] = path_faults(mission, scene, legs_of(lines, ()))
    assert refused.code == "E23"
    assert refused.what.startswith("line over the towers may touch conductors, doubt taken off")
    assert "clearance_m asks for 30 m" in refused.what


def test_lines_lower_than_the_towers_rise_over_them_and_their_conductors() -> None:
    limits, plan = asked("castlefen").limits, planned("castlefen").plan
    assert plan.settings is not None
    assert plan.settings.agl_m < 45 + limits.clearance_m
    along = [figure for figure in plan.figures if figure.line_id.startswith("L")]
    assert min(figure.agl_max_m for figure in along) > 45 + limits.clearance_m
    assert max(figure.agl_max_m for figure in plan.figures) < limits.ceiling_agl_m


def test_a_wider_margin_round_the_school_yard_is_kept_until_it_takes_in_the_take_off_place() -> None:
    mission = asked("petrow")
    wide, too_wide = (
        replace(mission, hazards=replace(mission.hazards, keep_out_margin_m=margin_m)) for margin_m in (120.0, 400.0)
    )
    scene = read_scene(wide)
    plan = make_plan(wide, scene)
    assert plan.path_faults == ()
    assert any("for keep-out area school yard" in change for change in plan.changes)
    with pytest.raises(InputError, match=r"E30 .*school yard") as refused:
        make_plan(too_wide, scene)
    assert refused.value.exit_code == 2


def test_following_the_terrain_does_not_keep_an_open_pit_under_the_usual_ceiling() -> None:
    mission = asked("karnholt")
    mission = replace(mission, flight=replace(mission.flight, following="terrain", agl_m=80.0))
    plan = make_plan(mission, read_scene(mission))
    assert max(figure.agl_max_m for figure in plan.figures) > 120 + 30


def test_a_path_over_ground_that_no_file_tells_of_is_refused() -> None:
    mission = asked(WINGED)
    strict = replace(mission, terrain=replace(mission.terrain, holes="refuse"))
    with pytest.raises(SafetyError, match=r"E27 .*leaves the terrain given"):
        make_plan(strict, read_scene(strict))
