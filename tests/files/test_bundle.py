import csv
import datetime as dt
import hashlib
import json
from dataclasses import asdict
from dataclasses import replace as changed
from pathlib import Path

import jsonschema
import numpy as np
import pyproj
import pytest
import rasterio
from made_sorties import START, flown
from small_job import compared, reviewed, small_assessment, tilted_geoid

from planner.errors import InputError
from planner.files.bundle import summary_dict, summary_schema, write_outputs
from planner.files.verdictwords import verdict_text
from planner.forecast.acceptance import SIDELAP, Clause
from planner.forecast.calibration import PARAMETERS
from planner.forecast.draws import SOURCES
from planner.forecast.gaps import CAUSES
from planner.mission import Conditions
from planner.ranging.uncertainty import TERMS

NAMES = {
    "plan.geojson",
    "gaps.geojson",
    "summary.json",
    "map.html",
    "briefing.html",
    "report.html",
    "density.tif",
    "passes.tif",
    "cause.tif",
    "vertical_rmse.tif",
    "dominant_term.tif",
    "confidence.tif",
    "checkpoints.geojson",
    "checkpoints.csv",
}


def _map(path, assessment):
    path.write_text(f"<p>{assessment.mission.date}</p>")


def _briefing(path, assessment):
    path.write_text(f"<p>{assessment.mission.name}</p>", encoding="utf-8")


def _report(path, assessment):
    path.write_text(f"<h1>{assessment.mission.name}</h1>")


def without_faces(assessment):
    return changed(assessment, forecast=changed(assessment.forecast, faces=None))


def unsure(assessment):
    """The job without draws, and without two lines that see the same ground."""
    return changed(
        assessment, quality=changed(assessment.quality, confidence=None, calibration=None, helpful=None, pads=())
    )


@pytest.fixture
def inputs(tmp_path):
    (tmp_path / "meadow.toml").write_text("name = 'Meadow'\n")
    return [("meadow.toml", tmp_path / "meadow.toml")]


def _write(
    folder, inputs, *, replace=False, assessment=None, write_map=_map, write_report=_report, write_briefing=_briefing
):
    write_outputs(
        folder,
        assessment or small_assessment(),
        replace=replace,
        input_files=inputs,
        write_map=write_map,
        write_report=write_report,
        write_briefing=write_briefing,
    )


def _hashes(folder):
    return {path.name: hashlib.sha256(path.read_bytes()).hexdigest() for path in folder.iterdir()}


@pytest.mark.parametrize("geoid", [None, tilted_geoid()], ids=["no geoid", "geoid"])
@pytest.mark.parametrize(
    "view",
    [lambda job: job, reviewed, without_faces, unsure, flown],
    ids=["planned", "reviewed", "no face", "no draws", "sorties"],
)
def test_summary_keeps_to_its_schema(inputs, geoid, view):
    jsonschema.Draft202012Validator.check_schema(summary_schema())
    summary = summary_dict(view(small_assessment(geoid=geoid)), inputs)
    jsonschema.Draft202012Validator(summary_schema()).validate(json.loads(json.dumps(summary, allow_nan=False)))
    assert set(summary) == set(summary_schema()["required"])
    assert (summary["settings"] is None) == (view is reviewed)


def test_schema_knows_the_closed_list_of_causes():
    by_cause = summary_schema()["$defs"]["by_cause_m2"]
    assert tuple(by_cause["propertyNames"]["enum"]) == CAUSES


def test_schema_knows_the_closed_lists_of_accuracy():
    parts, properties = summary_schema()["$defs"], summary_schema()["properties"]
    assert tuple(parts["part_accuracy"]["properties"]["dominant_term"]["enum"]) == TERMS
    assert (*TERMS, None) == tuple(properties["vertical"]["properties"]["dominant_term"]["enum"])
    confidence = properties["confidence"]["properties"]
    assert tuple(confidence["by_source_m2"]["properties"]) == SOURCES
    assert (*SOURCES, "") == tuple(confidence["costliest"]["enum"])
    assert tuple(properties["calibration"]["properties"]["parameters"]["const"]) == PARAMETERS
    assert tuple(parts["left_m"]["properties"]) == tuple(parts["undetermined"]["items"]["enum"]) == PARAMETERS


def test_schema_closes_each_object_round_the_names_it_requires():
    properties = summary_schema()["properties"]
    alone = ("density", "faces", "coverage", "conditions", "frame", "navigation", "vertical", "checkpoints")
    closed = {name: properties[name] for name in (*alone, "calibration", "confidence", "hazards")}
    lists = ("lines", "sorties", "surfaces", "cases", "acceptance", "volumes")
    closed |= {name: properties[name]["items"] for name in lists}
    closed |= {name: closed["sorties"]["properties"][name] for name in ("take_off", "time_s")}
    closed |= {name: summary_schema()["$defs"][name] for name in ("part", "part_accuracy", "calibration_sd", "left_m")}
    closed |= {name: closed["volumes"]["properties"][name] for name in ("volume", "change")}
    closed["trial"] = properties["calibration"]["properties"]["trials"]["items"]
    closed["rule"] = properties["checkpoints"]["properties"]["rules"]["items"]
    for name, held in closed.items():
        assert set(held["required"]) == set(held["properties"]), name
        assert held["additionalProperties"] is False, name


def test_schema_refuses_what_it_does_not_know(inputs):
    summary = summary_dict(small_assessment(), inputs)
    with pytest.raises(jsonschema.ValidationError, match="'weather' was unexpected"):
        jsonschema.validate(summary | {"weather": "fine"}, summary_schema())


@pytest.mark.parametrize(("clause", "verdict"), [(SIDELAP, "not met"), ("horizontal RMSE", "met")])
def test_of_clauses_a_sidelap_that_is_not_kept_counts_for_the_verdict(clause, verdict, inputs):
    job = small_assessment(met=True)
    broken = Clause(clause, "at least 20 %", "12 %", "not met")
    job = changed(job, quality=changed(job.quality, acceptance=(broken,)))
    assert summary_dict(job, inputs)["verdict"] == verdict
    assert ("NOT MET" in verdict_text(job, Path("out"))) == (verdict == "not met")


def test_summary_says_what_was_found(inputs):
    summary = summary_dict(small_assessment(geoid=tilted_geoid()), inputs)
    assert (summary["mission"], summary["verdict"]) == ("Meadow <test>", "not met")
    assert summary_dict(small_assessment(met=True), inputs)["verdict"] == "met"
    assert summary["density"]["mean_per_m2"] == 26.6666667, "nine significant digits of 80 / 3"
    assert summary["density"]["min_per_m2"] is None, "nan is null"
    assert summary["density"]["first_mean_per_m2"] == 26.6666667
    assert summary["density"]["ground_mean_per_m2"] == 6.66666667
    assert "passes the crowns" in summary["density"]["ground_definition"]
    assert (summary["faces"]["face_area_m2"], summary["faces"]["mean_per_m2"]) == (256, 11)
    assert summary_dict(without_faces(small_assessment()), inputs)["faces"] is None
    assert summary["flight"]["line_length_m"] == 400.24
    assert sum(summary["coverage"]["by_cause_m2"].values()) == summary["coverage"]["below_m2"]
    assert [line["line_id"] for line in summary["lines"]] == ["L01", "L02"]
    assert summary["safety"]["cautions"][0]["unit"] == "m above ground"
    assert [fault["code"] for fault in summary["safety"]["unsafe"]] == ["E23"]
    assert summary["frame"]["geoid"] == "tilted plane"
    assert (summary["frame"]["origin_east_m"], summary["frame"]["origin_north_m"]) == (1200, -800)
    # Area centred on the central meridian of the frame: grid north is true north there.
    assert summary["frame"]["grid_convergence_deg"] == pytest.approx(0, abs=1e-5)
    assert summary["inputs"] == [
        {"path": "meadow.toml", "sha256": hashlib.sha256(b"name = 'Meadow'\n").hexdigest()},
    ]


def test_summary_tells_the_sorties_and_who_flies_each_line(inputs):
    job = flown(small_assessment(geoid=tilted_geoid()))
    summary = summary_dict(job, inputs)
    sorties, flight = summary["sorties"], summary["flight"]
    assert [line["sortie"] for line in summary["lines"]] == [1, 2]
    assert [(sortie["number"], sortie["lines"]) for sortie in sorties] == [(1, ["L01"]), (2, ["L02"])]
    assert (flight["sorties"], flight["batteries"]) == (2, 2)
    for held in (flight, *sorties):
        parts = {name: time for name, time in held["time_s"].items() if name != "total"}
        assert sum(parts.values()) == pytest.approx(held["time_s"]["total"]), "the parts add up"
    # The take-off place is the middle of the meadow: 20 m by its plane; the geoid lies 53 m up there.
    place = sorties[0]["take_off"]
    assert (place["lon_deg"], place["lat_deg"]) == pytest.approx((-7.41, 62.03), abs=1e-8)
    assert (place["ground_ortho_m"], place["ground_ellip_m"]) == pytest.approx((20.0, 73.0), abs=1e-3)
    assert summary_dict(flown(small_assessment()), inputs)["sorties"][0]["take_off"]["ground_ellip_m"] is None
    # Sortie 2 follows the first, whose parts are all there are of it, and a swap of 300 s.
    assert sorties[1]["starts_s"] == pytest.approx(sorties[0]["time_s"]["total"] + 300)
    later = dt.datetime.fromisoformat(sorties[1]["takes_off_at"]) - START
    assert later.total_seconds() == pytest.approx(sorties[1]["starts_s"], abs=0.5)
    assert summary["hazards"] == {
        "obstacles": 2,
        "wires": 1,
        "wires_checked": "by A. Walker on foot",
        "keep_outs": 2,
        "keep_out_margin_m": 15,
        "sensitive": 1,
    }


def test_summary_without_sorties_says_so(inputs):
    summary = summary_dict(small_assessment(), inputs)
    assert summary["sorties"] == []
    assert [line["sortie"] for line in summary["lines"]] == [None, None]
    unstarted = summary_dict(flown(small_assessment(), started=False), inputs)
    assert [sortie["takes_off_at"] for sortie in unstarted["sorties"]] == [None, None]


def test_summary_compares_cases_classes_and_features(inputs):
    summary = summary_dict(compared(), inputs)
    jsonschema.validate(summary, summary_schema())
    assert [(case["name"], case["below_m2"], case["met"]) for case in summary["cases"]] == [
        ("as planned", 640, True),
        ("wet", 2560, False),
        ("night", 0, True),
    ]
    (road,) = summary["by_feature"]
    assert (road["name"], road["area_m2"]) == ("the crest road", 2560)
    assert road["below_m2"] == {"as planned": 640, "wet": 2560, "night": 0}
    assert sum(road["by_cause_m2"].values()) == road["below_m2"]["as planned"]
    assert "dry day" in road["advice"]
    for case in summary["cases"]:
        assert sum(part["below_m2"][case["name"]] for part in summary["by_class"]) == case["below_m2"], case["name"]
    coverage = summary["coverage"]
    assert (coverage["below_m2"], coverage["expected_water_m2"]) == (640, 1024), "water is set apart"


def test_summary_says_what_the_conditions_and_surfaces_were(inputs):
    job = compared()
    start = dt.datetime(2027, 4, 12, 13, 5, tzinfo=dt.timezone(dt.timedelta(hours=1)))
    planned = Conditions(visibility_km=8, wind_mps=3, rain_mm_h=0.5, start=start)
    summary = summary_dict(changed(job, mission=changed(job.mission, conditions=planned)), inputs)
    jsonschema.validate(summary, summary_schema())
    said = summary["conditions"]
    assert (said["visibility_km"], said["wind_mps"], said["night"]) == (8, 3, False)
    assert said["start"] == "2027-04-12T12:05:00+00:00"
    assert said["wet"] is True, "rain wets"
    assert summary_dict(job, inputs)["conditions"]["start"] is None
    asphalt, water = summary["surfaces"]
    assert asphalt["reflectance"] == {"905_nm": 0.1, "1064_nm": 0.11, "1550_nm": 0.12}
    assert (asphalt["source"], asphalt["mark"], water["kind"]) == ("measured on a test strip", "R", "water")
    assert summary_dict(small_assessment(), inputs)["surfaces"] == []


def test_summary_says_what_accuracy_is_worth(inputs):
    job = small_assessment()
    summary, quality = summary_dict(job, inputs), job.quality
    vertical, figures = summary["vertical"], job.forecast.accuracy
    assert (vertical["target_rmse_m"], vertical["met"]) == (0.05, figures.met)
    # Tested against checkpoints: root of the sum of squares (ASPRS Edition 2, R).
    assert vertical["tested_rmse_m"] == pytest.approx(np.hypot(vertical["rmse_m"], vertical["checkpoint_sd_m"]))
    assert {part["dominant_term"] for part in vertical["by_slope"]} <= set(TERMS)
    assert len(vertical["by_slope"]) == len(figures.by_slope) > 1
    assert summary["acceptance"] == [asdict(clause) for clause in quality.acceptance]
    assert (summary["checkpoints"]["wanted"], summary["checkpoints"]["placed"]) == (30, 4)
    assert summary["navigation"]["card"] == job.mission.navigation.name
    assert summary["navigation"]["base_distance_m"] == 1000
    (pad,) = summary["volumes"]
    assert (pad["name"], pad["volume"]["error_95_m3"], pad["change"]["mean_m"]) == ("north pad", 47.04, 0.069)
    assert "cell_sd_m" not in pad["volume"]
    assert summary["confidence"]["costliest"] == "terrain"
    assert (summary["confidence"]["draws"], summary["confidence"]["sure_chance"]) == (200, 0.95)
    assert "chance" not in summary["confidence"]


def test_what_lines_cannot_determine_is_null(inputs):
    calibration = summary_dict(small_assessment(), inputs)["calibration"]
    assert (calibration["sd"]["heading_deg"], calibration["left_m"]["heading"]) == (None, None), "infinity is null"
    assert calibration["sd"]["roll_deg"] == 0.0021
    heading = PARAMETERS.index("heading")
    assert calibration["correlations"][heading] == [None] * 4, "nan is null"
    assert calibration["undetermined"] == ["pitch", "heading"]
    best, _ = calibration["trials"]
    assert best["line"] == calibration["best"] == "a line across the middle"
    assert best["sd"]["pitch_deg"] == 0.004
    frame, line = small_assessment().scene.frame, small_assessment().quality.helpful.best.line
    assert frame.from_lonlat(*best["end_deg"]) == pytest.approx(line.end_m, abs=0.02)


def test_no_absolute_path_in_the_summary(inputs):
    (name, path), *_ = inputs
    summary = summary_dict(small_assessment(), [(str(path), path), (f"../{name}", path)])
    assert [entry["path"] for entry in summary["inputs"]] == ["meadow.toml", "../meadow.toml"]


def test_two_writes_give_the_same_bytes(tmp_path, inputs):
    _write(tmp_path / "deep" / "one", inputs)
    _write(tmp_path / "two", inputs)
    first, second = _hashes(tmp_path / "deep" / "one"), _hashes(tmp_path / "two")
    assert set(first) == NAMES
    assert first == second
    for path in (tmp_path / "two").iterdir():
        assert str(tmp_path).encode() not in path.read_bytes(), f"{path.name} names this machine"


def test_the_density_raster_holds_both_kinds_beside_what_is_judged(tmp_path, inputs):
    _write(tmp_path / "out", inputs)
    forecast = small_assessment().forecast
    with rasterio.open(tmp_path / "out" / "density.tif") as raster:
        assert [text.split(":")[0] for text in raster.descriptions] == [
            "Density as judged",
            "First returns per square metre of plan area",
            "Ground returns per square metre of plan area",
        ]
        assert forecast.density.definition in raster.descriptions[0]
        assert forecast.density.ground_definition in raster.descriptions[2]
        assert raster.units == ("1/m2",) * 3
        assert np.isnan(raster.nodata)
        arrays = (forecast.density_per_m2, forecast.first_per_m2, forecast.ground_per_m2)
        for number, array in enumerate(arrays, start=1):
            np.testing.assert_allclose(raster.read(number), array, rtol=1e-7)


def test_the_error_rasters_hold_what_the_forecast_says(tmp_path, inputs):
    _write(tmp_path / "out", inputs)
    forecast, sure = small_assessment().forecast, small_assessment().quality.confidence
    errors, shape = forecast.errors, forecast.judged.shape
    with rasterio.open(tmp_path / "out" / "vertical_rmse.tif") as raster:
        said = raster.descriptions
        assert [text.split(",")[0] for text in said] == ["Vertical error", "Vertical error", "Horizontal error"]
        assert ["all passes" in text for text in said] == [True, False, True]
        assert raster.units == ("m",) * 3
        assert np.isnan(raster.nodata)
        of_bands = (errors.vertical_combined_m, errors.vertical_single_m, errors.horizontal_combined_m)
        for number, values in enumerate(of_bands, start=1):
            np.testing.assert_allclose(raster.read(number), values.reshape(shape), rtol=1e-6)
    with rasterio.open(tmp_path / "out" / "dominant_term.tif") as raster:
        assert raster.dtypes == ("uint8",)
        assert all(f"{code} {term}" in raster.descriptions[0] for code, term in enumerate(TERMS))
        codes = raster.read(1)
        np.testing.assert_array_equal(codes, errors.dominant.reshape(shape))
        assert {TERMS[code] for code in np.unique(codes[codes != raster.nodata])} == {"position", "roll and pitch"}
    with rasterio.open(tmp_path / "out" / "confidence.tif") as raster:
        assert sure.definition in raster.descriptions[0]
        assert "density alone" in raster.descriptions[1]
        np.testing.assert_array_equal(raster.read(1), sure.chance)
        np.testing.assert_array_equal(raster.read(2), sure.chance_density)
        assert (raster.read(2) >= raster.read(1))[forecast.judged].all()


def test_without_draws_there_is_no_confidence(tmp_path, inputs):
    _write(tmp_path / "out", inputs, assessment=unsure(small_assessment()))
    assert {path.name for path in (tmp_path / "out").iterdir()} == NAMES - {"confidence.tif"}
    summary = json.loads((tmp_path / "out" / "summary.json").read_text())
    assert (summary["confidence"], summary["calibration"], summary["volumes"]) == (None, None, [])


def test_checkpoints_are_written_to_be_taken_along(tmp_path, inputs):
    _write(tmp_path / "out", inputs)
    points = json.loads((tmp_path / "out" / "checkpoints.geojson").read_text())["features"]
    with (tmp_path / "out" / "checkpoints.csv").open(newline="") as file:
        rows = list(csv.DictReader(file))
    layout, frame = small_assessment().quality.checkpoints, small_assessment().scene.frame
    assert [row["id"] for row in rows] == [point["id"] for point in points] == ["CP01", "CP02", "CP03", "CP04"]
    for point, written in zip(layout.points, points, strict=True):
        place = frame.from_lonlat(*written["geometry"]["coordinates"][:2])
        assert place == pytest.approx((point.east_m, point.north_m), abs=1e-3)


def test_checkpoints_keep_to_the_users_own_grid(tmp_path, inputs):
    job = small_assessment()
    utm = changed(job, scene=changed(job.scene, grid_crs=pyproj.CRS(32629)))
    _write(tmp_path / "out", inputs, assessment=utm)
    assert "EPSG:32629" in (tmp_path / "out" / "checkpoints.csv").read_text()
    assert "EPSG:32629" in json.loads((tmp_path / "out" / "checkpoints.geojson").read_text())["grid"]


def test_existing_folder_stays(tmp_path, inputs):
    folder = tmp_path / "out"
    _write(folder, inputs)
    before = _hashes(folder)
    with pytest.raises(InputError, match=r"E44 .*the output folder exists\n.*--replace"):
        _write(folder, inputs, assessment=small_assessment(met=True))
    assert _hashes(folder) == before


def test_replace_leaves_only_the_new(tmp_path, inputs):
    folder = tmp_path / "out"
    _write(folder, inputs)
    (folder / "stale.html").write_text("old")
    _write(folder, inputs, replace=True, assessment=small_assessment(met=True))
    assert {path.name for path in folder.iterdir()} == NAMES
    assert json.loads((folder / "summary.json").read_text())["verdict"] == "met"
    assert {path.name for path in tmp_path.iterdir()} == {"meadow.toml", "out"}


def test_replace_spares_what_is_not_ours(tmp_path, inputs):
    photos = tmp_path / "photos"
    photos.mkdir()
    (photos / "dog.jpg").write_bytes(b"dog")
    with pytest.raises(InputError, match=r"E44 .*holds no summary\.json"):
        _write(photos, inputs, replace=True)
    assert (photos / "dog.jpg").read_bytes() == b"dog"
    (tmp_path / "summary.json").write_text("{}")
    with pytest.raises(InputError, match=r"E44 .*holds input files of this job"):
        _write(tmp_path, inputs, replace=True)
    assert (tmp_path / "meadow.toml").is_file()


@pytest.mark.parametrize("broken", ["write_map", "write_report", "write_briefing"])
@pytest.mark.parametrize("replace", [False, True])
def test_failure_leaves_nothing_behind(tmp_path, inputs, replace, broken):
    folder = tmp_path / "out" / "meadow"
    if replace:
        _write(folder, inputs)
    before = _hashes(folder) if replace else None

    def without_ink(path: Path, _assessment):
        path.write_text("half")
        raise RuntimeError("no ink")

    with pytest.raises(RuntimeError, match="no ink"):
        _write(folder, inputs, replace=replace, **{broken: without_ink})
    if replace:
        assert _hashes(folder) == before
        assert [path.name for path in folder.parent.iterdir()] == ["meadow"]
    else:
        assert [path.name for path in tmp_path.iterdir()] == ["meadow.toml"], "not even the parents it made"


def test_folder_is_open_to_others(tmp_path, inputs):
    """A temporary folder is closed to others; what stays must have the rights any new folder gets."""
    _write(tmp_path / "out", inputs)
    (tmp_path / "plain").mkdir()
    assert (tmp_path / "out").stat().st_mode == (tmp_path / "plain").stat().st_mode
