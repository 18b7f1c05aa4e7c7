"""Why a cell is as it is: shares, shadows and dim ground, and jobs that cannot be explained."""

import json
import shutil
import sys

import numpy as np
import pytest
import shapely
from made_site import FRAME, write_area, write_mission, write_raster

from planner import cli
from planner.errors import InputError
from planner.files.bundle import summary_dict
from planner.files.geofiles import input_files, read_scene
from planner.files.linefiles import read_lines
from planner.files.missionfile import read_mission
from planner.files.planfiles import collection_text, plan_geojson, write_grid
from planner.forecast.budgets import NO_TERM
from planner.forecast.gaps import CAUSES, NOT_JUDGED
from planner.ranging.uncertainty import TERMS
from planner.survey import review
from planner.why import explain, tell_cell

WALL_M = 20.0
DARK = shapely.box(-62, -50, -42, -30)
FLOWN_M = 610.0  # 110 m over the meadow: past the reach to the dark patch

FOOT, PATCH, OPEN = (0.0, -40.0), (-52.0, -40.0), (-60.0, 40.0)
"""A place west of the wall, one in the dark patch and one in the open: east, north [m]."""


def walled(pixels):
    pixels[:, 102:106] += WALL_M  # pixel centres from 5 to 11 m east


def feature(geometry, **properties):
    return {"type": "Feature", "properties": properties, "geometry": shapely.geometry.mapping(geometry)}


def write_features(path, *features):
    path.write_text(json.dumps({"type": "FeatureCollection", "features": features}), encoding="utf-8")


def in_degrees(geometry):
    return shapely.transform(geometry, lambda en: np.column_stack(FRAME.to_lonlat(en[:, 0], en[:, 1])))


def write_job(folder, **changes):
    """Write a site with a wall and a dark patch and two lines north, 70 m west and 45 m east of the middle."""
    write_area(folder)
    write_raster(folder, edit=walled)
    write_features(folder / "cover.geojson", feature(in_degrees(DARK), cover="pitch"))
    lines = [in_degrees(shapely.LineString([(east, -75), (east, 75)])) for east in (-70, 45)]
    high = {"heights_ortho_m": [FLOWN_M, FLOWN_M], "speed_mps": 6, "pulse_rate_hz": 300e3}
    write_features(
        folder / "lines.geojson", *(feature(line, id=name, **high) for line, name in zip(lines, "WE", strict=True))
    )
    parts = {"requirement": {"cell_m": 2.0, "density_per_m2": 255}, "cover": {"polygons": "cover.geojson"}} | changes
    mission_file = write_mission(folder, **parts)
    own = "\n[cover.surfaces.pitch]\nreflectance = 0.03\n"
    mission_file.write_text(mission_file.read_text(encoding="utf-8") + own, encoding="utf-8")
    return mission_file


def write_out(mission_file):
    """Review the lines and write what `why` reads of an output folder; return the assessment."""
    mission = read_mission(mission_file)
    scene = read_scene(mission)
    assessment = review(mission, scene, read_lines(mission_file.parent / "lines.geojson", mission, scene))
    out = mission_file.parent / "out" / "meadow"
    out.mkdir(parents=True)
    (out / "plan.geojson").write_text(collection_text(plan_geojson(assessment)), encoding="utf-8")
    summary = json.dumps(summary_dict(assessment, input_files(mission)))
    (out / "summary.json").write_text(summary, encoding="utf-8")
    return assessment


@pytest.fixture(scope="module")
def job(tmp_path_factory):
    """The folder of a job, and its assessment."""
    folder = tmp_path_factory.mktemp("why")
    return folder, write_out(write_job(folder))


@pytest.fixture
def copied(job, tmp_path):
    """Return a copy of the job that may be spoilt."""
    return shutil.copytree(job[0], tmp_path / "copy")


@pytest.fixture
def call(monkeypatch, capsys):
    def run(*words):
        monkeypatch.setattr(sys, "argv", ["swathwright", "why", *map(str, words)])
        with pytest.raises(SystemExit) as left:
            cli.main()
        captured = capsys.readouterr()
        return int(left.value.code or 0), captured.out, captured.err

    return run


def told(assessment, place):
    scene, plan = assessment.scene, assessment.plan
    return tell_cell(assessment.mission, scene, plan.lines, assessment.forecast.cells, degrees(place))


def degrees(place):
    lon, lat = FRAME.to_lonlat(*place)
    return float(lon), float(lat)


def forecast_at(assessment, story):
    """Return density and cause of the forecast in the cell of a story."""
    cells, scene = assessment.forecast.cells, assessment.scene
    east, north = (float(value) for value in scene.frame.from_lonlat(story.lon_deg, story.lat_deg))
    place = int((cells.north_m - north) / cells.cell_m), int((east - cells.west_m) / cells.cell_m)
    code = assessment.forecast.cause[place]
    return float(assessment.forecast.density_per_m2[place]), "met" if code == 0 else CAUSES[code - 1]


@pytest.mark.parametrize("place", [FOOT, PATCH, OPEN])
def test_shares_add_up_to_the_density_that_the_forecast_has(job, place):
    story = told(job[1], place)
    density, cause = forecast_at(job[1], story)
    assert sum(line.share_per_m2 for line in story.lines) == pytest.approx(story.density_per_m2, rel=1e-6)
    assert story.density_per_m2 == pytest.approx(density, rel=1e-9)
    assert story.cause == cause
    for line in story.lines:
        accounted = line.returns_per_m2 + sum(lost for why, lost in line.lost_per_m2.items() if why != "shadow")
        assert accounted == pytest.approx(line.sent_per_m2, rel=1e-9, abs=1e-9)


def test_a_shadow_is_named_by_the_wall_that_casts_it(job):
    story = told(job[1], FOOT)
    west, east = story.lines
    assert (west.line_id, east.line_id) == ("W", "E")
    assert story.cause == "shadow"
    assert "another side" in story.advice
    assert west.obstacle is None
    assert east.share_per_m2 == 0
    assert east.shadowed_per_m2 > 50
    # The top of the wall begins 5 m east of the middle, known to one square of 2 m.
    lon, _ = degrees((5.0, FOOT[1]))
    to_wall = (lon - story.lon_deg) * 111_320 * np.cos(np.radians(story.lat_deg))
    assert east.obstacle.distance_m == pytest.approx(to_wall, abs=2.0)
    assert east.obstacle.height_m == pytest.approx(WALL_M, abs=0.5)
    assert f"{east.obstacle.height_m:.1f} m above the cell" in str(story)


def test_dark_ground_is_named_with_its_longest_range(job):
    story = told(job[1], PATCH)
    assert (story.surface, story.reflectance, story.state) == ("pitch", 0.03, "dry")
    assert story.cause == "dim surface"
    over = next(line for line in story.lines if line.line_id == "W")
    # A tenth is seen 150 m off on this card, face on: 0.03 in clear air sqrt(0.3) as far, and a little more in haze.
    face_on = 150 * np.sqrt(0.3 * np.cos(np.radians(over.incidence_deg)))
    assert face_on < over.longest_range_m < 1.02 * face_on
    assert over.slant_range_m > over.longest_range_m
    assert over.mean_chance < 0.3
    assert over.lost_per_m2["dim surface"] > 50
    assert "fly lower" in story.advice
    assert f"{over.longest_range_m:.1f} m to pitch" in str(story)


def test_the_open_meadow_needs_nothing(job):
    story = told(job[1], OPEN)
    over = story.lines[0]
    assert story.cause == "met"
    assert story.advice.startswith("nothing")
    assert story.surface == "no class"
    assert over.mean_chance == pytest.approx(1.0)
    # The line flies 70 m west of the middle: the cell lies 10 m to its right.
    assert over.scan_angle_deg == pytest.approx(np.degrees(np.arctan2(10, 110)), abs=1.5)
    assert over.slant_range_m == pytest.approx(np.hypot(10, 110), abs=3)


def test_the_vertical_error_is_read_from_the_folder(job, copied):
    assessment, out = job[1], copied / "out" / "meadow"
    without = explain(out, *degrees(OPEN))
    assert np.isnan(without.vertical_combined_m)
    assert "vertical error" not in str(without), "a folder of an older forecast has none"
    errors, shape = assessment.forecast.errors, assessment.forecast.judged.shape
    both = {name: getattr(errors, f"vertical_{name}_m").reshape(shape) for name in ("combined", "single")}
    write_grid(out / "vertical_rmse.tif", both, assessment, "m", np.nan)
    write_grid(out / "dominant_term.tif", {"term": errors.dominant.reshape(shape)}, assessment, "code", NO_TERM)
    story = explain(out, *degrees(OPEN))
    cells = assessment.forecast.cells
    place = int((cells.north_m - OPEN[1]) / cells.cell_m), int((OPEN[0] - cells.west_m) / cells.cell_m)
    assert story.vertical_combined_m == pytest.approx(both["combined"][place])
    assert story.vertical_single_m == pytest.approx(both["single"][place])
    assert story.dominant_term == TERMS[errors.dominant.reshape(shape)[place]]
    assert f"{100 * both['combined'][place]:.1f} cm of all passes" in str(story)
    assert str(story).count(f"most of the first: {story.dominant_term}") == 1


def test_a_cell_is_told_by_the_confidence_asked_for_as_the_folder_holds_it(tmp_path):
    asked = {"cell_m": 2.0, "density_per_m2": 255, "confidence": 0.9}
    assessment = write_out(write_job(tmp_path, requirement=asked, doubts={"draws": 0}))
    out, forecast = tmp_path / "out" / "meadow", assessment.forecast
    assert explain(out, *degrees(OPEN)).sure_cause == "", "a folder without its causes says nothing of it"
    write_grid(out / "cause.tif", {"cause": forecast.cause}, assessment, "code", NOT_JUDGED)
    nominal = told(assessment, OPEN).cause
    names = {0: "met"} | dict(enumerate(CAUSES, start=1))
    story = explain(out, *degrees(OPEN))
    cells = forecast.cells
    place = int((cells.north_m - OPEN[1]) / cells.cell_m), int((OPEN[0] - cells.west_m) / cells.cell_m)
    assert (story.cause, story.sure_cause) == (nominal, names[int(forecast.cause[place])])
    assert "with a chance of 0.9, as is asked: " in str(story)


def test_the_best_single_pass_takes_the_whole_share(job, tmp_path):
    mission = read_mission(
        write_job(tmp_path, requirement={"cell_m": 2.0, "density_per_m2": 255, "coverage": "single"})
    )
    assessment = job[1]
    both = told(assessment, OPEN)
    story = tell_cell(mission, assessment.scene, assessment.plan.lines, assessment.forecast.cells, degrees(OPEN))
    best = max(line.returns_per_m2 for line in both.lines)
    assert story.density_per_m2 == pytest.approx(best, rel=1e-9)
    assert sorted(line.share_per_m2 for line in story.lines)[-1] == pytest.approx(best, rel=1e-9)
    assert sum(line.share_per_m2 for line in story.lines) == pytest.approx(story.density_per_m2, rel=1e-6)


def test_the_command_tells_the_same_from_the_output_folder(job, call):
    folder, assessment = job
    code, out, _ = call(folder / "out" / "meadow", *degrees(FOOT), "--json")
    story, said = told(assessment, FOOT), json.loads(out)
    assert code == 0
    assert said["cause"] == "shadow"
    assert said["density_per_m2"] == pytest.approx(story.density_per_m2, rel=0.02)
    assert sum(line["share_per_m2"] for line in said["lines"]) == pytest.approx(said["density_per_m2"], rel=1e-6)
    assert said["lines"][1]["obstacle"]["height_m"] == pytest.approx(story.lines[1].obstacle.height_m, abs=0.01)
    assert set(said["lines"][0]) == set(vars(story.lines[0]))


def test_the_command_speaks_in_words(job, call):
    code, out, _ = call(job[0] / "out" / "meadow", *degrees(FOOT))
    assert code == 0
    assert "below its density, for: shadow" in out
    assert "E: hidden by what stands" in out
    assert out.rstrip().splitlines()[-1].startswith("what to do: look from another side")


def test_a_negative_longitude_is_no_option(job, call):
    code, _, err = call(job[0] / "out" / "meadow", "-9.3", "47.2")
    assert code == 2
    assert "E33 lon -9.3 lat 47.2" in err
    assert "km outside the area" in err


@pytest.mark.parametrize(
    ("lon_lat", "message"),
    [
        (degrees((92.0, 0.0)), r"E33 .*12\.0 m outside the area"),
        (degrees((0.0, 0.0))[::-1], r"E05 .*the two swapped"),
        ((9.3, 147.2), r"E05 .*no longitude and latitude"),
    ],
)
def test_a_place_outside_is_refused_by_how_far(job, lon_lat, message):
    with pytest.raises(InputError, match=message):
        explain(job[0] / "out" / "meadow", *lon_lat)


@pytest.mark.parametrize("name", ["ground.tif", "cover.geojson", "job.toml"])
def test_a_changed_input_is_named(copied, name):
    with (copied / name).open("ab") as file:
        file.write(b"\n")
    with pytest.raises(InputError, match=f"E50 .*{name} has changed"):
        explain(copied / "out" / "meadow", *degrees(OPEN))


def test_a_folder_moved_away_needs_its_mission(copied, tmp_path):
    moved = (copied / "out" / "meadow").rename(tmp_path / "elsewhere")
    with pytest.raises(InputError, match=r"E00 .*job\.toml lies neither beside .*\n.*--mission FILE"):
        explain(moved, *degrees(OPEN))
    assert explain(moved, *degrees(OPEN), mission_file=copied / "job.toml").cause == "met"


def test_what_is_no_output_folder_is_refused(copied):
    with pytest.raises(InputError, match=r"E00 .*no output folder"):
        explain(copied, *degrees(OPEN))
    (copied / "out" / "meadow" / "summary.json").write_text('{"inputs": []}', encoding="utf-8")
    with pytest.raises(InputError, match=r"E45 .*not a summary"):
        explain(copied / "out" / "meadow", *degrees(OPEN))
