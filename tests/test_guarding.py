"""The cautions of a whole job: the command, the summary and the refusals for eyes."""

import json
from dataclasses import replace

import jsonschema
import pytest
from made_site import FRAME, write_site

from planner.errors import SafetyError
from planner.files.bundle import summary_dict, summary_schema
from planner.files.cautionwords import HEADS
from planner.files.geofiles import input_files, read_scene
from planner.files.missionfile import read_mission
from planner.safety.eyesafety import EYE_HEIGHT_M
from planner.survey import assess, make_plan


def lonlat(east_m, north_m):
    return [float(value) for value in FRAME.to_lonlat(east_m, north_m)]


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    folder = tmp_path_factory.mktemp("cautions")
    features = [
        {
            "type": "Feature",
            "properties": {"name": "walkers"},
            "geometry": {"type": "Point", "coordinates": lonlat(0, 0)},
        }
    ]
    (folder / "people.geojson").write_text(json.dumps({"type": "FeatureCollection", "features": features}))
    write_site(
        folder,
        aircraft={"card": "hexacopter", "take_off": [lonlat(-60.0, -50.0)]},
        rules={"profile": "eu_open_a2", "people": "people.geojson"},
        conditions={"start": "2027-04-12T09:30:00Z"},
        doubts={"draws": 0},
        compare=[],
    )
    return folder


@pytest.fixture(scope="module")
def found(folder):
    mission = read_mission(folder / "job.toml")
    scene = read_scene(mission)
    return assess(mission, scene, make_plan(mission, scene))


def test_the_summary_holds_what_was_measured_and_keeps_to_its_schema(folder, found):
    summary = summary_dict(found, input_files(found.mission))
    jsonschema.Draft202012Validator(summary_schema()).validate(summary)
    safety = summary["safety"]
    by_rule = {rule["rule_id"]: rule for rule in safety["rules"]}
    assert by_rule["eu.a2.people"]["status"] == "over"  # the lines pass over the middle of the site
    assert by_rule["eu.height"]["status"] == "within"
    assert all(rule["citation"] and rule["date_read"] for rule in safety["rules"])
    assert [crossing["name"] for crossing in safety["ground_risk"]["crossings"]] == ["walkers"]
    [eye] = safety["eyes"]
    # whoever stands beneath is nearer than the height flown by at least his own
    lowest = min(figure.agl_min_m for figure in found.plan.figures)
    assert 0 < eye["nearest_m"] <= lowest - EYE_HEIGHT_M + 0.01
    assert safety["checklist"]
    assert "people.geojson" in {entry["path"] for entry in summary["inputs"]}


def test_exposure_covers_the_area_and_is_least_where_the_way_is_far(found):
    exposure = found.safety.exposure
    judged = found.forecast.judged
    assert (exposure.nearest_m[judged] > 0).all()
    assert exposure.nearest_m[judged].min() >= found.plan.nearest_eye_m - 0.5
    assert (exposure.aided[judged] >= exposure.naked[judged] - 1e-12).all()
    assert (exposure.stopped[judged] > 0).all()


def test_a_computed_hazard_distance_that_reaches_an_eye_is_refused_unless_class_1_is_stated(found):
    mission, scene = found.mission, found.scene
    strong = tuple(
        replace(rating, laser_class="3R", hazard_distance_m=0.0, pulse_energy_uj=500.0)
        for rating in mission.sensor.ratings
    )
    sensor = replace(mission.sensor, ratings=strong)
    with pytest.raises(SafetyError, match=r"E36 an eye on the ground comes within .* under the computed hazard"):
        make_plan(replace(mission, sensor=sensor), scene)
    stated = tuple(replace(rating, laser_class="1") for rating in strong)
    plan = make_plan(replace(mission, sensor=replace(sensor, ratings=stated)), scene)
    assert plan.lines


def test_the_command_says_the_same_of_a_mission_and_of_its_folder(folder, found, call):
    code, said, _ = call("cautions", folder / "job.toml")
    assert code == 0
    assert all(caution.caution_id in said for caution in found.cautions)
    heads = [said.index(head) for status, head in HEADS.items() if status in {c.status for c in found.cautions}]
    assert heads == sorted(heads)
    assert "None of this is a clearance or a classification." in said
    assert call("plan", folder / "job.toml", "--out", folder / "out")[0] in (0, 3)
    assert call("cautions", folder / "out") == (0, said, "")
    code, as_json, _ = call("cautions", folder / "out", "--json")
    assert (code, len(json.loads(as_json)["cautions"])) == (0, len(found.cautions))


def test_a_folder_that_holds_no_summary_of_ours_is_refused(tmp_path, call):
    code, said, error = call("cautions", tmp_path)
    assert (code, said) == (2, "")
    assert error.startswith(f"E00 {tmp_path.name}: holds no summary.json")
    (tmp_path / "summary.json").write_text("{}")
    code, said, error = call("cautions", tmp_path)
    assert (code, said) == (2, "")
    assert "E45" in error
    assert "is not a summary that this version reads" in error
