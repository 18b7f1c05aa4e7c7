"""The whole way from mission to outputs, and the forecast against closed forms, whoever drew the lines."""

import dataclasses
import hashlib
import json
from collections import namedtuple
from dataclasses import replace
from pathlib import Path

import jsonschema
import numpy as np
import pytest
import rasterio
import shapely
from made_site import FRAME, write_raster, write_site

import planner
from planner.equipment import RangeRating
from planner.errors import SafetyError
from planner.files.briefing import write_briefing
from planner.files.bundle import summary_schema, write_outputs
from planner.files.cards import load_aircraft, load_sensor
from planner.files.geofiles import input_files, read_scene
from planner.files.linefiles import read_lines
from planner.files.missionfile import read_mission
from planner.files.report import write_report
from planner.files.webmap import write_map
from planner.flight.flightlines import FlightLine
from planner.flight.settings import Settings
from planner.forecast.gaps import CAUSES, NOT_JUDGED, code_of
from planner.ground.surface import HeightGrid, Scene
from planner.mission import Conditions, FlightChoice
from planner.ranging.detection import Seeing
from planner.requirement import Requirement
from planner.survey import assess, make_forecast, make_plan, rating_of, review
from planner.survey.clearing import most_shift_m

OSKARFELL = Path(planner.__file__).parents[1] / "missions" / "oskarfell.toml"

Job = namedtuple("Job", "mission scene assessment folder")


def flown(mission_file, folder, threads=2):
    """Plan, forecast and write a mission."""
    mission = read_mission(mission_file)
    scene = read_scene(mission)
    assessment = assess(mission, scene, make_plan(mission, scene), threads=threads)
    write_outputs(
        folder,
        assessment,
        replace=False,
        input_files=input_files(mission),
        write_map=write_map,
        write_report=write_report,
        write_briefing=write_briefing,
    )
    return Job(mission, scene, assessment, folder)


@pytest.fixture(scope="module")
def meadow_file(tmp_path_factory):
    # At 9 m/s and lines 70 m apart the far rims of the swath fall short: there are gaps to speak of.
    held = {"agl_m": 60, "speed_mps": 9, "line_spacing_m": 70}
    return write_site(tmp_path_factory.mktemp("meadow"), flight=held, requirement={"density_per_m2": 400})


@pytest.fixture(scope="module")
def meadow(meadow_file, tmp_path_factory):
    return flown(meadow_file, tmp_path_factory.mktemp("out") / "meadow")


@pytest.fixture(scope="module")
def quarry(tmp_path_factory):
    return flown(OSKARFELL, tmp_path_factory.mktemp("out") / "quarry")


@pytest.fixture(scope="module", params=["meadow", "quarry"])
def job(request):
    return request.getfixturevalue(request.param)


def digests(folder):
    return {path.name: hashlib.sha256(path.read_bytes()).hexdigest() for path in sorted(folder.iterdir())}


def test_same_input_same_bytes_for_any_number_of_threads(meadow, meadow_file, tmp_path):
    assert digests(flown(meadow_file, tmp_path / "again", threads=1).folder) == digests(meadow.folder)


def test_review_of_a_plan_finds_the_figures_of_the_plan(job):
    lines = read_lines(job.folder / "plan.geojson", job.mission, job.scene)
    assert [line.line_id for line in lines] == [line.line_id for line in job.assessment.plan.lines]
    drawn = review(job.mission, job.scene, lines)
    ours, theirs = job.assessment.forecast, drawn.forecast
    for name in ("target_per_m2", "mean_per_m2", "judged_per_m2", "p05_per_m2", "cell_m"):
        step = 1 / ours.density.cell_m**2 if "p05" in name or "judged" in name else 0.0  # one return in one cell
        assert getattr(theirs.density, name) == pytest.approx(getattr(ours.density, name), rel=1e-3, abs=step), name
    assert theirs.density.definition == ours.density.definition
    assert theirs.coverage.area_m2 == ours.coverage.area_m2
    assert theirs.coverage.below_m2 == pytest.approx(ours.coverage.below_m2, abs=1e-3 * ours.coverage.area_m2)
    assert theirs.met == ours.met
    for name in ("line_length_m", "pulses"):
        assert drawn.plan.flight[name] == pytest.approx(job.assessment.plan.flight[name], rel=1e-3), name
    assert drawn.unsafe == job.assessment.unsafe == ()


def test_every_square_metre_below_has_one_cause_and_one_gap(job):
    forecast = job.assessment.forecast
    coverage = forecast.coverage
    assert coverage.below_m2 > 0
    assert sum(coverage.by_cause_m2.values()) == coverage.below_m2
    assert set(coverage.by_cause_m2) == set(CAUSES) - {"water"}
    below = forecast.judged & ~(forecast.density_per_m2 >= forecast.density.target_per_m2)
    assert coverage.below_m2 == below.sum() * forecast.cells.cell_m**2
    assert coverage.below_pct == pytest.approx(100 * below.sum() / forecast.judged.sum())
    for cause in coverage.by_cause_m2:
        areas = [gap.area_m2 for gap in forecast.gaps if gap.cause == cause]
        assert sum(areas) == pytest.approx(coverage.by_cause_m2[cause])
        outlines = [gap.polygon.area for gap in forecast.gaps if gap.cause == cause]
        assert sum(outlines) == pytest.approx(coverage.by_cause_m2[cause])
    assert all(gap.mean_density_per_m2 < forecast.density.target_per_m2 for gap in forecast.gaps)


def test_the_verdict_is_the_percentile_of_the_cells(job):
    forecast = job.assessment.forecast
    asked = job.mission.requirement
    values = np.sort(forecast.density_per_m2[forecast.judged])
    lower = int(np.floor(asked.percentile / 100 * (len(values) - 1)))
    assert forecast.density.judged_per_m2 == values[lower]
    walls = forecast.faces is None or forecast.faces.met is not False
    assert forecast.met == (values[lower] >= asked.target_per_m2 and walls)
    assert forecast.density.mean_per_m2 == pytest.approx(values.mean())
    assert forecast.density.min_per_m2 == values[0]


@pytest.mark.parametrize(
    ("file", "name"), [("density.tif", "density_per_m2"), ("passes.tif", "passes"), ("cause.tif", "cause")]
)
def test_rasters_hold_the_arrays_in_place(job, file, name):
    forecast, frame = job.assessment.forecast, job.scene.frame
    array = getattr(forecast, name)
    with rasterio.open(job.folder / file) as raster:
        np.testing.assert_array_equal(raster.read(1), array.astype(raster.dtypes[0]))
        corner, sides = (raster.bounds.left, raster.bounds.top), raster.res
        assert rasterio.CRS.from_wkt(frame.crs.to_wkt()) == raster.crs
    west, north = forecast.cells.west_m + frame.origin_east_m, forecast.cells.north_m + frame.origin_north_m
    assert corner == pytest.approx((west, north))
    assert sides == pytest.approx((forecast.cells.cell_m, forecast.cells.cell_m))
    assert array.shape == (forecast.cells.rows, forecast.cells.cols)


def test_cells_outside_the_area_are_not_judged(job):
    forecast = job.assessment.forecast
    np.testing.assert_array_equal(forecast.cause == NOT_JUDGED, ~forecast.judged)
    area = forecast.judged.sum() * forecast.cells.cell_m**2
    assert area == pytest.approx(job.scene.area.area, rel=0.01)


def test_summary_obeys_its_schema_and_the_forecast(job):
    summary = json.loads((job.folder / "summary.json").read_text(encoding="utf-8"))
    jsonschema.Draft202012Validator(summary_schema()).validate(summary)
    forecast = job.assessment.forecast
    assert summary["verdict"] == ("met" if forecast.met else "not met")
    assert summary["coverage"]["below_m2"] == forecast.coverage.below_m2
    assert len(summary["lines"]) == len(job.assessment.plan.lines) == summary["flight"]["lines"]
    hashes = {Path(entry["path"]).name: entry["sha256"] for entry in summary["inputs"]}
    for path in {job.mission.file, job.mission.file.parent / job.mission.site.area}:
        assert hashes[path.name] == hashlib.sha256(path.read_bytes()).hexdigest()


def test_gaps_file_adds_up_to_the_area_below(job):
    features = json.loads((job.folder / "gaps.geojson").read_text(encoding="utf-8"))["features"]
    areas = [feature["properties"]["area_m2"] for feature in features]
    assert sum(areas) == pytest.approx(job.assessment.forecast.coverage.below_m2)
    assert areas == sorted(areas, reverse=True)


def test_every_metre_of_every_line_keeps_the_clearance(job):
    least = job.mission.limits.clearance_m + job.mission.terrain.vertical_sd_m
    for line, figures in zip(job.assessment.plan.lines, job.assessment.plan.figures, strict=True):
        along = line.along_m()
        stations = np.arange(0, along[-1], 1.0)
        east, north, up = (np.interp(stations, along, line.points_m[:, axis]) for axis in range(3))
        over = up - job.scene.top.at(east, north)
        assert np.isfinite(over).all()
        assert over.min() >= least - 0.01, line.line_id
        assert figures.agl_min_m >= job.mission.limits.clearance_m


def test_every_metre_keeps_the_clearance_in_all_directions(quarry):
    """Walls beside the aircraft count: the nearest point of the top surface, not only the one beneath."""
    top, least = quarry.scene.top, quarry.mission.limits.clearance_m
    rows, cols = top.heights_m.shape
    reach = int(np.ceil(least / top.spacing_m)) + 1
    for line in quarry.assessment.plan.lines:
        for east, north, up in line.points_m:
            col, row = round((east - top.west_m) / top.spacing_m), round((top.north_m - north) / top.spacing_m)
            near_rows = np.arange(max(row - reach, 0), min(row + reach + 1, rows))
            near_cols = np.arange(max(col - reach, 0), min(col + reach + 1, cols))
            away = np.hypot(
                (top.north_m - near_rows * top.spacing_m - north)[:, None],
                top.west_m + near_cols * top.spacing_m - east,
            )
            nearest = np.hypot(away, top.heights_m[np.ix_(near_rows, near_cols)] - up).min()
            assert nearest >= least - 0.01, f"{line.line_id} at {east:.0f} {north:.0f}"


def test_lines_climb_and_sink_no_faster_than_the_aircraft(job):
    aircraft = job.mission.aircraft
    for line in job.assessment.plan.lines:
        rate = np.diff(line.points_m[:, 2]) / np.diff(line.along_m()) * line.speed_mps
        assert rate.max() <= aircraft.climb_mps + 1e-6
        assert rate.min() >= -aircraft.descent_mps - 1e-6


def test_every_assumption_is_listed(meadow):
    summary = json.loads((meadow.folder / "summary.json").read_text(encoding="utf-8"))
    listed = summary["assumptions"]
    for taken in ("reflects as the card's rated range", "attitude moves at random", "no wind", "is opaque"):
        assert any(taken in line for line in listed), taken
    # What the mission of the meadow leaves out and a default fills.
    for left_out in (
        "limits.ceiling_agl_m = 120",
        "limits.clearance_m = 30",
        "requirement.percentile = 5",
        "requirement.coverage = aggregate",
        "requirement.returns = first",
        "requirement.sidelap_min = 0.2",
        "terrain.vertical_sd_m = 0.3",
        "terrain.holes = refuse",
        "conditions.visibility_km = 23",
        "site.working_crs = auto",
    ):
        assert f"{left_out} (not given)" in listed
    given = ("site.area", "site.buffer_m", "terrain.heights", "terrain.geoid", "requirement.density_per_m2")
    assert not [line for line in listed if line.startswith((*given, "flight.agl_m"))]


def test_scene_cautions_reach_the_summary(tmp_path):
    job = write_site(tmp_path, terrain={"geoid": None})
    mission = read_mission(job)
    scene = read_scene(mission)
    assert scene.cautions
    texts = [caution.text for caution in assess(mission, scene, make_plan(mission, scene)).cautions]
    assert set(scene.cautions) <= set(texts)


def test_unknown_ground_is_a_gap_for_want_of_terrain(tmp_path):
    mission_file = write_site(tmp_path, terrain={"holes": "unknown"})

    def hole(pixels):
        pixels[80:86, 110:120] = -9999

    write_raster(tmp_path, edit=hole)
    mission = read_mission(mission_file)
    scene = read_scene(mission)
    forecast = assess(mission, scene, make_plan(mission, scene)).forecast
    none = forecast.cause == code_of("no terrain")
    # 12 m by 20 m, and the cells that its rim cuts.
    assert 240 <= forecast.coverage.by_cause_m2["no terrain"] <= 14 * 22 + 40
    np.testing.assert_array_equal(none, forecast.judged & np.isnan(forecast.density_per_m2))
    assert sum(gap.area_m2 for gap in forecast.gaps if gap.cause == "no terrain") == none.sum()
    assert sum(forecast.coverage.by_cause_m2.values()) == forecast.coverage.below_m2
    (text,) = [text for text in scene.cautions if "no terrain data" in text]
    assert "ground.tif" in text


# Closed forms over made ground, computed from the formulas of the trade (C).


def made_scene(height, area, half_m=150.0, spacing_m=1.0):
    """Return a scene over made ground; the lattice is square about the origin."""
    axis = np.arange(-half_m, half_m + spacing_m / 2, spacing_m)
    heights = np.ascontiguousarray(height(*np.meshgrid(axis, axis[::-1])) + 0.0)
    grid = HeightGrid(heights, np.ones(heights.shape, dtype=bool), -half_m, half_m, spacing_m)
    area = shapely.MultiPolygon([area])
    return Scene(FRAME, area, area, grid, grid, True, "orthometric", None)


def flat(east, north):
    return 0 * east


def mission_of(meadow, card, density_per_m2=100.0, cell_m=1.0):
    return replace(
        meadow.mission,
        sensor=load_sensor(card, Path()),
        aircraft=replace(load_aircraft("hexacopter", Path()), sway_heading_deg=0.0),  # closed forms know no motion
        requirement=Requirement(density_per_m2=density_per_m2, cell_m=cell_m),
        flight=FlightChoice(),
    )


def north_line(east_m, height_m, half_length_m, sensor, speed_mps, line_rate_hz=None, name="L"):
    """Return a line flown north over made ground, all of it kept."""
    points = np.array([[east_m, -half_length_m, height_m], [east_m, half_length_m, height_m]])
    rating = sensor.ratings[0]
    rate = sensor.line_rates_hz[0] if line_rate_hz is None else line_rate_hz
    return FlightLine(
        f"{name}{east_m:g}",
        points,
        (0.0, 2 * half_length_m),
        speed_mps,
        rating.pulse_rate_hz,
        rate,
        float(np.radians(sensor.usable_fov_deg / 2)),
    )


@pytest.mark.parametrize("card", ["a", "b", "c", "e"])
def test_mean_density_between_lines_is_pulse_rate_over_speed_and_spacing(meadow, card):
    """Computed (C): rho = PRR f / (v S), the mean over whole spacings.

    The lines lie straight over lattice vertices, and scan lines along lattice rows: no pulse may get lost there.
    """
    mission = mission_of(meadow, card)
    sensor = mission.sensor
    half_swath = 60 * np.tan(np.radians(sensor.usable_fov_deg / 2))
    spacing = np.floor(1.5 * half_swath)
    scene = made_scene(flat, shapely.box(0, -40, spacing, 40))
    # Lines that reach into the strip: the two at its rims.
    lines = [north_line(east, 60, 60, sensor, 8.0) for east in (0, spacing)]
    forecast = make_forecast(mission, scene, lines)
    share = {"e": 2 / np.pi * np.arcsin(30 / 35)}.get(card, sensor.usable_fov_deg / sensor.optical_fov_deg)
    expected = sensor.ratings[0].pulse_rate_hz * share / (8.0 * spacing)
    assert forecast.density.mean_per_m2 == pytest.approx(expected, rel=5e-3)


def test_sidelap_leaves_a_strip_well_below_the_mean(meadow):
    """Computed (C): B at 80 m, 8 m/s, 30 % sidelap: mean 399, least 302 per m2."""
    mission = mission_of(meadow, "b", cell_m=0.5)
    spacing = 0.7 * 2 * 80 * np.tan(np.radians(40))
    # Half of a spacing, between a line and the middle to the next, has the mean of the whole by symmetry.
    strip = shapely.box(0, -20, 47, 20)
    scene = made_scene(flat, strip, spacing_m=0.5)
    # A line rate that no whole number of pulses fits lets their places wander: averaged along track, no comb is left.
    lines = [north_line(east, 80, 40, mission.sensor, 8.0, line_rate_hz=99.7) for east in (0, spacing)]
    forecast = make_forecast(mission, scene, lines)
    across = forecast.density_per_m2[forecast.judged].reshape(80, 94).mean(axis=0)
    assert across.mean() == pytest.approx(399, rel=0.01)
    assert across.min() == pytest.approx(302, rel=0.01)


def test_a_full_circle_scanner_brings_only_its_opening(meadow):
    """640 kHz all round are 160 kHz in 90 degrees."""
    mission = mission_of(meadow, "d")
    sensor = mission.sensor
    assert sensor.ratings[0].pulse_rate_hz == 640e3
    scene = made_scene(flat, shapely.box(-30, -40, 30, 40))
    forecast = make_forecast(mission, scene, [north_line(0, 40, 50, sensor, 5.0)])
    returns = np.nansum(forecast.density_per_m2) * forecast.cells.cell_m**2
    assert returns == pytest.approx(160e3 * 100 / 5.0, rel=1e-3)


@pytest.mark.parametrize("depth", [15.0, 30.0, 45.0])
def test_density_falls_with_the_ground_under_level_flight(meadow, depth):
    """Computed (C): over ground that lies d lower the density is H / (H + d) of that on the ridge."""
    mission = mission_of(meadow, "b")

    def ridge(east, north):
        return -depth * np.clip((np.abs(north) - 30) / 60, 0, 1)

    scene = made_scene(ridge, shapely.box(-4, -120, 4, 120))
    line = north_line(0, 60, 140, mission.sensor, 6.0, line_rate_hz=99.7)
    forecast = make_forecast(mission, scene, [line])
    east, north = np.meshgrid(*forecast.cells.centres_m())
    nadir = np.abs(east) < 4
    on_ridge = forecast.density_per_m2[nadir & (np.abs(north) < 25)].mean()
    below = forecast.density_per_m2[nadir & (np.abs(north) > 95) & (np.abs(north) < 120)].mean()
    # 300 kHz over 80 degrees: 214.9 kHz a radian, by 60 m and 6 m/s.
    assert on_ridge == pytest.approx(300e3 / np.radians(80) / 60 / 6, rel=0.01)
    assert below / on_ridge == pytest.approx(60 / (60 + depth), rel=0.01)


def test_out_of_reach_is_a_gap_over_range(meadow):
    """Computed (C): where 106 m is the reach, 80 m of height leave 34 degrees of the 40."""
    mission = mission_of(meadow, "b", density_per_m2=150)
    rating = replace(mission.sensor.ratings[0], range_m=106.0, visibility_km=1e4)
    mission = replace(
        mission,
        sensor=replace(mission.sensor, ratings=(rating,)),
        conditions=replace(mission.conditions, visibility_km=1e4),
    )
    scene = made_scene(flat, shapely.box(-66, -40, 66, 40))
    forecast = make_forecast(mission, scene, [north_line(0, 80, 60, mission.sensor, 8.0)])
    reached = 80 * np.tan(np.arccos((80 / 106) ** (2 / 3)))
    assert np.degrees(np.arctan(reached / 80)) == pytest.approx(34, abs=0.5)
    east, _ = forecast.cells.centres_m()
    angle = np.arctan2(np.abs(east), 80.0)
    # The signal of flat ground goes with cos^3 over the height squared; at the rated range it is seen 9 times of 10.
    chance = Seeing().chance((106 / 80) ** 2 * np.cos(angle) ** 3)
    closed_form = 300e3 / (8 * 80 * 2 * np.radians(40)) * np.cos(angle) ** 2
    rows = np.nonzero(forecast.judged.any(axis=1))[0]
    across = forecast.density_per_m2[rows].mean(axis=0)
    inside = np.abs(east) < 80 * np.tan(np.radians(40)) - 1
    assert across[inside] == pytest.approx((closed_form * chance)[inside], rel=0.06, abs=1)
    at_reach = np.abs(np.abs(east) - reached).argmin()
    assert across[at_reach] / closed_form[at_reach] == pytest.approx(0.9, abs=0.05)
    below = forecast.judged & (forecast.density_per_m2 < 150)
    assert below.any()
    assert (forecast.cause[below] == code_of("over range")).all()


def test_ground_no_line_passes_is_told_from_ground_beside_the_swath(meadow):
    mission = mission_of(meadow, "b")
    scene = made_scene(flat, shapely.box(-100, -100, 100, 100))
    forecast = make_forecast(mission, scene, [north_line(0, 60, 50, mission.sensor, 6.0)])
    east, north = np.meshgrid(*forecast.cells.centres_m())
    half_swath = 60 * np.tan(np.radians(40))
    beside = forecast.judged & (np.abs(north) < 49) & (np.abs(east) > half_swath + 1)
    ahead = forecast.judged & (np.abs(north) > 51)
    assert (forecast.cause[beside] == code_of("outside swath")).all()
    assert (forecast.cause[ahead] == code_of("no line")).all()


def test_the_order_of_lines_changes_nothing(meadow):
    lines = meadow.assessment.plan.lines
    turned = make_forecast(meadow.mission, meadow.scene, lines[::-1], threads=1)
    # but the last digit of sums of chances
    np.testing.assert_allclose(
        turned.density_per_m2, meadow.assessment.forecast.density_per_m2, rtol=1e-12, equal_nan=True
    )
    assert turned.coverage == meadow.assessment.forecast.coverage


def test_a_plan_below_the_stated_hazard_distance_is_refused(meadow):
    ratings = tuple(
        dataclasses.replace(rating, laser_class="3B", hazard_distance_m=70.0)
        for rating in meadow.mission.sensor.ratings
    )
    mission = replace(meadow.mission, sensor=replace(meadow.mission.sensor, ratings=ratings))
    with pytest.raises(SafetyError, match=r"E36 an eye on the ground .* comes within \d+\.\d m, under the .* 70 m"):
        make_plan(mission, meadow.scene)


def test_a_second_range_that_goes_too_far_changes_no_plan_and_is_told(meadow):
    sensor = meadow.mission.sensor
    # B reaches 150 and 212 m to 10 %; in clear air sqrt(8) times as far to 80 %, 424 and 600 m
    bright = [replace(one, range_m=4 * one.range_m, reflectance=0.8, hazard_distance_m=None) for one in sensor.ratings]
    mission = replace(meadow.mission, sensor=replace(sensor, ratings=(*sensor.ratings, *bright)))
    assessed = assess(mission, meadow.scene, make_plan(mission, meadow.scene))
    for line, same in zip(assessed.plan.lines, meadow.assessment.plan.lines, strict=True):
        np.testing.assert_array_equal(line.points_m, same.points_m)
        assert (line.speed_mps, line.pulse_rate_hz) == (same.speed_mps, same.pulse_rate_hz)
    np.testing.assert_array_equal(assessed.forecast.density_per_m2, meadow.assessment.forecast.density_per_m2)
    [said] = [caution for caution in assessed.cautions if caution.caution_id == "range ratings"]
    assert said.status == "over"
    assert "bright goes too far" in said.text
    assert "range ratings" not in {caution.caution_id for caution in meadow.assessment.cautions}


def test_a_second_range_that_falls_short_holds_for_dim_ground_too(meadow):
    sensor = meadow.mission.sensor
    rate = meadow.assessment.plan.lines[0].pulse_rate_hz
    short = RangeRating(pulse_rate_hz=rate, range_m=180, reflectance=0.8)
    mission = replace(meadow.mission, sensor=replace(sensor, ratings=(*sensor.ratings, short)))
    rating = rating_of(mission, rate)
    # without air 180 / sqrt(8) = 63.6 m to 10 % [C]; a little more in air, which takes less on the shorter way
    assert (rating.reflectance, rating.laser_class, rating.light) == (0.1, "1", "day")
    assert 63.6 < rating.range_m < 66
    # so the rims of the swath, 60 / cos(40 deg) = 78 m away, are over range
    lost = make_forecast(mission, meadow.scene, meadow.assessment.plan.lines).coverage.by_cause_m2["over range"]
    assert lost > meadow.assessment.forecast.coverage.by_cause_m2["over range"]


@pytest.mark.parametrize(
    ("card", "surface", "least", "most"),
    [("a", "asphalt_new", 1.1, 99.0), ("a", "water_open", 1.0, 1.0), ("e", "grass_green", 0.0, 0.9)],
)
def test_frost_brings_light_back_from_dark_ground_and_takes_it_from_green_at_1550_nm(
    tmp_path, card, surface, least, most
):
    # rime 0.55 at 905 nm, 0.12 at 1550 nm; sealed road 0.062 at 905 nm, grass 0.239 at 1550 nm
    mission = read_mission(write_site(tmp_path, sensor={"card": card}, cover={"default": surface}))
    scene = read_scene(mission)
    # as high as makes the range to bare ground tell
    line = north_line(0, 500 + {"a": 100, "e": 120}[card], 50, mission.sensor, 6.0)
    bare, frosted = (
        make_forecast(replace(mission, conditions=Conditions(frost=frost)), scene, [line]) for frost in (False, True)
    )
    gained = np.nansum(frosted.density_per_m2) / np.nansum(bare.density_per_m2)
    assert least <= gained <= most


def test_fog_is_told_and_shortens_the_range(meadow):
    mission = replace(meadow.mission, conditions=replace(meadow.mission.conditions, visibility_km=0.3))
    assessed = review(mission, meadow.scene, meadow.assessment.plan.lines)
    [said] = [caution for caution in assessed.cautions if caution.caution_id == "fog"]
    assert (said.status, said.measured) == ("over", 0.3)
    assert assessed.forecast.density.mean_per_m2 < meadow.assessment.forecast.density.mean_per_m2


@pytest.mark.parametrize(
    ("sidelap", "closest_m", "shift_m"),
    [(0.25, None, 70 / 3), (0.25, 50.0, 50 / 3), (0.75, 50.0, 25.0), (None, None, 120 * np.tan(np.radians(33.3)) - 70)],
)
def test_lines_move_aside_as_far_as_their_swath_still_meets_the_closest_neighbour(sidelap, closest_m, shift_m):
    # gap s / (1 - s) is what two half swaths have over the gap; half the gap at most (C)
    settings = Settings(60, 6.1, 200e3, 100, 33.3, 70, 0.0, sidelap, "level", {}, closest_spacing_m=closest_m)
    assert most_shift_m(settings) == pytest.approx(shift_m)
